"""Folders of takes: pairs, order, names, and what is left alone."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path, PurePath

import numpy as np
import pytest

from render.errors import SessionError, TakeError
from render.session.takes import Session, Take, find_takes, natural_key
from tests.helpers.sound_files import write_sound

STEREO = np.full((10, 2), 0.1)
MONO = np.full((10, 1), 0.1)


def _folder(path: Path, *, stereo: str = "", mono: str = "", other: str = "") -> Path:
    """A folder with sound files of these names (blanks between them) and others."""
    path.mkdir(parents=True, exist_ok=True)
    for names, audio in ((stereo, STEREO), (mono, MONO)):
        for name in names.split("|") if names else ():
            kind = "FLAC" if name.lower().endswith("flac") else "WAV"
            write_sound(path / name, audio, format=kind)
    for name in other.split("|") if other else ():
        (path / name).write_text("nothing to hear")
    return path


def _found(session: Session) -> dict[str, tuple[str, ...]]:
    return {take.name: tuple(file.name for file in take.files) for take in session.takes}


def test_files_of_two_channels_are_takes(tmp_path: Path) -> None:
    """In natural order; what is no sound is listed apart."""
    _folder(tmp_path, stereo="take 10.wav|Take 2.wav|take 1.flac|b.wav", other="notes.txt")
    session = find_takes(tmp_path)
    assert list(_found(session)) == ["b", "take 1", "Take 2", "take 10"]
    assert session.ignored == (tmp_path / "notes.txt",)
    assert session.notes == ()
    assert session.folder == tmp_path


@pytest.mark.parametrize(
    ("one", "two"),
    [
        ("song-1.wav", "song-2.wav"),
        ("song_1.wav", "song_2.wav"),
        ("song_L.wav", "song_R.wav"),
        ("song-l.wav", "song-R.WAV"),
        ("my take 3_L.flac", "my take 3_R.flac"),
        ("song.x-1.wav", "song.x-2.wav"),
    ],
)
def test_mono_files_that_differ_by_an_ending_are_one_take(tmp_path: Path, one: str, two: str) -> None:
    """In that order, named by what they share."""
    _folder(tmp_path, mono=f"{two}|{one}")
    assert _found(find_takes(tmp_path)) == {one.rsplit(".", 1)[0][:-2]: (one, two)}


@pytest.mark.parametrize(
    ("one", "two"),
    [
        ("take 1.wav", "take 2.wav"),
        ("take1.wav", "take2.wav"),
        ("take.1.wav", "take.2.wav"),
        ("take-01.wav", "take-02.wav"),
        ("take-1.wav", "take_2.wav"),
        ("take-1.wav", "take-R.wav"),
        ("take-1.wav", "take-2.flac"),
        ("Take-1.wav", "take-2.wav"),
        ("take-A.wav", "take-B.wav"),
        ("-1.wav", "-2.wav"),
        ("TakeL.wav", "TakeR.wav"),
    ],
)
def test_anything_less_is_two_takes(tmp_path: Path, one: str, two: str) -> None:
    """A wrong pair would be a wrong mix without a word."""
    _folder(tmp_path, mono=f"{one}|{two}")
    session = find_takes(tmp_path)
    assert sorted(files for take in _found(session).values() for files in take) == sorted((one, two))
    assert all(len(take.files) == 1 for take in session.takes)


def test_endings_of_stereo_files_mean_nothing(tmp_path: Path) -> None:
    """Two takes; so are a mono and a stereo file."""
    _folder(tmp_path, stereo="a-1.wav|a-2.wav|b_L.wav", mono="b_R.wav")
    session = find_takes(tmp_path)
    assert list(_found(session)) == ["a-1", "a-2", "b_L", "b_R"]
    assert session.notes == ()


@pytest.mark.parametrize("third", ["song-3.wav", "song-0.wav", "song-12.wav"])
def test_numbered_mono_files_are_not_guessed_at(tmp_path: Path, third: str) -> None:
    """Three takes of one source each, or three sources: nobody can tell, and that is said."""
    _folder(tmp_path, mono=f"song-1.wav|song-2.wav|{third}|other_L.wav|other_R.wav")
    session = find_takes(tmp_path)
    assert _found(session)["other"] == ("other_L.wav", "other_R.wav")
    assert len(session.takes) == 4
    assert len(session.notes) == 1
    assert third in session.notes[0]
    assert "which two of them belong together cannot be told" in session.notes[0]


def test_numbers_and_letters_of_one_name_are_two_takes(tmp_path: Path) -> None:
    """Each pair by itself, their names told apart by what they were called."""
    _folder(tmp_path, mono="a-1.wav|a-2.wav|a-L.wav|a-R.wav|a-1.flac|a-2.flac")
    assert _found(find_takes(tmp_path)) == {
        "a-1.wav": ("a-1.wav", "a-2.wav"),
        "a-1.flac": ("a-1.flac", "a-2.flac"),
        "a-L.wav": ("a-L.wav", "a-R.wav"),
    }


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names that differ by case only")
def test_two_files_for_one_side(tmp_path: Path) -> None:
    """Not joined, and said."""
    _folder(tmp_path, mono="a_L.wav|a_l.wav|a_R.wav")
    session = find_takes(tmp_path)
    assert len(session.takes) == 3
    assert "a_L.wav, a_l.wav, a_R.wav: which two" in session.notes[0]


def test_single_and_damaged_files_are_takes(tmp_path: Path) -> None:
    """They fail by themselves when they are rendered; nothing is dropped in silence."""
    _folder(tmp_path, mono="alone.wav|b_L.wav", other="text.wav|b_R.wav")
    assert list(_found(find_takes(tmp_path))) == ["alone", "b_L", "b_R", "text"]


def test_names_that_would_collide_keep_their_ending(tmp_path: Path) -> None:
    """All of them, and only they; also when the longer name is taken."""
    _folder(
        tmp_path, stereo="song.wav|song.flac|other.wav|song.wav.flac|pair.wav", mono="pair_L.wav|pair_R.wav"
    )
    assert _found(find_takes(tmp_path)) == {
        "other": ("other.wav",),
        "pair.wav": ("pair.wav",),
        "pair_L.wav": ("pair_L.wav", "pair_R.wav"),
        "song.flac": ("song.flac",),
        "song.wav": ("song.wav",),
        "song.wav.flac": ("song.wav.flac",),
    }


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names that differ by case only")
def test_collisions_are_judged_as_the_strictest_system_would(tmp_path: Path) -> None:
    """Case and the way of writing an accent make no difference there."""
    _folder(tmp_path, stereo="Song.wav|song.flac|SONG.FLAC|caf\u00e9.wav|cafe\u0301.flac|caf\u00c9.wav")
    names = list(_found(find_takes(tmp_path)))
    assert len({name.casefold() for name in names}) == len(names) == 6
    assert "Song.wav" in names
    assert {"SONG.FLAC", "song.flac (2)"} <= set(names)


def test_hidden_temporary_and_other_files_are_left_alone(tmp_path: Path) -> None:
    """What a system, a download or an interrupted render leaves behind."""
    _folder(
        tmp_path,
        stereo="a.wav",
        other=".hidden.wav|._a.wav|.drytake-12.part|b.wav.part|c.wav.tmp|d.wav~|e.crdownload|f.pdf",
    )
    (tmp_path / "folder.wav").mkdir()
    session = find_takes(tmp_path)
    assert list(_found(session)) == ["a"]
    assert len(session.ignored) == 5


def test_links(tmp_path: Path) -> None:
    """To a file: a take. To nothing: said."""
    _folder(tmp_path / "far", stereo="a.wav")
    session_folder = _folder(tmp_path / "session", stereo="b.wav")
    try:
        (session_folder / "c.wav").symlink_to(tmp_path / "far" / "a.wav")
        (session_folder / "gone.wav").symlink_to(tmp_path / "nowhere.wav")
    except OSError:
        pytest.skip("this system makes no links for us")
    session = find_takes(session_folder)
    assert list(_found(session)) == ["b", "c"]
    assert "gone.wav: is no file, or leads to one that is not there" in session.notes[0]


def test_a_folder_named_like_a_sound_file_is_told(tmp_path: Path) -> None:
    """It is no take, and not passed over in silence."""
    session_folder = _folder(tmp_path / "session", stereo="b.wav")
    (session_folder / "c.wav").mkdir()
    session = find_takes(session_folder)
    assert list(_found(session)) == ["b"]
    assert session.notes == ("c.wav: is a folder that is named like a sound file, and no take",)


def test_one_file(tmp_path: Path) -> None:
    """Named as it is within its folder; of a pair, the other half comes along."""
    _folder(tmp_path, stereo="a.wav|a.flac|b.wav", mono="c_L.wav|c_R.wav")
    assert _found(find_takes(tmp_path / "b.wav")) == {"b": ("b.wav",)}
    assert _found(find_takes(tmp_path / "a.wav")) == {"a.wav": ("a.wav",)}
    assert _found(find_takes(tmp_path / "c_R.wav")) == {"c": ("c_L.wav", "c_R.wav")}
    assert find_takes(tmp_path / "b.wav").folder == tmp_path


def test_one_hidden_file_if_asked_for(tmp_path: Path) -> None:
    """Whoever names it wants it."""
    _folder(tmp_path, stereo=".take.wav")
    assert _found(find_takes(tmp_path / ".take.wav")) == {".take": (".take.wav",)}


def test_one_file_that_is_no_sound(tmp_path: Path) -> None:
    """Refused by its ending, with those that are taken."""
    _folder(tmp_path, other="notes.txt")
    with pytest.raises(SessionError, match=r"notes\.txt: is no sound file by its ending; .*\.flac"):
        find_takes(tmp_path / "notes.txt")


def test_subfolders_only_if_asked(tmp_path: Path) -> None:
    """Each a session of its own, its path kept; hidden ones left alone."""
    _folder(tmp_path, stereo="a.wav")
    _folder(tmp_path / "day 10", stereo="a.wav", mono="b-1.wav|b-2.wav")
    _folder(tmp_path / "day 2" / "evening", stereo="a.wav|a.flac")
    _folder(tmp_path / ".trash", stereo="z.wav")
    assert list(_found(find_takes(tmp_path))) == ["a"]
    deep = find_takes(tmp_path, deep=True)
    assert [take.name for take in deep.takes] == [
        "a",
        "day 2/evening/a.flac",
        "day 2/evening/a.wav",
        "day 10/a",
        "day 10/b",
    ]
    assert [take.folder.as_posix() for take in deep.takes] == [
        ".",
        "day 2/evening",
        "day 2/evening",
        "day 10",
        "day 10",
    ]


def test_results_are_never_takes(tmp_path: Path) -> None:
    """Neither the folder of this run, nor any with a log of ours, nor what a log in the session names."""
    _folder(tmp_path, stereo="a.wav")
    _folder(tmp_path / "night", stereo="b.wav")
    _folder(tmp_path / "mixes" / "warm", stereo="a.wav")
    _folder(tmp_path / "older" / "warm", stereo="a.wav")
    (tmp_path / "older" / "log.jsonl").write_text("{}\n")
    _folder(tmp_path / "warm", stereo="a.wav")
    _folder(tmp_path / "bright", stereo="a.wav")
    lines = [
        json.dumps({"output": "warm/a.wav"}),
        json.dumps({"output": str(tmp_path.resolve() / "bright" / "a.wav")}),
        json.dumps({"output": "a.wav"}),
        json.dumps({"output": None}),
        json.dumps({"output": "../elsewhere/a.wav"}),
        "[1]",
        '{"output": "ni',
    ]
    (tmp_path / "log.jsonl").write_text("\n".join(lines))
    session = find_takes(tmp_path, deep=True, output=tmp_path / "mixes")
    assert list(_found(session)) == ["a", "night/b"]


def test_links_in_a_circle_end(tmp_path: Path) -> None:
    """Every folder once."""
    _folder(tmp_path / "day", stereo="a.wav")
    try:
        (tmp_path / "day" / "again").symlink_to(tmp_path, target_is_directory=True)
    except OSError:
        pytest.skip("this system makes no links for us")
    assert list(_found(find_takes(tmp_path, deep=True))) == ["day/a"]


def test_nothing_there(tmp_path: Path) -> None:
    """A reason and a way out for each case."""
    with pytest.raises(SessionError, match=r"gone: there is no such folder or file; check the name"):
        find_takes(tmp_path / "gone")
    empty = _folder(tmp_path / "empty")
    with pytest.raises(
        SessionError, match="there are no takes in it; a take is a sound file with two channels"
    ):
        find_takes(empty)
    papers = _folder(tmp_path / "papers", other="a.txt|b.txt|c.txt|d.txt|e.txt")
    with pytest.raises(SessionError, match=r"no sound by their endings: a\.txt, b\.txt, c\.txt and 2 more"):
        find_takes(papers)
    with pytest.raises(SessionError, match="there are no takes in it"):
        find_takes(papers, deep=True)
    _folder(papers / "monday", stereo="a.wav")
    with pytest.raises(SessionError, match="there is sound in monday: name that folder, or add --deep"):
        find_takes(papers)


def test_folders_that_cannot_be_looked_into(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The session: an error. One below it: said, and the others are taken."""
    _folder(tmp_path, stereo="a.wav")
    _folder(tmp_path / "closed", stereo="b.wav")
    real = Path.iterdir

    def refuse(path: Path) -> object:
        if path.name == "closed":
            raise PermissionError(13, "Permission denied")
        return real(path)

    monkeypatch.setattr(Path, "iterdir", refuse)
    session = find_takes(tmp_path, deep=True)
    assert list(_found(session)) == ["a"]
    assert session.notes == (
        f"{tmp_path / 'closed'}: cannot be looked into (Permission denied); it was passed over",
    )
    with pytest.raises(SessionError, match=r"closed: cannot be looked into \(Permission denied\)"):
        find_takes(tmp_path / "closed")


