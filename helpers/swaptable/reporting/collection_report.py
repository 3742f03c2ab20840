"""A collection on a page: one chart and the tables that go with it."""

from __future__ import annotations

import html

import matplotlib as mpl
import numpy as np
import pandas as pd
from IPython.display import HTML

from swaptable.basics.folders import DATA
from swaptable.basics.located_yaml import read_yaml
from swaptable.foods.reference import component_label
from swaptable.judging.collection import Programme
from swaptable.judging.daily_values import REGIMES
from swaptable.judging.day import NO_DRINKS
from swaptable.judging.findings import aims_met, amount_text, plain_name
from swaptable.judging.targets import LIMITS, RECOMMENDED, TOTAL
from swaptable.judging.verdicts import Verdict
from swaptable.reporting.figures import STYLE, Chart, draw_cells, finished, new_figure, wrapped
from swaptable.reporting.reports import ESTIMATE, bullets, table_shown, write_tables
from swaptable.reporting.targets_report import TRIVIAL, and_others, in_order, mark

__all__ = [
    "aims_shown",
    "claims_met_shown",
    "days_shown",
    "links_shown",
    "plot_programme",
    "programme_shown",
    "save_programme",
]

TITLE = "The programme at a glance"


def programme_finding(programme: Programme) -> tuple[str, str]:
    """State for whom which recipe does most: title and text for a screen reader."""
    scores = programme.scores[programme.scores["aims"] > 0]
    if scores.empty:
        return "Nothing is judged for these audiences: the care team sets every limit", "A table without verdicts."
    written, best = (scores[scores["which"] == which].reset_index(drop=True) for which in ("as written", "best"))
    share = written["raised_met"] / written["raised"].where(written["raised"] > 0)
    title = "As written, no recipe surely meets an aim to raise"
    if share.max() > 0:  # no sum over audiences: their groups overlap
        first = written.loc[share.idxmax()]
        title = (
            f"As written, {programme.recipes[first['recipe']]} meets most of what is to be raised: "
            f"{first['raised_met']} of {first['raised']} aims ({programme.audiences[first['audience']]})"
        )
    better = int((best["met"] > written["met"]).sum())
    title += (
        f"; another variant meets more aims for {better} of {len(best)} pairs of recipe and audience" if better else ""
    )
    parts = [
        f"{programme.recipes[row['recipe']]} for {programme.audiences[row['audience']]}, {row['which']}, met: "
        f"{aims_met(row)}"
        for row in scores.to_dict("records")
    ]
    return title, f"Table of recipes by audiences. {'; '.join(parts)}."


@mpl.rc_context(STYLE)
def plot_programme(programme: Programme) -> Chart:
    """Draw how many aims every recipe meets for every audience, as written and in its best variant.

    Answers: which recipe for which class, and is it worth changing?

    Parameters
    ----------
    programme : Programme

    Returns
    -------
    Chart
        Table in shades, audiences × recipes: how many of the aims one serving surely meets [-].

    Examples
    --------
    >>> import swaptable as st
    >>> plot_programme(st.judge_programme(["oat_pancakes"], ["blood_pressure"], ["barley_pot_day"])).title
    'As written, no recipe surely meets an aim to raise'
    """
    recipes, audiences = list(programme.recipes), list(programme.audiences)
    scores = programme.scores.set_index(["recipe", "audience", "which"])
    figure, (axes,) = new_figure(2.6 + 0.75 * len(audiences))
    shades = np.full((len(audiences), len(recipes)), np.nan)
    texts = np.full(shades.shape, "shown, not judged", dtype=object)
    for row, audience in enumerate(audiences):
        for column, recipe in enumerate(recipes):
            written, best = (scores.loc[(recipe, audience, which)] for which in ("as written", "best"))
            if written["aims"]:
                shades[row, column] = 0.77 * written["raised_met"] / max(written["raised"], 1)
                texts[row, column] = aims_met(written).replace(" · ", "\n")
                if best["met"] > written["met"]:
                    held = [best[f"{role}_met"] for role in ("raised", "kept_down") if best[role]]
                    texts[row, column] += f"\nbest variant: {' and '.join(map(str, held))}"
    labels = [wrapped(programme.audiences[name], 30) for name in audiences]
    draw_cells(axes, texts, shades, labels, [wrapped(programme.recipes[name], 16) for name in recipes])
    note = (
        "Aims surely met by one serving: what each group of an audience is to get more of or keep down, against its "
        f"share of the day. {TRIVIAL} Darker: more of what is to be raised is met as written."
    )
    return finished(figure, programme.source_line, "programme", programme_finding(programme), note)


