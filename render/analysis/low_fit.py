"""The microphone's low band brought to the pickup's balance: high-pass, cuts at resonances, a shelf if need be.

Moves are chosen on grids of values that one would dial in, one after the other and round again, by what the tool's own
filters make of the measured spectra. Nothing is ever lifted; what the microphone lacks stays lacking.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from render.analysis.balance import LINES_HZ
from render.analysis.boom import Resonance
from render.analysis.guitar import (
    LOW_BAND_HZ,
    MIDDLE_BAND_HZ,
    THIRDS_HZ,
    Guitar,
    excess_db,
    low_excess_db,
    third_of_lines,
)
from render.analysis.moves import (
    HIGH_PASS_SLOPES,
    MICROPHONE_HIGH_PASS_HZ,
    MOST_RESONANCES,
    RESONANCE_CUT_DB,
    RESONANCE_HZ,
    RESONANCE_Q,
    SHELF_CUT_DB,
    SHELF_HZ,
    HighPassMove,
    Move,
    PeakMove,
    Respond,
    ShelfMove,
    rounded_db,
    rounded_hz,
    rounded_q,
)
from render.audio.array import Reals

CLOSE_DB = 1.5
"""A third octave that close is left alone: half of the 3 dB that the low band is to be within."""

TOLERANCE_DB = 3.0

LEAST_PROMINENCE_DB = 4.0
"""A resonance that stands out less is part of the instrument."""

_ROUNDS = 4
_TOTAL_WEIGHT = 4.0
_HIGH_PASS_HZ = (30.0, 35.0, 40.0, 45.0, 50.0, 56.0, 63.0, 70.0, 80.0, 90.0, 100.0, 110.0, 120.0, 130.0, 140.0, 150.0,
                 160.0, 170.0, 180.0, 190.0, 200.0)  # fmt: skip
_SHELF_HZ = (100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0)
_HUMP_QS = (0.7, 1.0, 1.4, 2.0, 3.0, 4.3)


@dataclass(frozen=True, eq=False)
class LowBand:
    """What was found in the microphone's low band, and what is suggested.

    Attributes
    ----------
    high_pass : HighPassMove or None
    cuts : tuple of PeakMove
        From the lowest upwards.
    resonances : tuple of (Resonance or None)
        To which resonance each cut belongs; None: a hump that no resonance explains.
    shelf : ShelfMove or None
    low_before_db, low_after_db : float or None
        Energy from 71 to 354 Hz of the microphone against the pickup, each against its own middle band: as captured,
        and behind kept stages and moves.
    thirds_hz, before_db, after_db : float64, shape (thirds,)
        The same third octave by third octave; not-a-number where one source does not carry the guitar.
    """

    high_pass: HighPassMove | None
    cuts: tuple[PeakMove, ...]
    resonances: tuple[Resonance | None, ...]
    shelf: ShelfMove | None
    low_before_db: float | None
    low_after_db: float | None
    thirds_hz: Reals
    before_db: Reals
    after_db: Reals

    @property
    def moves(self) -> tuple[Move, ...]:
        """All moves in the order of a chain."""
        ends = [move for move in (self.high_pass,) if move is not None]
        shelf = [move for move in (self.shelf,) if move is not None]
        return (*ends, *self.cuts, *shelf)

    @property
    def worst_after_db(self) -> float:
        """Strongest third octave of the low band after the moves; minus infinity where none is carried."""
        low = low_thirds()
        return float(np.nanmax(self.after_db[low])) if np.any(np.isfinite(self.after_db[low])) else -np.inf


def low_thirds() -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Which third octaves make the low band."""
    return np.asarray((LOW_BAND_HZ[0] < THIRDS_HZ) & (LOW_BAND_HZ[1] > THIRDS_HZ), np.bool_)


