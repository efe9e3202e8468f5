"""`drytake compare`: excerpts of every take with every recipe, at one loudness, as a page to listen to."""

from __future__ import annotations

import json
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from render.engine.job import Event, Watch
from render.engine.ledger import identity_of
from render.engine.source_remarks import remark_on_sources
from render.engine.store import sweep_spools
from render.engine.workers import Workers
from render.errors import OutputError, UsageError
from render.page.build import PageFiles, measure_page, write_page
from render.page.content import Excerpt, ListeningPage, PageTake
from render.session.takes import Session, find_takes
from render.units import frames_from_s
from render.workflows.compare.choices import Choice, with_capture
from render.workflows.compare.excerpts import (
    Cell,
    CommonLoudness,
    make_cells,
    match_all,
    render_missing,
    version_of,
)
from render.workflows.compare.gather import (
    Gathering,
    Material,
    find_moves,
    find_parts,
    hash_takes,
    look_at_headers,
)
from render.workflows.compare.kept import Kept
from render.workflows.compare.named import load_choices
from render.workflows.compare.pairs import Pair, compare_pairs
from render.workflows.compare.passages import part_titles
from render.workflows.compare.report import as_dict, columns_of, level_line, passing_on_line
from render.workflows.compare.steps import step_choices
from render.workflows.compare.vary import parse_variation, vary_choices
from render.workflows.summary import Column

