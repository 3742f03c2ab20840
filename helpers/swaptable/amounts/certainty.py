"""How sure amounts and differences are: standard errors from three kinds of independent source.

To first order an amount is linear in its sources: each food's value, each retention factor, each weighed amount.
The variance is the sum over sources of (what one standard deviation of the source changes)². In a difference
between two variants the changes are taken first, so that what both share cancels.

Two questions are kept apart: ``"mean"``, how well the recipe's true mean is known; and ``"plate"``, how much one
plate will vary around what is computed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr

from swaptable.amounts.composition import component_table
from swaptable.amounts.engine import spread
from swaptable.amounts.line_arrays import line_arrays_of, source_tables, squares
from swaptable.amounts.nutrients import Amounts, line_values
from swaptable.amounts.sources import QUESTIONS, Source, error_changes, independent_sources
from swaptable.amounts.totals import Averages
from swaptable.amounts.variants import Grid
from swaptable.foods.imputation import FilledRelease
from swaptable.foods.reference import Z
from swaptable.foods.values import data_quality, value_errors

__all__ = [
    "QUESTIONS",
    "Certainty",
    "Source",
    "certainty_of",
    "effect_errors",
    "evidence_shares",
    "independent_sources",
    "index_certainty",
    "mean_effect_errors",
    "mean_errors",
    "slopes_of",
    "with_certainty",
]

IN_PROPORTION = ("batch", "serving")  # bases on which an amount is that of the batch times a number
STEP = 1e-4  # relative, for slopes


@dataclass(frozen=True, eq=False)
class Certainty:
    """Standard errors beside amounts.

    Attributes
    ----------
    amount, error : DataArray
        Over the choices (and ``component``): the amount and its standard error, in its unit.
    difference, difference_error : DataArray
        The same for the difference from the recipe as written.
    """

    amount: xr.DataArray
    error: xr.DataArray
    difference: xr.DataArray
    difference_error: xr.DataArray

    def interval(self) -> tuple[xr.DataArray, xr.DataArray]:
        """Give the 90 % interval of the amount; never below 0."""
        half = Z[0.90] * self.error
        return (self.amount - half).clip(min=0), self.amount + half

    def difference_interval(self) -> tuple[xr.DataArray, xr.DataArray]:
        """Give the 90 % interval of the difference from the recipe as written."""
        half = Z[0.90] * self.difference_error
        return self.difference - half, self.difference + half

    def is_real(self) -> xr.DataArray:
        """Tell where the interval of the difference leaves 0 out."""
        low, high = self.difference_interval()
        return (low > 0) | (high < 0)


def _on_grid(values: xr.Variable, grid: Grid, components: Sequence[str] = ()) -> xr.DataArray:
    """Spread values over the whole grid, where they are allowed."""
    labels = {choice: list(options) for choice, options in grid.choices.items()} | {"component": list(components)}
    named = xr.DataArray(values, coords={dim: labels[str(dim)] for dim in values.dims})
    return named.broadcast_like(grid.allowed).transpose(*grid.choices, ...).where(grid.allowed)


def evidence_shares(amounts: Amounts, components: Sequence[str]) -> pd.DataFrame:
    """Say what share of each amount, as written, rests on measured, calculated, label or assumed values.

    Parameters
    ----------
    amounts : Amounts
    components : sequence of str
        INFOODS tags of the release.

    Returns
    -------
    DataFrame
        By component: a column for each label of :data:`swaptable.foods.values.EVIDENCE_LABELS` that occurs, and
        ``filled in`` for imputed gaps; shares [-].
    """
    grid = amounts.grid
    release = grid.release
    lines = [line for name in grid.lines if (line := grid.line(name, grid.as_written)) is not None]
    places = [release.foods.index.get_loc(line.food.code) for line in lines]
    known = [component for component in components if component in release.components.index]
    columns = release.components.index.get_indexer(known)
    values = np.array([line_values(line, release)[known].to_numpy(dtype=float) * line.edible_g for line in lines])
    evidence = value_errors(release.published).evidence[np.ix_(places, columns)]
    filled = np.zeros_like(evidence, dtype=bool)
    if isinstance(release, FilledRelease):
        filled = release.imputation.method[np.ix_(places, columns)] > 0
    shares = data_quality(np.where(filled, 0, values), evidence).set_axis(known)
    total = np.nansum(values, axis=0)
    share_filled = np.nansum(np.where(filled, values, 0), axis=0) / np.where(total > 0, total, np.nan)
    shares = shares.mul(1 - share_filled, axis="index").assign(**{"filled in": share_filled})
    return shares.loc[:, (shares > 0).any()]


def _places(amounts: Amounts) -> dict[str, int]:
    return {str(tag): place for place, tag in enumerate(amounts.data["component"].to_numpy())}


def _components(amounts: Amounts) -> tuple[str, ...]:
    """Name the components of amounts as the sources are asked for them: none where it is all of them."""
    found = tuple(_places(amounts))
    return () if found == tuple(component_table(amounts.grid.release)["component"]) else found


Parts = list[xr.Variable]


def _accumulate(
    amounts: Amounts, question: str, change_of: Callable[[Source], Parts]
) -> tuple[xr.DataArray, xr.DataArray]:
    """Sum the squares of what the sources change, and of what they change in the difference from as written."""
    grid = amounts.grid
    variance: dict[frozenset[object], xr.Variable] = {}
    difference: dict[frozenset[object], xr.Variable] = {}
    for source in independent_sources(grid, question, _components(amounts)):
        for change in change_of(source):
            # squares are summed over a source's own choices first: the whole grid is touched once for each set
            dims = frozenset(change.dims)
            apart = (change - change.isel({choice: 0 for choice in grid.choices if choice in dims})) ** 2
            variance[dims] = variance[dims] + change**2 if dims in variance else change**2
            difference[dims] = difference[dims] + apart if dims in difference else apart
    components = list(amounts.data["component"].to_numpy())
    totals = [sum(list(found.values())[1:], next(iter(found.values()))) for found in (variance, difference)]
    spread = [_on_grid(total, grid, components) for total in totals]
    return spread[0], spread[1]


def _in_proportion(amounts: Amounts, question: str, basis: str) -> tuple[xr.DataArray, xr.DataArray]:
    """Sum the squares where amounts are those of the batch but for a number."""
    grid, components = amounts.grid, _components(amounts)
    positions = line_arrays_of(grid, components).positions
    per = amounts.recipe.servings if basis == "serving" else 1.0
    sizes = dict(enumerate(grid.sizes))
    like, allowed = amounts.data["per_batch"], grid.allowed.to_numpy()
    found = []
    for tables in squares(error_changes(grid, question, components), positions):
        total = spread(tables, sizes) / per**2
        total[:, ~allowed] = np.nan
        found.append(like.copy(data=np.moveaxis(total, 0, -1)))
    return found[0], found[1]


def certainty_of(amounts: Amounts, basis: str = "serving", question: str = QUESTIONS[0]) -> Certainty:
    """Find how sure every amount and difference is.

    Parameters
    ----------
    amounts : Amounts
    basis : str, optional
        As for :meth:`swaptable.amounts.nutrients.Amounts.per`.
    question : str, optional
        ``"mean"``: how well the mean is known; ``"plate"``: how much one plate will vary.

    Returns
    -------
    Certainty
        In the unit of each component.

    Notes
    -----
    Per 100 kcal the energy's own errors count as well; per 100 g that of the weight as eaten: of the scale, or of
    each yield. What an ingredient without a value may hold is not in the error: see the known share.
    """
    per = amounts.per(basis)
    amount, cooked_g = per.variable, amounts.data["cooked_g"].variable
    energy = amounts.data["per_batch"].sel(component="ENERC_KCAL", drop=True).variable
    energy_at = _places(amounts)["ENERC_KCAL"]

    def by_weight(source: Source) -> Parts:
        estimated = amounts.recipe.cooked_weight is None  # a weighed dish stays what it is
        of_weight = amount * source.cooked_g if source.whole and estimated else 0.0
        return [(source.change * 100 - of_weight) / cooked_g]

    def by_energy(source: Source) -> Parts:
        of_energy = amount * source.change.isel(component=energy_at) / energy
        of_amount = source.change * 100 / energy
        return [of_amount - of_energy] if source.whole else [of_amount, -of_energy]

    if basis in IN_PROPORTION:
        variance, difference = _in_proportion(amounts, question, basis)
    else:  # a basis that is not here is an error, not one of these
        change_of = {"100 g": by_weight, "100 kcal": by_energy}[basis]
        variance, difference = _accumulate(amounts, question, change_of)
    written = per.sel(amounts.grid.as_written, drop=True)
    if basis == "100 g":
        dish = amounts.data["cooked_sd_g"] / amounts.data["cooked_g"]
        variance = variance + (per * dish) ** 2
        if amounts.recipe.cooked_weight is not None:  # one scale for all
            difference = difference + ((per - written) * dish) ** 2
        else:
            difference = difference + (per * dish) ** 2 + (written * dish.sel(amounts.grid.as_written, drop=True)) ** 2
    if basis == "100 g":
        same = xr.zeros_like(amounts.data["allowed"])
        same.loc[amounts.grid.as_written] = True
        difference = difference.where(~same, 0.0)
    if basis == "100 kcal":
        exact = per["component"] == "ENERC_KCAL"
        variance, difference = variance.where(~exact, 0.0), difference.where(~exact, 0.0)
    known = per.notnull()
    return Certainty(per, (variance**0.5).where(known), per - written, (difference**0.5).where(known))


def effect_errors(amounts: Amounts, component: str, basis: str = "serving") -> dict[tuple[str, str], float]:
    """Find how sure the mean effect of each option is.

    Parameters
    ----------
    amounts : Amounts
    component : str
        INFOODS tag.
    basis : str, optional
        ``"batch"`` or ``"serving"``; on another the error is not worked out.

    Returns
    -------
    dict
        (choice, option) → standard error of the effect, in the unit of the component; NaN where not worked out.
    """
    grid = amounts.grid
    scale = 1 / amounts.recipe.servings if basis == "serving" else 1.0
    errors = scale * mean_effect_errors(grid, (component,))[:, 0]
    changed = [(choice, option) for choice, options in grid.choices.items() for option in options[1:]]
    return {key: float(error) if basis in IN_PROPORTION else np.nan for key, error in zip(changed, errors, strict=True)}


def mean_effect_errors(grid: Grid, components: tuple[str, ...]) -> np.ndarray:
    """Give the standard error of every mean effect in the batch.

    Parameters
    ----------
    grid : Grid
    components : tuple of str
        INFOODS tags.

    Returns
    -------
    ndarray
        Options other than the first of each choice, in order, × components, in the unit of each. However large the
        grid is, only the tables of the sources are gone through; NaN where rules name too many choices for that.
    """
    averages, positions = Averages(grid), line_arrays_of(grid, components).positions
    changed = [(axis, option) for axis, size in enumerate(grid.sizes) for option in range(1, size)]
    squared = np.zeros((len(changed), len(components)))
    if not averages.possible:
        return np.full_like(squared, np.nan)
    for changes in error_changes(grid, QUESTIONS[0], components):
        for _, tables in source_tables(changes, positions):
            for row, (axis, option) in enumerate(changed):
                effect = sum(averages.effect(table, axis, option) for table in tables if axis in table.axes)
                squared[row] += np.nan_to_num(effect)[:-1] ** 2 if np.ndim(effect) else 0.0
    return np.sqrt(squared)


def mean_errors(grid: Grid, components: tuple[str, ...]) -> np.ndarray:
    """Give the standard error of the mean over all variants in the batch.

    Parameters
    ----------
    grid : Grid
    components : tuple of str
        INFOODS tags.

    Returns
    -------
    ndarray
        By component, in the unit of each; NaN where rules name too many choices for that.
    """
    averages, positions = Averages(grid), line_arrays_of(grid, components).positions
    if not averages.possible:
        return np.full(len(components), np.nan)
    squared = np.zeros(len(components))
    for changes in error_changes(grid, QUESTIONS[0], components):
        for _, tables in source_tables(changes, positions):
            squared += averages.of(tables)[:-1] ** 2
    return np.sqrt(squared)


def index_certainty(amounts: Amounts, index: Callable[[Amounts], xr.DataArray], components: Sequence[str]) -> Certainty:
    """Find how sure the mean of an index over the amounts is, by its slope in each component.

    Parameters
    ----------
    amounts : Amounts
    index : callable
        Amounts → DataArray over the choices, such as :func:`swaptable.judging.density.nutrient_rich_foods_index`.
    components : sequence of str
        Every component that the index depends on, energy included.

    Returns
    -------
    Certainty
        In the unit of the index.
    """
    amounts.places(components)
    lean = replace(amounts, data=amounts.data.sel(component=list(components)))  # it is asked again for every slope
    value, places = index(lean), _places(amounts)
    slopes = {places[tag]: slope.variable for tag, slope in slopes_of(lean, index, value).items()}

    def change_of(source: Source) -> Parts:
        moved = [slope * source.change.isel(component=place) for place, slope in slopes.items()]
        return [sum(moved[1:], moved[0])] if source.whole else moved

    variance, difference = _accumulate(amounts, QUESTIONS[0], change_of)
    written = value.sel(amounts.grid.as_written, drop=True)
    known = value.notnull()
    return Certainty(value, (variance**0.5).where(known), value - written, (difference**0.5).where(known))


def slopes_of(
    amounts: Amounts, index: Callable[[Amounts], xr.DataArray], value: xr.DataArray
) -> dict[str, xr.DataArray]:
    """Find what one unit more of each component in the batch does to an index, by small steps.

    Parameters
    ----------
    amounts : Amounts
        Of those that the index depends on, no others.
    index, value : callable, DataArray
        The index, asked once with one dimension more: which component is moved; and what it is.

    Returns
    -------
    dict of DataArray
        Component → slope; 0 where there is none of it, or no index.
    """
    batch = amounts.data["per_batch"]
    tags = [str(tag) for tag in batch["component"].to_numpy()]
    steps = xr.DataArray(1 + STEP * np.eye(len(tags)), dims=("moved", "component"))
    changes = index(replace(amounts, data=amounts.data.assign(per_batch=batch * steps))) - value
    found = {}
    for place, tag in enumerate(tags):
        here = batch.isel(component=place, drop=True)
        found[tag] = (changes.isel(moved=place) / (here * STEP)).where(here > 0, 0.0).fillna(0.0)
    return found


def with_certainty(table: pd.DataFrame, amounts: Amounts) -> pd.DataFrame:
    """Put standard errors and intervals beside the amounts of a tidy table.

    Parameters
    ----------
    table : DataFrame
        From :func:`swaptable.amounts.nutrients.amounts_table`.
    amounts : Amounts

    Returns
    -------
    DataFrame
        The table with ``standard_error`` and ``low_90``, ``high_90`` of the mean, and ``plate_sd``, all in ``unit``.
    """
    grid, parts = amounts.grid, []
    for basis, rows in table.groupby("basis", sort=False):
        mean, plate = (certainty_of(amounts, str(basis).removeprefix("per "), question) for question in QUESTIONS)
        low, high = mean.interval()
        codes = np.zeros(len(rows), dtype=int)
        for choice, options in grid.choices.items():
            codes = codes * len(options) + pd.Index(options).get_indexer(rows[choice])
        place, components = pd.factorize(rows["component"])
        at = (codes, amounts.places(list(components))[place])
        columns = {"standard_error": mean.error, "low_90": low, "high_90": high, "plate_sd": plate.error}
        parts.append(rows.assign(**{name: _rows(of, grid)[at] for name, of in columns.items()}))
    return pd.concat(parts, ignore_index=True)


def _rows(values: xr.DataArray, grid: Grid) -> np.ndarray:
    """View something over the choices and ``component`` as all combinations × components."""
    return values.transpose(*grid.choices, "component").to_numpy().reshape(grid.combinations, -1)