@dataclass
class _Fit:
    """The search: what is measured, and the moves so far by the place they take."""

    guitar: Guitar
    respond: Respond
    fixed: Reals
    moves: dict[str, Move] = field(default_factory=dict)
    known: dict[Move, Reals] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.low = low_thirds() & self.guitar.usable
        third = third_of_lines()
        usable = self.guitar.usable_lines
        bands = [third == number for number in np.flatnonzero(self.low)]
        bands += [
            usable & (low_hz <= LINES_HZ) & (high_hz > LINES_HZ)
            for low_hz, high_hz in (LOW_BAND_HZ, MIDDLE_BAND_HZ)
        ]
        member = np.stack(bands).astype(np.float64)
        pickup = member @ self.guitar.shape[0]
        # a row for every low third octave and one for the low band; the last for the middle band
        self._rows = (member[:-1] * self.guitar.shape[1]) * (pickup[-1] / pickup[:-1])[:, np.newaxis]
        self._middle = member[-1] * self.guitar.shape[1]
        self.before = np.minimum(self._excess_db(self.fixed), 0.0)

    def response(self, moves: Iterable[Move]) -> Reals:
        """Power response of the kept stages and of moves."""
        whole = self.fixed
        for move in moves:
            whole = whole * self._known(move)
        return whole

    def after_db(self) -> Reals:
        """Excess of the low third octaves with the moves so far, and last that of the whole low band."""
        return self._excess_db(self.response(self.moves.values()))

    def choose(self, place: str, candidates: Sequence[Move | None]) -> None:
        """Put the best candidate in a place; None leaves it empty; the first of equals wins."""
        rest = {name: move for name, move in self.moves.items() if name != place}
        others = self.response(rest.values())
        nothing = np.ones(len(LINES_HZ))
        own = np.stack([nothing if move is None else self._known(move) for move in candidates])
        after = self._excess_db(others * own)
        # too strong, or cut below both the pickup's balance and what it was
        apart = np.where(after > 0.0, after, np.maximum(self.before - after, 0.0))
        thirds = np.maximum(apart[:, :-1] - 0.5, 0.0)
        prices = np.array([0.0 if move is None else _price(move) for move in candidates])
        costs = np.sum(thirds**2, axis=1) + _TOTAL_WEIGHT * apart[:, -1] ** 2 + prices
        best = candidates[int(np.argmin(costs))]
        self.moves = rest if best is None else {**rest, place: best}

    def _known(self, move: Move) -> Reals:
        if move not in self.known:
            self.known[move] = self.respond(move, LINES_HZ)
        return self.known[move]

    def _excess_db(self, response: Reals) -> Reals:
        """Excess of low thirds and low band for power responses of shape (..., lines)."""
        middle = response @ self._middle
        return np.asarray(10.0 * np.log10((response @ self._rows.T) / middle[..., np.newaxis]), np.float64)


def _price(move: Move) -> float:
    """What a move has to gain, in squared decibels, so that few and small ones are chosen."""
    match move:
        case HighPassMove():
            return 0.0 if move.slope_db_per_octave == 12 else 1.0
        case PeakMove() | ShelfMove():
            return 1.0 + 0.01 * move.gain_db**2
        case _:
            return 1.0


def fit_low_band(
    guitar: Guitar,
    *,
    resonances: Sequence[Resonance],
    respond: Respond,
    base_high_pass: HighPassMove | None,
    fixed: Reals | None = None,
) -> LowBand:
    """Find the moves that bring the microphone's low band to the pickup's balance.

    Parameters
    ----------
    guitar : Guitar
    resonances : sequence of Resonance
        Of the body, most prominent first; those that stand out by less than 4 dB are left alone.
    respond : callable
        What a move does.
    base_high_pass : HighPassMove or None
        The least high-pass, against rumble; None: there is one among the kept stages, and no other is set.
    fixed : float64, shape (lines,), optional
        Power response of stages that are kept.

    Returns
    -------
    LowBand

    Notes
    -----
    Bounds are those of `moves`: a high-pass of 12 or 18 dB per octave up to 200 Hz, at most four cuts of at most 10 dB,
    a shelf of at most 8 dB below 400 Hz. What a source lacks is not lifted, so a microphone leaner than the pickup
    keeps its balance.
    """
    nothing = np.ones(len(LINES_HZ))
    kept = nothing if fixed is None else fixed
    fit = _Fit(guitar, respond, kept)
    named: dict[str, Resonance | None] = {}
    if base_high_pass is not None:
        fit.moves["high-pass"] = base_high_pass
    if np.any(low_thirds() & guitar.usable):
        _search(fit, base_high_pass, resonances, named)
    cuts = sorted(
        ((move, named[place]) for place, move in fit.moves.items() if isinstance(move, PeakMove)),
        key=lambda pair: pair[0].centre_hz,
    )
    response = fit.response(fit.moves.values())
    high_pass, shelf = fit.moves.get("high-pass"), fit.moves.get("shelf")
    return LowBand(
        high_pass=high_pass if isinstance(high_pass, HighPassMove) else None,
        cuts=tuple(move for move, _ in cuts),
        resonances=tuple(resonance for _, resonance in cuts),
        shelf=shelf if isinstance(shelf, ShelfMove) else None,
        low_before_db=low_excess_db(guitar),
        low_after_db=low_excess_db(guitar, microphone=response),
        thirds_hz=THIRDS_HZ,
        before_db=excess_db(guitar),
        after_db=excess_db(guitar, microphone=response),
    )


