"""Where sound begins and ends, where it pauses, and what lies before the first pause and after the last: talk, tuning.

Beside the chain, before anything is mixed; read from levels over time (`envelope`) and third octaves (`bands`).
A source in the wood hardly hears a voice, one that hears the air does: talk is what stands in one source far above
what the other hears of it, measured against the playing. Where both sources hear the air alike it cannot be told, and
nothing is said.
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
from render.analysis.noise import noise_from_bands, playing_windows, quietest_passage
from render.audio.array import AnySamples, Reals

PAUSE_S = 2.0
"""Shorter rests belong to the music."""

KNOCK_S, ALONE_S = 0.3, 0.9
"""A sound shorter than the first, farther than the second from any other, is a knock (a stand, the recorder's button):
any note rings longer, and a player who knocks on the wood goes on."""

JOIN_S = 0.6
"""Sounds closer together are one."""

TALK_DB = 8.0
"""So much louder than in the playing one source must stand against the other; a guitar's own notes, slaps and
harmonics move that difference by less, in the median over the bands."""

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

_TALK_HZ = (150.0, 4200.0)
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
    groups: list[_Spans] = [[spans[0]]]
    for span in spans[1:]:
        if span[0] - groups[-1][-1][1] >= PAUSE_S:
            groups.append([span])
        else:
            groups[-1].append(span)
    extents = [(group[0][0], group[-1][1]) for group in groups]
    first, last, parts = 0, len(extents) - 1, []
    while first < last:
        part = _part(extents[first], extents[first + 1 : last + 1], levels, bands, tones)
        if part is None:
            break
        parts.append(part)
        first += 1
    while last > first:
        part = _part(extents[last], extents[first:last], levels, bands, tones)
        if part is None:
            break
        parts.append(part)
        last -= 1
    return Ends(
        sound_from_s=extents[0][0],
        sound_to_s=extents[-1][1],
        playing_from_s=extents[first][0],
        playing_to_s=extents[last][1],
        pauses=tuple((one[1], next_one[0]) for one, next_one in itertools.pairwise(extents)),
        parts=tuple(sorted(parts, key=lambda part: part.from_s)),
    )


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


def _part(
    span: tuple[float, float], others: _Spans, levels: Envelope, bands: Bands, tones: Tones | None
) -> Part | None:
    """What a group of sounds at an end is; None where it is playing, or cannot be told."""
    rest_s = sum(end - begin for begin, end in others)
    if levels.power.shape[1] != 2 or span[1] - span[0] > 0.5 * rest_s:
        return None
    difference_db = _difference_db(span, others, bands)
    if difference_db is None:
        return None
    if abs(difference_db) >= TALK_DB:
        source = 1 if difference_db > 0.0 else 0
        share = min(1.0, (abs(difference_db) - 0.5 * TALK_DB) / TALK_DB)
        sureness = share * _syllables(span, levels, source)
        if sureness >= SURE:
            return Part("talk", span[0], span[1], round(sureness, 2), source)
    elif tones is not None:
        glides = _glides(span, others, tones)
        if glides:
            return Part("tuning", span[0], span[1], 0.6 if glides == 1 else 0.8, None)
    return None


def _windows(span: tuple[float, float], hop_s: float, count: int) -> slice:
    """Windows (two hops long) that lie within a stretch."""
    return slice(min(count, math.ceil(span[0] / hop_s)), max(0, min(count, math.floor(span[1] / hop_s) - 1)))


def _difference_db(span: tuple[float, float], others: _Spans, bands: Bands) -> float | None:
    """How much louder source 2 is against source 1 than in the playing: median over third octaves."""
    count = len(bands.power)
    power = bands.power.astype(np.float64)
    here = power[_windows(span, bands.hop_s, count)]
    rest = np.concatenate([power[_windows(one, bands.hop_s, count)] for one in others])
    if len(here) < 3 or len(rest) < 3:
        return None
    noise = 10.0 ** (np.array([one.band_dbfs for one in noise_from_bands(bands)]) / 10.0)
    loud = playing_windows(rest.sum(axis=(1, 2)))
    part, playing = here.mean(axis=0), rest[loud].mean(axis=0)
    wanted = (bands.centre_hz >= _TALK_HZ[0]) & (bands.centre_hz <= _TALK_HZ[1])
    told = wanted & np.all(playing > 8.0 * noise, axis=0) & np.any(part > 8.0 * noise, axis=0)
    told &= np.all(playing > 0.0, axis=0)
    if np.count_nonzero(told) < 5:
        return None
    # what is under the noise counts as half of it: a difference is never made greater by that
    floor = np.maximum(0.5 * noise, 1e-20)
    part, playing = np.maximum(part - noise, floor)[:, told], np.maximum(playing - noise, floor)[:, told]
    return float(np.median(10.0 * np.log10(part[1] / part[0] * playing[0] / playing[1])))


def _syllables(span: tuple[float, float], levels: Envelope, source: int) -> float:
    """How much like speech the level moves: 1 for two to eight swells a second with gaps between, 0.4 for none."""
    part = levels.power[round(span[0] / levels.slot_s) : round(span[1] / levels.slot_s), source].astype(
        np.float64
    )
    if len(part) * levels.slot_s < 0.6:
        return 0.4
    level = 10.0 * np.log10(np.maximum(_smooth(part, 3), 1e-14))
    level = np.maximum(level, level.max() - 35.0)
    swells, top, bottom, rising = 0, level[0], level[0], True
    for value in level:
        if rising:
            top = max(top, value)
            if value < top - 4.0:
                swells, rising, bottom = swells + 1, False, value
        else:
            bottom = min(bottom, value)
            if value > bottom + 4.0:
                rising, top = True, value
    rate = swells / (len(part) * levels.slot_s)
    return 1.0 if swells >= 3 and 1.5 <= rate <= 10.0 else 0.4


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
    window = _windows(span, tones.hop_s, len(tones.power))
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
