"""The page's files: whole, the same for the same content, nothing left behind."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import html.parser
import json
import re
from pathlib import Path
from typing import Any

import pytest

from render.page import build, votes
from render.page.build import PageFiles, measure_page, write_page
from render.page.content import ListeningPage
from tests.helpers.listening import boathouse


@pytest.fixture(scope="module")
def page() -> ListeningPage:
    """Three takes of two excerpts in four versions."""
    return boathouse(seconds=0.25)


class Parts(html.parser.HTMLParser):
    """Scripts and styles of a page, with their attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None], str]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Begin a part."""
        self.found.append((tag, dict(attrs), ""))

    def handle_endtag(self, tag: str) -> None:
        """What follows belongs to none of them."""
        self.found.append((f"/{tag}", {}, ""))

    def handle_data(self, data: str) -> None:
        """Go on with it."""
        if self.found:
            tag, attributes, text = self.found[-1]
            self.found[-1] = (tag, attributes, text + data)


def parts(target: Path) -> list[tuple[str, dict[str, str | None], str]]:
    """All elements of a page and the text that follows their beginning."""
    return Parts(target.read_bytes().decode()).found


def content(target: Path) -> Any:
    """The data in it."""
    return json.loads(
        next(text for tag, attributes, text in parts(target) if attributes.get("id") == "content")
    )


def test_everything_inside(page: ListeningPage, tmp_path: Path) -> None:
    """Below the limit there is one file, with each different sound in it once, to the byte."""
    same = dataclasses.replace(page, takes=(page.takes[0], dataclasses.replace(page.takes[0], name="again")))
    target = write_page(same, tmp_path / "listen")
    assert [file.name for file in target.parent.iterdir()] == ["index.html"]
    assert measure_page(target.parent) == PageFiles(complete=True, bytes_in_all=target.stat().st_size)
    assert content(target)["complete"] is True
    sounds = {
        attributes["id"]: text
        for tag, attributes, text in parts(target)
        if (attributes.get("id") or "").startswith("sound-")
    }
    assert len(sounds) == 8
    for take, shown in zip(same.takes, content(target)["takes"], strict=True):
        for excerpt, seen in zip(take.excerpts, shown["excerpts"], strict=True):
            for version, one in zip(excerpt.versions, seen["versions"], strict=True):
                assert base64.b64decode(sounds[f"sound-{one['sound']}"]) == version.audio
                assert one["sound"] == hashlib.sha256(version.audio).hexdigest()[:32]


def test_sounds_beside_it(page: ListeningPage, tmp_path: Path) -> None:
    """Beyond the limit each sound is a script of its own that hands over its bytes."""
    target = write_page(page, tmp_path, one_file_up_to_bytes=100)
    files = sorted((tmp_path / "sound").iterdir())
    assert len(files) == 24
    sizes = [file.stat().st_size for file in (target, *files)]
    (tmp_path / "sound" / "mine.txt").write_text("not of the page", encoding="utf-8")
    assert measure_page(tmp_path) == PageFiles(complete=False, bytes_in_all=sum(sizes))
    (tmp_path / "sound" / "mine.txt").unlink()
    assert content(target)["complete"] is False
    found = {
        file.stem: base64.b64decode(
            re.findall(r'text: "([A-Za-z0-9+/=]+)"', file.read_text(encoding="utf-8"))[0]
        )
        for file in files
    }
    assert set(found.values()) == {
        version.audio for take in page.takes for part in take.excerpts for version in part.versions
    }
    assert not any((attributes.get("id") or "").startswith("sound-") for _, attributes, _ in parts(target))
    write_page(page, tmp_path)
    assert [file.name for file in tmp_path.iterdir()] == ["index.html"]


def test_sounds_from_files(page: ListeningPage, tmp_path: Path) -> None:
    """A version may name a file beside the page instead of holding its bytes: the page is the same."""
    held = write_page(page, tmp_path / "held").read_bytes()
    folder = tmp_path / "named"
    (folder / "flac").mkdir(parents=True)
    takes = []
    for take in page.takes:
        excerpts = []
        for part in take.excerpts:
            versions = []
            for version in part.versions:
                name = f"flac/{take.name} {part.name} {version.name}.flac"
                assert isinstance(version.audio, bytes)
                (folder / name).write_bytes(version.audio)
                versions.append(dataclasses.replace(version, audio=name))
            excerpts.append(dataclasses.replace(part, versions=tuple(versions)))
        takes.append(dataclasses.replace(take, excerpts=tuple(excerpts)))
    named = dataclasses.replace(page, takes=tuple(takes))
    assert write_page(named, folder).read_bytes() == held
    with pytest.raises(FileNotFoundError):
        write_page(named, tmp_path / "elsewhere")
    assert not (tmp_path / "elsewhere" / "index.html").exists()


def test_same_content_same_bytes(page: ListeningPage, tmp_path: Path) -> None:
    """No date, no path, no chance."""
    for limit in (10**9, 100):
        one = write_page(page, tmp_path / f"one{limit}", one_file_up_to_bytes=limit)
        other = write_page(boathouse(seconds=0.25), tmp_path / f"other{limit}", one_file_up_to_bytes=limit)
        assert one.read_bytes() == other.read_bytes()
        names = [sorted(path.name for path in place.parent.rglob("*")) for place in (one, other)]
        assert names[0] == names[1]


def test_written_again_only_what_is_new(page: ListeningPage, tmp_path: Path) -> None:
    """Another column writes its sounds and takes the old ones away; foreign files and other sounds are not touched."""
    write_page(page, tmp_path, one_file_up_to_bytes=100)
    (tmp_path / "sound" / "mine.txt").write_text("mine", encoding="utf-8")
    before = {file: file.stat().st_mtime_ns for file in (tmp_path / "sound").iterdir()}
    other = boathouse(seconds=0.3)
    takes = (other.takes[0], *page.takes[1:])
    write_page(dataclasses.replace(page, takes=takes), tmp_path, one_file_up_to_bytes=100)
    after = {file: file.stat().st_mtime_ns for file in (tmp_path / "sound").iterdir()}
    assert len(after) == 25
    assert sum(after.get(file) == moment for file, moment in before.items()) == 17
    write_page(page, tmp_path)
    assert [file.name for file in (tmp_path / "sound").iterdir()] == ["mine.txt"]


def test_a_page_is_whole_or_not_there(
    page: ListeningPage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """If writing breaks off, the page that was there stays, and nothing lies about."""
    target = write_page(page, tmp_path)
    before = target.read_bytes()

    def broken(*_: object) -> None:
        raise OSError("the disc is full")

    monkeypatch.setattr(build, "_hash", lambda _: "sha256-x")
    monkeypatch.setattr(base64, "b64encode", broken)
    with pytest.raises(OSError, match="the disc is full"):
        write_page(page, tmp_path)
    assert target.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == ["index.html"]


def test_policy_names_script_and_styles(page: ListeningPage, tmp_path: Path) -> None:
    """Hashes in the policy are those of what stands in the page; no wildcard, nothing unsafe."""
    for limit in (10**9, 100):
        target = write_page(page, tmp_path, one_file_up_to_bytes=limit)
        found = parts(target)
        policy = (
            next(attributes["content"] for _, attributes, _ in found if attributes.get("http-equiv")) or ""
        )
        script = next(text for tag, attributes, text in found if tag == "script" and not attributes)
        styles = next(text for tag, _, text in found if tag == "style")
        for text, directive in ((script, "script-src"), (styles, "style-src")):
            digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
            assert f"{directive} 'sha256-{digest}'" in policy
        assert policy.startswith("default-src 'none'; ")
        assert "connect-src 'none'" in policy
        assert "unsafe" not in policy
        assert "*" not in policy
        assert ("'self'" in policy) == (limit == 100)


def test_data_cannot_end_its_block(page: ListeningPage, tmp_path: Path) -> None:
    """Whatever stands in a title, no tag begins in the data, and the title comes back as it was."""
    title = "</script><script>alert(1)</script> <!-- {{script}} \u2028 ü"
    target = write_page(dataclasses.replace(page, title=title), tmp_path)
    text = target.read_text(encoding="utf-8")
    block = text[text.index('id="content">') + 13 :].split("</script>", 1)[0]
    assert "<" not in block
    assert block.isascii()
    assert json.loads(block)["title"] == title


def test_page_knows_the_votes_format(page: ListeningPage, tmp_path: Path) -> None:
    """Format and version of the file of votes stand in one place."""
    assert content(write_page(page, tmp_path))["votes"] == {"format": votes.FORMAT, "version": votes.VERSION}


def test_what_cannot_be_shown_writes_nothing(page: ListeningPage, tmp_path: Path) -> None:
    """Refused before a file is made."""
    with pytest.raises(ValueError, match="takes must hold"):
        write_page(dataclasses.replace(page, takes=()), tmp_path / "none")
    assert not (tmp_path / "none").exists()


def test_script_that_would_end_itself_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """A script that holds the end of a script would be cut there."""
    monkeypatch.setattr(build, "page_script", lambda: {"main": 'const a = "</script>";'})
    build._script.cache_clear()
    with pytest.raises(ValueError, match="must not hold '</script'"):
        build._script()
    build._script.cache_clear()
