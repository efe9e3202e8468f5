"""As many takes of one guitar as of another: both groups are named; takes of one guitar are left in peace."""

from __future__ import annotations

from pathlib import Path

import pytest

from render.workflows.check.session import CheckRequest, check_session
from tests.helpers.rehearsal import Body, hiss, strings, two_sources
from tests.helpers.sessions import write_take

RATE_HZ = 16_000
ONE = Body(
    modes=((104.0, 10.0, 10.0), (196.0, 12.0, 8.0), (410.0, 9.0, 5.0), (900.0, 8.0, -5.0)), delay_ms=1.4
)
OTHER = Body(
    modes=((119.0, 4.0, 10.0), (171.0, 5.0, 12.0), (330.0, 4.0, 12.0), (1500.0, 2.0, 9.0)), delay_ms=1.4
)


@pytest.fixture(scope="module")
def takes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Three takes of either guitar."""
    folder = tmp_path_factory.mktemp("takes")
    for number in range(6):
        body, name = (ONE, f"a{number}") if number < 3 else (OTHER, f"b{number - 3}")
        sound = strings(12.0, sample_rate_hz=RATE_HZ, seed=40 + number)
        take = two_sources(sound, sample_rate_hz=RATE_HZ, body=body)
        noise = hiss(len(take), sample_rate_hz=RATE_HZ, seed=number)
        write_take(folder / f"{name}.wav", audio=take + noise, sample_rate_hz=RATE_HZ)
    return {path.stem: path for path in folder.iterdir()}


def _notes(folder: Path, takes: dict[str, Path], names: str) -> list[str]:
    """Of a session of some takes."""
    folder.mkdir()
    for name in names.split():
        (folder / f"{name}.wav").symlink_to(takes[name])
    return check_session(CheckRequest(folder), watch=lambda _event: None).notes


def test_half_and_half_names_both_groups(tmp_path: Path, takes: dict[str, Path]) -> None:
    """Neither is wrong, but they do not belong into one recipe."""
    (note,) = _notes(tmp_path / "s", takes, "a0 a1 a2 b0 b1 b2")
    assert note == (
        "two guitars? a0, a1 and a2 sound like one, b0, b1 and b2 like another, or like another setting of its "
        "preamp: if so, give each a folder and a recipe of its own"
    )
    (note,) = _notes(tmp_path / "t", takes, "a0 a1 b1 b2")
    assert note.startswith("two guitars? a0 and a1 sound like one, b1 and b2 like another")


@pytest.mark.parametrize("names", ["a0 a1 a2", "a0 b0", "a0 a1 b0", "a0", "a0 a1 a2 b0"])
def test_one_guitar_or_a_single_stranger_is_no_half(
    tmp_path: Path, takes: dict[str, Path], names: str
) -> None:
    """A stranger among others is told under its own name, and two takes are too few."""
    assert _notes(tmp_path / "s", takes, names) == []
