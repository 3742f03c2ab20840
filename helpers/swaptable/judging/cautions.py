"""Cautions, allergens and safe temperatures of what a recipe contains: prompts for a person, never orders.

A food is known here by its description only. A rule first strikes some phrases out of it ("coconut milk"), then
looks for its words in what is left ("milk"). What a name does not tell, only a label does.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from swaptable.amounts.nutrients import WHOLE_SHARE, Amounts
from swaptable.amounts.variants import Grid, Line, Options
from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.foods.reference import (
    allergen_foods,
    allergen_lists,
    caution_rows,
    component_label,
    safe_temperatures,
)
from swaptable.foods.release import Food
from swaptable.judging.daily_values import checked_regime

__all__ = [
    "READ_LABEL",
    "allergen_changes",
    "allergens_of",
    "cautions_brought",
    "cautions_for",
    "known_concerns",
    "safety_for",
    "swap_concerns",
]

EVERYONE = "everyone"
READ_LABEL = "read the label"
AT_LIMIT = 1e-12  # relative: what floating point may take from an amount that stands at its limit
# What leaves a food as raw as it was, or cooks it too little to count on.
_UNHEATED = {"", "drained", "rinsed", "frozen", "stored", "dried", "flamed", "stirred into hot liquid"}
_HERE = {
    "US": ("US consumer", "US food service"),
    "CA": ("Canada", "Canada food service"),
}
_FOR_COOKED = ("cool", "hold hot at or above", "cook for hot holding to")  # what was not heated needs none of it
CANNOT_BE_TOLD = "cannot be told"
_CAUTION_COLUMNS = [
    "caution", "concern", "kind", "named", "component", "why", "message", "defer_to", "limit_source", "source",
    "checked",
]  # fmt: skip
_SAFETY_COLUMNS = ["food", "ingredients", "rule", "here", "elsewhere", "differ", "source", "checked"]


@dataclass(frozen=True)
class _FoodRule:
    """Which foods a row of a table means."""

    groups: frozenset[str]
    pattern: re.Pattern[str]
    struck: re.Pattern[str] | None

    def means(self, food: Food) -> bool:
        if self.groups and food.food_group not in self.groups:
            return False
        words = food.description.lower()
        if self.struck is not None:
            words = self.struck.sub(" ", words)
        return self.pattern.search(words) is not None


@lru_cache(maxsize=512)
def _rule(groups: str, pattern: str, struck: str) -> _FoodRule:
    words = frozenset(filter(None, groups.split("|")))
    return _FoodRule(words, re.compile(pattern), re.compile(struck) if struck else None)


def _rule_of(row: pd.Series) -> _FoodRule:
    return _rule(row["food_group"], row["pattern"], row["except_pattern"])


# ---------------------------------------------------------------------------------------------- concerns


def _plain(word: str) -> str:
    """Bring a concern into the form in which words are compared: lower case, without a plural s."""
    return re.sub(r"(?<=\w{2})s\b", "", " ".join(word.lower().split()))


def known_concerns() -> list[str]:
    """Name every concern that an audience may list.

    Returns
    -------
    list of str
        Words of ``cautions.csv``, in alphabetical order; several may mean the same.

    Examples
    --------
    >>> "warfarin" in known_concerns(), "kidney disease" in known_concerns()
    (True, True)
    """
    words = {word for cell in caution_rows()["concern"] for word in cell.split("|")}
    return sorted(words - {EVERYONE}, key=str.lower)


def _checked_concerns(concerns: Iterable[str]) -> set[str]:
    known = known_concerns()
    plain = {_plain(word) for word in known}
    for word in concerns:
        if _plain(word) not in plain:
            raise SwaptableError(f"found concern '{word}'; expected one of {listed(known, 200)}{nearest(word, known)}")
    return {_plain(word) for word in concerns}


# ------------------------------------------------------------------------------------- what a dish contains


def _options_text(grid: Grid, options: Iterable[Options]) -> str:
    """Say under which options something holds; empty where it holds under all."""
    chosen: dict[str, list[str]] = {}
    for pairs in options:
        for choice, option in pairs:
            if option not in chosen.setdefault(choice, []):
                chosen[choice].append(option)
    words = [
        " or ".join(option for option in grid.choices[choice] if option in names)
        for choice, names in chosen.items()
        if len(names) < len(grid.choices[choice])
    ]
    return ", ".join(words)


def _lines_where(amounts: Amounts, holds: Callable[[Line], bool]) -> str:
    """Name the ingredients, options and foods for which something holds, or nothing."""
    found = []
    for ingredient, lines in amounts.grid.lines.items():
        by_food: dict[str, list[Options]] = {}
        for options, line in lines.items():
            if holds(line):
                by_food.setdefault(line.food.description, []).append(options)
        for food, under in by_food.items():
            only = _options_text(amounts.grid, under)
            found.append(f"{ingredient} ({only}): {food}" if only else f"{ingredient}: {food}")
    return "; ".join(found)


def _is_unheated(line: Line) -> bool:
    return line.cooking.process in _UNHEATED


def _number(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 10 else f"{value:.2g}"


def _component(amounts: Amounts, tag: str) -> str:
    """Give the plain name of a component, or the release's own."""
    label = component_label(tag)
    if label != tag:
        return label
    return str(amounts.data["name"].sel(component=tag).item()).split(",")[0].split(" (")[0]


