"""The CSV files of FoodData Central, taken apart into the tables of a food release.

Columns are bound by name, since releases differ in what they have. The largest file streams, so that a full download
needs little memory.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from swaptable.basics.errors import InputError
from swaptable.foods.component_identity import Printed
from swaptable.releases.fdc_layout import (
    GRAMS,
    IDENTIFIER,
    MOST_ID,
    NOT_PER_100_G,
    OF_A_RECIPE,
    PER_100_ML,
    TYPES,
    UNDETERMINED,
    YES,
    chosen_types,
    code_tables,
    finished,
    none_chosen,
    nutrient_number,
    portion_measure,
    portion_table,
)
from swaptable.releases.raw_files import RawFile, RawFiles
from swaptable.releases.raw_tables import numbers, read_rows, stream_rows
from swaptable.releases.value_writer import Rows, ValueWriter

__all__ = ["import_csv"]

_WORDS = pa.dictionary(pa.int32(), pa.string())  # few words, many times


def _ids(column: pd.Series, otherwise: int) -> np.ndarray:
    """Read identifiers, each a whole number; another one in place of what is none."""
    found = pd.to_numeric(column, errors="coerce")
    return found.where(found.between(0, MOST_ID)).fillna(otherwise).astype(int).to_numpy()


def _dense(fdc_ids: np.ndarray) -> np.ndarray:
    """Map ids to places: an array that holds the place of each id, -1 for the others."""
    places = np.full(int(fdc_ids.max(initial=0)) + 1, -1, dtype=np.int32)
    places[fdc_ids] = np.arange(len(fdc_ids), dtype=np.int32)
    return places


def _looked_up(places: np.ndarray, ids: np.ndarray) -> np.ndarray:
    inside = np.clip(ids, 0, len(places) - 1)
    return np.where(inside == ids, places[inside], -1)


def _frame(tables: list[pa.Table]) -> pd.DataFrame:
    """Put tables below each other, their few words as categories without gaps."""
    frame = pa.concat_tables(tables).unify_dictionaries().to_pandas()
    for name in frame.select_dtypes("category"):
        words = frame[name]
        words = words if "" in words.cat.categories else words.cat.add_categories([""])
        frame[name] = words.fillna("")
    return frame


def _food_table(raw: RawFile, wanted: list[str], types: Sequence[str], source: Path) -> pd.DataFrame:
    """Read the foods of the types that are wanted, in the order of their ids."""
    columns = {"fdc_id": pa.int64(), "data_type": pa.string(), "description": pa.string()}
    columns |= dict.fromkeys(("food_category_id", "publication_date"), _WORDS)
    kept, counts = [], Counter[str]()
    for line, table in stream_rows(raw, columns, optional=("food_category_id", "publication_date")):
        counts.update(
            {each["values"] or "": each["counts"] for each in pc.value_counts(table["data_type"]).to_pylist()}
        )
        table = table.append_column("line", pa.array(np.arange(line, line + len(table))))
        kept.append(table.filter(pc.is_in(table["data_type"], pa.array(wanted))))
    if not sum(map(len, kept)):
        raise none_chosen(counts, types, source)
    for table in kept:
        if table["fdc_id"].null_count:
            line = table.filter(pc.is_null(table["fdc_id"]))["line"][0].as_py()
            raise InputError("found nothing; every food has an id", file=raw.place, line=line, field="fdc_id")
    whole = _frame(kept)
    if not whole["fdc_id"].is_monotonic_increasing:
        whole = whole.sort_values(["fdc_id", "line"], ignore_index=True)
    ids = whole["fdc_id"].to_numpy()
    strange = np.flatnonzero((ids < 0) | (ids > MOST_ID))
    if len(strange):
        problem = f"found {ids[strange[0]]}; expected an id of 0 to {MOST_ID:,}"
        raise InputError(problem, file=raw.place, line=int(whole["line"].iat[strange[0]]), field="fdc_id")
    twice = np.flatnonzero(ids[1:] == ids[:-1])
    if len(twice):
        at = int(twice[0]) + 1
        lines = whole["line"].to_numpy()
        problem = f"found {ids[at]} twice, first in line {lines[at - 1]}; a code names one food"
        raise InputError(problem, file=raw.place, line=int(lines[at]), field="fdc_id")
    return whole.drop(columns="line")


def _small(files: RawFiles, name: str, *columns: str) -> tuple[RawFile, pd.DataFrame] | None:
    """Read a small file if it is there and has the columns."""
    raw = files.get(name)
    if raw is None:
        return None
    return raw, read_rows(raw, dict.fromkeys(columns, True), others=True)


def _lookup(files: RawFiles, name: str, key: str, column: str) -> dict[str, str]:
    """Read what a column says of each key; nothing where the file or the column is not there."""
    raw = files.get(name)
    table = read_rows(raw, {key: False, column: False}) if raw is not None else pd.DataFrame()
    return dict(zip(table[key], table[column], strict=True)) if {key, column} <= set(table) else {}


def _groups(foods: pd.DataFrame, files: RawFiles) -> pd.DataFrame:
    """Give each food its group: the codes of SR28 for its own kinds, survey categories, words for branded foods."""
    code, words = (_lookup(files, "food_category", "id", column) for column in ("code", "description"))
    survey = _lookup(files, "survey_fndds_food", "fdc_id", "food_code")
    wweia = _lookup(files, "wweia_food_category", "wweia_food_category", "wweia_food_category_description")
    foods = foods.assign(**{name: "" for name in ("food_category_id", "publication_date") if name not in foods})
    category = foods["food_category_id"].astype(object)
    given = _lookup(files, "survey_fndds_food", "fdc_id", "wweia_category_code")
    given |= _lookup(files, "survey_fndds_food", "fdc_id", "wweia_category_number")
    wweia_of = foods["fdc_id"].astype(str).map(given).astype(object).fillna(category) if given else category
    is_survey = foods["data_type"] == TYPES["survey"][0]
    group = category.map(code).astype(object).fillna("")
    name = category.map(words).astype(object).fillna(category)
    numbers_of: dict[str, str] = {}
    for file in ("sr_legacy_food", "foundation_food"):
        numbers_of |= _lookup(files, file, "fdc_id", "NDB_number")
    other = numbers_of | survey
    return foods.assign(
        food_group=group.where(~is_survey, wweia_of),
        food_group_name=name.where(~is_survey, wweia_of.map(wweia).astype(object).fillna(wweia_of)),
        other_code=foods["fdc_id"]
        .map({int(key): code for key, code in other.items() if IDENTIFIER.fullmatch(key)})
        .fillna("")
        if other
        else "",
    )


def _refuse(files: RawFiles) -> pd.DataFrame:
    """Give the inedible share of foods [%] and what it is, by id."""
    found = _small(files, "food_component", "fdc_id", "name", "pct_weight", "is_refuse")
    if found is None:
        return pd.DataFrame(columns=["refuse_percent", "refuse_description"])
    raw, table = found
    table = table[table["is_refuse"].str.lower().isin(YES)]
    table = table.assign(refuse_percent=numbers(raw, table["pct_weight"]))
    by_food = table.dropna(subset="refuse_percent").groupby("fdc_id")
    return pd.DataFrame(
        {"refuse_percent": by_food["refuse_percent"].sum(), "refuse_description": by_food["name"].agg("; ".join)}
    )


def _portions(files: RawFiles, places: np.ndarray) -> pd.DataFrame:
    units = _lookup(files, "measure_unit", "id", "name")
    units.pop(UNDETERMINED, None)
    found = _small(files, "food_portion", "fdc_id", "gram_weight")
    rows = []
    if found is not None:
        raw, table = found
        wanted = ("amount", "measure_unit_id", "portion_description", "modifier", "seq_num", "data_points")
        table = table.assign(**{name: "" for name in wanted if name not in table})
        table = table[_looked_up(places, _ids(table["fdc_id"], -1)) >= 0]
        grams = numbers(raw, table["gram_weight"])
        for line, row in table[grams > 0].iterrows():
            unit = units.get(row["measure_unit_id"], "")
            measure = portion_measure(row["amount"], unit, row["portion_description"], row["modifier"])
            if measure is not None:
                points = int(row["data_points"]) if IDENTIFIER.fullmatch(row["data_points"]) else None
                rows.append((row["fdc_id"], row["seq_num"], *measure, float(grams[line]), points))
    return portion_table(rows)


def _branded(files: RawFiles, foods: pd.DataFrame, left_out: dict[str, int]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Add who makes a branded food and its serving; leave out liquids, whose values are per 100 ml."""
    raw = files.get("branded_food")
    if raw is None or not (foods["data_type"] == TYPES["branded"][0]).any():
        return foods, portion_table([])
    words = ("serving_size_unit", "household_serving_fulltext", "brand_owner", "branded_food_category")
    columns = {"fdc_id": pa.int64(), "serving_size": pa.float64()} | dict.fromkeys(words, _WORDS)
    places = _dense(foods["fdc_id"].to_numpy())
    kept = []
    for _, table in stream_rows(raw, columns, optional=list(columns)[1:]):
        kept.append(table.filter(pa.array(_looked_up(places, table["fdc_id"].to_numpy()) >= 0)))
    table = _frame(kept).drop_duplicates("fdc_id").set_index("fdc_id")
    table = table.assign(**{name: np.nan for name in columns if name not in table and name != "fdc_id"})
    unit = table["serving_size_unit"].astype(object).str.lower()
    liquid = table.index[unit.isin(NOT_PER_100_G)]
    if len(liquid):
        left_out[PER_100_ML] = len(liquid)
        foods = foods[~foods["fdc_id"].isin(liquid)]
    mine = table[["brand_owner", "branded_food_category"]].reindex(foods["fdc_id"]).astype(object).fillna("")
    category = mine["branded_food_category"].to_numpy()
    foods = foods.assign(
        manufacturer=mine["brand_owner"].to_numpy(),
        food_group_name=np.where(category != "", category, foods["food_group_name"].astype(object)),
    )
    serving = table[(table["serving_size"] > 0) & unit.isin(GRAMS)]
    said = serving["household_serving_fulltext"].astype(object).fillna("")
    measures = {
        words: portion_measure("", "", words, "") or (1.0, "serving") for words in said.unique()
    }  # few among many
    portions = pd.DataFrame(
        {
            "code": serving.index.astype(str),
            "sequence": 1,
            "amount": said.map({words: amount for words, (amount, _) in measures.items()}).to_numpy(),
            "measure": said.map({words: measure for words, (_, measure) in measures.items()}).to_numpy(),
            "grams": serving["serving_size"].to_numpy(),
            "n": pd.array([pd.NA] * len(serving), dtype="Int32"),
        }
    )
    return foods, portions


