"""Words of a search for amounts: ingredients with their bounds, and targets."""

from __future__ import annotations

import re
from dataclasses import dataclass

import pandas as pd

from swaptable.amounts.nutrients import Amounts
from swaptable.amounts.recipes import Recipe
from swaptable.amounts.variants import Line
from swaptable.amounts.weights import weigh
from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.basics.units import component_amount, measure_named, parse_amount
from swaptable.foods.reference import component_named

__all__ = ["BASES", "COST", "WEIGHT", "Target", "Varied", "read_target", "read_varied"]

WEIGHT, COST = "weight", "cost"
BASES = ("serving", "100 g", "100 kcal")
_OPERATORS = {"<=": "<=", ">=": ">=", "≤": "<=", "≥": ">=", "at most": "<=", "at least": ">="}
_TARGET = re.compile(r"(?P<name>.+?)\s*(?P<operator><=|>=|≤|≥|\bat most\b|\bat least\b)\s*(?P<amount>.+)")
_RANGE = re.compile(
    r"(?P<name>.+?)\s+(?P<low>[\d.][\d./ ]*?)\s*(?P<unit>[^\d\s.]\S*(?: \D+?)?)?\s+to\s+(?P<high>[\d.].*)"
)
_BASIS = re.compile(r"(?P<amount>.+?)\s+(?:per|a)\s+(?P<basis>.+)")


@dataclass(frozen=True)
class Target:
    """What a serving should bring.

    Attributes
    ----------
    words : str
        As the user wrote it.
    what : str
        INFOODS tag, ``"weight"`` (as eaten) or ``"cost"``.
    operator : str
        ``<=`` or ``>=``.
    limit : float
        In ``unit``, per ``basis``.
    unit, basis : str
    """

    words: str
    what: str
    operator: str
    limit: float
    unit: str
    basis: str


@dataclass(frozen=True)
class Varied:
    """An ingredient that may be changed: bounds of its edible weight per batch [g]."""

    name: str
    line: Line
    low: float
    high: float
    per_stated: float  # edible grams in one gram as the recipe weighs it


def read_varied(text: str, amounts: Amounts, recipe: Recipe) -> Varied:
    """Read an ingredient with its bounds, such as ``barley 100 to 250 g``."""
    grid = amounts.grid
    name = max((name for name in grid.lines if text.strip().startswith(f"{name} ")), key=len, default="")
    if not name:
        names = list(grid.lines)
        hint = nearest(text.split(" ")[0] if text else "", names)
        raise SwaptableError(f"found '{text}'; expected an ingredient with bounds, of {listed(names, 40)}{hint}")
    line, stated = grid.line(name, {}), recipe.ingredients[name]
    found = re.fullmatch(r"(?P<low>.+?)\s+to\s+(?P<high>.+)", text.strip().removeprefix(name).strip())
    if line is None or found is None:
        raise SwaptableError(f"found '{text}'; expected bounds such as '{name} 100 to 250 g'")
    high = parse_amount(found["high"])
    low = parse_amount(
        found["low"] if re.search(r"[^\d\s./½⅓¼¾⅔⅛]", found["low"]) else f"{found['low']} {high.measure}"
    )
    purchased = stated.weighed == "as purchased"
    edible = 1 - line.refuse if purchased else 1.0
    least, most = (weigh(bound, line.food).grams * edible for bound in (low, high))
    if not least <= most or most == 0:
        raise SwaptableError(f"found '{text}'; expected the lower bound first, and a higher one above 0")
    return Varied(name, line, least, most, edible)


def _read_amount(text: str, what: str, unit: str, words: str) -> float:
    """Read the limit of a target in the unit of what it limits."""
    try:
        amount = parse_amount(text)
        if what == COST:
            if amount.measure not in ("", unit):
                raise SwaptableError(f"found '{text}'; expected a price in {unit}")
            return amount.number
        if what == WEIGHT:
            measure = measure_named(amount.measure)
            if measure is None or measure.kind != "mass":
                raise SwaptableError(f"found '{text}'; expected a mass such as 300 g")
            return amount.number * measure.size
        return component_amount(amount, what, unit)
    except SwaptableError as error:
        raise SwaptableError(f"target '{words}': {error}") from None


def read_target(text: str, units: pd.Series, currency: str) -> list[Target]:
    """Read a target, such as ``sodium <= 600 mg``, ``fibre at least 3 g per 100 g`` or ``energy 350 to 450 kcal``."""
    words = " ".join(text.split())
    found = _TARGET.fullmatch(words)
    ranged = None if found else _RANGE.fullmatch(words)
    if found is None and ranged is None:
        raise SwaptableError(
            f"found target '{text}'; expected such as 'sodium <= 600 mg', 'fibre >= 8 g per serving' or 'energy 350 to "
            "450 kcal'"
        )
    name = (found or ranged)["name"].strip()  # type: ignore[index]
    what = name if name in (WEIGHT, COST) else component_named(name, list(units.index))
    if what == "WATER":
        raise SwaptableError(f"target '{words}': water belongs to the whole dish; give weight, or another component")
    if what == COST and not currency:
        raise SwaptableError(f"target '{words}': nothing is priced; give a price file")
    unit = {WEIGHT: "g", COST: currency}.get(what) or str(units[what])
    last = str(found["amount"] if found else ranged["high"])  # type: ignore[index]
    per = _BASIS.fullmatch(last)
    last, basis = (per["amount"], per["basis"]) if per else (last, BASES[0])
    if basis not in BASES or (what in (WEIGHT, COST) and basis != BASES[0]):
        allowed = BASES[:1] if what in (WEIGHT, COST) else BASES
        raise SwaptableError(f"target '{words}': found 'per {basis}'; expected per {' or '.join(allowed)}")
    if found:
        return [Target(words, what, _OPERATORS[found["operator"]], _read_amount(last, what, unit, words), unit, basis)]
    assert ranged is not None
    measure = ranged["unit"] or parse_amount(last).measure
    low, high = (_read_amount(text, what, unit, words) for text in (f"{ranged['low']} {measure}", last))
    if low > high:
        raise SwaptableError(f"target '{words}': expected the lower end first")
    return [
        Target(f"{words}: at least", what, ">=", low, unit, basis),
        Target(f"{words}: at most", what, "<=", high, unit, basis),
    ]
