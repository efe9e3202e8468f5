"""Judging without names: the order is random and covers all, and nothing on the page gives it away."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import pytest
import scipy.stats
from playwright.sync_api import Browser, Page

from render.page.build import write_page
from render.page.votes import Votes
from tests.browser.browsers import Opened, opened
from tests.helpers.listening import TITLES, boathouse
from tests.helpers.source import source

RARE = 1e-6
"""A fair shuffle fails a test as seldom as this."""


@source(
    "Pearson's chi-square test of uniformity, scipy.stats.chisquare",
    kind="library",
    tolerance="a fair shuffle fails once in a million runs",
)
@pytest.mark.parametrize("count", [2, 3, 4])
def test_every_order_is_equally_likely(modules: Page, count: int) -> None:
    """Each order of the versions comes, and comes as often as any other."""
    draws = 20000
    orders = modules.evaluate(
        "([n, m]) => Array.from({ length: m }, () => shuffled([...Array(n).keys()]).join(''))", [count, draws]
    )
    seen = Counter(orders)
    possible = {2: 2, 3: 6, 4: 24}[count]
    assert len(seen) == possible
    assert scipy.stats.chisquare(list(seen.values())).pvalue > RARE


@source(
    "Pearson's chi-square test of uniformity, scipy.stats.chisquare",
    kind="library",
    tolerance="a fair shuffle fails once in a million runs",
)
def test_every_place_is_equally_likely(modules: Page) -> None:
    """With nine versions each stands in each place as often."""
    counts = modules.evaluate(
        """() => {
          const counts = Array.from({ length: 9 }, () => Array(9).fill(0));
          for (let i = 0; i < 20000; i += 1) {
            shuffled([...Array(9).keys()]).forEach((one, place) => { counts[one][place] += 1; });
          }
          return counts;
        }"""
    )
    assert all(scipy.stats.chisquare(row).pvalue > RARE for row in counts)


def test_numbers_are_drawn_without_bias(modules: Page) -> None:
    """Words of the source that would make small numbers likelier are drawn again."""
    drawn = modules.evaluate(
        """() => {
          const own = crypto.getRandomValues;
          const words = [2 ** 32 - 1, 5, 2 ** 32 - 1, 2 ** 32 - 2];
          crypto.getRandomValues = (array) => { array[0] = words.shift(); return array; };
          try { return [randomBelow(3), randomBelow(3)]; } finally { crypto.getRandomValues = own; }
        }"""
    )
    assert drawn == [5 % 3, (2**32 - 2) % 3]


def begin(seen: Opened) -> Page:
    """Judge without names."""
    seen.page.get_by_label("Without names").check()
    return seen.page


def saved(page: Page) -> Votes:
    """The file of votes."""
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Save votes").click()
    votes: Votes = json.loads(waiting.value.path().read_text(encoding="utf-8"))
    return votes


def test_nothing_gives_names_away(browser: Browser, listening_page: Path) -> None:
    """No name, title, figure or mark of a version stands in the page's text or attributes while it is judged."""
    with opened(browser, listening_page) as seen:
        page = begin(seen)
        seen.play()
        for key in ("1", "2", "3", "4", "b", "d"):
            page.keyboard.press(key)
            html = seen.html()
            for word in (*TITLES, *TITLES.values(), "LUFS</small>", "dBTP"):
                assert f">{word}<" not in html
                assert f'"{word}"' not in html
            assert not any(title in html for title in TITLES.values())
            visible = seen.text()
            assert not any(title in visible for title in TITLES.values())
        assert page.locator(".plot:visible, .figures:visible, .versions:visible").count() == 0


def test_waveform_is_the_same_for_all(browser: Browser, listening_page: Path) -> None:
    """The picture does not change with the version, as it does with names."""
    with opened(browser, listening_page) as seen:
        paths = []
        for key in ("1", "2"):
            seen.page.keyboard.press(key)
            paths.append(seen.page.locator(".wave path").get_attribute("d"))
        assert paths[0] != paths[1]
        page = begin(seen)
        blind = []
        for key in ("1", "2", "3", "4"):
            page.keyboard.press(key)
            blind.append(page.locator(".wave path").get_attribute("d"))
        assert len(set(blind)) == 1


