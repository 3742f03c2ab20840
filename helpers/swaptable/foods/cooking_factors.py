"""Published figures of cooking: retention, yields, what foods take up, and which of them hold for a food."""

from __future__ import annotations

import re
from functools import cache, lru_cache

import numpy as np
import pandas as pd

from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.foods.reference import Z, kitchen_errors, published_table, with_numbers
from swaptable.foods.release import Food

__all__ = [
    "FACTORS",
    "NO_CLASS",
    "food_class_of",
    "meat_cut_fat_change",
    "meat_cut_yield",
    "processes_for",
    "retention_errors",
    "retention_estimates",
    "retention_table",
    "uptake_error",
    "uptake_table",
    "yield_table",
]

NO_CLASS = "none"


_RETENTION_TEXT = [
    "row",
    "usda_code",
    "food_class",
    "process",
    "liquid",
    "detail",
    "default",
    "note",
    "source",
]


FACTORS = ("published", "estimated")


@lru_cache(maxsize=2)
def retention_table(factors: str = FACTORS[0]) -> pd.DataFrame:
    """Give the retention factors.

    Parameters
    ----------
    factors : str, optional
        ``"published"``, or ``"estimated"``: corrected by measured pairs (``retention_estimates.csv``).

    Returns
    -------
    DataFrame
        Indexed by ``row``; the text columns of ``retention.csv``, then one column per component with the
        share retained [-], NaN where no factor is published.

    Raises
    ------
    SwaptableError
        If there are no such factors.
    """
    if factors not in FACTORS:
        raise SwaptableError(f"found factors '{factors}'; expected {' or '.join(FACTORS)}{nearest(factors, FACTORS)}")
    table = published_table("retention").set_index("row", drop=False)
    tags = [column for column in table.columns if column not in _RETENTION_TEXT]
    shares = [[float(cell) / 100 if cell else np.nan for cell in row] for row in table[tags].to_numpy(dtype=object)]
    table = pd.concat([table.drop(columns=tags), pd.DataFrame(shares, table.index, tags)], axis=1)[list(table.columns)]
    if factors == FACTORS[0]:
        return table
    estimates = retention_estimates()["estimate"].unstack("component").reindex(index=table.index, columns=tags)
    return table.assign(**{tag: estimates[tag].where(estimates[tag].notna(), table[tag]) for tag in tags})


@lru_cache(maxsize=1)
def retention_estimates() -> pd.DataFrame:
    """Give the estimates of retention, the published figure and the evidence side by side.

    Returns
    -------
    DataFrame
        Indexed by ``row`` and ``component``: ``published``, ``estimate`` and ``standard_error`` of the mean [-],
        ``between_food_sd`` (of the logarithm), ``n_families``, ``n_values``, ``measured`` [-] and ``spread``.
    """
    table = published_table("retention_estimates")
    numbers = [column for column in table.columns if column not in ("row", "component")]
    return with_numbers(table, numbers).set_index(["row", "component"])


