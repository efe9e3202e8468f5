"""Several listeners' files of votes become one table: which files count, then `counting`, then `merged_text`."""

from __future__ import annotations

import glob
import itertools
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from os import PathLike
from pathlib import Path

from render.errors import Problem, UsageError
from render.page.content import LOUDEST, TYPICAL, WHOLE
from render.session.takes import natural_key
from render.workflows.compare.counting import count_take, count_votes
from render.workflows.compare.merged import Merged, Note
from render.workflows.compare.merged_text import merged_text
from render.workflows.compare.votes_file import (
    Judged,
    RunHeard,
    Shown,
    VotesFault,
    VotesFile,
    printable,
    read_votes,
)

__all__ = ["Merged", "merge_votes", "merged_text"]

LONGEST_PATH = 200
USUAL_EXCERPTS = (TYPICAL, LOUDEST, WHOLE)
UNEVEN = (
    "Not everybody judged the same excerpts: means rest on different music. "
    "Differences do not, they are taken excerpt by excerpt."
)
REPEATED = (
    "Some ran the same test more than once. All their runs are counted; but who goes on until a score pleases "
    "is right by chance more often than the figures say."
)
TELLING_TRIALS = 8
"""A run of so many trials is the same in two files by chance once in 4 to the power of this many cases at most."""


@dataclass(frozen=True)
class _Listener:
    """Who counts, under which name, and by which file."""

    name: str
    file: VotesFile


def merge_votes(paths: Iterable[str | PathLike[str]]) -> Merged:
    """Read, check and merge files of votes, in whatever order they are named.

    Parameters
    ----------
    paths : iterable of path
        Files, folders of them (`*.json`), or patterns where a shell did not expand them. A file named twice counts
        once; of two files of one listener the later counts. Files without a name are a listener each.

    Returns
    -------
    Merged

    Raises
    ------
    UsageError
        With every fault of every file: not one is left out silently, for the figures would then be others.
    """
    files, problems, remarks = _read_all(_expanded(paths))
    files, strangers = _of_one_page(files)
    problems += strangers
    listeners, doubles, replaced = _one_a_listener(files)
    problems += doubles or _other_versions([listener.file for listener in listeners])
    if problems:
        raise UsageError("\n".join(str(problem) for problem in problems))
    remarks += replaced + _alike(listeners)

    judged = {one.name: one.file.judged for one in listeners}
    runs = {one.name: one.file.runs for one in listeners}
    remarks += _uneven(judged) + _repeated(runs)
    notes = [
        Note(name, one.take, one.excerpt, one.note, one.order)
        for name, given in judged.items()
        for one in given
        if one.note.strip()
    ]
    shown = max((listener.file.shown for listener in listeners), key=lambda one: bool(one.versions))
    takes = {one.take for given in judged.values() for one in given}
    takes |= {one.take for given in runs.values() for one in given}
    return Merged(
        page=listeners[0].file.page,
        listeners=tuple(judged),
        judgements=sum(map(len, judged.values())),
        runs=sum(map(len, runs.values())),
        counts=count_votes(judged, runs),
        takes={take: count_take(judged, runs, take=take) for take in sorted(takes)},
        notes=tuple(sorted(notes, key=lambda note: (*_place(note, shown), note.listener))),
        titles=dict(shown.versions),
        remarks=tuple(remarks),
    )


def _place(note: Note, shown: Shown) -> tuple[object, ...]:
    """Where the page has a note's excerpt; without its word as a page has them by rule: numbers in names counted."""
    names = [take for take, _ in shown.takes]
    take = names.index(note.take) if note.take in names else len(names)
    excerpts = dict(shown.takes).get(note.take, USUAL_EXCERPTS)
    excerpt = excerpts.index(note.excerpt) if note.excerpt in excerpts else len(excerpts)
    return take, natural_key(note.take), note.take, excerpt, note.excerpt


def _expanded(paths: Iterable[str | PathLike[str]]) -> list[Path]:
    found: list[Path] = []
    for path in map(Path, paths):
        try:
            known, folder = path.exists(), path.is_dir()
        except (OSError, ValueError):  # told when it is read
            known, folder = True, False
        if folder:
            inside = sorted(path.glob("*.json"))
            if not inside:
                raise UsageError(f"{_shown(path)}: no votes (*.json) in this folder\n  name another")
            found += inside
        elif not known and glob.has_magic(str(path)):
            found += sorted(map(Path, glob.glob(str(path)))) or [path]  # noqa: PTH207 - the pattern may be absolute
        else:
            found.append(path)
    if not found:
        raise UsageError("no votes to merge: name the files that listeners saved from the page")
    return found


def _read_all(paths: Sequence[Path]) -> tuple[list[VotesFile], list[Problem], list[str]]:
    """Files in an order of their own, the same whatever the order of the paths."""
    by_digest: dict[str, VotesFile] = {}
    problems, remarks = [], []
    for path in sorted(paths, key=str):
        try:
            votes = read_votes(path)
        except VotesFault as fault:
            problems.append(_problem(path, fault.reason, fault.fix))
            continue
        same = by_digest.setdefault(votes.digest, votes)
        if same is not votes:
            words = "named twice" if same.path == path else f"the same as {_shown(same.path)}"
            remarks.append(f"{_shown(path)} is {words}: counted once.")
    return sorted(by_digest.values(), key=lambda one: (one.made_at, one.digest)), problems, remarks


