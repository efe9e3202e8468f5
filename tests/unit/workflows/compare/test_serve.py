"""The server hands out the page and its sounds, to this machine, and nothing else."""

from __future__ import annotations

import http.client
from collections.abc import Iterator
from pathlib import Path
from threading import Thread

import pytest

from render.workflows.compare.serve import PageServer

SOUND = "a" * 32


@pytest.fixture
def server(tmp_path: Path) -> Iterator[PageServer]:
    """Over a folder with a page, a sound, and things that are nobody's business."""
    folder = tmp_path / "listen"
    (folder / "sound").mkdir(parents=True)
    (folder / ".kept").mkdir()
    (folder / "index.html").write_text("<title>page</title>", encoding="utf-8")
    (folder / "compare.json").write_text("{}", encoding="utf-8")
    (folder / "sound" / f"{SOUND}.js").write_text("sound()", encoding="utf-8")
    (folder / "sound" / "other.js").write_text("other()", encoding="utf-8")
    (folder / ".kept" / "mix.npy").write_text("mix", encoding="utf-8")
    (tmp_path / "secret.txt").write_text("secret", encoding="utf-8")
    (folder / "sound" / f"{'b' * 32}.js").symlink_to(tmp_path / "secret.txt")
    with PageServer(folder) as started:
        thread = Thread(target=started.serve_forever, args=(0.02,))
        thread.start()
        yield started
        started.shutdown()
        thread.join()


def ask(
    server: PageServer, path: str, *, method: str = "GET", host: str | None = None
) -> tuple[int, str, dict[str, str]]:
    """Status, text and headers of an answer."""
    connection = http.client.HTTPConnection("127.0.0.1", server.server_port, timeout=10)
    try:
        connection.request(method, path, headers={} if host is None else {"Host": host})
        answer = connection.getresponse()
        return answer.status, answer.read().decode(), dict(answer.getheaders())
    finally:
        connection.close()


def test_loopback_and_a_port_of_its_own(server: PageServer) -> None:
    """Nobody else on the network reaches it."""
    assert server.server_address[0] == "127.0.0.1"
    assert server.server_port > 0
    assert server.address == f"http://127.0.0.1:{server.server_port}/"


@pytest.mark.parametrize("path", ["/", "/index.html", "/?again"])
def test_the_page(server: PageServer, path: str) -> None:
    """As HTML."""
    status, text, headers = ask(server, path)
    assert (status, text) == (200, "<title>page</title>")
    assert headers["Content-Type"] == "text/html; charset=utf-8"
    assert headers["X-Content-Type-Options"] == "nosniff"


def test_its_sounds(server: PageServer) -> None:
    """As scripts, which they are."""
    status, text, headers = ask(server, f"/sound/{SOUND}.js")
    assert (status, text) == (200, "sound()")
    assert headers["Content-Type"] == "text/javascript; charset=utf-8"
    assert ask(server, f"/sound/{SOUND}.js", method="HEAD")[:2] == (200, "")


@pytest.mark.parametrize(
    "path",
    ["/sound/", "/sound", "/compare.json", "/.kept/mix.npy", "/.kept/", "/sound/other.js", "/../secret.txt",
     "/sound/../../secret.txt", "/%2e%2e/secret.txt", f"/sound/{'b' * 32}.js", f"/sound/{'c' * 32}.js", "//etc/passwd"],
)  # fmt: skip
def test_nothing_else(server: PageServer, path: str) -> None:
    """No listing, no other file, no link out of the folder."""
    status, text, _ = ask(server, path)
    assert status == 404
    assert "secret" not in text.lower()


def test_no_other_name(server: PageServer) -> None:
    """A page elsewhere that had its own name lead here gets nothing."""
    assert ask(server, "/", host="evil.example")[0] == 404
    assert ask(server, "/", host=f"localhost:{server.server_port}")[0] == 200


def test_no_other_method(server: PageServer) -> None:
    """Reading only."""
    assert ask(server, "/", method="POST")[0] == 501
