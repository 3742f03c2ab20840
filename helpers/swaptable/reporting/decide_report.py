"""A decision on a page: which variant, why, how sure, and on what it hangs."""

from __future__ import annotations

import html

import numpy as np
import pandas as pd
from IPython.display import HTML

from swaptable.deciding.contrasts import Explained
from swaptable.deciding.decide import Decision
from swaptable.deciding.sensitivity import Doubts
from swaptable.judging.findings import amount_text
from swaptable.reporting.decide_charts import MOST_ROWS, percent_text
from swaptable.reporting.decide_findings import (
    decision_headline,
)
from swaptable.reporting.reports import ESTIMATE, bullets, table_shown, write_tables

__all__ = [
    "decision_shown",
    "ranking_shown",
    "save_decision",
    "wants_shown",
]


def decision_shown(decision: Decision) -> HTML:
    """Show the decision in a sentence, for whom it is, and what a teacher must not leave out.

    Parameters
    ----------
    decision : Decision

    Returns
    -------
    HTML
        Heading, the decision, what was wanted, the cautions of the audience.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> decision = st.decide_recipe("barley_pot", "blood_pressure", ["sodium <= 300 mg"], draws=100)
    >>> re.search("<strong>(.*?) that", decision_shown(decision).data)[1]
    'Sweet potato + water + no salt has the highest nutrient density of the 5 of 18 variants'
    """
    wanted = "; ".join(want.words for want in decision.wants) or "nothing"
    audience = decision.audience
    return HTML(
        f"<h1>{html.escape(decision.amounts.recipe.title)}: which variant?</h1>"
        f"<p><strong>{html.escape(decision_headline(decision))}</strong></p>"
        f"<p>For: {html.escape(audience.title)}. Wanted: {html.escape(wanted)}. Best in: "
        f"{html.escape(decision.objective.label)}, {'more' if decision.objective.more else 'less'} is better. "
        f"{html.escape(ESTIMATE)}</p>" + bullets(audience.cautions)
    )


def ranking_shown(decision: Decision) -> HTML:
    """Show the first variants in their order, with what was wanted, how sure the order is, and the cautions to read.

    Parameters
    ----------
    decision : Decision

    Returns
    -------
    HTML
        Table of variants: wants, every measure [unit and basis in the head], 90 % interval of the objective, how
        probably it is the best and keeps all wants [%], whether it is on the frontier, concerns of the class.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> decision = st.decide_recipe("barley_pot", "blood_pressure", ["sodium <= 300 mg"], draws=100)
    >>> re.findall("<th>([a-z].*?)</th>", ranking_shown(decision).data)[:2]
    ['sweet potato + water + no salt', 'water + no salt']
    """
    table = decision.ranking.head(MOST_ROWS)
    shown = pd.DataFrame(index=pd.Index(table["variant"]))
    shown["Wanted"] = table["wants"].to_numpy()
    for one in decision.measured:
        shown[one.label] = table[one.column].to_numpy()
        if one == decision.objective:
            ends = zip(table["low_90"], table["high_90"], strict=True)
            shown["90 % interval"] = [f"{amount_text(low)} to {amount_text(high)}" for low, high in ends]
    shown["Probability of being best"] = [
        "not asked" if np.isnan(p) else percent_text(100 * p) for p in table["probability_best"]
    ]
    if decision.wants:
        kept = table["probability_all_wants"]
        shown["Probability of keeping all wants"] = [
            "not known" if np.isnan(p) else percent_text(100 * p) for p in kept
        ]
    shown["On the frontier"] = table["frontier"].to_numpy()
    if table["concerns_of_class"].any():
        shown["Read the caution on"] = table["concerns_of_class"].to_numpy()
    frontier = " and ".join(one.name.lower() for one in decision.trade_offs)
    left = "" if len(table) == len(decision.ranking) else f"; the first {len(table)} of {len(decision.ranking)}"
    caption = f"Variants, the best first{left}. Interval: of {decision.objective.label}. Frontier: of {frontier}. "
    caption += "Which is best is asked among those that stand as the first does with what is wanted"
    return table_shown(shown, caption)


def wants_shown(decision: Decision) -> HTML:
    """Show every want: how many variants meet it, which comes nearest, and whether it binds.

    Parameters
    ----------
    decision : Decision

    Returns
    -------
    HTML
        Table of wants: by how many variants it is met, not met or cannot be told [-]; the nearest variant and its
        amount [unit in the cell]; what could be chosen without it.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> decision = st.decide_recipe("barley_pot", "blood_pressure", ["sodium <= 300 mg"], draws=100)
    >>> re.findall("<t[hd]>(.*?)</t[hd]>", wants_shown(decision).data)[9:13]
    ['sodium at most 300 mg per serving', '5', '1', '12']
    """
    table = decision.binding
    if table.empty:
        return HTML("<p>Nothing was wanted: every variant may be chosen.</p>")
    read = pd.DataFrame(
        {
            "Met by": table["met"],
            "Cannot tell": table["cannot_tell"],
            "Not met by": table["not_met"],
            "Nearest": table["nearest_variant"],
            "It has": [
                f"{amount_text(value)} {unit}"
                for value, unit in zip(table["nearest_amount"], table["unit"], strict=True)
            ],
            "Meet all the others": table["met_without_it"],
            "Best without it": table["best_without_it"].replace("", "none"),
            "Binds": table["binds"].map({True: "yes", False: "no"}),
        }
    ).set_index(pd.Index([want.words for want in decision.wants]))
    return table_shown(
        read,
        "What was wanted, and what stands in the way. A want binds if without it a better variant would be best or, "
        "where none meets all, if some would meet all the others",
    )


def save_decision(decision: Decision, explained: Explained, doubts: Doubts, output: str) -> list[str]:
    """Write every table of a decision, and the summary that the index of reports reads.

    Parameters
    ----------
    decision : Decision
    explained : Explained
    doubts : Doubts
    output : str
        Folder of the run; empty writes nothing.

    Returns
    -------
    list of str
        Names of the files written.

    Examples
    --------
    >>> import tempfile
    >>> import swaptable as st
    >>> decision = st.decide_recipe("barley_pot", "blood_pressure", ["sodium <= 300 mg"], draws=100)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     save_decision(decision, st.explain(decision), st.find_doubts(decision), folder)[4:]
    ['ranking.csv', 'swap_shares.csv', 'verdicts.csv', 'wants.csv', 'wrongs.csv']
    """
    tables = {
        "ranking": decision.ranking,
        "wants": decision.binding,
        "verdicts": decision.verdicts,
        "effects": explained.effects,
        "interactions": explained.interactions,
        "swap_shares": explained.swaps,
        "ingredient_shares": explained.ingredients,
        "wrongs": doubts.wrongs,
        "bases": doubts.bases,
    }
    summary = {
        "title": f"{decision.amounts.recipe.title}: which variant?",
        "headline": decision_headline(decision),
        "audience": decision.audience.title,
        "chart": "best",
    }
    return write_tables(tables, summary, output)
