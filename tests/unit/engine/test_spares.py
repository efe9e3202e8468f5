"""Memory handed on from take to take: lent once at a time, no more of it than is needed."""

from __future__ import annotations

import weakref
from contextlib import ExitStack

import numpy as np
import pytest

from render.engine.spares import Spares


def test_what_came_back_is_lent_again() -> None:
    """In another shape and kind, if it is large enough."""
    spares = Spares()
    with spares.lend((2, 1000), np.float64) as first:
        assert first.shape == (2, 1000)
        assert first.dtype == np.float64
        assert first.flags.c_contiguous
        assert first.flags.writeable
    with spares.lend((300, 3), np.complex64) as second:
        assert second.shape == (300, 3)
        assert np.shares_memory(first, second)


def test_nothing_is_lent_twice_at_a_time() -> None:
    """Arrays that are out at once are apart; each goes to the next one it fits best."""
    spares = Spares()
    with spares.lend((1000,), np.uint8) as large, spares.lend((100,), np.uint8) as small:
        assert not np.shares_memory(large, small)
    with spares.lend((90,), np.uint8) as again:
        assert np.shares_memory(again, small)


def test_a_larger_one_takes_the_place_of_what_is_too_small() -> None:
    """A batch of growing takes keeps one array, not all sizes."""
    spares = Spares()
    for size in (100, 200, 300):
        with spares.lend((size,), np.uint8) as last:
            pass
    with ExitStack() as out:
        arrays = [out.enter_context(spares.lend((10,), np.uint8)) for _ in range(2)]
        assert [np.shares_memory(array, last) for array in arrays] == [True, False]


def test_it_comes_back_when_something_fails() -> None:
    """A broken take leaves its memory to the next."""
    spares = Spares()
    with pytest.raises(KeyboardInterrupt), spares.lend((100,), np.uint8) as first:
        raise KeyboardInterrupt
    with spares.lend((100,), np.uint8) as second:
        assert np.shares_memory(first, second)


def test_nothing_is_kept_past_the_end() -> None:
    """At the end of a batch the memory goes at once, whoever still knows the batch."""
    spares = Spares()
    with spares.lend((100,), np.uint8) as last:
        pass
    gone = weakref.ref(last.base)
    del last
    assert gone() is not None
    spares.clear()
    assert gone() is None
