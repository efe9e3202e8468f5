"""`drytake compare` from outside: the page, its figures, what it says and refuses."""

from __future__ import annotations

import base64
import io
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import pytest
import soundfile
from numpy.typing import NDArray
from scipy import signal

from render.cli.main import main
from render.workflows.compare.serve import PageServer
from tests.helpers.sessions import FLOAT, PLAIN_RECIPE, ROOM, write_recipe, write_take
from tests.helpers.signals import plucks

RATE_HZ = 48_000
LOUD = """
[finish]
loudness_lufs = -9.0
"""
WIDE = PLAIN_RECIPE.replace("gain_db = -6.0", "gain_db = 0.0")


@pytest.fixture(scope="module")
def material(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two takes of other levels, one with a knock, and two recipes."""
    folder = tmp_path_factory.mktemp("compare")
    first = plucks(12.0, sample_rate_hz=RATE_HZ, seed=1)
    first[7 * RATE_HZ : 10 * RATE_HZ] *= 2.0
    write_take(folder / "session" / "01_low.wav", audio=0.2 * first)
    second = plucks(3.5, sample_rate_hz=RATE_HZ, seed=2)
    second[RATE_HZ, 0] = 0.9
    write_take(folder / "session" / "02_knock.wav", audio=second)
    write_recipe(folder / "warm.toml", 'title = "Warm & <b>wide</b>"', PLAIN_RECIPE, ROOM)
    write_recipe(folder / "wide.toml", WIDE, LOUD)
    return folder


@pytest.fixture(scope="module")
def listen(material: Path) -> Path:
    """A page of them."""
    out = material / "listen"
    assert run(material, "-o", out, "--excerpt", 4) == 0
    return out


def run(material: Path, *more: object) -> int:
    """Compare both recipes in this process."""
    call = [
        "compare",
        material / "session",
        "-r",
        material / "warm.toml",
        "-r",
        material / "wide.toml",
        *more,
    ]
    return main([str(argument) for argument in call])


def called(session: Path, recipe: Path, out: Path, *more: str) -> list[str]:
    """The words of a call with one recipe."""
    return ["compare", str(session), "-r", str(recipe), "-o", str(out), *more]


def figures(folder: Path) -> dict[str, Any]:
    """What stands in compare.json."""
    found: dict[str, Any] = json.loads((folder / "compare.json").read_text(encoding="utf-8"))
    return found


def sounds(folder: Path, *, rate_hz: int = RATE_HZ) -> dict[tuple[str, str, str], NDArray[np.float64]]:
    """Every sound as it stands in the page, decoded."""
    html = (folder / "index.html").read_text(encoding="utf-8")
    data = json.loads(re.findall(r'<script[^>]*id="content"[^>]*>(.*?)</script>', html, re.DOTALL)[0])
    texts = dict(re.findall(r'id="sound-([0-9a-f]{32})">([^<]*)</script>', html))
    found = {}
    for take in data["takes"]:
        for excerpt in take["excerpts"]:
            for version in excerpt["versions"]:
                held = io.BytesIO(base64.b64decode(texts[version["sound"]]))
                with soundfile.SoundFile(held) as file:
                    assert (file.format, file.subtype, file.samplerate) == ("FLAC", "PCM_24", rate_hz)
                    found[take["name"], excerpt["name"], version["name"]] = file.read(always_2d=True)
    return found


def _by_libebur128(audio: NDArray[np.float64], rate_hz: int = RATE_HZ) -> float:
    """Integrated loudness, by other hands."""
    state = pyebur128.R128State(2, rate_hz, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(audio).reshape(-1), len(audio))
    return float(pyebur128.get_loudness_global(state))


def test_all_versions_have_one_loudness_and_no_peak_over_the_ceiling(listen: Path) -> None:
    """By libebur128 within 0.05 LU; at 16 times oversampling by other code at most -1 dBTP; all equally long."""
    told = figures(listen)
    assert told["loudness_lufs"] < -16.0  # the knock is not limited: everything gives way
    heard = sounds(listen)
    assert len(heard) == 9
    highest = []
    for audio in heard.values():
        assert _by_libebur128(audio) == pytest.approx(told["loudness_lufs"], abs=0.05)
        peaks = np.abs(signal.resample_poly(audio, 16, 1, axis=0, window=("kaiser", 12.0)))
        highest.append(20.0 * np.log10(peaks.max()))
    assert max(highest) <= -1.0
    assert max(highest) > -1.1
    for name in {key[:2] for key in heard}:
        assert len({len(audio) for key, audio in heard.items() if key[:2] == name}) == 1


def test_versions_are_the_render_at_a_gain_and_nothing_else(listen: Path, material: Path) -> None:
    """Against a float render of the same passage: one gain over all frames, so no limiter anywhere."""
    recipe = write_recipe(
        material / "plain_wide.toml",
        WIDE,
        FLOAT,
    )
    out = material / "mixes"
    assert main(["render", str(material / "session"), "-r", str(recipe), "-o", str(out), "--quiet"]) == 0
    for (take, excerpt, version), audio in sounds(listen).items():
        if version != "wide":
            continue
        part = next(
            part
            for found in figures(listen)["takes"]
            for part in found["excerpts"]
            if (found["take"], part["excerpt"]) == (take, excerpt)
        )
        gain = 10.0 ** (next(v for v in part["versions"] if v["version"] == version)["gain_db"] / 20.0)
        whole, _ = soundfile.read(out / "plain_wide" / f"{take}.wav", always_2d=True)
        inside = slice(round(0.02 * RATE_HZ), len(audio) - round(0.02 * RATE_HZ))
        first = round(part["from_s"] * RATE_HZ)
        first = round(first / 4096) * 4096  # windows of analysis begin there; the file says milliseconds
        same = whole[first : first + len(audio)] * gain
        assert np.abs(audio[inside] - same[inside]).max() < 4e-7


def test_the_capture_is_always_there(listen: Path, material: Path) -> None:
    """Both tracks at equal gain on left and right."""
    heard = sounds(listen)
    capture = heard["02_knock", "whole", "capture"]
    assert (capture[:, 0] - capture[:, 1]).max() < 4.0 / 2**23
    dry, _ = soundfile.read(material / "session" / "02_knock.wav")
    inside = slice(RATE_HZ // 10, -RATE_HZ // 10)
    mono = dry.sum(axis=1)
    gain = (capture[inside, 0] @ mono[inside]) / (mono[inside] @ mono[inside])
    assert np.abs(capture[inside, 0] - gain * mono[inside]).max() < 4.0 / 2**23


def test_figures(listen: Path) -> None:
    """The file beside the page holds everything but the sound."""
    told = figures(listen)
    assert [version["name"] for version in told["versions"]] == ["capture", "warm", "wide"]
    first, second = told["takes"]
    assert [part["excerpt"] for part in first["excerpts"]] == ["typical", "loudest"]
    assert [part["excerpt"] for part in second["excerpts"]] == ["whole"]
    loudest = first["excerpts"][1]
    assert 5.0 < loudest["from_s"] < 8.0
    for part in (*first["excerpts"], *second["excerpts"]):
        capture, warm, wide = part["versions"]
        assert capture["distance_from_capture_db"] == 0.0
        assert capture["side_to_mid_db"] is None or capture["side_to_mid_db"] < -80.0
        assert capture["limiter_max_reduction_db"] is None
        assert {version["loudness_range_lu"] for version in part["versions"]} == {None}  # far below a minute
        assert warm["distance_from_capture_db"] > 0.5
        assert wide["side_to_mid_db"] > warm["side_to_mid_db"]
        assert wide["mono_loss_lu"] < -0.2
    assert max(part["versions"][2]["limiter_max_reduction_db"] for part in second["excerpts"]) > 1.0
    assert len(told["pairs"]) == 3
    assert "ISO 3382-1" in told["thresholds"]["room"]
    assert not told["failed"]


def test_only_page_figures_and_the_hidden_folder(listen: Path) -> None:
    """Nothing else is written, and nothing half-made is left."""
    assert sorted(path.name for path in listen.iterdir()) == [".kept", "compare.json", "index.html"]
    assert not list(listen.rglob("*.part"))


def test_the_same_bytes_again(listen: Path, material: Path) -> None:
    """Kept, rendered anew, with one worker or several: the same page."""
    page, told = (listen / "index.html").read_bytes(), (listen / "compare.json").read_bytes()
    assert run(material, "-o", listen, "--excerpt", 4, "--quiet") == 0
    assert (listen / "index.html").read_bytes() == page
    other = material / "again"
    assert run(material, "-o", other, "--excerpt", 4, "--jobs", 1, "--quiet") == 0
    assert (other / "index.html").read_bytes() == page
    assert (other / "compare.json").read_bytes() == told


def test_a_changed_recipe_renders_only_its_column(
    listen: Path, material: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Three excerpts of the one that is new; the others are kept, and what is no longer shown goes."""
    third = write_recipe(material / "third.toml", PLAIN_RECIPE, ROOM.replace("0.5", "0.8"))
    out = material / "columns"
    assert run(material, "-o", out, "--excerpt", 4) == 0
    assert "9 excerpts rendered, 0 kept" in capsys.readouterr().out
    mixes = len(list((out / ".kept").glob("*.npy")))
    call = [
        "compare",
        material / "session",
        "-r",
        material / "warm.toml",
        "-r",
        third,
        "-o",
        out,
        "--excerpt",
        4,
    ]
    assert main([str(argument) for argument in call]) == 0
    assert "3 excerpts rendered, 6 kept" in capsys.readouterr().out
    assert len(list((out / ".kept").glob("*.npy"))) == mixes


def test_what_is_kept_may_be_spoilt(material: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A damaged file in the hidden folder is rendered again."""
    out = material / "spoilt"
    assert run(material, "-o", out, "--excerpt", 4) == 0
    page = (out / "index.html").read_bytes()
    for path in (out / ".kept").iterdir():
        if path.suffix in (".npz", ".npy", ".json"):
            path.write_bytes(path.read_bytes()[:100])
    capsys.readouterr()
    assert run(material, "-o", out, "--excerpt", 4) == 0
    assert "9 excerpts rendered, 0 kept" in capsys.readouterr().out
    assert (out / "index.html").read_bytes() == page


def test_the_table(
    material: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Versions, distances, and which are hardly to be told apart."""
    monkeypatch.setenv("COLUMNS", "140")
    twin = write_recipe(material / "twin.toml", PLAIN_RECIPE, ROOM.replace("0.5", "0.51"))
    call = [
        "compare",
        material / "session",
        "-r",
        material / "warm.toml",
        "-r",
        twin,
        "-o",
        material / "twins",
    ]
    assert main([str(argument) for argument in call]) == 0
    said = capsys.readouterr().out
    assert "before  gain  from dry  side/mid  in mono  limiter" in re.sub(r" {3,}", "  ", said)
    assert "01_low" in said
    assert re.search(r"^02_knock +1 capture.*\n  whole take +2 warm.*\n +3 twin", said, re.MULTILINE)
    assert "limiter: how far the finished file would have its loudest peak here turned down" in " ".join(
        said.split()
    )
    assert "no room for" not in said
    assert "warm and twin: hardly to be told apart" in said
    assert "capture and warm" not in said
    assert "ISO 3382-1" in said
    assert "Clark 1982" in said
    assert re.search(
        r"LUFS, the highest that the peaks of 02_knock allow without a limiter \(version [123]\)", said
    )
    assert re.search(r"send index.html, one file of [0-9.]+ MB\nopen ", said)
    assert "moderate level" in said


def test_long_names_give_way_to_numbers(
    material: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """In a narrow window the table goes by the page's numbers; the next one has the names. What is left out is told."""
    monkeypatch.setenv("COLUMNS", "50")
    take, recipe = material / "session" / "02_knock.wav", material / "warm.toml"
    vary = ["--vary", "sources.mic.gain_db=-12,-6", "--vary", "room.decay_125hz_ratio=1.0,1.5"]
    assert main(["compare", str(take), "-r", str(recipe), "-o", str(material / "narrow"), *vary]) == 0
    table, distances = capsys.readouterr().out.split("how far the spectra lie apart")
    assert max(map(len, table.splitlines())) <= 50
    assert re.search(r"^ +5 +", table, re.MULTILINE)
    left_out = re.search(r"no room for: (.*); widen the window, or see compare.json", " ".join(table.split()))
    assert left_out is not None
    headings = table.splitlines()[0]
    for heading in ("before", "gain", "from dry", "side/mid", "in mono", "limiter"):
        assert (heading in left_out[1].split(", ")) != (heading in headings)
    assert re.search(r"^5  mic gain -6 dB, room decay \(125 Hz\) ratio 1.5", distances, re.MULTILINE)


def test_serve_opens_the_page(
    material: Path, listen: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The browser is sent to a server on this machine; Ctrl-C ends it and all is well."""
    opened: list[str] = []

    def stop(_server: PageServer) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("webbrowser.open", opened.append)
    monkeypatch.setattr(PageServer, "serve_forever", stop)
    assert run(material, "-o", listen, "--excerpt", 4, "--serve") == 0
    assert capsys.readouterr().out.endswith(
        f"the server has ended; the page stays: {listen / 'index.html'}\n"
    )
    assert len(opened) == 1
    assert opened[0].startswith("http://127.0.0.1:")


def test_a_very_soft_take_is_told(material: Path, tmp_path: Path) -> None:
    """Its noise comes up with it."""
    write_take(tmp_path / "session" / "soft.wav", audio=1e-3 * plucks(2.0, sample_rate_hz=RATE_HZ))
    call = [
        "compare",
        str(tmp_path / "session"),
        "-r",
        str(material / "warm.toml"),
        "-o",
        str(tmp_path / "out"),
    ]
    assert main([*call, "--quiet"]) == 0
    assert "its noise with it" in figures(tmp_path / "out")["notes"][0]


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_one_loudness_at_other_rates(material: Path, tmp_path: Path, rate_hz: int) -> None:
    """Within 0.05 LU of what the page says, by libebur128, whose weighting differs a little there."""
    write_take(
        tmp_path / "session" / "a.wav", audio=plucks(3.0, sample_rate_hz=rate_hz), sample_rate_hz=rate_hz
    )
    out = tmp_path / "out"
    assert (
        main(
            [
                "compare",
                str(tmp_path / "session"),
                "-r",
                str(material / "warm.toml"),
                "-o",
                str(out),
                "--quiet",
            ]
        )
        == 0
    )
    for audio in sounds(out, rate_hz=rate_hz).values():
        assert _by_libebur128(audio, rate_hz) == pytest.approx(figures(out)["loudness_lufs"], abs=0.05)


def test_json(listen: Path, material: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One object: the figures, and where the page is."""
    assert run(material, "-o", listen, "--excerpt", 4, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told.pop("output") == str(listen)
    assert told["bytes"] == (listen / "index.html").stat().st_size
    assert told["complete"]
    assert told == figures(listen)


def test_variants_and_steps(material: Path) -> None:
    """Versions made of one recipe."""
    take, warm = material / "session" / "02_knock.wav", material / "warm.toml"
    vary = ["--vary", "sources.mic.gain_db=-12,-6", "--vary", "room.decay_1khz_s=0.5"]
    assert main(["compare", str(take), "-r", str(warm), "-o", str(material / "v"), *vary, "--quiet"]) == 0
    assert [version["name"] for version in figures(material / "v")["versions"]] == [
        "capture",
        "mic gain \N{MINUS SIGN}12 dB, room decay (1 kHz) 0.5 s",
        "mic gain \N{MINUS SIGN}6 dB, room decay (1 kHz) 0.5 s",
    ]
    assert main(["compare", str(take), "-r", str(warm), "-o", str(material / "s"), "--steps", "--quiet"]) == 0
    told = figures(material / "s")
    assert len(told["versions"]) == 9
    versions = {it["version"]: it for it in told["takes"][0]["excerpts"][0]["versions"]}
    assert versions["placed in stereo"]["mono_loss_lu"] < versions["both in the middle"]["mono_loss_lu"]
    limiters = {name: version["limiter_max_reduction_db"] is not None for name, version in versions.items()}
    assert [name for name, has_one in limiters.items() if has_one] == ["finished, with its limiter"]


def test_only_the_last_step_is_limited(material: Path) -> None:
    """A recipe that wants -9 LUFS limits; that is heard in the step that says so, and in no other."""
    take, loud = (
        material / "session" / "01_low.wav",
        write_recipe(material / "loud.toml", PLAIN_RECIPE, ROOM, LOUD),
    )
    out = material / "limited"
    call = ["compare", str(take), "-r", str(loud), "-o", str(out), "--excerpt", "4", "--steps", "--quiet"]
    assert main(call) == 0
    heard = sounds(out)
    told = figures(out)
    reduced = told["takes"][0]["excerpts"][0]["versions"][-1]["limiter_max_reduction_db"]
    room, finished = (
        heard["01_low", "typical", name] for name in ("with the room", "finished, with its limiter")
    )
    stereo, middle = (heard["01_low", "typical", name] for name in ("placed in stereo", "both in the middle"))
    assert reduced > 0.5
    ratio = np.abs(finished[2000:-2000]).max() / np.abs(room[2000:-2000]).max()
    assert -20.0 * np.log10(ratio) > 0.25 * reduced
    quiet = np.abs(room[:, 0]) < 0.02
    slope = (finished[quiet, 0] @ room[quiet, 0]) / (room[quiet, 0] @ room[quiet, 0])
    assert slope > 1.0  # what peaks have lost, the rest has gained
    assert len({len(audio) for audio in (room, finished, stereo, middle)}) == 1
    assert not any(
        {"finished, with its limiter"} & {pair["first"], pair["second"]} and pair["alike"]
        for pair in told["pairs"]
        if reduced >= 1.0
    )


def test_a_take_that_is_damaged_inside(material: Path, tmp_path: Path) -> None:
    """Its headers are fine; it fails when it is listened to, and the others are compared."""
    session = tmp_path / "session"
    write_take(session / "good.flac", duration_s=4.0)
    write_take(session / "hurt.flac", duration_s=8.0, seed=3)
    held = bytearray((session / "hurt.flac").read_bytes())
    held[len(held) // 2 : len(held) // 2 + 4000] = bytes(4000)
    (session / "hurt.flac").write_bytes(held)
    out = tmp_path / "listen"
    call = ["compare", str(session), "-r", str(material / "warm.toml"), "-o", str(out), "--excerpt", "3"]
    assert main([*call, "--quiet"]) == 1
    told = figures(out)
    assert [take["take"] for take in told["takes"]] == ["good"]
    assert [failed["take"] for failed in told["failed"]] == ["hurt"]


def test_a_folder_that_cannot_be_made(
    material: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Told, and nothing done."""
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    assert run(material, "-o", tmp_path / "file" / "listen") == 2
    assert "choose another folder with -o" in capsys.readouterr().err


def test_one_bad_take_does_not_stop_the_others(material: Path, tmp_path: Path) -> None:
    """It is told, the status is 1, and the page has the rest."""
    session = tmp_path / "session"
    write_take(session / "good.wav", duration_s=2.0)
    (session / "bad.wav").write_bytes(b"RIFF of nothing")
    out = tmp_path / "listen"
    assert main(["compare", str(session), "-r", str(material / "warm.toml"), "-o", str(out), "--quiet"]) == 1
    told = figures(out)
    assert [take["take"] for take in told["takes"]] == ["good"]
    assert [failed["take"] for failed in told["failed"]] == ["bad"]

    (session / "good.wav").unlink()
    other = tmp_path / "nothing"
    assert main(["compare", str(session), "-r", str(material / "warm.toml"), "-o", str(other)]) == 1
    assert not (other / "index.html").exists()


def test_silence_and_a_moment(material: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What has no loudness fails with a plain reason, also when asked again; the others go on."""
    write_take(tmp_path / "session" / "silent.wav", audio=np.zeros((5 * RATE_HZ, 2)))
    write_take(tmp_path / "session" / "hiss.wav", audio=np.full((RATE_HZ, 2), 2.0**-23))
    write_take(tmp_path / "session" / "moment.wav", duration_s=0.1)
    write_take(tmp_path / "session" / "good.wav", duration_s=1.0)
    out = tmp_path / "listen"
    call = called(tmp_path / "session", material / "warm.toml", out, "--excerpt", "3")
    for _ in range(2):
        assert main(call) == 1
        said = capsys.readouterr().out
        assert re.search("failed silent - .*: no sound in it; look at cables", said)
        assert re.search("failed hiss - .*: no sound in it", said)
        assert re.search(
            r"failed moment - .*: too short to have a loudness: 0\.10 s, 0\.4 s are needed", said
        )
        assert "1 take, 2 versions" in said
    told = figures(out)
    assert [take["take"] for take in told["takes"]] == ["good"]
    assert [failed["take"] for failed in told["failed"]] == ["hiss", "moment", "silent"]
    assert main([*call[:2], "-r", str(material / "warm.toml"), "-o", str(tmp_path / "none"), "--whole"]) == 1
    (tmp_path / "session" / "good.wav").unlink()
    assert main([*call[:4], "-o", str(tmp_path / "nothing")]) == 1
    assert "no take could be compared: there is no page" in capsys.readouterr().out


def test_a_dead_source_is_named(material: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The track and the source are said once; steps of it alone have no distance, and are told as unmatched."""
    audio = 0.3 * plucks(4.0, sample_rate_hz=RATE_HZ)
    audio[:, 1] = 0.0
    write_take(tmp_path / "session" / "dead.wav", audio=audio)
    out = tmp_path / "listen"
    call = called(tmp_path / "session", material / "warm.toml", out, "--steps")
    assert main(call) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert said.count("dead: no sound on mic (channel 2)") == 1
    assert "drytake check" in said
    assert "only version 9 is limited; all but dead (versions 3, 5: no sound in it)" in said
    told = figures(out)
    assert told["takes"][0]["unmatched"] == "versions 3, 5: no sound in it"
    versions = told["takes"][0]["excerpts"][0]["versions"]
    assert [place for place, version in enumerate(versions, start=1) if not version["matched"]] == [3, 5]
    assert versions[2]["distance_from_capture_db"] is None
    for pair in told["pairs"]:
        assert (pair["distance_db"] is None) == any("mic alone" in pair[key] for key in ("first", "second"))
        assert pair["distance_db"] is None or pair["distance_db"] < 50.0
        assert not (pair["distance_db"] is None and pair["alike"])


def test_two_files_of_one_name(material: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Told apart by their folders, titles too; one file twice is refused in words of this command."""
    for day, gain_db in (("monday", -6), ("tuesday", -12)):
        (tmp_path / day).mkdir()
        text = PLAIN_RECIPE.replace("gain_db = -6.0", f"gain_db = {gain_db}")
        write_recipe(tmp_path / day / "guitar.toml", 'title = "Guitar"', text)
    take = material / "session" / "02_knock.wav"
    recipes = [
        value for day in ("monday", "tuesday") for value in ("-r", str(tmp_path / day / "guitar.toml"))
    ]
    out = tmp_path / "listen"
    assert main(["compare", str(take), *recipes, "-o", str(out), "--quiet"]) == 0
    assert figures(out)["versions"][1:] == [
        {"name": f"{day}/guitar", "title": f"Guitar ({day}/guitar)"} for day in ("monday", "tuesday")
    ]
    capsys.readouterr()
    assert main(["compare", str(take), *recipes[:2], *recipes[:2], "-o", str(tmp_path / "twice")]) == 2
    said = capsys.readouterr().err
    assert "guitar.toml: is there twice" in said
    assert "folder" not in said


def test_the_range_of_a_whole_take(tmp_path: Path) -> None:
    """It is there from a minute on."""
    for seconds in (59.0, 61.0):
        audio = np.tile(0.2 * plucks(1.0, sample_rate_hz=8000, seed=3), (round(seconds), 1))
        write_take(tmp_path / "session" / f"{seconds:g}.wav", audio=audio, sample_rate_hz=8000)
    recipe = write_recipe(tmp_path / "plain.toml", PLAIN_RECIPE)
    out = tmp_path / "listen"
    call = called(tmp_path / "session", recipe, out, "--whole", "--quiet")
    assert main(call) == 0
    ranges = {
        take["take"]: {
            version["loudness_range_lu"] is not None for version in take["excerpts"][0]["versions"]
        }
        for take in figures(out)["takes"]
    }
    assert ranges == {"59": {False}, "61": {True}}


def test_one_excerpt_says_what_it_is(material: Path, tmp_path: Path) -> None:
    """A take with room for one has the loudest playing in it, and its label says so; minutes are read as minutes."""
    write_take(tmp_path / "session" / "a.wav", audio=0.2 * plucks(5.0, sample_rate_hz=RATE_HZ, seed=1))
    out = tmp_path / "listen"
    call = called(tmp_path / "session", material / "warm.toml", out, "--quiet")
    assert main([*call, "--excerpt", "0:04"]) == 0
    (excerpt,) = figures(out)["takes"][0]["excerpts"]
    assert (excerpt["excerpt"], excerpt["title"]) == ("typical", "typical, with the loudest")
    assert excerpt["to_s"] - excerpt["from_s"] == pytest.approx(4.0)
    assert figures(out)["loudness_because"] == "as the recipe asks"


def test_other_rates_and_auto(material: Path, tmp_path: Path) -> None:
    """A recipe that asks for another rate is heard at the capture's; "auto" is measured on whole takes."""
    recipe = write_recipe(
        tmp_path / "auto.toml",
        PLAIN_RECIPE.replace("gain_db = -6.0", 'gain_db = -6.0\ndelay_ms = "auto"\npolarity = "auto"'),
        "[finish]\nsample_rate_hz = 96000",
    )
    audio = plucks(8.0, sample_rate_hz=44_100, seed=4, channels=1)
    pair = np.concatenate([audio, -np.roll(audio, 40, axis=0)], axis=1)
    write_take(tmp_path / "session" / "a.wav", audio=pair, sample_rate_hz=44_100)
    out = tmp_path / "listen"
    call = called(tmp_path / "session", recipe, out, "--excerpt", "3")
    assert main([*call, "--quiet"]) == 0
    part = figures(out)["takes"][0]["excerpts"][0]
    assert {version["sample_rate_hz"] for version in part["versions"]} == {44_100}
    assert {version["frames"] for version in part["versions"]} == {3 * 44_100}
    page = (out / "index.html").read_bytes()
    assert main([*call, "--quiet"]) == 0
    assert (out / "index.html").read_bytes() == page


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--excerpt", "1"], "must be 3 to 600 s"),
        (["--excerpt", "soon"], "write minutes and seconds (0:30) or seconds (30)"),
        (["--vary", "sources.mic.gain_db=-12,", "-6"], "no spaces between the values"),
        (["--vary", "sources.mic.gain_db=-12", "-6"], "only commas: --vary sources.mic.gain_db=-12,-6"),
        (
            ["--vary", "sources.mic.gain_db=-12", "-6", "0"],
            "only commas: --vary sources.mic.gain_db=-12,-6,0",
        ),
        (["--vary", "sources.mic.gain_db=-12", ",-6,0"], "only commas: --vary sources.mic.gain_db=-12,-6,0"),
        (["--vary", "sources.mic.gain_db", "=", "-12,-6"], "only commas: --vary sources.mic.gain_db=-12,-6"),
        (["--vary", "sources.mic.gain_db", "-12,-6"], "only commas: --vary sources.mic.gain_db=-12,-6"),
        (["--vary", "a=1", "--vary", "b=1", "2"], "--vary b=1 2: no spaces between key and values"),
        (["--steep"], "what is meant by --steep? See drytake compare --help"),
        (["--vary", "mic.gain_db=-12,-6"], 'did you mean "sources.mic.gain_db"'),
        (["--steps"], "name one"),
        (["--vary", "nothing"], "no key of a recipe"),
        (["--vary", "sources.mic.gain_db=99"], "must be -60 to 24 dB"),
    ],
)
def test_wrong_calls(
    material: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], more: list[str], words: str
) -> None:
    """Told, status 2, nothing written."""
    assert run(material, "-o", tmp_path / "listen", *more) == 2
    assert words in capsys.readouterr().err
    assert not (tmp_path / "listen").exists()


@pytest.mark.parametrize("session", [[], ["session"]])
def test_a_value_cut_off_before_the_session(capsys: pytest.CaptureFixture[str], session: list[str]) -> None:
    """It is not told as a folder that does not exist."""
    assert main(["compare", "--vary", "sources.mic.gain_db=-12", "-6", *session]) == 2
    assert "only commas: --vary sources.mic.gain_db=-12,-6\n" in capsys.readouterr().err


def test_nothing_of_anothers_is_replaced(
    material: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A page that is not ours stays."""
    (tmp_path / "index.html").write_text("mine", encoding="utf-8")
    assert run(material, "-o", tmp_path) == 2
    assert "no listening page" in capsys.readouterr().err
    assert (tmp_path / "index.html").read_text(encoding="utf-8") == "mine"
    file = tmp_path / "file"
    file.write_text("mine", encoding="utf-8")
    assert run(material, "-o", file) == 2
    assert "is a file" in capsys.readouterr().err


def test_a_recipe_that_does_not_fit_a_rate(
    material: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Known before anything is done."""
    high = write_recipe(tmp_path / "high.toml", PLAIN_RECIPE.replace("cutoff_hz = 60", "cutoff_hz = 23000"))
    call = ["compare", material / "session", "-r", high, "-o", tmp_path / "listen"]
    assert main([str(argument) for argument in call]) == 2
    assert "0.45 of the rate" in capsys.readouterr().err
    assert not (tmp_path / "listen").exists()
