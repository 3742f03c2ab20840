"""What a recipe with very many variants offers, found without listing them.

The grid is gone through part by part: what is kept of a part is its counts, the best variants, the frontier, and what
each option changes in it. Only variants that are named at the end are computed with their certainty.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from swaptable.amounts.certainty import IN_PROPORTION, mean_effect_errors, mean_errors
from swaptable.amounts.chosen import amounts_at
from swaptable.amounts.dish import dish_of
from swaptable.amounts.engine import codes_of
from swaptable.amounts.variants import Grid
from swaptable.basics.errors import SwaptableError
from swaptable.basics.folders import find_file
from swaptable.deciding.grid_parts import Effects, Front, Leaders, Range, inner_axes, parts_of
from swaptable.deciding.yardsticks import COST, DENSITY, Measured, Yardstick, measure, yardstick_named
from swaptable.foods.cooking_factors import FACTORS
from swaptable.judging.audiences import read_audience
from swaptable.judging.study import GAPS, grid_of_recipe
from swaptable.judging.targets import find_aims

__all__ = ["MEASURES", "Exploration", "explore", "explore_recipe"]

MEASURES = ("sodium", DENSITY)
_ALIKE = "variants_alike"
AT_ONCE = 2**21  # numbers in an array of one part
WEIGHTS = 8  # arrays of a part beside the components
MOST_ON_FRONTIER = 1_000  # variants that are computed with their certainty


@dataclass(frozen=True, eq=False)
class Exploration:
    """What a recipe with very many variants offers.

    Attributes
    ----------
    grid : Grid
    measures : tuple of Yardstick
    allowed : int
        Variants whose options go together.
    ranges : DataFrame
        One row per measure and statistic: ``measure``, ``unit``, ``basis``, ``statistic``, ``value`` and its
        ``standard_error`` in ``unit``, the ``variant`` that has it, and of all variants how many are ``known``, and how
        many of these are ``lower_bounds``. Quantiles are the values of variants, within 1/65,536 of the whole range.
    effects : DataFrame
        As :func:`swaptable.amounts.comparison.choice_effects`, for every measure, with ``standard_error``; NaN where
        the measure is not the batch's amount times a number.
    best : DataFrame
        The best variants by the first measure: every measure with its standard error, its difference from the recipe as
        written, and the standard error of that, in which what both share cancels.
    frontier : DataFrame
        The same columns for the variants that no other beats on the first two measures.
    on_frontier : int
        How many these are; beyond 1,000 the table has every so manieth of them.
    """

    grid: Grid
    measures: tuple[Yardstick, ...]
    allowed: int
    ranges: pd.DataFrame
    effects: pd.DataFrame
    best: pd.DataFrame
    frontier: pd.DataFrame
    on_frontier: int

    def tables(self) -> dict[str, pd.DataFrame]:
        """Name every table."""
        return {"ranges": self.ranges, "effects": self.effects, "best": self.best, "frontier": self.frontier}


def explore(
    grid: Grid,
    measures: Sequence[Yardstick],
    *,
    best: int = 10,
    progress: Callable[[int, int], None] | None = None,
) -> Exploration:
    """Go through all variants of a recipe and keep what is worth knowing.

    Parameters
    ----------
    grid : Grid
    measures : sequence of Yardstick
        What variants are compared by; the first says which are best, the first two make the frontier.
    best : int, optional
        How many of the best to name.
    progress : callable, optional
        Is told how many variants were gone through, and of how many.

    Returns
    -------
    Exploration

    Raises
    ------
    SwaptableError
        If there is no measure, one of them twice, or cost among them, or a choice is named like a column.

    Notes
    -----
    Memory does not grow with the number of variants. Every variant is gone through twice, or more often where a recipe
    has so many choices that not all of them vary within a part: an effect compares variants of one part.
    """
    _refuse_measures(measures, best)
    _refuse_names(grid, measures)
    components = tuple(dict.fromkeys(tag for one in measures for tag in one.components))
    dish = dish_of(grid, components)
    passes = _passes(grid.sizes, AT_ONCE // (len(components) + WEIGHTS))
    allowed, gone, whole = 0, 0, len(passes) * grid.combinations
    ranges = [Range() for _ in measures]
    leaders, front = Leaders(best), Front()
    effects = [Effects(grid.sizes) for _ in measures]
    for number, (axes, compared) in enumerate(passes):
        for part in parts_of(dish, measures, axes):
            for one, of, changes in zip(part.measured, ranges, effects, strict=True):
                if number == 0:
                    of.see(one, part.places)
                elif number == 1:
                    of.sort(one, part.places)
                changes.see(one, axes, compared)
            if number == 0:
                allowed += part.allowed
                leaders.see(part.measured[0].gain, part.places)
                if len(measures) > 1:
                    front.see(part.measured[0].gain, part.measured[1].gain, part.places)
            gone += len(part.places)
            if progress is not None:
                progress(gone, whole)
    return _Report(grid, tuple(measures), ranges, effects, leaders, front).told(allowed)


def explore_recipe(
    recipe: str | Path,
    measures: Sequence[str] = MEASURES,
    audience: str | Path = "general_adults",
    *,
    basis: str = "serving",
    best: int = 10,
    release: str | Path = "current",
    factors: str = FACTORS[0],
    gaps: str = GAPS[0],
    progress: Callable[[int, int], None] | None = None,
) -> Exploration:
    """Explore a recipe with very many variants.

    Parameters
    ----------
    recipe : str or Path
        File, or the name of one in ``data/recipes/``.
    measures : sequence of str, optional
        What variants are compared by: ``"nutrient density"``, or components by name, before which ``least`` or
        ``most`` may stand; the first says which are best, the first two make the frontier.
    audience : str or Path, optional
        Says which way is better where the words do not.
    basis : str, optional
        Of components.
    best, progress
        As for :func:`explore`.
    release, factors, gaps
        As for :func:`swaptable.judging.study.compute_recipe`.

    Returns
    -------
    Exploration

    Raises
    ------
    InputError, SwaptableError
        If a file or parameter cannot be used.

    Examples
    --------
    >>> explore_recipe("oat_pancakes", ["sodium"], best=1).best["variant"].tolist()
    ['water + whole-milk yogurt + low-sodium baking powder']
    """
    grid = grid_of_recipe(recipe, release, factors, gaps)
    written = amounts_at(grid, np.zeros((1, len(grid.choices)), dtype=int))
    people = read_audience(find_file(audience, "audiences", ".yaml"))
    aims = find_aims(people, written.units())
    return explore(
        grid, [yardstick_named(words, written, basis, aims) for words in measures], best=best, progress=progress
    )


def _refuse_measures(measures: Sequence[Yardstick], best: int) -> None:
    if not measures:
        raise SwaptableError("found no measure; name one at least, such as sodium")
    twice = next((one for place, one in enumerate(measures) if one in measures[:place]), None)
    if twice is not None:
        raise SwaptableError(f"found {twice.name.lower()} twice; name each measure once")
    if any(one.tag == COST for one in measures):
        raise SwaptableError("found cost, which is not explored; decide on fewer variants")
    if best < 1:
        raise SwaptableError(f"found {best} of the best to name; expected 1 or more")


def _refuse_names(grid: Grid, measures: Sequence[Yardstick]) -> None:
    """Refuse a choice whose options would lie under a column of what is found."""
    columns = (_ALIKE, *(one.column for one in measures))
    for choice in grid.choices:
        if choice.startswith(columns):
            raise SwaptableError(f"found choice '{choice}', named like a column of what is found; rename the choice")


def _passes(sizes: Sequence[int], most: int) -> list[tuple[tuple[int, ...], tuple[int, ...]]]:
    """Plan how often to go through the grid: which axes vary within a part, and whose effects are found then."""
    passes: list[tuple[tuple[int, ...], tuple[int, ...]]] = []
    left = list(reversed(range(len(sizes))))
    while left or len(passes) < 2:
        inner = inner_axes(sizes, left, most)
        compared = tuple(axis for axis in inner if axis in left)
        passes.append((inner, compared))
        left = [axis for axis in left if axis not in inner]
    return passes


@dataclass(frozen=True, eq=False)
class _Report:
    """What was kept, on its way into tables."""

    grid: Grid
    measures: tuple[Yardstick, ...]
    ranges: list[Range]
    effects: list[Effects]
    leaders: Leaders
    front: Front

    def told(self, allowed: int) -> Exploration:
        """Compute the variants that are named with their certainty, and fill the tables."""
        on_front = len(self.front.places)
        shown = np.unique(np.linspace(0, on_front - 1, min(on_front, MOST_ON_FRONTIER)).astype(int))
        front = self.front.places[shown]
        of_ranges = [place for one in self.ranges for place in one.places().values()]
        named = np.unique(np.concatenate([[0], of_ranges, self.leaders.places, front]).astype(np.int64))
        amounts = amounts_at(self.grid, codes_of(named, self.grid.sizes))
        measured = [measure(one, amounts) for one in self.measures]
        labels = list(amounts.grid.choices["variant"])
        at = {int(place): number for number, place in enumerate(named)}
        rows = _Rows(self.grid, named, labels, measured)
        return Exploration(
            grid=self.grid,
            measures=self.measures,
            allowed=allowed,
            ranges=self._ranges(measured, labels, at),
            effects=self._effects(),
            best=rows.table([at[int(place)] for place in self.leaders.places]),
            frontier=rows.table([at[int(place)] for place in front], alike=self.front.alike[shown]),
            on_frontier=int(self.front.alike.sum()),
        )

    def _ranges(self, measured: Sequence[Measured], labels: Sequence[str], at: dict[int, int]) -> pd.DataFrame:
        found = []
        for one, seen, of in zip(self.measures, self.ranges, measured, strict=True):
            about = {"measure": one.name, "unit": one.unit, "basis": f"per {one.basis}"}
            counts = {"known": seen.known, "lower_bounds": seen.lower_bounds}
            for statistic, place in seen.places().items():
                number = at[place]
                values = {"value": of.value[number], "standard_error": of.error[number], "variant": labels[number]}
                found.append({**about, "statistic": statistic, **values, **counts})
            mean = {"value": seen.mean, "standard_error": self._mean_error(one), "variant": ""}
            found.append({**about, "statistic": "mean", **mean, **counts})
        return pd.DataFrame(found)

    def _mean_error(self, one: Yardstick) -> float:
        """Give the standard error of the mean over all variants; NaN where it is not worked out."""
        if not _is_in_proportion(one):
            return np.nan
        return float(mean_errors(self.grid, (one.tag,))[0]) * _scale(one, self.grid)

    def _effects(self) -> pd.DataFrame:
        choices = list(self.grid.choices.items())
        tables = []
        for one, seen in zip(self.measures, self.effects, strict=True):
            errors = np.full(len(seen.rows), np.nan)
            if _is_in_proportion(one):
                errors = mean_effect_errors(self.grid, (one.tag,))[:, 0] * _scale(one, self.grid)
            about = {"measure": one.name, "unit": one.unit, "basis": f"per {one.basis}"}
            for (axis, option), error in zip(seen.rows, errors, strict=True):
                choice, options = choices[axis]
                which = {"choice": choice, "option": options[option], "instead_of": options[0]}
                tables.append({**about, **which, **seen.told((axis, option)), "standard_error": float(error)})
        return pd.DataFrame(tables)


def _is_in_proportion(one: Yardstick) -> bool:
    return one.tag != DENSITY and one.tag != "WATER" and one.basis in IN_PROPORTION


def _scale(one: Yardstick, grid: Grid) -> float:
    return 1 / grid.recipe.servings if one.basis == "serving" else 1.0


@dataclass(frozen=True, eq=False)
class _Rows:
    """Named variants, ready to be listed."""

    grid: Grid
    places: np.ndarray
    labels: Sequence[str]
    measured: Sequence[Measured]

    def table(self, numbers: Sequence[int], alike: np.ndarray | None = None) -> pd.DataFrame:
        """List some of the variants: options, measures, differences from the recipe as written, and their errors."""
        at = np.array(numbers, dtype=int)
        codes = codes_of(self.places[at], self.grid.sizes)
        columns: dict[str, object] = {"variant": [self.labels[number] for number in at]}
        for axis, (choice, options) in enumerate(self.grid.choices.items()):
            columns[choice] = [options[code] for code in codes[:, axis]]
        if alike is not None:
            columns[_ALIKE] = alike
        for one in self.measured:
            name = one.yardstick.column
            columns[name] = one.value[at]
            columns[f"{name}_standard_error"] = one.error[at]
            columns[f"{name}_difference"] = one.value[at] - one.value[0]
            columns[f"{name}_difference_standard_error"] = one.difference_errors([0])[at, 0]
            columns[f"{name}_whole"] = one.whole[at]
        return pd.DataFrame(columns)
