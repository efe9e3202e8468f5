"""Where sound begins and ends, where it pauses, and what lies before the first pause and after the last: talk, tuning.

Beside the chain, before anything is mixed; read from levels over time (`envelope`) and third octaves (`bands`). Talk is
told by `speech`, in any sounds apart from the playing; tuning here, before the first pause and after the last.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from render.analysis.bands import BandGauge, Bands
from render.analysis.envelope import Envelope, EnvelopeGauge, ToneGauge, Tones
from render.analysis.frames import each_spectra
from render.analysis.noise import playing_windows, quietest_passage
from render.analysis.speech import TALK_DB, Listener, windows_within
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

OFF_CENTS, STEADY_CENTS = 10.0, 5.0
"""A note so far from the semitones of the playing is out of tune; one that moves by less a window keeps its pitch."""

FEWEST_STEADY, CLEAR_GRID = 20, 0.5
"""Windows, and length of their mean phasor on a circle of a semitone, from which the playing keeps to a tuning."""

FEWEST_OF_NOTE = 4
"""Windows, half a second, from which a note has a pitch."""

SAME_STRING_CENTS = 90.0
"""Two notes so near are one string, before and after its peg was turned: less than a semitone apart."""

LOOSENED_CENTS, LOOSENED_S = 120.0, 0.7
"""A string that is let down by more than a semitone, and slowly, is given another tuning."""

_ON_DB, _OFF_DB = 10.0, 5.0  # over the noise
_SOFTEST_DB, _GONE_DB = 45.0, 55.0  # under the playing
_MARGIN_DB = 20.0  # what is above this under the playing is playing, whatever the noise seems to be
_STEADY_DB, _FAINT_POWER = 4.0, 1e-5  # noise alone: changes by no more, and is fainter than -50 dBFS


@dataclass(frozen=True)
class Part:
    """What lies at an end, before the first pause or after the last: which kind, from when to when, how sure.

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
    span = these[0][0], these[-1][1]
    if tones is None or not others or span[1] - span[0] > 0.5 * sum(end - begin for begin, end in others):
        return None
    difference_db = listener.difference_db(these, others)
    if difference_db is None or abs(difference_db) >= TALK_DB:
        return None
    glides = _glides(span, others, tones)
    return Part("tuning", *span, 0.6 if glides == 1 else 0.8, None) if glides else None


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


def _glides(span: tuple[float, float], others: _Spans, tones: Tones) -> int:
    """How often a ringing note is bent as a tuning peg bends it: 25 to 300 cents, one way, over at least 0.4 s.

    And from a pitch that is held for a moment, and that the playing does not have, to one that it has; or far down. A
    finger bends from a pitch of the playing, and lets down quickly.
    """
    found = 0
    for channel in range(tones.power.shape[1]):
        in_tune = _in_tune_cents(others, tones, channel)
        if in_tune is None:
            continue
        ringing = _ringing(span, tones, channel)
        count = _struck_again(ringing, in_tune)
        for cents in ringing:
            moves = np.diff(cents)
            whole, net = float(np.abs(moves).sum()), float(moves.sum())
            lasting_s = int(np.count_nonzero(np.abs(moves) > 2.0)) * tones.hop_s
            if not (25.0 <= abs(net) <= 300.0 and abs(net) >= 0.8 * whole and lasting_s >= 0.4):
                continue
            off, left = (abs(float(_off_cents(cents[at] - in_tune))) for at in (0, -1))
            loosened = net <= -LOOSENED_CENTS and lasting_s >= LOOSENED_S
            held = abs(float(moves[0])) < STEADY_CENTS
            count += int(loosened or (held and off >= OFF_CENTS and left < 0.7 * off))
        found = max(found, count)
    return found


def _struck_again(ringing: Sequence[Reals], in_tune_cents: float) -> int:
    """How often a note out of tune is struck again nearer to a semitone of the playing: a peg turned in between."""
    steady = [
        float(np.median(cents))
        for cents in ringing
        if len(cents) >= FEWEST_OF_NOTE and np.ptp(np.sort(cents)[1:-1]) < 2.0 * STEADY_CENTS
    ]
    count, pairs = 0, list(itertools.pairwise(steady))
    if 2 * sum(abs(after - before) < SAME_STRING_CENTS for before, after in pairs) < len(pairs):
        return 0  # a tune, which goes from note to note
    for before, after in pairs:
        off, left = (abs(float(_off_cents(np.array(cents - in_tune_cents)))) for cents in (before, after))
        count += int(
            STEADY_CENTS < abs(after - before) < SAME_STRING_CENTS and off >= OFF_CENTS and left < 0.7 * off
        )
    return count


def _ringing(span: tuple[float, float], tones: Tones, channel: int) -> list[Reals]:
    """Pitches in cents, window by window, of each note that rings within a stretch, without its first windows."""
    window = windows_within(span, tones.hop_s, len(tones.power))
    power = tones.power[window, channel].astype(np.float64)
    if len(power) < 6 or not power.any():
        return []
    cents = _cents(tones.frequency_hz[window, channel])
    rise = power[1:] / np.maximum(power[:-1], 1e-30)
    joined = (np.abs(np.diff(cents)) < 60.0) & (rise < 2.0) & (power[1:] > 1e-3 * power.max())
    edges = np.flatnonzero(np.diff(np.concatenate([[False], joined, [False]]).astype(np.int8)))
    # the first windows after a pluck may hold two notes
    return [cents[begin + 1 : end + 1] for begin, end in edges.reshape(-1, 2) if end > begin]


def _in_tune_cents(spans: _Spans, tones: Tones, channel: int) -> float | None:
    """Where the semitones of the playing lie, in cents from those of 440 Hz; None if it keeps to none."""
    turns: list[Reals] = []
    for span in spans:
        for cents in _ringing(span, tones, channel):
            steady = np.abs(np.diff(cents)) < STEADY_CENTS
            turns.append(2.0 * np.pi * cents[1:][steady] / 100.0)
    if sum(map(len, turns)) < FEWEST_STEADY:
        return None
    mean = complex(np.exp(1j * np.concatenate(turns)).mean())
    return 100.0 * math.atan2(mean.imag, mean.real) / (2.0 * math.pi) if abs(mean) >= CLEAR_GRID else None


def _off_cents(cents: Reals) -> Reals:
    """Distance to the nearest semitone, from -50 to 50."""
    return np.asarray((cents + 50.0) % 100.0 - 50.0, np.float64)


def _cents(frequency_hz: NDArray[np.float32]) -> Reals:
    return np.asarray(1200.0 * np.log2(np.maximum(frequency_hz.astype(np.float64), 1.0) / 440.0), np.float64)


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