@dataclass(frozen=True)
class _Listed:
    """One component over the allowed variants, per serving."""

    values: np.ndarray
    whole: np.ndarray
    labels: list[str]
    unit: str


def _listed(amounts: Amounts, row: pd.Series) -> _Listed:
    tag = row["component"]
    unit = str(amounts.units()[tag])
    if row["unit"] != unit:
        raise SwaptableError(f"caution '{row['caution']}' is in {row['unit']}, but {tag} of this release is in {unit}")
    grid = amounts.grid
    values = grid.listed(amounts.per("serving").sel(component=tag))
    whole = grid.listed(amounts.data["valued_share"].sel(component=tag)) > WHOLE_SHARE
    return _Listed(values, whole, grid.labels, unit)


# ------------------------------------------------------------------------------------------ triggers
# Each gives why a caution is shown, in words, or nothing.


def _is_food(row: pd.Series) -> Callable[[Line], bool]:
    rule = _rule_of(row)
    return lambda line: rule.means(line.food)


def _is_uncooked_food(row: pd.Series) -> Callable[[Line], bool]:
    rule = _rule_of(row)
    return lambda line: _is_unheated(line) and rule.means(line.food)


def _is_allergen(row: pd.Series) -> Callable[[Line], bool]:
    return partial(_tells_of, row["pattern"])


_FOODS: Mapping[str, Callable[[pd.Series], Callable[[Line], bool]]] = {
    "food": _is_food,
    "uncooked food": _is_uncooked_food,
    "allergen": _is_allergen,
}


def _by_food(amounts: Amounts, row: pd.Series, named: bool) -> str:
    return _lines_where(amounts, _FOODS[row["trigger"]](row))


def _by_amount(amounts: Amounts, row: pd.Series, named: bool) -> str:
    found, name = _listed(amounts, row), _component(amounts, row["component"])
    limit = row["at_least"]
    reach = found.values >= limit * (1 - AT_LIMIT)
    if reach.any():
        values = found.values[reach]
        span = _number(values.min())
        if _number(values.max()) != span:
            span += f" to {_number(values.max())}"
        only = [label for label, reached in zip(found.labels, reach, strict=True) if reached]
        where = "" if reach.all() else f" ({listed(only, 4)})"
        return f"{name}: {span} {found.unit} per serving{where}; shown from {_number(limit)} {found.unit}"
    if named and not found.whole.all():  # an unknown amount is not a small one
        reaches = f"whether a serving reaches {_number(limit)} {found.unit}"
        return f"{name}: some values are missing, so it {CANNOT_BE_TOLD} {reaches}"
    return ""


