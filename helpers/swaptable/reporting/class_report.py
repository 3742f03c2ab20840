"""A class plan on a page and in a terminal: allergens first, then amounts, shopping, prep and timeline."""

from __future__ import annotations

import html

import matplotlib as mpl
import numpy as np
import pandas as pd
from IPython.display import HTML

from swaptable.reporting.class_words import (
    IN_PROPORTION,
    READ_LABELS,
    allergen_lines,
    before_class,
    caution_lines,
    cost_text,
    people_text,
    size_text,
    told_text,
)
from swaptable.reporting.figures import BLUE, GREY, STYLE, Chart, finished, new_figure, wrapped
from swaptable.reporting.reports import ESTIMATE, bullets, table_shown, write_tables
from swaptable.teaching.class_plan import ClassPlan

__all__ = [
    "class_amounts_shown",
    "class_shown",
    "plot_timeline",
    "prep_shown",
    "save_class",
    "shopping_shown",
    "timeline_shown",
]


def class_shown(plan: ClassPlan) -> HTML:
    """Show for whom and how much, allergens on top, then the cautions.

    Parameters
    ----------
    plan : ClassPlan

    Returns
    -------
    HTML
        Heading, allergens by name, people, servings, pans and variant, cautions.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> shown = class_shown(st.plan_class("oat_pancakes", people=12, pans=3))
    >>> re.findall("<li>(Eggs.*?)</li>", shown.data)
    ['Eggs: eggs (Egg, whole, raw, fresh)']
    """
    return HTML(
        f"<h1>{html.escape(plan.recipe.title)}: {people_text(plan)}</h1>"
        f"<p><strong>Allergens by name.</strong> {READ_LABELS}</p>{bullets(allergen_lines(plan))}"
        f"<p>For: {html.escape(plan.audience.title)}. {html.escape(size_text(plan))}. "
        f"Variant: {html.escape(plan.label)}.</p>"
        f"<h2>Cautions</h2>{bullets(caution_lines(plan))}<p>{ESTIMATE}</p>"
    )


def class_amounts_shown(plan: ClassPlan) -> HTML:
    """Show the amounts for a pan and the class, with what does not go on in proportion.

    Parameters
    ----------
    plan : ClassPlan

    Returns
    -------
    HTML
        Table: ingredient, its options and food, in one pan, what to begin with, for the class [kitchen measure and g],
        how it is weighed. Below it the notes on scaling, each with its source.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> shown = class_amounts_shown(st.plan_class("oat_pancakes", people=12, pans=3))
    >>> re.findall("[0-9] cups .[0-9]+ g.", shown.data)[:2]  # oats in one pan, and for the class
    ['2 cups (162 g)', '6 cups (486 g)']
    """
    table = plan.ingredients
    read = pd.DataFrame(
        {
            "Ingredient": table["ingredient"],
            "With": table["options"],
            "Food": table["description"],
            "In one pan": table["in_one_pan"],
            "Begin with": table["begin_with"],
            "For the class": table["for_the_class"],
            "Weighed": table["weighed"],
        }
    ).set_index("Ingredient")
    notes = [f"{row.ingredients}: {row.text} ({row.source})" for row in plan.scaling.itertuples()]
    notes = notes or ["Each pan holds the recipe's own size."]
    shown = table_shown(read, f"Amounts: {size_text(plan)}")
    return HTML(f"{shown.data}<p>{IN_PROPORTION}</p>{bullets(notes)}")


def shopping_shown(plan: ClassPlan) -> HTML:
    """Show what to buy, by aisle.

    Parameters
    ----------
    plan : ClassPlan

    Returns
    -------
    HTML
        Table: aisle, what to buy, food, for which ingredient, needed [g] and how weighed, whether to look in the
        cupboard first, and with prices the cost [currency in the head]; a price that is missing is not known, never 0.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> shown = shopping_shown(st.plan_class("oat_pancakes", people=12))
    >>> re.findall("<td>(.*?)</td>", shown.data)[:3]
    ['1 dozen large', 'Egg, whole, raw, fresh', 'eggs']
    """
    table = plan.shopping
    read = pd.DataFrame(
        {
            "Aisle": table["aisle"],
            "Buy": table["to_buy"],
            "Food": table["description"],
            "For": table["for"],
            "Needed [g]": table["needed_g"],
            "Weighed": table["needed_is"],
            "In the cupboard?": table["look_in_the_cupboard_first"].map({True: "look first", False: ""}),
        }
    )
    if table["currency"].any():
        read[f"Cost [{table['currency'].iloc[0]}]"] = [
            "not known" if np.isnan(cost) else f"{cost:.2f}" for cost in table["cost_of_what_is_bought"]
        ]
    shown = table_shown(read.set_index("Aisle"), "Shopping list, refuse included, rounded up to packages and pieces")
    return HTML(f"{shown.data}<p>{html.escape(cost_text(plan))}</p>")


def prep_shown(plan: ClassPlan) -> HTML:
    """Show what to get ready at each station.

    Parameters
    ----------
    plan : ClassPlan

    Returns
    -------
    HTML
        Table: station, ingredient, options, for the class, in one pan [kitchen measure and g], what to do, and what the
        method says of it.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> shown = prep_shown(st.plan_class("oat_pancakes", people=12))
    >>> list(dict.fromkeys(re.findall("<th>([a-z].*?)</th>", shown.data)))
    ['measuring', 'cold foods', 'raw meat, fish and eggs', 'vegetables and fruit']
    """
    table = plan.prep
    read = pd.DataFrame(
        {
            "Station": table["station"],
            "Ingredient": table["ingredient"],
            "With": table["options"],
            "For the class": table["for_the_class"],
            "In one pan": table["in_one_pan"],
            "To do": table["tasks"],
            "In the method": table["in_the_method"],
        }
    )
    return table_shown(read.set_index("Station"), "Prep list by station")


