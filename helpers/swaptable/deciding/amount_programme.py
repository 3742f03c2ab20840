"""The linear programme behind a search for amounts: what a batch holds, line by line, and how it is solved."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import highspy
import numpy as np

from swaptable.amounts.cooking import STATED
from swaptable.amounts.cost import Price
from swaptable.amounts.nutrients import Amounts, line_values
from swaptable.amounts.variants import Line
from swaptable.deciding.amount_words import COST, WEIGHT, Target, Varied

__all__ = ["BASE", "Model", "Programme", "Solution"]

LITTLE = 1e-6  # what a change counts beside what is asked for: it only decides between amounts that are as good
BASE = {"100 g": WEIGHT, "100 kcal": "ENERC_KCAL"}


@dataclass(frozen=True, eq=False)
class Model:
    """What a batch holds, as a constant and a slope for each varied ingredient relative to what it weighs now."""

    amounts: Amounts
    varied: tuple[Varied, ...]
    prices: Mapping[str, Price]

    def batch(self, what: str) -> tuple[float, np.ndarray]:
        """Give the part of the batch that does not vary, and what each varied ingredient brings now."""
        slopes = np.array([self.brings(what, each.line) for each in self.varied])
        lines = [line for options in self.amounts.grid.lines.values() for line in options.values()]
        names = {each.name for each in self.varied}
        rest = sum(self.brings(what, line) for line in lines if line.ingredient not in names)
        return float(rest), slopes

    def brings(self, what: str, line: Line) -> float:
        """Give what a line brings to the batch: of a component its known part, of cost NaN where it is not priced."""
        release, recipe = self.amounts.grid.release, self.amounts.recipe
        if what == COST:
            price = self.prices.get(release.full_code(line.food.code))
            return np.nan if price is None else line.purchased_g * price.per_gram
        if what == WEIGHT:
            if (
                recipe.cooked_weight is not None
            ):  # a weighed dish gives one yield for all that soaks and all that does not
                soaked = sum(_soaked(each) for options in self.amounts.grid.lines.values() for each in options.values())
                return _soaked(line) * recipe.cooked_weight / soaked
            lost = _alcohol_lost(line, self.amounts)
            return line.edible_g * line.cooking.yield_factor - lost
        return float(np.nan_to_num(line_values(line, release)[what])) * line.edible_g / 100

    def row(self, target: Target) -> tuple[np.ndarray, float]:
        """Write a target as ``slopes · x  (operator)  right``, both in parts of its limit."""
        servings = self.amounts.recipe.servings
        rest, slopes = self.batch(target.what)
        size = abs(target.limit) or 1.0
        if target.basis == "serving":
            return slopes / servings / size, (target.limit - rest / servings) / size
        base_rest, base_slopes = self.batch(BASE[target.basis])  # 100 · amount <= limit · base is linear as well
        scale = size * (base_rest + base_slopes.sum())
        return (100 * slopes - target.limit * base_slopes) / scale, (target.limit * base_rest - 100 * rest) / scale


def _soaked(line: Line) -> float:
    return line.edible_g * max(line.cooking.yield_factor, 1.0)


def _alcohol_lost(line: Line, amounts: Amounts) -> float:
    if line.cooking.yield_origin == STATED:
        return 0.0
    raw = float(np.nan_to_num(amounts.grid.release.values(line.food.code)["ALC"]))
    kept = float(np.nan_to_num(line_values(line, amounts.grid.release)["ALC"]))
    return (raw - kept) * line.edible_g / 100


@lru_cache(maxsize=1)
def _solver() -> highspy.Highs:
    """Make the solver, which greets on the standard output when it is made, where a table may be on its way."""
    sys.stdout.flush()
    kept, sink = os.dup(1), os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(sink, 1)
        solver = highspy.Highs()
    finally:
        os.dup2(kept, 1)
        os.close(kept)
        os.close(sink)
    solver.setOptionValue("output_flag", False)
    for tolerance in ("primal_feasibility_tolerance", "dual_feasibility_tolerance"):
        solver.setOptionValue(tolerance, 1e-10)
    return solver


@dataclass(frozen=True, eq=False)
class Solution:
    """What the solver found.

    Attributes
    ----------
    solved : bool
        Whether all rows can be kept.
    x : ndarray
        The varied amounts relative to now, then the rest of the variables.
    duals : ndarray
        What one more on the right of each row does to the value.
    """

    solved: bool
    x: np.ndarray
    duals: np.ndarray


def _solve(
    cost: np.ndarray, rows: np.ndarray, low: np.ndarray, high: np.ndarray, least: np.ndarray, most: np.ndarray
) -> Solution:
    """Minimise ``cost · x`` with ``low <= rows · x <= high`` and ``least <= x <= most``."""
    if not len(cost):  # nothing may vary: the solver has no answer to that
        kept = bool(np.all((low <= 0) & (high >= 0)))
        return Solution(kept, np.zeros(0), np.zeros(len(low)))
    solver = _solver()
    solver.clearModel()
    places = np.arange(len(cost), dtype=np.int32)
    for bounds in zip(least, most, strict=True):
        solver.addVar(*map(float, bounds))
    solver.changeColsCost(len(cost), places, cost)
    for row, below, above in zip(rows, low, high, strict=True):
        at = np.flatnonzero(row).astype(np.int32)
        solver.addRow(float(below), float(above), len(at), at, row[at])
    solver.run()
    found = solver.getSolution()
    solved = solver.getModelStatus() == highspy.HighsModelStatus.kOptimal
    return Solution(solved, np.array(found.col_value), np.array(found.row_dual))


@dataclass(frozen=True, eq=False)
class Programme:
    """The linear programme: variables are the varied amounts relative to now, then how much each changes."""

    model: Model
    targets: tuple[Target, ...]
    cost: np.ndarray  # of the varied amounts

    def solve(self, kept: Sequence[int], *, elastic: bool = False) -> Solution:
        """Solve with some of the targets.

        Parameters
        ----------
        kept : sequence of int
            Places of the targets.
        elastic : bool, optional
            Each may be missed, and least is missed in all.

        Returns
        -------
        Solution
        """
        count, slack = len(self.model.varied), len(kept) if elastic else 0
        width = 2 * count + slack
        written = [self.model.row(self.targets[place]) for place in kept]
        rows, low, high = [], [], []
        for number, ((slopes, right), place) in enumerate(zip(written, kept, strict=True)):
            below = self.targets[place].operator == "<="
            row = np.zeros(width)
            row[:count] = slopes
            if elastic:
                row[2 * count + number] = -1.0 if below else 1.0
            rows.append(row)
            low.append(-np.inf if below else right)
            high.append(right if below else np.inf)
        for number in range(count):  # change >= x - 1 and change >= 1 - x
            for sign in (1.0, -1.0):
                row = np.zeros(width)
                row[number], row[count + number] = sign, -1.0
                rows.append(row)
                low.append(-np.inf)
                high.append(sign)
        cost = np.zeros(width)
        cost[count : 2 * count] = LITTLE if elastic or self.cost.any() else 1.0
        if elastic:
            cost[2 * count :] = 1.0
        else:
            cost[:count] = self.cost
        least = [each.low / each.line.edible_g for each in self.model.varied] + [0.0] * (count + slack)
        most = [each.high / each.line.edible_g for each in self.model.varied] + [np.inf] * (count + slack)
        table = np.array(rows) if rows else np.zeros((0, width))
        return _solve(cost, table, np.array(low), np.array(high), np.array(least), np.array(most))

    def conflict(self) -> list[int]:
        """Find the targets that cannot be reached at all, else a smallest set that cannot be reached together."""
        alone = [place for place in range(len(self.targets)) if not self.solve([place]).solved]
        kept = list(range(len(self.targets)))
        for place in range(len(self.targets)):
            fewer = [other for other in kept if other != place]
            if not self.solve(fewer).solved:
                kept = fewer
        return alone or kept
