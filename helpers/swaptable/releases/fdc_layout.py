"""What the CSV and the JSON files of FoodData Central have in common."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from swaptable.basics.errors import InputError, SwaptableError, listed, nearest
from swaptable.basics.units import parse_amount
from swaptable.releases.raw_tables import visible_texts
from swaptable.releases.value_writer import ValueWriter

__all__ = [
    "DEFAULT_TYPES",
    "GRAMS",
    "IDENTIFIER",
    "MOST_ID",
    "NOT_PER_100_G",
    "OF_A_RECIPE",
    "PER_100_ML",
    "TYPES",
    "UNDETERMINED",
    "YES",
    "chosen_types",
    "code_tables",
    "finished",
    "none_chosen",
    "nutrient_number",
    "portion_measure",
    "portion_table",
]

# Our word → data type in CSV, in JSON. All others are samples and purchases that the foods were made from.
TYPES = {
    "foundation": ("foundation_food", "Foundation"),
    "sr_legacy": ("sr_legacy_food", "SR Legacy"),
    "survey": ("survey_fndds_food", "Survey (FNDDS)"),
    "branded": ("branded_food", "Branded"),
    "experimental": ("experimental_food", "Experimental"),
}
DEFAULT_TYPES = ("foundation", "sr_legacy", "survey")
UNDETERMINED = "9999"  # unit of a portion whose words are elsewhere
YES = {"y", "yes", "t", "true", "1"}
# Codes of SR28 for values of survey foods, which come without: USDA computes them from recipes.
OF_A_RECIPE = ("4", "RA")
MOST_ID = 100_000_000  # an array has a place for each; identifiers of today are below three million
IDENTIFIER = re.compile("[0-9]{1,8}")
GRAMS = {"g", "grm"}
PER_100_ML = "branded food per 100 ml, of no stated density"
NOT_PER_100_G = {"ml", "mlt", "mc"}  # units of a serving of a liquid, whose values are per 100 ml


def chosen_types(types: Sequence[str]) -> tuple[list[str], list[str]]:
    """Give the data types that our words stand for, as CSV and as JSON write them."""
    for word in types:
        if word not in TYPES:
            raise SwaptableError(f"found type '{word}'; expected {', '.join(TYPES)}{nearest(word, TYPES)}")
    return [TYPES[word][0] for word in types], [TYPES[word][1] for word in types]


def none_chosen(found: Mapping[str, int], types: Sequence[str], source: Path) -> InputError:
    """Say what foods there are where none is of the types that are wanted."""
    words = {name: word for word, names in TYPES.items() for name in names}
    there = listed(f"{count:,} of {words.get(name, name)}" for name, count in found.items()) or "no food at all"
    return InputError(f"found {there}; none is of the types {', '.join(types)}: name others with --types", file=source)


def portion_measure(amount: str, unit: str, description: str, modifier: str) -> tuple[float, str] | None:
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


def portion_table(rows: list[tuple[Any, ...]]) -> pd.DataFrame:
    """Give the portions of each food their numbers: rows of code, anything, amount, measure, grams and count."""
    table = pd.DataFrame(rows, columns=["code", "sequence", "amount", "measure", "grams", "n"])
    table["sequence"] = table.groupby("code").cumcount() + 1
    return table.astype({"n": "Int32", "amount": float, "grams": float})


def code_tables(sources: Mapping[str, str], derivations: Mapping[str, str]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give the tables of source and derivation codes with their meanings."""
    recipe = {OF_A_RECIPE[1]: "Recipe, as all values of survey foods (this project's reading)"}
    return (
        pd.DataFrame(list(sources.items()), columns=["source_code", "text"], dtype=str),
        pd.DataFrame(list((recipe | dict(derivations)).items()), columns=["derivation_code", "text"], dtype=str),
    )


def nutrient_number(text: str) -> str:
    """Take the number of a nutrient, such as 307 or 269.3; nothing where it is none."""
    return text if re.fullmatch(r"[0-9]{1,8}(\.[0-9]{1,3})?", text) else ""


def finished(values: ValueWriter, tables: dict[str, Any], left_out: dict[str, int]) -> dict[str, Any]:
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
