"""A file of votes is whole, or told what is wrong with it; nothing of it reaches a terminal as it stood there."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from render.workflows.compare.votes_file import VotesFault, printable, read_votes
from tests.helpers.votes import judgement, run, saved, votes


def whole() -> dict[str, Any]:
    """A good file."""
    return votes(
        "Ada",
        [judgement({"capture": 20, "warm": 80.5}), judgement(ranks={"capture": 2, "warm": 1}, take="coda")],
        [run(7, 8, pair=("warm", "capture"))],
    )


def test_a_good_file_is_read(tmp_path: Path) -> None:
    """Everything in it arrives; what was not given is not there; a pair has one order."""
    found = read_votes(saved(tmp_path, "ada.json", whole()))
    rated, ranked = found.judged
    assert (found.listener, found.page, found.made_at) == ("Ada", "boathouse-1", "2030-05-04T03:02:01Z")
    assert (rated.ratings, rated.ranks) == ({"capture": 20.0, "warm": 80.5}, {})
    assert (ranked.ratings, ranked.ranks) == ({}, {"capture": 2, "warm": 1})
    assert rated.order == ("warm", "capture")
    (heard,) = found.runs
    assert (heard.pair, heard.condition, heard.hits, heard.trials) == (("capture", "warm"), "stereo", 7, 8)


def test_a_mark_of_byte_order_does_no_harm(tmp_path: Path) -> None:
    """Some editors put one there."""
    path = tmp_path / "ada.json"
    path.write_text(json.dumps(whole()), encoding="utf-8-sig")
    assert read_votes(path).listener == "Ada"


def test_names_are_compared_without_their_spaces(tmp_path: Path) -> None:
    """Spaces and the two spellings of an accent make no other listener."""
    content = {**whole(), "listener": "  Zoe\u0301  B. "}
    assert read_votes(saved(tmp_path, "z.json", content)).listener == "Zo\u00e9 B."


def in_judgement(**changes: object) -> Callable[[dict[str, Any]], object]:
    """Change the first judgement."""
    return lambda content: content["ratings"][0].update(changes)


def in_run(**changes: object) -> Callable[[dict[str, Any]], object]:
    """Change the run."""
    return lambda content: content["trials"][0].update(changes)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda content: content.update(format="other"), "holds no votes"),
        (lambda content: content.update(version=2), "is of version 2; this drytake reads version 1"),
        (lambda content: content.update(version=True), "is of version True"),
        (lambda content: content.update(page=""), "`page` is empty"),
        (lambda content: content.pop("listener"), "`listener` of votes is no text"),
        (lambda content: content.update(made_at="yesterday"), "`made_at` is no time"),
        (lambda content: content.update(made_at="2030-02-30T00:00:00Z"), "`made_at` is no time"),
        (lambda content: content.update(ratings={}), "`ratings` is no list"),
        (lambda content: content.pop("trials"), "`trials` is no list"),
        (lambda content: content["ratings"].append(3), r"ratings\[2\] is no object"),
        (lambda content: content["ratings"].append(content["ratings"][0]), "a second time"),
        (in_judgement(order=[]), r"`order` of ratings\[0\] is empty"),
        (in_judgement(order="AB"), "is no list of names"),
        (in_judgement(order=["warm", "warm"]), "names a version twice"),
        (in_judgement(order=["warm", "other"]), "are not of the versions in its `order`"),
        (in_judgement(ratings={"warm": 101, "capture": 0}), r"a rating of ratings\[0\] is not 0 to 100"),
        (in_judgement(ratings={"warm": True, "capture": 0}), "no number"),
        (in_judgement(ratings={"warm": "90", "capture": 0}), "no number"),
        (in_judgement(ratings={"warm": 10**400, "capture": 0}), "out of range"),
        (in_judgement(ranks={"warm": 1.5, "capture": 1}), "is not 1 to 2"),
        (in_judgement(ranks={"warm": 3, "capture": 1}), "is not 1 to 2"),
        (in_judgement(note=None), "`note`"),
        (lambda content: content.update(versions=[{"name": "warm"}]), "`title` of versions is no text"),
        (lambda content: content.update(versions=3), "`versions` is no list"),
        (lambda content: content.update(takes=[{"name": "a", "excerpts": "b"}]), "`excerpts` of takes is no list"),
        (in_run(pair=["warm"]), "is not two versions"),
        (in_run(pair=["warm", "warm"]), "names a version twice"),
        (in_run(condition="hall"), "is none of stereo, mono, left, right, side, small"),
        (in_run(answers=[]), "is no list of 1 to 1000"),
        (in_run(answers=[{"x": "first", "answer": "third"}] * 8), 'neither "first" nor "second"'),
        (in_run(hits=8), "`hits` of .* is not the 7 of its answers"),
        (in_run(trials=9), "`trials` of .* is not the 8 of its answers"),
        (in_run(take=7), "`take` of"),
    ],
)  # fmt: skip
def test_damage_is_told(tmp_path: Path, change: Callable[[dict[str, Any]], object], told: str) -> None:
    """What does not fit the format is refused with its place."""
    content = whole()
    change(content)
    with pytest.raises(VotesFault, match=told):
        read_votes(saved(tmp_path, "bad.json", content))


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"", "line 1 is not JSON"),
        (b'{"format": "drytake-votes",\n "version": 1', "line 2 is not JSON"),
        (b"\xff\xfe{\x00", "not text in UTF-8"),
        (b"[1, 2]", "holds no votes"),
        (b"null", "holds no votes"),
        (b"[" * 100_000, "nested too deeply"),
        (b'{"format": NaN}', "NaN is no number"),
        (b'{"format": 1, "format": 2}', "a key stands twice"),
        (b'{"version": ' + b"9" * 5000 + b"}", "is damaged"),
        (json.dumps(whole()).replace("80.5", "1e999").encode(), "past all bounds"),
        (b" " * (16 * 1024 * 1024 + 1), "larger than votes can be"),
    ],
    ids=["empty", "cut", "utf-16", "list", "null", "deep", "nan", "twice", "digits", "infinite", "large"],
)
def test_what_is_no_file_of_votes_is_told(tmp_path: Path, data: bytes, told: str) -> None:
    """Anything else on a disc is refused in a sentence."""
    path = tmp_path / "bad.json"
    path.write_bytes(data)
    with pytest.raises(VotesFault, match=told):
        read_votes(path)


@pytest.mark.parametrize("name", ["absent.json", ".", "nul\0byte"])
def test_what_cannot_be_opened_is_told(tmp_path: Path, name: str) -> None:
    """A missing file, a folder, an impossible name."""
    with pytest.raises(VotesFault, match=r"is not a file|cannot be read"):
        read_votes(tmp_path / name)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("warm", "warm"),
        ("Łódź 木 été", "Łódź 木 été"),
        ("\x1b[31mred\x07", "\\x1b[31mred\\x07"),
        ("a\nb\tc", "a\\nb\\tc"),
        ("abc\u202ecba", "abc\\u202ecba"),
        ("\ud800", "\\ud800"),
        ("\x9b2J", "\\x9b2J"),
        ("e" + "\u0301" * 40 + "!", "e\u0301\u0301!"),
        ("x" * 61, "x" * 57 + "..."),
        ("x" * 60, "x" * 60),
    ],
)
def test_only_plain_characters_are_shown(text: str, shown: str) -> None:
    """Letters of all scripts stay; controls, marks of direction, halves of letters and towers of accents do not."""
    assert printable(text) == shown
