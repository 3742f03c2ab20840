"""An earlier report made again from what the ledger kept: the files and the code of then, in a folder of their own."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from swaptable.basics.errors import InputError, SwaptableError
from swaptable.basics.folders import HOME, shown
from swaptable.basics.recorder import module_file
from swaptable.runs.freshness import release_hash, versions
from swaptable.runs.ledger import Entry, content, hash_of, ledger_file, read_ledger
from swaptable.runs.run_files import OUTPUT

__all__ = ["reproduce"]

LIMIT_SECONDS = 3600.0  # of a run that was done in time once


def reproduce(reports: Path, number: int, folder: Path) -> tuple[list[str], list[str]]:
    """Make the report of a ledger's entry again and compare the results.

    Parameters
    ----------
    reports : Path
        Folder whose ledger it is.
    number : int
        Of the entry.
    folder : Path
        New folder: gets the project as it was, and the report under ``reports/<run>/``.

    Returns
    -------
    same, other : list of str
        Results that have the same hash, and those that do not.

    Raises
    ------
    InputError, SwaptableError
        If there is no such entry, the folder exists, or an input, a food release or a library of then is not at hand.
    """
    folder = folder.resolve()
    entries = read_ledger(reports)
    entry = next((each for each in entries if each.number == number), None)
    if entry is None:
        allowed = f"1 to {len(entries)}" if entries else "none: nothing was run yet"
        raise InputError(f"found entry {number}; expected {allowed}", file=shown(ledger_file(reports)))
    if folder.exists():
        raise InputError("exists already; name a new folder", file=shown(folder))
    then = entry.versions
    other = [f"{name} {then.get(name)}" for name, version in versions().items() if then.get(name) != version]
    if other:
        raise SwaptableError(f"entry {number} was made with {', '.join(other)}; install these first")
    try:
        _lay_out(reports, entry, folder)
        made = _executed(entry, folder)
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    differ = [name for name, sha256 in entry.results.items() if _hash(made / name) != sha256]
    return [name for name in entry.results if name not in differ], differ


def _hash(path: Path) -> str:
    return hash_of(path.read_bytes()) if path.is_file() else ""


def _lay_out(reports: Path, entry: Entry, folder: Path) -> None:
    """Put the files, the modules and the food releases of an entry where the project has them."""
    for name, sha256 in entry.inputs.items():
        kind, _, rest = name.partition(" ")
        if kind == "folder":
            (folder / rest).mkdir(parents=True, exist_ok=True)
        if kind == "folder" or not sha256:  # nothing was there
            continue
        place = folder / (rest if kind == "file" else _module_place(rest))
        if not place.resolve().is_relative_to(folder.resolve()):
            raise InputError(f"entry {entry.number} read {rest}, which is outside the project", file=shown(place))
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(content(reports, sha256))
    for release, sha256 in entry.releases.items():
        if release_hash(HOME / release) != sha256:
            problem = f"is not the food release of then (SHA-256 {sha256[:12]}…); restore it"
            raise InputError(problem, file=release)
        shutil.copytree(HOME / release, folder / release)


def _module_place(name: str) -> Path:
    """Give the place of a module; those that hold others are folders."""
    file = module_file(name)
    inner = file is not None and file.name == "__init__.py"
    path = Path("helpers", *name.split("."))
    return path / "__init__.py" if inner else path.with_suffix(".py")


def _executed(entry: Entry, folder: Path) -> Path:
    """Execute the notebook of then with the code of then."""
    from swaptable.runs.kernels import execute

    made = folder / "reports" / entry.run
    made.mkdir(parents=True)
    notebook, code = folder / "notebooks" / f"{entry.notebook}.ipynb", str(folder / "helpers")
    if "PYTHONPATH" in os.environ:
        code += os.pathsep + os.environ["PYTHONPATH"]
    given = {**entry.parameters, OUTPUT: str(made)}
    execute(notebook, made / notebook.name, given, folder=folder, limit=LIMIT_SECONDS, environment={"PYTHONPATH": code})
    return made
