"""Many renders: what is done already is left alone, the rest goes over the cores, every result is logged at once.

look at headers -> hash inputs, compile -> (align) -> (find a session's gain) -> render -> one line in the log each
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from functools import partial
from typing import TypeVar

from render.analysis.delay import Alignment
from render.audio.read import TakeInfo, probe, sha256_of_files
from render.engine.identity import dither_key, file_identity, mix_identity, recipe_sha256, session_identity
from render.engine.job import Event, Job, Options, Watch, Work
from render.engine.ledger import Ledger, Line
from render.engine.line import done_line, failed_line, kept_line
from render.engine.listen import measure_take_alignment
from render.engine.meet import as_the_others, channels_of, meet
from render.engine.mix import Passage, measure_mix, render_mix
from render.engine.ready import ReadyRecipes
from render.engine.session_gain import SessionGains
from render.engine.spares import Spares
from render.engine.store import sweep_spools
from render.engine.workers import Cancelled, Workers
from render.errors import DrytakeError, OutputError, Problem, RecipeError
from render.finish.level import FinishPlan
from render.recipe.check import check_at_rate
from render.session.takes import Take

LONG_TAKE_S = 600.0  # such a take is spread over all cores by itself
T = TypeVar("T")


def run_batch(jobs: Sequence[Job], *, ledger: Ledger, options: Options, watch: Watch) -> list[Line]:
    """Render all jobs.

    Parameters
    ----------
    jobs : sequence of Job
    ledger : Ledger
        Of the folder that outputs are named relative to; it knows of every line afterwards.
    options : Options
    watch : callable
        Told of every step, from any thread but never from two at a time.

    Returns
    -------
    list of dict
        One line a job, in the order of `jobs`; see `engine.line`.

    Raises
    ------
    RecipeError
        If a recipe does not fit the sample rate of a take: nothing was done then.
    OutputError
        If the log cannot be written.
    """
    return _Batch(jobs, ledger=ledger, options=options, watch=watch).run()


class _Batch:
    """The state of one run, shared by its workers."""

    def __init__(self, jobs: Sequence[Job], *, ledger: Ledger, options: Options, watch: Watch) -> None:
        self.works = [Work(job) for job in jobs]
        self.ledger, self.folder, self.options, self._watch = ledger, ledger.folder, options, watch
        self.cancel = threading.Event()
        self._lock = threading.Lock()
        self._busy = _Busy()
        self._spares = Spares()
        self._recipes = ReadyRecipes(
            double_precision=options.double_precision,
            tell=lambda text: self._report(Event("compiling", text=text)),
        )
        self._lines: dict[int, Line] = {}

    def run(self) -> list[Line]:
        """Everything, in order."""
        try:
            self._look_at_headers()
            self._refuse_rates()
            self._make_folder()
            self._hash_and_compile()
            self._meet()
            self._find_session_gains()
            pending = [work for work in self.works if not self._settle(work)]
            self._parallel(self._recipes.make, self._recipes.missing(pending))
            self._report(Event("frames-to-do", sum(self._frames(work) for work in pending)))
            self._each(self._render, pending)
        except BaseException:
            self.cancel.set()
            self._busy.wait_until_idle()
            raise
        finally:
            self._spares.clear()
            sweep_spools(self.folder)
        return [self._lines[id(work)] for work in self.works]

    def _make_folder(self) -> None:
        """The output folder, once nothing stands against the call."""
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            reason = "is a file" if self.folder.is_file() else f"cannot be made: {error.strerror}"
            raise OutputError(f"{self.folder}: {reason}; choose another folder with -o") from error
        sweep_spools(self.folder)

    def _look_at_headers(self) -> None:
        """What the files say of themselves; a file that cannot be opened fails its own renders only."""
        infos: dict[tuple[int, tuple[int, int]], TakeInfo | DrytakeError] = {}
        for work in self.works:
            first, second = work.job.recipe.sources.values()
            key = (id(work.job.take), (first.channel, second.channel))
            if key not in infos:
                try:
                    infos[key] = probe(work.job.take.files, channels=key[1])
                except DrytakeError as error:
                    infos[key] = error
            found = infos[key]
            if isinstance(found, DrytakeError):
                work.failure = found
            else:
                work.info = found

    def _refuse_rates(self) -> None:
        """Faults of a recipe that show only against the sample rate of a take."""
        problems: dict[str, Problem] = {}
        for work in self.works:
            if work.info is not None:
                for problem in check_at_rate(work.job.recipe, work.sample_rate_hz, take=work.job.take.name):
                    problems.setdefault(f"{problem.path}:{problem.key}", problem)
        if problems:
            raise RecipeError(list(problems.values()))

    def _hash_and_compile(self) -> None:
        """Contents of takes, recipes and impulse responses, each read once; what is needed for sure beside it."""
        takes = {id(work.job.take): work.job.take for work in self.works if work.failure is None}
        hashes: dict[int, str | DrytakeError] = {}
        stop = Workers(cancel=self.cancel)

        def hash_take(take: Take) -> None:
            try:
                hashes[id(take)] = sha256_of_files(take.files, on_block=lambda: stop.step(0))
            except DrytakeError as error:
                hashes[id(take)] = error

        recipes = {id(work.job.recipe): work.job.recipe for work in self.works}
        recipe_hashes = {key: recipe_sha256(recipe) for key, recipe in recipes.items()}
        sure = [work for work in self.works if self._is_sure(work)]
        compiling = [partial(self._recipes.make, work) for work in self._recipes.missing(sure)]
        hashing = [partial(hash_take, take) for take in takes.values()]
        self._parallel(lambda task: task(), compiling + hashing)
        for work in self.works:
            work.recipe_sha256 = recipe_hashes[id(work.job.recipe)]
            found = hashes.get(id(work.job.take), "")
            if isinstance(found, DrytakeError):
                work.failure = found
            else:
                work.input_sha256 = found

    def _meet(self) -> None:
        """Where a recipe has "auto": how each take's sources lie to each other, and what a session makes of it."""
        works = [work for work in self.works if work.failure is None and work.job.recipe.auto_source]
        keys = {id(work): (id(work.job.take), channels_of(work.job.recipe)) for work in works}
        first_of = {keys[id(work)]: work for work in reversed(works)}
        found: dict[object, Alignment] = {}
        stop = Workers(cancel=self.cancel)

        def measure(work: Work) -> None:
            try:
                found[keys[id(work)]] = measure_take_alignment(
                    work.job.take,
                    channels=channels_of(work.job.recipe),
                    on_frames=lambda _frames: stop.step(0),
                )
            except DrytakeError as error:
                work.failure = error

        self._parallel(measure, list(first_of.values()))
        sessions: dict[object, list[Work]] = {}
        for work in works:
            sessions.setdefault((id(work.job.recipe), work.job.output.parent), []).append(work)
        for session in sessions.values():
            moves = meet(session[0].job.recipe, [found.get(keys[id(work)]) for work in session])
            for work, moved in zip(session, moves, strict=True):
                others = session_identity(work, Passage(), self.options)
                work.moved = (
                    as_the_others(moved, self.ledger.aligned(others), recipe=work.job.recipe)
                    if work.job.by_itself
                    else moved
                )

    def _find_session_gains(self) -> None:
        """Where a recipe asks for one gain for a whole session."""
        gains = SessionGains(
            self.ledger,
            lambda work: mix_identity(work, self.options),
            lambda work, passage: session_identity(work, passage, self.options),
            self._measure,
        )
        gains.find(self.works, self.options.passage)

    def _measure(self, works: list[Work]) -> dict[int, FinishPlan]:
        """What the finish of each would be by itself; a take that fails is marked so."""
        plans: dict[int, FinishPlan] = {}

        def measure(work: Work) -> None:
            try:
                plans[id(work)] = measure_mix(
                    work.job.take,
                    _known(work.info),
                    self._recipes.of(work),
                    passage=self.options.passage,
                    folder=self.folder,
                    workers=Workers(cancel=self.cancel, spares=self._spares),
                )
            except DrytakeError as error:
                work.failure = error

        self._parallel(self._recipes.make, self._recipes.missing(works))
        self._parallel(measure, works)
        return plans

    def _settle(self, work: Work) -> bool:
        """Whether nothing has to be rendered: the take has failed already, or its mix is there."""
        if work.failure is not None:
            self._finish(work, failed_line(work, work.failure, options=self.options))
            return True
        if self.options.redo:
            return False
        line = self.ledger.kept(file_identity(work, self.options))
        if line is not None and line["output"] == work.job.name:
            self._finish(work, kept_line(work, line))
            return True
        files = [str(path.absolute()) for path in work.job.take.files]
        others = self.ledger.foreign(work.job.name, input_sha256=work.input_sha256, input_files=files)
        if others is None:
            return False
        work.failure = OutputError(
            f"{work.job.name} is there already and was made from {', '.join(others)}: "
            "choose another folder with -o, or take its place with --redo"
        )
        return self._settle(work)

    def _is_sure(self, work: Work) -> bool:
        """Whether a work will be rendered whatever its hash says: its recipe can be compiled meanwhile."""
        return work.failure is None and (self.options.redo or not work.job.output.exists())

    def _each(self, action: Callable[[Work, int], None], works: list[Work]) -> None:
        """Long takes one after the other with all cores inside; the others side by side, longest first."""
        ordered = sorted(works, key=lambda work: -_duration_s(work))
        long = [work for work in ordered if _duration_s(work) > LONG_TAKE_S]
        short = ordered[len(long) :]
        for work in long:
            action(work, self.options.jobs)
        inside = max(1, self.options.jobs // len(short)) if short else 1
        self._parallel(lambda work: action(work, inside), short)

    def _parallel(self, action: Callable[[T], None], items: list[T]) -> None:
        """Run an action over items in threads; the first exception stops the others and comes out here."""
        workers = min(self.options.jobs, len(items))
        if workers <= 1:
            for item in items:
                action(item)
            return
        import joblib

        causes: list[BaseException] = []

        def guarded(item: T) -> None:
            with self._busy:
                if self.cancel.is_set():
                    raise Cancelled
                try:
                    action(item)
                except BaseException as error:
                    causes.append(error)
                    self.cancel.set()
                    raise

        results = joblib.Parallel(n_jobs=workers, backend="threading", return_as="generator_unordered")(
            joblib.delayed(guarded)(item) for item in items
        )
        try:
            for _ in results:
                pass
        except Cancelled as stopped:  # joblib may tell of one that was stopped before the one that stopped it
            raise next(iter(causes), stopped) from None

    def _render(self, work: Work, inside: int) -> None:
        """One render, from capture to line; only faults of this take are caught."""
        began = time.perf_counter()
        if self.cancel.is_set():
            raise Cancelled
        workers = Workers(
            inside, lambda frames: self._report(Event("frames-done", frames)), self.cancel, self._spares
        )
        try:
            work.job.output.parent.mkdir(parents=True, exist_ok=True)
            ready = self._recipes.of(work)
            mix = render_mix(
                work.job.take,
                _known(work.info),
                ready,
                output=work.job.output,
                tags=work.job.tags,
                dither_key=dither_key(work.job),
                passage=self.options.passage,
                gain_db=work.gain_db,
                workers=workers,
            )
        except (DrytakeError, OSError, MemoryError) as error:
            self._finish(work, failed_line(work, error, options=self.options))
            return
        line = done_line(
            work,
            mix,
            ready=ready,
            options=self.options,
            identity=file_identity(work, self.options),
            mix_identity=mix_identity(work, self.options),
            session_identity=session_identity(work, self.options.passage, self.options),
            seconds=time.perf_counter() - began,
        )
        self._finish(work, line)

    def _finish(self, work: Work, line: Line) -> None:
        self.ledger.add(line)
        self._lines[id(work)] = line
        self._report(Event("line", line=line))

    def _report(self, event: Event) -> None:
        with self._lock:
            self._watch(event)

    def _frames(self, work: Work) -> int:
        return round(_duration_s(work) * work.sample_rate_hz)


class _Busy:
    """Counts who is at work, so that a stopped batch ends only when its workers have tidied up."""

    def __init__(self) -> None:
        self._condition = threading.Condition()
        self._count = 0

    def __enter__(self) -> None:
        with self._condition:
            self._count += 1

    def __exit__(self, *_reason: object) -> None:
        with self._condition:
            self._count -= 1
            self._condition.notify_all()

    def wait_until_idle(self) -> None:
        """Wait until the last worker has left; each leaves at its next block."""
        with self._condition:
            self._condition.wait_for(lambda: self._count == 0)


def _known(info: TakeInfo | None) -> TakeInfo:
    """Headers of a take that has not failed."""
    if info is None:
        raise ValueError("info must be known: the headers of this take were not read")
    return info


def _duration_s(work: Work) -> float:
    """Length by the headers; a take whose headers do not tell counts as a short one."""
    return _known(work.info).duration_s or 60.0
