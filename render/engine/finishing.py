"""The finished sound of a planned mix, block after block: gain, limiter and fades, then dither and rounding.

Sits between the mix store and the file. Blocks are made ahead by threads, if there are, while the file is written.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
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
Finished: TypeAlias = NDArray[np.int32] | Samples
Maker: TypeAlias = Callable[[int], Finished]


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
    whole_numbers = finish.format in ("wav", "flac") and finish.bit_depth != "float"
    right_heavy = whole_numbers and is_right_heavy(store, slots)

    def maker() -> Maker:
        scaled = np.empty((2, WRITE_FRAMES)).T
        if finish.bit_depth == "float" or not whole_numbers:
            return lambda first: apply_finish_block(store, plan, *_range(first, plan), out=scaled)
        quantiser = Quantiser(bit_depth=finish.bit_depth, key=dither_key, swap=right_heavy)
        rounded = np.empty((WRITE_FRAMES, 2), np.int32)

        def make(first: int) -> Finished:
            block = apply_finish_block(store, plan, *_range(first, plan), out=scaled, full_scale=FULL_SCALE)
            return quantiser.quantise_scaled(block, first_frame=take_frame + first, out=rounded[: len(block)])

        return make

    makers = [maker() for _ in range(1 if workers.inside == 1 else workers.inside + 1)]
    return _in_order(makers, range(0, plan.frames, WRITE_FRAMES))


def _range(first: int, plan: FinishPlan) -> tuple[int, int]:
    return first, min(first + WRITE_FRAMES, plan.frames)


def _in_order(makers: Sequence[Maker], firsts: Sequence[int]) -> Iterator[Finished]:
    """Blocks in order; with several makers all but one are at work while what the last one made is used."""
    ahead = len(makers) - 1
    if not ahead:
        yield from map(makers[0], firsts)
        return
    waiting: deque[Future[Finished]] = deque()
    with ThreadPoolExecutor(ahead) as pool:
        for turn, first in enumerate(firsts):
            # Makers take turns: this one's last block was used up before the one that is finished now.
            done = waiting.popleft().result() if len(waiting) == ahead else None
            waiting.append(pool.submit(makers[turn % len(makers)], first))
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
