"""Advice on a page: verdicts as charts and tables to read, files."""

from __future__ import annotations

import html
from collections.abc import Iterable

import pandas as pd
from IPython.display import HTML

from swaptable.amounts.nutrients import compute
from swaptable.amounts.recipes import read_recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.folders import files_in, find_file, shown
from swaptable.foods.reference import component_label, front_of_pack_rules
from swaptable.judging.advice import Advice
from swaptable.judging.claims import CAVEAT, not_judged
from swaptable.judging.daily_values import POPULATION, REGIMES, percent_text
from swaptable.judging.day import complements
from swaptable.judging.findings import amount_text, headline, plain_name
from swaptable.judging.indices import ACID_LOAD, QUALITY
from swaptable.judging.labels import ESTIMATE as LABEL_ESTIMATE
from swaptable.judging.labels import nutrition_facts_text
from swaptable.judging.verdicts import Verdict
from swaptable.reporting.reports import bullets, from_memory, table_shown, write_tables
from swaptable.reporting.targets_report import joined_once

__all__ = ["body_shown", "claims_shown", "complements_shown", "indices_shown", "nutrition_facts_shown", "save_advice"]


def _verdict_text(row: pd.Series) -> str:
    return f"{row['word']}: {row['why']}" if row["why"] else str(row["word"])


def _needed(row: pd.Series) -> str:
    """Say of a symbol or a disclosure whether it would be needed."""
    return {"met": "needed", "not met": "not needed"}.get(row["word"], _verdict_text(row))


def claims_shown(advice: Advice) -> HTML:
    """Show which claims the variants meet, do not meet or leave open, and the front-of-package screen.

    Parameters
    ----------
    advice : Advice

    Returns
    -------
    HTML
        Table of claims that some variant meets or may meet: verdict and numbers as written, how many variants meet it,
        in how many nobody can tell, source. Table of the symbol's nutrients [% of the daily value]. What is never
        judged.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> shown = claims_shown(st.advise(st.study_recipe("oat_pancakes", "blood_pressure")))
    >>> re.findall("<caption>(.*?)</caption>", shown.data)[0]
    'Nutrient content claims that some variant meets or may meet, United States'
    """
    table = advice.claims
    written = advice.study.variants.index[0]
    rows = []
    for (title, kind), found in table.groupby(["title", "kind"], sort=False):
        verdicts = found["verdict"]
        first = found[found["variant"] == written]
        open_ones = verdicts.isin([Verdict.GAPS, Verdict.MEAN_FAILS, Verdict.MEAN_HOLDS])
        if not (verdicts.eq(Verdict.MET) | verdicts.isin([Verdict.MEAN_HOLDS, Verdict.MEAN_FAILS])).any():
            continue  # what no variant comes near is in the table of files
        says = _needed if kind == "disclosure" else _verdict_text
        rows.append(
            {
                "Claim": title,
                "Kind": kind,
                "As written": says(first.iloc[0]) if len(first) else "",
                "Met by": f"{int((verdicts == Verdict.MET).sum())} of {len(found)}",
                "Cannot tell": f"{int(open_ones.sum())} of {len(found)}",
                "Numbers as written": first["numbers"].iloc[0] if len(first) else "",
                "Source": found["source"].iloc[0] + from_memory(found["checked"].iloc[0]),
            }
        )  # fmt: skip
    claims = pd.DataFrame(
        rows, columns=["Claim", "Kind", "As written", "Met by", "Cannot tell", "Numbers as written", "Source"]
    )
    regime = REGIMES[advice.study.regime]
    first = table_shown(
        claims.set_index("Claim"), f"Nutrient content claims that some variant meets or may meet, {regime}"
    )
    left = not_judged(advice.study.regime, advice.study.amounts.recipe.judged_as)
    items = [
        f"{row.title}: {row.status}; {row.reason} ({row.source}){from_memory(row.checked)}" for row in left.itertuples()
    ]
    beside = f"<p>Never judged here:</p>{bullets(items)}" if items else ""
    return HTML(f"{first.data}{_symbol(advice)}{beside}<p>{html.escape(CAVEAT)}</p>")


def _symbol(advice: Advice) -> str:
    table = advice.front_of_pack
    rows = []
    for component, found in table.groupby("component", sort=False):
        first = found.iloc[0]
        without = found["verdict"].eq(Verdict.NOT_MET)
        rows.append(
            {
                "Nutrient": component_label(component),
                "Amount": amount_text(first["amount"], first["unit"]),
                "In": first["basis"],
                "Of the daily value": f"{percent_text(first['percent'], [first['limit']])} %",
                "Threshold": f"{first['limit']:.0f} % ({first['category']})" if first["category"] else "not known",
                "Symbol as written": _needed(first),
                "Variants without": f"{int(without.sum())} of {len(found)}",
                "Source": first["source"] + from_memory(first["checked"]),
            }
        )
    caption = (
        "Screen for the Canadian front-of-package symbol (Food and Drug Regulations, B.01.350), in the greater of "
        f"serving and reference amount. {_thresholds()}"
    )
    return str(table_shown(pd.DataFrame(rows).set_index("Nutrient"), caption).data)


