"""The page opens from disk, alone in the world, and shows what it was given and nothing else."""

from __future__ import annotations

import dataclasses
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from threading import Thread

import pytest
from playwright.sync_api import Browser

from render.page.build import write_page
from render.page.content import PageTake
from tests.browser.browsers import opened
from tests.helpers.listening import boathouse, excerpt_of, page_of
from tests.helpers.signals import noise

HERE = Path(__file__).parent

HOSTILE = (
    "<script>window.hit = 1</script>",
    "</script><script>window.hit = 2</script>",
    "<img src=x onerror='window.hit = 3'>",
    '"><svg onload="window.hit = 4">',
    "{{script}} & <!-- \u2028 \u202e 'q' \"Q\" \N{GUITAR} Gitarrenstück",
)


@contextmanager
def listening_server() -> Iterator[tuple[int, list[str]]]:
    """A server on this machine, and all that is asked of it."""
    asked: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_error(404)

        def log_message(self, *args: object) -> None:
            """Say nothing."""

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = Thread(target=server.serve_forever, args=(0.05,))
    thread.start()
    try:
        yield server.server_port, asked
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def test_opens_from_disk(browser: Browser, listening_page: Path) -> None:
    """It shows its takes, plays, and asks nothing of any network."""
    with opened(browser, listening_page) as seen:
        assert seen.page.title() == "Boathouse, first evening"
        assert "3 takes, 4 versions of each" in seen.text()
        assert "Before you listen" in seen.text()
        seen.play()
        seen.page.wait_for_timeout(300)
        assert seen.requests == [listening_page.as_uri(), "data:,"] or seen.requests == [
            listening_page.as_uri()
        ]
        assert (
            seen.page.evaluate(
                "performance.getEntriesByType('resource').filter(({name}) => !name.startsWith('data:')).length"
            )
            == 0
        )


def test_sound_beside_the_page(browser: Browser, tmp_path: Path) -> None:
    """Too large for one file, it plays what lies in the folder beside it, and loads that when it is asked for."""
    target = write_page(boathouse(seconds=0.5), tmp_path, one_file_up_to_bytes=1000)
    with opened(browser, target) as seen:
        assert not [url for url in seen.requests if "/sound/" in url]
        seen.play()
        loaded = [url for url in seen.requests if "/sound/" in url]
        assert len(loaded) == 4
        assert all(url.startswith(tmp_path.as_uri()) for url in loaded)
        assert seen.page.evaluate("document.head.querySelectorAll('script').length") == 0


def test_missing_sound_is_told(browser: Browser, tmp_path: Path) -> None:
    """Moved without its folder, it says so."""
    target = write_page(boathouse(seconds=0.5), tmp_path, one_file_up_to_bytes=1000)
    shutil.rmtree(tmp_path / "sound")
    with opened(browser, target, may_complain=True) as seen:
        seen.page.keyboard.press("Space")
        seen.page.get_by_role("alert").wait_for()
        assert "belongs beside this page" in seen.page.get_by_role("alert").inner_text()


def test_titles_are_text(browser: Browser, tmp_path: Path) -> None:
    """Whatever stands in a title, a name of a take, a recipe: it is shown as it is and does nothing."""
    takes = [
        PageTake(
            text,
            (excerpt_of(noise(4800), {text: text, f"b{text}": f"b{text}"}, sample_rate_hz=48000, name=text),),
        )
        for text in HOSTILE
    ]
    everything = " ".join(HOSTILE)
    with opened(
        browser, write_page(page_of(*takes, title=everything, identity=everything), tmp_path)
    ) as seen:
        page = seen.page
        assert page.locator("h1").text_content() == everything
        assert page.locator("nav button").all_text_contents() == list(HOSTILE)
        for text in HOSTILE:
            assert page.locator("h2#take-title").text_content() == text
            assert page.locator(".versions .title").all_text_contents() == [text, f"b{text}"]
            page.keyboard.press("2")
            page.get_by_label("Without names").check()
            page.get_by_label("First or second?").check()
            page.get_by_label("With names").check()
            page.keyboard.press("n")
        assert page.evaluate("window.hit") is None
        assert page.locator("main img, main script").count() == 0


