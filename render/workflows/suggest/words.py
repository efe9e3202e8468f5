"""Why a value stands in a suggested recipe: what was measured, short, with units, for a player."""

from __future__ import annotations

from collections.abc import Sequence

from render.analysis.advice import HumNotch, SideLevel, SourceHum
from render.analysis.boom import Resonance
from render.analysis.edge import Edge
from render.analysis.low_fit import TOLERANCE_DB, LowBand, low_thirds
from render.analysis.lowest_note import STANDARD_LOWEST_HZ, note_name
from render.analysis.meeting import Meeting
from render.analysis.moves import HighPassMove, PeakMove

RUMBLE = "floor thuds and rumble"
NOMINAL_THIRDS_HZ = (80, 100, 125, 160, 200, 250, 315)
MOST_NAMES = 4
CM_PER_MS = 34.3  # sound in air of 20 degrees


def pickup_high_pass(note_hz: float | None, *, before_db: float | None) -> str:
    """Why the pickup's high-pass stands where it does."""
    if note_hz is None:
        return f"half an octave under low E, {STANDARD_LOWEST_HZ:.0f} Hz"
    lowest = f"lowest note {note_name(note_hz)}, {note_hz:.1f} Hz"
    if before_db is not None and before_db > 0.0:
        return f"{lowest}: it lost {before_db:.1f} dB before"
    return f"half an octave under the {lowest}"


def edge_cut(edge: Edge) -> str:
    """Why the pickup's attacks are tamed."""
    return f"attacks stand out there by {edge.stands_out_db:.1f} dB"


def microphone_high_pass(low: LowBand, *, base: HighPassMove) -> str:
    """Why the microphone's high-pass stands where it does."""
    if low.high_pass is not None and low.high_pass.cutoff_hz <= base.cutoff_hz:
        return f"{RUMBLE}; no boom to take off" if not low.cuts else f"{RUMBLE}; the cuts do the rest"
    if low.low_before_db is None:
        return RUMBLE
    return f"boom: lows {over(low.low_before_db)} the pickup's"


def resonance_cut(low: LowBand, cut: PeakMove, resonance: Resonance | None) -> str:
    """Why there is a cut in the microphone's low band."""
    if resonance is not None:
        return (
            f"body at {resonance.frequency_hz:.0f} Hz: {resonance.prominence_db:.1f} dB up, "
            f"{width_at_half_hz(resonance):.0f} Hz wide halfway"
        )
    nearest = min(range(len(low.thirds_hz)), key=lambda index: abs(low.thirds_hz[index] - cut.centre_hz))
    return f"{over(float(low.before_db[nearest]))} the pickup around {low.thirds_hz[nearest]:.0f} Hz"


def width_at_half_hz(resonance: Resonance) -> float:
    """Between the points at half its decibels: what the `q` of a cut goes by; closed form, as for a peaking stage."""
    return resonance.frequency_hz / resonance.peaking_q


def still_over(low: LowBand) -> str:
    """`3.1 dB around 100 Hz`: third octaves of the low band that stay too strong, strongest first; nothing: none."""
    some = [
        (round(float(level_db), 1), float(third_hz))
        for level_db, third_hz in zip(low.after_db[low_thirds()], low.thirds_hz[low_thirds()], strict=True)
        if round(float(level_db), 1) > TOLERANCE_DB
    ]
    return ", ".join(
        f"{level_db:.1f} dB around {min(NOMINAL_THIRDS_HZ, key=lambda hz: abs(hz - third_hz))} Hz"
        for level_db, third_hz in sorted(some, reverse=True)
    )


def shelf() -> str:
    """Why there is a low shelf."""
    return "what is left of too much low end"


def side_gain(side: SideLevel, width_db: float) -> str:
    """Why the side has its level."""
    text = f"side {-side.side_to_mid_db:.1f} dB under mid, before the room" if side.side_to_mid_db <= 0.0 else (
        f"side {side.side_to_mid_db:.1f} dB over mid, before the room"
    )  # fmt: skip
    if side.limited:
        return f"{text}; {level(width_db)} dB would need more than fits: set the recorder's gains anew"
    if side.most_db - side.least_db > 1.0:
        text = f"side/mid {level(side.least_db)} to {level(side.most_db)} dB, median {level(side.side_to_mid_db)}"
    return text


def delay(meeting: Meeting, *, microphone: str, mover: str) -> str:
    """Why a source is moved."""
    if meeting.delay_ms == "auto":
        return f"differs by take, {meeting.least_ms:.2f} to {meeting.most_ms:.2f} ms"
    if not isinstance(meeting.delay_ms, float) or meeting.delay_ms == 0.0:
        return "both hear it at the same time"
    later = "later" if meeting.delay_ms > 0.0 else "earlier"
    way = f"{abs(meeting.delay_ms):.2f} ms {later}, {abs(meeting.delay_ms) * CM_PER_MS:.0f} cm of air"
    return f"{microphone} is {way}" if mover == microphone else f"waits: {microphone} is {way}"


def polarity(meeting: Meeting) -> str:
    """Why a source is turned over."""
    if meeting.polarity == "auto":
        return "differs from take to take: measured for each"
    return (
        "upside down against the other source"
        if meeting.polarity == "flip"
        else "the same way up as the other"
    )


def hum_notch(found: HumNotch) -> str:
    """Why there is a notch, and what it costs."""
    text = f"hum, {found.level_dbfs:.0f} dBFS"
    if found.note_loss_db >= 0.3:
        text += f"; {found.note} at {found.note_hz:.1f} Hz loses {found.note_loss_db:.1f} dB"
    return text


def hum_found(found: SourceHum, notches: Sequence[HumNotch]) -> str:
    """What was found of a source's hum in the takes, and what is done about it; nothing: it does not hum."""
    if not found.takes or found.hum.mains_hz is None:
        return ""
    levels = _span([take.hum.level_dbfs for take in found.takes])
    below = _span([-take.below_db for take in found.takes], sign=-1)
    text = (
        f"hum of {found.hum.mains_hz:.0f} Hz in {_takes(found)}, {levels} dBFS, {below} dB below the playing"
    )
    if not found.heard:
        return f"{text}: too soft to be heard, no notch"
    if not notches:
        return f"{text}: the chain takes it off, no notch needed"
    if found.common:
        return f"{text}: notches"
    return f"{text}: not in most takes, so no notch"


def _takes(found: SourceHum) -> str:
    """`all 3 takes`, `2 of 9 takes (one, two)`."""
    if len(found.takes) == found.of:
        return "the take" if found.of == 1 else f"all {found.of} takes"
    names = [take.take for take in found.takes]
    more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
    return f"{len(names)} of {found.of} takes ({', '.join(names[:MOST_NAMES])}{more})"


def _span(levels_db: Sequence[float], *, sign: int = 1) -> str:
    """`-75`, or `-75 to -48`."""
    low, high = (f"{sign * level_db:.0f}" for level_db in (min(levels_db), max(levels_db)))
    return low if low == high else f"{low} to {high}"


def over(level_db: float) -> str:
    """`6.1 dB over`, `2.0 dB under`."""
    return f"{abs(level_db):.1f} dB {'over' if level_db >= 0.0 else 'under'}"


def level(level_db: float) -> str:
    """A level with its sign: `+1.2`, `-8.0`; never `-0.0`."""
    text = f"{level_db:+.1f}"
    return "0.0" if text in ("+0.0", "-0.0") else text
