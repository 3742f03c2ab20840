"""What variants are compared by: an amount on a basis, nutrient density or cost, and what is not known of each.

To first order a value is linear in its independent sources of error. A yardstick measured on a recipe keeps, for every
variant, what one standard deviation of each source changes. From that follow the standard errors of values, of
differences and of means of differences, and draws in which all that variants and yardsticks share moves together.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from swaptable.amounts.certainty import QUESTIONS, independent_sources, slopes_of
from swaptable.amounts.cost import Price
from swaptable.amounts.nutrients import BASES, Amounts, component_table, line_values
from swaptable.amounts.variants import Grid, Line
from swaptable.basics.errors import SwaptableError
from swaptable.foods.reference import component_label, component_named
from swaptable.judging.density import index_components, nutrient_rich_foods_index
from swaptable.judging.targets import MAXIMA, Aims

__all__ = [
    "COST",
    "DENSITY",
    "Measured",
    "Yardstick",
    "drawn",
    "line_amounts",
    "measure",
    "with_cost",
    "yardstick_named",
]

DENSITY, COST = "nutrient density", "cost"
SERVING = "serving"
ENERGY = "ENERC_KCAL"
DIRECTIONS = {"least": False, "lowest": False, "most": True, "highest": True}
DRAWS_AT_ONCE = 500
CANCELS = 1e-12  # of two variances: a smaller difference is floating point's
_WHOLE, _DISH = 0, 0  # in the key of a source: all components together; the scale that weighed the dish

Key = tuple[int, int]


@dataclass(frozen=True)
class Yardstick:
    """One thing that variants are compared by.

    Attributes
    ----------
    tag : str
        INFOODS tag, or :data:`DENSITY` or :data:`COST`.
    basis : str
        One of :data:`swaptable.amounts.nutrients.BASES`; of density always ``"100 kcal"``.
    unit : str
    more : bool
        Whether more of it is better.
    """

    tag: str
    basis: str
    unit: str
    more: bool

    @property
    def name(self) -> str:
        """Name it as a chart does."""
        return {DENSITY: "Nutrient density", COST: "Cost"}.get(self.tag) or component_label(self.tag)

    @property
    def label(self) -> str:
        """Name it with unit and basis."""
        index = "index 9.3, " if self.tag == DENSITY else ""
        return f"{self.name} [{index}{self.unit} per {self.basis}]"

    @property
    def column(self) -> str:
        """Name it as a column: full words, unit last, then basis."""
        return "_".join(f"{self.name.lower()} {self.unit} per {self.basis}".split())

    @property
    def components(self) -> list[str]:
        """Name every component that it depends on."""
        if self.tag == DENSITY:
            return index_components()
        return list(dict.fromkeys([self.tag, ENERGY] if self.basis == "100 kcal" else [self.tag]))

    def values(self, amounts: Amounts) -> xr.DataArray:
        """Give its value over the dimensions of the amounts, in ``unit``."""
        if self.tag == DENSITY:
            return nutrient_rich_foods_index(amounts)
        return amounts.per(self.basis).sel(component=self.tag, drop=True)

    def whole(self, amounts: Amounts) -> xr.DataArray:
        """Tell where nothing is missing from it; elsewhere the value is a lower bound."""
        return amounts.is_whole(self.components)


def yardstick_named(
    words: str, amounts: Amounts, basis: str = SERVING, aims: Aims | None = None, more: bool | None = None
) -> Yardstick:
    """Find a yardstick by its words.

    Parameters
    ----------
    words : str
        ``"nutrient density"``, ``"cost"``, or a component by name or tag; ``least`` or ``most`` may stand before it.
    amounts : Amounts
        With cost, where prices are known.
    basis : str, optional
        Of a component or of cost.
    aims : Aims, optional
        Whose components to raise and to keep down say which way is better.
    more : bool, optional
        Which way is better, where that is known.

    Returns
    -------
    Yardstick

    Raises
    ------
    SwaptableError
        If it is not known, there are no prices, or nobody can tell which way is better.
    """
    first, _, rest = words.strip().partition(" ")
    if first.lower() in DIRECTIONS and rest:
        words, more = rest, DIRECTIONS[first.lower()]
    words = " ".join(words.split())
    if basis not in BASES:
        raise SwaptableError(f"found basis '{basis}'; expected one of {', '.join(BASES)}")
    if words.lower() == DENSITY:
        return Yardstick(DENSITY, "100 kcal", "points", True if more is None else more)
    known, units = [str(tag) for tag in amounts.units().index if tag != COST], amounts.units()
    if words.lower() == COST:
        if COST not in units.index:
            raise SwaptableError("found 'cost' without prices; name a price file, such as prices")
        return Yardstick(COST, basis, str(units[COST]), bool(more))
    try:
        tag = component_named(words, known)
    except SwaptableError as error:
        raise SwaptableError(f"{error}; or {DENSITY}, or {COST}") from None
    if more is None:
        raised = aims is not None and tag in aims.raised
        if not raised and tag not in MAXIMA and (aims is None or tag not in aims.kept_down):
            raise SwaptableError(
                f"found '{words}', which the audience neither raises nor keeps down; say least or most"
            )
        more = raised
    return Yardstick(tag, basis, str(units[tag]), more)


def line_amounts(
    amounts: Amounts, tags: Sequence[str], prices: Mapping[str, Price] | None = None
) -> dict[str, xr.DataArray]:
    """Give what each ingredient brings to the batch, over its own choices only.

    Parameters
    ----------
    amounts : Amounts
    tags : sequence of str
        INFOODS tags, and :data:`COST` where there are prices.
    prices : mapping of Price, optional
        By food code.

    Returns
    -------
    dict of DataArray
        Ingredient → own choices × ``component``; NaN without a value or price, 0 where it is not in the dish.
    """
    grid = amounts.grid
    found = {}
    for name, lines in grid.lines.items():
        coords = {choice: list(grid.choices[choice]) for choice in grid.own_choices(name)} | {"component": list(tags)}
        table = np.zeros([len(labels) for labels in coords.values()])
        for options, line in lines.items():
            at = tuple(coords[choice].index(option) for choice, option in options)
            table[at] = amounts_of(line, amounts, tags, prices)
        found[name] = xr.DataArray(table, coords=coords, dims=list(coords))
    return found


def amounts_of(line: Line, amounts: Amounts, tags: Sequence[str], prices: Mapping[str, Price] | None) -> np.ndarray:
    """Give what one line brings to the batch, in the order of the tags."""
    release = amounts.grid.release
    price = (prices or {}).get(release.full_code(line.food.code))
    cost = np.nan if price is None else line.purchased_g * price.per_gram
    values = line_values(line, release)
    return np.array([cost if tag == COST else values[tag] * line.edible_g / 100 for tag in tags])


def with_cost(amounts: Amounts, prices: Mapping[str, Price]) -> Amounts:
    """Put cost beside the components, so that it is compared like any of them.

    Parameters
    ----------
    amounts : Amounts
    prices : mapping of Price
        By food code; one currency.

    Returns
    -------
    Amounts
        With the component :data:`COST`, in the currency; NaN where a price or the refuse is not known.

    Notes
    -----
    Prices are taken as exact, and so is the weight bought: cost has no standard error.
    """
    grid, data = amounts.grid, amounts.data
    parts = list(line_amounts(amounts, [COST], prices).values())
    total = sum(parts[1:], parts[0]).sel(component=COST, drop=True)
    total = total.broadcast_like(grid.allowed).transpose(*grid.choices).where(grid.allowed)
    known = total.notnull().astype(float).where(grid.allowed)
    new = {"per_batch": total, "known_share": known, "valued_share": known}
    joined = {
        str(name): xr.concat(
            [values, new[str(name)].expand_dims(component=[COST], axis=-1)], "component", coords="minimal"
        )
        if name in new
        else values
        for name, values in data.drop_vars(["unit", "name"]).data_vars.items()
    }
    currency = next((price.currency for price in prices.values()), "")
    table = xr.Dataset(joined)
    units, names = [*data["unit"].to_numpy(), currency], [*data["name"].to_numpy(), "Cost"]
    return replace(amounts, data=table.assign_coords(unit=("component", units), name=("component", names)))


@dataclass(frozen=True, eq=False)
class Measured:
    """A yardstick measured on every allowed variant, in the order of the grid.

    Attributes
    ----------
    yardstick : Yardstick
    value : ndarray
        In its unit; NaN where not known.
    whole : ndarray of bool
        False where something is missing: a lower bound.
    changes : ndarray
        Variants × sources: what one standard deviation of each independent source changes.
    keys : tuple
        Which source each column is; the same key is the same source for every yardstick of a recipe.
    own : ndarray
        Standard error of each variant that it shares with no other: of an estimated weight as eaten.
    """

    yardstick: Yardstick
    value: np.ndarray
    whole: np.ndarray
    changes: np.ndarray
    keys: tuple[Key, ...]
    own: np.ndarray

    @cached_property
    def error(self) -> np.ndarray:
        """Standard error of each value."""
        error: np.ndarray = np.sqrt((self.changes**2).sum(axis=1) + self.own**2)
        return np.where(np.isnan(self.value), np.nan, error)

    @property
    def gain(self) -> np.ndarray:
        """Value, turned so that more is better; NaN where a gap could make it look better than it is."""
        known = np.where(self.whole | self.yardstick.more, self.value, np.nan)
        return known if self.yardstick.more else -known

    def contrast_errors(self, weights: np.ndarray) -> np.ndarray:
        """Give the standard errors of weighted sums of the variants, one for each row of weights."""
        error: np.ndarray = np.sqrt(((weights @ self.changes) ** 2).sum(axis=1) + weights**2 @ self.own**2)
        return error

    def difference_errors(self, places: npt.ArrayLike) -> np.ndarray:
        """Give the standard error of every variant's difference from some of them; what they share cancels."""
        those = np.asarray(places)
        both = (self.error**2)[:, None] + (self.error[those] ** 2)[None, :]
        square = both - 2 * self.changes @ self.changes[those].T
        square[those, np.arange(len(those))] = 0.0
        error: np.ndarray = np.sqrt(np.where(square > CANCELS * both, square, 0.0))
        return np.where(np.isnan(both), np.nan, error)


