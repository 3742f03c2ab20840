"""Charts of a study: density, differences, daily values, contributions, effects; draw, compute nothing."""

from __future__ import annotations

import string
import textwrap

import matplotlib as mpl
import matplotlib.ticker
import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from swaptable.foods.reference import component_label
from swaptable.judging.daily_values import REGIMES, percent_text, word_limits
from swaptable.judging.findings import (
    amount_text,
    contribution_finding,
    daily_value_finding,
    density_finding,
    difference_finding,
    effect_finding,
    is_trifle,
)
from swaptable.judging.study import NRF, Study
from swaptable.reporting.figures import BLUE, GREY, ORANGE, STYLE, Z90, Chart, draw_cells, finished, new_figure, wrapped

__all__ = ["plot_contributions", "plot_daily_values", "plot_density", "plot_differences", "plot_effects"]

NOISE = 1e-12  # relative: what floating point may leave of equal amounts


def left_out(study: Study) -> str:
    """Say how many variants a chart leaves out."""
    shown, total = len(study.shown()), len(study.variants)
    return "" if shown == total else f"{shown} of {total} variants shown; the table has all."


@mpl.rc_context(STYLE)
def plot_density(study: Study) -> Chart:
    """Draw sodium per serving against nutrient density, with the frontier.

    Answers: which variants give the most nutrients for the least sodium?

    Parameters
    ----------
    study : Study

    Returns
    -------
    Chart
        x: sodium [mg per serving]; y: nutrient-rich foods index 9.3 [per 100 kcal]; both with 90 % intervals.

    References
    ----------
    Fulgoni, Keast & Drewnowski 2009, J Nutr 139:1549.

    Examples
    --------
    >>> import swaptable as st
    >>> plot_density(st.study_recipe("barley_pot", "blood_pressure")).title  # doctest: +ELLIPSIS
    'Water + no salt saves ... mg of sodium a serving and raises nutrient density'
    """
    table = study.variants.dropna(subset=["sodium_mg_per_serving", NRF])
    figure, (axes, key) = new_figure(6.2, 2, width_ratios=[2.3, 1])
    written = study.variants.index[0]
    first, rest = table[table.index == written], table[table.index != written]
    on = table[table["on_frontier"]].sort_values("sodium_mg_per_serving")
    axes.plot(on["sodium_mg_per_serving"], on[NRF], color=BLUE, lw=1.5, zorder=1)
    groups = (
        (rest[~rest["on_frontier"]], "o", "#9a9a9a", 45, "another has less sodium and a higher index"),
        (rest[rest["on_frontier"]], "D", BLUE, 75, "frontier: none has both less sodium and a higher index"),
        (first, "s", ORANGE, 110, "recipe as written"),
    )
    for rows, marker, colour, size, label in groups:
        axes.scatter(
            rows["sodium_mg_per_serving"], rows[NRF], s=size, marker=marker, color=colour,
            edgecolor="black", linewidth=0.7, label=label, zorder=2,
        )  # fmt: skip
    axes.errorbar(
        table["sodium_mg_per_serving"], table[NRF], xerr=Z90 * table["sodium_standard_error"],
        yerr=Z90 * table["nrf93_2009_standard_error"], fmt="none", ecolor="#b5b5b5", lw=0.8, zorder=0,
    )  # fmt: skip
    axes.margins(x=0.08, y=0.14)
    axes.set_xlim(left=min(0, axes.get_xlim()[0]))
    _mark_words(axes, study)
    axes.set_xlabel("Sodium [mg per serving]")
    axes.set_ylabel("Nutrient-rich foods index 9.3\n[per 100 kcal]")
    handles, labels = axes.get_legend_handles_labels()
    key.legend(handles, [wrapped(label, 30) for label in labels], loc="upper left", fontsize=10, frameon=False)
    key.text(
        0.02,
        0.66,
        _letter_points(axes, on[on.index != written]),
        fontsize=10,
        va="top",
        linespacing=1.3,
    )
    key.set_axis_off()
    note = "Index: Fulgoni et al. 2009, capped sum, total sugars for added. Lines: 90 % interval of the mean."
    return finished(figure, study.source_line, "density", density_finding(study), note)


