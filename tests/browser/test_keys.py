"""Everything by keyboard, and by pointer where a hand is quicker."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from render.page.build import write_page
from render.page.content import PageTake
from tests.browser.browsers import opened
from tests.helpers.listening import excerpt_of, page_of
from tests.helpers.signals import noise


def chosen(page: Page, name: str) -> str:
    """Value of the radio button that is marked."""
    return page.locator(f'input[name="{name}"]:checked').get_attribute("value") or ""


def position(page: Page) -> float:
    """Seconds into the excerpt, as a screen reader is told."""
    return float(page.get_by_role("slider", name="Position").get_attribute("aria-valuenow") or "nan")


def test_every_key(browser: Browser, listening_page: Path) -> None:
    """Each key does what the help panel says."""
    with opened(browser, listening_page) as seen:
        page, press = seen.page, seen.page.keyboard.press
        press("3")
        assert chosen(page, "version") == "2"
        press("2")
        press("b")
        assert chosen(page, "version") == "2"
        press("ArrowRight")
        assert position(page) == 1.0
        press("Shift+ArrowLeft")
        assert position(page) == 0.9
        press("i")
        press("Shift+ArrowRight")
        press("Shift+ArrowRight")
        press("o")
        assert page.get_by_label("Passage from").input_value() == "0:31.90"
        assert page.get_by_label("to", exact=True).input_value() == "0:32.10"
        press("l")
        assert page.get_by_role("button", name="Repeat").get_attribute("aria-pressed") == "true"
        press("Home")
        assert position(page) == 0.9
        press("u")
        assert page.get_by_label("Passage from").input_value() == ""
        press("+")
        assert page.get_by_label("Level").input_value() == "-11"
        press("-")
        press("-")
        assert page.get_by_label("Level").input_value() == "-13"
        press("c")
        assert chosen(page, "condition") == "mono"
        press("Shift+C")
        assert chosen(page, "condition") == "stereo"
        press("d")
        assert page.get_by_label("Spectrum shown").input_value() == "2"
        press("e")
        assert chosen(page, "excerpt") == "1"
        press("n")
        assert page.locator("h2#take-title").inner_text() == "02_first_light"
        press("p")
        press("p")
        assert page.locator("h2#take-title").inner_text() == "03_low_water"
        press("?")
        assert page.get_by_role("dialog", name="Keys").is_visible()
        press("Escape")
        assert not page.get_by_role("dialog", name="Keys").is_visible()
        press("Space")
        page.get_by_role("button", name="Stop").wait_for()
        press("Space")
        page.get_by_role("button", name="Play").wait_for()


def test_typing_is_not_obeyed(browser: Browser, listening_page: Path) -> None:
    """Letters typed into a note or a name are letters; keys with Control belong to the browser."""
    with opened(browser, listening_page) as seen:
        page = seen.page
        page.get_by_label("Your name").fill("")
        page.get_by_label("Your name").press_sequentially("Lucien 2")
        assert page.get_by_label("Your name").input_value() == "Lucien 2"
        assert page.get_by_role("button", name="Repeat").get_attribute("aria-pressed") == "false"
        page.locator("h1").click()
        page.keyboard.press("Control+l")
        assert page.get_by_role("button", name="Repeat").get_attribute("aria-pressed") == "false"


def test_keys_can_be_turned_off(browser: Browser, listening_page: Path) -> None:
    """Single keys can be given back to a screen reader (WCAG 2.1.4)."""
    with opened(browser, listening_page) as seen:
        page = seen.page
        page.keyboard.press("?")
        page.get_by_label("Keys are obeyed").uncheck()
        page.keyboard.press("Escape")
        page.keyboard.press("3")
        assert chosen(page, "version") == "0"


def test_by_tab_alone(browser: Browser, listening_page: Path) -> None:
    """Every control is reached with Tab, in the order of the page, and none holds the focus fast."""
    with opened(browser, listening_page) as seen:
        page = seen.page
        reached: list[str] = []
        for _ in range(60):
            page.keyboard.press("Tab")
            words = page.evaluate(
                "(document.activeElement.getAttribute('aria-label') ?? document.activeElement.innerText"
                " ?? '') || document.activeElement.name || document.activeElement.tagName"
            )
            if words in ("BODY", "Listening page") or (
                reached and page.evaluate("document.activeElement === document.body")
            ):
                break
            reached.append(words.replace("\n", " "))
        order = [next((n for n, words in enumerate(reached) if wanted in words), -1) for wanted in
                 ("01_slipway", "excerpt", "Position", "Play", "Repeat", "mode", "version", "Start here", "condition",
                  "Spectra as a table", "Read saved votes", "Keys")]  # fmt: skip
        assert -1 not in order
        assert order == sorted(order)


def test_pointer_marks_a_passage(browser: Browser, listening_page: Path) -> None:
    """A stroke over the waveform marks, a click moves, arrow keys on it move too."""
    with opened(browser, listening_page) as seen:
        page = seen.page
        wave = page.get_by_role("slider", name="Position")
        box = wave.bounding_box()
        assert box
        y = box["y"] + box["height"] / 2
        page.mouse.move(box["x"] + box["width"] * 0.75, y)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] * 0.5, y, steps=4)
        page.mouse.move(box["x"] + box["width"] * 0.25, y, steps=4)
        page.mouse.up()
        assert page.get_by_label("Passage from").input_value() == "0:31.50"
        assert page.get_by_label("to", exact=True).input_value() == "0:32.50"
        page.mouse.click(box["x"] + box["width"] * 0.5, y)
        assert position(page) == pytest.approx(1.0, abs=0.01)
        assert page.get_by_label("Passage from").input_value() == "0:31.50"
        wave.press("ArrowRight")
        wave.press("Shift+ArrowLeft")
        assert position(page) == pytest.approx(1.9, abs=0.11)


def test_fields_mark_a_passage(browser: Browser, listening_page: Path) -> None:
    """Moments of the take can be typed; an emptied field is the excerpt's own edge."""
    with opened(browser, listening_page) as seen:
        page = seen.page
        start, end = page.get_by_label("Passage from"), page.get_by_label("to", exact=True)
        start.fill("0:31.25")
        start.press("Enter")
        assert (start.input_value(), end.input_value()) == ("0:31.25", "0:33.00")
        assert position(page) == pytest.approx(0.25, abs=0.051)
        end.fill("32,5")
        end.press("Enter")
        assert (start.input_value(), end.input_value()) == ("0:31.25", "0:32.50")
        start.fill("")
        start.press("Enter")
        assert (start.input_value(), end.input_value()) == ("0:31.00", "0:32.50")
        end.fill(" ")
        end.press("Enter")
        assert (start.input_value(), end.input_value()) == ("", "")


