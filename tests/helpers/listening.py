"""Listening pages with synthesised sound: versions of one signal, told apart by their gain."""

from __future__ import annotations

import io

import numpy as np
import soundfile
from numpy.typing import NDArray

from render.page.content import Excerpt, ListeningPage, PageTake, Version
from tests.helpers.signals import plucks

OCTAVE_HZ = tuple(1000.0 * 10.0 ** (0.3 * n) for n in range(-4, 5))
BAND_HZ = tuple(1000.0 * 10.0 ** (0.1 * n) for n in range(-16, 14))
COLUMNS = 600


def flac(audio: NDArray[np.float64], *, sample_rate_hz: int, subtype: str = "PCM_24") -> bytes:
    """A FLAC file in memory."""
    file = io.BytesIO()
    soundfile.write(file, audio, sample_rate_hz, format="FLAC", subtype=subtype)
    return file.getvalue()


def peaks_of(audio: NDArray[np.float64], *, columns: int = COLUMNS) -> tuple[tuple[float, float], ...]:
    """Lowest and highest sample of each column."""
    parts = np.array_split(audio, min(columns, len(audio)))
    return tuple((float(part.min()), float(part.max())) for part in parts)


def version_of(
    audio: NDArray[np.float64], *, name: str, title: str, sample_rate_hz: int, seed: int = 0
) -> Version:
    """A version with this sound; figures are made up, the same for the same seed."""
    random = np.random.default_rng(seed)
    octave, band = np.log2(np.array(OCTAVE_HZ) / 1000.0), np.log2(np.array(BAND_HZ) / 1000.0)
    tilt, bump = random.uniform(-1.5, 1.5), random.uniform(-4.0, 4.0)
    spectrum = -34.0 - 1.2 * np.abs(band + 1.5) ** 1.7 + tilt * band + bump * np.exp(-((band + 2.5) ** 2))
    side = -14.0 + 12.0 * random.random() + 2.0 * octave - 6.0 * np.exp(-((octave + 3.0) ** 2))
    correlation = (1.0 - 10.0 ** (side / 10.0)) / (1.0 + 10.0 ** (side / 10.0))
    return Version(
        name=name,
        title=title,
        audio=flac(audio, sample_rate_hz=sample_rate_hz),
        frames=len(audio),
        sample_rate_hz=sample_rate_hz,
        loudness_before_lufs=-24.0 + float(random.uniform(-3, 3)),
        gain_db=8.0 + float(random.uniform(-3, 3)),
        true_peak_dbtp=-1.0 - float(random.uniform(0, 3)),
        limiter_max_reduction_db=float(random.uniform(0, 2)),
        loudness_range_lu=None if seed == 0 else 5.0 + float(random.uniform(-1, 1)),
        spectrum_db=tuple(spectrum.tolist()),
        side_to_mid_db=(None, *side[1:].tolist()),
        correlation=(None, *correlation[1:].tolist()),
        mono_loss_lu=-float(random.uniform(0, 3)),
        peaks=peaks_of(audio),
    )


def excerpt_of(
    base: NDArray[np.float64],
    titles: dict[str, str],
    *,
    sample_rate_hz: int,
    gains: tuple[float, ...] | None = None,
    name: str = "typical",
    from_s: float = 31.0,
) -> Excerpt:
    """Versions that are one signal, each at a gain of its own."""
    gains = gains or (1.0,) * len(titles)
    versions = tuple(
        version_of(base * gain, name=key, title=title, sample_rate_hz=sample_rate_hz, seed=index)
        for index, ((key, title), gain) in enumerate(zip(titles.items(), gains, strict=True))
    )
    return Excerpt(name, from_s, from_s + len(base) / sample_rate_hz, versions)


def page_of(
    *takes: PageTake, title: str = "Boathouse, first evening", identity: str = "a1b2c3"
) -> ListeningPage:
    """A page of these takes."""
    return ListeningPage(title, identity, takes, OCTAVE_HZ, BAND_HZ, -16.0)


TITLES = {
    "capture": "The capture as it came",
    "warm": "Warm, fingerstyle",
    "airy": "Open, more room",
    "close": "Close and dry",
}


def boathouse(*, seconds: float = 4.0, sample_rate_hz: int = 48000) -> ListeningPage:
    """Three takes, two excerpts each, four versions."""
    takes = []
    for number, name in enumerate(("01_slipway", "02_first_light", "03_low_water"), start=1):
        excerpts = []
        for part, (kind, from_s) in enumerate((("typical", 31.0), ("loudest", 72.5))):
            sound = 0.5 * plucks(seconds, sample_rate_hz=sample_rate_hz, seed=10 * number + part)
            excerpts.append(
                excerpt_of(
                    sound,
                    TITLES,
                    sample_rate_hz=sample_rate_hz,
                    gains=(1.0, 0.9, 0.8, 0.7),
                    name=kind,
                    from_s=from_s,
                )
            )
        takes.append(PageTake(name, tuple(excerpts)))
    return page_of(*takes)
