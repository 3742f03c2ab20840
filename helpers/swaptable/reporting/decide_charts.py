"""Charts of a decision; draw, compute nothing."""

from __future__ import annotations

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from swaptable.deciding.contrasts import Explained
from swaptable.deciding.decide import FIRST, NOTHING, Decision
from swaptable.deciding.sensitivity import BASES_COMPARED, Doubts
from swaptable.judging.findings import amount_text
from swaptable.reporting.decide_findings import (
    bases_finding,
    best_finding,
    choice_finding,
    rows_of,
    share_finding,
    thing_name,
    wrong_finding,
)
from swaptable.reporting.figures import BLUE, GREY, ORANGE, STYLE, Z90, Chart, draw_cells, finished, new_figure, wrapped

__all__ = ["MOST_ROWS", "percent_text", "plot_bases", "plot_best", "plot_choices", "plot_shares", "plot_wrongs"]

MOST_BARS, MOST_ROWS, MOST_INGREDIENTS = 10, 12, 7
SIGN = {"met": "✓", "not met": "✗", "cannot tell": "?"}
SEEN = 0.01  # probability from which a bar is seen
LIGHT = "#d0d0d0"


def _points(axes: Axes, rows: pd.DataFrame, value: str, names: list[str]) -> None:
    """Draw values with their 90 % intervals, the number above; in brackets where there may be no difference."""
    axes.axvline(0, color="black", lw=1)
    axes.errorbar(
        rows[value], range(len(rows)), xerr=Z90 * rows["standard_error"], fmt="none", ecolor="black", capsize=3
    )
    axes.scatter(rows[value], range(len(rows)), s=65, marker="D", color=BLUE, edgecolor="black", zorder=3)
    largest = rows[value].abs().max()
    for place, (each, real) in enumerate(zip(rows[value], rows["real"], strict=True)):
        text = amount_text(each, signed=True, beside=largest)
        axes.annotate(
            text if real or each == 0 else f"({text})", (each, place), xytext=(0, 8), textcoords="offset points",
            ha="center", fontsize=9.5, bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
        )  # fmt: skip
    axes.set_yticks(range(len(rows)), names, fontsize=9.5)
    axes.set_ylim(len(rows) - 0.5, -0.8)
    axes.margins(x=0.16)
    axes.tick_params(axis="x", labelsize=9)
    axes.xaxis.set_major_locator(mpl.ticker.MaxNLocator(4))


@mpl.rc_context(STYLE)
def plot_choices(decision: Decision, explained: Explained) -> Chart:
    """Draw what each option changes on average, and which two do more, or less, together than alone.

    Answers: which choice matters, and does it depend on the others?

    Parameters
    ----------
    decision : Decision
    explained : Explained

    Returns
    -------
    Chart
        x: change in the objective [its unit and basis] with 90 % intervals; y: options, then pairs of options.

    Examples
    --------
    >>> import swaptable as st
    >>> decision = st.decide_recipe("barley_pot", "blood_pressure", ["sodium <= 300 mg"], draws=100)
    >>> plot_choices(decision, st.explain(decision)).title.partition(":")[0]
    'Sweet potato instead of potato changes nutrient density most'
    """
    effects = rows_of(explained.effects, decision.objective).dropna(subset="effect")
    effects = effects.reindex(effects["effect"].abs().sort_values(ascending=False).index).head(MOST_BARS)
    pairs = rows_of(explained.interactions, decision.objective).dropna(subset="interaction")
    pairs = pairs[pairs["interaction"] != 0]
    pairs = pairs.reindex(pairs["interaction"].abs().sort_values(ascending=False).index).head(MOST_BARS)
    figure, (left, right) = new_figure(2.2 + 0.5 * max(len(effects), len(pairs), 2), 2)
    _points(
        left, effects, "effect", [wrapped(f"{r.option} instead of {r.instead_of}", 26) for r in effects.itertuples()]
    )
    unit = f"[{decision.objective.unit} per {decision.objective.basis}]"
    left.set_title("Alone: mean over the other choices", fontsize=11)
    right.set_title("Together: beyond the sum of both", fontsize=11)
    for axes in (left, right):
        axes.set_xlabel(f"{decision.objective.name} {unit}", fontsize=10)
    if pairs.empty:
        words = "each choice adds the same,\nwhatever the others are"
        right.text(0.5, 0.5, words, transform=right.transAxes, ha="center", va="center")
        right.set_axis_off()
    else:
        _points(right, pairs, "interaction", [wrapped(f"{r.option} × {r.with_option}", 26) for r in pairs.itertuples()])
    note = "Lines: 90 % interval; in brackets: no real difference. Exact on all allowed combinations."
    return finished(figure, decision.source_line, "choices", choice_finding(decision, explained), note)


