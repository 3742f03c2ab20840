"""A grid gone through part by part, and what is kept of the parts: ranges, the best, the frontier, effects.

Nothing here grows with the number of variants.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from math import prod

import numpy as np
import xarray as xr

from swaptable.amounts.comparison import unbeaten
from swaptable.amounts.dish import Dish, View
from swaptable.amounts.nutrients import Amounts
from swaptable.amounts.totals import sum_up
from swaptable.deciding.yardsticks import Yardstick

__all__ = ["QUANTILES", "Effects", "Front", "Leaders", "Part", "Range", "Seen", "inner_axes", "parts_of"]

BINS = 2**16  # between the least and the most of a measure: how finely quantiles are told
QUANTILES = {"5 %": 0.05, "25 %": 0.25, "median": 0.5, "75 %": 0.75, "95 %": 0.95}


@dataclass(frozen=True, eq=False)
class Seen:
    """A measure over a part.

    Attributes
    ----------
    value : ndarray
        Over the axes of the part; NaN where options do not go together or nothing is known.
    gain : ndarray
        The same, turned so that more is better; NaN where a gap could make it look better than it is.
    lower_bounds : int
        How many values have gaps.
    """

    value: np.ndarray
    gain: np.ndarray
    lower_bounds: int


@dataclass(frozen=True, eq=False)
class Part:
    """Variants that differ in some choices and have the options of all others in common.

    Attributes
    ----------
    places : ndarray of int
        Of each variant in the whole grid, the last choice running fastest.
    measured : list of Seen
        By measure.
    allowed : int
        How many of the variants have options that go together.
    """

    places: np.ndarray
    measured: list[Seen]
    allowed: int


def inner_axes(sizes: Sequence[int], first: Sequence[int], most: int) -> tuple[int, ...]:
    """Choose the axes that vary within a part: some that are wanted first, then the last ones, as many as fit.

    Examples
    --------
    >>> inner_axes([2, 2, 2, 2], [3, 2, 1, 0], 8), inner_axes([2, 2, 2, 2], [0], 8)
    ((1, 2, 3), (0, 2, 3))
    """
    chosen: list[int] = []
    others = (axis for axis in reversed(range(len(sizes))) if axis not in first)
    for axis in (*first, *others):
        if not chosen or prod(sizes[each] for each in (*chosen, axis)) <= most:
            chosen.append(axis)
    return tuple(sorted(chosen))


def parts_of(dish: Dish, measures: Sequence[Yardstick], axes: tuple[int, ...]) -> Iterator[Part]:
    """Go through a grid.

    Parameters
    ----------
    dish : Dish
        With all components of the measures.
    measures : sequence of Yardstick
    axes : tuple of int
        Which vary within a part, ascending.

    Yields
    ------
    Part
    """
    sizes = dish.grid.sizes
    strides = [prod(sizes[axis + 1 :]) for axis in range(len(sizes))]
    within = np.zeros(1, dtype=np.int64)
    for axis in axes:
        within = (within[:, None] + np.arange(sizes[axis], dtype=np.int64) * strides[axis]).ravel()
    outer = [axis for axis in range(len(sizes)) if axis not in axes]
    named = {"component": list(dish.layout.wanted), "unit": ("component", list(dish.layout.units))}
    labels = xr.Dataset(coords=named)  # made once: texts are slow to make
    incomplete = {dish.layout.wanted[place] for place in dish.valued.places}
    for options in product(*(range(sizes[axis]) for axis in outer)):
        view = View({axis: sizes[axis] for axis in axes}, dict(zip(outer, options, strict=True)))
        allowed = view.allowed(dish.grid)
        amounts = _lean(dish, view, labels)
        offset = sum(strides[axis] * option for axis, option in view.options.items())
        measured = []
        for one in measures:
            gaps = not dish.never_empty or not incomplete.isdisjoint(one.components)
            measured.append(_seen(one, amounts, allowed, gaps))
        yield Part(within + offset, measured, int(np.count_nonzero(allowed)))


def _lean(dish: Dish, view: View, labels: xr.Dataset) -> Amounts:
    """Sum a part of a dish: what measures need, without the names of options."""
    totals = sum_up(dish, view)
    dims = [list(dish.grid.choices)[axis] for axis in view.sizes]
    data = {
        "per_batch": xr.Variable(["component", *dims], totals.amounts),
        "valued_share": xr.Variable(["component", *dims], totals.valued_share),
        "edible_g": xr.Variable(dims, totals.edible_g),
        "cooked_g": xr.Variable(dims, totals.cooked_g),
    }
    return Amounts(dish.grid, labels.assign(data).transpose(*dims, "component"), dish.weighing.origin)


def _seen(one: Yardstick, amounts: Amounts, allowed: np.ndarray, gaps: bool) -> Seen:
    value = one.values(amounts).to_numpy()
    value = value if allowed.all() else np.where(allowed, value, np.nan)
    if not gaps:
        return Seen(value, value if one.more else -value, 0)
    whole = one.whole(amounts).to_numpy()
    gain = value if one.more else np.where(whole, -value, np.nan)
    return Seen(value, gain, int(np.count_nonzero(~np.isnan(value) & ~whole)))


class Range:
    """What values a measure takes: first how many, their sum and their ends, then how they lie between these."""

    def __init__(self) -> None:
        self.known, self.lower_bounds, self.total = 0, 0, 0.0
        self.least, self.most = np.inf, -np.inf
        self._ends = [0, 0]
        self._counts = np.zeros(BINS, dtype=np.int64)
        self._example = np.zeros(BINS, dtype=np.int64)

    def see(self, seen: Seen, places: np.ndarray) -> None:
        """Take a part into account."""
        value = seen.value.ravel()
        known = int(np.count_nonzero(~np.isnan(value)))
        if not known:
            return
        self.known += known
        self.lower_bounds += seen.lower_bounds
        self.total += float(np.nansum(value))
        low, high = int(np.nanargmin(value)), int(np.nanargmax(value))
        if value[low] < self.least:
            self.least, self._ends[0] = float(value[low]), int(places[low])
        if value[high] > self.most:
            self.most, self._ends[1] = float(value[high]), int(places[high])

    def sort(self, seen: Seen, places: np.ndarray) -> None:
        """Sort a part in between the ends, all parts having been seen."""
        value = seen.value.ravel()
        if np.isnan(value).any():
            known = ~np.isnan(value)
            value, places = value[known], places[known]
        width = self.most - self.least
        scale = (BINS - 1) / width if width > 0 else 0.0
        bins = ((value - self.least) * scale).astype(np.int64)
        self._counts += np.bincount(bins, minlength=BINS)
        self._example[bins] = places

    def places(self) -> dict[str, int]:
        """Name variants that have the least, the quantiles and the most: statistic → place."""
        if not self.known:
            return {}
        reached = np.cumsum(self._counts)
        at = {name: int(np.searchsorted(reached, share * self.known)) for name, share in QUANTILES.items()}
        inner = {name: int(self._example[place]) for name, place in at.items()}
        return {"least": self._ends[0], **inner, "most": self._ends[1]}

    @property
    def mean(self) -> float:
        """Mean over the variants of which it is known."""
        return self.total / self.known if self.known else np.nan


class Leaders:
    """The best variants of all parts; of equally good ones the first."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.places = np.zeros(0, dtype=np.int64)
        self._gains = np.zeros(0)

    def see(self, gain: np.ndarray, places: np.ndarray) -> None:
        """Take a part into account."""
        gain = gain.ravel()
        left = np.flatnonzero(gain > (self._gains[-1] if len(self._gains) == self.count else -np.inf))
        if len(left) > self.count:
            least = np.partition(gain[left], len(left) - self.count)[len(left) - self.count]
            above = left[gain[left] > least]
            left = np.concatenate([above, left[gain[left] == least][: self.count - len(above)]])
        gains = np.concatenate([self._gains, gain[left]])
        both = np.concatenate([self.places, places[left]])
        order = np.lexsort((both, -gains))[: self.count]
        self.places, self._gains = both[order], gains[order]


