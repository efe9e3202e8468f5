"""Dependencies point one way; the table of DEVELOPERS.md, read from the imports themselves."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "render"

MAY_IMPORT: dict[str, set[str]] = {
    "errors": set(),
    "units": set(),
    "version": set(),
    "recipe": {"units", "errors"},
    "audio": {"errors"},
    "stages": {"units", "audio.array"},
    "finish": {"units", "audio.array"},
    "analysis": {"units", "audio.array"},
    "session": {"audio", "recipe", "errors"},
    "engine": {"errors", "units", "version", "recipe", "audio", "session", "stages", "finish", "analysis"},
    "pictures": {"errors", "units", "recipe", "audio.array", "analysis", "stages", "engine.compile"},
    "page": set(),
    "workflows": {
        "errors", "units", "version", "recipe", "audio", "session", "stages", "finish", "analysis", "engine",
        "pictures", "page",
    },
    "cli": {"errors", "units", "version", "recipe", "workflows", "engine.job", "engine.ledger", "engine.mix"},
}  # fmt: skip

FORBIDDEN_OUTSIDE: dict[str, set[str]] = {
    "errors": {"numpy", "scipy", "pydantic"},
    "units": {"numpy", "scipy", "pydantic"},
    "recipe": {"numpy", "scipy", "soundfile", "soxr"},
    "audio": {"scipy", "soxr", "pydantic"},
    "stages": {"soundfile", "pathlib", "logging", "time", "os", "pydantic", "random", "scipy.signal"},
    "finish": {"soundfile", "pathlib", "logging", "time", "os", "pydantic", "random", "scipy.signal"},
    "analysis": {"soundfile", "pathlib", "logging", "time", "os", "pydantic", "random", "scipy.signal"},
    "engine": {"scipy.signal", "rich", "argparse"},
    "page": {"numpy", "scipy", "soundfile", "soxr", "matplotlib"},
    "workflows": {"argparse", "rich", "scipy.signal"},
}

EAGER_AT_START = {"numpy", "scipy", "soundfile", "soxr", "pydantic", "joblib", "rich", "matplotlib"}


def _modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def _room_of(path: Path) -> str:
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return parts[0]


def _imports(path: Path) -> Iterator[str]:
    """Every module that a file names in an import, whole: `render.audio.array`, `numpy`."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, f"{path}: relative import"
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


@pytest.mark.parametrize("path", _modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_point_one_way(path: Path) -> None:
    """A room imports only rooms below it."""
    room = _room_of(path)
    if room in ("__init__", "__main__"):
        return
    allowed = MAY_IMPORT[room] | {room}
    for name in _imports(path):
        if not name.startswith("render."):
            continue
        target = name.removeprefix("render.")
        fits = any(target == other or target.startswith(f"{other}.") for other in allowed)
        parent_of_allowed = any(other.startswith(f"{target}.") for other in allowed)
        assert fits or parent_of_allowed, f"{path.relative_to(PACKAGE)} imports {name}"


@pytest.mark.parametrize("path", _modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_kernels_know_no_files(path: Path) -> None:
    """Kernels take arrays and numbers; nothing in the package pays for importing scipy.signal."""
    forbidden = FORBIDDEN_OUTSIDE.get(_room_of(path), {"scipy.signal"})
    for name in _imports(path):
        hit = [other for other in forbidden if name == other or name.startswith(f"{other}.")]
        assert not hit, f"{path.relative_to(PACKAGE)} imports {name}"


@pytest.mark.parametrize("path", sorted((PACKAGE / "cli").glob("*.py")), ids=lambda path: path.name)
def test_commands_start_fast(path: Path) -> None:
    """What the command line imports before it knows what to do is light."""
    if path.name.endswith("screen.py"):  # imported by a command that runs
        return
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        names = (
            [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else []
        )
        for name in names:
            assert name.split(".")[0] not in EAGER_AT_START, f"{path.name} imports {name}"
            assert not name.startswith(("render.engine", "render.workflows", "render.recipe")), (
                f"{path.name}: {name}"
            )


def test_modules_stay_readable() -> None:
    """No module past 400 lines."""
    long = {
        str(path.relative_to(PACKAGE)): lines
        for path in _modules()
        if (lines := len(path.read_text(encoding="utf-8").splitlines())) > 400
    }
    assert not long
