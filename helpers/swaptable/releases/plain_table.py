"""A plain CSV of foods, one a row, as anybody can write it: any other table, or products read off their labels.

The columns are described in ``data/README.md``; ``data/foods/own_products_template.csv`` is one to copy. A component's
column is named ``TAG (unit)``, so that nobody has to guess which carbohydrate or vitamin A is meant.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from swaptable.basics.errors import InputError, SwaptableError, listed, nearest
from swaptable.basics.file_text import odd_sign
from swaptable.basics.units import measure_named, parse_amount
from swaptable.foods.component_identity import component_rows
from swaptable.foods.release import FoodRelease
from swaptable.foods.release_writer import refuse_existing, write_release
from swaptable.releases.plain_columns import NEEDED, OPTIONAL, Column, read_columns
from swaptable.releases.raw_files import RawFile, RawFiles
from swaptable.releases.raw_tables import numbers, read_rows
from swaptable.releases.value_checks import CHECKED, check_profiles, too_large

__all__ = ["BASES", "EVIDENCE", "import_plain", "read_plain", "release_name"]

BASES = ("100 g", "serving", "100 ml")
# What the values rest on, in the codes of SR28: source code and derivation code.
EVIDENCE = {
    "label": ("8", "LC"),
    "measured": ("1", "A"),
    "calculated": ("1", "NC"),
    "imputed": ("4", "O"),
    "not stated": ("", ""),
}
_MISSING, _TRACES = {"", "-", "n/a", "na"}, {"tr", "tr.", "trace", "traces"}
_CELL = re.compile(r"(?P<below><\s*)?(?P<number>[0-9]{1,12}(?:\.[0-9]+)?|\.[0-9]+)")
_SERVING_G = (0.001, 100_000.0)  # a grain of salt, and more than anybody eats
_LEAST_DENSITY = 0.01
_MOST_DENSITY = 3.0  # g/ml; crystals of salt, the heaviest of foods, have 2.2, and kg/m³ would be a thousand times
_SALT_SHARE, _SALT_MG = 0.1, 40.0  # labels print salt to 0.01 or 0.1 g (40 mg of sodium): as far may the two be apart
_COMMA = "expected a decimal comma, and no sign between thousands"
_CHECK_COLUMNS = ["code", "check", "component", "found", "expected"]


def release_name(folder: Path) -> str:
    """Give the name of a release by its folder.

    Raises
    ------
    InputError
        If it would not do in front of a food code.
    """
    if not re.fullmatch(r"\w+", folder.name):
        problem = f"found '{folder.name}'; expected a name of letters, digits and _, which stands before food codes"
        raise InputError(problem, file=folder)
    return folder.name


def _cell(text: str, decimal_comma: bool) -> tuple[float, float, str] | None:
    """Read a value: (number, limit or NaN, status); None is missing.

    An amount below a limit stands at half of it, the middle of what it may be; a trace stands at 0.
    """
    plain = text.strip().lower()
    if plain in _MISSING:
        return None
    if plain in _TRACES:
        return 0.0, np.nan, "trace"
    if decimal_comma and "." in plain:
        raise SwaptableError(f"found '{text}'; {_COMMA}")
    if decimal_comma and plain.count(",") == 1:
        plain = plain.replace(",", ".")
    found = _CELL.fullmatch(plain)
    if found is None:
        comma = "; for a decimal comma say --decimal-comma" if re.fullmatch(r"<?\s*\d+,\d+", plain) else ""
        allowed = "a number of 0 or more, <number for less than, tr for a trace, or nothing for missing"
        raise SwaptableError(f"found '{text}'; expected {allowed}{comma}")
    number = float(found["number"])
    return (number / 2, number, "below limit") if found["below"] else (number, np.nan, "")


def _portions(raw: RawFile, line: int, text: str) -> list[tuple[str, float]]:
    """Read household portions: ``1 cup = 30 g | 1 slice = 25 g``."""
    portions = []
    for part in filter(None, (each.strip() for each in text.split("|"))):
        measure, _, weight = part.partition("=")
        try:
            amount, grams = parse_amount(measure), parse_amount(weight)
        except SwaptableError as error:
            problem = str(error) if weight else f"found '{part}'; expected a measure and its mass, such as 1 cup = 30 g"
            raise InputError(problem, file=raw.place, line=line, field="portions") from None
        unit = measure_named(grams.measure)
        if unit is None or unit.kind != "mass" or not (amount.number and grams.number and amount.measure):
            problem = f"found '{part}'; expected a measure and its mass, such as 1 cup = 30 g"
            raise InputError(problem, file=raw.place, line=line, field="portions")
        portions.append((amount.measure, grams.number * unit.size / amount.number))
    return portions


def _per_100_g(raw: RawFile, rows: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Give what brings each food's values to 100 g, and the basis in words."""
    grams = {"serving": numbers(raw, rows["serving_g"]), "100 ml": 100 * numbers(raw, rows["density_g_per_ml"])}
    factors, told = [], []
    for line, basis in rows["basis"].items():
        if basis not in BASES:
            problem = f"found '{basis}'; expected {', '.join(BASES)}{nearest(basis, BASES)}"
            raise InputError(problem, file=raw.place, line=line, field="basis")
        weight = 100.0 if basis == "100 g" else float(grams[basis][line])
        if not weight > 0:
            field = {"serving": "serving_g", "100 ml": "density_g_per_ml"}[basis]
            problem = f"found '{rows.at[line, field]}'; the basis '{basis}' needs what it weighs, more than 0"
            raise InputError(problem, file=raw.place, line=line, field=field)
        factors.append(100 / weight)
        told.append(basis if basis == "100 g" else f"{basis} of {weight:g} g")
    return pd.Series(factors, index=rows.index), pd.Series(told, index=rows.index)