def programme_shown(programme: Programme) -> HTML:
    """Show what is judged, and the main result.

    Parameters
    ----------
    programme : Programme

    Returns
    -------
    HTML
        Heading and sentences.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> programme = st.judge_programme(["oat_pancakes"], ["blood_pressure"], ["barley_pot_day"])
    >>> re.search("<strong>(.*?)</strong>", programme_shown(programme).data)[1]
    'As written, no recipe surely meets an aim to raise.'
    """
    return HTML(
        f"<h1>{TITLE}</h1><p><strong>{html.escape(programme_finding(programme)[0])}.</strong></p>"
        f"<p>{len(programme.recipes)} recipes, {len(programme.audiences)} audiences, {REGIMES[programme.regime]}. "
        f"{html.escape(ESTIMATE)}</p>"
    )


def aims_shown(programme: Programme) -> HTML:
    """Show percent of the day and verdict of every aim, recipe by recipe as written, one table an audience.

    Parameters
    ----------
    programme : Programme

    Returns
    -------
    HTML
        Tables, aims × recipes: amount of a serving [unit in the cell], percent of the day [%] and the sign of the
        verdict; last the variant that meets most aims. Below each, the cautions of the audience.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> programme = st.judge_programme(["oat_pancakes"], ["blood_pressure"], ["barley_pot_day"])
    >>> re.findall("<th>(Calcium.*?)</th>", aims_shown(programme).data)[1]
    'Calcium, at least 400 mg (women 51 to 70)'
    """
    tables = []
    for audience, title in programme.audiences.items():
        rows = programme.targets[
            (programme.targets["audience"] == audience) & (programme.targets["which"] == "as written")
        ]
        rows = rows.sort_values("component", key=lambda tags: tags.map(in_order(tags)), kind="stable")
        # groups that are asked the same share a row
        same = ["component", "role", "serving_aim", "unit", "recipe"]
        cells: dict[str, dict[str, str]] = {}
        for (component, role, aim, unit, recipe), found in rows.groupby(same, sort=False, dropna=False):
            row = found.iloc[0]
            held = f"{'' if row['whole'] else 'at least '}{amount_text(row['amount'], unit)}"
            judged = pd.notna(row["verdict"])
            name = f"{component_label(component)}"
            if judged:
                name += f", {'at least' if role == 'raise' else 'at most'} {amount_text(aim, unit)}"
                name += f" ({', '.join(found['group'])})" if found["group"].nunique() < rows["group"].nunique() else ""
            text = f"{held}, {row['percent_of_day']:.0f} % {mark(row['verdict'])}" if judged else held
            cells.setdefault(programme.recipes[recipe], {})[name] = text
        best = programme.scores[(programme.scores["audience"] == audience) & (programme.scores["which"] == "best")]
        for scored in best[best["aims"] > 0].itertuples():
            cells[programme.recipes[scored.recipe]]["Most aims met by"] = (
                f"{scored.variant}{and_others(scored.others_alike)}: {aims_met(scored._asdict())}"
            )
        table = pd.DataFrame(cells)
        tables.append(str(table_shown(table, f"{title}: a serving as written, and percent of the day").data))
        tables.append(bullets(programme.cautions[audience]))
    legend = (
        f"✓ met, ✗ not met, ? cannot tell: the 90 % interval holds the aim, or values are missing. {TRIVIAL} Which "
        "variant meets most aims, and of those the one with least sodium, is found by these verdicts alone: read the "
        "cautions in the recipe's own report first."
    )
    return HTML("".join(tables) + f"<p>{legend}</p>")


def claims_met_shown(programme: Programme) -> HTML:
    """Show which claims each recipe may carry in some variant, and which front-of-package symbols it needs.

    Parameters
    ----------
    programme : Programme

    Returns
    -------
    HTML
        Table: recipe, claim, verdict as written, by how many variants it is surely met. A sentence on the symbols.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> programme = st.judge_programme(["oat_pancakes"], ["blood_pressure"], ["barley_pot_day"])
    >>> re.findall("<td>(.*?)</td>", claims_met_shown(programme).data)[:3]
    ['low sodium', 'not met', '6 of 12']
    """
    claims = programme.claims.assign(recipe=programme.claims["recipe"].map(programme.recipes))
    read = pd.DataFrame(
        {
            "Recipe": claims["recipe"],
            "Claim": claims["title"],
            "As written": claims["as_written"],
            "Met by": claims["variants_met"].astype(str) + " of " + claims["variants"].astype(str),
        }
    ).set_index("Recipe")
    needed = programme.symbols[programme.symbols["verdict"] != Verdict.NOT_MET]
    symbols = [
        f"{programme.recipes[row.recipe]}: {plain_name(row.component)} "
        f"({'needed' if row.verdict == Verdict.MET else 'cannot tell'})"
        for row in needed.itertuples()
    ]
    screen = "; ".join(symbols) or "none as written"
    table = table_shown(read, f"Claims that some variant surely meets, {REGIMES[programme.regime]}; an informal screen")
    return HTML(f"{table.data}<p>Canadian front-of-package symbol, as written: {html.escape(screen)}.</p>")


