"""Freshness: which runs need to be made again, and why.

A report is fresh while everything that it was made from has the content it had then; times and dates play no part.
What a run used is written down by its own kernel (:mod:`swaptable.basics.recorder`) and kept in a stamp beside the
reports, the last thing that a run writes.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass, field, fields
from functools import lru_cache
from importlib import metadata
from pathlib import Path
from typing import Any

from swaptable.basics.errors import DamagedError, RunError, SwaptableError, listed
from swaptable.basics.folders import DATA, HOME, PACKAGE, files_in, find_file, shown
from swaptable.basics.recorder import MANIFEST, listing_hash, module_file, stated_hash
from swaptable.basics.whole_files import sha256_of, write_beside
from swaptable.foods.current_release import CURRENT, read_current
from swaptable.runs.run_files import Run, effective_parameters

__all__ = [
    "Foods",
    "Now",
    "Used",
    "begin_record",
    "named_files",
    "prepare_stamp",
    "read_stamp",
    "release_hash",
    "remove_stamp",
    "stale_runs",
    "sweep_stamps",
    "used_by",
    "versions",
    "why_stale",
    "write_stamp",
]

_MAKERS = ("html_pages", "runs")  # modules that make a report out of an executed notebook
STAMPS = ".stamps"
_PACKAGES = (
    "swaptable", "pandas", "numpy", "xarray", "matplotlib", "papermill", "nbconvert", "pyarrow", "pint", "highspy",
    "typst",
)  # fmt: skip
_FILES = {  # parameters that name files, one or a list of them
    "recipe": ("recipes", ".yaml"), "audience": ("audiences", ".yaml"), "prices": (".", ".csv"),
    "recipes": ("recipes", ".yaml"), "audiences": ("audiences", ".yaml"), "days": ("days", ".yaml"),
    "words": ("recipes/words", ".txt"),
}  # fmt: skip


@dataclass(frozen=True)
class Foods:
    """What a run used of one food release.

    Attributes
    ----------
    release : str
        SHA-256 of the whole release.
    codes : list of str or None
        Foods looked up, none if only its components mattered; None if the run searched all of them.
    digest : str
        SHA-256 over all that the release says of those foods.
    """

    release: str
    codes: list[str] | None = None
    digest: str = ""


@dataclass(frozen=True)
class Used:
    """All that a run was made from.

    Attributes
    ----------
    run, notebook : str
    parameters : dict
        Also those that the notebook sets by default.
    versions : dict of str
        Python and the libraries.
    inputs : dict of str
        ``file``, ``folder`` or ``module`` and name → SHA-256; a folder stands for the names in it. Empty for what was
        looked for and not there.
    foods : dict of Foods
        By folder of the release.
    results : dict of str
        Path below the report's folder → SHA-256.
    """

    run: str
    notebook: str
    parameters: dict[str, Any]
    versions: dict[str, str]
    inputs: dict[str, str] = field(default_factory=dict)
    foods: dict[str, Foods] = field(default_factory=dict)
    results: dict[str, str] = field(default_factory=dict)

    @property
    def fingerprint(self) -> str:
        """One hash over everything but the results."""
        about = {name: value for name, value in asdict(self).items() if name != "results"}
        return hashlib.sha256(json.dumps(about, sort_keys=True, ensure_ascii=False).encode()).hexdigest()


@lru_cache(maxsize=1)
def versions() -> dict[str, str]:
    """Give the versions of Python and of the libraries that make a report."""
    return {"python": sys.version.split()[0]} | {name: metadata.version(name) for name in _PACKAGES}


def named_files(run: Run) -> dict[str, Path]:
    """Find the files that a run's parameters name: parameter, and name where it takes several → file.

    Raises
    ------
    InputError
        If there is none of a name, with the names there are.
    """
    parameters = effective_parameters(run)
    found = {}
    for key, (folder, suffix) in _FILES.items():
        named = parameters.get(key, "")
        whole = isinstance(named, list) and not named  # an empty list means the whole folder
        for name in files_in(folder) if whole else named if isinstance(named, list) else [named] if named else []:
            here = HOME / name  # where the kernel is at home, wherever the command was started
            file = here if here.is_file() else find_file(name, folder, suffix)
            found[f"{key}: {name}" if isinstance(named, list) else key] = file
    return found


def release_hash(folder: Path) -> str:
    """Check the files of a food release against its manifest, and give one hash for all.

    Raises
    ------
    InputError
        If a file is missing, cut off or changed by so much as one byte: names it.
    """
    try:
        whole = stated_hash(folder)
        tables = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))["tables"]
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        problem = f"has no readable {MANIFEST} ({error}); restore the release"
        raise DamagedError(problem, file=shown(folder)) from error
    for name, about in tables.items():
        file, sha256 = folder / f"{name}.parquet", str(about["sha256"])
        try:
            found = sha256_of(file)
        except OSError as error:
            raise DamagedError(f"cannot be read ({error.strerror}); restore the release", file=shown(file)) from error
        if found != sha256:
            problem = (
                f"is not the table that {MANIFEST} describes (SHA-256 {found[:12]}…, expected {sha256[:12]}…); "
                "restore or import the release again"
            )
            raise DamagedError(problem, file=shown(file))
    return whole


def named_releases(run: Run) -> list[Path]:
    """Find the folders of the food releases that a run's parameters name; those that are not there are left out."""
    named = str(effective_parameters(run).get("release", "")).split("+")
    words = [name for word in named for name in (read_current().release.split("+") if word == CURRENT else [word])]
    tried = [[base / word.strip() for base in (HOME, DATA / "foods")] for word in words if word.strip()]
    found = (next((each for each in places if (each / MANIFEST).is_file()), None) for places in tried)
    return [folder.resolve() for folder in found if folder is not None]