DEFAULT_FOLDER = "listen"
FIGURES_NAME = "compare.json"
PAGE_NAME = "index.html"
EXCERPT_S = 20.0
SHORTEST_EXCERPT_S, LONGEST_EXCERPT_S = 3.0, 600.0
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
        None where no take could be compared.
    choices : list of Choice
    pairs : list of Pair
    widths_db : dict
        Side against mid of the whole of an excerpt, by take, excerpt and version.
    failures : list of (str, str)
        Takes that could not be read or have nothing to hear, and why.
    notes : list of str
    loudness_set_by : str
        The version whose peaks hold the loudness down, "" if none does.
    files : PageFiles or None
        What has to be passed on.
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
    loudness_set_by: str = ""
    files: PageFiles | None = None
    rendered: int = 0
    kept: int = 0

    @property
    def page_path(self) -> Path:
        """Where the page lies."""
        return self.folder / PAGE_NAME

    def table(self, *, with_names: bool = True) -> list[Column]:
        """A row a version of every excerpt; versions by the page's numbers, and by name if asked."""
        return [] if self.page is None else columns_of(self.page, self.widths_db, with_names=with_names)

    def ending(self) -> list[str]:
        """How much there is, at which loudness and why, and what to pass on."""
        if self.page is None or self.files is None:
            return []
        takes = f"{len(self.page.takes)} {'take' if len(self.page.takes) == 1 else 'takes'}"
        counts = f"{self.rendered} excerpts rendered, {self.kept} kept"
        return [
            f"{takes}, {len(self.choices)} versions; {counts}",
            level_line(self.page, self.choices, set_by=self.loudness_set_by),
            passing_on_line(self.files),
        ]

    def as_dict(self) -> dict[str, object]:
        """Plain values: `compare.json`, and what `--json` prints."""
        return as_dict(
            self.page,
            choices=self.choices,
            pairs=self.pairs,
            widths_db=self.widths_db,
            files=self.files,
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
    choices = load_choices(request.recipes)
    like = choices[0].recipe
    if request.steps:
        if len(choices) > 1 or request.vary:
            raise UsageError("--steps takes one recipe apart: name one, and leave out --vary")
        return with_capture(step_choices(like), like=like)
    variations = [parse_variation(text) for text in request.vary]
    return with_capture(vary_choices(choices, variations) if variations else choices, like=like)


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
        return CompareResult(folder, None, choices, [], {}, failures, notes, rendered=rendered)
    common = match_all(gathering, good)
    page = _page(request, good, common)
    notes += _remarks(good, page)
    widths_db = {
        (cell.material.take.name, cell.part.name, cell.choice.name): cell.side_to_mid_db for cell in good
    }
    pairs = compare_pairs(page.takes, choices)
    kept = max(len(good) - rendered, 0)
    set_by = "" if common.set_by is None else common.set_by.choice.name
    try:
        write_page(page, folder)
        files = measure_page(folder)
        result = CompareResult(
            folder, page, choices, pairs, widths_db, failures, notes, set_by, files, rendered, kept
        )
        _write_figures(result)
    except OSError as error:
        raise OutputError(f"{error.filename or folder}: cannot be written: {error.strerror}") from error
    gathering.kept.drop_unused()
    return result


def _page(request: CompareRequest, cells: Sequence[Cell], common: CommonLoudness) -> ListeningPage:
    """Cells, which come take by take and excerpt by excerpt, as the page wants them."""
    bands = min((cell.measured.bands for cell in cells), key=lambda found: len(found.band_hz))
    shown = {"bands": len(bands.band_hz), "octaves": len(bands.octave_hz)}
    by_take: dict[str, dict[str, list[Cell]]] = {}
    for cell in cells:
        by_take.setdefault(cell.material.take.name, {}).setdefault(cell.part.name, []).append(cell)
    takes = []
    for name, parts in by_take.items():
        titles = part_titles([same[0].part for same in parts.values()])
        excerpts = tuple(
            Excerpt(
                part,
                round(same[0].part.from_s, 3),
                round(same[0].part.to_s, 3),
                tuple(version_of(cell, **shown) for cell in same),
                titles[part],
            )
            for part, same in parts.items()
        )
        takes.append(PageTake(name, excerpts, _unmatched([cell for same in parts.values() for cell in same])))
    identity = identity_of({"versions": [cell.audio for cell in cells]})[:16]
    return ListeningPage(
        _title(request),
        identity,
        tuple(takes),
        tuple(bands.octave_hz.tolist()),
        tuple(bands.band_hz.tolist()),
        common.loudness_lufs,
        common.because,
    )


def _title(request: CompareRequest) -> str:
    path = request.session.resolve()
    name = path.stem if path.is_file() else path.name
    if not request.steps:
        return name
    return f"{name}: {load_choices(request.recipes)[0].title}, step by step"


def _unmatched(cells: Sequence[Cell]) -> str:
    """Which versions of a take are not at the common loudness, by their numbers on the page, and why."""
    told = []
    for words, silent in (("no sound in it", True), ("too quiet to have a loudness", False)):
        places = sorted({cell.place + 1 for cell in cells if not cell.matched and cell.silent == silent})
        if places:
            numbers = ", ".join(map(str, places))
            told.append(f"version{'s' if len(places) > 1 else ''} {numbers}: {words}")
    return "; ".join(told)


def _remarks(cells: Sequence[Cell], page: ListeningPage) -> list[str]:
    """What a listener should know of sources and levels."""
    remarks: dict[str, None] = {}
    for cell in cells:
        listened = cell.material.listened
        if cell.choice.finished and listened is not None and cell.material.hears(cell.choice.recipe):
            remark = remark_on_sources(cell.choice.recipe, np.array([listened.source_sums]))
            if remark is not None:
                remarks[f"{cell.material.take.name}: {remark}"] = None
    for take in page.takes:
        if take.unmatched:
            remarks[f"{take.name}: {take.unmatched}; left as it is"] = None
    raised = max(cells, key=lambda cell: cell.gain_db)
    if raised.gain_db > RAISED_DB:
        remarks[
            f"{raised.material.take.name} ({raised.choice.name}): raised by {raised.gain_db:.0f} dB, its noise with "
            "it; turn down before you listen"
        ] = None
    return list(remarks)


def _write_figures(result: CompareResult) -> None:
    path = result.folder / FIGURES_NAME
    beside = path.with_name(f".{FIGURES_NAME}.part")
    text = json.dumps(result.as_dict(), indent=1, allow_nan=False, ensure_ascii=False)
    beside.write_text(f"{text}\n", encoding="utf-8", newline="\n")
    beside.replace(path)
