"""The noise of each source in its quietest passages, and how far the playing stands above it.

Beside the chain, before anything is mixed; read from third octaves (`bands`). A passage is most of a second: long
enough that no note rests at one level through it, short enough to lie between two phrases. Where there is none, a third
of a second will do, before the first note say, if its spectrum is as even as noise and has no lines of notes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from render.analysis.bands import Bands, a_weighting_db, measure_bands
from render.audio.array import AnySamples, Reals
from render.units import db_from_power

PASSAGE_S = 0.7
"""A breath between two phrases; a plucked string falls by 2 dB or more in it."""

STILL_DB = 2.0
"""From its first to its last third a passage of noise changes by less than this, the bands in the mean too; decaying
notes change by more, their upper bands much more."""

HEARD_STILL_DB = 1.2
"""And A-weighted, without the rumble that sways, by less than this: a last note that dies by 3 dB a second does."""

QUIET_DB = 1.5
"""Windows within this of the quietest passage count as noise with it."""

NOISY_DB = 30.0
"""Less than this between playing and noise (A-weighted) and the noise is heard: a take finished at -16 LUFS and played
at a homely 70 dB SPL has its noise at 40 dB there, ten above a quiet room. Past 45 dB it is under the room's own."""

FLOOR_DB = 3.0
"""And each band is as quiet at any other time, within this, all together: a note that rings on alone may stay at its
level for a passage, but its bands have been quieter, or will be. Of noise the quietest is up to 2 dB less."""

SHORT_S = 0.25
"""Of such a short passage: three windows, 0.34 s in all."""

SHORT_STILL_DB = 4.0
"""In the place of `STILL_DB` there: bands of noise that hold a bin or two sway by so much from window to window."""

LEAST_EVEN = 0.7
"""Each window of it is as even as this (`bands`): noise has 0.76 to 0.80, notes that ring alone 0.1 to 0.5, and with
noise a decibel or two under them 0.6."""

_SILENT = 1e-16
"""-160 dBFS: nothing but rounding, digital silence."""


@dataclass(frozen=True, eq=False)
class Noise:
    """Noise of one channel.

    Attributes
    ----------
    level_dbfs : float
        RMS in the quietest passages, from 20 Hz up; minus infinity: digital silence is all there is but playing, or at
        all.
    settled : bool
        Whether that is noise: a passage that stays at its level. If not, the playing never stops, and the noise lies
        somewhere below.
    playing_dbfs : float
        RMS of the loud windows.
    signal_to_noise_db : float
        Playing against noise, both A-weighted; infinite in digital silence.
    silence_s : float
        How long the take is digitally silent.
    centre_hz : float64, shape (bands,)
    band_dbfs : float64, shape (bands,)
        The noise in third octaves.
    above_floor_db : float
        How far it lies above what is left if every band is taken where it is quietest, A-weighted.
    """

    level_dbfs: float
    settled: bool
    playing_dbfs: float
    signal_to_noise_db: float
    silence_s: float
    centre_hz: Reals
    band_dbfs: Reals
    above_floor_db: float = 0.0

    @property
    def known(self) -> bool:
        """Whether it is noise for sure: it stays, and no band is ever much quieter."""
        return self.settled and self.above_floor_db < FLOOR_DB

    @property
    def noisy(self) -> bool:
        """Whether the noise will be heard: it is noise for sure, and less than `NOISY_DB` below the playing."""
        return self.known and self.signal_to_noise_db < NOISY_DB


def noise_from_bands(bands: Bands) -> tuple[Noise, ...]:
    """Noise of every channel of a take."""
    # the last window may be filled up with silence
    count = len(bands.total) - 1 if len(bands.total) > 3 else len(bands.total)
    return tuple(
        _noise(
            bands.total[:count, channel].astype(np.float64),
            bands.power[:count, channel].astype(np.float64),
            bands.evenness[:count, channel].astype(np.float64),
            bands,
        )
        for channel in range(bands.total.shape[1])
    )


def quietest_passage(total: Reals, *, windows: int) -> int | None:
    """Where the quietest passage begins that is not digitally silent anywhere; None if there is none."""
    if len(total) < windows or windows < 1:
        return None
    sums = np.concatenate([[0.0], np.cumsum(total)])
    mean = sums[windows:] - sums[:-windows]
    silent = np.concatenate([[0], np.cumsum(total <= _SILENT)])
    mean[silent[windows:] > silent[:-windows]] = math.inf
    at = int(np.argmin(mean))
    return at if math.isfinite(mean[at]) else None


