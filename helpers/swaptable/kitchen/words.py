"""Amounts as cooks write them: numbers, ranges, units, sizes, pieces, packages and weights in brackets."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, replace

from swaptable.basics.errors import SwaptableError
from swaptable.basics.units import Measure, measure_named

__all__ = [
    "BULLET",
    "CONTAINERS",
    "FIGURE",
    "INFORMAL",
    "PIECES",
    "SIZES",
    "VAGUE",
    "Quantity",
    "added",
    "amount_at",
    "amount_in_brackets",
    "check_figures",
    "plain_text",
    "quantity_at",
    "read_figure",
    "short_measure",
    "singular",
    "unit_at",
]

MOST_DIGITS = 15  # what a computer holds exactly
_ENDLESS = re.compile(rf"\d{{{MOST_DIGITS + 1},}}")
_SHORT = {
    "gram": "g", "kilogram": "kg", "milligram": "mg", "ounce": "oz", "pound": "lb", "millilitre": "ml",
    "centilitre": "cl", "decilitre": "dl", "litre": "l", "us teaspoon": "tsp", "us tablespoon": "tbsp",
    "us fluid ounce": "fl oz", "us cup": "cup", "us pint": "pint", "us quart": "quart", "us gallon": "gallon",
}  # fmt: skip
# In a line that begins with a number these are spoons and cups; elsewhere T and t are refused.
_KITCHEN_UNITS = {
    "T": "tbsp", "Tb": "tbsp", "Tbl": "tbsp", "tb": "tbsp", "tbl": "tbsp", "tblsp": "tbsp", "t": "tsp", "c": "cup",
    "C": "cup", "ltr": "l", "ltrs": "l", "gms": "g", "kgs": "kg", "mls": "ml", "ozs": "oz",
}  # fmt: skip
INFORMAL = ("pinch", "dash", "smidgen", "drop")
PIECES = {
    "clove": "clove", "stalk": "stalk", "stick": "stick", "rib": "stalk", "sprig": "sprig", "slice": "slice",
    "rasher": "slice", "bunch": "bunch", "head": "head", "bulb": "head", "leaf": "leaf", "sheet": "sheet",
    "piece": "piece", "fillet": "fillet", "ear": "ear", "cob": "ear", "packet": "packet", "package": "package",
    "pack": "package", "pkg": "package", "bag": "bag", "box": "box", "tub": "container", "container": "container",
    "carton": "carton", "can": "can", "tin": "can", "jar": "jar", "bottle": "bottle", "cube": "cube",
    "strip": "strip", "wedge": "wedge", "handful": "handful", "knob": "knob", "splash": "splash",
    "drizzle": "drizzle", "glug": "glug", "sachet": "packet", "envelope": "envelope", "scoop": "scoop",
    "link": "link", "patty": "patty", "floret": "floret", "spear": "spear", "block": "block", "pat": "pat",
    "loaf": "loaf", "round": "round", "punnet": "punnet",
}  # fmt: skip
CONTAINERS = {"can", "jar", "bottle", "carton", "packet", "package", "bag", "box", "container", "envelope", "block"}
SIZES = ("extra large", "small", "medium", "large", "jumbo")
VAGUE = {"handful", "knob", "splash", "drizzle", "glug", "punnet", *INFORMAL}
_SIZE = re.compile(
    r"(extra[ -]large|small|medium|large|jumbo|big)(?:[ -]sized?)?(?: to (?:medium|large))?\b[ ,]*", re.I
)
_CONTAINER_WORDS = "can|tin|jar|bottle|carton|packet|pack|package|bag|box|tub"
_SIGNS = {
    "–": "-", "—": "-", "−": "-", "‐": "-", "‑": "-", "×": "x", "“": '"', "”": '"', "‘": "'", "’": "'", "\u2044": "/"
}  # fmt: skip
_WORD_NUMBERS = {
    "a": 1.0, "an": 1.0, "one": 1.0, "two": 2.0, "three": 3.0, "four": 4.0, "five": 5.0, "six": 6.0, "seven": 7.0,
    "eight": 8.0, "nine": 9.0, "ten": 10.0, "eleven": 11.0, "twelve": 12.0, "half": 0.5, "quarter": 0.25,
}  # fmt: skip
FIGURE = r"(?:\d+[ -]\d+/[1-9]\d*|\d+/[1-9]\d*|\d{1,3}(?:,\d{3})+(?:\.\d+)?(?!\d)|\d+[.,]\d+|\.\d+|\d+)"
_NUMBER = re.compile(rf"(?P<low>{FIGURE})(?:\s*(?:-|to|or)\s*(?P<high>{FIGURE}))?(?![\d/])")
_IN_WORDS = re.compile(
    r"(?:(?P<half>half|(?:a )?quarter|three[ -]quarters)(?: (?:of )?an?| of)?"
    r"|(?:a|one) (?P<couple>couple)(?: of)?|(?:(?P<dozens>half an?|an?|one|two) )?(?P<dozen>dozen)"
    r"|(?P<plain>an?|one|two|three|four|five|six|seven|eight|nine|ten|eleven|twelve)"
    r"(?: (?:or|to) (?P<other>two|three|four|five|six|seven|eight|nine|ten|eleven|twelve))?)\b ?",
    re.I,
)
_ABOUT = re.compile(
    r"(?:about|approx(?:\.|imately)?|around|roughly|circa|ca\.?|~|generous|scant|good|up to|at least)(?=[ \d~])\s*",
    re.I,
)
_LEVEL = re.compile(r"(heaped|heaping|rounded|level|scant|generous|packed|firmly packed|lightly packed|good)\s+", re.I)
_SIZED = rf"(?P<size>{FIGURE})[ -]?(?P<unit>[a-z]+\.?(?: oz\.?)?)"
_PACKAGED = re.compile(
    rf"(?:(?P<count>\d+(?:/\d+)?|an?|one|two|three|four) ?(?:x )?)??"
    rf"(?:\((?:about )?(?P<inner>{FIGURE})[ -]?(?P<inner_unit>[a-z]+\.?(?: oz\.?)?)\)|{_SIZED}) (?P<kind>[a-z]+)\b",
    re.I,
)
BULLET = re.compile(r"^\s*(?:[-*+•·▪◦‣–—▢☐□✓]|\[[ xX]?\]|\(\s?\))+\s*(?=\S)")
_IRREGULAR = {
    "leaves": "leaf", "halves": "half", "loaves": "loaf", "potatoes": "potato", "tomatoes": "tomato",
    "patties": "patty", "berries": "berry", "cherries": "cherry", "anchovies": "anchovy", "bunches": "bunch",
    "pinches": "pinch", "dashes": "dash", "radishes": "radish", "peaches": "peach", "boxes": "box", "mangoes": "mango",
    "splashes": "splash", "hummus": "hummus", "couscous": "couscous", "asparagus": "asparagus", "molasses": "molasses",
    "slices": "slice", "squashes": "squash",
}  # fmt: skip


@dataclass(frozen=True)
class Quantity:
    """A number, what it counts and the size beside it; ``packages`` where it is the contents of packages."""

    number: float | None
    measure: str = ""
    size: str = ""
    notes: tuple[str, ...] = ()
    packages: float = 0.0

    def noting(self, *notes: str) -> Quantity:
        """Add notes on how it was read."""
        return replace(self, notes=(*self.notes, *notes))

    @property
    def shown(self) -> str:
        """Show it in words."""
        number = "some" if self.number is None else f"{self.number:g}"
        return " ".join(part for part in (number, self.size, self.measure) if part)


def singular(word: str) -> str:
    """Give the singular of a kitchen word.

    Examples
    --------
    >>> singular("potatoes"), singular("cloves"), singular("swiss"), singular("berries")
    ('potato', 'clove', 'swiss', 'berry')
    """
    if word in _IRREGULAR:
        return _IRREGULAR[word]
    if word.endswith("ies") and len(word) > 4:
        return word[:-3] + "y"
    return word[:-1] if len(word) > 3 and word.endswith("s") and not word.endswith(("ss", "us")) else word


def plain_text(text: str) -> str:
    """Write typographic characters plainly: fractions, dashes, quotes, spaces, bullets.

    Examples
    --------
    >>> plain_text("• 1½–2 cups “old-fashioned” oats")
    '1 1/2-2 cups "old-fashioned" oats'
    """
    kept = (c for c in BULLET.sub("", text) if unicodedata.category(c) != "Cf")
    plain = "".join(f" {unicodedata.normalize('NFKC', c)}" if unicodedata.category(c) == "No" else c for c in kept)
    plain = "".join(_SIGNS.get(c, c) for c in unicodedata.normalize("NFKC", plain))
    plain = re.sub(r"(\d) (?:and|&) (?=\d+/\d)", r"\1 ", " ".join(plain.split()))
    plain = re.sub(r"(\d) %", r"\1%", plain)
    return re.sub(rf"\b(\d{{1,3}}) (\d{{3}}) ?(g|ml)\b(?! (?:{_CONTAINER_WORDS}))", r"\1\2 \3", plain)


def check_figures(text: str) -> None:
    """Refuse figures that count nothing in a kitchen, and would take long to read.

    Raises
    ------
    SwaptableError
        If a figure has more than 15 digits.
    """
    found = _ENDLESS.search(text)
    if found is not None:
        raise SwaptableError(f"found the figure '{found[0]}'; expected one of at most {MOST_DIGITS} digits")


def short_measure(measure: Measure) -> str:
    """Give the shortest word for a unit, such as ``tbsp``."""
    return _SHORT.get(measure.name, measure.name)


def read_figure(text: str, unit: str = "") -> tuple[float, tuple[str, ...]]:
    """Read one figure; a comma is a decimal sign unless it sets thousands apart."""
    notes: tuple[str, ...] = ()
    if re.fullmatch(r"\d{1,3}(,\d{3})+(\.\d+)?", text):
        one_comma = re.fullmatch(r"\d+,\d+", text) is not None
        if one_comma and (unit in ("kg", "l") or text.startswith("0")):  # nobody cooks with a tonne
            notes = (f"'{text}' read with a decimal comma",)
        else:
            text = text.replace(",", "")
    text = text.replace(",", ".")
    if re.fullmatch(r"[1-9]\d{0,2}\.000", text):
        notes = (f"'{text}' read as {float(text):g}",)
    total = 0.0
    for part in re.split(r"[ -]", text):
        over, _, under = part.partition("/")
        total += float(over) / float(under or 1)
    return total, notes


def unit_at(text: str) -> tuple[str, str]:
    """Read a unit or a piece at the start; give it in our own words, and the rest of the text."""
    tokens = re.match(r"[ -]*([A-Za-zµ]+)\b\.?(?: ([A-Za-z]+)\b\.?)?(?: ([A-Za-z]+)\b\.?)?", text)
    words = [word for word in tokens.groups() if word] if tokens else []
    for count in range(len(words), 0, -1):
        bare = " ".join(words[:count])
        rest = re.sub(r"^\.", "", text[tokens.end(count) :])  # type: ignore[union-attr]
        if bare in _KITCHEN_UNITS:
            return _KITCHEN_UNITS[bare], rest
        found = measure_named(bare)
        if found is not None:
            return short_measure(found), rest
        if count == 1 and singular(bare.lower()) in PIECES:
            return PIECES[singular(bare.lower())], rest
    return "", text


def _sized_unit(number: float | None, text: str, notes: tuple[str, ...]) -> tuple[Quantity, str]:
    """Read what stands between a number and a food: "heaped tbsp", "medium", "large cloves of"."""
    size = ""
    rest = text.lstrip(" ")
    level, sized = _LEVEL.match(rest), _SIZE.match(rest)
    if level is not None:
        rest = rest[level.end() :]
        notes = (*notes, f"{level[1].lower()}: taken as level")
    elif sized is not None:
        rest = rest[sized.end() :]
        size = re.sub("^big$", "large", sized[1].lower().replace("-", " "))
    unit, after = unit_at(rest)
    if size and measure_named(unit) and unit not in INFORMAL:  # "2 large t-bones": no unit follows a size
        unit, after = "", rest
    return Quantity(number, unit, size, notes), after


def quantity_at(text: str) -> tuple[Quantity | None, str]:
    """Read a number, a range or a number in words, and what it counts."""
    about = _ABOUT.match(text)
    bare, notes = (text[about.end() :], ("about",)) if about else (text, ())
    found = _NUMBER.match(bare)
    if found is None:
        return _in_words(bare, notes)
    rest = bare[found.end() :]
    times = re.match(rf"\s*x\s*({FIGURE})(?=\s*[A-Za-z])", rest, re.I)
    if times:
        unit, after = unit_at(rest[times.end() :])
        each, noted = read_figure(times[1], unit)
        if measure_named(unit):
            count, _ = read_figure(found["low"])
            told = (*notes, *noted, f"{count:g} x {each:g} {unit}")
            return Quantity(count * each, unit, "", told, count), after
    dozen = re.match(r"\s*dozen\b", rest, re.I)
    rest = rest[dozen.end() :] if dozen else re.sub(r"^\s+(?:of )?an?\s", " ", rest)
    quantity, after = _sized_unit(0.0, rest, notes)
    number, noted = read_figure(found["low"], quantity.measure)
    number *= 12 if dozen else 1
    if found["high"]:
        high, also = read_figure(found["high"], quantity.measure)
        noted = (*noted, *also, f"{found[0].strip()}: midpoint taken")
        number = (number + high) / 2
    return replace(quantity, number=number).noting(*noted), after


def _in_words(text: str, notes: tuple[str, ...]) -> tuple[Quantity | None, str]:
    few = re.match(r"(?:a )?(?:few|some|several|plenty of)\s+", text, re.I)
    if few:
        return _sized_unit(None, text[few.end() :], notes)
    found = _IN_WORDS.match(text)
    if found is None:
        vague, rest = _sized_unit(1.0, text, notes)
        return (vague, rest) if vague.measure in {*VAGUE, "bunch"} else (None, text)
    if found["half"]:
        number = {"h": 0.5, "t": 0.75}.get(found["half"][0].lower(), 0.25)
    elif found["couple"]:
        number, notes = 2.0, (*notes, "a couple: 2")
    elif found["dozen"]:
        number = 12 * {"h": 0.5, "t": 2.0}.get((found["dozens"] or "a")[0].lower(), 1.0)
    else:
        number = _WORD_NUMBERS[found["plain"].lower()]
        if found["other"]:
            number = (number + _WORD_NUMBERS[found["other"].lower()]) / 2
            notes = (*notes, f"{found[0].strip()}: midpoint taken")
    return _sized_unit(number, text[found.end() :], notes)


def _rank(measure: str) -> int:
    """Order of trust of a measure: mass, metric volume, other volume, piece."""
    found = measure_named(measure)
    if found is None or measure in INFORMAL:
        return 3
    return 0 if found.kind == "mass" else 1 if measure in ("ml", "cl", "dl", "l") else 2


def added(first: Quantity, second: Quantity) -> Quantity:
    """Add a second amount; where the units differ in kind it is noted as not counted."""
    one, other = measure_named(first.measure), measure_named(second.measure)
    if one and other and one.kind == other.kind and first.number is not None and second.number is not None:
        number = first.number + second.number * other.size / one.size
        return replace(first, number=number).noting(*second.notes)
    return first.noting(f"plus {second.shown}: not counted")


def amount_at(text: str) -> tuple[Quantity | None, str]:
    """Read an amount of one or two parts: "1 cup plus 1 tbsp", "1 lb 2 oz"."""
    found, rest = _packaged(text)
    if found is not None:
        return found, rest
    found, rest = quantity_at(text)
    joined = re.match(r"\s*(?:plus|\+|and|&)\s+(?=\d)|\s*(?=\d)", rest)
    if found is None or joined is None or not measure_named(found.measure):
        return found, rest
    second, after = quantity_at(rest[joined.end() :])
    if second is None or not measure_named(second.measure):
        return found, rest
    return added(found, second), after


def _packaged(text: str) -> tuple[Quantity | None, str]:
    """Read packages with their contents: "2 (14.5-ounce) cans", "1 28-oz can", "400 g can"."""
    about = _ABOUT.match(text)
    text = text[about.end() :] if about else text
    found = _PACKAGED.match(text)
    if found is None:
        return None, text
    unit, left = unit_at(found["inner_unit"] or found["unit"])
    kind = PIECES.get(singular(found["kind"].lower()), "")
    if left.strip() or not measure_named(unit) or (kind not in CONTAINERS and not found["inner_unit"]):
        return None, text
    count = _WORD_NUMBERS.get((found["count"] or "1").lower()) or read_figure(found["count"] or "1")[0]
    each, notes = read_figure(found["inner"] or found["size"], unit)
    notes = (*notes, f"{count:g} x {each:g} {unit}") if count != 1 else notes
    packages = count if kind in CONTAINERS else 0.0
    return Quantity(count * each, unit, "", notes, packages), text[found.end() if packages else found.start("kind") :]


def amount_in_brackets(text: str, had: Quantity) -> tuple[Quantity, str]:
    """Take a weight in brackets, or after a slash, where it says more than the amount before it."""
    for found in re.finditer(r"\(([^()]*)\)|^\s*(?:/|or )\s*(?=[\d.])", text):
        in_brackets = found[1] is not None
        inside = re.sub(
            r"^(?:total(?: weight)?|weight|each|or)[: ]+", "", found[1].strip() if in_brackets else text[found.end() :]
        )
        amount, rest = amount_at(inside)
        if amount is None or not measure_named(amount.measure):
            continue
        if in_brackets and not re.match(
            r"[\s,.]*(?:$|each|apiece|(?:in )?total|in all|drained|weight|[\d/]|or\b)", rest, re.I
        ):
            continue
        left = f"{text[: found.start()]} {text[found.end() :] if in_brackets else rest}".strip()
        if _rank(amount.measure) >= _rank(had.measure) or had.number is None or amount.number is None:
            return replace(had, packages=had.packages or amount.packages), left
        packages = had.number if had.measure in CONTAINERS else 0.0
        if in_brackets and (re.search(r"\b(?:each|apiece)\b", inside) or (packages and "total" not in inside)):
            amount = replace(amount, number=amount.number * had.number)
        notes = (*had.notes, *amount.notes, f"weight given for {had.shown}")
        return replace(amount, notes=notes, packages=packages), left
    return had, text