def timeline_shown(plan: ClassPlan) -> HTML:
    """Show the steps with their times and safe temperatures, then how to hold, cool and keep the dish.

    Parameters
    ----------
    plan : ClassPlan

    Returns
    -------
    HTML
        Table: step, what, whether it applies to the variant, time told, begins after at least [min], begins at the
        latest, safe temperature [°C].

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> shown = timeline_shown(st.plan_class("oat_pancakes", people=12, serve_at="18:30"))
    >>> re.findall("<td>([0-9]+:[0-9]+)</td>", shown.data)[0]  # when to grind the oats, at the latest
    '18:20'
    """
    table = plan.timeline
    waits = [f"{low:g} to {high:g} h before" if low else "" for low, high in before_class(table)]
    read = pd.DataFrame(
        {
            "Step": [f"{step:.0f}" if pd.notna(step) else "afterwards" for step in table["step"]],
            "What": table["text"],
            "Applies": table["applies"],
            "Time told": [", ".join(filter(None, parts)) for parts in zip(table["time_told"], waits, strict=True)],
            "Begins after at least [min]": [
                f"{start:.0f}" if pd.notna(start) else "" for start in table["starts_after_at_least_min"]
            ],
            "Begins at the latest": table["latest_start"],
            "Safe temperature": table["safe_temperature"],
        }
    ).set_index("Step")
    return table_shown(read, f"{told_text(plan)}. The local food-safety code comes first")


@mpl.rc_context(STYLE)
def plot_timeline(plan: ClassPlan) -> Chart:
    """Draw the steps over the minutes that the method gives.

    Answers: when does what begin, and which steps have no time?

    Parameters
    ----------
    plan : ClassPlan

    Returns
    -------
    Chart
        x: at least so many minutes after the cooking begins [min]; y: steps of the method.

    Examples
    --------
    >>> import swaptable as st
    >>> plot_timeline(st.plan_class("oat_pancakes", people=12)).title
    'The method gives 10 minutes; 2 of 3 steps have no time, so plan for more'
    """
    steps = plan.timeline[(plan.timeline["kind"] == "step") & (plan.timeline["applies"] != "no")]
    figure, (axes,) = new_figure(1.9 + 0.62 * max(len(steps), 1))
    words = []
    for place, row in enumerate(steps.itertuples()):
        start, least = row.starts_after_at_least_min, row.least_min
        label = f"{row.time_told}" if row.time_told else "no time told"
        if np.isnan(least):
            axes.plot([start], [place], marker="D", ms=9, color="white", mec=GREY, mew=1.5)
        else:
            axes.barh(place, least, left=start, height=0.6, color=BLUE, edgecolor="black", linewidth=0.6)
            if row.most_min > least:
                axes.barh(
                    place, row.most_min - least, left=start + least, height=0.6, color="white", edgecolor="black",
                    linewidth=0.6, hatch="//",
                )  # fmt: skip
        end = start + np.nan_to_num(row.most_min)
        axes.annotate(
            label, (end, place), xytext=(9, 0), textcoords="offset points", va="center", fontsize=10, color="black"
        )
        words.append(f"step {row.step:.0f} begins after {start:.0f} minutes, {label}")
    names = [wrapped(f"{row.step:.0f}. {_short(row.text)}", 46) for row in steps.itertuples()]
    axes.set_yticks(range(len(steps)), names, fontsize=10)
    axes.margins(x=0.25)
    axes.set_ylim(len(steps) - 0.4, -0.6)
    axes.set_xlim(left=0)
    axes.set_xlabel("Earliest start [min after cooking begins]")
    note = "Bars: times that the method gives; hatched: up to; diamond: no time told, so all that follows comes later."
    alt = f"Bars of the steps over time. {'; '.join(words).capitalize()}." if words else "No steps."
    return finished(figure, "Source: the recipe's method.", "timeline", (told_text(plan), alt), note)


def _short(text: str, most: int = 170) -> str:  # four lines are as high as a row
    return text if len(text) <= most else text[:most].rsplit(" ", 1)[0].rstrip(",;.") + "\u00a0…"


def save_class(plan: ClassPlan, output: str) -> list[str]:
    """Write every table as CSV, and the summary, into a run's folder.

    Parameters
    ----------
    plan : ClassPlan
    output : str
        Folder of the run; empty writes nothing.

    Returns
    -------
    list of str
        Names of the files written. Numbers are not rounded; an empty cell is a missing value.

    Examples
    --------
    >>> import tempfile
    >>> import swaptable as st
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     save_class(st.plan_class("oat_pancakes", people=12), folder)[:4]
    ['allergens.csv', 'cautions.csv', 'class_ingredients.csv', 'prep.csv']
    """
    summary = {
        "title": f"{plan.recipe.title} for {people_text(plan)}",
        "headline": f"{size_text(plan)}. {told_text(plan)}.",
        "audience": plan.audience.title,
        "chart": "timeline",
    }
    return write_tables(plan.tables(), summary, output)
