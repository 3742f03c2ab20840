"""Raw files of a food table, found in folders and archives, each refused in one sentence where it is damaged."""

from __future__ import annotations

import re
import shutil
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path, PurePosixPath
from types import TracebackType
from typing import IO, Any

from swaptable.basics.errors import InputError, listed, nearest

__all__ = ["RawFile", "RawFiles"]

_MOST_ARCHIVES = 3  # archives within archives
_MOST_MEMBERS = 20_000  # files in all of them
_MOST_TIMES, _ALWAYS_UNPACKED = 200, 1 << 26  # a table shrinks to a tenth or so; below these bytes it does not matter


@dataclass
class RawFile:
    """One raw file, wherever it lies.

    Attributes
    ----------
    place : str
        As an error names it, archives included.
    opened : callable
        Opens it for reading bytes.
    sha256 : str
        Of its bytes; empty until it was read.
    rows : int
        Records without the header, as read.
    """

    place: str
    opened: Callable[[], IO[bytes]]
    sha256: str = ""
    rows: int = 0

    @contextmanager
    def reading(self) -> Iterator[IO[bytes]]:
        """Open it, and turn what a damaged archive raises into one error."""
        try:
            with self.opened() as stream:
                yield stream
        except (zipfile.BadZipFile, zlib.error, EOFError) as error:
            problem = f"is damaged or cut off ({error}); download the archive again"
            raise InputError(problem, file=self.place) from error
        except OSError as error:
            raise InputError(f"cannot be read ({error.strerror or error})", file=self.place) from error


def name_of(path: str) -> str:
    """Give the name of a file as the layouts are looked up: lower case, only letters, digits and underscores.

    Examples
    --------
    >>> name_of("CNF/NUTRIENT AMOUNT.csv"), name_of("food_nutrient.csv")
    ('nutrient_amount', 'food_nutrient')
    """
    return re.sub(r"\W+", "_", PurePosixPath(path.replace("\\", "/")).stem.lower())


def _opened(path: Path) -> IO[bytes]:
    return path.open("rb")


@dataclass
class RawFiles:
    """The raw files of a source: a file, a folder, a zip archive, or archives within them.

    Attributes
    ----------
    source : Path
    suffixes : tuple of str
        Of the files that are wanted.
    """

    source: Path
    suffixes: tuple[str, ...] = (".csv",)
    _stack: ExitStack = field(default_factory=ExitStack)
    _found: dict[str, list[RawFile]] = field(default_factory=dict)
    _members: int = 0

    def __enter__(self) -> RawFiles:
        with ExitStack() as stack:
            self._stack = stack
            self._look()
            self._stack = stack.pop_all()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._stack.close()

    def _look(self) -> None:
        if not self.source.exists():
            raise InputError("is not there; expected a folder, a zip archive or a file", file=self.source)
        paths = sorted(self.source.rglob("*")) if self.source.is_dir() else [self.source]
        for path in paths:
            if path.suffix.lower() == ".zip":
                self._look_into(str(path), path, _MOST_ARCHIVES)
            elif path.is_file():
                self._take(str(path), path.name, partial(_opened, path))
        if not self._found:
            raise InputError(f"holds no file that ends in {' or '.join(self.suffixes)}", file=self.source)

    def _look_into(self, place: str, file: Path | IO[bytes], deeper: int) -> None:
        try:
            archive = self._stack.enter_context(zipfile.ZipFile(file))
            for member in archive.infolist():
                inner = f"{place}/{member.filename}"
                self._members += 1
                if self._members > _MOST_MEMBERS:
                    raise InputError(f"holds more than {_MOST_MEMBERS:,} files; expected a table", file=self.source)
                _check_member(inner, member)
                if member.filename.lower().endswith(".zip") and deeper:
                    copy = self._stack.enter_context(tempfile.TemporaryFile())  # noqa: SIM115 (the stack closes it)
                    with archive.open(member) as stream:
                        shutil.copyfileobj(stream, copy)
                    self._look_into(inner, copy, deeper - 1)
                else:
                    self._take(inner, member.filename, partial(archive.open, member))
        except (zipfile.BadZipFile, zlib.error, EOFError) as error:
            problem = f"is no whole zip archive ({error}); it may be cut off: download it again"
            raise InputError(problem, file=place) from error

    def _take(self, place: str, name: str, opened: Callable[[], IO[bytes]]) -> None:
        if name.lower().endswith(self.suffixes) and not PurePosixPath(name).name.startswith("."):
            self._found.setdefault(name_of(name), []).append(RawFile(place, opened))

    def names(self) -> list[str]:
        """Name the files found, as :func:`name_of` does."""
        return sorted(self._found)

    def get(self, *names: str) -> RawFile | None:
        """Find a file by any of its names.

        Raises
        ------
        InputError
            If there are two of them.
        """
        found = [each for name in names for each in self._found.get(name, [])]
        if len(found) > 1:
            problem = f"found {found[0].place} and {found[1].place}; name the folder or archive of one release"
            raise InputError(problem, file=self.source)
        return found[0] if found else None

    def need(self, *names: str) -> RawFile:
        """Find a file that there must be.

        Raises
        ------
        InputError
            If it is not there; names the files that are.
        """
        found = self.get(*names)
        if found is None:
            problem = f"found no {names[0]}{self.suffixes[0]}; there is {listed(self.names()) or 'nothing'}"
            raise InputError(problem + nearest(names[0], self.names()), file=self.source)
        return found

    def manifest(self) -> dict[str, dict[str, Any]]:
        """Give SHA-256 and rows of every file that was read, by its place below the source."""
        read = [each for files in self._found.values() for each in files if each.sha256]
        start = str(self.source)
        return {
            each.place.removeprefix(start).replace("\\", "/").lstrip("/") or Path(each.place).name: {
                "sha256": each.sha256,
                "rows": each.rows,
            }
            for each in read
        }


def _check_member(place: str, member: zipfile.ZipInfo) -> None:
    """Refuse what would not unpack, or would fill memory and disk."""
    if member.flag_bits & 1:
        raise InputError("is encrypted; pack it again without a password", file=place)
    if member.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        problem = f"is packed by the method {member.compress_type}; expected 0 (stored) or 8 (deflate): pack it again"
        raise InputError(problem, file=place)
    if member.file_size > max(_ALWAYS_UNPACKED, _MOST_TIMES * member.compress_size):
        times = member.file_size / max(member.compress_size, 1)
        problem = f"would unpack to {times:,.0f} times its size; expected a table, at most {_MOST_TIMES} times"
        raise InputError(problem, file=place)
