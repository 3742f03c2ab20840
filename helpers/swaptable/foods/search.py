"""Food search: what a cook writes → the foods of a release that it may mean, best first.

A description loses a little for every word that query or description has and the other has not, by how much the word
matters, and for every field that disagrees (``food_text``); what is left of 1 is the score. Losses are added as
logarithms; they are judgement, tuned on one half of ``tests/data/food_queries.csv`` and measured on the other.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import NamedTuple

import numpy as np
import pandas as pd
from rapidfuzz import process
from rapidfuzz.distance import OSA

from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.foods.reference import component_label, component_named
from swaptable.foods.release import FoodRelease
from swaptable.foods.words import (
    CODES,
    FIELDS,
    SMALL_WORDS,
    STATE,
    PlainFood,
    Words,
    known_words,
    little_words,
    meanings,
    plain_foods,
    plain_letters,
    plural,
    read_description,
    read_query,
    stem,
    trade_words,
)

__all__ = ["Hit", "find_foods", "hits_table"]

_CHANGES = ("kept", "cured", "cooked")
_HOW = list(FIELDS["cooked"])
_KINDS = [
    {"boiled", "steamed", "simmered", "poached", "microwaved"},
    {"roasted", "dry roasted", "oil roasted", "toasted"},
    {"roasted", "baked", "broiled", "grilled", "toasted"},
    {"fried", "sauteed", "stir-fried"},
    {"braised", "stewed", "simmered"},
]
# Rows that nobody means who does not say so: what they say, words that ask for them, what the score loses (logarithm).
_APART = (
    (("babyfood", "baby food", "infant", "toddler"), {"baby", "babyfood", "infant", "toddler"}, 2.0),
    (("fast food", "restaurant", "school lunch", "family style"), {"fast", "restaurant", "takeaway"}, 1.2),
    (("industrial,", "(industrial)", "formulated", "single brand"), {"industrial", "formulated"}, 0.6),
    (("alaska native", "american indian", "hopi", "navajo", "apache"), {"native"}, 0.7),
    (("usda commodity",), {"usda", "commodity"}, 0.3),
    (("meals, ", "entrees", "mixed dishes"), {"meal", "entree", "dish"}, 0.5),
    (("meatless", "imitation", "substitute"), {"meatless", "imitation", "substitute", "vegan"}, 0.4),
    (("rotisserie",), {"rotisserie"}, 0.3),
    (("added solution", "enhanced", "water added", "water product"), {"solution", "enhanced"}, 0.3),
)
_BRAND_LOSS = 1.2
_MISSING_WORD = 2.4  # what a rare word of the query that a description has not costs (logarithm)
_MISSING_LITTLE = 0.2
_ASKED_PLAIN = 0.15  # a word that is only understood
_LEAST = 0.005  # foods below are no answer
_NOT_IN_SURVEY = 0.06  # foods that no survey met are less common


@dataclass(frozen=True)
class Hit:
    """A food that a query may mean.

    Attributes
    ----------
    code, description, food_group : str
        As in the release; the group is its code.
    state : str
        What was read from the description, such as ``"cooked, boiled, drained, without salt"``.
    score : float
        How well it fits, 0 to 1; 1 if nothing is left unsaid or disagrees. [-]
    words : tuple of str
        What was understood of the query: the food's words, then its state; a corrected word as ``"carrot (carort)"``,
        one that the release does not have as ``"unicorn (not known)"``.
    """

    code: str
    description: str
    food_group: str
    state: str
    score: float
    words: tuple[str, ...]


class _Posting(NamedTuple):
    """Where a word occurs: rows of the index, how much of it counts there, and what it costs if not asked for."""

    rows: np.ndarray
    quality: np.ndarray
    cost: np.ndarray


@dataclass(frozen=True, eq=False)
class _Index:
    """A release's descriptions, read once."""

    codes: list[str]
    descriptions: list[str]
    groups: list[str]
    group_names: list[str]
    postings: dict[str, _Posting]
    fields: dict[str, np.ndarray]
    unasked: np.ndarray
    apart: list[np.ndarray]
    base: np.ndarray
    as_sold: np.ndarray

    @cached_property
    def vocabulary(self) -> dict[str, str]:
        """Words that a query may be corrected to, also in the plural, and their stems."""
        known = {word for word in self.postings if word.isalpha()} | known_words()
        return {form: word for word in sorted(known) for form in (word, plural(word))}

    @cached_property
    def dry_when_raw(self) -> np.ndarray:
        """Mark foods that are dry as they are bought, though the table calls them raw."""
        return np.array([bool(_DRY_WHEN_RAW.search(name.lower())) for name in self.group_names])

    def states(self, row: int) -> list[str]:
        """Name what was read from a description."""
        found = [list(FIELDS[field])[code - 1] for field, codes in self.fields.items() if (code := codes[row])]
        order = ("raw", *_HOW[1:], *FIELDS["kept"], *FIELDS["cured"], *FIELDS["packed"], *FIELDS["liquid"])
        found.sort(key=lambda value: order.index(value) if value in order else len(order))
        if found and found[0] in _HOW and found[0] not in ("raw", "cooked", "prepared"):
            found.insert(0, "cooked")
        return found


