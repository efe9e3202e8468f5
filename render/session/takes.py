"""A folder of takes: which files belong together, what the mixes of them are called, what is left alone."""

from __future__ import annotations

import json
import os
import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePath

from render.audio.decode import read_header
from render.errors import SessionError, TakeError

# What the sound-file library reads and a recorder or a player may have written.
SOUND_SUFFIXES = frozenset(
    {
        *(".wav", ".wave", ".bwf", ".rf64", ".w64"),
        *(".aif", ".aiff", ".aifc", ".caf", ".au", ".snd"),
        *(".flac", ".ogg", ".oga", ".opus", ".mp3"),
    }
)
# The log that every output folder holds.
LOG_NAME = "log.jsonl"

# Endings that make a pair: a hyphen or an underscore and 1 or 2, or L or R. Nothing less: "take 1" and
# "take 2", "song1" and "song2" are two takes.
_PAIR_ENDING = re.compile(r"(?P<stem>.+)(?P<separator>[-_])(?P<side>[12lr])", re.IGNORECASE)
_NUMBER_ENDING = re.compile(r"(?P<stem>.+)(?P<separator>[-_])(?P<number>\d+)")


@dataclass(frozen=True)
class Take:
    """One capture: a file, or two mono files of channel 1 and channel 2.

    Attributes
    ----------
    files : one or two paths
    output_stem : str
        What its mixes are called, without the ending: its folder within the session, and its name. Unique in
        the session, however a file system compares letters.
    folder : PurePath
        Where the files lie in the session folder; "." if directly in it. Takes of one folder are a session
        of their own.
    """

    files: tuple[Path, ...]
    output_stem: str
    folder: PurePath = field(default_factory=PurePath)

    @property
    def name(self) -> str:
        """What it is called in tables and logs."""
        return self.output_stem


@dataclass(frozen=True)
class Session:
    """What was found.

    Attributes
    ----------
    folder : Path
        The session folder; that of the file if one file was named.
    takes : tuple of Take
        In natural order ("take 2" before "take 10"), folder by folder.
    notes : tuple of str
        What a user should know: files that may belong together but cannot be told apart, and the like.
    ignored : tuple of Path
        Files that are no sound.
    """

    folder: Path
    takes: tuple[Take, ...]
    notes: tuple[str, ...] = ()
    ignored: tuple[Path, ...] = ()


def find_takes(session: Path, *, deep: bool = False, output: Path | None = None) -> Session:
    """Look through a session: a folder of takes, or one file.

    Parameters
    ----------
    session : Path
        Of one file of a mono pair, the other is found beside it.
    deep : bool
        Take subfolders as sessions of their own.
    output : Path, optional
        Folder of the results. It and every folder with a log of ours in it are never looked into.

    Returns
    -------
    Session
        With at least one take. Sound files that cannot be rendered (a single mono file, a damaged one) are
        takes too: they fail by themselves later, and are not passed over in silence.

    Raises
    ------
    SessionError
        If there is no such folder, it may not be read, or there is no take in it.
    """
    if not session.exists():
        raise SessionError(f"{session}: there is no such folder or file; check the name")
    if session.is_file():
        return _single_file(session)
    found = [_in_folder(session, PurePath())]
    notes: list[str] = []
    for folder in _subfolders(session, output) if deep else ():
        try:
            found.append(_in_folder(folder, PurePath(folder.relative_to(session))))
        except SessionError as error:
            notes.append(f"{error}; it was passed over")
    if not deep:
        notes += _not_looked_at(session, output)
    result = Session(
        folder=session,
        takes=tuple(take for part in found for take in part.takes),
        notes=tuple(text for part in found for text in part.notes) + tuple(notes),
        ignored=tuple(path for part in found for path in part.ignored),
    )
    if not result.takes:
        raise SessionError(_nothing_found(session, result, deep=deep))
    return result


def natural_key(name: str) -> tuple[tuple[int, int | str], ...]:
    """Sort key that counts: "take 2" before "take 10"; capital and small letters alike."""
    parts = re.split(r"([0-9]+)", _folded(name))
    return tuple((0, int(part)) if index % 2 else (1, part) for index, part in enumerate(parts))


