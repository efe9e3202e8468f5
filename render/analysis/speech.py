"""Talk before or after the playing: what one source hears far better than the guitar, and what swells as speech does.

Beside the chain, for `ends`. A source in the wood hardly hears a voice, one that hears the air does: talk is what
stands in one source far above what the other hears of it, measured against the playing. Taps on the wood, a foot, a
clap and another instrument in the room do so too: those are struck, speech swells. Where both sources hear the air
alike it cannot be told, and nothing is said.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from render.analysis.bands import Bands
from render.analysis.envelope import Envelope
from render.analysis.noise import Noise, noise_from_bands, playing_windows
from render.audio.array import Reals

TALK_DB = 8.0
"""So much louder than in the playing one source must stand against the other; a guitar's own notes, slaps and
harmonics move that difference by less (2 dB at most in 283 made takes), in the median over the bands."""

SWELL_DB, RISE_DB = 6.0, 10.0
"""Level goes up and down again by the first in each syllable; its rise is timed from the second under its top."""

RISE_SLOTS, FALL_SLOTS = 3, 15
"""A syllable takes so many slots (60 ms) from there to its top, what is struck one or two; and it has fallen again
within so many (0.3 s), where strings ring on."""

FEWEST_SYLLABLES, SYLLABLES_PER_S = 3, (1.5, 10.0)

VOICED = 0.74
"""A fifth of what is spoken is less even than this (`bands`): noise has 0.76 to 0.80, vowels 0.2 to 0.6. Paper and
cloth that rustle have no vowels."""

FEWEST_WINDOWS = 3
"""A third of a second, from which a balance is worth something by itself; a word between others may be shorter."""

UNCLEAR_S = 1.0
"""A sound too short or too soft for its balance to be read may lie between two words; not a longer one."""

SILENCE_S = 0.7
"""So much digital silence, and a noise that is none: the take has no noise of its own."""

_TALK_HZ = (150.0, 4200.0)
_LONGEST_SHARE = 0.5  # of the playing: who talks for longer may be what the take is about
_MOVED_SHARE, _STILL_SURE = 0.5, 0.4  # of the swells; what is left of the sureness without syllables

Spans = Sequence[tuple[float, float]]
"""Stretches of sound in time order, in seconds from when to when."""


@dataclass(frozen=True)
class Talk:
    """Talk at one end of some sounds.

    Attributes
    ----------
    count : int
        How many sounds, counted from that end, are talk.
    source : int
        Which source hears it.
    sureness : float
        0 to 1.
    """

    count: int
    source: int
    sureness: float


class Listener:
    """Tells talk from playing in one take of two sources.

    Parameters
    ----------
    levels : Envelope
    bands : Bands
    """

    def __init__(self, levels: Envelope, bands: Bands) -> None:
        self._levels, self._bands = levels, bands
        self._power = bands.power.astype(np.float64)
        noise_dbfs = np.array([_noise_dbfs(one) for one in noise_from_bands(bands)])
        self._noise = 10.0 ** (noise_dbfs / 10.0)

    def talk_first(self, spans: Spans) -> Talk | None:
        """Talk before the playing; None if there is none that can be told."""
        return self._talk(list(spans), step=1)

    def talk_last(self, spans: Spans) -> Talk | None:
        """Talk after the playing; None if there is none that can be told."""
        return self._talk(list(spans)[::-1], step=-1)

    def difference_db(self, these: Spans, others: Spans, *, fewest: int = FEWEST_WINDOWS) -> float | None:
        """How much louder source 2 is against source 1 in some sounds than in the playing among others.

        Median over third octaves; None where too little stands out of the noise, or in fewer windows than `fewest`.
        """
        count, hop_s = len(self._power), self._bands.hop_s
        here, rest = (
            np.concatenate([self._power[windows_within(one, hop_s, count)] for one in of])
            for of in (these, others)
        )
        if len(here) < fewest or len(rest) < FEWEST_WINDOWS:
            return None
        loud = playing_windows(rest.sum(axis=(1, 2)))
        part, playing = here.mean(axis=0), rest[loud].mean(axis=0)
        centre_hz, noise = self._bands.centre_hz, self._noise
        wanted = (centre_hz >= _TALK_HZ[0]) & (centre_hz <= _TALK_HZ[1])
        told = wanted & np.all(playing > 8.0 * noise, axis=0) & np.any(part > 8.0 * noise, axis=0)
        told &= np.all(playing > 0.0, axis=0)
        if np.count_nonzero(told) < 5:
            return None
        # what is under the noise counts as half of it: a difference is never made greater by that
        floor = np.maximum(0.5 * noise, 1e-20)
        part, playing = np.maximum(part - noise, floor)[:, told], np.maximum(playing - noise, floor)[:, told]
        return float(np.median(10.0 * np.log10(part[1] / part[0] * playing[0] / playing[1])))

    def _talk(self, spans: list[tuple[float, float]], *, step: int) -> Talk | None:
        """Sounds from one end, nearest to it first, for as long as they lean to the same source."""
        length_s = [end - begin for begin, end in spans]
        count, source, unclear = 0, -1, set[int]()
        for index in range(len(spans) - 1):
            if sum(length_s[: index + 1]) > _LONGEST_SHARE * sum(length_s[index + 1 :]):
                break
            found_db = self.difference_db([spans[index]], spans[index + 1 :], fewest=1)
            leans = 1 if found_db is not None and found_db > 0.0 else 0
            if found_db is not None and abs(found_db) >= TALK_DB and source in {-1, leans}:
                count, source = index + 1, leans
            elif found_db is not None or length_s[index] > UNCLEAR_S:
                break
            else:
                unclear.add(index)
        if not count:
            return None
        while count in unclear and _apart_s(spans, count) < _apart_s(spans, count + 1):
            count += 1
        whole_db = self.difference_db(spans[:count], spans[count:])
        if whole_db is None or abs(whole_db) < TALK_DB:
            return None
        share = min(1.0, (abs(whole_db) - 0.5 * TALK_DB) / TALK_DB)
        spoken = self._is_spoken(spans[:count][::step], source)
        return Talk(count, source, round(share * (1.0 if spoken else _STILL_SURE), 2))

    def _is_spoken(self, spans: Spans, source: int) -> bool:
        """Whether sounds swell and fall as syllables do, and some of them have a voice."""
        slot_s, hop_s, windows = self._levels.slot_s, self._bands.hop_s, len(self._power)
        power = np.concatenate(
            [self._levels.power[round(a / slot_s) : round(b / slot_s), source] for a, b in spans]
        ).astype(np.float64)
        if not is_syllables(power, slot_s=slot_s):
            return False
        within = [windows_within(one, hop_s, windows) for one in spans]
        even, total = (
            np.concatenate([of[part, source] for part in within])
            for of in (self._bands.evenness, self._bands.total)
        )
        loud = total > 0.1 * total.max(initial=0.0)
        return bool(loud.any()) and float(np.quantile(even[loud], 0.2)) < VOICED


def _noise_dbfs(noise: Noise) -> Reals:
    """The noise in third octaves; none where only digital silence is quieter than the playing."""
    if noise.silence_s >= SILENCE_S and not noise.known:
        return np.full(len(noise.band_dbfs), -math.inf)
    return noise.band_dbfs


def _apart_s(spans: Spans, index: int) -> float:
    """From one sound to the one before it in the list, whichever is earlier."""
    one, other = spans[index - 1], spans[index]
    return max(other[0] - one[1], one[0] - other[1])


def windows_within(span: tuple[float, float], hop_s: float, count: int) -> slice:
    """Windows (two hops long) that lie within a stretch."""
    return slice(min(count, math.ceil(span[0] / hop_s)), max(0, min(count, math.floor(span[1] / hop_s) - 1)))


def is_syllables(power: Reals, *, slot_s: float) -> bool:
    """Whether a level moves as speech does: two to eight swells a second, most neither struck nor ringing on.

    Parameters
    ----------
    power : float64, shape (slots,)
        Mean square, slot by slot.
    slot_s : float
    """
    if len(power) == 0:
        return False
    level = 10.0 * np.log10(np.maximum(power, 1e-14))
    level = np.maximum(level, level.max() - 35.0)
    swells = _swells(level)
    rate = len(swells) / (len(power) * slot_s)
    if len(swells) < FEWEST_SYLLABLES or not SYLLABLES_PER_S[0] <= rate <= SYLLABLES_PER_S[1]:
        return False
    alike = sum(rise >= RISE_SLOTS and fall <= FALL_SLOTS for rise, fall in swells)
    return alike >= _MOVED_SHARE * len(swells)


def _swells(level_db: Reals) -> list[tuple[int, int]]:
    """How many slots each swell takes to rise, and to fall again."""
    found: list[tuple[int, int]] = []
    low_at = top_at = 0
    rising = True
    for at, value in enumerate(level_db):
        if rising:
            if value > level_db[top_at]:
                top_at = at
            elif value < level_db[top_at] - SWELL_DB:
                before = level_db[low_at:top_at] <= level_db[top_at] - RISE_DB
                from_at = low_at + int(np.flatnonzero(before)[-1]) if before.any() else low_at
                found.append((top_at - from_at, at - top_at))
                rising, low_at = False, at
        elif value < level_db[low_at]:
            low_at = at
        elif value > level_db[low_at] + SWELL_DB:
            rising, top_at = True, at
    return found