def test_a_file_that_vanishes_meanwhile_is_no_half_of_a_pair(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It stays a take, and fails when it is rendered."""
    _folder(tmp_path, mono="a_L.wav|a_R.wav")

    def refuse(path: Path) -> object:
        raise TakeError(path, "is not there")

    monkeypatch.setattr("render.session.takes.read_header", refuse)
    assert list(_found(find_takes(tmp_path))) == ["a_L", "a_R"]


def test_relative_session_keeps_relative_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Paths in messages look as they were typed."""
    _folder(tmp_path / "day", stereo="a.wav")
    monkeypatch.chdir(tmp_path)
    take = find_takes(Path("day")).takes[0]
    assert take == Take((Path("day") / "a.wav",), "a", PurePath())
    assert find_takes(Path("day") / "a.wav").takes[0] == take


def test_natural_key_counts() -> None:
    """As a reader would put them."""
    names = ["b", "a10", "A2", "a02b", "a2a", "10", "9", "a"]
    assert sorted(names, key=natural_key) == ["9", "10", "a", "A2", "a2a", "a02b", "a10", "b"]


def test_pipes_do_not_hang(tmp_path: Path) -> None:
    """Something under a sound file's name that is no file."""
    if not hasattr(os, "mkfifo"):
        pytest.skip("no such thing on this system")
    _folder(tmp_path, stereo="a.wav")
    os.mkfifo(tmp_path / "b.wav")
    session = find_takes(tmp_path)
    assert list(_found(session)) == ["a"]
    assert "b.wav: is no file" in session.notes[0]