def _letter_points(axes: Axes, rows: pd.DataFrame) -> str:
    """Letter the points, one letter for all that lie on one spot, and return the key."""
    lines = []
    spots = rows.groupby(rows[["sodium_mg_per_serving", NRF]].round(6).apply(tuple, axis=1), sort=False)
    for letter, (spot, group) in zip(string.ascii_uppercase, spots, strict=False):
        axes.annotate(letter, spot, xytext=(0, 9), textcoords="offset points", ha="center", fontweight="bold")
        names = [textwrap.fill(str(name), 30, subsequent_indent="    ") for name in group.index]
        lines.append(f"{letter}  " + "\n    or ".join(names))
    return "\n".join(lines)


def _mark_words(axes: Axes, study: Study) -> None:
    """Draw where the regime's words for a little and a lot of sodium begin."""
    sodium = study.variants["sodium_mg_per_serving"].iloc[0]
    per_percent = sodium / study.variants[f"sodium_percent_dv_{study.regime}"].iloc[0]
    right = axes.get_xlim()[1]
    for word, percent in word_limits(study.regime).items():
        limit = percent * per_percent
        if np.isfinite(limit) and limit <= right:
            axes.axvline(limit, color=GREY, lw=1, ls=":")
            text = f"{word}: {'to' if percent == min(word_limits(study.regime).values()) else 'from'} {limit:.0f} mg "
            axes.text(
                limit, 0.01, text, rotation=90, ha="right", va="bottom", fontsize=9, color=GREY,
                transform=axes.get_xaxis_transform(),
            )  # fmt: skip


@mpl.rc_context(STYLE)
def plot_differences(study: Study) -> Chart:
    """Draw the difference of every variant from the recipe as written.

    Answers: what do I gain and lose with each swap?

    Parameters
    ----------
    study : Study

    Returns
    -------
    Chart
        A panel for each of the first four components. x: difference [its unit per the basis of the study] with 90 %
        interval; y: variants.

    Examples
    --------
    >>> import swaptable as st
    >>> plot_differences(st.study_recipe("barley_pot", "blood_pressure")).title  # doctest: +ELLIPSIS
    'Real differences from the recipe as written: sodium ... mg; potassium ... mg'
    """
    shown = [label for label in study.shown() if label != study.variants.index[0]]
    components = study.components[:4]
    figure, panels = new_figure(2.0 + 0.36 * max(len(shown), 2), len(components), sharey=True)
    table = study.differences.set_index(["component", "variant"])
    order = study.variants.loc[shown].sort_values("sodium_mg_per_serving", ascending=False).index
    for axes, component in zip(panels, components, strict=True):
        rows = table.loc[component].reindex(order)
        unit = study.amounts.units()[component]
        more = rows["difference"].fillna(0) > 0
        bars = axes.barh(
            range(len(order)), rows["difference"].fillna(0), height=0.7, edgecolor="black", linewidth=0.6,
            color=np.where(more, ORANGE, BLUE),
        )  # fmt: skip
        for bar, is_more in zip(bars, more, strict=True):
            bar.set_hatch("//" if is_more else "")
        shown_rows = rows[rows["difference"].notna()]
        places = [place for place, known in enumerate(rows["difference"].notna()) if known]
        ends = [shown_rows["difference"] - shown_rows["low_90"], shown_rows["high_90"] - shown_rows["difference"]]
        axes.errorbar(shown_rows["difference"], places, xerr=ends, fmt="none", ecolor="black", lw=1.1, capsize=2.5)
        _label_bars(axes, rows, component, study)
        axes.axvline(0, color="black", lw=1)
        axes.spines["left"].set_visible(False)
        axes.tick_params(axis="y", length=0)
        axes.set_title(component_label(component), fontsize=12)
        axes.set_xlabel(f"[{unit} per {study.basis}]", fontsize=10)
        axes.tick_params(axis="x", labelsize=9)
        axes.xaxis.set_major_locator(mpl.ticker.MaxNLocator(3))
        axes.margins(x=0.5)
    panels[0].set_yticks(range(len(order)), [wrapped(label, 40) for label in order], fontsize=9.5)
    more_rows = "" if len(components) == len(study.components) else "The table has the other components."
    note = (
        "Plain bars: less than as written; hatched: more. Lines: 90 % interval of the mean difference; number in "
        f"brackets: no real difference; ≈0: below 1 % of a daily value. {left_out(study)} {more_rows}"
    )
    return finished(figure, study.source_line, "differences", difference_finding(study), note)


