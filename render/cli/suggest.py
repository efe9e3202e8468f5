"""`drytake suggest`: a first recipe for one guitar, measured from its takes."""

from __future__ import annotations

import argparse
import json
import shlex
from pathlib import Path

from render.cli.arguments import add_command, add_jobs, add_printing, decibels

EXAMPLES = """\
examples:
  drytake suggest my_rehearsal/ -o my_guitar.toml
                                a recipe, and a picture of before and after
  drytake suggest my_rehearsal/ -o my_guitar.toml --width -6
                                wider
  drytake suggest my_rehearsal/ -o my_guitar.toml --like other.toml
                                only what this guitar needs, all else as there

Only moves of ordinary size, and nothing is lifted. At most: the microphone's
high-pass at 200 Hz, its low shelf -8 dB, cuts at resonances -10 dB, the cut in
the pickup's attacks -5 dB, the side's gain -24 to 12 dB.
Your captures are only ever read."""


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the call."""
    parser = add_command(
        commands,
        "suggest",
        brief="measure a guitar's takes and write a first recipe for it",
        description="A first recipe for one guitar, measured from its takes, every value explained.",
        examples=EXAMPLES,
        session="a folder of takes of one guitar, or one file",
    )
    parser.add_argument(
        "-o",
        "--output",
        metavar="RECIPE",
        type=Path,
        required=True,
        help="recipe to write (.toml); its folder is made if need be",
    )
    parser.add_argument(
        "--like", metavar="RECIPE", type=Path, help="begin with this recipe, change what is needed"
    )
    parser.add_argument(
        "--width", metavar="DB", type=decibels, help="side against mid before the room, -20 to 0 dB (-8)"
    )
    parser.add_argument("--redo", action="store_true", help="replace a recipe that is there already")
    add_jobs(parser)
    add_printing(
        parser, as_json="print one JSON object: figures, moves, reasons", quiet="print nothing but faults"
    )
    parser.set_defaults(run=run, stopped="stopped; nothing was written")


def run(chosen: argparse.Namespace) -> int:
    """Measure, write, and tell the moves."""
    from render.cli import screen
    from render.cli.columns_screen import window_width, wrapped
    from render.workflows.render import default_jobs
    from render.workflows.suggest.session import SuggestRequest, suggest_session

    request = SuggestRequest(
        session=chosen.session,
        output=chosen.output,
        like=chosen.like,
        width_db=chosen.width,
        redo=chosen.redo,
        jobs=chosen.jobs or default_jobs(),
    )
    is_new = not chosen.output.parent.exists()
    with screen.watching(silent=chosen.json or chosen.quiet) as watch:
        result = suggest_session(request, watch=watch)
    if chosen.json:
        print(json.dumps(result.as_dict(), indent=2))
    elif not chosen.quiet:
        width = window_width()
        for line in result.lines():
            indent = line[: len(line) - len(line.lstrip())]
            screen.say(wrapped(line.lstrip(), width, first=indent, later=f"{indent}  "))
        for note in filter(None, [*result.notes, result.warning()]):
            screen.say(wrapped(note, width, later="  "))
        screen.say(
            f"written: {result.recipe}"
            + (f" and {result.picture}" if result.picture else "")
            + (f"; the folder {result.recipe.parent} was made for it" if is_new else "")
        )
        screen.say(
            f"next: {shlex.join(['drytake', 'render', str(chosen.session), '-r', str(result.recipe)])}"
        )
    return 0