def playing_windows(total: Reals) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Windows that hold the playing: not more than 10 dB below the mean of all that is not silent."""
    sounding = total > _SILENT
    mean = float(total[sounding].mean()) if sounding.any() else math.inf
    return np.asarray(total > 0.1 * mean)


def _noise(total: Reals, power: Reals, even: Reals, bands: Bands) -> Noise:
    """By a passage of most of a second; if that is no noise, by a short one that is."""
    windows = min(max(1, round(PASSAGE_S / bands.hop_s)), max(1, len(total)))
    noise = _noise_of_passage(total, power, bands, windows=windows)
    short = max(3, round(SHORT_S / bands.hop_s))
    if windows * bands.hop_s < 0.9 * PASSAGE_S:
        noise = replace(noise, settled=noise.level_dbfs == -math.inf)
    if noise.known or short >= len(total):
        return noise
    first = quietest_passage(total, windows=short)
    if first is None or even[first : first + short].min() < LEAST_EVEN:
        return noise
    brief = _noise_of_passage(total, power, bands, windows=short, still_db=SHORT_STILL_DB)
    return brief if brief.known else noise


def _noise_of_passage(
    total: Reals, power: Reals, bands: Bands, *, windows: int, still_db: float = STILL_DB
) -> Noise:
    weight = 10.0 ** (a_weighting_db(bands.centre_hz) / 10.0)
    playing = playing_windows(total)
    loud = float(total[playing].mean()) if playing.any() else 0.0
    first = quietest_passage(total, windows=windows)
    quiet = np.zeros(len(total), dtype=np.bool_)
    settled = False
    if first is not None:
        passage = slice(first, first + windows)
        smooth = np.convolve(total, np.ones(3) / 3.0, mode="same") if len(total) >= 3 else total
        quiet = (smooth <= 10.0 ** (QUIET_DB / 10.0) * total[passage].mean()) & (total > _SILENT)
        quiet[passage] = True
        settled = windows * bands.hop_s >= 0.9 * SHORT_S and _is_still(
            total[passage], power[passage], weight, still_db=still_db
        )
    level = float(total[quiet].mean()) if quiet.any() else 0.0
    band = power[quiet].mean(axis=0) if quiet.any() else np.zeros(power.shape[1])
    weighted = float(band @ weight)
    signal = float(power[playing].mean(axis=0) @ weight) if playing.any() else 0.0
    with np.errstate(divide="ignore"):
        band_dbfs = 10.0 * np.log10(band)
    return Noise(
        level_dbfs=db_from_power(level),
        settled=settled or level == 0.0,
        playing_dbfs=db_from_power(loud),
        signal_to_noise_db=db_from_power(signal / weighted) if weighted > 0.0 else math.inf,
        silence_s=float(np.count_nonzero(total <= _SILENT) * bands.hop_s),
        centre_hz=bands.centre_hz,
        band_dbfs=band_dbfs,
        above_floor_db=_above_floor_db(band, weight, power, total <= _SILENT, windows=windows),
    )


def _above_floor_db(
    band: Reals, weight: Reals, power: Reals, silent: NDArray[np.bool_], *, windows: int
) -> float:
    """Level of some bands against each in its own quietest passage; 0 where digital silence is everywhere."""
    if len(power) < windows or windows < 1:
        return 0.0
    zero = np.zeros((1, power.shape[1]))
    sums = np.concatenate([zero, np.cumsum(power, axis=0)])
    passages = (sums[windows:] - sums[:-windows]) / windows
    broken = np.concatenate([[0], np.cumsum(silent)])
    passages = passages[broken[windows:] == broken[:-windows]]
    floor = float(passages.min(axis=0) @ weight) if len(passages) else 0.0
    return db_from_power(float(band @ weight) / floor) if floor > 0.0 and band.any() else 0.0


def _is_still(total: Reals, power: Reals, weight: Reals, *, still_db: float) -> bool:
    """Whether a passage stays at its level, as a whole, as it is heard, and in the mean of its bands."""
    third = max(1, len(total) // 3)
    first, last = float((power[:third] @ weight).sum()), float((power[-third:] @ weight).sum())
    if abs(10.0 * math.log10(max(last, _SILENT) / max(first, _SILENT))) >= HEARD_STILL_DB:
        return False
    heard = power.mean(axis=0) > _SILENT
    before, after = power[:third, heard].mean(axis=0), power[-third:, heard].mean(axis=0)
    floor = _SILENT * 1e-3
    whole_db = 10.0 * math.log10(
        max(float(total[-third:].mean()), floor) / max(float(total[:third].mean()), floor)
    )
    band_db = 10.0 * np.log10(np.maximum(after, floor) / np.maximum(before, floor))
    mean_db = float(np.abs(band_db).mean()) if heard.any() else 0.0
    return abs(whole_db) < still_db and mean_db < still_db


def measure_noise(audio: AnySamples, *, sample_rate_hz: float) -> tuple[Noise, ...]:
    """Noise of every channel of a whole take.

    Parameters
    ----------
    audio : float32 or float64, shape (frames, channels)
    sample_rate_hz : float

    Returns
    -------
    tuple of Noise
        One a channel.
    """
    return noise_from_bands(measure_bands(audio, sample_rate_hz=sample_rate_hz))
