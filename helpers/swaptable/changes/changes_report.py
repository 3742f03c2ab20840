"""What changed, on a page and in files: sentences, a chart of what moved, tables."""

from __future__ import annotations

import html
import json
import tempfile
from collections.abc import Sequence
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pandas as pd
from IPython.display import HTML
from matplotlib.axes import Axes

from swaptable.basics.errors import InputError
from swaptable.changes.changes import BEST_OF, BEYOND, ORDER, Changes
from swaptable.changes.changes_text import (
    HOW_SURE,
    changes_headline,
    changes_text,
    flip_sentences,
    food_sentences,
    input_sentences,
    largest,
    move_sentence,
    not_compared,
    plain,
    rank_sentence,
    two_amounts,
)
from swaptable.changes.conclusions import FRONTIER
from swaptable.changes.food_changes import component_words
from swaptable.judging.findings import amount_text
from swaptable.reporting.figures import BLUE, GREY, ORANGE, STYLE, Z90, Chart, finished, new_figure, wrapped
from swaptable.reporting.reports import ESTIMATE, chart_shown, table_shown, write_tables

__all__ = [
    "changes_json",
    "changes_shown",
    "foods_changed_shown",
    "moved_shown",
    "plot_changes",
    "rankings_changed_shown",
    "save_changes",
    "write_changes",
]

MOST_BARS, MOST_ROWS, MOST_SAID = 10, 20, 20
MOST_PERCENT = 300.0  # of the old amount: what is beyond is drawn at the edge
_TEXT_FILE = "changes.txt"


def _list(sentences: Sequence[str], most: int, nothing: str) -> str:
    shown = [f"<li>{html.escape(each)}</li>" for each in sentences[:most]]
    left = len(sentences) - most
    shown += [f"<li>and {left:,} more: see the table of changes</li>"] if left > 0 else []
    return f"<ul>{''.join(shown)}</ul>" if shown else f"<p>{nothing}</p>"


def changes_shown(changes: Changes) -> HTML:
    """Show what was compared, the main result, every flip, and what could not be compared.

    Parameters
    ----------
    changes : Changes

    Returns
    -------
    HTML
        Sentences: the main result, the two sides, conclusions that flipped, inputs that are others.

    Examples
    --------
    >>> import re
    >>> from swaptable.changes.changes import Changes, collected
    >>> changes = Changes("runs", "in May", "in June", ("a_class",), **collected([]))  # where nothing is otherwise
    >>> re.findall("<p>(?:<strong>)?(N.*?)<", changes_shown(changes).data)
    ['Nothing changed in 1 run.', 'None: every verdict and every best variant stands.']
    """
    left = f"<p>Not compared: {html.escape(plain('; '.join(changes.left_out)))}.</p>" if changes.left_out else ""
    unlike = f"<p>Asked otherwise: {html.escape(plain('; '.join(changes.unlike)))}.</p>" if changes.unlike else ""
    inputs = ""
    if len(changes.inputs):
        inputs = "<h2>Which inputs are others?</h2>" + _list(input_sentences(changes.inputs), MOST_SAID, "")
    return HTML(
        f"<h1>What changed</h1><p><strong>{html.escape(changes_headline(changes))}.</strong></p>"
        f"<p>From {html.escape(plain(changes.old))} to {html.escape(plain(changes.new))}. Compared: "
        f"{html.escape(plain(', '.join(changes.compared)) or 'nothing')}. {html.escape(ESTIMATE)}</p>{unlike}{left}"
        f"<h2>Which conclusions flipped?</h2>"
        f"{_list(flip_sentences(changes), MOST_SAID, 'None: every verdict and every best variant stands.')}{inputs}"
    )