def _by_change(amounts: Amounts, row: pd.Series, named: bool) -> str:
    found = _listed(amounts, row)
    if len(found.labels) < 2:
        return ""
    if not np.isnan(found.values).all():
        least, most = int(np.nanargmin(found.values)), int(np.nanargmax(found.values))
        if found.values[most] - found.values[least] >= row["at_least"] * (1 - AT_LIMIT):
            ends = [f"{_number(found.values[at])} {found.unit} with '{found.labels[at]}'" for at in (least, most)]
            return f"from {ends[0]} to {ends[1]}, per serving"
    if named and not found.whole.all():
        return f"by how much {CANNOT_BE_TOLD}, since some values are missing"
    return ""


def _by_concern(amounts: Amounts, row: pd.Series, named: bool) -> str:
    return "the audience names it" if named else ""


_TRIGGERS: Mapping[str, Callable[[Amounts, pd.Series, bool], str]] = {
    **dict.fromkeys(_FOODS, _by_food),
    "amount": _by_amount,
    "change": _by_change,
    "concern": _by_concern,
}


def _doubt(trigger: str, why: str) -> str:
    return "It is not known whether this applies: " if trigger == "amount" and CANNOT_BE_TOLD in why else ""


def swap_concerns(amounts: Amounts, concerns: Iterable[str]) -> pd.Series:
    """Say which concerns of an audience a variant brings up by its foods and the recipe as written does not.

    Parameters
    ----------
    amounts : Amounts
    concerns : iterable of str
        Medicines and conditions of the audience.

    Returns
    -------
    Series
        By label of the variant: the concerns, joined by a comma; empty where there is none.
    """
    grid, wanted = amounts.grid, _checked_concerns(list(concerns))
    brought: list[list[str]] = [[] for _ in grid.labels]
    for _, row in caution_rows().iterrows():
        holds, asked = _FOODS.get(row["trigger"]), [w for w in row["concern"].split("|") if _plain(w) in wanted]
        if holds is None or not asked:
            continue
        present = grid.listed(_present(grid, holds(row))) == 1
        for place in np.flatnonzero(present & ~present[0]):
            brought[place].append(asked[0])
    return pd.Series([", ".join(dict.fromkeys(words)) for words in brought], index=grid.labels)


def cautions_brought(amounts: Amounts, concerns: Iterable[str] = ()) -> pd.DataFrame:
    """List the cautions that a variant calls for and the recipe as written does not.

    Parameters
    ----------
    amounts : Amounts
    concerns : iterable of str, optional
        Medicines and conditions of the audience.

    Returns
    -------
    DataFrame
        One row per variant and caution: ``variant``, ``caution``, ``concern`` (the word that is named, else its first),
        ``named`` (the audience names it, or it is for everyone), ``message``, ``source``. A food brings one where the
        recipe as written has no such food, an amount where it reaches the limit only in the variant, a change where
        the variant differs by that much from as written; an amount that is not known brings none here.
    """
    grid, wanted, rows = amounts.grid, _checked_concerns(list(concerns)), []
    for _, row in caution_rows().iterrows():
        holds = _FOODS.get(row["trigger"])
        if holds is not None:
            present = grid.listed(_present(grid, holds(row))) == 1
            brought = present & ~present[0]
        elif row["trigger"] in ("amount", "change"):
            values = _listed(amounts, row).values
            least = row["at_least"] * (1 - AT_LIMIT)
            reached = values >= least
            brought = reached & ~reached[0] if row["trigger"] == "amount" else np.abs(values - values[0]) >= least
        else:
            continue
        words = row["concern"].split("|")
        asked = [word for word in words if _plain(word) in wanted or word == EVERYONE]
        for place in np.flatnonzero(brought):
            change = f"by {_number(abs(values[place] - values[0]))} {row['unit']}" if row["trigger"] == "change" else ""
            rows.append(
                {
                    "variant": grid.labels[place], "caution": row["caution"], "concern": (asked or words)[0],
                    "named": bool(asked), "message": row["message"].replace("{change}", change),
                    "source": row["source"],
                }
            )  # fmt: skip
    return pd.DataFrame(rows, columns=["variant", "caution", "concern", "named", "message", "source"])


