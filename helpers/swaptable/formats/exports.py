"""A computed recipe as CSV, JSON-LD and Parquet, ready to be written."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from swaptable.amounts.nutrients import WHOLE_SHARE, Amounts, amounts_table
from swaptable.amounts.recipes import Recipe
from swaptable.foods.release import FoodRelease
from swaptable.formats.csv_cells import harmless, harmless_table
from swaptable.formats.pages import YAML_FORMAT
from swaptable.formats.recipe_files import plain_number, recipe_fields, recipe_text
from swaptable.formats.sheet_rows import sheet_rows

__all__ = ["amounts_csv", "amounts_parquet", "csv_bytes", "ingredient_lines", "ingredients_csv", "json_ld"]

# Property of schema.org NutritionInformation → the components that it sums.
_NUTRITION = {
    "calories": ("ENERC_KCAL",), "carbohydrateContent": ("CHOCDF",), "cholesterolContent": ("CHOLE",),
    "fatContent": ("FAT",), "fiberContent": ("FIBTG",), "proteinContent": ("PROCNT",),
    "saturatedFatContent": ("FASAT",), "sodiumContent": ("NA",), "sugarContent": ("SUGAR",),
    "transFatContent": ("FATRN",), "unsaturatedFatContent": ("FAMS", "FAPU"),
}  # fmt: skip
_CAVEAT = "An aid to a registered dietitian; not medical advice, and not for labels."


def csv_bytes(rows: Iterable[Iterable[str]]) -> bytes:
    """Give rows of texts as CSV in which no text can be run as a formula."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerows([harmless(text) for text in row] for row in rows)
    return stream.getvalue().encode()


def ingredients_csv(amounts: Amounts) -> bytes:
    """Give the ingredients of a recipe as a sheet that can be read in again."""
    return csv_bytes(sheet_rows(amounts.recipe, amounts.grid.release))


def amounts_csv(amounts: Amounts) -> bytes:
    """Give the tidy amounts of all variants, not rounded; an empty cell is missing."""
    table = harmless_table(amounts_table(amounts))
    return table.to_csv(index=False, lineterminator="\n").encode()


def amounts_parquet(amounts: Amounts) -> bytes:
    """Give the tidy amounts of all variants, with units and sources in the metadata.

    Returns
    -------
    bytes
        Parquet; each column's metadata say its ``unit`` and ``description``, the table's where the numbers are from.
    """
    meant = {
        "component": ("", "INFOODS tag"),
        "unit": ("", "unit of the amount in this row"),
        "basis": ("", "what the amount is per"),
        "amount": ("as in the column unit", "sum of what is known; null where nothing is"),
        "known_share": ("1", "share of the raw edible weight whose food has a published value"),
        "status": ("", "complete, lower bound, imputed in part or missing"),
    }
    table = pa.Table.from_pandas(amounts_table(amounts), preserve_index=False)
    fields = []
    for column in table.schema:
        unit, description = meant.get(column.name, ("", "choice of the recipe"))
        fields.append(column.with_metadata({"unit": unit, "description": description}))
    about = {
        "title": amounts.recipe.title,
        "servings": plain_number(amounts.recipe.servings),
        "sources": f"{amounts.source_line} {_CAVEAT}",
        "weight_as_eaten": amounts.cooked_weight_origin,
        "release_sha256": amounts.grid.release.sha256,
    }
    metadata = (table.schema.metadata or {}) | {key.encode(): text.encode() for key, text in about.items()}
    stream = io.BytesIO()
    pq.write_table(table.cast(pa.schema(fields, metadata=metadata)), stream, compression="zstd")
    return stream.getvalue()


def ingredient_lines(recipe: Recipe, release: FoodRelease) -> list[str]:
    """Give the ingredients as written as lines in words: amount, and the food as its release describes it."""
    used = [ingredient for ingredient in recipe.ingredients.values() if ingredient.amount.number > 0]
    parts = [(plain_number(i.amount.number), i.amount.measure, release.food(i.food).description) for i in used]
    return [" ".join(" ".join(part).split()) for part in parts]


def json_ld(amounts: Amounts) -> bytes:
    """Give a recipe as schema.org Recipe with NutritionInformation per serving of the recipe as written.

    Parameters
    ----------
    amounts : Amounts

    Returns
    -------
    bytes
        JSON-LD. Only whole amounts are given as properties; lower bounds are named in the description. The
        recipe file goes along as ``encoding``, so that reading this gives the same recipe.

    Notes
    -----
    schema.org: values of Mass and Energy have the form "<Number> <unit of measure>". Numbers are rounded here,
    as the last step, to three digits.
    """
    recipe, release = amounts.recipe, amounts.grid.release
    nutrition, gaps = _nutrition(amounts)
    description = [
        f"Nutrition per serving of the recipe as written. {amounts.source_line}",
        f"Weight as eaten: {amounts.cooked_weight_origin}.",
        *([f"Some of the weight has no value: {', '.join(gaps)}."] if gaps else []),
        _CAVEAT,
        recipe.notes,
    ]
    document = {
        "@context": "https://schema.org",
        "@type": "Recipe",
        "name": recipe.title,
        "description": " ".join(text for text in description if text),
        "recipeYield": f"{plain_number(recipe.servings)} servings",
        "recipeIngredient": ingredient_lines(recipe, release),
        "recipeInstructions": [{"@type": "HowToStep", "text": step} for step in recipe.method],
        "nutrition": nutrition,
        "encoding": {
            "@type": "MediaObject",
            "encodingFormat": YAML_FORMAT,
            "text": recipe_text(recipe_fields(recipe)),
        },
    }
    # "</" cannot end the script block of a page that the text is pasted into
    return (json.dumps(document, indent=2, ensure_ascii=False).replace("</", "<\\/") + "\n").encode()


def _nutrition(amounts: Amounts) -> tuple[dict[str, str], list[str]]:
    """Give the NutritionInformation of a serving, and in words what is not known as a whole."""
    written = amounts.grid.as_written
    serving = amounts.per("serving").sel(written).to_series()
    shares = amounts.share_per("serving").sel(written).to_series()
    units = amounts.units()
    nutrition: dict[str, str] = {"@type": "NutritionInformation"}
    grams = float(amounts.data["cooked_g"].sel(written)) / amounts.recipe.servings
    nutrition["servingSize"] = f"1 serving ({_rounded(grams)} g as eaten)"
    gaps = []
    for name, components in _NUTRITION.items():
        total, unit = float(serving[list(components)].sum(skipna=False)), units[components[0]]
        whole = float(shares[list(components)].min()) >= WHOLE_SHARE
        if np.isnan(total) or (total == 0 and not whole):
            gaps.append(f"{name} not known")
        elif not whole:
            gaps.append(f"{name} at least {_rounded(total)} {unit}")
        else:
            nutrition[name] = f"{_rounded(total)} {unit}"
    return nutrition, gaps


def _rounded(number: float) -> str:
    """Write a number to three digits, without exponent."""
    if number == 0:
        return "0"
    places = 2 - int(np.floor(np.log10(abs(number))))
    return plain_number(round(number, max(places, 0)))
