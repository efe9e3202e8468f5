"""Votes are kept in the browser, saved as a file, and read back; a file that does not belong is refused."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page

from render.page import votes
from tests.browser.browsers import opened
from tests.browser.test_blind import saved
from tests.helpers.listening import TITLES


def judged(page: Page) -> None:
    """One judgement, by a named listener."""
    page.get_by_label("Your name").fill("Ines")
    page.get_by_label("Your name").press("Tab")
    page.get_by_label("Without names").check()
    page.get_by_label("Rating of A").fill("40")
    page.get_by_role("button", name="Keep this judgement").click()


def given(page: Page, content: object) -> None:
    """Read a file of votes."""
    text = content if isinstance(content, str) else json.dumps(content)
    page.set_input_files(
        "input[type=file]", {"name": "v.json", "mimeType": "application/json", "buffer": text.encode()}
    )


def good() -> dict[str, Any]:
    """A file of votes as it should be."""
    names = list(TITLES)
    return {
        "format": votes.FORMAT,
        "version": votes.VERSION,
        "page": "a1b2c3",
        "listener": "Ines",
        "made_at": "2030-05-04T03:02:01Z",
        "ratings": [
            {"take": "01_slipway", "excerpt": "typical", "order": names[::-1], "ratings": dict.fromkeys(names, 50),
             "ranks": dict.fromkeys(names), "note": ""},
        ],
        "trials": [
            {"take": "01_slipway", "excerpt": "loudest", "pair": names[:2], "condition": "mono", "trials": 2, "hits": 1,
             "answers": [{"x": "first", "answer": "first"}, {"x": "second", "answer": "first"}]},
        ],
    }  # fmt: skip


def test_file_holds_what_is_promised(browser: Browser, listening_page: Path) -> None:
    """The saved file has the keys of `votes.py`, and no more."""
    with opened(browser, listening_page) as seen:
        judged(seen.page)
        file = saved(seen.page)
    assert list(file) == list(votes.Votes.__annotations__)
    assert (file["format"], file["version"], file["page"], file["listener"]) == (
        votes.FORMAT,
        1,
        "a1b2c3",
        "Ines",
    )
    assert abs(dt.datetime.fromisoformat(str(file["made_at"])) - dt.datetime.now(dt.UTC)) < dt.timedelta(
        minutes=5
    )
    [judgement] = file["ratings"]
    assert set(judgement) == set(votes.Judgement.__annotations__)


def test_file_is_named_after_the_listener(browser: Browser, listening_page: Path) -> None:
    """So that several listeners' files can lie in one folder."""
    with opened(browser, listening_page) as seen:
        judged(seen.page)
        with seen.page.expect_download() as waiting:
            seen.page.get_by_role("button", name="Save votes").click()
        assert waiting.value.suggested_filename == "Ines.json"


def test_votes_outlive_the_page(browser: Browser, listening_page: Path) -> None:
    """Closed and opened again, they are still there."""
    with opened(browser, listening_page) as seen:
        judged(seen.page)
        before = saved(seen.page)
        seen.page.reload()
        assert "1 judgement, 0 runs. Kept in this browser." in seen.text()
        after = saved(seen.page)
        assert {**before, "made_at": None} == {**after, "made_at": None}


def test_saved_in_one_browser_read_in_another(browser: Browser, listening_page: Path) -> None:
    """A file comes back as it went, and is shown."""
    with opened(browser, listening_page) as seen:
        given(seen.page, good())
        seen.page.get_by_text("1 judgement, 1 run.").wait_for()
        assert {**saved(seen.page), "made_at": None} == {**good(), "made_at": None}
        assert "1 of 2" in seen.page.get_by_role("region", name="Runs").inner_text()
        given(seen.page, good())
        seen.page.get_by_text("1 judgement, 1 run.").wait_for()


def _changed(**change: object) -> Callable[[], object]:
    return lambda: {**good(), **change}


def _in_first(kind: str, **change: object) -> Callable[[], object]:
    def made() -> object:
        file = good()
        file[kind][0].update(change)
        return file

    return made


REFUSED: list[tuple[Callable[[], object], str]] = [
    (lambda: "not json", "holds no votes"),
    (lambda: "null", "holds no votes"),
    (_changed(format="other"), "holds no votes"),
    (_changed(version=2), "Votes of version 2"),
    (_changed(page="d4"), "made on another page"),
    (_changed(ratings=None), "damaged"),
    (_in_first("ratings", take="nowhere"), "damaged"),
    (_in_first("ratings", order=["warm"]), "damaged"),
    (_in_first("ratings", ratings={"capture": 101}), "damaged"),
    (_in_first("ratings", note=None), "damaged"),
    (_in_first("trials", hits=2), "damaged"),
    (_in_first("trials", trials=3), "damaged"),
    (_in_first("trials", condition="hall"), "damaged"),
    (_in_first("trials", pair=["warm", "cold"]), "damaged"),
    (_in_first("trials", answers=[None, None]), "damaged"),
]


def test_what_does_not_belong_is_refused(browser: Browser, listening_page: Path) -> None:
    """A file that is none, or of another page, or damaged, changes nothing, and says why."""
    with opened(browser, listening_page) as seen:
        state = seen.page.locator(".results .detail")
        for content, words in REFUSED:
            state.evaluate("(one) => { one.textContent = ''; }")
            given(seen.page, content())
            state.filter(has_text=words).wait_for()
            assert seen.page.get_by_role("button", name="Save votes").is_disabled()


def test_listeners_are_not_mixed(browser: Browser, listening_page: Path) -> None:
    """Another listener's votes do not go among one's own."""
    with opened(browser, listening_page) as seen:
        judged(seen.page)
        given(seen.page, {**good(), "listener": "Jo"})
        seen.page.locator(".results .detail", has_text="These are votes of \u201cJo\u201d").wait_for()
        assert len(saved(seen.page)["trials"]) == 0


def test_a_browser_that_keeps_nothing_says_so(browser: Browser, listening_page: Path) -> None:
    """Where a page on disk may not keep anything, the listener is told to save."""
    refuse = """
      Object.defineProperty(globalThis, "localStorage", {
        get() { throw new DOMException("refused", "SecurityError"); },
      });"""
    with opened(browser, listening_page, init=refuse) as seen:
        judged(seen.page)
        assert "save before you close it" in seen.text()
        assert len(saved(seen.page)["ratings"]) == 1