def cautions_for(amounts: Amounts, concerns: Iterable[str] = ()) -> pd.DataFrame:
    """Find the cautions that a recipe and its options call for.

    Parameters
    ----------
    amounts : Amounts
    concerns : iterable of str, optional
        Medicines and conditions of the audience, of :func:`known_concerns`; case and a plural s do not matter.

    Returns
    -------
    DataFrame
        One row per caution: ``caution`` (its name), ``concern`` (the word that is named, else its first), ``kind``
        (``medicine``, ``condition`` or ``food safety``), ``named`` (the audience names it, or it is for everyone),
        ``component`` (what it is about, or empty), ``why`` it is shown (ingredients and options, or an amount per
        serving), ``message``, ``defer_to``, ``limit_source``, ``source`` and ``checked``. Those that are named come
        first.

    Raises
    ------
    SwaptableError
        If a concern is not known; names the nearest.

    Notes
    -----
    No row is a dose or a diet order, and no row shown does not mean that a dish suits somebody. An amount is
    compared by its mean per serving; a change is the largest difference between allowed variants. Where a value is
    missing and the audience names the concern, the row says that it cannot be told.
    """
    wanted = _checked_concerns(list(concerns))
    rows = []
    for _, row in caution_rows().iterrows():
        words = row["concern"].split("|")
        asked = [word for word in words if _plain(word) in wanted or word == EVERYONE]
        named = bool(asked)
        why = _TRIGGERS[row["trigger"]](amounts, row, named)
        if why:
            rows.append(
                {
                    "caution": row["caution"],
                    "concern": (asked or words)[0],
                    "kind": row["kind"],
                    "named": named,
                    "component": row["component"],
                    "why": why,
                    "message": _doubt(row["trigger"], why) + row["message"].replace("{change}", why),
                    "defer_to": row["defer_to"],
                    "limit_source": row["limit_source"],
                    "source": row["source"],
                    "checked": row["checked"],
                }
            )
    found = pd.DataFrame(rows, columns=_CAUTION_COLUMNS)
    return found.sort_values("named", ascending=False, kind="stable", ignore_index=True)


# ------------------------------------------------------------------------------------------ allergens


@lru_cache(maxsize=4096)
def _allergens_named(food: Food) -> frozenset[str]:
    """Name the allergens that a food's description tells of; ``read the label`` where it tells too little."""
    found = (row["allergen"].split("|") for _, row in allergen_foods().iterrows() if _rule_of(row).means(food))
    return frozenset(name for names in found for name in names)


def _tells_of(allergen: str, line: Line) -> bool:
    return allergen in _allergens_named(line.food)


def _label_reason(food: Food) -> str:
    table = allergen_foods()
    table = table[table["allergen"] == READ_LABEL]
    return next((str(row["note"]) for _, row in table.iterrows() if _rule_of(row).means(food)), "")


def _names_shown(regime: str) -> dict[str, str]:
    """Give each allergen as it is shown, those on the country's list first."""
    table = allergen_lists()
    table = table[table["regime"] == checked_regime(regime)].sort_values("listed", ascending=False, kind="stable")
    return {
        str(row["allergen"]): str(row["allergen"]) if row["listed"] == "yes" else f"{row['allergen']} (not on the list)"
        for _, row in table.iterrows()
    }


def _joined(names: Iterable[str], shown: Mapping[str, str]) -> str:
    chosen = set(names)
    return ", ".join(text for name, text in shown.items() if name in chosen)