@lru_cache(maxsize=4)
def _index(release: FoodRelease) -> _Index:
    foods = release.foods

    def column(name: str) -> list[str]:
        return foods[name].fillna("").astype(str).tolist() if name in foods else [""] * len(foods)

    descriptions, groups, group_names = column("description"), column("food_group"), column("food_group_name")
    found: dict[str, list[tuple[int, float, float]]] = defaultdict(list)
    fields = {field: [0] * len(foods) for field in FIELDS}
    numbers: dict[tuple[str, ...], int] = {}
    same_name, unasked, branded = [], [], []
    rows = zip(descriptions, column("common_name"), column("manufacturer"), strict=True)
    for row, (description, other_names, maker) in enumerate(rows):
        food = read_description(description, other_names)
        for field, value in food.fields.items():
            fields[field][row] = CODES[field][value]
        for word, (quality, cost) in food.words.items():
            found[word].append((row, quality, cost))
        unasked.append(sum(cost for _, cost in food.words.values()))
        same_name.append(numbers.setdefault(food.name, len(numbers)))
        branded.append(bool(maker) or food.branded)
    base = np.where(branded, _BRAND_LOSS, 0.0).astype(np.float32)
    survey = np.array(column("in_survey"))
    if (survey == "Y").any():
        base += np.where(survey == "Y", 0.0, _NOT_IN_SURVEY).astype(np.float32)
    texts = [
        f"{text}, {name}".lower().replace("(includes usda commodity", "")
        for text, name in zip(descriptions, group_names, strict=True)
    ]
    postings = {}
    for word, places in found.items():
        at, qualities, costs = zip(*places, strict=True)
        postings[word] = _Posting(np.array(at), np.array(qualities, np.float32), np.array(costs, np.float32))
    codes = {field: np.array(values, dtype=np.int8) for field, values in fields.items()}
    return _Index(
        codes=foods.index.astype(str).tolist(),
        descriptions=descriptions,
        groups=groups,
        group_names=group_names,
        postings=postings,
        fields=codes,
        unasked=np.array(unasked, dtype=np.float32),
        apart=[np.any([[sign in text for text in texts] for sign in signs], axis=0) for signs, _, _ in _APART],
        base=base,
        as_sold=_least_change(codes, np.array(same_name, dtype=np.intp)),
    )


def _least_change(fields: dict[str, np.ndarray], same_name: np.ndarray) -> np.ndarray:
    """Tell what the plainest food of each name loses for being kept or cooked: juice is sold canned, bread baked."""
    loss = sum(_LOSSES[field][0][fields[field]] for field in _CHANGES)
    least = np.full(same_name.max(initial=0) + 1, np.inf, dtype=np.float32)
    np.minimum.at(least, same_name, loss)
    return least[same_name]


# What the score loses (logarithm) if the query says the first and the description the second; "" is nothing said.
def _losses() -> dict[str, np.ndarray]:
    tables = {}
    for field, values in FIELDS.items():
        names = ["", *values]
        tables[field] = np.array([[_loss(field, a, b) for b in names] for a in names], dtype=np.float32)
    return tables