def _single_file(file: Path) -> Session:
    """The take that a file belongs to, named as it would be among the others of its folder."""
    if file.suffix.lower() not in SOUND_SUFFIXES:
        raise SessionError(
            f"{file}: is no sound file by its ending; name a folder of takes, or a file that ends in "
            f"{', '.join(sorted(SOUND_SUFFIXES))}"
        )
    for take in _in_folder(file.parent, PurePath()).takes:
        if any(path.name == file.name for path in take.files):
            return Session(folder=file.parent, takes=(take,))
    return Session(folder=file.parent, takes=(Take((file,), file.stem),))


def _in_folder(folder: Path, relative: PurePath) -> Session:
    """Takes that lie directly in a folder."""
    try:
        entries = sorted(folder.iterdir(), key=lambda path: (natural_key(path.name), path.name))
    except OSError as error:
        raise SessionError(f"{folder}: cannot be looked into ({error.strerror or error})") from error
    notes: list[str] = []
    sounds: list[Path] = []
    ignored: list[Path] = []
    for path in entries:
        if path.name.startswith("."):
            continue
        if path.is_dir():
            if path.suffix.lower() in SOUND_SUFFIXES:
                notes.append(f"{path.name}: is a folder that is named like a sound file, and no take")
            continue
        if path.suffix.lower() not in SOUND_SUFFIXES:
            ignored.append(path)
        elif path.is_file():
            sounds.append(path)
        else:
            notes.append(f"{path}: is no file, or leads to one that is not there; it was passed over")
    pairs, doubts = _pairs(sounds)
    paired = {path for pair in pairs for path in pair}
    named: list[tuple[tuple[Path, ...], str]] = [(pair, _stem_of_pair(pair[0])) for pair in pairs]
    named += [((path,), path.stem) for path in sounds if path not in paired]
    named.sort(key=lambda found: (natural_key(found[0][0].name), found[0][0].name))
    stems = _told_apart([stem for _, stem in named], [files[0].name for files, _ in named])
    takes = [
        Take(files, (relative / stem).as_posix(), relative)
        for (files, _), stem in zip(named, stems, strict=True)
    ]
    return Session(folder, tuple(takes), tuple(notes + doubts), tuple(ignored))


def _pairs(sounds: Sequence[Path]) -> tuple[list[tuple[Path, Path]], list[str]]:
    """Mono files whose names differ only by a pair's ending; and those of which it cannot be told."""
    candidates: dict[tuple[str, str, str, str], list[tuple[str, Path]]] = defaultdict(list)
    numbered: dict[tuple[str, str, str], list[Path]] = defaultdict(list)
    for path in sounds:
        if match := _NUMBER_ENDING.fullmatch(path.stem):
            numbered[match["stem"], match["separator"], path.suffix.lower()].append(path)
        if match := _PAIR_ENDING.fullmatch(path.stem):
            side = match["side"].upper()
            kind = "numbers" if side in "12" else "letters"
            key = (match["stem"], match["separator"], kind, path.suffix.lower())
            candidates[key].append((side, path))
    pairs: list[tuple[Path, Path]] = []
    doubts: list[str] = []
    for (stem, separator, kind, suffix), members in candidates.items():
        ordered = sorted(members, key=lambda member: member[0])
        sides = "".join(side for side, _ in ordered)
        if len(set(sides)) < 2 or not all(_is_mono(path) for _, path in ordered):
            continue
        files = [path for _, path in ordered]
        siblings = numbered[stem, separator, suffix] if kind == "numbers" else files
        if len(files) == 2 and len(siblings) == 2:
            pairs.append((files[0], files[1]))
        else:
            doubts.append(_doubt(siblings))
    return pairs, doubts


def _doubt(files: Iterable[Path]) -> str:
    names = ", ".join(path.name for path in files)
    return (
        f"{names}: which two of them belong together cannot be told, so none were joined; name the two "
        "sources of each take alike but for _L and _R"
    )