def allergens_of(amounts: Amounts, regime: str) -> pd.DataFrame:
    """Name the priority allergens that the ingredients' names tell of.

    Parameters
    ----------
    amounts : Amounts
    regime : str
        ``"US"`` or ``"CA"``: whose list of priority allergens counts.

    Returns
    -------
    DataFrame
        One row per ingredient and food: ``ingredient``, ``options`` (empty: always), ``food``, ``allergens``
        (those that are not on the country's list are marked so) and ``read_the_label`` (why the label has to be
        read; empty where the food is a single one).

    Raises
    ------
    SwaptableError
        If there is no such regime.

    Notes
    -----
    A screen of names: an allergen that is not named here may still be in the food, or get into it. Every label is
    to be read, also for what it may contain.

    References
    ----------
    21 USC 321(qq) as amended by the FASTER Act 2021. Food and Drug Regulations (Canada) B.01.010.1.
    """
    shown, rows = _names_shown(regime), []
    for ingredient, lines in amounts.grid.lines.items():
        by_food: dict[Food, list[Options]] = {}
        for options, line in lines.items():
            by_food.setdefault(line.food, []).append(options)
        for food, under in by_food.items():
            rows.append(
                {
                    "ingredient": ingredient,
                    "options": _options_text(amounts.grid, under),
                    "food": food.description,
                    "allergens": _joined(_allergens_named(food), shown),
                    "read_the_label": _label_reason(food),
                }
            )
    return pd.DataFrame(rows, columns=["ingredient", "options", "food", "allergens", "read_the_label"])


def _present(grid: Grid, holds: Callable[[Line], bool]) -> xr.DataArray:
    """Tell for every variant whether the dish holds an ingredient of a kind."""
    present = xr.zeros_like(grid.allowed)
    for ingredient, lines in grid.lines.items():
        coords = {choice: list(grid.choices[choice]) for choice in grid.own_choices(ingredient)}
        table = np.zeros([len(options) for options in coords.values()], dtype=bool)
        for options, line in lines.items():
            table[tuple(coords[choice].index(option) for choice, option in options)] = holds(line)
        present = present | xr.DataArray(table, coords=coords, dims=list(coords))
    return present.transpose(*grid.allowed.dims)


def allergen_changes(amounts: Amounts, regime: str) -> pd.DataFrame:
    """Say which allergens each option brings into the dish, and which it takes out of it.

    Parameters
    ----------
    amounts : Amounts
    regime : str
        ``"US"`` or ``"CA"``.

    Returns
    -------
    DataFrame
        One row per choice and option other than the first: ``choice``, ``option``, ``adds``, ``removes`` and
        ``read_the_label``, the ingredients whose label has to be read whatever this table says.

    Raises
    ------
    SwaptableError
        If there is no such regime.

    Notes
    -----
    The whole dish counts, with every allowed combination of the other choices: an option adds what it brings into
    any of them, and removes only what is then named in none of them. Removed means: not named any more by this
    option. It does not mean that the dish holds none.
    """
    grid, shown = amounts.grid, _names_shown(regime)
    present = {name: _present(grid, partial(_tells_of, name)) for name in shown}
    rows: list[dict[str, Any]] = []
    for choice, options in grid.choices.items():
        for option in options[1:]:
            here, first = {choice: option}, {choice: options[0]}
            both = grid.allowed.sel(here, drop=True) & grid.allowed.sel(first, drop=True)
            compared = both if bool(both.any()) else grid.allowed.sel(here, drop=True)
            adds, removes = [], []
            for name, found in present.items():
                after, before = found.sel(here, drop=True), found.sel(first, drop=True)
                if bool((after & ~before & compared).any()):
                    adds.append(name)
                if bool((before & compared).any()) and not bool((after & grid.allowed.sel(here, drop=True)).any()):
                    removes.append(name)
            unread = {
                ingredient
                for ingredient, lines in grid.lines.items()
                for pairs, line in lines.items()
                if dict(pairs).get(choice, option) == option and _label_reason(line.food)
            }
            rows.append(
                {
                    "choice": choice,
                    "option": option,
                    "adds": _joined(adds, shown),
                    "removes": _joined(removes, shown),
                    "read_the_label": ", ".join(name for name in grid.lines if name in unread),
                }
            )
    return pd.DataFrame(rows, columns=["choice", "option", "adds", "removes", "read_the_label"])


