"""What one serving of a matched recipe holds: lines whose food or amount is open are left out, and said to be."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from swaptable.amounts.certainty import certainty_of, index_certainty, with_certainty
from swaptable.amounts.nutrients import WHOLE_SHARE, Amounts, amounts_table, compute
from swaptable.amounts.recipes import Recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import SwaptableError, listed
from swaptable.basics.folders import find_file
from swaptable.basics.located_yaml import parse_yaml
from swaptable.basics.model_files import check_model
from swaptable.foods.joined import open_release
from swaptable.foods.reference import Z
from swaptable.foods.search import Hit
from swaptable.judging.audiences import Audience
from swaptable.judging.daily_values import (
    BETWEEN,
    checked_regime,
    daily_value_word,
    percent_daily_value,
    percent_text,
    word_limits,
)
from swaptable.judging.density import index_components, nutrient_rich_foods_index
from swaptable.judging.findings import amount_text
from swaptable.judging.targets import find_aims
from swaptable.kitchen.matched_file import SHOWN, recipe_yaml
from swaptable.kitchen.matching import MatchedLine, MatchedRecipe, match_recipe
from swaptable.kitchen.text import read_kitchen_file

__all__ = ["Serving", "match_words", "matches_table", "offered", "questions_table", "serving_of", "serving_or_why_not"]


def _interval(low: float, high: float) -> str:
    return f"90 % interval {amount_text(low)} to {amount_text(high)}"


@dataclass(frozen=True, eq=False)
class Serving:
    """What one serving holds of what matters here.

    Attributes
    ----------
    amounts : Amounts
        Of the lines that can be computed.
    audience : Audience
    regime : str
        ``"US"`` or ``"CA"``.
    left_out : tuple of str
        Words of the lines whose food or amount is open.
    sodium, sodium_error : float
        Amount and its standard error. [mg]
    sodium_percent : float
        Of the regime's daily value. [%]
    sodium_word : str
        The regime's word for it, as :func:`swaptable.judging.daily_values.daily_value_word`.
    sodium_whole : bool
        Whether every line counts and has a value; else the amount is a lower bound.
    index, index_error : float
        Nutrient-rich foods index 9.3 of 2009 and its standard error. [per 100 kcal]
    """

    amounts: Amounts
    audience: Audience
    regime: str
    left_out: tuple[str, ...]
    sodium: float
    sodium_error: float
    sodium_percent: float
    sodium_word: str
    sodium_whole: bool
    index: float
    index_error: float

    @property
    def sodium_text(self) -> str:
        """Sodium with its 90 % interval and the regime's word."""
        least = "" if self.sodium_whole else "at least "
        words = {
            "not known": "whether that is much is not known",
            BETWEEN: f"between {' and '.join(word_limits(self.regime))}",
        }
        word = words.get(self.sodium_word, self.sodium_word)
        of_day = percent_text(self.sodium_percent, word_limits(self.regime).values())
        percent = f"{of_day} % of the daily value ({self.regime}): {word}"
        half = Z[0.90] * self.sodium_error
        within = _interval(max(self.sodium - half, 0.0), self.sodium + half)
        return f"{least}{amount_text(self.sodium)} mg sodium a serving ({within}), {least}{percent}"

    @property
    def index_text(self) -> str:
        """The index with its 90 % interval."""
        if np.isnan(self.index):
            return "nutrient-rich foods index 9.3 not known"
        half = Z[0.90] * self.index_error
        within = _interval(self.index - half, self.index + half)
        return f"nutrient-rich foods index 9.3: {amount_text(self.index)} per 100 kcal ({within})"

    @property
    def left_out_text(self) -> str:
        """Which lines do not count, if any."""
        return f"Not counted, since food or amount are open: {listed(self.left_out)}" if self.left_out else ""

    def table(self) -> pd.DataFrame:
        """List sodium and what the audience should get more or less of, per serving.

        Returns
        -------
        DataFrame
            As :func:`swaptable.amounts.nutrients.amounts_table` with standard errors; where lines are left out, every
            amount is a lower bound.
        """
        aims = find_aims(self.audience, self.amounts.units())
        components = dict.fromkeys(["NA", *(component for component, _ in aims.components())])
        table = with_certainty(amounts_table(self.amounts, components, ["serving"]), self.amounts)
        if self.left_out:
            table["status"] = table["status"].where(table["status"] == "missing", "lower bound")
        return table


