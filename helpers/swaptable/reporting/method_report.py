"""How good the method is, on a page: charts that state a finding, a summary, files."""

from __future__ import annotations

import html
from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
import pandas as pd
from IPython.display import HTML
from matplotlib.axes import Axes

from swaptable.basics.errors import listed
from swaptable.foods.reference import Z, component_label
from swaptable.reporting.figures import BLUE, GREY, ORANGE, STYLE, Chart, finished, new_figure, wrapped
from swaptable.reporting.reports import write_tables
from swaptable.retention.method_study import COMPARED, MethodStudy, percent_text
from swaptable.retention.pairs import SAME_ANALYSIS
from swaptable.retention.validation import METHODS

__all__ = [
    "method_shown",
    "plot_coverage",
    "plot_error_by_component",
    "plot_error_by_group",
    "plot_factors",
    "plot_within_20",
    "save_method",
]

TITLE = "How good are the cooked values?"
FEWEST_VALUES = 20  # of a component in a chart; the tables have all
MOST_PANELS = 3
FAR_OFF = 10.0  # percentage points between an interval's coverage and its name
# colour, marker, size: shape tells the methods apart without colour
_MARKS = {
    "raw": ("white", "v", 55),
    "concentration": ("#b5b5b5", "o", 55),
    "published": (ORANGE, "s", 60),
    "estimated": (BLUE, "D", 65),
}


def method_shown(study: MethodStudy) -> HTML:
    """Show what was tested, and the main result.

    Parameters
    ----------
    study : MethodStudy

    Returns
    -------
    HTML
        Heading and sentences: numbers of values and families, errors [% of the measured cooked value].

    Examples
    --------
    >>> import re
    >>> import pandas as pd
    >>> from swaptable.retention.method_study import METHODS, MethodStudy
    >>> columns = {f"{method}_median_percent": 8.0 for method in METHODS} | {"coverage_90_percent": 90.0}
    >>> table = pd.DataFrame(columns | {"n_values": 40, "n_families": 9}, index=["all"])  # invented
    >>> shown = method_shown(MethodStudy(table, table, table, table, table, source_line="Invented."))
    >>> re.search("<p>(40 .*?),", shown.data)[1]
    '40 cooked values of 9 food families'
    """
    row = study.overall.iloc[0]
    return HTML(
        f"<h1>{TITLE}</h1><p><strong>{html.escape(study.headline)}</strong></p>"
        f"<p>{row['n_values']:,.0f} cooked values of {row['n_families']:.0f} food families, each predicted from "
        "the raw value of the same food without any evidence from its family. Errors are absolute, in percent of "
        f"the measured cooked value per 100 g. {html.escape(study.source_line)}</p>"
    )


def save_method(study: MethodStudy, output: str) -> list[str]:
    """Write every table as CSV, and the summary, into a run's folder.

    Parameters
    ----------
    study : MethodStudy
    output : str
        Folder of the run; empty writes nothing.

    Returns
    -------
    list of str
        Names of the files written. Numbers are not rounded; an empty cell is a missing value.

    Examples
    --------
    >>> import tempfile
    >>> import pandas as pd
    >>> from swaptable.retention.method_study import METHODS, MethodStudy
    >>> columns = {f"{method}_median_percent": 8.0 for method in METHODS} | {"coverage_90_percent": 90.0}
    >>> table = pd.DataFrame(columns | {"n_values": 40, "n_families": 9}, index=["all"])  # invented
    >>> study = MethodStudy(table, table, table, table, table, source_line="Invented.")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     save_method(study, folder)
    ['by_component.csv', 'by_group.csv', 'by_group_and_component.csv', 'factors.csv', 'overall.csv']
    """
    summary = {"title": TITLE, "headline": study.headline, "audience": "Researchers", "chart": "error_by_group"}
    return write_tables(study.tables(), summary, output)


def _name_rows(axes: Axes, table: pd.DataFrame) -> None:
    labels = [f"{name}\n({row['n_values']:,.0f} values)" for name, row in table.iterrows()]
    axes.set_yticks(range(len(table)), labels, fontsize=10)
    axes.invert_yaxis()
    _ruled(axes)


def _ruled(axes: Axes) -> None:
    axes.grid(axis="y", color="#e5e5e5")
    axes.set_axisbelow(True)


def _key(axes: Axes) -> None:
    """Put the key between title and chart, where it hides nothing."""
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=4, fontsize=10, frameon=False, handletextpad=0.3)


