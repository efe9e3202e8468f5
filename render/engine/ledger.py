"""What is done already: one line of JSON a render in `log.jsonl`, only ever added to.

The same file tells a person what happened and tells the next run what it may leave alone: a mix is kept if a line
has the same identity (input, recipe, impulse responses, gain, passage, version: all by content) and the file it
names is still the one that was written.
"""

from __future__ import annotations

import hashlib
import json
import os
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from render.errors import OutputError
from render.session.takes import LOG_NAME

NEEDED = {
    "identity",
    "mix_identity",
    "output",
    "output_bytes",
    "output_modified_ns",
    "gain_db",
    "loudness_before_lufs",
    "level_set_by",
    "session_gain_db",
    "session_takes",
    "session_identity",
}

Line = dict[str, Any]


def identity_of(parts: Mapping[str, object]) -> str:
    """SHA-256 of everything that decides a mix's bytes, order of keys aside."""
    text = json.dumps(parts, sort_keys=True, separators=(",", ":"), default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def sha256_of_file(path: Path) -> str:
    """SHA-256 of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


class Ledger:
    """The log of one output folder; may be written from several threads."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.path = folder / LOG_NAME
        self._lock = threading.Lock()
        self._by_identity: dict[str, Line] = {}
        self._by_mix: dict[str, Line] = {}
        self._by_output: dict[str, Line] = {}
        self._newest: dict[str, Line] = {}
        self._aligned: dict[str, dict[str, Line]] = {}
        self._by_session: dict[str, Line] = {}
        self._torn = False
        self._load()

    def kept(self, identity: str) -> Line | None:
        """Line of a finished render of this identity whose file is still there unchanged, else None."""
        line = self._by_identity.get(identity)
        if line is None:
            return None
        output = self.folder / line["output"]
        try:
            status = output.stat()
        except OSError:
            return None
        same = (status.st_size, status.st_mtime_ns) == (line["output_bytes"], line["output_modified_ns"])
        return line if same else None

    def foreign(self, output: str, *, input_sha256: str, input_files: list[str]) -> list[str] | None:
        """Files of another capture whose mix has this name and is still there, else None.

        Another capture has other contents and lies elsewhere: the same file recorded over, or moved, is no other.
        """
        line = self._by_output.get(output)
        if line is None or line.get("input_sha256") == input_sha256 or line.get("input_files") == input_files:
            return None
        return list(line.get("input_files", [])) if (self.folder / output).exists() else None

    def mixed(self, mix_identity: str) -> Line | None:
        """Newest line of a render of the same linear mix, whatever its gain was, else None."""
        return self._by_mix.get(mix_identity)

    def levelled(self, session_identity: str) -> Line | None:
        """Newest line of a session that was levelled as a whole, with its gain, else None."""
        return self._by_session.get(session_identity)

    def aligned(self, session_identity: str) -> list[Line]:
        """What takes of a session were moved by as they measured themselves, the newest of each."""
        return list(self._aligned.get(session_identity, {}).values())

    def standing(self) -> list[Line]:
        """Newest line of every output, of failures too, as long as its mix, or the capture that failed, is there."""

        def stands(line: Line) -> bool:
            if line["status"] == "failed":
                return all(Path(file).exists() for file in line.get("input_files", []))
            return Path(self.folder, line["output"]).exists()

        return [line for line in self._newest.values() if stands(line)]

    def add(self, line: Line) -> None:
        """Write one line at once, so that whatever happens next it is whole."""
        text = json.dumps(line, ensure_ascii=False, allow_nan=False) + "\n"
        with self._lock:
            try:
                with self.path.open("a", encoding="utf-8", newline="\n") as file:
                    if self._torn:
                        file.write("\n")
                        self._torn = False
                    file.write(text)
                    file.flush()
                    os.fsync(file.fileno())
            except OSError as error:
                raise OutputError(
                    f"{self.path}: cannot be written: {error.strerror}; choose another folder with -o"
                ) from error
            self._remember(dict(line))

    def _load(self) -> None:
        try:
            data = self.path.read_bytes()
        except FileNotFoundError:
            return
        except NotADirectoryError as error:
            raise OutputError(f"{self.folder}: is a file; choose another folder with -o") from error
        except OSError as error:
            raise OutputError(f"{self.path}: cannot be read: {error.strerror}") from error
        self._torn = bool(data) and not data.endswith(b"\n")
        for text in data.decode("utf-8", "replace").splitlines():
            try:
                line = json.loads(text)
            except ValueError:
                continue  # the torn line of a run that was killed: that render is simply done again
            if isinstance(line, dict):
                self._remember(line)

    def _remember(self, line: Line) -> None:
        if line.get("status") in ("done", "kept", "failed") and isinstance(line.get("output"), str):
            self._newest[line["output"]] = line
        if line.get("status") in ("done", "kept") and set(line) >= NEEDED:
            self._by_identity[line["identity"]] = line
            self._by_mix[line["mix_identity"]] = line
            self._by_output[line["output"]] = line
            alignment = line.get("alignment")
            if alignment and alignment["delay_from"] == "take" and line["session_identity"] is not None:
                self._aligned.setdefault(line["session_identity"], {})[line["take"]] = alignment
            if line["session_takes"] > 1 and line["session_identity"] is not None:
                self._by_session[line["session_identity"]] = line
