"""What is seen while a batch runs and when it ends: a bar and a table on a terminal, plain lines elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

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
    if not sys.stdout.isatty():
        print()
        print(summary_text(result.lines, result.notes), end="")
        print(f"in {result.folder} (log.jsonl, {SUMMARY_NAME})")
        print(CAUTION)
        return
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console(highlight=False)
    table = Table(box=None, pad_edge=False, header_style="bold", collapse_padding=True)
    for column, (heading, unit) in enumerate(zip(HEADINGS, UNITS, strict=True)):
        table.add_column(
            f"{heading}\n{unit}" if unit else heading, justify="left" if column < LEFT else "right"
        )
    for row in summary_rows(result.lines):
        table.add_row(*(Text(cell) for cell in row), style="bold" if row[2] == "failed" else "")
    console.print(table)
    console.print()
    for remark in summary_remarks(result.lines, result.notes):
        console.print(Text(remark))
    console.print(Text(f"{summary_count(result.lines)}, in {result.folder} (log.jsonl, {SUMMARY_NAME})"))
    console.print(Text(CAUTION), style="dim")


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
            if event.kind == "frames-to-do":
                progress.update(task, total=max(event.frames, 1), description="rendering")
            elif event.kind == "frames-done":
                progress.advance(task, event.frames)
            elif event.line is not None:
                progress.update(task, description=f"rendering ({event.line['take']})")

        yield watch


def _print_line(event: Event) -> None:
    """One plain line a finished render, at once, so that a log file of the console is of use."""
    if event.line is not None:
        print(_plain(event.line), flush=True)


def _plain(line: Line) -> str:
    words = [line["status"], line["take"], f"({line['recipe']})"]
    if line["status"] == "failed":
        return " ".join([*words, "-", str(line["reason"])])
    if line["loudness_lufs"] is not None:
        words.append(f"{line['loudness_lufs']:.1f} LUFS")
    if line["true_peak_dbtp"] is not None:
        words.append(f"{line['true_peak_dbtp']:.1f} dBTP")
    return " ".join(words)