REFUSED = [
    ("Passage from", "0:02", "0:02 lies outside: this excerpt is 0:31.0 to 0:33.0."),
    ("to", "99", "99 lies outside: this excerpt is 0:31.0 to 0:33.0."),
    (
        "to",
        "soon",
        "\u201csoon\u201d is no moment: write minutes and seconds, 0:31.0; this excerpt is 0:31.0 to 0:33.0.",
    ),
    ("to", "0:31.2", "A passage must end 0.1 s or more after its beginning, 0:31.40."),
    ("Passage from", "0:32", "A passage must begin 0.1 s or more before its end, 0:31.80."),
    ("to", "0:31.45", "A passage must end 0.1 s or more after its beginning, 0:31.40."),
]


@pytest.mark.parametrize(("field", "typed", "words"), REFUSED)
def test_a_passage_that_cannot_be_is_refused(
    browser: Browser, listening_page: Path, field: str, typed: str, words: str
) -> None:
    """Outside the excerpt, reversed, too short or unreadable: it is said why, and the passage stays as it was."""
    with opened(browser, listening_page) as seen:
        page = seen.page
        start, end = page.get_by_label("Passage from"), page.get_by_label("to", exact=True)
        for input_, text in ((start, "31.4"), (end, "31.8")):
            input_.fill(text)
            input_.press("Enter")
        refused = page.get_by_label(field, exact=True)
        refused.fill(typed)
        page.get_by_role("button", name="Play").click()
        assert page.get_by_role("alert").inner_text() == words
        assert (start.input_value(), end.input_value()) == ("0:31.40", "0:31.80")
        refused.fill("0:31.5")
        refused.press("Enter")
        assert page.get_by_role("alert").count() == 0


def test_a_passage_is_not_made_where_there_is_no_room(browser: Browser, listening_page: Path) -> None:
    """The key for its end, at the beginning of an excerpt, is refused; on the page's next take the word is gone."""
    with opened(browser, listening_page) as seen:
        page = seen.page
        page.keyboard.press("o")
        assert "must end 0.1 s or more after its beginning, 0:31.00" in page.get_by_role("alert").inner_text()
        assert page.get_by_label("to", exact=True).input_value() == ""
        page.keyboard.press("n")
        assert page.get_by_role("alert").count() == 0


def test_moments_as_the_page_rounds_them_are_taken(browser: Browser, tmp_path: Path) -> None:
    """An excerpt from 0:13.65 is shown as from 0:13.7, or 0:13.6: both, typed, are its beginning."""
    sound = excerpt_of(noise(48000), {"a": "a"}, sample_rate_hz=48000, from_s=13.652)
    with opened(browser, write_page(page_of(PageTake("one", (sound,))), tmp_path)) as seen:
        page = seen.page
        start, end = page.get_by_label("Passage from"), page.get_by_label("to", exact=True)
        for input_, text in ((start, "0:13.6"), (end, "0:14.7")):
            input_.fill(text)
            input_.press("Enter")
            assert page.get_by_role("alert").count() == 0
        assert (start.input_value(), end.input_value()) == ("0:13.65", "0:14.65")


