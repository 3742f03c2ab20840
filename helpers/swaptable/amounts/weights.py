"""What an amount weighs: mass, the food's own portions, then densities, each saying where it came from."""

from __future__ import annotations

import re
from dataclasses import dataclass

from swaptable.basics.errors import SwaptableError, listed
from swaptable.basics.units import Amount, Measure, measure_named
from swaptable.foods.reference import general_density
from swaptable.foods.release import Food, Portion

__all__ = ["Weight", "density_of", "weigh"]

ROUNDING = 0.02  # portions of one measure that differ by less are the same, printed to few digits
_IRREGULAR = {
    "leaves": "leaf",
    "halves": "half",
    "loaves": "loaf",
    "potatoes": "potato",
    "tomatoes": "tomato",
}
_IDLE = {"of", "a", "an", "the", "or", "and"}


@dataclass(frozen=True)
class Weight:
    """A weight and where it came from.

    Attributes
    ----------
    grams : float
        [g]
    origin : str
        ``"mass"``, ``"the food's portion ..."``, ``"the food's density ..."`` or ``"general density ..."``.
    evidence : str
        ``"measured"`` (a scale), ``"calculated"`` (the release's portion) or ``"assumed"``.
    way : str
        Way of measuring, as in ``kitchen_errors.csv``: mass, volume, piece or general density.
    """

    grams: float
    origin: str
    evidence: str
    way: str


@dataclass(frozen=True)
class _Words:
    """A measure taken apart: a unit of volume or mass, and the words that qualify it."""

    unit: Measure | None
    qualifiers: frozenset[str]


def _singular(word: str) -> str:
    if word in _IRREGULAR:
        return _IRREGULAR[word]
    return word[:-1] if len(word) > 3 and word.endswith("s") and not word.endswith("ss") else word


def _take_apart(text: str, without: frozenset[str] = frozenset()) -> _Words:
    plain = re.sub(r"\(.*?\)|\(.*$", " ", text)
    tokens = re.findall(r"[^\s,;]+", plain)
    unit, rest = None, tokens
    for length in (3, 2, 1):
        unit = measure_named(" ".join(tokens[:length])) if len(tokens) >= length else None
        if unit is not None:
            rest = tokens[length:]
            break
    words = {_singular(token.lower()) for token in rest} - _IDLE
    return _Words(unit, frozenset(words - without if words - without or unit else words))


def _portions(food: Food, without: frozenset[str]) -> list[tuple[_Words, Portion]]:
    return [(_take_apart(portion.measure, without), portion) for portion in food.portions]


def _name_words(food: Food) -> frozenset[str]:
    """Words that only repeat what the food is ("3 medium potatoes")."""
    head = re.findall(r"[a-z]+", food.description.lower().split(",")[0])
    return frozenset(_singular(word) for word in head)


def _one_weight(found: list[Portion], measure: str) -> Portion | None:
    """Return the first portion if all that were found weigh the same but for rounding; else complain."""
    weights = [portion.grams for portion in found]
    if found and max(weights) > (1 + ROUNDING) * min(weights):
        choices = listed(f"{p.measure} ({p.grams:.4g} g)" for p in found)
        raise SwaptableError(f"found '{measure}', which could be {choices}; say which")
    return found[0] if found else None


def _as_portion(measure: str, food: Food) -> Portion | None:
    """Find the food's own portion for a measure: the same words, else the only one that holds them all."""
    exact = [portion for portion in food.portions if portion.measure.lower() == measure.lower()]
    if exact:
        return _one_weight(exact, measure)
    without = _name_words(food)
    asked = _take_apart(measure, without)
    portions = _portions(food, without)
    same = [portion for words, portion in portions if words == asked]
    if same:
        return _one_weight(same, measure)
    if not asked.qualifiers and asked.unit is None:
        return None
    wider = [p for words, p in portions if words.unit == asked.unit and words.qualifiers > asked.qualifiers]
    return _one_weight(wider, measure)


