"""What is rendered already: linear mixes of excerpts and their figures, known by everything that decides them.

A hidden folder beside the page. A second run renders only what has changed; what the page no longer shows goes.
"""

from __future__ import annotations

import json
import re
import secrets
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from render.analysis.stereo_bands import StereoBands
from render.audio.array import AnySamples, Reals
from render.errors import OutputError
from render.finish.matching import Unmatched
from render.finish.slots import SlotPowers

FOLDER = ".kept"
_OURS = re.compile(r"\.?[0-9a-f]{64}.*\.(npy|npz|json|flac|part)")


@dataclass(frozen=True, eq=False)
class Excerpted:
    """Figures of one version of one excerpt before matching, fades included.

    Attributes
    ----------
    unmatched : Unmatched
    bands : StereoBands
    columns : float64, shape (columns, 2)
        Waveform.
    limiter_max_reduction_db : float
        What the recipe's own finish would do to this passage.
    """

    unmatched: Unmatched
    bands: StereoBands
    columns: Reals
    limiter_max_reduction_db: float


class Kept:
    """The hidden folder.

    Parameters
    ----------
    output : Path
        Folder of the page.

    Raises
    ------
    OutputError
        If it cannot be made.
    """

    def __init__(self, output: Path) -> None:
        self.output = output
        self.folder = output / FOLDER
        self._used: set[str] = set()
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            reason = "is a file" if output.is_file() else f"cannot be made: {error.strerror}"
            raise OutputError(f"{output}: {reason}; choose another folder with -o") from error

    def figures(self, identity: str) -> Excerpted | None:
        """What is known of a mix, if it is there whole."""
        self._used.update({f"{identity}.npz", f"{identity}.npy"})
        try:
            with (self.folder / f"{identity}.npz").open("rb") as file, np.load(file) as held:
                found = _excerpted({name: held[name] for name in held.files})
            mix = self.mix(identity)
        except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
            return None
        return found if mix.shape == (found.unmatched.slots.frames, 2) else None

    def mix(self, identity: str) -> AnySamples:
        """The linear mix, float32, shape (frames, 2), read as it is used."""
        held: AnySamples = np.load(self.folder / f"{identity}.npy", mmap_mode="r")
        return held

    def keep(self, identity: str, mix: AnySamples, figures: Excerpted) -> None:
        """Put a mix and its figures away; the figures come last, so that they stand for both."""
        slots, bands = figures.unmatched.slots, figures.bands
        self._write(f"{identity}.npy", lambda file: np.save(file, mix, allow_pickle=False))
        self._write(
            f"{identity}.npz",
            lambda file: np.savez(
                file,
                weighted=slots.weighted,
                plain=slots.plain,
                size=np.array([slots.sample_rate_hz, slots.frames]),
                scalars=np.array([figures.unmatched.true_peak_dbtp, figures.limiter_max_reduction_db]),
                columns=figures.columns,
                **{name: getattr(bands, name) for name in StereoBands.__dataclass_fields__},
            ),
        )

    def sound(self, name: str) -> str | None:
        """A finished sound of this name, relative to the page, if it is there."""
        self._used.add(name)
        return f"{FOLDER}/{name}" if (self.folder / name).is_file() else None

    def keep_sound(self, name: str, write: Callable[[BinaryIO], object]) -> str:
        """Put a finished sound away, as it is written; its name relative to the page."""
        self._used.add(name)
        self._write(name, write)
        return f"{FOLDER}/{name}"

    def note(self, identity: str) -> Any:
        """Something plain that was found out before, or None."""
        name = f"{identity}.json"
        self._used.add(name)
        try:
            return json.loads((self.folder / name).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None

    def keep_note(self, identity: str, value: object) -> None:
        """Put something plain away."""
        text = json.dumps(value, sort_keys=True)
        self._write(f"{identity}.json", lambda file: file.write(text.encode()))

    def drop_unused(self) -> None:
        """Let go of what this run had no use for."""
        for path in self.folder.iterdir():
            if path.name not in self._used and _OURS.fullmatch(path.name):
                path.unlink(missing_ok=True)

    def _write(self, name: str, write: Callable[[BinaryIO], object]) -> None:
        target = self.folder / name
        beside = target.with_name(f".{name}.{secrets.token_hex(4)}.part")
        try:
            with beside.open("w+b") as file:
                write(file)
            beside.replace(target)
        except BaseException as error:
            beside.unlink(missing_ok=True)
            if not isinstance(error, OSError):
                raise
            raise OutputError(f"{target}: cannot be written: {error.strerror}") from error


def _excerpted(held: dict[str, Any]) -> Excerpted:
    rate_hz, frames = (int(value) for value in held["size"])
    peak, limited = (float(value) for value in held["scalars"])
    slots = SlotPowers(held["weighted"], held["plain"], rate_hz, frames)
    bands = StereoBands(**{name: held[name] for name in StereoBands.__dataclass_fields__})
    return Excerpted(Unmatched(slots, peak), bands, held["columns"], limited)
