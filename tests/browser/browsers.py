"""The system's browser, and pages opened in it as by a person, from disk, watched for requests and complaints."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, BrowserContext, Page, Playwright, ViewportSize

_COMMANDS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "microsoft-edge")
_PLACES = (
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "C:/Program Files/Google/Chrome/Application/chrome.exe",
    "C:/Program Files (x86)/Microsoft/Edge/Application/msedge.exe",
)


def find_browser() -> str | None:
    """The first browser of this family that the system has."""
    found = next((path for command in _COMMANDS if (path := shutil.which(command))), None)
    return found or next((path for path in _PLACES if Path(path).is_file()), None)


def launch(playwright: Playwright, executable: str) -> Browser:
    """Start it without a window; root may not use its sandbox."""
    as_root = hasattr(os, "geteuid") and os.geteuid() == 0
    return playwright.chromium.launch(
        executable_path=executable,
        args=["--no-sandbox"] if as_root else [],
        timeout=60_000,
    )


@dataclass
class Opened:
    """A page in a context of its own, and what was seen of it."""

    page: Page
    context: BrowserContext
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def play(self) -> None:
        """Begin to play, and wait until it does."""
        self.page.keyboard.press("Space")
        self.until_playing()

    def until_playing(self) -> None:
        """Wait until it plays."""
        self.page.locator("button.main", has_text="Stop").wait_for()

    def html(self) -> str:
        """What stands in the page, attributes and all, without its data and its script."""
        text: str = self.page.evaluate("document.getElementById('page').outerHTML")
        return text

    def text(self) -> str:
        """What is to be read in the page."""
        return self.page.inner_text("body")


SIZE: ViewportSize = {"width": 1100, "height": 900}
_idle: list[Page] = []  # the browser takes longer to make a process for a page than to open it


def _fresh_page(browser: Browser, *, again: bool, **options: Any) -> Page:
    """A page that knows of nothing: in a new context, or `again` one that a test before has left."""
    while again and _idle:
        page = _idle.pop()
        if page.context.browser is browser:
            page.emulate_media(media="null", color_scheme="null")
            session = page.context.new_cdp_session(page)
            session.send("Storage.clearDataForOrigin", {"origin": "file://", "storageTypes": "all"})
            session.detach()
            return page
    context = browser.new_context(**{"viewport": SIZE, **options})
    context.set_default_timeout(15_000)
    return context.new_page()


@contextmanager
def opened(browser: Browser, address: Path | str, **options: Any) -> Iterator[Opened]:
    """Open a page; it must ask nothing of anyone outside its folder, say nothing on the console, and show words."""
    init = options.pop("init", None)
    hostile = options.pop("hostile", False)  # the test itself attacks the page
    may_complain = options.pop("may_complain", hostile)
    plain = isinstance(address, Path) and not (init or hostile or may_complain or options)
    page = _fresh_page(browser, again=plain, **options)
    seen, reusable = Opened(page, page.context), False
    heard = {
        "request": lambda request: seen.requests.append(request.url),
        "console": lambda said: (
            seen.complaints.append(said.text) if said.type in ("error", "warning", "assert") else None
        ),
        "pageerror": lambda error: seen.complaints.append(str(error)),
    }
    try:
        if init:
            seen.context.add_init_script(init)
        for event, listener in heard.items():
            page.on(event, listener)  # type: ignore[call-overload]
        page.goto(address.as_uri() if isinstance(address, Path) else address)
        yield seen
        unmeant = re.findall(r"\b(?:null|undefined|NaN)\b|\[object", seen.text())
        assert hostile or not unmeant, "what is missing stands on the page as a word"
        if not may_complain:
            assert seen.complaints == []
        outside = [url for url in seen.requests if not url.startswith(("file:", "data:", "blob:"))]
        assert hostile or outside == []
        reusable = plain and len(seen.context.pages) == 1 and page.viewport_size == SIZE
    finally:
        if reusable:
            for event, listener in heard.items():
                page.remove_listener(event, listener)
            page.goto("about:blank")
            _idle.append(page)
        else:
            seen.context.close()