def foods_changed_shown(changes: Changes) -> HTML:
    """Show what the new release says otherwise of the foods in use, and why.

    Parameters
    ----------
    changes : Changes

    Returns
    -------
    HTML
        A sentence for each food, what is another food first, then the largest move of a value [unit in the sentence].

    Examples
    --------
    >>> from swaptable.changes.changes import Changes, collected
    >>> changes = Changes("food releases", "sr28", "a later one", ("oat_pancakes",), **collected([]))
    >>> foods_changed_shown(changes).data
    '<p>Nothing is said otherwise of the foods that these recipes use.</p>'
    """
    nothing = "Nothing is said otherwise of the foods that these recipes use."
    if changes.what != "food releases":
        nothing = "Recorded runs do not tell the foods apart; compare the two releases to see them."
    return HTML(_list(food_sentences(changes.foods), MOST_SAID, nothing))


def moved_shown(changes: Changes) -> HTML:
    """Show the largest moves, one of each recipe and component.

    Parameters
    ----------
    changes : Changes

    Returns
    -------
    HTML
        Table: variant, component, old and new amount, unit and basis, difference with its standard error, whether that
        is beyond certainty, and in how many variants it moved; watched components first.

    Examples
    --------
    >>> import re
    >>> import pandas as pd
    >>> from swaptable.changes.changes import Changes, Difference, collected
    >>> row = {"run": "a_class", "recipe": "soup", "variant": "as written", "component": "NA", "basis": "per serving"}
    >>> row |= {"unit": "mg", "old": 420.0, "new": 300.0, "old_standard_error": 20.0, "new_standard_error": 20.0}
    >>> moved = pd.DataFrame([row | {"old_whole": True, "new_whole": True, "watched": True}])  # an invented soup
    >>> found = collected([Difference(moved, moved[:0], moved[:0])])
    >>> shown = moved_shown(Changes("runs", "in May", "in June", ("a_class",), **found))
    >>> re.findall("<td>(.*?)</td>", shown.data)[1:5]
    ['sodium', '420', '300', 'mg per serving']
    """
    rows = largest(changes.amounts, MOST_ROWS)
    if rows.empty:
        return HTML(f"<p>{_nothing(changes, 'no amount moved')}.</p>")
    table = pd.DataFrame(
        {
            "Variant": rows["variant"],
            "Component": [component_words(str(tag)) for tag in rows["component"]],
            "Old": _bounded(rows, "old"),
            "New": _bounded(rows, "new"),
            "Unit": rows["unit"] + " " + rows["basis"],
            "Difference": rows["difference"].astype(float),
            "± (standard error)": rows["standard_error"].astype(float),
            "Beyond certainty": rows["beyond_certainty"],
            "Variants in which it moved": rows["moved"],
        }
    )
    caption = (
        f"The largest moves, one of each recipe and component: {len(rows)} of {len(changes.amounts):,}. {HOW_SURE}"
    )
    return table_shown(table.set_index(pd.Index(rows["recipe"])), caption)


def rankings_changed_shown(changes: Changes) -> HTML:
    """Show which variants are the best now, and how the orders and the frontiers changed.

    Parameters
    ----------
    changes : Changes

    Returns
    -------
    HTML
        A sentence for each best variant that is another one, with the amounts that decide, then for each order and
        frontier.

    Examples
    --------
    >>> import pandas as pd
    >>> from swaptable.changes.changes import Changes, collected
    >>> order = {"recipe": "soup", "measure": "Sodium", "kind": "order", "variant": ["no salt", "water"]}  # invented
    >>> ranks = pd.DataFrame(order | {"old": ["1", "2"], "new": ["2", "1"], "flipped": False})
    >>> changes = Changes("runs", "in May", "in June", ("a_class",), **collected([]) | {"ranks": ranks})
    >>> rankings_changed_shown(changes).data
    '<ul><li>soup: 2 variants have another place by sodium</li></ul>'
    """
    best = changes.ranks[changes.ranks["kind"] == BEST_OF]
    order = changes.ranks[changes.ranks["kind"] == ORDER]
    said = [plain(rank_sentence(row)) for _, row in best.iterrows()]
    said += [
        f"{recipe}: {len(rows)} variants have another place by {str(measure).lower()}"
        for (recipe, measure), rows in order.groupby(["recipe", "measure"], sort=False)
    ]
    frontier = changes.verdicts[changes.verdicts["rule"] == FRONTIER]
    said += [
        f"{row['recipe']}, {row['variant']}: frontier of {row['name']}: {row['old']} → {row['new']}"
        for _, row in frontier.iterrows()
    ]
    return HTML(
        _list(
            [plain(each) for each in said],
            MOST_SAID,
            f"{_nothing(changes, 'every order and every frontier is the same')}.",
        )
    )


