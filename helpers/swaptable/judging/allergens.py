"""Allergens that the names of a recipe's foods tell of, and what each option changes in them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache, partial
from typing import Any

import pandas as pd
import xarray as xr

from swaptable.amounts.nutrients import Amounts
from swaptable.amounts.variants import Line, Options
from swaptable.foods.reference import allergen_foods, allergen_lists
from swaptable.foods.release import Food
from swaptable.judging.daily_values import checked_regime
from swaptable.judging.food_rules import options_text, present_in, rule_of

__all__ = ["READ_LABEL", "allergen_changes", "allergens_of", "tells_of"]

READ_LABEL = "read the label"


@lru_cache(maxsize=4096)
def _allergens_named(food: Food) -> frozenset[str]:
    """Name the allergens that a food's description tells of; ``read the label`` where it tells too little."""
    found = (row["allergen"].split("|") for _, row in allergen_foods().iterrows() if rule_of(row).means(food))
    return frozenset(name for names in found for name in names)


def tells_of(allergen: str, line: Line) -> bool:
    """Tell whether the name of an ingredient's food tells of an allergen."""
    return allergen in _allergens_named(line.food)


def _label_reason(food: Food) -> str:
    table = allergen_foods()
    table = table[table["allergen"] == READ_LABEL]
    return next((str(row["note"]) for _, row in table.iterrows() if rule_of(row).means(food)), "")


def _names_shown(regime: str) -> dict[str, str]:
    """Give each allergen as it is shown, those on the country's list first."""
    table = allergen_lists()
    table = table[table["regime"] == checked_regime(regime)].sort_values("listed", ascending=False, kind="stable")
    return {
        str(row["allergen"]): str(row["allergen"]) if row["listed"] == "yes" else f"{row['allergen']} (not on the list)"
        for _, row in table.iterrows()
    }


def _joined(names: Iterable[str], shown: Mapping[str, str]) -> str:
    chosen = set(names)
    return ", ".join(text for name, text in shown.items() if name in chosen)


def allergens_of(amounts: Amounts, regime: str) -> pd.DataFrame:
    """Name the priority allergens that the ingredients' names tell of.

    Parameters
    ----------
    amounts : Amounts
    regime : str
        ``"US"`` or ``"CA"``: whose list of priority allergens counts.

    Returns
    -------
    DataFrame
        One row per ingredient and food: ``ingredient``, ``options`` (empty: always), ``food``, ``allergens``
        (those that are not on the country's list are marked so) and ``read_the_label`` (why the label has to be
        read; empty where the food is a single one).

    Raises
    ------
    SwaptableError
        If there is no such regime.

    Notes
    -----
    A screen of names: an allergen that is not named here may still be in the food, or get into it. Every label is
    to be read, also for what it may contain.

    References
    ----------
    21 USC 321(qq) as amended by the FASTER Act 2021. Food and Drug Regulations (Canada) B.01.010.1.
    """
    shown, rows = _names_shown(regime), []
    for ingredient, lines in amounts.grid.lines.items():
        by_food: dict[Food, list[Options]] = {}
        for options, line in lines.items():
            by_food.setdefault(line.food, []).append(options)
        for food, under in by_food.items():
            rows.append(
                {
                    "ingredient": ingredient,
                    "options": options_text(amounts.grid, under),
                    "food": food.description,
                    "allergens": _joined(_allergens_named(food), shown),
                    "read_the_label": _label_reason(food),
                }
            )
    return pd.DataFrame(rows, columns=["ingredient", "options", "food", "allergens", "read_the_label"])


def allergen_changes(amounts: Amounts, regime: str) -> pd.DataFrame:
    """Say which allergens each option brings into the dish, and which it takes out of it.

    Parameters
    ----------
    amounts : Amounts
    regime : str
        ``"US"`` or ``"CA"``.

    Returns
    -------
    DataFrame
        One row per choice and option other than the first: ``choice``, ``option``, ``adds``, ``removes`` and
        ``read_the_label``, the ingredients whose label has to be read whatever this table says.

    Raises
    ------
    SwaptableError
        If there is no such regime.

    Notes
    -----
    The whole dish counts, with every allowed combination of the other choices: an option adds what it brings into
    any of them, and removes only what is then named in none of them. Removed means: not named any more by this
    option. It does not mean that the dish holds none.
    """
    grid, shown = amounts.grid, _names_shown(regime)
    found = [present_in(grid, partial(tells_of, name)) for name in shown]
    present = xr.concat(xr.broadcast(*found), pd.Index(list(shown), name="allergen"))
    rows: list[dict[str, Any]] = []
    for choice, options in grid.choices.items():
        for option in options[1:]:
            here, first = {choice: option}, {choice: options[0]}
            both = grid.allowed.sel(here, drop=True) & grid.allowed.sel(first, drop=True)
            compared = both if bool(both.any()) else grid.allowed.sel(here, drop=True)
            after, before = present.sel(here, drop=True), present.sel(first, drop=True)
            adds = _named_in(after & ~before & compared)
            left = _named_in(after & grid.allowed.sel(here, drop=True))
            removes = [name for name in _named_in(before & compared) if name not in left]
            unread = {
                ingredient
                for ingredient, lines in grid.lines.items()
                for pairs, line in lines.items()
                if dict(pairs).get(choice, option) == option and _label_reason(line.food)
            }
            rows.append(
                {
                    "choice": choice,
                    "option": option,
                    "adds": _joined(adds, shown),
                    "removes": _joined(removes, shown),
                    "read_the_label": ", ".join(name for name in grid.lines if name in unread),
                }
            )
    return pd.DataFrame(rows, columns=["choice", "option", "adds", "removes", "read_the_label"])


def _named_in(found: xr.DataArray) -> list[str]:
    """Name the allergens that any variant has, of what was found by allergen and variant."""
    some = found.any([dim for dim in found.dims if dim != "allergen"])
    return [str(name) for name in found["allergen"].to_numpy()[some.to_numpy()]]
