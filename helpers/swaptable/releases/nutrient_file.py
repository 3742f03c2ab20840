"""Read the Canadian Nutrient File into the tables of a food release.

Layout after: Health Canada, Canadian Nutrient File, Compilation of Canadian Food Composition Data, Database Structure
(2015), and the column names of the edition of 2026 as others' published readers print them. Columns are bound by name,
which are the same in both but for underscores and ``_EN``; what one edition alone has is optional.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from swaptable.basics.errors import InputError
from swaptable.foods.component_identity import Printed, component_rows, published_components
from swaptable.foods.release import FoodRelease
from swaptable.foods.release_writer import refuse_existing, write_release
from swaptable.releases.plain_table import release_name
from swaptable.releases.raw_files import RawFile, RawFiles
from swaptable.releases.raw_tables import MOST_COUNT, SR_GROUPS, numbers, read_rows, visible_texts
from swaptable.releases.value_checks import BY_DIFFERENCE, CHECKED, LEAST_BY_DIFFERENCE, check_profiles, too_large

__all__ = ["import_cnf", "read_cnf"]

_ENCODINGS = ("utf-8-sig", "cp1252", "latin-1")  # 2026 is UTF-8; 2015 is Windows-1252 or Latin-1
# Our name → the names in 2015 and in 2026, without regard to case, blanks and underscores.
_FOODS = {
    "key": ("FoodID", "FoodCode"), "code": ("FoodCode",), "description": ("FoodDescription", "FoodDescriptionEN"),
    "description_fr": ("FoodDescriptionF", "FoodDescriptionFR"), "group": ("FoodGroupID", "CNFFoodGroupCode"),
    "scientific_name": ("ScientificName",), "country_code": ("CountryCode", "USDANDBCode", "NDBCode"),
    "published": ("FoodDateOfPublication", "FoodLastUpdatedDate", "LastUpdatedDate"),
}  # fmt: skip
_GROUPS = {"key": ("FoodGroupID", "CNFFoodGroupCode"), "code": ("FoodGroupCode", "CNFFoodGroupCode"),
           "name": ("FoodGroupName", "CNFFoodGroupDescriptionEN")}  # fmt: skip
_NUTRIENTS = {
    "key": ("NutrientID", "NutrientCode"), "number": ("NutrientCode",), "unit": ("NutrientUnit",),
    "name": ("NutrientName", "NutrientNameEN"), "tagname": ("Tagname",), "decimals": ("NutrientDecimals",),
}  # fmt: skip
_AMOUNTS = {
    "food": ("FoodID", "FoodCode"), "nutrient": ("NutrientID", "NutrientCode"),
    "value": ("NutrientValue", "NutrientAmount"), "standard_error": ("StandardError", "STDError"),
    "n": ("NumberofObservations", "Observations"), "source": ("NutrientSourceID", "NutrientSourceCode"),
}  # fmt: skip
_SOURCES = {
    "key": ("NutrientSourceID", "NutrientSourceCode"),
    "text": ("NutrientSourceDescription", "NutrientSourceDescriptionEN"),
}
_OPTIONAL = {
    "description_fr", "scientific_name", "country_code", "published", "tagname", "decimals", "standard_error", "n",
    "source",
}  # fmt: skip
# What the words of a nutrient source say, in the codes of SR28; the first that fits. The reading is ours.
_EVIDENCE = (
    (r"assumed|presumed|imputed zero|logical zero", ("7", "Z")),
    (r"label|manufacturer|industry", ("8", "LC")),
    (r"imput|similar|other form|another|borrowed|estimated", ("4", "O")),
    (r"calculat|recipe|comput|adjust|sum", ("1", "NC")),
    (r"analy", ("1", "A")),
)
_REFUSE, _HOUSEHOLD, _YIELD = "refuse", "household", "yield"
_ABOUT = {
    "title": "Canadian Nutrient File",
    "source": "Health Canada",
    "licence": "Open Government Licence - Canada (from memory)",
    "basis": "per 100 g edible portion",
}


def _key(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.lower())


def _read(raw: RawFile, wanted: Mapping[str, tuple[str, ...]]) -> pd.DataFrame:
    """Read a file under our names; the first of the names that the file has is taken."""
    table = read_rows(raw, {}, encodings=_ENCODINGS, others=True)
    by_key = {_key(name): name for name in table.columns}
    found = {}
    for ours, names in wanted.items():
        name = next((by_key[_key(each)] for each in names if _key(each) in by_key), None)
        if name is not None:
            found[ours] = table[name].rename(name)
        elif ours not in _OPTIONAL:
            problem = f"has no column '{names[0]}'; found {', '.join(table.columns)}"
            raise InputError(problem, file=raw.place, line=1)
    return pd.DataFrame({ours: found.get(ours, "") for ours in wanted}, index=table.index)


def _lookup(raw: RawFile, wanted: Mapping[str, tuple[str, ...]], column: str) -> pd.Series:
    """Read a file that says what keys mean, each once."""
    table = _read(raw, wanted)
    _unique(raw, table["key"], wanted["key"][0])
    return table.set_index("key")[column]


def _unique(raw: RawFile, column: pd.Series, field: str) -> None:
    twice = column[column.duplicated()]
    if len(twice):
        first = column.index[column == twice.iloc[0]][0]
        problem = f"found '{twice.iloc[0]}' twice, first in line {first}"
        raise InputError(problem, file=raw.place, line=int(twice.index[0]), field=field)


def _known(raw: RawFile, column: pd.Series, known: set[str], of: str, field: str) -> None:
    wrong = column[~column.isin(known)]
    if len(wrong):
        problem = f"found '{wrong.iloc[0]}', which is not in {of}"
        raise InputError(problem, file=raw.place, line=int(wrong.index[0]), field=field)


def _food_table(files: RawFiles) -> tuple[pd.DataFrame, dict[str, str]]:
    """Read the foods, and which code goes with which key."""
    raw = files.need("food_name")
    foods = _read(raw, _FOODS)
    if foods.empty:
        raise InputError("holds no food", file=raw.place)
    _unique(raw, foods["key"], "FoodID")
    _unique(raw, foods["code"], "FoodCode")
    group_file = files.need("food_group", "cnf_food_group")
    names = foods["group"].map(_lookup(group_file, _GROUPS, "name")).fillna("")
    # The numbers of the groups are those of SR28 without the zeros; a group of another name keeps its own.
    printed = foods["group"].map(_lookup(group_file, _GROUPS, "code")).fillna("")
    sr28 = printed.str.zfill(2) + "00"
    words = {code: set(re.findall(r"[a-z]{4,}", name.lower())) for name, code in SR_GROUPS.items()}
    same = [
        bool(words.get(code, set()) & set(re.findall(r"[a-z]{4,}", name.lower())))
        for code, name in zip(sr28, names, strict=True)
    ]
    table = pd.DataFrame(
        {
            "code": foods["code"],
            "food_group": np.where(same, sr28, "cnf" + printed),
            "description": foods["description"],
            "food_group_name": names,
            "description_fr": foods["description_fr"],
            "scientific_name": foods["scientific_name"],
            "other_code": foods["country_code"],
            "published": foods["published"],
        }
    )
    return table, dict(zip(foods["key"], foods["code"], strict=True))


def _component_table(files: RawFiles) -> tuple[pd.DataFrame, dict[str, tuple[str, float]], set[str]]:
    """Read the components: the table, what each key is, and every key, also of what has no unit of a component."""
    raw = files.need("nutrient_name")
    printed = _read(raw, _NUTRIENTS)
    _unique(raw, printed["key"], "NutrientID")
    entries = [
        Printed(key, number, name, unit, tag)
        for key, number, name, unit, tag in zip(
            *(printed[column] for column in ("key", "number", "name", "unit", "tagname")), strict=True
        )
    ]
    found = published_components(entries, "CNF")
    decimals = numbers(raw, printed["decimals"], most=MOST_COUNT).to_numpy()
    places = {key: None if np.isnan(each) else int(each) for key, each in zip(printed["key"], decimals, strict=True)}
    kept = {each.key: found[each.key] for each in entries}
    rows = [(is_[0], is_[1], each.name, places[each.key]) for each in entries if (is_ := kept[each.key]) is not None]
    identities = {key: (is_[0], is_[2]) for key, is_ in kept.items() if is_ is not None}
    return component_rows(rows), identities, set(kept)


def _evidence(text: str) -> tuple[str, str]:
    return next((codes for pattern, codes in _EVIDENCE if re.search(pattern, text.lower())), ("", ""))


def _value_table(
    files: RawFiles,
    codes: dict[str, str],
    components: pd.DataFrame,
    known: dict[str, tuple[str, float]],
    keys: set[str],
) -> tuple[pd.DataFrame, pd.DataFrame, dict[str, int]]:
    raw = files.need("nutrient_amount")
    table = _read(raw, _AMOUNTS)
    _known(raw, table["food"], set(codes), "FOOD NAME", "FoodID")
    _known(raw, table["nutrient"], keys, "NUTRIENT NAME", "NutrientID")
    value = numbers(raw, table["value"].rename("NutrientValue"), negative=True)
    left_out = {"nutrient without a unit of a component": int((~table["nutrient"].isin(known)).sum())}
    left_out["no amount"] = int(value.isna().sum())
    kept = table["nutrient"].isin(known) & value.notna()
    table, value = table[kept], value[kept]
    if table.empty:
        raise InputError("holds no value of a component", file=raw.place)
    _unique(raw, table["food"] + ", nutrient " + table["nutrient"], "FoodID")
    tag = table["nutrient"].map({key: tag for key, (tag, _) in known.items()})
    factor = table["nutrient"].map({key: factor for key, (_, factor) in known.items()})
    small = (value < 0) & tag.isin(BY_DIFFERENCE) & (value >= LEAST_BY_DIFFERENCE)
    numbers(raw, value.where(~small, 0.0).astype(str).rename("NutrientValue"))  # says which is negative
    texts = _lookup(files.need("nutrient_source"), _SOURCES, "text")
    source = table["source"].map(texts).fillna("")
    evidence = {text: _evidence(text) for text in source.unique()}
    error = numbers(raw, table["standard_error"].rename("StandardError"))
    n = numbers(raw, table["n"].rename("NumberofObservations"), most=MOST_COUNT)
    number = dict(zip(components["component"], components["nutrient_number"], strict=True))
    values = pd.DataFrame(
        {
            "code": table["food"].map(codes).astype("category"),
            "nutrient_number": tag.map(number).astype("Int32"),
            "value": value.where(~small, 0.0) * factor,
            "n": n.where(n > 0).round().astype("Int32"),  # 0 is unknown, not none
            "standard_error": (error * factor).where(error > 0),
            "source_code": source.map({text: codes[0] for text, codes in evidence.items()}).astype("category"),
            "derivation_code": source.map({text: codes[1] for text, codes in evidence.items()}).astype("category"),
            "source_text": source.astype("category"),
        }
    ).reset_index(drop=True)
    checks = _checks(values, tag.to_numpy(), small.to_numpy(), value.to_numpy())
    return values, checks, {why: count for why, count in left_out.items() if count}


def _checks(values: pd.DataFrame, tag: np.ndarray, small: np.ndarray, printed: np.ndarray) -> pd.DataFrame:
    code = values["code"].astype(str).to_numpy()
    found = [
        (code[at], "negative by difference, taken as 0", tag[at], f"{printed[at]:.4g}", "0 or more")
        for at in np.flatnonzero(small)
    ]
    large = values["value"].to_numpy() > too_large(list(tag))
    found += [
        (
            code[at],
            "larger than any food of SR28",
            tag[at],
            f"{values['value'].iat[at]:.4g}",
            "less; is the unit right?",
        )
        for at in np.flatnonzero(large)
    ]
    wide = pd.DataFrame({"code": code, "tag": tag, "value": values["value"]})
    wide = wide[wide["tag"].isin(CHECKED)].pivot(index="code", columns="tag", values="value")
    profiles = check_profiles(list(wide.index), {name: wide[name].to_numpy() for name in wide})
    first = pd.DataFrame(found, columns=["code", "check", "component", "found", "expected"], dtype=str)
    return pd.concat([first, profiles], ignore_index=True)


def _measures_2015(files: RawFiles, codes: dict[str, str]) -> pd.DataFrame:
    """Read measures, refuse and yields of 2015, which has a pair of files for each: code, kind, words, number."""
    kinds = (
        (_HOUSEHOLD, ("measure_name", "MeasureID", "MeasureDescription"), "conversion_factor", "ConversionFactorValue"),
        (_REFUSE, ("refuse_name", "RefuseID", "RefuseDescription"), "refuse_amount", "RefuseAmount"),
        (_YIELD, ("yield_name", "YieldID", "YieldDescription"), "yield_amount", "YieldAmount"),
    )
    found = []
    for kind, (name_file, key, words), amount_file, amount in kinds:
        name_raw, raw = files.get(name_file), files.get(amount_file)
        if name_raw is None or raw is None:
            if kind == _YIELD:  # the one that nothing is calculated from
                continue
            name_raw, raw = files.need(name_file), files.need(amount_file)
        names = _lookup(name_raw, {"key": (key,), "words": (words, words.replace("Description", "Name"))}, "words")
        rows = _read(raw, {"food": ("FoodID",), "key": (key,), "number": (amount,)})
        _known(raw, rows["food"], set(codes), "FOOD NAME", "FoodID")
        found.append(
            pd.DataFrame(
                {
                    "code": rows["food"].map(codes),
                    "kind": kind,
                    "words": rows["key"].map(names).fillna(""),
                    # a measure is given as the factor for values per 100 g
                    "number": numbers(raw, rows["number"].rename(amount)) * (100 if kind == _HOUSEHOLD else 1),
                }
            )
        )
    return pd.concat(found, ignore_index=True)


def _measures_2026(files: RawFiles, codes: dict[str, str]) -> pd.DataFrame:
    """Read the one file of measures of 2026: grams of a measure or yield, percent of refuse."""
    raw = files.need("measure_weight_conversion")
    rows = _read(
        raw,
        {
            "food": ("FoodCode",),
            "type": ("MeasureTypeCode",),
            "key": ("MeasureCode",),
            "number": ("MeasureWeightConversion",),
        },
    )
    _known(raw, rows["food"], set(codes), "Food_Name", "Food_Code")
    of_type = {"key": ("MeasureTypeCode",), "words": ("MeasureTypeDescriptionEN",)}
    of_name = {"key": ("MeasureCode",), "words": ("MeasureDescriptionandUnitEN",)}
    types = _lookup(files.need("measure_type"), of_type, "words")
    names = _lookup(files.need("measure_name"), of_name, "words")
    said = rows["type"].map(types).fillna("").str.lower()
    kind = np.select([said.str.contains("refuse"), said.str.contains("yield")], [_REFUSE, _YIELD], _HOUSEHOLD)
    return pd.DataFrame(
        {
            "code": rows["food"].map(codes),
            "kind": kind,
            "words": rows["key"].map(names).fillna(""),
            "number": numbers(raw, rows["number"].rename("Measure_Weight_Conversion")),
        }
    ).reset_index(drop=True)


def _portion(words: str) -> tuple[float, str]:
    """Take the number off the front of a measure: ``125ml`` is 125 of ml, ``1 cup, chopped`` 1 of cup, chopped.

    Examples
    --------
    >>> _portion("250ml"), _portion("1 large potato (7.5 cm)"), _portion("half fillet")
    ((250.0, 'ml'), (1.0, 'large potato (7.5 cm)'), (1.0, 'half fillet'))
    """
    found = re.match(r"\s*(\d+(?:\.\d+)?)(?![\d/])\s*(\S.*)", words)
    return (float(found[1]), found[2].strip()) if found and float(found[1]) > 0 else (1.0, words.strip())


def read_cnf(source: Path) -> tuple[dict[str, pd.DataFrame], dict[str, Any]]:
    """Read every table of the file.

    Parameters
    ----------
    source : Path
        Folder or zip archive with the CSV files of the edition of 2015 or 2026.

    Returns
    -------
    tables : dict of DataFrame
        ``foods``, ``values``, ``portions``, ``components``, ``yields`` and ``checks``.
    manifest : dict
        About the source.

    Raises
    ------
    InputError
        With file, line, field, the value found and what is allowed.
    """
    with RawFiles(source) as files:
        foods, codes = _food_table(files)
        components, known, keys = _component_table(files)
        values, checks, left_out = _value_table(files, codes, components, known, keys)
        in_one = files.get("measure_weight_conversion") is not None
        measures = _measures_2026(files, codes) if in_one else _measures_2015(files, codes)
        raw_files = files.manifest()
    refuse = measures[(measures["kind"] == _REFUSE) & measures["number"].notna()].groupby("code")
    foods["refuse_percent"] = foods["code"].map(refuse["number"].sum()).astype(float)
    foods["refuse_description"] = foods["code"].map(refuse["words"].agg("; ".join)).astype(object).fillna("")
    over = foods[foods["refuse_percent"] >= 100]
    if len(over):
        code, found = over["code"].iloc[0], over["refuse_percent"].iloc[0]
        raise InputError(f"food {code}: found {found:g} % refuse; expected less than 100", file=source)
    household = measures[(measures["kind"] == _HOUSEHOLD) & (measures["number"] > 0)]
    counted = [_portion(words) for words in household["words"]]
    portions = pd.DataFrame(
        {
            "code": household["code"].to_numpy(),
            "sequence": household.groupby("code").cumcount().to_numpy() + 1,
            "amount": [amount for amount, _ in counted],
            "measure": [measure for _, measure in counted],
            "grams": household["number"].to_numpy(),
        }
    )
    first = ["code", "food_group", "description", "refuse_description", "refuse_percent", "food_group_name"]
    tables = {
        "foods": visible_texts(foods[[*first, *(name for name in foods if name not in first)]].reset_index(drop=True)),
        "values": values,
        "portions": visible_texts(portions[portions["measure"] != ""].reset_index(drop=True)),
        "components": components,
        "yields": measures[measures["kind"] == _YIELD].drop(columns="kind").reset_index(drop=True),
        "checks": checks,
    }
    edition = "2026" if in_one else "2015"
    about = {"released": f"edition of {edition}, by its layout", "left_out": left_out, "raw_files": raw_files}
    return tables, _ABOUT | about


def import_cnf(source: Path, folder: Path) -> FoodRelease:
    """Build a food release from the Canadian Nutrient File.

    Parameters
    ----------
    source : Path
        As for :func:`read_cnf`.
    folder : Path
        Where the release goes; must not exist. Its name stands before the codes of the foods.

    Returns
    -------
    FoodRelease
    """
    refuse_existing(folder)
    name = release_name(folder)
    tables, manifest = read_cnf(source)
    return write_release(folder, {"name": name} | manifest, tables)
