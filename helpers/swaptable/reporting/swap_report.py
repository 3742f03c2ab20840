"""Swaps and amounts on a page: what could stand in for an ingredient, how much of what, and their files."""

from __future__ import annotations

import html

import matplotlib as mpl
import numpy as np
import pandas as pd
from IPython.display import HTML
from matplotlib.axes import Axes

from swaptable.basics.errors import counted
from swaptable.deciding.how_much import Plan
from swaptable.deciding.swap_words import WORTH_A_WORD, plain_component
from swaptable.deciding.swaps import Swaps
from swaptable.foods.families import short_name
from swaptable.foods.reference import component_label
from swaptable.judging.findings import amount_text
from swaptable.reporting.figures import BLUE, GREY, ORANGE, STYLE, Chart, finished, new_figure, wrapped
from swaptable.reporting.reports import table_shown, write_tables

__all__ = [
    "amounts_shown",
    "paste_shown",
    "plot_amounts",
    "plot_swaps",
    "save_swaps",
    "swap_cautions_shown",
    "swaps_shown",
]

MOST_PANELS = 4
_SODIUM = "NA"


def _old(swaps: Swaps) -> str:
    return short_name(swaps.line.food.description)


def _finding(swaps: Swaps) -> str:
    """State what the best swap does; a concern of the class comes before any praise."""
    if swaps.table.empty:
        return f"No food of the table plays the part of {_old(swaps)} in {swaps.recipe.title}"
    best, fit = swaps.table.iloc[0], "fits" if swaps.fitting == 1 else "fit"
    if best["concerns_of_class"]:
        return f"Every swap for {_old(swaps)} needs a word first on {best['concerns_of_class']}"
    if best["worsens"]:
        return f"Every swap for {_old(swaps)} surely raises {best['worsens']}"
    if not swaps.effects["role"].isin(["raise", "keep down"]).any():
        told = "which one suits whom is for the care team to say"
        return f"{counted(swaps.fitting, 'food')} {fit} in place of {_old(swaps)}; {told}"
    if not best["score"] > 0:
        return f"No swap for {_old(swaps)} brings this audience surely nearer to its aims"
    rows = swaps.effects[(swaps.effects["option"] == best["option"]) & swaps.effects["real"]]
    rows = rows[rows["role"].isin(["raise", "keep down"]) & (rows["percent_dv_difference"].abs() >= WORTH_A_WORD)]
    rows = rows.sort_values("percent_dv_difference", key=lambda percent: percent.abs(), ascending=False)
    better = (rows["difference"] > 0) == (rows["role"] == "raise")
    gains, losses = (
        [
            f"{plain_component(row.component)} {amount_text(row.difference, row.unit, signed=True)}"
            for row in part.itertuples()
        ]
        for part in (rows[better].head(2), rows[~better].head(1))
    )
    told = ", ".join(gains) or f"nothing of {WORTH_A_WORD:g} % of a daily value or more"
    told += f", but {losses[0]}" if losses else ""
    known = " (already a choice)" if best["already"] else ""
    food = f"{best['option']}{known}"
    return f"Of {counted(swaps.fitting, 'food')} that {fit}, {food} does most in place of {_old(swaps)}: {told}"