def test_ratings_are_kept_and_saved(browser: Browser, listening_page: Path) -> None:
    """What was rated is in the file under the names that stood behind the letters; names are seen when it ends."""
    with opened(browser, listening_page) as seen:
        page = begin(seen)
        assert page.get_by_role("button", name="Keep this judgement").is_disabled()
        page.get_by_label("Rating of A").fill("80")
        page.get_by_label("Rating of C").fill("15")
        page.get_by_label("Note").fill("  B has <b>boom</b>  ")
        page.get_by_role("button", name="Keep this judgement").click()
        assert page.get_by_label("Rating of A").is_disabled()
        assert "1 of 6 excerpts judged" in seen.text()
        [judgement] = saved(page)["ratings"]
        order = judgement["order"]
        assert sorted(order) == sorted(TITLES)
        assert judgement["take"] == "01_slipway"
        assert judgement["excerpt"] == "typical"
        assert judgement["ratings"] == {order[0]: 80, order[1]: None, order[2]: 15, order[3]: None}
        assert judgement["ranks"] == dict.fromkeys(order)
        assert judgement["note"] == "B has <b>boom</b>"
        page.get_by_role("button", name="End and show names").click()
        table = page.get_by_role("region", name="Judgements").inner_text()
        assert f"{TITLES[order[0]]}\t80.0" in table


def test_what_is_heard_is_what_is_named(browser: Browser, listening_page: Path) -> None:
    """The letter that plays is the version that the file names for it."""
    init = (Path(__file__).parent / "heard.js").read_text(encoding="utf-8")
    with opened(browser, listening_page, init=init) as seen:
        page = begin(seen)
        seen.play()
        levels = []
        for key in ("2", "3", "4", "1"):
            page.keyboard.press(key)
            page.wait_for_timeout(60)
            levels.append(page.evaluate("peakHeard()"))
        page.get_by_label("Rating of A").fill("1")
        page.get_by_role("button", name="Keep this judgement").click()
        order = saved(page)["ratings"][0]["order"]
        gain = dict(zip(TITLES, (1.0, 0.9, 0.8, 0.7), strict=True))
        heard = [levels[3], *levels[:3]]
        full = max(heard)
        assert [gain[name] for name in order] == pytest.approx([level / full for level in heard], abs=1e-3)


def test_ranks(browser: Browser, listening_page: Path) -> None:
    """Ranks are the other way of asking; equal ranks are allowed."""
    with opened(browser, listening_page) as seen:
        page = begin(seen)
        page.get_by_label("Rank", exact=True).check()
        for name, rank in (("A", "2"), ("B", "1"), ("C", "2"), ("D", "4")):
            page.get_by_label(f"Rank of {name}").select_option(rank)
        page.get_by_role("button", name="Keep this judgement").click()
        [judgement] = saved(page)["ratings"]
        assert [judgement["ranks"][name] for name in judgement["order"]] == [2, 1, 2, 4]
        assert set(judgement["ratings"].values()) == {None}


def test_names_are_not_seen_by_mistake(browser: Browser, listening_page: Path) -> None:
    """Turning to the names in the middle of a judgement is asked back; going on loses nothing."""
    with opened(browser, listening_page) as seen:
        page = begin(seen)
        page.get_by_label("Rating of B").fill("33")
        page.get_by_label("With names").click()
        page.get_by_role("dialog", name="A test is under way").wait_for()
        page.get_by_role("button", name="Go on with it").click()
        assert page.get_by_role("radio", name="Without names").is_checked()
        assert page.get_by_label("Rating of B").input_value() == "33"
        page.get_by_label("With names").click()
        page.get_by_role("button", name="End it").click()
        assert page.locator(".versions").is_visible()
        page.get_by_label("Without names").check()
        assert page.locator(".rating output").all_inner_texts() == ["not rated"] * 4


