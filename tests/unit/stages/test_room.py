"""The room as a whole: what it keeps, what it refuses."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from render.stages.room import room_decay_s, room_response

SMALL: dict[str, Any] = {
    "sample_rate_hz": 16000,
    "decay_1khz_s": 0.4,
    "decay_125hz_ratio": 1.2,
    "decay_8khz_ratio": 0.5,
    "level_db": -12.0,
    "pre_delay_ms": 12.5,
    "delay_scale": 1.0,
    "shared_fraction": 0.5,
    "high_pass_hz": 100.0,
    "low_pass_hz": 6000.0,
    "seed": 7,
}


def _room(**changed: Any) -> NDArray[np.float64]:
    return room_response(**(SMALL | changed))


def _energy_in_band(response: NDArray[np.float64], rate_hz: int) -> float:
    """Mean of abs2 over the bins from 500 Hz to 2 kHz: an impulse of 1 has 1."""
    size = 1 << 18
    spectrum = np.fft.rfft(response, size, axis=0)
    frequency_hz = np.arange(size // 2 + 1) * (rate_hz / size)
    inside = (frequency_hz >= 500.0) & (frequency_hz <= 2000.0)
    return float(np.sum(np.abs(spectrum[inside]) ** 2) / np.count_nonzero(inside))


def test_shape_and_memory() -> None:
    """Float64, (frames, 2 out, 2 in), each response contiguous."""
    response = _room()
    assert response.dtype == np.float64
    assert response.shape[1:] == (2, 2)
    assert response.flags.f_contiguous or response[:, 0, 0].strides == (8,)
    assert np.isfinite(response).all()


def test_nothing_before_the_pre_delay_and_a_reflection_on_it() -> None:
    """12.5 ms at 16 kHz: zeros up to frame 199, a first reflection of either own side on frame 200."""
    response = _room()
    assert not response[:200].any()
    assert response[200, 0, 0] > 0.0
    assert response[200, 1, 1] > 0.0


def test_pre_delay_moves_and_does_nothing_else() -> None:
    """The same sound, later by whole frames."""
    early, late = _room(pre_delay_ms=0.0), _room(pre_delay_ms=500.0)
    np.testing.assert_array_equal(late[8000:], early)


def test_the_same_seed_gives_the_same_bytes() -> None:
    """Twice the same call; another seed is another room."""
    assert _room().tobytes() == _room().tobytes()
    other = _room(seed=8)
    shorter = min(len(other), len(_room()))
    assert not np.allclose(other[:shorter], _room()[:shorter])


@pytest.mark.parametrize("rate_hz", [8000, 16000, 44100, 48000])
def test_level_within_the_band_it_is_defined_for(rate_hz: int) -> None:
    """Hard left in, both outputs, 500 Hz to 2 kHz against an impulse: as asked, exact for the mean of both sides."""
    response = _room(sample_rate_hz=rate_hz, level_db=-9.0)
    left, right = (_energy_in_band(response[:, :, side], rate_hz) for side in (0, 1))
    assert 10.0 * np.log10(0.5 * (left + right)) == pytest.approx(-9.0, abs=0.01)
    assert 10.0 * np.log10(left) == pytest.approx(-9.0, abs=0.2)


def test_level_scales_and_does_nothing_else() -> None:
    """20 dB more is ten times the sample values."""
    np.testing.assert_allclose(_room(level_db=8.0), 10.0 * _room(level_db=-12.0), rtol=1e-12)


def test_unshared_rooms_keep_apart() -> None:
    """With shared_fraction 0 nothing crosses over."""
    response = _room(shared_fraction=0.0)
    assert not response[:, 0, 1].any()
    assert not response[:, 1, 0].any()


def test_sharing_only_weights() -> None:
    """Own side sqrt(1 - f / 2), the other sqrt(f / 2), but for the common level."""
    half, whole = _room(shared_fraction=0.5), _room(shared_fraction=1.0)
    frames = min(len(half), len(whole))
    own = half[300:frames, 0, 0] / whole[300:frames, 0, 0]
    other = half[300:frames, 1, 0] / whole[300:frames, 1, 0]
    np.testing.assert_allclose(own / other, np.sqrt(0.75 / 0.5) / np.sqrt(0.25 / 0.5), rtol=1e-9)


def test_the_four_responses_are_orthogonal_and_equal() -> None:
    """Energies within 0.1 dB of each other, products below 1 % of them."""
    response = _room(shared_fraction=1.0, high_pass_hz=0.0, low_pass_hz=1e6).reshape(-1, 4)
    products = response.T @ response
    energy = np.diag(products)
    assert float(np.ptp(10.0 * np.log10(energy))) < 0.1
    assert float(np.abs(products - np.diag(energy)).max() / energy.mean()) < 0.01


def test_same_room_at_another_rate() -> None:
    """Low-passed, the first 20 ms at 96 and at 48 kHz are the same sound: times are drawn in seconds."""
    fine = _room(sample_rate_hz=96000, low_pass_hz=1000.0, pre_delay_ms=0.0)[: 96 * 20, 0, 0]
    coarse = _room(sample_rate_hz=48000, low_pass_hz=1000.0, pre_delay_ms=0.0)[: 48 * 20, 0, 0]
    likeness = np.corrcoef(fine[::2], coarse)[0, 1]
    assert likeness > 0.97


def test_it_lasts_until_nothing_is_left() -> None:
    """The last hundredth of the decay holds less than -125 dB, and the response is no longer than the law needs."""
    response = _room()
    left = np.cumsum((response**2).sum(axis=(1, 2))[::-1])[::-1]
    assert 10.0 * np.log10(left[-80] / left[0]) < -125.0
    assert len(response) < (0.0125 + 0.48 * 130.0 / 60.0 * 1.02 + 0.2) * 16000


def test_a_low_pass_above_the_band_is_none() -> None:
    """Half the rate, far more, and the highest allowed: finite, and the last two alike."""
    high, highest = _room(low_pass_hz=200_000.0), _room(low_pass_hz=1e6)
    np.testing.assert_allclose(high, highest, atol=1e-4 * float(np.abs(high).max()))
    assert np.isfinite(_room(low_pass_hz=8000.0)).all()


def test_the_law_for_pictures() -> None:
    """The three points, straight between them on log-log axes, constant outside."""
    frequency_hz = np.array([0.0, 125.0, 353.55339, 1000.0, 8000.0, 20000.0])
    decay_s = room_decay_s(frequency_hz, decay_1khz_s=2.0, decay_125hz_ratio=2.25, decay_8khz_ratio=0.5)
    np.testing.assert_allclose(decay_s, [4.5, 4.5, 3.0, 2.0, 1.0, 1.0], rtol=1e-6)


@pytest.mark.parametrize(
    ("name", "value", "allowed"),
    [
        ("sample_rate_hz", 7999, "8000 to 384000 Hz"),
        ("decay_1khz_s", 0.05, "0.1 to 20 s"),
        ("decay_1khz_s", float("nan"), "0.1 to 20 s"),
        ("decay_125hz_ratio", 4.0, "0.1 to 3"),
        ("decay_8khz_ratio", 0.0, "0.1 to 3"),
        ("level_db", 50.0, "-100 to 40 dB"),
        ("pre_delay_ms", -1.0, "0 to 1000 ms"),
        ("delay_scale", 5.0, "0.25 to 4"),
        ("shared_fraction", 1.1, "0 to 1"),
        ("high_pass_hz", 5.0, "10 to 2000 Hz"),
        ("low_pass_hz", 50.0, "100 to 1e"),
        ("seed", -1, "0 or greater"),
    ],
)
def test_refuses_by_name_value_and_range(name: str, value: float, allowed: str) -> None:
    """Every parameter has a range; the message says which, what stood there, and what may."""
    with pytest.raises(ValueError, match=rf"{name} = {value}: must be {allowed}"):
        _room(**{name: value})


def test_refuses_a_decay_too_long_at_any_frequency() -> None:
    """20 s at 1 kHz with three times that at 125 Hz would take gigabytes."""
    with pytest.raises(ValueError, match=r"decay_1khz_s = 20.0: .* at most 40 s .* not 60 s"):
        _room(decay_1khz_s=20.0, decay_125hz_ratio=3.0)


def test_scipy_signal_stays_out() -> None:
    """Its import takes longer than a render; making a room must not need it."""
    code = (
        "import sys; from render.stages.room import room_response; "
        f"room_response(**{SMALL!r}); sys.exit('scipy.signal' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
