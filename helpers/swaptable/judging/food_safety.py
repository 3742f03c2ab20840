"""Safe internal temperatures for what a recipe contains, and how to cool, hold and keep it."""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd

from swaptable.amounts.nutrients import Amounts
from swaptable.amounts.variants import Line
from swaptable.foods.reference import safe_temperatures
from swaptable.judging.daily_values import checked_regime
from swaptable.judging.food_rules import is_unheated, lines_where, rule_of

__all__ = ["safety_for"]

_HERE = {
    "US": ("US consumer", "US food service"),
    "CA": ("Canada", "Canada food service"),
}
_FOR_COOKED = ("cool", "hold hot at or above", "cook for hot holding to")  # what was not heated needs none of it
_SAFETY_COLUMNS = ["food", "ingredients", "rule", "here", "elsewhere", "differ", "source", "checked"]


def _figure(row: pd.Series) -> str:
    """Write a temperature, its time and its note, as printed."""
    parts = []
    if not np.isnan(row["celsius"]):
        parts.append(f"{row['celsius']:g} °C ({row['fahrenheit']:g} °F)")
    parts += [str(row[word]) for word in ("hold", "note") if row[word]]
    return "; ".join(parts)


def _figures(rows: pd.DataFrame) -> str:
    texts: dict[str, list[str]] = {}
    for _, row in rows.iterrows():
        texts.setdefault(_figure(row), []).append(str(row["authority"]))
    return ". ".join(f"{' and '.join(names)}: {text}" for text, names in texts.items())


def safety_for(amounts: Amounts, regime: str) -> pd.DataFrame:
    """Give safe internal temperatures for what a recipe contains, and how to cool, hold and keep it.

    Parameters
    ----------
    amounts : Amounts
    regime : str
        ``"US"`` or ``"CA"``: whose figures stand under ``here``.

    Returns
    -------
    DataFrame
        One row per rule: ``food``, ``ingredients`` (empty: the whole dish), ``rule``, ``here``, ``elsewhere`` (the
        other country's figures where they differ), ``differ``, ``source`` and ``checked``.

    Raises
    ------
    SwaptableError
        If there is no such regime.

    Notes
    -----
    Foods that were cooked or canned before are not given a temperature to cook to. The local food-safety code
    comes first, wherever it asks for more.

    References
    ----------
    FoodSafety.gov and USDA FSIS 2019. FDA Food Code. Health Canada, Safe internal cooking temperatures.
    """
    authorities = _HERE[checked_regime(regime)]
    cooked = any(not is_unheated(line) for lines in amounts.grid.lines.values() for line in lines.values())
    rows = []
    for _, group in safe_temperatures().groupby("item", sort=False):
        first = group.iloc[0]
        ingredients = ""
        if first["pattern"]:
            ingredients = lines_where(amounts, partial(_needs, first))
        if not ingredients and (first["pattern"] or (first["rule"] in _FOR_COOKED and not cooked)):
            continue
        here = group[group["authority"].isin(authorities)]
        there = group[~group["authority"].isin(authorities)]
        differ = not (here.empty or there.empty) and _figure_of(here) != _figure_of(there)
        rows.append(
            {
                "food": first["food"],
                "ingredients": ingredients,
                "rule": first["rule"],
                "here": _figures(here),
                "elsewhere": _figures(there) if differ or here.empty else "",
                "differ": differ,
                "source": "; ".join(dict.fromkeys(group["source"])),
                "checked": "seen" if (group["checked"] == "seen").all() else "from memory",
            }
        )
    return pd.DataFrame(rows, columns=_SAFETY_COLUMNS)


def _needs(row: pd.Series, line: Line) -> bool:
    """Tell whether a rule of temperature concerns an ingredient: one that can be raw, and for some rules is heated."""
    if line.food.state not in ("raw", "unstated") or (row["rule"] in _FOR_COOKED and is_unheated(line)):
        return False
    return rule_of(row).means(line.food)


def _figure_of(rows: pd.DataFrame) -> tuple[str, str]:
    """Give what a country tells its households, or its food service where it tells them nothing."""
    row = rows.sort_values("authority", key=lambda names: names.str.contains("food service"), kind="stable").iloc[0]
    return str(row["celsius"]), str(row["hold"])
