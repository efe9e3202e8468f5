"""From checked votes to counts and intervals; the listener is the unit, not the judgement.

A listener who judges ten excerpts knows their own taste well, not other people's: their judgements become one mean
first, and the interval says where the mean of more such listeners would lie.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from render.analysis.votes import (
    UNLIKELY_FRACTION,
    Interval,
    chance_by_guessing,
    chance_of_preference,
    holm_adjusted,
    measure_hit_rate,
    measure_mean,
    mid_ranks,
)
from render.workflows.compare.merged import (
    Counts,
    PairHeard,
    PairRanked,
    PairRated,
    Score,
    VersionRanked,
    VersionRated,
)
from render.workflows.compare.votes_file import Judged, RunHeard

ROUNDING = 1.0 / math.sqrt(12.0)
"""Standard deviation that rounding to whole points gives by itself: listeners who say the same to the point agree to
about that, not perfectly."""

Judgements = Mapping[str, Sequence[Judged]]
Runs = Mapping[str, Sequence[RunHeard]]


def count_votes(judged: Judgements, runs: Runs) -> Counts:
    """Everything that can be said of these judgements and runs, each by listener."""
    return Counts(
        rated=_rated(judged),
        pairs_rated=_pairs_rated(judged),
        ranked=_ranked(judged),
        pairs_ranked=_pairs_ranked(judged),
        heard=_heard(runs),
    )


def count_take(judged: Judgements, runs: Runs, *, take: str) -> Counts:
    """The same of one take."""
    return count_votes(
        {name: [one for one in given if one.take == take] for name, given in judged.items()},
        {name: [one for one in given if one.take == take] for name, given in runs.items()},
    )


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)


def _inside(interval: Interval | None, low: float, high: float) -> Interval | None:
    return interval and Interval(min(max(interval.low, low), high), max(min(interval.high, high), low))


def _versions(judged: Judgements) -> list[str]:
    return sorted({version for given in judged.values() for one in given for version in one.versions})


def _rated(judged: Judgements) -> tuple[VersionRated, ...]:
    """Best first."""
    found = []
    for version in _versions(judged):
        by_listener = [
            ratings
            for given in judged.values()
            if (ratings := [one.ratings[version] for one in given if version in one.ratings])
        ]
        if by_listener:
            estimate = measure_mean([_mean(ratings) for ratings in by_listener], least_spread=ROUNDING)
            interval = _inside(estimate.interval, 0.0, 100.0)
            count = sum(map(len, by_listener))
            found.append(VersionRated(version, count, len(by_listener), estimate.mean, interval))
    return tuple(sorted(found, key=lambda one: (-one.mean, one.version)))


def _pairs_rated(judged: Judgements) -> tuple[PairRated, ...]:
    """Largest difference first."""
    found = []
    for first, second in itertools.combinations(_versions(judged), 2):
        differences = [
            _mean(values)
            for given in judged.values()
            if (
                values := [
                    one.ratings[first] - one.ratings[second]
                    for one in given
                    if first in one.ratings and second in one.ratings
                ]
            )
        ]
        if not differences:
            continue
        higher, lower = (first, second) if math.fsum(differences) >= 0.0 else (second, first)
        sign = 1.0 if higher == first else -1.0
        # each of the two ratings was rounded
        estimate = measure_mean(
            [sign * value for value in differences], least_spread=math.sqrt(2.0) * ROUNDING
        )
        estimate = replace(estimate, interval=_inside(estimate.interval, -100.0, 100.0))
        found.append(PairRated(higher, lower, estimate, None, told_apart=False))
    tested = [one for one in found if one.difference.chance_fraction is not None]
    adjusted = holm_adjusted([one.difference.chance_fraction or 0.0 for one in tested])
    known = {(one.higher, one.lower): chance for one, chance in zip(tested, adjusted, strict=True)}
    decided = []
    for one in found:
        chance = known.get((one.higher, one.lower))
        apart = chance is not None and chance <= UNLIKELY_FRACTION
        decided.append(replace(one, chance_holm_fraction=chance, told_apart=apart))
    return tuple(sorted(decided, key=lambda one: (-one.difference.mean, one.higher, one.lower)))


def _complete(given: Iterable[Judged]) -> list[dict[str, float]]:
    """Mid-ranks of the judgements that rank every version."""
    return [
        dict(zip(one.versions, mid_ranks([one.ranks[version] for version in one.versions]), strict=True))
        for one in given
        if len(one.ranks) == len(one.versions)
    ]


def _ranked(judged: Judgements) -> tuple[VersionRanked, ...]:
    """Best first."""
    by_listener = [ranks for given in judged.values() if (ranks := _complete(given))]
    found = []
    for version in _versions(judged):
        means = [
            _mean(places)
            for given in by_listener
            if (places := [ranks[version] for ranks in given if version in ranks])
        ]
        if means:
            all_ranks = [ranks for given in by_listener for ranks in given if version in ranks]
            first = sum(ranks[version] == min(ranks.values()) for ranks in all_ranks)
            found.append(VersionRanked(version, len(all_ranks), len(means), _mean(means), first))
    return tuple(sorted(found, key=lambda one: (one.mean_rank, one.version)))


def _pairs_ranked(judged: Judgements) -> tuple[PairRanked, ...]:
    """Clearest majority first."""
    found = []
    for first, second in itertools.combinations(_versions(judged), 2):
        counts = {1: 0, -1: 0, 0: 0}
        for given in judged.values():
            signs = [
                (one.ranks[first] < one.ranks[second]) - (one.ranks[first] > one.ranks[second])
                for one in given
                if first in one.ranks and second in one.ranks
            ]
            if signs:
                counts[(sum(signs) > 0) - (sum(signs) < 0)] += 1
        if not any(counts.values()):
            continue
        better, worse, sign = (first, second, 1) if counts[1] >= counts[-1] else (second, first, -1)
        chance = chance_of_preference(first=counts[1], second=counts[-1])
        found.append(
            PairRanked(
                better, worse, counts[sign], counts[-sign], counts[0], chance, chance, told_apart=False
            )
        )
    adjusted = holm_adjusted([one.chance_fraction for one in found])
    decided = [
        replace(one, chance_holm_fraction=chance, told_apart=chance <= UNLIKELY_FRACTION)
        for one, chance in zip(found, adjusted, strict=True)
    ]
    return tuple(sorted(decided, key=lambda one: (one.chance_fraction, one.better, one.worse)))


def _heard(runs: Runs) -> tuple[PairHeard, ...]:
    """By pair and condition, in alphabetical order."""
    groups: dict[tuple[tuple[str, str], str], dict[str, list[RunHeard]]] = defaultdict(
        lambda: defaultdict(list)
    )
    for listener, given in runs.items():
        for one in given:
            groups[one.pair, one.condition][listener].append(one)
    keys = sorted(groups)
    together = _corrected([_score(None, itertools.chain(*groups[key].values())) for key in keys])
    alone = _corrected([_score(name, groups[key][name]) for key in keys for name in sorted(groups[key])])
    following = iter(alone)
    return tuple(
        PairHeard(pair, condition, score, tuple(itertools.islice(following, len(groups[pair, condition]))))
        for (pair, condition), score in zip(keys, together, strict=True)
    )


def _score(listener: str | None, runs: Iterable[RunHeard]) -> Score:
    all_runs = list(runs)
    hits, trials = sum(one.hits for one in all_runs), sum(one.trials for one in all_runs)
    chance = chance_by_guessing(hits=hits, trials=trials)
    interval = measure_hit_rate(hits=hits, trials=trials)
    return Score(listener, len(all_runs), hits, trials, interval, chance, chance, told_apart=False)


def _corrected(scores: Sequence[Score]) -> list[Score]:
    adjusted = holm_adjusted([score.chance_fraction for score in scores])
    return [
        replace(score, chance_holm_fraction=chance, told_apart=chance <= UNLIKELY_FRACTION)
        for score, chance in zip(scores, adjusted, strict=True)
    ]
