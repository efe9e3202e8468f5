"""Shared by all tests: reference tests must name their source; benchmarks get their mark by folder."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile(
    "drytake", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("drytake")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Refuse a reference test without `@source`."""
    for item in items:
        parts = Path(str(item.path)).parts
        if "reference" in parts:
            item.add_marker(pytest.mark.reference)
            function = getattr(item, "function", None)
            if function is None or not hasattr(function, "source"):
                raise pytest.UsageError(f"{item.nodeid}: a reference test needs @source(...)")
        if "benchmarks" in parts:
            item.add_marker(pytest.mark.benchmark)