def low_band_as_it_is(guitar: Guitar, *, response: Reals) -> LowBand:
    """The low band with a power response, shape (lines,), and no moves."""
    after_db, low_after_db = (
        excess_db(guitar, microphone=response),
        low_excess_db(guitar, microphone=response),
    )
    return LowBand(
        None, (), (), None, low_excess_db(guitar), low_after_db, THIRDS_HZ, excess_db(guitar), after_db
    )


def _search(
    fit: _Fit, base: HighPassMove | None, resonances: Sequence[Resonance], named: dict[str, Resonance | None]
) -> None:
    """Resonances first, then the high-pass, then a shelf and humps as long as the band is not close."""
    grids: dict[str, list[Move | None]] = {}
    low_hz, high_hz = RESONANCE_HZ
    strong = [
        one
        for one in resonances
        if one.prominence_db >= LEAST_PROMINENCE_DB and low_hz <= one.frequency_hz <= high_hz
    ]
    for number, resonance in enumerate(strong[:MOST_RESONANCES]):
        place = f"cut {number}"
        grids[place], named[place] = _resonance_grid(resonance), resonance
        fit.moves[place] = next(move for move in reversed(grids[place]) if move is not None)
    if base is not None:
        grids["high-pass"] = [base, *_high_passes(base)]
    _go_round(fit, grids)
    if _not_close(fit):
        grids["shelf"] = [None, *_shelves()]
        _go_round(fit, grids)
    for number in range(len(strong[:MOST_RESONANCES]), MOST_RESONANCES):
        if not _not_close(fit):
            break
        worst_hz = float(THIRDS_HZ[fit.low][int(np.argmax(fit.after_db()[:-1]))])
        place = f"cut {number}"
        grids[place], named[place] = _hump_grid(worst_hz), None
        _go_round(fit, grids)


def _not_close(fit: _Fit) -> bool:
    """Whether the low band is too strong as a whole, or a third octave too strong or cut too far."""
    after = fit.after_db()
    cut = fit.before - after
    return bool(after[-1] > CLOSE_DB or max(after[:-1].max(), cut[:-1].max()) > TOLERANCE_DB - 0.5)


def _go_round(fit: _Fit, grids: dict[str, list[Move | None]]) -> None:
    """Choose every move anew, the others held, until none changes."""
    for _ in range(_ROUNDS):
        before = dict(fit.moves)
        for place, candidates in grids.items():
            fit.choose(place, candidates)
        if fit.moves == before:
            break


def _high_passes(base: HighPassMove) -> list[Move]:
    low_hz, high_hz = max(base.cutoff_hz, MICROPHONE_HIGH_PASS_HZ[0]), MICROPHONE_HIGH_PASS_HZ[1]
    return [
        HighPassMove(cutoff_hz, slope)
        for slope in HIGH_PASS_SLOPES
        for cutoff_hz in _HIGH_PASS_HZ
        if low_hz < cutoff_hz <= high_hz
    ]


def _shelves() -> list[Move]:
    return [
        ShelfMove(corner_hz, -0.5 * step)
        for corner_hz in _SHELF_HZ
        if SHELF_HZ[0] <= corner_hz <= SHELF_HZ[1]
        for step in range(2, round(2.0 * SHELF_CUT_DB) + 1)
    ]


def _resonance_grid(resonance: Resonance) -> list[Move | None]:
    """Cuts at a resonance: as broad as it is, or a little broader, up to as deep as it stands out."""
    measured = resonance.peaking_q
    deepest = rounded_db(min(resonance.prominence_db, RESONANCE_CUT_DB))
    qs = dict.fromkeys(rounded_q(float(np.clip(q, *RESONANCE_Q))) for q in (measured, 0.7 * measured))
    centre_hz = rounded_hz(resonance.frequency_hz)
    steps = range(3, round(2.0 * deepest) + 1)
    return [None, *(PeakMove(centre_hz, -0.5 * step, q) for q in qs for step in steps)]


def _hump_grid(centre_hz: float) -> list[Move | None]:
    """Cuts around the middle of a third octave that is too strong."""
    centres = [rounded_hz(centre_hz * 2.0 ** (step / 12.0)) for step in (-2, -1, 0, 1, 2)]
    steps = range(3, round(2.0 * RESONANCE_CUT_DB) + 1)
    return [None, *(PeakMove(hz, -0.5 * step, q) for hz in centres for q in _HUMP_QS for step in steps)]
