"""What a new food release says otherwise of the foods that recipes use, and why."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache

import numpy as np
import pandas as pd

from swaptable.basics.errors import listed
from swaptable.foods.component_identity import factor_between
from swaptable.foods.current_release import FIRST, code_map
from swaptable.foods.reference import component_label
from swaptable.foods.release import Food, FoodRelease, open_release
from swaptable.foods.values import evidence_of
from swaptable.judging.findings import amount_text, plain_name
from swaptable.releases.code_changes import match_codes

__all__ = ["COLUMNS", "change_text", "component_words", "food_changes", "successors"]

COLUMNS = ["code", "description", "kind", "component", "unit", "old", "new", "difference", "why", "used_by"]
VALUE, ANALYSIS, WORDS = "value", "evidence", "description"
NO_REASON = "no reason given: number of analyses, standard error, derivation and source are the same"
# What is told of a value beside its number: column of the release → words.
_EVIDENCE = {
    "n": "number of analyses",
    "standard_error": "standard error",
    "derivation_code": "derivation",
    "source_code": "source code",
    "date": "date",
}
_ANALYSIS = ("n", "standard_error", "derivation_code")


def successors(old: FoodRelease, new: FoodRelease) -> dict[str, str]:
    """Find which food of a new release stands for each of the old one.

    Parameters
    ----------
    old, new : FoodRelease

    Returns
    -------
    dict of str
        Old code → new code, without their release: as :func:`swaptable.releases.code_changes.match_codes` knows them,
        and as people answered. A food without one is gone, or only a person can say which it is.
    """
    if old.sha256 == new.sha256:
        return {str(code): str(code) for code in old.foods.index}
    new.note_all_used()
    known = {change.old_code: change.new_code for change in match_codes(old, new)}
    answered = code_map([old.name], new.name).items()
    said = {one.partition(":")[2]: other.partition(":") for one, other in answered}
    return known | {one: code for one, (release, _, code) in said.items() if release == new.name}


def food_changes(
    old: FoodRelease,
    new: FoodRelease,
    codes: Mapping[str, str],
    used: Mapping[str, Iterable[str]],
    elsewhere: Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """List what is said otherwise of each food that is used.

    Parameters
    ----------
    old, new : FoodRelease
    codes : mapping of str
        From :func:`successors`.
    used : mapping
        Code of the old release, or of the new one for a food that is new → names of recipes that use it.
    elsewhere : mapping of str, optional
        Full code of the old release → full code of a food of another one than the new that stands for it by an answer;
        itself, if the answer was to stay with it.

    Returns
    -------
    DataFrame
        :data:`COLUMNS`; one row per thing that changed. ``kind``: ``value`` (per 100 g, in ``unit`` of the old
        release), ``evidence`` (the same value on other grounds), ``description``, ``food group``, ``refuse`` [%],
        ``portion`` [g], ``renumbered``, ``vanished``, ``new``; ``why``: new analysis (the value is measured, and number
        of analyses, standard error or derivation changed), other grounds, another source, or no reason given.
    """
    order = sorted(used, key=lambda code: (code not in old.foods.index, code))  # the same whoever asks
    used = {code: used[code] for code in order}
    at_hand = [code for code in used if code in codes and old.full_code(code) not in (elsewhere or {})]
    both = {code: codes[code] for code in at_hand if code in old.foods.index}
    rows: list[dict[str, object]] = []
    for code in used:
        full = old.full_code(code)
        answer = (elsewhere or {}).get(full, "")
        if not answer:
            rows += _of_food(code, codes.get(code), old, new)
        elif answer != full:
            rows.append(_row(code, "renumbered", code, answer, "stands for it by an answer"))
    tables = [_values(old, new, both), pd.DataFrame(rows)]
    table = pd.concat([each for each in tables if len(each)] or [pd.DataFrame()], ignore_index=True)
    table = table.reindex(columns=COLUMNS)
    if table.empty:
        return table
    release_of = {code: old if code in old.foods.index else new for code in used}
    table["description"] = [str(release_of[code].foods.at[code, "description"]) for code in table["code"]]
    table["used_by"] = [", ".join(sorted(used[code])) for code in table["code"]]
    place = {code: number for number, code in enumerate(used)}
    table = table.sort_values("code", key=lambda each: each.map(place), kind="stable", ignore_index=True)
    return table.assign(code=[release_of[code].full_code(code) for code in table["code"]])


def _of_food(code: str, now: str | None, old: FoodRelease, new: FoodRelease) -> list[dict[str, object]]:
    """List what changed of a food beside its values."""
    if code not in old.foods.index:
        return [{"code": code, "kind": "new", "why": "not in the old release"}]
    if now is None:
        taken = code in new.foods.index
        why = (
            f"its code is another food now: {new.foods.at[code, 'description']}" if taken else "not in the new release"
        )
        return [{"code": code, "kind": "vanished", "why": why}]
    one, other = old.food(code), new.food(now)
    rows: list[dict[str, object]] = []
    if code != now:
        rows.append(_row(code, "renumbered", code, now, "same food, another code"))
    if one.description != other.description:
        rows.append(_row(code, WORDS, one.description, other.description, "description changed"))
    if one.food_group != other.food_group:
        rows.append(_row(code, "food group", one.food_group, other.food_group, "food group changed"))
    if not _same(one.refuse_percent, other.refuse_percent):
        rows.append(_row(code, "refuse", one.refuse_percent, other.refuse_percent, "refuse changed", "%"))
    return rows + _portions(code, one, other)


def _row(code: str, kind: str, old: object, new: object, why: str, unit: str = "") -> dict[str, object]:
    row = {"code": code, "kind": kind, "old": old, "new": new, "why": why, "unit": unit}
    if isinstance(old, float) and isinstance(new, float):
        row["difference"] = new - old
    return row


def _portions(code: str, one: Food, other: Food) -> list[dict[str, object]]:
    before, after = ({each.measure: each.grams for each in food.portions} for food in (one, other))
    return [
        _row(code, "portion", before.get(name, np.nan), after.get(name, np.nan), f"portion '{name}' changed", "g")
        for name in dict.fromkeys([*before, *after])
        if not _same(before.get(name, np.nan), after.get(name, np.nan))
    ]


def _same(one: float, other: float) -> bool:
    return bool(one == other or (np.isnan(one) and np.isnan(other)))


def _cells(release: FoodRelease, names: Mapping[str, str]) -> pd.DataFrame:
    """Give the values of some foods with what they rest on, by name of the food (code → name) and component."""
    table = release.table("values")
    table = table[table["code"].isin(list(names))]
    tag_of = {number: tag for tag, number in release.components["nutrient_number"].items()}
    rows = pd.DataFrame(
        {"code": table["code"].astype(str).map(names), "component": table["nutrient_number"].map(tag_of)}
    )
    rows["value"] = table["value"].astype(float)
    for column in _EVIDENCE:
        found = table[column] if column in table else pd.Series(np.nan, index=table.index)
        number = column in ("n", "standard_error")
        rows[column] = found.astype(float) if number else found.astype(object).fillna("").astype(str)
    return rows.drop_duplicates(["code", "component"]).set_index(["code", "component"])


def _values(old: FoodRelease, new: FoodRelease, codes: Mapping[str, str]) -> pd.DataFrame:
    """List the values that moved, and those that stand on other grounds."""
    before, after = _cells(old, {code: code for code in codes}), _cells(new, {now: code for code, now in codes.items()})
    both = before.add_suffix("_old").join(after.add_suffix("_new"), how="outer")
    rows = []
    for (code, tag), cell in both.iterrows():
        unit, factor = _unit(tag, old, new)
        cell = cell.copy()
        cell[["value_new", "standard_error_new"]] = cell[["value_new", "standard_error_new"]].astype(float) * factor
        value, now = float(cell["value_old"]), float(cell["value_new"])
        changed = [name for name in _EVIDENCE if not _alike(cell[f"{name}_old"], cell[f"{name}_new"])]
        moved = not _alike(value, now)
        if not moved and not set(changed) - {"date"}:
            continue
        rows.append(
            {
                "code": code, "kind": VALUE if moved else ANALYSIS, "component": tag, "unit": unit, "old": value,
                "new": now, "difference": now - value, "why": _why(cell, changed),
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def _unit(tag: str, old: FoodRelease, new: FoodRelease) -> tuple[str, float]:
    """Give the unit of a component in the old release, and what turns the new one's into it."""
    units = [str(each.components.at[tag, "unit"]) if tag in each.components.index else "" for each in (old, new)]
    if not all(units):
        return next(filter(None, units)), 1.0
    factor = factor_between(units[1], units[0])
    return units[0], np.nan if factor is None else factor


