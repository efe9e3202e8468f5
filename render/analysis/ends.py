"""Where sound begins and ends, where it pauses, and what lies before and after the playing: talk, tuning.

Beside the chain, before anything is mixed; read from levels over time (`envelope`) and third octaves (`bands`). Talk is
told by `speech`, in any sounds apart from the playing; tuning by `tuning`, before the first pause and after the last.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from render.analysis.bands import BandGauge, Bands
from render.analysis.envelope import Envelope, EnvelopeGauge, ToneGauge, Tones
from render.analysis.frames import each_spectra
from render.analysis.noise import playing_windows, quietest_passage
from render.analysis.speech import TALK_DB, Listener
from render.analysis.tuning import FEWEST_STEPS, find_glides
from render.audio.array import AnySamples, Reals

PAUSE_S = 2.0
"""Shorter rests belong to the music."""

KNOCK_S, ALONE_S = 0.3, 0.9
"""A sound shorter than the first, farther than the second from any other, is a knock (a stand, the recorder's button):
any note rings longer, and a player who knocks on the wood goes on."""

JOIN_S = 0.6
"""Sounds closer together are one."""

SURE = 0.5
"""Talk and tuning of a lower sureness are not told."""

LONGEST_TUNING = 0.8
"""Six strings take longer than half of a short take; what is longer than this against the rest may be the take."""

_ON_DB, _OFF_DB = 10.0, 5.0  # over the noise
_SOFTEST_DB, _GONE_DB = 45.0, 55.0  # under the playing
_MARGIN_DB = 20.0  # what is above this under the playing is playing, whatever the noise seems to be
_STEADY_DB, _FAINT_POWER = 4.0, 1e-5  # noise alone: changes by no more, and is fainter than -50 dBFS


@dataclass(frozen=True)
class Part:
    """What lies at an end, apart from the playing: which kind, from when to when, how sure.

    `source` is the one that hears it, None for both.
    """

    kind: Literal["talk", "tuning"]
    from_s: float
    to_s: float
    sureness: float
    source: int | None


@dataclass(frozen=True)
class Ends:
    """Sound in a take.

    Attributes
    ----------
    sound_from_s, sound_to_s : float or None
        First and last sound that is longer than a knock; None where there is nothing but noise.
    playing_from_s, playing_to_s : float or None
        The same without talk and tuning.
    pauses : tuple of (float, float)
        From when to when, each longer than `PAUSE_S`.
    parts : tuple of Part
    """

    sound_from_s: float | None
    sound_to_s: float | None
    playing_from_s: float | None
    playing_to_s: float | None
    pauses: tuple[tuple[float, float], ...] = ()
    parts: tuple[Part, ...] = ()


_Spans = list[tuple[float, float]]


def find_ends(levels: Envelope, bands: Bands, tones: Tones | None = None) -> Ends:
    """Ends, pauses, talk and tuning of a take.

    Parameters
    ----------
    levels : Envelope
    bands : Bands
    tones : Tones, optional
        Without it nothing is said of tuning.
    """
    spans = _sounds(levels)
    if not spans:
        return Ends(None, None, None, None)
    two = levels.power.shape[1] == 2 and len(spans) > 1
    listener = Listener(levels, bands) if two else None
    playing, parts = list(spans), []
    while listener is not None:
        found = _first_part(playing, listener, tones)
        if found is None:
            break
        parts.append(found[0])
        playing = playing[found[1] :]
    while listener is not None:
        found = _last_part(playing, listener, tones)
        if found is None:
            break
        parts.append(found[0])
        playing = playing[: -found[1]]
    return Ends(
        sound_from_s=spans[0][0],
        sound_to_s=spans[-1][1],
        playing_from_s=playing[0][0],
        playing_to_s=playing[-1][1],
        pauses=tuple(
            (one[1], next_one[0])
            for one, next_one in itertools.pairwise(spans)
            if next_one[0] - one[1] >= PAUSE_S
        ),
        parts=tuple(sorted(parts, key=lambda part: part.from_s)),
    )


def _first_part(spans: _Spans, listener: Listener, tones: Tones | None) -> tuple[Part, int] | None:
    """Talk or tuning before the playing, and how many sounds it has; None if it is playing, or cannot be told."""
    talk = listener.talk_first(spans)
    if talk is not None and talk.sureness >= SURE:
        part = Part("talk", spans[0][0], spans[talk.count - 1][1], talk.sureness, talk.source)
        return part, talk.count
    count = 1
    while count < len(spans) and spans[count][0] - spans[count - 1][1] < PAUSE_S:
        count += 1
    tuning = _tuning(spans[:count], spans[count:], listener, tones)
    return None if tuning is None else (tuning, count)


def _last_part(spans: _Spans, listener: Listener, tones: Tones | None) -> tuple[Part, int] | None:
    """Talk or tuning after the playing."""
    talk = listener.talk_last(spans)
    if talk is not None and talk.sureness >= SURE:
        part = Part("talk", spans[-talk.count][0], spans[-1][1], talk.sureness, talk.source)
        return part, talk.count
    count = 1
    while count < len(spans) and spans[-count][0] - spans[-count - 1][1] < PAUSE_S:
        count += 1
    tuning = _tuning(spans[-count:], spans[:-count], listener, tones)
    return None if tuning is None else (tuning, count)


def _tuning(these: _Spans, others: _Spans, listener: Listener, tones: Tones | None) -> Part | None:
    """Strings that are brought into tune, of the balance of the playing."""
    span, others_s = (these[0][0], these[-1][1]), sum(end - begin for begin, end in others)
    if tones is None or not others or span[1] - span[0] > LONGEST_TUNING * others_s:
        return None
    difference_db = listener.difference_db(these, others)
    if difference_db is None or abs(difference_db) >= TALK_DB:
        return None
    steps = find_glides(span, others, tones)
    if steps < FEWEST_STEPS:
        return None
    return Part("tuning", *span, 0.6 if steps == FEWEST_STEPS else 0.8, None)


def _sounds(levels: Envelope) -> _Spans:
    """Stretches of sound in any source, in seconds, without single knocks."""
    count = len(levels.power)
    heard = np.zeros(count, dtype=np.bool_)
    for channel in range(levels.power.shape[1]):
        heard |= _heard(levels.power[:, channel].astype(np.float64), levels.slot_s)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], heard, [False]]).astype(np.int8)))
    spans: _Spans = []
    for begin, end in edges.reshape(-1, 2) * levels.slot_s:
        if spans and begin - spans[-1][1] < JOIN_S:
            spans[-1] = spans[-1][0], float(end)
        else:
            spans.append((float(begin), float(end)))
    kept = []
    for index, (begin, end) in enumerate(spans):
        before = begin - spans[index - 1][1] if index else math.inf
        after = spans[index + 1][0] - end if index + 1 < len(spans) else math.inf
        if end - begin >= KNOCK_S or min(before, after) < ALONE_S:
            kept.append((begin, end))
    return kept


def _heard(power: Reals, slot_s: float) -> NDArray[np.bool_]:
    """Slots in which one source sounds: from a rise above the noise to the last slot that is not sunk into it."""
    silent = np.zeros(len(power), dtype=np.bool_)
    passage = max(1, round(0.7 / slot_s))
    first = quietest_passage(power, windows=passage)
    noise = float(power[first : first + passage].mean()) if first is not None else 0.0
    playing = playing_windows(power)
    if not playing.any():
        return silent
    loud = float(power[playing].mean())
    smooth = _smooth(power, max(1, round(0.2 / slot_s)))
    middle = smooth[len(smooth) // 20 : len(smooth) - len(smooth) // 20]
    low, high = np.quantile(middle, (0.05, 0.95)) if len(middle) else (0.0, 0.0)
    if loud < _FAINT_POWER and high <= 10.0 ** (_STEADY_DB / 10.0) * low:
        return silent
    most = loud * 10.0 ** (-_MARGIN_DB / 10.0)
    on = min(max(noise * 10.0 ** (_ON_DB / 10.0), loud * 10.0 ** (-_SOFTEST_DB / 10.0)), most)
    off = min(max(noise * 10.0 ** (_OFF_DB / 10.0), loud * 10.0 ** (-_GONE_DB / 10.0)), 0.3 * most)
    begun = (power > on) & (_smooth(power, 3) > on)
    lasting = (smooth > off) | begun
    # stretches of "lasting" that hold a beginning, from the first of them
    edges = np.flatnonzero(np.diff(np.concatenate([[False], lasting, [False]]).astype(np.int8))).reshape(
        -1, 2
    )
    for begin, end in edges:
        starts = np.flatnonzero(begun[begin:end])
        if len(starts):
            # a mean over 0.2 s stays up for half of that after sound that stops at once
            last = np.flatnonzero(power[begin:end] > off)[-1]
            silent[begin + starts[0] : begin + last + 1] = True
    return silent


def _smooth(power: Reals, slots: int) -> Reals:
    if slots < 2 or len(power) < slots:
        return power
    return np.asarray(np.convolve(power, np.full(slots, 1.0 / slots), mode="same"), dtype=np.float64)


def measure_ends(audio: AnySamples, *, sample_rate_hz: float) -> Ends:
    """Ends, pauses, talk and tuning of a whole take.

    Parameters
    ----------
    audio : float32 or float64, shape (frames, channels)
    sample_rate_hz : float

    Returns
    -------
    Ends
    """
    channels = audio.shape[1]
    levels = EnvelopeGauge(sample_rate_hz=sample_rate_hz, channels=channels)
    bands = BandGauge(sample_rate_hz=sample_rate_hz, channels=channels)
    tones = ToneGauge(sample_rate_hz=sample_rate_hz, channels=channels)
    levels.add(audio)
    for spectra in each_spectra(audio, sample_rate_hz=sample_rate_hz):
        bands.add(spectra)
        tones.add(spectra)
    return find_ends(levels.result(), bands.result(), tones.result())
