"""What a serving does towards every aim of an audience: chart and table."""

from __future__ import annotations

from collections.abc import Iterable

import matplotlib as mpl
import numpy as np
import pandas as pd
from IPython.display import HTML

from swaptable.basics.errors import listed
from swaptable.foods.reference import component_label
from swaptable.judging.advice import Advice
from swaptable.judging.findings import amount_text, plain_name
from swaptable.judging.verdicts import Verdict
from swaptable.reporting.figures import STYLE, Chart, draw_cells, finished, new_figure, wrapped
from swaptable.reporting.reports import from_memory, table_shown
from swaptable.reporting.study_charts import left_out

__all__ = ["in_order", "joined_once", "mark", "plot_targets", "targets_finding", "targets_shown"]

MARKS = {Verdict.MET: "✓", Verdict.NOT_MET: "✗"}  # every other verdict: nobody can tell
CANNOT_TELL = "?"


def mark(verdict: int) -> str:
    """Give the sign that stands for a verdict: met, not met or cannot tell."""
    return MARKS.get(Verdict(verdict), CANNOT_TELL)


def in_order(tags: pd.Series) -> dict[str, int]:
    """Give components a number in the order they come, so that what belongs to one stands together."""
    return {tag: number for number, tag in enumerate(tags.unique())}


def _no_yardstick(role: str) -> str:
    return "set by the care team" if role == "show" else "none published"


def joined_once(names: Iterable[str]) -> str:
    """Join names, each once."""
    return ", ".join(dict.fromkeys(names))


def targets_finding(advice: Advice) -> tuple[str, str]:
    """State how many aims a serving as written meets: title and text for a screen reader."""
    leading = advice.leading
    if leading.empty:
        shown = listed([plain_name(c) for c in advice.targets["component"].unique()], 8)
        title = f"Shown without a judgement, since the care team sets the limits: {shown}"
        return title, "A table of amounts per serving."
    written = leading[leading["variant"] == advice.study.variants.index[0]]
    met = int((written["verdict"] == Verdict.MET).sum())
    best = (leading["verdict"] == Verdict.MET).groupby(leading["variant"], sort=False).sum()
    title = f"A serving as written surely meets {met} of {len(written)} aims"
    if best.max() > met:
        title += f"; {best.idxmax()} meets {best.max()}"
    parts = [
        f"{plain_name(row.component)} for {row.group}: {amount_text(row.percent_of_day)} % of the day, {row.word}"
        for row in written.itertuples()
    ]
    return title, f"Table of variants by aims. As written: {'; '.join(parts)}."


@mpl.rc_context(STYLE)
def plot_targets(advice: Advice) -> Chart:
    """Draw what a serving of each variant does towards every aim of the audience.

    Answers: which variants do what these people need?

    Parameters
    ----------
    advice : Advice

    Returns
    -------
    Chart
        Table in shades, variants × aims: percent of the day's amount in one serving [%] and whether the aim is met, not
        met or nobody can tell.

    Examples
    --------
    >>> import swaptable as st
    >>> chart = plot_targets(st.advise(st.study_recipe("oat_pancakes", "blood_pressure")))
    >>> chart.title
    'A serving as written surely meets 8 of 24 aims'
    """
    study = advice.study
    table = advice.targets[advice.targets["leads"] & advice.targets["variant"].isin(study.shown())]
    table = table.sort_values("component", key=lambda tags: tags.map(in_order(tags)), kind="stable")
    # groups that are asked the same share a column
    keys = table.groupby(["component", "role", "day_value"], sort=False, dropna=False)["group"].agg(joined_once)
    columns = list(keys.items())
    variants = study.shown()
    figure, (axes,) = new_figure(3.0 + 0.36 * len(variants))
    shades = np.full((len(variants), len(columns)), np.nan)
    texts = np.full(shades.shape, "", dtype=object)
    for number, ((component, role, day_value), _) in enumerate(columns):
        same = table["day_value"].isna() if np.isnan(day_value) else table["day_value"] == day_value
        rows = table[(table["component"] == component) & (table["role"] == role) & same]
        rows = rows.drop_duplicates("variant").set_index("variant").loc[variants]
        for place, row in enumerate(rows.itertuples()):
            bound = "" if row.whole else "≥"
            texts[place, number] = f"{bound}{amount_text(row.amount, row.unit)}"
            if pd.notna(row.verdict):
                texts[place, number] = f"{bound}{row.percent_of_day:.0f} {mark(row.verdict)}"
                shades[place, number] = {Verdict.MET: 0.0, Verdict.NOT_MET: 0.75}.get(row.verdict, 0.3)
    labels = [_column_label(component, role, value, table) for (component, role, value), _ in columns]
    draw_cells(axes, texts, shades, variants, labels)
    part = 100 * study.audience.share_of_day
    note = (
        f"Percent of the day's amount in one serving. ↑ the aim is at least {part:.0f} % of it, ↓ at most. ✓ met, "
        f"✗ not met, {CANNOT_TELL} cannot tell: the 90 % interval holds the aim, or values are missing. "
        f"{_who(columns)} {left_out(study)}"
    )
    return finished(figure, study.source_line, "targets", targets_finding(advice), note)


