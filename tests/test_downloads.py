"""Downloads: go on where they stopped, take nothing wrong, end in one sentence. The server is on this machine."""

from __future__ import annotations

import hashlib
import json
import re
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from swaptable.basics.downloads import DownloadError, Limits, check_url, fetch
from swaptable.basics.errors import SwaptableError

CONTENT = bytes(range(256)) * 4096  # 1 MiB
OTHER = CONTENT[::-1]
SHA256 = hashlib.sha256(CONTENT).hexdigest()
HALF = len(CONTENT) // 2
QUICK = Limits(size=4 * len(CONTENT), connect=2, silence=2)


class Server(ThreadingHTTPServer):
    """A server whose answers depend on the path; it remembers what it was asked."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Handler)
        self.asked: list[tuple[str, str]] = []
        self.cuts = 1  # how many answers of /cut break off
        self.content = CONTENT

    def url(self, path: str) -> str:
        """Give the address of a path."""
        return f"http://127.0.0.1:{self.server_address[1]}/{path}"

    def handle_error(self, request: object, client_address: object) -> None:
        """Say nothing of clients that went away."""


class Handler(BaseHTTPRequestHandler):
    """Answers as good and bad servers do."""

    server: Server

    def log_message(self, *_: object) -> None:
        """Say nothing."""

    def do_GET(self) -> None:
        """Answer by the first word of the path."""
        word = self.path.strip("/").split("/")[0]
        self.server.asked.append((word, self.headers.get("Range", "")))
        getattr(self, f"answer_{word}", self.answer_missing)()

    def _tag(self) -> str:
        return f'"{hashlib.sha256(self.server.content).hexdigest()[:8]}"'

    def _send(self, *, ranges: bool = True, tag: str | None = None, stop: int | None = None, pause: float = 0) -> None:
        content, start = self.server.content, 0
        tag = self._tag() if tag is None else tag
        asked = re.fullmatch(r"bytes=(\d+)-", self.headers.get("Range", ""))
        same = self.headers.get("If-Range", tag) == tag
        if asked and ranges and same:
            start = int(asked[1])
            if start >= len(content):
                self.send_response(416)
                self.send_header("Content-Range", f"bytes */{len(content)}")
                self.send_header("Content-Length", "0")
                self.end_headers()
                return
            self.send_response(206)
            self.send_header("Content-Range", f"bytes {start}-{len(content) - 1}/{len(content)}")
        else:
            self.send_response(200)
        self.send_header("Content-Length", str(len(content) - start))
        if tag:
            self.send_header("ETag", tag)
        self.end_headers()
        for at in range(start, len(content) if stop is None else stop, 1 << 15):
            self.wfile.write(content[at : min(at + (1 << 15), stop or len(content))])
            self.wfile.flush()
            time.sleep(pause)
        if stop is not None:
            self.close_connection = True

    def answer_good(self) -> None:
        """Send the file, or the range asked for."""
        self._send()

    def answer_cut(self) -> None:
        """Break off half-way, as often as told, then be good."""
        self.server.cuts -= 1
        start = int(re.sub(r"\D", "", self.headers.get("Range", "")) or 0)
        self._send(stop=start + (len(CONTENT) - start) // 2 if self.server.cuts >= 0 else None)

    def answer_dumb(self) -> None:
        """Break off half-way, and know no ranges."""
        self.server.cuts -= 1
        self._send(ranges=False, stop=HALF if self.server.cuts >= 0 else None)

    def answer_nameless(self) -> None:
        """Break off half-way, and say nothing by which the file could be known again."""
        self.server.cuts -= 1
        self._send(tag="", stop=HALF if self.server.cuts >= 0 else None)

    def answer_slow(self) -> None:
        """Take some seconds."""
        self._send(pause=0.1)

    def answer_careless(self) -> None:
        """Send a range of whatever file there is now, although the client asked for one of the file before."""
        del self.headers["If-Range"]
        self._send()

    def answer_short(self) -> None:
        """Send half of the file and call it the whole."""
        self.server.content = CONTENT[:HALF]
        self._send()

    def answer_broken(self) -> None:
        """Be out of order."""
        self.send_error(500)

    def answer_missing(self) -> None:
        """Know of no such file."""
        self.send_error(404)

    def answer_moved(self) -> None:
        """Lead to the file."""
        self._lead("/good/foods.zip")

    def answer_circle(self) -> None:
        """Lead to itself."""
        self._lead("/circle/foods.zip")

    def answer_plain(self) -> None:
        """Lead out without encryption."""
        self._lead("http://example.invalid/foods.zip")

    def _lead(self, target: str) -> None:
        self.send_response(302)
        self.send_header("Location", target)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def answer_large(self) -> None:
        """Announce more than anybody wants."""
        self.send_response(200)
        self.send_header("Content-Length", str(10**12))
        self.end_headers()

    def answer_endless(self) -> None:
        """Never end, and announce nothing."""
        self.send_response(200)
        self.end_headers()
        while True:
            self.wfile.write(CONTENT)

    def answer_packed(self) -> None:
        """Pack what nobody asked to be packed."""
        self.send_response(200)
        self.send_header("Content-Encoding", "gzip")
        self.send_header("Content-Length", "0")
        self.end_headers()

    def answer_silent(self) -> None:
        """Say nothing for long."""
        time.sleep(5)


@pytest.fixture
def server() -> Iterator[Server]:
    """Serve on this machine while a test runs."""
    running = Server()
    thread = threading.Thread(target=running.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    yield running
    running.shutdown()
    running.server_close()
    thread.join()


def left(folder: Path) -> set[str]:
    """Name what lies in a folder, but for the lock."""
    return {path.name for path in folder.iterdir() if not path.name.startswith("lock")}


@pytest.mark.parametrize("path", ["good", "moved"])
def test_a_file_is_fetched_and_checked(server: Server, tmp_path: Path, path: str) -> None:
    """A file comes whole, also from where a server leads, and nothing else is left; the second time nobody is asked."""
    found = fetch(server.url(path), tmp_path, "foods.zip", sha256=SHA256, limits=QUICK)
    assert found.read_bytes() == CONTENT
    assert left(tmp_path) == {"foods.zip"}
    asked = len(server.asked)
    assert fetch(server.url(path), tmp_path, "foods.zip", sha256=SHA256, limits=QUICK) == found
    assert len(server.asked) == asked


@pytest.mark.parametrize("sha256", [SHA256, ""], ids=["hash known", "hash unknown"])
@pytest.mark.parametrize("cuts", [1, 3])
def test_a_connection_that_breaks_is_taken_up_where_it_broke(
    server: Server, tmp_path: Path, cuts: int, sha256: str
) -> None:
    """As long as every connection brings something the download goes on by itself, each time from where it stopped."""
    server.cuts = cuts
    found = fetch(server.url("cut"), tmp_path, "foods.zip", sha256=sha256, limits=QUICK)
    assert found.read_bytes() == CONTENT
    starts = [int(asked.removeprefix("bytes=").rstrip("-") or 0) for _, asked in server.asked]
    assert len(starts) == cuts + 1
    assert starts == sorted(set(starts))
    assert starts[1] == HALF


def test_a_download_that_broke_goes_on_at_the_next_start(server: Server, tmp_path: Path) -> None:
    """What came is kept and named; the next start asks for the rest alone."""
    server.cuts = 1
    with pytest.raises(DownloadError, match=rf"stopped after {HALF:,} bytes .*kept in .*foods\.zip\.part: start again"):
        fetch(server.url("cut"), tmp_path, "foods.zip", limits=Limits(attempts=1))
    assert (tmp_path / "foods.zip.part").stat().st_size == HALF
    assert not (tmp_path / "foods.zip").exists()
    assert fetch(server.url("cut"), tmp_path, "foods.zip", limits=QUICK).read_bytes() == CONTENT
    assert server.asked[-1] == ("cut", f"bytes={HALF}-")
    assert left(tmp_path) == {"foods.zip"}


@pytest.mark.parametrize("path", ["dumb", "nameless"])
def test_where_nothing_can_be_gone_on_with_it_begins_anew(server: Server, tmp_path: Path, path: str) -> None:
    """A server without ranges, or one that cannot say whether its file is the same, gives the whole again."""
    with pytest.raises(DownloadError):
        fetch(server.url(path), tmp_path, "foods.zip", limits=Limits(attempts=1))
    assert fetch(server.url(path), tmp_path, "foods.zip", limits=QUICK).read_bytes() == CONTENT


@pytest.mark.parametrize("path", ["cut", "careless"])
@pytest.mark.parametrize("shorter", [False, True], ids=["as long", "shorter"])
def test_parts_of_two_files_are_never_put_together(server: Server, tmp_path: Path, path: str, shorter: bool) -> None:
    """If the file on the server has changed meanwhile, all of the new one is fetched."""
    with pytest.raises(DownloadError):
        fetch(server.url("cut"), tmp_path, "foods.zip", limits=Limits(attempts=1))
    about = tmp_path / "foods.zip.part.json"
    about.write_text(json.dumps(json.loads(about.read_text()) | {"url": server.url(path)}))
    server.content = OTHER[: HALF // 2] if shorter else OTHER
    assert fetch(server.url(path), tmp_path, "foods.zip", limits=QUICK).read_bytes() == server.content


def test_a_part_that_is_the_whole_already_is_taken(server: Server, tmp_path: Path) -> None:
    """A start that was killed between the last byte and the move finds all there."""
    with pytest.raises(DownloadError):
        fetch(server.url("cut"), tmp_path, "foods.zip", limits=Limits(attempts=1))
    (tmp_path / "foods.zip.part").write_bytes(CONTENT)
    assert fetch(server.url("cut"), tmp_path, "foods.zip", limits=QUICK).read_bytes() == CONTENT
    assert server.asked[-1] == ("cut", f"bytes={len(CONTENT)}-")


@pytest.mark.parametrize("path", ["good", "short"])
def test_a_wrong_file_is_refused_by_both_hashes(server: Server, tmp_path: Path, path: str) -> None:
    """A file with another hash, or one that was cut off before it was sent, is named by both hashes and not kept."""
    expected = SHA256 if path == "short" else "0" * 64
    found = hashlib.sha256(CONTENT[:HALF] if path == "short" else CONTENT).hexdigest()
    with pytest.raises(DownloadError, match=f"has the SHA-256 {found}, expected {expected}; nothing is kept"):
        fetch(server.url(path), tmp_path, "foods.zip", sha256=expected, limits=QUICK)
    assert left(tmp_path) == set()


@pytest.mark.parametrize(
    ("path", "limits", "message"),
    [
        ("missing", QUICK, r"answers 404 Not Found; look whether the publisher has moved it; .* --from"),
        ("broken", QUICK, r"answers 500 Internal Server Error; .* --from"),
        ("circle", QUICK, r"leads on more than 5 times"),
        ("plain", QUICK, r"found http://example\.invalid/foods\.zip, to which http://127.* leads; expected .*https://"),
        ("large", QUICK, r"is larger than 4,194,304 bytes; nothing is kept"),
        ("endless", QUICK, r"is larger than 4,194,304 bytes; nothing is kept"),
        ("packed", QUICK, r"comes packed as gzip"),
        ("silent", Limits(silence=0.3), r"cannot be reached \(.*timed out.*\); .* --from"),
        ("slow", Limits(whole=0.3), r"stopped after [\d,]+ bytes \(0 s are over\); they are kept"),
    ],
    ids=lambda value: value if isinstance(value, str) and value.isalpha() else "",
)
def test_a_bad_answer_is_one_sentence(server: Server, tmp_path: Path, path: str, limits: Limits, message: str) -> None:
    """Whatever a server does ends in one line that says what to do, soon, and leaves no whole file."""
    begun = time.monotonic()
    with pytest.raises(DownloadError, match=message) as caught:
        fetch(server.url(path), tmp_path, "foods.zip", limits=limits)
    assert "\n" not in str(caught.value)
    assert time.monotonic() - begun < 4
    assert "foods.zip" not in left(tmp_path)


def test_no_network_is_said(tmp_path: Path) -> None:
    """Where nobody listens, the sentence says so, and how to do without."""
    with pytest.raises(DownloadError, match=r"cannot be reached \(.*refused.*\); without a network, .*--from"):
        fetch("http://127.0.0.1:9/foods.zip", tmp_path, "foods.zip", limits=QUICK)


@pytest.mark.parametrize(
    "url", ["http://example.org/a.zip", "ftp://example.org/a.zip", "file:///etc/passwd", "https://"]
)
def test_only_encrypted_addresses_are_asked(url: str) -> None:
    """Plain, other and empty addresses are refused before anybody is asked."""
    with pytest.raises(DownloadError, match="expected an address that begins with https://"):
        check_url(url)


def test_an_outside_address_does_not_lead_to_this_machine() -> None:
    """A server elsewhere cannot send the download to a service on this machine."""
    with pytest.raises(DownloadError, match=r"to which https://example\.org/a\.zip leads"):
        check_url("http://127.0.0.1/a.zip", "https://example.org/a.zip")


_FETCH = """
import sys
from pathlib import Path
from swaptable.basics.downloads import fetch
fetch(sys.argv[1], Path(sys.argv[2]), "foods.zip")
"""


def wait_for(path: Path, size: int) -> None:
    """Wait until a file has grown so large."""
    end = time.monotonic() + 20
    while not path.exists() or path.stat().st_size < size:
        assert time.monotonic() < end, f"{path.name} did not grow"
        time.sleep(0.02)


def test_a_process_that_is_killed_half_way_is_gone_on_with(server: Server, tmp_path: Path) -> None:
    """A killed download keeps its part, and the next start fetches the rest; two at the same time are refused."""
    process = subprocess.Popen([sys.executable, "-c", _FETCH, server.url("slow"), str(tmp_path)])
    part = tmp_path / "foods.zip.part"
    try:
        wait_for(part, HALF // 4)
        with pytest.raises(SwaptableError, match=f"is held by process {process.pid} on .*; wait until it ends"):
            fetch(server.url("slow"), tmp_path, "foods.zip")
    finally:
        process.kill()
        process.wait()
    size = part.stat().st_size
    assert 0 < size < len(CONTENT)
    assert (
        fetch(server.url("good").replace("good", "slow"), tmp_path, "foods.zip", limits=QUICK).read_bytes() == CONTENT
    )
    assert server.asked[-1] == ("slow", f"bytes={size}-")
    assert left(tmp_path) == {"foods.zip"}