def test_excerpts_keep_their_own_order(browser: Browser, listening_page: Path) -> None:
    """Going to another excerpt and back finds the letters and ratings as they were."""
    with opened(browser, listening_page) as seen:
        page = begin(seen)
        page.get_by_label("Rating of D").fill("61")
        page.get_by_role("button", name="Next excerpt").click()
        assert page.locator(".rating output").all_inner_texts() == ["not rated"] * 4
        page.locator('input[name="excerpt"]').first.check()
        assert page.get_by_label("Rating of D").input_value() == "61"


def table_of(page: Page, caption: str) -> list[list[str]]:
    """Rows of a table, cell by cell."""
    rows = page.locator("table", has=page.locator(f"caption:text-is('{caption}')")).locator("tbody tr")
    return [row.locator("th, td").all_inner_texts() for row in rows.all()]


def test_letters_get_their_names_in_the_end(browser: Browser, listening_page: Path) -> None:
    """Ended, every excerpt that was kept tells which letter was which version, with what was said and the note."""
    with opened(browser, listening_page) as seen:
        page = begin(seen)
        page.get_by_label("Rating of A").fill("80")
        page.get_by_label("Note").fill("A boxy, <b>B</b> fine\nC no")
        page.get_by_role("button", name="Keep this judgement").click()
        page.keyboard.press("n")
        page.get_by_label("Rank", exact=True).check()
        page.get_by_label("Rank of B").select_option("1")
        page.get_by_role("button", name="Keep this judgement").click()
        assert page.locator("table").count() == 0
        orders = {one["take"]: one["order"] for one in saved(page)["ratings"]}
        page.get_by_role("button", name="End and show names").click()
        assert table_of(page, "01_slipway, typical") == [
            [letter, TITLES[name], said]
            for letter, name, said in zip(
                "ABCD", orders["01_slipway"], ("80", "\u2013", "\u2013", "\u2013"), strict=True
            )
        ]
        assert [row[1:] for row in table_of(page, "02_first_light, typical")] == [
            [TITLES[name], said]
            for name, said in zip(orders["02_first_light"], ("\u2013", "1", "\u2013", "\u2013"), strict=True)
        ]
        assert page.locator(".unlettered .note").all_inner_texts() == [
            "\u201cA boxy, <b>B</b> fine\nC no\u201d"
        ]
        page.get_by_label("Without names").check()
        assert page.locator("table").count() == 0


def test_what_is_not_kept_is_asked_back_at_the_end(browser: Browser, listening_page: Path) -> None:
    """A judgement that would be lost is not lost by ending."""
    with opened(browser, listening_page) as seen:
        page = begin(seen)
        page.get_by_label("Rating of A").fill("80")
        page.get_by_role("button", name="End and show names").click()
        page.get_by_role("button", name="Go on with it").click()
        assert page.get_by_label("Rating of A").input_value() == "80"
        page.get_by_role("button", name="End and show names").click()
        page.get_by_role("button", name="End it").click()
        assert page.locator(".versions").is_visible()


def test_what_is_kept_can_be_changed(browser: Browser, listening_page: Path) -> None:
    """Letters and ratings stay as they were; the later judgement takes the earlier one's place."""
    with opened(browser, listening_page) as seen:
        page = begin(seen)
        page.get_by_label("Rating of A").fill("80")
        page.get_by_role("button", name="Keep this judgement").click()
        assert page.get_by_text("Kept.", exact=True).is_visible()
        [before] = saved(page)["ratings"]
        page.get_by_role("button", name="Change it").click()
        assert page.get_by_label("Rating of A").input_value() == "80"
        page.get_by_label("Rating of B").fill("20")
        page.get_by_role("button", name="Keep this judgement").click()
        [after] = saved(page)["ratings"]
        assert after["order"] == before["order"]
        assert after["ratings"] == {**before["ratings"], before["order"][1]: 20}