def _nothing(changes: Changes, words: str) -> str:
    """Say that nothing is otherwise, unless there is something that was not compared."""
    told = not_compared(changes)
    left = len(set(changes.compared)) > len(changes.lost)
    said = "; ".join(filter(None, [words if left or not told else "", told]))
    return said[:1].upper() + said[1:]


def _bounded(rows: pd.DataFrame, which: str) -> pd.Series:
    """Print amounts; one of which something is missing is "at least"."""
    texts = [("" if whole or np.isnan(value) else "at least ") + amount_text(value)
             for value, whole in zip(rows[which].astype(float), rows[f"{which}_whole"], strict=True)]  # fmt: skip
    return pd.Series(texts, index=rows.index)


def _finding(changes: Changes, rows: pd.DataFrame) -> tuple[str, str]:
    title = changes_headline(changes)
    said = "; ".join(move_sentence(row) for _, row in rows.iterrows())
    alt = f"Old and new amounts per serving, in percent of the old, with 90 % intervals of the mean: {said}."
    return plain(title), plain(alt) if said else f"{_nothing(changes, 'no amount moved')}."


@mpl.rc_context(STYLE)
def plot_changes(changes: Changes) -> Chart:
    """Draw the old and the new value of what moved most, with their intervals.

    Answers: what moved, how far, and is that more than its certainty?

    Parameters
    ----------
    changes : Changes

    Returns
    -------
    Chart
        x: amount per serving [% of the old amount] with 90 % intervals; y: component, recipe and variant.

    Examples
    --------
    >>> import pandas as pd
    >>> from swaptable.changes.changes import Changes, Difference, collected
    >>> row = {"run": "a_class", "recipe": "soup", "variant": "as written", "component": "NA", "basis": "per serving"}
    >>> row |= {"unit": "mg", "old": 420.0, "new": 300.0, "old_standard_error": 20.0, "new_standard_error": 20.0}
    >>> moved = pd.DataFrame([row | {"old_whole": True, "new_whole": True, "watched": True}])  # an invented soup
    >>> found = collected([Difference(moved, moved[:0], moved[:0])])
    >>> plot_changes(Changes("runs", "in May", "in June", ("a_class",), **found)).title
    'No conclusion flipped in 1 run; 1 watched amount moved, 1 of them beyond certainty'
    """
    rows = largest(changes.amounts[changes.amounts["old"].astype(float) > 0], MOST_BARS)
    figure, (axes,) = new_figure(2.4 + 0.52 * max(len(rows), 2))
    if rows.empty:
        axes.text(
            0.5,
            0.5,
            wrapped(_nothing(changes, "no amount moved"), 60),
            transform=axes.transAxes,
            ha="center",
            va="center",
        )
        axes.set_axis_off()
    else:
        _draw(axes, rows)
    note = (
        "Hollow: old; filled: new, a square where it moved beyond certainty. Lines: 90 % interval of the mean. One "
        f"variant of each recipe and component, the one that moved most: {len(rows)} of {len(changes.amounts):,} "
        "moves. At least: a value is missing, so there is no interval. Amounts that "
        "were 0 or not known are in the table alone."
    )
    return finished(figure, changes.sources, "changes", _finding(changes, rows), note)