def match_words(words: str | Path, release: str | Path = "current") -> MatchedRecipe:
    """Read a recipe in words and match its lines to foods.

    Parameters
    ----------
    words : str or Path
        Text file, or the name of one in ``data/recipes/words/``.
    release : str or Path, optional
        Food release.

    Returns
    -------
    MatchedRecipe

    Raises
    ------
    InputError
        If there is no such file or release, or the text is no single recipe.

    Examples
    --------
    >>> matched = match_words("oat_pancakes")
    >>> matched.lines[7].words, matched.lines[7].hit.description
    ('1 cup blueberries', 'Blueberries, raw')
    >>> len(matched.questions) > 0  # such as which baking powder
    True
    """
    return match_recipe(read_kitchen_file(find_file(words, "recipes/words", ".txt")), open_release(release))


def serving_of(matched: MatchedRecipe, audience: Audience, regime: str = "US") -> Serving:
    """Compute one serving of a matched recipe from the lines that are not open.

    Parameters
    ----------
    matched : MatchedRecipe
    audience : Audience
    regime : str, optional
        ``"US"`` or ``"CA"``.

    Returns
    -------
    Serving

    Raises
    ------
    SwaptableError
        If the number of servings is not known, every line is open, or the lines cannot be computed together.
    """
    checked_regime(regime)
    if not matched.recipe.servings:
        raise SwaptableError("nothing is computed yet: how many servings does the recipe make?")
    left_out = tuple(line.words for line in matched.lines if line.is_open)
    if len(left_out) == len(matched.lines):
        raise SwaptableError("nothing is computed yet: no line has both a food and an amount.")
    fields = parse_yaml(recipe_yaml(matched, leave_out_open=True), matched.recipe.title)
    amounts = compute(build_grid(check_model(*fields, Recipe), matched.release))
    sodium = certainty_of(amounts)
    index = index_certainty(amounts, nutrient_rich_foods_index, index_components())
    whole = float(amounts.share_per("serving", "valued_share").sel(component="NA")) > WHOLE_SHARE and not left_out
    percent = float(percent_daily_value(amounts, regime).sel(component="NA"))
    return Serving(
        amounts=amounts,
        audience=audience,
        regime=regime,
        left_out=left_out,
        sodium=float(sodium.amount.sel(component="NA")),
        sodium_error=float(sodium.error.sel(component="NA")),
        sodium_percent=percent,
        sodium_word=daily_value_word(percent, regime, whole=whole),
        sodium_whole=whole,
        index=float(index.amount),
        index_error=float(index.error),
    )


def serving_or_why_not(matched: MatchedRecipe, audience: Audience, regime: str = "US") -> Serving | str:
    """Compute one serving as :func:`serving_of`, or say in a sentence what the recipe lacks for that."""
    checked_regime(regime)
    try:
        return serving_of(matched, audience, regime)
    except SwaptableError as error:
        return str(error)


def offered(line: MatchedLine) -> tuple[Hit, ...]:
    """Give the foods worth choosing from: the chosen one first; where none is chosen, all that were found."""
    if line.hit is None:
        return line.runners_up
    return (line.hit, *(hit for hit in line.runners_up if hit.score >= SHOWN))


def matches_table(matched: MatchedRecipe) -> pd.DataFrame:
    """List what every line was matched with.

    Returns
    -------
    DataFrame
        One row per line, in order: ``words``, ``food`` (code), ``description``, ``confidence`` [-], ``amount``,
        ``grams`` [g], ``weighed``, ``cook``, ``liquid``, ``questions``, ``runners_up``. Empty texts and NaN: not known.
    """
    release = matched.release
    rows = [
        {
            "words": line.words,
            "food": release.full_code(line.hit.code) if line.hit else "",
            "description": line.hit.description if line.hit else "",
            "confidence": line.confidence if line.hit else np.nan,
            "amount": line.amount.text,
            "grams": np.nan if line.amount.grams is None else line.amount.grams,
            "weighed": line.amount.weighed if line.amount.text else "",
            "cook": line.cooking.cook,
            "liquid": line.cooking.liquid,
            "questions": "; ".join(line.questions),
            "runners_up": "; ".join(
                f"{release.full_code(hit.code)} {hit.description} ({hit.score:.2f})"
                for hit in offered(line)
                if hit is not line.hit
            ),
        }
        for line in matched.lines
    ]
    return pd.DataFrame(rows)


def questions_table(matched: MatchedRecipe) -> pd.DataFrame:
    """List every question: ``question``, and ``words`` of the line it is about (empty: the whole recipe)."""
    of_lines = [(line.words, question) for line in matched.lines for question in line.questions]
    general = matched.questions[: len(matched.questions) - len(of_lines)]
    return pd.DataFrame([*(("", question) for question in general), *of_lines], columns=["words", "question"])
