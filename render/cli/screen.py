"""What is seen while a batch runs and when it ends: a bar and a table on a terminal, plain lines elsewhere."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Literal

from render.engine.job import Event, Watch
from render.engine.ledger import Line
from render.workflows.render import SUMMARY_NAME, RenderResult
from render.workflows.summary import (
    HEADINGS,
    LEFT,
    UNITS,
    summary_count,
    summary_remarks,
    summary_rows,
    summary_text,
)

LEAST_NEEDED_FIRST = tuple(
    map(HEADINGS.index, ("took", "range", "limiter", "side/mid", "in mono", "true peak"))
)
CAUTION = "Start listening at a moderate level. Check the level again before feeding a hall's system."


@contextmanager
def watching(*, silent: bool) -> Iterator[Watch]:
    """Somebody to tell what happens, as long as the block runs."""
    if silent:
        yield lambda _event: None
    elif sys.stdout.isatty():
        with _bar() as watch:
            yield watch
    else:
        yield _print_line


def print_result(result: RenderResult) -> None:
    """Table, remarks and where everything lies."""
    ending = f"in {result.folder} (log.jsonl, {SUMMARY_NAME})"
    caution = CAUTION if result.failed < len(result.lines) else ""
    if not sys.stdout.isatty():
        say(f"\n{summary_text(result.lines, result.notes)}{ending}" + (f"\n{caution}" if caution else ""))
        return
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console(highlight=False)
    rows = summary_rows(result.lines)
    shown = _columns_for(console.width, rows)
    table = Table(box=None, pad_edge=False, header_style="bold")
    for column in shown:
        unit = f"\n{UNITS[column]}" if UNITS[column] else ""
        side: Literal["left", "right"] = "left" if column < LEFT else "right"
        table.add_column(f"{HEADINGS[column]}{unit}", justify=side, overflow="fold")
    for row in rows:
        table.add_row(*(Text(row[column]) for column in shown), style="bold" if row[2] == "failed" else "")
    console.print(table)
    console.print()
    for remark in summary_remarks(result.lines, result.notes):
        console.print(Text(remark))
    console.print(Text(f"{summary_count(result.lines)}, {ending}"))
    console.print(Text(caution), style="dim")


def say(text: str) -> None:
    """Print; a reader that has closed (`| head`) must not end the rendering."""
    try:
        print(text, flush=True)
    except BrokenPipeError:
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123 - stays open until the end


def _columns_for(width: int, rows: list[tuple[str, ...]]) -> list[int]:
    """Columns that fit a window: names are never shortened, the least needed figures go first."""
    shown = list(range(len(HEADINGS)))
    for column in LEAST_NEEDED_FIRST:
        lengths = [max(len(text) for text in (HEADINGS[c], *(row[c] for row in rows))) for c in shown]
        if sum(lengths) + 2 * len(shown) <= width:
            break
        shown.remove(column)
    return shown


@contextmanager
def _bar() -> Iterator[Watch]:
    """Progress by frames of sound, with the time left."""
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TextColumn("left"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, transient=True) as progress:
        task = progress.add_task("reading", total=None)

        def watch(event: Event) -> None:
            if event.kind == "compiling":
                progress.update(task, description=f"computing {event.text}")
            elif event.kind == "frames-to-do":
                progress.update(task, total=max(event.frames, 1), description="rendering")
            elif event.kind == "frames-done":
                progress.advance(task, event.frames)
            elif event.line is not None:
                progress.update(task, description=f"rendering ({event.line['take']})")

        yield watch


def _print_line(event: Event) -> None:
    """One plain line a finished render, at once, so that a log file of the console is of use."""
    if event.line is not None:
        say(_plain(event.line))


def _plain(line: Line) -> str:
    mark = " *" if line["warnings"] else ""
    words = [line["status"] + mark, line["take"], f"({line['recipe']})"]
    if line["status"] == "failed":
        return " ".join([*words, "-", str(line["reason"])])
    if line["loudness_lufs"] is not None:
        words.append(f"{line['loudness_lufs']:.1f} LUFS")
    if line["true_peak_dbtp"] is not None:
        words.append(f"{line['true_peak_dbtp']:.1f} dBTP")
    return " ".join(words)
