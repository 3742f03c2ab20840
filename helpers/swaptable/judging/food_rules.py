"""Which foods the row of a table means, and where in a recipe they stand.

A food is known here by its description only. A rule first strikes some phrases out of it ("coconut milk"), then
looks for its words in what is left ("milk"). What a name does not tell, only a label does.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
import xarray as xr

from swaptable.amounts.nutrients import Amounts
from swaptable.amounts.variants import Grid, Line, Options
from swaptable.foods.release import Food

__all__ = ["is_unheated", "lines_where", "options_text", "present_in", "rule_of"]

# What leaves a food as raw as it was, or cooks it too little to count on.
_UNHEATED = {"", "drained", "rinsed", "frozen", "stored", "dried", "flamed", "stirred into hot liquid"}


@dataclass(frozen=True)
class _FoodRule:
    """Which foods a row of a table means."""

    groups: frozenset[str]
    pattern: re.Pattern[str]
    struck: re.Pattern[str] | None

    def means(self, food: Food) -> bool:
        if self.groups and food.food_group not in self.groups:
            return False
        words = food.description.lower()
        if self.struck is not None:
            words = self.struck.sub(" ", words)
        return self.pattern.search(words) is not None


@lru_cache(maxsize=512)
def _rule(groups: str, pattern: str, struck: str) -> _FoodRule:
    words = frozenset(filter(None, groups.split("|")))
    return _FoodRule(words, re.compile(pattern), re.compile(struck) if struck else None)


def rule_of(row: pd.Series) -> _FoodRule:
    """Read which foods a row means."""
    return _rule(row["food_group"], row["pattern"], row["except_pattern"])


def options_text(grid: Grid, options: Iterable[Options]) -> str:
    """Say under which options something holds; empty where it holds under all."""
    chosen: dict[str, list[str]] = {}
    for pairs in options:
        for choice, option in pairs:
            if option not in chosen.setdefault(choice, []):
                chosen[choice].append(option)
    words = [
        " or ".join(option for option in grid.choices[choice] if option in names)
        for choice, names in chosen.items()
        if len(names) < len(grid.choices[choice])
    ]
    return ", ".join(words)


def lines_where(amounts: Amounts, holds: Callable[[Line], bool]) -> str:
    """Name the ingredients, options and foods for which something holds, or nothing."""
    found = []
    for ingredient, lines in amounts.grid.lines.items():
        by_food: dict[str, list[Options]] = {}
        for options, line in lines.items():
            if holds(line):
                by_food.setdefault(line.food.description, []).append(options)
        for food, under in by_food.items():
            only = options_text(amounts.grid, under)
            found.append(f"{ingredient} ({only}): {food}" if only else f"{ingredient}: {food}")
    return "; ".join(found)


def is_unheated(line: Line) -> bool:
    """Tell whether an ingredient stays as raw as it was, or is cooked too little to count on."""
    return line.cooking.process in _UNHEATED


def present_in(grid: Grid, holds: Callable[[Line], bool]) -> xr.DataArray:
    """Tell for every variant whether the dish holds an ingredient of a kind."""
    present = xr.zeros_like(grid.allowed)
    for ingredient, lines in grid.lines.items():
        coords = {choice: list(grid.choices[choice]) for choice in grid.own_choices(ingredient)}
        table = np.zeros([len(options) for options in coords.values()], dtype=bool)
        for options, line in lines.items():
            table[tuple(coords[choice].index(option) for choice, option in options)] = holds(line)
        present = present | xr.DataArray(table, coords=coords, dims=list(coords))
    return present.transpose(*grid.allowed.dims)
