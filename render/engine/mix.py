"""One take with one recipe, from files to finished file. Read from top to bottom it is the block diagram.

files -> (resample) -> convolve -> mix store -> plan the finish -> gain, limiter, fades -> dither -> file
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from render.audio.array import AnySamples
from render.audio.read import TakeInfo
from render.audio.tags import Tags
from render.audio.write import MixWriter
from render.engine.capture import Capture, open_capture
from render.engine.compile import CompiledRecipe, compile_recipe
from render.engine.convolve import ConvolutionPlan, Measured, convolve_pairs, join_measured, plan_convolution
from render.engine.finishing import finished_blocks
from render.engine.played import NOTHING_PLAYED, holds_nothing_played
from render.engine.preview import PREVIEW_FORMATS, UNSHIFTED, Check, Preview, Shift
from render.engine.source_remarks import remark_on_sources, silent_source
from render.engine.store import IN_MEMORY_BYTES, open_store
from render.engine.workers import Workers
from render.errors import TakeError
from render.finish.ends import first_sound_frame
from render.finish.k_weighting import two_practices_lu
from render.finish.level import FinishPlan, plan_finish
from render.recipe.models import Finish, Recipe
from render.session.takes import Take
from render.units import clock, frames_from_ms, frames_from_s

END_SLOTS = 15  # 300 ms
ENDS_LOUD = 10.0**-2.5


@dataclass(frozen=True)
class Passage:
    """A stretch of a take in seconds; None is the take's own beginning or end."""

    from_s: float | None = None
    to_s: float | None = None

    @property
    def whole(self) -> bool:
        """Whether nothing is left out."""
        return self.from_s is None and self.to_s is None


@dataclass(frozen=True)
class ReadyRecipe:
    """A recipe with what was made of it once for a batch: its response at one sample rate, and the plan for it."""

    recipe: Recipe
    compiled: CompiledRecipe
    convolution: ConvolutionPlan


def make_ready(recipe: Recipe, *, sample_rate_hz: int, double_precision: bool = False) -> ReadyRecipe:
    """Compile a recipe for a sample rate and plan its convolution."""
    compiled = compile_recipe(recipe, sample_rate_hz=sample_rate_hz)
    return plan_compiled(recipe, compiled, double_precision=double_precision)


def plan_compiled(recipe: Recipe, compiled: CompiledRecipe, *, double_precision: bool) -> ReadyRecipe:
    """Plan the convolution with what a recipe was compiled to."""
    convolution = plan_convolution(
        compiled.response,
        lead_frames=compiled.lead_frames,
        sample_rate_hz=compiled.sample_rate_hz,
        double_precision=double_precision,
    )
    return ReadyRecipe(recipe, compiled, convolution)


@dataclass(frozen=True)
class Stretch:
    """Which frames of the store become the file, and how long its fades are."""

    first_frame: int
    stop_frame: int
    fade_in_frames: int
    fade_out_frames: int


def stretch_of(store: AnySamples, finish: Finish, *, first_frame: int, sample_rate_hz: int) -> Stretch:
    """From `first_frame` to the end of the store, with the recipe's fades as far as they fit."""
    frames = len(store) - first_frame
    return Stretch(
        first_frame=first_frame,
        stop_frame=len(store),
        fade_in_frames=min(frames_from_ms(finish.fade_in_ms, sample_rate_hz=sample_rate_hz), frames),
        fade_out_frames=min(frames_from_ms(finish.fade_out_ms, sample_rate_hz=sample_rate_hz), frames),
    )


@dataclass(frozen=True)
class Rendered:
    """A finished file's plan and figures, its length, and what was met on the way."""

    plan: FinishPlan
    frames: int
    take_frame: int  # of the take, with which the file begins
    warnings: list[str]
    silent_source: str | None = None  # one that is as good as silent


