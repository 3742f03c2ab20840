"""A recipe's lines as tables on plain arrays: what each ingredient brings, and what the dish weighs.

Tables are made once, over the choices that touch an ingredient, and read many times: for a whole grid, for a part of
it, or for listed variants.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt

from swaptable.amounts.composition import Layout, fat_that_leaves
from swaptable.amounts.cooking import STATED
from swaptable.amounts.engine import Table, at_variants, codes_of, fixed, least, merged, spread
from swaptable.amounts.line_arrays import LineArrays, cooked_lines, line_arrays_of
from swaptable.amounts.variants import Grid
from swaptable.foods.reference import kitchen_errors

__all__ = ["WHOLE_SHARE", "Dish", "Gaps", "View", "Weighing", "dish_of"]

WHOLE_SHARE = 1 - 1e-9  # of the weight that has a value: all of it, but for rounding
# Beyond these a weighed dish is challenged: it cannot outweigh its ingredients, nor often lose so much.
MOST_OF_LISTED, LEAST_OF_ESTIMATE = 1.05, 0.6
# What is summed of weights, in this order, in g (the variance in g²): raw edible; with the water that it soaks up and
# that is no ingredient; as eaten, estimated from yields; variance of that; alcohol and fat that left; water of the raw
# foods; raw edible weight whose water is known.
EDIBLE, SOAKED, COOKED, VARIANCE, LOST, WATER, WATERED = range(7)


@dataclass(frozen=True, eq=False)
class View:
    """Which variants are looked at: the grid, the part that has some options, or listed variants.

    Attributes
    ----------
    sizes : dict
        Axis → options, of the axes left; one axis of the listed variants otherwise.
    options : dict
        Axis → option, of axes that are fixed.
    codes : ndarray of int or None
        Variants × axes, where variants are listed.
    """

    sizes: Mapping[int, int]
    options: Mapping[int, int] = field(default_factory=dict)
    codes: np.ndarray | None = None

    def total(self, tables: Sequence[Table], dtype: npt.DTypeLike = float) -> np.ndarray:
        """Sum tables: components × the axes left, or × the listed variants."""
        if self.codes is not None:
            return at_variants(tables, self.codes).astype(dtype, copy=False)
        return spread(fixed(tables, self.options), self.sizes, dtype)

    def codes_at(self, place: int) -> np.ndarray:
        """Give the options of the variant at a place of a flattened result."""
        if self.codes is not None:
            return np.asarray(self.codes[place])
        left = dict(zip(self.sizes, codes_of([place], list(self.sizes.values()))[0], strict=True))
        return np.array([left.get(axis, self.options.get(axis)) for axis in range(len(left) + len(self.options))])

    def allowed(self, grid: Grid) -> np.ndarray:
        """Tell where the options go together."""
        return grid.allowed_where(self.options) if self.codes is None else grid.allowed_at(self.codes)

    def along(self, values: np.ndarray, axis: int) -> np.ndarray:
        """Give what is told of the options of one axis, to be broadcast over the variants looked at."""
        if self.codes is not None:
            return np.asarray(values[self.codes[:, axis]])
        if axis in self.options:
            return np.asarray(values[self.options[axis]])
        return values.reshape([-1 if each == axis else 1 for each in self.sizes])


@dataclass(frozen=True, eq=False)
class Weighing:
    """How the weight as eaten follows from the weights of the ingredients.

    Attributes
    ----------
    per_soaked : float or None
        Weight as eaten per gram of ingredients with the water they soak up, where the recipe was weighed; without it
        the yields of the ingredients are taken. [-]
    ratios : list
        (axis, ratio of each option): what the weighed dish of an option makes of it; to be multiplied. [-]
    options : list
        (axis, bool of each option): which options have a weighed dish of their own.
    origin : str
        The same in words.
    """

    per_soaked: float | None
    ratios: list[tuple[int, np.ndarray]]
    options: list[tuple[int, np.ndarray]]
    origin: str

    @property
    def row(self) -> int:
        """Which of the weights it starts from."""
        return COOKED if self.per_soaked is None else SOAKED

    def eaten(self, weight: np.ndarray, view: View) -> np.ndarray:
        """Give the weight as eaten from the soaked weight, or from the cooked one where nothing was weighed."""
        cooked = weight if self.per_soaked is None else weight * self.per_soaked
        for axis, ratio in self.ratios:
            cooked = cooked * view.along(ratio, axis)
        return cooked

    def weighed(self, view: View) -> np.ndarray:
        """Tell where a dish was weighed: the recipe's, or that of one of the options."""
        weighed = np.asarray(self.per_soaked is not None)
        for axis, own in self.options:
            weighed = weighed | view.along(own, axis)
        return weighed

    def deviation(self, variance: np.ndarray, cooked: np.ndarray, view: View) -> np.ndarray:
        """Give the standard deviation of the weight as eaten: of the scale, or of the yields."""
        return np.where(self.weighed(view), cooked * kitchen_errors()["weighed dish"], variance**0.5)


