"""Read the releases of FoodData Central, as CSV and as JSON, into the tables of a food release.

Layout after: USDA, FoodData Central Download Field Descriptions (October 2020 and later). Columns are bound by name,
since releases differ in what they have. The largest file streams, so that a full download needs little memory.
"""

from __future__ import annotations

import hashlib
import json
import re
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from swaptable.basics.errors import InputError, SwaptableError, listed, nearest
from swaptable.basics.signs import visible
from swaptable.basics.units import parse_amount
from swaptable.foods.component_identity import Printed
from swaptable.foods.release import FoodRelease, refuse_existing, write_release
from swaptable.releases.plain_table import release_name
from swaptable.releases.raw_tables import (
    SR_GROUPS,
    RawFile,
    RawFiles,
    numbers,
    read_rows,
    stream_rows,
    visible_texts,
)
from swaptable.releases.value_writer import OPTIONAL, Rows, ValueWriter

__all__ = ["DEFAULT_TYPES", "TYPES", "import_fdc"]

# Our word → data type in CSV, in JSON. All others are samples and purchases that the foods were made from.
TYPES = {
    "foundation": ("foundation_food", "Foundation"),
    "sr_legacy": ("sr_legacy_food", "SR Legacy"),
    "survey": ("survey_fndds_food", "Survey (FNDDS)"),
    "branded": ("branded_food", "Branded"),
    "experimental": ("experimental_food", "Experimental"),
}
DEFAULT_TYPES = ("foundation", "sr_legacy", "survey")
_LISTS = ("FoundationFoods", "SRLegacyFoods", "SurveyFoods", "BrandedFoods", "foods")
_MOST_JSON = 2**30  # bytes, since JSON is read whole
_UNDETERMINED = "9999"  # unit of a portion whose words are elsewhere
_YES = {"y", "yes", "t", "true", "1"}
# Codes of SR28 for values of survey foods, which come without: USDA computes them from recipes.
_OF_A_RECIPE = ("4", "RA")
_ABOUT = {
    "title": "USDA FoodData Central",
    "source": "U.S. Department of Agriculture, Agricultural Research Service, FoodData Central",
    "licence": "CC0 1.0 (work of the United States government; branded foods are given by their makers)",
    "basis": "per 100 g edible portion",
}
_MOST_ID = 100_000_000  # an array has a place for each; identifiers of today are below three million
_MOST = 1e12  # of any number in a JSON file
_ID = re.compile("[0-9]{1,8}")
_WORDS = pa.dictionary(pa.int32(), pa.string())  # few words, many times
_GRAMS = {"g", "grm"}
_PER_100_ML = "branded food per 100 ml, of no stated density"
_NOT_PER_100_G = {"ml", "mlt", "mc"}  # units of a serving of a liquid, whose values are per 100 ml


def _ids(column: pd.Series, otherwise: int) -> np.ndarray:
    """Read identifiers, each a whole number; another one in place of what is none."""
    found = pd.to_numeric(column, errors="coerce")
    return found.where(found.between(0, _MOST_ID)).fillna(otherwise).astype(int).to_numpy()


def _dense(fdc_ids: np.ndarray) -> np.ndarray:
    """Map ids to places: an array that holds the place of each id, -1 for the others."""
    places = np.full(int(fdc_ids.max(initial=0)) + 1, -1, dtype=np.int32)
    places[fdc_ids] = np.arange(len(fdc_ids), dtype=np.int32)
    return places


def _looked_up(places: np.ndarray, ids: np.ndarray) -> np.ndarray:
    inside = np.clip(ids, 0, len(places) - 1)
    return np.where(inside == ids, places[inside], -1)


def _chosen_types(types: Sequence[str]) -> tuple[list[str], list[str]]:
    for word in types:
        if word not in TYPES:
            raise SwaptableError(f"found type '{word}'; expected {', '.join(TYPES)}{nearest(word, TYPES)}")
    return [TYPES[word][0] for word in types], [TYPES[word][1] for word in types]


