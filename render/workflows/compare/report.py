"""Figures of a comparison as plain values and as tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from render.page.content import ListeningPage, Version
from render.version import __version__
from render.workflows.compare.choices import CAPTURE, Choice
from render.workflows.compare.pairs import THRESHOLDS, Pair, spectral_distance_db

HEADINGS = ("take", "version", "before", "gain", "range", "from dry", "side/mid", "in mono", "limiter")
UNITS = ("", "", "LUFS", "dB", "LU", "dB", "dB", "LU", "dB")
Row = tuple[str, ...]
Widths = Mapping[tuple[str, str, str], float | None]


def as_dict(
    page: ListeningPage | None,
    *,
    choices: Sequence[Choice],
    pairs: Sequence[Pair],
    widths_db: Widths,
    failures: Sequence[tuple[str, str]],
    notes: Sequence[str],
) -> dict[str, object]:
    """Everything but the sound."""
    return {
        "format": "drytake-compare",
        "version": 1,
        "drytake": __version__,
        "title": None if page is None else page.title,
        "page": None if page is None else page.identity,
        "loudness_lufs": None if page is None else page.loudness_lufs,
        "octave_hz": [] if page is None else [round(hz, 3) for hz in page.octave_hz],
        "band_hz": [] if page is None else [round(hz, 3) for hz in page.band_hz],
        "versions": [{"name": choice.name, "title": choice.title} for choice in choices],
        "takes": [] if page is None else _takes(page, widths_db),
        "pairs": [pair.as_dict() for pair in pairs],
        "thresholds": THRESHOLDS,
        "failed": [{"take": take, "reason": reason} for take, reason in failures],
        "notes": list(notes),
    }


def rows_of(page: ListeningPage, widths_db: Widths) -> list[Row]:
    """A row a version of every excerpt, as text."""
    rows: list[Row] = []
    for take in page.takes:
        for excerpt in take.excerpts:
            dry = _dry(excerpt.versions)
            for index, version in enumerate(excerpt.versions):
                distance = None if version is dry else spectral_distance_db(version, dry)[0]
                rows.append(
                    (
                        f"{take.name}, {excerpt.name}" if index == 0 else "",
                        version.name,
                        _text(version.loudness_before_lufs),
                        _text(version.gain_db, sign=True),
                        _text(version.loudness_range_lu),
                        _text(distance),
                        _text(widths_db[take.name, excerpt.name, version.name]),
                        _text(version.mono_loss_lu),
                        "-" if version is dry else _text(version.limiter_max_reduction_db),
                    )
                )
    return rows


def pair_lines(pairs: Sequence[Pair]) -> list[str]:
    """Which pairs lie so near to each other that a listener is hardly able to tell them apart."""
    alike = [pair for pair in pairs if pair.alike]
    if not alike:
        return ["every version differs from every other by more than a listener is likely to miss"]
    return [
        f"{pair.first} and {pair.second}: hardly to be told apart by these figures "
        f"(at most {pair.largest_band_db:.1f} dB in a third octave, {pair.largest_width_db:.1f} dB in width)"
        for pair in alike
    ]


def distance_rows(pairs: Sequence[Pair], choices: Sequence[Choice]) -> list[Row]:
    """Spectral distances between all versions, a triangle; columns have letters, as rows have."""
    found = {(pair.first, pair.second): pair.distance_db for pair in pairs}
    names = [choice.name for choice in choices]
    letters = [letter_of(index) for index in range(len(names))]
    rows: list[Row] = [("", "", *letters[:-1])]
    for row, name in enumerate(names):
        values = (
            f"{found[names[column], name]:.1f}" if column < row else "" for column in range(len(names) - 1)
        )
        rows.append((letters[row], name, *values))
    return rows


def letter_of(index: int) -> str:
    """A for the first version, and so on: there are 26 at most."""
    return chr(ord("A") + index)


THRESHOLD_TEXT = (
    "Taken as hardly heard: third octaves within 1 dB and width within 1 dB in every octave (common practice, no "
    "source), rooms within 5 % of decay and 1 dB of level (ISO 3382-1), all at one loudness within 0.05 LU (a "
    "comparison wants 0.1 dB: Clark 1982). Figures do not hear: the page has a test with its exact probability."
)


def _takes(page: ListeningPage, widths_db: Widths) -> list[dict[str, object]]:
    return [
        {
            "take": take.name,
            "excerpts": [
                {
                    "excerpt": excerpt.name,
                    "from_s": excerpt.from_s,
                    "to_s": excerpt.to_s,
                    "versions": [
                        _version(version, excerpt.versions, widths_db[take.name, excerpt.name, version.name])
                        for version in excerpt.versions
                    ],
                }
                for excerpt in take.excerpts
            ],
        }
        for take in page.takes
    ]


def _version(version: Version, all_versions: Sequence[Version], width_db: float | None) -> dict[str, object]:
    distance, largest = spectral_distance_db(version, _dry(all_versions))
    return {
        "version": version.name,
        "frames": version.frames,
        "sample_rate_hz": version.sample_rate_hz,
        "loudness_before_lufs": version.loudness_before_lufs,
        "gain_db": version.gain_db,
        "true_peak_dbtp": version.true_peak_dbtp,
        "limiter_max_reduction_db": version.limiter_max_reduction_db,
        "loudness_range_lu": version.loudness_range_lu,
        "distance_from_capture_db": round(distance, 3),
        "largest_band_difference_db": round(largest, 3),
        "side_to_mid_db": None if width_db is None else round(width_db, 3),
        "mono_loss_lu": version.mono_loss_lu,
        "spectrum_db": [round(value, 3) for value in version.spectrum_db],
        "octave_side_to_mid_db": [_figure(value) for value in version.side_to_mid_db],
        "octave_correlation": [_figure(value) for value in version.correlation],
    }


def _dry(versions: Sequence[Version]) -> Version:
    return next(version for version in versions if version.name == CAPTURE)


def _figure(value: float | None) -> float | None:
    return None if value is None else round(value, 3) + 0.0


def _text(value: float | None, *, sign: bool = False) -> str:
    if value is None:
        return "-"
    return f"{value:+.1f}" if sign else f"{value + 0.0:.1f}".replace("-0.0", "0.0")