def _draw(axes: Axes, rows: pd.DataFrame) -> None:
    axes.axvline(100, color="black", lw=1)
    right = 100.0
    for place, (_, row) in enumerate(rows.iterrows()):
        per = 100 / float(row["old"])
        new = min(float(row["new"]) * per, MOST_PERCENT)
        errors = [Z90 * np.nan_to_num(float(row[f"{which}_standard_error"])) * per for which in ("old", "new")]
        beyond = row["beyond_certainty"] == BEYOND[0]
        whole = (bool(row["old_whole"]), bool(row["new_whole"]))
        colour = GREY if not all(whole) else ORANGE if new > 100 else BLUE
        axes.errorbar(100, place - 0.14, xerr=errors[0], fmt="o", mfc="white", color=GREY, ms=7, capsize=3)
        axes.errorbar(
            new, place + 0.14, xerr=errors[1], fmt="s" if beyond else "o", color=colour, mec="black", ms=8, capsize=3
        )
        right = max(right, 100 + errors[0], new + errors[1])
        text = two_amounts(float(row["old"]), float(row["new"]), str(row["unit"]), whole)
        text = text if beyond else f"({text})"
        edge = " ►" if float(row["new"]) * per > MOST_PERCENT else ""
        end = max(100 + errors[0], new + errors[1])
        axes.annotate(text + edge, (end, place), xytext=(6, 0), textcoords="offset points", va="center", fontsize=9.5)
    names = [
        f"{component_words(str(row.component))}: {plain(row.recipe)}, {plain(row.variant)}" for row in rows.itertuples()
    ]
    axes.set_yticks(range(len(rows)), [wrapped(name, 44) for name in names], fontsize=9.5)
    axes.set_ylim(len(rows) - 0.4, -0.6)
    left = axes.get_xlim()[0]
    axes.set_xlim(left, right + 0.35 * (right - left))
    axes.set_xlabel("Amount per serving [% of the old amount]; in brackets: within certainty, or not known")


def _summary(changes: Changes) -> dict[str, str]:
    return {
        "title": "What changed",
        "headline": plain(changes_headline(changes)) + ".",
        "audience": plain(f"{changes.old} → {changes.new}"),
        "chart": "changes",
    }


def save_changes(changes: Changes, output: str) -> list[str]:
    """Write every table that holds something, the text, and the summary that the index of reports reads.

    Parameters
    ----------
    changes : Changes
    output : str
        Folder of the run; empty writes nothing.

    Returns
    -------
    list of str
        Names of the tables written.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> from swaptable.changes.changes import Changes, collected
    >>> changes = Changes("runs", "in May", "in June", ("a_class",), **collected([]))
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     names = save_changes(changes, folder)
    ...     first = (pathlib.Path(folder) / "changes.txt").read_text(encoding="utf-8").splitlines()[0]
    >>> names, first
    (['changes.csv'], 'What changed: in May → in June')
    """
    tables = {name: table for name, table in changes.all_tables().items() if len(table) or name == "changes"}
    names = write_tables(tables, _summary(changes), output)
    if output:
        text = changes_text(changes, "the tables beside this text")
        (Path(output) / _TEXT_FILE).write_text(text, encoding="utf-8", newline="\n")
    return names


def write_changes(changes: Changes, folder: str | Path) -> list[str]:
    """Write tables, chart and text into a new folder, whole or not at all.

    Parameters
    ----------
    changes : Changes
    folder : str or Path
        New folder.

    Returns
    -------
    list of str
        Names of the files, below the folder.

    Raises
    ------
    InputError
        If the folder exists.
    """
    target = Path(folder)
    if target.exists() or target.is_symlink():
        raise InputError("exists already; name a new folder", file=target)
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=f".{target.name}-", dir=target.parent) as work:
        part = Path(work) / target.name
        part.mkdir()
        save_changes(changes, str(part))
        chart_shown(plot_changes(changes), str(part))
        names = sorted(path.relative_to(part).as_posix() for path in part.rglob("*") if path.is_file())
        part.rename(target)
    return names


def changes_json(changes: Changes) -> str:
    """Write everything as JSON: the two sides, the number of flips, the text, and every table."""
    tables = {name: json.loads(table.to_json(orient="records", double_precision=15))
              for name, table in changes.all_tables().items()}  # fmt: skip
    about = {
        "what": changes.what, "old": changes.old, "new": changes.new, "compared": list(changes.compared),
        "flips": changes.flips, "headline": changes_headline(changes), "flipped": flip_sentences(changes),
        "lost": list(changes.lost), "left_out": list(changes.left_out), "unlike": list(changes.unlike),
        "tables": tables,
    }  # fmt: skip
    return json.dumps(about, indent=2, ensure_ascii=False)
