"""The sum over all variants of a dish, with standard errors: matrix products and no loop over variants.

With ``grams`` (variants × parts) and ``value`` (parts × components) the amounts are ``grams @ value``. What one
standard deviation of a source changes is the same product over the parts that share the source, so its square is a
sum over pairs of such parts of ``grams_i · grams_j`` times ``error_i · error_j``: all sources together are one more
product. In the difference from the dish as written the grams' own difference stands in for the grams.

The weight as eaten is the ingredients' sum times a published yield, so whoever weighs an ingredient wrongly changes
it too: per 100 g only what sets the ingredient apart from the dish counts, and in a dish of one ingredient nothing.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np

from swaptable.amounts.nutrients import WHOLE_SHARE
from swaptable.basics.errors import SwaptableError, nearest
from swaptable.foods.reference import kitchen_errors
from swaptable.judging.density import DensityTerms
from swaptable.survey.rules import Variants
from swaptable.survey.values import PairValues

__all__ = ["DISH_BASES", "DishAmounts", "dish_amounts"]

DISH_BASES = ("100 g", "batch")
_ROUNDING = 1e-9  # of the largest amount, or of a weight
_SQUARED_ROUNDING = 1e-13  # of squared errors


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

    ``first`` and ``second`` are their places, ``product`` the product of what one standard deviation changes in each
    per gram (pairs × components), times how often the pair counts.
    """

    first: np.ndarray
    second: np.ndarray
    product: np.ndarray

    def of(self, grams: np.ndarray) -> np.ndarray:
        """Sum over the sources the squares of what they change: variants × components."""
        return (grams[:, self.first] * grams[:, self.second]) @ self.product

    def crossed(self, grams: np.ndarray) -> np.ndarray:
        """Sum over the sources what they change times what they change in the first variant."""
        first, second = grams[:, self.first], grams[:, self.second]
        return (first * second[0] + first[0] * second) @ self.product / 2


def _squares(sources: Sequence[Hashable], per_gram: np.ndarray) -> _Squares:
    """Pair the parts that share a source: for each part the one it rests on, or nothing; parts × components."""
    together: dict[Hashable, list[int]] = {}
    for part, name in enumerate(sources):
        if name:
            together.setdefault(name, []).append(part)
    pairs = [(one, other) for parts in together.values() for place, one in enumerate(parts) for other in parts[place:]]
    first, second = np.array(pairs, dtype=int).reshape(-1, 2).T
    twice = np.where(first == second, 1.0, 2.0)
    return _Squares(first, second, per_gram[first] * per_gram[second] * twice[:, None])


@dataclass(frozen=True, eq=False)
class _Weighings:
    """What weighings move: all components together, and the weight as eaten.

    ``error`` (weighings × parts) is the relative standard deviation, ``brought`` (parts × components) what a gram of a
    part brings into the batch, ``weight`` (by part) how much weight, where 1 is that of a gram of an ingredient.
    """

    error: np.ndarray
    brought: np.ndarray
    weight: np.ndarray

    def changes(self, grams: np.ndarray, mean: np.ndarray | None = None) -> np.ndarray:
        """Give what one standard deviation of each changes: variants × weighings × components.

        With ``mean`` (variants × components), what a gram of all ingredients together brings, it is what changes in
        the dish at the weight it had.
        """
        moved = grams[:, None, :] * self.error
        found: np.ndarray = moved @ self.brought
        if mean is not None:
            found -= (moved @ self.weight)[:, :, None] * mean[:, None, :]
        return found

    def of_scalar(self, change: np.ndarray) -> np.ndarray:
        """Sum the squares where each part has one change (variants × parts) rather than one by component."""
        return ((change @ self.error.T) ** 2).sum(axis=1)


@dataclass(frozen=True, eq=False)
class _Sources:
    """What a dish rests on: values and retention, which move each component by itself, weighings, which move all."""

    food: _Squares
    retention: _Squares
    weighing: _Weighings

    def apart(self, grams: np.ndarray) -> np.ndarray:
        return self.food.of(grams) + self.retention.of(grams)

    def crossed(self, grams: np.ndarray) -> np.ndarray:
        return self.food.crossed(grams) + self.retention.crossed(grams)


