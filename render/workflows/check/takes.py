"""What is found on a take as a whole: its file, and how its two sources stand to each other."""

from __future__ import annotations

import math
import shlex
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from render.analysis.cut_off import LAST_S, RINGING_DB, measure_cut_off
from render.analysis.ends import SURE, Part
from render.analysis.roles import Role, guess_microphone
from render.engine.inspect import Inspection
from render.engine.meet import RELIABLE_S
from render.engine.played import is_nothing_played
from render.errors import TakeError
from render.units import clock, db_from_gain
from render.workflows.check.absent import find_absent
from render.workflows.check.findings import Finding, decibels, percent
from render.workflows.check.slipping import find_drift
from render.workflows.check.sources import COARSE

LOW_RATE_HZ = 32_000
TOO_SHORT_S = 0.4
"""Loudness is measured over so much; a note has not even begun to die away."""

ROOM_BEFORE_S, ROOM_AFTER_S = 0.1, 0.5
"""Kept around the playing where talk is left out: pauses are longer."""

NOTHING_LEFT_DB = -60.0
"""What two tracks have beside a gain is softer than any source's own noise."""

MOST_BOOMS = 4
LEAST_PLAYED_DB = 5.0
"""Playing comes and goes by more, in each band by itself (9 dB in tremolo that never rests); steady hum and noise by
1 dB."""

SURE_OF_ROLES = 0.75
"""Seven to one, on two signs at least."""

ROLE_WORDS = {
    "noise": "it has {:.0f} dB more noise under its playing",
    "resonance": "the body stands out in it by {:.0f} dB",
    "talk": "it hears talk (sure to {})",
    "delay": "it comes {:.2f} ms later",
}


def findings_of_take(
    inspection: Inspection, *, names: tuple[str, str], channels: tuple[int, int], path: Path | None = None
) -> list[Finding]:
    """Everything found on a take that is not one source's alone.

    Parameters
    ----------
    inspection : Inspection
    names : two str
        What the sources are called.
    channels : two int
        Their channels, counted from 1.
    path : Path, optional
        What a call of `render` names to get this take.
    """
    found = _file(inspection, channels)
    if is_nothing_played(inspection):
        return [*found, _nothing_played(inspection)]
    if not any(source.life.dead for source in inspection.sources):
        if holds_one_signal(inspection):
            found.append(_same_signal(inspection))
        else:
            role = _role(inspection)
            found += find_absent(inspection, names=names, channels=channels)
            # one that is gone has not the noise under its playing
            exchanged = not inspection.absences and role.microphone == 0 and role.sureness >= SURE_OF_ROLES
            found += [
                *(_exchanged(role, names) if exchanged else ()),
                *_polarity(inspection, names),
                *find_drift(inspection, names),
                *_boom(inspection, channels, source=0 if exchanged else 1),
            ]
    return [*found, *_cut_off(inspection), *_talk(inspection, channels, path)]


def unreadable(error: TakeError) -> Finding:
    """A take that cannot be read at all."""
    text = f"{error.path.name} {error.reason}"
    return Finding("file", "fault", text, error.fix or "record it again", case="unreadable")


def _file(inspection: Inspection, channels: tuple[int, int]) -> list[Finding]:
    info = inspection.info
    found = [
        Finding(
            "file", "warning", warning, "listen to the end of the take before you use it", case="incomplete"
        )
        for warning in info.warnings
    ]
    if inspection.duration_s < TOO_SHORT_S:
        found.append(
            Finding(
                "file",
                "warning",
                f"it lasts {inspection.duration_s:.3f} s: too short to judge",
                "leave it out; if there was more, record it again",
                figures={"duration_s": round(inspection.duration_s, 6)},
                case="too-short",
            )
        )
    if info.subtype in COARSE:
        found.append(
            Finding(
                "file",
                "warning",
                f"the file keeps its samples in {COARSE[info.subtype]} ({info.subtype.replace('_', ' ')}): "
                "its own noise is heard",
                "record with 24 bits",
                figures={"subtype": info.subtype},
                case="coarse",
            )
        )
    if info.sample_rate_hz < LOW_RATE_HZ:
        found.append(
            Finding(
                "file",
                "warning",
                f"the file has {info.sample_rate_hz} Hz: nothing above {info.sample_rate_hz / 2000:g} kHz is in it",
                "record with 44100 or 48000 Hz",
                figures={"sample_rate_hz": info.sample_rate_hz},
                case="low-rate",
            )
        )
    if info.channels > 2:
        found.append(
            Finding(
                "file",
                "note",
                f"the file has {info.channels} channels; {channels[0]} and {channels[1]} were looked at",
                "name a recipe with -r if the sources are on other channels",
                figures={"channels": info.channels},
                case="more-channels",
            )
        )
    return found


