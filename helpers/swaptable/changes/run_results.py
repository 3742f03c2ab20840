"""What a run recorded, read from its folder and from the ledger alike: inputs, parameters and tables."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from swaptable.basics.errors import InputError
from swaptable.basics.folders import shown
from swaptable.runs import ledger

__all__ = ["PROVENANCE", "RunResults", "folder_results", "ledger_results"]

PROVENANCE = "provenance.json"


@dataclass(frozen=True, eq=False)
class RunResults:
    """One run as it was recorded.

    Attributes
    ----------
    run : str
    where : str
        Folder or entry, for errors and headings.
    finished, notebook : str
    parameters : dict
    inputs, versions : dict of str
        Name → SHA-256, and library → version.
    names : tuple of str
        Tables that were written, without ending.
    read : callable
        Name of a table → its bytes.
    """

    run: str
    where: str
    finished: str
    notebook: str
    parameters: Mapping[str, Any]
    inputs: Mapping[str, str]
    versions: Mapping[str, str]
    names: tuple[str, ...]
    read: Callable[[str], bytes]
    _tables: dict[str, pd.DataFrame] = field(default_factory=dict)

    def table(self, name: str, *columns: str) -> pd.DataFrame:
        """Read a table as texts, an empty cell being an empty text.

        Parameters
        ----------
        name : str
            Without ending.
        *columns : str
            Columns that it must have.

        Raises
        ------
        InputError
            If it is not a table, or lacks a column.
        """
        place = f"{self.where}: tables/{name}.csv"
        if name not in self._tables:
            try:
                text = self.read(name).decode("utf-8")
                self._tables[name] = pd.read_csv(io.StringIO(text), dtype=str, keep_default_na=False)
            except (ValueError, OSError) as error:
                told = " ".join(str(error).split())
                raise InputError(f"is not a table that a run wrote ({told}); run it again", file=place) from error
        table = self._tables[name]
        lacking = next((column for column in columns if column not in table), None)
        if lacking is not None:
            raise InputError(f"has no column '{lacking}'; run it again", file=place)
        return table

    def numbers(self, name: str, column: str) -> pd.Series:
        """Read a column of numbers; an empty cell is missing."""
        texts = self.table(name, column)[column]
        values = pd.to_numeric(texts, errors="coerce").astype(float)
        wrong = values.isna() & (texts != "")
        if wrong.any():
            line = int(np.flatnonzero(wrong)[0]) + 2
            problem = f"found '{texts[wrong].iloc[0]}' in line {line}; expected a number or nothing"
            raise InputError(problem, file=f"{self.where}: tables/{name}.csv", field=column)
        return values


def folder_results(folder: Path) -> RunResults:
    """Read what a run left in its folder.

    Parameters
    ----------
    folder : Path
        Such as ``reports/barley_pot_blood_pressure``.

    Returns
    -------
    RunResults

    Raises
    ------
    InputError
        If its provenance is missing or damaged.
    """
    file = folder / PROVENANCE
    try:
        about = json.loads(file.read_text(encoding="utf-8"))
        parameters, versions, finished = dict(about["parameters"]), dict(about["versions"]), str(about["finished"])
        inputs = _inputs(about)
        notebook = Path(str(about["inputs"]["notebook"]["file"])).stem
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        told = " ".join(str(error).split())
        raise InputError(f"is not what a run writes ({told}); run it again", file=shown(file)) from error
    tables = folder / "tables"
    names = tuple(sorted(path.stem for path in tables.glob("*.csv")))
    run = str(about.get("run", folder.name))
    return RunResults(
        run, shown(folder), finished, notebook, parameters, inputs, versions, names,
        lambda name: (tables / f"{name}.csv").read_bytes(),
    )  # fmt: skip


def _inputs(about: Mapping[str, Any]) -> dict[str, str]:
    """Name every input of a provenance as the ledger does."""
    found = {f"file {entry['file']}": str(entry["sha256"]) for entry in dict(about["inputs"]).values()}
    found |= {str(name): str(sha256) for name, sha256 in dict(about.get("used", {})).items()}
    foods = {str(folder): str(entry["release"]) for folder, entry in dict(about.get("foods", {})).items()}
    if not foods:  # of a report that an earlier version made
        foods = {str(about["food_release"]["name"]): str(about["food_release"]["sha256"])}
    return found | {f"foods {folder}": sha256 for folder, sha256 in foods.items()}


def ledger_results(reports: Path, entry: ledger.Entry) -> RunResults:
    """Read what an entry of the ledger recorded.

    Parameters
    ----------
    reports : Path
        Folder of the ledger.
    entry : Entry

    Returns
    -------
    RunResults
    """
    hashes = {
        name.removeprefix("tables/").removesuffix(".csv"): sha256
        for name, sha256 in entry.results.items()
        if name.startswith("tables/") and name.endswith(".csv")
    }
    inputs = {**entry.inputs, **{f"foods {folder}": sha256 for folder, sha256 in entry.releases.items()}}
    return RunResults(
        entry.run, f"entry {entry.number} of the ledger", entry.finished, entry.notebook, entry.parameters, inputs,
        entry.versions, tuple(sorted(hashes)), lambda name: ledger.content(reports, hashes[name]),
    )  # fmt: skip