def _alike(one: object, other: object) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        return _same(one, other) or bool(np.isclose(one, other, rtol=1e-12, atol=0))
    blank = ["" if pd.isna(each) else str(each) for each in (one, other)]
    return blank[0] == blank[1]


def _why(cell: pd.Series, changed: list[str]) -> str:
    """Say why a value moved, as far as the releases tell."""
    if np.isnan(cell["value_old"]) or np.isnan(cell["value_new"]):
        return "a value is given now" if np.isnan(cell["value_old"]) else "no value is given any more"
    told = [f"{_EVIDENCE[name]} {_told(cell[f'{name}_old'])} → {_told(cell[f'{name}_new'])}" for name in changed]
    old, new = (
        evidence_of(str(cell[f"source_code_{which}"]), str(cell[f"derivation_code_{which}"]),
                    float(np.nan_to_num(cell[f"n_{which}"])))
        for which in ("old", "new")
    )  # fmt: skip
    grounds = f"was {old}, is {new}; " if old != new else ""
    if set(changed) & set(_ANALYSIS):
        return f"{'new analysis' if new == 'measured' else 'other grounds'}: {grounds}{listed(told)}"
    if "source_code" in changed:
        return f"another source: {grounds}{listed(told)}"
    return f"{NO_REASON}{f'; {told[0]}' if told else ''}"


