"""Published figures: loaders for ``data/reference/``, each table described in ``data/README.md``.

Every loader reads its table once. Percentages become fractions here; a blank stays missing.
"""

from __future__ import annotations

import re
from functools import cache, lru_cache

import pandas as pd

from swaptable.basics.errors import SwaptableError, nearest
from swaptable.basics.folders import DATA
from swaptable.foods.release import Food

__all__ = [
    "Z",
    "aisles",
    "allergen_foods",
    "allergen_lists",
    "calcium_absorption_of",
    "caution_rows",
    "claim_conditions",
    "claims_not_judged",
    "component_label",
    "component_named",
    "culinary_families",
    "daily_value_words",
    "daily_values",
    "dietary_reference_intakes",
    "drained_contents",
    "food_words",
    "front_of_pack_rules",
    "general_density",
    "haem_share_of",
    "index_terms",
    "kitchen_errors",
    "label_lines",
    "label_rounding",
    "nutrient_rich_foods",
    "practice_values",
    "published_table",
    "purchase_units",
    "safe_temperatures",
    "scaling_notes",
    "vitamins_and_minerals",
    "with_numbers",
]


@cache
def published_table(name: str) -> pd.DataFrame:
    """Give a table of ``data/reference/`` as text."""
    # keep_default_na=False: the sodium tag NA is a text, not a missing value
    return pd.read_csv(DATA / "reference" / f"{name}.csv", dtype=str, keep_default_na=False, encoding="utf-8")


def with_numbers(table: pd.DataFrame, columns: list[str]) -> pd.DataFrame:
    """Turn columns of such a table into numbers; a blank is missing."""
    return table.assign(**{column: pd.to_numeric(table[column].replace("", None)) for column in columns})


Z = {0.80: 1.2815515655446004, 0.90: 1.6448536269514722, 0.95: 1.959963984540054}  # of the normal distribution


@lru_cache(maxsize=4)
def _food_rules(name: str) -> tuple[tuple[str, re.Pattern[str], re.Pattern[str] | None, pd.Series], ...]:
    table = with_numbers(published_table(name), ["percent"])
    return tuple(
        (r["food_group"], re.compile(r["pattern"]), re.compile(r["except_pattern"]) if r["except_pattern"] else None, r)
        for _, r in table.iterrows()
    )


def _first_fit(name: str, food: Food) -> pd.Series | None:
    """Find the first row of a table of rules that fits a food; ``food_group`` may name several, with ``|``."""
    words = food.description.lower()
    for groups, pattern, excluded, row in _food_rules(name):
        fits = (not groups or food.food_group in groups.split("|")) and pattern.search(words)
        if fits and not (excluded and excluded.search(words)):
            return row
    return None


def calcium_absorption_of(food: Food) -> pd.Series | None:
    """Find what is published of how much calcium is absorbed from a food.

    Parameters
    ----------
    food : Food

    Returns
    -------
    Series or None
        The row of ``absorption.csv``, with ``percent`` absorbed as a number [%]; None where nothing is published.
    """
    return _first_fit("absorption", food)


def haem_share_of(food: Food) -> pd.Series | None:
    """Find what share of a food's iron is haem iron.

    Parameters
    ----------
    food : Food

    Returns
    -------
    Series or None
        The row of ``haem_iron.csv``: ``percent`` as a number [%], NaN where no one share holds; None where the
        table says nothing, as of dishes of several foods.
    """
    return _first_fit("haem_iron", food)