def render_mix(
    take: Take,
    info: TakeInfo,
    ready: ReadyRecipe,
    *,
    output: Path,
    tags: Tags,
    dither_key: bytes,
    passage: Passage,
    gain_db: float | None,
    workers: Workers,
) -> Rendered:
    """Render one take into one file.

    Parameters
    ----------
    take, info : Take, TakeInfo
        The capture and what its headers say.
    ready : ReadyRecipe
        Compiled at the output's sample rate.
    output : Path
        Appears whole or not at all.
    tags : Tags
    dither_key : bytes
        Decides the dither, together with the frame's number in the take.
    passage : Passage
    gain_db : float or None
        The session's gain; None: this take's own.
    workers : Workers

    Returns
    -------
    Rendered
    """
    finish = ready.recipe.finish

    def write(plan: FinishPlan, keep: Check | None = None) -> None:
        with MixWriter(
            output,
            sample_rate_hz=ready.compiled.sample_rate_hz,
            format=finish.format,
            bit_depth=finish.bit_depth,
            frames=plan.frames,
            tags=tags,
        ) as writer:
            blocks = finished_blocks(
                mixed.store,
                plan,
                finish,
                slots=mixed.measured.slots,
                take_frame=mixed.take_frame,
                dither_key=dither_key,
                workers=workers,
            )
            for block in blocks:
                workers.step(0)
                writer.write(block)
            if keep is not None and not keep(writer.finish()):
                writer.discard()

    with mixed_store(take, info, ready, passage=passage, folder=output.parent, workers=workers) as mixed:
        silent = silent_source(ready.recipe, mixed.measured.source_sums)
        warnings = list(mixed.warnings)
        # a session's gain keeps its distances; where all of it is noise, that gain is none
        if not gain_db and not may_be_raised(take, ready, mixed):
            finish = at_its_own_level(finish)
            warnings.append(NOTHING_PLAYED)
        if finish.format not in PREVIEW_FORMATS:
            plan = plan_mix(mixed, finish, gain_db=gain_db)
            write(plan)
            return Rendered(plan, plan.frames, mixed.take_frame, warnings, silent)
        preview = Preview(
            max_true_peak_dbtp=finish.max_true_peak_dbtp,
            aim_lufs=_aim_lufs(finish, sample_rate_hz=mixed.sample_rate_hz, gain_db=gain_db),
            plan=lambda shift: plan_mix(mixed, finish, gain_db=gain_db, shift=shift),
            write=write,
            on_block=lambda: workers.step(0),
        )
        plan = preview.render()
        return Rendered(plan, plan.frames, mixed.take_frame, [*warnings, *preview.warnings], silent)


def measure_mix(
    take: Take, info: TakeInfo, ready: ReadyRecipe, *, passage: Passage, folder: Path, workers: Workers
) -> FinishPlan:
    """What `render_mix` would do to a take, without writing it: a session's common gain is found this way."""
    with mixed_store(take, info, ready, passage=passage, folder=folder, workers=workers) as mixed:
        finish = ready.recipe.finish
        if not may_be_raised(take, ready, mixed):
            finish = at_its_own_level(finish)
        return plan_mix(mixed, finish, gain_db=None)


def may_be_raised(take: Take, ready: ReadyRecipe, mixed: Mixed) -> bool:
    """Whether a take may be brought to a loudness: not noise alone, which would come up to that of music."""
    finish = ready.recipe.finish
    if finish.loudness_lufs == "keep":
        return True
    first, second = ready.recipe.sources.values()
    return not holds_nothing_played(
        take,
        channels=(first.channel, second.channel),
        source_sums=mixed.measured.source_sums,
        frames=len(mixed.store),
    )


def at_its_own_level(finish: Finish) -> Finish:
    """The same finish without a loudness to reach."""
    return finish.model_copy(update={"loudness_lufs": "keep"})


@dataclass(frozen=True)
class Mixed:
    """The linear mix of a stretch of a take, with what was measured on the way."""

    store: AnySamples
    stretch: Stretch
    take_frame: int  # of the take, with which the file begins
    measured: Measured
    sample_rate_hz: int
    warnings: list[str]


@contextmanager
def mixed_store(
    take: Take, info: TakeInfo, ready: ReadyRecipe, *, passage: Passage, folder: Path, workers: Workers
) -> Iterator[Mixed]:
    """Render the linear mix of a take into a store that lives as long as the block."""
    convolution, sample_rate_hz = ready.convolution, ready.compiled.sample_rate_hz
    finish = ready.recipe.finish
    first, second = ready.recipe.sources.values()
    with open_capture(
        take.files,
        info,
        channels=(first.channel, second.channel),
        dtype=convolution.dtype,
        sample_rate_hz=sample_rate_hz,
        end_fade_ms=end_fade_ms_of(ready),
        folder=folder,
        on_frames=workers.step,
    ) as capture:
        first_frame, stop_frame = _wanted_frames(passage, capture.frames, ready, take)
        grid_frame = first_frame // convolution.pair_frames * convolution.pair_frames
        with open_store(
            stop_frame - grid_frame, dtype=convolution.dtype, folder=folder, spares=workers.spares
        ) as store:
            measured = _convolve(capture, convolution, store, first_frame=grid_frame, workers=workers)
            store.flags.writeable = False
            stretch = _trim(store, ready, passage, first_frame - grid_frame)
            at = grid_frame + stretch.first_frame
            remarks = (
                remark_on_sources(ready.recipe, measured.source_sums),
                _remark_on_end(measured, finish, capture.frames - grid_frame),
            )
            warnings = [*capture.warnings, *filter(None, remarks)]
            yield Mixed(store, stretch, at, measured, sample_rate_hz, warnings)