def _thresholds() -> str:
    """Say for what the symbol's threshold is which."""
    table = front_of_pack_rules()
    rows = table[(table["kind"] == "threshold") & (table["population"] == POPULATION)].drop_duplicates("category")
    said = []
    for row in rows.itertuples():
        least, most = row.reference_amount_at_least, row.reference_amount_at_most
        size = f" from a reference amount of {least:g} g" if least == least else ""
        size += f" up to a reference amount of {most:g} g" if most == most else ""
        said.append(f"{row.percent:.0f} % for what is {row.category}{size}")
    return f"Threshold: {'; '.join(said)}"


def nutrition_facts_shown(advice: Advice) -> HTML:
    """Show the regulated nutrition facts of the recipe as written, as plain text.

    Parameters
    ----------
    advice : Advice

    Returns
    -------
    HTML
        One serving, rounded as the regime of the study rounds; a component without values is not known, never 0.

    Examples
    --------
    >>> import swaptable as st
    >>> shown = nutrition_facts_shown(st.advise(st.study_recipe("oat_pancakes", "blood_pressure")))
    >>> [line.split() for line in shown.data.splitlines() if "Trans fat" in line]
    [['Trans', 'fat', 'not', 'known']]
    """
    text = nutrition_facts_text(advice.nutrition_facts)
    heading = f"{REGIMES[advice.study.regime]}, one serving of {advice.study.title} as written"
    rounded = "Rounded as a label rounds, so it can differ from the chart."
    return HTML(f"<p>{html.escape(heading)}. {rounded} {html.escape(LABEL_ESTIMATE)}</p><pre>{html.escape(text)}</pre>")


def body_shown(advice: Advice) -> HTML:
    """Show what the body may get of calcium, iron, vitamin A and folate, beside the totals.

    Parameters
    ----------
    advice : Advice

    Returns
    -------
    HTML
        Table: a row for each total [mg, µg RAE, µg DFE] and what is estimated of it; as written, range over the
        variants, and in how many of these nothing can be estimated. Below it, the source of each absorption.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> shown = body_shown(st.advise(st.study_recipe("oat_pancakes", "blood_pressure")))
    >>> re.findall("<th>(.*?mg.*?)</th>", shown.data)[:2]
    ['Calcium, total [mg]', '· estimated absorbed, of those foods [mg]']
    """
    calcium, iron, vitamin_a, folate = advice.calcium, advice.iron, advice.vitamin_a, advice.folate
    lines = {
        "Calcium, total [mg]": calcium["calcium_mg"],
        "· in foods whose absorption is published [% of it]": 100 * calcium["share_covered"],
        "· estimated absorbed, of those foods [mg]": calcium["estimated_absorbable_mg"],
        "Iron, total [mg]": iron["iron_mg"],
        "· estimated haem iron, of meat and fish [mg]": iron["estimated_haem_iron_mg"],
        "· meat, fish and poultry, which help its absorption [g]": iron["meat_fish_poultry_g"],
        "· vitamin C, which helps its absorption [mg]": iron["vitamin_c_mg"],
        "Vitamin A, total [µg RAE]": vitamin_a["total_ug_rae"],
        "· preformed, to which the upper level applies [µg]": vitamin_a["retinol_ug_rae"],
        "Folate, total [µg DFE]": folate["total_ug_dfe"],
        "· folate of foods [µg DFE]": folate["food_folate_ug_dfe"],
        "· added folic acid [µg DFE]": folate["folic_acid_ug_dfe"],
    }
    table = pd.DataFrame(
        [
            {
                "In a serving": name,
                "As written": amount_text(values.iloc[0]),
                "Over the variants": _range_text(values),
                "Variants without an estimate": int(values.isna().sum()),
            }
            for name, values in lines.items()
        ]
    ).set_index("In a serving")
    caption = "What the body may get: estimates beside the totals, never instead of them. Phytate is not in the table"
    used = advice.calcium_sources.dropna(subset="percent")
    items = [
        f"{row.ingredient}: {amount_text(row.percent)} % of its calcium, as {row.item} ({row.kind}; {row.source})"
        f"{from_memory(row.checked)}"
        for row in used.itertuples()
    ]
    sources = f"<p>Published absorption of calcium, as written:</p>{bullets(items)}" if items else ""
    return HTML(f"{table_shown(table, caption).data}{sources}")


