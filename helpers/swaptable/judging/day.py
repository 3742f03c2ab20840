"""A day: what planned servings, foods and supplements add up to, and which recipe complements another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from swaptable.amounts.certainty import certainty_of
from swaptable.amounts.nutrients import DERIVED_FROM, WHOLE_SHARE, Amounts, component_table, compute
from swaptable.amounts.recipes import Recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import InputError, SwaptableError, listed, nearest
from swaptable.basics.folders import find_file
from swaptable.basics.units import GENERAL_KCAL_PER_GRAM, component_amount, convert
from swaptable.foods.joined import open_release
from swaptable.foods.reference import component_named
from swaptable.foods.release import FoodRelease
from swaptable.judging.audiences import DayPlan, PlannedFood, PlannedRecipe, read_day
from swaptable.judging.daily_values import parts_of_sum
from swaptable.judging.study import compute_recipe
from swaptable.judging.targets import TOTAL, intakes_for
from swaptable.judging.verdicts import Verdict, judge_listed

__all__ = ["NO_DRINKS", "Day", "add_up", "complements", "judge_day", "read_plan"]

# What the values of a food release count of a form; of the other forms only supplements can be added up.
FORM_OF_FOOD = {"total intake", "preformed"}
# A dose in one of these would slip past the upper level that watches the form it was taken in.
STATE_INSTEAD = {
    "VITD_IU": "vitamin D, in µg or IU",
    "VITA_IU": "vitamin A, in µg",
    "FOL": "folic acid",
    "FOLDFE": "folic acid",
    "FOLFD": "folic acid",
    "NIAEQ": "niacin",
    "TOCPHA_ADDED": "vitamin E",
    "NACL_EQ": "sodium",
}
ADDED_IN_FOOD = ("FOLAC",)  # folic acid in food was always added
WATER, NO_DRINKS = "WATER", "what is drunk beside the plan is not known"
ENERGY = "ENERC_KCAL_GENERAL"  # the ranges of energy are meant with the general factors


@dataclass(frozen=True, eq=False)
class Day:
    """What a day adds up to.

    Attributes
    ----------
    plan : DayPlan
    parts : DataFrame
        Item × component: what each recipe, food and supplement brings, in the unit of the component; NaN is missing.
    totals : DataFrame
        By component: ``unit``, ``food``, ``supplements``, ``total`` (the sum of what is known), ``standard_error``
        (of the food; items are taken as independent) and ``whole``, whether every item has a value.
    """

    plan: DayPlan
    parts: pd.DataFrame
    totals: pd.DataFrame


@dataclass(frozen=True)
class _Item:
    name: str
    amount: pd.Series
    error: pd.Series
    whole: pd.Series


def _item(name: str, amounts: Amounts, variant: Mapping[str, str], servings: float) -> _Item:
    known = certainty_of(amounts)
    index = amounts.units().index

    def at(values: xr.DataArray) -> pd.Series:
        return pd.Series(np.asarray(values.sel(dict(variant)), dtype=float), index=index)

    whole = at(amounts.data["valued_share"]) > WHOLE_SHARE
    return _Item(name, servings * at(known.amount), servings * at(known.error), whole)


def _planned_recipe(plan: DayPlan, number: int, planned: PlannedRecipe, release: str | Path) -> _Item:
    try:
        amounts = compute_recipe(find_file(planned.recipe, "recipes", ".yaml"), release)
    except InputError as error:
        if error.file is not None:  # the recipe's own mistake, at its own place
            raise
        raise plan.source.error(("servings", number, "recipe"), str(error)) from None
    grid = amounts.grid
    for choice, option in planned.options.items():
        place = ("servings", number, "with", choice)
        if choice not in grid.choices:
            problem = f"found '{choice}'; expected a choice of {planned.recipe}: {listed(grid.choices, 20)}"
            raise plan.source.error(place, problem + nearest(choice, grid.choices), at_key=True)
        if option not in grid.choices[choice]:
            problem = f"found '{option}'; expected an option of {choice}: {listed(grid.choices[choice], 20)}"
            raise plan.source.error(place, problem + nearest(option, grid.choices[choice]))
    variant = {**grid.as_written, **planned.options}
    if not bool(grid.allowed.sel(variant)):
        raise plan.source.error(("servings", number, "with"), "found options that are not together in the recipe")
    name = f"{planned.servings:g} × {amounts.recipe.title}: {grid.label(variant)}"
    return _item(name, amounts, variant, planned.servings)


def _planned_food(plan: DayPlan, number: int, planned: PlannedFood, release: FoodRelease) -> _Item:
    eaten = {"food": {"amount": planned.amount, "food": planned.food}}
    try:
        amounts = compute(
            build_grid(Recipe.model_validate({"title": "food", "servings": 1, "ingredients": eaten}), release)
        )
    except InputError as error:
        field = error.field.removeprefix("ingredients.food").lstrip(".")
        raise plan.source.error(
            ("foods", number, *([field] if field in ("food", "amount") else [])), error.problem
        ) from None
    line = amounts.grid.line("food", {})
    described = line.food.description if line is not None else planned.food
    return _item(f"{planned.amount.number:g} {planned.amount.measure} {described}", amounts, {}, 1.0)


def _supplements(plan: DayPlan, units: pd.Series) -> pd.DataFrame:
    """List supplements by component, and count what they add to derived components, such as folic acid to folate."""
    rows, names = [], []
    for number, supplement in enumerate(plan.supplements):
        field = "component"
        try:
            tag = component_named(supplement.component, list(units.index))
            if tag in STATE_INSTEAD:
                raise SwaptableError(f"found '{supplement.component}'; expected what was taken: {STATE_INSTEAD[tag]}")
            field = "amount"
            dose = component_amount(supplement.amount, tag, str(units[tag]))
        except SwaptableError as error:
            raise plan.source.error(("supplements", number, field), str(error)) from None
        row = pd.Series(0.0, index=units.index)
        row[tag] += dose
        for whole, parts in DERIVED_FROM.items():
            row[whole] += parts.get(tag, 0.0) * dose
        if tag == "VITA_RAE":  # of a stated form nobody knows, the one that can do harm
            row["RETOL"] += dose
        rows.append(row)
        names.append(f"Supplement: {supplement.component} {supplement.amount.number:g} {supplement.amount.measure}")
    return pd.DataFrame(rows, index=names, columns=units.index, dtype=float)


def read_plan(day: str | Path) -> DayPlan:
    """Read the plan of a day by name or path.

    Parameters
    ----------
    day : str or Path
        File, or the name of one in ``data/days/``.

    Returns
    -------
    DayPlan

    Raises
    ------
    InputError
        With the place in the file.
    """
    return read_day(find_file(day, "days", ".yaml"))


def add_up(plan: DayPlan, release: str | Path = "current") -> Day:
    """Add up what a day's plan brings.

    Parameters
    ----------
    plan : DayPlan
    release : str or Path, optional
        Food release.

    Returns
    -------
    Day

    Raises
    ------
    InputError
        If a recipe, option, food or supplement cannot be used, with its place in the file.
    """
    try:
        intakes_for(plan.group)
    except SwaptableError as error:
        raise plan.source.error(("group",), str(error)) from None
    foods = open_release(release)
    table = component_table(foods).set_index("component")
    items = [_planned_recipe(plan, n, planned, release) for n, planned in enumerate(plan.servings)]
    items += [_planned_food(plan, n, planned, foods) for n, planned in enumerate(plan.foods)]
    eaten = pd.DataFrame([item.amount for item in items], index=[item.name for item in items])
    supplements = _supplements(plan, table["unit"])
    food = eaten.sum(min_count=1)
    added = supplements.sum()
    totals = pd.DataFrame(
        {
            "unit": table["unit"],
            "food": food,
            "supplements": added,
            "total": food.where(food.notna() | (added == 0), 0.0) + added,
            "standard_error": pd.DataFrame([item.error**2 for item in items]).sum() ** 0.5,
            "whole": pd.DataFrame([item.whole for item in items]).all(),
        }
    )
    return Day(plan, pd.concat([eaten, supplements]), totals)


def judge_day(day: Day) -> pd.DataFrame:
    """Judge a day against the dietary reference intakes of its person's group.

    Parameters
    ----------
    day : Day

    Returns
    -------
    DataFrame
        One row per component and kind (EAR, RDA, AI at least; UL, CDRR at most; AMDR as percent of energy):
        ``component``, ``kind``, ``operator``, ``day_value``, ``unit``, ``amount``, ``standard_error``,
        ``left``, ``verdict``, ``word``, ``why``, ``counted`` (food and supplements, or supplements only),
        ``applies_to``, ``note``, ``source``, ``checked``. Energy comes first, without kind and verdict: how much
        somebody needs is not in the table. Components that the release does not hold are left out; requirements per
        kilogram of body weight as well.

    Notes
    -----
    An upper level for added forms or supplements is compared with the supplements alone, since a food table does
    not tell how much of a vitamin was added; folic acid is the exception. The adequate intake of sodium is no aim of
    a day, and is left out. Water is never called too little: a plan need not say what is drunk.
    """
    totals = day.totals
    rows = [_energy_row(totals)]
    for intake in intakes_for(day.plan.group).itertuples():
        tag = intake.compared_with
        if tag not in totals.index or intake.unit not in ("g", "mg", "µg", "%E") or (tag, intake.kind) == ("NA", "AI"):
            continue
        total = totals.loc[tag]
        with_food = intake.applies_to in FORM_OF_FOOD or tag in ADDED_IN_FOOD
        amount = total["total"] if with_food else total["supplements"]
        error = total["standard_error"] if with_food else 0.0
        whole, unit = bool(total["whole"]) or not with_food, str(total["unit"])
        if intake.unit == "%E":
            amount, error, whole = _energy_share(totals, tag)
            unit, limit = "% of energy", intake.value
        else:
            limit = convert(intake.value, intake.unit, unit)
        operator = "<=" if intake.kind in ("UL", "CDRR", "AMDR_HIGH") else ">="
        verdict = Verdict(int(judge_listed(amount, error, operator, limit, whole)))
        if operator == "<=" and intake.unit != "%E" and total["supplements"] > limit:
            verdict = Verdict.NOT_MET  # the supplement alone: food can only add to it
        drinks = tag == WATER and verdict != Verdict.MET
        verdict = Verdict.GAPS if drinks else verdict
        rows.append(
            {
                "component": intake.component, "kind": intake.kind, "operator": operator,
                "day_value": limit, "unit": unit, "amount": amount, "standard_error": error,
                "left": limit - amount, "verdict": int(verdict), "word": verdict.word,
                "why": NO_DRINKS if drinks else verdict.why,
                "counted": "food and supplements" if with_food else "supplements only",
                "applies_to": intake.applies_to, "note": intake.note, "source": intake.source,
                "checked": intake.checked,
            }
        )  # fmt: skip
    return pd.DataFrame(rows).astype({"verdict": "Int64"})


def _energy_row(totals: pd.DataFrame) -> dict[str, object]:
    """State the energy of the day, so that a thin day is seen for what it is, and do not judge it."""
    total = totals.loc["ENERC_KCAL"]
    return {
        "component": "ENERC_KCAL", "kind": "", "operator": "", "day_value": np.nan, "unit": total["unit"],
        "amount": total["total"], "standard_error": total["standard_error"], "left": np.nan, "verdict": pd.NA,
        "word": "", "why": "not judged: needs differ", "counted": "food and supplements", "applies_to": TOTAL,
        "note": "", "source": "", "checked": "",
    }  # fmt: skip


def _energy_share(totals: pd.DataFrame, component: str) -> tuple[float, float, bool]:
    """Give a component's share of the energy by the general factors, its error and whether both are whole [%]."""
    per_gram = GENERAL_KCAL_PER_GRAM.get(component, GENERAL_KCAL_PER_GRAM["FAT"])  # a fatty acid counts as fat
    energy = totals.loc[ENERGY, "total"]
    share = 100 * per_gram * totals.loc[component, "total"] / energy if energy > 0 else np.nan
    error = 100 * per_gram * totals.loc[component, "standard_error"] / energy if energy > 0 else np.nan
    return share, error, bool(totals.loc[[component, ENERGY], "whole"].all())


