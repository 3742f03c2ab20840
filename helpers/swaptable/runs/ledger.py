"""The ledger: every run that was ever made, its inputs and results by hash, and what they were.

One line per run, only ever appended, each holding its own hash and that of the line before. Beside it lies the content
of every input and result, once, by hash, so that an earlier report can be compared and made again.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

from swaptable.basics.errors import DamagedError, InputError
from swaptable.basics.folders import shown
from swaptable.basics.locks import LOCKS, held
from swaptable.basics.whole_files import write_whole

__all__ = [
    "MOST_KEPT_BYTES",
    "Entry",
    "append",
    "content",
    "hash_of",
    "keep",
    "ledger_file",
    "read_ledger",
    "sweep",
]

_FILE, _KEPT = "ledger.jsonl", ".kept"
_STEP = 65_536  # bytes read at a time from the end
MOST_KEPT_BYTES = 32 * 2**20  # of one input or result; of a larger one only the hash is kept


@dataclass(frozen=True)
class Entry:
    """One line of the ledger.

    Attributes
    ----------
    number : int
        From 1.
    run, finished : str
        Name of the run, and when it was done (UTC).
    fingerprint : str
        One hash over all inputs.
    notebook : str
    parameters : dict
    inputs : dict of str
        Name of each input, such as ``file data/recipes/barley_pot.yaml`` → SHA-256.
    releases : dict of str
        Folder of each food release → SHA-256.
    versions : dict of str
        Python and the libraries.
    results : dict of str
        Path below the report's folder, such as ``tables/variants.csv`` → SHA-256.
    previous : str
        SHA-256 of the line before; empty in the first.
    """

    number: int
    run: str
    finished: str
    fingerprint: str
    notebook: str
    parameters: dict[str, Any] = field(default_factory=dict)
    inputs: dict[str, str] = field(default_factory=dict)
    releases: dict[str, str] = field(default_factory=dict)
    versions: dict[str, str] = field(default_factory=dict)
    results: dict[str, str] = field(default_factory=dict)
    previous: str = ""


def ledger_file(reports: Path) -> Path:
    """Give the place of the ledger of a reports folder."""
    return reports / _FILE


def read_ledger(reports: Path) -> list[Entry]:
    """Read the ledger of a reports folder.

    Parameters
    ----------
    reports : Path

    Returns
    -------
    list of Entry
        The oldest first; empty if nothing was ever run. A last line that was cut off by a crash counts as not written.

    Raises
    ------
    InputError
        If a line was changed, with its number.
    """
    file = ledger_file(reports)
    try:
        text = file.read_bytes()
    except FileNotFoundError:
        return []
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", file=shown(file)) from error
    entries, previous = [], ""
    for number, line in enumerate(text.split(b"\n")[:-1], 1):
        entry = _entry(line, number, file)
        if entry.number != number or entry.previous != previous:
            problem = "does not follow from the line before: the ledger was edited; restore it, or begin another folder"
            raise DamagedError(problem, file=shown(file), line=number)
        previous = hash_of(line)
        entries.append(entry)
    return entries


def _entry(line: bytes, number: int | None, file: Path) -> Entry:
    try:
        body, own = line[:-_SEAL] + b"}", line[-_SEAL:]
        if own != _seal(body):
            raise ValueError("its hash differs")
        found = json.loads(body)
        return Entry(**{each.name: found[each.name] for each in fields(Entry)})
    except (ValueError, KeyError, TypeError) as error:
        problem = "is not an entry of the ledger: it was edited; restore it, or begin another folder"
        raise DamagedError(problem, file=shown(file), line=number) from error


def _seal(body: bytes) -> bytes:
    """Give the end of a line: the hash of all that stands before it."""
    return f', "sha256": "{hash_of(body)}"}}'.encode()


_SEAL = len(', "sha256": ""}') + 64


def append(reports: Path, about: Mapping[str, Any]) -> Entry:
    """Append one run.

    Parameters
    ----------
    reports : Path
    about : mapping
        The fields of :class:`Entry` but for ``number`` and ``previous``.

    Returns
    -------
    Entry
    """
    file = ledger_file(reports)
    with held(_lock(reports)):
        last = _last_line(file)
        number = _entry(last, None, file).number + 1 if last else 1
        entry = Entry(**{**about, "number": number, "previous": hash_of(last) if last else ""})
        body = json.dumps(asdict(entry), sort_keys=True).encode()
        with file.open("ab") as stream:
            stream.write(body[:-1] + _seal(body) + b"\n")
            stream.flush()
            os.fsync(stream.fileno())
    return entry


def sweep(reports: Path) -> None:
    """Remove contents that killed runs were keeping."""
    if any(_unfinished(reports)):  # else nothing is written, so that a finished workspace may be read-only
        with held(_lock(reports)):
            for part in _unfinished(reports):
                part.unlink()


def _unfinished(reports: Path) -> Iterator[Path]:
    return (reports / _KEPT).glob("*/.*-*")


def _lock(reports: Path) -> Path:
    return reports / LOCKS / "ledger.lock"


def _last_line(file: Path) -> bytes:
    """Give the last whole line, empty if there is none, and cut off what a crash left after it."""
    if not file.exists():
        return b""
    with file.open("r+b") as stream:
        tail, start = b"", stream.seek(0, os.SEEK_END)
        while start and tail.count(b"\n") < 2:  # the line ends of the last line and of the one before
            step = min(start, _STEP)
            start = stream.seek(start - step)
            tail = stream.read(step) + tail
        end = tail.rfind(b"\n") + 1
        if end < len(tail):
            stream.truncate(start + end)
        return tail[:end].rstrip(b"\n").rpartition(b"\n")[2]


def _kept(reports: Path, sha256: str) -> Path:
    return reports / _KEPT / sha256[:2] / f"{sha256[2:]}.gz"


def hash_of(data: bytes) -> str:
    """Hash a content as the ledger does."""
    return hashlib.sha256(data).hexdigest()


def keep(reports: Path, data: bytes) -> str:
    """Keep a content, unless it is there already or too large, and give its hash."""
    sha256 = hash_of(data)
    place = _kept(reports, sha256)
    if len(data) <= MOST_KEPT_BYTES and not place.exists():
        packed = gzip.compress(data, 6, mtime=0)
        with held(_lock(reports)):  # whoever holds it may remove unfinished files
            place.parent.mkdir(parents=True, exist_ok=True)
            write_whole(place, packed)
    return sha256


def content(reports: Path, sha256: str) -> bytes:
    """Give the content of an input or result that the ledger names.

    Raises
    ------
    InputError
        If it is not kept, or is damaged.
    """
    place = _kept(reports, sha256)
    try:
        data = gzip.decompress(place.read_bytes())
    except FileNotFoundError:
        raise InputError("is not kept (it was too large, or removed)", file=shown(place)) from None
    except (OSError, EOFError, ValueError, zlib.error) as error:
        raise DamagedError(f"cannot be read ({error})", file=shown(place)) from error
    if hash_of(data) != sha256:
        raise DamagedError("is damaged: its content does not have the hash of its name", file=shown(place))
    return data