def _slopes(
    yardstick: Yardstick, amounts: Amounts, value: xr.DataArray
) -> tuple[dict[str, xr.DataArray], xr.DataArray]:
    """Say what one unit more of each component in the batch, and one gram more of dish, do to the value."""
    one, none = xr.ones_like(value), xr.zeros_like(value)
    if yardstick.tag == COST:
        return {}, none
    if yardstick.tag == DENSITY:
        return slopes_of(amounts, yardstick.values, value), none
    if yardstick.basis == "100 g":
        cooked = amounts.data["cooked_g"]
        estimated = amounts.recipe.cooked_weight is None  # a weighed dish stays what it is
        return {yardstick.tag: 100 / cooked}, -value / cooked if estimated else none
    if yardstick.basis == "100 kcal":
        energy = amounts.data["per_batch"].sel(component=ENERGY, drop=True)
        if yardstick.tag == ENERGY:
            return {}, none
        return {yardstick.tag: 100 / energy, ENERGY: -value / energy}, none
    per = {SERVING: amounts.recipe.servings, "batch": 1.0}[yardstick.basis]
    return {yardstick.tag: one / per}, none


def measure(yardstick: Yardstick, amounts: Amounts) -> Measured:
    """Measure a yardstick on every allowed variant.

    Parameters
    ----------
    yardstick : Yardstick
    amounts : Amounts
        With cost, where that is the yardstick.

    Returns
    -------
    Measured
        Whose errors are of the mean, as those of :func:`swaptable.amounts.certainty.certainty_of` and
        :func:`swaptable.amounts.certainty.index_certainty`.
    """
    grid = amounts.grid
    lean = replace(amounts, data=amounts.data.sel(component=yardstick.components))
    value = yardstick.values(lean)
    slopes, of_weight = _slopes(yardstick, lean, value)
    order = list(component_table(grid.release)["component"])
    places = [order.index(tag) for tag in slopes]
    slope = xr.concat(list(slopes.values()) or [value], "component").variable
    columns: list[np.ndarray] = []
    keys: list[Key] = []

    def keep(number: int, changes: Any, of: Sequence[int]) -> None:
        for column, place in zip(_listed(changes, grid).T, of, strict=True):
            if column.any():
                columns.append(column)
                keys.append((number, place))

    for number, source in enumerate(independent_sources(grid, QUESTIONS[0]) if slopes else (), start=1):
        moved = source.change.isel(component=places) * slope
        if source.whole:
            together = moved.sum("component") + of_weight.variable * source.cooked_g
            keep(number, together.expand_dims("component"), [_WHOLE])
        else:
            keep(number, moved, [place + 1 for place in places])
    own = np.zeros(len(grid.labels))
    if yardstick.basis == "100 g" and slopes:
        of_dish = value * amounts.data["cooked_sd_g"] / amounts.data["cooked_g"]
        if amounts.recipe.cooked_weight is None:
            own = np.nan_to_num(grid.listed(of_dish))
        else:  # one scale for all
            keep(_DISH, of_dish.variable.expand_dims("component"), [_WHOLE])
    changes = np.column_stack(columns) if columns else np.zeros((len(own), 0))
    whole = grid.listed(yardstick.whole(lean)) == 1
    return Measured(yardstick, grid.listed(value), whole, changes, tuple(keys), own)


