"""The dishes of a survey resolved: nested dishes taken apart, codes found in a food release, the rest listed.

A dish inside a dish is replaced by what it is made of, in proportion to the weight eaten of it; a retention code on
it comes on top of those inside. What cannot be computed is listed with its reason, and so is every ingredient that
the release does not have: such a dish is computed as a lower bound with its known share.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from swaptable.basics.errors import SwaptableError
from swaptable.foods.cooking_factors import retention_table
from swaptable.foods.reference import kitchen_errors
from swaptable.foods.release import FoodRelease
from swaptable.survey.fndds import SURVEY_CODE, Fndds

__all__ = ["Dish", "Part", "Resolved", "resolve_dishes"]

_CHANGE = "class yield"  # how sure a published change of fat is, as in kitchen_errors.csv
_DEEPEST = 20  # dishes within dishes


@dataclass(frozen=True)
class Part:
    """One ingredient of a dish.

    Attributes
    ----------
    food : str
        Code in the food release.
    rows : tuple of str
        Rows of ``retention.csv`` that apply one after the other; empty where it is not cooked.
    grams : float
        Raw edible weight; below 0 for fat that cooking takes off. [g]
    weighings : tuple of (str, float)
        What its weight rests on: the name of each weighing and its relative standard deviation [-]. Parts that
        share a name err together.
    known : bool
        Whether the release has the food.
    fixed : bool
        Whether it comes with the cooking, such as frying fat, so that no swap concerns it.
    """

    food: str
    rows: tuple[str, ...]
    grams: float
    weighings: tuple[tuple[str, float], ...]
    known: bool = True
    fixed: bool = False


@dataclass(frozen=True)
class Dish:
    """A dish made of foods of a release.

    Attributes
    ----------
    code, title : str
    parts : tuple of Part
    cooked_g : float
        Weight as eaten of what the parts make. [g]
    """

    code: str
    title: str
    parts: tuple[Part, ...]
    cooked_g: float


@dataclass(frozen=True, eq=False)
class Resolved:
    """All dishes of a survey: those that can be computed, and what is in the way of the others.

    Attributes
    ----------
    dishes : tuple of Dish
    not_computed : DataFrame
        ``recipe``, ``title`` and ``reason``.
    unmapped : DataFrame
        Ingredients that the release does not have: ``recipe``, ``food``, ``description``, ``weight_share`` of the
        dish's ingredients [-] and ``reason``.
    """

    dishes: tuple[Dish, ...]
    not_computed: pd.DataFrame
    unmapped: pd.DataFrame


@dataclass(frozen=True)
class _Line:
    food: str
    description: str
    grams: float
    way: str
    retention: str


class _Resolver:
    """Takes dishes apart; each one once."""

    def __init__(self, survey: Fndds, release: FoodRelease) -> None:
        self.survey = survey
        self.foods = frozenset(release.foods.index)
        self.rows = frozenset(retention_table().index)
        self.errors = kitchen_errors()
        fields = ["food", "description", "grams", "way", "retention"]
        self.lines: dict[str, list[_Line]] = {}
        for dish, *values in survey.lines[["dish", *fields]].itertuples(index=False, name=None):
            self.lines.setdefault(dish, []).append(_Line(*values))
        self.changes = dict(
            zip(
                survey.dishes.index,
                survey.dishes[["moisture_percent", "fat_percent", "fat_food"]].itertuples(index=False, name=None),
                strict=True,
            )
        )
        self.done: dict[str, Dish | SwaptableError] = {}
        self.descriptions = dict(zip(survey.lines["food"], survey.lines["description"], strict=True))

    def dish(self, code: str, above: tuple[str, ...] = ()) -> Dish:
        """Resolve a dish, or say why it cannot be."""
        if code in above:
            circle = " in ".join([*above[above.index(code) :], code])
            raise SwaptableError(f"contains itself: {circle}")
        if code not in self.done:
            try:
                self.done[code] = self._take_apart(code, (*above, code))
            except SwaptableError as error:
                self.done[code] = error
        found = self.done[code]
        if isinstance(found, SwaptableError):
            raise found
        return found

    def _take_apart(self, code: str, above: tuple[str, ...]) -> Dish:
        lines = self.lines.get(code, [])
        if not lines:
            raise SwaptableError("has no ingredients")
        moisture, fat, fat_food = self.changes[code]
        if np.isnan(moisture):
            raise SwaptableError("has no row in MoistureFatAdj.txt")
        total = sum(line.grams for line in lines)
        cooked = total * (1 + (moisture + fat) / 100)
        if cooked <= 0:
            raise SwaptableError(f"nothing is left of it: moisture {moisture:g} %, fat {fat:g} %")
        parts = [
            part
            for number, line in enumerate(lines, 1)
            for part in self._parts(line, (f"{code}/{number}", self.errors[line.way]), above)
        ]
        if fat:
            parts += self._fat(fat_food, total * fat / 100, (f"{code}/fat", self.errors[_CHANGE]), above)
        return Dish(code, str(self.survey.dishes.at[code, "title"]), tuple(parts), cooked)

    def _fat(self, food: str, grams: float, weighing: tuple[str, float], above: tuple[str, ...]) -> list[Part]:
        if not food:
            raise SwaptableError(f"its fat changes by {grams:+.4g} g, but no type of fat is given")
        found = self._parts(_Line(food, "", grams, "", ""), weighing, above)
        if grams < 0 and not all(part.known for part in found):
            # without the fat that leaves, the sum would be no lower bound
            raise SwaptableError(f"fat is taken off it, of a type ({food}) that is not in the food release")
        return [replace(part, fixed=True) for part in found]

    def _parts(self, line: _Line, weighing: tuple[str, float], above: tuple[str, ...]) -> list[Part]:
        own = (line.retention,) if line.retention else ()
        if line.retention and line.retention not in self.rows:
            raise SwaptableError(f"retention code {line.retention} is not in the table of retention factors")
        if len(line.food) < SURVEY_CODE or line.food not in self.changes:
            return [Part(line.food, own, line.grams, (weighing,), line.food in self.foods)]
        if len(above) > _DEEPEST:
            raise SwaptableError(f"holds dishes within dishes, more than {_DEEPEST} deep")
        try:
            inner = self.dish(line.food, above)
        except SwaptableError as error:
            raise SwaptableError(f"its ingredient {line.food} cannot be computed: {error}") from None
        scale = line.grams / inner.cooked_g
        return [
            replace(part, rows=part.rows + own, grams=part.grams * scale, weighings=(*part.weighings, weighing))
            for part in inner.parts
        ]


def _some_known(dish: Dish) -> Dish:
    if not any(part.known and part.grams > 0 for part in dish.parts):
        raise SwaptableError("none of its ingredients is in the food release")
    return dish


def _missing(dish: Dish, descriptions: dict[str, str]) -> Iterator[dict[str, object]]:
    total = sum(abs(part.grams) for part in dish.parts)
    for part in dish.parts:
        if not part.known:
            kind = "no such dish in the survey" if len(part.food) >= SURVEY_CODE else "not in the food release"
            share = abs(part.grams) / total
            words = descriptions.get(part.food, "")
            yield {"recipe": dish.code, "food": part.food, "description": words, "weight_share": share, "reason": kind}


def resolve_dishes(survey: Fndds, release: FoodRelease) -> Resolved:
    """Take nested dishes apart and find every code in a food release.

    Parameters
    ----------
    survey : Fndds
    release : FoodRelease
        Whose codes are those of SR (five digits).

    Returns
    -------
    Resolved
        Every dish of the survey stands in ``dishes`` or in ``not_computed``.

    Notes
    -----
    A dish that holds a dish which cannot be computed cannot be either. The weighing of a nested dish moves all that it
    is made of, beside the weighings of its own recipe.
    """
    resolver = _Resolver(survey, release)
    dishes: list[Dish] = []
    refused: list[dict[str, str]] = []
    missing: list[dict[str, object]] = []
    for code, title in survey.dishes["title"].items():
        try:
            dish = _some_known(resolver.dish(str(code)))
        except SwaptableError as error:
            refused.append({"recipe": str(code), "title": str(title), "reason": str(error)})
            continue
        dishes.append(dish)
        missing += _missing(dish, resolver.descriptions)
    return Resolved(
        tuple(dishes),
        pd.DataFrame(refused, columns=["recipe", "title", "reason"]),
        pd.DataFrame(missing, columns=["recipe", "food", "description", "weight_share", "reason"]),
    )
