"""One pass over a take, through every gauge of `analysis` and the meter of the finish: what the line check knows of it.

    take -> blocks -> stretches of samples -> levels, clipping, dropouts, clicks
                   -> meter                -> true peak
                   -> windowed spectra     -> loudness, alignment, noise, ends, likeness
                                           -> low band -> hum, boom

An hour streams through as a minute does: what is kept are sums, curves and places.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from render.analysis.absence import Absence, find_absences
from render.analysis.bands import BandGauge, Bands
from render.analysis.boom import BoomGauge, Resonance
from render.analysis.clicks import ClickGauge, Clicks
from render.analysis.clipping import Clipping, ClippingGauge
from render.analysis.delay import Alignment, AlignmentGauge
from render.analysis.dropouts import DropoutGauge, Dropouts
from render.analysis.ends import Ends, find_ends
from render.analysis.envelope import EnvelopeGauge, ToneGauge
from render.analysis.frames import Spectra, SpectralFrames
from render.analysis.hum import Hum, HumGauge
from render.analysis.levels import LevelCurve, LevelGauge, Levels
from render.analysis.likeness import Life, life_from_bands
from render.analysis.low_band import LowFrames
from render.analysis.noise import Noise, noise_from_bands
from render.analysis.profile import Profile, profile_from_cross
from render.analysis.stretches import Stretch, Stretches
from render.audio.array import AnySamples
from render.audio.read import TakeInfo, TakeReader
from render.engine.listen import OnFrames, each_block
from render.finish.source_peaks import NEARBY_FRACTION, highest_between
from render.finish.spectral_loudness import SpectralLoudness
from render.session.takes import Take

CORNER_S = 0.003
"""A click so near to the beginning of a clipped top is a corner of it: tops that are clipped last up to 2 ms."""

CORNER_FRACTION = 0.2
"""And where tops are clipped at all, one lower than this share of them may be a corner of a top too short to count."""


@dataclass(frozen=True, eq=False)
class SourceInspection:
    """What was measured of one source; loudness as of a file of one channel, None if it is undefined."""

    levels: Levels
    loudness_lufs: float | None
    true_peak_gain: float
    clipping: Clipping
    dropouts: Dropouts
    clicks: Clicks
    noise: Noise
    hum: Hum
    life: Life


@dataclass(frozen=True, eq=False)
class Inspection:
    """What was measured of a take.

    Attributes
    ----------
    info : TakeInfo
        What its headers say.
    frames : int
        Of the take, as read.
    sources : two of SourceInspection
        In the order of the channels asked for.
    curve : LevelCurve
    alignment : Alignment
    boom : two tuples of Resonance
        Of each source against the other.
    ends : Ends
    profile : Profile
        Ratio of the sources in narrow cells, by which takes of a session are compared.
    bands : Bands
        Third octaves over time.
    absences : tuple of Absence
        Where one source is gone while the other plays on; none of a source that is dead for the whole take.
    """

    info: TakeInfo
    frames: int
    sources: tuple[SourceInspection, SourceInspection]
    curve: LevelCurve
    alignment: Alignment
    boom: tuple[tuple[Resonance, ...], tuple[Resonance, ...]]
    ends: Ends
    profile: Profile
    bands: Bands
    absences: tuple[Absence, ...] = ()

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.info.sample_rate_hz


class Inspector:
    """All gauges together, for a take that comes block by block.

    Parameters
    ----------
    info : TakeInfo
        What the headers say; its sample rate sets the gauges.
    """

    def __init__(self, info: TakeInfo) -> None:
        rate_hz = info.sample_rate_hz
        self._info, self._frames = info, 0
        self._stretches = Stretches(sample_rate_hz=rate_hz)
        self._levels = LevelGauge(sample_rate_hz=rate_hz)
        self._clipping = ClippingGauge(sample_rate_hz=rate_hz)
        self._dropouts = DropoutGauge(sample_rate_hz=rate_hz)
        self._clicks = ClickGauge(sample_rate_hz=rate_hz)
        self._highest = [0.0, 0.0]
        self._envelope = EnvelopeGauge(sample_rate_hz=rate_hz)
        self._windows = SpectralFrames(sample_rate_hz=rate_hz)
        self._loudness = SpectralLoudness(sample_rate_hz=rate_hz, size=self._windows.size)
        self._alignment = AlignmentGauge(self._windows)
        self._bands = BandGauge(sample_rate_hz=rate_hz)
        self._tones = ToneGauge(sample_rate_hz=rate_hz)
        self._low = LowFrames(sample_rate_hz=rate_hz)
        self._hum = HumGauge(self._low)
        self._boom = BoomGauge(self._low)

    def add(self, block: AnySamples) -> None:
        """Take the next block, shape (frames, 2)."""
        self.add_samples(block)
        self.add_windows(block)

    def add_samples(self, block: AnySamples) -> None:
        """Half of `add`: what looks at samples."""
        self._frames += len(block)
        for stretch in self._stretches.add(block):
            self._add_stretch(stretch)
        self._envelope.add(block)

    def add_windows(self, block: AnySamples) -> None:
        """The other half: what looks at spectra. The two may run side by side, each block by block."""
        self._add_spectra(self._windows.add(block))

    def result(self) -> Inspection:
        """What was measured; nothing may be added afterwards."""
        for stretch in self._stretches.finish():
            self._add_stretch(stretch)
        self._add_spectra(self._windows.finish())
        bands = self._bands.result()
        noise = noise_from_bands(bands)
        hum = self._hum.result()
        hum_hz = tuple(line.frequency_hz for of in hum for line in of.lines)
        corners = round(CORNER_S * self._info.sample_rate_hz)
        clipping = self._clipping.result()
        clicks = [
            _without_corners(found, tops, frames=corners)
            for found, tops in zip(self._clicks.result(), clipping, strict=True)
        ]
        measured = zip(
            self._levels.result(),
            self._loudness.loudness_lufs(self._frames),
            self._highest,
            clipping,
            self._dropouts.result(),
            clicks,
            noise,
            hum,
            life_from_bands(bands),
            strict=True,
        )
        first, second = (SourceInspection(*of_source) for of_source in measured)
        return Inspection(
            info=self._info,
            frames=self._frames,
            sources=(first, second),
            curve=self._levels.curve(),
            alignment=self._alignment.result(),
            boom=(
                self._boom.result(source=0, without_hz=hum_hz),
                self._boom.result(source=1, without_hz=hum_hz),
            ),
            ends=find_ends(self._envelope.result(), bands, self._tones.result()),
            profile=profile_from_cross(self._alignment.cross(), noise),
            bands=bands,
            absences=()
            if any(source.life.dead for source in (first, second))
            else find_absences(bands, duration_s=self._frames / self._info.sample_rate_hz),
        )

    def _add_stretch(self, stretch: Stretch) -> None:
        self._levels.add(stretch)
        self._find_peaks(stretch)
        self._clipping.add(stretch)
        self._dropouts.add(stretch)
        self._clicks.add(stretch)

    def _find_peaks(self, stretch: Stretch) -> None:
        """The highest true peak so far."""
        core = stretch.core
        for channel, sound in enumerate(stretch.sound):
            tops = np.maximum(stretch.highest[channel, core], -stretch.lowest[channel, core])
            highest = max(self._highest[channel], float(tops.max(initial=0.0)))
            slots = np.flatnonzero(tops >= NEARBY_FRACTION * highest) + core.start
            if highest > 0.0 and len(slots):
                highest = highest_between(
                    sound, slots=slots, slot_frames=stretch.slot_frames, highest_gain=highest
                )
            self._highest[channel] = highest

    def _add_spectra(self, spectra: Spectra | None) -> None:
        if spectra is None:
            return
        self._loudness.add(spectra.bins, spectra.power)
        self._alignment.add(spectra)
        self._bands.add(spectra)
        self._tones.add(spectra)
        low = self._low.add(spectra)
        self._hum.add(low)
        self._boom.add(low)


def _without_corners(clicks: Clicks, tops: Clipping, *, frames: int) -> Clicks:
    """Clicks without the corners of clipped tops, which are as sharp."""
    if not clicks.count or not tops.count:
        return clicks
    beside = np.searchsorted(tops.places, np.asarray(clicks.places) - frames)
    kept = [
        (place, height, sure)
        for at, place, height, sure in zip(beside, clicks.places, clicks.heights, clicks.sure, strict=True)
        if (at == len(tops.places) or tops.places[at] > place + frames)
        and height >= CORNER_FRACTION * tops.level_gain
    ]
    return Clicks(
        count=clicks.count - len(clicks.places) + len(kept),
        highest_gain=max((height for _, height, _ in kept), default=0.0),
        places=tuple(place for place, _, _ in kept),
        heights=tuple(height for _, height, _ in kept),
        sure=tuple(sure for _, _, sure in kept),
    )


def inspect_take(
    take: Take, *, channels: tuple[int, int], on_frames: OnFrames | None = None, threads: int = 1
) -> Inspection:
    """Measure a take.

    Parameters
    ----------
    take : Take
    channels : two numbers from 1
        Which channels are the sources.
    on_frames : callable, optional
        Told of every block that is done.
    threads : int
        2 or more: samples and spectra are looked at side by side.

    Returns
    -------
    Inspection
        The same whatever the threads.

    Raises
    ------
    TakeError
        If a file cannot be read, is damaged, or holds a value that is not finite.
    """
    with TakeReader(take.files, channels=channels) as reader:
        inspector = Inspector(reader.info)
        if threads < 2:
            for block in each_block(reader, on_frames=on_frames):
                inspector.add(block)
        else:
            with ThreadPoolExecutor(1) as beside:
                for block in each_block(reader, on_frames=on_frames):
                    samples = beside.submit(inspector.add_samples, block)
                    inspector.add_windows(block)
                    samples.result()
    return inspector.result()