def _told(value: object) -> str:
    if isinstance(value, float):
        return "not given" if np.isnan(value) else amount_text(value)
    return str(value) or "not given"


@lru_cache
def _published_names() -> dict[str, str]:
    return {str(tag): str(name) for tag, name in open_release(FIRST).components["name"].items()}


def component_words(tag: str) -> str:
    """Name a component inside a sentence: in our words, else as the first release does.

    Examples
    --------
    >>> component_words("NA"), component_words("F10D0"), component_words("SUCS")
    ('sodium', 'fatty acid 10:0', 'sucrose')
    """
    if component_label(tag) != tag or tag not in _published_names():
        return plain_name(tag)
    name = _published_names()[tag]
    return f"fatty acid {name}" if name[:1].isdigit() else name[:1].lower() + name[1:]


def change_text(row: pd.Series) -> str:
    """Say in a few words what changed of a food."""
    if row["kind"] in (VALUE, ANALYSIS):
        what = component_words(str(row["component"]))
        old, new = float(row["old"]), float(row["new"])
        if row["kind"] == ANALYSIS:
            return f"{what} the same, {row['why']}"
        return f"{what} {amount_text(old)} → {amount_text(new, str(row['unit']))} per 100 g ({row['why']})"
    if row["kind"] in ("vanished", "new"):
        return str(row["why"])
    shown = [amount_text(each, str(row["unit"])) if isinstance(each, float) else str(each)
             for each in (row["old"], row["new"])]  # fmt: skip
    name = str(row["why"]).removesuffix(" changed") if row["kind"] == "portion" else row["kind"]
    return f"{name} {shown[0]} → {shown[1]}"