def _waterfall(
    axes: Axes, names: list[str], shares: np.ndarray, ends: tuple[float, float], labels: tuple[str, str]
) -> None:
    """Draw the steps from one amount to another; the last bar is the sum of all before it."""
    at = ends[0] + np.concatenate([[0.0], np.cumsum(shares)])
    rows = [labels[0], *names, labels[1]]
    axes.barh(0, ends[0], color=LIGHT, edgecolor="black", linewidth=0.6, height=0.62)
    axes.barh(len(rows) - 1, ends[1], color=LIGHT, edgecolor="black", linewidth=0.6, height=0.62)
    largest = max(abs(ends[0]), abs(ends[1]), np.abs(shares).max(initial=0.0))
    whole = ends[1] - ends[0]
    for place, share in enumerate(shares, start=1):
        more = share > 0
        axes.barh(
            place, share, left=at[place - 1], color=ORANGE if more else BLUE, hatch="//" if more else "",
            edgecolor="black", linewidth=0.6, height=0.62,
        )  # fmt: skip
        axes.plot([at[place - 1]] * 2, [place - 1 + 0.31, place - 0.31], color=GREY, lw=0.8)
        percent = f" ({100 * share / whole:.0f} %)" if abs(whole) > 1e-9 * largest else ""
        text = f"{amount_text(share, signed=True, beside=np.abs(shares).max())}{percent}"
        axes.annotate(
            text, (max(at[place - 1], at[place]), place), xytext=(4, 0), textcoords="offset points", va="center",
            fontsize=9,
        )  # fmt: skip
    axes.plot([at[-1]] * 2, [len(rows) - 2 + 0.31, len(rows) - 1 - 0.31], color=GREY, lw=0.8)
    for place, value in ((0, ends[0]), (len(rows) - 1, ends[1])):
        axes.annotate(
            amount_text(value, beside=largest), (max(value, 0), place), xytext=(4, 0), textcoords="offset points",
            va="center", fontsize=9, fontweight="bold",
        )  # fmt: skip
    axes.set_yticks(range(len(rows)), [wrapped(name, 24) for name in rows], fontsize=9.5)
    axes.invert_yaxis()
    axes.axvline(0, color="black", lw=1)
    low, high = min(0.0, at.min()), max(0.0, at.max())
    axes.set_xlim(low - 0.03 * (high - low), high + 0.42 * (high - low or 1.0))
    axes.tick_params(axis="x", labelsize=9)
    axes.xaxis.set_major_locator(mpl.ticker.MaxNLocator(4))


@mpl.rc_context(STYLE)
def plot_shares(decision: Decision, explained: Explained) -> Chart:
    """Draw the way from the recipe as written to the variant, swap by swap and ingredient by ingredient.

    Answers: which swap, and which ingredient, makes the difference?

    Parameters
    ----------
    decision : Decision
    explained : Explained

    Returns
    -------
    Chart
        x: the objective [its unit and basis]; y: swaps, then ingredients, between as written and the variant.

    References
    ----------
    Shapley 1953, A value for n-person games.

    Examples
    --------
    >>> import swaptable as st
    >>> decision = st.decide_recipe("barley_pot", "blood_pressure", ["sodium <= 300 mg"], draws=100)
    >>> plot_shares(decision, st.explain(decision)).title  # doctest: +ELLIPSIS
    'Sweet potato makes +... of the +... by which sweet potato + water + no salt changes nutrient density'
    """
    known = decision.measured[decision.objective]
    place = decision.amounts.grid.labels.index(explained.label)
    ends = (float(np.nan_to_num(known.value[0])), float(np.nan_to_num(known.value[place])))
    swaps = rows_of(explained.swaps, decision.objective).dropna(subset="share")
    parts = rows_of(explained.ingredients, decision.objective).dropna(subset="share")
    parts = parts.reindex(parts["share"].abs().sort_values(ascending=False).index)
    names, shares = list(parts["ingredient"]), parts["share"].to_numpy()
    if len(names) > MOST_INGREDIENTS + 1:
        kept = MOST_INGREDIENTS
        names, shares = [*names[:kept], f"{len(names) - kept} others"], np.append(shares[:kept], shares[kept:].sum())
    figure, (left, right) = new_figure(2.4 + 0.46 * (2 + max(len(swaps), len(names))), 2)
    swapped = [f"{row.option} instead of {row.instead_of}" for row in swaps.itertuples()]
    labels = ("as written", explained.label)
    _waterfall(left, swapped, swaps["share"].to_numpy(), ends, labels)
    _waterfall(right, names, shares, ends, labels)
    left.set_title("By swap", fontsize=11)
    right.set_title("By ingredient", fontsize=11)
    for axes in (left, right):
        axes.set_xlabel(
            f"{decision.objective.name} [{decision.objective.unit} per {decision.objective.basis}]", fontsize=10
        )
    note = (
        "Plain: less; hatched: more; in brackets the share of the whole difference. A share is the mean over all "
        "orders of making the changes one by one (Shapley 1953), so the shares add up."
    )
    return finished(figure, decision.source_line, "shares", share_finding(decision, explained), note)


