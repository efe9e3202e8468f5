"""What a comparison prints: a table of versions, how far they lie apart, and where the page is."""

from __future__ import annotations

import shutil
import sys
import textwrap
import webbrowser
from collections.abc import Sequence

from render.cli.screen import CAUTION, say
from render.workflows.compare.report import (
    HEADINGS,
    THRESHOLD_TEXT,
    UNITS,
    distance_rows,
    letter_of,
    pair_lines,
    rows_of,
)
from render.workflows.compare.serve import PageServer
from render.workflows.compare.session import CompareResult

NARROWEST = 50
WORDS = 2  # columns of words, set left; the others hold numbers
LEAST_NEEDED_FIRST = tuple(map(HEADINGS.index, ("gain", "range", "limiter", "before")))


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
        say(textwrap.fill(note, width))
    if result.page is None:
        say("no take could be read: there is no page")
        return
    lines = _columns(_rows(result, letters=False), width, drop=LEAST_NEEDED_FIRST)
    if max(map(len, lines)) > width:  # long names: those of the next table stand for them
        lines = _columns(_rows(result, letters=True), width, drop=LEAST_NEEDED_FIRST)
    say("\n".join(lines))
    say("\nhow far the spectra lie apart, mean over all excerpts (dB, third octaves)")
    say("\n".join(_columns(distance_rows(result.pairs, result.choices), width)))
    say("")
    for line in pair_lines(result.pairs):
        say(textwrap.fill(line, width, subsequent_indent="    "))
    say(textwrap.fill(THRESHOLD_TEXT, width))
    say(
        f"\n{len(result.page.takes)} {'take' if len(result.page.takes) == 1 else 'takes'}, "
        f"{len(result.choices)} versions, all at {result.page.loudness_lufs:.1f} LUFS without limiting; "
        f"{result.rendered} excerpts rendered, {result.kept} kept"
    )
    say(f"open {result.page_path}")
    say(CAUTION)


def _rows(result: CompareResult, *, letters: bool) -> list[tuple[str, ...]]:
    """The table with its head; versions by name, or by the letters of the table of distances."""
    if result.page is None:
        return []
    rows = rows_of(result.page, result.widths_db)
    if letters:
        count = len(result.choices)
        rows = [(row[0], letter_of(index % count), *row[2:]) for index, row in enumerate(rows)]
    return [HEADINGS, UNITS, *rows]


def serve(result: CompareResult, *, silent: bool) -> None:
    """Hand the page to a browser until Ctrl-C."""
    with PageServer(result.folder) as server:
        if not silent:
            say(f"listening page at {server.address} (this machine only; Ctrl-C ends it)")
        webbrowser.open(server.address)
        try:
            server.serve_forever()
        except KeyboardInterrupt:
            return


def _columns(rows: Sequence[tuple[str, ...]], width: int, *, drop: Sequence[int] = ()) -> list[str]:
    """Rows in columns; what is least needed goes where they do not fit."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    shown = list(range(len(widths)))
    for column in drop:
        if sum(widths[c] + 2 for c in shown) - 2 <= width:
            break
        shown.remove(column)
    return [
        "  ".join(row[c].ljust(widths[c]) if c < WORDS else row[c].rjust(widths[c]) for c in shown).rstrip()
        for row in rows
    ]
