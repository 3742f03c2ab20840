"""A dish summed over the variants that are looked at, or averaged over all, on plain arrays."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import prod

import numpy as np
import numpy.typing as npt

from swaptable.amounts.dish import EDIBLE, LOST, VARIANCE, WATER, WATERED, WHOLE_SHARE, Dish, Gaps, View, dish_of
from swaptable.amounts.engine import Table
from swaptable.amounts.variants import Grid
from swaptable.basics.located_yaml import Place

__all__ = ["Averages", "Totals", "per_serving", "sum_up"]

ROOM = 2**20  # numbers in an array beside the result
ROUNDING = 0.005  # of the dish: water by so much below nothing is still rounding


@dataclass(frozen=True, eq=False)
class Totals:
    """A dish over the variants looked at, each array worked out when it is first asked for; components come first.

    Variants whose options do not go together have amounts like all others; see ``allowed``.

    Attributes
    ----------
    dish : Dish
    view : View
    dtype : dtype
        Of the amounts.
    scale : float
        What amounts are multiplied by, such as one over the servings.
    """

    dish: Dish
    view: View
    dtype: npt.DTypeLike = float
    scale: float = 1.0
    _weights: dict[int, np.ndarray] = field(default_factory=dict)

    def weight(self, row: int) -> np.ndarray:
        """Sum one of the weights, in g."""
        if row not in self._weights:
            tables = [Table(table.axes, table.values[row : row + 1]) for table in self.dish.weights]
            self._weights[row] = self.view.total(tables)[0]
        return self._weights[row]

    @cached_property
    def allowed(self) -> np.ndarray:
        """Tell where the options go together."""
        return self.view.allowed(self.dish.grid)

    @property
    def edible_g(self) -> np.ndarray:
        """Raw edible weight in g."""
        return self.weight(EDIBLE)

    @cached_property
    def cooked_g(self) -> np.ndarray:
        """Weight as eaten in g."""
        weighing = self.dish.weighing
        return weighing.eaten(self.weight(weighing.row), self.view)

    @cached_property
    def cooked_sd_g(self) -> np.ndarray:
        """Standard deviation of the weight as eaten in g."""
        return self.dish.weighing.deviation(self.weight(VARIANCE), self.cooked_g, self.view)

    @cached_property
    def _water(self) -> np.ndarray:
        """Water in the batch in g, whatever its sign; NaN where the release does not say what the foods hold."""
        if self.dish.water is not None:
            return self.view.total(self.dish.water)[0]
        water = self.weight(WATER) + (self.cooked_g - self.edible_g) + self.weight(LOST)
        return np.asarray(self._where_water_is_known(water))

    def _where_water_is_known(self, water: np.ndarray) -> np.ndarray:
        if self.dish.water_is_known:
            return water
        return np.where(self.weight(WATERED) > WHOLE_SHARE * self.edible_g, water, np.nan)

    @cached_property
    def amounts(self) -> np.ndarray:
        """Components × variants, in the unit of each: the sum over what is known, NaN where nothing is."""
        dish = self.dish
        tables = dish.amounts
        if self.scale != 1:
            tables = [Table(table.axes, table.values * self.scale) for table in tables]
        amounts = self.view.total(tables, self.dtype)
        if "WATER" in dish.layout.wanted:
            row = dish.layout.wanted.index("WATER")
            if dish.water is None:
                amounts[row] = self._water * self.scale
            elif not dish.water_is_known:
                amounts[row] = self._where_water_is_known(amounts[row])
            # published yields count the fat that runs off: what water is left is not known
            _forget(amounts[row, None], amounts[row] < 0)
        gaps = dish.valued
        at_once = max(1, ROOM // max(amounts[0].size, 1))
        for start in range(0, len(gaps.hopeless), at_once):
            places = gaps.hopeless[start : start + at_once]
            known = self.view.total([Table(table.axes, table.values[places]) for table in gaps.tables])
            for place, weight in zip(places, known, strict=True):
                _forget(amounts[gaps.places[place], None], weight <= 0)
        if not dish.never_empty:
            _forget(amounts, self.edible_g <= 0)
        return amounts

    @cached_property
    def valued_share(self) -> np.ndarray:
        """Components × variants: share of the raw edible weight that has a value, imputed ones included."""
        return self._share(self.dish.valued)

    @cached_property
    def known_share(self) -> np.ndarray:
        """Components × variants: the same for what the release published."""
        return self.valued_share if self.dish.known is self.dish.valued else self._share(self.dish.known)

    def _share(self, gaps: Gaps) -> np.ndarray:
        shape = (len(self.dish.layout.wanted), *self.allowed.shape)
        if self.dish.never_empty and not len(gaps.places):
            return np.broadcast_to(1.0, shape)
        share, edible = np.ones(shape), self.edible_g
        if len(gaps.places):
            share[gaps.places] = self.view.total(gaps.tables) / np.where(edible > 0, edible, np.nan)
        if not self.dish.never_empty:
            _forget(share, edible <= 0)  # no dish, so no share of it
        return share

    def refuse_dry(self) -> None:
        """Refuse a weighed dish that is lighter than its solids and fat, at the place where its weight is stated.

        Raises
        ------
        InputError
            Names the first such variant.
        """
        weighing = self.dish.weighing
        if weighing.per_soaked is None and not weighing.options:
            return
        dry = (self._water < -ROUNDING * self.cooked_g) & self.allowed & weighing.weighed(self.view)
        if not dry.any():
            return
        place = int(np.flatnonzero(dry)[0])
        grid, recipe = self.dish.grid, self.dish.grid.recipe
        codes = self.view.codes_at(place)
        variant = {choice: options[code] for (choice, options), code in zip(grid.choices.items(), codes, strict=True)}
        where: Place = ("cooked weight",)
        for choice, option in variant.items():
            if recipe.choices[choice][option].cooked_weight is not None:
                where = ("choices", choice, option, "cooked weight")
        grams = f"{float(self.cooked_g.ravel()[place]):.4g} g"
        problem = f"found a cooked weight of {grams} for '{grid.label(variant)}', less than its solids and fat weigh"
        raise recipe.source.error(where, problem)


def _forget(values: np.ndarray, where: np.ndarray) -> None:
    """Mark values, components × variants, as missing at some variants."""
    np.copyto(values, np.nan, where=where)


def sum_up(dish: Dish, view: View | None = None, dtype: npt.DTypeLike = float, scale: float = 1.0) -> Totals:
    """Sum a dish.

    Parameters
    ----------
    dish : Dish
    view : View, optional
        Which variants; all by default.
    dtype : dtype, optional
        Of the amounts, such as ``float32``.
    scale : float, optional
        What amounts are multiplied by, such as one over the servings.

    Returns
    -------
    Totals

    Raises
    ------
    InputError
        If a weighed dish leaves less than no water.

    Notes
    -----
    Whatever weight the dish loses or gains in cooking, but for alcohol and fat that leave, is taken as water
    (Greenfield & Southgate 2003, Food Composition Data, FAO, on dishes).
    """
    totals = Totals(dish, dish.everything if view is None else view, dtype, scale)
    totals.refuse_dry()
    return totals


def per_serving(grid: Grid, components: Sequence[str] = (), dtype: npt.DTypeLike = float) -> np.ndarray:
    """Give the amounts of all variants as one plain array, however many there are.

    Parameters
    ----------
    grid : Grid
    components : sequence of str, optional
        INFOODS tags; all by default.
    dtype : dtype, optional
        Such as ``float32``, for half the memory.

    Returns
    -------
    ndarray
        Components × the choices, per serving, in the unit of each; NaN where nothing is known. Options that do not go
        together are not marked: see :meth:`swaptable.amounts.variants.Grid.allowed_where`.
    """
    dish = dish_of(grid, tuple(components))
    return sum_up(dish, dtype=dtype, scale=1 / grid.recipe.servings).amounts


MOST_RULED = 2**22  # combinations of the choices that rules name


@dataclass(frozen=True, eq=False)
class Averages:
    """Means over a grid.

    Rules say what goes together, so all that counts is how often each combination of the choices that they name
    occurs; every other choice is averaged by itself.

    Attributes
    ----------
    grid : Grid
    """

    grid: Grid

    @property
    def possible(self) -> bool:
        """Whether the rules name so few choices that their combinations can be counted."""
        return prod(self.grid.sizes[axis] for axis in self.grid.ruled) <= MOST_RULED

    @cached_property
    def _allowed(self) -> np.ndarray:
        others = {axis: 0 for axis in range(len(self.grid.sizes)) if axis not in self.grid.ruled}
        return self.grid.allowed_where(others)

    def of(self, tables: Iterable[Table]) -> np.ndarray:
        """Give the mean of the sum of tables over all allowed variants, by component."""
        found: np.ndarray = sum(self._mean(table, self._allowed, self.grid.ruled) for table in tables)  # type: ignore[assignment]
        return found

    def effect(self, table: Table, axis: int, option: int) -> np.ndarray:
        """Give the mean difference of an option from the first one, where both are allowed, by component.

        Parameters
        ----------
        table : Table
        axis : int
            Place of the choice.
        option : int
            Place of the option.

        Returns
        -------
        ndarray
            NaN where the two are never allowed with the same other options.
        """
        if axis not in table.axes:
            return np.zeros(len(table.values))
        at = 1 + table.axes.index(axis)
        apart = Table(
            tuple(each for each in table.axes if each != axis),
            table.values.take(option, at) - table.values.take(0, at),
        )
        both, ruled = self._allowed, self.grid.ruled
        if axis in ruled:
            place = ruled.index(axis)
            both = both.take(option, place) & both.take(0, place)
            ruled = tuple(each for each in ruled if each != axis)
        return self._mean(apart, both, ruled)

    @staticmethod
    def _mean(table: Table, allowed: np.ndarray, ruled: tuple[int, ...]) -> np.ndarray:
        free = tuple(1 + place for place, axis in enumerate(table.axes) if axis not in ruled)
        values = table.values.mean(axis=free)
        counts = allowed.sum(axis=tuple(place for place, axis in enumerate(ruled) if axis not in table.axes))
        total = counts.sum()
        if not total:
            return np.full(len(values), np.nan)
        return np.asarray((values * counts).reshape(len(values), -1).sum(axis=1) / total)