def _factors(files: RawFiles) -> pd.DataFrame:
    """Give the factors for protein from nitrogen and for energy that the food's values were made with, by id."""
    link = _lookup(files, "food_nutrient_conversion_factor", "id", "fdc_id")
    columns: dict[str, pd.Series] = {}
    sources = {
        "food_protein_conversion_factor": {"value": "nitrogen_factor"},
        "food_calorie_conversion_factor": {
            "protein_value": "protein_kcal_per_g",
            "fat_value": "fat_kcal_per_g",
            "carbohydrate_value": "carbohydrate_kcal_per_g",
        },
    }
    for name, wanted in sources.items():
        found = _small(files, name, "food_nutrient_conversion_factor_id", *wanted)
        if found is None:
            continue
        raw, table = found
        of_food = table["food_nutrient_conversion_factor_id"].map(link)
        for column, ours in wanted.items():
            values = numbers(raw, table[column])
            columns[ours] = pd.Series(values.to_numpy(), index=of_food).groupby(level=0).first()
    return pd.DataFrame(columns)


def _derivations(files: RawFiles) -> tuple[np.ndarray, list[tuple[str, str]], pd.DataFrame, pd.DataFrame]:
    """Read how values came about: an array id → place, the pairs of codes, and the tables of their meanings."""
    source = _small(files, "food_nutrient_source", "id", "code", "description")
    derivation = _small(files, "food_nutrient_derivation", "id", "code", "description")
    sources = pd.DataFrame(columns=["id", "code", "description"]) if source is None else source[1]
    table = pd.DataFrame(columns=["id", "code", "description"]) if derivation is None else derivation[1]
    code_of = dict(zip(sources["id"], sources["code"], strict=True))
    source_ids = table["source_id"] if "source_id" in table else pd.Series("", index=table.index)
    pairs = [("", "")] + [
        (code_of.get(source_id, ""), code) for source_id, code in zip(source_ids, table["code"], strict=True)
    ]
    ids = _ids(table["id"], 0)
    place = np.zeros(int(ids.max(initial=0)) + 1, dtype=np.int16)
    place[ids] = np.arange(1, len(ids) + 1)
    return (
        place,
        pairs,
        *code_tables(
            dict(zip(sources["code"], sources["description"], strict=True)),
            dict(zip(table["code"], table["description"], strict=True)),
        ),
    )