_UNASKED = {
    "low sodium": 0.45, "with salt": 0.08, "without salt": 0.02,
    "skin only": 1.5, "without skin": 0.05, "peeled": 0.05,
    "low fat": 0.3, "reduced fat": 0.3, "nonfat": 0.35, "light": 0.12, "lean only": 0.08,
    "not fortified": 0.15, "fortified": 0.06, "sweetened": 0.1,
    "in heavy syrup": 0.2, "in light syrup": 0.15, "in syrup": 0.15, "in oil": 0.06, "in tomato sauce": 0.15,
    "rinsed": 0.3, "with liquid": 0.03,
    "canned": 0.35, "frozen": 0.35, "dried": 0.3, "smoked": 0.5, "pickled": 0.5, "kippered": 0.5,
}  # fmt: skip
_NEAR = {
    "low sodium": {"": 0.6, "without salt": 0.12},
    "without salt": {"": 0.35, "low sodium": 0.2},
    "with salt": {"": 0.45, "low sodium": 0.7},
    "peeled": {"": 0.05, "without skin": 0.0, "in skin": 0.25, "with skin": 0.3},
    "without skin": {"": 0.2, "peeled": 0.0, "in skin": 0.35},
    "in skin": {"": 0.3, "with skin": 0.15},
    "with skin": {"": 0.15, "in skin": 0.5},
    "skin only": {"": 0.6},
    "full fat": {"": 0.15},
    "reduced fat": {"": 0.55, "low fat": 0.15, "light": 0.15, "nonfat": 0.45},
    "low fat": {"": 0.55, "reduced fat": 0.12, "light": 0.2, "nonfat": 0.4},
    "light": {"": 0.5, "low fat": 0.15, "reduced fat": 0.15},
    "nonfat": {"": 0.55, "low fat": 0.5},
    "lean only": {"": 0.1},
    "lean and fat": {"": 0.0},
    "enriched": {"": 0.2, "fortified": 0.1},
    "fortified": {"": 0.7, "enriched": 0.1},
    "not fortified": {"": 0.1},
    "unsweetened": {"": 0.35},
    "sweetened": {"": 0.4},
    "in syrup": {"in heavy syrup": 0.05, "in light syrup": 0.05},
    "in heavy syrup": {"in syrup": 0.1},
    "in light syrup": {"in syrup": 0.1},
    "rinsed": {"drained": 0.15},
    "drained": {"": 0.2, "rinsed": 0.25, "with liquid": 0.4},
    "with liquid": {"": 0.1},
    "canned": {"": 1.0},
    "frozen": {"": 1.0},
    "dried": {"": 0.35},
    "smoked": {"": 1.5, "kippered": 0.2},
    "kippered": {"": 1.5, "smoked": 0.3},
    "pickled": {"": 1.0},
}
_AGAINST = {"salt": 1.2, "skin": 0.9, "fat": 0.8, "fortified": 0.5, "sugar": 0.7, "packed": 0.6, "liquid": 0.7,
            "kept": 1.4, "cured": 1.4, "lean": 0.5}  # fmt: skip


def _loss(field: str, asked: str, said: str) -> float:
    """Tell what a disagreement of one field costs."""
    if asked == said:
        return 0.0
    if field == "cooked":
        return _cooking_loss(asked, said)
    if not asked:
        return _UNASKED.get(said, 0.0)
    return _NEAR.get(asked, {}).get(said, _AGAINST[field] if said else 0.3)


def _cooking_loss(asked: str, said: str) -> float:
    if not asked:
        return {
            "raw": 0.0,
            "": 0.0,
            "prepared": 0.15,
            "fried": 0.5,
            "stir-fried": 0.5,
            "toasted": 0.5,
            "roasted": 0.38,
            "dry roasted": 0.38,
            "oil roasted": 0.39,
        }.get(said, 0.4)
    if not said:
        return 0.15 if asked == "raw" else 0.8
    if "raw" in (asked, said):
        return 2.0
    if asked in ("cooked", "prepared"):
        return {"boiled": 0.02, "fried": 0.3}.get(said, 0.12)
    if said in ("cooked", "prepared"):
        return 0.1
    return 0.15 if any({asked, said} <= kind for kind in _KINDS) else 0.6