def _mark(axes: Axes, values: pd.Series, method: str, label: str = "") -> None:
    colour, marker, size = _MARKS[method]
    axes.scatter(
        values, range(len(values)), s=size, marker=marker, color=colour, edgecolor="black", linewidth=0.8,
        label=label or METHODS[method], zorder=3,
    )  # fmt: skip


def _mark_medians(axes: Axes, table: pd.DataFrame, methods: Sequence[str]) -> None:
    for method in methods:
        _mark(axes, table[f"{method}_median_percent"], method)
    axes.set_xlabel("Median absolute error of the cooked value per 100 g [%]")
    _name_rows(axes, table)
    _key(axes)


def _gain(table: pd.DataFrame) -> pd.Series:
    """Say by how much the evidence lowers the error, as far as it is printed."""
    return (table["published_median_percent"].round(1) - table["estimated_median_percent"].round(1)).round(1)


def _read_out(table: pd.DataFrame, first: str, second: str) -> str:
    """Read out two columns of percentages, row by row, for the text of a chart."""
    pairs = zip(table.index, table[first], table[second], strict=True)
    return ", ".join(f"{name} {percent_text(one)} and {percent_text(other)}" for name, one, other in pairs) + "."


_MEDIANS = ("published_median_percent", "estimated_median_percent")
_ALT_MEDIANS = "Median absolute error in percent, published and estimated factors: "


@mpl.rc_context(STYLE)
def plot_error_by_group(study: MethodStudy) -> Chart:
    """Draw the median error of four ways of computing a cooked value, by food group.

    Answers: for which foods can I trust a computed cooked value?

    Parameters
    ----------
    study : MethodStudy

    Returns
    -------
    Chart
        x: median absolute error of the cooked value per 100 g [%], logarithmic; y: food groups with numbers of values.

    Examples
    --------
    >>> import pandas as pd
    >>> from swaptable.retention.method_study import COMPARED, MethodStudy
    >>> columns = dict(zip([f"{method}_median_percent" for method in COMPARED], [30.0, 20.0, 11.0, 9.0]))
    >>> table = pd.DataFrame(columns | {"n_values": 40, "n_families": 9}, index=["fruit"])  # invented
    >>> study = MethodStudy(table, table, table, table, table, source_line="Invented.")
    >>> plot_error_by_group(study).title.partition(" and ")[0]
    'Estimated factors come closer than published ones in 1 of 1 food groups'
    """
    table = study.by_group.sort_values("estimated_median_percent")
    figure, (axes,) = new_figure(2.6 + 0.5 * len(table))
    _mark_medians(axes, table, COMPARED)
    axes.set_xscale("log")
    axes.xaxis.set_major_locator(mpl.ticker.FixedLocator([3, 5, 7, 10, 20, 50, 100, 200]))
    axes.xaxis.set_major_formatter(mpl.ticker.FormatStrFormatter("%g"))
    axes.xaxis.set_minor_formatter(mpl.ticker.NullFormatter())
    axes.set_xlabel(f"{axes.get_xlabel()}, logarithmic scale")
    gain, medians = _gain(table), table["estimated_median_percent"]
    ends = [f"{percent_text(medians.iloc[end])} % for {table.index[end]}" for end in (0, -1)]
    title = (
        f"Estimated factors come closer than published ones in {(gain > 0).sum()} of {len(table)} food groups and "
        f"are further off in {(gain < 0).sum()}: median error {', '.join(dict.fromkeys(ends))}"
    )
    alt = _ALT_MEDIANS + _read_out(table, *_MEDIANS)
    return finished(figure, study.source_line, "error_by_group", (title, alt))


