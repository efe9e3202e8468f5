"""Memory that the takes of a batch hand on to each other.

Fresh memory comes from the system page by page, each filled with zeros at its first touch; for the buffers of one take
that lasts as long as a tenth of its render, and longer where two threads ask at once.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray


class Spares:
    """Large arrays that are lent and come back; at most as many are kept as were ever lent at once."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._free: list[NDArray[np.uint8]] = []

    @contextmanager
    def lend(self, shape: tuple[int, ...], dtype: DTypeLike) -> Iterator[NDArray[Any]]:
        """An array in C order with anything in it, as long as the block lasts; nobody may look at it later."""
        size = int(np.prod(shape)) * np.dtype(dtype).itemsize
        buffer = self._take(size)
        try:
            yield buffer[:size].view(dtype).reshape(shape)
        finally:
            with self._lock:
                self._free.append(buffer)

    def clear(self) -> None:
        """Give back to the system what is not lent."""
        with self._lock:
            self._free.clear()

    def _take(self, size: int) -> NDArray[np.uint8]:
        """The smallest that is large enough; else a new one instead of the largest that is not."""
        with self._lock:
            self._free.sort(key=len)
            for place, buffer in enumerate(self._free):
                if len(buffer) >= size:
                    return self._free.pop(place)
            if self._free:
                self._free.pop()
        return np.empty(size, np.uint8)
