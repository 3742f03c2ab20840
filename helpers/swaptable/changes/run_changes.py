"""Recorded runs compared: which inputs are others, and what that did to the results."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from swaptable.basics.errors import InputError, listed, nearest
from swaptable.basics.folders import shown
from swaptable.basics.whole_files import write_whole
from swaptable.changes.changes import Changes, Difference, collected, difference_of
from swaptable.changes.recorded import conclusions_of
from swaptable.changes.run_results import PROVENANCE, RunResults, folder_results, ledger_results
from swaptable.runs import ledger

__all__ = [
    "compare_entries",
    "compare_folders",
    "compare_ledger",
    "compare_reports",
    "last_entry",
    "remember",
]

TOLD = ".told.json"  # in the reports folder: up to which entry of the ledger changes were told


def compare_folders(old: Path, new: Path) -> Changes:
    """Compare two runs by the folders that they left.

    Parameters
    ----------
    old, new : Path
        Such as ``reports/barley_pot_blood_pressure``, today's and an earlier copy. The names need not be the same: one
        recipe can be compared for two audiences so.

    Returns
    -------
    Changes

    Raises
    ------
    InputError
        If a folder is not what a run leaves, or the two are of two notebooks or recipes.
    """
    pair = (folder_results(old), folder_results(new))
    _refuse_unlike(*pair)
    return _compared([pair], *(f"{each.where} ({each.finished})" for each in pair))


def _refuse_unlike(one: RunResults, other: RunResults) -> None:
    if one.notebook != other.notebook:
        problem = f"was made by the notebook {one.notebook}, {other.where} by {other.notebook}; compare runs of one"
        raise InputError(problem, file=one.where)
    if _two_recipes(one, other):
        recipes = [each.parameters["recipe"] for each in (one, other)]
        problem = f"is of the recipe '{recipes[0]}', {other.where} of '{recipes[1]}'; compare runs of one recipe"
        raise InputError(problem, file=one.where)


def _two_recipes(one: RunResults, other: RunResults) -> bool:
    recipes = [each.parameters.get("recipe") for each in (one, other)]
    return None not in recipes and recipes[0] != recipes[1]


def _unlike(before: RunResults, after: RunResults) -> list[str]:
    """Say which audience or regime is another one."""
    found = _others(before.parameters, after.parameters)
    asked = ("audience", "audiences", "regime")
    return [f"{name} {old or 'not there'} → {new or 'not there'} ({after.run})" for name, old, new in found
            if name in asked]  # fmt: skip


def compare_reports(old: Path, new: Path, only: Sequence[str] = ()) -> Changes:
    """Compare two folders of reports, run by run of the same name.

    Parameters
    ----------
    old, new : Path
        Such as ``reports`` and an earlier copy of it.
    only : sequence of str, optional
        Names of runs; all by default.

    Returns
    -------
    Changes

    Raises
    ------
    InputError
        If they have no run in common, or none of a name that is asked for.
    """
    names = [sorted(path.parent.name for path in side.glob(f"[!.]*/{PROVENANCE}")) for side in (old, new)]
    both = [name for name in names[0] if name in names[1]]
    for name in only:
        if name not in both:
            raise InputError(f"found run '{name}'; expected one of {listed(both) or 'none'}{nearest(name, both)}")
    if not both:
        raise InputError(f"has no run in common with {shown(new)}", file=shown(old))
    chosen = [name for name in both if name in only or not only]
    pairs = [(folder_results(old / name), folder_results(new / name)) for name in chosen]
    alone = [
        f"{name} (only in {shown(side)})"
        for side, here, there in ((old, names[0], names[1]), (new, names[1], names[0]))
        for name in here
        if name not in there and not only
    ]
    return _compared(pairs, shown(old), shown(new), alone)


def compare_entries(reports: Path, old: int, new: int) -> Changes:
    """Compare two entries of the ledger.

    Parameters
    ----------
    reports : Path
        Folder of the ledger.
    old, new : int
        Their numbers.

    Returns
    -------
    Changes

    Raises
    ------
    InputError
        If there is no such entry, or the two are of two notebooks or recipes.
    """
    entries = {entry.number: entry for entry in _entries(reports)}
    for number in (old, new):
        if number not in entries:
            problem = f"found no entry {number}; expected a number from {min(entries)} to {max(entries)}"
            raise InputError(problem, file=shown(reports))
    pair = (ledger_results(reports, entries[old]), ledger_results(reports, entries[new]))
    _refuse_unlike(*pair)
    return _compared([pair], *(f"{each.where}: {each.run} ({each.finished})" for each in pair))


def compare_ledger(reports: Path, only: Sequence[str] = (), *, once: bool = False) -> Changes:
    """Compare the last entry of each run with the one before it.

    Parameters
    ----------
    reports : Path
        Folder of the ledger.
    only : sequence of str, optional
        Names of runs; all by default.
    once : bool, optional
        Leave out what :func:`remember` says was told before: the last entry of each run is compared with the last one
        that was told, and a run that was not made since is left out.

    Returns
    -------
    Changes
        Of no runs, if none was made twice.

    Raises
    ------
    InputError
        If there is no ledger, it was edited, or it knows no run of a name that is asked for.
    """
    by_run: dict[str, list[ledger.Entry]] = {}
    for entry in _entries(reports):
        by_run.setdefault(entry.run, []).append(entry)
    for name in only:
        if name not in by_run:
            raise InputError(f"found run '{name}'; expected one of {listed(by_run)}{nearest(name, by_run)}")
    told = _told(reports) if once else 0
    pairs, alone = [], []
    for name, entries in by_run.items():
        if (only and name not in only) or entries[-1].number <= told:
            continue
        before = [entry for entry in entries[:-1] if entry.number <= told] or entries[-2:-1]
        if before:
            pairs.append((ledger_results(reports, before[-1]), ledger_results(reports, entries[-1])))
        else:
            alone.append(f"{name} (made once so far)")
    since = f"entry {told} of the ledger" if told else "the entry before, of each run"
    return _compared(pairs, since, "the last entry of each run", alone)


def _entries(reports: Path) -> list[ledger.Entry]:
    entries = ledger.read_ledger(reports)
    if not entries:
        problem = "has no ledger yet: make the reports first, or name two releases, runs or reports folders"
        raise InputError(problem, file=shown(reports))
    return entries


def _told(reports: Path) -> int:
    try:
        return int(json.loads((reports / TOLD).read_text(encoding="utf-8"))["told"])
    except FileNotFoundError:
        return 0
    except (OSError, ValueError, KeyError, TypeError) as error:
        problem = "is damaged; remove it, and all changes are told once more"
        raise InputError(problem, file=shown(reports / TOLD)) from error


def remember(reports: Path, number: int) -> None:
    """Note that the changes up to an entry of the ledger were told."""
    write_whole(reports / TOLD, json.dumps({"told": number}) + "\n")


def last_entry(reports: Path) -> int:
    """Give the number of the last entry of the ledger; 0 if there is none."""
    return max((entry.number for entry in ledger.read_ledger(reports)), default=0)


def _compared(pairs: Sequence[tuple[RunResults, RunResults]], old: str, new: str, alone: Iterable[str] = ()) -> Changes:
    """Compare pairs of recorded runs."""
    differences: list[Difference] = []
    inputs, tables, compared, left_out, unlike = [], [], [], list(alone), []
    for before, after in pairs:
        if before.notebook != after.notebook:
            left_out.append(f"{after.run} (made by {before.notebook} before, by {after.notebook} now)")
            continue
        if _two_recipes(before, after):
            recipes = [each.parameters["recipe"] for each in (before, after)]
            left_out.append(f"{after.run} (of the recipe {recipes[0]} before, of {recipes[1]} now)")
            continue
        unlike += _unlike(before, after)
        compared.append(before.run)
        recipe = str(before.parameters.get("recipe", before.run))
        audience = str(before.parameters.get("audience", ""))
        inputs += _inputs(before, after)
        if _same_results(before, after):
            continue
        one, read = conclusions_of(before, recipe, audience)
        other, read_too = conclusions_of(after, recipe, audience)
        differences.append(difference_of(one, other))
        tables += _other_tables(before, after, read & read_too)
    return Changes(
        what="runs",
        old=old,
        new=new,
        compared=tuple(compared),
        **collected(differences),
        inputs=pd.DataFrame(inputs, columns=["run", "kind", "name", "old", "new"]),
        tables=pd.DataFrame(tables, columns=["run", "table", "old_rows", "new_rows", "other_rows"]),
        left_out=tuple(left_out),
        unlike=tuple(unlike),
        sources=f"Estimates, as recorded: {old}; {new}.",
    )


def _inputs(before: RunResults, after: RunResults) -> list[dict[str, str]]:
    """Name every input that is another one: files, releases, modules, parameters, versions."""
    found = []
    for name, old, new in _others(before.inputs, after.inputs):
        kind, _, rest = name.partition(" ")
        known = rest and kind in ("file", "folder", "module", "foods")
        found.append((kind if known else "file", rest if known else name, old[:8], new[:8]))
    found += [("parameter", name, old, new) for name, old, new in _others(before.parameters, after.parameters)]
    found += [("version", name, old, new) for name, old, new in _others(before.versions, after.versions)]
    return [{"run": after.run, "kind": kind, "name": name, "old": old, "new": new} for kind, name, old, new in found]


def _others(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    def told(side: Mapping[str, Any], name: str) -> str:
        value = side.get(name, "")
        words = ", ".join(map(str, value)) if isinstance(value, list) else str(value)
        return words or ("nothing" if name in side else "")

    names = [name for name in {**before, **after} if before.get(name) != after.get(name)]
    return [(name, told(before, name), told(after, name)) for name in names]


def _same_results(before: RunResults, after: RunResults) -> bool:
    return before.names == after.names and all(before.read(name) == after.read(name) for name in before.names)


def _other_tables(before: RunResults, after: RunResults, read: set[str]) -> list[dict[str, object]]:
    """Count the rows that are others in the tables whose meaning is not known here."""
    rows: list[dict[str, object]] = []
    for name in dict.fromkeys([*before.names, *after.names]):
        if name in read:
            continue
        lines = [_lines(side, name) for side in (before, after)]
        if lines[0] != lines[1]:
            counts = [Counter(each) for each in lines]
            other = max((counts[0] - counts[1]).total(), (counts[1] - counts[0]).total())
            old, new = (max(len(each) - 1, 0) for each in lines)
            rows.append({"run": after.run, "table": name, "old_rows": old, "new_rows": new, "other_rows": other})
    return rows


def _lines(side: RunResults, name: str) -> list[tuple[object, ...]]:
    if name not in side.names:
        return []
    table = side.table(name)
    return [tuple(table.columns), *table.itertuples(index=False, name=None)]
