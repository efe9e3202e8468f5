"""What a comparison prints: a table of versions, how far they lie apart, and where the page is."""

from __future__ import annotations

import shutil
import sys
import textwrap
import webbrowser
from collections.abc import Sequence

from render.cli.columns_screen import fitting, left_out, width_of
from render.cli.screen import CAUTION, say
from render.workflows.compare.plain_table import for_terminal
from render.workflows.compare.report import (
    THRESHOLD_TEXT,
    distance_rows,
    legend_of,
    pair_lines,
)
from render.workflows.compare.serve import PageServer
from render.workflows.compare.session import FIGURES_NAME, CompareResult

NARROWEST = 50
LEAST_NEEDED_FIRST = ("gain", "range", "limiter", "before", "in mono", "side/mid", "from dry")


def print_compared(result: CompareResult, *, faults_only: bool) -> None:
    """Print a whole comparison; with `faults_only` nothing but takes that failed."""
    for take, reason in result.failures:
        if faults_only:
            print(f"{take}: {reason}", file=sys.stderr)
        else:
            say(f"failed {take} - {reason}")
    if faults_only:
        return
    width = max(shutil.get_terminal_size((100, 24)).columns, NARROWEST)
    for note in result.notes:
        say(textwrap.fill(for_terminal(note), width))
    if result.page is None:
        say("no take could be compared: there is no page")
        return
    _print_table(result, width)
    say("\nhow far the spectra lie apart, mean over all excerpts (dB, third octaves)")
    say("\n".join(_triangle(distance_rows(result.pairs, result.choices))))
    say("")
    for line in pair_lines(result.pairs):
        say(textwrap.fill(line, width, subsequent_indent="    "))
    say(textwrap.fill(THRESHOLD_TEXT, width))
    say("")
    for line in result.ending():
        say(
            textwrap.fill(
                line, width, subsequent_indent="    ", break_long_words=False, break_on_hyphens=False
            )
        )
    say(f"open {result.page_path}")
    say(CAUTION)


def _print_table(result: CompareResult, width: int) -> None:
    """The table of versions, what it left out, and what its columns are."""
    columns = result.table()
    shown = fitting(columns, width=width, least_needed_first=LEAST_NEEDED_FIRST)
    if (
        width_of(shown) > width
    ):  # names too long for any figure beside them: those of the next table stand for them
        columns = result.table(with_names=False)
        shown = fitting(columns, width=width, least_needed_first=LEAST_NEEDED_FIRST)
    say(
        "\n".join("  ".join(row).rstrip() for row in zip(*(column.padded() for column in shown), strict=True))
    )
    if missing := left_out(columns, shown, see=FIGURES_NAME):
        say(textwrap.fill(missing, width))
    say(textwrap.fill(legend_of(shown, result.choices), width))


def serve(result: CompareResult, *, silent: bool) -> None:
    """Hand the page to a browser until Ctrl-C."""
    with PageServer(result.folder) as server:
        if not silent:
            say(f"listening page at {server.address} (this machine only; Ctrl-C ends it)")
        webbrowser.open(server.address)
        try:
            server.serve_forever()
        except KeyboardInterrupt:
            if not silent:
                say(f"\nthe server has ended; the page stays: {result.page_path}")


def _triangle(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Rows in columns: number and name, then figures."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return [
        "  ".join(
            cell.ljust(width) if place == 1 else cell.rjust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