@lru_cache(maxsize=1)
def _densities() -> tuple[tuple[str, re.Pattern[str], float, str], ...]:
    return tuple(
        (r["food_group"], re.compile(r["pattern"]), float(r["density_g_per_ml"]), r["source"])
        for _, r in published_table("densities").iterrows()
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


def drained_contents(food: Food) -> tuple[float, float | None, str] | None:
    """Find how much of a canned food is left when its liquid is poured off.

    Parameters
    ----------
    food : Food

    Returns
    -------
    (float, float or None, str) or None
        Drained over whole contents [-], what a millilitre of the whole contents weighs [g/ml], and the source.
    """
    table = published_table("drained_contents")
    for _, row in table[table["food_group"] == food.food_group].iterrows():
        if re.search(row["pattern"], food.description, re.I):
            density = row["contents_g_per_ml"]
            return float(row["drained_share"]), float(density) if density else None, str(row["source"])
    return None


@lru_cache(maxsize=1)
def food_words() -> pd.DataFrame:
    """Give trade words and what they mean, as described in ``data/README.md``: ``word``, ``means``, ``kind``."""
    return published_table("food_words")


@lru_cache(maxsize=1)
def kitchen_errors() -> dict[str, float]:
    """Give the relative standard deviation of each way of measuring in a kitchen [-]; assumed, no source."""
    table = with_numbers(published_table("kitchen_errors"), ["percent"])
    return dict(zip(table["way"], table["percent"] / 100, strict=True))


@lru_cache(maxsize=1)
def daily_values() -> pd.DataFrame:
    """Daily values: ``regime``, ``population``, ``component``, ``value``, ``unit``, ``source``, ``checked``."""
    return with_numbers(published_table("daily_values"), ["value"])


@lru_cache(maxsize=1)
def dietary_reference_intakes() -> pd.DataFrame:
    """Give the dietary reference intakes, as described in ``data/README.md``; values in ``unit`` a day."""
    return with_numbers(published_table("dietary_reference_intakes"), ["age_low", "age_high", "value"])


@lru_cache(maxsize=1)
def label_rounding() -> pd.DataFrame:
    """Give the bands in which each regime rounds amounts and percentages, as described in ``data/README.md``."""
    return with_numbers(published_table("label_rounding"), ["from", "below", "step"])


@lru_cache(maxsize=1)
def label_lines() -> pd.DataFrame:
    """Give the lines of each regime's nutrition facts table in their order, as described in ``data/README.md``."""
    return with_numbers(published_table("label_lines"), ["order", "indent"]).sort_values(["regime", "order"])


@lru_cache(maxsize=1)
def practice_values() -> pd.DataFrame:
    """Give aims and upper amounts of common practice: ``component``, ``groups``, ``kind``, ``value``, ``unit``."""
    return with_numbers(published_table("practice_values"), ["value"])


@lru_cache(maxsize=1)
def daily_value_words() -> pd.DataFrame:
    """Give the published words for a little and a lot: ``regime``, ``word``, ``operator``, ``percent``, ``source``."""
    return with_numbers(published_table("daily_value_words"), ["percent"])


@lru_cache(maxsize=1)
def claim_conditions() -> pd.DataFrame:
    """Give the conditions of nutrient content claims, one a row, as described in ``data/README.md``."""
    return with_numbers(published_table("claims"), ["value"])


@lru_cache(maxsize=1)
def claims_not_judged() -> pd.DataFrame:
    """Give the claims that numbers cannot decide or that are not permitted: ``status``, ``reason``, ``source``."""
    return published_table("claims_not_judged")


@lru_cache(maxsize=1)
def front_of_pack_rules() -> pd.DataFrame:
    """Give thresholds [% of the daily value] and exemptions of the Canadian nutrition symbol."""
    return with_numbers(
        published_table("front_of_pack"), ["reference_amount_at_least", "reference_amount_at_most", "percent"]
    )


@lru_cache(maxsize=1)
def nutrient_rich_foods() -> pd.DataFrame:
    """Components of the nutrient-rich foods index 9.3: ``form``, ``role``, ``component``, ``daily_value``, ``unit``."""
    return with_numbers(published_table("nutrient_rich_foods"), ["daily_value"])


@lru_cache(maxsize=1)
def index_terms() -> pd.DataFrame:
    """Coefficients and targets of the indices: ``index``, ``component``, ``role``, ``value``, ``unit``, ``source``."""
    return with_numbers(published_table("index_terms"), ["value"])


@lru_cache(maxsize=1)
def caution_rows() -> pd.DataFrame:
    """Cautions: what triggers each, for which ``concern`` (words split by ``|``), and its ``message``."""
    return with_numbers(published_table("cautions"), ["at_least"])


@lru_cache(maxsize=1)
def allergen_lists() -> pd.DataFrame:
    """Give each country's priority allergens: ``regime``, ``allergen``, ``listed``, ``foods``, ``note``, ``source``."""
    return published_table("allergens")


@lru_cache(maxsize=1)
def allergen_foods() -> pd.DataFrame:
    """Words of a description that tell of an allergen (several split by ``|``), or that a label has to be read."""
    return published_table("allergen_foods")


@lru_cache(maxsize=1)
def safe_temperatures() -> pd.DataFrame:
    """Safe temperatures and times by ``item`` and ``authority``: ``celsius``, ``fahrenheit``, ``hold``, ``note``."""
    return with_numbers(published_table("safe_temperatures"), ["celsius", "fahrenheit"])


@lru_cache(maxsize=1)
def scaling_notes() -> pd.DataFrame:
    """Give what does not go on in proportion in a fuller or emptier pan: ``note``, ``when``, ``text`` ..."""
    return with_numbers(published_table("scaling_notes"), ["begin_with_percent"])


@lru_cache(maxsize=1)
def purchase_units() -> pd.DataFrame:
    """Give in what foods are sold: ``unit`` and its weight [g], or the release's ``portion`` times ``pieces``."""
    return with_numbers(published_table("purchase_units"), ["grams", "pieces"])


@lru_cache(maxsize=1)
def aisles() -> pd.DataFrame:
    """Say where foods stand in a shop and at which ``station`` they are prepared, with the usual ``task``; in order."""
    return published_table("aisles")


@lru_cache(maxsize=1)
def culinary_families() -> pd.DataFrame:
    """Which foods belong to a culinary family, and its ``role`` in a dish; the first rule that fits decides."""
    return published_table("culinary_families")


@lru_cache(maxsize=1)
def _component_words() -> dict[str, str]:
    words: dict[str, str] = {}
    for _, row in published_table("components").iterrows():
        for word in (row["component"], row["label"], *filter(None, row["aliases"].split("|"))):
            words[word.lower()] = row["component"]
    return words


def vitamins_and_minerals() -> list[str]:
    """Name the vitamins and minerals, in the order of ``components.csv``."""
    table = published_table("components")
    return list(table.loc[table["family"].isin(["vitamins", "minerals"]), "component"])


def component_label(component: str) -> str:
    """Give the plain name of a component for charts and sentences.

    Examples
    --------
    >>> component_label("NA"), component_label("F4D0")
    ('Sodium', 'F4D0')
    """
    table = published_table("components").set_index("component")["label"]
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
