"""The mix store: memory for short takes, a file for long ones, nothing left behind."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from render.engine import store as store_module
from render.engine.store import PREFIX, open_store, sweep_spools
from render.errors import OutputError

SINGLE = np.dtype(np.float32)


def test_short_takes_stay_in_memory(tmp_path: Path) -> None:
    """Nothing is written for a short take."""
    with open_store(1000, dtype=SINGLE, folder=tmp_path) as store:
        assert store.shape == (1000, 2)
        assert store[:, 0].flags.c_contiguous
        assert not list(tmp_path.iterdir())


def test_long_takes_lie_in_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A long take is spooled, keeps what is written, and its file goes."""
    monkeypatch.setattr(store_module, "IN_MEMORY_BYTES", 1000)
    with open_store(1000, dtype=SINGLE, folder=tmp_path) as store:
        store[:] = 1.5
        assert len(list(tmp_path.glob(f"{PREFIX}*"))) == 1
        assert store[:, 1].flags.c_contiguous
        assert float(store.sum()) == 3000.0
    assert not list(tmp_path.iterdir())


def test_the_file_goes_when_something_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C inside leaves no file."""
    monkeypatch.setattr(store_module, "IN_MEMORY_BYTES", 1000)
    with pytest.raises(KeyboardInterrupt), open_store(1000, dtype=SINGLE, folder=tmp_path):
        raise KeyboardInterrupt
    assert not list(tmp_path.iterdir())


def test_a_full_disc_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What cannot be reserved is an error that names the folder and the size."""
    monkeypatch.setattr(store_module, "IN_MEMORY_BYTES", 1000)

    def full(*_arguments: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "posix_fallocate" if hasattr(os, "posix_fallocate") else "truncate", full)
    with (
        pytest.raises(OutputError, match="GB are needed while the mix is made: No space left"),
        open_store(10**9, dtype=SINGLE, folder=tmp_path),
    ):
        pass
    assert not list(tmp_path.iterdir())


def test_no_folder_no_store(tmp_path: Path) -> None:
    """A folder that is not there is an error with its name."""
    with (
        pytest.raises(OutputError, match="no room for the mix"),
        open_store(10**9, dtype=SINGLE, folder=tmp_path / "none"),
    ):
        pass


def test_what_a_killed_run_left_is_swept_after_a_day(tmp_path: Path) -> None:
    """Old spool files go, those of another run that may still work stay."""
    old, new = tmp_path / ".drytake-abc.part", tmp_path / f"{PREFIX}1-new"
    own = tmp_path / f"{PREFIX}{os.getpid()}-own"
    for path in (old, new, own):
        path.write_bytes(b"")
    os.utime(old, (1, 1))

    sweep_spools(tmp_path)

    assert sorted(path.name for path in tmp_path.iterdir()) == [new.name]
