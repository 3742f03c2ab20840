"""What to buy for a recipe: packages and pieces, rounded up, by aisle, with what they cost; amounts for the kitchen."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from swaptable.amounts.chosen import amount_in_kitchen, grams_text
from swaptable.amounts.cost import Price
from swaptable.amounts.variants import Grid, Line
from swaptable.basics.phrases import speak
from swaptable.basics.units import Amount
from swaptable.foods.reference import aisles, purchase_units
from swaptable.foods.release import Food

__all__ = ["means", "measured", "place_of", "shopping_table"]

EXACT = 1e-6  # of a package: what floating point may add before another one is bought
NOT_BOUGHT = "from the tap"
_COMES_ALONG = re.compile(r"\bfrom the (?:can|jar|tin)s?\b", re.I)  # in the package of another ingredient
_DRAINED = re.compile(r"\bdrained\b")  # such a food's weight, and so its package's, is without the liquid
_STEPS = ((100.0, 10.0), (1000.0, 50.0), (np.inf, 100.0))  # sold by weight: below [g] → rounded up to [g]
_COLUMNS = [
    "aisle", "food", "description", "for", "needed_g", "needed_is", "to_buy", "bought_g", "package", "package_source",
    "look_in_the_cupboard_first", "cost_of_what_is_used", "cost_of_what_is_bought", "currency",
]  # fmt: skip


def measured(amount: Amount | None, grams: float, factor: float) -> str:
    """Print an amount in kitchen measures and by weight, the measure in the plural where there are more."""
    phrases = speak("en")
    key = f"measure.{amount.measure}.many" if amount is not None else ""
    if amount is not None and amount.number * factor > 1 and phrases.has(key):
        amount = replace(amount, measure=phrases.say(key))
    return amount_in_kitchen(amount, grams, factor)


def means(row: pd.Series, food: Food) -> bool:
    """Tell whether a row of a reference table, by its ``food_group`` and ``pattern``, means a food."""
    groups = row["food_group"].split("|") if row["food_group"] else [food.food_group]
    return food.food_group in groups and re.search(row["pattern"], food.description.lower()) is not None


def place_of(food: Food) -> pd.Series:
    """Find aisle and station of a food; the last row of the table takes what is left."""
    return next(row for _, row in aisles().iterrows() if means(row, food))


@dataclass(frozen=True)
class _Package:
    """In what a food is sold."""

    unit: str
    units: str
    grams: float  # edible or as purchased, as ``weighed`` says
    weighed: str
    source: str


def _package_of(line: Line, regime: str) -> _Package | None:
    for _, row in purchase_units().iterrows():
        if not means(row, line.food) or row["regime"] not in ("", regime):
            continue
        if row["process"] and not re.search(row["process"], line.cooking.process):
            continue
        grams = row["grams"]
        if row["portion"]:
            found = [p.grams for p in line.food.portions if re.search(row["portion"], p.measure, re.I)]
            if not found:
                continue
            grams = found[0] * row["pieces"]
        return _Package(row["unit"], row["units"], float(grams), row["weighed"], row["source"])
    return None


def _bought(line: Line, needed_g: float, edible_g: float, regime: str) -> dict[str, object]:
    """Round up to packages or pieces, else to a weight that a shop weighs out."""
    package = _package_of(line, regime)
    if package is None:
        step = next(step for below, step in _STEPS if needed_g < below)
        grams = float(np.ceil(needed_g / step - EXACT) * step)
        return {"to_buy": grams_text(grams), "bought_g": grams, "package": "by weight", "package_source": ""}
    wanted = edible_g if package.weighed == "edible" else needed_g
    count = max(1, int(np.ceil(wanted / package.grams - EXACT)))
    # a package of so much edible food is as heavy as purchased as the line says
    grams = count * package.grams * (needed_g / edible_g if package.weighed == "edible" else 1.0)
    text = f"{count} {package.unit if count == 1 else package.units}"
    return {"to_buy": text, "bought_g": grams, "package": package.unit, "package_source": package.source}


def _needed_is(line: Line, refuse_known: bool) -> str:
    if not refuse_known:
        return "edible part only: the refuse is not known"
    return "drained" if _DRAINED.search(line.food.description) else "as purchased"


def shopping_table(
    grid: Grid, lines: Mapping[str, Line], factor: float, regime: str, prices: Mapping[str, Price]
) -> pd.DataFrame:
    """List what to buy.

    Parameters
    ----------
    grid : Grid
    lines : mapping of Line
        Ingredient → its line in the chosen variant.
    factor : float
        How many times the recipe is cooked. [-]
    regime : str
        ``"US"`` or ``"CA"``: whose packages.
    prices : mapping of Price
        By food code; a food without one has no cost.

    Returns
    -------
    DataFrame
        One row per food, by aisle: ``food`` (code), ``description``, ``for`` (ingredients), ``needed_g`` (as purchased,
        refuse included, unless ``needed_is`` says drained, or that the refuse is not known), ``to_buy`` in packages or
        pieces, rounded up, ``bought_g`` (as purchased), ``package`` with its source, whether to look in the cupboard
        first, and the cost of what is used and of what is bought (NaN without a price). Tap water is not bought, nor
        what comes along with another ingredient, such as ``oil from the tins``.
    """
    by_food: dict[str, list[Line]] = {}
    for name, line in lines.items():
        if not _COMES_ALONG.search(name):
            by_food.setdefault(line.food.code, []).append(line)
    currency = next((price.currency for price in prices.values()), "")
    rows = []
    for code, found in by_food.items():
        line, place = found[0], place_of(found[0].food)
        edible = factor * sum(part.edible_g for part in found)
        purchased = factor * sum(part.purchased_g for part in found)
        if place["aisle"] == NOT_BOUGHT:
            continue
        refuse_known = not np.isnan(purchased)
        needed = purchased if refuse_known else edible
        price = prices.get(grid.release.full_code(code))
        bought = _bought(line, needed, edible, regime)
        rows.append(
            {
                "aisle": place["aisle"],
                "food": grid.release.full_code(code),
                "description": line.food.description,
                "for": ", ".join(part.ingredient for part in found),
                "needed_g": needed,
                "needed_is": _needed_is(line, refuse_known),
                **bought,
                "look_in_the_cupboard_first": place["cupboard"] == "yes",
                "cost_of_what_is_used": np.nan if price is None or not refuse_known else needed * price.per_gram,
                "cost_of_what_is_bought": np.nan if price is None else float(str(bought["bought_g"])) * price.per_gram,
                "currency": currency,
            }
        )
    table = pd.DataFrame(rows, columns=_COLUMNS)
    order = list(dict.fromkeys(aisles()["aisle"]))
    return table.sort_values("aisle", key=lambda names: names.map(order.index), kind="stable", ignore_index=True)
