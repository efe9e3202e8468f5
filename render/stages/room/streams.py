"""Chance for the room: every part draws from a stream of its own, named by text."""

from __future__ import annotations

import hashlib

import numpy as np


def random_stream(seed: int, *, part: str) -> np.random.Generator:
    """Generator that depends on the seed and on the name of the part only.

    A part that later draws more or fewer numbers leaves all others as they are. SHA-256, because Python's own hash
    changes from run to run.
    """
    digest = hashlib.sha256(f"room {seed} {part}".encode()).digest()
    return np.random.Generator(np.random.PCG64(int.from_bytes(digest[:16], "big")))
