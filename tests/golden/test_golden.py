"""Old recipes sound as they did: short stored mixes, compared by what is left when one is taken from the other.

Other processors and library versions may differ in last bits, so this is no comparison of bytes: those are in
tests/determinism, on one machine.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.golden.mixes import FOLDER, make_mixes
from tests.helpers.sessions import read_mix
from tests.helpers.stage_by_stage import Reals

RESIDUAL_DBFS = -120.0
NAMES = sorted(path.stem for path in FOLDER.glob("*.toml"))


@pytest.fixture(scope="module")
def mixes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Reals, int]]:
    """All of them, made now."""
    return make_mixes(tmp_path_factory.mktemp("golden"))


@pytest.mark.parametrize("name", NAMES)
def test_a_recipe_sounds_as_it_did(mixes: dict[str, tuple[Reals, int]], name: str) -> None:
    """Same length, same rate, and nothing left at -120 dBFS; if it is meant: python -m tests.golden.mixes."""
    mix, rate_hz = mixes[name]
    stored = read_mix(FOLDER / f"{name}.flac")

    assert soundfile.info(FOLDER / f"{name}.flac").samplerate == rate_hz
    assert stored.shape == mix.shape
    power = float(np.square(mix - stored).mean())
    assert power <= 10.0 ** (RESIDUAL_DBFS / 10.0), f"{10.0 * math.log10(power):.1f} dBFS are left"
    assert float(np.square(stored).mean()) > 1e-5


def test_every_stored_mix_has_its_recipe_and_they_are_small() -> None:
    """Nothing is left behind by a recipe that went; under 200 kB in all."""
    stored: list[Path] = sorted(FOLDER.glob("*.flac"))
    assert [path.stem for path in stored] == NAMES
    assert sum(path.stat().st_size for path in stored) < 200_000
