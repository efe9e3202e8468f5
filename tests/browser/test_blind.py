"""Judging without names: the order is random and covers all, and nothing on the page gives it away."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import pytest
import scipy.stats
from playwright.sync_api import Browser, Page

from render.page.votes import Votes
from tests.browser.browsers import Opened, opened
from tests.helpers.listening import TITLES
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
