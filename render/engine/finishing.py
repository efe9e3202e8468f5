"""The finished sound of a planned mix, block after block: gain, limiter and fades, then dither and rounding.

Sits between the mix store and the file. Blocks are made ahead by threads, if there are, while the file is written.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from itertools import starmap
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from render.audio.array import AnySamples, Samples
from render.engine.workers import Workers
from render.finish.dither import FULL_SCALE, Quantiser
from render.finish.level import FinishPlan, apply_finish_block
from render.finish.slots import SlotPowers
from render.recipe.models import Finish

WRITE_FRAMES = 65_536
# The FLAC encoder takes 3 % less time in long strides; WAV is packed while a block is in the cache.
FLAC_BLOCKS_AT_ONCE = 4
Finished: TypeAlias = NDArray[np.int32] | Samples
Maker: TypeAlias = Callable[[int, int], Finished]


def finished_blocks(
    store: AnySamples,
    plan: FinishPlan,
    finish: Finish,
    *,
    slots: SlotPowers,
    take_frame: int,
    dither_key: bytes,
    workers: Workers,
) -> Iterator[Finished]:
    """Finished blocks in order: whole numbers where the file holds whole numbers, else floats.

    Parameters
    ----------
    store : float32 or float64, shape (frames, 2)
        The mix store.
    plan : FinishPlan
        What was planned for it.
    finish : Finish
        The recipe's, for format and bit depth.
    slots : SlotPowers
        Of the store: which side is the louder one.
    take_frame : int
        Of the take, with which the file begins.
    dither_key : bytes
    workers : Workers

    Yields
    ------
    int32 or float64, shape (frames, 2)
        Good until the next one is asked for.
    """
    if finish.format not in ("wav", "flac") or finish.bit_depth == "float":
        return _in_order(_makers(partial(_float_maker, store, plan), workers), plan, WRITE_FRAMES)
    quantiser_of = partial(
        Quantiser, bit_depth=finish.bit_depth, key=dither_key, swap=is_right_heavy(store, slots)
    )
    frames = WRITE_FRAMES * (FLAC_BLOCKS_AT_ONCE if finish.format == "flac" else 1)

    def maker() -> Maker:
        return _rounding_maker(store, plan, quantiser_of(), frames=frames, take_frame=take_frame)

    return _in_order(_makers(maker, workers), plan, frames)


def _makers(maker: Callable[[], Maker], workers: Workers) -> list[Maker]:
    """As many as there are threads, and one whose block is used meanwhile; each has memory of its own."""
    return [maker() for _ in range(1 if workers.inside == 1 else workers.inside + 1)]


def _float_maker(store: AnySamples, plan: FinishPlan) -> Maker:
    """Blocks as they are."""
    finished = np.empty((2, WRITE_FRAMES)).T
    return lambda first, stop: apply_finish_block(store, plan, first, stop, out=finished)


def _rounding_maker(
    store: AnySamples, plan: FinishPlan, quantiser: Quantiser, *, frames: int, take_frame: int
) -> Maker:
    """Blocks of up to `frames` in whole numbers, made in pieces that stay in the cache."""
    scaled = np.empty((2, WRITE_FRAMES)).T
    rounded = np.empty((frames, 2), np.int32)

    def make(first: int, stop: int) -> Finished:
        for low in range(first, stop, WRITE_FRAMES):
            high = min(low + WRITE_FRAMES, stop)
            block = apply_finish_block(store, plan, low, high, out=scaled, full_scale=FULL_SCALE)
            into = rounded[low - first : high - first]
            quantiser.quantise_scaled(block, first_frame=take_frame + low, out=into)
        return rounded[: stop - first]

    return make


def _in_order(makers: Sequence[Maker], plan: FinishPlan, frames: int) -> Iterator[Finished]:
    """Blocks in order; with several makers all but one are at work while what the last one made is used."""
    ranges = [(first, min(first + frames, plan.frames)) for first in range(0, plan.frames, frames)]
    ahead = len(makers) - 1
    if not ahead:
        yield from starmap(makers[0], ranges)
        return
    waiting: deque[Future[Finished]] = deque()
    with ThreadPoolExecutor(ahead) as pool:
        for turn, stretch in enumerate(ranges):
            # Makers take turns: this one's last block was used up before the one that is finished now.
            done = waiting.popleft().result() if len(waiting) == ahead else None
            waiting.append(pool.submit(makers[turn % len(makers)], *stretch))
            if done is not None:
                yield done
        while waiting:
            yield waiting.popleft().result()


def is_right_heavy(store: AnySamples, slots: SlotPowers) -> bool:
    """Whether the right side has more energy: dither follows the picture, so that a mirrored mix is mirrored whole.

    Where both have the same to the bit, as in a mix of side sources only, the first frame that tells them apart
    decides; where there is none the mix is its own mirror.
    """
    left, right, _ = slots.plain.sum(axis=0)
    if left != right:
        return bool(right > left)
    for first in range(0, len(store), WRITE_FRAMES):
        block = store[first : first + WRITE_FRAMES]
        apart = np.flatnonzero(block[:, 0] != block[:, 1])
        if len(apart):
            frame = block[apart[0]]
            return bool(frame[1] > frame[0])
    return False