def plan_mix(mixed: Mixed, finish: Finish, *, gain_db: float | None, shift: Shift = UNSHIFTED) -> FinishPlan:
    """Level, limiter and all figures of the finished file; a preview aims a little beside what is wanted."""
    stretch = mixed.stretch
    aim_lufs = _aim_lufs(finish, sample_rate_hz=mixed.sample_rate_hz, gain_db=gain_db)
    return plan_finish(
        mixed.store,
        sample_rate_hz=mixed.sample_rate_hz,
        slots=mixed.measured.slots,
        block_peaks=mixed.measured.block_peaks,
        first_frame=stretch.first_frame,
        stop_frame=stretch.stop_frame,
        loudness_lufs=None if aim_lufs is None else aim_lufs + shift.loudness_lu,
        gain_db=gain_db,
        max_true_peak_dbtp=finish.max_true_peak_dbtp - shift.ceiling_db,
        limit_at_most_db=finish.limit_at_most_db,
        fade_in_frames=stretch.fade_in_frames,
        fade_out_frames=stretch.fade_out_frames,
    )


def _aim_lufs(finish: Finish, *, sample_rate_hz: int, gain_db: float | None) -> float | None:
    """Loudness to reach, if the gain is free; between the two practices of weighting, so that either meter agrees."""
    if gain_db is not None or finish.loudness_lufs == "keep":
        return None
    return float(finish.loudness_lufs) + 0.5 * two_practices_lu(sample_rate_hz)


def _convolve(
    capture: Capture, plan: ConvolutionPlan, store: AnySamples, *, first_frame: int, workers: Workers
) -> Measured:
    """Fill the store, with several threads where the take can be read at several places at once."""
    stop_frame = first_frame + len(store)
    pairs = -(-len(store) // plan.pair_frames)
    shares = min(workers.inside, pairs)
    edges = [first_frame + plan.pair_frames * (pairs * share // shares) for share in range(shares)] + [
        stop_frame
    ]

    # A long take gains nothing from memory at hand, and the finish shall not have to keep it beside its own.
    memory = workers.spares if store.nbytes <= IN_MEMORY_BYTES else None

    def convolve_share(low: int, high: int) -> Measured:
        with capture.open_reader() as reader:
            part = store[low - first_frame : high - first_frame]
            return convolve_pairs(
                reader,
                plan,
                first_frame=low,
                stop_frame=high,
                store=part,
                on_pair=workers.step,
                spares=memory,
            )

    if shares == 1:
        return convolve_share(first_frame, stop_frame)
    import joblib

    parts = joblib.Parallel(n_jobs=shares, backend="threading")(
        joblib.delayed(convolve_share)(low, high) for low, high in pairwise(edges)
    )
    return join_measured(parts)


def tail_frames_of(ready: ReadyRecipe) -> int:
    """How long a mix goes on after the take has ended."""
    tail_s, compiled = ready.recipe.finish.tail_s, ready.compiled
    if tail_s == "auto":
        return compiled.tail_frames
    return frames_from_s(float(tail_s), sample_rate_hz=compiled.sample_rate_hz)


def end_fade_ms_of(ready: ReadyRecipe) -> float:
    """How long the end of a capture is faded: as the end of the file, if the file goes on after it."""
    return ready.recipe.finish.fade_out_ms if tail_frames_of(ready) else 0.0


def _remark_on_end(measured: Measured, finish: Finish, capture_stop: int) -> str | None:
    """Whether the recorder was stopped too early."""
    power = measured.slots.plain[:, 0] + measured.slots.plain[:, 1]
    last = capture_stop // measured.slots.slot_frames
    if END_SLOTS < last <= len(power) and power[last - END_SLOTS : last].mean() > ENDS_LOUD * power.mean():
        return f"the capture ends while it still sounds: faded out over its last {finish.fade_out_ms:g} ms"
    return None


def _wanted_frames(passage: Passage, capture_frames: int, ready: ReadyRecipe, take: Take) -> tuple[int, int]:
    """First and last frame that the passage and the tail ask for."""
    rate = ready.compiled.sample_rate_hz
    stop = capture_frames + tail_frames_of(ready)
    first = 0 if passage.from_s is None else frames_from_s(passage.from_s, sample_rate_hz=rate)
    if not capture_frames:
        raise TakeError(
            take.files[0], f"too short to hold a frame at {rate} Hz", "record longer, or remove it"
        )
    if first >= capture_frames:
        raise TakeError(
            take.files[0],
            f"the passage begins at {clock(first / rate)}, the take ends at {clock(capture_frames / rate)}",
            "ask for an earlier passage",
        )
    if passage.to_s is not None:
        stop = min(stop, max(first + 1, frames_from_s(passage.to_s, sample_rate_hz=rate)))
    return first, stop


def _trim(store: AnySamples, ready: ReadyRecipe, passage: Passage, first_frame: int) -> Stretch:
    """Take silence off the head of a whole take, and see that the fades fit."""
    finish, rate = ready.recipe.finish, ready.compiled.sample_rate_hz
    if finish.head_s != "keep" and passage.from_s is None:
        sound = first_sound_frame(store, sample_rate_hz=rate)
        if sound is not None:
            first_frame = max(0, sound - frames_from_s(float(finish.head_s), sample_rate_hz=rate))
    return stretch_of(store, finish, first_frame=first_frame, sample_rate_hz=rate)