def _who(columns: list[tuple[tuple[str, str, float], str]]) -> str:
    """Say for whom a column is, where a component has several."""
    several = [component for (component, _, _), _ in columns]
    parts = [
        f"{component_label(component)} {amount_text(value)}: {groups}"
        for (component, _, value), groups in columns
        if several.count(component) > 1
    ]
    return f"{'; '.join(parts)}." if parts else ""


def _column_label(component: str, role: str, value: float, table: pd.DataFrame) -> str:
    row = table[(table["component"] == component) & (table["role"] == role)].iloc[0]
    label = wrapped(component_label(component), 10)
    if np.isnan(value):
        return f"{label}\nshown"
    return f"{label}\n{'↑' if role == 'raise' else '↓'} {amount_text(value, row['unit'])}"


def targets_shown(advice: Advice) -> HTML:
    """Show what a serving as written does towards each yardstick, and what is left of the day.

    Parameters
    ----------
    advice : Advice

    Returns
    -------
    HTML
        Table: a row for each component, role and yardstick; for whom, amount of a day and of a serving with its 90 %
        interval [unit in the cell], percent and rest of the day, verdict, source.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> shown = targets_shown(st.advise(st.study_recipe("oat_pancakes", "blood_pressure")))
    >>> re.search("<caption>(.*?)</caption>", shown.data)[1]
    'One serving as written; the aim is 33 % of the day for a serving. An estimate, not a diet order'
    """
    rows = advice.targets[advice.targets["variant"] == advice.study.variants.index[0]]
    same = ["component", "role", "kind", "day_value", "unit"]
    rows = rows.sort_values("component", key=lambda tags: tags.map(in_order(tags)), kind="stable")
    merged = rows.groupby(same, sort=False, dropna=False)
    shown = []
    for (component, role, kind, day_value, unit), group in merged:
        row = group.iloc[0]
        bound = "" if row["whole"] else "at least "
        shown.append(
            {
                "For": f"{component_label(component)} ({role})",
                "Group": joined_once(group["group"]),
                "Yardstick": kind if row["leads"] or not kind else f"beside it: {kind}",
                "A day": amount_text(day_value, unit) if kind else _no_yardstick(role),
                "A serving": f"{bound}{amount_text(row['amount'], unit)}",
                "90 % interval": f"{amount_text(row['low_90'])} to {amount_text(row['high_90'])}",
                "Of the day": f"{bound}{row['percent_of_day']:.0f} %" if kind else "",
                "Left of the day": amount_text(row["left"], unit) if kind else "",
                "Verdict": " ".join(f"{row['word']}: {row['why']}".rstrip(": ").split())
                if row["word"]
                else "not judged",
                "Source": row["source"] + from_memory(row["checked"]),
            }
        )
    part = 100 * advice.study.audience.share_of_day
    caption = f"One serving as written; the aim is {part:.0f} % of the day for a serving. An estimate, not a diet order"
    return table_shown(pd.DataFrame(shown).set_index("For"), caption)