@dataclass(frozen=True, eq=False)
class Gaps:
    """What is known of components that some line has no value for.

    Attributes
    ----------
    places : ndarray of int
        Of these components, among those asked for.
    tables : list of Table
        Of each ingredient: its weight where it has a value. [g]
    """

    places: np.ndarray
    tables: list[Table]

    @cached_property
    def hopeless(self) -> np.ndarray:
        """Places among ``places`` of the components of which some variant may know nothing at all."""
        return np.flatnonzero(~(least(self.tables) > 0))


@dataclass(frozen=True, eq=False)
class Dish:
    """Tables of a recipe, ready to be summed.

    Attributes
    ----------
    grid : Grid
    arrays : LineArrays
    lines : list of Table
        Of each ingredient: what it brings to the batch of the components asked for, in the unit of each; water as in
        the raw food.
    weights : list of Table
        Of each ingredient: the weights from ``EDIBLE`` to ``WATERED``. [g]
    water_is_known : bool
        Whether the release as published gives the water of every food.
    valued, known : Gaps
        What has a value, imputed ones included; and what the release as published has a value for.
    """

    grid: Grid
    arrays: LineArrays
    lines: list[Table]
    weights: list[Table]
    water_is_known: bool
    valued: Gaps
    known: Gaps

    @property
    def layout(self) -> Layout:
        """Which components were asked for."""
        return self.arrays.layout

    @cached_property
    def water(self) -> list[Table] | None:
        """What adds up to the water in the batch [g]; None where weights as eaten do not add up.

        Whatever weight the dish gains or loses but for alcohol and fat is water; unless options have weighed dishes of
        their own, that is a sum over ingredients like any other.
        """
        weighing = self.weighing
        if weighing.ratios:
            return None
        parts = np.zeros(7)
        parts[[WATER, EDIBLE, LOST, weighing.row]] = 1.0, -1.0, 1.0, weighing.per_soaked or 1.0
        return [Table(each.axes, np.tensordot(parts, each.values, axes=1)[None]) for each in self.weights]

    @cached_property
    def amounts(self) -> list[Table]:
        """What adds up to the amounts in the batch, in the unit of each; water as in the raw foods if nothing does."""
        if self.water is None or "WATER" not in self.layout.wanted:
            return self.lines
        is_water = np.array([component == "WATER" for component in self.layout.wanted], dtype=float)
        dry = (Table(each.axes, np.tensordot(np.diag(1 - is_water), each.values, axes=1)) for each in self.lines)
        wet = (Table(each.axes, np.multiply.outer(is_water, each.values[0])) for each in self.water)
        return merged([*dry, *wet])

    @cached_property
    def never_empty(self) -> bool:
        """Whether every variant weighs something."""
        return bool(least(self.weights)[EDIBLE] > 0)

    @property
    def everything(self) -> View:
        """All variants."""
        return View(dict(enumerate(self.grid.sizes)))

    def at_options(self, variant: Mapping[str, str]) -> View:
        """One variant."""
        codes = [options.index(variant[choice]) for choice, options in self.grid.choices.items()]
        return View({0: 1}, codes=np.array([codes], dtype=int).reshape(1, -1))

    @cached_property
    def weighing(self) -> Weighing:
        """How the weight as eaten is found: a weighed dish gives the yield of the recipe, an option's own corrects it.

        Raises
        ------
        InputError
            If the recipe weighs nothing as written, or a dish was weighed that the recipe excludes.
        """
        grid, recipe = self.grid, self.grid.recipe
        weights = self.at_options(grid.as_written).total(self.weights)[:, 0]
        if not weights[EDIBLE] > 0:
            raise recipe.source.error(("ingredients",), "weigh nothing as written; expected an amount above 0")
        per_soaked, origin = None, "estimated from the yield of each ingredient"
        if recipe.cooked_weight is not None:
            per_soaked = recipe.cooked_weight / float(weights[SOAKED])
            told = f"weighed for the recipe as written ({recipe.cooked_weight:,.4g} g); the same yield for its variants"
            origin = told + _doubt(recipe.cooked_weight, float(weights[SOAKED]), float(weights[COOKED]))
        found = Weighing(per_soaked, [], [], origin)
        for axis, choice in enumerate(grid.choices):
            own = {name: grid.recipe.choices[choice][name].cooked_weight for name in grid.choices[choice]}
            grams = {name: weight for name, weight in own.items() if weight is not None}
            if grams:
                alone = {name: self._alone(found, choice, name) for name in grams}
                ratio = np.array([grams[name] / alone[name] if name in grams else 1.0 for name in own])
                found = Weighing(
                    per_soaked,
                    [*found.ratios, (axis, ratio)],
                    [*found.options, (axis, np.array([name in grams for name in own]))],
                    f"{found.origin}; weighed for {', '.join(grams)}",
                )
        return found

    def _alone(self, weighing: Weighing, choice: str, option: str) -> float:
        """Give what the dish of one option by itself would weigh without its own weighing."""
        variant = {**self.grid.as_written, choice: option}
        if not self.grid.is_allowed(variant):
            problem = f"'{option}' alone is excluded under 'not together'; its dish cannot be weighed by itself"
            raise self.grid.recipe.source.error(("choices", choice, option, "cooked weight"), problem)
        view = self.at_options(variant)
        return float(weighing.eaten(view.total(self.weights)[weighing.row], view)[0])


