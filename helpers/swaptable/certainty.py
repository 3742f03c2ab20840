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
from functools import lru_cache

import numpy as np
import pandas as pd
import xarray as xr

from swaptable.errors import SwaptableError
from swaptable.food_values import data_quality, value_errors
from swaptable.foods import FoodRelease
from swaptable.imputation import FilledRelease
from swaptable.nutrients import DERIVED_FROM, Amounts, component_table, line_values
from swaptable.reference import Z, kitchen_errors, retention_errors, uptake_error
from swaptable.variants import Grid, Line

__all__ = [
    "QUESTIONS",
    "Certainty",
    "Source",
    "certainty_of",
    "effect_errors",
    "evidence_shares",
    "independent_sources",
    "index_certainty",
    "slope_of",
    "with_certainty",
]

QUESTIONS = ("mean", "plate")
WHOLE, COOKED = "weight", "cooked weight"
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

    def interval(self, level: float = 0.90) -> tuple[xr.DataArray, xr.DataArray]:
        """Give the interval of the amount at 0.80, 0.90 or 0.95; never below 0."""
        half = Z[level] * self.error
        return (self.amount - half).clip(min=0), self.amount + half

    def difference_interval(self, level: float = 0.90) -> tuple[xr.DataArray, xr.DataArray]:
        """Give the interval of the difference from the recipe as written."""
        half = Z[level] * self.difference_error
        return self.difference - half, self.difference + half

    def is_real(self, level: float = 0.90) -> xr.DataArray:
        """Tell where the interval of the difference leaves 0 out."""
        low, high = self.difference_interval(level)
        return (low > 0) | (high < 0)


@dataclass(frozen=True, eq=False)
class Source:
    """What one standard deviation of one independent source changes in the batch.

    ``whole`` sources move all components together (a weight); others move each component by itself.
    """

    change: xr.Variable  # own choices × component, in the unit of each
    whole: bool
    cooked_g: xr.Variable  # own choices: what it changes in the estimated weight as eaten


@lru_cache(maxsize=2)
def _food_errors(release: FoodRelease) -> tuple[np.ndarray, np.ndarray]:
    """Give standard error and spread per 100 g raw, foods × components of a computed recipe."""
    errors = value_errors(release.published)
    if isinstance(release, FilledRelease):
        filled = release.imputation
        errors = replace(
            errors,
            standard_error=np.where(filled.method > 0, filled.spread, errors.standard_error),
            spread=np.where(filled.method > 0, filled.spread, errors.spread),
        )
    position = {component: number for number, component in enumerate(release.components.index)}
    found = []
    for known in (errors.standard_error, errors.spread):
        derived = [
            np.sqrt(sum((known[:, position[part]] * per) ** 2 for part, per in parts.items()))
            for whole, parts in DERIVED_FROM.items()
            if whole not in position
        ]
        found.append(np.column_stack([known, *derived]))
    return found[0], found[1]


def _retention_error(line: Line, grid: Grid, components: list[str], kept: np.ndarray, question: str) -> np.ndarray:
    """Relative error of what cooking leaves of each component [-]; 0 for what was not cooked."""
    cooking = line.cooking
    if not cooking.process:
        return np.zeros(len(components))
    known = cooking.factor_for(pd.Index(components))
    unpublished = kitchen_errors()["no published factor"]
    relative = np.full(len(components), unpublished if cooking.rows else 0.0)
    if not cooking.rows:
        return relative
    mean, food = retention_errors(grid.factors)
    rows = [row for row in cooking.rows if row in mean.index]
    if not rows:  # a row that was not fitted yet: as without a published factor
        return relative
    squares = mean.loc[rows].to_numpy() ** 2 + (food.loc[rows].to_numpy() ** 2 if question == "plate" else 0)
    by_tag = pd.Series(np.sqrt(squares.mean(axis=0)), index=mean.columns)
    names = ["VITA_RAE" if component == "RETOL" else component for component in components]
    published = by_tag.reindex(names).to_numpy()
    relative = np.where(np.isnan(known) | np.isnan(published), relative, published)
    position = {component: number for number, component in enumerate(components)}
    for whole, parts in DERIVED_FROM.items():
        at = [position[part] for part in parts]
        pieces = kept[at] * np.array(list(parts.values()))
        total = pieces.sum()
        if total > 0:
            relative[position[whole]] = np.sqrt(((pieces * relative[at]) ** 2).sum()) / total
    for energy in ("ENERC_KCAL", "ENERC_KJ", "WATER"):
        relative[position[energy]] = 0.0  # a balance: what leaves of them is counted by weight
    return relative


