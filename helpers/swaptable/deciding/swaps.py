"""Finding a swap: the foods that can play an ingredient's part in the dish, and what each does to the recipe.

The best of the foods that were screened are put into the recipe as options and computed as any recipe is, so that
their numbers are those of a recipe file with that option.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from swaptable.amounts.certainty import certainty_of, index_certainty
from swaptable.amounts.cost import cost_table, read_prices
from swaptable.amounts.nutrients import Amounts, compute
from swaptable.amounts.recipes import AS_WRITTEN, Recipe, read_recipe
from swaptable.amounts.variants import Line, build_grid
from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.basics.folders import find_file
from swaptable.deciding.swap_effects import (
    SODIUM,
    already_made,
    brought_by_swaps,
    cautions_of_swaps,
    computed_options,
    effects_of_swaps,
    home_of,
    scores_of_swaps,
    verdicts_changed,
    worsened_by_swaps,
)
from swaptable.deciding.swap_screen import Search, aims_of, ranked, screen
from swaptable.deciding.swap_words import SWAP, swaps_in_words
from swaptable.foods.cooking_factors import FACTORS
from swaptable.foods.families import NO_FAMILY, parts_of, short_name
from swaptable.foods.imputation import fill_gaps
from swaptable.foods.joined import open_release
from swaptable.foods.reference import component_named
from swaptable.judging.audiences import Audience, read_audience
from swaptable.judging.daily_values import checked_regime
from swaptable.judging.density import index_components, nutrient_rich_foods_index
from swaptable.judging.study import GAPS
from swaptable.judging.targets import day_targets, find_aims

__all__ = ["Swaps", "find_swaps"]

SAME = ("weight", "volume", "energy")
MOST = 100  # swaps computed in full


@dataclass(frozen=True, eq=False)
class Swaps:
    """What was found for one ingredient.

    Attributes
    ----------
    recipe : Recipe
        As its file says.
    ingredient : str
    line : Line
        The ingredient as written.
    audience : Audience
    regime, same : str
    wide : bool
        Whether all families of the role were looked at.
    family, role : str
        What part the ingredient plays.
    amounts : Amounts
        The recipe as written and one option for each of the best, computed in full.
    table : DataFrame
        One row per swap, best first: see ``data/README.md``.
    effects : DataFrame
        One row per swap and component: amount as written and swapped, difference, its interval, and whether it is real.
    cautions : DataFrame
        One row per swap and caution that it brings to the class, with its message and source.
    screened : DataFrame
        Every food of the family with what the screening found, or why it cannot be a swap.
    """

    recipe: Recipe
    ingredient: str
    line: Line
    audience: Audience
    regime: str
    same: str
    wide: bool
    family: str
    role: str
    amounts: Amounts
    table: pd.DataFrame
    effects: pd.DataFrame
    cautions: pd.DataFrame
    screened: pd.DataFrame

    @property
    def fitting(self) -> int:
        """How many foods can play the part, the alike counted singly."""
        return int((self.screened["why_not"] == "").sum())

    @property
    def paste_under(self) -> str:
        """Say where in the recipe file an option of the table is to be pasted."""
        choice, known = home_of(self.recipe, self.ingredient)
        if known:
            return f"choices → {choice}"
        first = json.dumps(short_name(self.line.food.description))
        return f"choices → {choice}, a new choice that begins with {first}: {AS_WRITTEN}"


def _read(
    recipe: str | Path, ingredient: str, release: str | Path, factors: str, gaps: str
) -> tuple[Recipe, Amounts, Line]:
    """Read a recipe and compute it as written, without its choices."""
    if gaps not in GAPS:
        raise SwaptableError(f"found gaps '{gaps}'; expected {' or '.join(GAPS)}{nearest(gaps, GAPS)}")
    read = read_recipe(find_file(recipe, "recipes", ".yaml"))
    if ingredient not in read.ingredients:
        names = list(read.ingredients)
        problem = f"found ingredient '{ingredient}'; expected one of {listed(names, 40)}{nearest(ingredient, names)}"
        raise read.source.error(("ingredients",), problem, at_key=True)
    foods = open_release(release)
    foods = fill_gaps(foods) if gaps == GAPS[1] else foods
    bare = read.model_copy(update={"choices": {}, "not_together": ()})
    amounts = compute(build_grid(bare, foods, factors))
    line = amounts.grid.line(ingredient, {})
    if line is None:
        problem = f"'{ingredient}' has an amount of 0; give one to look for what could replace it"
        raise read.source.error(("ingredients", ingredient), problem, at_key=True)
    return read, amounts, line


def find_swaps(
    recipe: str | Path,
    ingredient: str,
    audience: str | Path = "general_adults",
    *,
    same: str = "weight",
    most: int = 10,
    wide: bool = False,
    regime: str = "US",
    release: str | Path = "current",
    prices: str | Path = "",
    factors: str = FACTORS[0],
    gaps: str = GAPS[0],
) -> Swaps:
    """Find the foods that can play an ingredient's part, ranked by what they do to the recipe for an audience.

    Parameters
    ----------
    recipe : str or Path
        File, or the name of one in ``data/recipes/``; as it is written.
    ingredient : str
        By the name that the recipe gives it.
    audience : str or Path, optional
        File, or the name of one in ``data/audiences/``.
    same : str, optional
        What stays equal: ``"weight"`` (edible), ``"volume"``, ``"energy"`` or a component such as carbohydrate.
    most : int, optional
        How many to compute in full and list, at most.
    wide : bool, optional
        Look in all families of the same role, such as meat, fish, eggs and tofu, not only in the ingredient's own.
    regime : str, optional
        ``"US"`` or ``"CA"``: daily values and allergens.
    release : str or Path, optional
        Food release.
    prices : str or Path, optional
        Price file; without it nothing is costed.
    factors, gaps : str, optional
        As for :func:`swaptable.judging.study.compute_recipe`.

    Returns
    -------
    Swaps

    Raises
    ------
    InputError, SwaptableError
        If a file, the ingredient or a parameter cannot be used, or the ingredient's food has no culinary family.

    Notes
    -----
    The order: swaps that surely raise what is to be kept down, by 5 % of a daily value or more, come last; before them
    those that bring a concern of the class, then those of which an aim's amount is not known; else by the mean progress
    towards the audience's aims [% of each], where a difference that may be none counts nothing, and of what is to be
    raised no more counts than is asked for.

    Examples
    --------
    >>> swaps = find_swaps("oat_pancakes", "yogurt", "blood_pressure", most=2)
    >>> swaps.table["option"].tolist()
    ['yogurt, plain, skim milk, 13 grams protein per 8 ounce', 'yogurt, Greek, plain, nonfat']
    >>> swaps.table["trade_off"].iloc[0]
    'nothing worse by 5 % of a daily value or more'
    """
    checked_regime(regime)
    if not 1 <= most <= MOST:
        raise SwaptableError(f"found most {most}; expected 1 to {MOST}")
    read, before, line = _read(recipe, ingredient, release, factors, gaps)
    if same not in SAME:
        component_named(same, list(before.units().index))
    family, role = _part_played(read, ingredient, line, before)
    people = read_audience(find_file(audience, "audiences", ".yaml"))
    aims = find_aims(people, before.units())
    targets = day_targets(aims, regime)
    asked = aims_of(aims, targets, before.units(), regime)
    search = Search(before, ingredient, line, read.ingredients[ingredient], same, asked)
    screened = screen(search, family, role, wide)
    best = ranked(screened).head(2 * most)  # more than are listed: what is not real counts in the screening only
    amounts, options = computed_options(search, read, best)
    known = certainty_of(amounts)
    effects = effects_of_swaps(amounts, known, aims, regime)
    table = _table(amounts, effects, best, options, search)
    table["already"] = [already_made(read, ingredient, code, amounts.grid.release, regime) for code in table["food"]]
    table["score"], table["unknown_aims"] = (found[1:] for found in scores_of_swaps(amounts, known, asked))
    changed = verdicts_changed(amounts, targets, people.share_of_day).set_axis([AS_WRITTEN, *options.index])
    cautions = cautions_of_swaps(amounts, people)
    table = table.join(changed).join(brought_by_swaps(amounts, ingredient, people, regime, cautions))
    table = _best_first(_with_cost(table, amounts, prices) if prices else table, most)
    return Swaps(
        recipe=read,
        ingredient=ingredient,
        line=line,
        audience=people,
        regime=regime,
        same=same,
        wide=wide,
        family=family,
        role=role,
        amounts=amounts,
        table=table.rename_axis("option").reset_index(),
        effects=_in_order_of(table, effects),
        cautions=cautions[cautions["option"].isin(table.index)].reset_index(drop=True),
        screened=screened.reset_index(drop=True).drop(columns="kind"),
    )


def _part_played(recipe: Recipe, ingredient: str, line: Line, amounts: Amounts) -> tuple[str, str]:
    """Give the culinary family and the role of the ingredient's food."""
    family, role = parts_of(amounts.grid.release).loc[line.food.code]
    if family == NO_FAMILY:
        problem = (
            f"'{line.food.description}' has no culinary family, so that nothing is known to play its part; a row of "
            "data/reference/culinary_families.csv gives it one"
        )
        raise recipe.source.error(("ingredients", ingredient, "food"), problem)
    return family, role