def _doubt(weighed: float, listed: float, estimated: float) -> str:
    """Challenge a weighed dish that its ingredients can hardly make; it is used all the same."""
    if weighed > MOST_OF_LISTED * listed:
        return f". Implausible: everything listed weighs {listed:.4g} g; check the scale, or list what it soaked up"
    if weighed < LEAST_OF_ESTIMATE * estimated:
        return f". Implausible: published yields give {estimated:.4g} g; check the scale"
    return ""


@lru_cache(maxsize=8)
def dish_of(grid: Grid, components: tuple[str, ...] = ()) -> Dish:
    """Make the tables of a recipe.

    Parameters
    ----------
    grid : Grid
    components : tuple of str, optional
        INFOODS tags; all by default. Parts of derived components are worked out as well.

    Returns
    -------
    Dish
    """
    arrays = line_arrays_of(grid, components)
    layout, positions, published = arrays.layout, arrays.positions, grid.release.published
    of_published = arrays.values
    if published is not grid.release:
        of_published = cooked_lines(arrays.lines, arrays.food, published, layout)[-1]
    valued = known = _gaps(arrays, arrays.values)
    if of_published is not arrays.values:
        known = _gaps(arrays, of_published)
    return Dish(
        grid=grid,
        arrays=arrays,
        lines=merged(positions.tables(positions.laid(arrays.brought[:, layout.chosen]))),
        weights=merged(positions.tables(positions.laid(_weights(arrays, of_published)))),
        water_is_known=not np.isnan(of_published[:, layout.at["WATER"]]).any(),
        valued=valued,
        known=known,
    )


def _gaps(arrays: LineArrays, values: np.ndarray) -> Gaps:
    known = ~np.isnan(values[:, arrays.layout.chosen])
    places = np.flatnonzero(~known.all(axis=0))
    laid = arrays.positions.laid(arrays.edible_g[:, None] * known[:, places])
    return Gaps(places, merged(arrays.positions.tables(laid)))


def _weights(arrays: LineArrays, published: np.ndarray) -> np.ndarray:
    """Give the weights of each line, from ``EDIBLE`` to ``WATERED``."""
    grams, layout = arrays.edible_g, arrays.layout
    factor = arrays.each("yield_factor")
    alcohol, water = layout.at["ALC"], layout.at["WATER"]
    raw_alcohol = arrays.raw[:, alcohol] * grams / 100
    alcohol_lost = np.nan_to_num(raw_alcohol) - arrays.brought[:, alcohol]
    fat = fat_that_leaves(arrays.raw, arrays.each("fat_lost"), layout)
    stated = np.array([line.cooking.yield_origin == STATED for line in arrays.lines], dtype=bool)
    return np.column_stack(
        [
            grams,
            grams * np.maximum(factor, 1.0),
            grams * factor - np.where(stated, 0.0, alcohol_lost),
            (grams * arrays.each("yield_sd")) ** 2,
            alcohol_lost + fat * grams / 100,
            arrays.brought[:, water],
            grams * ~np.isnan(published[:, water]),
        ]
    )
