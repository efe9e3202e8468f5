"""One picture a take: what was measured, in the form that `pictures.take` draws."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from render.analysis.noise import playing_windows
from render.audio.array import Reals
from render.engine.inspect import Inspection
from render.errors import OutputError, UsageError
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
from render.workflows.check.session import CheckedTake

PLACE_S = 0.002  # a click has no length; so long it is drawn
ENOUGH_COHERENCE = 0.3


def draw_takes(takes: list[CheckedTake], folder: Path) -> None:
    """Draw every take that could be read into `folder`, named after the take.

    Raises
    ------
    UsageError
        If matplotlib is not installed.
    OutputError
        If a picture cannot be written.
    """
    try:
        from render.pictures.take import write_take_picture
    except ImportError as error:
        raise UsageError('pictures need matplotlib: python -m pip install "drytake[plot]"') from error
    for take in takes:
        if take.inspection is not None:
            path = folder / f"{take.name}.png"
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
                write_take_picture(take_curves(take, take.inspection), path)
            except OSError as error:
                raise OutputError(
                    f"{path}: cannot be written: {error.strerror or error}; choose another folder with --plot"
                ) from error


def take_curves(take: CheckedTake, inspection: Inspection) -> TakeCurves:
    """What is drawn of a take."""
    first, second = (_source(take, inspection, source) for source in range(2))
    ends = inspection.ends
    passages = [Passage("pause", low, high) for low, high in ends.pauses]
    passages += [Passage("talk", part.from_s, part.to_s) for part in ends.parts]
    return TakeCurves(
        name=take.name,
        duration_s=inspection.duration_s,
        sample_rate_hz=inspection.info.sample_rate_hz,
        sources=(first, second),
        frequency_hz=inspection.bands.centre_hz,
        bands_per_octave=3.0,
        sound_from_s=ends.sound_from_s,
        sound_to_s=ends.sound_to_s,
        passages=tuple(passages),
        remarks=tuple(
            Remark(
                finding.severity,
                finding.text
                if finding.channel is None
                else f"{take.name_of(finding.channel)}: {finding.text}",
            )
            for finding in take.findings
        ),
        likeness=_likeness(take, inspection),
    )


def _source(take: CheckedTake, inspection: Inspection, source: int) -> SourceTake:
    """One source, with the figures of the table: what that does not tell is not drawn either."""
    figures = take.sources[source]
    measured, channel, name = inspection.sources[source], take.channels[source], take.names[source]
    rate_hz = inspection.info.sample_rate_hz
    hum = tuple(HumLine(line.frequency_hz, line.level_dbfs) for line in measured.hum.lines)
    booms = tuple(Boom(it.frequency_hz, it.prominence_db, it.bandwidth_hz) for it in inspection.boom[source])
    return SourceTake(
        name=name,
        channel=channel,
        step_s=inspection.curve.step_s,
        rms_dbfs=_decibels(inspection.curve.rms_gain[:, source]),
        peak_dbfs=_decibels(inspection.curve.peak_gain[:, source]),
        highest_dbfs=figures["peak_dbfs"],
        mean_dbfs=figures["rms_dbfs"],
        true_peak_dbtp=figures["true_peak_dbtp"],
        loudness_lufs=figures["loudness_lufs"],
        noise_dbfs=figures["noise_dbfs"],
        spectrum_dbfs=_spectrum(inspection, source),
        noise_spectrum_dbfs=None
        if figures["noise_dbfs"] is None
        else measured.noise.band_dbfs.astype(np.float64),
        places=(
            _places("clipping", measured.clipping.places, measured.clipping.count, rate_hz),
            _places("dropouts", measured.dropouts.places, measured.dropouts.count, rate_hz),
            _clicks(take, channel),
        ),
        hum=hum,
        booms=booms if source == 1 else (),  # what stands out in a pickup is not boom
    )


def _spectrum(inspection: Inspection, source: int) -> Reals:
    """Third octaves of the playing."""
    total = inspection.bands.total[:, source].astype(np.float64)
    playing = playing_windows(total)
    rows = inspection.bands.power[playing, source] if playing.any() else inspection.bands.power[:, source]
    mean = rows.mean(axis=0, dtype=np.float64) if len(rows) else np.zeros(len(inspection.bands.centre_hz))
    return _decibels(np.sqrt(mean))


def _places(kind: str, frames: tuple[int, ...], count: int, rate_hz: int) -> Places:
    from_s = np.asarray(frames, np.float64) / rate_hz
    return Places(kind, from_s, from_s + PLACE_S, count)


def _clicks(take: CheckedTake, channel: int) -> Places:
    """Clicks as they are told: the edge of a gap clicks too, and is told as a gap."""
    told = [
        finding for finding in take.findings if finding.kind == "click" and finding.channel in (channel, None)
    ]
    from_s = np.sort([place for finding in told for place in finding.places_s])
    counts = [finding.figures.get("count") for finding in told]
    count = sum(count for count in counts if isinstance(count, int))
    return Places("clicks", from_s, from_s + PLACE_S, max(count, len(from_s)))


def _likeness(take: CheckedTake, inspection: Inspection) -> Likeness | None:
    """The delay as the table has it: none where it cannot be told."""
    alignment = inspection.alignment
    curves = alignment.curves
    if not len(curves.frequency_hz):
        return None
    steadiness = alignment.steadiness
    drift = None
    if (steadiness.drifting or steadiness.jump_s is not None) and len(curves.at_s):
        drift = Drift(
            curves.at_s,
            curves.track_ms,
            steadiness.drift_ppm if steadiness.drifting else None,
            None if steadiness.jump_s is None else 1000.0 * steadiness.jump_s,
            steadiness.jump_at_s,
        )
    return Likeness(
        frequency_hz=curves.frequency_hz,
        coherence=curves.coherence,
        relative_delay_ms=curves.delay_ms,
        enough=ENOUGH_COHERENCE,
        delay_ms=take.delay_ms,
        uncertainty_ms=take.delay_uncertainty_ms,
        polarity=None if take.polarity is None else 1 if take.polarity > 0 else -1,
        drift=drift,
    )


def _decibels(gain: np.ndarray[tuple[int, ...], np.dtype[np.float32 | np.float64]]) -> Reals:
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(gain.astype(np.float64)), np.float64)
