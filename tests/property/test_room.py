"""Any room that may be asked for is finite, in its place, and keeps power."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from render.stages.room import room_response

ROOMS = st.fixed_dictionaries(
    {
        "sample_rate_hz": st.sampled_from([8000, 11025, 16000]),
        "decay_1khz_s": st.floats(0.1, 0.4),
        "decay_125hz_ratio": st.floats(0.3, 2.0),
        "decay_8khz_ratio": st.floats(0.2, 1.5),
        "level_db": st.floats(-40.0, 6.0),
        "pre_delay_ms": st.floats(0.0, 120.0),
        "delay_scale": st.floats(0.25, 4.0),
        "shared_fraction": st.floats(0.0, 1.0),
        "high_pass_hz": st.one_of(st.just(0.0), st.floats(20.0, 400.0)),
        "low_pass_hz": st.floats(1500.0, 40000.0),
        "seed": st.integers(0, 2**32 - 1),
    }
)


def _energy(sound: np.typing.NDArray[np.float64]) -> float:
    return float(np.sum(sound**2))


@given(ROOMS)
@settings(max_examples=20)
def test_every_room_keeps_the_promises(asked: dict[str, float]) -> None:
    """Finite; silent before the pre-delay, not on it; mid even on both sides; side like mid; its share crosses."""
    room = room_response(**asked)  # type: ignore[arg-type]
    before = math.floor(asked["pre_delay_ms"] * asked["sample_rate_hz"] / 1000.0 + 0.5)
    assert np.isfinite(room).all()
    assert not room[:before].any()
    assert room[before, 0, 0] != 0.0
    mid, side = room.sum(axis=2), room[:, :, 0] - room[:, :, 1]
    assert abs(10.0 * math.log10(_energy(mid[:, 0]) / _energy(mid[:, 1]))) < 0.05
    assert abs(10.0 * math.log10(_energy(side) / _energy(mid))) < 0.05
    crossed = _energy(room[:, 1, 0]) / _energy(room[:, :, 0])
    assert math.isclose(crossed, 0.5 * asked["shared_fraction"], rel_tol=0.01, abs_tol=1e-12)


@given(st.floats(0.1, 0.4), st.floats(-60.0, 12.0), st.integers(0, 1000))
@settings(max_examples=10)
def test_level_is_nothing_but_a_factor(decay_s: float, level_db: float, seed: int) -> None:
    """The same room at another level is the same room."""

    def at(level: float) -> np.typing.NDArray[np.float64]:
        return room_response(
            sample_rate_hz=8000,
            decay_1khz_s=decay_s,
            decay_125hz_ratio=1.0,
            decay_8khz_ratio=0.7,
            level_db=level,
            pre_delay_ms=5.0,
            delay_scale=1.0,
            shared_fraction=0.3,
            high_pass_hz=100.0,
            low_pass_hz=3000.0,
            seed=seed,
        )

    np.testing.assert_allclose(at(level_db), 10.0 ** (level_db / 20.0) * at(0.0), rtol=1e-10, atol=1e-300)
