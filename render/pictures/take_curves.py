"""What a take's picture shows, as arrays and numbers: filled from the line check, drawn by `take`.

Knows nothing of the plotting library, so that it can be filled where that is not installed.
Whatever could not be measured is None, an empty tuple or not-a-number; minus infinity is silence.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from render.audio.array import Reals

Severity: TypeAlias = Literal["fault", "warning", "note"]


@dataclass(frozen=True)
class Remark:
    """A finding in plain words."""

    severity: Severity
    words: str


@dataclass(frozen=True)
class Passage:
    """A part of the take that is not playing."""

    kind: Literal["pause", "talk"]
    from_s: float
    to_s: float


@dataclass(frozen=True, eq=False)
class Places:
    """Where in the take something was looked for, and found.

    Attributes
    ----------
    kind : str
        As it stands beside the marks: "clipping", "dropouts", "clicks".
    from_s, to_s : float64, shape (places,)
        Rising; equal where it has no length.
    count : int
        How many there are, if not all of them are listed.
    """

    kind: str
    from_s: Reals
    to_s: Reals
    count: int

    def __post_init__(self) -> None:
        _same_length("from_s", self.from_s, "to_s", self.to_s)
        if self.count < len(self.from_s):
            raise ValueError(f"count = {self.count}: must be at least the {len(self.from_s)} places listed")


@dataclass(frozen=True)
class HumLine:
    """One line of mains hum; its level as that of a sine, None if not known."""

    frequency_hz: float
    level_dbfs: float | None = None


@dataclass(frozen=True)
class Boom:
    """A body resonance that stands out."""

    frequency_hz: float
    prominence_db: float
    bandwidth_hz: float = 0.0


@dataclass(frozen=True, eq=False)
class SourceTake:
    """One source in one take.

    Attributes
    ----------
    name : str
    channel : int
    step_s : float
        From one value of the level curves to the next.
    rms_dbfs, peak_dbfs : float64, shape (steps,)
    highest_dbfs, mean_dbfs, true_peak_dbtp, loudness_lufs, noise_dbfs : float or None
        Of the whole take: largest sample, RMS, true peak, loudness, noise floor.
    spectrum_dbfs, noise_spectrum_dbfs : float64, shape (points,), or None
        Over the take, and in its quietest passages, at the frequencies of `TakeCurves`.
    places : tuple of Places
        Every kind that was looked for, in the order in which they are to be shown.
    hum : tuple of HumLine
    booms : tuple of Boom
    """

    name: str
    channel: int
    step_s: float
    rms_dbfs: Reals
    peak_dbfs: Reals
    highest_dbfs: float | None = None
    mean_dbfs: float | None = None
    true_peak_dbtp: float | None = None
    loudness_lufs: float | None = None
    noise_dbfs: float | None = None
    spectrum_dbfs: Reals | None = None
    noise_spectrum_dbfs: Reals | None = None
    places: tuple[Places, ...] = ()
    hum: tuple[HumLine, ...] = ()
    booms: tuple[Boom, ...] = ()

    def __post_init__(self) -> None:
        _same_length("rms_dbfs", self.rms_dbfs, "peak_dbfs", self.peak_dbfs)
        if not self.step_s > 0.0:
            raise ValueError(f"step_s = {self.step_s}: must be greater than 0")


@dataclass(frozen=True, eq=False)
class Drift:
    """The delay in the course of the take.

    Attributes
    ----------
    at_s, delay_ms : float64, shape (points,)
        Not-a-number where it is not known.
    parts_per_million : float or None
        How fast the second source falls behind; None if it does not.
    jump_ms, jump_at_s : float or None
        By how much it comes later from one moment on.
    """

    at_s: Reals
    delay_ms: Reals
    parts_per_million: float | None = None
    jump_ms: float | None = None
    jump_at_s: float | None = None

    def __post_init__(self) -> None:
        _same_length("at_s", self.at_s, "delay_ms", self.delay_ms)


@dataclass(frozen=True, eq=False)
class Likeness:
    """What the two sources have to do with each other.

    Attributes
    ----------
    frequency_hz : float64, shape (bands,)
        Rising, greater than 0.
    coherence : float64, shape (bands,)
        0 to 1.
    relative_delay_ms : float64, shape (bands,)
        How much later the second source is; not-a-number where the coherence is not enough to tell.
    enough : float or None
        The coherence from which the delay is told.
    delay_ms, uncertainty_ms : float or None
        Of the whole take; None if there is no reliable answer.
    polarity : 1, -1 or None
    drift : Drift or None
        Given if the delay is to be shown over time.
    """

    frequency_hz: Reals
    coherence: Reals
    relative_delay_ms: Reals
    enough: float | None = None
    delay_ms: float | None = None
    uncertainty_ms: float | None = None
    polarity: Literal[1, -1] | None = None
    drift: Drift | None = None

    def __post_init__(self) -> None:
        _same_length("frequency_hz", self.frequency_hz, "coherence", self.coherence)
        _same_length("frequency_hz", self.frequency_hz, "relative_delay_ms", self.relative_delay_ms)


@dataclass(frozen=True, eq=False)
class TakeCurves:
    """A take as its picture shows it.

    Attributes
    ----------
    name : str
    duration_s, sample_rate_hz : float
    sources : two SourceTake
        In the order of the channels, or of the recipe; delays are of the second against the first.
    frequency_hz : float64, shape (points,)
        Of the spectra: rising, greater than 0; empty if there are none.
    bands_per_octave : float
        Over how broad a band the spectra are summed.
    sound_from_s, sound_to_s : float or None
        Where sound begins and ends; None in silence.
    passages : tuple of Passage
    remarks : tuple of Remark
        Gravest first.
    likeness : Likeness or None
        None where nothing can be compared.
    """

    name: str
    duration_s: float
    sample_rate_hz: float
    sources: tuple[SourceTake, SourceTake]
    frequency_hz: Reals
    bands_per_octave: float = 6.0
    sound_from_s: float | None = None
    sound_to_s: float | None = None
    passages: tuple[Passage, ...] = ()
    remarks: tuple[Remark, ...] = ()
    likeness: Likeness | None = None

    def __post_init__(self) -> None:
        for source in self.sources:
            for name, curve in (
                ("spectrum_dbfs", source.spectrum_dbfs),
                ("noise_spectrum_dbfs", source.noise_spectrum_dbfs),
            ):
                if curve is not None:
                    _same_length("frequency_hz", self.frequency_hz, name, curve)


def _same_length(first_name: str, first: Reals, second_name: str, second: Reals) -> None:
    if np.shape(first) != np.shape(second) or np.ndim(first) != 1:
        raise ValueError(
            f"{second_name} has the shape {np.shape(second)}: must be that of {first_name}, {np.shape(first)}, one axis"
        )