def complements(amounts: Amounts, others: Mapping[str, Amounts], targets: pd.DataFrame) -> pd.DataFrame:
    """Rank other recipes by what they add to a serving of this one.

    Parameters
    ----------
    amounts : Amounts
        Of the recipe as written.
    others : mapping of Amounts
        By name.
    targets : DataFrame
        From :func:`swaptable.judging.targets.day_targets`.

    Returns
    -------
    DataFrame
        One row per group and other recipe, best first: ``group``, ``recipe``, ``title``, ``covers_percent`` (mean
        over what is to be raised of the share of what was left that one serving as written covers, each at most
        100), ``best_for`` (the component of which it covers most) and ``passes`` (limits that both together pass,
        by their means). A missing amount covers nothing that is known.
    """
    rows, units = [], amounts.units()
    for group, table in targets[targets["leads"] & targets["day_value"].notna()].groupby("group", sort=False):
        for name, other in others.items():
            covers, passed = {}, []
            for target in table.itertuples():
                unit = str(units[parts_of_sum(target.compared_with, units)[0]])
                day = convert(target.day_value, target.unit, unit)
                here, there = (_as_written(a, target.compared_with) for a in (amounts, other))
                if target.role == "raise" and here < day:
                    covers[target.component] = min(100.0, 100 * np.nan_to_num(there) / (day - here))
                elif target.role == "keep down" and here + there > day:
                    passed.append(target.component)
            best = max(covers, key=lambda component: covers[component]) if covers else ""
            rows.append(
                {
                    "group": group, "recipe": name, "title": other.recipe.title,
                    "covers_percent": float(np.mean(list(covers.values()))) if covers else np.nan,
                    "best_for": best, "passes": ", ".join(passed),
                }
            )  # fmt: skip
    columns = ["group", "recipe", "title", "covers_percent", "best_for", "passes"]
    table = pd.DataFrame(rows, columns=columns)
    order = pd.Categorical(table["group"], categories=list(dict.fromkeys(table["group"])), ordered=True)
    ranked = table.assign(_order=order).sort_values(["_order", "covers_percent"], ascending=[True, False])
    return ranked.drop(columns="_order").reset_index(drop=True)


def _as_written(amounts: Amounts, compared_with: str) -> float:
    parts = parts_of_sum(compared_with, amounts.units())
    return float(amounts.per("serving").sel({**amounts.grid.as_written, "component": parts}).sum(skipna=False))
