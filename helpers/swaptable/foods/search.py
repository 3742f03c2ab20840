"""Food search: what a cook writes → the foods of a release that it may mean, best first.

A description loses a little for every word that query or description has and the other has not, by how much the word
matters, and for every field that disagrees (``state_words``); what is left of 1 is the score. Losses are added as
logarithms; they are judgement, tuned on one half of ``tests/data/food_queries.csv`` and measured on the other.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from rapidfuzz import process
from rapidfuzz.distance import OSA

from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.foods.reference import component_label, component_named
from swaptable.foods.release import FoodRelease
from swaptable.foods.search_index import APART, CHANGES, SearchIndex, search_index
from swaptable.foods.state_words import CODES, FIELDS, LOSSES, STATE, UNASKED
from swaptable.foods.words import (
    SMALL_WORDS,
    PlainFood,
    Words,
    little_words,
    meanings,
    plain_foods,
    plain_letters,
    read_query,
    stem,
    trade_words,
)

__all__ = ["Hit", "find_foods", "hits_table"]

_MISSING_WORD = 2.4  # what a rare word of the query that a description has not costs (logarithm)
_MISSING_LITTLE = 0.2
_ASKED_PLAIN = 0.15  # a word that is only understood
_LEAST = 0.005  # foods below are no answer


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


# Cuts of meat: "chuck roast" is a piece to be roasted, "roast chuck" one that has been.
_CUTS = {
    "chuck", "rump", "loin", "round", "rib", "ribs", "shoulder", "blade", "tip",
    "sirloin", "tenderloin", "leg", "butt", "brisket", "eye", "clod", "rolled",
}  # fmt: skip


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


def _corrected(words: list[str], index: SearchIndex) -> tuple[list[str], dict[str, str]]:
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


def _written_together(words: list[str], index: SearchIndex) -> list[str]:
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


def _loss_of(reading: Words, index: SearchIndex) -> np.ndarray:
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
    _lose_for_state(loss, reading, plain, index)
    _correct_for_context(loss, reading, index)
    for (_, words, cost), rows in zip(APART, index.apart, strict=True):
        if not words & asked:
            loss += cost * rows
    return loss


def _lose_for_state(loss: np.ndarray, reading: Words, plain: PlainFood | None, index: SearchIndex) -> None:
    """Take off what is lost for every field that disagrees."""
    for field, table in LOSSES.items():
        said = index.fields[field]
        value = reading.fields.get(field, "")
        names = ["", *FIELDS[field]]
        fresh = field == "kept" and reading.fields.get("cooked") == "raw"  # fresh thyme is not dried, raw tuna no can
        if not value and plain and field in plain.fields and not fresh:
            loss += 0.4 * table[names.index(plain.fields[field])][said]
        else:
            loss += table[names.index(value)][said]
    if not any(field in reading.fields or (plain and field in plain.fields) for field in CHANGES):
        loss -= index.as_sold


def _correct_for_context(loss: np.ndarray, reading: Words, index: SearchIndex) -> None:
    """Put right what two fields say only together."""
    kept, cooked = index.fields["kept"], index.fields["cooked"]
    kept_codes = CODES["kept"]
    asked_kept, asked_cooked = reading.fields.get("kept", ""), reading.fields.get("cooked", "")
    if asked_cooked == "raw" and not asked_kept:
        loss += 0.8 * (kept == kept_codes["canned"]) + 0.3 * (kept == kept_codes["frozen"])
    if asked_kept == "canned" and not asked_cooked:
        loss -= 0.35 * ((cooked > 1) & (kept == kept_codes["canned"]))  # what is canned is cooked
    if not asked_kept and (soup := index.postings.get("soup")) is not None:
        canned = UNASKED["canned"] * (kept[soup.rows] == kept_codes["canned"])
        loss[soup.rows] -= np.maximum(canned - index.as_sold[soup.rows], 0)  # as soups are sold
    if asked_kept == "dried":
        loss -= LOSSES["kept"][kept_codes["dried"]][0] * ((cooked == 1) & index.dry_when_raw)
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
    index = search_index(release)
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


def _as_understood(word: str, index: SearchIndex, changed: dict[str, str]) -> str:
    if word in changed:
        return f"{word} ({changed[word]})"
    return word if word in index.postings or word in little_words() else f"{word} (not known)"


def hits_table(hits: Sequence[Hit], release: FoodRelease) -> pd.DataFrame:
    """Put hits in a table, with what tells them apart in the kitchen.

    Parameters
    ----------
    hits : sequence of Hit
        As :func:`find_foods` gives them.
    release : FoodRelease
        The release they were found in.

    Returns
    -------
    DataFrame
        One row a hit: ``code``, ``description``, ``state``, ``food_group``, ``group``, ``score`` [-],
        ``refuse_percent`` [%], ``sodium_mg_per_100_g``, potassium and energy as far as the release has
        them (edible portion; NaN is missing) and ``portions`` with their grams.
    """
    units = release.components["unit"]
    tags = [tag for tag in ("NA", "K", "ENERC_KCAL") if tag in units.index]
    names = [f"{component_label(tag).lower().replace(' ', '_')}_{units[tag]}_per_100_g" for tag in tags]
    index = search_index(release)
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


def _allowed(index: SearchIndex, release: FoodRelease, group: str, state: str, component: str) -> np.ndarray:
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


def _in_state(index: SearchIndex, state: str) -> np.ndarray:
    known = {value: field for field, values in FIELDS.items() for value in values if value}
    if state == "unstated":
        return np.asarray(sum(index.fields.values()) == 0)
    if state == "cooked":
        return np.asarray((index.fields["cooked"] > 1) & (index.fields["cooked"] != CODES["cooked"]["prepared"]))
    if state not in known:
        names = [*known, "unstated"]
        raise SwaptableError(f"found state '{state}'; expected one of {listed(names, 60)}{nearest(state, names)}")
    return np.asarray(index.fields[known[state]] == CODES[known[state]][state])
