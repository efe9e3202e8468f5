"""`drytake compare`: excerpts of every take with every recipe, at one loudness, as a page to listen to."""

from __future__ import annotations

import json
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from render.engine.job import Event, Watch
from render.engine.ledger import identity_of
from render.engine.store import sweep_spools
from render.engine.workers import Workers
from render.errors import OutputError, UsageError
from render.page.build import write_page
from render.page.content import Excerpt, ListeningPage, PageTake
from render.recipe.load import builtin_recipe, load_recipes
from render.session.takes import Session, find_takes
from render.units import frames_from_s
from render.workflows.compare.choices import Choice, recipe_choice, with_capture
from render.workflows.compare.excerpts import Cell, make_cells, match_all, render_missing, version_of
from render.workflows.compare.gather import (
    Gathering,
    Material,
    find_moves,
    find_parts,
    hash_takes,
    look_at_headers,
)
from render.workflows.compare.kept import Kept
from render.workflows.compare.pairs import Pair, compare_pairs
from render.workflows.compare.report import as_dict
from render.workflows.compare.steps import step_choices
from render.workflows.compare.vary import parse_variation, vary_choices
from render.workflows.recipe import refuse_faults

DEFAULT_FOLDER = "listen"
FIGURES_NAME = "compare.json"
PAGE_NAME = "index.html"
EXCERPT_S = 20.0
SHORTEST_EXCERPT_S, LONGEST_EXCERPT_S = 3.0, 600.0
SOFT_LUFS = -23.0
RAISED_DB = 30.0


@dataclass(frozen=True)
class CompareRequest:
    """What a call asks for; ``excerpt_s`` None takes all, ``output`` None a folder beside the session."""

    session: Path
    recipes: Sequence[Path] = ()
    output: Path | None = None
    excerpt_s: float | None = EXCERPT_S
    vary: Sequence[str] = ()
    steps: bool = False
    deep: bool = False
    jobs: int = 1


@dataclass(frozen=True)
class CompareResult:
    """What came of it.

    Attributes
    ----------
    folder : Path
    page : ListeningPage or None
        None where no take could be read.
    choices : list of Choice
    pairs : list of Pair
    widths_db : dict
        Side against mid of the whole of an excerpt, by take, excerpt and version.
    failures : list of (str, str)
        Takes that could not be read, and why.
    notes : list of str
    rendered, kept : int
        Excerpts that were rendered now, and before.
    """

    folder: Path
    page: ListeningPage | None
    choices: list[Choice]
    pairs: list[Pair]
    widths_db: dict[tuple[str, str, str], float | None]
    failures: list[tuple[str, str]]
    notes: list[str] = field(default_factory=list)
    rendered: int = 0
    kept: int = 0

    @property
    def page_path(self) -> Path:
        """Where the page lies."""
        return self.folder / PAGE_NAME

    def as_dict(self) -> dict[str, object]:
        """Plain values: `compare.json`, and what `--json` prints."""
        return as_dict(
            self.page,
            choices=self.choices,
            pairs=self.pairs,
            widths_db=self.widths_db,
            failures=self.failures,
            notes=self.notes,
        )


def compare_session(request: CompareRequest, *, watch: Watch) -> CompareResult:
    """Compare recipes over a session.

    Raises
    ------
    RecipeError
        With every fault of every recipe and variant; nothing was done.
    SessionError, UsageError
        If there is nothing to compare, or the call contradicts itself; nothing was done.
    OutputError
        If the page cannot be written.
    """
    if request.excerpt_s is not None and not SHORTEST_EXCERPT_S <= request.excerpt_s <= LONGEST_EXCERPT_S:
        raise UsageError(
            f"--excerpt {request.excerpt_s:g}: must be {SHORTEST_EXCERPT_S:g} to {LONGEST_EXCERPT_S:g} s; "
            "--whole takes all"
        )
    choices = _choices(request)
    folder = (request.output or request.session.resolve().parent / DEFAULT_FOLDER).absolute()
    session = find_takes(request.session, deep=request.deep, output=folder)
    materials = look_at_headers(session.takes, choices)
    _refuse_folder(folder, session)
    kept = Kept(folder)
    cancel, lock = threading.Event(), threading.Lock()

    def report(event: Event) -> None:
        with lock:
            watch(event)

    progress = Workers(progress=lambda frames: report(Event("frames-done", frames)), cancel=cancel)
    gathering = Gathering(choices, kept, request.excerpt_s, request.jobs, cancel, progress.step)
    try:
        report(Event("frames-to-do", _frames_expected(request, choices, materials)))
        hash_takes(gathering, materials)
        find_parts(gathering, materials)
        find_moves(gathering, materials)
        cells = make_cells(gathering, materials)
        rendered = render_missing(
            gathering,
            cells,
            tell=lambda text: report(Event("compiling", text=text)),
            on_frames=progress.step,
        )
        return _written(request, gathering, session, materials, cells, folder=folder, rendered=rendered)
    except BaseException:
        cancel.set()
        raise
    finally:
        sweep_spools(kept.folder)


def _choices(request: CompareRequest) -> list[Choice]:
    """The capture, and what the call names."""
    recipes = load_recipes(list(request.recipes)) if request.recipes else [builtin_recipe()]
    refuse_faults(recipes)
    if request.steps:
        if len(recipes) > 1 or request.vary:
            raise UsageError("--steps takes one recipe apart: name one, and leave out --vary")
        return with_capture(step_choices(recipes[0]), like=recipes[0])
    choices = [recipe_choice(recipe) for recipe in recipes]
    variations = [parse_variation(text) for text in request.vary]
    return with_capture(vary_choices(choices, variations) if variations else choices, like=recipes[0])


