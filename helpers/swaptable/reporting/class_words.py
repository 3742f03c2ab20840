"""A class plan in words, as a page and a terminal need them."""

from __future__ import annotations

from typing import Any

import pandas as pd

from swaptable.judging.cautions import NAMED_BY_CLASS, SAID_IN_FULL
from swaptable.reporting.reports import ESTIMATE
from swaptable.teaching.class_plan import ClassPlan

__all__ = [
    "IN_PROPORTION",
    "READ_LABELS",
    "allergen_lines",
    "before_class",
    "caution_lines",
    "class_text",
    "cost_text",
    "people_text",
    "size_text",
    "told_text",
]


NO_ALLERGEN = "No name tells of a priority allergen; that does not mean that there is none. Read every label."
READ_LABELS = "Read every label for allergens, also for \u201cmay contain\u201d."
UNLISTED = " (not on the list)"
_LABELS_OF = {"US": "US", "CA": "Canadian"}
IN_PROPORTION = "Amounts and computed nutrients go on in proportion; the notes tell what a cook would not take so."


def size_text(plan: ClassPlan) -> str:
    """Say for how many, how much each, in how many pans of what size."""
    pans = "1 pan" if plan.pans == 1 else f"{plan.pans} pans"
    each = "1 serving" if plan.servings_each == 1 else f"{plan.servings_each:g} servings"
    size = "the recipe's own size" if abs(plan.pan_factor - 1) < 0.005 else f"{plan.pan_factor:.3g} times the recipe"
    return f"{people_text(plan)}, {each} each, {pans}, {size} in each pan"


def people_text(plan: ClassPlan) -> str:
    """Count the people."""
    return "1 person" if plan.people == 1 else f"{plan.people} people"


def allergen_lines(plan: ClassPlan) -> list[str]:
    """Name every allergen with the ingredients whose names tell of it; no line is ever missing."""
    lines = []
    for row in plan.allergens.itertuples():
        name, unlisted = str(row.allergen).removesuffix(UNLISTED), str(row.allergen).endswith(UNLISTED)
        lines.append(f"{_capital(name)}: {row.ingredients}" + f". {_unlisted_text(plan.regime, name)}" * unlisted)
    return lines or [NO_ALLERGEN]


def _capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def _unlisted_text(regime: str, allergen: str) -> str:
    text = f"Not among the allergens that {_LABELS_OF[regime]} labels must name"
    return f"{text}, but not for coeliac disease." if allergen == "gluten" else f"{text}; some people must avoid it."


def caution_lines(plan: ClassPlan) -> list[str]:
    """Give the cautions that this class names, and those said in full to any; name the others."""
    table = plan.cautions
    told = table["named"] | table["caution"].isin(SAID_IN_FULL)
    others = list(dict.fromkeys(table.loc[~told, "concern"]))
    own = [text for text in plan.audience.cautions if text != READ_LABELS]
    lines = [*own, *map(_caution_text, table[told].itertuples())]
    return lines + (
        [f"Cautions also for: {', '.join(others)}. Ask the class, and see the recipe's report."] * bool(others)
    )


def _caution_text(row: Any) -> str:
    """Say whom a caution is for and what brings it up; food safety is everyone's, and its message says whom to ask."""
    if row.kind == "food safety":
        return str(row.message)
    why = "" if row.why == NAMED_BY_CLASS else f" ({row.why})"
    return f"{_capital(row.concern)}{why}: {row.message} Ask {row.defer_to}."


def cost_text(plan: ClassPlan) -> str:
    """Say what the class costs, used and bought, and what has no price."""
    table = plan.shopping
    if table.empty or not table["currency"].any():
        return ""
    used, bought = table["cost_of_what_is_used"], table["cost_of_what_is_bought"]
    least = "at least " if bought.isna().any() else ""
    without = f"; no price for {', '.join(table.loc[bought.isna(), 'for'])}" if least else ""
    each = used.sum() / plan.people
    currency = table["currency"].iloc[0]
    return (
        f"Cost in {currency}, by the price file: {least}{bought.sum():.2f} for all that is bought, "
        f"{least}{used.sum():.2f} for what is used, {least}{each:.2f} a person{without}."
    )


