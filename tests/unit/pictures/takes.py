"""Takes as pictures show them, made up: a fine one, a crowded one, an hour, silence, one source dead, one frame."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from render.pictures.take_curves import (
    Boom,
    Drift,
    HumLine,
    Likeness,
    Passage,
    Places,
    Remark,
    SourceTake,
    TakeCurves,
)

Reals = NDArray[np.float64]
STEP_S = 0.1
FREQUENCY_HZ = 20.0 * 2.0 ** (np.arange(60) / 6.0)
NOTHING = np.array([])


def places(kind: str, *from_s: float, lasting_s: float = 0.0) -> Places:
    """Places of one kind, all of the same length."""
    starts = np.array(sorted(from_s), dtype=np.float64)
    return Places(kind, starts, starts + lasting_s, len(starts))


def looked_for(*found: Places) -> tuple[Places, ...]:
    """All three kinds of places, in their order; those not given were not found."""
    by_kind = {one.kind: one for one in found}
    return tuple(by_kind.get(kind, places(kind)) for kind in ("clipping", "dropouts", "clicks"))


def playing_dbfs(
    duration_s: float,
    *,
    seed: int,
    loud_dbfs: float,
    noise_dbfs: float,
    pauses: tuple[tuple[float, float], ...],
) -> tuple[Reals, Reals]:
    """RMS and peak of plucked chords that fade, with pauses in which only noise is left."""
    random = np.random.default_rng(seed)
    at_s = STEP_S * np.arange(max(1, round(duration_s / STEP_S)))
    since_s = at_s % 0.8
    swell_db = 5.0 * np.sin(at_s / 9.0) + 3.0 * np.sin(at_s / 2.3)
    playing = loud_dbfs + swell_db - 9.0 * since_s + random.normal(0.0, 1.2, len(at_s))
    for from_s, to_s in pauses:
        quiet = (at_s >= from_s) & (at_s < to_s)
        playing[quiet] = loud_dbfs - 25.0 * np.minimum(at_s[quiet] - from_s, 8.0)
    rms = 10.0 * np.log10(10.0 ** (playing / 10.0) + 10.0 ** (noise_dbfs / 10.0))
    peak = rms + 9.0 + 4.0 * np.exp(-since_s / 0.2) + random.normal(0.0, 0.7, len(at_s))
    return rms, np.minimum(peak, 0.0)


def spectrum_dbfs(*, seed: int, low_hz: float, high_hz: float, top_dbfs: float) -> Reals:
    """A hill with the ripples of notes."""
    random = np.random.default_rng(seed)
    hill = -10.0 * np.log10(1.0 + (low_hz / FREQUENCY_HZ) ** 6) - 10.0 * np.log10(
        1.0 + (FREQUENCY_HZ / high_hz) ** 3.4
    )
    return np.asarray(
        top_dbfs + hill + 2.0 * np.sin(7.0 * np.log2(FREQUENCY_HZ)) + random.normal(0.0, 1.0, 60)
    )


def noise_spectrum_dbfs(level_dbfs: float, *, seed: int) -> Reals:
    """Hiss that falls a little, with more of it at the lowest frequencies."""
    random = np.random.default_rng(seed)
    return np.asarray(
        level_dbfs
        - 15.0
        + 12.0 * (40.0 / FREQUENCY_HZ)
        + 1.5 * np.log2(FREQUENCY_HZ / 1000.0)
        + random.normal(0.0, 0.5, 60)
    )


def likeness(*, delay_ms: float, uncertainty_ms: float, seed: int = 5) -> Likeness:
    """Shared from 80 Hz to some kHz, with dips; the delay bends at both ends."""
    random = np.random.default_rng(seed)
    frequency_hz = 20.0 * 2.0 ** (np.arange(240) / 24.0)
    shared = 1.0 / (1.0 + (75.0 / frequency_hz) ** 6) / (1.0 + (frequency_hz / 4200.0) ** 4)
    coherence = np.clip(0.96 * shared - 0.35 * random.random(240) ** 3, 0.01, 1.0)
    delay = delay_ms + 0.35 * (100.0 / frequency_hz) + random.normal(0.0, 0.03, 240) / coherence
    return Likeness(
        frequency_hz,
        coherence,
        np.where(coherence >= 0.5, delay, np.nan),
        enough=0.5,
        delay_ms=delay_ms,
        uncertainty_ms=uncertainty_ms,
        polarity=1,
    )


def source(
    name: str,
    channel: int,
    duration_s: float,
    *,
    pauses: tuple[tuple[float, float], ...] = (),
    found: tuple[Places, ...] = (),
    hum: tuple[HumLine, ...] = (),
    booms: tuple[Boom, ...] = (),
) -> SourceTake:
    """One source that plays, and what is given."""
    loud_dbfs, noise_dbfs = (-21.0, -81.0) if channel == 1 else (-26.0, -66.0)
    rms, peak = playing_dbfs(
        duration_s, seed=channel, loud_dbfs=loud_dbfs, noise_dbfs=noise_dbfs, pauses=pauses
    )
    low_hz, high_hz = (85.0, 3000.0) if channel == 1 else (95.0, 5500.0)
    return SourceTake(
        name,
        channel,
        STEP_S,
        rms,
        peak,
        highest_dbfs=float(peak.max()),
        mean_dbfs=float(10.0 * np.log10(np.mean(10.0 ** (rms / 10.0)))),
        true_peak_dbtp=float(peak.max()) + 0.12,
        loudness_lufs=loud_dbfs + 1.3,
        noise_dbfs=noise_dbfs,
        spectrum_dbfs=spectrum_dbfs(seed=channel, low_hz=low_hz, high_hz=high_hz, top_dbfs=loud_dbfs - 9.0),
        noise_spectrum_dbfs=noise_spectrum_dbfs(noise_dbfs, seed=channel),
        places=looked_for(*found),
        hum=hum,
        booms=booms,
    )


def fine() -> TakeCurves:
    """A verse of a minute and a half with nothing wrong but a boom worth a note."""
    ends = ((0.0, 1.6), (87.0, 92.0))
    first = source("pickup", 1, 92.0, pauses=ends)
    second = source("mic", 2, 92.0, pauses=ends, booms=(Boom(104.0, 7.5, 22.0),))
    return TakeCurves(
        "landing-stage-02",
        92.0,
        48_000.0,
        (first, second),
        FREQUENCY_HZ,
        sound_from_s=1.6,
        sound_to_s=89.3,
        remarks=(
            Remark("note", "mic: a resonance at 104 Hz stands 7.5 dB out against the pickup, 22 Hz wide."),
        ),
        likeness=likeness(delay_ms=0.42, uncertainty_ms=0.05),
    )


def faulty() -> TakeCurves:
    """Four minutes with everything wrong that can be."""
    random = np.random.default_rng(11)
    pauses = ((0.0, 14.0), (75.0, 83.0), (150.0, 152.6), (221.0, 240.0))
    first = source(
        "saddle pickup",
        1,
        240.0,
        pauses=pauses,
        found=(
            places(
                "clipping", *random.uniform(20.0, 70.0, 400), *random.uniform(90.0, 110.0, 30), lasting_s=0.01
            ),
            places("clicks", 33.0, 33.4, 121.0, 190.2),
        ),
        hum=tuple(
            HumLine(50.0 * k, level)
            for k, level in ((1, -70.0), (2, -76.0), (3, -72.0), (5, -80.0), (7, -84.0))
        ),
    )
    second = source(
        "mic at the twelfth fret",
        2,
        240.0,
        pauses=pauses,
        found=(
            places("dropouts", 47.3, 131.05, 205.9, lasting_s=0.4),
            places("clicks", *np.arange(84.0, 148.0, 0.35)),
        ),
        booms=(Boom(98.0, 11.4, 12.0), Boom(196.0, 6.1, 30.0), Boom(214.0, 5.0, 16.0)),
        hum=(HumLine(50.0, -58.0), HumLine(150.0)),
    )
    pair = likeness(delay_ms=-1.37, uncertainty_ms=0.21)
    at_s = np.arange(5.0, 240.0, 10.0)
    drifting = -1.37 + 0.012e-3 * 1000.0 * (at_s - 120.0) + random.normal(0.0, 0.03, len(at_s))
    drifting[[0, 7, 8, 22, 23]] = np.nan
    remarks = (
        Remark(
            "fault",
            "saddle pickup: clipped at 430 places, the first at 0:20.1, 0:20.2 and 0:20.4; "
            "0.3 ms at a time. Record it again with the input 6 dB lower.",
        ),
        Remark(
            "fault",
            "mic at the twelfth fret: 3 dropouts of 0.4 s, at 0:47.3, 2:11.0 and 3:25.9. "
            "Check the cable; these moments cannot be mended.",
        ),
        Remark("warning", "mic at the twelfth fret: 183 clicks."),
        Remark(
            "warning",
            "Mains hum of 50 Hz in both sources, loudest in the mic at -58 dBFS. "
            "Notches at 50, 100, 150, 250 and 350 Hz take it away.",
        ),
        Remark(
            "warning",
            "The delay between the sources drifts by 12 parts per million: they come from two recorders.",
        ),
        Remark("warning", "The polarity of the sources is opposite."),
        Remark("note", "mic at the twelfth fret: resonances at 98, 196 and 214 Hz."),
        Remark("note", "Talk or tuning before 0:14 and after 3:41."),
    )
    return TakeCurves(
        "boathouse_long-evening_take-07",
        240.0,
        96_000.0,
        (first, second),
        FREQUENCY_HZ,
        sound_from_s=2.2,
        sound_to_s=236.4,
        passages=(
            Passage("talk", 2.2, 12.9),
            Passage("pause", 75.4, 82.8),
            Passage("pause", 150.3, 152.4),
            Passage("talk", 223.0, 236.4),
        ),
        remarks=remarks,
        likeness=replace(pair, polarity=-1, drift=Drift(at_s, drifting, 12.0)),
    )


def hour() -> TakeCurves:
    """An hour, many pauses, a click in it."""
    random = np.random.default_rng(3)
    starts = np.sort(random.uniform(30.0, 3500.0, 24))
    pauses = tuple((float(start), float(start + random.uniform(3.0, 40.0))) for start in starts)
    first = source("pickup", 1, 3600.0, pauses=pauses, found=(places("clicks", 1834.5),))
    second = source("mic", 2, 3600.0, pauses=pauses)
    return TakeCurves(
        "whole evening",
        3600.0,
        44_100.0,
        (first, second),
        FREQUENCY_HZ,
        sound_from_s=4.0,
        sound_to_s=3591.0,
        passages=tuple(Passage("pause", from_s + 1.0, to_s) for from_s, to_s in pauses),
        remarks=(Remark("warning", "pickup: a click at 30:34.5."),),
        likeness=likeness(delay_ms=2.9, uncertainty_ms=0.02),
    )


def silent() -> TakeCurves:
    """Ten seconds of zeros on both channels."""
    nothing = np.full(100, -np.inf)
    sources = tuple(
        SourceTake(
            name,
            channel,
            STEP_S,
            nothing,
            nothing,
            -np.inf,
            -np.inf,
            -np.inf,
            None,
            None,
            places=looked_for(),
        )
        for name, channel in (("pickup", 1), ("mic", 2))
    )
    return TakeCurves(
        "silence",
        10.0,
        48_000.0,
        (sources[0], sources[1]),
        NOTHING,
        remarks=(
            Remark("fault", "pickup: silent from beginning to end."),
            Remark("fault", "mic: silent from beginning to end."),
        ),
    )


def dead_source() -> TakeCurves:
    """The second source carries nothing but its own hiss; there is no delay to tell."""
    take = fine()
    noise = noise_spectrum_dbfs(-101.0, seed=9)
    level = np.random.default_rng(4).normal(-101.0, 0.4, len(take.sources[0].rms_dbfs))
    dead = replace(
        take.sources[1],
        rms_dbfs=level,
        peak_dbfs=level + 11.0,
        highest_dbfs=-89.0,
        mean_dbfs=-101.0,
        true_peak_dbtp=-88.7,
        loudness_lufs=None,
        noise_dbfs=-101.0,
        spectrum_dbfs=noise + 0.3,
        noise_spectrum_dbfs=noise,
        booms=(),
    )
    assert take.likeness is not None
    nothing = replace(
        take.likeness,
        coherence=np.random.default_rng(8).uniform(0.0, 0.12, 240),
        relative_delay_ms=np.full(240, np.nan),
        delay_ms=None,
        uncertainty_ms=None,
        polarity=None,
    )
    return replace(
        take,
        name="landing-stage-03",
        sources=(take.sources[0], dead),
        remarks=(
            Remark(
                "fault",
                "mic: nearly nothing on channel 2, 80 dB below the pickup. "
                "Was the microphone switched on, its supply voltage on?",
            ),
        ),
        likeness=nothing,
    )


def one_frame() -> TakeCurves:
    """A single frame at half of full scale."""
    level = np.array([-6.02])
    sources = tuple(
        SourceTake(name, channel, STEP_S, level, level, -6.02, -6.02, -6.02)
        for name, channel in (("a", 1), ("b", 2))
    )
    return TakeCurves("x", 1.0 / 48_000.0, 48_000.0, (sources[0], sources[1]), NOTHING)


ALL = {
    "fine": fine,
    "faulty": faulty,
    "hour": hour,
    "silent": silent,
    "dead": dead_source,
    "frame": one_frame,
}
