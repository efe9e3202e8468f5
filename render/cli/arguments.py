"""What the commands that work on a session have in common in their calls."""

from __future__ import annotations

import argparse
import shutil
from collections.abc import Sequence
from pathlib import Path

WIDEST = 80
"""Columns of a help: no window is wider by itself, and longer lines are hard to read."""


class HelpText(argparse.RawDescriptionHelpFormatter):
    """Help that keeps the lines of its examples, and has no longer ones in a wide window."""

    def __init__(self, prog: str) -> None:
        super().__init__(prog, width=min(shutil.get_terminal_size((WIDEST, 24)).columns, WIDEST) - 2)


def add_command(
    commands: argparse._SubParsersAction[argparse.ArgumentParser],
    name: str,
    *,
    brief: str,
    description: str,
    examples: str,
    session: str = "a folder of takes, or one file",
) -> argparse.ArgumentParser:
    """A command that takes a session.

    Parameters
    ----------
    commands : the subparsers of `drytake`
    name, brief : str
        What is typed, and the line in the list of commands.
    description, examples : str
        Above and below the options; examples keep their lines.
    session : str
        What SESSION may be.
    """
    parser = commands.add_parser(
        name,
        help=brief,
        description=description,
        epilog=examples,
        formatter_class=HelpText,
    )
    parser.add_argument("session", metavar="SESSION", type=Path, help=session)
    parser.set_defaults(explain_left_over=several_sessions)
    return parser


def several_sessions(chosen: argparse.Namespace, left_over: Sequence[str]) -> str:
    """What is wrong where more than one session is named; empty if that is not it.

    Parameters
    ----------
    chosen : argparse.Namespace
        What was understood.
    left_over : sequence of str
        What was not.
    """
    if any(word.startswith("-") for word in left_over):
        return ""
    return (
        f"drytake {chosen.command} takes one folder or one file, and here are "
        f"{', '.join([str(chosen.session), *left_over])}: put the takes into one folder and name that"
    )


def add_deep(parser: argparse.ArgumentParser) -> None:
    """The switch for subfolders."""
    parser.add_argument("--deep", action="store_true", help="subfolders too, each a session of its own")


def add_jobs(parser: argparse.ArgumentParser) -> None:
    """How many takes at a time."""
    parser.add_argument(
        "--jobs", metavar="N", type=jobs, default=None, help="takes at the same time (all cores)"
    )


def add_printing(parser: argparse.ArgumentParser, *, as_json: str, quiet: str = "print faults only") -> None:
    """What is printed: a table, one JSON object, or next to nothing."""
    output = parser.add_mutually_exclusive_group()
    output.add_argument("--json", action="store_true", help=as_json)
    output.add_argument("--quiet", action="store_true", help=quiet)


def decibels(text: str) -> float:
    """A number of decibels."""
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no number: write decibels, say -6") from None


def jobs(text: str) -> int:
    """A whole number of at least 1."""
    if not text.isdecimal() or not 1 <= int(text) <= 1024:
        raise argparse.ArgumentTypeError(f"{text!r}: a whole number from 1 to 1024")
    return int(text)
