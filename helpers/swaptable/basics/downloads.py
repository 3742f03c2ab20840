"""Downloads that go on where they stopped, checked against a hash.

``pooch`` fetches, checks and moves into place; it has no way to go on with a broken download, so the part of it that
asks the server is replaced by one that keeps what came and asks for the rest (RFC 9110, range requests).
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urljoin, urlsplit

import pooch
import requests
from tqdm import tqdm

from swaptable.basics.errors import SwaptableError
from swaptable.basics.folders import shown
from swaptable.basics.locks import held
from swaptable.basics.whole_files import sha256_of, write_whole

__all__ = ["MOST_BYTES", "DownloadError", "Limits", "check_url", "fetch", "other_file"]

MOST_BYTES = 2 * 2**30  # four times the largest public release, the full download of FoodData Central
_PIECE = 1 << 14  # bytes that a broken connection may cost
_MOST_REDIRECTS = 5
_LOOPBACK = ("127.0.0.1", "::1", "localhost")
_WITHOUT_NETWORK = "without a network, bring the file by hand and name it with --from"


class DownloadError(SwaptableError):
    """A file could not be fetched; what came of it is kept unless it is wrong."""

    code = "S60"
    cause = "a server cannot be reached, stopped half-way, or has another file than the one expected"
    remedy = "start again later, which goes on where it stopped; or bring the file by hand (--from)"


class _CutShortError(Exception):
    """The server stopped before the end."""


class _OtherFileError(Exception):
    """The part that is kept is not of the file that the server has now."""


@dataclass(frozen=True)
class Limits:
    """What a download may take.

    Attributes
    ----------
    size : int
        Largest file. [bytes]
    connect, silence : float
        Longest wait for a connection, and between two pieces. [s]
    whole : float
        Longest time for all. [s]
    attempts : int
        How often a connection that broke is taken up again, as long as each brings something.
    """

    size: int = MOST_BYTES
    connect: float = 10.0
    silence: float = 60.0
    whole: float = 4 * 3600.0
    attempts: int = 5


def check_url(url: str, before: str = "") -> None:
    """Refuse an address that is not encrypted; one on this machine may be plain.

    Parameters
    ----------
    url : str
    before : str, optional
        Address that led there: only one on this machine leads to another on it.

    Raises
    ------
    DownloadError

    Examples
    --------
    >>> check_url("https://example.org/foods.zip"), check_url("http://127.0.0.1:8000/foods.zip")
    (None, None)
    """
    parts = urlsplit(url)
    from_here = not before or urlsplit(before).hostname in _LOOPBACK
    plain = parts.scheme == "http" and parts.hostname in _LOOPBACK and from_here
    if not plain and (parts.scheme != "https" or not parts.hostname):
        led = f", to which {before} leads" if before else ""
        raise DownloadError(f"found {url}{led}; expected an address that begins with https://")


@dataclass
class _Resuming:
    """A downloader for ``pooch`` that keeps what came and goes on from there.

    Attributes
    ----------
    kept : Path
        Where the part that came is kept.
    known : bool
        Whether the whole will be checked against a hash; if not, a part is only gone on with if the server can say that
        its file is still the same.
    limits : Limits
    sha256 : str
        Of the whole, when it is there.
    """

    kept: Path
    known: bool
    limits: Limits = field(default_factory=Limits)
    sha256: str = ""

    @property
    def _about(self) -> Path:
        return self.kept.with_name(self.kept.name + ".json")

    def __call__(self, url: str, output_file: str, _: object) -> None:
        """Fetch the file; called by ``pooch`` with the address and the place for the whole."""
        deadline = time.monotonic() + self.limits.whole
        for attempt in range(1, self.limits.attempts + 1):
            before = self._size()
            try:
                self._go_on(url, deadline)
                break
            except (requests.RequestException, _CutShortError, _OtherFileError) as error:
                no_use = self._size() <= before and not isinstance(error, _OtherFileError)
                if attempt == self.limits.attempts or no_use:
                    raise DownloadError(self._stopped(url, error)) from error
        self.sha256 = sha256_of(self.kept)
        self.kept.replace(output_file)
        self._about.unlink(missing_ok=True)

    def _stopped(self, url: str, error: Exception) -> str:
        size = self._size()
        if not size and isinstance(error, requests.ConnectionError | requests.Timeout):
            return f"{url} cannot be reached ({_reason(error)}); {_WITHOUT_NETWORK}"
        told = f"{url} stopped after {size:,} bytes ({_reason(error)})"
        return f"{told}; they are kept in {shown(self.kept)}: start again to go on"

    def _size(self) -> int:
        try:
            return self.kept.stat().st_size
        except FileNotFoundError:
            return 0

    def _validator(self, url: str) -> str | None:
        """Give what the server said of the file that the kept part is of; None if the part is of no use."""
        try:
            about = json.loads(self._about.read_text(encoding="utf-8"))
            same, validator = about["url"] == url, str(about["validator"])
        except (OSError, ValueError, KeyError, TypeError):
            return None
        return validator if same and (validator or self.known) else None

    def _go_on(self, url: str, deadline: float) -> None:
        validator = self._validator(url)
        start = self._size() if validator is not None else 0
        headers = {"Accept-Encoding": "identity"}  # a range of what is packed would be of no use
        if start:
            headers["Range"] = f"bytes={start}-"
            headers |= {"If-Range": validator} if validator else {}
        with self._opened(url, headers) as response:
            if response.status_code == 416 and start:  # the part is the whole already, or longer than the file is now
                if _range_total(response) == start:
                    return
                self.kept.unlink()
                raise _OtherFileError("the file on the server is another one now")
            start = self._start(response, start, validator or "")
            self._refuse_size(url, start + _length(response))
            self._take(url, response, start, deadline)

    def _start(self, response: requests.Response, start: int, validator: str) -> int:
        """Tell where what comes begins; a server that knows no ranges begins anew."""
        found = response.headers.get("Content-Range", "").removeprefix("bytes ").partition("-")[0]
        now = _validator_of(response)
        if response.status_code == 206 and (found != str(start) or (validator and now and now != validator)):
            self.kept.unlink(missing_ok=True)
            raise _OtherFileError("the file on the server is another one now")
        return start if response.status_code == 206 else 0

    def _take(self, url: str, response: requests.Response, start: int, deadline: float) -> None:
        length = _length(response)
        about = {"url": url, "validator": _validator_of(response)}
        if not start:
            self.kept.unlink(missing_ok=True)  # first, so that no part ever stands beside words about another file
        write_whole(self._about, json.dumps(about))
        size, total = start, start + length if length else None
        with (
            self.kept.open("ab") as stream,
            tqdm(total=total, initial=start, unit="B", unit_scale=True, desc=self.kept.stem, disable=None) as bar,
        ):
            for piece in response.iter_content(_PIECE):
                size += len(piece)
                self._refuse_size(url, size)
                stream.write(piece)
                bar.update(len(piece))
                if time.monotonic() > deadline:
                    raise DownloadError(self._stopped(url, _CutShortError(f"{self.limits.whole:,.0f} s are over")))
        if total is not None and size != total:
            raise _CutShortError(f"{total:,} were announced")

    def _refuse_size(self, url: str, size: int) -> None:
        if size > self.limits.size:
            self.kept.unlink(missing_ok=True)
            raise DownloadError(f"{url} is larger than {self.limits.size:,} bytes; nothing is kept of it")

    @contextmanager
    def _opened(self, url: str, headers: dict[str, str]) -> Iterator[requests.Response]:
        """Ask the server, following where it leads, but never to an address that is not encrypted."""
        with requests.Session() as session:
            at, before = url, ""
            for _ in range(_MOST_REDIRECTS + 1):
                check_url(at, before)
                waits = (self.limits.connect, self.limits.silence)
                with session.get(at, headers=headers, stream=True, timeout=waits, allow_redirects=False) as response:
                    if not response.is_redirect:
                        _refuse_status(url, response)
                        yield response
                        return
                    before, at = at, urljoin(at, response.headers["Location"])
            raise DownloadError(f"{url} leads on more than {_MOST_REDIRECTS} times")


def _reason(error: Exception) -> str:
    """Tell in a few words why a connection failed; the libraries nest three or four errors."""
    inner: object = error
    while isinstance(inner, BaseException) and inner.args and isinstance(inner.args[-1], BaseException):
        inner = inner.args[-1]
    reason = getattr(inner, "reason", None) or inner
    return " ".join(str(reason).split())[:200]


def _validator_of(response: requests.Response) -> str:
    """Give what tells this file from a later one: a strong entity tag, else the date (RFC 9110, 13.1.5)."""
    tag = response.headers.get("ETag", "")
    return tag if tag and not tag.startswith("W/") else response.headers.get("Last-Modified", "")


def _length(response: requests.Response) -> int:
    """Tell how long the server says its answer is [bytes]; 0 if it does not say."""
    length = response.headers.get("Content-Length", "")
    return int(length) if length.isascii() and length.isdigit() else 0


def _range_total(response: requests.Response) -> int:
    total = response.headers.get("Content-Range", "").rpartition("/")[2]
    return int(total) if total.isdigit() else -1


def _refuse_status(url: str, response: requests.Response) -> None:
    if response.status_code not in (200, 206, 416):
        gone = "; look whether the publisher has moved it" if response.status_code in (404, 410) else ""
        raise DownloadError(f"{url} answers {response.status_code} {response.reason}{gone}; {_WITHOUT_NETWORK}")
    packed = response.headers.get("Content-Encoding", "identity")
    if packed != "identity":
        raise DownloadError(f"{url} comes packed as {packed}, which nobody asked for; {_WITHOUT_NETWORK}")


def fetch(
    url: str, folder: Path, name: str, *, sha256: str = "", stated: str = "", limits: Limits | None = None
) -> Path:
    """Fetch a file, or what is missing of it.

    Parameters
    ----------
    url : str
        ``https``, or ``http`` on this machine.
    folder : Path
        Of this download alone; made if need be.
    name : str
        Of the file there.
    sha256 : str, optional
        What the file must have; without it any is taken.
    stated : str, optional
        Where that stands, for the error.
    limits : Limits, optional

    Returns
    -------
    Path
        The whole file.

    Raises
    ------
    DownloadError
        If it cannot be had, is too large, or has another hash, which is named beside the one expected.
    SwaptableError
        If another process is at it.
    """
    check_url(url)
    pooch.get_logger().setLevel("ERROR")
    downloader = _Resuming(folder / f"{name}.part", bool(sha256), limits or Limits())
    with held(folder / "lock", wait=0):
        for left in folder.glob("tmp*"):  # of a start that was killed
            left.unlink(missing_ok=True)
        try:
            found = pooch.retrieve(url, f"sha256:{sha256}" if sha256 else None, name, folder, downloader=downloader)
        except SwaptableError:
            raise
        except ValueError as error:  # pooch has deleted the file
            if not downloader.sha256:
                raise
            raise DownloadError(
                f"{other_file(url, downloader.sha256, sha256, stated)}; nothing is kept of it"
            ) from error
    return Path(found)


def other_file(place: str, found: str, expected: str, stated: str) -> str:
    """Say that a file is another one than expected, by both hashes and where the one expected stands."""
    return f"{place} has the SHA-256 {found}, expected {expected}{f' ({stated})' if stated else ''}"