def _of_one_page(files: Sequence[VotesFile]) -> tuple[list[VotesFile], list[Problem]]:
    """Those of the page that most are of, and what to say of the others."""
    pages: dict[str, list[VotesFile]] = defaultdict(list)
    for one in files:
        pages[one.page].append(one)
    if len(pages) < 2:
        return list(files), []
    most = max(map(len, pages.values()))
    largest = [page for page, members in pages.items() if len(members) == most]
    kept = largest[0] if len(largest) == 1 else None
    fix = "merge the votes of one page at a time: leave this file out, or the others"
    problems = []
    for page in sorted(pages):
        if page == kept:
            continue
        other = "the other files are of others" if kept is None else f'most files are of "{printable(kept)}"'
        reason = f'is of the page "{printable(page)}"; {other}'
        problems += [
            _problem(one.path, reason, fix) for one in sorted(pages[page], key=lambda one: str(one.path))
        ]
    return pages[kept] if kept is not None else [], problems


def _one_a_listener(files: Sequence[VotesFile]) -> tuple[list[_Listener], list[Problem], list[str]]:
    """The latest file of each name; files are in the order in which they were made."""
    by_name: dict[str, list[VotesFile]] = defaultdict(list)
    for one in files:
        if one.listener:
            by_name[one.listener.casefold()].append(one)
    problems, remarks, listeners = [], [], []
    for _, members in sorted(by_name.items()):
        latest = members[-1]
        listeners.append(_Listener(latest.listener, latest))
        for one in members[:-1]:
            who = printable(latest.listener)
            if one.made_at == latest.made_at:
                reason = f'is of "{who}", made in the same second as {_shown(latest.path)}, and says something else'
                problems.append(_problem(one.path, reason, "leave one of the two out"))
                continue
            words = (
                f'"{who}" sent several files: {_shown(latest.path)} is later, {_shown(one.path)} left out.'
            )
            lost = _lost(one, latest)
            if lost:
                words += f" It holds {lost} that the later one lacks: read both into the page and save again."
            remarks.append(words)
    number = 0
    for one in files:
        if not one.listener:
            number += 1
            while f"unnamed {number}" in by_name:
                number += 1
            listeners.append(_Listener(f"unnamed {number}", one))
            remarks.append(
                f"{_shown(one.path)} bears no name: counted as a listener of its own, unnamed {number}."
            )
    return sorted(listeners, key=lambda one: (one.name.casefold(), one.name)), problems, remarks


def _lost(earlier: VotesFile, later: VotesFile) -> str:
    places = {one.place for one in later.judged}
    judgements = sum(one.place not in places for one in earlier.judged)
    runs = sum(text not in later.run_texts for text in earlier.run_texts)
    parts = [(judgements, "judgement"), (runs, "run")]
    return " and ".join(f"{count} {word}{'s' if count > 1 else ''}" for count, word in parts if count)


def _other_versions(files: Sequence[VotesFile]) -> list[Problem]:
    """A page shows the same versions of an excerpt to everybody: who has others has a file that was changed."""
    known: dict[tuple[str, str], VotesFile] = {}
    versions: dict[tuple[str, str], tuple[str, ...]] = {}
    problems = []
    for one in files:
        for judgement in one.judged:
            first = known.setdefault(judgement.place, one)
            if versions.setdefault(judgement.place, judgement.versions) != judgement.versions:
                take, excerpt = map(printable, judgement.place)
                reason = f'has other versions of "{take}", {excerpt}, than {_shown(first.path)}'
                problems.append(
                    _problem(one.path, reason, "one was changed by hand: save it again, or leave it out")
                )
                break
    return problems


def _alike(listeners: Sequence[_Listener]) -> list[str]:
    """Two listeners of whom one seems to be the other."""
    remarks = []
    for one, other in itertools.combinations(listeners, 2):
        mine, others = (
            {
                text
                for text, run in zip(each.run_texts, each.runs, strict=True)
                if run.trials >= TELLING_TRIALS
            }
            for each in (one.file, other.file)
        )
        judged = one.file.judged
        if mine & others or (judged and set(map(repr, judged)) == set(map(repr, other.file.judged))):
            remarks.append(
                f'"{printable(one.name)}" and "{printable(other.name)}" gave the same answers: if they are one '
                f"listener, leave out {_shown(one.file.path)} or {_shown(other.file.path)}."
            )
    return remarks


def _uneven(judged: dict[str, tuple[Judged, ...]]) -> list[str]:
    places = {frozenset(one.place for one in given) for given in judged.values() if given}
    if len(places) < 2:
        return []
    return [UNEVEN]


def _repeated(runs: dict[str, tuple[RunHeard, ...]]) -> list[str]:
    for given in runs.values():
        keys = [(one.pair, one.condition) for one in given]
        if len(set(keys)) < len(keys):
            return [REPEATED]
    return []


def _problem(path: Path, reason: str, fix: str) -> Problem:
    return Problem(Path(_shown(path)), "", None, reason, fix)


def _shown(path: Path) -> str:
    return printable(str(path), longest=LONGEST_PATH)