def _with_cost(table: pd.DataFrame, amounts: Amounts, prices: str | Path) -> pd.DataFrame:
    """Put beside each swap what it costs more or less per serving."""
    paid = read_prices(find_file(prices, ".", ".csv"))
    cost = cost_table(amounts.grid, paid).set_axis([AS_WRITTEN, *table.index])
    apart = cost["cost_per_serving"] - cost["cost_per_serving"].iloc[0]
    return table.assign(cost_difference=apart, currency=cost["currency"])


def _best_first(table: pd.DataFrame, most: int) -> pd.DataFrame:
    """Rank the swaps, and keep as many as are to be listed."""
    order = table.assign(worse=table["worsens"] != "", concern=table["concerns_of_class"] != "")
    order = order.sort_values(
        ["worse", "concern", "unknown_aims", "score"], ascending=[True, True, True, False], kind="stable"
    )
    table = table.loc[order.index[:most]]
    table.insert(0, "rank", range(1, len(table) + 1))
    return table


def _in_order_of(table: pd.DataFrame, effects: pd.DataFrame) -> pd.DataFrame:
    """Keep the effects of the swaps that are listed, in their order."""
    place = {name: number for number, name in enumerate(table.index)}
    kept = effects[effects["option"].isin(table.index)]
    return kept.sort_values("option", key=lambda names: names.map(place), kind="stable").reset_index(drop=True)


def _table(
    amounts: Amounts, effects: pd.DataFrame, best: pd.DataFrame, options: pd.DataFrame, search: Search
) -> pd.DataFrame:
    """Put together what the table of swaps says of each food and of its effect."""
    grid, names = amounts.grid, list(options.index)
    index = index_certainty(amounts, nutrient_rich_foods_index, index_components())
    table = best.set_axis(names)[["food", "description", "family", "fit", "others_alike"]].copy()
    lines = [grid.lines[search.ingredient].get(((SWAP, name),)) for name in names]
    table["edible_g"] = [np.nan if line is None else line.edible_g for line in lines]
    sodium = effects[effects["component"] == SODIUM].set_index("option")
    table["sodium_difference_mg"] = sodium["difference"]
    table["sodium_real"] = sodium["real"]
    table["nrf93_2009_difference"] = grid.listed(index.difference)[1:]
    table["nrf93_2009_real"] = grid.listed(index.is_real())[1:] == 1
    table = table.join(swaps_in_words(amounts, effects, search)).join(options)
    return table.join(worsened_by_swaps(effects).rename("worsens"))
