"""What is seen while a batch runs and when it ends: a bar and a table on a terminal, plain lines elsewhere."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Literal

from render.cli.columns_screen import fitting, left_out
from render.engine.job import Event, Watch
from render.engine.ledger import Line
from render.workflows.render import RenderResult
from render.workflows.summary import (
    Column,
    summary_columns,
    summary_count,
    summary_remarks,
    summary_text,
)

LEAST_NEEDED_FIRST = (
    "took",
    "range",
    "limiter",
    "side/mid",
    "in mono",
    "true peak",
    "moved",
    "recipe",
    "loudness",
)
"""The take and its result always stay; a recipe that is the same in every row is not missed."""

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
    ending = f"in {result.folder} ({', '.join(result.told_in)})"
    caution = CAUTION if result.failed < len(result.lines) else ""
    if not sys.stdout.isatty():
        say(f"\n{summary_text(result.lines, result.notes)}{ending}" + (f"\n{caution}" if caution else ""))
        return
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console(highlight=False)
    columns = summary_columns(result.lines)
    shown = _columns_for(console.width, columns)
    table = Table(box=None, pad_edge=False, header_style="bold")
    for column in shown:
        unit = f"\n{column.unit}" if column.unit else ""
        side: Literal["left", "right"] = "left" if column.holds_words else "right"
        table.add_column(f"{column.heading}{unit}", justify=side, overflow="fold")
    for line, row in zip(result.lines, zip(*(column.cells for column in shown), strict=True), strict=True):
        table.add_row(*map(Text, row), style="bold" if line["status"] == "failed" else "")
    console.print(table)
    if missing := left_out(columns, shown, see=result.told_in[-1]):
        console.print(Text(missing))
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


def _columns_for(width: int, columns: list[Column]) -> list[Column]:
    """Columns that fit a window: names of takes are never shortened, what is least needed goes first."""
    order = list(LEAST_NEEDED_FIRST)
    if any(column.heading == "recipe" and len(set(column.cells)) == 1 for column in columns):
        order.sort(key=lambda heading: heading not in {"took", "recipe"})
    return fitting(columns, width=width, least_needed_first=order)


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
                progress.update(task, total=max(event.frames, 1), description=event.text or "rendering")
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
