"""Where the time of a render goes: functions of the package wrapped from outside, each second counted once."""

from __future__ import annotations

import functools
import importlib
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

# Part, module as it is looked up there, name. Within a part that is measured whole, further calls belong to it;
# a part in `_REMAINDERS` keeps only what its own calls leave.
_WATCHED = (
    ("hash", "render.engine.batch", "sha256_of_files"),
    ("read", "render.engine.convolve", "_Window.rows"),
    ("store and peaks", "render.engine.mix", "convolve_pairs"),
    ("rfft", "scipy.fft", "rfft"),
    ("irfft", "scipy.fft", "irfft"),
    ("multiply", "render.engine.convolve", "_mix_spectra"),
    ("weighting", "render.engine.convolve", "weighted_slots_from_spectrum"),
    ("plan (loudness, true peak, limiter)", "render.engine.mix", "plan_mix"),
    ("gain, limiter, fades", "render.engine.mix", "apply_finish_block"),
    ("dither and quantise", "render.finish.dither", "Quantiser.quantise"),
    ("write", "render.audio.write", "MixWriter.write"),
    ("write", "render.audio.write", "MixWriter.__exit__"),
    ("log", "render.engine.ledger", "Ledger.add"),
)
_REMAINDERS = ("store and peaks",)


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
            owner: Any = importlib.import_module(module)
            *outer, name = path.split(".")
            for step in outer:
                owner = getattr(owner, step)
            undo.append((owner, name, getattr(owner, name)))
            setattr(owner, name, shares.wrap(part, getattr(owner, name)))
        yield shares
    finally:
        for owner, name, function in reversed(undo):
            setattr(owner, name, function)