@mpl.rc_context(STYLE)
def plot_error_by_component(study: MethodStudy) -> Chart:
    """Draw the median error of published and estimated factors, by component.

    Answers: which nutrients does the evidence help, and which stay uncertain?

    Parameters
    ----------
    study : MethodStudy

    Returns
    -------
    Chart
        x: median absolute error of the cooked value per 100 g [%]; y: components with at least 20 values.

    Examples
    --------
    >>> import pandas as pd
    >>> from swaptable.retention.method_study import MethodStudy
    >>> columns = {"published_median_percent": 20.0, "estimated_median_percent": 15.0}
    >>> table = pd.DataFrame(columns | {"n_values": 40, "n_families": 9}, index=["VITC"])  # invented
    >>> study = MethodStudy(table, table, table, table, table, source_line="Invented.")
    >>> plot_error_by_component(study).title.partition(";")[0]
    'Vitamin C gains most from the evidence, from 20 to 15 % median error'
    """
    table = study.by_component[study.by_component["n_values"] >= FEWEST_VALUES]
    table = (study.by_component if table.empty else table).rename(index=component_label)
    table = table.sort_values("estimated_median_percent")
    figure, (axes,) = new_figure(2.4 + 0.42 * len(table))
    axes.hlines(range(len(table)), *(table[column] for column in _MEDIANS), color=GREY, lw=2.5, alpha=0.6)
    _mark_medians(axes, table, ["published", "estimated"])
    axes.set_xlim(left=0)
    gain, best = _gain(table), _gain(table).idxmax()
    before, after = (percent_text(table.at[best, column]) for column in _MEDIANS)
    title = (
        f"{best} gains most from the evidence, from {before} to {after} % median error; {(gain > 0).sum()} of "
        f"{len(table)} components come closer, {(gain < 0).sum()} get further off"
    )
    alt = _ALT_MEDIANS + _read_out(table, *_MEDIANS)
    note = f"Components with at least {FEWEST_VALUES} values; the table has all."
    return finished(figure, study.source_line, "error_by_component", (title, alt), note)


@mpl.rc_context(STYLE)
def plot_within_20(study: MethodStudy) -> Chart:
    """Draw the share of values within 20 percent of the measured one, by food group.

    Answers: how often is a computed value good enough for a label-like tolerance?

    Parameters
    ----------
    study : MethodStudy

    Returns
    -------
    Chart
        x: values within 20 % of the measured cooked value [% of values]; y: all foods, then food groups.

    Examples
    --------
    >>> import pandas as pd
    >>> from swaptable.retention.method_study import MethodStudy
    >>> columns = {"published_within_20_percent": 75.0, "estimated_within_20_percent": 80.0}
    >>> table = pd.DataFrame(columns | {"n_values": 40, "n_families": 9}, index=["fruit"])  # invented
    >>> study = MethodStudy(table, table, table, table, table, source_line="Invented.")
    >>> plot_within_20(study).title.partition(" are")[0]
    '80 of 100 values computed with estimated factors'
    """
    table = pd.concat([study.overall.rename(index={"all": "all foods"}), study.by_group])
    columns = ("published_within_20_percent", "estimated_within_20_percent")
    figure, (axes,) = new_figure(2.2 + 0.55 * len(table))
    for offset, column, hatch in zip((-0.2, 0.2), columns, ("//", ""), strict=True):
        method = column.split("_")[0]
        bars = axes.barh(
            np.arange(len(table)) + offset, table[column], height=0.4, hatch=hatch, color=_MARKS[method][0],
            edgecolor="black", linewidth=0.6, label=METHODS[method],
        )  # fmt: skip
        axes.bar_label(bars, fmt="%.0f", padding=3, fontsize=9)
    axes.set_xlim(0, 100)
    axes.set_xlabel("Values within 20 % of the measured cooked value [% of values]")
    _name_rows(axes, table)
    _key(axes)
    published, estimated = (table[column].iloc[0] for column in columns)
    title = (
        f"{estimated:.0f} of 100 values computed with estimated factors are within 20 % of the measured one, "
        f"{published:.0f} with published factors"
    )
    alt = f"Percent of values within 20 percent, published and estimated factors: {_read_out(table, *columns)}"
    return finished(figure, study.source_line, "within_20", (title, alt))


@mpl.rc_context(STYLE)
def plot_coverage(study: MethodStudy) -> Chart:
    """Draw how many measured values the stated intervals held, by food group.

    Answers: can I believe the intervals?

    Parameters
    ----------
    study : MethodStudy

    Returns
    -------
    Chart
        x: measured values inside the 80 % and the 90 % interval for a single food [% of values]; y: food groups.

    Examples
    --------
    >>> import pandas as pd
    >>> from swaptable.retention.method_study import MethodStudy
    >>> columns = {"coverage_80_percent": 62.0, "coverage_90_percent": 88.0}
    >>> table = pd.DataFrame(columns | {"n_values": 40, "n_families": 9}, index=["fruit"])  # invented
    >>> study = MethodStudy(table, table, table, table, table, source_line="Invented.")
    >>> plot_coverage(study).title.partition("; ")[2]
    'off by more than 10 points: fruit'
    """
    table, levels = study.by_group, {"coverage_80_percent": 80, "coverage_90_percent": 90}
    figure, (axes,) = new_figure(2.4 + 0.5 * len(table))
    for (column, level), method in zip(levels.items(), ("concentration", "estimated"), strict=True):
        axes.axvline(level, color="black", lw=1.2, ls="--" if level == 80 else ":")
        _mark(
            axes, table[column], method, f"{level} % interval (promised: {'dashed' if level == 80 else 'dotted'} line)"
        )
    axes.set_xlim(right=100)
    axes.set_xlabel("Measured values inside the interval for a single food [% of values]")
    _name_rows(axes, table)
    _key(axes)
    off = pd.concat([(table[column] - level).abs() for column, level in levels.items()], axis=1).max(axis=1)
    held = [f"{study.overall[column].iloc[0]:.0f} %" for column in levels]
    title = (
        f"The 80 % interval held {held[0]} of the measured values, the 90 % interval {held[1]}; off by more than "
        f"{FAR_OFF:.0f} points: {listed(off.index[off > FAR_OFF]) or 'no food group'}"
    )
    alt = f"Percent of measured values inside the 80 and 90 percent intervals: {_read_out(table, *levels)}"
    return finished(figure, study.source_line, "coverage", (title, alt))


