"""The grammar of one ingredient line: amount, food, preparation, state.

Only words are read here; what they weigh and which food they mean is found out in ``kitchen``. What a line does
not say is never made up: it becomes a question.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from swaptable.basics.errors import SwaptableError
from swaptable.basics.units import measure_named
from swaptable.kitchen.words import (
    FIGURE,
    INFORMAL,
    PIECES,
    VAGUE,
    Quantity,
    added,
    amount_at,
    amount_in_brackets,
    check_figures,
    plain_text,
    quantity_at,
    read_figure,
    singular,
    unit_at,
)

__all__ = ["KitchenLine", "read_line"]

MOST_LETTERS = 5_000  # of a line
_ADVERB = r"(?:finely|roughly|coarsely|thinly|thickly|freshly|lightly|well|very|firmly|loosely|hot|medium|crosswise)"
_DONE = (
    r"(?:chopped|diced|minced|sliced|grated|shredded|crushed|peeled|unpeeled|cubed|mashed|halved|quartered|beaten|"
    r"melted|softened|toasted|trimmed|pitted|stoned|cored|seeded|deseeded|de-seeded|drained|rinsed|undrained|washed|"
    r"scrubbed|torn|crumbled|juiced|zested|skinned|skinless|boneless|bone-in|skin-on|sifted|packed|julienned|shelled|"
    r"ripe|ground|cracked|squeezed|hulled|thawed|flaked|snipped|picked|hard-boiled|soft-boiled|cold|warm|hot|boiling|"
    r"lukewarm|chilled|room-temperature)"
)
_ONE_DONE = rf"(?:{_ADVERB}[ -])?{_DONE}"
_PREPARED = re.compile(rf"({_ONE_DONE}(?:(?:,? and |, ){_ONE_DONE})*),?\s+", re.I)
_DONE_BEHIND = re.compile(rf"(.+?)\s+({_ONE_DONE}\b.*|cut\b.*)", re.I)
# Words of doing that belong to the name of a food: ground cumin, minced beef, hot sauce ...
_NAMES = re.compile(
    r"(?:ground (?!black pepper)|minced (?:beef|pork|lamb|turkey|chicken|veal|meat)|"
    r"crushed (?:tomato|red pepper|pineapple)|"
    r"hot (?:sauce|pepper|chil)|mashed potato|shredded wheat|cold[- ]pressed|cracked wheat|flaked (?:almond|rice)|"
    r"sliced (?:bread|ham|turkey))",
    re.I,
)
_STATES = {
    "fresh": "raw", "raw": "raw", "uncooked": "raw", "frozen": "frozen", "dried": "dried", "canned": "canned",
    "tinned": "canned", "cooked": "cooked", "leftover": "cooked", "precooked": "cooked", "pre-cooked": "cooked",
    "boiled": "cooked", "steamed": "cooked", "roasted": "cooked",
}  # fmt: skip
_STATE = re.compile(
    rf"({'|'.join(_STATES)})(?P<either> or (?:{'|'.join(_STATES)}))?,?\s+(?!pepper flakes|or )(?=\S)", re.I
)
_LATER_STATE = re.compile(r"\b(canned|tinned|cooked|frozen|dried|thawed|hard-boiled|soft-boiled|raw)\b", re.I)
_ASIDE = re.compile(
    r",?\s*\b(?:(?:and|plus) )?(to taste|as needed|as required|if needed|for (?:serving|garnish|dusting|greasing|frying"
    r"|brushing|decoration|the (?:pan|tin|pot))|to (?:serve|garnish|finish))\b(?: \(optional\))?",
    re.I,
)
_EXTRA = re.compile(
    r",?\s*\b(?:plus|and) (?:(?:a )?(?:little |bit )?(?:extra|more)|(?:a|some) (?:little|few)? ?(?:to|for))\b.*$", re.I
)
_OPTIONAL = re.compile(r"[,;]?\s*[(\[]?\b(?:optional|if (?:you )?(?:like|liked|desired|wish))\b[)\]]?[,:]?\s*", re.I)
_OF_FRUIT = re.compile(
    r"(?:the )?(?:finely )?(?:grated |fresh )?(?P<first>juice|zest|rind|peel)"
    r"(?: and (?:grated )?(?P<second>juice|zest|rind))?"
    r" (?:of|from) (?P<rest>.+)",
    re.I,
)
_JUICED = re.compile(r"^(.+?), ((?:juiced|zested)(?: and (?:juiced|zested))?)$", re.I)
_CUT = re.compile(
    r"(?:an? |1 )?((?:thumb[ -]?sized?|\d+(?:\.\d+|/\d+)?[ -]?(?:cm|mm|inch|in)) "
    r"(?:piece|knob|chunk|length))s?(?: of)?\s+",
    re.I,
)
_BEHIND = re.compile(r"(?P<name>[^\d(,:]+?)(?:(?P<sign>\s*[:(,]\s*|\s+-\s*)|\s+)(?P<amount>\d.*)", re.I)
# A weight behind the name: "1 chicken, about 1.6 kg", "2 trout weighing 300 g each".
_WEIGHT_BEHIND = re.compile(
    rf"(?:,\s*(?:weighing\s+)?|\s+weighing\s+|\s+(?=(?:about|approx|around|roughly|circa)\b))"
    rf"(?P<weight>(?:(?:about|approx(?:\.|imately)?|around|roughly|circa)\s+)?{FIGURE} ?"
    r"(?:g|kg|oz|ounces?|lbs?|pounds?)"
    r"(?: (?:each|in total|total))?)(?=\s*(?:,|$))",
    re.I,
)
_DRAINED = re.compile(
    rf"\bdrained (?:weight )?(?:of )?(?P<later>{FIGURE}) ?(?P<later_unit>g|kg|oz|ounces|lb)\b|"
    rf"(?P<size>{FIGURE}) ?(?P<unit>g|kg|oz|ounces|lb)\b (?:when )?drained",
    re.I,
)
_CODE = re.compile(r"[\[(]?\b(?P<code>[a-z][a-z0-9_-]*:[A-Za-z0-9_-]*\d[A-Za-z0-9_-]*)\b[\])]?")
_DESCRIBING = {
    "low-fat", "skim", "skimmed", "fat-free", "whole", "white", "black", "red", "green", "yellow", "brown", "light",
    "dark",
    "fresh", "frozen", "dried", "canned", "tinned", "plain", "salted", "unsalted", "sweet", "hot", "mild", "vegetable",
    "chicken", "beef", "dry", "soft", "firm", "reduced-fat", "full-fat", "semi-skimmed",
}  # fmt: skip
_BEHIND_A_NAME = {"clove", "stalk", "sprig", "head", "leaf", "slice", "stick", "floret", "cube", "ear"}


@dataclass(frozen=True)
class KitchenLine:
    """What the words of one ingredient line say.

    Attributes
    ----------
    words : str
        The line as it was written.
    number : float or None
        How many; None where the words give no number: unknown, never 0.
    measure : str
        Unit in the project's own words (``g``, ``cup``), size (``medium``) or piece (``clove``); empty for a
        bare count.
    food : str
        Food phrase, lower case, without amount, preparation and state.
    preparation : tuple of str
        What is done to it before cooking, in the order of the words.
    state : str
        ``raw``, ``cooked``, ``canned``, ``frozen`` or ``dried``; empty where nothing is said.
    size : str
        Size beside a piece, such as ``large`` of "2 large cloves".
    prepared_after : bool
        The preparation stands behind the name, so that the weight is from before it ("1 kg potatoes, peeled").
    contents : bool
        The amount is what stands on a can or jar, liquid included.
    alternative : str
        Food named after "or".
    optional : bool
    code : str
        Food code that the line brings along, such as ``sr28:20005``.
    notes : tuple of str
        How words were read: the midpoint of a range, a comma taken for a decimal sign ...
    asks : tuple of str
        What the line leaves open.
    """

    words: str
    number: float | None = None
    measure: str = ""
    food: str = ""
    preparation: tuple[str, ...] = ()
    state: str = ""
    size: str = ""
    prepared_after: bool = False
    contents: bool = False
    alternative: str = ""
    optional: bool = False
    code: str = ""
    notes: tuple[str, ...] = ()
    asks: tuple[str, ...] = ()


def _alternatives(name: str) -> tuple[str, str]:
    """Take the first of two foods; what describes both keeps its noun ("low-fat or skim milk")."""
    first, said, other = (part.strip() for part in f" {name} ".partition(" or "))
    if not said or not first or not other:
        return name, ""
    if first.split()[-1].lower() in _DESCRIBING and len(other.split()) > 1:
        first = f"{first} {other.split()[-1]}"
    return first, other.lower()


def _name_parts(text: str) -> tuple[str, list[str], str, bool]:
    """Part a name from its preparation and state, before and behind it."""
    text = re.sub(r"^\s*(?:each of|each|of|the)\s+", "", text.strip(" ,.;:-"))
    asides = [aside.strip() for aside in re.findall(r"\(([^()]*)\)", text) if aside.strip()]
    text = " ".join(re.sub(r"\([^()]*\)?", " ", text).split()).replace(" ,", ",")
    before: list[str] = []
    state = ""
    while True:
        prepared, stated = _PREPARED.match(text), _STATE.match(text)
        if prepared and not _NAMES.match(text):
            before += re.split(r",\s*", prepared[1].lower())
            text = text[prepared.end() :]
        elif stated:
            state = state or ("" if stated["either"] else _STATES[stated[1].lower()])
            before += [stated[1].lower()] if stated[1].lower() in ("boiled", "steamed", "roasted") else []
            text = text[stated.end() :]
        else:
            break
    name, _, tail = (part.strip() for part in re.sub(r"\s+-\s+|;\s*", ", ", text).partition(", "))
    behind = [part for part in re.split(r",\s*", tail) if part] + asides
    done = _DONE_BEHIND.fullmatch(name)
    if done and not _NAMES.match(done[2]) and not re.search(r"\b(?:in|with|and)$", done[1]):
        name, behind = done[1], [done[2], *behind]
    later = _LATER_STATE.search(" ".join([*before, *behind]))
    if later and not state:
        state = {"tinned": "canned", "thawed": "frozen"}.get(later[1].lower(), later[1].lower())
        state = "cooked" if state.endswith("boiled") else state
    return name.lower(), before + [part.lower() for part in behind], state, bool(behind)


def read_line(text: str) -> list[KitchenLine]:
    """Read one ingredient line.

    Parameters
    ----------
    text : str
        Such as ``"1 (15 oz) can black beans, rinsed and drained"``.

    Returns
    -------
    list of KitchenLine
        One, or several where the line names several foods ("salt and pepper", "juice and zest of 1 lemon").

    Raises
    ------
    SwaptableError
        If it, or a figure in it, is longer than any of a recipe.

    Examples
    --------
    >>> line = read_line("2-3 medium carrots (about 200 g), peeled")[0]
    >>> line.number, line.measure, line.food, line.preparation
    (200.0, 'g', 'carrots', ('peeled',))
    >>> read_line("salt to taste")[0].number is None
    True
    """
    words = " ".join(text.split())
    if len(words) > MOST_LETTERS:
        raise SwaptableError(f"found '{words}'; expected an ingredient in at most {MOST_LETTERS:,} letters")
    plain = plain_text(text)
    check_figures(plain)
    code = _CODE.search(plain)
    if code:
        plain = f"{plain[: code.start()]} {plain[code.end() :]}".strip()
    optional = _OPTIONAL.search(plain) is not None
    plain = _OPTIONAL.sub(" ", plain).strip(" ,")
    aside = _ASIDE.search(plain)
    plain = _EXTRA.sub("", _ASIDE.sub("", plain)).strip(" ,")
    base = KitchenLine(words, optional=optional, code=code["code"] if code else "")
    plain, _, second = (part.strip() for part in re.sub(r", (?:plus|and) (?=\d)", " \0 ", plain).partition("\0"))
    fruit = _OF_FRUIT.match(_JUICED.sub(_juice_of, plain))
    lines = _of_fruit(base, fruit) if fruit else _named(base, plain, aside[1].lower() if aside else "")
    if not second:
        return lines
    more = [replace(line, words=words) for line in read_line(second)]
    if more[0].food:
        return lines + more
    first = Quantity(lines[0].number, lines[0].measure, notes=lines[0].notes)
    total = added(first, Quantity(more[0].number, more[0].measure))
    return [replace(lines[0], number=total.number, notes=total.notes), *lines[1:]]


def _juice_of(found: re.Match[str]) -> str:
    kinds = [kind for kind in ("juice", "zest") if kind in found[2].lower()]
    return f"{' and '.join(kinds)} of {found[1]}"


def _of_fruit(base: KitchenLine, found: re.Match[str]) -> list[KitchenLine]:
    amount, rest = amount_at(found["rest"])
    amount, rest = amount_in_brackets(rest, amount or Quantity(1.0, "", "", ("one taken",)))
    name, *_ = _name_parts(rest)
    lines = []
    for kind in sorted(
        {"juice" if kind.lower() == "juice" else "zest" for kind in found.group("first", "second") if kind}
    ):
        open_ = kind == "zest" and not measure_named(amount.measure)
        line = replace(base, number=amount.number, measure=amount.measure, food=f"{singular(name)} {kind}")
        lines.append(replace(line, notes=amount.notes, asks=("how much does the zest weigh?",) if open_ else ()))
    return lines


def _named(base: KitchenLine, plain: str, aside: str) -> list[KitchenLine]:
    if plain[:1].isdigit():
        plain = _WEIGHT_BEHIND.sub(r" (\g<weight>)", plain, count=1)
    cut = _CUT.match(plain)  # "a 5 cm piece of ginger"
    if cut:
        amount: Quantity | None = Quantity(None, cut[1].lower())
        rest = plain[cut.end() :]
    else:
        plain = _amount_first(plain)
        amount, rest = amount_at(plain)
        if amount is not None:
            amount, rest = amount_in_brackets(rest, amount)
    packaged = amount is not None and (amount.packages > 0 or amount.measure == "can")
    amount = _drained_weight(plain, amount or Quantity(None))
    name, preparation, state, after = _name_parts(rest)
    name, alternative = _alternatives(name)
    alternative = alternative or next((part[3:] for part in preparation if part.startswith("or ")), "")
    stated = _STATE.match(name)
    if stated:
        state, name = state or _STATES[stated[1].lower()], name[stated.end() :]
    name, piece = _trailing_piece(name.strip(" .,;:-"), amount.measure)
    measure = amount.measure or piece or amount.size
    if packaged and re.search(r"\b(?:can|tin)s?\b", base.words, re.I):
        state = state or "canned"
    vague = measure in VAGUE or cut is not None
    number = None if vague and measure not in INFORMAL else amount.number
    asks: tuple[str, ...] = ()
    if vague:
        asks = (f"how much is the {measure}?",)
    elif re.match(r"each\b", rest.strip(), re.I) and " and " in name:
        asks = ("each of several foods: write a line for each",)
    elif number is None:
        asks = (f"how much? ({aside})" if aside else "how much?",)
    line = replace(
        base, number=number, measure=measure, food=name, preparation=tuple(dict.fromkeys(preparation)), state=state,
        size=amount.size if measure != amount.size else "", prepared_after=after, contents=amount.packages > 0,
        alternative=alternative, notes=amount.notes, asks=asks,
    )  # fmt: skip
    return _salt_and_pepper(line) or [line]


def _amount_first(plain: str) -> str:
    """Put an amount that stands behind the name before it."""
    turned = _BEHIND.fullmatch(plain)
    if turned and quantity_at(plain)[0] is None:
        amount, rest = amount_at(turned["amount"])
        if amount and (measure_named(amount.measure) or turned["sign"]) and not re.match(r" ?\w", rest):
            return f"{turned['amount'][: len(turned['amount']) - len(rest)]} {turned['name']}{rest.strip(' )')}"
    return plain


def _drained_weight(plain: str, amount: Quantity) -> Quantity:
    """Take the drained weight of packages where it is stated."""
    drained = _DRAINED.search(plain)
    if amount.packages and drained:
        unit, _ = unit_at(drained["unit"] or drained["later_unit"])
        each = read_figure(drained["size"] or drained["later"], unit)[0]
        return replace(amount, number=each * amount.packages, measure=unit, packages=0.0).noting("drained weight")
    return amount


def _salt_and_pepper(line: KitchenLine) -> list[KitchenLine]:
    """Part salt and pepper into a line for each; nothing where the line names other foods."""
    both = re.fullmatch(r"((?:sea |kosher |table )?salt) (?:and|&) (.*pepper.*)", line.food)
    parts = [_name_parts(part) for part in both.groups()] if both else []
    return [
        replace(line, food=food, preparation=tuple(dict.fromkeys((*done, *line.preparation))))
        for food, done, *_ in parts
    ]


def _trailing_piece(name: str, unit: str) -> tuple[str, str]:
    """Read the piece behind the name ("3 garlic cloves") where no unit stood before it."""
    head, _, last = name.rpartition(" ")
    piece = PIECES.get(singular(last), "")
    if unit or not head or piece not in _BEHIND_A_NAME or (piece == "leaf" and head in ("bay", "curry")):
        return name, ""
    return head, piece
