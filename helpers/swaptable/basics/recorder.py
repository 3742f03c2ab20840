"""In the kernel of a run: write down what the run really reads.

Python tells audit hooks of every file opened and folder listed, and finders of every module that is loaded; the package
tells of every food looked up. Each is written down once, with the hash of what was there at that moment, so that a run
depends on exactly what it used and a file that changes while the run goes on is found out. What is not there has an
empty hash: a run depends on that too. Child processes of a kernel are heard only if they were forked.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from swaptable.basics.folders import DATA, PACKAGE
from swaptable.basics.whole_files import sha256_of

__all__ = ["ALL_FOODS", "FOOD", "LISTEN", "MANIFEST", "RECORD", "listing_hash", "module_file", "start", "stated_hash"]

FOOD, ALL_FOODS = "swaptable.food", "swaptable.all_foods"  # events that the package raises
_MODULE = "swaptable.module"
MANIFEST = "manifest.json"  # its folder is a food release: known as a whole and by the foods looked up
RECORD = "SWAPTABLE_RECORD"  # variable that names the file to write into
# what a kernel executes first
LISTEN = f"import os; from swaptable.basics.recorder import start; start(os.environ['{RECORD}'])"


def module_file(name: str) -> Path | None:
    """Find the file of one of the package's modules; None where it has none."""
    place = PACKAGE.joinpath(*name.split(".")[1:])
    return next((file for file in (place.with_suffix(".py"), place / "__init__.py") if file.is_file()), None)


def listing_hash(folder: Path) -> str:
    """Hash the names in a folder."""
    names = sorted(name for name in os.listdir(folder) if not name.startswith("."))  # noqa: PTH208 (names suffice)
    return hashlib.sha256("\n".join(names).encode("utf-8", "surrogateescape")).hexdigest()


def stated_hash(folder: Path) -> str:
    """Give the one hash of a food release, over those that its manifest states."""
    tables = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))["tables"]
    lines = sorted(f"{name} {about['sha256']}" for name, about in tables.items())
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


class _Recorder:
    def __init__(self, record: Path, watched: list[str]) -> None:
        self._stream = record.open("a", encoding="utf-8")
        self._watched = [os.path.realpath(folder) + os.sep for folder in (str(DATA), *watched)]
        self._own = os.path.realpath(record.parent) + os.sep
        self._known: set[tuple[str, str]] = set()
        self._here = threading.local()  # what the hook itself opens is not heard

    def __call__(self, event: str, arguments: tuple[Any, ...]) -> None:
        """Hear an event, as an audit hook does."""
        if getattr(self._here, "busy", False) or self._stream.closed:
            return
        self._here.busy = True
        try:
            self._hear(event, arguments)
        finally:
            self._here.busy = False

    def find_spec(self, name: str, *_: Any) -> None:
        """Hear of a module about to be loaded, as a finder of modules does: no audit event tells of all of them."""
        self(_MODULE, (name,))

    def _hear(self, event: str, arguments: tuple[Any, ...]) -> None:
        if event == "open":
            self._opened(arguments[0], arguments[1])
        elif event in ("os.listdir", "os.scandir"):
            self._listed(arguments[0])
        elif event == _MODULE and arguments[0].partition(".")[0] == "swaptable":
            file = module_file(arguments[0])
            if file is not None:
                self.note("module", arguments[0], lambda: sha256_of(file))
        elif event in (FOOD, ALL_FOODS):
            folder, *code = map(str, arguments)
            self._release(folder)
            self.note("food" if code else "foods", " ".join((*code, folder)), lambda: "-")

    def _opened(self, path: Any, mode: Any) -> None:
        full = self._full(path)
        if not full or (mode is not None and set(str(mode)) & set("wax+")):
            return
        folder, name = os.path.split(full)
        if name == MANIFEST:
            self._release(folder)
        elif self._is_watched(full) and not os.path.exists(os.path.join(folder, MANIFEST)):  # noqa: PTH110, PTH118
            self.note("file", full, lambda: sha256_of(Path(full)))

    def _listed(self, path: Any) -> None:
        full = self._full(path)
        if self._is_watched(full + os.sep):
            self.note("folder", full, lambda: listing_hash(Path(full)))

    def _full(self, path: Any) -> str:
        try:
            return os.path.realpath(os.fsdecode(path)) if isinstance(path, str | bytes | os.PathLike) else ""
        except ValueError:  # such as a path with a NUL, which opens nothing
            return ""

    def _is_watched(self, full: str) -> bool:
        return full.startswith(tuple(self._watched)) and not full.startswith(self._own)

    def _release(self, folder: str) -> None:
        self.note("release", os.path.realpath(folder), lambda: stated_hash(Path(folder)))

    def note(self, kind: str, name: str, hashed: Callable[[], str]) -> None:
        """Write a line, unless it is there; a disk that is full is an error of the run, since the line would lack."""
        if (kind, name) in self._known:
            return
        self._known.add((kind, name))
        try:
            sha256 = hashed()
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            sha256 = ""
        self._stream.write(json.dumps([kind, sha256, name]) + "\n")
        self._stream.flush()


def start(record: str) -> None:
    """Write down from now on what this process reads.

    Parameters
    ----------
    record : str
        File of JSON lines of kind, hash and name. Folders that it names with the kind ``watch`` are heard besides
        those of the project's data.
    """
    file = Path(record)
    lines = [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()] if file.exists() else []
    hook = _Recorder(file, [name for kind, _, name in lines if kind == "watch"])
    hook.note("start", "", lambda: "-")
    for name in [name for name in sys.modules if name.partition(".")[0] == "swaptable"]:
        hook.find_spec(name)
    sys.meta_path.insert(0, hook)  # finds nothing, so loads nothing
    sys.addaudithook(hook)
