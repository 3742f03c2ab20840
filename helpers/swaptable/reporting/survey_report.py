"""A study of swaps across a collection on a page: two charts, ready for print, and the tables that go with them."""

from __future__ import annotations

import html
from collections.abc import Sequence
from pathlib import Path
from textwrap import shorten

import matplotlib as mpl
import numpy as np
import pandas as pd
from IPython.display import HTML
from matplotlib.axes import Axes

from swaptable.basics.errors import SwaptableError, counted, listed, nearest
from swaptable.judging.findings import amount_text
from swaptable.reporting.figures import BLUE, GREY, ORANGE, STYLE, Chart, finished, new_figure, wrapped
from swaptable.reporting.publish import print_page
from swaptable.reporting.reports import ESTIMATE, table_shown, write_tables
from swaptable.survey.study import SURELY, SwapStudy, measure_label

__all__ = [
    "collection_swaps_shown", "coverage_shown", "plot_swap_recipes", "plot_swap_spread", "save_swap_study",
    "swap_summary_shown",
]  # fmt: skip

_MOST_DOTS = 400  # of a swap in one panel; beyond, every so many recipes are drawn
_FEW = 20  # recipes of a swap that have room for large marks, names and whole intervals
_LEAST_FOR_QUARTILES = 5
_LEAST_FOR_A_BOX = 8  # with fewer recipes the dots say it all
_MARKS = {SURELY[0]: ("v", BLUE), SURELY[1]: ("^", ORANGE), SURELY[2]: ("o", GREY), SURELY[3]: ("|", GREY)}
_NOTE = (
    "Each mark is a recipe with all values known, of which something stays: ▼ surely lower, ▲ surely higher (90 % "
    "interval), ● cannot tell, | unchanged. The same weight of the other food, nothing else changed."
)
_SHOWN, _SHOWN_ONE = (0.01, 0.99), (0.025, 0.975)  # quantiles between which an axis ends: of all swaps, of one
_SQUEEZED = 1.5  # times as wide


def _of(study: SwapStudy, swap: str, measure: str) -> pd.DataFrame:
    table = study.differences
    return table[(table["swap"] == swap) & (table["measure"] == measure) & table["counted"]]


def _axis_label(study: SwapStudy, measure: str) -> str:
    row = study.differences[study.differences["measure"] == measure].iloc[0]
    return f"{wrapped(measure_label(measure), 18)}\n[{row['unit']} per {row['basis']}]"


def _row(study: SwapStudy, swap: str, measure: str) -> pd.Series:
    table = study.summary
    return table[(table["swap"] == swap) & (table["measure"] == measure)].iloc[0]


def _said(study: SwapStudy, swap: str, measure: str) -> str:
    """Say in a few words what a swap does to a measure."""
    row = _row(study, swap, measure)
    if not row["recipes"]:
        return f"{swap}: no recipe whose {measure_label(measure).lower()} is known"
    unit = study.differences.loc[study.differences["measure"] == measure, "unit"].iloc[0]
    counts = {word: int(row[word.replace(" ", "_")]) for word in SURELY}
    words = [f"{count} {word}" for word, count in counts.items() if count]
    some = f"{counted(row['recipes'], 'recipe')} ({', '.join(words)})"
    return f"{swap}: median {amount_text(row['median'], unit, signed=True)} in {some}"


def _zoom(axes: Axes, ends: pd.Series, shown: tuple[float, float]) -> int:
    """End an axis of differences where all recipes do, or nearly all if few would squeeze it; count those beyond."""
    (low, high), (least, most) = (
        (min(ends.quantile(low), 0.0), max(ends.quantile(high), 0.0)) for low, high in ((0.0, 1.0), shown)
    )
    if high - low > _SQUEEZED * (most - least):
        low, high = least, most
    room = 0.12 * (high - low or 1.0)
    axes.set_xlim(low - room, high + room)
    axes.axvline(0, color="black", lw=0.8, zorder=0)
    axes.locator_params(axis="x", nbins=4)
    return int(((ends < low - room) | (ends > high + room)).sum())


