"""Several threads at one list of things to do; the first fault stops the others and comes out."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_EXCEPTION, Future, ThreadPoolExecutor, wait
from typing import TypeVar

from render.engine.workers import Cancelled

T = TypeVar("T")


def side_by_side(
    action: Callable[[T], None], items: Sequence[T], *, jobs: int, cancel: threading.Event
) -> None:
    """Run an action over items.

    Parameters
    ----------
    action : callable
        Looks at `cancel` now and then and raises `Cancelled`.
    items : sequence
    jobs : int
        Threads, 1 or more.
    cancel : Event
        Set when one has failed, or the call was stopped.

    Raises
    ------
    BaseException
        What the first that failed has raised; all others have ended by then.
    """
    if jobs <= 1 or len(items) <= 1:
        for item in items:
            action(item)
        return
    with ThreadPoolExecutor(min(jobs, len(items))) as pool:
        futures: list[Future[None]] = [pool.submit(action, item) for item in items]
        try:
            wait(futures, return_when=FIRST_EXCEPTION)
        finally:
            if any(future.done() and future.exception() for future in futures) or not all(
                future.done() for future in futures
            ):
                cancel.set()
            for future in futures:
                future.cancel()
    faults = [error for future in futures if not future.cancelled() and (error := future.exception())]
    for error in sorted(faults, key=lambda error: isinstance(error, Cancelled)):
        raise error