def told_text(plan: ClassPlan) -> str:
    """Say how long the method takes as far as it tells."""
    steps = plan.timeline[(plan.timeline["kind"] == "step") & (plan.timeline["applies"] != "no")]
    if steps.empty:
        return "The recipe has no method, so nothing can be timed"
    timed = steps["least_min"].notna()
    total = float((steps["starts_after_at_least_min"] + steps["least_min"].fillna(0)).max())
    waits = float(steps["before_class_least_h"].astype(float).sum())
    text = f"The method gives {total:.0f} minutes" if timed.any() else "The method gives no time"
    if waits:
        text += f", after at least {waits:g} hours of waiting before the class"
    missing = int((~timed).sum())
    have = "has" if missing == 1 else "have"
    return text + (f"; {missing} of {len(steps)} steps {have} no time, so plan for more" if missing else "")


def class_text(plan: ClassPlan) -> str:
    """Write a plan as plain text for a terminal.

    Parameters
    ----------
    plan : ClassPlan

    Returns
    -------
    str
        Allergens first.
    """
    title = f"{plan.recipe.title}, {plan.label}: {size_text(plan)}"
    blocks = [[title, f"For: {plan.audience.title}"], ["ALLERGENS BY NAME", READ_LABELS, *allergen_lines(plan)]]
    amounts = [f"{_named(row)}: {row.in_one_pan}; class {row.for_the_class}" for row in plan.ingredients.itertuples()]
    begin = [
        f"{row.ingredient}: begin with {row.begin_with} a pan"
        for row in plan.ingredients.itertuples()
        if row.begin_with
    ]
    notes = [f"{row.ingredients}: {row.text} ({row.source})" for row in plan.scaling.itertuples()]
    blocks.append(["AMOUNTS, ONE PAN AND THE CLASS", *amounts, IN_PROPORTION, *begin, *notes])
    shopping = ["SHOPPING, REFUSE INCLUDED"]
    for aisle, rows in plan.shopping.groupby("aisle", sort=False):
        shopping.append(f"{aisle}:")
        shopping += [
            f"  {row.to_buy}: {row.description} ({row.needed_g:,.0f} g {row.needed_is})"
            + ("; look in the cupboard first" if row.look_in_the_cupboard_first else "")
            for row in rows.itertuples()
        ]
    blocks.append([*shopping, *filter(None, [cost_text(plan)])])
    prep = ["PREP BY STATION"]
    for station, rows in plan.prep.groupby("station", sort=False):
        prep.append(f"{station}:")
        prep += [
            f"  {_named(row)}, {row.for_the_class}" + (f": {row.tasks}" * bool(row.tasks)) for row in rows.itertuples()
        ]
    blocks.append(prep)
    blocks.append(_timeline_lines(plan))
    blocks.append(["CAUTIONS", *caution_lines(plan), ESTIMATE])
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def before_class(table: pd.DataFrame) -> list[tuple[float, float]]:
    """Give the least and the most hours before the class of each row; nought where nothing is done before."""
    hours = table[["before_class_least_h", "before_class_most_h"]].astype(float).fillna(0)
    return list(hours.itertuples(index=False, name=None))


def _timeline_lines(plan: ClassPlan) -> list[str]:
    timeline = ["TIMELINE", f"{told_text(plan)}."]
    for row, (low, high) in zip(plan.timeline.itertuples(), before_class(plan.timeline), strict=True):
        if row.kind != "step":
            timeline.append(f"afterwards, {row.text}: {row.safe_temperature}")
            continue
        when = f"from minute {row.starts_after_at_least_min:.0f} at least" if row.applies != "no" else "left out"
        when += f", at {row.latest_start} at the latest" if row.latest_start else ""
        when += f", {low:g} to {high:g} h before" if low else ""
        when += ", if it applies" if row.applies == "cannot tell" else ""
        timeline.append(
            f"{row.step:.0f}. ({when}) {row.text}" + (f" [{row.safe_temperature}]" * bool(row.safe_temperature))
        )
    return timeline


def _named(row: object) -> str:
    options = getattr(row, "options", "")
    return f"{getattr(row, 'ingredient', '')}{f' ({options})' if options else ''}"