def _label_bars(axes: Axes, rows: pd.DataFrame, component: str, study: Study) -> None:
    """Print each difference outside its interval; in brackets where it may be none at all, ≈0 where it is a trifle."""
    largest, unit = rows["difference"].abs().max(), study.amounts.units()[component]
    for number, (_, row) in enumerate(rows.iterrows()):
        value = row["difference"]
        exact = row["high_90"] - row["low_90"] <= NOISE * abs(row["as_written"])
        trifle = value != 0 and is_trifle(component, value, unit, study.regime)
        text = "≈0" if trifle and not exact else amount_text(value, signed=True, beside=largest)
        text = text if row["real"] or np.isnan(value) or exact else f"({text})"
        left = np.nan_to_num(value) < 0
        end = np.nan_to_num(row["low_90"] if left else row["high_90"])
        axes.annotate(
            text, (end, number), xytext=(-3 if left else 3, 0), textcoords="offset points",
            va="center", ha="right" if left else "left", fontsize=8.5,
        )  # fmt: skip


@mpl.rc_context(STYLE)
def plot_daily_values(study: Study) -> Chart:
    """Draw the percent daily value of each compared component as a table in shades.

    Answers: how much of the day does a serving give, and what is a little or a lot?

    Parameters
    ----------
    study : Study

    Returns
    -------
    Chart
        Table in shades, variants × components: percent of the regime's daily value in one serving [%].

    Examples
    --------
    >>> import swaptable as st
    >>> plot_daily_values(st.study_recipe("oat_pancakes", "blood_pressure")).title
    'A serving as written, by the daily values of the United States — high: calcium'
    """
    table, whole = study.percent_daily_value.loc[study.shown()], study.percent_is_whole.loc[study.shown()]
    figure, (axes,) = new_figure(2.2 + 0.34 * len(table))
    (little, low), (much, high) = word_limits(study.regime).items()
    texts = np.full(table.shape, "", dtype=object)
    for row, column in np.ndindex(table.shape):
        value = table.iat[row, column]
        bound = "" if whole.iat[row, column] else "≥"
        mark = " ▲" if value >= high else " ▽" if value <= low and not bound else ""
        texts[row, column] = "not known" if np.isnan(value) else f"{bound}{percent_text(value, (low, high))}{mark}"
    shades = np.minimum(table.to_numpy(dtype=float), 100) / 130
    draw_cells(axes, texts, shades, list(table.index), [wrapped(component_label(c), 12) for c in table.columns])
    note = (
        f"Percent of the daily value per serving, {REGIMES[study.regime]}. ▽ {little} ({low:.0f} % or less), "
        f"▲ {much} ({high:.0f} % or more). {left_out(study)}"
    )
    return finished(figure, study.source_line, "daily_values", daily_value_finding(study), note)


