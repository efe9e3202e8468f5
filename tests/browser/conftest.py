"""One browser for all tests of the listening page; without one they are skipped, but never in CI."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from render.page.build import page_script, write_page
from render.page.link import link_modules
from tests.browser.browsers import find_browser, launch
from tests.helpers.listening import boathouse

HERE = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Every test of this folder needs a browser."""
    for item in items:
        if HERE in Path(str(item.path)).parents:
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """The system's browser, started once."""
    executable = find_browser()
    if executable is None:
        words = "no browser of the Chromium family was found on this system"
        if os.environ.get("CI"):
            pytest.fail(f"{words}; .ci/run installs one")
        pytest.skip(f"{words}: the listening page is not tested (on Debian: apt install chromium)")
    with sync_playwright() as playwright:
        started = launch(playwright, executable)
        yield started
        started.close()


@pytest.fixture(scope="session")
def listening_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A page of three takes with everything inside."""
    return write_page(boathouse(seconds=2.0), tmp_path_factory.mktemp("listen"))


@pytest.fixture(scope="session")
def modules(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    """The modules of the page's script, by name, as `modules` of a page that shows nothing."""
    sources = page_script()
    del sources["main"]
    lines = []
    names = {
        "statistics": "chanceByGuessing, fewestHits, chanceOfReaching",
        "chance": "randomBelow, shuffled",
        "words": "number, signed, clock, frequency, percent, letter",
        "conditions": "buildCondition, CONDITIONS",
        "deck": "Deck, repeatable, nextStart, wholeFrame",
        "fader": "Fader, FADE_S",
        "trial_run": "TrialRun, aim, meaning",
        "transport": "secondsOf",
    }
    for module, exported in names.items():
        lines.append(f'import {{ {exported} }} from "./{module}.js";')
    lines.append(f"Object.assign(globalThis, {{ {', '.join(names.values())} }});")
    lines.append((HERE / "offline.js").read_text(encoding="utf-8"))
    folder = tmp_path_factory.mktemp("modules")
    script = link_modules({**sources, "harness": "\n".join(lines)}, entry="harness")
    (folder / "modules.html").write_text(
        f'<!doctype html><meta charset="utf-8"><title>modules</title><script>{script}</script>',
        encoding="utf-8",
    )
    context = browser.new_context()
    page = context.new_page()
    page.goto((folder / "modules.html").as_uri())
    yield page
    context.close()
