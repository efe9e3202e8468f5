"""What listeners' votes say: means with intervals, and how well guessing would have done.

Beside the chain: numbers that listeners gave, no sound. Few listeners are the rule, so nothing here rests on large
numbers: Student's t for ratings, exact binomial tails for hits and preferences.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, stdtr, stdtrit

CONFIDENCE_FRACTION = 0.95
UNLIKELY_FRACTION = 0.05
"""What is called unlikely to come by chance: fewer than one case of twenty, as on the listening page."""

MOST_TRIALS = 1_000_000


@dataclass(frozen=True)
class Interval:
    """Where a true value is expected; 0 is inside if ``low <= 0 <= high``."""

    low: float
    high: float


@dataclass(frozen=True)
class MeanEstimate:
    """A mean over listeners.

    Attributes
    ----------
    number : int
        How many values it rests on.
    mean : float
    interval : Interval or None
        None for a single value: nothing is known of its spread.
    chance_fraction : float or None
        Probability, by Student's t, two-sided, of a mean at least so far from 0 if the true one were 0.
    """

    number: int
    mean: float
    interval: Interval | None
    chance_fraction: float | None


def measure_mean(
    values: Sequence[float] | NDArray[np.float64],
    *,
    confidence_fraction: float = CONFIDENCE_FRACTION,
    least_spread: float = 0.0,
) -> MeanEstimate:
    """Mean of one value a listener, with the interval of Student's t.

    Parameters
    ----------
    values : sequence of float
        At least one, finite; one a listener, so that whoever judges more excerpts does not count for more.
    confidence_fraction : float
        Between 0 and 1.
    least_spread : float
        Standard deviation below which the spread is not believed, 0 or more: values that were rounded may happen to
        be equal. It only ever widens the interval.

    Returns
    -------
    MeanEstimate

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.

    References
    ----------
    .. [1] Student, *The probable error of a mean*, Biometrika 6(1), 1908, 1-25.
    """
    given = np.asarray(values, dtype=np.float64)
    if given.ndim != 1 or not len(given) or not np.all(np.isfinite(given)):
        raise ValueError(f"values must be one or more finite numbers in a row, not {values!r}")
    _check_confidence(confidence_fraction)
    if not (math.isfinite(least_spread) and least_spread >= 0.0):
        raise ValueError(f"least_spread must be 0 or more, not {least_spread!r}")
    number, mean = len(given), math.fsum(given) / len(given)
    if number == 1:
        return MeanEstimate(1, mean, None, None)
    spread = max(math.sqrt(math.fsum((given - mean) ** 2) / (number - 1)), least_spread)
    error = spread / math.sqrt(number)
    reach = error * float(stdtrit(number - 1, 0.5 + confidence_fraction / 2.0))
    distance = abs(mean) / error if error > 0.0 else math.inf if mean else 0.0
    chance = min(1.0, 2.0 * float(stdtr(number - 1, -distance)))
    return MeanEstimate(number, mean, Interval(mean - reach, mean + reach), chance)


def chance_by_guessing(*, hits: int, trials: int) -> float:
    """Probability that who only guesses is right at least so often.

    Parameters
    ----------
    hits, trials : int
        0 to `trials`, and 1 to 1000000.

    Returns
    -------
    float
        Upper tail of the binomial distribution with probability 1/2, summed in whole numbers and rounded once.

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.

    References
    ----------
    .. [1] D. Clark, *High-Resolution Subjective Testing Using a Double-Blind Comparator*, J. Audio Eng. Soc. 30(5),
       1982, 330-338.
    .. [2] ITU-R BS.1116-3, *Methods for the subjective assessment of small impairments in audio systems*, 2015.
    """
    _check_score(hits, trials)
    count, total = 1, 0  # ways to be right every time
    for right in range(trials, hits - 1, -1):
        total += count
        count = count * right // (trials - right + 1)
    return total / (1 << trials)


def fewest_hits(*, trials: int, at_most_fraction: float = UNLIKELY_FRACTION) -> int | None:
    """Fewest right answers that guessing reaches with at most this probability; None if even all are not enough.

    Parameters
    ----------
    trials : int
        1 to 1000000.
    at_most_fraction : float
        Between 0 and 1.
    """
    _check_score(0, trials)
    if not 0.0 < at_most_fraction < 1.0:
        raise ValueError(f"at_most_fraction must be between 0 and 1, not {at_most_fraction!r}")
    count, total, found = 1, 0, None
    for right in range(trials, -1, -1):
        total += count
        if total / (1 << trials) > at_most_fraction:
            break
        found = right
        count = count * right // (trials - right + 1)
    return found


def measure_hit_rate(*, hits: int, trials: int, confidence_fraction: float = CONFIDENCE_FRACTION) -> Interval:
    """Interval of the true rate of right answers: that of Clopper and Pearson, never too narrow.

    Parameters
    ----------
    hits, trials : int
        0 to `trials`, and 1 to 1000000.
    confidence_fraction : float
        Between 0 and 1.

    Returns
    -------
    Interval
        0 to 1; the rate ``hits / trials`` lies inside.

    Raises
    ------
    ValueError
        Naming the parameter, the value and the allowed range.

    References
    ----------
    .. [1] C. J. Clopper and E. S. Pearson, *The use of confidence or fiducial limits illustrated in the case of the
       binomial*, Biometrika 26(4), 1934, 404-413.
    """
    _check_score(hits, trials)
    _check_confidence(confidence_fraction)
    tail = (1.0 - confidence_fraction) / 2.0
    low = float(betaincinv(hits, trials - hits + 1, tail)) if hits else 0.0
    high = float(betaincinv(hits + 1, trials - hits, 1.0 - tail)) if hits < trials else 1.0
    return Interval(low, high)


def chance_of_preference(*, first: int, second: int) -> float:
    """Probability, two-sided, of a majority at least so large if each listener tossed a coin; ties are left out.

    Parameters
    ----------
    first, second : int
        How many listeners were for the one and for the other, 0 or more.

    References
    ----------
    .. [1] W. J. Dixon and A. M. Mood, *The statistical sign test*, J. Amer. Statist. Assoc. 41(236), 1946, 557-566.
    """
    if first < 0 or second < 0:
        raise ValueError(f"first and second must be 0 or more, not {first!r} and {second!r}")
    if first + second == 0:
        return 1.0
    return min(1.0, 2.0 * chance_by_guessing(hits=max(first, second), trials=first + second))


def holm_adjusted(chance_fractions: Sequence[float]) -> tuple[float, ...]:
    """Probabilities corrected for several tests made at once, in the order given.

    The smallest is multiplied by their number, the next by one less, and so on; none below the one before it, none
    past 1. Calling all those at most 0.05 real errs in fewer than one of twenty such families of tests.

    Parameters
    ----------
    chance_fractions : sequence of float
        0 to 1.

    Raises
    ------
    ValueError
        If one is out of range.

    References
    ----------
    .. [1] S. Holm, *A simple sequentially rejective multiple test procedure*, Scand. J. Statist. 6(2), 1979, 65-70.
    """
    for chance in chance_fractions:
        if not 0.0 <= chance <= 1.0:
            raise ValueError(f"chance_fractions must be 0 to 1, not {chance!r}")
    adjusted = [0.0] * len(chance_fractions)
    reached = 0.0
    rising = sorted(range(len(chance_fractions)), key=lambda place: chance_fractions[place])
    for done, place in enumerate(rising):
        reached = max(reached, min(1.0, (len(rising) - done) * chance_fractions[place]))
        adjusted[place] = reached
    return tuple(adjusted)


def mid_ranks(ranks: Sequence[int]) -> tuple[float, ...]:
    """Ranks with equal ones sharing the mean of the places they take up: 1, 1, 2 and 1, 1, 3 both give 1.5, 1.5, 3."""
    return tuple(
        sum(other < rank for other in ranks) + (sum(other == rank for other in ranks) + 1) / 2.0
        for rank in ranks
    )


def _check_score(hits: int, trials: int) -> None:
    if not 1 <= trials <= MOST_TRIALS:
        raise ValueError(f"trials must be 1 to {MOST_TRIALS}, not {trials!r}")
    if not 0 <= hits <= trials:
        raise ValueError(f"hits must be 0 to {trials}, not {hits!r}")


def _check_confidence(confidence_fraction: float) -> None:
    if not 0.0 < confidence_fraction < 1.0:
        raise ValueError(f"confidence_fraction must be between 0 and 1, not {confidence_fraction!r}")
