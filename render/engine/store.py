"""Where a mix lies between the convolution and the finish: in memory, or for a long take in a file of its own.

A file beside the output costs no speed and keeps an hour's take within a small private memory; the system writes
its pages out when it needs the room.
"""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import numpy as np

from render.audio.array import AnySamples
from render.audio.write import TEMPORARY_PREFIX
from render.engine.spares import Spares
from render.errors import OutputError

IN_MEMORY_BYTES = 96_000_000  # a take of four minutes at 48 kHz
PREFIX = f"{TEMPORARY_PREFIX}spool-"
STALE_S = 24 * 3600.0


@contextmanager
def open_store(
    frames: int,
    *,
    dtype: np.dtype[np.float32] | np.dtype[np.float64],
    folder: Path,
    spares: Spares | None = None,
) -> Iterator[AnySamples]:
    """Room for `frames` of stereo, shape (frames, 2) with each channel contiguous; gone when the block ends.

    Parameters
    ----------
    frames : int
    dtype : float32 or float64
    folder : Path
        Where a long take's file may lie; it must exist.
    spares : Spares, optional
        Where the memory of a short take comes from, and goes back to.

    Raises
    ------
    OutputError
        If the disc cannot hold it.
    """
    size = 2 * frames * dtype.itemsize
    if size <= IN_MEMORY_BYTES:
        with (Spares() if spares is None else spares).lend((2, frames), dtype) as rows:
            yield rows.T
        return
    try:
        spool = tempfile.NamedTemporaryFile(prefix=_own_prefix(), dir=folder, delete=False)  # noqa: SIM115 - closed below
    except OSError as error:
        raise OutputError(f"{folder}: no room for the mix while it is made: {error.strerror}") from error
    path = Path(spool.name)
    try:
        with spool:
            _reserve(spool.fileno(), size, folder)
        yield np.memmap(path, dtype, "r+", shape=(2, frames)).T
    finally:
        with suppress(OSError):  # Windows refuses while a view of it lives: `sweep_spools` follows
            path.unlink()


def sweep_spools(folder: Path) -> None:
    """Remove this process's spool files that could not go at once, and what a killed run left a day ago.

    That run's half-written mixes too: they never had a name of their own.
    """
    for path in folder.rglob(f"{TEMPORARY_PREFIX}*"):
        with suppress(OSError):
            old = time.time() - path.stat().st_mtime > STALE_S
            if path.name.startswith(_own_prefix()) or old or _is_orphan(path):
                path.unlink()


def _is_orphan(path: Path) -> bool:
    """Whether a spool file's process is gone, as far as this system tells."""
    number = path.name.removeprefix(PREFIX).partition("-")[0]
    if os.name != "posix" or not path.name.startswith(PREFIX) or not number.isdecimal():
        return False
    try:
        os.kill(int(number), 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False
    return False


def _own_prefix() -> str:
    return f"{PREFIX}{os.getpid()}-"


def _reserve(descriptor: int, size: int, folder: Path) -> None:
    """Claim the space now: a full disc then is a message, not a crash in the middle of a mapped page."""
    try:
        if hasattr(os, "posix_fallocate"):
            os.posix_fallocate(descriptor, 0, size)
        else:
            os.truncate(descriptor, size)
    except OSError as error:
        raise OutputError(
            f"{folder}: {size / 1e9:.1f} GB are needed while the mix is made: {error.strerror}; make room on the disc"
        ) from error
