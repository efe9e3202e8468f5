"""`drytake compare`: recipes against each other, at one loudness, as a page to listen to."""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Sequence
from pathlib import Path

from render.cli.arguments import HelpText, jobs
from render.cli.render import instant

EXAMPLES = """\
examples:
  drytake compare my_rehearsal/ -r warm.toml -r open.toml -o listen/
                                two recipes and the dry capture
  drytake compare my_rehearsal/ -r warm.toml --vary sources.mic.gain_db=-12,-6,0
                                how much microphone? one version a value
  drytake compare song.wav -r warm.toml --steps
                                what each part of a recipe contributes
  drytake compare my_rehearsal/ -r a.toml -r b.toml --serve
                                and open it in the browser
  drytake compare --merge votes/*.json
                                what several listeners said, in one table

Open index.html by double-click. All versions have the same loudness, by gain
alone. Start listening at a moderate level. Your captures are only ever read."""

EXAMPLE = "--vary sources.mic.gain_db=-12,-6,0"
VALUES = re.compile(r"[=,]|[=,]?[-+]?[0-9.]+(,[-+]?[0-9.]+)*,?")
"""Numbers that belong behind a key, or what stands between them."""

NOT_WITH_MERGE = {
    "session": "SESSION", "recipe": "-r", "output": "-o", "excerpt": "--excerpt", "whole": "--whole",
    "vary": "--vary", "steps": "--steps", "deep": "--deep", "jobs": "--jobs", "serve": "--serve", "quiet": "--quiet",
}  # fmt: skip


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Describe the call."""
    parser = commands.add_parser(
        "compare",
        help="hear recipes against each other on a listening page",
        description="Recipes against each other: same loudness, same moment, nameless if you like.",
        epilog=EXAMPLES,
        formatter_class=HelpText,
    )
    parser.add_argument(
        "session", metavar="SESSION", type=Path, nargs="?", help="a folder of takes, or one file"
    )
    parser.add_argument(
        "-r", "--recipe", metavar="RECIPE", type=Path, action="append", default=[],
        help="a recipe (.toml); repeat it for more; without it: the built-in recipe",
    )  # fmt: skip
    parser.add_argument(
        "-o", "--output", metavar="OUT", type=Path, help="folder for the page (listen/ beside SESSION)"
    )
    length = parser.add_mutually_exclusive_group()
    length.add_argument(
        "--excerpt",
        metavar="TIME",
        type=instant,
        default=None,
        help="length of the excerpts: 40, or 1:00 (3 to 600 s; 20)",
    )
    length.add_argument("--whole", action="store_true", help="whole takes instead of excerpts")
    parser.add_argument(
        "--vary", metavar="KEY=VALUES", type=values_together, action="append", default=[],
        help="make a version for each value of a numeric key of the recipes; repeat it for combinations",
    )  # fmt: skip
    parser.add_argument("--steps", action="store_true", help="one recipe, cut after each of its parts")
    parser.add_argument("--deep", action="store_true", help="subfolders too, each a session of its own")
    parser.add_argument(
        "--jobs", metavar="N", type=jobs, default=None, help="excerpts at the same time (all cores)"
    )
    parser.add_argument(
        "--serve", action="store_true", help="open the page from a server that only this machine reaches"
    )
    parser.add_argument(
        "--merge", metavar="VOTES", type=Path, nargs="*",
        help="instead of all else: merge files that listeners saved from the page into one table",
    )  # fmt: skip
    output = parser.add_mutually_exclusive_group()
    output.add_argument("--json", action="store_true", help="print one JSON object instead of tables")
    output.add_argument("--quiet", action="store_true", help="print faults only")
    parser.set_defaults(
        run=run,
        stopped="stopped; a page that was there before stays, and the same call goes on from here",
        explain_left_over=values_apart,
    )


def values_together(text: str) -> str:
    """A key with its values; a space behind a comma has cut them off."""
    if text.rstrip().endswith(","):
        raise argparse.ArgumentTypeError(
            f"{text!r} ends with a comma: no spaces between the values, only commas: {EXAMPLE}"
        )
    return text


def values_apart(chosen: argparse.Namespace, left_over: Sequence[str]) -> str:
    """What is wrong where a space has cut values off from their key; empty if that is not it.

    Parameters
    ----------
    chosen : argparse.Namespace
        What was understood. A value may have been taken for the session.
    left_over : sequence of str
        What was not.
    """
    apart = [text for text in [str(chosen.session or ""), *left_over] if VALUES.fullmatch(text)]
    if not chosen.vary or not apart:
        return ""
    meant = EXAMPLE
    if len(chosen.vary) == 1:
        key, _, value = chosen.vary[0].partition("=")
        meant = f"--vary {key}={','.join(part.strip(',=') for part in [value, *apart] if part.strip(',='))}"
    return f"--vary {' '.join([chosen.vary[-1], *apart])}: no spaces between key and values, only commas: {meant}"


def run(chosen: argparse.Namespace) -> int:
    """Compare and print, 1 if a take failed; or merge votes."""
    if chosen.merge is not None:
        return _merge(chosen)
    from render.cli import compare_screen, screen
    from render.errors import UsageError
    from render.workflows.compare.session import EXCERPT_S, CompareRequest, compare_session
    from render.workflows.render import default_jobs

    if (told := values_apart(chosen, [])) and not chosen.session.exists():
        raise UsageError(told)
    if chosen.session is None:
        raise UsageError(
            "SESSION is missing: name a folder of takes or one file (or --merge with files of votes)"
        )
    excerpt_s = EXCERPT_S if chosen.excerpt is None else chosen.excerpt
    request = CompareRequest(
        session=chosen.session,
        recipes=chosen.recipe,
        output=chosen.output,
        excerpt_s=None if chosen.whole else excerpt_s,
        vary=chosen.vary,
        steps=chosen.steps,
        deep=chosen.deep,
        jobs=chosen.jobs or default_jobs(),
    )
    with screen.watching(silent=chosen.json or chosen.quiet) as watch:
        result = compare_session(request, watch=watch)
    if chosen.json:
        print(json.dumps({"output": str(result.folder), **result.as_dict()}, indent=2))
    else:
        compare_screen.print_compared(result, faults_only=chosen.quiet)
    if chosen.serve and result.page is not None:
        compare_screen.serve(result, silent=chosen.json or chosen.quiet)
    return 1 if result.failures else 0


def _merge(chosen: argparse.Namespace) -> int:
    """Merge votes: nothing is rendered, so that what says how has no place in the call."""
    from render.cli import votes_screen
    from render.errors import UsageError

    idle = [
        name
        for key, name in NOT_WITH_MERGE.items()
        if (value := getattr(chosen, key)) is not None and value is not False and value != []
    ]
    if idle:
        raise UsageError(f"--merge takes files of votes and --json only; leave out {', '.join(idle)}")
    return votes_screen.run_merge(chosen.merge, as_json=chosen.json)
