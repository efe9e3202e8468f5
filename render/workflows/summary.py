"""The table that a batch ends with, and `summary.txt`: the same table of everything that stands in a folder."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from render.engine.ledger import Line
from render.errors import OutputError
from render.session.takes import natural_key

SUMMARY_NAME = "summary.txt"
NEEDED = {"take", "recipe", "output", "status", "reason", "settings", "warnings", "seconds", "loudness_lufs",
          "loudness_range_lu", "true_peak_dbtp", "limiter_max_reduction_db", "side_to_mid_db",
          "mono_loudness_change_lu"}  # fmt: skip


@dataclass(frozen=True)
class Column:
    """One column of the table: what stands over it, and a cell a render; words are set left, numbers right."""

    heading: str
    unit: str
    cells: tuple[str, ...]
    holds_words: bool = False

    @property
    def width(self) -> int:
        """Characters of its widest cell."""
        return max(map(len, (self.heading, self.unit, *self.cells)))

    def padded(self) -> list[str]:
        """Heading, unit and cells, all of one width."""
        texts = (self.heading, self.unit, *self.cells)
        return [text.ljust(self.width) if self.holds_words else text.rjust(self.width) for text in texts]


def summary_columns(lines: Sequence[Line]) -> list[Column]:
    """The table of some renders; what "auto" moved is a column where a recipe has it."""

    def words(heading: str, cells: Iterable[str]) -> Column:
        return Column(heading, "", tuple(cells), holds_words=True)

    def figures(heading: str, unit: str, key: str, *, decimals: int = 1, sense: float = 1.0) -> Column:
        values = [line[key] for line in lines]
        cells = [_figure(None if value is None else sense * value, decimals=decimals) for value in values]
        return Column(heading, unit, tuple(cells))

    moves = [line.get("alignment") for line in lines]
    return [
        words("take", [line["take"] for line in lines]),
        words("recipe", [line["recipe"] for line in lines]),
        words("result", [line["status"] + (" *" if line["warnings"] else "") for line in lines]),
        figures("loudness", "LUFS", "loudness_lufs"),
        figures("range", "LU", "loudness_range_lu"),
        figures("true peak", "dBTP", "true_peak_dbtp"),
        # As a player reads it: 2 dB of limiting is -2 dB.
        figures("limiter", "dB", "limiter_max_reduction_db", sense=-1.0),
        figures("side/mid", "dB", "side_to_mid_db"),
        figures("in mono", "LU", "mono_loudness_change_lu"),
        *([words("moved", [told_move(move) for move in moves])] if any(moves) else []),
        figures("took", "s", "seconds", decimals=2),
    ]


def write_summary(path: Path, lines: Sequence[Line], notes: Sequence[str]) -> None:
    """Write what stands in a folder: every whole mix, recipe by recipe, so that a small call loses nothing.

    Parameters
    ----------
    path : Path
    lines : sequence of Line
        The newest of every output; passages, and lines of other versions, are left out.
    notes : sequence of str
        What was passed over in the session.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    whole = [line for line in lines if _is_whole(line)]
    whole.sort(key=lambda line: (natural_key(line["recipe"]), natural_key(line["take"]), line["output"]))
    beside = path.with_name(f".{path.name}.part")
    try:
        beside.write_text(summary_text(whole, notes), encoding="utf-8", newline="\n")
        beside.replace(path)
    except OSError as error:
        raise OutputError(f"{path}: cannot be written: {error.strerror}") from error


def _is_whole(line: Line) -> bool:
    """Whether a line tells of a whole take, and has all that the table is made of: a log outlives versions."""
    if not set(line) >= NEEDED:
        return False
    return line["settings"]["from_s"] is None and line["settings"]["to_s"] is None


def told_move(move: Mapping[str, Any] | None) -> str:
    """What "auto" came to: `mic 0.42 ms earlier, inverted`.

    Parameters
    ----------
    move : mapping or None
        `engine.meet.Moved.as_dict`; None without "auto".
    """
    if move is None or move.get("silent_source"):  # nothing is met there
        return "-"
    told = []
    if move["delay_from"] != "recipe":
        size = f"{abs(move['delay_ms']):.2f}"
        if move["delay_from"] == "nothing" or not float(size):
            told.append("not moved")
        else:
            told.append(f"{size} ms {'earlier' if move['delay_ms'] < 0 else 'later'}")
    if move["polarity_from"] != "recipe" and (move["polarity"] == "flip" or not told):
        told.append("inverted" if move["polarity"] == "flip" else "polarity kept")
    return f"{move['source']} {', '.join(told)}"


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
    rows = zip(*(column.padded() for column in summary_columns(lines)), strict=True)
    text = ["  ".join(row).rstrip() for row in rows]
    remarks = summary_remarks(lines, notes)
    return "\n".join([*text, "", *remarks, *([""] if remarks else []), summary_count(lines)]) + "\n"


def _figure(value: float | None, *, decimals: int = 1) -> str:
    if value is None:
        return "-"
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if not text.strip("-0.") else text
