"""The words of a food: what a description or a cook's query says of the food, and of its state.

Both are read the same way. Words for the state (raw, boiled, canned, drained, in the skin, without salt, enriched, low
in fat ...) become fields, trade words become the release's own (``food_words.csv``), and what is left are the words
of the food itself.
"""

from __future__ import annotations

import itertools
import re
import unicodedata
from collections.abc import Iterable, Sequence
from functools import cache, lru_cache
from typing import NamedTuple

from swaptable.foods.reference import food_words
from swaptable.foods.state_words import FIELDS, NOTHING, read_state

__all__ = [
    "SMALL_WORDS",
    "Description",
    "PlainFood",
    "Words",
    "known_words",
    "little_words",
    "meanings",
    "plain_foods",
    "plain_letters",
    "plural",
    "read_description",
    "read_query",
    "stem",
    "trade_words",
]


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


# First parts that name a class of foods, not the food (what follows is the name), and what they cost if unasked.
_CLASSES = {
    **dict.fromkeys(
        _words(
            "spice nut seed fish finfish crustacean mollusk shellfish cheese sugar agent leavening alcoholic beverage "
            "vegetable game meat grain legume variety by"
        ),
        0.03,
    ),
    **dict.fromkeys(_words("soup sauce dressing candy snack cereal sweetener syrup"), 0.2),
    "salad": 0.05,
}
# Words that make another food of the one they follow.
_MAKES_ANOTHER = _words(
    "juice flour oil butter sauce soup pie cake bread salad dressing leaf greens powder paste chip drink dessert "
    "candy cookie cracker flower tops sprouted bran germ sandwich gravy meatless imitation substitute mix dinner "
    "pudding smoothie shake nectar concentrate extract breaded batter stuffing glazed candied creamed scalloped "
    "gratin nugget spread topping filling peel shoot jerky souffle puff cream mashed pancake roll loaf blend cheese "
    "sausage broth fermented freeze meal dehydrated instant flavor flavored chocolate seasoning relish variety tallow "
    "evaporated"
)
# Words that say little more of a food that a cook does not think of.
_CHEAP = _words(
    "ready serve eat drink commercial commercially prepared home recipe household industrial purpose regular all "
    "variety type style species common plain domestic retail cut composite trimmed standard generic table pack mature "
    "broiler fryer average year round ripe original chilled includes separable grade choice select edible portion "
    "class area fresh whole fluid pasteurized process solid liquid gram usda commodity distribution program imported "
    "product"
)
SMALL_WORDS = _words(
    "a an and as at by for from in into it its made of on only or per pre some that the their to unspecified used "
    "using with without nfs ns"
)
_BRAND = re.compile(r"\b(?!USDA|BBQ|NFS|URMIS|NS\b|II+\b)[A-Z][A-Z'&]{2,}")
_COMMODITY = re.compile(r"\bincludes.*?\bcommodity\b.*")
_ASIDE = re.compile(r"\(([^)]*)\)?")
_OTHER_NAMES = re.compile(r"includes usda.*|(?:usda )?commodity.*|urmis ?#? ?\d*|#\s?\d+", re.I)

_CHEAP_COST = 0.02
_ASIDE_COST = 0.02  # in parentheses, or after "or"
_MOST_READINGS = 8


class Words(NamedTuple):
    """A text read: the words of the food in order, and the value of each field it speaks of."""

    words: tuple[str, ...]
    fields: dict[str, str]


@lru_cache(maxsize=65536)
def stem(word: str) -> str:
    """Give the singular of a word in small letters.

    Examples
    --------
    >>> [stem(word) for word in ("potatoes", "leaves", "berries", "radishes", "molasses")]
    ['potato', 'leaf', 'berry', 'radish', 'molasses']
    """
    if word in ("chilli", "chillies", "chilies", "chilis"):
        return "chili"
    if len(word) < 4 or word.endswith(("ss", "us")) or word in ("molasses", "greens"):
        return word
    for plural, singular in (("leaves", "leaf"), ("halves", "half"), ("loaves", "loaf"), ("ies", "y")):
        if word.endswith(plural) and len(word) > len(plural) + (plural == "ies"):
            return word[: -len(plural)] + singular
    if word == "leaves":
        return "leaf"
    if word.endswith(("oes", "shes", "ches", "xes", "sses")):
        return word[:-2]
    return word[:-1] if word.endswith("s") else word


