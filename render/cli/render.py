"""`drytake render`: a session and recipes in, finished files out."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from render.cli.arguments import add_command, add_deep, add_jobs, add_printing

EXAMPLES = """\
examples:
  drytake render my_rehearsal/              built-in recipe, mixes/ beside it
  drytake render my_rehearsal/ -r my_guitar.toml -o out/
                                            with a recipe of your own
  drytake render song.wav -r a.toml -r b.toml
                                            one take with two recipes
  drytake render my_rehearsal/ -r a.toml --from 0:30 --to 0:50
                                            that passage only, to try a value

Your captures are only ever read. Start listening at a moderate level."""


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the call."""
    parser = add_command(
        commands,
        "render",
        brief="turn takes into finished stereo files",
        description="Turn every take of a session into a finished stereo file.",
        examples=EXAMPLES,
    )
    parser.add_argument(
        "-r", "--recipe", metavar="RECIPE", type=Path, action="append", default=[],
        help="a recipe (.toml); repeat it for more; without it: the built-in recipe",
    )  # fmt: skip
    parser.add_argument(
        "-o", "--output", metavar="OUT", type=Path, help="folder for the results (mixes/ beside SESSION)"
    )
    add_deep(parser)
    parser.add_argument(
        "--from", dest="from_s", metavar="TIME", type=instant, help="begin there: 0:30, or seconds"
    )
    parser.add_argument("--to", dest="to_s", metavar="TIME", type=instant, help="end there")
    parser.add_argument("--redo", action="store_true", help="render again what is there already")
    add_jobs(parser)
    parser.add_argument(
        "--precision", choices=("single", "double"), default="single",
        help="of the convolution: single errs at -130 dB of the signal, double at -300 dB in twice the time",
    )  # fmt: skip
    parser.add_argument("--artist", default="", help="tag of every file")
    parser.add_argument("--album", default="", help="tag of every file")
    add_printing(parser, as_json="print one JSON object instead of a table")
    parser.set_defaults(
        run=run,
        stopping="stopping: what is begun is thrown away, finished files stay",
        stopped="stopped; finished files are whole, and the same call goes on from here",
    )


def run(chosen: argparse.Namespace) -> int:
    """Render and print."""
    from render.cli import screen
    from render.engine.job import Options
    from render.engine.mix import Passage
    from render.errors import UsageError
    from render.units import clock
    from render.workflows.render import RenderRequest, default_jobs, render_session

    if chosen.from_s is not None and chosen.to_s is not None and chosen.from_s >= chosen.to_s:
        raise UsageError(
            f"--from {clock(chosen.from_s)} lies at or after --to {clock(chosen.to_s)}: swap them"
        )
    request = RenderRequest(
        session=chosen.session,
        recipes=chosen.recipe,
        output=chosen.output,
        deep=chosen.deep,
        artist=chosen.artist,
        album=chosen.album,
        options=Options(
            jobs=chosen.jobs or default_jobs(),
            redo=chosen.redo,
            double_precision=chosen.precision == "double",
            passage=Passage(chosen.from_s, chosen.to_s),
        ),
    )
    with screen.watching(silent=chosen.json or chosen.quiet) as watch:
        result = render_session(request, watch=watch)
    if chosen.json:
        print(
            json.dumps(
                {"output": str(result.folder), "notes": result.notes, "renders": result.lines}, indent=2
            )
        )
    elif chosen.quiet:
        for line in result.lines:
            if line["status"] == "failed":
                print(f"{line['take']} ({line['recipe']}): {line['reason']}", file=sys.stderr)
    else:
        screen.print_result(result)
    return 1 if result.failed else 0


def instant(text: str) -> float:
    """Seconds of `1:02:03.5`, `0:30` or `90`."""
    parts = text.split(":")
    try:
        numbers = [float(part) for part in parts]
    except ValueError:
        numbers = []
    late = any(number >= 60 for number in numbers[1:])
    if not 1 <= len(numbers) <= 3 or late or not all(0 <= number < float("inf") for number in numbers):
        raise argparse.ArgumentTypeError(
            f"{text!r} is no time: write minutes and seconds (0:30) or seconds (30)"
        )
    return sum(number * 60.0**power for power, number in enumerate(reversed(numbers)))
