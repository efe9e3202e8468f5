"""What a line check prints: a table of levels, then what was found, take by take, with what to do."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Sequence

from render.cli.screen import say
from render.units import clock
from render.workflows.check.findings import Finding, Severity
from render.workflows.check.session import CheckedTake, CheckResult, SourceFigures

HEADINGS = (
    "take", "format", "length", "sound", "source", "peak", "true peak", "RMS", "crest", "loudness", "noise", "delay",
    "found",
)  # fmt: skip
UNITS = ("", "", "", "from, to", "", "dBFS", "dBTP", "dBFS", "dB", "LUFS", "dBFS", "ms", "")
WORDS = (0, 1, 4, 12)  # columns of words, set left; the others hold numbers
LEAST_NEEDED_FIRST = (5, 8, 7, 1, 3, 2, 10, 11, 6)
NARROWEST = 50
PLURALS: dict[Severity, str] = {"fault": "faults", "warning": "warnings", "note": "notes"}


def print_checked(result: CheckResult, *, faults_only: bool) -> None:
    """Print a whole check; with `faults_only` nothing but what spoils a mix."""
    width = max(shutil.get_terminal_size((100, 24)).columns, NARROWEST)
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
        say(textwrap.fill(line, width, subsequent_indent="  "))
    for note in result.notes:
        say(textwrap.fill(note, width))
    say(_count(result))
    if result.pictures is not None:
        say(f"pictures in {result.pictures}")


def _table(takes: Sequence[CheckedTake], width: int) -> list[str]:
    """Two rows a take, one a source, in columns that fit."""
    rows = [HEADINGS, UNITS, *(row for take in takes for row in _rows(take))]
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEADINGS))]
    shown = list(range(len(HEADINGS)))
    for column in LEAST_NEEDED_FIRST:
        if sum(widths[c] + 2 for c in shown) - 2 <= width:
            break
        shown.remove(column)
    lines = [
        "  ".join(row[c].ljust(widths[c]) if c in WORDS else row[c].rjust(widths[c]) for c in shown).rstrip()
        for row in rows
    ]
    left_out = [HEADINGS[column] for column in range(len(HEADINGS)) if column not in shown]
    if left_out:
        lines.append(f"no room for: {', '.join(left_out)}; widen the window, or use --json")
    return lines


def _rows(take: CheckedTake) -> list[tuple[str, ...]]:
    found = _counted(take.findings) or "-"
    inspection = take.inspection
    if inspection is None:
        return [(take.name, *[""] * (len(HEADINGS) - 2), found)]
    delay = "-" if take.delay_ms is None else f"{take.delay_ms:+.3f} \u00b1 {take.delay_uncertainty_ms:.3f}"
    first, second = take.sources
    from_s, to_s = inspection.ends.sound_from_s, inspection.ends.sound_to_s
    rate = f"{inspection.info.sample_rate_hz / 1000:g} kHz"
    return [
        (
            take.name,
            rate,
            clock(inspection.duration_s),
            _moment(from_s),
            take.names[0],
            *_levels(first),
            "",
            found,
        ),
        (
            "",
            inspection.info.subtype.replace("_", " "),
            "",
            _moment(to_s),
            take.names[1],
            *_levels(second),
            delay,
            "",
        ),
    ]


def _levels(source: SourceFigures) -> list[str]:
    return [
        "-" if source[key] is None else f"{source[key]:.1f}"
        for key in ("peak_dbfs", "true_peak_dbtp", "rms_dbfs", "crest_db", "loudness_lufs", "noise_dbfs")
    ]


def _moment(instant_s: float | None) -> str:
    return "-" if instant_s is None else clock(instant_s)


def _told(take: CheckedTake, width: int) -> list[str]:
    """Every finding with its remedy, wrapped."""
    lines = []
    for finding in take.findings:
        if finding.kind == "boom":  # the same in every take of a guitar: told once, below
            continue
        text = f"{finding.severity}{_source(take, finding)}: {finding.text}"
        lines.append(textwrap.fill(text, width, initial_indent="  ", subsequent_indent="      "))
        lines.append(
            textwrap.fill(finding.remedy, width, initial_indent="      ", subsequent_indent="      ")
        )
    return lines


def _booms(takes: Sequence[CheckedTake]) -> list[str]:
    """Body resonances of all takes together, a line a source."""
    heard: dict[str, list[tuple[float, float]]] = {}
    for take in takes:
        for finding in take.findings:
            if finding.kind == "boom" and finding.channel is not None:
                hz, db = (finding.figures[key] for key in ("frequency_hz", "prominence_db"))
                if isinstance(hz, float) and isinstance(db, float):
                    heard.setdefault(take.name_of(finding.channel), []).append((hz, db))
    lines = []
    for name, booms in heard.items():
        groups: list[list[tuple[float, float]]] = []
        for boom in sorted(booms):
            if groups and boom[0] < 1.04 * groups[-1][-1][0]:
                groups[-1].append(boom)
            else:
                groups.append([boom])
        told = [
            f"{sum(hz for hz, _ in group) / len(group):.0f} Hz ({max(db for _, db in group):.0f} dB"
            + (f", {len(group)} take{'s' if len(group) > 1 else ''})" if len(takes) > 1 else ")")
            for group in groups
        ]
        lines.append(f"note, {name}: it booms at {', '.join(told)}. drytake suggest fits cuts to it.")
    return lines


def _source(take: CheckedTake, finding: Finding) -> str:
    if finding.channel is None:
        return ""
    return f", {take.name_of(finding.channel)}"


def _counted(findings: Sequence[Finding]) -> str:
    """`1 fault, 2 warnings`."""
    parts = []
    for severity, plural in PLURALS.items():
        count = sum(finding.severity == severity for finding in findings)
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
