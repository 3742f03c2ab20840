"""A recipe for a class: amounts for pans and participants, shopping, prep, timeline, and what to look out for.

Amounts and the computed nutrients go on in proportion. What a cook would not take in proportion is told in a note
beside it (``scaling_notes.csv``), never changed silently.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from swaptable.amounts.chosen import (
    chosen_variant,
    is_named_in,
    kitchen_amount,
    option_words,
    parse_options,
    rebased,
    stated,
    stated_grams,
)
from swaptable.amounts.cost import read_prices
from swaptable.amounts.nutrients import Amounts
from swaptable.amounts.recipes import Recipe
from swaptable.amounts.variants import Grid, Line
from swaptable.basics.errors import SwaptableError
from swaptable.basics.folders import find_file
from swaptable.foods.cooking_factors import FACTORS
from swaptable.foods.reference import aisles, scaling_notes
from swaptable.judging.allergens import READ_LABEL, allergens_of
from swaptable.judging.audiences import Audience, read_audience
from swaptable.judging.cautions import cautions_for
from swaptable.judging.daily_values import checked_regime
from swaptable.judging.food_safety import safety_for
from swaptable.judging.study import GAPS, compute_recipe
from swaptable.teaching.method_times import applies, read_times
from swaptable.teaching.shopping import means, measured, place_of, shopping_table

__all__ = ["ClassPlan", "plan_class"]

MOST_PEOPLE, MOST_PANS = 2_000, 200
MUCH = 1.25  # times as full as the recipe's own pan, or as empty: from here on proportion is doubtful; assumed
_AT_THE_END = ("hold hot at or above", "cool", "do not leave out", "reheat to", "keep cold")
_COOKED_TO = ("cook to", "reheat to")
_HEAT = re.compile(
    r"\b(?:bak(?!ing (?:powder|soda|tray|sheet|dish))|boil|brais|broil|brown|cook|fr[iy]|grill|heat|poach|roast|saut|"
    r"scrambl|simmer|steam|stew|toast)",
    re.I,
)


@dataclass(frozen=True, eq=False)
class ClassPlan:
    """A recipe variant planned for a class.

    Attributes
    ----------
    amounts : Amounts
        The chosen variant alone.
    variant : dict
        Choice → option.
    label : str
        Name of the variant among all of the recipe.
    audience : Audience
    regime : str
    people, pans : int
    servings_each : float
    allergens : DataFrame
        ``allergen``, ``ingredients``; first, since it is read first. ``read the label`` stands for foods whose name
        tells too little.
    ingredients : DataFrame
        Amount of each ingredient as written, in one pan and for the class, with its notes.
    scaling : DataFrame
        What does not go on in proportion: ``note``, ``ingredients``, ``begin_with_percent``, ``text``, ``source``.
    shopping : DataFrame
        What to buy, by aisle.
    prep : DataFrame
        What to get ready, by station.
    timeline : DataFrame
        Steps with their times, then how to hold, cool and keep the dish.
    safety, cautions : DataFrame
        As from :mod:`swaptable.judging.food_safety` and :mod:`swaptable.judging.cautions`, for this variant.
    """

    amounts: Amounts
    variant: dict[str, str]
    label: str
    audience: Audience
    regime: str
    people: int
    pans: int
    servings_each: float
    allergens: pd.DataFrame
    ingredients: pd.DataFrame
    scaling: pd.DataFrame
    shopping: pd.DataFrame
    prep: pd.DataFrame
    timeline: pd.DataFrame
    safety: pd.DataFrame
    cautions: pd.DataFrame

    @property
    def recipe(self) -> Recipe:
        """The recipe as its file says."""
        return self.amounts.recipe

    @property
    def pan_factor(self) -> float:
        """How much of the recipe one pan holds [-]."""
        return self.people * self.servings_each / self.recipe.servings / self.pans

    def tables(self) -> dict[str, pd.DataFrame]:
        """Name every table that goes with a plan."""
        return {
            "allergens": self.allergens,
            "class_ingredients": self.ingredients,
            "scaling": self.scaling,
            "shopping": self.shopping,
            "prep": self.prep,
            "timeline": self.timeline,
            "safety": self.safety,
            "cautions": self.cautions,
        }


# ------------------------------------------------------------------------------------------------- tables


def _scaling_table(
    grid: Grid, variant: Mapping[str, str], lines: Mapping[str, Line], pan_factor: float, pans: int
) -> pd.DataFrame:
    """Find the notes on what does not go on in proportion, with the ingredients each is about."""
    more, less = pan_factor > MUCH, pan_factor < 1 / MUCH
    holds = {"more": more, "less": less, "changed": more or less, "pans": pans > 1}
    rows = []
    for _, row in scaling_notes().iterrows():
        if not holds[row["when"]]:
            continue
        found = [
            name
            for name, line in lines.items()
            if (not row["pattern"] or means(row, line.food))
            and (not row["process"] or re.search(row["process"], str(stated(grid, name, variant, "cook"))))
        ]
        if found:
            about = "; ".join(found)
            rows.append({"note": row["note"], "ingredients": about, **row[["begin_with_percent", "text", "source"]]})
    return pd.DataFrame(rows, columns=["note", "ingredients", "begin_with_percent", "text", "source"])


def _ingredient_table(
    grid: Grid, variant: Mapping[str, str], lines: Mapping[str, Line], factor: float, pans: int, notes: pd.DataFrame
) -> pd.DataFrame:
    rows = []
    for name, line in lines.items():
        amount, grams = kitchen_amount(grid, name, variant), stated_grams(line)
        about = notes.loc[[place for place, found in enumerate(notes["ingredients"]) if name in found.split("; ")]]
        begin = about["begin_with_percent"].astype(float).min()
        pan = measured(amount, grams, factor / pans)
        rows.append(
            {
                "ingredient": name,
                "options": option_words(grid, name, variant),
                "food": grid.release.full_code(line.food.code),
                "description": line.food.description,
                "as_written": measured(amount, grams, 1.0),
                "in_one_pan": pan,
                "begin_with": "" if np.isnan(begin) else measured(amount, grams, factor / pans * begin / 100),
                "for_the_class": measured(amount, grams, factor),
                "weighed": "as purchased" if "refuse" in line.ways else "edible",
                "edible_g": line.edible_g * factor,
                "as_purchased_g": line.purchased_g * factor,
                "notes": ", ".join(about["note"]),
            }
        )
    return pd.DataFrame(rows)


def _tasks(line: Line, usual: str) -> str:
    tasks = [usual] if usual else []
    if line.refuse > 0:
        what = line.food.refuse_description.lower() or "what is not eaten"
        tasks.append(f"take off about {100 * line.refuse:.0f} % ({what})")
    tasks += [word for word in ("drain", "rinse") if line.cooking.process.startswith(word)]
    return "; ".join(tasks)


def _prep_table(grid: Grid, variant: Mapping[str, str], lines: Mapping[str, Line], table: pd.DataFrame) -> pd.DataFrame:
    method, scaled = grid.recipe.method, table.set_index("ingredient")
    sentences = [sentence for step in method for sentence in re.split(r"(?<=[.;])\s+", step)]
    rows = []
    for name, line in lines.items():
        place = place_of(line.food)
        told = [text for text in sentences if is_named_in(name, text)]
        rows.append(
            {
                "station": place["station"],
                "ingredient": name,
                "options": option_words(grid, name, variant),
                "description": line.food.description,
                "for_the_class": scaled.loc[name, "for_the_class"],
                "in_one_pan": scaled.loc[name, "in_one_pan"],
                "tasks": _tasks(line, place["task"]),
                "in_the_method": " ".join(told),
            }
        )
    order = list(dict.fromkeys(aisles()["station"]))
    found = pd.DataFrame(rows)
    return found.sort_values("station", key=lambda names: names.map(order.index), kind="stable", ignore_index=True)


def _safe_temperatures(method: Sequence[str], safety: pd.DataFrame) -> list[str]:
    """Put each safe temperature at the first step with heat from where an ingredient that needs it is named."""
    found: list[list[str]] = [[] for _ in method]
    rows = safety[safety["rule"].isin(_COOKED_TO) & (safety["ingredients"] != "")]
    for row in rows.itertuples():
        names = [part.split(":")[0].split(" (")[0] for part in row.ingredients.split("; ")]
        named = [place for place, step in enumerate(method) if any(is_named_in(name, step) for name in names)]
        heated = [place for place, step in enumerate(method) if named and place >= named[0] and _HEAT.search(step)]
        for place in (heated or named)[:1]:
            found[place].append(f"{' and '.join(names)}: {row.rule} {row.here}")
    return ["; ".join(parts) for parts in found]


def _timeline(
    recipe: Recipe, variant: Mapping[str, str], choices: Mapping[str, Sequence[str]], safety: pd.DataFrame
) -> pd.DataFrame:
    rows: list[dict[str, object]] = []
    temperatures = _safe_temperatures(recipe.method, safety)
    clock, before = 0.0, 0.0  # where the last step ends and began, at least [min]
    for number, step in enumerate(recipe.method, start=1):
        time, does = read_times(step), applies(step, variant, choices)
        start = before if time.parallel else clock
        if does != "no":
            before, clock = start, max(clock, start + np.nan_to_num(time.least))
        left_out = does == "no"
        rows.append(
            {
                "kind": "step", "step": number, "text": step, "applies": does, "time_told": time.told,
                "before_class_least_h": 0.0 if left_out else time.before_least,
                "before_class_most_h": 0.0 if left_out else time.before_most,
                "least_min": np.nan if left_out else time.least, "most_min": np.nan if left_out else time.most,
                "starts_after_at_least_min": np.nan if left_out else start,
                "safe_temperature": "" if left_out else temperatures[number - 1], "source": "the recipe",
            }
        )  # fmt: skip
    for row in safety[safety["rule"].isin(_AT_THE_END) & (safety["ingredients"] == "")].itertuples():
        rows.append(
            {
                "kind": "afterwards", "text": f"{row.food}: {row.rule}", "applies": "yes", "time_told": "",
                "safe_temperature": row.here, "source": row.source,
            }
        )  # fmt: skip
    columns = [
        "kind", "step", "text", "applies", "time_told", "before_class_least_h", "before_class_most_h", "least_min",
        "most_min", "starts_after_at_least_min", "starts_before_serving_at_least_min", "latest_start",
        "safe_temperature", "source",
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=columns)
    return table.assign(starts_before_serving_at_least_min=clock - table["starts_after_at_least_min"].astype(float))


def _with_clock(timeline: pd.DataFrame, serve_at: str) -> pd.DataFrame:
    """Say when each step has to begin at the latest, if nothing takes longer than the method tells."""
    if not serve_at:
        return timeline.assign(latest_start="")
    try:
        serving = datetime.strptime(serve_at, "%H:%M")
    except ValueError:
        raise SwaptableError(f"found serving time '{serve_at}'; expected a time of day such as 18:30") from None
    before = timeline["starts_before_serving_at_least_min"]
    starts = ["" if np.isnan(m) else f"{serving - timedelta(minutes=float(m)):%H:%M}" for m in before]
    return timeline.assign(latest_start=starts)


def _allergen_table(amounts: Amounts, regime: str) -> pd.DataFrame:
    """Turn the allergens round: each with the ingredients whose names tell of it."""
    found: dict[str, list[str]] = {}
    for row in allergens_of(amounts, regime).itertuples():
        for allergen in filter(None, row.allergens.split(", ")):
            found.setdefault(allergen, []).append(f"{row.ingredient} ({row.food})")
        if row.read_the_label:
            found.setdefault(READ_LABEL, []).append(f"{row.ingredient} ({row.food}): {row.read_the_label}")
    rows = [{"allergen": name, "ingredients": "; ".join(parts)} for name, parts in found.items()]
    table = pd.DataFrame(rows, columns=["allergen", "ingredients"])
    return table.sort_values("allergen", key=lambda names: names == READ_LABEL, kind="stable", ignore_index=True)


def _checked_size(people: int, pans: int, servings_each: float, servings: float) -> int:
    if not 1 <= people <= MOST_PEOPLE or int(people) != people:
        raise SwaptableError(f"found {people} people; expected a whole number from 1 to {MOST_PEOPLE:,}")
    if not 0 < servings_each <= 10:
        raise SwaptableError(f"found {servings_each:g} servings each; expected more than 0 and at most 10")
    needed = people * servings_each / servings
    found = max(1, int(np.ceil(needed - 1e-6))) if pans == 0 else pans
    if not 1 <= found <= MOST_PANS or int(found) != found:
        raise SwaptableError(
            f"found {found} pans; expected a whole number from 1 to {MOST_PANS}, or 0 for as many as it takes"
        )
    return int(found)


def plan_class(
    recipe: str | Path,
    audience: str | Path = "general_adults",
    *,
    people: int,
    pans: int = 0,
    servings_each: float = 1.0,
    options: Mapping[str, str] | Sequence[str] = (),
    serve_at: str = "",
    regime: str = "US",
    release: str | Path = "current",
    prices: str | Path = "",
    factors: str = FACTORS[0],
    gaps: str = GAPS[0],
) -> ClassPlan:
    """Plan a recipe variant for a class.

    Parameters
    ----------
    recipe, audience : str or Path
        Files, or names of files in ``data/recipes/`` and ``data/audiences/``.
    people : int
        Participants, at least 1.
    pans : int, optional
        Pans or groups that the food is shared out to; 0: so many that none holds more than the recipe.
    servings_each : float, optional
        Servings for each participant. [-]
    options : mapping or sequence of str, optional
        Choice → option, or ``choice=option``, where the class does not cook the recipe as written.
    serve_at : str, optional
        Time of day, such as ``"18:30"``; then each step gets its latest start.
    regime : str, optional
        ``"US"`` or ``"CA"``: whose allergens, safe temperatures and packages.
    release, prices, factors, gaps : optional
        As for :func:`swaptable.judging.study.study_recipe`.

    Returns
    -------
    ClassPlan

    Raises
    ------
    InputError, SwaptableError
        If a file or parameter cannot be used.

    Examples
    --------
    >>> plan = plan_class("oat_pancakes", people=12, pans=3)
    >>> plan.shopping.set_index("for")["to_buy"].loc[["eggs", "berries"]].tolist()
    ['1 dozen large', '3 boxes of 170 g']
    >>> plan.allergens["allergen"].tolist()
    ['gluten (not on the list)', 'eggs', 'milk', 'read the label']
    """
    checked_regime(regime)
    amounts = compute_recipe(recipe, release, factors, gaps)
    people_of = read_audience(find_file(audience, "audiences", ".yaml"))
    known = read_prices(find_file(prices, ".", ".csv")) if prices else {}
    grid, servings = amounts.grid, amounts.recipe.servings
    variant = chosen_variant(grid, parse_options(options))
    pan_count = _checked_size(people, pans, servings_each, servings)
    factor = people * servings_each / servings
    lines = {name: line for name in grid.lines if (line := grid.line(name, variant)) is not None}
    alone = rebased(amounts, variant, alone=True)
    notes = _scaling_table(grid, variant, lines, factor / pan_count, pan_count)
    ingredients = _ingredient_table(grid, variant, lines, factor, pan_count, notes)
    safety = safety_for(alone, regime)
    return ClassPlan(
        amounts=alone,
        variant=variant,
        label=grid.label(variant),
        audience=people_of,
        regime=regime,
        people=people,
        pans=pan_count,
        servings_each=servings_each,
        allergens=_allergen_table(alone, regime),
        ingredients=ingredients,
        scaling=notes,
        shopping=shopping_table(grid, lines, factor, regime, known),
        prep=_prep_table(grid, variant, lines, ingredients),
        timeline=_with_clock(_timeline(amounts.recipe, variant, grid.choices, safety), serve_at),
        safety=safety,
        cautions=cautions_for(alone, people_of.concerns),
    )
