"""A recipe in words on a page: what each line was matched with, how sure that is, what is open; and the files."""

from __future__ import annotations

import html
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pandas as pd
from IPython.display import HTML

from swaptable.basics.folders import find_file
from swaptable.basics.whole_files import write_whole
from swaptable.foods.reference import component_label
from swaptable.judging.audiences import read_audience
from swaptable.judging.findings import amount_text
from swaptable.kitchen.matched_file import recipe_yaml
from swaptable.kitchen.matching import LEAST, SURE, MatchedLine, MatchedRecipe
from swaptable.reporting.figures import BLUE, GREY, ORANGE, STYLE, Chart, finished, new_figure, wrapped
from swaptable.reporting.kitchen_study import Serving, matches_table, questions_table, serving_or_why_not
from swaptable.reporting.reports import ESTIMATE, bullets, table_shown, write_tables

__all__ = [
    "match_finding",
    "matches_shown",
    "plot_confidence",
    "questions_shown",
    "save_matches",
    "serving_shown",
    "words_shown",
]


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def match_finding(matched: MatchedRecipe) -> tuple[str, str]:
    """State how many lines are matched without a question: title and text for a screen reader."""
    lines = matched.lines
    plain = sum(not line.questions for line in lines)
    is_open = sum(line.is_open for line in lines)
    title = f"{plain} of {_count(len(lines), 'line')} matched without a question"
    if is_open:
        title += f"; food or amount still open in {is_open}"
    elif plain < len(lines):
        title += "; the others can be computed, but look at them first"
    said = "; ".join(
        f"{line.words}: {line.hit.description if line.hit else 'no food chosen'}"
        f"{f', {line.confidence:.2f}' if line.hit else ''}{', asks a question' if line.questions else ''}"
        for line in lines
    )
    return title, f"Bars of how sure each line's food is, from 0 to 1. {said}."


def _beside_bar(line: MatchedLine) -> str:
    sure = f"{line.confidence:.2f}" if line.hit else "no food chosen"
    is_open = ", amount open" if line.hit and line.is_open else ""
    return f"{sure}{is_open}{'  ?' if line.questions else ''}"


@mpl.rc_context(STYLE)
def plot_confidence(matched: MatchedRecipe) -> Chart:
    """Draw how sure the food of every line is, with a question mark where something must be decided.

    Answers: which lines must I look at?

    Parameters
    ----------
    matched : MatchedRecipe

    Returns
    -------
    Chart
        x: how sure the food is [0 to 1]; y: lines of the recipe.

    Examples
    --------
    >>> import swaptable as st
    >>> plot_confidence(st.match_words("oat_pancakes")).title.partition(";")[0]
    '6 of 8 lines matched without a question'
    """
    lines = matched.lines
    figure, (axes,) = new_figure(1.9 + 0.42 * len(lines))
    asked = np.array([bool(line.questions) for line in lines])
    confidence = [line.confidence if line.hit else 0.0 for line in lines]
    places = np.arange(len(lines))
    bars = axes.barh(
        places, confidence, height=0.7, color=np.where(asked, ORANGE, BLUE), edgecolor="black", linewidth=0.6
    )
    for bar, line in zip(bars, lines, strict=True):
        bar.set_hatch("//" if line.questions else "")
        axes.annotate(
            _beside_bar(line), (bar.get_width(), bar.get_y() + bar.get_height() / 2), xytext=(4, 0),
            textcoords="offset points", va="center", fontsize=10,
        )  # fmt: skip
    for limit, word in ((LEAST, "below: no food is chosen"), (SURE, "below: it asks")):
        axes.axvline(limit, color=GREY, lw=1, ls=":", zorder=0)
        axes.text(
            limit, 1.0, word, ha="right", va="bottom", fontsize=9, color=GREY, transform=axes.get_xaxis_transform()
        )
    axes.set_yticks(places, [wrapped(line.words, 44) for line in lines], fontsize=10)
    axes.invert_yaxis()
    axes.tick_params(axis="y", length=0)
    axes.set_xlim(0, 1.3)
    axes.set_xticks(np.arange(0, 1.01, 0.2))
    axes.set_xlabel("How sure the food is [0 to 1]")
    note = "Hatched, with a question mark: something must be decided or looked at."
    release = matched.release.manifest
    source_line = f"Foods: {release['name'].upper()} ({release['released']})."
    return finished(figure, source_line, "confidence", match_finding(matched), note)


def words_shown(matched: MatchedRecipe) -> HTML:
    """Show the recipe as it was written, and how well it was understood.

    Parameters
    ----------
    matched : MatchedRecipe

    Returns
    -------
    HTML
        Title, main result, servings, lines and steps.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> re.findall("<li>(.*?)</li>", words_shown(st.match_words("oat_pancakes")).data)[0]
    '2 cups rolled oats'
    """
    recipe = matched.recipe
    servings = f"{recipe.servings:g} servings" if recipe.servings else "The text does not say how many servings"
    steps = "".join(f"<li>{html.escape(step)}</li>" for step in recipe.method)
    return HTML(
        f"<h1>{html.escape(recipe.title)}</h1><p><strong>{html.escape(match_finding(matched)[0])}.</strong></p>"
        f"<p>{servings}.</p>{bullets(recipe.lines)}<ol>{steps}</ol><p>{html.escape(ESTIMATE)}</p>"
    )