def swaps_shown(swaps: Swaps) -> HTML:
    """Show what was looked for, what was found and the swaps with reason, trade-off and what they bring.

    Parameters
    ----------
    swaps : Swaps

    Returns
    -------
    HTML
        Sentences, and a table of swaps: why, trade-off, difference in sodium [mg per serving; in brackets if it may be
        none], cautions and allergens, cooking, and with prices the cost [currency in the head].

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> swaps = st.find_swaps("oat_pancakes", "yogurt", "blood_pressure", most=2)
    >>> re.search("([0-9]+ fit the recipe)", swaps_shown(swaps).data)[1]
    '7 fit the recipe'
    """
    about = (
        f"<h1>A swap for {html.escape(_old(swaps))} in {html.escape(swaps.recipe.title)}</h1>"
        f"<p><strong>{html.escape(_finding(swaps))}.</strong></p>"
        f"<p>For: {html.escape(swaps.audience.title)}. Looked at {len(swaps.screened)} foods of "
        f"{'the role ' + html.escape(swaps.role) if swaps.wide else 'the family ' + html.escape(swaps.family)}; "
        f"{swaps.fitting} fit the recipe, {len(swaps.table)} shown: alike ones are counted as one. Kept equal: "
        f"{html.escape(swaps.same)}. Amounts per serving; a difference whose 90 % interval holds 0 counts as none. "
        "Swaps that a concern of the class speaks against stand behind the others, and last what surely raises "
        f"something to keep down by {WORTH_A_WORD:g} % of a daily value or more.</p>"
    )
    if swaps.table.empty:
        return HTML(about)
    table = swaps.table
    columns = {
        "option": "Swap", "reason": "Why", "trade_off": "Trade-off", "sodium": "Sodium [mg]", "brings": "Brings",
        "cooking": "Cooking",
    }  # fmt: skip
    if not table["cooking"].any():
        del columns["cooking"]
    if "cost_difference" in table:
        columns["cost_difference"] = f"Cost [{table['currency'].iloc[0]}]"
    shown = table.assign(
        sodium=[
            amount_text(value, signed=True) if real else f"({amount_text(value, signed=True)})"
            for value, real in zip(table["sodium_difference_mg"], table["sodium_real"], strict=True)
        ],
        brings=[_brings(row) for _, row in table.iterrows()],
        trade_off=[
            f"{t}; not known: {n}" if n else t for t, n in zip(table["trade_off"], table["not_known"], strict=True)
        ],
    ).set_index("rank")
    caption = "Best first. In brackets: no real difference. Read each caution before you offer a swap."
    return HTML(about + table_shown(shown[list(columns)].rename(columns=columns), caption).data)


def _brings(row: pd.Series) -> str:
    """Say what a swap brings into the dish besides nutrients, concerns of the class first."""
    parts = [
        f"class: read the caution on {row['concerns_of_class']}" if row["concerns_of_class"] else "",
        f"caution: {row['cautions']}" if row["cautions"] else "",
        f"adds allergen: {row['adds_allergens']}" if row["adds_allergens"] else "",
        f"no longer names: {row['removes_allergens']}" if row["removes_allergens"] else "",
        "read its label" if row["read_the_label"] else "",
        "no longer vegetarian" if row["no_longer_vegetarian"] else "",
        f"already a choice ({row['already']})" if row["already"] else "",
    ]
    return "; ".join(filter(None, parts))


def swap_cautions_shown(swaps: Swaps) -> HTML:
    """Show the cautions that the swaps bring to the class, each with its message.

    Parameters
    ----------
    swaps : Swaps

    Returns
    -------
    HTML
        Table: swap, concern, message, source; or that no swap brings any.

    Examples
    --------
    >>> import swaptable as st
    >>> swaps = st.find_swaps("oat_pancakes", "yogurt", "blood_pressure", most=2)
    >>> swap_cautions_shown(swaps).data
    '<p>No swap brings a caution that the recipe as written does not have.</p>'
    """
    if swaps.cautions.empty:
        return HTML("<p>No swap brings a caution that the recipe as written does not have.</p>")
    table = swaps.cautions.set_index("option")[["concern", "message", "source"]]
    return table_shown(table.rename(columns=str.capitalize), "What a swap brings that somebody in the class must know.")


def paste_shown(swaps: Swaps) -> HTML:
    """Show the line of each swap that makes it an option of the recipe file.

    Parameters
    ----------
    swaps : Swaps

    Returns
    -------
    HTML
        Where to paste, and the lines.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> swaps = st.find_swaps("oat_pancakes", "yogurt", "blood_pressure", most=2)
    >>> re.search("Paste under <code>(.*?)</code>", paste_shown(swaps).data)[1]
    'choices → yogurt'
    """
    lines = "\n".join(html.escape(line) for line in swaps.table["yaml"])
    return HTML(f"<p>Paste under <code>{html.escape(swaps.paste_under)}</code>:</p><pre>{lines}</pre>")