def _beyond(count: int) -> str:
    lie = "mark lies" if count == 1 else "marks lie"
    return f"{count:,} {lie} beyond an axis; the table has all." if count else ""


def spread_finding(study: SwapStudy) -> tuple[str, str]:
    """State which swap changes sodium most surely, or what the first measure is: title and text for a screen reader."""
    measure = study.measures[0]
    rows = study.summary[(study.summary["measure"] == measure) & (study.summary["recipes"] > 0)]
    if rows.empty:
        return "No recipe of the collection has an ingredient that these swaps concern", "An empty chart."
    lower, higher = (word.replace(" ", "_") for word in SURELY[:2])
    best = rows.loc[(rows[lower] / rows["recipes"]).idxmax()]
    name = measure_label(measure).lower()
    if best[lower]:
        some = f"surely lowers {name} in {best[lower]} of {best['recipes']:,} recipes whose values are known"
        if best["recipes"] == 1:
            some = f"concerns one recipe whose values are known, and surely lowers {name} there"
        title = f"{best['swap'].capitalize()} {some}{_adverse(best)}"
        rows = rows[rows["swap"] != best["swap"]]
    else:
        title = f"None of the swaps surely lowers {name} in any recipe"
    raising = [f"{row['swap']} surely raises it in {row[higher]} of {row['recipes']}"
               for _, row in rows.iterrows() if row[higher]]  # fmt: skip
    title = "; ".join([title, *raising])
    said = ("; ".join(_said(study, swap, each) for swap in study.swaps) for each in study.measures)
    alt = ". ".join(f"{measure_label(each)}: {words}" for each, words in zip(study.measures, said, strict=True))
    return title, f"Differences from the recipe as written, one panel a measure. {alt}."


def _adverse(row: pd.Series) -> str:
    """Say in how many recipes a measure surely rises, where in any."""
    higher = int(row[SURELY[1].replace(" ", "_")])
    return f" ({higher} {SURELY[1]})" if higher else ""


def _drawn_label(study: SwapStudy, swap: str) -> str:
    """Name a swap with how many of the recipes that it concerns are drawn, in the fewest and the most panels."""
    counts = sorted({len(_of(study, swap, measure)) for measure in study.measures})
    all_of_them = study.differences.loc[study.differences["swap"] == swap, "recipe"].nunique()
    drawn = " to ".join(f"{count:,}" for count in counts[:: max(1, len(counts) - 1)])
    return f"{wrapped(swap, 16)}\n({drawn} of {counted(all_of_them, 'recipe')})"


