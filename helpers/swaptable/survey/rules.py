"""Swap rules for whole collections: named choices of two ways each, defined on foods by code or words.

A rule is a choice "as written" or "changed" of every recipe in which it finds an ingredient. What it changes: the
food (the same raw edible weight of another), the weight (times a factor), or the fate of the cooking liquid. Nothing
else follows from it: no other ingredient, time or method changes, and the dish keeps its yield.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, field_validator

from swaptable.basics.errors import SwaptableError
from swaptable.basics.located_yaml import SourceText
from swaptable.basics.model_files import FileModel, read_model
from swaptable.foods.cooking_factors import food_class_of, processes_for, retention_table
from swaptable.foods.release import Food, FoodRelease
from swaptable.survey.dishes import Dish, Part

__all__ = [
    "MOST_RULES",
    "Change",
    "Swaps",
    "Touched",
    "Variants",
    "Varier",
    "changes_of",
    "fates_of",
    "other_row",
    "read_swaps",
]

MOST_RULES = 10  # 1,024 variants of a recipe
_OTHER_LIQUID = {"kept": "discarded", "discarded": "kept"}


class Change(FileModel):
    """What a rule does to the foods it finds."""

    match: str = Field("", description="Regular expression that the food's description holds, whatever the case.")
    codes: tuple[str, ...] = Field((), description="Food codes with the release in front, such as sr28:02047.")
    food: str | None = Field(None, description="Food that takes the place, in the same raw edible weight.")
    times: Annotated[float, Field(ge=0, le=10, allow_inf_nan=False)] | None = Field(
        None, description="Factor on the weight; 0 leaves the food out."
    )
    liquid: Literal["kept", "discarded"] | None = Field(
        None, description="Fate of the cooking liquid, where retention is published for both."
    )

    @field_validator("match")
    @classmethod
    def _is_pattern(cls, text: str) -> str:
        try:
            re.compile(text)
        except re.error as error:
            raise SwaptableError(f"found '{text}'; expected a regular expression ({error})") from None
        return text

    @cached_property
    def _pattern(self) -> re.Pattern[str]:
        return re.compile(self.match, re.I)

    def finds(self, code: str, description: str) -> bool:
        """Tell whether it is about a food."""
        return code in self.codes or bool(self.match and self._pattern.search(description))


class Swaps(FileModel):
    """The rules of a file, in their order.

    Attributes
    ----------
    title : str
    rules : dict of tuple of Change
        Name → changes; for each ingredient the first that finds it counts.
    """

    title: str = Field(min_length=1)
    rules: dict[str, tuple[Change, ...]] = Field(min_length=1)
    source: SourceText = Field(default_factory=SourceText, exclude=True)

    @classmethod
    def owner_at(cls, path: tuple[str | int, ...]) -> type[FileModel]:
        """Give the model of the mapping that stands at a place of the file."""
        return Change if path and path[0] == "rules" else cls

    def check(self, source: SourceText) -> None:
        """Check what takes more than one field; raise an error with its place."""
        if len(self.rules) > MOST_RULES:
            raise source.error(("rules",), f"found {len(self.rules)} rules; expected at most {MOST_RULES}")
        for name, changes in self.rules.items():
            if not changes:
                raise source.error(("rules", name), "changes nothing; expected at least one change")
            for number, change in enumerate(changes):
                place = ("rules", name, number)
                if not change.match and not change.codes:
                    raise source.error(place, "finds no food; expected match or codes")
                if change.food is None and change.times is None and change.liquid is None:
                    raise source.error(place, "changes nothing; expected food, times or liquid")

    def check_foods(self, release: FoodRelease) -> None:
        """Refuse codes that the release does not have, with their place."""
        for name, changes in self.rules.items():
            for number, change in enumerate(changes):
                for field, codes in (("codes", change.codes), ("food", (change.food,) if change.food else ())):
                    for code in codes:
                        try:
                            release.food(code)
                        except SwaptableError as error:
                            raise self.source.error(("rules", name, number, field), str(error)) from None


def read_swaps(path: str | Path) -> Swaps:
    """Read and check a file of swap rules.

    Parameters
    ----------
    path : str or Path
        YAML file, as described in ``data/README.md``.

    Returns
    -------
    Swaps

    Raises
    ------
    InputError
        With file, line, column, field, the value found and what is allowed.
    """
    return read_model(Path(path), Swaps)


@dataclass(frozen=True)
class Touched:
    """What the rules do to one ingredient: for each field the rules that may change it.

    Attributes
    ----------
    food : (str, str) or None
        Rule and the code that takes the place.
    liquid : (str, str) or None
        Rule and the fate of the liquid.
    times : tuple of (str, float)
        Rules and their factors, which multiply.
    """

    food: tuple[str, str] | None = None
    liquid: tuple[str, str] | None = None
    times: tuple[tuple[str, float], ...] = ()

    @property
    def rules(self) -> set[str]:
        """Name the rules that change anything."""
        return {rule for rule, _ in (*filter(None, (self.food, self.liquid)), *self.times)}


def changes_of(swaps: Swaps, food: Food, release: FoodRelease, other_liquid: Mapping[str, bool]) -> Touched:
    """Find what the rules may do to one ingredient as written.

    Parameters
    ----------
    swaps : Swaps
    food : Food
    release : FoodRelease
    other_liquid : dict
        ``"kept"`` and ``"discarded"`` → whether its liquid can be given that fate, which it has not.

    Returns
    -------
    Touched
        Food and liquid are changed by the first rule of the file that would; factors on the weight multiply.
    """
    new_food = new_liquid = None
    times = []
    for name, changes in swaps.rules.items():
        change = next((each for each in changes if each.finds(release.full_code(food.code), food.description)), None)
        if change is None:
            continue
        if change.food is not None and new_food is None and release.food(change.food).code != food.code:
            new_food = (name, release.food(change.food).code)
        if change.liquid is not None and new_liquid is None and other_liquid[change.liquid]:
            new_liquid = (name, change.liquid)
        if change.times is not None and change.times != 1:
            times.append((name, change.times))
    return Touched(new_food, new_liquid, tuple(times))


@lru_cache(maxsize=4096)
def other_row(row: str, liquid: str) -> str | None:
    """Find the published row for the other fate of the liquid.

    Parameters
    ----------
    row : str
        Row of ``retention.csv``.
    liquid : str
        ``"kept"`` or ``"discarded"``.

    Returns
    -------
    str or None
        The row of the same class, process and detail, else their default one; None where the row is not for the
        opposite fate, or none is published.
    """
    table = retention_table()
    own = table.loc[row]
    if own["liquid"] != _OTHER_LIQUID[liquid]:
        return None
    same = (table["food_class"] == own["food_class"]) & (table["process"] == own["process"])
    rows = table[same & (table["liquid"] == liquid)]
    found = rows[rows["detail"] == own["detail"]]
    found = found if len(found) else rows[rows["default"] == "yes"]
    return str(found["row"].iloc[0]) if len(found) else None


def fates_of(rows: tuple[str, ...]) -> dict[str, bool]:
    """Tell which fates the cooking liquid may be given that it has not: ``kept``, ``discarded``."""
    return {liquid: any(other_row(row, liquid) for row in rows) for liquid in _OTHER_LIQUID}


@lru_cache(maxsize=4096)
def _moved(row: str, old_class: str, new_class: str) -> str:
    """Find the row of the new food's class for the same process and liquid, where the old row is of the old class."""
    table = retention_table()
    own = table.loc[row]
    if own["food_class"] != old_class or old_class == new_class:
        return row
    rows = table[(table["food_class"] == new_class) & (table["default"] == "yes")]
    for process in processes_for(str(own["process"])):
        found = rows[(rows["process"] == process) & rows["liquid"].isin([own["liquid"], ""])]
        if len(found):
            return str(found["row"].iloc[0])
    return row


