"""Cautions that a recipe calls for by its foods, amounts and concerns: prompts for a person, never orders."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from swaptable.amounts.nutrients import WHOLE_SHARE, Amounts
from swaptable.amounts.variants import Grid, Line
from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.foods.reference import caution_rows, component_label
from swaptable.judging.allergens import tells_of
from swaptable.judging.food_rules import is_unheated, lines_where, present_in, rule_of

__all__ = [
    "NAMED_BY_CLASS",
    "READ_FIRST",
    "READ_FIRST_CONCERNS",
    "SAID_IN_FULL",
    "cautions_brought",
    "cautions_for",
    "known_concerns",
    "swap_concerns",
]

# Not without asking, and in no class can one tell who has weak kidneys: said whomever the audience names.
READ_FIRST = frozenset({"potassium_salts"})
READ_FIRST_CONCERNS = ("potassium salts",)  # what they are about, in one word of each row
SAID_IN_FULL = READ_FIRST | {"soft_bones"}  # of use only with its whole sentence, wherever it applies
EVERYONE = "everyone"
AT_LIMIT = 1e-12  # relative: what floating point may take from an amount that stands at its limit
CANNOT_BE_TOLD = "cannot be told"
NAMED_BY_CLASS = "the audience names it"
_CAUTION_COLUMNS = [
    "caution", "concern", "kind", "named", "component", "why", "message", "defer_to", "limit_source", "source",
    "checked",
]  # fmt: skip


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
    rule = rule_of(row)
    return lambda line: rule.means(line.food)


def _is_uncooked_food(row: pd.Series) -> Callable[[Line], bool]:
    rule = rule_of(row)
    return lambda line: is_unheated(line) and rule.means(line.food)


def _is_allergen(row: pd.Series) -> Callable[[Line], bool]:
    return partial(tells_of, row["pattern"])


_FOODS: Mapping[str, Callable[[pd.Series], Callable[[Line], bool]]] = {
    "food": _is_food,
    "uncooked food": _is_uncooked_food,
    "allergen": _is_allergen,
}


def _by_food(amounts: Amounts, row: pd.Series, named: bool) -> str:
    return lines_where(amounts, _FOODS[row["trigger"]](row))


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
    return NAMED_BY_CLASS if named else ""


_TRIGGERS: Mapping[str, Callable[[Amounts, pd.Series, bool], str]] = {
    **dict.fromkeys(_FOODS, _by_food),
    "amount": _by_amount,
    "change": _by_change,
    "concern": _by_concern,
}


def _doubt(trigger: str, why: str) -> str:
    return "It is not known whether this applies: " if trigger == "amount" and CANNOT_BE_TOLD in why else ""


def _brought_by(grid: Grid, holds: Callable[[Line], bool]) -> np.ndarray:
    """Tell which variants hold an ingredient of a kind that the recipe as written does not."""
    present = grid.listed(present_in(grid, holds)) == 1
    return np.asarray(present & ~present[0])


def _asked(row: pd.Series, wanted: set[str]) -> tuple[list[str], list[str]]:
    """Give the concerns of a caution, and those of them that the audience names or that are everyone's."""
    words = row["concern"].split("|")
    return words, [word for word in words if _plain(word) in wanted or word == EVERYONE]


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
        for place in np.flatnonzero(_brought_by(grid, holds(row))):
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
            brought = _brought_by(grid, holds(row))
        elif row["trigger"] in ("amount", "change"):
            values = _listed(amounts, row).values
            least = row["at_least"] * (1 - AT_LIMIT)
            reached = values >= least
            brought = reached & ~reached[0] if row["trigger"] == "amount" else np.abs(values - values[0]) >= least
        else:
            continue
        words, asked = _asked(row, wanted)
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
        words, asked = _asked(row, wanted)
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