def _weight_changes(name: str, line: Line, values: np.ndarray) -> list[tuple[tuple[str, ...], np.ndarray]]:
    """Give what the measuring of an ingredient changes: the same food of the same ingredient is measured alike."""
    errors = kitchen_errors()
    weighing, *trimming = line.ways
    brought = np.append(values, line.edible_g * line.cooking.yield_factor)
    changes = [((WHOLE, name, line.food.code), brought * errors[weighing])]
    return changes + [((WHOLE, name, line.food.code, f"{line.refuse}"), brought * errors[way]) for way in trimming]


def _without_uptake(line: Line, values: np.ndarray, components: list[str]) -> tuple[np.ndarray, np.ndarray]:
    """Take out the sodium that came from the cooking water, and give what its published scatter changes."""
    own, uptake = values.copy(), np.zeros_like(values)
    if line.cooking.sodium_taken_up:
        taken = line.cooking.sodium_taken_up * line.edible_g / 100
        for component, per in (("NA", 1.0), ("NACL_EQ", DERIVED_FROM["NACL_EQ"]["NA"])):
            at = components.index(component)
            own[at] -= taken * per
            uptake[at] = taken * per * uptake_error(line.cooking.food_class, "NA")
    return own, uptake


@lru_cache(maxsize=4)
def independent_sources(grid: Grid, question: str) -> tuple[Source, ...]:
    """Give every independent source; lines that share a food or a retention row share its error."""
    components = list(component_table(grid.release)["component"])
    errors = _food_errors(grid.release)[QUESTIONS.index(question)]
    together: dict[tuple[str, ...], list[xr.Variable]] = {}
    for name, lines in grid.lines.items():
        own = grid.own_choices(name)
        coords = {choice: list(grid.choices[choice]) for choice in own} | {"component": [*components, COOKED]}
        shape = [len(options) for options in coords.values()]
        dims = list(coords)
        tables: dict[tuple[str, ...], np.ndarray] = {}
        for options, line in lines.items():
            at = tuple(coords[choice].index(option) for choice, option in options)
            values = np.nan_to_num(line_values(line, grid.release).to_numpy(dtype=float)) * line.edible_g / 100
            raw = np.nan_to_num(grid.release.matrix[grid.release.foods.index.get_loc(line.food.code)])
            error = np.nan_to_num(errors[grid.release.foods.index.get_loc(line.food.code)]) * line.edible_g / 100
            food_own, uptake = _without_uptake(line, values, components)
            share = np.divide(food_own[: len(raw)], raw * line.edible_g / 100, out=np.ones(len(raw)), where=raw > 0)
            share = np.concatenate([share, np.ones(len(values) - len(raw))])
            relative = _retention_error(line, grid, components, food_own, question)
            rows = (*line.cooking.rows, line.food.code if question == "plate" else "")
            for key, change in (
                (("value", line.food.code), np.append(error * share, 0.0)),
                (("retention", *rows), np.append(food_own * relative, 0.0)),
                (("uptake", line.cooking.food_class), np.append(uptake, 0.0)),
                *_weight_changes(name, line, values),
            ):
                tables.setdefault(key, np.zeros(shape))[at] += change
        for key, table in tables.items():
            together.setdefault(key, []).append(xr.Variable(dims, table))
    sources = []
    for key, parts in together.items():
        summed: xr.Variable = sum(parts[1:], parts[0])
        sources.append(Source(summed.isel(component=slice(-1)), key[0] == WHOLE, summed.isel(component=-1)))
    return tuple(sources)


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
        By component: a column for each label of :data:`swaptable.food_values.EVIDENCE_LABELS` that occurs, and
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


Parts = list[xr.Variable]


def _accumulate(
    amounts: Amounts, question: str, change_of: Callable[[Source], Parts]
) -> tuple[xr.DataArray, xr.DataArray]:
    """Sum the squares of what the sources change, and of what they change in the difference from as written."""
    grid = amounts.grid
    variance: dict[frozenset[object], xr.Variable] = {}
    difference: dict[frozenset[object], xr.Variable] = {}
    for source in independent_sources(grid, question):
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


