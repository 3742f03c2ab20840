"""Independent sources of error of a recipe: each food's value, each retention row, each weighed amount, each uptake.

What one standard deviation of each changes in the batch, on plain arrays; lines that share a food or a retention row
share its error.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import xarray as xr

from swaptable.amounts.composition import DERIVED_FROM, Layout
from swaptable.amounts.cooking import FACTOR_OF
from swaptable.amounts.engine import summed
from swaptable.amounts.line_arrays import (
    Changes,
    LineArrays,
    line_arrays_of,
    retention_scatter,
    source_tables,
    value_changes,
)
from swaptable.amounts.lines import Line
from swaptable.amounts.variants import Grid
from swaptable.basics.errors import SwaptableError
from swaptable.foods.cooking_factors import retention_errors, uptake_error
from swaptable.foods.imputation import FilledRelease
from swaptable.foods.reference import kitchen_errors
from swaptable.foods.release import FoodRelease
from swaptable.foods.values import value_errors

__all__ = ["QUESTIONS", "Source", "error_changes", "food_errors", "independent_sources", "row_errors"]

QUESTIONS = ("mean", "plate")


@dataclass(frozen=True, eq=False)
class Source:
    """What one standard deviation of one independent source changes in the batch.

    ``whole`` sources move all components together (a weight); others move each component by itself.
    """

    change: xr.Variable  # component × own choices, in the unit of each
    whole: bool
    cooked_g: xr.Variable  # own choices: what it changes in the estimated weight as eaten


@lru_cache(maxsize=2)
def food_errors(release: FoodRelease) -> tuple[np.ndarray, np.ndarray]:
    """Give what is not known of the values of foods.

    Parameters
    ----------
    release : FoodRelease

    Returns
    -------
    standard_error, spread : ndarray
        Foods × the components of a computed recipe, per 100 g raw, in the unit of each: of the mean, and between
        samples. Imputed values have the error of imputing.
    """
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


@lru_cache(maxsize=1024)
def row_errors(rows: tuple[str, ...], layout: Layout, factors: str, question: str) -> np.ndarray:
    """Give the relative error of retention rows, their mean square where liquid is partly kept.

    Parameters
    ----------
    rows : tuple of str
        Of ``retention.csv``.
    layout : Layout
    factors : str
        ``"published"`` or ``"estimated"``.
    question : str
        One of :data:`QUESTIONS`; for a plate the food's own deviation from its class counts as well.

    Returns
    -------
    ndarray
        Of the components of the layout [-]; NaN where it was not estimated.
    """
    mean, food = retention_errors(factors)
    known = [row for row in rows if row in mean.index]
    if not known:  # rows that were not fitted yet
        return np.full(len(layout.components), np.nan)
    squares = mean.loc[known].to_numpy() ** 2 + (food.loc[known].to_numpy() ** 2 if question == QUESTIONS[1] else 0)
    of_tag = dict(zip(mean.columns, np.sqrt(squares.mean(axis=0)), strict=True))
    return np.array([of_tag.get(FACTOR_OF.get(each, each), np.nan) for each in layout.components])


def _taken_up(arrays: LineArrays) -> tuple[np.ndarray, np.ndarray]:
    """Give the sodium that came from the cooking water, lines × components, and what its scatter changes."""
    taken, scatter = np.zeros_like(arrays.brought), np.zeros_like(arrays.brought)
    at = arrays.layout.at
    for row in np.flatnonzero(arrays.each("sodium_taken_up")):
        cooking = arrays.lines[row].cooking
        sodium = cooking.sodium_taken_up * arrays.edible_g[row] / 100
        for component, per in (("NA", 1.0), ("NACL_EQ", DERIVED_FROM["NACL_EQ"]["NA"])):
            if component in at:
                taken[row, at[component]] = sodium * per
                scatter[row, at[component]] = sodium * per * uptake_error(cooking.food_class, "NA")
    return taken, scatter


class _Keys:
    """Numbers sources in the order in which they are met, whatever their kind."""

    def __init__(self) -> None:
        self.numbers: dict[tuple[str, ...], int] = {}

    def __call__(self, *key: str) -> int:
        return self.numbers.setdefault(key, len(self.numbers))


def _keys_of(arrays: LineArrays, question: str) -> np.ndarray:
    """Give the sources of each line, lines × (value, retention, uptake, weighing, taking refuse off)."""
    number = _Keys()
    rows = []
    for name, line in zip(arrays.names, arrays.lines, strict=True):
        code, cooking = line.food.code, line.cooking
        rows.append(
            (
                number("value", code),
                number("retention", *cooking.rows, code if question == QUESTIONS[1] else ""),
                number("uptake", cooking.food_class),
                number("weight", name, code),
                number("refuse", name, code, f"{line.refuse}"),
            )
        )
    return np.array(rows, dtype=int).reshape(-1, 5)


@lru_cache(maxsize=8)
def error_changes(grid: Grid, question: str = QUESTIONS[0], components: tuple[str, ...] = ()) -> tuple[Changes, ...]:
    """Give what one standard deviation of every source changes, kind by kind.

    Parameters
    ----------
    grid : Grid
    question : str, optional
        One of :data:`QUESTIONS`.
    components : tuple of str, optional
        INFOODS tags; all by default.

    Returns
    -------
    tuple of Changes
        Over the components asked for, of the batch.

    Raises
    ------
    SwaptableError
        If there is no such question.
    """
    if question not in QUESTIONS:
        raise SwaptableError(f"found question '{question}'; expected {' or '.join(QUESTIONS)}")
    arrays = line_arrays_of(grid, components)
    layout, brought = arrays.layout, arrays.brought
    error = food_errors(grid.release)[QUESTIONS.index(question)][np.ix_(arrays.food, layout.places)]
    taken, uptake = _taken_up(arrays)
    own = brought - taken
    cooked = [line.cooking for line in arrays.lines]
    published = [row_errors(each.rows, layout, grid.factors, question) for each in cooked]
    unpublished = np.array(
        [kitchen_errors()["no published factor"] if _is_cooked(line) else 0 for line in arrays.lines]
    )
    scatter = retention_scatter(np.array(published).reshape(brought.shape), arrays.factors, own, layout, unpublished)
    weighing, refuse = (np.array([_ways(line)[place] for line in arrays.lines], dtype=float) for place in (0, 1))
    eaten = arrays.edible_g * arrays.each("yield_factor")
    keys = _keys_of(arrays, question)
    wanted = layout.chosen
    return (
        Changes(value_changes(error, arrays.raw, own, arrays.edible_g)[:, wanted], keys[:, 0]),
        Changes((own * scatter)[:, wanted], keys[:, 1]),
        Changes(uptake[:, wanted], keys[:, 2]),
        Changes((brought * weighing[:, None])[:, wanted], keys[:, 3], True, eaten * weighing),
        Changes((brought * refuse[:, None])[:, wanted], keys[:, 4], True, eaten * refuse),
    )


def _is_cooked(line: Line) -> bool:
    return bool(line.cooking.process and line.cooking.rows)


def _ways(line: Line) -> tuple[float, float]:
    """Give the relative errors of weighing an ingredient and of taking its refuse off [-]."""
    weighing, *trimming = (kitchen_errors()[way] for way in line.ways)
    return weighing, sum(trimming)


@lru_cache(maxsize=4)
def independent_sources(
    grid: Grid, question: str = QUESTIONS[0], components: tuple[str, ...] = ()
) -> tuple[Source, ...]:
    """Give every independent source that changes anything.

    Parameters
    ----------
    grid : Grid
    question : str, optional
        One of :data:`QUESTIONS`.
    components : tuple of str, optional
        INFOODS tags; all by default.

    Returns
    -------
    tuple of Source
        In the order in which the recipe's lines meet them.
    """
    choices = list(grid.choices)
    positions = line_arrays_of(grid, components).positions
    found: dict[int, Source] = {}
    for changes in error_changes(grid, question, components):
        for key, tables in source_tables(changes, positions):
            table = summed(tables)
            dims = [choices[axis] for axis in table.axes]
            change = xr.Variable(["component", *dims], table.values[:-1])
            found[key] = Source(change, changes.whole, xr.Variable(dims, table.values[-1]))
    return tuple(found[key] for key in sorted(found))
