"""What a line check prints: a table of levels, then what was found, take by take, with what to do."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath

from render.cli.columns_screen import fitting, left_out, width_of, window_width, wrapped
from render.cli.screen import say
from render.units import clock
from render.workflows.check.findings import Finding, Severity
from render.workflows.check.session import CheckedTake, CheckResult, SourceFigures
from render.workflows.summary import Column

HEADINGS = (
    ("take", ""), ("format", ""), ("length", ""), ("sound", "from, to"), ("source", ""), ("peak", "dBFS"),
    ("true peak", "dBTP"), ("RMS", "dBFS"), ("crest", "dB"), ("loudness", "LUFS"), ("noise", "dBFS"),
    ("delay", "ms"), ("found", ""),
)  # fmt: skip
WORDS = ("take", "format", "source", "found")
LEAST_NEEDED_FIRST = (
    "crest",
    "RMS",
    "format",
    "sound",
    "loudness",
    "peak",
    "length",
    "delay",
    "noise",
    "true peak",
)
"""How loud a take is does not matter before a mix; whether it is clean, and how its sources meet, does."""

ALIKE = 1.04
"""Booms of several takes that lie nearer than this ratio are one: less than a semitone."""

PLURALS: dict[Severity, str] = {"fault": "faults", "warning": "warnings", "note": "notes"}


def print_checked(result: CheckResult, *, faults_only: bool) -> None:
    """Print a whole check; with `faults_only` nothing but what spoils a mix."""
    width = window_width()
    if faults_only:
        for take in result.takes:
            for finding in take.findings:
                if finding.severity == "fault":
                    say(f"{take.name}{_source(take, finding)}: {finding.text}")
        return
    say("\n".join(_table(result.takes, width)))
    for take in result.takes:
        if lines := _told(take, width):
            say("\n" + "\n".join([take.name, *lines]))
    say("")
    for line in _booms(result.takes):
        say(wrapped(line, width, later="  "))
    for note in result.notes:
        say(wrapped(note, width))
    say(wrapped(_count(result), width))
    if result.pictures is not None:
        say(f"pictures in {result.pictures}")


def _table(takes: Sequence[CheckedTake], width: int) -> list[str]:
    """Two rows a take, one a source, in columns that fit; folders and very long names stand on lines of their own."""
    folders = len({take.take.folder for take in takes}) > 1
    names = [PurePath(take.name).name if folders else take.name for take in takes]
    columns = _columns(takes, names)
    shown = fitting(columns, width=width, least_needed_first=LEAST_NEEDED_FIRST)
    alone = width_of(shown) > width
    if alone:  # no room beside the names
        columns = _columns(takes, [""] * len(takes))[1:]
        shown = fitting(columns, width=width, least_needed_first=LEAST_NEEDED_FIRST)
    rows = ["  ".join(row).rstrip() for row in zip(*(column.padded() for column in shown), strict=True)]
    lines, rows = [row for row in rows[:2] if row], rows[2:]
    folder = None
    for take, name in zip(takes, names, strict=True):
        if folders and take.take.folder != folder:
            folder = take.take.folder
            lines.append(f"{_folder_name(take)}/")
        if alone:
            lines.append(name)
        count = len(_rows(take, name))
        lines += rows[:count]
        rows = rows[count:]
    if missing := left_out(columns, shown, see="--json"):
        lines.append(wrapped(missing, width))
    return lines


def _columns(takes: Sequence[CheckedTake], names: Sequence[str]) -> list[Column]:
    """The whole table, its takes called by these names."""
    rows = [row for take, name in zip(takes, names, strict=True) for row in _rows(take, name)]
    return [
        Column(heading, unit, cells, holds_words=heading in WORDS)
        for (heading, unit), cells in zip(HEADINGS, zip(*rows, strict=True), strict=True)
    ]


def _folder_name(take: CheckedTake) -> str:
    """Its folder within the session; the session's own by its name."""
    folder = take.take.folder
    return folder.as_posix() if folder.parts else take.take.files[0].absolute().parent.name


def _rows(take: CheckedTake, name: str) -> list[tuple[str, ...]]:
    """One row a source, one in all if the take could not be read."""
    found = _counted(take) or "in order"
    inspection = take.inspection
    if inspection is None:
        return [(name, *[""] * (len(HEADINGS) - 2), found)]
    delay = (
        "-"
        if take.delay_ms is None
        else f"{round(take.delay_ms, 3) + 0.0:+.3f} \u00b1 {take.delay_uncertainty_ms:.3f}"
    )
    first, second = take.sources
    from_s, to_s = inspection.ends.sound_from_s, inspection.ends.sound_to_s
    rate = f"{inspection.info.sample_rate_hz / 1000:g} kHz"
    length, subtype = clock(inspection.duration_s), inspection.info.subtype.replace("_", " ")
    return [
        (name, rate, length, _moment(from_s), take.names[0], *_levels(first), "", found),
        ("", subtype, "", _moment(to_s), take.names[1], *_levels(second), delay, ""),
    ]


