"""What a listening page shows: takes, their excerpts, and the versions of each to choose from.

Between the workflow, which renders and measures, and `build`, which puts the page together. Numbers only, nothing is
worked out here; what cannot be shown is refused when the page is written, with its place.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

TYPICAL, LOUDEST, WHOLE = "typical", "loudest", "whole"
"""Names of excerpts, in the order of the page."""


@dataclass(frozen=True)
class Version:
    """One choice to hear: an excerpt, rendered with one recipe, at the common loudness.

    Attributes
    ----------
    name : str
        By which votes know it: "capture", or the recipe's name.
    title : str
        For people.
    audio : bytes or str
        A FLAC file, or the name of one relative to the page's folder.
    frames, sample_rate_hz : int
        Of that file; the same for all versions of an excerpt.
    loudness_before_lufs : float or None
        Before matching; none for silence.
    gain_db : float
        What matched it.
    true_peak_dbtp : float or None
        After matching.
    limiter_max_reduction_db : float or None
        What the limiter of the finished file does to this passage, 0 where it never works; none where the version is
        no finished mix.
    loudness_range_lu : float or None
        None for what is shorter than a minute: EBU Tech 3342 is not for that.
    spectrum_db : tuple of float
        After matching, one a band of the page's `band_hz`.
    side_to_mid_db, correlation : tuple of float or None
        One an octave of the page's `octave_hz`; none where there is nothing to compare.
    mono_loss_lu : float or None
        What one loudspeaker loses of it; below 0: softer.
    peaks : tuple of (float, float)
        Lowest and highest sample of each column of the waveform; full scale 1.0.
    matched : bool
        Whether it is at the page's loudness; else it is left as it is, and no fair judgement is possible.
    """

    name: str
    title: str
    audio: bytes | str
    frames: int
    sample_rate_hz: int
    loudness_before_lufs: float | None
    gain_db: float
    true_peak_dbtp: float | None
    limiter_max_reduction_db: float | None
    loudness_range_lu: float | None
    spectrum_db: tuple[float, ...]
    side_to_mid_db: tuple[float | None, ...]
    correlation: tuple[float | None, ...]
    mono_loss_lu: float | None
    peaks: tuple[tuple[float, float], ...]
    matched: bool = True


@dataclass(frozen=True)
class Excerpt:
    """A passage of a take in every version.

    Attributes
    ----------
    name : str
        "typical", "loudest" or "whole": by which votes know it.
    from_s, to_s : float
        Where in the capture it lies.
    versions : tuple of Version
        At least one; names differ.
    title : str
        For people; "" says that the name will do.
    """

    name: str
    from_s: float
    to_s: float
    versions: tuple[Version, ...]
    title: str = ""


@dataclass(frozen=True)
class PageTake:
    """One take and the excerpts of it.

    Attributes
    ----------
    name : str
    excerpts : tuple of Excerpt
        At least one; names differ.
    unmatched : str
        Which of its versions are not at the page's loudness, by number, and why: short text; "" where all are.
    """

    name: str
    excerpts: tuple[Excerpt, ...]
    unmatched: str = ""


@dataclass(frozen=True)
class ListeningPage:
    """A page.

    Attributes
    ----------
    title : str
    identity : str
        Names this set of takes and versions: votes made on another set are told by it.
    takes : tuple of PageTake
        At least one; names differ.
    octave_hz, band_hz : tuple of float
        Mid-band frequencies, rising.
    loudness_lufs : float
        To which all versions are matched, but for those that are marked.
    loudness_because : str
        How that was chosen, and which take set it: words to stand behind the figure and a comma. Names no version.
    """

    title: str
    identity: str
    takes: tuple[PageTake, ...]
    octave_hz: tuple[float, ...]
    band_hz: tuple[float, ...]
    loudness_lufs: float
    loudness_because: str = ""


def check_page(page: ListeningPage) -> None:
    """Refuse what cannot be shown or compared.

    Raises
    ------
    ValueError
        Naming the place, the value and what is allowed.
    """
    if not page.takes:
        raise ValueError("takes must hold at least one take, not ()")
    if not page.identity:
        raise ValueError("identity must be a name for this set of versions, not ''")
    _check_rising("octave_hz", page.octave_hz)
    _check_rising("band_hz", page.band_hz)
    _check_finite("loudness_lufs", [page.loudness_lufs])
    _check_different("names of takes", (take.name for take in page.takes))
    for take in page.takes:
        if not take.excerpts:
            raise ValueError(f"take {take.name!r}: excerpts must hold at least one, not ()")
        _check_different(f"take {take.name!r}: names of excerpts", (part.name for part in take.excerpts))
        for excerpt in take.excerpts:
            _check_excerpt(page, excerpt, place=f"take {take.name!r}, excerpt {excerpt.name!r}")


def _check_excerpt(page: ListeningPage, excerpt: Excerpt, *, place: str) -> None:
    if not excerpt.versions:
        raise ValueError(f"{place}: versions must hold at least one, not ()")
    _check_finite(f"{place}: from_s, to_s", [excerpt.from_s, excerpt.to_s])
    _check_different(f"{place}: names of versions", (version.name for version in excerpt.versions))
    first = excerpt.versions[0]
    for version in excerpt.versions:
        here = f"{place}, version {version.name!r}"
        if version.frames < 1 or version.sample_rate_hz < 1:
            raise ValueError(
                f"{here}: frames and sample_rate_hz must be 1 or more,"
                f" not {version.frames} and {version.sample_rate_hz}"
            )
        if (version.frames, version.sample_rate_hz) != (first.frames, first.sample_rate_hz):
            raise ValueError(
                f"{here}: frames = {version.frames} at {version.sample_rate_hz} Hz must be as of"
                f" {first.name!r}, {first.frames} at {first.sample_rate_hz} Hz: versions are switched in step"
            )
        for key, wanted in (("spectrum_db", page.band_hz), ("side_to_mid_db", page.octave_hz),
                            ("correlation", page.octave_hz)):  # fmt: skip
            if len(getattr(version, key)) != len(wanted):
                raise ValueError(
                    f"{here}: {key} must hold {len(wanted)} values, one a band, not {len(getattr(version, key))}"
                )
        if not version.peaks:
            raise ValueError(f"{here}: peaks must hold at least one column, not ()")
        for key, values in _numbers(version):
            _check_finite(f"{here}: {key}", values)


def _numbers(version: Version) -> Iterator[tuple[str, Iterable[float | None]]]:
    for key in ("loudness_before_lufs", "gain_db", "true_peak_dbtp", "limiter_max_reduction_db",
                "loudness_range_lu", "mono_loss_lu"):  # fmt: skip
        yield key, [getattr(version, key)]
    for key in ("spectrum_db", "side_to_mid_db", "correlation"):
        yield key, getattr(version, key)
    yield "peaks", (value for column in version.peaks for value in column)


def _check_finite(key: str, values: Iterable[float | None]) -> None:
    for value in values:
        if value is not None and not math.isfinite(value):
            raise ValueError(f"{key} must be finite, not {value}")


def _check_rising(key: str, values: tuple[float, ...]) -> None:
    _check_finite(key, values)
    if len(values) < 2 or min(values) <= 0 or any(b <= a for a, b in itertools.pairwise(values)):
        raise ValueError(f"{key} must be two or more rising frequencies above 0 Hz, not {values}")


def _check_different(key: str, names: Iterable[str]) -> None:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            raise ValueError(f"{key} must differ; {name!r} is there twice")
        seen.add(name)
