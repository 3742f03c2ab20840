"""Read the published text layout of the USDA Food and Nutrient Database for Dietary Studies (FNDDS): its dishes.

The layout of FNDDS 2.0 (survey years 2003-2004): ``^`` between fields and after the last one, ``~`` around text,
Latin-1, a first row of ``name:type``. Three files are read: ``MainFoodDesc`` (what each dish is called),
``FnddsSRLink`` (its ingredients) and ``MoistureFatAdj`` (what cooking does to its weight). Later releases come as CSV
with FoodData Central in another layout, which is not read here.

Moisture and fat change are percentages of the total weight of the ingredients, and the type of fat is the food that
is added or taken off (from memory of the published user guide; the files themselves give no definition).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from swaptable.basics.errors import InputError, listed

__all__ = ["Fndds", "is_fndds", "read_fndds"]

_COLUMNS = {  # column of the file → ours
    "MainFoodDesc": {"foodCode": "dish", "mainFoodDescription": "title"},
    "FnddsSRLink": {
        "foodCode": "dish", "seqNum": "sequence", "srFoodCode": "food", "srDescription": "description",
        "measure": "measure", "retentionCode": "retention", "weight": "grams",
    },
    "MoistureFatAdj": {
        "foodCode": "dish", "moistureChange": "moisture_percent", "fatChange": "fat_percent", "typeOfFat": "fat_food",
    },
}  # fmt: skip
_NUMBERS = ("grams", "moisture_percent", "fat_percent")
_CODES = {"dish": 8, "food": 8, "fat_food": 8, "retention": 4}  # most digits
_NONE = "0"  # a code that stands for nothing
SURVEY_CODE, SR_CODE = 8, 5  # digits
# Measures of the file by how a kitchen measures them; a blank one counts pieces.
_WAYS = {
    **dict.fromkeys(("GM", "MG", "OZ", "LB", "KG"), "mass"),
    **dict.fromkeys(("C", "CP", "TS", "TB", "FO", "QT", "PT", "GAL", "ML", "L"), "volume"),
}


@dataclass(frozen=True, eq=False)
class Fndds:
    """The dishes of a survey as published, nothing resolved.

    Attributes
    ----------
    dishes : DataFrame
        One row per dish, indexed by its eight-digit code: ``title``; ``moisture_percent`` and ``fat_percent``, what
        cooking adds to (above 0) or takes from the weight of the ingredients [% of it]; ``fat_food``, the code of
        the fat, empty for none.
    lines : DataFrame
        One row per ingredient, in the order of the file: ``dish``; ``food``, a code of SR with its leading zeros, or
        of another dish (eight digits); ``description``; ``grams`` > 0; ``way`` of measuring, as in
        ``kitchen_errors.csv``; ``retention``, a code of the USDA table of retention factors, empty for none.
    """

    dishes: pd.DataFrame
    lines: pd.DataFrame


def is_fndds(folder: Path) -> bool:
    """Tell whether a folder holds the published files."""
    return folder.is_dir() and any((folder / f"{name}.txt").is_file() for name in _COLUMNS)


def _header(path: Path, line: str) -> list[str]:
    names = [field.partition(":")[0] for field in line.rstrip("^").split("^")]
    missing = [column for column in _COLUMNS[path.stem] if column not in names]
    if missing:
        problem = f"has no column '{missing[0]}'; found {listed(names, 20)}"
        raise InputError(problem, file=path, line=1)
    return names


def _rows(path: Path, lines: Sequence[str], count: int) -> tuple[list[int], list[list[str]]]:
    """Split the lines into fields; rows may close with one more ``^``, but then all of them do."""
    numbers: list[int] = []
    rows: list[list[str]] = []
    closed = 0
    for number, line in enumerate(lines, 2):
        if not line.strip():
            continue
        fields = line.split("^")
        if not rows:
            closed = int(len(fields) == count + 1 and not fields[-1])
        if len(fields) != count + closed:
            raise InputError(f"found {len(fields) - closed} fields; expected {count}", file=path, line=number)
        numbers.append(number)
        rows.append(fields)
    return numbers, rows


def _read(folder: Path, name: str) -> pd.DataFrame:
    """Read the columns that are wanted of one file as text; the index is the line in the file."""
    path = folder / f"{name}.txt"
    try:
        lines = path.read_text(encoding="latin-1").splitlines()
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror}); expected the three files of FNDDS", file=path) from error
    if not lines:
        raise InputError("is empty; expected a first row that names the columns", file=path)
    names = _header(path, lines[0])
    numbers, rows = _rows(path, lines[1:], len(names))
    if not rows:
        raise InputError("holds no row below its header", file=path)
    places = [names.index(column) for column in _COLUMNS[name]]
    texts = [[row[place].strip("~").strip() for place in places] for row in rows]
    table = pd.DataFrame(texts, columns=list(_COLUMNS[name].values()), index=numbers, dtype=object)
    return _typed(path, table)


def _typed(path: Path, table: pd.DataFrame) -> pd.DataFrame:
    """Turn numbers into numbers and check codes; the first that cannot be is the error."""
    published = {ours: theirs for theirs, ours in _COLUMNS[path.stem].items()}
    for column in table.columns.intersection(_NUMBERS):
        values = pd.to_numeric(table[column], errors="coerce").to_numpy(dtype=float)
        wrong = ~np.isfinite(values)
        if wrong.any():
            at = table.index[wrong][0]
            problem = f"found '{table.at[at, column]}'; expected a number"
            raise InputError(problem, file=path, line=int(at), field=published[column])
        table[column] = values
    for column in table.columns.intersection(list(_CODES)):
        wrong = ~table[column].str.fullmatch(rf"[0-9]{{1,{_CODES[column]}}}").to_numpy(dtype=bool)
        if wrong.any():
            at = table.index[wrong][0]
            problem = f"found '{table.at[at, column]}'; expected a code of at most {_CODES[column]} digits"
            raise InputError(problem, file=path, line=int(at), field=published[column])
    return table


def _one_per_dish(path: Path, table: pd.DataFrame) -> pd.DataFrame:
    twice = table.index[table["dish"].duplicated()]
    if len(twice):
        problem = f"found dish {table.at[twice[0], 'dish']} a second time; expected one row for each"
        raise InputError(problem, file=path, line=int(twice[0]), field="foodCode")
    return table


def _check_lines(path: Path, lines: pd.DataFrame, dishes: pd.Index) -> None:
    wrong = {
        "foodCode": (lines["dish"], ~lines["dish"].isin(dishes), "a dish that MainFoodDesc.txt names"),
        "weight": (lines["grams"], lines["grams"] <= 0, "a weight above 0 g"),
        "seqNum": (lines["sequence"], lines.duplicated(["dish", "sequence"]), "each number once in a dish"),
    }
    for column, (values, which, expected) in wrong.items():
        if which.any():
            at = lines.index[which][0]
            raise InputError(f"found {values[at]}; expected {expected}", file=path, line=int(at), field=column)


def _code(codes: pd.Series) -> pd.Series:
    """Give codes of SR their leading zeros, survey codes as they are, and nothing for none."""
    return codes.where(codes.str.len() >= SURVEY_CODE, codes.str.zfill(SR_CODE)).where(codes != _NONE, "")


def read_fndds(folder: str | Path) -> Fndds:
    """Read the dishes of a survey.

    Parameters
    ----------
    folder : str or Path
        With ``MainFoodDesc.txt``, ``FnddsSRLink.txt`` and ``MoistureFatAdj.txt``.

    Returns
    -------
    Fndds

    Raises
    ------
    InputError
        With file, line and field: a file or column that is missing, a row with another number of fields, a number or
        code that is none, a weight that is not above 0, a dish named twice or not at all.

    Notes
    -----
    A dish without ingredients, or without a row of moisture and fat, is kept: it is for whoever resolves the dishes
    to list it as not computable.
    """
    folder = Path(folder)
    tables = {name: _read(folder, name) for name in _COLUMNS}
    titles = _one_per_dish(folder / "MainFoodDesc.txt", tables["MainFoodDesc"]).set_index("dish")
    changes = _one_per_dish(folder / "MoistureFatAdj.txt", tables["MoistureFatAdj"]).set_index("dish")
    lines = tables["FnddsSRLink"]
    _check_lines(folder / "FnddsSRLink.txt", lines, titles.index)
    lines = lines.assign(
        food=_code(lines["food"]),
        retention=lines["retention"].where(lines["retention"] != _NONE, ""),
        way=lines["measure"].map(_WAYS).fillna("piece"),
    )
    changes = changes.assign(fat_food=_code(changes["fat_food"]))
    dishes = titles.join(changes.astype({"moisture_percent": float, "fat_percent": float}), how="left")
    return Fndds(dishes, lines[["dish", "food", "description", "grams", "way", "retention"]])