def matches_shown(matched: MatchedRecipe) -> HTML:
    """Show what every line was matched with, and the other foods that may be meant.

    Parameters
    ----------
    matched : MatchedRecipe

    Returns
    -------
    HTML
        Table of lines: food, confidence [0 to 1], amount, weight [g], cooking that is proposed, question, other foods.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> shown = matches_shown(st.match_words("oat_pancakes"))
    >>> re.findall("<td>(Blueberries.*?)</td>", shown.data)
    ['Blueberries, raw (sr28:09050)']
    """
    table = matches_table(matched)
    cooking = (table["cook"] + ", liquid " + table["liquid"]).where(table["liquid"] != "", table["cook"])
    grams = [f"{amount_text(weight)} g" if pd.notna(weight) else "not known" for weight in table["grams"]]
    read = pd.DataFrame(
        {
            "Line": table["words"],
            "Food": (table["description"] + " (" + table["food"] + ")").where(table["food"] != "", "none chosen"),
            "Confidence": table["confidence"],
            "Amount": table["amount"].where(table["amount"] != "", "open"),
            "Weight": [
                f"{weight}, {way}" if way and weight != "not known" else weight
                for weight, way in zip(grams, table["weighed"], strict=True)
            ],
            "Cooking (proposed)": cooking.where(cooking != "", "not cooked"),
            "Question": table["questions"],
            "Or": table["runners_up"],
        }
    ).set_index("Line")
    return table_shown(read, "What each line was matched with. Confidence: 0 to 1; numbers behind other foods likewise")


def questions_shown(matched: MatchedRecipe) -> HTML:
    """Show what must be decided or looked at.

    Parameters
    ----------
    matched : MatchedRecipe

    Returns
    -------
    HTML
        A list, or that there are no questions.

    Examples
    --------
    >>> import swaptable as st
    >>> "2 teaspoons baking powder" in questions_shown(st.match_words("oat_pancakes")).data
    True
    """
    questions = list(matched.questions)
    return HTML(bullets(questions) if questions else "<p>No questions; look at every line all the same.</p>")


def _serving(matched: MatchedRecipe, audience: str | Path, regime: str) -> Serving | str:
    return serving_or_why_not(matched, read_audience(find_file(audience, "audiences", ".yaml")), regime)


def serving_shown(matched: MatchedRecipe, audience: str | Path, regime: str = "US") -> HTML:
    """Show what one serving holds of what the audience should get more or less of.

    Parameters
    ----------
    matched : MatchedRecipe
    audience : str or Path
        File, or the name of one in ``data/audiences/``.
    regime : str, optional
        ``"US"`` or ``"CA"``.

    Returns
    -------
    HTML
        Sentences on sodium and nutrient density, and a table: component, in a serving [unit in the cell], 90 %
        interval, and whether the amount is complete or a lower bound.

    Raises
    ------
    InputError
        If there is no such audience, or its file is wrong, with the place in it.
    SwaptableError
        If there is no such regime.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> shown = serving_shown(st.match_words("oat_pancakes"), "blood_pressure")
    >>> re.search("<caption>(.*?)</caption>", shown.data)[1]
    'One serving as matched: sodium, and what matters for Adults 31 to 70 who watch their blood pressure'
    """
    serving = _serving(matched, audience, regime)
    if isinstance(serving, str):
        return HTML(f"<p>{html.escape(serving)}</p>")
    rows = serving.table()
    texts = [amount_text(amount, unit) for amount, unit in zip(rows["amount"], rows["unit"], strict=True)]
    within = [
        f"{amount_text(low)} to {amount_text(high)}" for low, high in zip(rows["low_90"], rows["high_90"], strict=True)
    ]
    table = pd.DataFrame(
        {
            "Component": rows["component"].map(component_label),
            "In a serving": texts,
            "90 % interval": within,
            "Known": rows["status"],
        }
    ).set_index("Component")
    said = [f"{serving.sodium_text}.", f"{serving.index_text}.", serving.left_out_text]
    caption = f"One serving as matched: sodium, and what matters for {serving.audience.title}"
    text = "".join(f"<p>{html.escape(sentence[:1].upper() + sentence[1:])}</p>" for sentence in said if sentence)
    return HTML(text + str(table_shown(table, caption).data))


def save_matches(matched: MatchedRecipe, audience: str | Path, output: str, regime: str = "US") -> list[str]:
    """Write matches, questions, the serving and the recipe file into a run's folder.

    Parameters
    ----------
    matched : MatchedRecipe
    audience : str or Path
        File, or the name of one in ``data/audiences/``.
    output : str
        Folder of the run; empty writes nothing.
    regime : str, optional
        ``"US"`` or ``"CA"``.

    Returns
    -------
    list of str
        Names of the tables written. Numbers are not rounded; an empty cell is a missing value.

    Raises
    ------
    InputError
        If there is no such audience, or its file is wrong, with the place in it.
    SwaptableError
        If there is no such regime.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import swaptable as st
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     names = save_matches(st.match_words("oat_pancakes"), "blood_pressure", folder)
    ...     recipe = (pathlib.Path(folder) / "recipe.yaml").exists()
    >>> names, recipe
    (['matches.csv', 'questions.csv', 'serving.csv'], True)
    """
    if not output:
        return []
    people = read_audience(find_file(audience, "audiences", ".yaml"))
    serving = serving_or_why_not(matched, people, regime)
    tables = {"matches": matches_table(matched), "questions": questions_table(matched)}
    tables |= {} if isinstance(serving, str) else {"serving": serving.table()}
    said = serving if isinstance(serving, str) else f"{serving.sodium_text}."
    summary = {
        "title": f"{matched.recipe.title}: from words to foods",
        "headline": f"{match_finding(matched)[0]}; {said}",
        "audience": people.title,
        "chart": "confidence",
    }
    names = write_tables(tables, summary, output)
    write_whole(Path(output) / "recipe.yaml", recipe_yaml(matched).encode())
    return names
