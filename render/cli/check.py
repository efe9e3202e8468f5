"""`drytake check`: the line check of captures, before anything is mixed."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from render.cli.arguments import add_command, add_deep, add_jobs, add_printing

EXAMPLES = """\
examples:
  drytake check my_rehearsal/                   a table of a folder's takes
  drytake check my_rehearsal/ --plot pictures/  a picture of each take as well
  drytake check song.wav --json                 for scripts; status 1: a fault

A fault spoils the mix, a warning should be looked at, a note is good to know.
Your captures are only ever read."""


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the call."""
    parser = add_command(
        commands,
        "check",
        brief="tell what is wrong with takes before they are mixed",
        description="Line check: what is wrong with the takes of a session, before anything is mixed.",
        examples=EXAMPLES,
    )
    parser.add_argument(
        "-r", "--recipe", metavar="RECIPE", type=Path,
        help="a recipe that tells which channels are meant, and the sources' names (else channels 1 and 2)",
    )  # fmt: skip
    parser.add_argument(
        "--plot", metavar="DIR", type=Path, help="draw one picture a take (PNG) into this folder"
    )
    add_deep(parser)
    add_jobs(parser)
    add_printing(parser, as_json="print one JSON object instead of a table")
    parser.set_defaults(run=run, stopped="stopped")


def run(chosen: argparse.Namespace) -> int:
    """Check and print; 1 if any take has a fault."""
    from render.cli import check_screen, screen
    from render.workflows.check.session import CheckRequest, check_session
    from render.workflows.render import default_jobs

    request = CheckRequest(
        session=chosen.session,
        recipe=chosen.recipe,
        pictures=chosen.plot,
        deep=chosen.deep,
        jobs=chosen.jobs or default_jobs(),
    )
    with screen.watching(silent=chosen.json or chosen.quiet) as watch:
        result = check_session(request, watch=watch)
    if chosen.json:
        print(json.dumps(result.as_dict(), indent=2))
    else:
        check_screen.print_checked(result, faults_only=chosen.quiet)
    return 1 if result.has_fault else 0
