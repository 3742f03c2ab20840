"""The broadcast sum on plain arrays: tables over a few choices, spread over a grid or read at listed variants.

A grid has one axis per choice, numbered from 0. Arrays hold the components first, then the axes, so that what is
added in one go is long however few components are asked for.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import prod
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["Table", "at_variants", "codes_of", "fixed", "least", "merged", "spread", "summed"]

SMALL = 0.25  # of the result: helper arrays up to this share are made first, and the result is then written once


@dataclass(frozen=True, eq=False)
class Table:
    """Something over a few axes of a grid.

    Attributes
    ----------
    axes : tuple of int
        In ascending order; none for what is the same everywhere.
    values : ndarray
        Components × the options of each axis.
    """

    axes: tuple[int, ...]
    values: np.ndarray

    def over(self, axes: Sequence[int]) -> np.ndarray:
        """View the values over more axes, of length 1 where they do not vary."""
        sizes = dict(zip(self.axes, self.values.shape[1:], strict=True))
        return self.values.reshape(len(self.values), *(sizes.get(axis, 1) for axis in axes))

    def __add__(self, other: Table) -> Table:
        axes = tuple(sorted({*self.axes, *other.axes}))
        return Table(axes, self.over(axes) + other.over(axes))


def summed(tables: Iterable[Table]) -> Table:
    """Add tables up over the axes of all of them together."""
    first, *rest = tables
    return sum(rest, first)


def merged(tables: Iterable[Table]) -> list[Table]:
    """Add each table into another that has its axes as well, so that few are left and the sum is the same."""
    by_axes: dict[tuple[int, ...], Table] = {}
    for table in tables:
        by_axes[table.axes] = by_axes[table.axes] + table if table.axes in by_axes else table
    left: list[Table] = []
    for table in sorted(by_axes.values(), key=lambda each: -len(each.axes)):
        wider = next((place for place, each in enumerate(left) if set(table.axes) <= set(each.axes)), None)
        if wider is None:
            left.append(table)
        else:
            left[wider] = left[wider] + table
    return left


def fixed(tables: Iterable[Table], options: Mapping[int, int]) -> list[Table]:
    """Take one option of some axes; the axes that are left keep their numbers."""
    found = []
    for table in tables:
        at = tuple(options.get(axis, slice(None)) for axis in table.axes)
        left = tuple(axis for axis in table.axes if axis not in options)
        found.append(Table(left, table.values[(slice(None), *at)]))
    return found


def spread(tables: Iterable[Table], sizes: Mapping[int, int], dtype: npt.DTypeLike = float) -> np.ndarray:
    """Sum tables over a whole grid.

    Parameters
    ----------
    tables : iterable of Table
        At least one; all with the same components.
    sizes : mapping of int
        Axis → how many options it has, in the order in which the result is to have them.
    dtype : dtype, optional
        Of the result, such as ``float32``.

    Returns
    -------
    ndarray
        Components × the axes.

    Notes
    -----
    The axes are cut in two where little reaches over the cut. What varies only with the leading axes is summed by
    itself; so is all the rest, over the trailing axes and those leading ones that it reaches; then the result is
    written once, as the sum of the two. A grid of a million variants costs about the writing of its result.

    Examples
    --------
    >>> salt, stock = Table((0,), np.array([[0.0, 3.0]])), Table((1,), np.array([[10.0, 20.0]]))
    >>> spread([salt, stock], {0: 2, 1: 2})[0].tolist()
    [[10.0, 20.0], [13.0, 23.0]]
    """
    few = merged(tables)
    axes = sorted(sizes)
    shape = [sizes[axis] for axis in axes]
    result = np.empty((len(few[0].values), *shape), dtype=dtype)
    if len(few) == 1:
        result[...] = few[0].over(axes)
    else:
        cut, reached = _cut(few, axes, sizes)
        if cut:
            leading, trailing = axes[:cut], axes[cut:]
            first = [table for table in few if table.axes and table.axes[-1] < trailing[0]]
            rest = [table for table in few if not table.axes or table.axes[-1] >= trailing[0]]
            inner = [*(axis for axis in leading if axis in reached), *trailing]
            parts = (first, {axis: sizes[axis] for axis in leading}), (rest, {axis: sizes[axis] for axis in inner})
            one, other = (
                Table(tuple(over), spread(some, over).astype(result.dtype, copy=False)) for some, over in parts
            )
            # seen as leading axes × all trailing ones in one, so that what is added at a time is long
            long = (len(result), *shape[:cut], -1)
            np.add(
                one.over(leading)[..., None],
                other.over(axes).reshape(len(result), *other.over(axes).shape[1 : cut + 1], -1),
                out=result.reshape(long),
            )
        else:
            np.add(few[0].over(axes), few[1].over(axes), out=result)
            for table in few[2:]:
                result += table.over(axes)
    order = list(sizes)
    return result if order == axes else result.transpose(0, *(1 + axes.index(axis) for axis in order))


def _cut(tables: Sequence[Table], axes: Sequence[int], sizes: Mapping[int, int]) -> tuple[int, set[int]]:
    """Find how many axes to lead with, and which of them are reached over the cut; 0 where no cut pays."""
    whole = prod(sizes.values())
    best, found, over = SMALL * whole, 0, set[int]()
    for cut in range(1, len(axes)):
        first = axes[cut]
        leading, trailing = axes[:cut], axes[cut:]
        if not any(table.axes and table.axes[-1] < first for table in tables):
            continue
        reached = {
            axis for table in tables if table.axes and table.axes[-1] >= first for axis in table.axes if axis < first
        }
        helpers = prod(sizes[axis] for axis in leading) + prod(sizes[axis] for axis in {*reached, *trailing})
        if helpers < best:
            best, found, over = helpers, cut, reached
    return found, over


def at_variants(tables: Iterable[Table], codes: np.ndarray) -> np.ndarray:
    """Sum tables at listed variants.

    Parameters
    ----------
    tables : iterable of Table
        At least one.
    codes : ndarray of int
        Variants × axes: which option each variant has.

    Returns
    -------
    ndarray
        Components × variants.
    """
    read = (table.values[(slice(None), *codes[:, list(table.axes)].T)] for table in _wide(tables, len(codes)))
    return np.asarray(sum(read))


def _wide(tables: Iterable[Table], count: int) -> Iterable[Table]:
    """Let what is the same everywhere be seen as long as there are variants."""
    for table in tables:
        yield table if table.axes else Table((), np.broadcast_to(table.values[:, None], (len(table.values), count)))


def codes_of(places: npt.ArrayLike, sizes: Sequence[int]) -> np.ndarray:
    """Give which option of each axis the variants at some places have, the last axis running fastest.

    Examples
    --------
    >>> codes_of([0, 1, 5], [2, 3]).tolist()
    [[0, 0], [0, 1], [1, 2]]
    """
    left = np.asarray(places, dtype=np.int64)
    codes = np.empty((left.size, len(sizes)), dtype=np.int64)
    for axis in range(len(sizes) - 1, -1, -1):
        left, codes[:, axis] = np.divmod(left, sizes[axis])
    return codes


def least(tables: Iterable[Table]) -> np.ndarray:
    """Give what the sum of tables is nowhere below, by component."""
    found: Any = sum(table.values.min(axis=tuple(range(1, table.values.ndim))) for table in tables)
    return np.asarray(found)