def _listed(changes: xr.Variable, grid: Grid) -> np.ndarray:
    """List changes of allowed variants × components; none where the value is not known."""
    sizes = {choice: len(options) for choice, options in grid.choices.items()}
    full = changes.set_dims({**sizes, "component": changes.sizes["component"]})
    rows = full.transpose(*sizes, "component").to_numpy().reshape(-1, changes.sizes["component"])
    listed: np.ndarray = np.nan_to_num(rows[np.asarray(grid.allowed.transpose(*sizes), dtype=bool).ravel()])
    return listed


def drawn(measured: Sequence[Measured], draws: int, seed: int) -> Iterator[list[np.ndarray]]:
    """Draw every independent source anew, again and again.

    Parameters
    ----------
    measured : sequence of Measured
        Of one recipe.
    draws : int
        How often.
    seed : int
        The same seed draws the same.

    Yields
    ------
    list of ndarray
        Variants × some of the draws, for each yardstick. A source that variants or yardsticks share is drawn once.
    """
    keys = sorted({key for one in measured for key in one.keys})
    place_of = {key: place for place, key in enumerate(keys)}
    shared, apart = np.random.default_rng([seed, 0]), np.random.default_rng([seed, 1])
    columns = [[place_of[key] for key in one.keys] for one in measured]
    for start in range(0, draws, DRAWS_AT_ONCE):
        count = min(DRAWS_AT_ONCE, draws - start)
        sources = shared.standard_normal((len(keys), count))
        weights = apart.standard_normal((len(measured[0].value), count))  # as eaten, each variant's own
        yield [
            one.value[:, None] + one.changes @ sources[own] + one.own[:, None] * weights
            for one, own in zip(measured, columns, strict=True)
        ]