def _weighings(variants: Variants, pairs: PairValues, rows: np.ndarray) -> _Weighings:
    """Find what the parts' weights rest on.

    Water and fat that come or go with the cooking are in proportion to the ingredients, so each gram of an ingredient
    brings its share of them; the fat's own doubt moves nothing but the fat.
    """
    parts, grams = variants.parts, variants.grams[0]
    fixed = np.array([part.fixed for part in parts])
    names: dict[Hashable, list[tuple[int, float]]] = {}
    for place, part in enumerate(parts):
        for number, (name, error) in enumerate(part.weighings[:1] if part.fixed else part.weighings):
            # the same food of the same ingredient is measured alike; a nested dish is measured once, as a whole
            names.setdefault((name, part.food if number == 0 else ""), []).append((place, error))
    errors = np.zeros((len(names), len(parts)))
    for source, moved in enumerate(names.values()):
        for place, error in moved:
            errors[source, place] += error
    brought, rest = pairs.value[rows], grams[~fixed].sum()
    water = pairs.components.index("WATER")
    brought[:, water] += pairs.alcohol_lost[rows]
    follows = grams[fixed] @ brought[fixed]
    follows[water] += variants.dish.cooked_g - grams.sum()
    brought[~fixed] += follows / rest
    return _Weighings(errors, brought, np.where(fixed, rest / variants.dish.cooked_g, 1.0))


def _sources(variants: Variants, pairs: PairValues, rows: np.ndarray) -> _Sources:
    """Find what the parts rest on; ``rows`` are their places among the pairs."""
    parts = variants.parts
    return _Sources(
        _squares([part.food for part in parts], pairs.food_error[rows]),
        _squares([part.rows for part in parts], pairs.retention_error[rows]),
        _weighings(variants, pairs, rows),
    )


def _keeps_weight(variants: Variants) -> bool:
    """Tell whether the dish weighs what its ingredients do, so that no yield is in doubt."""
    edible = variants.grams[0].sum()
    return abs(variants.dish.cooked_g - edible) <= _ROUNDING * edible and not any(p.fixed for p in variants.parts)


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
    gone = batch < -_ROUNDING * np.nanmax(np.abs(batch), axis=0, initial=1e-300)
    return np.where((share > 0) & ~gone, np.maximum(batch, 0.0), np.nan), share, cooked


def _index_errors(
    terms: DensityTerms, batch: np.ndarray, grams: np.ndarray, sources: _Sources
) -> tuple[np.ndarray, np.ndarray]:
    """Give the standard errors of the index and of its difference, by variant."""
    slopes = terms.slopes(batch)
    written = slopes[:1]
    apart = sources.apart(grams)
    alone = (slopes**2 * apart).sum(axis=1)
    both = 2 * (slopes * written * sources.crossed(grams)).sum(axis=1)
    moved = grams * (slopes @ sources.weighing.brought.T)  # what the index gains if a part weighs all of it more
    variance = alone + sources.weighing.of_scalar(moved)
    difference = alone + alone[0] - both + sources.weighing.of_scalar(moved - moved[0])
    difference[0] = 0.0
    return np.sqrt(variance), np.sqrt(np.maximum(difference, 0.0))


def _squared_errors(
    variants: Variants, sources: _Sources, per: np.ndarray, scale: np.ndarray, *, whole: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Give the squared standard errors of amounts and of their differences; ``whole`` for those of the batch."""
    grams = variants.grams * scale[:, None]
    if whole:
        weighed = sources.weighing.changes(grams)
    else:
        ingredients = grams[:, [not part.fixed for part in variants.parts]].sum(axis=1)
        weighed = sources.weighing.changes(grams, per / np.where(ingredients > 0, ingredients, np.nan)[:, None])
    variance = sources.apart(grams) + (weighed**2).sum(axis=1)
    difference = sources.apart(grams - grams[0]) + ((weighed - weighed[0]) ** 2).sum(axis=1)
    if not whole and not _keeps_weight(variants):  # one yield for all variants
        dish = kitchen_errors()["weighed dish"]
        variance = variance + (per * dish) ** 2
        difference = difference + ((per - per[0]) * dish) ** 2
    difference[difference <= _SQUARED_ROUNDING * (variance + variance[0])] = 0.0
    difference[0] = 0.0
    return variance, difference


def dish_amounts(
    variants: Variants,
    pairs: PairValues,
    rows: np.ndarray,
    terms: DensityTerms,
    stored: int,
    basis: str = DISH_BASES[0],
) -> DishAmounts:
    """Compute all variants of a dish.

    Parameters
    ----------
    variants : Variants
    pairs : PairValues
    rows : ndarray of int
        Place among the pairs of each part of the variants.
    terms : DensityTerms
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
    sources = _sources(variants, pairs, rows)
    scale = 100 / np.where(cooked > 0, cooked, np.nan) if basis == DISH_BASES[0] else np.ones(len(cooked))
    per = batch * scale[:, None]
    variance, difference = _squared_errors(variants, sources, per, scale, whole=basis != DISH_BASES[0])
    index = terms.points(batch, share)
    errors = _index_errors(terms, batch, variants.grams, sources)
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
