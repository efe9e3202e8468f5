"""Merged votes in words and tables for a terminal; whatever a listener wrote is shown as plain characters."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from render.analysis.votes import CONFIDENCE_FRACTION, UNLIKELY_FRACTION, Interval
from render.workflows.compare.merged import Counts, Merged, Note, PairHeard, Score
from render.workflows.compare.plain_table import folded, for_terminal, table
from render.workflows.compare.votes_file import printable

NONE = "-"
INTERVAL = f"{CONFIDENCE_FRACTION:.0%} interval".replace("%", " %")
LONGEST_NOTE = 2000
LONGEST_TITLE = 200
METHOD = (
    "Method: D. Clark, J. Audio Eng. Soc. 30(5), 1982; ITU-R BS.1116-3. `guessing`: how often who only guesses is "
    "right so often or oftener (binomial, one-sided). `corrected`: after Holm, for the number of tests: the rows "
    "`all` among themselves, those of listeners among themselves. Intervals after Clopper and Pearson; that of `all` "
    "takes every trial alike and is too narrow if listeners differ."
)

Label = Callable[[str], str]


@dataclass(frozen=True)
class _Compared:
    """Two versions, and whether they are told apart: surely, perhaps (alone, but not among so many), or not."""

    above: str
    below: str
    told_apart: bool
    maybe: bool


def merged_text(merged: Merged) -> str:
    """All of it, at most 80 columns wide, without a line feed at the end."""
    names = ", ".join(map(_name, merged.listeners))
    head = f"{_counted(len(merged.listeners), 'listener')}: {names}"
    total = f"{_counted(merged.judgements, 'judgement')}, {_counted(merged.runs, 'run')} of telling apart"
    parts = [[*folded(head), total], [line for remark in merged.remarks for line in folded(remark)]]
    label = _labels(merged.titles)
    parts += [_versions(merged.titles)]
    parts += [_ratings(merged.counts, label), _ranks(merged.counts, label), _telling(merged.counts, label)]
    parts += [_notes(merged.notes, label)]
    return "\n\n".join("\n".join(part) for part in parts if part)


def _labels(titles: Mapping[str, str]) -> Label:
    """A version in a table: its number on the page, where that is known, and its name."""
    numbers = {name: f"{number} " for number, name in enumerate(titles, start=1)}
    return lambda version: numbers.get(version, "") + _name(version)


def _versions(titles: Mapping[str, str]) -> list[str]:
    """Numbers, names and titles, once."""
    lines = []
    for number, (name, title) in enumerate(titles.items(), start=1):
        called = "" if title == name else f": {printable(title, longest=LONGEST_TITLE)}"
        lines += folded(for_terminal(f"  {number} {_name(name)}{called}"))
    return ["Versions, by their numbers on the page", *lines] if lines else []


def _notes(notes: Sequence[Note], label: Label) -> list[str]:
    """Take by take; the letters that a listener saw behind what they wrote."""
    lines: list[str] = []
    for take, of_take in itertools.groupby(notes, key=lambda note: note.take):
        lines += folded(f"  {_name(take)}")
        for note in of_take:
            text = printable(" ".join(note.text.split()), longest=LONGEST_NOTE)
            lines += folded(f"    {_name(note.excerpt)}, {_name(note.listener)}: {text}")
            letters = (f"{_letter(place)} = {label(version)}" for place, version in enumerate(note.order))
            lines += folded(f"      there {', '.join(letters)}")
    return ["Notes", *lines] if lines else []


def _letter(place: int) -> str:
    """What the page calls a version without its name: A ... Z, AA ..."""
    own = chr(ord("A") + place % 26)
    return own if place < 26 else _letter(place // 26 - 1) + own


def _ratings(counts: Counts, label: Label) -> list[str]:
    if not counts.rated:
        return []
    rows: list[tuple[str, ...]] = [("version", "listeners", "judgements", "mean", INTERVAL)]
    rows += [
        (
            label(one.version),
            str(one.listeners),
            str(one.judgements),
            f"{one.mean:.1f}",
            _points(one.interval),
        )
        for one in counts.rated
    ]
    lines = ["Rated without names, 0 to 100; every listener counts once", *table(rows)]
    if not counts.pairs_rated:
        return lines
    rows = [("difference in points", "listeners", "mean", INTERVAL, "by chance", "corrected")]
    rows += [
        (
            f"{label(one.higher)} over {label(one.lower)}",
            str(one.difference.number),
            f"{one.difference.mean:.1f}",
            _points(one.difference.interval),
            _percent(one.difference.chance_fraction),
            _percent(one.chance_holm_fraction),
        )
        for one in counts.pairs_rated
    ]
    lines += ["", *table(rows)]
    tested = [one for one in counts.pairs_rated if one.chance_holm_fraction is not None]
    if not tested:
        words = (
            "One listener: no interval. Nothing can be said of what others would prefer; ask more to listen."
            if max(one.listeners for one in counts.rated) == 1
            else "No two listeners rated the same two versions: no interval."
        )
        return [*lines, "", *folded(words)]
    compared = [
        _Compared(
            one.higher,
            one.lower,
            one.told_apart,
            not one.told_apart and _rare(one.difference.chance_fraction),
        )
        for one in counts.pairs_rated
    ]
    return [*lines, "", *_verdict("rated", compared)]


def _ranks(counts: Counts, label: Label) -> list[str]:
    if not counts.ranked and not counts.pairs_ranked:
        return []
    rows: list[tuple[str, ...]]
    lines = ["Ranked without names, 1 is best; every listener counts once"]
    if counts.ranked:
        rows = [("version", "listeners", "mean rank", "first")]
        rows += [
            (
                label(one.version),
                str(one.listeners),
                f"{one.mean_rank:.2f}",
                f"{one.first} of {one.judgements}",
            )
            for one in counts.ranked
        ]
        lines += [*table(rows), ""]
    rows = [("ranked better", "for", "against", "undecided", "by chance", "corrected")]
    rows += [
        (
            f"{label(one.better)} than {label(one.worse)}",
            str(one.for_better),
            str(one.for_worse),
            str(one.undecided),
            _percent(one.chance_fraction),
            _percent(one.chance_holm_fraction),
        )
        for one in counts.pairs_ranked
    ]
    if counts.pairs_ranked:
        compared = [
            _Compared(
                one.better, one.worse, one.told_apart, not one.told_apart and _rare(one.chance_fraction)
            )
            for one in counts.pairs_ranked
        ]
        needed = math.ceil(math.log2(2 * len(compared) / UNLIKELY_FRACTION))
        hint = (
            f"at least {needed} listeners of one mind are needed for one of {_counted(len(compared), 'pair')}"
        )
        lines += [*table(rows), "", *_verdict("ranked", compared, hint)]
    return lines


def _verdict(word: str, pairs: Sequence[_Compared], hint: str = "more listeners may tell") -> list[str]:
    """Which pairs are told apart and which not, in plain sentences."""
    apart = [f"{_quoted(one.above)} above {_quoted(one.below)}" for one in pairs if one.told_apart]
    maybe = [f"{_quoted(one.above)} above {_quoted(one.below)}" for one in pairs if one.maybe]
    rest = [
        f"{_quoted(one.above)} and {_quoted(one.below)}"
        for one in pairs
        if not one.told_apart and not one.maybe
    ]
    lines = []
    if apart:
        lines += folded(
            f"Surely {word} differently: {'; '.join(apart)}. Chance alone makes any such verdict in fewer than one "
            f"of {1 / UNLIKELY_FRACTION:.0f} such tables."
        )
    if maybe:
        lines += folded(
            f"Perhaps {word} differently: {'; '.join(maybe)}. Alone that would be rare enough by chance; among so "
            "many pairs it is not."
        )
    if rest:
        lines += folded(
            f"Not surely {word} differently: {'; '.join(rest)}. That does not show that they are alike: {hint}."
        )
    return lines


def _telling(counts: Counts, label: Label) -> list[str]:
    if not counts.heard:
        return []
    rows: list[tuple[str, ...]] = [("heard", "right", "rate", INTERVAL, "guessing", "corrected")]
    several = any(len(one.listeners) > 1 for one in counts.heard)
    for one in counts.heard:
        rows.append((_pair(one, label), "", "", "", "", ""))
        if several:
            rows.append(_score_row(one.together, "  all"))
        rows += [_score_row(score, f"  {_name(score.listener or '')}") for score in one.listeners]
    lines = ["Telling apart: is X the first or the second?", *table(rows), ""]
    for one in counts.heard:
        lines += folded(_meaning(one, label))
    tests = sum(len(one.listeners) + several for one in counts.heard)
    if tests > 1:
        some = _percent(1.0 - (1.0 - UNLIKELY_FRACTION) ** tests)
        lines += folded(
            f"These are {tests} tests. The more tests, the likelier a hit by luck: if all were only guessing, at least "
            f"one would come to {_percent(UNLIKELY_FRACTION)} or less in up to {some} of such tables. The corrected "
            "figure allows for that."
        )
    return [*lines, "", *folded(METHOD)]


def _score_row(score: Score, name: str) -> tuple[str, ...]:
    interval = f"{100 * score.interval.low:.0f} to {100 * score.interval.high:.0f} %"
    return (
        name,
        f"{score.hits} of {score.trials}",
        f"{100 * score.hits / score.trials:.0f} %",
        interval,
        _percent(score.chance_fraction),
        _percent(score.chance_holm_fraction),
    )


def _meaning(one: PairHeard, label: Label) -> str:
    """What a pair's runs say, in a plain sentence."""
    score = one.together
    who = "the listener hears" if len(one.listeners) == 1 else "there is somebody who hears"
    chance = _percent(score.chance_fraction).replace("<", "less than")
    guess = f"who only guesses does as well in {chance} of cases"
    words = f"{_pair(one, label)}: {score.hits} of {score.trials} right; {guess}"
    if score.told_apart:
        return (
            f"{words}. That is rare enough to say that {who} a difference. It does not say which is better."
        )
    if score.chance_fraction <= UNLIKELY_FRACTION:
        return (
            f"{words}. Alone that would be rare enough; among so many tests it is not "
            f"(corrected {_percent(score.chance_holm_fraction)}): try this pair again, with a new run."
        )
    known = [_quoted(each.listener or "") for each in one.listeners if each.told_apart]
    if known:
        return (
            f"{words}, all together; but {', '.join(known)} by themselves are right too often for guessing."
        )
    return f"{words}. That does not show a difference, nor that there is none."


def _rare(chance_fraction: float | None) -> bool:
    return chance_fraction is not None and chance_fraction <= UNLIKELY_FRACTION


def _pair(one: PairHeard, label: Label) -> str:
    return f"{label(one.pair[0])} / {label(one.pair[1])}, {one.condition}"


def _points(interval: Interval | None) -> str:
    return NONE if interval is None else f"{interval.low:.1f} to {interval.high:.1f}"


def _percent(fraction: float | None) -> str:
    """Two figures that count; what is smaller than 0.01 % says so."""
    if fraction is None:
        return NONE
    value = 100.0 * fraction
    if value < 0.01:
        return "< 0.01 %"
    decimals = 0 if value >= 9.95 else 1 if value >= 0.995 else 2
    return f"{value:.{decimals}f} %"


def _name(text: str) -> str:
    return for_terminal(printable(text)) or '""'


def _quoted(text: str) -> str:
    return f'"{for_terminal(printable(text))}"'


def _counted(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"
