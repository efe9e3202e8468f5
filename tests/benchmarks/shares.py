"""Where the time of a render goes: functions of the package wrapped from outside, each second counted once."""

from __future__ import annotations

import functools
import importlib
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

# Part, module as it is looked up there, name. Within a part further calls belong to it; the part in `_REMAINDERS` keeps
# only what its own calls leave.
_WATCHED = (
    ("hash", "render.engine.batch", "sha256_of_files"),
    ("read", "render.audio.read", "TakeReader.read_into"),
    ("transform forward", "scipy.fft", "rfft"),
    ("transform forward", "scipy.fft", "fft"),
    ("transform backward", "scipy.fft", "irfft"),
    ("transform backward", "scipy.fft", "ifft"),
    ("multiply", "render.engine.convolve", "_mix_spectra"),
    ("weighting", "render.engine.convolve", "weigh_pairs"),
    ("peaks and powers", "render.engine.convolve", "measure_block_peaks"),
    ("peaks and powers", "render.engine.convolve", "measure_plain_slots"),
    ("window and store", "render.engine.mix", "convolve_pairs"),
    ("plan (loudness, true peak, limiter)", "render.engine.mix", "plan_mix"),
    ("gain, limiter, fades", "render.engine.finishing", "apply_finish_block"),
    ("dither and quantise", "render.finish.dither", "Quantiser.quantise_scaled"),
    ("write", "render.audio.write", "MixWriter.write"),
    ("write", "render.audio.write", "MixWriter.__exit__"),
    ("log", "render.engine.ledger", "Ledger.add"),
)
_PARTS = tuple(dict.fromkeys(part for part, _, _ in _WATCHED))
_REMAINDERS = ("window and store",)


class Shares:
    """Stopwatches on a stack; `seconds` by part, processor time."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = defaultdict(float)
        self._stack: list[str] = []
        self._since = 0.0

    def wrap(self, part: str, function: Any) -> Any:
        """Count the time of a function under a part."""

        @functools.wraps(function)
        def counted(*arguments: Any, **keywords: Any) -> Any:
            if self._stack and self._stack[-1] not in _REMAINDERS:
                return function(*arguments, **keywords)
            self._switch()
            self._stack.append(part)
            try:
                return function(*arguments, **keywords)
            finally:
                self._switch()
                self._stack.pop()

        return counted

    def _switch(self) -> None:
        """Book the time since the last switch."""
        now = time.process_time()
        if self._stack:
            self.seconds[self._stack[-1]] += now - self._since
        self._since = now


@contextmanager
def watching() -> Iterator[Shares]:
    """Wrap everything that is watched; unwrap it at the end."""
    shares = Shares()
    undo: list[tuple[Any, str, Any]] = []
    try:
        for part, module, path in _WATCHED:
            owner, name = _find(module, path)
            if hasattr(owner, name):
                undo.append((owner, name, getattr(owner, name)))
                setattr(owner, name, shares.wrap(part, getattr(owner, name)))
        yield shares
    finally:
        for owner, name, function in reversed(undo):
            setattr(owner, name, function)
    unseen = [part for part in _PARTS if part not in shares.seconds]
    if unseen:
        raise LookupError(
            f"nothing was seen of {', '.join(unseen)}: follow the package's names in {__name__}"
        )


def _find(module: str, path: str) -> tuple[Any, str]:
    """Owner and last name of `module.path`."""
    owner: Any = importlib.import_module(module)
    *outer, name = path.split(".")
    for step in outer:
        owner = getattr(owner, step)
    return owner, name
