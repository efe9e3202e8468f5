"""How fast the line check is, as ratios measured in one run: against reading the take and one pass of spectra."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.benchmarks.material import LONG_TAKE, TAKE_S, Material, make_long_take, make_material
from tests.benchmarks.test_speed import Show, machine, measure_in_own_process, ratio, show

MOST_OVER_SPECTRA = 2.0
MOST_PRIVATE_BYTES = 400e6

__all__ = ["show"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the takes lie."""
    return tmp_path_factory.mktemp("check-speed")


@pytest.fixture(scope="module")
def material(folder: Path) -> Material:
    """A take of three minutes, as WAV and as FLAC."""
    return make_material(folder)


@pytest.fixture(scope="module")
def measured(material: Material, folder: Path) -> dict[str, Any]:
    """Everything that was timed by turns."""
    assert material.take.exists()
    return measure_in_own_process("check", folder)


@pytest.mark.parametrize("kind", ["wav", "flac"])
def test_check_against_reading_and_spectra(measured: dict[str, Any], show: Show, kind: str) -> None:
    """All gauges together cost no more than reading the take and transforming it once."""
    times = measured["times"]
    found = ratio(times, f"check {kind}", f"decode and spectra {kind}")
    show(
        f"\n{machine()}\ncheck of {TAKE_S:.0f} s of {kind} / reading it and scipy's spectra of both sources: {found}; "
        f"at most {MOST_OVER_SPECTRA}; / reading it: {ratio(times, f'check {kind}', f'decode {kind}')}; "
        f"with two threads / with one: {ratio(times, f'check {kind} on two cores', f'check {kind}')}"
    )
    assert found.wall <= MOST_OVER_SPECTRA


def test_an_hour(material: Material, folder: Path, show: Show) -> None:
    """A take of an hour streams through, in little memory and in no more than twice reading and transforming it."""
    if not Path("/proc/self/smaps_rollup").exists():
        pytest.skip("this system does not tell private memory (/proc/self/smaps_rollup)")
    make_long_take(material, folder)
    found = measure_in_own_process("check-memory", folder)
    show(
        f"\nan hour checked ({LONG_TAKE}): {found['peak'] / 1e6:.0f} MB private at most, {found['wall']:.1f} s; "
        f"/ reading it and scipy's spectra: {found['wall'] / found['spectra']:.2f}; at most {MOST_OVER_SPECTRA}"
    )
    assert found["duration_s"] >= 3600.0
    assert found["peak"] <= MOST_PRIVATE_BYTES
    assert found["wall"] <= MOST_OVER_SPECTRA * found["spectra"]