def has_two_sources(inspection: Inspection) -> bool:
    """Whether its sources can be held against each other: neither is dead, and they are not one signal.

    One that is gone for a part of the take spoils the comparison.
    """
    return not (
        inspection.alignment.same_signal
        or inspection.absences
        or any(source.life.dead for source in inspection.sources)
    )


def holds_one_signal(inspection: Inspection) -> bool:
    """Whether both tracks hold the same playing."""
    return inspection.alignment.same_signal and _is_played(inspection)


def _nothing_played(inspection: Inspection) -> Finding:
    what = "noise and hum" if any(source.hum.present for source in inspection.sources) else "noise"
    peak_dbtp = max(db_from_gain(source.true_peak_gain) for source in inspection.sources)
    return Finding(
        "dead-source",
        "fault",
        f"nothing but {what} on both tracks, never above {decibels(peak_dbtp)} dBTP",
        "look at the cables, the batteries and the recorder's inputs",
        figures={"true_peak_dbtp": round(peak_dbtp, 2)},
        case="nothing-played",
    )


def _is_played(inspection: Inspection) -> bool:
    """Whether there is more than noise and hum, which two empty tracks may well have in common.

    Playing that never rests as a whole rests in every band by itself, once its notes change.
    """
    return any(
        source.noise.signal_to_noise_db + source.noise.above_floor_db > LEAST_PLAYED_DB
        for source in inspection.sources
    )


def _same_signal(inspection: Inspection) -> Finding:
    likeness = inspection.alignment.likeness
    residual_db = 0.0 if likeness is None else likeness.residual_db
    turned = " (one of them turned over)" if inspection.alignment.polarity == -1 else ""
    rest = (
        "they differ by nothing but gain and noise"
        if residual_db < NOTHING_LEFT_DB
        else f"what differs, a gain aside, is {decibels(-residual_db)} dB softer"
    )
    return Finding(
        "same-signal",
        "fault",
        f"both channels hold the same signal{turned}: {rest}",
        "a mono cable, or a recorder set to one input: look at the recorder's routing and record again",
        figures={"difference_db": round(residual_db, 1)},
    )


def _role(inspection: Inspection) -> Role:
    alignment = inspection.alignment
    delay_s = alignment.delay_s if (alignment.uncertainty_s or 0.0) <= RELIABLE_S else None
    return guess_microphone(
        noise=[source.noise for source in inspection.sources],
        resonances=inspection.boom,
        ends=inspection.ends,
        delay_ms=None if delay_s is None else 1000.0 * delay_s,
    )


def _exchanged(role: Role, names: tuple[str, str]) -> list[Finding]:
    """The first source looks like a microphone and the second like a pickup; habit has it the other way."""
    signs = ", ".join(
        ROLE_WORDS[sign.sign].format(percent(sign.figure) if sign.sign == "talk" else sign.figure)
        for sign in role.evidence
        if sign.source == 0
    )
    return [
        Finding(
            "swapped",
            "note",
            f"{names[0]} seems to be the microphone and {names[1]} the pickup (sure to {percent(role.sureness)}): "
            f"{signs}",
            "the ready recipes have the pickup on channel 1: exchange the channel numbers in your copy of one",
            figures={"sureness": role.sureness, "evidence": ", ".join(sign.sign for sign in role.evidence)},
            case="by-itself",
        )
    ]


def _polarity(inspection: Inspection, names: tuple[str, str]) -> list[Finding]:
    alignment = inspection.alignment
    if alignment.polarity != -1:
        return []
    return [
        Finding(
            "inverted",
            "warning",
            f"{names[1]} is turned over against {names[0]}: the two work against each other where both are heard",
            f'write polarity = "flip" for {names[1]} in the recipe, or polarity = "auto"',
            figures={"sureness": round(alignment.polarity_sureness, 2)},
        )
    ]


