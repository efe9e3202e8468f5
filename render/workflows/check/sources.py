"""What is found on one source of a take: clipping, gaps, clicks, DC, noise, hum, a dead source, a level that is off."""

from __future__ import annotations

import math
from collections.abc import Sequence

from render.analysis.clicks import WARNING_COUNT as WARNING_CLICKS
from render.analysis.clipping import WARNING_RUNS
from render.analysis.levels import DC_WARNING
from render.analysis.likeness import DEAD_DB
from render.engine.inspect import Inspection, SourceInspection
from render.engine.played import SOFT_DBTP
from render.units import db_from_gain
from render.workflows.check.findings import Finding, Severity, at_places, decibels, duration_words, times

MANY_PER_MINUTE = 6.0
"""Clipped or clicking this often a passage has no place left to hide it: that is a fault, less is a warning."""

COARSE = {
    "PCM_U8": "8 bits",
    "PCM_S8": "8 bits",
    "DWVW_12": "12 bits",
    "ULAW": "8 bits, as telephones do",
    "ALAW": "8 bits, as telephones do",
    "IMA_ADPCM": "4 bits a sample",
    "MS_ADPCM": "4 bits a sample",
    "GSM610": "2 bits a sample, as telephones do",
}
"""Ways to keep samples whose own noise is heard, in words."""

COARSE_STEP_GAIN = 2.0**-7
COARSE_FULL_DBFS = -0.5
"""Between its steps, and below full scale, such a file has flat tops and a constant part of its own making; one that
packs its samples has standstills as well."""

IN_RECORDER = "turn the input down until loud playing peaks between -18 and -6 dBFS"
BEFORE_RECORDER = (
    "cut below full scale, they were cut before the recorder, it seems. Turn the guitar's preamp down, "
    "look at its battery"
)

EDGE_S = 0.005
HUM_IS_NOISE_DB = 3.0
"""Noise of which hum makes half the power or more is told as hum."""

FULL_DBTP = -0.1
HUM_HEARD_DB = 50.0
"""Hum this far below the playing, or farther, is a note only: softer than the noise of most rooms."""

HUM_SPOILS_DB = 20.0
"""Nearer than this it is heard all the time."""


def findings_of_source(inspection: Inspection, source: int, *, channel: int) -> list[Finding]:
    """Everything found on one source; a dead one is told as dead, and of it nothing else.

    Of a file that is coarse by itself, told with the take, not its noise nor what else is of its own making.
    """
    measured = inspection.sources[source]
    coarse = inspection.info.subtype in COARSE
    packed = coarse and not inspection.info.subtype.startswith("PCM")
    if measured.life.dead:
        return [_dead(measured, channel, all_dead=all(each.life.dead for each in inspection.sources))]
    found = [
        _clipping(inspection, measured, channel, coarse=coarse),
        None if packed else _dropouts(inspection, measured, channel),
        _clicks(inspection, measured, channel),
        _dc(measured, channel, coarse=coarse),
        None if coarse else _noise(measured, channel),
        _hum(measured, channel),
        _level(measured, channel),
    ]
    return [finding for finding in found if finding is not None]


def _dead(measured: SourceInspection, channel: int, *, all_dead: bool) -> Finding:
    """A source that hears nothing of the guitar."""
    life = measured.life
    silent = not math.isfinite(life.level_dbfs)
    below_db = decibels(-life.against_other_db)
    text = "it hears next to nothing of the guitar: "
    if silent:
        text = "there is no sound on it"
        voltage_gain = abs(measured.levels.constant)
        if voltage_gain >= DC_WARNING:
            text += f", only a constant voltage of {decibels(db_from_gain(voltage_gain))} dBFS"
    elif not life.against_other_db < -DEAD_DB:
        text += "what is on it does not come and go with the playing"
    elif life.rise_db > 0.0:  # what is there while the other rests was taken off
        text += f"{below_db} dB less of it than the other source, hiss and hum not counted"
    else:
        text += f"all that is on it lies {below_db} dB below the other source"
    return Finding(
        "dead-source",
        "fault",
        text,
        "look at the cable, the battery and the recorder's input; "
        + ("there is nothing to mix" if all_dead else "a mix of this take has one source only"),
        channel=channel,
        figures={"against_other_db": _finite(life.against_other_db)},
        case="silent" if silent else "unheard",
    )


