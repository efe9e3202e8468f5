"""Takes rendered with "auto": as with the values that it came to, and what the log tells of them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import render
from render.workflows.scripting import render_array
from tests.helpers.sessions import FLOAT, ROOM, read_mix, write_recipe, write_take
from tests.helpers.signals import noise

RATE_HZ = 48_000
DELAYS_MS = (0.4, 0.35, 0.4, 0.45)


def sources(*, delay_ms: float | None, polarity: str) -> str:
    """A pickup, and a microphone at the side; without a delay it is "auto"."""
    return f"""
[sources.pickup]
channel = 1
[sources.mic]
channel = 2
place = "side"
gain_db = -6
delay_ms = {'"auto"' if delay_ms is None else delay_ms}
polarity = "{polarity}"
"""


AUTO = sources(delay_ms=None, polarity="auto")


def delayed(
    delay_ms: float, *, polarity: int = 1, seed: int = 1, seconds: float = 4.0
) -> np.ndarray[Any, Any]:
    """Noise with its copy, later by parts of a frame, and some noise of each track's own."""
    frames = round(seconds * RATE_HZ)
    first = noise(frames, seed=seed)[:, 0]
    spectrum = np.fft.rfft(first, 2 * frames)
    turn = np.exp(-2j * np.pi * np.arange(len(spectrum)) / (2 * frames) * delay_ms * RATE_HZ / 1000.0)
    second = polarity * np.fft.irfft(spectrum * turn)[:frames]
    own = 0.02 * np.random.default_rng(seed + 100).normal(size=(frames, 2))
    return 0.2 * (np.stack([first, second], axis=1) + own)


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four takes; in the third the microphone's plug was out, in the fourth it was turned over."""
    folder = tmp_path_factory.mktemp("auto") / "session"
    for number, delay_ms in enumerate(DELAYS_MS, start=1):
        audio = delayed(delay_ms, seed=number, polarity=-1 if number == 4 else 1)
        if number == 3:
            audio[:, 1] = 0.0
        write_take(folder / f"take_{number}.wav", audio=audio)
    return folder


def rendered(session: Path, recipe: Path, output: Path, **options: Any) -> dict[str, dict[str, Any]]:
    """Lines of the log by take."""
    result = render.render_folder(session, recipe, output=output, **options)
    return {line["take"]: line for line in result.lines}


def test_each_take_is_aligned_and_the_log_says_how(session: Path, tmp_path: Path) -> None:
    """To a twentieth of a frame; a silent source gets the session's median, with a warning."""
    lines = rendered(session, write_recipe(tmp_path / "auto.toml", AUTO, FLOAT), tmp_path / "mixes")
    for number, delay_ms in enumerate(DELAYS_MS, start=1):
        line = lines[f"take_{number}"]
        alignment = line["alignment"]
        assert alignment["source"] == "mic"
        assert alignment["delay_ms"] == pytest.approx(-delay_ms, abs=1000.0 / RATE_HZ / 20)
        assert alignment["delay_from"] == ("session" if number == 3 else "take")
        assert alignment["polarity"] == ("flip" if number == 4 else "keep")
        assert any("the session's other takes" in text for text in line["warnings"]) == (number == 3)
        assert alignment["uncertainty_ms"] < 0.1
        assert alignment["silent_source"] == ("mic" if number == 3 else None)
    assert json.loads((tmp_path / "mixes" / "log.jsonl").read_text(encoding="utf-8").splitlines()[0])[
        "alignment"
    ]


@pytest.mark.parametrize("room", ["", ROOM])
def test_the_mix_is_that_of_a_recipe_with_these_values(session: Path, tmp_path: Path, room: str) -> None:
    """Within the bound of a compiled recipe."""
    auto = rendered(session, write_recipe(tmp_path / "auto.toml", AUTO, room, FLOAT), tmp_path / "auto")
    for take, line in auto.items():
        moved = line["alignment"]
        recipe = write_recipe(
            tmp_path / f"{take}.toml",
            sources(delay_ms=moved["delay_ms"], polarity=moved["polarity"]),
            room,
            FLOAT,
        )
        rendered(session / f"{take}.wav", recipe, tmp_path / "fixed")
        mix, wanted = (
            read_mix(tmp_path / folder / name / f"{take}.wav")
            for folder, name in (("auto", "auto"), ("fixed", take))
        )
        frames = min(len(mix), len(wanted))
        error = np.square(mix[:frames] - wanted[:frames]).sum() / np.square(wanted).sum()
        assert 10 * np.log10(error + 1e-30) < (-100 if room else -120)