def used_by(run: Run, record: Path) -> Used:
    """Read what the kernel of a run wrote down, and add what its parameters name.

    Parameters
    ----------
    run : Run
    record : Path
        From :func:`swaptable.basics.recorder.start`.

    Returns
    -------
    Used
        Without results.
    """
    inputs: dict[str, str] = {}
    codes: dict[str, set[str]] = {}
    whole: set[str] = set()
    releases: dict[str, str] = {}
    lines = [json.loads(line) for line in record.read_text(encoding="utf-8").splitlines()]
    if not any(kind == "start" for kind, *_ in lines):
        raise RunError(f"{run.name}: its kernel told nothing of what it read; is it of another environment?")
    for kind, sha256, name in lines:
        if kind == "food":
            code, _, folder = name.partition(" ")
            codes.setdefault(os.path.realpath(folder), set()).add(code)
        elif kind == "foods":
            whole.add(os.path.realpath(name))
        elif kind == "release":
            releases.setdefault(name, sha256)
        elif kind in ("file", "folder", "module"):
            inputs[f"{kind} {name if kind == 'module' else shown(Path(name))}"] = sha256
    foods = {}
    for folder, sha256 in sorted(releases.items()):
        used = None if folder in whole else sorted(codes.get(folder, ()))
        foods[shown(Path(folder))] = Foods(sha256, used, "" if used is None else _digest(folder, used))
    return Used(run.name, run.notebook.stem, effective_parameters(run), versions(), dict(sorted(inputs.items())), foods)


def begin_record(run: Run, record: Path) -> None:
    """Write down what a run reads before and beside its kernel: notebook, files it is given, what makes its page.

    Raises
    ------
    InputError
        If there is no file of a name that its parameters give.
    """
    lines = [("file", sha256_of(path), str(path.resolve())) for path in (run.notebook, *named_files(run).values())]
    lines += [("module", sha256_of(PACKAGE / "runs" / f"{name}.py"), f"swaptable.runs.{name}") for name in _MAKERS]
    for value in effective_parameters(run).values():
        for word in value if isinstance(value, list) else [value]:
            if isinstance(word, str) and word and os.path.isdir(HOME / word):  # noqa: PTH112 (any text is a path to it)
                lines.append(("watch", "", str(HOME / word)))  # a folder of the user's own
    record.write_text("".join(json.dumps(line) + "\n" for line in lines), encoding="utf-8")


def _digest(folder: str, codes: list[str]) -> str:
    from swaptable.foods.digest import digest_of  # needs pandas, which an unchanged workspace does not

    return digest_of(folder, codes)


def _stamp(reports: Path, name: str) -> Path:
    return reports / STAMPS / f"{name}.json"


def prepare_stamp(reports: Path, used: Used) -> Path:
    """Write a stamp beside its place, so that :func:`write_stamp` needs no room."""
    (reports / STAMPS).mkdir(exist_ok=True)
    text = json.dumps(asdict(used))
    return write_beside(_stamp(reports, used.run), f"{hashlib.sha256(text.encode()).hexdigest()}\n{text}\n")


def write_stamp(reports: Path, run: str, prepared: Path) -> None:
    """Declare a run's report fresh; the last thing that a run does."""
    prepared.replace(_stamp(reports, run))


def remove_stamp(reports: Path, name: str) -> None:
    """Declare a run's report out of date; the first thing that is done to it."""
    _stamp(reports, name).unlink(missing_ok=True)