@lru_cache(maxsize=2)
def retention_errors(factors: str = FACTORS[0]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Say how sure the factors are.

    Parameters
    ----------
    factors : str, optional
        As for :func:`retention_table`. A published figure is off by what the estimate says as well.

    Returns
    -------
    mean, food : DataFrame
        Row × component: relative standard error of the mean, and relative standard deviation of one food of the
        class around it [-].
    """
    table = retention_estimates()
    off = table["estimate"] - table["published"] if factors == FACTORS[0] else 0.0
    mean = np.sqrt(table["standard_error"] ** 2 + off**2) / table["estimate"].clip(lower=0.05)
    return mean.clip(upper=1.0).unstack("component"), table["between_food_sd"].clip(upper=1.0).unstack("component")


def retention_components() -> list[str]:
    """Name the components that have a column of published factors."""
    return [column for column in published_table("retention").columns if column not in _RETENTION_TEXT]


@lru_cache(maxsize=1)
def _processes() -> dict[str, tuple[str, ...]]:
    table = published_table("processes")
    return {row["word"]: tuple(row["process_tried"].split("|")) for _, row in table.iterrows()}


@lru_cache(maxsize=256)
def processes_for(word: str) -> tuple[str, ...]:
    """Give the published process words that a cook's word may stand for, in the order to try.

    Parameters
    ----------
    word : str
        Such as ``"simmered"``.

    Returns
    -------
    tuple of str

    Raises
    ------
    SwaptableError
        If the word is not known; names the words that are.
    """
    known = _processes()
    published = set(retention_table()["process"])
    if word in known:
        return known[word]
    if word in published:
        return (word,)
    allowed = sorted({*known, *published, "not cooked"})
    raise SwaptableError(f"found '{word}'; expected one of {listed(allowed, 60)}{nearest(word, allowed)}")


@lru_cache(maxsize=1)
def _class_rules() -> tuple[tuple[str, re.Pattern[str], str], ...]:
    rules = published_table("food_classes")[["food_group", "pattern", "food_class"]]
    return tuple((group, re.compile(pattern), kind) for group, pattern, kind in rules.itertuples(index=False))


def food_class_of(food: Food) -> str:
    """Find the class of retention factors for a food.

    Parameters
    ----------
    food : Food

    Returns
    -------
    str
        A class of :func:`retention_table`, or ``"none"`` for foods to which no factor is applied (salt,
        water, fats, stocks ...). The rules are in ``food_classes.csv``; the first that fits decides.
    """
    words = food.description.lower()
    for group, pattern, food_class in _class_rules():
        if group in ("", food.food_group) and pattern.search(words):
            return food_class
    return NO_CLASS


@lru_cache(maxsize=1)
def yield_table() -> pd.DataFrame:
    """Yield factors by food class, process and liquid; factors and their range as shares [-]."""
    table = with_numbers(published_table("yields"), ["yield_percent", "low_percent", "high_percent", "n"])
    return table.assign(yield_factor=table["yield_percent"] / 100)


def meat_cut_yield(code: str, processes: tuple[str, ...]) -> tuple[float, str, float] | None:
    """Find the published yield of one cut of meat or poultry.

    Parameters
    ----------
    code : str
        Food code in SR28.
    processes : tuple of str
        Process words to try, in order.

    Returns
    -------
    (float, str, float) or None
        Yield factor [-], where it is from, and its standard deviation between roasts or pans [-].
    """
    rows = _meat_cut(code, processes, "yield_percent")
    if rows.empty:
        return None
    factor = float(pd.to_numeric(rows["yield_percent"]).mean()) / 100
    spread = float(pd.to_numeric(rows["sd"].replace("", None)).mean()) / 100
    spread = kitchen_errors()["class yield"] * factor if np.isnan(spread) else spread
    return factor, "USDA Table of Cooking Yields for Meat and Poultry, Release 2 (2014), this cut", spread


@cache
def _meat_codes() -> frozenset[str]:
    table = published_table("yields_meat_cuts")
    return frozenset(table["raw_ndb_number"]) | frozenset(table["ndb_number"])


@lru_cache(maxsize=4096)
def _meat_cut(code: str, processes: tuple[str, ...], column: str) -> pd.DataFrame:
    """Find the rows of a cut, under the first process that has the figure asked for."""
    if code not in _meat_codes():
        return published_table("yields_meat_cuts").iloc[:0]
    table = published_table("yields_meat_cuts")
    table = table[((table["raw_ndb_number"] == code) | (table["ndb_number"] == code)) & (table[column] != "")]
    process = next((word for word in processes if (table["process"] == word).any()), None)
    return table[table["process"] == process]


def meat_cut_fat_change(code: str, processes: tuple[str, ...]) -> float | None:
    """Find how much fat one cut of meat or poultry gains or loses.

    Parameters
    ----------
    code : str
        Food code in SR28.
    processes : tuple of str
        Process words to try, in order.

    Returns
    -------
    float or None
        [g per 100 g raw], below 0 where fat runs off; None where it is not published.
    """
    rows = _meat_cut(code, processes, "fat_change_percent")
    return None if rows.empty else float(pd.to_numeric(rows["fat_change_percent"]).mean())


@lru_cache(maxsize=1)
def uptake_table() -> pd.DataFrame:
    """Give what foods take up in cooking: ``food_class``, ``process``, ``detail``, ``component``, ``amount``, range."""
    return with_numbers(published_table("cooking_uptake"), ["amount", "low", "high"])


def uptake_error(food_class: str, component: str) -> float:
    """Give the relative standard deviation of a published uptake, its range spanning about 90 % [-]."""
    table = uptake_table()
    row = table[(table["food_class"] == food_class) & (table["component"] == component)].iloc[0]
    return float((row["high"] - row["low"]) / (2 * Z[0.90]) / row["amount"])