def _clipping(
    inspection: Inspection, measured: SourceInspection, channel: int, *, coarse: bool
) -> Finding | None:
    clipping = measured.clipping
    if not clipping.count or (coarse and clipping.level_dbfs < COARSE_FULL_DBFS):
        return None
    places_s = _seconds(inspection, clipping.places)
    return Finding(
        "clipping",
        _gravity(inspection, clipping.count, fewest=WARNING_RUNS),
        f"clipped {times(clipping.count)} at {decibels(clipping.level_dbfs, digits=1)} dBFS, "
        f"for {duration_words(clipping.duration_s)} in all, {at_places(places_s)}",
        "nothing brings the tops back: "
        + (IN_RECORDER if clipping.level_dbfs >= COARSE_FULL_DBFS else BEFORE_RECORDER)
        + ", and play that passage again",
        channel=channel,
        figures={
            "count": clipping.count,
            "level_dbfs": round(clipping.level_dbfs, 2),
            "clipped_s": round(clipping.duration_s, 6),
        },
        places_s=places_s,
    )


def _dropouts(inspection: Inspection, measured: SourceInspection, channel: int) -> Finding | None:
    dropouts = measured.dropouts
    if not dropouts.count:
        return None
    places_s = _seconds(inspection, dropouts.places)
    return Finding(
        "dropout",
        "fault",
        f"the sound stops dead {times(dropouts.count)}, for {duration_words(dropouts.longest_s)} at the longest, "
        f"{at_places(places_s)}",
        "the recorder or its card could not keep up, or a plug has a loose contact: use another take of that passage",
        channel=channel,
        figures={
            "count": dropouts.count,
            "longest_s": round(dropouts.longest_s, 6),
            "lost_s": round(dropouts.duration_s, 6),
        },
        places_s=places_s,
    )


def _clicks(inspection: Inspection, measured: SourceInspection, channel: int) -> Finding | None:
    places = _beside_gaps(measured, EDGE_S * inspection.info.sample_rate_hz)
    count = measured.clicks.count - len(measured.clicks.places) + len(places)
    if not count:
        return None
    places_s = _seconds(inspection, places)
    sure = any(
        one
        for place, one in zip(measured.clicks.places, measured.clicks.sure, strict=True)
        if place in places
    )
    return Finding(
        "click",
        _gravity(inspection, count, fewest=1 if sure else WARNING_CLICKS),
        f"clicks {times(count)}, {at_places(places_s)}",
        "look at plugs, the recorder's clock setting and edits; listen to the places before you keep the take",
        channel=channel,
        figures={"count": count},
        places_s=places_s,
    )


def _beside_gaps(measured: SourceInspection, edge_frames: float) -> tuple[int, ...]:
    """Clicks that are not the edge of a gap, which is told as a gap."""
    gaps = [
        (place - edge_frames, place + length + edge_frames)
        for place, length in zip(measured.dropouts.places, measured.dropouts.lengths, strict=True)
    ]
    return tuple(
        place for place in measured.clicks.places if not any(low <= place <= high for low, high in gaps)
    )


def _dc(measured: SourceInspection, channel: int, *, coarse: bool) -> Finding | None:
    dc = measured.levels.constant
    if abs(dc) < max(DC_WARNING, COARSE_STEP_GAIN if coarse else 0.0):
        return None
    return Finding(
        "dc",
        "warning",
        f"a constant voltage of {decibels(db_from_gain(abs(dc)))} dBFS lies under the sound",
        "a high-pass in this source's chain takes it away; it costs headroom, and the input may be defective",
        channel=channel,
        figures={"dc": round(dc, 6)},
    )


