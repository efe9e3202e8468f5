"""Prototypes: what they refuse, and their exact response."""

from __future__ import annotations

import math

import numpy as np
import pytest

from render.stages.equaliser import peaking
from render.stages.prototype import Prototype, analogue_response, checked, inverse, quadratic_roots


def test_response_is_the_rational_function() -> None:
    """One zero, one pole: the ratio of the two distances."""
    prototype = Prototype(zeros=(-3.0 + 0j,), poles=(-5.0 + 0j,), gain=2.0)
    s = 2j * np.pi * 7.0
    assert analogue_response(prototype, 7.0) == pytest.approx(2.0 * (s + 3.0) / (s + 5.0), rel=1e-15)


def test_response_keeps_the_shape_of_the_frequencies() -> None:
    """Two dimensions in, two out."""
    assert analogue_response(Prototype(gain=3.0), np.zeros((2, 5))).shape == (2, 5)


def test_many_stages_stay_within_range() -> None:
    """A hundred poles and zeros at high frequencies neither overflow nor vanish."""
    roots = (-1e5 + 0j,) * 100
    response = analogue_response(Prototype(zeros=roots, poles=roots), np.array([0.0, 1e4]))
    np.testing.assert_allclose(response, 1.0, rtol=1e-12)


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"poles": (1.0 + 0j,)}, "poles .* real part below 0"),
        ({"poles": (0j,)}, "poles .* real part below 0"),
        ({"poles": (-1.0 + 2j,)}, "poles .* conjugates"),
        ({"zeros": (1j, 1j)}, "zeros .* conjugates"),
        ({"zeros": (complex(math.nan, 0.0),)}, "zeros .* finite"),
        ({"gain": 0.0}, "gain = 0.0: must be finite and not 0"),
        ({"gain": math.inf}, "gain = inf"),
    ],
)
def test_what_is_no_real_stable_response_is_refused(wrong: dict[str, object], message: str) -> None:
    """Unstable poles, lonely complex roots, no gain."""
    with pytest.raises(ValueError, match=message):
        Prototype(**wrong)  # type: ignore[arg-type]


def test_inverse_undoes_to_the_bit() -> None:
    """Twice inverted is the prototype itself."""
    prototype = peaking(centre_hz=400.0, gain_db=5.0, q=0.3)
    assert inverse(inverse(prototype)) == prototype


def test_quadratic_roots_do_not_cancel() -> None:
    """The small root of a wide pair is right to the last digits."""
    near, far = sorted(abs(root) for root in quadratic_roots(1e8, 1.0))
    assert near == pytest.approx(1e-8, rel=1e-15)
    assert far == pytest.approx(1e8, rel=1e-15)


def test_range_is_named() -> None:
    """Name, value, range and unit stand in the message; NaN is refused as well."""
    with pytest.raises(ValueError, match="level_db = 3: must be -1 to 2 dB"):
        checked("level_db", 3, lowest=-1.0, highest=2.0, unit="dB")
    with pytest.raises(ValueError, match="q = nan"):
        checked("q", math.nan, lowest=0.0, highest=1.0)
