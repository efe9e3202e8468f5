"""Polarity through a session: no take turns over by mistake, and one that is turned over is found."""

from __future__ import annotations

import numpy as np
import pytest

from render.analysis.agreement import TakeSign, agree_on_polarity

BANDS = 18
NOTHING = np.zeros(BANDS, np.complex128)


def phases(
    seed: int, *, error_rad: float = 0.0, guitar: int = 1
) -> np.ndarray[tuple[int], np.dtype[np.complex128]]:
    """Phases between the sources of a guitar, as one take shows them."""
    own = np.random.default_rng(guitar).uniform(-np.pi, np.pi, BANDS)
    rng = np.random.default_rng([seed, 7])
    return np.asarray(rng.uniform(0.2, 1.0, BANDS) * np.exp(1j * (own + error_rad * rng.normal(size=BANDS))))


def test_a_take_that_is_not_sure_goes_with_the_others() -> None:
    """Its phases say that it is like them, though its own polarity came out the other way or not at all."""
    takes = [
        TakeSign(phases(1, error_rad=0.4), 1, 0.8),
        TakeSign(phases(2, error_rad=0.4), None, 0.1),
        TakeSign(phases(3, error_rad=0.4), -1, 0.3),
        TakeSign(phases(4, error_rad=0.4), 1, 0.6),
    ]
    assert agree_on_polarity(takes) == [1, 1, 1, 1]


def test_a_take_that_was_recorded_the_other_way_round_is_found() -> None:
    """Even where no polarity of it could be told: only its phases are all turned over."""
    takes = [TakeSign(phases(seed, error_rad=0.4), 1, 0.8) for seed in range(3)]
    takes.append(TakeSign(-phases(4, error_rad=0.4), None, 0.0))
    assert agree_on_polarity(takes) == [1, 1, 1, -1]


def test_who_is_surest_decides_for_all() -> None:
    """The sign of the session is one, and is that of the weightiest evidence."""
    takes = [TakeSign(phases(1), -1, 0.9), TakeSign(phases(2), 1, 0.3), TakeSign(phases(3), None, 0.0)]
    assert agree_on_polarity(takes) == [-1, -1, -1]


def test_a_take_that_cannot_be_compared_has_its_own_sign_or_that_of_the_others() -> None:
    """A silent one has none of its own, another guitar's phases are like nobody's."""
    takes = [
        TakeSign(phases(1), -1, 0.9),
        TakeSign(phases(2), -1, 0.9),
        TakeSign(NOTHING, None, 0.0),
        TakeSign(phases(3, guitar=6), 1, 0.9),
        None,
    ]
    assert agree_on_polarity(takes) == [-1, -1, -1, 1, -1]


def test_one_take_has_its_own() -> None:
    """And nobody to ask."""
    assert agree_on_polarity([TakeSign(phases(1), -1, 0.9)]) == [-1]
    assert agree_on_polarity([TakeSign(phases(1), None, 0.2)]) == [None]
    assert agree_on_polarity([None, None]) == [None, None]
    assert agree_on_polarity([]) == []


def test_the_order_of_the_takes_does_not_matter() -> None:
    """Nor how many workers bring them."""
    rng = np.random.default_rng(3)
    takes = [
        TakeSign(
            rng.choice([-1, 1]) * phases(seed, error_rad=0.6), int(rng.choice([-1, 1])), float(rng.uniform())
        )
        for seed in range(9)
    ]
    told = agree_on_polarity(takes)
    shuffled = rng.permutation(9)
    assert agree_on_polarity([takes[index] for index in shuffled]) == [told[index] for index in shuffled]


@pytest.mark.parametrize("error_rad", [0.3, 0.6, 0.9])
def test_a_session_keeps_its_picture(error_rad: float) -> None:
    """However unsure each take is of itself: over 200 sessions none of 6 takes changes sides."""
    rng = np.random.default_rng(11)
    for session in range(200):
        takes = [
            TakeSign(
                phases(6 * session + take, error_rad=error_rad, guitar=session + 1),
                int(rng.choice([-1, 1])) if rng.uniform() < 0.5 else None,
                float(rng.uniform(0.0, 0.5)),
            )
            for take in range(6)
        ]
        assert len(set(agree_on_polarity(takes))) == 1


def test_other_bands_are_refused() -> None:
    """They cannot be compared."""
    with pytest.raises(ValueError, match="takes must have phasors of the same bands"):
        agree_on_polarity([TakeSign(NOTHING, 1, 1.0), TakeSign(NOTHING[:3], 1, 1.0)])
