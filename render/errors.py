"""Every exception of the package, and the form in which a fault of a recipe is told."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Problem:
    """One fault: where it stands, what stands there, why it is refused, how to mend it."""

    path: Path
    key: str
    value: object
    reason: str
    fix: str = ""
    line: int | None = None
    context: str = ""

    def as_dict(self) -> dict[str, object]:
        """Plain values, for JSON."""
        return {
            "path": str(self.path),
            "line": self.line,
            "key": self.key,
            "value": None if self.value is None else str(self.value),
            "reason": self.reason,
            "fix": self.fix,
        }

    def __str__(self) -> str:
        where = str(self.path) if self.line is None else f"{self.path}, line {self.line}"
        shown = f" = {self.value}" if self.value is not None else ""
        context = f"   ({self.context})" if self.context else ""
        lines = [f"{where}: {self.key}{shown}{context}" if self.key else where, f"  {self.reason}"]
        if self.fix:
            lines.append(f"  {self.fix}")
        return "\n".join(lines)


class DrytakeError(Exception):
    """Root of all faults that are the input's, not the program's."""


class RecipeError(DrytakeError):
    """One or more recipes cannot be used; ``problems`` has every fault of all of them."""

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = list(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class UsageError(DrytakeError):
    """The call is wrong: nothing was done."""


class SessionError(UsageError):
    """The session named in the call holds nothing that can be rendered."""


class TakeError(DrytakeError):
    """One take cannot be read or rendered; the others are not concerned."""

    def __init__(self, path: Path, reason: str, fix: str = "") -> None:
        self.path, self.reason, self.fix = path, reason, fix
        super().__init__(f"{path}: {reason}" + (f"; {fix}" if fix else ""))


class OutputError(DrytakeError):
    """A result cannot be written (disc full, no permission, a format that cannot hold it)."""