def certainty_of(amounts: Amounts, basis: str = "serving", question: str = QUESTIONS[0]) -> Certainty:
    """Find how sure every amount and difference is.

    Parameters
    ----------
    amounts : Amounts
    basis : str, optional
        As for :meth:`swaptable.nutrients.Amounts.per`.
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
    if question not in QUESTIONS:
        raise SwaptableError(f"found question '{question}'; expected {' or '.join(QUESTIONS)}")
    per = amounts.per(basis)
    amount, cooked_g = per.variable, amounts.data["cooked_g"].variable
    energy = amounts.data["per_batch"].sel(component="ENERC_KCAL", drop=True).variable
    energy_at = _places(amounts)["ENERC_KCAL"]

    def change_of(source: Source) -> Parts:
        if basis == "batch":
            return [source.change]
        if basis == "serving":
            return [source.change / amounts.recipe.servings]
        if basis == "100 g":
            estimated = amounts.recipe.cooked_weight is None  # a weighed dish stays what it is
            of_weight = amount * source.cooked_g if source.whole and estimated else 0.0
            return [(source.change * 100 - of_weight) / cooked_g]
        of_energy = amount * source.change.isel(component=energy_at) / energy
        of_amount = source.change * 100 / energy
        return [of_amount - of_energy] if source.whole else [of_amount, -of_energy]

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
    scale = {"batch": 1.0, "serving": 1 / amounts.recipe.servings}.get(basis, np.nan)
    squares = {(c, o): 0.0 for c, options in grid.choices.items() for o in options[1:]}
    place = _places(amounts)[component]
    for source in independent_sources(grid, QUESTIONS[0]):
        change = _on_grid(source.change.isel(component=place), grid)
        for choice, option in squares:
            apart = change.sel({choice: option}, drop=True) - change.sel({choice: grid.choices[choice][0]}, drop=True)
            squares[choice, option] += float(np.nan_to_num(apart.mean())) ** 2
    return {key: scale * square**0.5 for key, square in squares.items()}


def index_certainty(
    amounts: Amounts,
    index: Callable[[Amounts], xr.DataArray],
    components: Sequence[str],
    question: str = QUESTIONS[0],
) -> Certainty:
    """Find how sure an index over the amounts is, by its slope in each component.

    Parameters
    ----------
    amounts : Amounts
    index : callable
        Amounts → DataArray over the choices, such as :func:`swaptable.indices.nutrient_rich_foods_index`.
    components : sequence of str
        Every component that the index depends on, energy included.
    question : str, optional
        As for :func:`certainty_of`.

    Returns
    -------
    Certainty
        In the unit of the index.
    """
    value = index(amounts)
    places = _places(amounts)
    slopes = {places[component]: slope_of(amounts, index, value, component).variable for component in components}

    def change_of(source: Source) -> Parts:
        moved = [slope * source.change.isel(component=place) for place, slope in slopes.items()]
        return [sum(moved[1:], moved[0])] if source.whole else moved

    variance, difference = _accumulate(amounts, question, change_of)
    written = value.sel(amounts.grid.as_written, drop=True)
    known = value.notnull()
    return Certainty(value, (variance**0.5).where(known), value - written, (difference**0.5).where(known))


def slope_of(
    amounts: Amounts, index: Callable[[Amounts], xr.DataArray], value: xr.DataArray, component: str
) -> xr.DataArray:
    """Find what one unit more of a component in the batch does to an index, by a small step."""
    batch = amounts.data["per_batch"]
    here = batch.sel(component=component, drop=True)
    moved = batch.where(batch["component"] != component, batch * (1 + STEP))
    change = index(replace(amounts, data=amounts.data.assign(per_batch=moved))) - value
    return (change / (here * STEP)).where(here > 0, 0.0).fillna(0.0)


def with_certainty(table: pd.DataFrame, amounts: Amounts) -> pd.DataFrame:
    """Put standard errors and intervals beside the amounts of a tidy table.

    Parameters
    ----------
    table : DataFrame
        From :func:`swaptable.nutrients.amounts_table`.
    amounts : Amounts

    Returns
    -------
    DataFrame
        The table with ``standard_error`` and ``low_90``, ``high_90`` of the mean, and ``plate_sd``, all in ``unit``.
    """
    parts = []
    choices = list(amounts.grid.choices)
    for basis, rows in table.groupby("basis", sort=False):
        mean, plate = (certainty_of(amounts, str(basis).removeprefix("per "), question) for question in QUESTIONS)
        low, high = mean.interval(0.90)
        known = xr.Dataset({"standard_error": mean.error, "low_90": low, "high_90": high, "plate_sd": plate.error})
        columns = known.to_dataframe(dim_order=[*choices, "component"]).reset_index()
        columns = columns[[*choices, "component", *known.data_vars]]
        parts.append(rows.merge(columns, how="left", on=[*choices, "component"]))
    return pd.concat(parts, ignore_index=True)