_LOSSES = _losses()
# Cuts of meat: "chuck roast" is a piece to be roasted, "roast chuck" one that has been.
_CUTS = {
    "chuck", "rump", "loin", "round", "rib", "ribs", "shoulder", "blade", "tip",
    "sirloin", "tenderloin", "leg", "butt", "brisket", "eye", "clod", "rolled",
}  # fmt: skip
_DRY_WHEN_RAW = re.compile(r"legume|pulse|cereal grain|grains and pasta")


@lru_cache(maxsize=1024)
def _plain_food(asked: frozenset[str], little: frozenset[str]) -> PlainFood | None:
    """Find what is meant by these words alone; of more words only whether such food is usually salted."""
    known = plain_foods()
    for words in (asked, asked - little):
        if words in known:
            return known[words]
    within = [words for words in known if words <= asked and "salt" in known[words].fields]
    if not within:
        return None
    return PlainFood((), {"salt": known[max(within, key=lambda words: (len(words), sorted(words)))].fields["salt"]})


def _corrected(words: list[str], index: _Index) -> tuple[list[str], dict[str, str]]:
    """Replace words that are nowhere by the nearest that is, two swapped letters counting as one change."""
    known = index.vocabulary
    result, changed = [], {}
    for at, word in enumerate(words):
        as_is = not word.isalpha() or len(word) < 3 or word in SMALL_WORDS or STATE.fullmatch(word)
        apart = at + 1 < len(words) and stem(word) + stem(words[at + 1]) in index.postings
        if as_is or apart or word in known or stem(word) in known:
            result.append(word)
            continue
        most = 1 if len(word) < 6 else 2
        forms = process.extract(word, known.keys(), scorer=OSA.distance, score_cutoff=most, limit=8)
        if not forms:
            halves = [(word[:k], word[k:]) for k in range(3, len(word) - 2)]
            halves = [(a, b) for a, b in halves if stem(a) in index.postings and stem(b) in index.postings]
            result.extend(halves[0] if halves else (word,))
            continue

        def likeness(found: tuple[str, float, int], word: str = word) -> tuple[float, bool, bool, int]:
            form, distance, _ = found
            posting = index.postings.get(known[form])
            places = len(posting.rows) if posting else 20
            return distance, sorted(form) != sorted(word), form[0] != word[0], -places

        choice = min(forms, key=likeness)[0]
        changed[known[choice]] = word
        result.append(choice)
    return result, changed


def _as_cut(words: Sequence[str]) -> list[str]:
    """Leave out the noun 'roast' behind a cut of meat, which says nothing of its state."""
    return [word for at, word in enumerate(words) if word != "roast" or _CUTS.isdisjoint(words[:at])]


def _written_together(words: list[str], index: _Index) -> list[str]:
    """Join two words that the release writes as one ('butter milk')."""
    result: list[str] = []
    for word in words:
        if result and word.isalpha() and len(word) > 2:
            joined = result[-1] + stem(word)
            apart = stem(result[-1]) in index.postings and stem(word) in index.postings
            phrase = (stem(result[-1]), stem(word)) in trade_words()
            if joined in index.postings and not apart and not phrase:
                result[-1] = joined
                continue
        result.append(word)
    return result


def _loss_of(reading: Words, index: _Index) -> np.ndarray:
    """Tell what every food of the index loses under one reading of the query (logarithm)."""
    count = len(index.codes)
    asked = set(reading.words)
    loss = index.base.copy()
    unasked = index.unasked.copy()
    little = little_words()
    named = np.zeros(count, dtype=bool)
    for word in reading.words:
        posting = index.postings.get(word)
        if posting is None:
            loss += _MISSING_LITTLE if word in little else _MISSING_WORD
            continue
        rarity = float(np.clip(np.log(count / len(posting.rows)) / np.log(count), 0.45, 1.0))
        missing = _MISSING_LITTLE if word in little else _MISSING_WORD * rarity
        loss += missing
        loss[posting.rows] -= missing * posting.quality
        named[posting.rows] |= word.isalpha() and (word not in little or len(asked) == 1)
        unasked[posting.rows] -= posting.cost
    plain = _plain_food(frozenset(asked), little)
    for word in plain.words if plain else ():
        if word not in asked:
            loss += _ASKED_PLAIN
            if (posting := index.postings.get(word)) is not None:
                loss[posting.rows] -= _ASKED_PLAIN
                unasked[posting.rows] -= posting.cost
    loss[~named] = np.inf
    loss += np.minimum(unasked, 2.5)
    for field, table in _LOSSES.items():
        said = index.fields[field]
        value = reading.fields.get(field, "")
        names = ["", *FIELDS[field]]
        fresh = field == "kept" and reading.fields.get("cooked") == "raw"  # fresh thyme is not dried, raw tuna no can
        if not value and plain and field in plain.fields and not fresh:
            loss += 0.4 * table[names.index(plain.fields[field])][said]
        else:
            loss += table[names.index(value)][said]
    if not any(field in reading.fields or (plain and field in plain.fields) for field in _CHANGES):
        loss -= index.as_sold
    _correct_for_context(loss, reading, index)
    for (_, words, cost), rows in zip(_APART, index.apart, strict=True):
        if not words & asked:
            loss += cost * rows
    return loss