@dataclass(frozen=True, eq=False)
class Variants:
    """A dish in all its variants.

    Attributes
    ----------
    dish : Dish
    rules : tuple of str
        Rules that change something in it.
    chosen : ndarray of bool
        Variants × rules; the first variant is the dish as written.
    parts : tuple of Part
        Every food in every cooking that occurs; ``grams`` are those as written.
    grams : ndarray
        Variants × parts: raw edible weight. [g]
    replaced_share : ndarray
        By variant: share of the ingredients' raw edible weight that is of another food than as written. [-]
    """

    dish: Dish
    rules: tuple[str, ...]
    chosen: np.ndarray
    parts: tuple[Part, ...]
    grams: np.ndarray
    replaced_share: np.ndarray

    @property
    def labels(self) -> list[str]:
        """Name each variant by the rules that it follows."""
        return [
            " + ".join(rule for rule, used in zip(self.rules, row, strict=True) if used) or "as written"
            for row in self.chosen
        ]


class Varier:
    """Lays dishes out in all their variants.

    Parameters
    ----------
    swaps : Swaps or None
        None leaves every dish as written.
    release : FoodRelease
    """

    def __init__(self, swaps: Swaps | None, release: FoodRelease) -> None:
        self.swaps, self.release = swaps, release
        self._seen: dict[tuple[str, tuple[str, ...]], Touched] = {}
        self._classes: dict[str, str] = {}

    def vary(self, dish: Dish) -> Variants:
        """Lay out all variants of a dish.

        Parameters
        ----------
        dish : Dish

        Returns
        -------
        Variants
            Two to the power of the rules that change something. A replaced food keeps its cooking: the row of its own
            class for the same process and liquid, where one is published, else the row as it was.
        """
        touched = [self._touched(part) for part in dish.parts]
        used = {rule for each in touched for rule in each.rules}
        rules = tuple(name for name in (self.swaps.rules if self.swaps else ()) if name in used)
        count = 1 << len(rules)
        chosen = (np.arange(count)[:, None] >> np.arange(len(rules))[::-1]) & 1 == 1
        follows = {rule: chosen[:, place] for place, rule in enumerate(rules)}
        never = np.zeros(count, dtype=bool)
        parts: list[Part] = []
        replaced: list[bool] = []
        columns = []
        for part, change in zip(dish.parts, touched, strict=True):
            weight = np.full(count, part.grams)
            for rule, factor in change.times:
                weight = np.where(follows[rule], weight * factor, weight)
            swapped = follows[change.food[0]] if change.food else never
            other = follows[change.liquid[0]] if change.liquid else never
            for (new_food, new_liquid), found in self._states(part, change).items():
                parts.append(found)
                replaced.append(new_food)
                columns.append(np.where((swapped == new_food) & (other == new_liquid), weight, 0.0))
        grams = np.column_stack(columns)
        fixed = np.array([part.fixed for part in parts])
        rest = grams[:, ~fixed].sum(axis=1)
        grams[:, fixed] *= (rest / rest[0])[:, None]  # fat comes and goes as a percentage of the rest
        share = grams[:, replaced].sum(axis=1) / np.where(rest > 0, rest, np.nan)
        return Variants(dish, rules, chosen, tuple(parts), grams, share)

    def _states(self, part: Part, touched: Touched) -> dict[tuple[bool, bool], Part]:
        """Give the part for every combination of (another food, another liquid) that occurs."""
        states = {(False, False): part}
        if touched.food is not None:
            new = touched.food[1]
            rows = tuple(_moved(row, self._class_of(part.food), self._class_of(new)) for row in part.rows)
            states[True, False] = replace(part, food=new, rows=rows)
        if touched.liquid is not None:
            for (swapped, _), found in list(states.items()):
                rows = tuple(other_row(row, touched.liquid[1]) or row for row in found.rows)
                states[swapped, True] = replace(found, rows=rows)
        return states

    def _class_of(self, code: str) -> str:
        if code not in self._classes:
            self._classes[code] = food_class_of(self.release.food(code))
        return self._classes[code]

    def _touched(self, part: Part) -> Touched:
        if self.swaps is None or not part.known or part.fixed:
            return Touched()
        key = (part.food, part.rows)
        if key not in self._seen:
            food = self.release.food(part.food)
            self._seen[key] = changes_of(self.swaps, food, self.release, fates_of(part.rows))
        return self._seen[key]
