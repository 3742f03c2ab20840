"""Cautions, allergens and food safety of a recipe on a page."""

from __future__ import annotations

import html

import pandas as pd
from IPython.display import HTML

from swaptable.judging.advice import Advice
from swaptable.reporting.reports import ESTIMATE, bullets, from_memory, listed_markup, table_shown

__all__ = ["cautions_shown"]


def cautions_shown(advice: Advice) -> HTML:
    """Show every caution: the audience's own, those that foods and amounts call for, allergens and food safety.

    Parameters
    ----------
    advice : Advice

    Returns
    -------
    HTML
        Lists of cautions, each with whom to ask and its source; tables of allergens by ingredient, of what swaps add or
        remove, and of safe temperatures and times.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> shown = cautions_shown(st.advise(st.study_recipe("oat_pancakes", "blood_pressure")))
    >>> re.findall("<h3>(.*?)</h3>", shown.data)[1:3]
    ['For the concerns of this class', 'If anyone else in the class asks']
    """
    study = advice.study
    sections = [f"<h3>For this class</h3>{bullets((*study.audience.cautions, ESTIMATE))}"]
    table = advice.cautions
    for named, heading in ((True, "For the concerns of this class"), (False, "If anyone else in the class asks")):
        rows = table[table["named"] == named]
        items = [
            f"<strong>{html.escape(str(row.concern))}</strong>: {html.escape(row.message)} "
            f"<em>{'' if row.why in row.message else f'Why here: {html.escape(row.why)}. '}"
            f"Ask: {html.escape(row.defer_to)}. {html.escape(row.source)}{from_memory(row.checked)}.</em>"
            for row in rows.itertuples()
        ]
        sections += [f"<h3>{heading}</h3>{listed_markup(items)}"] if items else []
    sections.append(f"<h3>Allergens</h3>{_allergens(advice)}")
    sections.append(f"<h3>Heat, cool and keep</h3>{_safety(advice)}")
    return HTML("".join(sections))


def _allergens(advice: Advice) -> str:
    table = advice.allergens
    read = pd.DataFrame(
        {
            "Ingredient": table["ingredient"],
            "With": table["options"],
            "Food": table["food"],
            "Its name tells of": table["allergens"].replace("", "none named"),
        }
    ).assign(**{"Read the label": table["read_the_label"]})
    caption = (
        "A screen of names for the allergens on the US and Canadian lists. Read every label, also for “may contain”: "
        "nothing named does not mean that nothing is there, and celery, buckwheat, lupin and others are not looked for"
    )
    first = table_shown(read.set_index("Ingredient"), caption)
    changes = advice.allergen_changes
    changes = changes[(changes["adds"] != "") | (changes["removes"] != "")]
    if changes.empty:
        return f"{first.data}<p>No swap changes which allergens the names tell of; its label may.</p>"
    read = pd.DataFrame(
        {
            "Swap": changes["choice"] + ": " + changes["option"],
            "Adds": changes["adds"],
            "No longer named (the dish may still hold it)": changes["removes"],
            "Read the label of": changes["read_the_label"],
        }
    ).set_index("Swap")
    return f"{first.data}{table_shown(read, 'What the names of a swap tell of').data}"


def _safety(advice: Advice) -> str:
    table = advice.safety
    read = pd.DataFrame(
        {
            "For": table["food"],
            "Rule": table["rule"],
            "Here": table["here"],
            "Elsewhere, where it differs": table["elsewhere"],
            "In this recipe": table["ingredients"],
            "Source": table["source"] + table["checked"].map(from_memory),
        }
    ).set_index("For")
    return str(table_shown(read, "Local food-safety codes and licensed practice come first").data)