@mpl.rc_context(STYLE)
def plot_contributions(study: Study) -> Chart:
    """Draw what each ingredient brings to sodium, as written and in the variant with the least.

    Answers: where does the salt come from?

    Parameters
    ----------
    study : Study

    Returns
    -------
    Chart
        x: sodium [mg per the basis of the study]; y: ingredients.

    Examples
    --------
    >>> import swaptable as st
    >>> plot_contributions(st.study_recipe("barley_pot", "blood_pressure")).title.partition(":")[0]
    'Most of the sodium as written comes from the liquid (stock)'
    """
    least = study.variants["sodium_mg_per_serving"].idxmin()
    labels = list(dict.fromkeys([study.variants.index[0], least]))
    table = study.sodium_by_ingredient.loc[labels].T
    table = table[(table.fillna(1) != 0).any(axis=1)].sort_values(labels[0])
    figure, (axes,) = new_figure(1.9 + 0.55 * len(table))
    height, largest = 0.8 / len(labels), table.max(axis=None)
    for number, (label, colour, hatch) in enumerate(zip(labels, (ORANGE, BLUE), ("//", ""), strict=False)):
        places = np.arange(len(table)) + height * (len(labels) - 1 - number)
        axes.barh(
            places, table[label].fillna(0), height=height, color=colour, hatch=hatch, edgecolor="black",
            linewidth=0.6, label=label,
        )  # fmt: skip
        for place, value in zip(places, table[label], strict=True):
            axes.annotate(
                amount_text(value, beside=largest),
                (np.nan_to_num(value), place),
                xytext=(4, 0),
                textcoords="offset points",
                va="center",
                fontsize=9.5,
            )
    axes.set_yticks(np.arange(len(table)) + height * (len(labels) - 1) / 2, table.index)
    axes.set_xlabel(f"Sodium [mg per {study.basis}]")
    axes.margins(x=0.12)
    axes.legend(loc="lower right", fontsize=10)
    return finished(figure, study.source_line, "contributions", contribution_finding(study))


@mpl.rc_context(STYLE)
def plot_effects(study: Study) -> Chart:
    """Draw what each option changes on average over the other choices, with its range.

    Answers: which choice is worth teaching?

    Parameters
    ----------
    study : Study

    Returns
    -------
    Chart
        x: change in sodium [mg per the basis of the study], then in the nutrient-rich foods index 9.3 [per 100 kcal];
        y: options.

    Examples
    --------
    >>> import swaptable as st
    >>> plot_effects(st.study_recipe("barley_pot", "blood_pressure")).title  # doctest: +ELLIPSIS
    'The choice that moves sodium most: water instead of stock, −... mg per serving on average'
    """
    measures = {"NA": f"Sodium [mg per {study.basis}]", NRF: "Index 9.3 [per 100 kcal]"}
    effects = study.effects[study.effects["measure"] == "NA"]
    figure, panels = new_figure(2.1 + 0.5 * max(len(effects), 1), 2, sharey=True)
    names = [f"{row['option']}\ninstead of {row['instead_of']}" for _, row in effects.iterrows()]
    for axes, (measure, label) in zip(panels, measures.items(), strict=True):
        rows = study.effects[study.effects["measure"] == measure].reset_index(drop=True)
        axes.hlines(rows.index, rows["least"], rows["most"], color=GREY, lw=4, alpha=0.6)
        axes.errorbar(
            rows["effect"], rows.index, xerr=Z90 * rows["standard_error"], fmt="none", ecolor="black", capsize=3
        )
        axes.scatter(rows["effect"], rows.index, s=70, marker="D", color=BLUE, edgecolor="black", zorder=3)
        largest = rows["effect"].abs().max()
        for number, (value, error) in enumerate(zip(rows["effect"], rows["standard_error"], strict=True)):
            text = amount_text(value, signed=True, beside=largest)
            text = "≈0" if measure == "NA" and value and is_trifle("NA", value, "mg", study.regime) else text
            text = f"({text})" if 0 < abs(value) < Z90 * error else text
            axes.annotate(
                text, (np.nan_to_num(value), number), xytext=(0, 9),
                textcoords="offset points", ha="center", fontsize=9.5,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8},
            )  # fmt: skip
        axes.axvline(0, color="black", lw=1)
        axes.set_xlabel(label)
        axes.margins(x=0.18, y=0.12)
    panels[0].set_yticks(range(len(names)), names, fontsize=10)
    panels[0].invert_yaxis()
    note = (
        "Diamond: mean; grey band: least to most over the other choices; black line: 90 % interval; "
        "number in brackets: no real difference; ≈0: below 1 % of a daily value."
    )
    return finished(figure, study.source_line, "effects", effect_finding(study), note)
