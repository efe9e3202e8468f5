"""How a render may use the machine, and how it hears that it should stop."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field

from render.engine.spares import Spares

Progress = Callable[[int], None]


class Cancelled(Exception):  # noqa: N818 - not an error: the user asked for it
    """The batch was stopped; what was begun is thrown away."""


@dataclass(frozen=True)
class Workers:
    """How many threads a render may use inside, whom it tells of its steps, what stops it, and memory at hand."""

    inside: int = 1
    progress: Progress | None = None
    cancel: threading.Event | None = None
    spares: Spares = field(default_factory=Spares)

    def step(self, frames: int) -> None:
        """Tell progress; stop here if asked to."""
        if self.cancel is not None and self.cancel.is_set():
            raise Cancelled
        if self.progress is not None:
            self.progress(frames)
