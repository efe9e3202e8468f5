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


def test_a_test_leaves_nothing_to_the_next(browser: Browser, listening_page: Path) -> None:
    """Tests share a page of the browser where they can; what one has kept there the next does not find."""
    for _ in range(2):
        with opened(browser, listening_page) as seen:
            assert seen.page.evaluate("localStorage.length") == 0
            judged(seen.page)
            assert seen.page.evaluate("localStorage.length") > 0


def test_file_holds_what_is_promised(browser: Browser, listening_page: Path) -> None:
    """The saved file has the keys of `votes.py`, and no more."""
    with opened(browser, listening_page) as seen:
        judged(seen.page)
        file: dict[str, Any] = {**saved(seen.page)}
    added = ["versions", "takes"]
    assert list(file) == [*(key for key in votes.Votes.__annotations__ if key not in added), *added]
    assert file["versions"] == [{"name": name, "title": title} for name, title in TITLES.items()]
    assert file["takes"] == [
        {"name": name, "excerpts": ["typical", "loudest"]}
        for name in ("01_slipway", "02_first_light", "03_low_water")
    ]
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
        assert "1 judgement, 0 tests. Kept in this browser." in seen.text()
        after = saved(seen.page)
        assert {**before, "made_at": None} == {**after, "made_at": None}


def test_saved_in_one_browser_read_in_another(browser: Browser, listening_page: Path) -> None:
    """A file comes back as it went, and is shown."""
    made = {"made_at": None, "versions": None, "takes": None}
    with opened(browser, listening_page) as seen:
        given(seen.page, good())
        seen.page.get_by_text("1 judgement, 1 test.").wait_for()
        assert {**saved(seen.page), **made} == {**good(), **made}
        assert "1 of 2" in seen.page.get_by_role("region", name="Tests").inner_text()
        given(seen.page, good())
        seen.page.get_by_text("1 judgement, 1 test.").wait_for()


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
        assert "Choose \u201cNew listener\u201d first" in seen.text()
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


def test_means_stand_as_the_versions_do(browser: Browser, listening_page: Path) -> None:
    """Whatever the order in which they were heard, means are in the order of the list."""
    with opened(browser, listening_page) as seen:
        given(seen.page, good())
        seen.page.get_by_text("1 judgement, 1 test.").wait_for()
        heads = seen.page.get_by_role("region", name="Judgements").locator("tbody th")
        assert heads.all_inner_texts() == list(TITLES.values())


def test_another_listener_begins(browser: Browser, listening_page: Path) -> None:
    """Votes that are in no file are asked about; saved, all is as at the beginning, and the first name is gone."""
    with opened(browser, listening_page) as seen:
        page = seen.page
        judged(page)
        page.keyboard.press("n")
        page.get_by_label("Rating of B").fill("70")
        page.get_by_role("button", name="New listener").click()
        dialog = page.get_by_role("dialog", name="Does someone else listen now?")
        assert (
            "votes of \u201cInes\u201d are not saved as a file: 1 judgement, 0 tests." in dialog.inner_text()
        )
        assert "not kept counts for nothing" in dialog.inner_text()
        page.get_by_role("button", name="Go back").click()
        assert page.get_by_label("Rating of B").input_value() == "70"
        page.get_by_role("button", name="New listener").click()
        with page.expect_download() as waiting:
            page.get_by_role("button", name="Save, then begin").click()
        assert waiting.value.suggested_filename == "Ines.json"
        file = json.loads(waiting.value.path().read_text(encoding="utf-8"))
        assert (file["listener"], len(file["ratings"])) == ("Ines", 1)
        name = page.get_by_label("Your name")
        assert name.input_value() == ""
        assert name.evaluate("(one) => one === document.activeElement")
        assert page.locator(".rating output").all_inner_texts() == ["not rated"] * 4
        assert page.get_by_role("button", name="Save votes").is_disabled()
        name.fill("Jo")
        name.press("Tab")
        page.get_by_label("Rating of A").fill("1")
        page.get_by_role("button", name="Keep this judgement").click()
        second = saved(page)
        assert (second["listener"], len(second["ratings"])) == ("Jo", 1)
        page.get_by_role("button", name="New listener").click()  # saved, nothing under way: no question
        assert name.input_value() == ""
        page.reload()
        assert "Nothing yet." in seen.text()


def test_another_listener_without_saving(browser: Browser, listening_page: Path) -> None:
    """Votes can be left behind; Escape leaves everything as it is."""
    with opened(browser, listening_page) as seen:
        page = seen.page
        judged(page)
        page.get_by_role("button", name="New listener").click()
        page.keyboard.press("Escape")
        assert "1 judgement, 0 tests." in seen.text()
        page.get_by_role("button", name="New listener").click()
        page.get_by_role("button", name="Begin without saving").click()
        assert "judgement," not in seen.text()


def test_votes_can_be_deleted(browser: Browser, listening_page: Path) -> None:
    """After a question, and the listener's name stays."""
    with opened(browser, listening_page) as seen:
        page = seen.page
        assert page.get_by_role("button", name="Delete votes").is_disabled()
        judged(page)
        page.get_by_role("button", name="Delete votes").click()
        dialog = page.get_by_role("dialog", name="Delete the votes of \u201cInes\u201d?")
        assert "They are not saved as a file." in dialog.inner_text()
        page.get_by_role("button", name="Go back").click()
        assert len(saved(page)["ratings"]) == 1
        page.get_by_role("button", name="Delete votes").click()
        assert "A file that was saved stays." in dialog.inner_text()
        page.get_by_role("button", name="Delete", exact=True).click()
        page.reload()
        assert "Nothing yet." in seen.text()
        assert page.get_by_label("Your name").input_value() == "Ines"


def test_it_is_told_whether_votes_are_in_a_file(browser: Browser, listening_page: Path) -> None:
    """Saved or read, they are; one more judgement, and they are not; also after the page was closed."""
    with opened(browser, listening_page) as seen:
        page = seen.page
        given(page, good())
        page.get_by_text("Saved as a file.").wait_for()
        judged(page)
        page.get_by_text("Not saved as a file yet.").wait_for()
        page.reload()
        page.get_by_text("Not saved as a file yet.").wait_for()
        saved(page)
        page.get_by_text("Saved as a file.").wait_for()
        page.reload()
        page.get_by_text("Saved as a file.").wait_for()


def test_votes_that_get_another_name_are_told(browser: Browser, listening_page: Path) -> None:
    """A name typed over another one renames what is there: that is said, and how someone else begins."""
    with opened(browser, listening_page) as seen:
        judged(seen.page)
        seen.page.get_by_label("Your name").fill("Jo")
        seen.page.get_by_label("Your name").press("Enter")
        told = seen.page.locator(".results .detail").inner_text()
        assert "What was Ines\u2019s is now Jo." in told
        assert "\u201cNew listener\u201d" in told