def _correct_for_context(loss: np.ndarray, reading: Words, index: _Index) -> None:
    """Put right what two fields say only together."""
    kept, cooked = index.fields["kept"], index.fields["cooked"]
    kept_codes = CODES["kept"]
    asked_kept, asked_cooked = reading.fields.get("kept", ""), reading.fields.get("cooked", "")
    if asked_cooked == "raw" and not asked_kept:
        loss += 0.8 * (kept == kept_codes["canned"]) + 0.3 * (kept == kept_codes["frozen"])
    if asked_kept == "canned" and not asked_cooked:
        loss -= 0.35 * ((cooked > 1) & (kept == kept_codes["canned"]))  # what is canned is cooked
    if not asked_kept and (soup := index.postings.get("soup")) is not None:
        canned = _UNASKED["canned"] * (kept[soup.rows] == kept_codes["canned"])
        loss[soup.rows] -= np.maximum(canned - index.as_sold[soup.rows], 0)  # as soups are sold
    if asked_kept == "dried":
        loss -= _LOSSES["kept"][kept_codes["dried"]][0] * ((cooked == 1) & index.dry_when_raw)
        loss += 1.2 * ((cooked > 1) & (kept != kept_codes["dried"]))


def find_foods(
    query: str,
    release: FoodRelease,
    most: int = 10,
    *,
    group: str = "",
    state: str = "",
    component: str = "",
) -> list[Hit]:
    """Find the foods that a cook's words may mean.

    Parameters
    ----------
    query : str
        Such as ``"peeled potato raw"`` or ``"chickpeas, canned, drained, no salt added"``.
    release : FoodRelease
        Its descriptions are read once and kept.
    most : int, optional
        How many to give at most.
    group : str, optional
        Only foods of this group: its code, or words of its name.
    state : str, optional
        Only foods in this state, such as ``"raw"``, ``"boiled"``, ``"canned"``, ``"without salt"``.
    component : str, optional
        Only foods that have a value for it: INFOODS tag or name.

    Returns
    -------
    list of Hit
        Best first; equal ones by code. Empty if no word is known.

    Raises
    ------
    SwaptableError
        If the query says nothing, or the group, state or component is not known; names what is allowed.

    Examples
    --------
    >>> from swaptable.foods.release import open_release
    >>> [hit.description for hit in find_foods("courgettes", open_release("sr28"), most=1)]
    ['Squash, summer, zucchini, includes skin, raw']
    """
    release.note_all_used()
    words = re.findall(r"[a-z]+|\d+(?:\.\d+)?%?", plain_letters(query))
    if not any(word.isalpha() for word in words):
        raise SwaptableError(f"found the query '{query}'; expected words for a food, such as 'peeled potato raw'")
    if most < 1:
        raise SwaptableError(f"found {most} foods to list; expected 1 or more")
    index = _index(release)
    allowed = _allowed(index, release, group, state, component)
    if any(word.endswith("%") for word in words):
        words = [word for word in words if word not in ("extra", "lean")]  # the percentage says how lean
    words, changed = _corrected(_written_together(words, index), index)
    readings = [read_query(_as_cut(reading)) for reading in meanings(words)]
    losses = np.stack([_loss_of(reading, index) for reading in readings])
    loss = np.where(allowed, losses.min(axis=0), np.inf)
    best = np.argsort(loss, kind="stable")[:most]
    hits = []
    for row in best:
        score = float(np.exp(-max(float(loss[row]), 0.0)))
        if score < _LEAST:
            break
        reading = readings[int(losses[:, row].argmin())]
        corrected = [f"{word} ({typed})" for word, typed in changed.items() if word not in reading.words]
        understood = [*corrected, *(_as_understood(word, index, changed) for word in reading.words)]
        hits.append(
            Hit(
                code=index.codes[row],
                description=index.descriptions[row],
                food_group=index.groups[row],
                state=", ".join(index.states(row)) or "unstated",
                score=score,
                words=(*understood, *reading.fields.values()),
            )
        )
    return hits


