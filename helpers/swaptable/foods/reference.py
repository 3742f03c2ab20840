"""Published figures: loaders for ``data/reference/``, each table described in ``data/README.md``.

Every loader reads its table once. Percentages become fractions here; a blank stays missing.
"""

from __future__ import annotations

import re
from functools import cache, lru_cache

import numpy as np
import pandas as pd

from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.basics.folders import DATA
from swaptable.foods.release import Food

__all__ = [
    "FACTORS",
    "NO_CLASS",
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
    "food_class_of",
    "food_words",
    "front_of_pack_rules",
    "general_density",
    "haem_share_of",
    "index_terms",
    "kitchen_errors",
    "label_lines",
    "label_rounding",
    "meat_cut_fat_change",
    "meat_cut_yield",
    "nutrient_rich_foods",
    "practice_values",
    "processes_for",
    "purchase_units",
    "retention_errors",
    "retention_estimates",
    "retention_table",
    "safe_temperatures",
    "scaling_notes",
    "uptake_error",
    "uptake_table",
    "vitamins_and_minerals",
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


FACTORS = ("published", "estimated")
Z = {0.80: 1.2815515655446004, 0.90: 1.6448536269514722, 0.95: 1.959963984540054}  # of the normal distribution


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
    table = _table("retention").set_index("row", drop=False)
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
    table = _table("retention_estimates")
    numbers = [column for column in table.columns if column not in ("row", "component")]
    return _numbers(table, numbers).set_index(["row", "component"])


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
    return [column for column in _table("retention").columns if column not in _RETENTION_TEXT]


@lru_cache(maxsize=1)
def _processes() -> dict[str, tuple[str, ...]]:
    table = _table("processes")
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
    rules = _table("food_classes")[["food_group", "pattern", "food_class"]]
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


@lru_cache(maxsize=4)
def _food_rules(name: str) -> tuple[tuple[str, re.Pattern[str], re.Pattern[str] | None, pd.Series], ...]:
    table = _numbers(_table(name), ["percent"])
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
def yield_table() -> pd.DataFrame:
    """Yield factors by food class, process and liquid; factors and their range as shares [-]."""
    table = _numbers(_table("yields"), ["yield_percent", "low_percent", "high_percent", "n"])
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
    table = _table("yields_meat_cuts")
    return frozenset(table["raw_ndb_number"]) | frozenset(table["ndb_number"])


@lru_cache(maxsize=4096)
def _meat_cut(code: str, processes: tuple[str, ...], column: str) -> pd.DataFrame:
    """Find the rows of a cut, under the first process that has the figure asked for."""
    if code not in _meat_codes():
        return _table("yields_meat_cuts").iloc[:0]
    table = _table("yields_meat_cuts")
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
    return _numbers(_table("cooking_uptake"), ["amount", "low", "high"])


def uptake_error(food_class: str, component: str) -> float:
    """Give the relative standard deviation of a published uptake, its range spanning about 90 % [-]."""
    table = uptake_table()
    row = table[(table["food_class"] == food_class) & (table["component"] == component)].iloc[0]
    return float((row["high"] - row["low"]) / (2 * Z[0.90]) / row["amount"])


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
    table = _table("drained_contents")
    for _, row in table[table["food_group"] == food.food_group].iterrows():
        if re.search(row["pattern"], food.description, re.I):
            density = row["contents_g_per_ml"]
            return float(row["drained_share"]), float(density) if density else None, str(row["source"])
    return None


@lru_cache(maxsize=1)
def food_words() -> pd.DataFrame:
    """Give trade words and what they mean, as described in ``data/README.md``: ``word``, ``means``, ``kind``."""
    return _table("food_words")


@lru_cache(maxsize=1)
def kitchen_errors() -> dict[str, float]:
    """Give the relative standard deviation of each way of measuring in a kitchen [-]; assumed, no source."""
    table = _numbers(_table("kitchen_errors"), ["percent"])
    return dict(zip(table["way"], table["percent"] / 100, strict=True))


@lru_cache(maxsize=1)
def daily_values() -> pd.DataFrame:
    """Daily values: ``regime``, ``population``, ``component``, ``value``, ``unit``, ``source``, ``checked``."""
    return _numbers(_table("daily_values"), ["value"])


@lru_cache(maxsize=1)
def dietary_reference_intakes() -> pd.DataFrame:
    """Give the dietary reference intakes, as described in ``data/README.md``; values in ``unit`` a day."""
    return _numbers(_table("dietary_reference_intakes"), ["age_low", "age_high", "value"])


@lru_cache(maxsize=1)
def label_rounding() -> pd.DataFrame:
    """Give the bands in which each regime rounds amounts and percentages, as described in ``data/README.md``."""
    return _numbers(_table("label_rounding"), ["from", "below", "step"])


@lru_cache(maxsize=1)
def label_lines() -> pd.DataFrame:
    """Give the lines of each regime's nutrition facts table in their order, as described in ``data/README.md``."""
    return _numbers(_table("label_lines"), ["order", "indent"]).sort_values(["regime", "order"])


@lru_cache(maxsize=1)
def practice_values() -> pd.DataFrame:
    """Give aims and upper amounts of common practice: ``component``, ``groups``, ``kind``, ``value``, ``unit``."""
    return _numbers(_table("practice_values"), ["value"])


@lru_cache(maxsize=1)
def daily_value_words() -> pd.DataFrame:
    """Give the published words for a little and a lot: ``regime``, ``word``, ``operator``, ``percent``, ``source``."""
    return _numbers(_table("daily_value_words"), ["percent"])


@lru_cache(maxsize=1)
def claim_conditions() -> pd.DataFrame:
    """Give the conditions of nutrient content claims, one a row, as described in ``data/README.md``."""
    return _numbers(_table("claims"), ["value"])


@lru_cache(maxsize=1)
def claims_not_judged() -> pd.DataFrame:
    """Give the claims that numbers cannot decide or that are not permitted: ``status``, ``reason``, ``source``."""
    return _table("claims_not_judged")


@lru_cache(maxsize=1)
def front_of_pack_rules() -> pd.DataFrame:
    """Give thresholds [% of the daily value] and exemptions of the Canadian nutrition symbol."""
    return _numbers(_table("front_of_pack"), ["reference_amount_at_least", "reference_amount_at_most", "percent"])


@lru_cache(maxsize=1)
def nutrient_rich_foods() -> pd.DataFrame:
    """Components of the nutrient-rich foods index 9.3: ``form``, ``role``, ``component``, ``daily_value``, ``unit``."""
    return _numbers(_table("nutrient_rich_foods"), ["daily_value"])


@lru_cache(maxsize=1)
def index_terms() -> pd.DataFrame:
    """Coefficients and targets of the indices: ``index``, ``component``, ``role``, ``value``, ``unit``, ``source``."""
    return _numbers(_table("index_terms"), ["value"])


@lru_cache(maxsize=1)
def caution_rows() -> pd.DataFrame:
    """Cautions: what triggers each, for which ``concern`` (words split by ``|``), and its ``message``."""
    return _numbers(_table("cautions"), ["at_least"])


@lru_cache(maxsize=1)
def allergen_lists() -> pd.DataFrame:
    """Give each country's priority allergens: ``regime``, ``allergen``, ``listed``, ``foods``, ``note``, ``source``."""
    return _table("allergens")


@lru_cache(maxsize=1)
def allergen_foods() -> pd.DataFrame:
    """Words of a description that tell of an allergen (several split by ``|``), or that a label has to be read."""
    return _table("allergen_foods")


@lru_cache(maxsize=1)
def safe_temperatures() -> pd.DataFrame:
    """Safe temperatures and times by ``item`` and ``authority``: ``celsius``, ``fahrenheit``, ``hold``, ``note``."""
    return _numbers(_table("safe_temperatures"), ["celsius", "fahrenheit"])


@lru_cache(maxsize=1)
def scaling_notes() -> pd.DataFrame:
    """Give what does not go on in proportion in a fuller or emptier pan: ``note``, ``when``, ``text`` ..."""
    return _numbers(_table("scaling_notes"), ["begin_with_percent"])


@lru_cache(maxsize=1)
def purchase_units() -> pd.DataFrame:
    """Give in what foods are sold: ``unit`` and its weight [g], or the release's ``portion`` times ``pieces``."""
    return _numbers(_table("purchase_units"), ["grams", "pieces"])


@lru_cache(maxsize=1)
def aisles() -> pd.DataFrame:
    """Say where foods stand in a shop and at which ``station`` they are prepared, with the usual ``task``; in order."""
    return _table("aisles")


@lru_cache(maxsize=1)
def culinary_families() -> pd.DataFrame:
    """Which foods belong to a culinary family, and its ``role`` in a dish; the first rule that fits decides."""
    return _table("culinary_families")


@lru_cache(maxsize=1)
def _component_words() -> dict[str, str]:
    words: dict[str, str] = {}
    for _, row in _table("components").iterrows():
        for word in (row["component"], row["label"], *filter(None, row["aliases"].split("|"))):
            words[word.lower()] = row["component"]
    return words


def vitamins_and_minerals() -> list[str]:
    """Name the vitamins and minerals, in the order of ``components.csv``."""
    table = _table("components")
    return list(table.loc[table["family"].isin(["vitamins", "minerals"]), "component"])


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