def _draw_differences(axes: Axes, rows: pd.DataFrame) -> None:
    """Draw the difference of each swap with its interval; open, in brackets, where it is not real."""
    places = np.arange(len(rows))
    colours = np.where(rows["difference"] > 0, ORANGE, BLUE)
    axes.hlines(places, rows["low_90"], rows["high_90"], color=GREY, lw=2)
    real = rows["real"].fillna(False).to_numpy(dtype=bool)
    for kind, face in ((real, colours), (~real, np.full(len(rows), "white"))):
        axes.scatter(
            rows["difference"][kind], places[kind], s=75, marker="D", c=face[kind], edgecolor="black", zorder=3
        )
    largest = rows["difference"].abs().max()
    for place, (value, is_real) in enumerate(zip(rows["difference"], real, strict=True)):
        text = amount_text(value, signed=True, beside=largest)
        axes.annotate(
            text if is_real or np.isnan(value) else f"({text})", (np.nan_to_num(value), place), xytext=(0, 9),
            textcoords="offset points", ha="center", fontsize=9,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6}, zorder=2,
        )  # fmt: skip


@mpl.rc_context(STYLE)
def plot_swaps(swaps: Swaps) -> Chart:
    """Draw what each swap changes in sodium and in what the audience watches, with its interval.

    Answers: which food in its place, and at what price in other nutrients?

    Parameters
    ----------
    swaps : Swaps

    Returns
    -------
    Chart
        A panel for each of at most four components. x: difference [its unit per serving] with 90 % interval; y: swaps.

    Examples
    --------
    >>> import swaptable as st
    >>> swaps = st.find_swaps("oat_pancakes", "yogurt", "blood_pressure", most=2)
    >>> plot_swaps(swaps).title.partition(" does most")[0]
    'Of 7 foods that fit, yogurt, plain, skim milk, 13 grams protein per 8 ounce'
    """
    roles = swaps.effects[swaps.effects["role"] != ""]["component"]
    components = list(dict.fromkeys([_SODIUM, *roles]))[:MOST_PANELS]
    names = list(swaps.table["option"])
    figure, panels = new_figure(2.3 + 0.5 * max(len(names), 2), len(components), sharey=True)
    for axes, component in zip(panels, components, strict=True):
        rows = swaps.effects[swaps.effects["component"] == component].set_index("option").reindex(names)
        _draw_differences(axes, rows)
        axes.axvline(0, color="black", lw=1, zorder=1)
        axes.set_title(wrapped(component_label(component), 18), fontsize=12)
        unit = rows["unit"].dropna().iloc[0] if len(rows) else ""
        axes.set_xlabel(f"[{unit} per serving]", fontsize=10)
        axes.tick_params(axis="x", labelsize=9)
        axes.xaxis.set_major_locator(mpl.ticker.MaxNLocator(3))
        axes.margins(x=0.22, y=0.1)
    marks = [
        f"{name} *" if concern else name for name, concern in zip(names, swaps.table["concerns_of_class"], strict=True)
    ]
    panels[0].set_yticks(range(len(names)), [wrapped(name, 36) for name in marks], fontsize=10)
    panels[0].invert_yaxis()
    note = (
        f"In place of {_old(swaps)}, same {swaps.same}. Line: 90 % interval of the mean difference; open, in brackets: "
        "no real difference. Blue: less than as written; orange: more."
    )
    if swaps.table["concerns_of_class"].any():
        note += " * read the caution for this class first."
    alt = "; ".join(f"{row.option}: {row.reason}; trade-off {row.trade_off}" for row in swaps.table.itertuples())
    words = (_finding(swaps), alt or "No swap was found.")
    return finished(figure, swaps.amounts.source_line, "swaps", words, note)


# ------------------------------------------------------------------------------------------- amounts


def amounts_shown(plan: Plan) -> HTML:
    """Show the amounts that were found, what each target comes to, and what decides.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    HTML
        Sentences; table of ingredients: now, adjusted and bounds [g in the batch], change [%]; table of targets: limit,
        now and adjusted [its unit per its basis], verdict; the option to paste into the recipe file.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> plan = st.find_amounts("barley_pot", ["salt 0 to 3 g"], ["sodium <= 800 mg"])
    >>> re.findall("<li>(.*?):", amounts_shown(plan).data)[0]
    'On paper all targets can be reached'
    """
    told = "".join(f"<li>{html.escape(sentence)}</li>" for sentence in plan.sentences)
    amounts = plan.ingredients.set_index("ingredient")
    names = {
        "before_g": "Now [g]", "after_g": "Adjusted [g]", "change_percent": "Change [%]", "least_g": "At least [g]",
        "most_g": "At most [g]",
    }  # fmt: skip
    targets = plan.targets.assign(limit=plan.targets["limit"].map(amount_text) + " " + plan.targets["unit"])
    targets = targets.assign(limit=targets["operator"] + " " + targets["limit"] + " per " + targets["basis"])
    shown = {
        "limit": "Limit",
        "before": "Now",
        "after": "Adjusted",
        "verdict": "Verdict",
        "why": "Why",
        "price": "Decides",
    }
    parts = [f"<p>Variant: {html.escape(plan.variant)}. Asked for: {html.escape(plan.objective)}.</p><ul>{told}</ul>"]
    if len(amounts):
        parts.append(table_shown(amounts[list(names)].rename(columns=names), "Amounts of the batch.").data)
    if len(targets):
        listed = targets.set_index("target")[list(shown)].rename(columns=shown)
        parts.append(table_shown(listed, "What the targets come to, computed anew.").data)
    parts.append(f"<p>As an option of the recipe file:</p><pre>{html.escape(plan.yaml)}</pre>" if len(amounts) else "")
    return HTML("".join(parts))