def _none_chosen(found: Mapping[str, int], types: Sequence[str], source: Path) -> InputError:
    words = {name: word for word, names in TYPES.items() for name in names}
    there = listed(f"{count:,} of {words.get(name, name)}" for name, count in found.items()) or "no food at all"
    return InputError(f"found {there}; none is of the types {', '.join(types)}: name others with --types", file=source)


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
        raise _none_chosen(counts, types, source)
    if any(table["fdc_id"].null_count for table in kept):
        raise InputError("a food has no id", file=raw.place, field="fdc_id")
    whole = _frame(kept)
    if not whole["fdc_id"].is_monotonic_increasing:
        whole = whole.sort_values(["fdc_id", "line"], ignore_index=True)
    ids = whole["fdc_id"].to_numpy()
    strange = np.flatnonzero((ids < 0) | (ids > _MOST_ID))
    if len(strange):
        problem = f"found {ids[strange[0]]}; expected an id of 0 to {_MOST_ID:,}"
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
        other_code=foods["fdc_id"].map({int(key): code for key, code in other.items() if _ID.fullmatch(key)}).fillna("")
        if other
        else "",
    )


def _refuse(files: RawFiles) -> pd.DataFrame:
    """Give the inedible share of foods [%] and what it is, by id."""
    found = _small(files, "food_component", "fdc_id", "name", "pct_weight", "is_refuse")
    if found is None:
        return pd.DataFrame(columns=["refuse_percent", "refuse_description"])
    raw, table = found
    table = table[table["is_refuse"].str.lower().isin(_YES)]
    table = table.assign(refuse_percent=numbers(raw, table["pct_weight"]))
    by_food = table.dropna(subset="refuse_percent").groupby("fdc_id")
    return pd.DataFrame(
        {"refuse_percent": by_food["refuse_percent"].sum(), "refuse_description": by_food["name"].agg("; ".join)}
    )


def _measure(amount: str, unit: str, description: str, modifier: str) -> tuple[float, str] | None:
    """Read what a portion counts: (how many, measure), from whichever column says it; None where none does."""
    modifier = "" if modifier.isdigit() else modifier  # survey foods: a code
    words = " ".join(dict.fromkeys(filter(None, (unit, description, modifier))))
    try:
        number = float(amount) if amount else 0.0
    except ValueError:
        number = 0.0
    if number > 0 and words:
        return number, words
    try:
        said = parse_amount(words)
    except SwaptableError:
        return (1.0, words) if words and "not specified" not in words.lower() else None
    return (said.number, said.measure) if said.number > 0 and said.measure else None


def _portions(files: RawFiles, places: np.ndarray) -> pd.DataFrame:
    units = _lookup(files, "measure_unit", "id", "name")
    units.pop(_UNDETERMINED, None)
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
            measure = _measure(row["amount"], unit, row["portion_description"], row["modifier"])
            if measure is not None:
                points = int(row["data_points"]) if _ID.fullmatch(row["data_points"]) else None
                rows.append((row["fdc_id"], row["seq_num"], *measure, float(grams[line]), points))
    return _portion_table(rows)


def _portion_table(rows: list[tuple[Any, ...]]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["code", "sequence", "amount", "measure", "grams", "n"])
    table["sequence"] = table.groupby("code").cumcount() + 1
    return table.astype({"n": "Int32", "amount": float, "grams": float})


