"""The main job: every take of a session with every recipe, into finished files, a log and a summary."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from render.audio.tags import Tags
from render.engine.batch import run_batch
from render.engine.job import Job, Options, Watch
from render.engine.ledger import Ledger, Line
from render.engine.mix import Passage
from render.errors import UsageError
from render.recipe.load import builtin_recipe, load_recipes
from render.recipe.models import Recipe
from render.session.takes import LOG_NAME, Take, find_takes
from render.version import __version__
from render.workflows.recipe import refuse_faults
from render.workflows.summary import SUMMARY_NAME, write_summary

DEFAULT_FOLDER = "mixes"


@dataclass(frozen=True)
class RenderRequest:
    """What a call asks for; ``recipes`` empty takes the built-in one, ``output`` None a folder beside the session."""

    session: Path
    recipes: Sequence[Path] = ()
    output: Path | None = None
    deep: bool = False
    artist: str = ""
    album: str = ""
    options: Options = field(default_factory=Options)


@dataclass(frozen=True)
class RenderResult:
    """What came of it: a line a render, where the files are, and what was passed over in the session.

    ``told_in`` names the files of the folder that tell of these mixes; passages are not in its summary.
    """

    lines: list[Line]
    folder: Path
    notes: list[str]
    told_in: tuple[str, ...] = (LOG_NAME, SUMMARY_NAME)

    @property
    def failed(self) -> int:
        """How many renders failed."""
        return sum(line["status"] == "failed" for line in self.lines)


def render_session(request: RenderRequest, *, watch: Watch) -> RenderResult:
    """Render a session.

    Raises
    ------
    RecipeError
        With every fault of every recipe; nothing was done.
    SessionError, UsageError
        If there is nothing to render, or the call contradicts itself; nothing was done.
    OutputError
        If the output folder cannot be written.
    """
    recipes = load_recipes(list(request.recipes)) if request.recipes else [builtin_recipe()]
    refuse_faults(recipes)
    folder = output_folder(request.session, request.output)
    session = find_takes(request.session, deep=request.deep, output=folder)
    jobs = [
        _job(take, recipe, folder=folder, request=request) for recipe in recipes for take in session.takes
    ]
    _refuse_inputs(jobs)
    ledger = Ledger(folder)
    lines = run_batch(jobs, ledger=ledger, options=request.options, watch=watch)
    notes = list(session.notes)
    if not request.options.passage.whole:
        return RenderResult(lines, folder, notes, told_in=(LOG_NAME,))
    write_summary(folder / SUMMARY_NAME, ledger.standing(), notes)
    return RenderResult(lines, folder, notes)


def output_folder(session: Path, output: Path | None) -> Path:
    """Where results go: as asked, else `mixes` beside the session."""
    return (output or session.resolve().parent / DEFAULT_FOLDER).absolute()


def default_jobs() -> int:
    """As many renders at once as this process may use cores."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _job(take: Take, recipe: Recipe, *, folder: Path, request: RenderRequest) -> Job:
    stem = take.output_stem + _passage_ending(request.options.passage)
    name = f"{recipe.name}/{stem}.{recipe.finish.format}"
    tags = _tags(take, recipe, request)
    return Job(take, recipe, folder / name, name, tags, by_itself=request.session.is_file())


def _tags(take: Take, recipe: Recipe, request: RenderRequest) -> Tags:
    """Title and number from the take's own name, so that a new take beside it changes nothing."""
    name = take.name.rsplit("/", 1)[-1]
    numbered = re.match(r"(\d{1,3})[\s._-]+(?=\S)", name)
    title = re.sub(r"[\s_]+", " ", name[numbered.end() :] if numbered else name).strip() or name
    return Tags(
        title=title,
        artist=request.artist,
        album=request.album,
        track_number=(int(numbered[1]) or None) if numbered else None,
        software=f"drytake {__version__}",
        comment=f"recipe {recipe.name}",
    )


def _passage_ending(passage: Passage) -> str:
    """A passage lies beside the whole mix, never in its place."""
    if passage.whole:
        return ""
    low = _clock(passage.from_s or 0.0)
    return f"_from_{low}" + ("" if passage.to_s is None else f"_to_{_clock(passage.to_s)}")


def _clock(instant_s: float) -> str:
    minutes, seconds = divmod(round(instant_s, 3), 60.0)
    return f"{int(minutes)}m{seconds:06.3f}".rstrip("0").rstrip(".") + "s"


def _refuse_inputs(jobs: list[Job]) -> None:
    """Nothing ever writes to an input."""
    inputs = {path.resolve() for job in jobs for path in job.take.files}
    for job in jobs:
        if job.output.resolve() in inputs:
            raise UsageError(
                f"{job.output}: this mix would take the place of a capture; choose another folder with -o"
            )
