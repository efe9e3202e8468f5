"""Recipes as text with comments, set as in our own: a column of comments beside the values, whole sentences above."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from render.recipe.models import ImpulseResponse, Stage
from render.recipe.toml_text import printable, toml_string, toml_value
from render.recipe.values import plain

WIDEST = 120
LEAST_BESIDE = 28  # a comment that has less room than that goes above its line
INDENT = "  "


@dataclass(frozen=True)
class Line:
    """A line of a recipe and what is said beside it; no code: a comment of its own, nothing: an empty line."""

    code: str = ""
    comment: str = ""


def lay_out(lines: Sequence[Line]) -> str:
    """Set lines as a text: comments in one column, those that do not fit above their line."""
    beside = [line for line in lines if line.code and line.comment]
    column = (
        max((len(line.code) for line in beside if len(line.code) <= WIDEST - LEAST_BESIDE), default=0) + 2
    )
    text: list[str] = []
    for line in lines:
        if not line.comment:
            text.append(line.code)
        elif not line.code:
            text += _paragraph(line.comment, "")
        elif len(line.code) + 2 <= column and column + 2 + len(line.comment) <= WIDEST:
            text.append(f"{line.code.ljust(column)}# {printable(line.comment)}")
        else:
            indent = line.code[: len(line.code) - len(line.code.lstrip())]
            text += [*_paragraph(line.comment, indent), line.code]
    return "\n".join(text) + "\n"


def key_line(key: str, value: object, comment: str = "") -> Line:
    """A key and its value."""
    return Line(f"{key} = {value_text(value)}", comment)


def value_text(value: object) -> str:
    """A value as one writes it: 58, not 58.0."""
    if isinstance(value, float):
        return plain(value)
    return toml_value(value)


def stage_line(stage: Stage, comment: str, *, folder: Path) -> Line:
    """A stage of a chain; files are named from the folder in which the recipe will lie."""
    written = stage.model_dump(exclude_unset=True)
    parts = [f"stage = {toml_string(stage.stage)}"]
    for key, value in written.items():
        if key == "stage":
            continue
        if isinstance(stage, ImpulseResponse) and key == "file":
            parts.append(f"file = {toml_string(path_from(folder, stage.file))}")
        else:
            parts.append(f"{key} = {value_text(value)}")
    return Line(f"{INDENT}{{ {', '.join(parts)} }},", comment)


def path_from(folder: Path, file: Path) -> str:
    """Path of a file as written in a recipe of a folder, with slashes; the whole path where there is no other way."""
    target = file.resolve()
    try:
        return Path(os.path.relpath(target, folder.resolve())).as_posix()
    except ValueError:  # another drive
        return target.as_posix()


def notes_lines(paragraph: str) -> list[Line]:
    """`notes`, over several lines if need be."""
    wrapped = textwrap.wrap(printable(paragraph), WIDEST - 12, break_long_words=False, break_on_hyphens=False)
    if len(wrapped) == 1:
        return [Line(f"notes = {toml_string(wrapped[0])}")]
    inner = [toml_string(part)[1:-1] for part in wrapped]
    return [Line(f'notes = """{inner[0]}'), *map(Line, inner[1:-1]), Line(f'{inner[-1]}"""')]


def _paragraph(comment: str, indent: str) -> list[str]:
    lead = f"{indent}# "
    return textwrap.wrap(
        printable(comment),  # names of files may hold what would end a comment
        WIDEST,
        initial_indent=lead,
        subsequent_indent=lead,
        break_long_words=False,
        break_on_hyphens=False,
    )