def _refuse_folder(folder: Path, session: Session) -> None:
    """Nothing of another's is ever replaced, and captures are only ever read."""
    if folder.is_file():
        raise OutputError(f"{folder}: is a file; choose another folder with -o")
    if (folder / PAGE_NAME).exists() and not (folder / FIGURES_NAME).exists():
        raise OutputError(
            f"{folder / PAGE_NAME}: is there already and is no listening page; choose another folder with -o"
        )
    targets = {(folder / name).resolve() for name in (PAGE_NAME, FIGURES_NAME)}
    if targets.intersection(path.resolve() for take in session.takes for path in take.files):
        raise OutputError(f"{folder}: a capture has the page's name; choose another folder with -o")


def _frames_expected(
    request: CompareRequest, choices: Sequence[Choice], materials: Sequence[Material]
) -> int:
    """For the bar: captures listened through, and excerpts to render."""
    total = 0
    for material in materials:
        frames = material.info.frames if material.info is not None else None
        if frames is None or material.info is None:
            continue
        listened, each = frames, frames
        if request.excerpt_s is not None:
            each = min(
                frames, 2 * frames_from_s(request.excerpt_s, sample_rate_hz=material.info.sample_rate_hz)
            )
        total += listened + each * len(choices)
    return total


def _written(
    request: CompareRequest,
    gathering: Gathering,
    session: Session,
    materials: Sequence[Material],
    cells: Sequence[Cell],
    *,
    folder: Path,
    rendered: int,
) -> CompareResult:
    """Match what could be rendered, and write the page and its figures."""
    good = [cell for cell in cells if cell.material.failure is None]
    failures = [(material.take.name, str(material.failure)) for material in materials if material.failure]
    choices, notes = list(gathering.choices), list(session.notes)
    if not good:
        return CompareResult(folder, None, choices, [], {}, failures, notes, rendered, 0)
    loudness_lufs = match_all(gathering, good)
    page = _page(request, good, loudness_lufs=loudness_lufs)
    notes += _remarks(good, page)
    widths_db = {
        (cell.material.take.name, cell.part.name, cell.choice.name): cell.side_to_mid_db for cell in good
    }
    pairs = compare_pairs(page.takes, choices)
    kept = len(good) - rendered
    result = CompareResult(folder, page, choices, pairs, widths_db, failures, notes, rendered, max(kept, 0))
    try:
        write_page(page, folder)
        _write_figures(result)
    except OSError as error:
        raise OutputError(f"{error.filename or folder}: cannot be written: {error.strerror}") from error
    gathering.kept.drop_unused()
    return result


def _page(request: CompareRequest, cells: Sequence[Cell], *, loudness_lufs: float) -> ListeningPage:
    """Cells, which come take by take and excerpt by excerpt, as the page wants them."""
    bands = min((cell.measured.bands for cell in cells), key=lambda found: len(found.band_hz))
    shown = {"bands": len(bands.band_hz), "octaves": len(bands.octave_hz)}
    by_take: dict[str, dict[str, list[Cell]]] = {}
    for cell in cells:
        by_take.setdefault(cell.material.take.name, {}).setdefault(cell.part.name, []).append(cell)
    takes = tuple(
        PageTake(
            name,
            tuple(
                Excerpt(
                    part,
                    round(same[0].part.from_s, 3),
                    round(same[0].part.to_s, 3),
                    tuple(version_of(cell, **shown) for cell in same),
                )
                for part, same in parts.items()
            ),
        )
        for name, parts in by_take.items()
    )
    identity = identity_of({"versions": [cell.audio for cell in cells]})[:16]
    return ListeningPage(
        _title(request),
        identity,
        takes,
        tuple(bands.octave_hz.tolist()),
        tuple(bands.band_hz.tolist()),
        loudness_lufs,
    )


def _title(request: CompareRequest) -> str:
    path = request.session.resolve()
    name = path.stem if path.is_file() else path.name
    if not request.steps:
        return name
    recipe = load_recipes(list(request.recipes))[0] if request.recipes else builtin_recipe()
    return f"{name}: {recipe.title or recipe.name}, step by step"


def _remarks(cells: Sequence[Cell], page: ListeningPage) -> list[str]:
    """What a listener should know of the levels."""
    remarks = [
        f"{cell.material.take.name} ({cell.choice.name}): too short or too quiet to have a loudness; "
        "left at its own level"
        for cell in cells
        if not cell.matched
    ]
    raised = max(cells, key=lambda cell: cell.gain_db)
    if raised.gain_db > RAISED_DB:
        remarks.append(
            f"{raised.material.take.name} ({raised.choice.name}): raised by {raised.gain_db:.0f} dB, its noise with "
            "it; turn down before you listen"
        )
    if page.loudness_lufs < SOFT_LUFS:
        peak = max(cells, key=lambda cell: cell.measured.unmatched.true_peak_dbtp + cell.gain_db)
        remarks.append(
            f"all versions are at {page.loudness_lufs:.1f} LUFS: louder, the peaks of {peak.material.take.name} "
            f"({peak.choice.name}) would stand above the ceiling, and nothing here is limited"
        )
    return remarks


def _write_figures(result: CompareResult) -> None:
    path = result.folder / FIGURES_NAME
    beside = path.with_name(f".{FIGURES_NAME}.part")
    text = json.dumps(result.as_dict(), indent=1, allow_nan=False, ensure_ascii=False)
    beside.write_text(f"{text}\n", encoding="utf-8", newline="\n")
    beside.replace(path)