def _boom(inspection: Inspection, channels: tuple[int, int], *, source: int) -> list[Finding]:
    return [
        Finding(
            "boom",
            "note",
            f"it booms at {resonance.frequency_hz:.0f} Hz: {resonance.prominence_db:.0f} dB above its "
            f"surroundings, {resonance.bandwidth_hz:.0f} Hz wide",
            f"drytake suggest fits cuts to it; by hand: a peaking stage, centre_hz = {resonance.frequency_hz:.0f}, "
            f"some {-min(0.6 * resonance.prominence_db, 9.0):.0f} dB, q about {min(resonance.peaking_q, 10.0):.0f}",
            channel=channels[source],
            figures={
                "frequency_hz": round(resonance.frequency_hz, 2),
                "prominence_db": round(resonance.prominence_db, 2),
                "bandwidth_hz": round(resonance.bandwidth_hz, 2)
                if math.isfinite(resonance.bandwidth_hz)
                else None,
            },
        )
        for resonance in inspection.boom[source][:MOST_BOOMS]
    ]


def _cut_off(inspection: Inspection) -> list[Finding]:
    """The recorder was stopped too early; not where somebody talks to the last, which is told as talk.

    Nor where the file was cut short afterwards.
    """
    if inspection.info.warnings or any(source.life.dead for source in inspection.sources):
        return []
    if any(part.to_s > inspection.duration_s - LAST_S for part in inspection.ends.parts):
        return []
    # loud hum goes on to the end, and says nothing of the guitar
    gone = {absence.source for absence in inspection.absences}
    told = [
        index
        for index, source in enumerate(inspection.sources)
        if index not in gone
        and (not source.hum.present or source.noise.playing_dbfs - source.hum.level_dbfs > RINGING_DB)
    ]
    below_db = measure_cut_off(
        replace(inspection.curve, rms_gain=inspection.curve.rms_gain[:, told]),
        [inspection.sources[index].noise for index in told],
        dc=[inspection.sources[index].levels.dc for index in told],
    )
    if below_db is None:
        return []
    how = f"only {below_db:.0f} dB below the playing" if below_db >= 1.0 else "as loud as the playing"
    return [
        Finding(
            "file",
            "note",
            f"the recording stops while the guitar still sounds, {how}",
            "let the recorder run until the last chord has died away; a mix of this take is faded at its end",
            figures={"below_playing_db": round(below_db, 1)},
            case="stopped-early",
        )
    ]


def _talk(inspection: Inspection, channels: tuple[int, int], path: Path | None) -> list[Finding]:
    parts = [part for part in inspection.ends.parts if part.sureness >= SURE]
    passage = _passage(inspection, parts)
    if passage and path is not None:
        passage = f"{shlex.join(['drytake', 'render', str(path)])} {passage}"
    return [
        Finding(
            "talk",
            "note",
            f"{part.kind} from {clock(part.from_s)} to {clock(part.to_s)}, it seems",
            f"render without it: {passage}" if passage else "cut it off",
            channel=None if part.source is None else channels[part.source],
            figures={
                "from_s": round(part.from_s, 2),
                "to_s": round(part.to_s, 2),
                "sureness": part.sureness,
            },
            case=part.kind,
        )
        for part in parts
    ]


def _passage(inspection: Inspection, parts: Sequence[Part]) -> str:
    """Options of `render` that leave talk and tuning out, with some room before the first note and after the last."""
    from_s, to_s = inspection.ends.playing_from_s, inspection.ends.playing_to_s
    before = any(part.from_s < 0.5 * inspection.duration_s for part in parts)
    after = any(part.from_s >= 0.5 * inspection.duration_s for part in parts)
    options = []
    if before and from_s is not None:
        options.append(f"--from {clock(math.floor(10.0 * (from_s - ROOM_BEFORE_S)) / 10.0)}")
    if after and to_s is not None:
        options.append(f"--to {clock(math.ceil(10.0 * (to_s + ROOM_AFTER_S)) / 10.0)}")
    return " ".join(options)