def test_playback_starts_quiet(browser: Browser, listening_page: Path) -> None:
    """The level begins at -12 dB, goes no higher than 0 dB, and the caution stands with it."""
    with opened(browser, listening_page) as seen:
        level = seen.page.get_by_label("Level")
        assert level.input_value() == "-12"
        assert (level.get_attribute("min"), level.get_attribute("max")) == ("-60", "0")
        for _ in range(20):
            seen.page.keyboard.press("+")
        assert level.input_value() == "0"
        assert level.get_attribute("aria-valuetext") == "0 dB"
        seen.page.reload()
        assert level.input_value() == "-12"


def test_stops_at_the_end(browser: Browser, listening_page: Path) -> None:
    """At the end of an excerpt it stops and goes back to its beginning."""
    with opened(browser, listening_page) as seen:
        seen.page.keyboard.press("ArrowRight")
        seen.play()
        seen.page.get_by_role("button", name="Play").wait_for()
        assert position(seen.page) == 0.0


def test_a_marked_passage_is_played_once(browser: Browser, listening_page: Path) -> None:
    """Without Repeat, Space plays the passage and stops at its end; Home goes to its start; elsewhere plays all."""
    with opened(browser, listening_page) as seen:
        page = seen.page
        for field, text in (("Passage from", "0:31.8"), ("to", "0:32.0")):
            page.get_by_label(field, exact=True).fill(text)
            page.get_by_label(field, exact=True).press("Tab")
        assert position(page) == 0.8
        page.locator("h1").click()
        for _ in range(2):
            seen.play()
            page.get_by_role("button", name="Play").wait_for()
            assert position(page) == 0.8
        page.keyboard.press("ArrowRight")
        assert position(page) == 1.8
        seen.play()
        page.get_by_role("button", name="Play").wait_for()
        assert position(page) == 0.8
        page.keyboard.press("ArrowRight")
        page.keyboard.press("Home")
        assert position(page) == 0.8
        page.keyboard.press("u")
        page.keyboard.press("Home")
        assert position(page) == 0.0


def test_it_goes_on_playing_in_the_next_take(browser: Browser, listening_page: Path) -> None:
    """N, P and E do not stop what plays, nor change the version; at rest they do not begin."""
    with opened(browser, listening_page) as seen:
        page = seen.page
        page.keyboard.press("3")
        page.keyboard.press("n")
        assert page.get_by_role("button", name="Play").is_visible()
        page.keyboard.press("p")
        page.keyboard.press("l")
        seen.play()
        for key, title in (("n", "02_first_light"), ("e", "02_first_light"), ("p", "01_slipway")):
            page.keyboard.press(key)
            assert page.locator("h2#take-title").inner_text() == title
            page.get_by_role("button", name="Stop").wait_for()
            assert chosen(page, "version") == "2"
            before = position(page)
            page.wait_for_function(
                "(before) => Number(document.querySelector('.timeline').getAttribute('aria-valuenow')) > before",
                arg=before,
            )
        for _ in range(5):  # faster than anything is decoded
            page.keyboard.press("n")
        page.get_by_role("button", name="Stop").wait_for()
        assert page.locator("h2#take-title").inner_text() == "03_low_water"


def test_the_spoken_position_moves_while_it_plays(browser: Browser, listening_page: Path) -> None:
    """A screen reader is told where it is while it plays, about once a second."""
    with opened(browser, listening_page) as seen:
        seen.page.evaluate(
            """() => {
              globalThis.told = [];
              const slider = document.querySelector(".timeline");
              new MutationObserver(() => told.push(slider.getAttribute("aria-valuetext")))
                .observe(slider, { attributeFilter: ["aria-valuetext"] });
            }"""
        )
        seen.play()
        seen.page.wait_for_function("() => told.some((words) => words > '0:32.0')")
        seen.page.keyboard.press("Space")
        told = seen.page.evaluate("[...new Set(told)]")
        assert all(words.endswith(" of the take") for words in told)
        assert 2 <= len(told) <= 5


def test_more_than_nine_versions(browser: Browser, tmp_path: Path) -> None:
    """0 is the tenth; comma and stop go through the list, with names and without, and round its ends."""
    names = {f"v{number}": f"Version number {number}" for number in range(1, 13)}
    sound = excerpt_of(noise(4800), names, sample_rate_hz=48000)
    with opened(browser, write_page(page_of(PageTake("one", (sound,))), tmp_path)) as seen:
        page, press = seen.page, seen.page.keyboard.press
        for key, version in (("0", "9"), (".", "10"), (".", "11"), (".", "0"), (",", "11"), ("9", "8")):
            press(key)
            assert chosen(page, "version") == version
        page.get_by_label("Without names").check()
        for key, position_ in (("0", "9"), (".", "10"), (".", "11"), (".", "0"), (",", "11")):
            press(key)
            assert chosen(page, "blind") == position_
        assert page.locator(".blind-row kbd").all_inner_texts() == [*"1234567890"]
        press("?")
        assert "the letters themselves do what is said below" in page.get_by_role("dialog").inner_text()
        press("Escape")
        page.get_by_label("First or second?").check()
        page.get_by_role("button", name="Begin").click()
        for key, name in ((".", "second"), (".", "x"), (".", "first"), (",", "x")):
            press(key)
            assert chosen(page, "telling") == name
