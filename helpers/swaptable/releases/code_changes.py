"""From one food release to another: which food is which, what changed, and what only a person can say.

A food is known again by its code, by the number it had in SR28 (FoodData Central prints it) or by its description; all
else is a question, with the foods that the search thinks nearest.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from rapidfuzz import fuzz

from swaptable.basics.errors import SwaptableError
from swaptable.basics.folders import DATA, shown
from swaptable.basics.located_yaml import read_yaml
from swaptable.foods.component_identity import factor_between
from swaptable.foods.current_release import BY_HAND, CodeChange
from swaptable.foods.release import FoodRelease
from swaptable.foods.search import Hit, find_foods

__all__ = ["Differences", "Question", "Use", "compare", "match_codes", "questions", "used_codes"]

SAME_CODE, SR_NUMBER, SAME_WORDS = "same code", "SR number", "same description"
_ALIKE = 60.0  # percent of likeness below which one code in two releases is no longer taken for one food (assumed)
_SAME = 1e-9  # relative difference of values that are equal but for the last digit
_CANDIDATES = 3


@dataclass(frozen=True)
class Use:
    """A place where a recipe or a day names a food.

    Attributes
    ----------
    code : str
        With its release.
    file : str
        As shown to the reader.
    line : int
    field : str
        Such as ``ingredients.tuber.food``.
    """

    code: str
    file: str
    line: int
    field: str

    @property
    def place(self) -> str:
        """File, line and field, for a sentence.

        Examples
        --------
        >>> Use("sr28:11352", "pot.yaml", 7, "ingredients.tuber.food").place
        'pot.yaml:7 ingredients.tuber'
        """
        return f"{self.file}:{self.line} {self.field.removesuffix('.food')}"


@dataclass(frozen=True)
class Question:
    """A food that recipes use and that nobody has said the successor of.

    Attributes
    ----------
    code, description : str
        Code with its release, and its words there.
    uses : tuple of Use
    candidates : tuple of Hit
        Foods of the new release, best first.
    new_release : str
    """

    code: str
    description: str
    uses: tuple[Use, ...]
    candidates: tuple[Hit, ...]
    new_release: str

    def sentence(self) -> str:
        """Say what is asked, in one line."""
        places = ", ".join(use.place for use in self.uses)
        near = "; ".join(
            f"{hit.code.rpartition(':')[2]} {hit.description} ({hit.score:.2f})" for hit in self.candidates
        )
        return f"{places}: {self.code} {self.description}: which food of {self.new_release}? {near or 'none is near'}"

    def row(self) -> CodeChange:
        """Give the row of the answers that waits for the code."""
        old_release, _, old_code = self.code.partition(":")
        return CodeChange(old_release, old_code, self.new_release, "", BY_HAND, "", self.sentence())


@dataclass(frozen=True, eq=False)
class Differences:
    """What is not the same in two releases.

    Attributes
    ----------
    old, new : FoodRelease
    table : DataFrame
        One row per food of either: ``old`` and ``new`` code, empty where there is none, ``description``, ``how`` it was
        known again, and what changed: ``values`` (how many components, also such as came or went), ``words``,
        ``refuse``.
    """

    old: FoodRelease
    new: FoodRelease
    table: pd.DataFrame

    def kinds(self) -> dict[str, pd.Series]:
        """Mark the rows of each kind: new, vanished, renumbered, changed."""
        table = self.table
        both = (table["old"] != "") & (table["new"] != "")
        return {
            "new": table["old"] == "",
            "vanished": table["new"] == "",
            "renumbered": both & (table["old"] != table["new"]),
            "changed": both & ((table["values"] > 0) | table["words"] | table["refuse"]),
        }


def _words(description: object) -> str:
    return " ".join(re.findall(r"[a-z0-9%]+", str(description).lower()))


def _numbers(release: FoodRelease) -> dict[str, str]:
    """Give the number by which each food is known across releases of USDA: in SR28 its code, else ``other_code``."""
    foods = release.foods
    if "Standard Reference" in str(release.manifest.get("title", "")):
        return {str(code): f"ndb {str(code).lstrip('0')}" for code in foods.index}
    if not {"data_type", "other_code"} <= set(foods.columns):
        return {}
    kind = np.where(foods["data_type"].astype(str).str.contains("survey", case=False), "fndds", "ndb")
    numbers = foods["other_code"].astype(str).str.lstrip("0")
    return {str(code): f"{k} {n}" for code, k, n in zip(foods.index, kind, numbers, strict=True) if n}


def _candidates(
    how: str, old: FoodRelease, new: FoodRelease, words: Sequence[Mapping[str, str]]
) -> dict[str, list[str]]:
    """Give for each food of the old release the foods of the new one that it may be, by one way of knowing."""
    old_words, new_words = words
    if how == SAME_CODE:
        same = [code for code in old_words if code in new_words]
        return {code: [code] for code in same if fuzz.token_sort_ratio(old_words[code], new_words[code]) >= _ALIKE}
    old_keys, new_keys = (_numbers(old), _numbers(new)) if how == SR_NUMBER else (old_words, new_words)
    by_key: dict[str, list[str]] = defaultdict(list)
    for code, key in new_keys.items():
        by_key[key].append(code)
    twice = pd.Series(list(old_keys.values()), dtype=object)
    unclear = set(twice[twice.duplicated()])
    return {code: by_key[key] for code, key in old_keys.items() if key in by_key and key not in unclear}


def match_codes(old: FoodRelease, new: FoodRelease) -> list[CodeChange]:
    """Find the foods of one release in another, as far as that is certain.

    Parameters
    ----------
    old, new : FoodRelease

    Returns
    -------
    list of CodeChange
        By old code: the same code with words that are alike; else the same number of SR28 or of the survey; else the
        same description, of one food in each. Where several would do and their words do not decide, none is taken.
    """
    words = [{str(code): _words(text) for code, text in each.foods["description"].items()} for each in (old, new)]
    found: dict[str, tuple[str, str]] = {}
    for how in (SAME_CODE, SR_NUMBER, SAME_WORDS):
        for code, others in _candidates(how, old, new, words).items():
            same = [other for other in others if words[1][other] == words[0][code]]
            choice = others if len(others) == 1 else same
            if code not in found and len(choice) == 1:
                found[code] = (choice[0], how)
    return [CodeChange(old.name, code, new.name, other, how, "certain") for code, (other, how) in sorted(found.items())]


def compare(old: FoodRelease, new: FoodRelease, codes: Iterable[tuple[str, str, str]]) -> Differences:
    """Tell what differs between two releases.

    Parameters
    ----------
    old, new : FoodRelease
    codes : iterable of (str, str, str)
        Old code, new code, and how one is known to stand for the other; codes without their release.

    Returns
    -------
    Differences
    """
    pairs = [(a, b, how) for a, b, how in codes if a in old.foods.index and b in new.foods.index]
    rows = old.foods.index.get_indexer([a for a, _, _ in pairs]), new.foods.index.get_indexer([b for _, b, _ in pairs])
    columns = ["old", "new", "how"]
    table = pd.DataFrame(pairs, columns=columns, dtype=object)
    before, after = (each.foods.iloc[at] for each, at in zip((old, new), rows, strict=True))
    table["description"] = after["description"].astype(str).to_numpy()
    table["values"] = _values_changed(old, new, rows)
    table["words"] = [_words(a) != _words(b) for a, b in zip(before["description"], after["description"], strict=True)]
    # some tables say nothing where others say 0 %: for a food without refuse that is the same
    refuse = [np.nan_to_num(each["refuse_percent"].to_numpy(float)) for each in (before, after)]
    table["refuse"] = ~np.isclose(*refuse)
    gone = old.foods["description"].drop([a for a, _, _ in pairs])
    come = new.foods["description"].drop([b for _, b, _ in pairs], errors="ignore")
    alone: list[dict[str, Any]] = [{"old": str(code), "new": "", "description": text} for code, text in gone.items()]
    alone += [{"old": "", "new": str(code), "description": text} for code, text in come.items()]
    rest = pd.DataFrame(alone, columns=["old", "new", "description"], dtype=object)
    rest = rest.assign(how="", values=0, words=False, refuse=False)
    whole = (
        pd.concat([each for each in (table, rest) if len(each)], ignore_index=True) if len(table) + len(rest) else rest
    )
    return Differences(old, new, whole.astype({"values": int, "words": bool, "refuse": bool}))


def _values_changed(old: FoodRelease, new: FoodRelease, rows: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """Count for each pair of foods the components whose value is another now, came or went."""
    units = {tag: factor_between(str(new.components.at[tag, "unit"]), str(old.components.at[tag, "unit"]))
             for tag in old.components.index if tag in new.components.index}  # fmt: skip
    tags = [tag for tag, factor in units.items() if factor is not None]
    before = old.matrix[rows[0]][:, old.components.index.get_indexer(tags)]
    factors = np.array([units[tag] for tag in tags], dtype=float)
    after = new.matrix[rows[1]][:, new.components.index.get_indexer(tags)] * factors
    same = np.isclose(before, after, rtol=_SAME, atol=0, equal_nan=True)
    return np.asarray((~same).sum(axis=1))


def used_codes(data: Path = DATA) -> list[Use]:
    """Find every place where recipes and days name a food.

    Parameters
    ----------
    data : Path, optional
        Folder of the project's data.

    Returns
    -------
    list of Use

    Raises
    ------
    InputError
        If one of the files cannot be read.
    """
    found = []
    for path in [*sorted((data / "recipes").glob("*.yaml")), *sorted((data / "days").glob("*.yaml"))]:
        content, source = read_yaml(path)
        for place, code in _foods_in(content, ()):
            line = source.places[place][0]
            found.append(Use(code, shown(path), line, ".".join(map(str, place))))
    return found


def _foods_in(content: Any, place: tuple[str | int, ...]) -> Iterable[tuple[tuple[str | int, ...], str]]:
    items = content.items() if isinstance(content, dict) else enumerate(content) if isinstance(content, list) else ()
    for key, value in items:
        if key == "food" and isinstance(value, str) and ":" in value:
            yield (*place, key), value
        else:
            yield from _foods_in(value, (*place, key))


def questions(
    uses: Sequence[Use], olds: Mapping[str, FoodRelease], new: FoodRelease, known: Mapping[str, str]
) -> list[Question]:
    """List the foods that recipes use and nobody has said the successor of.

    Parameters
    ----------
    uses : sequence of Use
    olds : mapping of FoodRelease
        Releases whose codes need a successor, by name.
    new : FoodRelease
    known : mapping of str
        Code with its release → successor, as :func:`swaptable.foods.current_release.code_map` gives it.

    Returns
    -------
    list of Question
        In the order of their first use.
    """
    places: dict[str, list[Use]] = defaultdict(list)
    for use in uses:
        release, _, _ = use.code.rpartition(":")
        if release in olds and use.code not in known:
            places[use.code].append(use)
    found = []
    for code, where in places.items():
        release, _, bare = code.rpartition(":")
        foods = olds[release].foods
        text = str(foods.at[bare, "description"]) if bare in foods.index else ""
        found.append(Question(code, text or "(no food of that release)", tuple(where), _near(text, new), new.name))
    return found


def _near(description: str, release: FoodRelease) -> tuple[Hit, ...]:
    try:
        return tuple(find_foods(description, release, _CANDIDATES))
    except SwaptableError:  # a description without words
        return ()
