"""What the amount of a kitchen line is for the food that was chosen, in words that a recipe file accepts."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from swaptable.amounts.weights import unit_of, weigh
from swaptable.basics.errors import SwaptableError
from swaptable.basics.units import measure_named, parse_amount
from swaptable.foods.reference import drained_contents
from swaptable.foods.release import Food, Portion
from swaptable.kitchen.lines import KitchenLine
from swaptable.kitchen.words import CONTAINERS, INFORMAL, SIZES, singular

__all__ = ["FoodAmount", "amount_for"]

_MUCH = 1.25  # portions that differ by more are worth asking about
_WEIGHTY = 5.0  # g in a recipe that are worth a question
_FORMS = ("leaves", "whole", "chopped", "sliced", "diced", "cubes", "shredded", "ground")
_INEDIBLE = re.compile(
    r"\b(?:peeled|unpeeled weight|trimmed|cored|(?:de)?seeded|de-seeded|stoned|pitted|hulled|shelled|skinned|boned|"
    r"(?:stalk|stem|skin|peel|seed|stone|core|bone|pit|leave)s? removed|stemmed|shucked|deveined)\b"
)
_SAME = {"stick": ("stalk",), "head": ("bulb",)}
_NO_BONE = re.compile(r"\b(?:boneless|boned|fillets?|minced?|ground|cubed|diced|stewing|cooked|shredded)\b")
_EATEN_WHOLE = re.compile(
    r"\bunpeeled\b(?! weight)|\bscrubbed\b|\bskins?[- ]on\b|\bwith skins?\b|\bin (?:their|its) skins?\b"
)


@dataclass(frozen=True)
class FoodAmount:
    """An amount for one food.

    Attributes
    ----------
    text : str
        Such as ``"3 medium"``; empty where nothing is known: never 0.
    grams : float or None
        What it weighs as stated. [g]
    weighed : str
        ``"edible"`` or ``"as purchased"``.
    notes, asks : tuple of str
        How it was read, and what is left open or assumed.
    """

    text: str = ""
    grams: float | None = None
    weighed: str = "edible"
    notes: tuple[str, ...] = ()
    asks: tuple[str, ...] = ()


def _shown(number: float) -> str:
    return f"{number:.6g}"


def _weight(text: str, food: Food) -> float | None:
    try:
        return weigh(parse_amount(text), food).grams
    except SwaptableError:
        return None


def _measures(line: KitchenLine, food: Food) -> Iterator[tuple[str, str]]:
    """Give measures to try, the closest to the words first, each with what is assumed by it."""
    head = singular(line.food.split()[-1]) if line.food else ""
    known = {word for portion in food.portions for word in re.findall(r"[a-z]+", portion.measure.lower())}
    known -= set(re.findall(r"[a-z]+", food.description.lower().split(",")[0]))  # these say nothing of the measure
    said = [w for part in (*line.preparation, line.food) for w in re.findall(r"[a-z]+", part) if w in known]
    sized = line.measure if line.measure in SIZES else line.size
    for piece in (line.measure, *_SAME.get(line.measure, ())) if line.measure not in ("", *SIZES) else ():
        if sized:
            yield f"{piece} {sized}", ""
        for word in () if piece in CONTAINERS else said:
            yield f"{piece} {word}", ""
        yield piece, f"{sized}: not counted" if sized else ""
        if not _is_unit(piece) and not sized:
            yield f"{piece} medium", f"{piece} of medium size assumed"
    if line.measure not in ("", *SIZES):
        return
    if not sized:
        for words in (singular(line.food), *(word for word in said if word in line.food), head):
            yield words, ""
    usual = ("large", "medium") if food.description.lower().startswith("egg") else ("medium", "large")
    for size in (sized,) if sized else usual:
        for words in (size, f"{size} whole", f"{head} {size}", f"{size} fruit"):
            yield words, "" if sized else f"{size} ones assumed"
    if not sized:
        for words in ("fruit", "whole", "piece", "leaf"):
            yield words, ""


def _is_unit(measure: str) -> bool:
    """Tell whether a word is a unit of mass or volume."""
    return measure_named(measure) is not None


def _form(line: KitchenLine, food: Food) -> tuple[str, float, str, bool] | None:
    """Take the commonest form of a volume that could be several; loud where the choice weighs something."""
    texts = {f"{_shown(line.number or 0)} {line.measure} {form}": form for form in _FORMS}
    weights = {text: grams for text in texts if (grams := _weight(text, food)) is not None}
    if not weights:
        return None
    text = next(iter(weights))
    others = ", ".join(f"{texts[other]} {grams:.4g} g" for other, grams in weights.items())
    loud = max(weights.values()) - min(weights.values()) > _WEIGHTY
    return text, weights[text], f"{line.measure} taken as {texts[text]} ({others})", loud


def _like(line: KitchenLine, food: Food) -> Portion | None:
    """Find the food's only portion that begins with the measure or, of counted ones, its own name; sizes left aside."""
    counted = line.measure in ("", *SIZES)  # a cup or a slice of chicken is no whole one
    own = singular(line.food.split()[-1]) if counted and line.food else ""
    for word in filter(None, (line.measure, own)):
        found = [
            p for p in food.portions if unit_of(p) is None and re.match(rf"{re.escape(word)}s?\b", p.measure, re.I)
        ]
        weights = [portion.grams for portion in found]
        if found and max(weights) <= _MUCH * min(weights):
            return found[0]
    return None


