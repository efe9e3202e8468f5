"""Which passages of a take are compared, chosen from the capture alone: so they are the same for every recipe."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from render.analysis.bands import BandGauge, Bands
from render.analysis.excerpts import choose_windows
from render.analysis.frames import SpectralFrames, window_frames
from render.audio.array import AnySamples, Reals
from render.audio.read import TakeInfo, TakeReader
from render.engine.listen import each_block
from render.engine.mix import Passage
from render.finish.k_weighting import k_weighting_response
from render.page.content import LOUDEST, TYPICAL, WHOLE
from render.session.takes import Take
from render.units import frames_from_s


@dataclass(frozen=True)
class Part:
    """A passage of a take, in frames of the capture, and what it is called."""

    name: str
    first_frame: int
    frames: int
    sample_rate_hz: int

    @property
    def from_s(self) -> float:
        """Where it begins."""
        return self.first_frame / self.sample_rate_hz

    @property
    def to_s(self) -> float:
        """Where it ends."""
        return (self.first_frame + self.frames) / self.sample_rate_hz

    @property
    def passage(self) -> Passage:
        """As the engine takes it."""
        return Passage(self.from_s, self.to_s)


@dataclass(frozen=True)
class Listened:
    """What was found out by listening to a take once.

    Attributes
    ----------
    parts : tuple of Part
        "typical" and "loudest", the second only where the first has not the loudest playing in it; or "whole", of a
        take that is no longer than an excerpt too. None for a take without a frame.
    source_sums : three floats
        Sums over the take of first x first, second x second, first x second.
    frames : int
        Of the take.
    """

    parts: tuple[Part, ...]
    source_sums: tuple[float, float, float]
    frames: int

    @property
    def mean_square(self) -> float:
        """Of both sources, added; 0 without a frame."""
        return (self.source_sums[0] + self.source_sums[1]) / max(self.frames, 1)


def part_titles(parts: Sequence[Part]) -> dict[str, str]:
    """What the passages of a take are called for people: a single one has the loudest playing in it."""
    if len(parts) > 1:
        return {part.name: part.name for part in parts}
    return {
        part.name: {TYPICAL: "typical, with the loudest", WHOLE: "whole take"}[part.name] for part in parts
    }


def choose_parts(
    take: Take,
    info: TakeInfo,
    *,
    channels: tuple[int, int],
    excerpt_s: float | None,
    on_frames: Callable[[int], None],
) -> Listened:
    """The passages to compare of a take, and how much sound its sources have.

    Parameters
    ----------
    take, info : Take, TakeInfo
    channels : two numbers from 1
    excerpt_s : float or None
        Length of an excerpt; None for the whole take.
    on_frames : callable
        Told of every block that is done: the place to stop from.

    Returns
    -------
    Listened

    Raises
    ------
    TakeError
        If a file cannot be read.
    """
    rate_hz = info.sample_rate_hz
    with TakeReader(take.files, channels=channels) as reader:
        frames = reader.frames_total
        length = frames if excerpt_s is None else frames_from_s(excerpt_s, sample_rate_hz=rate_hz)
        all_of_it = frames <= length
        windows = SpectralFrames(sample_rate_hz=rate_hz)
        gauge = BandGauge(sample_rate_hz=rate_hz)
        sums = np.zeros(3)
        for block in each_block(reader, on_frames=on_frames):
            sums += _products(block)
            spectra = None if all_of_it else windows.add(block)
            if spectra is not None:
                gauge.add(spectra)
        spectra = None if all_of_it else windows.finish()
        if spectra is not None:
            gauge.add(spectra)
    if all_of_it:
        parts = [Part(WHOLE, 0, frames, rate_hz)] if frames else []
    else:
        parts = parts_from_bands(gauge.result(), frames=frames, length=length, sample_rate_hz=rate_hz)
    first, second, both = sums.tolist()
    return Listened(tuple(parts), (first, second, both), frames)


def _products(block: AnySamples) -> Reals:
    """Sums of first x first, second x second, first x second."""
    first, second = np.asarray(block, np.float64).T
    return np.array([first @ first, second @ second, first @ second])


def parts_from_bands(bands: Bands, *, frames: int, length: int, sample_rate_hz: int) -> list[Part]:
    """Choose passages of `length` frames, out of a take that is longer, from its third octaves over time."""
    power: Reals = np.asarray(bands.power, np.float64).sum(axis=1)
    weights = np.abs(k_weighting_response(bands.centre_hz, sample_rate_hz=sample_rate_hz)) ** 2
    chosen = choose_windows(power, power @ weights, hop_s=bands.hop_s, excerpt_s=length / sample_rate_hz)
    hop = window_frames(sample_rate_hz) // 2

    def part(name: str, window: int) -> Part:
        return Part(name, min(window * hop, frames - length), length, sample_rate_hz)

    parts = [part(TYPICAL, chosen.typical)]
    if chosen.loudest is not None:
        parts.append(part(LOUDEST, chosen.loudest))
    return parts