def _levels(source: SourceFigures) -> list[str]:
    keys = ("peak_dbfs", "true_peak_dbtp", "rms_dbfs", "crest_db", "loudness_lufs", "noise_dbfs")
    return [
        "-" if value is None else f"{round(value, 1) + 0.0:.1f}" for value in (source[key] for key in keys)
    ]


def _moment(instant_s: float | None) -> str:
    return "-" if instant_s is None else clock(instant_s)


def _told(take: CheckedTake, width: int) -> list[str]:
    """Every finding with its remedy, wrapped."""
    lines = []
    for finding in _under_its_name(take):
        text = f"{finding.severity}{_source(take, finding)}: {finding.text}"
        lines.append(wrapped(text, width, first="  ", later="      "))
        lines.append(wrapped(finding.remedy, width, first="      ", later="      "))
    return lines


def _is_other_guitar(take: CheckedTake) -> bool:
    return any(finding.kind == "other-guitar" for finding in take.findings)


def _under_its_name(take: CheckedTake) -> list[Finding]:
    """What is told of a take itself: not the booms of the guitar that it shares with its folder."""
    alone = _is_other_guitar(take)
    return [finding for finding in take.findings if alone or finding.kind != "boom"]


def _booms(takes: Sequence[CheckedTake]) -> list[str]:
    """Body resonances of the takes of a folder together, a line a source: what one guitar does in every take."""
    heard: dict[tuple[PurePath, str], list[tuple[float, float, str]]] = {}
    sizes: dict[PurePath, int] = {}
    names = {take.take.folder: _folder_name(take) for take in takes}
    for take in takes:
        folder = take.take.folder
        sizes[folder] = sizes.get(folder, 0) + 1
        for finding in () if _is_other_guitar(take) else take.findings:
            if finding.kind == "boom" and finding.channel is not None:
                hz, db = (finding.figures[key] for key in ("frequency_hz", "prominence_db"))
                if isinstance(hz, float) and isinstance(db, float):
                    heard.setdefault((folder, take.name_of(finding.channel)), []).append((hz, db, take.name))
    lines = []
    for (folder, source), booms in heard.items():
        where = f"{names[folder]}, {source}" if len(names) > 1 else source
        told = ", ".join(_boom_words(group, sizes[folder]) for group in _groups(booms))
        lines.append(f"note, {where}: it booms at {told}")
    return [*lines, "drytake suggest fits cuts to what booms, for one guitar at a time"] if lines else []


def _groups(booms: Sequence[tuple[float, float, str]]) -> list[list[tuple[float, float, str]]]:
    groups: list[list[tuple[float, float, str]]] = []
    for boom in sorted(booms):
        if groups and boom[0] < ALIKE * groups[-1][-1][0]:
            groups[-1].append(boom)
        else:
            groups.append([boom])
    return groups


def _boom_words(group: Sequence[tuple[float, float, str]], takes: int) -> str:
    """`104 Hz (12 dB, 3 takes)`: the mean frequency, the most it stands out."""
    mean_hz = sum(hz for hz, _, _ in group) / len(group)
    heard_in = len({name for _, _, name in group})
    count = f", {heard_in} {'take' if heard_in == 1 else 'takes'}" if takes > 1 else ""
    return f"{mean_hz:.0f} Hz ({max(db for _, db, _ in group):.0f} dB{count})"


def _source(take: CheckedTake, finding: Finding) -> str:
    if finding.channel is None:
        return ""
    return f", {take.name_of(finding.channel)}"


def _counted(take: CheckedTake) -> str:
    """`1 fault, 2 warnings`: as many as stand under its name."""
    parts = []
    for severity, plural in PLURALS.items():
        count = sum(finding.severity == severity for finding in _under_its_name(take))
        if count:
            parts.append(f"{count} {severity if count == 1 else plural}")
    return ", ".join(parts)


def _count(result: CheckResult) -> str:
    takes = len(result.takes)
    graves = [take.gravest for take in result.takes]
    parts = [
        f"{graves.count(severity)} with {PLURALS[severity]}"
        for severity in ("fault", "warning")
        if severity in graves
    ]
    sound = takes - graves.count("fault") - graves.count("warning")
    if sound:
        parts.append(f"{sound} in order")
    return f"{takes} {'take' if takes == 1 else 'takes'}: {', '.join(parts)}"
