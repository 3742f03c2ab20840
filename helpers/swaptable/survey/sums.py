"""The sum over all variants of a dish, with standard errors: three matrix products and no loop over variants.

With ``grams`` (variants × parts) and ``value`` (parts × components) the amounts are ``grams @ value``. What one
standard deviation of a source changes is the same product over the parts that share the source, so its square is a
sum over pairs of such parts of ``grams_i · grams_j`` times ``error_i · error_j``: all sources together are one more
product. In the difference from the dish as written the grams' own difference stands in for the grams.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np

from swaptable.amounts.nutrients import WHOLE_SHARE
from swaptable.basics.errors import SwaptableError, nearest
from swaptable.foods.reference import kitchen_errors
from swaptable.survey.dishes import Part
from swaptable.survey.index import IndexTerms
from swaptable.survey.rules import Variants
from swaptable.survey.values import PairValues

__all__ = ["DISH_BASES", "DishAmounts", "dish_amounts"]

DISH_BASES = ("100 g", "batch")
_BELOW_ZERO = -1e-9  # of the largest amount: rounding


@dataclass(frozen=True, eq=False)
class DishAmounts:
    """Amounts of a dish: variants × stored components, in the unit of each, on the basis asked for.

    Attributes
    ----------
    amount, error, difference_error : ndarray
        Amount (NaN where nothing is known), its standard error, and that of its difference from the dish as written.
    known_share : ndarray
        Share of the raw edible weight whose food has a value. [-]
    cooked_g : ndarray
        By variant: weight as eaten of the batch. [g]
    index, index_error, index_difference_error : ndarray
        By variant: the nutrient-rich foods index 9.3 per 100 kcal and its standard errors; NaN where it is not known.
    """

    amount: np.ndarray
    error: np.ndarray
    difference_error: np.ndarray
    known_share: np.ndarray
    cooked_g: np.ndarray
    index: np.ndarray
    index_error: np.ndarray
    index_difference_error: np.ndarray


@dataclass(frozen=True, eq=False)
class _Squares:
    """Pairs of parts that share a source.

    ``first`` and ``second`` are their places, ``weight`` how much the pair counts, ``product`` the product of what one
    standard deviation changes in each per gram (pairs × components), weighted.
    """

    first: np.ndarray
    second: np.ndarray
    weight: np.ndarray
    product: np.ndarray

    def of(self, grams: np.ndarray) -> np.ndarray:
        """Sum over the sources the squares of what they change: variants × components."""
        return (grams[:, self.first] * grams[:, self.second]) @ self.product

    def crossed(self, grams: np.ndarray) -> np.ndarray:
        """Sum over the sources what they change times what they change in the first variant."""
        first, second = grams[:, self.first], grams[:, self.second]
        return (first * second[0] + first[0] * second) @ self.product / 2

    def of_scalar(self, change: np.ndarray) -> np.ndarray:
        """Sum the squares where each part has one change (variants × parts) rather than one by component."""
        return (change[:, self.first] * change[:, self.second]) @ self.weight


Rests = Sequence[Sequence[tuple[Hashable, float]]]


def _squares(rests: Rests, per_gram: np.ndarray) -> _Squares:
    """Pair the parts that share a source.

    ``rests`` names for each part the sources it rests on, with a factor on ``per_gram`` (parts × components).
    """
    together: dict[Hashable, list[tuple[int, float]]] = {}
    for part, sources in enumerate(rests):
        for name, factor in sources:
            together.setdefault(name, []).append((part, factor))
    weights: dict[tuple[int, int], float] = {}
    for parts in together.values():
        for place, (one, factor) in enumerate(parts):
            weights[one, one] = weights.get((one, one), 0.0) + factor**2
            for other, theirs in parts[place + 1 :]:
                weights[one, other] = weights.get((one, other), 0.0) + 2 * factor * theirs
    pairs = np.array(list(weights), dtype=int).reshape(-1, 2)
    weight = np.array(list(weights.values()))
    first, second = pairs[:, 0], pairs[:, 1]
    return _Squares(first, second, weight, per_gram[first] * per_gram[second] * weight[:, None])


@dataclass(frozen=True, eq=False)
class _Sources:
    """What a dish rests on: values and retention, which move each component by itself, weighings, which move all."""

    food: _Squares
    retention: _Squares
    weighing: _Squares

    def apart(self, grams: np.ndarray) -> np.ndarray:
        return self.food.of(grams) + self.retention.of(grams)

    def all(self, grams: np.ndarray) -> np.ndarray:
        return self.apart(grams) + self.weighing.of(grams)

    def crossed(self, grams: np.ndarray) -> np.ndarray:
        return self.food.crossed(grams) + self.retention.crossed(grams)


def _sources(parts: Sequence[Part], pairs: PairValues, rows: np.ndarray) -> _Sources:
    """Find what the parts rest on; ``rows`` are their places among the pairs."""
    # the same food of the same ingredient is measured alike; a nested dish is measured once, whatever it is made of
    weighings = [
        [((name, part.food if number == 0 else ""), error) for number, (name, error) in enumerate(part.weighings)]
        for part in parts
    ]
    return _Sources(
        _squares([[(part.food, 1.0)] for part in parts], pairs.food_error[rows]),
        _squares([[(part.rows, 1.0)] if part.rows else [] for part in parts], pairs.retention_error[rows]),
        _squares(weighings, pairs.value[rows]),
    )


def _batch(variants: Variants, pairs: PairValues, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give amounts in the batch and known shares (variants × components), and the weight as eaten [g] by variant."""
    grams = variants.grams
    edible = grams.sum(axis=1)
    cooked = edible * (variants.dish.cooked_g / edible[0])  # the dish keeps its yield
    batch = grams @ pairs.value[rows]
    size = np.abs(grams)
    share = (size @ pairs.known[rows]) / size.sum(axis=1)[:, None]
    water = pairs.components.index("WATER")
    batch[:, water] += (cooked - edible) + grams @ pairs.alcohol_lost[rows]
    batch[share[:, water] <= WHOLE_SHARE, water] = np.nan  # else nobody knows what is left
    batch[:, water][batch[:, water] < 0] = np.nan
    # more fat may be published to leave than these values hold of a component: then nobody knows what is left
    gone = batch < _BELOW_ZERO * np.nanmax(np.abs(batch), axis=0, initial=1e-300)
    return np.where((share > 0) & ~gone, np.maximum(batch, 0.0), np.nan), share, cooked


