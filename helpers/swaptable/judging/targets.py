"""Targets: what a day should bring each group of an audience, and what one serving does towards it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from swaptable.amounts.certainty import Certainty, certainty_of
from swaptable.amounts.nutrients import Amounts
from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.basics.units import component_amount, convert
from swaptable.foods.reference import Z, component_named, dietary_reference_intakes, practice_values
from swaptable.judging.audiences import Audience
from swaptable.judging.cautions import known_concerns
from swaptable.judging.daily_values import POPULATION, daily_value_for, parts_of_sum
from swaptable.judging.verdicts import LEVEL, Verdict, judge_listed

__all__ = [
    "DAILY_VALUE",
    "LIMITS",
    "RECOMMENDED",
    "ROLES",
    "TOTAL",
    "Aims",
    "day_targets",
    "find_aims",
    "intakes_for",
    "judge_servings",
    "life_stage_groups",
    "population_of",
]

ROLES = ("raise", "keep down", "show")
RECOMMENDED = ("RDA", "AI")
LIMITS = ("CDRR", "UL")
DAILY_VALUE, AUDIENCE_LIMIT = "daily value", "limit of the audience"
MAXIMA = ("FAT", "FASAT", "NA", "CHOLE", "SUGAR")  # whose daily values are meant not to be passed: 21 CFR 101.9(d)
TOTAL = "total intake"
PRACTICE = {"aim": "common practice: aim", "upper": "common practice: not above"}


@dataclass(frozen=True, eq=False)
class Aims:
    """An audience whose words have been found.

    Attributes
    ----------
    audience : Audience
    raised, kept_down, shown : tuple of str
        INFOODS tags.
    limits : dict
        Tag → (a day's amount, unit, source).
    """

    audience: Audience
    raised: tuple[str, ...]
    kept_down: tuple[str, ...]
    shown: tuple[str, ...]
    limits: dict[str, tuple[float, str, str]]

    def components(self) -> Iterator[tuple[str, str]]:
        """Give every component once, with its role."""
        seen: set[str] = set()
        for role, tags in zip(ROLES, (self.raised, self.kept_down, self.shown), strict=True):
            for tag in tags:
                if tag not in seen:
                    seen.add(tag)
                    yield tag, role


def life_stage_groups() -> list[str]:
    """Name the life-stage groups of the dietary reference intakes, in the order of their table."""
    return list(dict.fromkeys(dietary_reference_intakes()["group"]))


def intakes_for(group: str) -> pd.DataFrame:
    """Give the dietary reference intakes of a group.

    Parameters
    ----------
    group : str
        Such as ``"women 51 to 70"``.

    Returns
    -------
    DataFrame
        ``component``, ``kind`` (EAR, RDA, AI, UL, CDRR, AMDR_LOW, AMDR_HIGH), ``value``, ``unit``, ``applies_to``
        (total intake, added forms, preformed, supplements), ``compared_with`` (tag of what an intake is compared
        with), ``note``, ``source``, ``checked``.

    Raises
    ------
    SwaptableError
        If there is no such group.
    """
    table = dietary_reference_intakes()
    rows = table[table["group"] == group]
    if rows.empty:
        groups = life_stage_groups()
        raise SwaptableError(f"found group '{group}'; expected one of {listed(groups, 30)}{nearest(group, groups)}")
    return rows.drop(columns="group").reset_index(drop=True)


def population_of(groups: Sequence[str]) -> str:
    """Name the population whose daily values fit all groups: the general one, unless all are of another."""
    if groups and all(group.startswith(("pregnant", "lactating")) for group in groups):
        return "pregnant or lactating"
    if groups and all(group == "children 1 to 3" for group in groups):
        return "age 1 to 3"
    return POPULATION


def find_aims(audience: Audience, units: pd.Series) -> Aims:
    """Find what the words of an audience file mean: components, groups, limits and concerns.

    Parameters
    ----------
    audience : Audience
    units : Series
        Unit of every component, by tag.

    Returns
    -------
    Aims

    Raises
    ------
    InputError
        If a word is not known, or two contradict each other, with its place in the file.
    """
    raised, kept_down, shown = _components_named(audience, list(units.index))
    limits = _own_limits(audience, units, kept_down)
    _check_groups(audience)
    _check_concerns(audience)
    return Aims(audience, raised, kept_down, shown, limits)


def _components_named(audience: Audience, known: list[str]) -> list[tuple[str, ...]]:
    """Read the components to raise, to keep down and to show, each named once."""
    found: list[tuple[str, ...]] = []
    fields = ("raise", "keep down", "show")
    words = (audience.raise_components, audience.limit_components, audience.show_components)
    for field, named in zip(fields, words, strict=True):
        tags = []
        for number, word in enumerate(named):
            try:
                tags.append(component_named(word, known))
            except SwaptableError as error:
                raise audience.source.error((field, number), str(error)) from None
        found.append(tuple(tags))
    for place in (1, 2):
        for number, tag in enumerate(found[place]):
            if any(tag in earlier for earlier in found[:place]):
                problem = f"found '{words[place][number]}', which is under another word already; expected it once"
                raise audience.source.error((fields[place], number), problem)
    return found


def _own_limits(audience: Audience, units: pd.Series, kept_down: Sequence[str]) -> dict[str, tuple[float, str, str]]:
    """Read the audience's own limits, in the units of the release."""
    limits: dict[str, tuple[float, str, str]] = {}
    for number, limit in enumerate(audience.limits):
        field = "component"
        try:
            tag = component_named(limit.component, list(units.index))
            if tag not in kept_down or tag in limits:
                problem = "a component under 'keep down'" if tag not in kept_down else "one limit for a component"
                raise SwaptableError(f"found '{limit.component}'; expected {problem}")
            field = "at most"
            limits[tag] = (component_amount(limit.at_most, tag, units[tag]), str(units[tag]), limit.source)
        except SwaptableError as error:
            raise audience.source.error(("limits", number, field), str(error)) from None
    return limits


def _check_groups(audience: Audience) -> None:
    for number, group in enumerate(audience.groups):
        try:
            intakes_for(group)
        except SwaptableError as error:
            raise audience.source.error(("groups", number), str(error)) from None
        if group in audience.groups[:number]:
            raise audience.source.error(("groups", number), f"found '{group}' twice; name each group once")


def _check_concerns(audience: Audience) -> None:
    concerns = known_concerns()
    for number, concern in enumerate(audience.concerns):
        if concern not in concerns:
            problem = f"found concern '{concern}'; expected one of {listed(concerns, 60)}{nearest(concern, concerns)}"
            raise audience.source.error(("concerns", number), problem)


def _intake_rows(group: str, component: str, kinds: Iterable[str]) -> pd.DataFrame:
    """Find a group's intakes of a component, of the kinds asked for, for total intake and in mass."""
    rows = intakes_for(group)
    return rows[
        ((rows["component"] == component) | (rows["compared_with"] == component))
        & rows["kind"].isin(list(kinds))
        & (rows["applies_to"] == TOTAL)
        & rows["unit"].isin(["g", "mg", "µg"])
        & (rows["compared_with"] != "")
    ]


def _from_daily_values(component: str, regime: str, population: str, role: str) -> list[dict[str, object]]:
    """Find the daily value of a component: an amount to reach of most, a maximum of those in :data:`MAXIMA`."""
    if (component in MAXIMA) != (role == "keep down"):
        return []
    table = daily_value_for(regime, population)
    name = next((str(n) for n in table.index if component in str(n).split("+")), None)
    if name is None:
        return []
    row = table.loc[name]
    return [
        {
            "kind": DAILY_VALUE, "day_value": row["value"], "unit": row["unit"], "compared_with": name,
            "source": row["source"], "checked": row["checked"],
        }
    ]  # fmt: skip


def _from_intakes(group: str, component: str, kinds: Iterable[str]) -> list[dict[str, object]]:
    columns = {"value": "day_value"}
    rows = _intake_rows(group, component, kinds).rename(columns=columns)
    return rows[["kind", "day_value", "unit", "compared_with", "source", "checked"]].to_dict("records")


def _from_practice(group: str, component: str, kind: str, found: list[dict[str, object]]) -> list[dict[str, object]]:
    """Find what common practice says, where it differs from what leads."""
    table = practice_values()
    rows = table[(table["component"] == component) & (table["kind"] == kind)]
    rows = rows[[group in groups.split("|") for groups in rows["groups"]]]
    return [
        {
            "kind": PRACTICE[kind], "day_value": row.value, "unit": row.unit, "compared_with": component,
            "source": row.source, "checked": "",
        }
        for row in rows.itertuples()
        if not found or convert(row.value, row.unit, str(found[0]["unit"])) != found[0]["day_value"]
    ]  # fmt: skip


def _limits_of(aims: Aims, component: str) -> list[dict[str, object]]:
    if component not in aims.limits:
        return []
    value, unit, source = aims.limits[component]
    return [
        {
            "kind": AUDIENCE_LIMIT, "day_value": value, "unit": unit, "compared_with": component,
            "source": source, "checked": "stated by the audience file",
        }
    ]  # fmt: skip


def day_targets(aims: Aims, regime: str) -> pd.DataFrame:
    """List what a day should bring, for each group of an audience.

    Parameters
    ----------
    aims : Aims
    regime : str
        ``"US"`` or ``"CA"``: whose daily value stands in where there is no dietary reference intake.

    Returns
    -------
    DataFrame
        One row per group, component and yardstick: ``group``, ``component``, ``role``, ``kind``, ``day_value``,
        ``unit``, ``compared_with``, ``source``, ``checked``, and ``leads``: the yardstick that decides. That is
        the recommended intake of what is to be raised, and of what is to be kept down the audience's own limit,
        else the group's (CDRR, else UL), else a daily value that is meant as a maximum; others, among them common
        practice, are shown beside it. A component that is only shown has no yardstick: its limit is set by the care
        team.
    """
    groups = aims.audience.groups or (POPULATION,)
    rows = []
    for group in groups:
        population = population_of(groups[:0] if group == POPULATION else (group,))
        in_table = bool(aims.audience.groups)
        for component, role in aims.components():
            found: list[dict[str, object]] = []
            if role == "raise":
                found += _from_intakes(group, component, RECOMMENDED) if in_table else []
                found = found or _from_daily_values(component, regime, population, role)
                found += _from_practice(group, component, "aim", found)
            elif role == "keep down":
                found += _limits_of(aims, component)
                found += _from_intakes(group, component, LIMITS) if in_table else []
                found = found or _from_daily_values(component, regime, population, role)
                found += _from_practice(group, component, "upper", found)
            nothing = {"kind": "", "day_value": np.nan, "unit": "", "compared_with": component}
            for number, row in enumerate(found or [nothing | {"source": "", "checked": ""}]):
                rows.append({"group": group, "component": component, "role": role, "leads": number == 0} | row)
    return pd.DataFrame(rows)


def _of(amounts: Amounts, known: Certainty, compared_with: str) -> tuple[xr.DataArray, xr.DataArray, xr.DataArray]:
    """Give amount, standard error and wholeness of a component or of a sum of some."""
    parts = parts_of_sum(compared_with, amounts.units())
    amount = known.amount.sel(component=parts).sum("component", skipna=False)
    error = known.error.sel(component=parts).sum("component")  # as if all were wrong together
    whole = amounts.is_whole(parts)
    return amount, error, whole


def judge_servings(amounts: Amounts, targets: pd.DataFrame, share_of_day: float) -> pd.DataFrame:
    """Judge one serving of every variant against a day's targets.

    Parameters
    ----------
    amounts : Amounts
    targets : DataFrame
        From :func:`day_targets`.
    share_of_day : float
        What part of the day a serving stands for. [-]

    Returns
    -------
    DataFrame
        The rows of ``targets`` for every variant, with ``amount``, ``standard_error``, ``low_90``, ``high_90``
        (per serving, in ``unit``), ``whole``, ``percent_of_day``, ``serving_aim`` (the day's value times the share),
        ``operator``, ``verdict`` (as :class:`Verdict`), ``word``, ``why`` and ``left``: what remains of the day's
        value after one serving, in ``unit``, below 0 where it is passed.
    """
    known = certainty_of(amounts)
    units = amounts.units()
    labels = amounts.grid.labels
    parts = []
    for row in targets.itertuples():
        unit = str(units[parts_of_sum(row.compared_with, units)[0]])
        day = convert(row.day_value, row.unit, unit) if row.unit else np.nan
        amount, error, whole = _of(amounts, known, row.compared_with)
        operator = {"raise": ">=", "keep down": "<="}.get(row.role, "")
        mean, spread = amounts.grid.listed(amount), amounts.grid.listed(error)
        is_whole = amounts.grid.listed(whole) == 1
        verdict: Sequence[int | None] = [None] * len(labels)
        if operator and not np.isnan(day):
            verdict = judge_listed(mean, spread, operator, day * share_of_day, is_whole).tolist()
        parts.append(
            pd.DataFrame(
                {
                    "variant": labels, "group": row.group, "component": row.component, "role": row.role,
                    "kind": row.kind, "leads": row.leads, "day_value": day, "unit": unit,
                    "compared_with": row.compared_with, "amount": mean, "standard_error": spread,
                    "low_90": (mean - Z[LEVEL] * spread).clip(min=0), "high_90": mean + Z[LEVEL] * spread,
                    "whole": is_whole,
                    "percent_of_day": 100 * mean / day, "serving_aim": day * share_of_day, "operator": operator,
                    "verdict": pd.array(verdict, dtype="Int64"),
                    "word": ["" if v is None else Verdict(v).word for v in verdict],
                    "why": ["" if v is None else Verdict(v).why for v in verdict],
                    "left": day - mean, "source": row.source, "checked": row.checked,
                }
            )
        )  # fmt: skip
    return pd.concat(parts, ignore_index=True)
