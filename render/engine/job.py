"""What a batch is made of: the jobs, how they are run, and what is known of each on its way."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from render.audio.read import TakeInfo
from render.audio.tags import Tags
from render.engine.ledger import Line
from render.engine.meet import Moved
from render.engine.mix import Passage
from render.errors import DrytakeError
from render.recipe.check import output_rate_hz
from render.recipe.models import Recipe
from render.session.takes import Take


@dataclass(frozen=True)
class Job:
    """One take with one recipe into one file, whose name in the log is ``name``.

    ``by_itself``: the call named this take, not the folder that it lies in.
    """

    take: Take
    recipe: Recipe
    output: Path
    name: str
    tags: Tags
    by_itself: bool = False


@dataclass(frozen=True)
class Options:
    """How a batch is run."""

    jobs: int = 1
    redo: bool = False
    double_precision: bool = False
    passage: Passage = field(default_factory=Passage)


@dataclass(frozen=True)
class Event:
    """What a batch tells whoever watches: a recipe being computed, frames to do, frames done, a finished line."""

    kind: Literal["compiling", "frames-to-do", "frames-done", "line"]
    frames: int = 0
    text: str = ""
    line: Line | None = None


Watch = Callable[[Event], None]


@dataclass
class Work:
    """A job on its way through the batch."""

    job: Job
    info: TakeInfo | None = None
    input_sha256: str = ""
    recipe_sha256: str = ""
    failure: DrytakeError | None = None
    gain_db: float | None = None
    level_set_by: str | None = None
    session_takes: int = 0  # of how many the gain was found; 0: not levelled by session
    gain_from_log: bool = False
    moved: Moved | None = None  # where a source has "auto"

    @property
    def sample_rate_hz(self) -> int:
        """Rate of the output."""
        assert self.info is not None  # noqa: S101 - only asked of takes whose headers were read
        return output_rate_hz(self.job.recipe.finish, self.info.sample_rate_hz)

    @property
    def by_session(self) -> bool:
        """Whether this mix gets its gain from the loudest take of its session."""
        finish = self.job.recipe.finish
        return finish.level_by == "session" and finish.loudness_lufs != "keep"
