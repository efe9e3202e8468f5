"""A page as `drytake compare` makes it opens, plays and shows its names as they are."""

from __future__ import annotations

from pathlib import Path
from threading import Thread

import pytest
from playwright.sync_api import Browser

from render.cli.main import main
from render.page.build import write_page
from render.workflows.compare.serve import PageServer
from tests.browser.browsers import opened
from tests.helpers.listening import boathouse
from tests.helpers.sessions import PLAIN_RECIPE, ROOM, write_recipe, write_take

HOSTILE = "<script>window.hit = 1</script> & 'q'"


@pytest.fixture(scope="module")
def compared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A page of a session whose names are hostile."""
    folder = tmp_path_factory.mktemp("compared")
    session = folder / "<b>boathouse"
    write_take(session / "01 <img src=x onerror=hit()>.wav", duration_s=5.0)
    write_take(session / "02_low.wav", duration_s=2.0, seed=2)
    warm = write_recipe(folder / "warm.toml", f'title = "{HOSTILE}"', PLAIN_RECIPE, ROOM)
    plain = write_recipe(folder / "<i>plain.toml", PLAIN_RECIPE)
    call = ["compare", session, "-r", warm, "-r", plain, "-o", folder / "listen", "--excerpt", "3", "--quiet"]
    assert main([str(argument) for argument in call]) == 0
    return folder / "listen" / "index.html"


def test_opens_plays_and_shows_names_as_they_are(browser: Browser, compared: Path) -> None:
    """From disk, without a complaint; nothing of a name is run."""
    with opened(browser, compared) as seen:
        page = seen.page
        assert page.title() == "<b>boathouse"
        assert page.locator("h2#take-title").text_content() == "01 <img src=x onerror=hit()>"
        titles = page.locator(".versions .title").all_text_contents()
        assert titles == ["The capture as it came, both tracks in the middle", HOSTILE, "<i>plain"]
        assert page.evaluate("window.hit") is None
        assert page.locator("main img, main script").count() == 0
        seen.play()
        for key in ("2", "3", "1"):
            page.keyboard.press(key)
        page.keyboard.press("n")
        assert page.locator("h2#take-title").text_content() == "02_low"
        seen.until_playing()


def heard_from_server(browser: Browser, folder: Path) -> tuple[str, set[str]]:
    """Open what a server of this folder hands out, play it, and tell its title and what it asked for."""
    with PageServer(folder) as server:
        thread = Thread(target=server.serve_forever, args=(0.05,))
        thread.start()
        context = browser.new_context()
        try:
            page = context.new_page()
            asked: list[str] = []
            page.on("request", lambda request: asked.append(request.url))
            page.goto(server.address)
            page.keyboard.press("Space")
            page.locator("button.main", has_text="Stop").wait_for()
            paths = {url.removeprefix(server.address) for url in asked if not url.startswith("data:")}
            return page.title(), paths
        finally:
            context.close()
            server.shutdown()
            thread.join()


def test_opens_from_the_loopback_server(browser: Browser, compared: Path) -> None:
    """The same page from `--serve`; it asks for itself and nothing else."""
    assert heard_from_server(browser, compared.parent) == ("<b>boathouse", {""})


def test_sounds_beside_the_page_come_from_the_server_too(browser: Browser, tmp_path: Path) -> None:
    """A page too large for one file gets its sounds there."""
    write_page(boathouse(seconds=0.5), tmp_path, one_file_up_to_bytes=1000)
    title, asked = heard_from_server(browser, tmp_path)
    assert title == "Boathouse, first evening"
    assert len(asked) == 5
    assert all(path == "" or path.startswith("sound/") for path in asked)