def _two_bars(axes: Axes, best: pd.Series, three: pd.Series) -> None:
    """Draw a narrow bar on a wide one for each variant, with both probabilities [%] in words."""
    places = range(len(best))
    axes.barh(
        places, three, color=LIGHT, edgecolor="black", linewidth=0.6, height=0.72,
        hatch="..",
    )  # fmt: skip
    axes.barh(places, best, color=BLUE, edgecolor="black", linewidth=0.6, height=0.4)
    for place, (first, among) in enumerate(zip(best, three, strict=True)):
        axes.annotate(
            f"{percent_text(first)} best,\n{percent_text(among)} in the first three", (1, place),
            xycoords=axes.get_yaxis_transform(), xytext=(8, 0), textcoords="offset points", va="center", fontsize=9.5,
        )  # fmt: skip


@mpl.rc_context(STYLE)
def plot_best(decision: Decision) -> Chart:
    """Draw how probably each variant is the best, and among the best three.

    Answers: how robust is the ranking?

    Parameters
    ----------
    decision : Decision

    Returns
    -------
    Chart
        x: probability [%]; y: variants.

    Examples
    --------
    >>> import swaptable as st
    >>> decision = st.decide_recipe("barley_pot", "blood_pressure", ["sodium <= 300 mg"], draws=100)
    >>> plot_best(decision).title.partition(":")[0]
    'Sweet potato + water + no salt surely has the highest nutrient density'
    """
    table = decision.ranking.dropna(subset="probability_best").sort_values(
        "probability_best", ascending=False, kind="stable"
    )
    table = table[(table["probability_best_three"] >= SEEN) | (np.arange(len(table)) < FIRST)].head(MOST_BARS)
    figure, (axes,) = new_figure(2.2 + 0.42 * max(len(table), 2))
    _two_bars(axes, 100 * table["probability_best"], 100 * table["probability_best_three"])
    axes.set_yticks(range(len(table)), [wrapped(name, 40) for name in table["variant"]], fontsize=9.5)
    axes.invert_yaxis()
    axes.set_xlim(0, 100)
    axes.set_xticks(range(0, 101, 25))
    axes.set_xlabel(f"Probability [%] by {decision.objective.name.lower()}, given how sure the amounts are")
    among = (
        "all variants"
        if table["wants"].iloc[:1].eq(NOTHING).all()
        else f"variants of the verdict '{decision.best['wants']}'"
    )
    note = (
        f"Narrow bars: the best; wide and dotted: among the best three. {decision.draws:,} draws of all independent "
        f"sources of error; what variants share is drawn once. Among {among}; those left out have less than 1 %. To "
        "first order; the choice of foods and index is taken as right."
    )
    return finished(figure, decision.source_line, "best", best_finding(decision), note)


def percent_text(value: float) -> str:
    """Give a probability [%] in a few signs; none is ever told as nought or certain."""
    return "<1 %" if value < 1 else ">99 %" if value > 99 else f"{value:.0f} %"


