"""Takes of a session that fall into two guitars, as many of one as of the other: none of them is the odd one out."""

from __future__ import annotations

from collections.abc import Sequence

from render.analysis.likeness import FAR_DB, distance_db
from render.analysis.profile import Profile
from render.workflows.check.findings import listed

FEWEST_OF_GUITAR = 2
"""One take that is like no other may be sparse; two that are like each other and like no third are another guitar."""


def groups_alike(profiles: Sequence[Profile]) -> list[list[int]]:
    """Takes that are near each other, directly or over others.

    Parameters
    ----------
    profiles : sequence of Profile

    Returns
    -------
    list of list of int
        Each take in one of them; groups and takes in the order of their first take.
    """
    groups: list[list[int]] = []
    for index, one in enumerate(profiles):
        near = [
            group
            for group in groups
            if any(not distance_db(one, profiles[other]) > FAR_DB for other in group)
        ]
        joined = sorted([index, *(other for group in near for other in group)])
        groups = sorted([*(group for group in groups if group not in near), joined])
    return groups


def two_guitars(profiles: Sequence[Profile], *, names: Sequence[str], folder: str = "") -> str | None:
    """A note that names the takes of either guitar; None where they are of one.

    Parameters
    ----------
    profiles : sequence of Profile
        Of the takes of one folder with two sources, none of which is told to be another guitar's or exchanged.
    names : sequence of str
        What these takes are called.
    folder : str
        Where they lie, if there are several folders.
    """
    groups = groups_alike(profiles)
    if len(groups) != 2 or min(map(len, groups)) < FEWEST_OF_GUITAR:
        return None
    here, there = (listed([names[index] for index in group], most=len(group)) for group in groups)
    where = f"{folder}: " if folder else ""
    return (
        f"{where}two guitars? {here} sound like one, {there} like another, or like another setting of its preamp: "
        "if so, give each a folder and a recipe of its own"
    )
