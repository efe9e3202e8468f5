"""From what pydantic refuses to what a player is told: where, what is there, what is allowed, how to mend.

pydantic says where a fault is and of what kind. The words come from here, the ranges from the models.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from render.errors import Problem
from render.recipe.chain import STAGES
from render.recipe.hints import (
    example,
    nearest,
    nearest_key,
    refused_value,
    unknown_key,
    unknown_stage,
    unknown_table,
)
from render.recipe.models import Recipe, Source
from render.recipe.origin import MISSING, Origin, value_at
from render.recipe.toml_text import Keys, key_text, shown_value, toml_value
from render.recipe.values import Model, allowed_values

LONGEST_KEY = 160
MOST_PROBLEMS = 200  # of one recipe: nobody reads on, and each takes its time


@dataclass(frozen=True)
class Spot:
    """Where a fault lies, in words of the models: a key of a table, or the table itself."""

    keys: Keys
    model: type[Model]
    name: str | None = None
    is_name_of_source: bool = False


@dataclass(frozen=True)
class Written:
    """What the files say, one put over the other, and which of them says it."""

    tree: dict[str, object]
    origin: Origin

    def problem(self, keys: Keys, *, reason: str, fix: str) -> Problem:
        """Problem at a key, with the file and line where it stands, or else the table that lacks it."""
        layer = self.origin.layer_of(keys)
        key = key_text(keys)
        value = value_at(self.tree, keys)
        return Problem(
            path=layer.path,
            key=key if len(key) <= LONGEST_KEY else f"{key[:LONGEST_KEY]}...",
            value=None if value is MISSING or isinstance(value, dict) else shown_value(value),
            reason=reason,
            fix=fix,
            line=layer.line(keys),
            context=stage_context(keys, self.tree),
        )


def problems_of(error: ValidationError, written: Written) -> dict[Keys, Problem]:
    """Put every fault that pydantic found into words, each key once.

    A key that is missing because it is mistyped is one fault: that of the key that stands there.
    """
    problems: dict[Keys, Problem] = {}
    missing: set[Keys] = set()
    too_many = _sources_too_many(written)
    mistyped: set[Keys] = set()
    for detail in error.errors(include_url=False, include_input=False):
        if len(problems) == MOST_PROBLEMS:
            reason = f"has more than {MOST_PROBLEMS} faults; these are the first"
            problems[()] = Problem(written.origin.path, "", None, reason, "was another file meant?")
            break
        if detail["loc"] != ("sources",):  # their number: see `sources_problem`
            keys, reason, fix = _words(detail, written)
            if detail["type"] == "missing" and keys[:-1] in too_many:
                continue  # told once, as a source too many: see `sources_problem`
            problems.setdefault(keys, written.problem(keys, reason=reason, fix=fix))
            if detail["type"] == "missing":
                missing.add(keys)
            elif detail["type"] == "extra_forbidden":
                meant = nearest_key(locate(detail).model, str(keys[-1]))
                mistyped.update([(*keys[:-1], meant)] if meant else [])
    return {keys: problem for keys, problem in problems.items() if keys not in missing & mistyped}


def problems_together(error: ValidationError, faulty: set[Keys], written: Written) -> dict[Keys, Problem]:
    """Put only faults between keys into words, none of them with a key that is refused by itself anyway."""
    problems = {}
    for detail in error.errors(include_url=False, include_input=False):
        if detail["type"] == "together" and detail["loc"]:
            keys, *others = _keys_together(detail)
            if not faulty.intersection([keys, *others]):
                problems[keys] = written.problem(
                    keys, reason=detail["ctx"]["reason"], fix=detail["ctx"]["fix"]
                )
    return problems


def stage_context(keys: Keys, tree: dict[str, object]) -> str:
    """For keys within a chain: which stage it is, and how stages are counted."""
    index = next((place for place, key in enumerate(keys) if isinstance(key, int)), None)
    if index is None:
        return ""
    stage = value_at(tree, (*keys[: index + 1], "stage"))
    named = isinstance(stage, str) and stage in STAGES
    return f"{stage}; stages count from 0" if named else "stages count from 0"


def sources_problem(written: Written) -> Problem | None:
    """Whatever is wrong with the number of sources."""
    sources = written.tree.get("sources", {})
    if not isinstance(sources, dict):
        return written.problem(
            ("sources",),
            reason="must be two tables, one a source",
            fix="write [sources.pickup] and [sources.mic], each on a line of its own, with its keys below",
        )
    if len(sources) == 2:
        return None
    files: dict[str, list[str]] = {}
    for name in sources:
        files.setdefault(str(written.origin.layer_of(("sources", name)).path), []).append(toml_value(name))
    named = ", ".join(f"{_listed(names)} ({path})" for path, names in files.items())
    if len(sources) < 2:
        there = f"only {named} is there" if sources else "there is none"
        fix = "write [sources.pickup] and [sources.mic], with names as you like, each with its channel"
    else:
        there = f"there are {len(sources)}: {named}"
        fix = "take out what is too many"
        for keys in _sources_too_many(written):
            name = str(keys[-1])
            if meant := nearest(name, [other for other in sources if other != name]):
                fix = f"did you mean [sources.{meant}]? Then write so instead of [sources.{name}]"
                return written.problem(keys, reason=f"exactly two sources are needed; {there}", fix=fix)
        if len(files) > 1:
            fix = (
                "use the names of the recipe that is extended, "
                "or name two sources here: they then stand instead of all that are inherited"
            )
    return written.problem(("sources",), reason=f"exactly two sources are needed; {there}", fix=fix)


def _listed(names: list[str]) -> str:
    """`a, b and c`."""
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))


def _sources_too_many(written: Written) -> list[Keys]:
    """Of more than two sources those without a channel: most likely another one's name, mistyped."""
    sources = written.tree.get("sources")
    if not isinstance(sources, dict) or len(sources) < 3:
        return []
    return [
        ("sources", name)
        for name, table in sources.items()
        if isinstance(table, dict) and "channel" not in table
    ]