def _is_mono(path: Path) -> bool:
    """Whether it is a sound file of one channel; a damaged one is not, and says why when it is rendered."""
    try:
        return read_header(path).channels == 1
    except TakeError:
        return False


def _stem_of_pair(file: Path) -> str:
    match = _PAIR_ENDING.fullmatch(file.stem)
    return match["stem"] if match else file.stem


def _told_apart(stems: Sequence[str], file_names: Sequence[str]) -> list[str]:
    """Let names that would collide keep their old ending; and count, where even that is the same.

    Compared as the most forgetful file system would: letters' case and the way of writing accents left out.
    """
    told = list(stems)
    while clashing := [index for index in _clashing(told) if told[index] != file_names[index]]:
        for index in clashing:
            told[index] = file_names[index]
    used: set[str] = set()
    for index, stem in enumerate(told):
        count = 1
        while _folded(told[index]) in used:
            count += 1
            told[index] = f"{stem} ({count})"
        used.add(_folded(told[index]))
    return told


def _clashing(stems: Sequence[str]) -> list[int]:
    """Indices of names that are not alone."""
    places: dict[str, list[int]] = defaultdict(list)
    for index, stem in enumerate(stems):
        places[_folded(stem)].append(index)
    return [index for group in places.values() if len(group) > 1 for index in group]


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def _not_looked_at(session: Path, output: Path | None) -> list[str]:
    """A word on subfolders with sound in them."""
    with_sound = [
        folder.relative_to(session).as_posix()
        for folder in _subfolders(session, output)
        if any(path.suffix.lower() in SOUND_SUFFIXES for path in folder.iterdir())
    ]
    if not with_sound:
        return []
    names = ", ".join(with_sound[:3]) + (f" and {len(with_sound) - 3} more" if len(with_sound) > 3 else "")
    return [f"not looked at: {names}; add --deep for subfolders"]


def _subfolders(session: Path, output: Path | None) -> list[Path]:
    """All folders below the session's, without hidden ones and those that hold results."""
    results = {output.resolve()} if output is not None else set()
    results |= _folders_in_log(session)
    folders: list[Path] = []
    seen: set[Path] = set()
    for place, names, files in os.walk(session, followlinks=True):
        folder = Path(place)
        real = folder.resolve()
        if real in seen or (folder != session and (LOG_NAME in files or real in results)):
            names.clear()
            continue
        seen.add(real)
        names[:] = [name for name in names if not name.startswith(".")]
        folders.append(folder)
    below = [folder for folder in folders if folder != session]
    return sorted(below, key=lambda folder: [natural_key(part) for part in folder.relative_to(session).parts])


def _folders_in_log(session: Path) -> set[Path]:
    """Where results lie that were written straight into the session folder, as its log tells."""
    folders: set[Path] = set()
    try:
        lines = (session / LOG_NAME).read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return folders
    for line in lines:
        try:
            output = json.loads(line)["output"]
        except (ValueError, KeyError, TypeError):
            continue  # not a line of ours, or half a line
        if isinstance(output, str):
            below = session.resolve() / output
            inside = (
                below.relative_to(session.resolve()).parts if below.is_relative_to(session.resolve()) else ()
            )
            if len(inside) > 1:
                folders.add(session.resolve() / inside[0])
    return folders


def _nothing_found(session: Path, result: Session, *, deep: bool) -> str:
    """Why there is no take, and what to do."""
    text = f"{session}: there are no takes in it"
    if result.ignored:
        names = ", ".join(path.name for path in result.ignored[:3])
        more = f" and {len(result.ignored) - 3} more" if len(result.ignored) > 3 else ""
        text += f" (no sound by their endings: {names}{more})"
    if not deep:
        for folder in sorted(path for path in session.iterdir() if path.is_dir() and path.name[0] != "."):
            if any(path.suffix.lower() in SOUND_SUFFIXES for path in folder.glob("*")):
                return f"{text}; there is sound in {folder.name}: name that folder, or add --deep"
    return f"{text}; a take is a sound file with two channels, or two mono files that end in -1 and -2 or _L and _R"