def _as_understood(word: str, index: _Index, changed: dict[str, str]) -> str:
    if word in changed:
        return f"{word} ({changed[word]})"
    return word if word in index.postings or word in little_words() else f"{word} (not known)"


def hits_table(
    hits: Sequence[Hit], release: FoodRelease, components: Sequence[str] = ("NA", "K", "ENERC_KCAL")
) -> pd.DataFrame:
    """Put hits in a table, with what tells them apart in the kitchen.

    Parameters
    ----------
    hits : sequence of Hit
        As :func:`find_foods` gives them.
    release : FoodRelease
        The release they were found in.
    components : sequence of str, optional
        INFOODS tags; those that the release does not have are left out.

    Returns
    -------
    DataFrame
        One row a hit: ``code``, ``description``, ``state``, ``food_group``, ``group``, ``score`` [-],
        ``refuse_percent`` [%], one column a component such as ``sodium_mg_per_100_g`` (edible portion; NaN is missing)
        and ``portions`` with their grams.
    """
    units = release.components["unit"]
    tags = [tag for tag in components if tag in units.index]
    names = [f"{component_label(tag).lower().replace(' ', '_')}_{units[tag]}_per_100_g" for tag in tags]
    index = _index(release)
    groups = dict(zip(index.groups, index.group_names, strict=True))
    rows = []
    for hit in hits:
        food, values = release.food(hit.code), release.values(hit.code)
        rows.append({
            "code": release.full_code(hit.code),
            "description": hit.description,
            "state": hit.state,
            "food_group": hit.food_group,
            "group": groups[hit.food_group],
            "score": round(hit.score, 3),
            "refuse_percent": food.refuse_percent,
            **{name: float(values[tag]) for name, tag in zip(names, tags, strict=True)},
            "portions": "; ".join(f"{portion.measure} {portion.grams:.4g} g" for portion in food.portions),
        })  # fmt: skip
    columns = ["code", "description", "state", "food_group", "group", "score", "refuse_percent", *names, "portions"]
    return pd.DataFrame(rows, columns=columns)


def _allowed(index: _Index, release: FoodRelease, group: str, state: str, component: str) -> np.ndarray:
    """Mark the foods that the filters leave."""
    allowed = np.ones(len(index.codes), dtype=bool)
    if group:
        names = dict(zip(index.groups, index.group_names, strict=True))
        chosen = {
            code for code, name in names.items() if group.lower() == code.lower() or group.lower() in name.lower()
        }
        if not chosen:
            known = sorted(f"{code} {name}".strip() for code, name in names.items())
            raise SwaptableError(f"found group '{group}'; expected one of {listed(known, 40)}")
        allowed &= np.array([code in chosen for code in index.groups])
    if state:
        allowed &= _in_state(index, state)
    if component:
        column = release.components.index.get_loc(component_named(component, release.components.index))
        allowed &= ~np.isnan(release.matrix[:, column])
    return allowed


def _in_state(index: _Index, state: str) -> np.ndarray:
    known = {value: field for field, values in FIELDS.items() for value in values if value}
    if state == "unstated":
        return np.asarray(sum(index.fields.values()) == 0)
    if state == "cooked":
        return np.asarray((index.fields["cooked"] > 1) & (index.fields["cooked"] != CODES["cooked"]["prepared"]))
    if state not in known:
        names = [*known, "unstated"]
        raise SwaptableError(f"found state '{state}'; expected one of {listed(names, 60)}{nearest(state, names)}")
    return np.asarray(index.fields[known[state]] == CODES[known[state]][state])