class Front:
    """The variants that no other beats on two measures; those that are alike in both are kept as one, and counted."""

    def __init__(self) -> None:
        self.places = np.zeros(0, dtype=np.int64)
        self.alike = np.zeros(0, dtype=np.int64)
        self._gains = np.zeros((0, 2))

    def see(self, one: np.ndarray, other: np.ndarray, places: np.ndarray) -> None:
        """Take a part into account."""
        gains = np.column_stack([one.ravel(), other.ravel()])
        left = np.flatnonzero(~np.isnan(gains).any(axis=1) & ~self._beaten(gains))
        left = left[unbeaten(gains[left])]
        gains = np.concatenate([self._gains, gains[left]])
        both = np.concatenate([self.places, places[left]])
        counts = np.concatenate([self.alike, np.ones(len(left), dtype=np.int64)])
        on = unbeaten(gains)
        distinct, first, which = np.unique(gains[on], axis=0, return_index=True, return_inverse=True)
        self._gains, self.places = distinct, both[on][first]
        self.alike = np.bincount(which.ravel(), weights=counts[on], minlength=len(distinct)).astype(np.int64)

    def _beaten(self, gains: np.ndarray) -> np.ndarray:
        """Tell which points some point on the frontier has as much of the one of, and more of the other."""
        if not len(self._gains):
            return np.zeros(len(gains), dtype=bool)
        # in ascending order of the one, the other descends; NaN is put last and beaten by none
        above = np.searchsorted(self._gains[:, 0], gains[:, 0])
        most = np.append(self._gains[:, 1], -np.inf)
        return np.asarray(most[above] > gains[:, 1])


class Effects:
    """What each option changes, compared with the first of its choice, all else being equal."""

    def __init__(self, sizes: Sequence[int]) -> None:
        self.rows = [(axis, option) for axis, size in enumerate(sizes) for option in range(1, size)]
        self._found = {row: [0, 0.0, np.inf, -np.inf] for row in self.rows}

    def see(self, seen: Seen, axes: tuple[int, ...], compared: tuple[int, ...]) -> None:
        """Take a part into account, for some of the axes that vary in it."""
        for axis in compared:
            values = np.moveaxis(seen.value, axes.index(axis), 0)
            for option in range(1, len(values)):
                apart = (values[option] - values[0]).ravel()
                found = self._found[axis, option]
                if np.isnan(apart).any():
                    apart = apart[~np.isnan(apart)]
                if apart.size:
                    found[0] += apart.size
                    found[1] += float(apart.sum())
                    found[2], found[3] = min(found[2], float(apart.min())), max(found[3], float(apart.max()))

    def told(self, row: tuple[int, int]) -> dict[str, float]:
        """Give the mean, the least and the most of one option's change, and over how many combinations."""
        count, total, least, most = self._found[row]
        if not count:
            return {"effect": np.nan, "least": np.nan, "most": np.nan, "combinations": 0}
        return {"effect": total / count, "least": least, "most": most, "combinations": int(count)}