def _nutrients(files: RawFiles) -> dict[int, Printed]:
    raw = files.need("nutrient")
    table = read_rows(raw, {"name": True, "unit_name": True, "id": False, "nutrient_id": False, "nutrient_nbr": False})
    key = next((name for name in ("id", "nutrient_id") if name in table), None)
    if key is None:
        raise InputError("has no column 'id'", file=raw.place, line=1)
    strange = table.index[~table[key].str.fullmatch(IDENTIFIER.pattern)]
    if len(strange):
        problem = f"found '{table.at[strange[0], key]}'; expected a whole number"
        raise InputError(problem, file=raw.place, line=int(strange[0]), field=key)
    number = table["nutrient_nbr"] if "nutrient_nbr" in table else pd.Series("", index=table.index)
    number = number.str.removesuffix(".0").map(nutrient_number)
    return {
        int(key): Printed(key, nbr, name, unit)
        for key, nbr, name, unit in zip(table[key], number, table["name"], table["unit_name"], strict=True)
    }


_COLUMNS = {
    "n": "data_points", "standard_error": "standard_error", "minimum": "min", "maximum": "max", "median": "median",
    "limit": "loq",
}  # fmt: skip


def _csv_rows(raw: RawFile, places: np.ndarray, derivation_at: np.ndarray) -> Iterator[Rows]:
    """Stream the values of ``food_nutrient.csv``."""
    columns = {"fdc_id": pa.int64(), "nutrient_id": pa.int32(), "amount": pa.float64(), "derivation_id": pa.int32()}
    columns |= dict.fromkeys(_COLUMNS.values(), pa.float64())
    for line, table in stream_rows(raw, columns, optional=["derivation_id", *_COLUMNS.values()]):
        have = set(table.column_names)
        derivation = (
            pc.fill_null(table["derivation_id"], 0).to_numpy() if "derivation_id" in have else np.zeros(len(table), int)
        )
        yield Rows(
            _looked_up(places, pc.fill_null(table["fdc_id"], -1).to_numpy()),
            pc.fill_null(table["nutrient_id"], -1).to_numpy(),
            table["amount"].to_numpy(),
            np.maximum(_looked_up(derivation_at, derivation), 0),
            range(line, line + len(table)),
            {
                name: table[given].to_numpy()
                for name, given in _COLUMNS.items()
                if given in have and table[given].null_count < len(table)
            },
        )