def test_equal_for_all_is_told(browser: Browser, listening_page: Path) -> None:
    """That equal ranks are allowed is said; all equal, that this says little, before it is kept."""
    with opened(browser, listening_page) as seen:
        page = begin(seen)
        page.get_by_label("Rank", exact=True).check()
        assert "Equal ranks are allowed." in seen.text()
        warning = page.locator(".judging [role=status]")
        for name in "ABCD":
            assert warning.inner_text() == ""
            page.get_by_label(f"Rank of {name}").select_option("1")
        assert warning.inner_text().startswith("All have the same rank")
        page.get_by_label("Rank of D").select_option("2")
        assert warning.inner_text() == ""
        page.get_by_label("Rank of D").select_option("1")
        page.get_by_role("button", name="Keep this judgement").click()
        assert set(saved(page)["ratings"][0]["ranks"].values()) == {1}


def test_what_is_not_rated_does_not_look_rated(browser: Browser, listening_page: Path) -> None:
    """The ends have words; where nothing was rated there is a line and no thumb, until something is."""
    with opened(browser, listening_page) as seen:
        page = begin(seen)
        assert "0 is bad, 100 is excellent" in seen.text()
        words = page.locator(".grades .words span")
        assert words.all_inner_texts() == ["bad", "poor", "fair", "good", "excellent"]
        slider = page.get_by_label("Rating of A")
        looks = "(one) => getComputedStyle(one).appearance"
        assert slider.get_attribute("aria-valuetext") == "not rated"
        assert slider.evaluate(looks) == "none"
        boxes = [words.first.bounding_box(), words.last.bounding_box(), slider.bounding_box()]
        left, right, line = [(box["x"], box["x"] + box["width"]) for box in boxes if box]
        assert (left[0], right[1]) == pytest.approx(line, abs=6)
        slider.press("ArrowRight")
        assert slider.get_attribute("aria-valuetext") is None
        assert slider.evaluate(looks) == "auto"
        slider = page.get_by_label("Rating of B")
        slider.click()  # in the middle
        assert slider.input_value() == "50"
        assert page.locator(".rating output").nth(1).inner_text() == "50"


@pytest.fixture
def partly_matched(tmp_path: Path) -> Path:
    """A page on which one version of the first take is not at the page's loudness."""
    target = write_page(boathouse(seconds=0.5), tmp_path)
    text = target.read_text(encoding="utf-8")
    head, rest = text.split('id="content">', 1)
    data, tail = rest.split("</script>", 1)
    content = json.loads(data)
    content["takes"][0]["unmatched"] = "version 2: too quiet to have a loudness"
    for excerpt in content["takes"][0]["excerpts"]:
        excerpt["versions"][1]["matched"] = False
    target.write_text(f'{head}id="content">{json.dumps(content)}</script>{tail}', encoding="utf-8")
    return target


def test_what_is_not_matched_is_not_judged(browser: Browser, partly_matched: Path) -> None:
    """With names it is told which; it has no letter, stands last in the file, and is in no test."""
    with opened(browser, partly_matched) as seen:
        page = seen.page
        assert "-16.0 LUFS; but not all of 01_slipway: see there." in page.locator(
            ".lead"
        ).inner_text().replace("\u2212", "-").replace("\u00a0", " ")
        said = page.locator(".alert:visible")
        assert said.inner_text() == (
            "Not at the page\u2019s loudness: version 2: too quiet to have a loudness."
        )
        begin(seen)
        assert said.inner_text() == "1 version of this excerpt not at the page\u2019s loudness, and left out."
        assert page.locator(".letter").all_inner_texts() == ["A", "B", "C"]
        for name, rating in (("A", "10"), ("B", "20"), ("C", "30")):
            page.get_by_label(f"Rating of {name}").fill(rating)
        page.get_by_role("button", name="Keep this judgement").click()
        [judgement] = saved(page)["ratings"]
        assert sorted(judgement["order"]) == sorted(TITLES)
        assert [judgement["ratings"][name] for name in judgement["order"]] == [10, 20, 30, None]
        assert judgement["order"][3] == "warm"
        page.reload()
        assert "1 judgement" in seen.text()
        page.get_by_label("First or second?").check()
        offered = page.get_by_role("combobox", name="against").locator("option").all_inner_texts()
        assert [option.split()[0] for option in offered] == ["1", "3", "4"]
        assert "are left out" in page.locator(".telling").inner_text()
        page.keyboard.press("n")
        assert said.count() == 0
        assert page.get_by_role("combobox", name="against").locator("option").count() == 4