# --------------------------------------------------------------------------------- safe temperatures


def _figure(row: pd.Series) -> str:
    """Write a temperature, its time and its note, as printed."""
    parts = []
    if not np.isnan(row["celsius"]):
        parts.append(f"{row['celsius']:g} °C ({row['fahrenheit']:g} °F)")
    parts += [str(row[word]) for word in ("hold", "note") if row[word]]
    return "; ".join(parts)


def _figures(rows: pd.DataFrame) -> str:
    texts: dict[str, list[str]] = {}
    for _, row in rows.iterrows():
        texts.setdefault(_figure(row), []).append(str(row["authority"]))
    return ". ".join(f"{' and '.join(names)}: {text}" for text, names in texts.items())


def safety_for(amounts: Amounts, regime: str) -> pd.DataFrame:
    """Give safe internal temperatures for what a recipe contains, and how to cool, hold and keep it.

    Parameters
    ----------
    amounts : Amounts
    regime : str
        ``"US"`` or ``"CA"``: whose figures stand under ``here``.

    Returns
    -------
    DataFrame
        One row per rule: ``food``, ``ingredients`` (empty: the whole dish), ``rule``, ``here``, ``elsewhere`` (the
        other country's figures where they differ), ``differ``, ``source`` and ``checked``.

    Raises
    ------
    SwaptableError
        If there is no such regime.

    Notes
    -----
    Foods that were cooked or canned before are not given a temperature to cook to. The local food-safety code
    comes first, wherever it asks for more.

    References
    ----------
    FoodSafety.gov and USDA FSIS 2019. FDA Food Code. Health Canada, Safe internal cooking temperatures.
    """
    authorities = _HERE[checked_regime(regime)]
    cooked = any(not _is_unheated(line) for lines in amounts.grid.lines.values() for line in lines.values())
    rows = []
    for _, group in safe_temperatures().groupby("item", sort=False):
        first = group.iloc[0]
        ingredients = ""
        if first["pattern"]:
            ingredients = _lines_where(amounts, partial(_needs, first))
        if not ingredients and (first["pattern"] or (first["rule"] in _FOR_COOKED and not cooked)):
            continue
        here = group[group["authority"].isin(authorities)]
        there = group[~group["authority"].isin(authorities)]
        differ = not (here.empty or there.empty) and _figure_of(here) != _figure_of(there)
        rows.append(
            {
                "food": first["food"],
                "ingredients": ingredients,
                "rule": first["rule"],
                "here": _figures(here),
                "elsewhere": _figures(there) if differ or here.empty else "",
                "differ": differ,
                "source": "; ".join(dict.fromkeys(group["source"])),
                "checked": "seen" if (group["checked"] == "seen").all() else "from memory",
            }
        )
    return pd.DataFrame(rows, columns=_SAFETY_COLUMNS)


def _needs(row: pd.Series, line: Line) -> bool:
    """Tell whether a rule of temperature concerns an ingredient: one that can be raw, and for some rules is heated."""
    if line.food.state not in ("raw", "unstated") or (row["rule"] in _FOR_COOKED and _is_unheated(line)):
        return False
    return _rule_of(row).means(line.food)


def _figure_of(rows: pd.DataFrame) -> tuple[str, str]:
    """Give what a country tells its households, or its food service where it tells them nothing."""
    row = rows.sort_values("authority", key=lambda names: names.str.contains("food service"), kind="stable").iloc[0]
    return str(row["celsius"]), str(row["hold"])