def unit_of(portion: Portion) -> Measure | None:
    """Give the unit of mass or volume that a portion counts, or None where it counts pieces."""
    return _take_apart(portion.measure).unit


def density_of(food: Food, qualifiers: frozenset[str] = frozenset(), measure: str = "") -> tuple[float, str, str]:
    """Find what a millilitre of a food weighs.

    Parameters
    ----------
    food : Food
    qualifiers : frozenset of str, optional
        Words such as ``chopped`` that the density must be for.
    measure : str, optional
        The whole measure as it was written, for the error.

    Returns
    -------
    density : float
        [g/ml]
    origin, evidence : str
        As in :class:`Weight`. The food's own volume portions come first, of these the largest volume, whose
        rounding matters least; then the general densities of ``data/reference/densities.csv``.

    Raises
    ------
    SwaptableError
        If nothing gives a density, or the food's portions give several.
    """
    volumes = [
        (words.unit.size, words.qualifiers, portion)
        for words, portion in _portions(food, _name_words(food))
        if words.unit is not None and words.unit.kind == "volume"
    ]
    same = [(size, portion) for size, words, portion in volumes if words == qualifiers]
    if not same and volumes:
        wider = [(size, portion) for size, words, portion in volumes if words > qualifiers]
        densities = [portion.grams / size for size, portion in wider]
        if wider and max(densities) > (1 + ROUNDING) * min(densities):
            choices = listed(f"{p.measure} ({p.grams:.4g} g)" for _, p in wider)
            raise SwaptableError(f"a volume of '{food.description}' could be {choices}; say which")
        same = wider
    if same:
        size, portion = max(same, key=lambda pair: pair[0])
        return (
            portion.grams / size,
            f"the food's density (1 {portion.measure} = {portion.grams:.4g} g)",
            "calculated",
        )
    general = None if qualifiers else general_density(food)
    if general is None:
        lacks = f"portion '{measure}'" if qualifiers and measure else "portion or density for a volume"
        own = listed(dict.fromkeys(portion.measure for portion in food.portions)) or "none"
        raise SwaptableError(f"'{food.description}' has no {lacks}; give a mass, or one of its portions: {own}")
    return general[0], f"general density {general[0]:.4g} g/ml ({general[1]})", "assumed"


def weigh(amount: Amount, food: Food) -> Weight:
    """Find what an amount of a food weighs.

    Parameters
    ----------
    amount : Amount
        Number and measure.
    food : Food
        With its portions.

    Returns
    -------
    Weight
        In the order of trust: a mass; the food's own portion of the same words, or the only one that holds
        all the words; the food's own density; a general density.

    Raises
    ------
    SwaptableError
        If the measure means nothing for this food, or could mean several weights; names the portions.

    Notes
    -----
    The portions of SR28 are of the edible portion in US customary measures (1 cup = 236.588 ml).
    """
    if amount.number == 0:
        return Weight(0.0, "none", "measured", "mass")
    unit = measure_named(amount.measure)
    if unit is not None and unit.kind == "mass":
        return Weight(amount.number * unit.size, "mass", "measured", "mass")
    portion = _as_portion(amount.measure, food)
    if portion is not None:
        origin = f"the food's portion (1 {portion.measure} = {portion.grams:.4g} g)"
        return Weight(
            amount.number * portion.grams, origin, "calculated", "piece" if unit_of(portion) is None else "volume"
        )
    asked = _take_apart(amount.measure, _name_words(food))
    if asked.unit is None or asked.unit.kind != "volume":
        portions = listed(f"{p.measure} ({p.grams:.4g} g)" for p in food.portions) or "none"
        shown = f"'{amount.measure}'" if amount.measure else "a number without a measure"
        raise SwaptableError(
            f"found {shown}; expected a mass (g, kg, oz, lb), a volume (ml, l, cup, tbsp, tsp) or a portion of "
            f"'{food.description}': {portions}"
        )
    density, origin, evidence = density_of(food, asked.qualifiers, amount.measure)
    way = "general density" if evidence == "assumed" else "volume"
    return Weight(amount.number * asked.unit.size * density, origin, evidence, way)
