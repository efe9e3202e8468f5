"""A recipe's numbers in words, as they stand in a picture: short, in the recipe's own terms, with their units."""

from __future__ import annotations

import math
import re
from typing import assert_never

from render.recipe.models import (
    AllPass,
    Delay,
    Finish,
    Gain,
    HighPass,
    HighShelf,
    ImpulseResponse,
    LowPass,
    LowShelf,
    Notch,
    Peaking,
    Room,
    Source,
    Stage,
)

MINUS = "\N{MINUS SIGN}"
DOT = " \N{MIDDLE DOT} "


def number(value: float) -> str:
    """A number as people write it: no needless zeros, a real minus sign."""
    text = f"{value:.6g}" if abs(value) < 1e6 else f"{value:.0f}"
    return MINUS + text[1:] if text.startswith("-") and float(text) != 0.0 else text.removeprefix("-")


def fixed(value: float, decimals: int, *, signed: bool = False) -> str:
    """A number with all its decimals, as tables have it, and a real minus sign."""
    text = f"{value:{'+' if signed else ''}.{decimals}f}"
    return MINUS + text[1:] if text.startswith("-") and float(text) != 0.0 else text.removeprefix("-")


def real_minus(text: str) -> str:
    """Words of the terminal with real minus signs; hyphens within names stay."""
    return re.sub(r"(?<![\w.\-])-(?=\d)", MINUS, text)


def stage_words(stage: Stage) -> str:
    """One stage of a chain: its name in the recipe and its numbers."""
    match stage:
        case Gain():
            numbers = f"{number(stage.gain_db)} dB"
        case HighPass() | LowPass():
            numbers = f"{number(stage.cutoff_hz)} Hz, {stage.slope_db_per_octave} dB/oct"
        case Peaking():
            numbers = f"{number(stage.centre_hz)} Hz, {number(stage.gain_db)} dB, q {number(stage.q)}"
        case LowShelf() | HighShelf():
            numbers = f"{number(stage.corner_hz)} Hz, {number(stage.gain_db)} dB, q {number(stage.q)}"
        case Notch() | AllPass():
            numbers = f"{number(stage.centre_hz)} Hz, q {number(stage.q)}"
        case Delay():
            numbers = f"{number(stage.delay_ms)} ms"
        case ImpulseResponse():
            share = "" if stage.wet_fraction == 1.0 else f", wet {number(stage.wet_fraction)}"
            numbers = f"{stage.file.name}{share}"
        case _:
            assert_never(stage)
    return f"{stage.stage} {numbers}"


def source_words(source: Source) -> str:
    """Where a source comes from and where it goes."""
    parts = [f"channel {source.channel}", _place_words(source.place), f"gain {number(source.gain_db)} dB"]
    if source.polarity == "auto" and source.delay_ms == "auto":
        return DOT.join([*parts, "delay and polarity measured in every take"])
    if source.polarity != "keep":
        parts.append("polarity flipped" if source.polarity == "flip" else "polarity measured in every take")
    if source.delay_ms == "auto":
        parts.append("delay measured in every take")
    elif source.delay_ms:
        parts.append(f"{number(abs(source.delay_ms))} ms {'later' if source.delay_ms > 0 else 'earlier'}")
    return DOT.join(parts)


def room_words(room: Room) -> str:
    """Numbers of the room that the curves do not show by themselves."""
    parts = [
        f"level {number(room.level_db)} dB",
        f"begins after {number(room.pre_delay_ms)} ms",
        f"{number(room.high_pass_hz)} to {number(room.low_pass_hz)} Hz",
    ]
    if room.delay_scale != 1.0:
        parts.append(f"size {number(room.delay_scale)}")
    parts.append(f"shared fraction {number(room.shared_fraction)}")
    return DOT.join(parts)


def finish_words(finish: Finish) -> str:
    """The finish in one line."""
    keep = finish.loudness_lufs == "keep"
    parts = ["loudness kept" if finish.loudness_lufs == "keep" else f"{number(finish.loudness_lufs)} LUFS"]
    if not keep:
        parts[0] += f" by {finish.level_by}"
    parts.append(f"peaks to {number(finish.max_true_peak_dbtp)} dBTP")
    parts.append(f"limits by {number(finish.limit_at_most_db)} dB at most")
    form: str = finish.format
    if form in ("wav", "flac"):
        form += " float" if finish.bit_depth == "float" else f" {finish.bit_depth} bit"
    if finish.sample_rate_hz != "keep":
        form += f", {number(finish.sample_rate_hz)} Hz"
    return DOT.join([*parts, form])


def frequency_words(frequency_hz: float) -> str:
    """A frequency as it stands under an axis: 500, 1k, 2.5k."""
    return f"{number(frequency_hz / 1000.0)}k" if frequency_hz >= 1000.0 else number(frequency_hz)


def octave_words(centre_hz: float) -> str:
    """The nominal name of an octave: 125 Hz, 8 kHz."""
    nominal_hz = 1000.0 * 2.0 ** round(math.log2(centre_hz / 1000.0))
    return f"{number(nominal_hz / 1000.0)} kHz" if nominal_hz >= 1000.0 else f"{number(nominal_hz)} Hz"


def rate_words(sample_rate_hz: int) -> str:
    """A sample rate: 44.1 kHz."""
    return f"{number(sample_rate_hz / 1000.0)} kHz"


def _place_words(place: float | str) -> str:
    if isinstance(place, str):
        return place
    if place == 0.0:
        return "mid"
    return f"{number(abs(place))} {'left' if place < 0.0 else 'right'}"