@mpl.rc_context(STYLE)
def plot_wrongs(decision: Decision, doubts: Doubts) -> Chart:
    """Draw what one wrong weight or match would change in the variant ranked first.

    Answers: which number must be checked before teaching?

    Parameters
    ----------
    decision : Decision
    doubts : Doubts

    Returns
    -------
    Chart
        A panel for each measure. x: change [its unit and basis]; y: what may be wrong.

    Examples
    --------
    >>> import swaptable as st
    >>> decision = st.decide_recipe("barley_pot", "blood_pressure", ["sodium <= 300 mg"], draws=100)
    >>> plot_wrongs(decision, st.find_doubts(decision)).title.partition(";")[0]
    'No single wrong weight or match changes the answer'
    """
    table = doubts.wrongs[doubts.wrongs["kind"].isin(["weight", "match"])]
    measures = list(dict.fromkeys(zip(table["measure"], table["unit"], table["basis"], strict=True)))
    table = table.assign(thing=[thing_name(row) for row in table.itertuples()])
    swing = table.assign(size=table["best_change"].abs()).pivot_table(
        index="thing", columns=["measure", "basis"], values="size", aggfunc="max", sort=False
    )
    relative = (swing / swing.max().where(swing.max() > 0, 1.0)).max(axis=1)
    things = list(relative[relative > 0].sort_values(ascending=False, kind="stable").head(MOST_BARS).index)
    figure, panels = new_figure(2.4 + 0.48 * max(len(things), 2), len(measures), sharey=True)
    for axes, (name, unit, basis) in zip(panels, measures, strict=True):
        rows = table[(table["measure"] == name) & (table["basis"] == basis)]
        largest = rows["best_change"].abs().max()
        for place, thing in enumerate(things):
            for row in rows[rows["thing"] == thing].itertuples():
                more = row.best_change > 0
                axes.barh(
                    place, row.best_change, color=ORANGE if more else BLUE, hatch="//" if more else "",
                    edgecolor="black", linewidth=0.6, height=0.66,
                )  # fmt: skip
                text = amount_text(row.best_change, signed=True, beside=largest)
                if text not in ("0", "≈0"):
                    axes.annotate(
                        text, (row.best_change, place),
                        xytext=(3 if more else -3, 0), textcoords="offset points", va="center",
                        ha="left" if more else "right", fontsize=8.5,
                    )  # fmt: skip
        axes.axvline(0, color="black", lw=1)
        axes.set_xlabel(f"{name}\n[{unit} {basis}]", fontsize=10)
        axes.margins(x=0.42)
        axes.tick_params(axis="x", labelsize=9)
        axes.xaxis.set_major_locator(mpl.ticker.MaxNLocator(3))
    turned = set(table.loc[table["surely_changes"] | (table["verdicts_then"] != ""), "thing"])
    labels = [wrapped(f"{thing}{' ►' if thing in turned else ''}", 40) for thing in things]
    panels[0].set_yticks(range(len(things)), labels, fontsize=9)
    panels[0].set_ylim(len(things) - 0.4, -0.6)
    note = (
        f"Change in '{decision.best['variant']}' if one thing alone is wrong; plain: less, hatched: more. "
        "►: a verdict, or surely the first place, would change. Yields change nothing per serving."
    )
    return finished(figure, decision.source_line, "wrongs", wrong_finding(decision, doubts), note)


@mpl.rc_context(STYLE)
def plot_bases(decision: Decision, doubts: Doubts) -> Chart:
    """Draw rank and verdict of the first variants, and of those whose verdict changes, on every basis in shades.

    Answers: does the answer depend on what is called equal?

    Parameters
    ----------
    decision : Decision
    doubts : Doubts

    Returns
    -------
    Chart
        Table in shades, variants × bases: rank [-], and whether all wants are met.

    Examples
    --------
    >>> import swaptable as st
    >>> decision = st.decide_recipe("barley_pot", "blood_pressure", ["sodium <= 300 mg"], draws=100)
    >>> plot_bases(decision, st.find_doubts(decision)).title
    'Sweet potato + water + no salt comes first on every basis; no verdict changes'
    """
    table = doubts.bases
    ranking = decision.ranking["variant"]
    changed = set(table.loc[table["verdict_changes"], "variant"])
    others = [label for label in ranking[MOST_ROWS:] if label in changed]
    labels = [*ranking[:MOST_ROWS], *others[:MOST_ROWS]]
    figure, (axes,) = new_figure(2.7 + 0.36 * len(labels))
    texts = np.full((len(labels), len(BASES_COMPARED)), "", dtype=object)
    shades = np.zeros(texts.shape)
    by = table.set_index(["variant", "basis"])
    for (row, label), (column, basis) in (
        ((r, la), (c, b)) for r, la in enumerate(labels) for c, b in enumerate(BASES_COMPARED)
    ):
        found = by.loc[(label, basis)]
        texts[row, column] = f"{found['rank']} {SIGN.get(str(found['wants']), '')}".strip()
        shades[row, column] = 0.65 if found["verdict_changes"] else 0.25 if found["rank_change"] else 0.0
    draw_cells(axes, texts, shades, labels, [wrapped(basis, 12) for basis in BASES_COMPARED])
    notes = [f"{note[:1].upper()}{note[1:]}" for note in dict.fromkeys(table["note"]) if note]
    if len(others) > MOST_ROWS:
        notes.append(f"{len(others) - MOST_ROWS} more variants with another verdict stand in the table.")
    note = (
        "Rank, and whether all wants are met (✓), not (✗) or nobody can tell (?). Light: another rank than per serving "
        f"as the recipe has it; dark: another verdict. {' '.join(notes)}"
    )
    return finished(figure, decision.source_line, "bases", bases_finding(decision, doubts), note)