def _within(raw: RawFile, column: pd.Series, least: float, most: float, allowed: str) -> pd.Series:
    """Read numbers that are all 0 (or missing), or at least one limit and below another."""
    found = numbers(raw, column)
    wrong = found[((found < least) & (found != 0)) | (found >= most)]
    if len(wrong):
        problem = f"found {wrong.iloc[0]:g}; expected {allowed}"
        raise InputError(problem, file=raw.place, line=int(wrong.index[0]), field=str(column.name))
    return found


def _checked_codes(raw: RawFile, rows: pd.DataFrame) -> None:
    first: dict[str, int] = {}
    for line, code in rows["code"].items():
        if not re.fullmatch(r"[\w.-]+", code):
            problem = f"found '{code}'; expected a code of letters, digits, _, . and -"
            raise InputError(problem, file=raw.place, line=line, field="code")
        if code in first:
            problem = f"'{code}' is there twice, first in line {first[code]}; a code names one food"
            raise InputError(problem, file=raw.place, line=line, field="code")
        first[code] = line
        if not rows.at[line, "description"]:
            raise InputError("found nothing; expected what the food is", file=raw.place, line=line, field="description")
        for field in ("description", "group", "refuse", "portions", "source"):
            odd = odd_sign(rows.at[line, field], one_line=True)
            if odd:
                problem = f"found the sign {odd}; expected signs that can be seen"
                raise InputError(problem, file=raw.place, line=line, field=field)


def read_plain(
    source: Path, decimal_comma: bool = False, keep_doubtful: bool = False
) -> tuple[dict[str, pd.DataFrame], dict[str, Any]]:
    """Read a plain table.

    Parameters
    ----------
    source : Path
        CSV in UTF-8.
    decimal_comma : bool, optional
        Numbers have a decimal comma, and columns are separated by semicolons.
    keep_doubtful : bool, optional
        Take foods whose values do not go together all the same; they are listed in the table ``checks``.

    Returns
    -------
    tables : dict of DataFrame
        ``foods``, ``values``, ``portions``, ``components`` and ``checks``.
    manifest : dict
        About the source.

    Raises
    ------
    InputError
        With file, line, field, the value found and what is allowed.
    """
    raw, rows, columns, about = _opened(source, decimal_comma)
    foods, factor = _food_table(raw, rows)
    values, disagreeing = _values(raw, rows, columns, factor, decimal_comma)
    components = component_rows([(column.component, "", "", None) for column in columns])
    checks = pd.concat([disagreeing, _checks(foods["code"].tolist(), values)], ignore_index=True)
    if len(checks) and not keep_doubtful:
        _refuse_doubtful(raw, rows, checks, columns)
    number = dict(zip(components["component"], components["nutrient_number"], strict=True))
    values.insert(1, "nutrient_number", values.pop("component").map(number).astype("Int32"))
    for column in ("code", "source_code", "derivation_code", "status"):
        values[column] = values[column].astype("category")
    tables = {
        "foods": foods.reset_index(drop=True),
        "values": values,
        "portions": _portion_table(raw, rows),
        "components": components,
        "checks": checks,
    }
    return tables, {"source": source.name, "basis": "per 100 g edible portion", "raw_files": about}


