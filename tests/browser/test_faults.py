"""What fails, or makes no sound, is told on the page in words; nothing of another take stays in its place."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser

from render.page.build import write_page
from render.page.content import ListeningPage, PageTake
from tests.browser.browsers import opened
from tests.helpers.listening import excerpt_of, page_of, version_of
from tests.helpers.signals import noise

RATE = 48000
NAMES = {"a": "Warm", "b": "Open", "c": "Close"}


def with_silence(*silent: int, alone: bool = False) -> ListeningPage:
    """A take of noise, and before it one in which these versions, counted from 0, have no sound."""
    sound = excerpt_of(noise(RATE), NAMES, sample_rate_hz=RATE, from_s=5.0)
    still = excerpt_of(noise(RATE), NAMES, sample_rate_hz=RATE, from_s=8.0)
    versions = tuple(
        dataclasses.replace(
            version_of(
                np.zeros((RATE, 2)), name=version.name, title=version.title, sample_rate_hz=RATE, seed=index
            ),
            loudness_before_lufs=None,
            true_peak_dbtp=None,
        )
        if index in silent
        else version
        for index, version in enumerate(still.versions)
    )
    takes = [PageTake("still", (dataclasses.replace(still, versions=versions),))]
    return page_of(*takes, *([] if alone else [PageTake("noise", (sound,))]))


def test_a_take_without_sound_says_so(browser: Browser, tmp_path: Path) -> None:
    """Its own times and a flat line are shown after another take, it plays, and going on shows the other again."""
    with opened(browser, write_page(with_silence(0, 1, 2), tmp_path)) as seen:
        page = seen.page
        said = page.locator(".alert", has_text="no sound in this excerpt")
        assert said.is_visible()
        page.keyboard.press("n")
        assert not said.is_visible()
        loud = page.locator(".wave path").get_attribute("d")
        page.keyboard.press("n")
        assert said.is_visible()
        assert page.locator(".times").inner_text().split() == ["0:08.0", "0:09.0"]
        flat = page.locator(".wave path").get_attribute("d")
        assert flat != loud
        assert {float(point.split(" ")[1]) for point in (flat or "")[1:-1].split("L")} == {0.006, -0.006}
        seen.play()
        page.get_by_label("Without names").check()
        assert said.is_visible()


def test_a_page_of_silence_has_its_level_and_nothing_to_save(browser: Browser, tmp_path: Path) -> None:
    """The level stands at -12 dB, votes cannot be saved where there are none, figures have a dash."""
    with opened(browser, write_page(with_silence(0, 1, 2, alone=True), tmp_path)) as seen:
        assert seen.page.get_by_label("Level").input_value() == "-12"
        assert "\u221212 dB" in seen.page.locator(".level").inner_text()
        assert seen.page.get_by_role("button", name="Save votes").is_disabled()
        assert seen.page.locator(".plot").count() == 3


def test_a_version_without_sound_is_named_with_names_only(browser: Browser, tmp_path: Path) -> None:
    """With names it is told which; without, only that there is one."""
    with opened(browser, write_page(with_silence(1), tmp_path)) as seen:
        said = seen.page.locator(".alert:visible")
        assert said.inner_text() == "No sound in version 2."
        seen.page.get_by_label("Without names").check()
        assert said.inner_text() == "1 version of these 3 without any sound."


FAULTS = {
    "Math.log = () => { throw new RangeError('no logarithm today'); }": "no logarithm today",
    "document.createElementNS = () => { throw new Error('nothing is drawn'); }": "nothing is drawn",
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_failure_while_drawing_is_told(browser: Browser, tmp_path: Path, fault: str) -> None:
    """At the first take or at a later one: its name and what failed are told; nothing of another take is left."""
    target = write_page(with_silence(), tmp_path)
    with opened(browser, target, may_complain=True) as seen:
        page = seen.page
        page.evaluate(f"() => {{ {fault}; }}")
        page.keyboard.press("n")
        told = page.get_by_role("alert").filter(has_text="A fault of this page at \u201cnoise\u201d")
        assert FAULTS[fault] in told.inner_text()
        assert page.locator("h2#take-title").inner_text() == "noise"
        assert page.locator(".plot").count() == 0
        assert any(FAULTS[fault] in words for words in seen.complaints)
    with opened(browser, target, may_complain=True, init=fault) as seen:
        told = seen.page.get_by_role("alert").filter(has_text="A fault of this page at \u201cstill\u201d")
        assert FAULTS[fault] in told.inner_text()


def test_a_sound_that_cannot_be_read_is_told(browser: Browser, tmp_path: Path) -> None:
    """Text that is no sound, as after a damage to the page, is told where one pressed Play."""
    target = write_page(with_silence(), tmp_path)
    text = target.read_text(encoding="utf-8")
    target.write_text(re.sub(r'(id="sound-[0-9a-f]+">)[^<]+', r"\1%%", text), encoding="utf-8")
    with opened(browser, target) as seen:
        seen.page.keyboard.press("Space")
        seen.page.get_by_role("alert").filter(has_text="A sound in this page is damaged").wait_for()


def test_a_damaged_page_says_so(browser: Browser, tmp_path: Path) -> None:
    """Where its data cannot be read there is a sentence, not an empty page."""
    target = write_page(with_silence(), tmp_path)
    text = target.read_text(encoding="utf-8")
    target.write_text(text.replace('"takes":[', '"takes":[[', 1), encoding="utf-8")
    with opened(browser, target, may_complain=True) as seen:
        assert "This page cannot be shown" in seen.text()
