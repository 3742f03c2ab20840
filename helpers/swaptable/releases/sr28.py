"""Read the raw ASCII release of USDA SR28 into the tables of a food release.

Layout after: USDA National Nutrient Database for Standard Reference, Release 28, documentation (2016),
"ASCII files": ``^`` between fields, ``~`` around text, no header, Latin-1. An absent row or an empty field
is a missing value, never zero.
"""

from __future__ import annotations

import csv
import hashlib
import io
import tarfile
import zipfile
import zlib
from pathlib import Path
from typing import Any

import pandas as pd

from swaptable.basics.errors import InputError
from swaptable.foods.release import FoodRelease
from swaptable.foods.release_writer import write_release
from swaptable.releases.raw_files import RawFile, RawFiles
from swaptable.releases.raw_tables import MOST_COUNT

__all__ = ["import_sr28", "read_sr28"]

_FILES: dict[str, list[str]] = {
    "FOOD_DES": [
        "code", "food_group", "description", "short_description", "common_name", "manufacturer", "in_survey",
        "refuse_description", "refuse_percent", "scientific_name", "nitrogen_factor", "protein_kcal_per_g",
        "fat_kcal_per_g", "carbohydrate_kcal_per_g",
    ],
    "FD_GROUP": ["food_group", "food_group_name"],
    "NUT_DATA": [
        "code", "nutrient_number", "value", "n", "standard_error", "source_code", "derivation_code",
        "reference_food", "added_nutrient", "studies", "minimum", "maximum", "degrees_of_freedom", "lower_95",
        "upper_95", "statistical_comments", "date", "confidence_code",
    ],
    "NUTR_DEF": ["nutrient_number", "unit", "tagname", "name", "decimals", "sr_order"],
    "WEIGHT": ["code", "sequence", "amount", "measure", "grams", "n", "standard_deviation"],
    "FOOTNOTE": ["code", "footnote_number", "kind", "nutrient_number", "text"],
    "SRC_CD": ["source_code", "text"],
    "DERIV_CD": ["derivation_code", "text"],
    "DATA_SRC": [
        "data_source", "authors", "title", "year", "journal", "volume_or_city", "issue_or_state",
        "start_page", "end_page",
    ],
    "DATSRCLN": ["code", "nutrient_number", "data_source"],
    "LANGUAL": ["code", "factor_code"],
    "LANGDESC": ["factor_code", "text"],
}  # fmt: skip

_WHOLE = {"nutrient_number", "n", "studies", "degrees_of_freedom", "sequence", "decimals", "sr_order"}
_REAL = {
    "value", "standard_error", "minimum", "maximum", "lower_95", "upper_95", "amount", "grams",
    "standard_deviation", "refuse_percent", "nitrogen_factor", "protein_kcal_per_g", "fat_kcal_per_g",
    "carbohydrate_kcal_per_g",
}  # fmt: skip

# SR28 gives the tag VITD to both units of vitamin D and no tag to six components; keys must be single.
_OWN_TAGS = {
    257: "PROCNT_ADJUSTED", 324: "VITD_IU", 573: "TOCPHA_ADDED", 578: "VITB12_ADDED", 665: "F18D2T_UNDEFINED",
    666: "F18D2I", 856: "F18D3I",
}  # fmt: skip

_MOST = 1e12  # of any number
_MOST_BYTES = 200_000_000  # of a file; the largest has 37 MB

_ABOUT = {
    "name": "sr28",
    "title": "USDA National Nutrient Database for Standard Reference, Release 28",
    "released": "September 2015",
    "source": "U.S. Department of Agriculture, Agricultural Research Service, Nutrient Data Laboratory",
    "licence": "public domain (work of the United States government)",
    "basis": "per 100 g edible portion",
}


def _raw_files(source: Path) -> dict[str, bytes]:
    wanted = {f"{name}.txt" for name in _FILES}
    if source.is_dir():
        return {path.stem: path.read_bytes() for path in sorted(source.rglob("*.txt")) if path.name in wanted}
    if zipfile.is_zipfile(source):
        with RawFiles(source, (".txt",)) as files:
            found = {name: files.get(name.lower()) for name in _FILES}
            return {name: _content(file) for name, file in found.items() if file is not None}
    try:
        with tarfile.open(source) as archive:
            members = [each for each in archive.getmembers() if each.isfile() and Path(each.name).name in wanted]
            large = next((member.name for member in members if member.size > _MOST_BYTES), None)
            if large is not None:
                problem = f"holds {large} of more than {_MOST_BYTES / 1e6:.0f} MB; expected a table of SR28"
                raise InputError(problem, file=source)
            return {Path(m.name).stem: archive.extractfile(m).read() for m in members}  # type: ignore[union-attr]
    except (OSError, EOFError, zlib.error, tarfile.TarError) as error:
        raise InputError("expected a folder or archive (zip, tar) with SR28's .txt files", file=source) from error


