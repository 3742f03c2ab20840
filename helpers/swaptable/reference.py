"""Published figures: loaders for ``data/reference/``, each table described in ``data/README.md``.

Every loader reads its table once. Percentages become fractions here; a blank stays missing.
"""

from __future__ import annotations

import re
from functools import cache, lru_cache

import pandas as pd

from swaptable.errors import SwaptableError, listed, nearest
from swaptable.folders import DATA
from swaptable.foods import Food

__all__ = [
    "NO_CLASS",
    "component_label",
    "component_named",
    "daily_value_words",
    "daily_values",
    "food_class_of",
    "general_density",
    "meat_cut_fat_change",
    "meat_cut_yield",
    "nutrient_rich_foods",
    "processes_for",
    "retention_table",
    "yield_table",
]

NO_CLASS = "none"


@cache
def _table(name: str) -> pd.DataFrame:
    # keep_default_na=False: the sodium tag NA is a text, not a missing value
    return pd.read_csv(DATA / "reference" / f"{name}.csv", dtype=str, keep_default_na=False, encoding="utf-8")


def _numbers(table: pd.DataFrame, columns: list[str]) -> pd.DataFrame:
    return table.assign(**{column: pd.to_numeric(table[column].replace("", None)) for column in columns})


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


@lru_cache(maxsize=1)
def retention_table() -> pd.DataFrame:
    """Give the published retention factors.

    Returns
    -------
    DataFrame
        Indexed by ``row``; the text columns of ``retention.csv``, then one column per component with the
        share retained [-], NaN where no factor is published.
    """
    table = _table("retention").set_index("row", drop=False)
    tags = [column for column in table.columns if column not in _RETENTION_TEXT]
    table = _numbers(table, tags)
    return table.assign(**{tag: table[tag] / 100 for tag in tags})


def retention_components() -> list[str]:
    """Name the components that have a column of published factors."""
    return [column for column in retention_table().columns if column not in _RETENTION_TEXT]


@lru_cache(maxsize=1)
def _processes() -> dict[str, tuple[str, ...]]:
    table = _table("processes")
    return {row["word"]: tuple(row["process_tried"].split("|")) for _, row in table.iterrows()}


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
    rules = _table("food_classes")
    return tuple((r["food_group"], re.compile(r["pattern"]), r["food_class"]) for _, r in rules.iterrows())


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
    table = _numbers(_table("yields"), ["yield_percent", "low_percent", "high_percent", "n"])
    return table.assign(yield_factor=table["yield_percent"] / 100)


def meat_cut_yield(code: str, processes: tuple[str, ...]) -> tuple[float, str] | None:
    """Find the published yield of one cut of meat or poultry.

    Parameters
    ----------
    code : str
        Food code in SR28.
    processes : tuple of str
        Process words to try, in order.

    Returns
    -------
    (float, str) or None
        Yield factor [-] and where it is from.
    """
    table = _table("yields_meat_cuts")
    table = table[(table["raw_ndb_number"] == code) | (table["ndb_number"] == code)]
    for process in processes:
        rows = table[table["process"] == process]
        if len(rows):
            factors = pd.to_numeric(rows["yield_percent"]) / 100
            return float(
                factors.mean()
            ), "USDA Table of Cooking Yields for Meat and Poultry, Release 2 (2014), this cut"
    return None


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
    table = _table("yields_meat_cuts")
    table = table[
        ((table["raw_ndb_number"] == code) | (table["ndb_number"] == code)) & (table["fat_change_percent"] != "")
    ]
    for process in processes:
        rows = table[table["process"] == process]
        if len(rows):
            return float(pd.to_numeric(rows["fat_change_percent"]).mean())
    return None


@lru_cache(maxsize=1)
def _densities() -> tuple[tuple[str, re.Pattern[str], float, str], ...]:
    return tuple(
        (r["food_group"], re.compile(r["pattern"]), float(r["density_g_per_ml"]), r["source"])
        for _, r in _table("densities").iterrows()
    )


def general_density(food: Food) -> tuple[float, str] | None:
    """Find a general density for a food whose own portions give no volume.

    Parameters
    ----------
    food : Food

    Returns
    -------
    (float, str) or None
        Density [g/ml] and its source.
    """
    words = food.description.lower()
    for group, pattern, density, source in _densities():
        if group in ("", food.food_group) and pattern.search(words):
            return density, source
    return None


@lru_cache(maxsize=1)
def daily_values() -> pd.DataFrame:
    """Daily values: ``regime``, ``population``, ``component``, ``value``, ``unit``, ``source``, ``checked``."""
    return _numbers(_table("daily_values"), ["value"])


@lru_cache(maxsize=1)
def daily_value_words() -> pd.DataFrame:
    """Give the published words for a little and a lot: ``regime``, ``word``, ``operator``, ``percent``, ``source``."""
    return _numbers(_table("daily_value_words"), ["percent"])


@lru_cache(maxsize=1)
def nutrient_rich_foods() -> pd.DataFrame:
    """Components of the nutrient-rich foods index 9.3: ``form``, ``role``, ``component``, ``daily_value``, ``unit``."""
    return _numbers(_table("nutrient_rich_foods"), ["daily_value"])


@lru_cache(maxsize=1)
def _component_words() -> dict[str, str]:
    words: dict[str, str] = {}
    for _, row in _table("components").iterrows():
        for word in (row["component"], row["label"], *filter(None, row["aliases"].split("|"))):
            words[word.lower()] = row["component"]
    return words


def component_label(component: str) -> str:
    """Give the plain name of a component for charts and sentences.

    Examples
    --------
    >>> component_label("NA"), component_label("F4D0")
    ('Sodium', 'F4D0')
    """
    table = _table("components").set_index("component")["label"]
    return str(table.get(component, component))


def component_named(word: str, known: list[str] | pd.Index) -> str:
    """Find a component by INFOODS tag or plain name.

    Parameters
    ----------
    word : str
        Such as ``"NA"`` or ``"sodium"``.
    known : list of str
        Tags that may be meant.

    Returns
    -------
    str
        INFOODS tag.

    Raises
    ------
    SwaptableError
        If it is not known; names the nearest.
    """
    if word in known:
        return word
    tag = _component_words().get(word.lower())
    if tag is not None and tag in known:
        return tag
    allowed = [*known, *_component_words()]
    raise SwaptableError(
        f"found '{word}'; expected an INFOODS tag such as NA or K, or a name such as sodium{nearest(word, allowed)}"
    )