def _opened(source: Path, decimal_comma: bool) -> tuple[RawFile, pd.DataFrame, list[Column], dict[str, Any]]:
    """Read the one file of a source as text: the file, its foods, the columns of components, and what it is."""
    with RawFiles(source) as files:
        if len(files.names()) != 1:
            raise InputError(f"found {listed(files.names())}; name the one file to read", file=source)
        raw = files.need(*files.names())
        wanted = NEEDED | dict.fromkeys(OPTIONAL, False)
        rows = read_rows(raw, wanted, delimiter=";" if decimal_comma else ",", others=True)
        about = files.manifest()
    columns = read_columns(raw, [name for name in rows.columns if name not in wanted])
    if rows.empty:
        raise InputError("holds no food", file=raw.place)
    rows = rows.assign(**{name: "" for name in OPTIONAL if name not in rows})
    if decimal_comma:
        for name in ("serving_g", "density_g_per_ml", "refuse_percent"):
            rows[name] = _with_point(raw, rows[name])
    return raw, rows, columns, about


def _with_point(raw: RawFile, column: pd.Series) -> pd.Series:
    """Write numbers that have a decimal comma with a point."""
    dotted = column[column.str.contains(".", regex=False)]
    if len(dotted):
        problem = f"found '{dotted.iloc[0]}'; {_COMMA}"
        raise InputError(problem, file=raw.place, line=int(dotted.index[0]), field=str(column.name))
    return column.str.replace(",", ".")


def _food_table(raw: RawFile, rows: pd.DataFrame) -> tuple[pd.DataFrame, pd.Series]:
    """Give the foods after checking what is said of each, and what brings its values to 100 g."""
    _checked_codes(raw, rows)
    density = f"what 1 ml weighs in g, less than {_MOST_DENSITY:g}"
    _within(raw, rows["density_g_per_ml"], _LEAST_DENSITY, _MOST_DENSITY, density)
    serving = "what a serving weighs in g, at least {:g} and below {:,.0f}".format(*_SERVING_G)
    _within(raw, rows["serving_g"], *_SERVING_G, serving)
    refuse = _within(raw, rows["refuse_percent"], 0, 100, "less than 100 %")
    factor, basis = _per_100_g(raw, rows)
    foods = pd.DataFrame(
        {
            "code": rows["code"],
            "food_group": rows["group"],
            "description": rows["description"],
            "refuse_description": rows["refuse"],
            "refuse_percent": refuse,
            "food_group_name": rows["group"],
            "basis": basis,
            "source": rows["source"],
        }
    )
    return foods, factor


def _evidence_of(raw: RawFile, line: int, word: str) -> tuple[str, str]:
    """Give the codes of source and derivation for what the values of a food rest on."""
    evidence = word or "not stated"
    if evidence not in EVIDENCE:
        problem = f"found '{evidence}'; expected {', '.join(EVIDENCE)}{nearest(evidence, EVIDENCE)}"
        raise InputError(problem, file=raw.place, line=line, field="evidence")
    return EVIDENCE[evidence]


