"""The page from a server that only this machine reaches, and that hands out nothing but the page and its sounds."""

from __future__ import annotations

import re
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import BinaryIO

HOST = "127.0.0.1"
_SOUND = re.compile(r"/sound/[0-9a-f]{32}\.js")
_PIECE = 1 << 16


class PageServer(ThreadingHTTPServer):
    """Serves one folder's page on a port of the system's choice.

    Parameters
    ----------
    folder : Path
        With `index.html`, and the folder `sound` if there is one.
    """

    daemon_threads = True
    allow_reuse_address = False

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()
        super().__init__((HOST, 0), _Handler)

    @property
    def address(self) -> str:
        """Where a browser finds it."""
        return f"http://{HOST}:{self.server_port}/"


class _Handler(BaseHTTPRequestHandler):
    """Answers for the page and its sounds, and for nothing else."""

    server: PageServer
    server_version = "drytake"
    sys_version = ""
    protocol_version = "HTTP/1.0"

    def do_GET(self) -> None:
        """A file, or that there is none."""
        self._answer(with_body=True)

    def do_HEAD(self) -> None:
        """The same without the file."""
        self._answer(with_body=False)

    def log_message(self, *_arguments: object) -> None:
        """Say nothing."""

    def _answer(self, *, with_body: bool) -> None:
        path = self._file()
        if path is None:
            self.send_error(HTTPStatus.NOT_FOUND)
            return
        try:
            with path.open("rb") as file:
                self._send(file, path, with_body=with_body)
        except OSError:  # gone, or whoever asked has gone
            self.close_connection = True

    def _file(self) -> Path | None:
        """The file that is asked for; by this machine's name only, so that no other page can ask."""
        host = self.headers.get("Host", "")
        if host not in (f"{HOST}:{self.server.server_port}", f"localhost:{self.server.server_port}"):
            return None
        asked = self.path.partition("?")[0]
        if asked in ("/", "/index.html"):
            path = self.server.folder / "index.html"
        elif _SOUND.fullmatch(asked):
            path = self.server.folder / asked[1:]
        else:
            return None
        return path if path.is_file() and path.resolve().is_relative_to(self.server.folder) else None

    def _send(self, file: BinaryIO, path: Path, *, with_body: bool) -> None:
        kind = "text/html" if path.suffix == ".html" else "text/javascript"
        self.send_response(HTTPStatus.OK)
        self.send_header("Content-Type", f"{kind}; charset=utf-8")
        self.send_header("Content-Length", str(path.stat().st_size))
        self.send_header("X-Content-Type-Options", "nosniff")
        self.send_header("Referrer-Policy", "no-referrer")
        self.send_header("Cache-Control", "no-store")
        self.end_headers()
        if with_body:
            while piece := file.read(_PIECE):
                self.wfile.write(piece)
