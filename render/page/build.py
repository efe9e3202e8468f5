"""The listening page as files: one HTML file with everything inside, or beside it a file for each sound.

A page on disk may not read other files, but it may load scripts: so a sound that stands beside the page is a script
that hands over its bytes as text. Sounds are named by what they hold; a page written again writes only what is new.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
import secrets
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import BinaryIO

from render.page import votes
from render.page.content import ListeningPage, check_page
from render.page.link import link_modules

ONE_FILE_UP_TO_BYTES = 80_000_000
"""A larger file is slow to open and to send."""

SOUND_FOLDER = "sound"
_SOUND_FILE = re.compile(r"[0-9a-f]{32}\.js")
_ENCODED_AT_ONCE = 3 * (1 << 18)


@dataclass(frozen=True)
class _Sound:
    """FLAC bytes, in memory or in a file, and the name that stands for them."""

    name: str
    bytes_in_all: int
    held: bytes | Path

    def pieces(self) -> Iterator[bytes]:
        """The bytes, a few at a time."""
        if isinstance(self.held, bytes):
            for start in range(0, len(self.held), _ENCODED_AT_ONCE):
                yield self.held[start : start + _ENCODED_AT_ONCE]
            return
        with self.held.open("rb") as file:
            while piece := file.read(_ENCODED_AT_ONCE):
                yield piece


@dataclass(frozen=True)
class PageFiles:
    """What has to be passed on.

    Attributes
    ----------
    complete : bool
        Whether the page has all sounds in it; else the folder `sound` belongs beside it.
    bytes_in_all : int
        Of the page, and of that folder's sounds.
    """

    complete: bool
    bytes_in_all: int


def measure_page(folder: Path) -> PageFiles:
    """What `write_page` has left in a folder."""
    sounds = folder / SOUND_FOLDER
    beside = (
        [file for file in sounds.iterdir() if _SOUND_FILE.fullmatch(file.name)] if sounds.is_dir() else []
    )
    files = [folder / "index.html", *beside]
    return PageFiles(not beside, sum(file.stat().st_size for file in files))


def write_page(
    page: ListeningPage, folder: Path, *, one_file_up_to_bytes: int = ONE_FILE_UP_TO_BYTES
) -> Path:
    """Write a listening page that opens by double-click and asks nothing of any network.

    Parameters
    ----------
    page : ListeningPage
        What it shows.
    folder : Path
        Made if it is not there. The page is `index.html` in it.
    one_file_up_to_bytes : int
        If page and sounds together are larger, the sounds lie in the folder `sound` beside the page.

    Returns
    -------
    Path
        Of the page. The same content gives the same bytes; it takes its place whole, after its sounds.

    Raises
    ------
    ValueError
        Something cannot be shown or compared; with its place.
    OSError
        A sound cannot be read, or the page not written; a page that was there before stays.
    """
    check_page(page)
    sounds = {
        (take.name, excerpt.name, version.name): _sound(version.audio, folder)
        for take in page.takes
        for excerpt in take.excerpts
        for version in excerpt.versions
    }
    different = list({sound.name: sound for sound in sounds.values()}.values())
    inside = sum(4 * -(-sound.bytes_in_all // 3) for sound in different) <= one_file_up_to_bytes
    folder.mkdir(parents=True, exist_ok=True)
    if not inside:
        _write_sounds(different, folder / SOUND_FOLDER)
    data = _data(page, lambda *key: sounds[key].name, complete=inside)
    target = folder / "index.html"
    with _beside(target) as file:
        for part in _page_parts(data, different if inside else []):
            file.write(part)
    _drop_sounds(folder / SOUND_FOLDER, keep=() if inside else [sound.name for sound in different])
    return target


def page_script() -> dict[str, str]:
    """The modules of the page's script, by name."""
    return {
        file.name.removesuffix(".js"): file.read_text(encoding="utf-8")
        for file in resources.files("render.page").joinpath("script").iterdir()
        if file.name.endswith(".js")
    }


def content_policy(*, script: str, styles: str, sounds_inside: bool) -> str:
    """What the page forbids itself: everything but its own script and styles, and the sounds beside it."""
    beside = "" if sounds_inside else " 'self' file:"
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src '{_hash(script)}'{beside}",
            f"style-src '{_hash(styles)}'",
            "img-src data:",
            "connect-src 'none'",
            "base-uri 'none'",
            "form-action 'none'",
            "require-trusted-types-for 'script'",
            "trusted-types 'none'" if sounds_inside else "trusted-types sounds",
        )
    )


