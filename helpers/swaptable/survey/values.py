"""What every food in every cooking of a collection holds, and how sure that is: plain arrays, one row per pair.

The arithmetic is that of a recipe's lines (:mod:`swaptable.amounts.composition`,
:mod:`swaptable.amounts.line_arrays`), applied to all pairs of a food and the retention rows that cook it at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from swaptable.amounts.composition import Layout, cooked_values, layout_of
from swaptable.amounts.line_arrays import retention_scatter, value_changes
from swaptable.amounts.sources import QUESTIONS, food_errors, row_errors
from swaptable.foods.cooking_factors import FACTORS, retention_components, retention_table
from swaptable.foods.reference import kitchen_errors
from swaptable.foods.release import FoodRelease
from swaptable.judging.density import index_components

__all__ = ["SURVEY_COMPONENTS", "FoodArrays", "PairValues", "food_arrays", "pair_values"]

# The 65 components that USDA's survey tables list (from memory), in the order of a food table.
SURVEY_COMPONENTS: tuple[str, ...] = (
    "ENERC_KCAL", "WATER", "PROCNT", "FAT", "CHOCDF", "FIBTG", "SUGAR", "ALC", "CAFFN", "THEBRN",
    "NA", "K", "CA", "MG", "P", "FE", "ZN", "CU", "SE",
    "VITA_RAE", "RETOL", "CARTB", "CARTA", "CRYPX", "LYCPN", "LUT+ZEA", "VITC", "VITD", "TOCPHA", "TOCPHA_ADDED",
    "VITK1", "THIA", "RIBF", "NIA", "VITB6A", "FOL", "FOLAC", "FOLFD", "FOLDFE", "CHOLN", "VITB12", "VITB12_ADDED",
    "CHOLE", "FASAT", "FAMS", "FAPU", "F4D0", "F6D0", "F8D0", "F10D0", "F12D0", "F14D0", "F16D0", "F18D0", "F16D1",
    "F18D1", "F20D1", "F22D1", "F18D2", "F18D3", "F18D4", "F20D4", "F20D5", "F22D5", "F22D6",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class FoodArrays:
    """A food release as arrays that can be sent to other machines.

    Attributes
    ----------
    place : dict
        Code → row.
    raw, error : ndarray
        Per 100 g raw edible food: values (foods × columns of the layout; NaN is missing) and their standard errors
        (foods × components of the layout). The last row stands for a food without values.
    layout : Layout
        The stored components first among ``wanted``, then those that the index needs besides.
    stored : int
        How many are stored.
    factors : str
        Retention factors: ``"published"`` or ``"estimated"``.
    """

    place: dict[str, int]
    raw: np.ndarray
    error: np.ndarray
    layout: Layout
    stored: int
    factors: str

    @property
    def units(self) -> dict[str, str]:
        """Unit of each component wanted."""
        return dict(zip(self.layout.wanted, self.layout.units, strict=True))


@dataclass(frozen=True, eq=False)
class PairValues:
    """Pairs × the components wanted of the layout, per gram of raw edible food, in the unit of each.

    Attributes
    ----------
    components : tuple of str
    value : ndarray
        What is left after cooking; 0 where nothing is known.
    known : ndarray of float
        1 where there is a value, else 0.
    food_error, retention_error : ndarray
        What one standard deviation of the food's value and of its retention changes.
    alcohol_lost : ndarray
        [g per g]
    """

    components: tuple[str, ...]
    value: np.ndarray
    known: np.ndarray
    food_error: np.ndarray
    retention_error: np.ndarray
    alcohol_lost: np.ndarray


def food_arrays(
    release: FoodRelease, components: Sequence[str] = SURVEY_COMPONENTS, factors: str = FACTORS[0]
) -> FoodArrays:
    """Turn a food release into arrays.

    Parameters
    ----------
    release : FoodRelease
    components : sequence of str, optional
        INFOODS tags to store; the 65 of the survey by default.
    factors : str, optional
        As for :func:`swaptable.foods.cooking_factors.retention_table`.

    Returns
    -------
    FoodArrays

    Raises
    ------
    SwaptableError
        If the release has no such component, or there are no such factors.
    """
    retention_table(factors)
    stored = tuple(dict.fromkeys(components))
    layout = layout_of(release, tuple(dict.fromkeys((*stored, "ENERC_KCAL", "WATER", *index_components()))))
    raw = release.matrix[:, layout.columns]
    error = food_errors(release)[0][:, layout.places]
    return FoodArrays(
        place={code: row for row, code in enumerate(release.foods.index)},
        raw=np.vstack([raw, np.full((1, raw.shape[1]), np.nan)]),
        error=np.vstack([error, np.full((1, error.shape[1]), np.nan)]),
        layout=layout,
        stored=len(stored),
        factors=factors,
    )


@lru_cache(maxsize=8192)
def _chained(rows: tuple[str, ...], layout: Layout, factors: str) -> tuple[np.ndarray, np.ndarray]:
    """Apply rows one after the other: share of each component that is left (NaN where no row has one), relative error.

    Shares multiply, errors add in squares; a row without a figure keeps all, with the error of an unpublished factor.
    """
    unpublished = kitchen_errors()["no published factor"]
    share, square = np.full(len(layout.components), np.nan), np.zeros(len(layout.components))
    for row in rows:
        published = retention_table(factors).loc[[row], retention_components()].to_numpy(dtype=float)
        found, error = layout.factors(published)[0], row_errors((row,), layout, factors, QUESTIONS[0])
        share = np.where(np.isnan(found), share, np.nan_to_num(share, nan=1.0) * found)
        square += np.where(np.isnan(found) | np.isnan(error), unpublished, error) ** 2
    return share, np.sqrt(square)


def pair_values(foods: FoodArrays, pairs: Sequence[tuple[str, tuple[str, ...]]]) -> PairValues:
    """Compute every pair of a food and the retention rows that cook it.

    Parameters
    ----------
    foods : FoodArrays
    pairs : sequence of (str, tuple of str)
        Food code, which may be unknown, and rows of ``retention.csv`` that apply one after the other.

    Returns
    -------
    PairValues
    """
    layout, count = foods.layout, len(pairs)
    rows = np.array([foods.place.get(food, len(foods.raw) - 1) for food, _ in pairs], dtype=int)
    found = [_chained(chain, layout, foods.factors) for _, chain in pairs]
    factors, errors = (np.array([each[which] for each in found]) for which in (0, 1))
    cooked = np.array([float(bool(chain)) for _, chain in pairs])  # a row that has no figure is in the errors already
    raw = foods.raw[rows]
    values = cooked_values(raw, factors, layout)
    held = np.nan_to_num(values)
    chosen = (slice(None), layout.chosen)
    alcohol = layout.at["ALC"]
    scatter = retention_scatter(errors, np.where(np.isnan(factors), 1.0, factors), held, layout, cooked)
    return PairValues(
        components=layout.wanted,
        value=held[chosen] / 100,
        known=(~np.isnan(values[chosen])).astype(float),
        food_error=value_changes(foods.error[rows], raw, held, np.full(count, 100.0))[chosen] / 100,
        retention_error=(held * scatter)[chosen] / 100,
        alcohol_lost=(np.nan_to_num(raw[:, alcohol]) - held[:, alcohol]) / 100,
    )