def _branded(files: RawFiles, foods: pd.DataFrame, left_out: dict[str, int]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Add who makes a branded food and its serving; leave out liquids, whose values are per 100 ml."""
    raw = files.get("branded_food")
    if raw is None or not (foods["data_type"] == TYPES["branded"][0]).any():
        return foods, _portion_table([])
    words = ("serving_size_unit", "household_serving_fulltext", "brand_owner", "branded_food_category")
    columns = {"fdc_id": pa.int64(), "serving_size": pa.float64()} | dict.fromkeys(words, _WORDS)
    places = _dense(foods["fdc_id"].to_numpy())
    kept = []
    for _, table in stream_rows(raw, columns, optional=list(columns)[1:]):
        kept.append(table.filter(pa.array(_looked_up(places, table["fdc_id"].to_numpy()) >= 0)))
    table = _frame(kept).drop_duplicates("fdc_id").set_index("fdc_id")
    table = table.assign(**{name: np.nan for name in columns if name not in table and name != "fdc_id"})
    unit = table["serving_size_unit"].astype(object).str.lower()
    liquid = table.index[unit.isin(_NOT_PER_100_G)]
    if len(liquid):
        left_out[_PER_100_ML] = len(liquid)
        foods = foods[~foods["fdc_id"].isin(liquid)]
    mine = table[["brand_owner", "branded_food_category"]].reindex(foods["fdc_id"]).astype(object).fillna("")
    category = mine["branded_food_category"].to_numpy()
    foods = foods.assign(
        manufacturer=mine["brand_owner"].to_numpy(),
        food_group_name=np.where(category != "", category, foods["food_group_name"].astype(object)),
    )
    serving = table[(table["serving_size"] > 0) & unit.isin(_GRAMS)]
    said = serving["household_serving_fulltext"].astype(object).fillna("")
    measures = {words: _measure("", "", words, "") or (1.0, "serving") for words in said.unique()}  # few among many
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
        *_code_tables(
            dict(zip(sources["code"], sources["description"], strict=True)),
            dict(zip(table["code"], table["description"], strict=True)),
        ),
    )


def _code_tables(sources: Mapping[str, str], derivations: Mapping[str, str]) -> tuple[pd.DataFrame, pd.DataFrame]:
    recipe = {_OF_A_RECIPE[1]: "Recipe, as all values of survey foods (this project's reading)"}
    return (
        pd.DataFrame(list(sources.items()), columns=["source_code", "text"], dtype=str),
        pd.DataFrame(list((recipe | dict(derivations)).items()), columns=["derivation_code", "text"], dtype=str),
    )


def _nutrient_number(text: str) -> str:
    """Take the number of a nutrient, such as 307 or 269.3; nothing where it is none."""
    return text if re.fullmatch(r"[0-9]{1,8}(\.[0-9]{1,3})?", text) else ""


def _nutrients(files: RawFiles) -> dict[int, Printed]:
    raw = files.need("nutrient")
    table = read_rows(raw, {"name": True, "unit_name": True, "id": False, "nutrient_id": False, "nutrient_nbr": False})
    key = next((name for name in ("id", "nutrient_id") if name in table), None)
    if key is None:
        raise InputError("has no column 'id'", file=raw.place, line=1)
    strange = table.index[~table[key].str.fullmatch(_ID.pattern)]
    if len(strange):
        problem = f"found '{table.at[strange[0], key]}'; expected a whole number"
        raise InputError(problem, file=raw.place, line=int(strange[0]), field=key)
    number = table["nutrient_nbr"] if "nutrient_nbr" in table else pd.Series("", index=table.index)
    number = number.str.removesuffix(".0").map(_nutrient_number)
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


def _import_csv(
    files: RawFiles, types: Sequence[str], stand_ins: Mapping[str, str], values_path: Path
) -> tuple[dict[str, Any], dict[str, Any]]:
    printed = _nutrients(files)
    raw = files.need("food_nutrient")
    foods = _food_table(files.need("food"), _chosen_types(types)[0], types, files.source)
    foods = _groups(
        foods.reindex(columns=[*foods.columns, *{"food_category_id", "publication_date"} - {*foods}]), files
    )
    left_out: dict[str, int] = {}
    foods, servings = _branded(files, foods, left_out)
    derivation_at, pairs, sources, derivations = _derivations(files)
    pairs += [("1", "NC"), _OF_A_RECIPE]
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
    return tables, _finished(values, tables, left_out)


def _finished(values: ValueWriter, tables: dict[str, Any], left_out: dict[str, int]) -> dict[str, Any]:
    """Put the tables in their final shape, and give what the manifest says of the import."""
    if not values.rows:
        raise InputError("holds no value of the foods that are wanted", file=values.raw.place)
    foods = tables["foods"]
    foods["refuse_percent"] = foods["refuse_percent"].astype(float)
    first = ["code", "food_group", "description", "refuse_description", "refuse_percent", "food_group_name"]
    foods = foods[[*first, *(name for name in foods if name not in first and name != "food_category_id")]]
    tables["foods"], tables["portions"] = visible_texts(foods), visible_texts(tables["portions"])
    tables["components"] = values.components()
    tables["checks"] = values.checks()
    released = max(tables["foods"]["publication_date"].unique())
    return {"released": released or "date not stated", "checks": values.counts, "left_out": left_out | values.left_out}


def _json_items(raw: RawFile) -> Iterator[dict[str, Any]]:
    """Give the foods of a JSON file one by one: a list of them, or an object that holds one, or a single food."""
    with raw.reading() as stream:
        content = stream.read(_MOST_JSON + 1)
    if len(content) > _MOST_JSON:
        problem = f"is larger than {_MOST_JSON / 2**30:g} GiB; take the CSV download of the same release, which streams"
        raise InputError(problem, file=raw.place)
    raw.sha256 = hashlib.sha256(content).hexdigest()
    try:
        whole = json.loads(content.decode("utf-8-sig"), object_hook=_seen)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise InputError("is not UTF-8; expected JSON in UTF-8", file=raw.place, line=line) from error
    except ValueError as error:
        raise InputError(f"is not valid JSON ({error}); it may be cut off", file=raw.place) from error
    except RecursionError:
        raise InputError("is nested too deeply; expected a list of foods", file=raw.place) from None
    if isinstance(whole, dict):
        name = next((each for each in _LISTS if isinstance(whole.get(each), list)), None)
        whole = whole[name] if name else [whole]
    for number, item in enumerate(whole if isinstance(whole, list) else [whole]):
        if not isinstance(item, dict) or "fdcId" not in item:
            problem = f"item {number + 1} is no food (it has no fdcId); expected a list of foods, or {listed(_LISTS)}"
            raise InputError(problem, file=raw.place)
        raw.rows += 1
        yield item


def _seen(item: dict[str, Any]) -> dict[str, Any]:
    """Leave signs that cannot be seen out of the texts of an object."""
    return {key: visible(value) if isinstance(value, str) else value for key, value in item.items()}


def _inner(item: Mapping[str, Any], *names: str) -> Any:
    """Give what an item holds under nested names; empty text where it does not."""
    found: Any = item
    for name in names:
        found = found.get(name) if isinstance(found, dict) else None
    return "" if found is None else found


def _object(item: Mapping[str, Any], name: str) -> dict[str, Any]:
    """Give the object that an item holds under a name, an empty one where it holds none."""
    found = item.get(name)
    return found if isinstance(found, dict) else {}


def _number(raw: RawFile, fdc_id: str, name: str, found: Any) -> float:
    if found in ("", None):
        return np.nan
    if isinstance(found, (int, float)) and not isinstance(found, bool) and abs(found) < _MOST:
        return float(found)
    raise InputError(f"food {fdc_id}: found '{found}'; expected a number", file=raw.place, field=name)


def _json_food(raw: RawFile, item: Mapping[str, Any], fdc_id: str) -> dict[str, Any]:
    category = _inner(item, "foodCategory")
    words = category if isinstance(category, str) else _inner(item, "foodCategory", "description")
    wweia = _inner(item, "wweiaFoodCategory", "wweiaFoodCategoryCode")
    words = (
        words
        or _inner(item, "brandedFoodCategory")
        or _inner(item, "wweiaFoodCategory", "wweiaFoodCategoryDescription")
    )
    refuse = [each for each in item.get("foodComponents") or [] if str(each.get("isRefuse", "")).lower() in _YES]
    found = [_number(raw, fdc_id, "percentWeight", each.get("percentWeight")) for each in refuse]
    shares = [share for share in found if not np.isnan(share)]
    factors = item.get("nutrientConversionFactors") or []
    of = {str(each.get("type", "")).strip("."): each for each in factors if isinstance(each, dict)}
    energy = of.get("CalorieConversionFactor", {})
    published = str(_inner(item, "publicationDate") or _inner(item, "publishedDate"))
    date = pd.to_datetime(published, errors="coerce")

    def factor(name: str, of: Mapping[str, Any]) -> float:
        return _number(raw, fdc_id, name, of.get(name))

    return {
        "code": fdc_id,
        "food_group": str(wweia or _inner(item, "foodCategory", "code") or SR_GROUPS.get(str(words), "")),
        "description": str(_inner(item, "description")),
        "refuse_description": "; ".join(str(each.get("name", "")) for each in refuse if shares),
        "refuse_percent": sum(shares) if shares else np.nan,
        "food_group_name": str(words),
        "data_type": str(_inner(item, "dataType")),
        "publication_date": published if pd.isna(date) else date.date().isoformat(),
        "other_code": str(_inner(item, "ndbNumber") or _inner(item, "foodCode")),
        "manufacturer": str(_inner(item, "brandOwner")),
        "nitrogen_factor": factor("value", of.get("ProteinConversionFactor", {})),
        "protein_kcal_per_g": factor("proteinValue", energy),
        "fat_kcal_per_g": factor("fatValue", energy),
        "carbohydrate_kcal_per_g": factor("carbohydrateValue", energy),
    }


def _json_portions(raw: RawFile, item: Mapping[str, Any], fdc_id: str) -> list[tuple[Any, ...]]:
    rows = []
    for each in item.get("foodPortions") or []:
        unit = str(_inner(each, "measureUnit", "name"))
        undetermined = str(_inner(each, "measureUnit", "id")) == _UNDETERMINED or unit == "undetermined"
        words = [str(_inner(each, name)) for name in ("amount", "portionDescription", "modifier")]
        measure = _measure(words[0], "" if undetermined else unit, words[1], words[2])
        grams = _number(raw, fdc_id, "gramWeight", each.get("gramWeight"))
        points = str(each.get("dataPoints"))
        if measure is not None and grams > 0:
            rows.append((fdc_id, 0, *measure, grams, int(points) if _ID.fullmatch(points) else None))
    unit = str(_inner(item, "servingSizeUnit")).lower()
    size = _number(raw, fdc_id, "servingSize", item.get("servingSize"))
    if unit in _GRAMS and size > 0:
        measure = _measure("", "", str(_inner(item, "householdServingFullText")), "") or (1.0, "serving")
        rows.append((fdc_id, 0, *measure, float(size), None))
    return rows


@dataclass
class _Gathered:
    """What the JSON files hold, gathered food by food."""

    foods: dict[str, dict[str, Any]] = field(default_factory=dict)
    portions: list[tuple[Any, ...]] = field(default_factory=list)
    printed: dict[int, Printed] = field(default_factory=dict)
    pairs: dict[tuple[str, str], int] = field(default_factory=lambda: {("", ""): 0})
    sources: dict[str, str] = field(default_factory=dict)
    derivations: dict[str, str] = field(default_factory=dict)
    values: list[tuple[float, ...]] = field(default_factory=list)  # place, nutrient, amount, pair, then the optional

    def add_food(self, raw: RawFile, fdc_id: str, item: Mapping[str, Any]) -> None:
        """Take a food with its portions and values; anything may stand where a number or a list belongs."""
        try:
            self.foods[fdc_id] = _json_food(raw, item, fdc_id)
            self.portions += _json_portions(raw, item, fdc_id)
            for each in item.get("foodNutrients") or []:
                self.add_value(raw, fdc_id, len(self.foods) - 1, each)
        except InputError:
            raise
        except (
            TypeError,
            ValueError,
            AttributeError,
            OverflowError,
            NotImplementedError,
        ) as error:  # a list where a number belongs ...
            problem = f"food {fdc_id}: is not laid out as foods of such a file are ({error})"
            raise InputError(problem, file=raw.place, field="fdcId") from None

    def add_value(self, raw: RawFile, fdc_id: str, place: int, each: Mapping[str, Any]) -> None:
        """Take one entry of ``foodNutrients``; a heading has no amount and is nothing."""
        amount = _number(raw, fdc_id, "amount", each.get("amount", each.get("value")))
        limit = _number(raw, fdc_id, "loq", each.get("loq"))
        if np.isnan(amount) and np.isnan(limit):
            return
        inner = _object(each, "nutrient")
        key = inner.get("id", each.get("nutrientId"))
        number = _nutrient_number(str(inner.get("number", each.get("nutrientNumber", each.get("number", "")))))
        if key is None:  # the abridged form names nutrients by number alone
            key = number
        if not _ID.fullmatch(str(key)):
            raise InputError(f"food {fdc_id}: a nutrient has neither id nor number", file=raw.place, field="nutrient")
        if int(key) not in self.printed:
            name = str(inner.get("name") or each.get("nutrientName") or each.get("name") or "")
            unit = str(inner.get("unitName") or each.get("unitName") or "")
            self.printed[int(key)] = Printed(str(key), number, name, unit)
        how = _object(each, "foodNutrientDerivation")
        source = str(_inner(how, "foodNutrientSource", "code") or _inner(each, "foodNutrientSourceCode"))
        derivation = str(how.get("code") or each.get("derivationCode") or "")
        self.sources.setdefault(source, str(_inner(how, "foodNutrientSource", "description")))
        self.derivations.setdefault(derivation, str(how.get("description") or each.get("derivationDescription") or ""))
        pair = self.pairs.setdefault((source, derivation), len(self.pairs))
        names = ("dataPoints", "standardError", "min", "max", "median")
        others = [_number(raw, fdc_id, name, each.get(name)) for name in names]
        if not (np.isnan(others[0]) or (others[0].is_integer() and others[0] <= _MOST_ID)):
            raise InputError(f"food {fdc_id}: found {others[0]:g}; expected a count", file=raw.place, field=names[0])
        self.values.append((place, int(key), amount, pair, *others, limit))


def _import_json(
    files: RawFiles, types: Sequence[str], stand_ins: Mapping[str, str], values_path: Path
) -> tuple[dict[str, Any], dict[str, Any]]:
    wanted = [*_chosen_types(types)[1], ""]  # the form of one food may not say its type
    gathered, counts, left_out = _Gathered(), dict[str, int](), dict[str, int]()
    for name in files.names():
        raw = files.need(name)
        for item in _json_items(raw):
            fdc_id, kind = str(item["fdcId"]), str(_inner(item, "dataType"))
            if not _ID.fullmatch(fdc_id):
                raise InputError(f"found '{fdc_id}'; expected a whole number", file=raw.place, field="fdcId")
            counts[kind] = counts.get(kind, 0) + 1
            if kind not in wanted:
                continue
            if fdc_id in gathered.foods:
                raise InputError(f"found food {fdc_id} twice; a code names one food", file=raw.place, field="fdcId")
            if str(_inner(item, "servingSizeUnit")).lower() in _NOT_PER_100_G:
                left_out[_PER_100_ML] = left_out.get(_PER_100_ML, 0) + 1
                continue
            gathered.add_food(raw, fdc_id, item)
    if not gathered.foods:
        raise _none_chosen(counts, types, files.source)
    foods = pd.DataFrame(list(gathered.foods.values()))
    pairs = [*gathered.pairs, ("1", "NC"), _OF_A_RECIPE]
    recipes = (foods["data_type"] == TYPES["survey"][1]).to_numpy()
    codes = pa.array(foods["code"])
    with ValueWriter(values_path, codes, recipes, gathered.printed, pairs, raw, stand_ins) as values:
        if gathered.values:
            table = np.array(gathered.values)
            whole = [table[:, place].astype(int) for place in (0, 1, 3)]
            optional = {name: table[:, 4 + place] for place, name in enumerate(OPTIONAL)}
            values.add(Rows(whole[0], whole[1], table[:, 2], whole[2], np.zeros(len(table), int), optional))
    sources, derivations = _code_tables(gathered.sources, gathered.derivations)
    tables = {
        "foods": foods,
        "portions": _portion_table(gathered.portions),
        "source_codes": sources,
        "derivation_codes": derivations,
    }
    return tables, _finished(values, tables, left_out)


def import_fdc(
    source: Path,
    folder: Path,
    types: Sequence[str] = DEFAULT_TYPES,
    stand_ins: Mapping[str, str] | None = None,
) -> FoodRelease:
    """Build a food release from FoodData Central.

    Parameters
    ----------
    source : Path
        Folder or zip archive with the CSV files, or with JSON files, or one JSON file.
    folder : Path
        Where the release goes; must not exist. Its name stands before the codes of the foods.
    types : sequence of str, optional
        Of :data:`TYPES`; all but branded and experimental foods by default.
    stand_ins : mapping of str, optional
        Component → the one to take where a food has none of it, such as ``ENERC_KCAL`` →
        ``ENERC_KCAL_ATWATER_SPECIFIC``. Every such value is marked so.

    Returns
    -------
    FoodRelease

    Raises
    ------
    InputError
        With file, line, field, the value found and what is allowed; then nothing is written.
    """
    refuse_existing(folder)
    name = release_name(folder)
    folder.parent.mkdir(parents=True, exist_ok=True)
    with (
        RawFiles(source, (".csv", ".json")) as files,
        tempfile.TemporaryDirectory(dir=folder.parent, prefix=f".{name}.") as scratch,
    ):
        values = Path(scratch) / "values.parquet"
        is_csv = "food_nutrient" in files.names() or source.suffix.lower() == ".csv" or "food" in files.names()
        read = _import_csv if is_csv else _import_json
        tables, found = read(files, types, stand_ins or {}, values)
        about = {"name": name, **_ABOUT, "types": list(types), "stand_ins": dict(stand_ins or {})}
        manifest = about | found | {"raw_files": files.manifest()}
        return write_release(folder, manifest, {"foods": tables.pop("foods"), "values": values, **tables})