def _sound(audio: bytes | str, folder: Path) -> _Sound:
    held = audio if isinstance(audio, bytes) else folder / audio
    size = len(held) if isinstance(held, bytes) else held.stat().st_size
    digest = hashlib.sha256()
    for piece in _Sound("", size, held).pieces():
        digest.update(piece)
    return _Sound(digest.hexdigest()[:32], size, held)


def _data(page: ListeningPage, sound_name: Callable[[str, str, str], str], *, complete: bool) -> str:
    """The page's content as JSON; `<` never stands in it, so that no text can end the block it is in.

    `complete` tells the page whether its sounds lie in it, or beside it in the folder `sound`.
    """
    shown = asdict(page)
    shown["complete"] = complete
    for take in shown["takes"]:
        for excerpt in take["excerpts"]:
            for version in excerpt["versions"]:
                del version["audio"]
                version["sound"] = sound_name(take["name"], excerpt["name"], version["name"])
                version["peaks"] = [round(value, 4) for column in version["peaks"] for value in column]
                for key in ("spectrum_db", "side_to_mid_db", "correlation"):
                    version[key] = [value if value is None else round(value, 3) for value in version[key]]
    shown["votes"] = {"format": votes.FORMAT, "version": votes.VERSION}
    text = json.dumps(shown, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _page_parts(data: str, sounds: Iterable[_Sound]) -> Iterator[bytes]:
    """The page, piece by piece, in the order of the template's marks."""
    styles, script = _styles(), _script()
    sounds = list(sounds)
    filled: dict[str, str] = {
        "policy": content_policy(script=script, styles=styles, sounds_inside=bool(sounds)),
        "styles": styles,
        "script": script,
        "data": data,
    }
    for part in re.split(r"(\{\{\w+\}\})", _file("template.html")):
        mark = part[2:-2] if part.startswith("{{") else None
        if mark == "sounds":
            for sound in sounds:
                yield f'<script type="text/plain" id="sound-{sound.name}">'.encode()
                yield from map(base64.b64encode, sound.pieces())
                yield b"</script>\n"
        else:
            yield (part if mark is None else filled[mark]).encode()


def _write_sounds(sounds: Iterable[_Sound], folder: Path) -> None:
    folder.mkdir(exist_ok=True)
    for sound in sounds:
        head = f'document.dispatchEvent(new CustomEvent("sound", {{ detail: {{ name: "{sound.name}", text: "'
        tail = '" } }));\n'
        target = folder / f"{sound.name}.js"
        size = len(head) + 4 * -(-sound.bytes_in_all // 3) + len(tail)
        if target.is_file() and target.stat().st_size == size:
            continue
        with _beside(target) as file:
            file.write(head.encode())
            for piece in sound.pieces():
                file.write(base64.b64encode(piece))
            file.write(tail.encode())


def _drop_sounds(folder: Path, *, keep: Iterable[str]) -> None:
    """Take away sounds of an earlier page; nothing else in the folder is touched."""
    if not folder.is_dir():
        return
    kept = {f"{name}.js" for name in keep}
    for file in folder.iterdir():
        if _SOUND_FILE.fullmatch(file.name) and file.name not in kept:
            file.unlink()
    if not any(folder.iterdir()):
        folder.rmdir()


@contextmanager
def _beside(target: Path) -> Iterator[BinaryIO]:
    """A file that takes its name when it is whole."""
    beside = target.with_name(f".{target.name}.{secrets.token_hex(4)}.part")
    try:
        with beside.open("wb") as file:
            yield file
        beside.replace(target)
    finally:
        beside.unlink(missing_ok=True)


def _file(name: str) -> str:
    return resources.files("render.page").joinpath(name).read_text(encoding="utf-8")


@cache
def _script() -> str:
    script = link_modules(page_script(), entry="main")
    for forbidden in ("</script", "<!--"):
        if forbidden in script:
            raise ValueError(f"the page's script must not hold {forbidden!r}: it would end there")
    return script


@cache
def _styles() -> str:
    return _file("styles.css")


def _hash(text: str) -> str:
    return f"sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}"