def _noise(measured: SourceInspection, channel: int) -> Finding | None:
    noise, hum = measured.noise, measured.hum
    if not noise.noisy or (hum.present and hum.level_dbfs > noise.level_dbfs - HUM_IS_NOISE_DB):
        return None
    return Finding(
        "noise",
        "warning",
        f"noise lies at {decibels(noise.level_dbfs)} dBFS, "
        f"only {decibels(noise.signal_to_noise_db)} dB below the playing",
        "turn the recorder's input up, move away from fans and traffic; less of this source in the mix hides it",
        channel=channel,
        figures={
            "noise_dbfs": round(noise.level_dbfs, 2),
            "signal_to_noise_db": round(noise.signal_to_noise_db, 2),
        },
    )


def _hum(measured: SourceInspection, channel: int) -> Finding | None:
    hum = measured.hum
    if not hum.present or hum.mains_hz is None or hum.frequency_hz is None:
        return None
    below_db = measured.noise.playing_dbfs - hum.level_dbfs
    strongest = sorted(hum.lines, key=lambda line: -line.level_dbfs)[:3]
    lines = ", ".join(f"{line.frequency_hz:.1f} Hz at {decibels(line.level_dbfs)} dBFS" for line in strongest)
    return Finding(
        "hum",
        "fault" if below_db < HUM_SPOILS_DB else "warning" if below_db < HUM_HEARD_DB else "note",
        f"mains hum of {hum.mains_hz:.0f} Hz, {decibels(hum.level_dbfs)} dBFS in all, "
        f"{decibels(below_db)} dB below the playing: {lines}",
        "use a balanced line or an isolating transformer for audio, move away from power supplies and dimmers; never "
        "lift a safety earth. What is left: narrow notches at these frequencies",
        channel=channel,
        figures={
            "mains_hz": hum.mains_hz,
            "frequency_hz": round(hum.frequency_hz, 3),
            "hum_dbfs": round(hum.level_dbfs, 2),
            "harmonics": [line.multiple for line in hum.lines],
            "harmonics_hz": [round(line.frequency_hz, 3) for line in hum.lines],
            "harmonics_dbfs": [round(line.level_dbfs, 2) for line in hum.lines],
        },
    )


def _level(measured: SourceInspection, channel: int) -> Finding | None:
    """Too low to be good, or without any room left; as loud as can be is not yet clipped."""
    true_peak_dbtp = db_from_gain(measured.true_peak_gain)
    figures = {"true_peak_dbtp": _finite(true_peak_dbtp)}
    if true_peak_dbtp < SOFT_DBTP:
        return Finding(
            "level",
            "warning",
            f"recorded very softly: it never comes above {decibels(true_peak_dbtp)} dBTP",
            "turn the input up until loud playing peaks between -18 and -6 dBFS",
            channel=channel,
            figures=figures,
            case="soft",
        )
    if true_peak_dbtp > FULL_DBTP and not measured.clipping.count:
        return Finding(
            "level",
            "note",
            f"recorded up to {decibels(true_peak_dbtp, digits=1)} dBTP: nothing is clipped, but there is no room left",
            "turn the input down by 6 dB before the next take",
            channel=channel,
            figures=figures,
            case="full",
        )
    return None


def _gravity(inspection: Inspection, count: int, *, fewest: int) -> Severity:
    """Fewer than so many are only noted: a single one may be a nail, or chance."""
    if count < fewest:
        return "note"
    return "fault" if count >= MANY_PER_MINUTE * max(inspection.duration_s / 60.0, 1.0) else "warning"


def _seconds(inspection: Inspection, places: Sequence[int]) -> tuple[float, ...]:
    return tuple(round(frame / inspection.info.sample_rate_hz, 6) for frame in places)


def _finite(value: float) -> float | None:
    return round(value, 2) if math.isfinite(value) else None
