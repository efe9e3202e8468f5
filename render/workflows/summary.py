"""The table that a batch ends with: the same rows for the screen and for `summary.txt`."""

from __future__ import annotations

from collections.abc import Sequence

from render.engine.ledger import Line

HEADINGS = (
    "take",
    "recipe",
    "result",
    "loudness",
    "range",
    "true peak",
    "limiter",
    "side/mid",
    "in mono",
    "took",
)
UNITS = ("", "", "", "LUFS", "LU", "dBTP", "dB", "dB", "LU", "s")
LEFT = 3  # so many columns hold words, the others numbers


def summary_rows(lines: Sequence[Line]) -> list[tuple[str, ...]]:
    """One row of text a render, in the order of `HEADINGS`."""
    return [
        (
            line["take"],
            line["recipe"],
            line["status"] + (" *" if line["warnings"] else ""),
            _figure(line["loudness_lufs"]),
            _figure(line["loudness_range_lu"]),
            _figure(line["true_peak_dbtp"]),
            _figure(_negative(line["limiter_max_reduction_db"])),
            _figure(line["side_to_mid_db"]),
            _figure(line["mono_loudness_change_lu"]),
            _figure(line["seconds"], decimals=2),
        )
        for line in lines
    ]


def summary_remarks(lines: Sequence[Line], notes: Sequence[str]) -> list[str]:
    """What the numbers do not say: why a take failed, what was met on the way; each thing once for all recipes."""
    said: dict[str, list[str]] = {}
    for line in lines:
        failed = [f"{line['take']} failed: {line['reason']}"] if line["status"] == "failed" else []
        for text in failed + [f"* {line['take']}: {text}" for text in line["warnings"]]:
            said.setdefault(text, []).append(line["recipe"])
    recipes = {line["recipe"] for line in lines}
    return [
        text if set(names) == recipes else f"{text} ({', '.join(names)})" for text, names in said.items()
    ] + list(notes)


def summary_count(lines: Sequence[Line]) -> str:
    """How many were done, kept, failed."""
    counts = {
        status: sum(line["status"] == status for line in lines) for status in ("done", "kept", "failed")
    }
    words = {"done": "done", "kept": "kept (nothing has changed)", "failed": "failed"}
    return (
        ", ".join(f"{count} {words[status]}" for status, count in counts.items() if count) or "nothing to do"
    )


def summary_text(lines: Sequence[Line], notes: Sequence[str]) -> str:
    """The whole summary as plain text."""
    rows = [HEADINGS, UNITS, *summary_rows(lines)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEADINGS))]
    text = [
        "  ".join(
            cell.ljust(width) if column < LEFT else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
    remarks = summary_remarks(lines, notes)
    return "\n".join([*text, "", *remarks, *([""] if remarks else []), summary_count(lines)]) + "\n"


def _figure(value: float | None, *, decimals: int = 1) -> str:
    if value is None:
        return "-"
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if not text.strip("-0.") else text


def _negative(reduction_db: float | None) -> float | None:
    """A reduction as a player reads it: 2 dB of limiting is -2 dB."""
    return None if reduction_db is None else -abs(reduction_db)