def test_policy_forbids_the_rest(browser: Browser, listening_page: Path) -> None:
    """What does not belong to the page does not run, and nothing reaches a server that waits for it."""
    with listening_server() as (port, asked), opened(browser, listening_page, hostile=True) as seen:
        outcome = seen.page.evaluate((HERE / "attack.js").read_text(encoding="utf-8"), port)
        assert asked == []
        assert outcome.get("hit") is None
        assert {"threw", "connect-src", "img-src", "frame-src", "style-src-attr"} <= set(outcome["refused"])
        assert outcome["colour"] != "rgb(255, 0, 0)"


def test_without_scripts_it_says_so(browser: Browser, listening_page: Path) -> None:
    """With scripts off there is a sentence, not an empty page."""
    with opened(browser, listening_page, java_script_enabled=False) as seen:
        assert "needs a current browser with scripts" in seen.text()


@pytest.mark.parametrize(
    ("gone", "words"),
    [("delete globalThis.AudioContext", "Web Audio"), ("delete globalThis.BigInt", "chance of guessing")],
)
def test_old_browsers_are_told_what_is_missing(
    browser: Browser, listening_page: Path, gone: str, words: str
) -> None:
    """What the browser lacks is named in plain words."""
    with opened(browser, listening_page, init=gone) as seen:
        assert "too old for this page" in seen.text()
        assert words in seen.text()


def test_sound_that_cannot_be_decoded_is_told(browser: Browser, tmp_path: Path) -> None:
    """A browser without FLAC, or a damaged file, is told in plain words."""
    page = boathouse(seconds=0.5)
    excerpt = page.takes[0].excerpts[0]
    broken = tuple(dataclasses.replace(version, audio=b"fLaC and no more") for version in excerpt.versions)
    takes = (PageTake("a", (dataclasses.replace(excerpt, versions=broken),)),)
    with opened(browser, write_page(dataclasses.replace(page, takes=takes), tmp_path)) as seen:
        seen.page.keyboard.press("Space")
        seen.page.get_by_role("alert").wait_for()
        assert "cannot decode FLAC" in seen.page.get_by_role("alert").inner_text()


def test_no_loudspeaker_is_told(browser: Browser, listening_page: Path) -> None:
    """A browser that opens no way out for sound is not waited for without end."""
    never = "AudioContext.prototype.resume = () => new Promise(() => {});"
    with opened(browser, listening_page, init=never) as seen:
        seen.page.keyboard.press("Space")
        seen.page.get_by_role("alert").wait_for()
        assert "is a loudspeaker there?" in seen.page.get_by_role("alert").inner_text()
        assert seen.page.get_by_role("button", name="Play").is_visible()


def test_decoded_sound_is_the_file(browser: Browser, listening_page: Path) -> None:
    """At the file's own rate every frame comes out of the decoder, none converted."""
    init = """
      const decode = BaseAudioContext.prototype.decodeAudioData;
      globalThis.decoded = [];
      BaseAudioContext.prototype.decodeAudioData = async function (...given) {
        const buffer = await decode.apply(this, given);
        decoded.push([buffer.sampleRate, buffer.length, this.sampleRate]);
        return buffer;
      };"""
    with opened(browser, listening_page, init=init) as seen:
        seen.play()
        assert seen.page.evaluate("decoded") == [[48000, 96000, 48000]] * 4


def test_takes_at_different_rates(browser: Browser, tmp_path: Path) -> None:
    """A take at another rate plays at its own."""
    parts = [
        PageTake(f"at {rate}", (excerpt_of(noise(rate), {"a": "a", "b": "b"}, sample_rate_hz=rate),))
        for rate in (44100, 96000)
    ]
    init = """
      globalThis.rates = [];
      globalThis.AudioContext = class extends AudioContext {
        constructor(how) { super(how); rates.push(this.sampleRate); }
      };"""
    with opened(browser, write_page(page_of(*parts), tmp_path), init=init) as seen:
        seen.play()
        seen.page.keyboard.press("n")
        assert seen.page.locator("h2#take-title").inner_text() == "at 96000"
        seen.until_playing()
        assert seen.page.evaluate("rates") == [44100, 96000]
