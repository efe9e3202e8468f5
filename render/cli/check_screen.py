"""What a line check prints: a table of levels, then what was found, take by take, with what to do."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Sequence

from render.cli.screen import say
from render.workflows.check.findings import Finding, Severity, clock
from render.workflows.check.session import CheckedTake, CheckResult

HEADINGS = ("take", "length", "source", "true peak", "loudness", "noise", "delay", "found")
UNITS = ("", "", "", "dBTP", "LUFS", "dBFS", "ms", "")
WORDS = (0, 2, 7)  # columns of words, set left; the others hold numbers
LEAST_NEEDED_FIRST = (1, 5, 6, 3)
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
        if take.findings:
            say("\n" + "\n".join([take.name, *_told(take, width)]))
    say("")
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
    return [
        "  ".join(row[c].ljust(widths[c]) if c in WORDS else row[c].rjust(widths[c]) for c in shown).rstrip()
        for row in rows
    ]


def _rows(take: CheckedTake) -> list[tuple[str, ...]]:
    found = _counted(take.findings) or "-"
    if take.inspection is None:
        return [(take.name, "-", "", "", "", "", "", found)]
    delay = "-" if take.delay_ms is None else f"{take.delay_ms:+.3f}"
    first, second = take.sources
    return [
        (take.name, clock(take.duration_s or 0.0), take.names[0], *_levels(first), "", found),
        ("", "", take.names[1], *_levels(second), delay, ""),
    ]


def _levels(source: dict[str, float | int | None]) -> tuple[str, str, str]:
    true_peak, loudness, noise = (
        "-" if source[key] is None else f"{source[key]:.1f}"
        for key in ("true_peak_dbtp", "loudness_lufs", "noise_dbfs")
    )
    return true_peak, loudness, noise


def _told(take: CheckedTake, width: int) -> list[str]:
    """Every finding with its remedy, wrapped."""
    lines = []
    for finding in take.findings:
        text = f"{finding.severity}{_source(take, finding)}: {finding.text}"
        lines.append(textwrap.fill(text, width, initial_indent="  ", subsequent_indent="      "))
        lines.append(
            textwrap.fill(finding.remedy, width, initial_indent="      ", subsequent_indent="      ")
        )
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