def import_csv(
    files: RawFiles, types: Sequence[str], stand_ins: Mapping[str, str], values_path: Path
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Give the tables that the CSV files make, the values written beside them, and what the manifest says."""
    printed = _nutrients(files)
    raw = files.need("food_nutrient")
    foods = _food_table(files.need("food"), chosen_types(types)[0], types, files.source)
    foods = _groups(
        foods.reindex(columns=[*foods.columns, *{"food_category_id", "publication_date"} - {*foods}]), files
    )
    left_out: dict[str, int] = {}
    foods, servings = _branded(files, foods, left_out)
    derivation_at, pairs, sources, derivations = _derivations(files)
    pairs += [("1", "NC"), OF_A_RECIPE]
    codes, places = pa.array(foods["fdc_id"].astype(str)), _dense(foods["fdc_id"].to_numpy())
    recipes = (foods["data_type"] == TYPES["survey"][0]).to_numpy()
    with ValueWriter(values_path, codes, recipes, printed, pairs, raw, stand_ins) as values:
        for rows in _csv_rows(raw, places, derivation_at):
            values.add(rows)
    foods = foods.drop(columns="fdc_id").assign(code=codes.to_pandas())
    for table in (_refuse(files), _factors(files)):
        foods = foods.assign(**{name: foods["code"].map(table[name]) if len(table) else np.nan for name in table})
    foods["refuse_description"] = foods["refuse_description"].astype(object).fillna("")
    portions = _portions(files, places)
    tables = {
        "foods": foods,
        "portions": pd.concat([portions, servings], ignore_index=True) if len(servings) else portions,
        "source_codes": sources,
        "derivation_codes": derivations,
    }
    return tables, finished(values, tables, left_out)