def locate(detail: Any) -> Spot:
    """Follow pydantic's path through the models, leaving out what is no key: names of stages and of types."""
    parts = list(detail["loc"])
    if parts[-1:] == ["[key]"] and detail["type"] != "extra_forbidden":
        return Spot(tuple(parts[:-1]), Source, is_name_of_source=True)
    spot = Spot((), Recipe)
    while parts and spot.name is None:
        name = str(parts.pop(0))
        spot = Spot((*spot.keys, name), spot.model, name)
        if name not in spot.model.model_fields or not parts:
            break
        if name == "sources":
            spot = Spot((*spot.keys, str(parts.pop(0))), Source)
        elif name == "chain":
            keys = (*spot.keys, int(parts.pop(0)))
            spot = Spot(keys, STAGES[str(parts.pop(0))] if parts else Model)
        elif tables := allowed_values(spot.model, name).models:
            spot = Spot(spot.keys, tables[0])
    return spot


def _words(detail: Any, written: Written) -> tuple[Keys, str, str]:
    """Key path, reason and fix for one finding of pydantic."""
    kind, spot = detail["type"], locate(detail)
    value = value_at(written.tree, spot.keys)
    if kind == "together":
        return _keys_together(detail)[0], detail["ctx"]["reason"], detail["ctx"]["fix"]
    if kind in ("union_tag_invalid", "union_tag_not_found") and isinstance(value, dict):
        return ((*spot.keys, "stage") if "stage" in value else spot.keys, *_stage_words(value))
    if kind == "extra_forbidden":
        is_table = spot.model is Recipe and isinstance(value, dict)
        words = unknown_table(str(spot.name)) if is_table else unknown_key(spot.model, str(spot.name))
        return (spot.keys, *words)
    if kind == "missing":
        return (spot.keys, *_missing_words(spot, written))
    if spot.name is None:
        return (spot.keys, *_table_words(spot, value))
    return (spot.keys, *_value_words(spot, value))


def _keys_together(detail: Any) -> list[Keys]:
    table = locate(detail).keys
    return [(*table, *key.split(".")) for key in detail["ctx"]["keys"].split(", ")]


def _stage_words(entry: dict[str, object]) -> tuple[str, str]:
    if "stage" in entry:
        return unknown_stage(entry["stage"])
    return "says not which stage it is", f'begin with stage = "high-pass"; the stages are {", ".join(STAGES)}'


def _missing_words(spot: Spot, written: Written) -> tuple[str, str]:
    reason = f"is missing; must be {_allowed_text(spot)}"
    fix = f"write {example(spot.model, str(spot.name))}"
    left_out = written.origin.sources_left_out
    if spot.model is Source and left_out:
        names = " and ".join(map(toml_value, left_out))
        fix += f"; nothing is inherited from {names}, for two other sources are named here"
    return reason, fix


def _table_words(spot: Spot, value: object) -> tuple[str, str]:
    if spot.is_name_of_source:
        better = re.sub("[^A-Za-z0-9_-]", "_", str(spot.keys[-1]))[:40] or "pickup"
        return (
            'the name of a source is made of letters, digits, "-" and "_", at most 40 of them',
            f"rename it, say [sources.{better}]",
        )
    if isinstance(spot.keys[-1], int):
        stage = value if isinstance(value, str) and value in STAGES else "high-pass"
        return "must be a stage in braces", f'write {{ stage = "{stage}", ... }}'
    return "must be a table", f"write [{key_text(spot.keys)}] on a line of its own, with its keys below"


def _value_words(spot: Spot, value: object) -> tuple[str, str]:
    name = str(spot.name)
    if name == "chain":
        if isinstance(value, list):
            return (
                f"has {len(value)} stages; {allowed_values(spot.model, name).entries} at most",
                "take some out",
            )
        return "must be a list of stages", 'write chain = [{ stage = "high-pass", cutoff_hz = 80 }], or []'
    if allowed_values(spot.model, name).models:
        off = ', or "off"' if name == "room" else ""
        return f"must be a table{off}", f"write [{name}] on a line of its own, with its keys below"
    if name in ("title", "notes") and isinstance(value, str):
        return f"must be {_allowed_text(spot)}", "shorten it, and take out characters that cannot be printed"
    return refused_value(spot.model, name, value)


def _allowed_text(spot: Spot) -> str:
    return allowed_values(spot.model, str(spot.name)).text
