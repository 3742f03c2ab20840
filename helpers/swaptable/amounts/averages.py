"""Means over the variants that go together, from tables over a few choices alone: no variant is gone through."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from math import prod

import numpy as np

from swaptable.amounts.engine import Table
from swaptable.amounts.variants import Grid

__all__ = ["Averages"]

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
