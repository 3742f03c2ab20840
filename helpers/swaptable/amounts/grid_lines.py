"""The lines of a grid as arrays: which food, how much of it, and what cooking leaves, for all of them at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from swaptable.amounts.composition import Layout, cooked_values, layout_of, raw_values
from swaptable.amounts.line_arrays import Positions
from swaptable.amounts.lines import Line
from swaptable.amounts.variants import Grid
from swaptable.foods.release import FoodRelease

__all__ = ["LineArrays", "cooked_lines", "food_rows", "line_arrays_of"]


@dataclass(frozen=True, eq=False)
class LineArrays:
    """The lines of a grid, all at once, and where each stands.

    Attributes
    ----------
    layout : Layout
    lines : list of Line
    names : list of str
        Ingredient of each line.
    positions : Positions
    food : ndarray of int
        Row of each line's food in the release.
    edible_g : ndarray
        Of each line. [g]
    raw, factors, values : ndarray
        Lines × components of the layout: per 100 g raw before cooking (components of the release only), share
        retained, and what is left after cooking. NaN is missing.
    """

    layout: Layout
    lines: list[Line]
    names: list[str]
    positions: Positions
    food: np.ndarray
    edible_g: np.ndarray
    raw: np.ndarray
    factors: np.ndarray
    values: np.ndarray

    @cached_property
    def brought(self) -> np.ndarray:
        """What each line brings to the batch, lines × components; nothing where missing."""
        return self.edible_g[:, None] * np.nan_to_num(self.values) / 100

    def each(self, name: str) -> np.ndarray:
        """Give a number of the cooking of each line, such as its ``yield_factor``."""
        return np.array([getattr(line.cooking, name) for line in self.lines], dtype=float)


@lru_cache(maxsize=8)
def line_arrays_of(grid: Grid, components: tuple[str, ...] = ()) -> LineArrays:
    """Put the lines of a grid into arrays and cook them.

    Parameters
    ----------
    grid : Grid
    components : tuple of str, optional
        INFOODS tags; all by default.
    """
    layout = layout_of(grid.release, components)
    axis_of = {choice: axis for axis, choice in enumerate(grid.choices)}
    option_of = {choice: {option: at for at, option in enumerate(options)} for choice, options in grid.choices.items()}
    own = [grid.own_choices(name) for name in grid.lines]
    rows = [
        (number, [option_of[choice][option] for choice, option in options], name, line)
        for number, (name, lines) in enumerate(grid.lines.items())
        for options, line in lines.items()
    ]
    axes = [tuple(axis_of[choice] for choice in choices) for choices in own]
    positions = Positions.of(axes, dict(enumerate(grid.sizes)), [(number, at) for number, at, _, _ in rows])
    lines = [line for *_, line in rows]
    food = food_rows(grid.release, [line.food.code for line in lines])
    raw, factors, values = cooked_lines(lines, food, grid.release, layout)
    edible_g = np.array([line.edible_g for line in lines], dtype=float)
    return LineArrays(layout, lines, [name for *_, name, _ in rows], positions, food, edible_g, raw, factors, values)


def food_rows(release: FoodRelease, codes: Sequence[str]) -> np.ndarray:
    """Find the rows of foods in a release, by their codes there.

    Raises
    ------
    KeyError
        If one is not of the release.
    """
    rows = release.foods.index.get_indexer(list(codes))
    if (rows < 0).any():
        raise KeyError(codes[int(np.flatnonzero(rows < 0)[0])])
    return np.asarray(rows)


def cooked_lines(
    lines: Sequence[Line], food: np.ndarray, release: FoodRelease, layout: Layout
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give raw values, shares retained and cooked values of lines, by the rows of their foods in a release."""
    raw = raw_values(release, layout, food)
    factors = layout.factors(np.array([line.cooking.factors for line in lines], dtype=float).reshape(len(lines), -1))
    fat_lost = np.array([line.cooking.fat_lost for line in lines], dtype=float)
    sodium = np.array([line.cooking.sodium_taken_up for line in lines], dtype=float)
    return raw, factors, cooked_values(raw, factors, layout, fat_lost, sodium)
