"""The main job for notebooks and scripts: an array in and out, or a folder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from os import PathLike
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from render.analysis.delay import measure_alignment
from render.audio.array import Samples, as_samples
from render.engine.capture import StoredReader, faded_end
from render.engine.compile import check_impulse_responses
from render.engine.convolve import convolve_pairs
from render.engine.job import Options
from render.engine.meet import meet
from render.engine.mix import Mixed, Passage, end_fade_ms_of, make_ready, plan_mix, stretch_of, tail_frames_of
from render.engine.ready import moved
from render.errors import RecipeError
from render.finish.level import FinishPlan, apply_finish_block
from render.recipe.check import check_at_rate
from render.recipe.models import Recipe
from render.units import frames_from_ms
from render.workflows.render import RenderRequest, RenderResult, default_jobs, render_session


@dataclass(frozen=True)
class RenderedArray:
    """A finished mix in memory, before dither, and the figures of it."""

    audio: Samples
    figures: FinishPlan


def render_array(
    capture: ArrayLike, recipe: Recipe, *, sample_rate_hz: int, double_precision: bool = True
) -> RenderedArray:
    """Render a capture that is in memory, with all of the recipe but its file format, sample rate and head trim.

    Parameters
    ----------
    capture : array_like, shape (frames, channels)
        At least as many channels as the recipe names; full scale is 1.0. Not changed.
    recipe : Recipe
    sample_rate_hz : int
        Of the capture and of the result.
    double_precision : bool
        Error of the convolution about -300 dB of the signal instead of -131 dB.

    Returns
    -------
    RenderedArray
        ``audio`` is float64, shape (frames + tail, 2).

    Raises
    ------
    RecipeError
        If the recipe does not fit the sample rate.
    ValueError
        If the capture has too few channels, no frames, or values that are not finite.
    """
    samples = as_samples(capture, name="capture")
    channels = [source.channel for source in recipe.sources.values()]
    if samples.shape[1] < max(channels):
        raise ValueError(f"capture must have channel {max(channels)}; it has {samples.shape[1]}")
    if not len(samples):
        raise ValueError("capture must hold at least one frame")
    problems = check_at_rate(recipe, sample_rate_hz, take="the array") + check_impulse_responses(recipe)
    if problems:
        raise RecipeError(problems)

    ready = make_ready(recipe, sample_rate_hz=sample_rate_hz, double_precision=double_precision)
    dtype = ready.convolution.dtype
    sources = np.asfortranarray(samples[:, [channel - 1 for channel in channels]].astype(dtype))
    if recipe.auto_source is not None:
        (move,) = meet(recipe, [measure_alignment(sources, sample_rate_hz=sample_rate_hz)])
        ready = moved(ready, move, double_precision=double_precision)
    reader = faded_end(
        StoredReader(sources),
        frames=len(sources),
        fade_frames=frames_from_ms(end_fade_ms_of(ready), sample_rate_hz=sample_rate_hz),
        sample_rate_hz=sample_rate_hz,
        dtype=dtype,
    )
    store = np.empty((2, len(samples) + tail_frames_of(ready)), dtype).T
    measured = convolve_pairs(reader, ready.convolution, first_frame=0, stop_frame=len(store), store=store)
    stretch = stretch_of(store, recipe.finish, first_frame=0, sample_rate_hz=sample_rate_hz)
    mixed = Mixed(store, stretch, 0, measured, sample_rate_hz, [])
    figures = plan_mix(mixed, recipe.finish, gain_db=None)
    return RenderedArray(apply_finish_block(store, figures, 0, len(store)), figures)


def render_folder(
    session: str | PathLike[str],
    recipes: str | PathLike[str] | Sequence[str | PathLike[str]] = (),
    *,
    output: str | PathLike[str] | None = None,
    deep: bool = False,
    jobs: int | None = None,
    redo: bool = False,
    from_s: float | None = None,
    to_s: float | None = None,
) -> RenderResult:
    """Render a session as `drytake render` does.

    Parameters
    ----------
    session : path
        A folder of takes, or one file.
    recipes : path or sequence of paths
        Without any: the built-in recipe.
    output : path, optional
        Without it: a folder `mixes` beside the session.
    deep : bool
        Subfolders too.
    jobs : int, optional
        Takes at the same time; without it as many as there are cores.
    redo : bool
        Render again what is there already.
    from_s, to_s : float, optional
        That passage only.

    Returns
    -------
    RenderResult
        With a line a render, as in `log.jsonl`.

    Raises
    ------
    DrytakeError
        See `workflows.render.render_session`.
    """
    paths = [recipes] if isinstance(recipes, str | PathLike) else list(recipes)
    options = Options(jobs=jobs or default_jobs(), redo=redo, passage=Passage(from_s, to_s))
    request = RenderRequest(
        session=Path(session),
        recipes=[Path(path) for path in paths],
        output=None if output is None else Path(output),
        deep=deep,
        options=options,
    )
    return render_session(request, watch=lambda _event: None)