@mpl.rc_context(STYLE)
def plot_factors(study: MethodStudy) -> Chart:
    """Draw published factors, what was measured and the estimate, for the best-measured row of three food classes.

    Answers: what did the evidence change?

    Parameters
    ----------
    study : MethodStudy

    Returns
    -------
    Chart
        A panel for each row. x: true retention [%], the estimate with its 90 % interval; y: components.

    Examples
    --------
    >>> import pandas as pd
    >>> from swaptable.retention.method_study import MethodStudy
    >>> row = {"row": "r1", "food_class": "greens", "process": "boiled", "detail": "", "component": "VITC"}  # invented
    >>> row |= {"published": 0.6, "measured": 0.5, "estimate": 0.55, "standard_error": 0.05}
    >>> factors = pd.DataFrame([row | {"n_values": 40, "n_families": 9}])
    >>> plot_factors(MethodStudy(factors, factors, factors, factors, factors, source_line="Invented.")).title
    'Vitamin C in greens, boiled, is moved most by the evidence, from 60 to 55 % retained'
    """
    factors = study.factors[~study.factors["component"].isin(list(SAME_ANALYSIS))]
    sums = factors.groupby("row", sort=False)["n_values"].sum().sort_values(ascending=False, kind="stable")
    first = factors.drop_duplicates("row").set_index("row").loc[sums.index]
    rows = first.drop_duplicates("food_class").index[:MOST_PANELS]
    table = factors[factors["row"].isin(rows)]
    components = sorted(table["component"].unique(), key=component_label)
    figure, panels = new_figure(2.6 + 0.36 * len(components), len(rows), sharey=True)
    for axes, row in zip(panels, rows, strict=True):
        part = table[table["row"] == row].set_index("component").reindex(components)
        _draw_factors(axes, part)
        name = ", ".join(word for word in first.loc[row, ["food_class", "process", "detail"]] if word)
        evidence = f"values: {sums[row]:,.0f}, families: {part['n_families'].max():.0f}"
        axes.set_title(f"{wrapped(name, 28)}\n{evidence}", fontsize=11)
    panels[0].set_yticks(range(len(components)), [component_label(tag) for tag in components], fontsize=10)
    panels[0].invert_yaxis()
    change = (table["estimate"] - table["published"]).abs()
    most = table.loc[change.idxmax()]
    title = (
        f"{component_label(most['component'])} in {most['food_class']}, {most['process']}, is moved most by the "
        f"evidence, from {100 * most['published']:.0f} to {100 * most['estimate']:.0f} % retained"
    )
    alt = f"{len(table)} factors in {len(rows)} panels; {(change > 0.05).sum()} moved by more than 5 percentage points."
    note = (
        "Square: published; diamond: estimated, with the 90 % interval of the mean; cross: measured, median of "
        "foods. Estimates: retention_estimates.csv, fitted to SR28."
    )
    return finished(figure, study.source_line, "factors", (title, alt), note)


def _draw_factors(axes: Axes, part: pd.DataFrame) -> None:
    estimate, error = 100 * part["estimate"], 100 * Z[0.90] * part["standard_error"]
    axes.errorbar(estimate, range(len(part)), xerr=error, fmt="none", ecolor=GREY, lw=1.2)
    _mark(axes, 100 * part["published"], "published")
    _mark(axes, estimate, "estimated")
    axes.scatter(100 * part["measured"], range(len(part)), s=40, marker="x", color="black", zorder=4)
    axes.set_xlabel("True retention [%]")
    axes.set_xlim(0, 130)
    _ruled(axes)