def _drained(line: KitchenLine, food: Food) -> FoodAmount | None:
    """Take the liquid of a can off, by what drained and whole cans weigh."""
    row = drained_contents(food)
    grams = _weight(f"{_shown(line.number or 0)} {line.measure}", food)
    unit = measure_named(line.measure)
    if row is None or unit is None or line.number is None:
        return None
    share, density, source = row
    if unit.kind == "volume":
        grams = line.number * unit.size * density if density else None
    if grams is None:
        return None
    asks = (f"weigh the drained food; {share:.0%} of {_shown(line.number)} {line.measure} was taken ({source})",)
    return FoodAmount(f"{grams * share:.4g} g", grams * share, "edible", (), asks)


def _is_drained(line: KitchenLine, food: Food) -> bool:
    """Tell whether the contents of a can are stated of which the liquid is poured off."""
    words = " ".join(line.preparation)
    drained = re.search(r"\bdrained\b", f"{words} {food.description}")
    return line.contents and drained is not None and not re.search(r"\bundrained\b", words)


def _juice(line: KitchenLine, food: Food, number: float, asks: tuple[str, ...]) -> FoodAmount:
    """Take what so many fruit yield, or ask how much it is."""
    fruit = line.food.removesuffix(" juice")
    text = f"{_shown(number)} {fruit} yields"
    grams = _weight(text, food)
    if grams is not None:
        return FoodAmount(text, grams, "edible", line.notes, asks)
    return FoodAmount(asks=(*asks, f"how much juice do {_shown(number)} {fruit} give?"))


def amount_for(line: KitchenLine, food: Food) -> FoodAmount:
    """Find an amount that the recipe file and the food's own portions understand.

    Parameters
    ----------
    line : KitchenLine
    food : Food
        What was chosen.

    Returns
    -------
    FoodAmount
        Checked with :func:`swaptable.amounts.weights.weigh`; without a text, and with a question, where the words give
        no number or the food has no such portion.
    """
    if line.number is None:
        return FoodAmount(asks=line.asks)
    asks: tuple[str, ...] = line.asks
    informal = measure_named(line.measure) if line.measure in INFORMAL else None
    if informal is not None:
        asks = (f"a {line.measure} is taken as {informal.size:.2g} ml (common practice, no source)",)
    if _is_drained(line, food):
        found = _drained(line, food)
        if found is not None:
            return found
        asks = (*asks, "the amount is the whole contents; weigh what is left after draining")
    if line.food.endswith(" juice") and not line.measure:
        return _juice(line, food, line.number, asks)
    for measure, told in _measures(line, food):
        text = f"{_shown(line.number)} {measure}".strip()
        grams = _weight(text, food)
        if grams is not None:
            notes = (*line.notes, told) if told else line.notes
            if line.measure in CONTAINERS:
                asks = (*asks, f"a {line.measure} of {grams / line.number:.4g} g was taken; what does yours hold?")
            weighed, doubt = _weighed(line, food, text)
            return FoodAmount(text, grams, weighed, notes, (*asks, *doubt))
    form = _form(line, food) if _is_unit(line.measure) else None
    if form is not None:
        text, grams, told, loud = form
        notes = line.notes if loud else (*line.notes, told)
        return FoodAmount(text, grams, "edible", notes, (*asks, told) if loud else asks)
    return _by_likeness(line, food, line.number, asks)


def _by_likeness(line: KitchenLine, food: Food, number: float, asks: tuple[str, ...]) -> FoodAmount:
    """Take a portion like the words where no measure fits, or ask what it weighs."""
    portion = _like(line, food)
    if portion is not None:
        text = f"{_shown(number * portion.grams)} g"
        note = f"{_shown(number)} x {portion.measure} ({portion.grams:.4g} g)"
        return FoodAmount(text, number * portion.grams, "edible", (*line.notes, note), asks)
    if line.asks:
        return FoodAmount(notes=line.notes, asks=asks)
    shown = " ".join(f"{_shown(number)} {line.size} {line.measure or line.food}".split())
    has = "; ".join(f"{p.measure} = {p.grams:.4g} g" for p in food.portions[:6]) or "none"
    return FoodAmount(notes=line.notes, asks=(*asks, f"what does '{shown}' weigh? (portions known: {has})"))


def _weighed(line: KitchenLine, food: Food, text: str) -> tuple[str, tuple[str, ...]]:
    """Tell from the words whether refuse is still to come off, and what is doubtful about that."""
    words = " ".join(line.preparation)
    if not food.refuse_percent > 0 or _EATEN_WHOLE.search(words):
        return "edible", ()
    unit = measure_named(parse_amount(text).measure)
    by_mass = unit is not None and unit.kind == "mass"
    if by_mass and "bone" in food.refuse_description.lower() and not _NO_BONE.search(f"{line.food} {words}"):
        share = f"{food.refuse_percent:.3g} % ({food.refuse_description.lower()})"
        return "as purchased", () if "bone-in" in words else (f"weighed with bone? {share} was taken off",)
    if by_mass and "bone-in" in words:
        return "edible", ("weighed with bone? the table has no share of bone for this food; state refuse",)
    # SR's pieces are of the edible part, but for those that it weighs with the skin
    in_skin = unit is None and re.search(r"\b(?:flesh and skin|with skin)\b", food.description, re.I) is not None
    before_trimming = line.prepared_after and _INEDIBLE.search(words) is not None
    return "as purchased" if before_trimming and (by_mass or in_skin) else "edible", ()