def _draw_spread(axes: Axes, study: SwapStudy, measure: str) -> int:
    """Draw every recipe, and quartiles and the middle nine tenths where there are enough; count those beyond."""
    jitter = np.random.default_rng(1)
    for place, swap in enumerate(study.swaps):
        rows = _of(study, swap, measure)
        drawn = rows.iloc[:: max(1, len(rows) // _MOST_DOTS)]
        height = place + jitter.uniform(-0.24, 0.24, len(drawn)) if len(drawn) > 1 else [place] * len(drawn)
        size, alpha, width = (90, 1.0, 2.0) if len(rows) <= _FEW else (14, 0.6, 1.0)
        for word, (marker, colour) in _MARKS.items():
            here = (drawn["word"] == word).to_numpy()
            spots = (drawn["difference"].to_numpy()[here], np.asarray(height)[here])
            axes.scatter(*spots, s=size, marker=marker, color=colour, alpha=alpha, lw=width * (marker == "|"))
        if len(rows) >= _LEAST_FOR_A_BOX:
            axes.boxplot(
                rows["difference"], positions=[place], orientation="horizontal", widths=0.62, whis=(5, 95),
                showfliers=False, medianprops={"color": "black", "lw": 2}, boxprops={"lw": 1.2}, zorder=2,
                manage_ticks=False,
            )  # fmt: skip
    axes.set_ylim(len(study.swaps) - 0.5, -0.5)
    axes.set_xlabel(_axis_label(study, measure))
    table = study.differences
    return _zoom(axes, table.loc[(table["measure"] == measure) & table["counted"], "difference"], _SHOWN)


@mpl.rc_context(STYLE)
def plot_swap_spread(study: SwapStudy) -> Chart:
    """Draw what each swap does across the recipes that it concerns.

    Answers: what would this swap do in most kitchens?

    Parameters
    ----------
    study : SwapStudy

    Returns
    -------
    Chart
        A panel for each measure. x: difference from the recipe as written [unit of the measure per its basis]; y:
        swaps.

    Examples
    --------
    >>> import swaptable as st
    >>> study = st.study_swaps("data/recipes/barley_pot.yaml", rules=["stock to water"], components=["NA"])
    >>> plot_swap_spread(study).title
    'Stock to water concerns one recipe whose values are known, and surely lowers sodium there'
    """
    figure, panels = new_figure(2.6 + 1.0 * len(study.swaps), len(study.measures), sharey=True)
    beyond = 0
    if len(study.differences):
        beyond = sum(_draw_spread(axes, study, measure) for axes, measure in zip(panels, study.measures, strict=True))
        panels[0].set_yticks(range(len(study.swaps)), [_drawn_label(study, swap) for swap in study.swaps])
    boxed = (study.summary["recipes"] >= _LEAST_FOR_A_BOX).any()
    box = "Box: quartiles; whiskers: 5 to 95 % of recipes." if boxed else ""
    note = f"Difference from the recipe as written. {_NOTE} {box} {_beyond(beyond)}"
    return finished(figure, study.source_line, "swap_spread", spread_finding(study), note)


def recipes_finding(study: SwapStudy, measure: str) -> tuple[str, str]:
    """State in how many recipes the swaps are sure to lower a measure: title and text for a screen reader."""
    parts = []
    for swap in study.swaps:
        row = _row(study, swap, measure)
        parts.append(f"{swap} {row[SURELY[0].replace(' ', '_')]} of {row['recipes']}{_adverse(row)}")
    title = f"Recipes in which {measure_label(measure).lower()} is surely lower after the swap: {'; '.join(parts)}"
    said = "; ".join(_said(study, swap, measure) for swap in study.swaps)
    return title, f"Recipes in order of their difference, each with its 90 % interval. {said}."


def _draw_in_order(axes: Axes, rows: pd.DataFrame) -> int:
    """Draw recipes one above the other with their intervals, named where they are few; count those beyond the axis."""
    few = len(rows) <= _FEW
    axes.hlines(rows.index, rows["low_90"], rows["high_90"], color="#8a8a8a", lw=2.5 if few else 0.9, zorder=0)
    for word, (marker, colour) in _MARKS.items():
        here = rows[rows["word"] == word]
        edge = 1.0 + few if marker == "|" else 0
        axes.scatter(here["difference"], here.index, s=90 if few else 16, marker=marker, color=colour, linewidth=edge)
    for place, title in enumerate(rows["title"] if few else ()):
        name, across = shorten(title, 38, placeholder=" …"), axes.get_yaxis_transform()
        axes.text(0.01, place + 0.18, name, fontsize=8.5, transform=across)
    axes.set_ylim(-0.6, max(rows.index, default=0) + 0.8)
    ends = pd.concat([rows["low_90"], rows["high_90"]]) if few else rows["difference"]
    return _zoom(axes, ends, (0.0, 1.0) if few else _SHOWN_ONE) if len(rows) else 0


@mpl.rc_context(STYLE)
def plot_swap_recipes(study: SwapStudy, measure: str = "NA") -> Chart:
    """Draw the difference of every recipe with its interval, in order, one panel a swap.

    Answers: how sure is it in a single recipe?

    Parameters
    ----------
    study : SwapStudy
    measure : str, optional
        One of ``study.measures``: an INFOODS tag, or ``"nutrient density"``.

    Returns
    -------
    Chart
        x: difference from the recipe as written [unit of the measure per its basis] with 90 % interval; y: recipes.

    Examples
    --------
    >>> import swaptable as st
    >>> study = st.study_swaps("data/recipes/barley_pot.yaml", rules=["stock to water"], components=["NA"])
    >>> plot_swap_recipes(study).title
    'Recipes in which sodium is surely lower after the swap: stock to water 1 of 1'
    """
    if measure not in study.measures:
        hint = nearest(measure, study.measures)
        raise SwaptableError(f"found measure '{measure}'; expected one of {listed(study.measures)}{hint}")
    most = max(len(_of(study, swap, measure)) for swap in study.swaps)
    figure, panels = new_figure(5.0 if most > _FEW else 2.8 + 0.5 * most, len(study.swaps))
    beyond = 0
    for axes, swap in zip(panels, study.swaps, strict=True):
        rows = _of(study, swap, measure).sort_values("difference", kind="stable").reset_index(drop=True)
        beyond += _draw_in_order(axes, rows.iloc[:: max(1, len(rows) // _MOST_DOTS)])
        axes.set_title(wrapped(swap, 22), fontsize=12)
        axes.set_yticks([])
        if len(study.differences):
            axes.set_xlabel(_axis_label(study, measure).replace("\n", " "))
    panels[0].set_ylabel("Recipes, in order")
    note = f"Difference from the recipe as written, with its 90 % interval. {_NOTE} {_beyond(beyond)}"
    return finished(figure, study.source_line, "swap_recipes", recipes_finding(study, measure), note)


def collection_swaps_shown(study: SwapStudy) -> HTML:
    """Show what was studied, and the main result.

    Parameters
    ----------
    study : SwapStudy

    Returns
    -------
    HTML
        Heading and sentences.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> study = st.study_swaps("data/recipes/barley_pot.yaml", rules=["stock to water"], components=["NA"])
    >>> re.search("<strong>(.*?)</strong>", collection_swaps_shown(study).data)[1]
    'Stock to water concerns one recipe whose values are known, and surely lowers sodium there.'
    """
    return HTML(
        f"<h1>{html.escape(study.title)}</h1><p><strong>{html.escape(spread_finding(study)[0])}.</strong></p>"
        "<p>Per 100 g as eaten. A swap puts the same raw edible weight of the other food, or the published retention "
        "with the liquid or drippings kept, in its place; nothing else is changed or claimed. The weight as eaten "
        "stays that of the dish as written: where liquid or drippings are kept, what they weigh is not added, so that "
        f"amounts per 100 g are those of the dish as drained. {html.escape(ESTIMATE)}</p>"
    )


def swap_summary_shown(study: SwapStudy) -> HTML:
    """Show for each swap and measure how recipes differ, and in how many of them surely.

    Parameters
    ----------
    study : SwapStudy

    Returns
    -------
    HTML
        Table, swaps × measures: unit, numbers of recipes [-], quartiles, median and mean of the difference [that unit
        per 100 g as eaten; the index per 100 kcal], 90 % interval of the mean, in how many it is sure.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> study = st.study_swaps("data/recipes/barley_pot.yaml", rules=["stock to water"], components=["NA"])
    >>> re.findall("<td.*?>(.*?)</td>", swap_summary_shown(study).data)[:3]
    ['Sodium', 'mg', '1']
    """
    table = study.summary.assign(measure=[measure_label(measure) for measure in study.summary["measure"]])
    units = study.differences.drop_duplicates("measure").set_index("measure")["unit"].to_dict()
    table["unit"] = [units.get(measure, "") for measure in study.summary["measure"]]
    for name in ("low_25", "high_75"):
        table[name] = table[name].astype(object).where(table["recipes"] >= _LEAST_FOR_QUARTILES, "too few")
    names = {
        "swap": "Swap", "measure": "Measure", "unit": "Unit", "recipes": "Recipes", "left_out": "Left out: gaps",
        "replaced": "Left out: all replaced", "low_25": "Lower quartile", "median": "Median",
        "high_75": "Upper quartile", "mean": "Mean", "mean_low_90": "Mean, at least (90 %)",
        "mean_high_90": "Mean, at most (90 %)", "surely_lower": "Surely lower", "surely_higher": "Surely higher",
        "cannot_tell": "Cannot tell", "unchanged": "Unchanged",
    }  # fmt: skip
    table = table[list(names)].rename(columns=names).set_index("Swap")
    caption = "Difference from the recipe as written, per 100 g as eaten; the index per 100 kcal"
    note = (
        "Surely: the 90 % interval leaves 0 out. The 90 % interval of the mean takes the errors of all recipes as "
        "wholly shared, since they rest on the same foods: it is the widest possible. It covers the errors of foods, "
        "retention and weights, not how the recipes were chosen."
    )
    return HTML(f"{table_shown(table, caption, text=('Measure', 'Unit')).data}<p>{_replaced_note(study)} {note}</p>")


def _replaced_note(study: SwapStudy) -> str:
    """Say how many dishes are left out since nothing of them would stay."""
    table = study.differences
    gone = table[table["whole"] & ~table["counted"]]
    counts = [(swap, gone.loc[gone["swap"] == swap, "recipe"].nunique()) for swap in study.swaps]
    told = ", ".join(f"{html.escape(swap)} {count}" for swap, count in counts if count)
    return f"Left out, because the swap replaces all of their weight: recipes of {told}." if told else ""


def _coverage(study: SwapStudy) -> pd.DataFrame:
    bounds = int(study.unmapped["recipe"].nunique())
    rows = [("computed", study.recipes), ("of these lower bounds: a food is not in the release", bounds)]
    return pd.DataFrame([*rows, ("not computed", len(study.not_computed))], columns=["status", "recipes"])


def coverage_shown(study: SwapStudy) -> HTML:
    """Show how many recipes were computed, and why the others were not.

    Parameters
    ----------
    study : SwapStudy

    Returns
    -------
    HTML
        Table of numbers of recipes [-], and a list of reasons.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> study = st.study_swaps("data/recipes/barley_pot.yaml", rules=["stock to water"], components=["NA"])
    >>> re.findall("<t[hd]>(.*?)</t[hd]>", coverage_shown(study).data)[-2:]
    ['not computed', '0']
    """
    table = table_shown(_coverage(study).set_index("status"), "Recipes of the collection").data
    reasons = study.not_computed["reason"].value_counts()
    items = "".join(f"<li>{count:,}: {html.escape(str(reason))}</li>" for reason, count in reasons.head(10).items())
    return HTML(f"{table}<ul>{items}</ul>" if items else str(table))


def save_swap_study(study: SwapStudy, charts: Sequence[Chart], output: str) -> list[str]:
    """Write tables as CSV, charts as pages for print, and the summary, into a run's folder.

    Parameters
    ----------
    study : SwapStudy
    charts : sequence of Chart
    output : str
        Folder of the run; empty writes nothing.

    Returns
    -------
    list of str
        Names of the tables written. Numbers are not rounded; an empty cell is a missing value.

    Examples
    --------
    >>> import tempfile
    >>> import swaptable as st
    >>> study = st.study_swaps("data/recipes/barley_pot.yaml", rules=["stock to water"], components=["NA"])
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     save_swap_study(study, [], folder)
    ['coverage.csv', 'swap_differences.csv', 'swap_summary.csv']
    """
    tables = {"swap_summary": study.summary, "swap_differences": study.differences, "coverage": _coverage(study)}
    lists = {"not_computed": study.not_computed, "unmapped": study.unmapped}
    tables |= {name: table for name, table in lists.items() if len(table)}
    summary = {"title": study.title, "headline": spread_finding(study)[0], "audience": "", "chart": "swap_spread"}
    names = write_tables(tables, summary, output)
    if output:
        folder = Path(output) / "figures"
        folder.mkdir(parents=True, exist_ok=True)
        for chart in charts:
            (folder / f"{chart.name}_print.pdf").write_bytes(print_page(chart))
    return names