def _range_text(values: pd.Series) -> str:
    known = values.dropna()
    if known.empty:
        return "not known"
    low, high = amount_text(known.min()), amount_text(known.max())
    return low if low == high else f"{low} to {high}"


def indices_shown(advice: Advice) -> HTML:
    """Show every index of the recipe as written, with what it is read against and its range over the variants.

    Parameters
    ----------
    advice : Advice

    Returns
    -------
    HTML
        Table: a row for each index with its unit; as written, 90 % interval, over the variants, what it is read
        against, source of its definition.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> shown = indices_shown(st.advise(st.study_recipe("oat_pancakes", "blood_pressure")))
    >>> re.findall("<th>(nutrient-rich.*?)</th>", shown.data)[0]
    'nutrient-rich foods index 9.3, published 2009 [points per 100 kcal]'
    """
    table = advice.indices
    rows = []
    for (index, unit), found in table.groupby(["index", "unit"], sort=False):
        first = found.iloc[0]
        rows.append(
            {
                "Index": f"{index} [{unit}]",
                "As written": amount_text(first["value"]),
                "90 % interval": f"{amount_text(first['low_90'])} to {amount_text(first['high_90'])}",
                "Over the variants": _range_text(found["value"]),
                "Read against": _read_against(first),
                "Source": first["source"],
            }
        )
    groups = advice.study.audience.groups
    caption = "Indices of nutritional quality, definitions as cited"
    if len(groups) > 1 and table["index"].str.startswith(QUALITY).any():
        caption += f". Allowances of {groups[0]} only"
    return table_shown(pd.DataFrame(rows).set_index("Index"), caption)


def _read_against(row: pd.Series) -> str:
    if row["index"] == ACID_LOAD:
        return "negative: base-forming"
    return amount_text(row["reference_value"]) if pd.notna(row["reference_value"]) else ""


def complements_shown(advice: Advice, recipes: Iterable[str] = ()) -> HTML:
    """Show which other recipe would add most to what a serving as written leaves open.

    Parameters
    ----------
    advice : Advice
    recipes : iterable of str, optional
        Files or names; all others of ``data/recipes/`` by default.

    Returns
    -------
    HTML
        Table: other recipes with their sodium × groups of the audience; how much of what is left of the day a serving
        covers [%], mean of the aims, and of which it covers most.

    Raises
    ------
    InputError
        If a recipe cannot be used, with the place in its file.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> advice = st.advise(st.study_recipe("oat_pancakes", "blood_pressure"))
    >>> shown = complements_shown(advice, ["white_bean_bowl"])
    >>> re.findall("([a-z]+) most", shown.data)  # by group: men 31 to 50, men 51 to 70, women alike
    ['calcium', 'calcium', 'fibre', 'fibre']
    """
    study = advice.study
    grid = study.amounts.grid
    paths = {name: find_file(name, "recipes", ".yaml") for name in list(recipes) or files_in("recipes")}
    others = {
        name: compute(build_grid(read_recipe(path), grid.release, grid.factors))
        for name, path in paths.items()
        if shown(path) != study.amounts.recipe.source.file
    }
    table = complements(study.amounts, others, study.day_targets)
    if table.empty:
        return HTML("<p>Nothing is judged for this audience, so nothing can be complemented.</p>")
    sodium = {
        name: amount_text(float(other.per("serving").sel(other.grid.as_written).sel(component="NA")), "mg")
        for name, other in others.items()
    }
    cells: dict[str, dict[str, str]] = {}
    for row in table.itertuples():
        text = "closes no gap"
        if row.covers_percent > 0:
            text = f"closes {row.covers_percent:.0f} % of the gap (mean of the aims), {plain_name(row.best_for)} most"
        over = joined_once(map(plain_name, filter(None, row.passes.split(", "))))
        text += f"; both together pass the day's {over}" if over else ""
        cells.setdefault(f"{row.title} ({sodium[row.recipe]} sodium)", {})[row.group] = text
    read = pd.DataFrame.from_dict(cells, orient="index")
    return table_shown(read, "What a serving of another recipe would add to the same day, both as written")


def save_advice(advice: Advice, output: str) -> list[str]:
    """Write every table of a study and of its advice as CSV, and the summary, into a run's folder.

    Parameters
    ----------
    advice : Advice
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
    >>> advice = st.advise(st.study_recipe("oat_pancakes", "blood_pressure"))
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     names = save_advice(advice, folder)
    >>> "variants.csv" in names, "cautions.csv" in names
    (True, True)
    """
    study = advice.study
    summary = {"title": study.title, "headline": headline(study), "audience": study.audience.title}
    return write_tables(study.tables() | advice.tables(), summary, output)
