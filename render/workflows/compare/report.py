"""Figures of a comparison as plain values and as tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from render.page.build import PageFiles
from render.page.content import ListeningPage, Version
from render.version import __version__
from render.workflows.compare.choices import CAPTURE, Choice
from render.workflows.compare.pairs import THRESHOLDS, Pair, spectral_distance_db
from render.workflows.compare.plain_table import for_terminal
from render.workflows.summary import Column

HEADINGS = (("take", ""), ("version", ""), ("before", "LUFS"), ("gain", "dB"), ("range", "LU"), ("from dry", "dB"),
            ("side/mid", "dB"), ("in mono", "LU"), ("limiter", "dB"))  # fmt: skip
WORDS = ("take", "version")
MEANINGS = {
    "before": "loudness as it came out",
    "gain": "what matched it",
    "range": "between soft and loud passages",
    "from dry": "how far its spectrum lies from the capture's",
    "side/mid": "width, below -20 nearly mono",
    "in mono": "what one loudspeaker loses",
}
Row = tuple[str, ...]
Widths = Mapping[tuple[str, str, str], float | None]


def as_dict(
    page: ListeningPage | None,
    *,
    choices: Sequence[Choice],
    pairs: Sequence[Pair],
    widths_db: Widths,
    files: PageFiles | None,
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
        "loudness_because": None if page is None else page.loudness_because,
        "complete": None if files is None else files.complete,
        "bytes": None if files is None else files.bytes_in_all,
        "octave_hz": [] if page is None else [round(hz, 3) for hz in page.octave_hz],
        "band_hz": [] if page is None else [round(hz, 3) for hz in page.band_hz],
        "versions": [{"name": choice.name, "title": choice.title} for choice in choices],
        "takes": [] if page is None else _takes(page, widths_db),
        "pairs": [pair.as_dict() for pair in pairs],
        "thresholds": THRESHOLDS,
        "failed": [{"take": take, "reason": reason} for take, reason in failures],
        "notes": list(notes),
    }


def columns_of(page: ListeningPage, widths_db: Widths, *, with_names: bool = True) -> list[Column]:
    """The table: a row a version of every excerpt; versions by the page's numbers, and by name if asked.

    A take's excerpt stands in its second row: there are two versions of each at least. A figure that no version has
    has no column.
    """
    rows: list[tuple[str, ...]] = []
    for take in page.takes:
        for excerpt in take.excerpts:
            dry = _dry(excerpt.versions)
            for index, version in enumerate(excerpt.versions):
                places = (take.name, f"  {excerpt.title or excerpt.name}")
                rows.append(
                    (
                        places[index] if index < len(places) else "",
                        f"{index + 1} {for_terminal(version.name)}" if with_names else str(index + 1),
                        _text(version.loudness_before_lufs),
                        _text(version.gain_db, sign=True) if version.matched else "-",
                        _text(version.loudness_range_lu),
                        "-" if version is dry else _text(_distance(version, dry)[0]),
                        _text(widths_db[take.name, excerpt.name, version.name]),
                        _text(version.mono_loss_lu),
                        _text(version.limiter_max_reduction_db),
                    )
                )
    columns = [
        Column(heading, unit, cells, holds_words=heading in WORDS)
        for (heading, unit), cells in zip(HEADINGS, zip(*rows, strict=True), strict=True)
    ]
    return [column for column in columns if column.holds_words or set(column.cells) != {"-"}]


def legend_of(columns: Sequence[Column], choices: Sequence[Choice]) -> str:
    """What stands in these columns, in a sentence."""
    limited = [number for number, choice in enumerate(choices, start=1) if choice.limited]
    limiter = (
        f"how far version {limited[0]}, the only one with its limiter, has its loudest peak turned down"
        if limited
        else "how far the finished file would have its loudest peak here turned down (on the page nothing is limited)"
    )
    words = {**MEANINGS, "limiter": limiter}
    return "; ".join(
        f"{column.heading}: {words[column.heading]}" for column in columns if column.heading in words
    )


def pair_lines(pairs: Sequence[Pair]) -> list[str]:
    """Which pairs lie so near to each other that a listener is hardly able to tell them apart."""
    alike = [pair for pair in pairs if pair.alike]
    if not alike:
        return ["every version differs from every other by more than a listener is likely to miss"]
    return [
        f"{for_terminal(pair.first)} and {for_terminal(pair.second)}: hardly to be told apart by these figures "
        f"(at most {_text(pair.largest_band_db)} dB in a third octave, {_text(pair.largest_width_db)} dB in width)"
        for pair in alike
    ]


def distance_rows(pairs: Sequence[Pair], choices: Sequence[Choice]) -> list[Row]:
    """Spectral distances between all versions, a triangle; columns have numbers, as rows have."""
    found = {(pair.first, pair.second): pair.distance_db for pair in pairs}
    names = [choice.name for choice in choices]
    rows: list[Row] = [("", "", *(str(number) for number in range(1, len(names))))]
    for row, name in enumerate(names):
        values = (
            _text(found[names[column], name]) if column < row else "" for column in range(len(names) - 1)
        )
        rows.append((str(row + 1), for_terminal(name), *values))
    return rows


def level_line(page: ListeningPage, choices: Sequence[Choice], *, set_by: str) -> str:
    """At which loudness the versions are, what decided it, and which are not.

    Parameters
    ----------
    page : ListeningPage
    choices : sequence of Choice
    set_by : str
        Name of the version whose peaks hold the loudness down, "" if none does.
    """
    because = page.loudness_because
    if set_by:
        because += f" (version {[choice.name for choice in choices].index(set_by) + 1})"
    limited = [number for number, choice in enumerate(choices, start=1) if choice.limited]
    without = f"only version {limited[0]} is limited" if limited else "without limiting"
    apart = "; ".join(f"{take.name} ({take.unmatched})" for take in page.takes if take.unmatched)
    line = f"all at {page.loudness_lufs:.1f} LUFS, {because}; {without}"
    return f"{line}; all but {apart}" if apart else line


def passing_on_line(files: PageFiles) -> str:
    """What has to be sent, and how large it is."""
    size = f"{files.bytes_in_all / 1e6:.{1 if files.bytes_in_all < 10e6 else 0}f} MB"
    if files.complete:
        return f"to pass it on: send index.html, one file of {size}"
    return f"to pass it on: send index.html and the folder sound beside it, {size} together"


THRESHOLD_TEXT = (
    "Taken as hardly heard: third octaves within 1 dB and width within 1 dB in every octave (common practice, no "
    "source), rooms within 5 % of decay and 1 dB of level (ISO 3382-1), all at one loudness within 0.05 LU (a "
    "comparison wants 0.1 dB: Clark 1982). Figures do not hear: the page has a test with its exact probability."
)


def _takes(page: ListeningPage, widths_db: Widths) -> list[dict[str, object]]:
    return [
        {
            "take": take.name,
            "unmatched": take.unmatched,
            "excerpts": [
                {
                    "excerpt": excerpt.name,
                    "title": excerpt.title or excerpt.name,
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
    distance, largest = _distance(version, _dry(all_versions))
    return {
        "version": version.name,
        "frames": version.frames,
        "sample_rate_hz": version.sample_rate_hz,
        "loudness_before_lufs": version.loudness_before_lufs,
        "gain_db": version.gain_db,
        "matched": version.matched,
        "true_peak_dbtp": version.true_peak_dbtp,
        "limiter_max_reduction_db": version.limiter_max_reduction_db,
        "loudness_range_lu": version.loudness_range_lu,
        "distance_from_capture_db": _figure(distance),
        "largest_band_difference_db": _figure(largest),
        "side_to_mid_db": None if width_db is None else round(width_db, 3),
        "mono_loss_lu": version.mono_loss_lu,
        "spectrum_db": [round(value, 3) for value in version.spectrum_db],
        "octave_side_to_mid_db": [_figure(value) for value in version.side_to_mid_db],
        "octave_correlation": [_figure(value) for value in version.correlation],
    }


def _dry(versions: Sequence[Version]) -> Version:
    return next(version for version in versions if version.name == CAPTURE)


def _distance(version: Version, dry: Version) -> tuple[float | None, float | None]:
    """Root mean square and largest difference from the capture; none where one of the two is not matched."""
    if not (version.matched and dry.matched):
        return None, None
    return spectral_distance_db(version, dry)


def _figure(value: float | None) -> float | None:
    return None if value is None else round(value, 3) + 0.0


def _text(value: float | None, *, sign: bool = False) -> str:
    if value is None:
        return "-"
    rounded = round(value, 1) + 0.0  # no minus before a zero
    return f"{rounded:+.1f}" if sign else f"{rounded:.1f}"
