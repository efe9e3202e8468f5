"""Shared by all tests: reference tests must name their source; benchmarks get their mark by folder."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# Workers of pytest-xdist, which start after this, fill all cores: threads of linear algebra on top of them only wait
# for each other. Other numbers of threads are compared in tests/determinism.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

settings.register_profile(
    "drytake", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("drytake")


LONG_FILES = (
    "browser",
    "determinism",
    "test_compiled.py",
    "test_engine.py",
    "test_finished_levels.py",
    "test_room.py",
)
"""Files, or folders of files, that take longest: begun last, one of them would be waited for by all other workers."""


def pytest_configure(config: pytest.Config) -> None:
    """Let files go to workers in our order: of itself pytest-xdist begins with those of many, mostly short, tests."""
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Refuse a reference test without `@source`; put long files first, whatever their order by chance."""
    for item in items:
        parts = Path(str(item.path)).parts
        if "reference" in parts:
            item.add_marker(pytest.mark.reference)
            function = getattr(item, "function", None)
            if function is None or not hasattr(function, "source"):
                raise pytest.UsageError(f"{item.nodeid}: a reference test needs @source(...)")
        if "benchmarks" in parts:
            item.add_marker(pytest.mark.benchmark)
    items.sort(key=lambda item: not set(LONG_FILES) & set(item.path.parts))


@pytest.fixture(autouse=True)
def _keep_rooms(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever is rendered here finds a room that an earlier test has made; but not where bytes are compared."""
    compile_module = sys.modules.get("render.engine.compile")
    if compile_module is None or {"determinism", "golden", "benchmarks"} & set(request.path.parts):
        return
    from tests.helpers.kept_rooms import kept_room

    monkeypatch.setattr(compile_module, "room_response", kept_room)