@mpl.rc_context(STYLE)
def plot_amounts(plan: Plan) -> Chart:
    """Draw each varied amount now and adjusted, within its bounds.

    Answers: how much of what do I change?

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    Chart
        x: amount in the batch [% of now]; y: ingredients.

    Examples
    --------
    >>> import swaptable as st
    >>> plan = st.find_amounts("barley_pot", ["salt 0 to 3 g"], ["sodium <= 800 mg"])
    >>> plot_amounts(plan).title  # doctest: +ELLIPSIS
    'On paper all targets can be reached: salt 3 → ... g (−65 %); check that it still cooks'
    """
    table = plan.ingredients
    figure, (axes,) = new_figure(2.2 + 0.55 * max(len(table), 1))
    places = np.arange(len(table))
    for column, of in (("least_g", "least"), ("most_g", "most"), ("before_g", "now"), ("after_g", "adjusted")):
        table = table.assign(**{of: 100 * table[column] / table["before_g"]})
    axes.hlines(places, table["least"], table["most"], color="#c9c9c9", lw=9, label="bounds", zorder=1)
    axes.scatter(table["now"], places, s=90, marker="o", color="white", edgecolor="black", label="now", zorder=2)
    axes.scatter(table["adjusted"], places, s=90, marker="D", color=BLUE, edgecolor="black", label="adjusted", zorder=3)
    for place, row in enumerate(table.itertuples()):
        moved = f"{amount_text(row.before_g)} → " if abs(row.change_percent) >= 0.05 else ""
        axes.annotate(
            moved + amount_text(row.after_g, "g"), (row.adjusted, place), xytext=(0, 10),
            textcoords="offset points", ha="center", fontsize=10,
        )  # fmt: skip
    axes.set_yticks(places, list(table["ingredient"]))
    axes.invert_yaxis()
    axes.margins(x=0.1, y=0.25)
    axes.set_xlabel("Amount in the batch [% of now]")
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.22), ncols=3, frameon=False, fontsize=10)
    title = plan.sentences[0].rstrip(".")
    alt = " ".join(plan.sentences)
    return finished(figure, plan.amounts.source_line, "amounts", (title, alt), f"Asked for: {plan.objective}.")


def save_swaps(swaps: Swaps, plan: Plan, output: str) -> list[str]:
    """Write the tables of swaps and amounts and the summary of the run.

    Parameters
    ----------
    swaps : Swaps
    plan : Plan
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
    >>> swaps = st.find_swaps("oat_pancakes", "yogurt", "blood_pressure", most=2)
    >>> plan = st.find_amounts("barley_pot", ["salt 0 to 3 g"], ["sodium <= 800 mg"])
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     save_swaps(swaps, plan, folder)
    ['adjusted_amounts.csv', 'screened_foods.csv', 'swap_effects.csv', 'swaps.csv', 'targets_of_amounts.csv']
    """
    tables = {
        "swaps": swaps.table,
        "swap_effects": swaps.effects,
        "screened_foods": swaps.screened,
        "adjusted_amounts": plan.ingredients,
        "targets_of_amounts": plan.targets,
    }
    summary = {
        "title": f"A swap for {_old(swaps)}: {swaps.recipe.title}",
        "headline": f"{_finding(swaps)}.",
        "audience": swaps.audience.title,
        "chart": "swaps",
    }
    return write_tables(tables, summary, output)