def sweep_stamps(reports: Path, name: str) -> None:
    """Remove stamps that a killed run was writing; for whoever holds the lock of the run."""
    for part in (reports / STAMPS).glob(f".{_stamp(reports, name).name[:40]}-*"):
        part.unlink(missing_ok=True)


def read_stamp(reports: Path, name: str) -> Used | None:
    """Read what a run's report was made from; None if there is no whole stamp."""
    try:
        sha256, text, _ = _stamp(reports, name).read_text(encoding="utf-8").split("\n")
        if hashlib.sha256(text.encode()).hexdigest() != sha256:
            return None
        found = json.loads(text)
        foods = {folder: Foods(**about) for folder, about in found.pop("foods").items()}
        return Used(**{each.name: found[each.name] for each in fields(Used) if each.name != "foods"}, foods=foods)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


class Now:
    """What the inputs are like now; each file is hashed once for all runs."""

    def __init__(self) -> None:
        self._known: dict[str, str] = {}

    def hash_of(self, name: str) -> str:
        """Hash an input by its name; empty if it is gone."""
        if name not in self._known:
            kind, _, rest = name.partition(" ")
            hashed: Mapping[str, Callable[[], str]] = {
                "file": lambda: sha256_of(HOME / rest),
                "folder": lambda: listing_hash(HOME / rest),
                "module": lambda: sha256_of(module_file(rest) or HOME / rest),
                "release": lambda: release_hash(HOME / rest),
                "stated": lambda: stated_hash(HOME / rest),
            }
            try:
                self._known[name] = hashed[kind]()
            except (OSError, KeyError, TypeError, AttributeError):
                self._known[name] = ""
        return self._known[name]


def why_stale(run: Run, reports: Path, now: Now) -> list[str]:
    """Say why a run must be made again.

    Parameters
    ----------
    run : Run
    reports : Path
    now : Now
        Shared by all runs.

    Returns
    -------
    list of str
        Empty if its report is fresh.

    Raises
    ------
    InputError
        If a food release that it uses is damaged.
    """
    for release in named_releases(run):
        now.hash_of(f"release {shown(release)}")  # damage is said before anything runs
    used = read_stamp(reports, run.name)
    if used is None:
        finished = (reports / run.name / "provenance.json").is_file()
        return ["its report was not finished, or its stamp is damaged" if finished else "there is no report yet"]
    reasons = []
    if used.notebook != run.notebook.stem:
        reasons.append(f"its notebook was {used.notebook}, is {run.notebook.stem}")
    reasons += _changed("parameter", used.parameters, effective_parameters(run))
    reasons += _changed("version of", used.versions, versions())
    for name, sha256 in used.inputs.items():
        found = now.hash_of(name)
        if found != sha256:
            what = name.partition(" ")[2] if name.startswith("file") else name.replace("folder", "names in", 1)
            reasons.append(f"{what} {'is new' if not sha256 else 'changed' if found else 'is gone'}")
    try:
        for path in named_files(run).values():
            if f"file {shown(path)}" not in used.inputs:
                reasons.append(f"{shown(path)} is new")
    except SwaptableError as error:
        reasons.append(str(error))
    for folder, foods in used.foods.items():
        reasons += _foods_changed(folder, foods, now)
    wrong = [name for name, sha256 in used.results.items() if _hash(reports / run.name / name) != sha256]
    if wrong:
        reasons.append(f"its report lost or changed {listed(wrong, 3)}")
    return reasons


def stale_runs(runs: Iterable[Run], reports: Path) -> dict[str, list[str]]:
    """Say of each run why it must be made again; an empty list where its report is fresh."""
    now = Now()
    return {run.name: why_stale(run, reports, now) for run in runs}


def _changed(word: str, before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    names = [name for name in {**before, **after} if before.get(name) != after.get(name)]
    return [f"{word} {name} was {before.get(name, 'not set')}, is {after.get(name, 'not set')}" for name in names]


def _foods_changed(folder: str, foods: Foods, now: Now) -> list[str]:
    """Compare a release as a whole first, and only if it differs the foods that were used."""
    if not (HOME / folder).is_dir():
        return [f"{folder} is gone"]
    if now.hash_of(f"release {folder}") == foods.release:
        return []
    if foods.codes is None:
        return [f"{folder} changed, of which any food may be used"]
    if _digest(str(HOME / folder), foods.codes) == foods.digest:
        return []
    return [f"{folder} changed in foods that are used ({listed(foods.codes, 3)})"]


def _hash(path: Path) -> str:
    try:
        return sha256_of(path)
    except OSError:
        return ""
