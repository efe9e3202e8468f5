"""The command `drytake`: finds the subcommand, and turns whatever happens into an exit status.

0 all done; 1 some takes failed, the others are done; 2 the call or a recipe is wrong, nothing was done; 3 a fault of
the program. Nothing heavy is imported before it is known what to do.
"""

from __future__ import annotations

import argparse
import difflib
import sys
from collections.abc import Sequence
from typing import NoReturn

from render.cli.arguments import HelpText
from render.cli.stopping import STOPPED, Stopping
from render.version import __version__

DESCRIPTION = """\
Turns dry two-track captures of an acoustic guitar (say a pickup and a
microphone) into finished stereo, a whole session at a time."""
EPILOG = """\
Listen at a moderate level first: a mix may be louder than its capture.
Every command explains itself: drytake render --help"""

COMMANDS = ("render", "recipe", "check", "suggest", "compare")
DONE, SOME_FAILED, WRONG_CALL, OUR_FAULT = 0, 1, 2, 3


def build_parser() -> argparse.ArgumentParser:
    """All commands and their options."""
    from render.cli import check, compare, recipe, render, suggest

    parser = argparse.ArgumentParser(
        prog="drytake",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=HelpText,
    )
    parser.add_argument("--version", action="version", version=f"drytake {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    render.add_parser(commands)
    recipe.add_parser(commands)
    check.add_parser(commands)
    suggest.add_parser(commands)
    compare.add_parser(commands)
    return parser


def main(arguments: Sequence[str] | None = None, *, stopping: Stopping | None = None) -> int:
    """Run one call and return its exit status; `stopping` is what answers the keyboard meanwhile."""
    _speak_utf8()
    parser = build_parser()
    if not (sys.argv[1:] if arguments is None else arguments):
        parser.print_help(sys.stderr)
        return WRONG_CALL
    try:
        _refuse_unknown_command(parser, sys.argv[1:] if arguments is None else arguments)
        chosen, left_over = parser.parse_known_args(arguments)
        if left_over:
            parser.error(_refusal(chosen, left_over))
    except SystemExit as leaving:
        return int(leaving.code or 0)
    return _run(chosen, stopping or Stopping())


def _refuse_unknown_command(parser: argparse.ArgumentParser, arguments: Sequence[str]) -> None:
    """Name the nearest command where one is misspelt; `argparse` only lists them."""
    if arguments[0].startswith("-") or arguments[0] in COMMANDS:
        return
    near = difflib.get_close_matches(arguments[0], COMMANDS, n=1)
    meant = f"did you mean drytake {near[0]}? The" if near else "the"
    parser.error(f"there is no command {arguments[0]!r}; {meant} commands are {', '.join(COMMANDS)}")


def _refusal(chosen: argparse.Namespace, left_over: Sequence[str]) -> str:
    """Why a call is refused of which a part belongs to nothing; a command may know better where it belongs."""
    explain = getattr(chosen, "explain_left_over", None)
    told = explain(chosen, left_over) if explain is not None else ""
    return told or f"what is meant by {' '.join(left_over)}? See drytake {chosen.command} --help"


def _run(chosen: argparse.Namespace, stopping: Stopping) -> int:
    """Run a call that was understood."""
    from render.errors import DrytakeError

    quiet = getattr(chosen, "quiet", False)
    stopping.words = "" if quiet else getattr(chosen, "stopping", "")
    try:
        return int(chosen.run(chosen))
    except DrytakeError as error:
        print(error, file=sys.stderr)
        return WRONG_CALL
    except KeyboardInterrupt:
        if not quiet:
            print(getattr(chosen, "stopped", "stopped"), file=sys.stderr)
        return STOPPED
    except BrokenPipeError:  # whoever read what we print has gone: nothing is lost, but not all was told
        sys.stderr.close()
        return SOME_FAILED
    except Exception:  # noqa: BLE001 - the one place where a fault of ours comes out
        if stopping.times:  # a library that made something else of being stopped
            return STOPPED
        import traceback

        traceback.print_exc()
        print("\nThis is a fault of drytake itself. Please report it with the lines above.", file=sys.stderr)
        return OUR_FAULT


def run() -> NoReturn:
    """Entry point of the installed command."""
    stopping = Stopping()
    try:
        stopping.listen()
        status = main(stopping=stopping)
    except KeyboardInterrupt:  # before there was a call to stop
        status = STOPPED
    stopping.leave(status)


def _speak_utf8() -> None:
    """A console of another encoding must not turn a take's name into a crash."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
