"""What a serving does towards every aim of an audience: chart and table."""

from __future__ import annotations

import re
from collections.abc import Iterable

import matplotlib as mpl
import numpy as np
import pandas as pd
from IPython.display import HTML

from swaptable.basics.errors import counted, listed
from swaptable.foods.reference import component_label
from swaptable.judging.advice import Advice
from swaptable.judging.daily_values import percent_text
from swaptable.judging.findings import aims_met, amount_text, plain_name
from swaptable.judging.study import Study
from swaptable.judging.verdicts import Verdict, met_by_role, most_met
from swaptable.reporting.figures import MOST_UPRIGHT, STYLE, Chart, draw_cells, finished, new_figure, wrapped
from swaptable.reporting.reports import from_memory, table_shown
from swaptable.reporting.study_charts import left_out

__all__ = [
    "TRIVIAL",
    "and_others",
    "in_order",
    "joined_once",
    "mark",
    "plot_targets",
    "targets_finding",
    "targets_shown",
]

TRIVIAL = "What is to be kept down is met by anything that holds little."
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


def and_others(count: int) -> str:
    """Say how many others are as good, behind the one that is named."""
    return f" (and {counted(count, 'other')})" if count else ""


def targets_finding(advice: Advice) -> tuple[str, str]:
    """State how many aims a serving as written meets: title and text for a screen reader."""
    leading = advice.leading
    if leading.empty:
        shown = listed([plain_name(c) for c in advice.targets["component"].unique()], 8)
        title = f"Shown without a judgement, since the care team sets the limits: {shown}"
        return title, "A table of amounts per serving."
    written = leading[leading["variant"] == advice.study.variants.index[0]]
    variants = advice.study.variants
    best, others = most_met(leading, variants["sodium_mg_per_serving"].where(variants["sodium_whole"]))
    title = f"Aims surely met by a serving as written: {aims_met(met_by_role(written))}"
    if best != variants.index[0]:
        title += f"; most by {best}{and_others(others)}: {aims_met(met_by_role(leading[leading['variant'] == best]))}"
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
    'Aims surely met by a serving as written: raise 0 of 16 · keep down 8 of 8'
    """
    study = advice.study
    table = advice.targets[advice.targets["leads"] & advice.targets["variant"].isin(study.shown())]
    table = table.sort_values("component", key=lambda tags: tags.map(in_order(tags)), kind="stable")
    # groups that are asked the same share a column
    keys = table.groupby(["component", "role", "day_value"], sort=False, dropna=False)["group"].unique()
    columns = list(keys.items())
    variants, part = study.shown(), 100 * study.audience.share_of_day
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
                texts[place, number] = f"{bound}{percent_text(row.percent_of_day, [part])} {mark(row.verdict)}"
                shades[place, number] = {Verdict.MET: 0.0, Verdict.NOT_MET: 0.75}.get(row.verdict, 0.3)
    labels = [
        _column_label(component, role, value, table) + _for_whom(component, list(groups), columns)
        for (component, role, value), groups in columns
    ]
    upright = ["\n".join(wrapped(line, 12) for line in re.split("\n| (?=[↑↓])", label)) for label in labels]
    draw_cells(axes, texts, shades, variants, upright)
    if len(columns) > MOST_UPRIGHT:
        axes.set_xticks(range(len(columns)), labels, fontsize=9, rotation=50, ha="left", rotation_mode="anchor")
    note = (
        f"Percent of the day's amount in one serving. ↑ the aim is at least {part:.0f} % of it, ↓ at most. ✓ met, "
        f"✗ not met, {CANNOT_TELL} cannot tell: the 90 % interval holds the aim, or values are missing. "
        f"{_counted_apart(study)}{left_out(study)}"
    )
    return finished(figure, study.source_line, "targets", targets_finding(advice), note)


def _counted_apart(study: Study) -> str:
    """Say what the counts in the title count."""
    groups = len(study.audience.groups)
    each = f"An aim counts once for each of the {groups} groups. " if groups > 1 else ""
    return f"{each}{TRIVIAL} "


def _for_whom(component: str, groups: list[str], columns: list[tuple[tuple[str, str, float], np.ndarray]]) -> str:
    """Name whom a column is for, where a component has several: "men", where that tells all of them from the others."""
    others = [group for (other, _, _), named in columns if other == component for group in named if group not in groups]
    if not others:
        return ""
    for end in (0, 2):  # whom it names, then the ages
        kinds = {group.partition(" ")[end] for group in groups}
        if len(kinds) == 1 and kinds.isdisjoint(group.partition(" ")[end] for group in others):
            return f"\n{kinds.pop()}"
    largest = max((len(named) for (other, _, _), named in columns if other == component), default=0)
    many = len(groups) > 1 and len(groups) == largest and len(others) < largest
    return "\nthe others" if many else f"\n{joined_once(groups)}"


def _column_label(component: str, role: str, value: float, table: pd.DataFrame) -> str:
    if np.isnan(value):
        return f"{component_label(component)}, shown"
    unit = table.loc[(table["component"] == component) & (table["role"] == role), "unit"].iloc[0]
    return f"{component_label(component)} {'↑' if role == 'raise' else '↓'} {amount_text(value, unit)}"


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
    part = 100 * advice.study.audience.share_of_day
    leads = rows[rows["leads"]].set_index(["component", "group"])["kind"]
    shown = []
    for (component, role, kind, day_value, unit), group in merged:
        row = group.iloc[0]
        bound = "" if row["whole"] else "at least "
        shown.append(
            {
                "For": f"{component_label(component)} ({role})",
                "Group": joined_once(group["group"]),
                "Yardstick": kind
                if row["leads"] or not kind
                else f"{kind.partition(':')[0]}, beside the {leads[component, row['group']]}",
                "A day": amount_text(day_value, unit) if kind else _no_yardstick(role),
                "A serving": f"{bound}{amount_text(row['amount'], unit)}",
                "90 % interval": f"{amount_text(row['low_90'])} to {amount_text(row['high_90'])}",
                "Of the day": f"{bound}{percent_text(row['percent_of_day'], [part])} %" if kind else "",
                "Left of the day": amount_text(row["left"], unit) if kind else "",
                "Verdict": " ".join(f"{row['word']}: {row['why']}".rstrip(": ").split())
                if row["word"]
                else "not judged",
                "Source": row["source"] + from_memory(row["checked"]),
            }
        )
    caption = f"One serving as written; the aim is {part:.0f} % of the day for a serving. An estimate, not a diet order"
    return table_shown(pd.DataFrame(shown).set_index("For"), caption)
