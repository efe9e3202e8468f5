"""A check that cries wolf is switched off: clean takes of all sorts go through the whole check without a warning."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from render.workflows.check.session import CheckRequest, check_session
from tests.helpers.hard_sounds import CLEAN, few_bits
from tests.helpers.rehearsal import Player, hiss, strings, two_sources

RATE_HZ = 48_000
TAKE_S = 12.0
LOW_TUNING = (33, 40, 45, 50, 55, 59)  # A1 E2 A2 D3 G3 B3: notes beside 50 and 60 Hz and their multiples
PLAYERS = {
    "slow": Player(notes_per_s=1.0, frets=(0, 3), ring_s=12.0, dynamics_db=15.0, tail_s=5.0),
    "fast": Player(notes_per_s=10.0, frets=(0, 3), dynamics_db=4.0),
    "muted": Player(notes_per_s=4.0, frets=(0, 3), ring_s=0.8, held_share=0.1),
    "low": Player(strings=LOW_TUNING, frets=(0, 3), thumb=2, notes_per_s=3.0),
}


def _played(kind: str, seed: int) -> NDArray[np.float64]:
    """A take of two sources in a room, peak at some level from -24 to -1 dBFS, in 16 or 24 bits."""
    random = np.random.default_rng([90, seed, len(kind)])
    if kind in PLAYERS:
        wave = strings(TAKE_S, sample_rate_hz=RATE_HZ, seed=seed, player=PLAYERS[kind])
    else:
        wave = CLEAN[kind](TAKE_S, RATE_HZ, random)[:, 0]
        wave = wave * (0.1 / np.sqrt(np.mean(wave**2)))
    take = two_sources(wave, sample_rate_hz=RATE_HZ)
    quiet = -float(random.uniform(0.0, 20.0))
    take += hiss(len(take), sample_rate_hz=RATE_HZ, seed=seed, dbfs=(-85.0 + quiet, -75.0 + quiet))
    take *= 10.0 ** (float(random.uniform(-24.0, -1.0)) / 20.0) / np.abs(take).max()
    return few_bits(take, bits=24 if seed % 2 else 16, random=random)


@pytest.mark.parametrize("kind", [*PLAYERS, "saddle", "slaps", "knocks", "harmonics"])
def test_clean_takes_get_no_warning(kind: str, tmp_path: Path) -> None:
    """Slow airs, fast picking, muted strings, low tunings, slaps, knocks: notes at most, no warning, no fault."""
    for seed in range(2):
        soundfile.write(tmp_path / f"take-{seed}.wav", _played(kind, seed), RATE_HZ, subtype="PCM_24")
    result = check_session(CheckRequest(tmp_path), watch=lambda _: None)
    assert len(result.takes) == 2
    said = [
        (take.name, finding.text)
        for take in result.takes
        for finding in take.findings
        if finding.severity != "note"
    ]
    assert said == []