def _values(
    raw: RawFile, rows: pd.DataFrame, columns: list[Column], factor: pd.Series, decimal_comma: bool
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give the values per 100 g, and the foods whose sodium and salt disagree."""
    found, disagreeing = [], []
    for line, row in rows.iterrows():
        source_code, derivation_code = _evidence_of(raw, int(line), row["evidence"])
        known: dict[str, float] = {}
        for column in columns:
            try:
                cell = _cell(row[column.header], decimal_comma)
            except SwaptableError as error:
                raise InputError(str(error), file=raw.place, line=int(line), field=column.header) from None
            if cell is None:
                continue
            number, limit, status = cell
            to = column.factor * factor[line]
            if column.component in known:  # a percentage or salt only fills in
                before = known[column.component]
                if column.kind == "salt" and abs(before - number * to) > _SALT_SHARE * before + _SALT_MG:
                    expected = f"about {number * to:.4g} by its salt"
                    disagreeing.append((row["code"], "sodium and salt disagree", "NA", f"{before:.4g}", expected))
                continue
            known[column.component] = number * to
            found.append(
                {
                    "code": row["code"],
                    "component": column.component,
                    "value": number * to,
                    "n": 0,
                    "standard_error": np.nan,
                    "source_code": source_code,
                    "derivation_code": derivation_code,
                    "minimum": 0.0 if status == "below limit" else np.nan,
                    "maximum": limit * to,
                    "limit": limit * to,
                    "status": status or column.kind,
                    "as_given": f"{row[column.header]} {column.header}",
                }
            )
    if not found:
        raise InputError("holds no value", file=raw.place)
    return pd.DataFrame(found), pd.DataFrame(disagreeing, columns=_CHECK_COLUMNS, dtype=str)


def _checks(codes: list[str], values: pd.DataFrame) -> pd.DataFrame:
    """Look for values that do not go together, or are larger than any food's."""
    wide = values.pivot(index="code", columns="component", values="value").reindex(codes)
    profiles = {name: wide[name].to_numpy() for name in CHECKED if name in wide}
    most = too_large(values["component"].tolist())
    large = values[values["value"].to_numpy() > most]
    expected = [f"at most about {each:.4g}; is the unit right?" for each in most[large.index]]
    suspicious = pd.DataFrame(
        {
            "code": large["code"],
            "check": "larger than any food of SR28",
            "component": large["component"],
            "found": [f"{value:.4g}" for value in large["value"]],
            "expected": expected,
        },
        dtype=str,
    )
    return pd.concat([check_profiles(codes, profiles), suspicious], ignore_index=True)


def _refuse_doubtful(raw: RawFile, rows: pd.DataFrame, checks: pd.DataFrame, columns: list[Column]) -> None:
    """Refuse the whole table for its first doubtful food; the user puts it right, or asks to keep it."""
    first = checks.iloc[0]
    headers = [column.header for column in columns if column.component == first["component"]]
    field = headers[0] if headers else ""  # a sum belongs to no column of its own
    line = int(rows.index[rows["code"] == first["code"]][0])
    more = f"; {len(checks) - 1} more like it" if len(checks) > 1 else ""
    problem = f"{first['check']}: found {first['found']} per 100 g, expected {first['expected']}{more}"
    raise InputError(f"{problem}. Put it right, or say --keep-doubtful", file=raw.place, line=line, field=field)


def _portion_table(raw: RawFile, rows: pd.DataFrame) -> pd.DataFrame:
    """Give the portions of every food; what a serving or 100 ml weighs is one."""
    serving, density = numbers(raw, rows["serving_g"]), numbers(raw, rows["density_g_per_ml"])
    found = []
    for line, row in rows.iterrows():
        portions = _portions(raw, int(line), row["portions"])
        if serving[line] > 0:
            portions.append(("serving", float(serving[line])))
        if density[line] > 0:
            portions.append(("ml", float(density[line])))
        found += [(row["code"], n, 1.0, measure, grams) for n, (measure, grams) in enumerate(portions, 1)]
    kinds = {"code": str, "sequence": int, "amount": float, "measure": str, "grams": float}
    return pd.DataFrame(found, columns=list(kinds)).astype(kinds)  # typed even if there is none


def import_plain(source: Path, folder: Path, decimal_comma: bool = False, keep_doubtful: bool = False) -> FoodRelease:
    """Build a food release from a plain table.

    Parameters
    ----------
    source : Path
        As for :func:`read_plain`.
    folder : Path
        Where the release goes; must not exist. Its name stands before the codes of the foods.
    decimal_comma, keep_doubtful : bool, optional
        As for :func:`read_plain`.

    Returns
    -------
    FoodRelease
    """
    refuse_existing(folder)
    name = release_name(folder)
    tables, manifest = read_plain(source, decimal_comma, keep_doubtful)
    about = {
        "name": name,
        "title": f"Plain table {source.name}",
        "released": pd.Timestamp(source.stat().st_mtime, unit="s").date().isoformat(),
        "licence": "as the table's owner says",
    }
    return write_release(folder, about | manifest, tables)
