"""A food release written as compact Parquet with its manifest, whole or not at all."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.parquet as pq

from swaptable.basics.errors import InputError
from swaptable.basics.whole_files import sha256_of
from swaptable.foods.release import TABLES_NEEDED, FoodRelease, open_release

__all__ = ["refuse_existing", "write_release"]

_LARGE = 1_000_000  # rows


def refuse_existing(folder: Path) -> None:
    """Refuse a destination that cannot be written, before a long import begins.

    Raises
    ------
    InputError
        If the folder exists, since a release is never overwritten, or could not be made.
    """
    if folder.exists() or folder.is_symlink():
        raise InputError("exists already, and a release is never overwritten; name another folder", file=folder)
    above = next(each for each in folder.absolute().parents if each.exists())
    if not above.is_dir():
        raise InputError("is a file; expected a folder to write the release into", file=above)
    part = _part(folder)
    strange = [each.name for each in part.glob("*") if each.suffix != ".parquet" and each.name != "manifest.json"]
    if strange or part.is_symlink() or part.is_file():
        problem = "is not what an interrupted import leaves; an import writes there first, so move it away"
        raise InputError(problem, file=part)


def _part(folder: Path) -> Path:
    """Name the folder in which a release is written before it is whole."""
    return folder.with_name(folder.name + ".part")


def write_release(folder: Path, manifest: dict[str, Any], tables: dict[str, pd.DataFrame | Path]) -> FoodRelease:
    """Write a release as compact Parquet with its manifest, whole or not at all.

    Parameters
    ----------
    folder : Path
        Destination; must not exist, since a release is never overwritten.
    manifest : dict
        What is known of the source: ``name``, ``title``, ``source``, ``released``, ``licence`` ...
    tables : dict of DataFrame or Path
        By table name; ``foods``, ``values``, ``portions`` and ``components`` are needed. A path is a finished
        Parquet file on the same disk, which is moved.

    Returns
    -------
    FoodRelease

    Raises
    ------
    InputError
        If the folder exists or a needed table is missing.
    """
    refuse_existing(folder)
    missing = [name for name in TABLES_NEEDED if name not in tables]
    if missing:
        raise InputError(f"found no table '{missing[0]}'; expected {', '.join(TABLES_NEEDED)}", file=folder)
    part = _part(folder)
    shutil.rmtree(part, ignore_errors=True)  # what an interrupted import left
    part.mkdir(parents=True)
    try:
        _write_tables(part, manifest, tables)
        part.rename(folder)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    return open_release(folder)


def _write_tables(part: Path, manifest: dict[str, Any], tables: dict[str, pd.DataFrame | Path]) -> None:
    entries = {}
    for name, table in tables.items():
        path = part / f"{name}.parquet"
        if isinstance(table, Path):
            table.replace(path)
        else:
            level = 19 if len(table) < _LARGE else 3  # the last percent of a large table takes minutes
            table.to_parquet(path, index=False, compression="zstd", compression_level=level)
        schema = pq.read_schema(path)
        rows = pq.read_metadata(path).num_rows
        entries[name] = {"sha256": sha256_of(path), "rows": rows, "columns": list(schema.names)}
    text = json.dumps(manifest | {"tables": entries}, indent=2, ensure_ascii=False)
    (part / "manifest.json").write_text(text + "\n", encoding="utf-8", newline="\n")
