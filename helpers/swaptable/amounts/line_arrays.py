"""Lines of a recipe, or of many, as arrays: what each brings, and what one standard deviation of each source changes.

A line is one ingredient under one combination of the options that touch it. Everything is worked out for all lines at
once; :class:`Positions` says where each stands in its ingredient's table over its own choices.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from math import prod

import numpy as np

from swaptable.amounts.composition import DERIVED_FROM, Layout, cooked_values, layout_of, raw_values
from swaptable.amounts.engine import Table, summed
from swaptable.amounts.lines import Line
from swaptable.amounts.variants import Grid
from swaptable.foods.release import FoodRelease

__all__ = [
    "Changes",
    "LineArrays",
    "Positions",
    "cooked_lines",
    "food_rows",
    "line_arrays_of",
    "retention_scatter",
    "source_tables",
    "squares",
    "value_changes",
]

BALANCES = ("ENERC_KCAL", "ENERC_KJ", "WATER")  # what leaves of them is counted by weight


@dataclass(frozen=True, eq=False)
class Positions:
    """Where lines stand in the tables of their ingredients.

    Attributes
    ----------
    axes, shapes : tuple
        Of each ingredient: the axes of the grid that touch it, ascending, and how many options each has.
    ingredient : ndarray of int
        Of each line.
    flat : ndarray of int
        Of each line: its place when the tables of all ingredients are laid one after the other. The first place of
        every ingredient is that of the recipe as written; a place without a line is an ingredient that is not there.
    starts : ndarray of int
        Of each ingredient: its first place; one more entry ends the last.
    """

    axes: tuple[tuple[int, ...], ...]
    shapes: tuple[tuple[int, ...], ...]
    ingredient: np.ndarray
    flat: np.ndarray
    starts: np.ndarray

    @classmethod
    def of(
        cls, axes: Sequence[Sequence[int]], sizes: Mapping[int, int], lines: Iterable[tuple[int, Sequence[int]]]
    ) -> Positions:
        """Lay out lines.

        Parameters
        ----------
        axes : sequence
            Of each ingredient: the axes that touch it, ascending.
        sizes : mapping of int
            Axis → how many options it has.
        lines : iterable
            Of each line: its ingredient, and the option that it has on each axis of that.
        """
        shapes = tuple(tuple(sizes[axis] for axis in own) for own in axes)
        starts = np.concatenate([[0], np.cumsum([prod(shape) for shape in shapes], dtype=int)]).astype(int)
        rows = [(ingredient, _place(options, shapes[ingredient])) for ingredient, options in lines]
        ingredient, place = np.array(rows, dtype=int).reshape(-1, 2).T
        return cls(tuple(tuple(own) for own in axes), shapes, ingredient, starts[ingredient] + place, starts)

    @property
    def written(self) -> np.ndarray:
        """Of each place: the place of the same ingredient as written."""
        return np.repeat(self.starts[:-1], np.diff(self.starts))

    def laid(self, values: np.ndarray, missing: float = 0.0) -> np.ndarray:
        """Lay values of lines out by place."""
        placed = np.full((self.starts[-1], *values.shape[1:]), missing, dtype=values.dtype)
        placed[self.flat] = values
        return placed

    def tables(self, laid: np.ndarray) -> list[Table]:
        """Cut what is laid out, places × components, into one table for each ingredient."""
        by_component = np.ascontiguousarray(laid.T)
        count = len(by_component)
        return [
            Table(own, by_component[:, start:end].reshape(count, *shape))
            for own, shape, start, end in zip(self.axes, self.shapes, self.starts, self.starts[1:], strict=False)
        ]

    def table_of(self, ingredient: int, lines: np.ndarray, values: np.ndarray) -> Table:
        """Give the table of one ingredient in which only some of its lines bring something."""
        start, end = self.starts[ingredient : ingredient + 2]
        placed = np.zeros((values.shape[1], end - start))
        placed[:, self.flat[lines] - start] = values[lines].T
        return Table(self.axes[ingredient], placed.reshape(-1, *self.shapes[ingredient]))


def _place(options: Sequence[int], shape: Sequence[int]) -> int:
    place = 0
    for option, size in zip(options, shape, strict=True):
        place = place * size + option
    return place


@dataclass(frozen=True, eq=False)
class Changes:
    """What one standard deviation of one kind of source changes in the batch.

    Attributes
    ----------
    values : ndarray
        Lines × components, in the unit of each.
    key : ndarray of int
        Of each line: its source. Lines with the same key are changed together.
    whole : bool
        Whether a source moves all components together (a weight); else each moves by itself.
    cooked_g : ndarray or None
        Of each line: what it changes in the estimated weight as eaten. [g]
    """

    values: np.ndarray
    key: np.ndarray
    whole: bool = False
    cooked_g: np.ndarray | None = None


def value_changes(error: np.ndarray, raw: np.ndarray, own: np.ndarray, edible_g: np.ndarray) -> np.ndarray:
    """Give what one standard error of each food's values changes, lines × components.

    Parameters
    ----------
    error : ndarray
        Lines × components: standard error per 100 g raw; NaN where there is no value.
    raw : ndarray
        Lines × components of the release, which come first among the components: value per 100 g raw.
    own : ndarray
        Lines × components: what the batch holds of the food itself; nothing where missing.
    edible_g : ndarray
        Of each line. [g]
    """
    grams = edible_g[:, None] / 100
    change = np.nan_to_num(error) * grams
    brought, count = np.nan_to_num(raw) * grams, raw.shape[1]
    share = np.divide(own[:, :count], brought, out=np.ones_like(brought), where=brought > 0)
    change[:, :count] *= share  # what cooking leaves of a value it leaves of its error
    return change


def retention_scatter(
    published: np.ndarray, factors: np.ndarray, own: np.ndarray, layout: Layout, unpublished: np.ndarray
) -> np.ndarray:
    """Give the relative error of what cooking leaves of each component [-], lines × components.

    Parameters
    ----------
    published : ndarray
        Lines × components: relative error of the retention row; NaN where none was estimated.
    factors : ndarray
        Lines × components: share retained; NaN where none is published.
    own : ndarray
        Lines × components: what the batch holds of the food itself.
    layout : Layout
    unpublished : ndarray
        Of each line: relative error without a published factor; 0 for a line that was not cooked.
    """
    none = np.isnan(published) | np.isnan(factors)
    relative = np.where(none, unpublished[:, None], published)
    relative[unpublished == 0] = 0.0
    for whole, parts in DERIVED_FROM.items():
        if whole in layout.at and all(part in layout.at for part in parts):
            places = [layout.at[part] for part in parts]
            pieces = own[:, places] * np.array(list(parts.values()))
            total = pieces.sum(axis=1)
            error = np.sqrt(((pieces * relative[:, places]) ** 2).sum(axis=1))
            np.divide(error, total, out=relative[:, layout.at[whole]], where=(total > 0) & (unpublished > 0))
    relative[:, [layout.at[each] for each in BALANCES if each in layout.at]] = 0.0
    return relative


def _shared(key: np.ndarray, ingredient: np.ndarray) -> np.ndarray:
    """Tell which lines have a source that lines of another ingredient have as well."""
    order = np.argsort(key, kind="stable")
    starts = np.flatnonzero(np.diff(key[order], prepend=key[order[:1]] - 1))
    least = np.minimum.reduceat(ingredient[order], starts)
    most = np.maximum.reduceat(ingredient[order], starts)
    shared = np.empty(len(key), dtype=bool)
    shared[order] = np.repeat(least != most, np.diff(starts, append=len(key)))
    return shared


def source_tables(
    changes: Changes, positions: Positions, among: np.ndarray | None = None
) -> Iterator[tuple[int, list[Table]]]:
    """Give for each source its key and what it changes in each of its ingredients, the weight as eaten last.

    Parameters
    ----------
    changes : Changes
    positions : Positions
    among : ndarray of bool, optional
        Lines to look at; all by default.

    Yields
    ------
    key : int
        In ascending order.
    tables : list of Table
        One for each ingredient; a source that changes nothing is left out.
    """
    cooked = np.zeros(len(changes.key)) if changes.cooked_g is None else changes.cooked_g
    values = np.column_stack([changes.values, cooked])
    rows = np.arange(len(changes.key)) if among is None else np.flatnonzero(among)
    rows = rows[np.lexsort((positions.ingredient[rows], changes.key[rows]))]
    ends = np.flatnonzero(np.diff(changes.key[rows])) + 1
    for lines in np.split(rows, ends):
        if values[lines].any():
            cuts = np.flatnonzero(np.diff(positions.ingredient[lines])) + 1
            parts = np.split(lines, cuts)
            found = [positions.table_of(int(positions.ingredient[part[0]]), part, values) for part in parts]
            yield int(changes.key[lines[0]]), found


def squares(kinds: Sequence[Changes], positions: Positions) -> tuple[list[Table], list[Table]]:
    """Sum the squares of what the sources change in the batch, and of what they change in differences.

    Parameters
    ----------
    kinds : sequence of Changes
        At least one.
    positions : Positions

    Returns
    -------
    variance, difference : list of Table
        To be summed over the grid: variance of the amount, and of its difference from the recipe as written, in which
        what is shared cancels.

    Notes
    -----
    A source of one ingredient only changes each of its places by what its line there changes, so all such sources are
    summed as they lie. Only sources that ingredients share are put together over the axes of all of these.
    """
    variance: list[Table] = []
    apart: list[Table] = []
    laid = np.zeros((int(positions.starts[-1]), kinds[0].values.shape[1]))
    laid_apart, written = np.zeros_like(laid), positions.written
    for changes in kinds:
        if not changes.values.any():
            continue
        shared = _shared(changes.key, positions.ingredient)
        alone = positions.laid(np.where(shared[:, None], 0.0, changes.values))
        laid += alone**2
        key = positions.laid(changes.key, -1)
        same = (key == key[written])[:, None]
        laid_apart += np.where(same, (alone - alone[written]) ** 2, alone**2 + alone[written] ** 2)
        for _, tables in source_tables(changes, positions, shared) if shared.any() else ():
            whole = summed(tables)
            change = whole.values[:-1]
            variance.append(Table(whole.axes, change**2))
            first = change[(slice(None), *(slice(1) for _ in whole.axes))]
            apart.append(Table(whole.axes, (change - first) ** 2))
    variance += positions.tables(laid)
    return variance, [*apart, *positions.tables(laid_apart)]


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
