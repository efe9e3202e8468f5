"""The table of a batch, and what stands in a folder."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from render.errors import OutputError
from render.workflows.summary import NEEDED, summary_columns, summary_text, told_move, write_summary


def _line(take: str, *, recipe: str = "warm", **more: object) -> dict[str, Any]:
    return (
        dict.fromkeys(NEEDED)
        | {
            "take": take,
            "recipe": recipe,
            "output": f"{recipe}/{take}.wav",
            "status": "done",
            "settings": {"from_s": None, "to_s": None},
            "warnings": [],
            "seconds": 0.5,
            "loudness_lufs": -16.0,
        }
        | more
    )


def _move(delay_ms: float, polarity: str = "keep", **more: str) -> dict[str, Any]:
    return {
        "source": "mic",
        "delay_ms": delay_ms,
        "polarity": polarity,
        "delay_from": "take",
        "polarity_from": "take",
    } | more


@pytest.mark.parametrize(
    ("move", "words"),
    [
        (None, "-"),
        (_move(-0.4213, "flip"), "mic 0.42 ms earlier, inverted"),
        (_move(1.2), "mic 1.20 ms later"),
        (_move(-0.001), "mic not moved"),
        (_move(0.0, "flip", delay_from="nothing"), "mic not moved, inverted"),
        (_move(-0.5, "flip", delay_from="session", polarity_from="recipe"), "mic 0.50 ms earlier"),
        (_move(3.0, "flip", delay_from="recipe"), "mic inverted"),
        (_move(3.0, delay_from="recipe"), "mic polarity kept"),
    ],
)
def test_a_move_is_told_shortly(move: dict[str, Any] | None, words: str) -> None:
    """What was measured is told, what the recipe says itself is not."""
    assert told_move(move) == words


def test_the_column_is_there_where_a_recipe_has_auto() -> None:
    """Without "auto" there is no column; with it takes without a move have a dash."""
    plain, moved = _line("1"), _line("2", alignment=_move(-0.42))

    assert "moved" not in [column.heading for column in summary_columns([plain])]
    columns = {column.heading: column.cells for column in summary_columns([plain, moved])}
    assert columns["moved"] == ("-", "mic 0.42 ms earlier")
    assert told_move({**_move(-0.42), "silent_source": "mic"}) == "-"


def test_figures_read_as_a_player_reads_them() -> None:
    """Limiting is a negative number, nothing is never minus nothing, what does not exist is a dash."""
    line = _line("1", limiter_max_reduction_db=2.04, side_to_mid_db=-0.04)

    columns = {column.heading: column.cells for column in summary_columns([line])}

    assert columns["limiter"] == ("-2.0",)
    assert columns["side/mid"] == ("0.0",)
    assert columns["range"] == ("-",)


def test_a_summary_is_sorted_and_holds_whole_mixes_only(tmp_path: Path) -> None:
    """Recipe by recipe, takes as they count; no passages, and no line of a version with less in it."""
    passage = _line("3", settings={"from_s": 1.0, "to_s": None})
    older = {"take": "4", "recipe": "warm", "output": "warm/4.wav", "status": "done"}
    lines = [_line("take 10"), passage, older, _line("take 2"), _line("take 2", recipe="open")]

    write_summary(tmp_path / "summary.txt", lines, ["passed over"])

    text = (tmp_path / "summary.txt").read_text(encoding="utf-8")
    assert [row[: len("take 10  open")] for row in text.splitlines()[2:5]] == [
        "take 2   open",
        "take 2   warm",
        "take 10  warm",
    ]
    assert "passed over" in text
    assert "3 done" in text
    assert text == summary_text([lines[4], lines[3], lines[0]], ["passed over"])


def test_a_summary_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    """The file is named."""
    with pytest.raises(OutputError, match=r"summary\.txt: cannot be written"):
        write_summary(tmp_path / "nowhere" / "summary.txt", [], [])