def plural(word: str) -> str:
    """Give the plural of a singular word."""
    if word.endswith("leaf"):
        return word[:-1] + "ves"
    if word.endswith("y") and word[-2:-1] not in "aeiou":
        return word[:-1] + "ies"
    return word + ("es" if word.endswith(("o", "s", "sh", "ch", "x")) else "s")


_FULL_STOP = re.compile(r"\.(?!\d)")
_LETTERS = {code: " " for code in range(128) if not (chr(code).isalnum() or chr(code) in "%.,()'")}


def plain_letters(text: str) -> str:
    """Give small letters without accents, hyphens and apostrophes."""
    if not text.isascii():
        text = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return _FULL_STOP.sub(" ", text.lower().translate(_LETTERS).replace("'s ", " "))


_WITHOUT = re.compile(r" (?:without|no|not) \w+")
_WORD = re.compile(r"[a-z]{2,}|\d+(?:\.\d+)?")


@cache
def trade_words() -> dict[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Trade words by their stems: each with its meanings as words."""
    table = food_words()
    same = table[table["kind"] == "same"]
    return {
        tuple(map(stem, word.split())): tuple(tuple(meaning.split()) for meaning in means.split("|"))
        for word, means in zip(same["word"], same["means"], strict=True)
    }


@cache
def known_words() -> frozenset[str]:
    """Words that a query may use though no food is named so: of the table, and of the state."""
    states = " ".join(pattern for values in FIELDS.values() for pattern in values.values())
    of_state = re.findall(r"[a-z]{3,}", f"{states} {NOTHING}")
    return frozenset(of_state).union(little_words(), *trade_words())


@cache
def little_words() -> frozenset[str]:
    """Words that say how a food is cut or sold, or nothing, as their stems."""
    table = food_words()
    return frozenset(map(stem, table.loc[table["kind"] == "little", "word"]))


def meanings(words: Sequence[str]) -> list[tuple[str, ...]]:
    """Replace trade words, the longest first; several meanings give several readings."""
    phrases = trade_words()
    stems = [stem(word) for word in words]
    parts: list[tuple[tuple[str, ...], ...]] = []
    at = 0
    while at < len(words):
        for length in range(min(5, len(words) - at), 0, -1):
            found = phrases.get(tuple(stems[at : at + length]))
            if found:
                break
        else:
            length, found = 1, ((words[at],),)
        parts.append(found)
        at += length
    readings = itertools.islice(itertools.product(*parts), _MOST_READINGS)
    return [tuple(itertools.chain.from_iterable(reading)) for reading in readings]


def read_query(words: Iterable[str]) -> Words:
    """Read a query whose trade words are replaced."""
    rest, fields = read_state(" ".join(words))
    if "packed" in fields and "cooked" not in fields:
        fields.setdefault("kept", "canned")  # what lies in syrup, juice, oil or brine
    found = (stem(word) for word in _WORD.findall(_WITHOUT.sub(" ", f" {rest}")))
    return Words(tuple(dict.fromkeys(word for word in found if word not in SMALL_WORDS)), fields)


class _Part(NamedTuple):
    """One comma part of a description: words of the food, those after 'and', 'with' and 'or', and fields."""

    words: tuple[str, ...]
    and_words: tuple[str, ...]
    with_words: tuple[str, ...]
    or_words: tuple[str, ...]
    fields: tuple[tuple[str, str], ...]


@lru_cache(maxsize=65536)
def _read_part(part: str) -> _Part:
    text, fields = read_state(part)
    text, _, other = _WITHOUT.sub(" ", f" {text}").partition(" or ")
    text, _, rest = text.partition(" with ")
    main, _, joined = text.partition(" and ")
    words = [
        _first_meaning(tuple(w for w in map(stem, _WORD.findall(t)) if w not in SMALL_WORDS))
        for t in (main, joined, rest, other)
    ]
    return _Part(words[0], words[1], words[2], words[3], tuple(fields.items()))


def _one_word(found: tuple[tuple[str, ...], ...]) -> bool:
    return len(found) == 1 and len(found[0]) == 1


def _first_meaning(words: tuple[str, ...]) -> tuple[str, ...]:
    """Write a description's trade words as the queries' are written ('stock' as 'broth')."""
    return tuple(
        stem(meaning[0][0]) if (meaning := trade_words().get((word,))) and _one_word(meaning) else word
        for word in words
    )


class Description(NamedTuple):
    """A description read: words with how much each counts and costs if unasked, fields, the food's name, branded."""

    words: dict[str, tuple[float, float]]
    fields: dict[str, str]
    name: tuple[str, ...]
    branded: bool


def read_description(description: str, other_names: str = "") -> Description:
    """Read a food's description.

    Parameters
    ----------
    description : str
        As the release gives it; the food comes first, then what tells it apart, after commas.
    other_names : str, optional
        Other names that the release gives.

    Returns
    -------
    Description

    Examples
    --------
    >>> read = read_description("Squash, summer, zucchini, includes skin, raw")
    >>> sorted(read.words), read.fields
    (['squash', 'summer', 'zucchini'], {'skin': 'with skin', 'cooked': 'raw'})
    """
    brands = _BRAND.findall(description)
    text = plain_letters(_BRAND.sub(" ", description) if brands else description)
    aside = _ASIDE.findall(text) if "(" in text else []
    words: dict[str, tuple[float, float]] = {}
    fields: dict[str, str] = {}
    name: list[str] = []
    head = True
    for text_part in (_ASIDE.sub(" ", text) if aside else text).split(","):
        part = _read_part(text_part.strip())
        for field, value in part.fields:
            known = fields.get(field)
            vaguer = field == "cooked" and value == "cooked" and known not in (None, "raw")
            # the flesh of what was cooked in its skin; "low sodium, no salt"
            if not vaguer and (known, value) not in (("in skin", "without skin"), ("low sodium", "without salt")):
                fields[field] = value
        main = part.words + part.and_words
        of_class = head and all(word in _CLASSES or word in _CHEAP for word in main)
        for word in main:
            if word not in words:
                words[word] = (1.0, _cost(word, head, of_class, len(main)))
        for word in part.with_words:
            words.setdefault(word, (0.85, _CHEAP_COST if word in _CHEAP or word == "water" else 0.3))
        for word in part.or_words:
            words.setdefault(word, (0.95, _ASIDE_COST))
        if head:
            name.extend(main)
        head = head and (of_class or not main)
    for text_part in aside:
        part = _read_part(_COMMODITY.sub("", text_part))
        included = text_part.lstrip().startswith("include")
        for field, value in part.fields if not included else ():
            fields.setdefault(field, value)
        for word in part.words + part.and_words + part.with_words + part.or_words:
            words.setdefault(word, (0.95, 0.0 if included else _ASIDE_COST))
    others = " ".join(brands) + (" " + _OTHER_NAMES.sub(" ", other_names) if other_names else "")
    for word in map(stem, _WORD.findall(plain_letters(others))) if others else ():
        words.setdefault(word, (0.9, 0.0))
    return Description(words, fields, tuple(name), bool(brands))


def _cost(word: str, head: bool, of_class: bool, count: int) -> float:
    """Tell what a word of a description costs if nobody asked for it."""
    if word[0].isdigit():
        return 0.04
    if of_class:
        return _CLASSES.get(word, _CHEAP_COST)
    if word in _CHEAP:
        return _CHEAP_COST
    if head:
        return 1.0 if count > 1 else 0.7
    if word in _MAKES_ANOTHER:
        return 0.8
    return _CHEAP_COST if word in little_words() else 0.13


class PlainFood(NamedTuple):
    """What is meant by a food's word alone."""

    words: tuple[str, ...]
    fields: dict[str, str]


@cache
def plain_foods() -> dict[frozenset[str], PlainFood]:
    """Tell what is meant by a food's words alone ('milk': whole milk), by the stems of the words."""
    table = food_words()
    rows = table[table["kind"] == "plain"]
    return {
        frozenset(map(stem, word.split())): PlainFood(*read_query(means.split()))
        for word, means in zip(rows["word"], rows["means"], strict=True)
    }