def links_shown(programme: Programme) -> HTML:
    """Link to the report of each recipe and audience that ``data/runs.yaml`` makes, beside this one.

    Parameters
    ----------
    programme : Programme

    Returns
    -------
    HTML
        Table, audiences × recipes: a link, or that there is no report of its own.

    Raises
    ------
    InputError
        If the runs file is not there or is no YAML, with the place in it.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> programme = st.judge_programme(["oat_pancakes"], ["blood_pressure"], ["barley_pot_day"])
    >>> re.findall('href="(.*?)"', links_shown(programme).data)
    ['../oat_pancakes_blood_pressure/index.html']
    """
    found, _ = read_yaml(DATA / "runs.yaml")
    links: dict[tuple[str, str], str] = {}
    for name, run in found.items() if isinstance(found, dict) else ():
        asked = run.get("parameters") if isinstance(run, dict) else None
        if isinstance(asked, dict) and run.get("notebook") == "compare_variants":
            links[str(asked.get("recipe")), str(asked.get("audience"))] = str(name)
    rows = []
    for audience, title in programme.audiences.items():
        cells = []
        for recipe in programme.recipes:
            name = links.get((recipe, audience))
            link = f'<a href="../{html.escape(name)}/index.html">report</a>' if name else "no report of its own"
            cells.append(f"<td>{link}</td>")
        rows.append(f"<tr><th>{html.escape(title)}</th>{''.join(cells)}</tr>")
    head = "".join(f"<th>{html.escape(title)}</th>" for title in programme.recipes.values())
    caption = "Each report for itself, where the runs file makes one"
    return HTML(f"<table><caption>{caption}</caption><tr><th></th>{head}</tr>{''.join(rows)}</table>")


def days_shown(programme: Programme) -> HTML:
    """Show what each planned day adds up to against what its person should get, and must not pass.

    Parameters
    ----------
    programme : Programme

    Returns
    -------
    HTML
        A table for each day: component; amount in the day, at least and at most [unit in the cell], with the verdicts.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> programme = st.judge_programme(["oat_pancakes"], ["blood_pressure"], ["barley_pot_day"])
    >>> re.search("<caption>(.*?):", days_shown(programme).data)[1]
    'A day with the barley pot, for one of the women 51 to 70'
    """
    tables = []
    for (_, title, group), rows in programme.days.groupby(["day", "title", "group"], sort=False):
        energy = rows[rows["component"] == "ENERC_KCAL"].iloc[0]
        total = {"In the day": amount_text(energy["amount"], energy["unit"]), "At least": energy["why"], "At most": ""}
        cells: dict[str, dict[str, str]] = {component_label("ENERC_KCAL"): total}
        for row in rows[rows["kind"].isin([*RECOMMENDED, *LIMITS])].itertuples():
            said = f"{row.kind} {amount_text(row.day_value, row.unit)}: {row.word}"
            said += f", {row.why}" if row.why == NO_DRINKS else ""
            if row.applies_to != TOTAL:
                said += f" (of {row.applies_to}; {row.counted} bring {amount_text(row.amount, row.unit)})"
            cell = cells.setdefault(component_label(row.component), {"In the day": "", "At least": "", "At most": ""})
            if row.applies_to == TOTAL:
                cell["In the day"] = amount_text(row.amount, row.unit)
            column = "At least" if row.operator == ">=" else "At most"
            cell[column] = "; ".join(filter(None, (cell[column], said)))
        caption = (
            f"{title}, for one of the {group}: against the dietary reference intakes. One day is not usual intake; "
            "reference intakes are for intake over time. An estimate, not a diet order"
        )
        tables.append(str(table_shown(pd.DataFrame.from_dict(cells, orient="index"), caption).data))
    note = "Supplements are those that the plan states; what to take is for the care team to say."
    return HTML("".join(tables) + f"<p>{note}</p>")


def save_programme(programme: Programme, output: str) -> list[str]:
    """Write every table as CSV, and the summary, into a run's folder.

    Parameters
    ----------
    programme : Programme
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
    >>> programme = st.judge_programme(["oat_pancakes"], ["blood_pressure"], ["barley_pot_day"])
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     save_programme(programme, folder)
    ['claims.csv', 'days.csv', 'scores.csv', 'symbols.csv', 'targets.csv']
    """
    audience = f"{len(programme.audiences)} audiences"
    summary = {"title": TITLE, "headline": programme_finding(programme)[0], "audience": audience, "chart": "programme"}
    return write_tables(programme.tables(), summary, output)