def _content(file: RawFile) -> bytes:
    with file.reading() as stream:
        return stream.read()


def _read(name: str, raw: bytes, source: Path) -> pd.DataFrame:
    columns = _FILES[name]
    for number, record in enumerate(raw.splitlines(), 1):
        if record.count(b"^") != len(columns) - 1:
            found = record.count(b"^") + 1
            problem = f"found {found} fields, expected {len(columns)}"
            raise InputError(problem, file=source, line=number, field=f"{name}.txt")
    try:
        table = pd.read_csv(
            io.BytesIO(raw), sep="^", quotechar="~", quoting=csv.QUOTE_MINIMAL, header=None, dtype=str,
            encoding="latin-1", keep_default_na=False, index_col=False,
        )  # fmt: skip
    except (pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise InputError(f"is no table ({' '.join(str(error).split())})", file=source, field=f"{name}.txt") from None
    if len(table.columns) != len(columns):
        problem = f"found {len(table.columns)} fields, expected {len(columns)}; is a ~ left open?"
        raise InputError(problem, file=source, field=f"{name}.txt")
    table.columns = columns
    for column in columns:
        if column in _WHOLE | _REAL:
            try:
                number = pd.to_numeric(table[column].replace("", None))
            except ValueError as error:
                raise InputError(f"expected a number ({error})", file=source, field=f"{name}.txt {column}") from error
            number = number.astype(float)
            whole = column in _WHOLE
            fits = number.abs() < (MOST_COUNT if whole else _MOST)
            strange = table.index[number.notna() & ~(fits & ((number % 1 == 0) | (not whole)))]
            if len(strange):
                problem = f"found '{table.at[strange[0], column]}'; expected a {'whole ' if whole else ''}number"
                raise InputError(problem, file=source, line=int(strange[0]) + 1, field=f"{name}.txt {column}")
            table[column] = number.astype("Int32" if whole else "float64")
    return table


def read_sr28(source: Path) -> tuple[dict[str, pd.DataFrame], dict[str, Any]]:
    """Read every table of the raw release.

    Parameters
    ----------
    source : Path
        Folder that holds the ``.txt`` files at any depth, or a zip or tar archive of such a folder.

    Returns
    -------
    tables : dict of DataFrame
        ``foods``, ``values``, ``portions``, ``components`` and the supporting tables.
    manifest : dict
        About the source, with SHA-256 and row count of every raw file.

    Raises
    ------
    InputError
        If a file is missing or has another layout.
    """
    raw = _raw_files(source)
    missing = sorted(set(_FILES) - set(raw))
    if missing:
        raise InputError(f"found no {missing[0]}.txt; expected all of {', '.join(_FILES)}", file=source)
    read = {name: _read(name, raw[name], source) for name in _FILES}

    components = read["NUTR_DEF"].copy()
    components["unit"] = components["unit"].str.replace("\u03bc", "\u00b5")
    own = components["nutrient_number"].map(_OWN_TAGS)
    components.insert(0, "component", own.fillna(components["tagname"]))
    components = components.sort_values("sr_order", ignore_index=True)

    values = read["NUT_DATA"].sort_values(["code", "nutrient_number"], ignore_index=True)
    for column in ("code", "source_code", "derivation_code", "reference_food", "date"):
        values[column] = values[column].astype("category")
    tables = {
        "foods": read["FOOD_DES"].merge(read["FD_GROUP"], on="food_group", how="left").sort_values("code"),
        "values": values,
        "portions": read["WEIGHT"].sort_values(["code", "sequence"]),
        "components": components,
        "footnotes": read["FOOTNOTE"],
        "source_codes": read["SRC_CD"],
        "derivation_codes": read["DERIV_CD"],
        "data_sources": read["DATA_SRC"],
        "data_source_links": read["DATSRCLN"],
        "langual": read["LANGUAL"],
        "langual_factors": read["LANGDESC"],
    }
    files = {
        f"{name}.txt": {"sha256": hashlib.sha256(raw[name]).hexdigest(), "rows": len(read[name])} for name in _FILES
    }
    return tables, _ABOUT | {"raw_files": files}


def import_sr28(source: Path, folder: Path) -> FoodRelease:
    """Build the food release from the raw one.

    Parameters
    ----------
    source : Path
        As for :func:`read_sr28`.
    folder : Path
        Where the release goes; must not exist.

    Returns
    -------
    FoodRelease
    """
    tables, manifest = read_sr28(source)
    return write_release(folder, manifest, tables)
