"""Writes the table of `tests/reference/README.md` out of the tests' own `@source` marks.

python -m tests.reference.table
"""

from __future__ import annotations

import importlib
import inspect
from pathlib import Path

FOLDER = Path(__file__).parent
README = FOLDER / "README.md"
HEAD = """\
# Checks against the outside

Every test in this folder carries where its numbers come from; this table is written from there
(`python -m tests.reference.table`), and a test sees that it is true.
Kinds: standard, paper, handbook, library (other people's code), closed form; "common practice, no source" and
"from memory" never carry a bound alone.

| module | what is checked | source | where | kind | tolerance |
| --- | --- | --- | --- | --- | --- |
"""


def rows() -> list[tuple[str, ...]]:
    """One row a check, in the order of the files."""
    found: list[tuple[str, ...]] = []
    for path in sorted(FOLDER.glob("test_*.py")):
        module = importlib.import_module(f"tests.reference.{path.stem}")
        tests = [
            function
            for name, function in vars(module).items()
            if name.startswith("test_") and inspect.isfunction(inspect.unwrap(function))
        ]
        for function in sorted(tests, key=lambda function: inspect.unwrap(function).__code__.co_firstlineno):
            said = function.__dict__.get("source")
            if said is None:
                continue
            citation, where, kind, tolerance = said
            sentence = (inspect.getdoc(function) or function.__name__).splitlines()[0]
            found.append((path.stem.removeprefix("test_"), sentence, citation, where, kind, tolerance))
    return found


def table_text() -> str:
    """The whole README of this folder."""
    lines = [
        "| " + " | ".join(cell.replace("|", "\\|").replace("\n", " ") for cell in row) + " |"
        for row in rows()
    ]
    return HEAD + "\n".join(lines) + "\n"


if __name__ == "__main__":
    README.write_text(table_text(), encoding="utf-8", newline="\n")