def _index_errors(
    terms: IndexTerms, batch: np.ndarray, grams: np.ndarray, sources: _Sources, value: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Give the standard errors of the index and of its difference, by variant."""
    slopes = terms.slopes(batch)
    written = slopes[:1]
    apart = sources.apart(grams)
    alone = (slopes**2 * apart).sum(axis=1)
    both = 2 * (slopes * written * sources.crossed(grams)).sum(axis=1)
    moved = grams * (slopes @ value.T)  # variants × parts: what the index gains if a part weighs all of it more
    variance = alone + sources.weighing.of_scalar(moved)
    difference = alone + alone[0] - both + sources.weighing.of_scalar(moved - moved[0])
    difference[0] = 0.0
    return np.sqrt(variance), np.sqrt(np.maximum(difference, 0.0))


def dish_amounts(
    variants: Variants, pairs: PairValues, rows: np.ndarray, terms: IndexTerms, stored: int, basis: str = DISH_BASES[0]
) -> DishAmounts:
    """Compute all variants of a dish.

    Parameters
    ----------
    variants : Variants
    pairs : PairValues
    rows : ndarray of int
        Place among the pairs of each part of the variants.
    terms : IndexTerms
    stored : int
        How many of the pairs' components to give.
    basis : str, optional
        ``"100 g"`` as eaten, or ``"batch"``.

    Returns
    -------
    DishAmounts

    Raises
    ------
    SwaptableError
        If there is no such basis; a survey's dish has no servings.
    """
    if basis not in DISH_BASES:
        raise SwaptableError(f"found basis '{basis}'; expected {' or '.join(DISH_BASES)}{nearest(basis, DISH_BASES)}")
    batch, share, cooked = _batch(variants, pairs, rows)
    sources = _sources(variants.parts, pairs, rows)
    scale = 100 / np.where(cooked > 0, cooked, np.nan) if basis == DISH_BASES[0] else np.ones(len(cooked))
    per, grams = batch * scale[:, None], variants.grams * scale[:, None]
    variance, difference = sources.all(grams), sources.all(grams - grams[0])
    if basis == DISH_BASES[0]:  # one yield for all variants
        dish = kitchen_errors()["weighed dish"]
        variance = variance + (per * dish) ** 2
        difference = difference + ((per - per[0]) * dish) ** 2
    difference[0] = 0.0
    index = terms.points(batch, share)
    errors = _index_errors(terms, batch, variants.grams, sources, pairs.value[rows])
    known = ~np.isnan(per)
    first = slice(0, stored)
    return DishAmounts(
        amount=per[:, first],
        error=np.sqrt(np.where(known, variance, np.nan))[:, first],
        difference_error=np.sqrt(np.where(known & known[0], np.maximum(difference, 0.0), np.nan))[:, first],
        known_share=share[:, first],
        cooked_g=cooked,
        index=index,
        index_error=np.where(np.isnan(index), np.nan, errors[0]),
        index_difference_error=np.where(np.isnan(index) | np.isnan(index[0]), np.nan, errors[1]),
    )
