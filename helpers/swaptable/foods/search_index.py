"""The descriptions of a release read once: where each word occurs, and what each food loses if nobody asks for it."""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import NamedTuple

import numpy as np
import pandas as pd

from swaptable.foods.release import FoodRelease
from swaptable.foods.state_words import CODES, FIELDS, LOSSES
from swaptable.foods.words import known_words, plural, read_description

__all__ = ["APART", "CHANGES", "SearchIndex", "search_index"]

CHANGES = ("kept", "cured", "cooked")
_HOW = list(FIELDS["cooked"])
# Rows that nobody means who does not say so: what they say, words that ask for them, what the score loses (logarithm).
APART = (
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
_NOT_IN_SURVEY = 0.06  # foods that no survey met are less common


class _Posting(NamedTuple):
    """Where a word occurs: rows of the index, how much of it counts there, and what it costs if not asked for."""

    rows: np.ndarray
    quality: np.ndarray
    cost: np.ndarray


@dataclass(frozen=True, eq=False)
class SearchIndex:
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
def search_index(release: FoodRelease) -> SearchIndex:
    """Read the descriptions of a release; the index is kept."""
    foods = release.foods
    descriptions, groups, group_names = (
        _column(foods, name) for name in ("description", "food_group", "food_group_name")
    )
    found: dict[str, list[tuple[int, float, float]]] = defaultdict(list)
    fields = {field: [0] * len(foods) for field in FIELDS}
    numbers: dict[tuple[str, ...], int] = {}
    same_name, unasked, branded = [], [], []
    rows = zip(descriptions, _column(foods, "common_name"), _column(foods, "manufacturer"), strict=True)
    for row, (description, other_names, maker) in enumerate(rows):
        food = read_description(description, other_names)
        for field, value in food.fields.items():
            fields[field][row] = CODES[field][value]
        for word, (quality, cost) in food.words.items():
            found[word].append((row, quality, cost))
        unasked.append(sum(cost for _, cost in food.words.values()))
        same_name.append(numbers.setdefault(food.name, len(numbers)))
        branded.append(bool(maker) or food.branded)
    codes = {field: np.array(values, dtype=np.int8) for field, values in fields.items()}
    return SearchIndex(
        codes=foods.index.astype(str).tolist(),
        descriptions=descriptions,
        groups=groups,
        group_names=group_names,
        postings={word: _posting(places) for word, places in found.items()},
        fields=codes,
        unasked=np.array(unasked, dtype=np.float32),
        apart=_apart(descriptions, group_names),
        base=_base(branded, _column(foods, "in_survey")),
        as_sold=_least_change(codes, np.array(same_name, dtype=np.intp)),
    )


def _column(foods: pd.DataFrame, name: str) -> list[str]:
    return foods[name].fillna("").astype(str).tolist() if name in foods else [""] * len(foods)


def _posting(places: list[tuple[int, float, float]]) -> _Posting:
    at, qualities, costs = zip(*places, strict=True)
    return _Posting(np.array(at), np.array(qualities, np.float32), np.array(costs, np.float32))


def _base(branded: list[bool], in_survey: list[str]) -> np.ndarray:
    """Tell what each food loses whatever is asked for: for its brand, and if no survey met it."""
    base = np.where(branded, _BRAND_LOSS, 0.0).astype(np.float32)
    survey = np.array(in_survey)
    if (survey == "Y").any():
        base += np.where(survey == "Y", 0.0, _NOT_IN_SURVEY).astype(np.float32)
    return base


def _apart(descriptions: list[str], group_names: list[str]) -> list[np.ndarray]:
    """Mark the foods of each row of :data:`APART`."""
    texts = [
        f"{text}, {name}".lower().replace("(includes usda commodity", "")
        for text, name in zip(descriptions, group_names, strict=True)
    ]
    return [np.any([[sign in text for text in texts] for sign in signs], axis=0) for signs, _, _ in APART]


def _least_change(fields: dict[str, np.ndarray], same_name: np.ndarray) -> np.ndarray:
    """Tell what the plainest food of each name loses for being kept or cooked: juice is sold canned, bread baked."""
    loss = sum(LOSSES[field][0][fields[field]] for field in CHANGES)
    least = np.full(same_name.max(initial=0) + 1, np.inf, dtype=np.float32)
    np.minimum.at(least, same_name, loss)
    return least[same_name]


_DRY_WHEN_RAW = re.compile(r"legume|pulse|cereal grain|grains and pasta")