def test_a_passage_is_the_same_part_of_the_whole(session: Path, tmp_path: Path) -> None:
    """The alignment is that of the take, not of the passage."""
    recipe = write_recipe(tmp_path / "auto.toml", AUTO, ROOM, FLOAT)
    rendered(session, recipe, tmp_path / "whole")
    rendered(session, recipe, tmp_path / "part", from_s=1.0, to_s=2.0)
    (part,) = (tmp_path / "part" / "auto").glob("take_1*.wav")
    whole = read_mix(tmp_path / "whole" / "auto" / "take_1.wav")
    assert np.array_equal(read_mix(part), whole[RATE_HZ : 2 * RATE_HZ])


def test_a_second_run_renders_nothing(session: Path, tmp_path: Path) -> None:
    """What a take was moved by is part of what it is known by."""
    recipe = write_recipe(tmp_path / "auto.toml", AUTO, FLOAT)
    rendered(session, recipe, tmp_path / "mixes")
    assert {line["status"] for line in rendered(session, recipe, tmp_path / "mixes").values()} == {"kept"}


def _asked_about(line: dict[str, Any]) -> int:
    """How many remarks ask whether channels are exchanged."""
    return sum("channels exchanged?" in text for text in line["warnings"])


def test_what_a_session_says_later_is_told_of_a_mix_that_is_kept(session: Path, tmp_path: Path) -> None:
    """One take the other way round: by itself nothing is odd about it, among others it is."""
    folder = tmp_path / "session"
    folder.mkdir()
    for number in (1, 2):
        (folder / f"take_{number}.wav").write_bytes((session / f"take_{number}.wav").read_bytes())
    write_take(folder / "take_3.wav", audio=delayed(-0.4, seed=3))
    recipe = write_recipe(tmp_path / "auto.toml", AUTO, FLOAT)
    alone = rendered(folder / "take_3.wav", recipe, tmp_path / "mixes")["take_3"]
    assert alone["status"] == "done"
    assert not _asked_about(alone)
    for _ in range(2):
        lines = rendered(folder, recipe, tmp_path / "mixes")
        assert lines["take_3"]["status"] == "kept"
        assert [_asked_about(lines[f"take_{number}"]) for number in (1, 2, 3)] == [0, 0, 1]
    assert lines["take_1"]["status"] == "kept"


def test_a_take_that_fails_has_the_same_keys(session: Path, tmp_path: Path) -> None:
    """Null where there is nothing to tell."""
    folder = tmp_path / "session"
    folder.mkdir()
    (folder / "take_1.wav").write_bytes((session / "take_1.wav").read_bytes())
    (folder / "take_2.wav").write_bytes(b"no sound")
    lines = rendered(folder, write_recipe(tmp_path / "auto.toml", AUTO, FLOAT), tmp_path / "mixes")
    assert lines["take_2"]["status"] == "failed"
    assert set(lines["take_2"]) == set(lines["take_1"])
    assert lines["take_2"]["alignment"] is None


def test_a_recipe_without_auto_has_no_alignment_in_its_log(session: Path, tmp_path: Path) -> None:
    """Null, like everything that does not exist."""
    recipe = write_recipe(tmp_path / "plain.toml", sources(delay_ms=0.0, polarity="keep"), FLOAT)
    assert all(line["alignment"] is None for line in rendered(session, recipe, tmp_path / "mixes").values())


def test_an_array_is_aligned_too(tmp_path: Path) -> None:
    """As the file would be."""
    capture = delayed(0.4, seed=1)
    auto = render.load_recipe(write_recipe(tmp_path / "auto.toml", AUTO, FLOAT))
    fixed = render.load_recipe(
        write_recipe(tmp_path / "fixed.toml", sources(delay_ms=-0.4, polarity="keep"), FLOAT)
    )
    mixes = [render_array(capture, recipe, sample_rate_hz=RATE_HZ).audio for recipe in (auto, fixed)]
    frames = min(map(len, mixes))
    assert np.abs(mixes[0][:frames] - mixes[1][:frames]).max() < 2e-3


def test_a_take_named_by_itself_has_the_value_of_its_session(session: Path, tmp_path: Path) -> None:
    """If it does not tell and the log knows what its session came to."""
    recipe = write_recipe(tmp_path / "auto.toml", AUTO, FLOAT)
    together = rendered(session, recipe, tmp_path / "mixes")["take_3"]
    alone = rendered(session / "take_3.wav", recipe, tmp_path / "mixes", redo=True)["take_3"]
    assert alone["alignment"]["delay_from"] == "session"
    assert alone["alignment"]["delay_ms"] == together["alignment"]["delay_ms"]
    (nobody,) = rendered(session / "take_3.wav", recipe, tmp_path / "elsewhere").values()
    assert nobody["alignment"]["delay_from"] == "nothing"
