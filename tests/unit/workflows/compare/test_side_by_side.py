"""Threads at a list, and what stops them."""

from __future__ import annotations

import threading
import time

import pytest

from render.engine.workers import Cancelled
from render.workflows.compare.side_by_side import side_by_side


@pytest.mark.parametrize("jobs", [1, 3])
def test_everything_is_done(jobs: int) -> None:
    """Once each."""
    done: list[int] = []
    side_by_side(done.append, list(range(20)), jobs=jobs, cancel=threading.Event())
    assert sorted(done) == list(range(20))


def test_the_first_fault_stops_the_others_and_comes_out() -> None:
    """Not the stopping of another."""
    cancel = threading.Event()
    ended: list[int] = []

    def work(item: int) -> None:
        if item == 1:
            raise ValueError("item 1 is bad")
        while not cancel.is_set():
            time.sleep(0.005)
        ended.append(item)
        raise Cancelled

    with pytest.raises(ValueError, match="item 1 is bad"):
        side_by_side(work, [0, 1, 2, 3, 4, 5], jobs=2, cancel=cancel)
    assert cancel.is_set()
    assert len(ended) <= 2
