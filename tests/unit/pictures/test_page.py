"""Pages and files."""

from __future__ import annotations

import errno
from io import BytesIO
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest

from render.pictures.page import Page, write_file


def _page() -> Page:
    page = Page(120)
    page.write(20.0, 40.0, "costs $5, not $6", bold=True)
    page.rule(20.0, 200.0, 60.0, colour="#000000", width_px=2.0, dashes=(4.0, 2.0))
    return page


def test_page_has_its_size() -> None:
    """900 pixels wide, as tall as asked, dark type on white."""
    image = mpl.image.imread(BytesIO(_page().png()))
    assert image.shape[:2] == (120, 900)
    assert np.all(image[0] == 1.0)
    assert image[..., :3].min() < 0.2


def test_same_page_same_bytes() -> None:
    """No dates, no versions: equal pages are equal files, whatever a person has set for their own plots."""
    first = _page().png()
    with mpl.rc_context(
        {
            "figure.facecolor": "black",
            "savefig.dpi": 50,
            "lines.linewidth": 9,
            "font.size": 30,
            "text.color": "red",
        }
    ):
        assert _page().png() == first
    assert b"matplotlib" not in first.lower()


def test_file_is_replaced_as_a_whole(tmp_path: Path) -> None:
    """The new content, and no other file beside it."""
    target = tmp_path / "x.png"
    target.write_bytes(b"old")
    write_file(target, b"new")
    assert target.read_bytes() == b"new"
    assert list(tmp_path.iterdir()) == [target]


def test_failure_leaves_the_old_file_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Disc full: the error passes, the old picture stays, nothing is left over."""
    target = tmp_path / "x.png"
    target.write_bytes(b"old")

    def full(path: Path, data: bytes) -> int:
        with path.open("wb") as file:
            file.write(data[:1])
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OSError, match="No space left"):
        write_file(target, b"new")
    assert target.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [target]


def test_missing_folder_is_an_os_error(tmp_path: Path) -> None:
    """Said by the system, in its words."""
    with pytest.raises(FileNotFoundError, match="No such file"):
        write_file(tmp_path / "none" / "x.png", b"new")
