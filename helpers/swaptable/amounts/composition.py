"""What 100 g of many foods hold once they are cooked, on plain arrays: retention, fat that runs off, derived parts.

One layout says which components are wanted and which of the release they need; a row is one food cooked in one way.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import pandas as pd

from swaptable.amounts.cooking import FACTOR_OF
from swaptable.basics.errors import SwaptableError, listed
from swaptable.basics.units import (
    ALPHA_CAROTENE_PER_RAE,
    BETA_CAROTENE_PER_RAE,
    CRYPTOXANTHIN_PER_RAE,
    DFE_PER_FOLIC_ACID,
    GENERAL_KCAL_PER_GRAM,
    GENERAL_KCAL_PER_GRAM_ALCOHOL,
    IU_PER_MICROGRAM_VITAMIN_D,
    KCAL_PER_GRAM_ALCOHOL,
    KCAL_PER_GRAM_FAT_OF_MEAT,
    KJ_PER_KCAL,
    SALT_PER_SODIUM,
    TRYPTOPHAN_PER_NIACIN,
)
from swaptable.foods.cooking_factors import retention_components
from swaptable.foods.release import FoodRelease

__all__ = [
    "DERIVED_FROM",
    "Layout",
    "component_table",
    "cooked_values",
    "fat_that_leaves",
    "layout_of",
    "raw_values",
]

# A derived component is the sum of its parts, each times [unit of the whole per unit of the part].
DERIVED_FROM: dict[str, dict[str, float]] = {
    "VITA_RAE": {
        "RETOL": 1.0, "CARTB": 1 / BETA_CAROTENE_PER_RAE, "CARTA": 1 / ALPHA_CAROTENE_PER_RAE,
        "CRYPX": 1 / CRYPTOXANTHIN_PER_RAE,
    },
    "FOLDFE": {"FOLFD": 1.0, "FOLAC": DFE_PER_FOLIC_ACID},
    "VITD_IU": {"VITD": IU_PER_MICROGRAM_VITAMIN_D},
    "NIAEQ": {"NIA": 1.0, "TRP_G": 1000 / TRYPTOPHAN_PER_NIACIN},
    "NACL_EQ": {"NA": SALT_PER_SODIUM / 1000},
    "ENERC_KCAL_GENERAL": GENERAL_KCAL_PER_GRAM,
}  # fmt: skip
# Those that no release prints: unit and name.
_NAMED = {
    "NIAEQ": ("mg", "Niacin equivalents (niacin + tryptophan / 60)"),
    "NACL_EQ": ("g", "Salt equivalent (sodium × 2.5)"),
    "ENERC_KCAL_GENERAL": ("kcal", "Energy by the general factors 4, 9, 4 and 7"),
}
_LIPID = re.compile(r"F(?:\d+D|ASAT|AMS|APU|ATRN|AT$)")  # fat, its fatty acids and their sums
# Alcohol and fat leave with the weight and water makes it up, so they are always worked out.
_ALWAYS = ("ALC", "FAT", "WATER")
_FOLATE = "FOL"  # whose factor stands for that of folate equivalents


def component_table(release: FoodRelease) -> pd.DataFrame:
    """Name every component of a computed recipe: those of the release, then the derived ones.

    Parameters
    ----------
    release : FoodRelease

    Returns
    -------
    DataFrame
        ``component``, ``unit`` and ``name``.
    """
    printed = release.components.reset_index()[["component", "unit", "name"]]
    # in the order of DERIVED_FROM, which arrays of errors follow as well
    derived = [(whole, *_NAMED[whole]) for whole in DERIVED_FROM if whole in _NAMED]
    return pd.concat([printed, pd.DataFrame(derived, columns=printed.columns)], ignore_index=True)


@dataclass(frozen=True, eq=False)
class Layout:
    """Which components are worked out, and where they are found.

    Attributes
    ----------
    wanted : tuple of str
        INFOODS tags that were asked for, in that order.
    components : tuple of str
        All that is worked out, in the order of :func:`component_table`: what is wanted, its parts,
        alcohol, fat and water.
    units, names : tuple of str
        Of ``wanted``.
    places : ndarray of int
        Of ``components`` in :func:`component_table`.
    columns : ndarray of int
        Of the columns of :attr:`FoodRelease.matrix` in use.
    """

    wanted: tuple[str, ...]
    components: tuple[str, ...]
    units: tuple[str, ...]
    names: tuple[str, ...]
    places: np.ndarray
    columns: np.ndarray

    @cached_property
    def at(self) -> dict[str, int]:
        """Component → its place among ``components``; those of the release come first."""
        return {component: place for place, component in enumerate(self.components)}

    @cached_property
    def chosen(self) -> np.ndarray | slice:
        """Places of ``wanted`` among ``components``."""
        if self.wanted == self.components:
            return slice(None)
        return np.array([self.at[component] for component in self.wanted], dtype=int)

    @cached_property
    def factor_places(self) -> np.ndarray:
        """Give the column of published factors that stands for each of ``components``; -1 where none does."""
        column = {tag: place for place, tag in enumerate(retention_components())}
        return np.array([column.get(FACTOR_OF.get(each, each), -1) for each in self.components], dtype=int)

    def factors(self, published: np.ndarray) -> np.ndarray:
        """Turn shares retained, rows × columns of published factors, into rows × ``components``; NaN where none is."""
        padded = np.concatenate([published, np.full((len(published), 1), np.nan)], axis=1)
        return np.asarray(padded[:, self.factor_places])  # place -1 is the last column


@lru_cache(maxsize=16)
def layout_of(release: FoodRelease, wanted: tuple[str, ...] = ()) -> Layout:
    """Find out what has to be worked out for some components.

    Parameters
    ----------
    release : FoodRelease
    wanted : tuple of str, optional
        INFOODS tags; all by default.

    Returns
    -------
    Layout

    Raises
    ------
    SwaptableError
        If one of them is not known.
    """
    table = component_table(release).drop_duplicates("component").set_index("component")
    known = list(table.index)
    unknown = next((component for component in wanted if component not in table.index), None)
    if unknown is not None:
        raise SwaptableError(f"found component '{unknown}'; expected some of {listed(known, 20)}")
    chosen = tuple(dict.fromkeys(wanted)) or tuple(known)
    needed = set(chosen)
    for component in chosen:
        needed |= {*DERIVED_FROM.get(component, ())} | ({_FOLATE} if component == "FOLDFE" else set())
    needed |= set(_ALWAYS)
    places = [place for place, component in enumerate(known) if component in needed]
    return Layout(
        wanted=chosen,
        components=tuple(known[place] for place in places),
        units=tuple(table.loc[list(chosen), "unit"]),
        names=tuple(table.loc[list(chosen), "name"]),
        places=np.array(places),
        columns=np.array([place for place in places if place < len(release.components)]),
    )


def _added(found: np.ndarray, layout: Layout, parts: Iterable[tuple[str, float]]) -> np.ndarray:
    """Sum columns of values, each times its share of the whole."""
    total = np.zeros(len(found))
    for part, per in parts:
        total = total + found[:, layout.at[part]] * per
    return total


def fat_that_leaves(raw: np.ndarray, fat_lost: np.ndarray, layout: Layout) -> np.ndarray:
    """Give the fat that runs off, no more than there was [g per 100 g raw]."""
    return np.asarray(np.nan_to_num(np.fmin(fat_lost, raw[:, layout.at["FAT"]])))


def cooked_values(
    raw: np.ndarray,
    factors: np.ndarray,
    layout: Layout,
    fat_lost: np.ndarray | None = None,
    sodium_taken_up: np.ndarray | None = None,
) -> np.ndarray:
    """Give what 100 g of raw edible foods hold once they are cooked, derived components included.

    Parameters
    ----------
    raw : ndarray
        Foods × ``layout.columns`` of the release, per 100 g; NaN is missing.
    factors : ndarray
        Foods × ``layout.components``: share retained [-]; NaN where none is published, which keeps all.
    layout : Layout
    fat_lost : ndarray, optional
        Fat that is to run off. [g per 100 g raw]
    sodium_taken_up : ndarray, optional
        From salted cooking water. [mg per 100 g raw]

    Returns
    -------
    ndarray
        Foods × ``layout.components``, per 100 g raw edible weight, in the unit of each; NaN is missing. Water is left
        raw, since its change is known only for the whole dish.

    Notes
    -----
    Vitamin A is summed from what is kept of retinol and the carotenoids, folate equivalents from food folate
    and folic acid (Institute of Medicine 2001 and 1998). Where a food lacks the parts, its printed total is
    used with the factor for the total. Alcohol that leaves takes its energy along (USDA Handbook 74); a food
    that lists no alcohol counts as having none in this energy and in the general-factor one.
    """
    count, at = raw.shape[1], layout.at
    share = np.where(np.isnan(factors), 1.0, factors)
    found = np.full((len(raw), len(layout.components)), np.nan)
    kept = found[:, :count]
    np.multiply(raw, share[:, :count], out=kept)
    alcohol = at["ALC"]
    alcohol_kept = np.nan_to_num(kept[:, alcohol])
    alcohol_lost = np.nan_to_num(raw[:, alcohol] - kept[:, alcohol])
    if sodium_taken_up is not None and "NA" in at:
        kept[:, at["NA"]] += sodium_taken_up
    if fat_lost is not None and fat_lost.any():
        _take_fat_off(kept, fat_that_leaves(raw, fat_lost, layout), layout)
    for whole, parts in DERIVED_FROM.items():
        if whole in at and all(part in at for part in parts):
            value = _added(found, layout, parts.items())
            if whole == "FOLDFE":
                value = _known_or(value, raw[:, at[whole]] * share[:, at[_FOLATE]])
            elif at[whole] < count:
                value = _known_or(value, found[:, at[whole]])
            elif whole == "ENERC_KCAL_GENERAL":
                value += GENERAL_KCAL_PER_GRAM_ALCOHOL * alcohol_kept
            found[:, at[whole]] = value
    for energy, per in (("ENERC_KCAL", 1.0), ("ENERC_KJ", KJ_PER_KCAL)):
        if energy in at:
            found[:, at[energy]] -= KCAL_PER_GRAM_ALCOHOL * per * alcohol_lost
    return found


def _known_or(value: np.ndarray, otherwise: np.ndarray) -> np.ndarray:
    return np.where(np.isnan(value), otherwise, value)


def _take_fat_off(kept: np.ndarray, lost: np.ndarray, layout: Layout) -> None:
    """Take off the fat that ran off, its fatty acids in proportion and its energy with it."""
    rows = np.flatnonzero(lost)
    lipids = [place for component, place in layout.at.items() if _LIPID.match(component) and place < kept.shape[1]]
    fat = kept[rows, layout.at["FAT"]]
    left = 1 - np.divide(lost[rows], fat, out=np.zeros(len(rows)), where=fat > 0)
    kept[np.ix_(rows, np.array(lipids, dtype=int))] *= left[:, None]
    for energy, per in (("ENERC_KCAL", 1.0), ("ENERC_KJ", KJ_PER_KCAL)):
        if energy in layout.at:
            kept[rows, layout.at[energy]] -= KCAL_PER_GRAM_FAT_OF_MEAT * per * lost[rows]


def raw_values(release: FoodRelease, layout: Layout, foods: Sequence[int] | np.ndarray) -> np.ndarray:
    """Give the values per 100 g raw of foods, by their rows in the release, × ``layout.columns``."""
    return np.asarray(release.matrix[np.ix_(np.asarray(foods, dtype=int), layout.columns)])
