"""Finding a swap: the foods that can play an ingredient's part in the dish, and what each does to the recipe.

The best of the foods that were screened are put into the recipe as options and computed as any recipe is, so that
their numbers are those of a recipe file with that option.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from swaptable.amounts.certainty import Certainty, certainty_of, index_certainty
from swaptable.amounts.cost import cost_table, read_prices
from swaptable.amounts.nutrients import WHOLE_SHARE, Amounts, compute
from swaptable.amounts.recipes import AS_WRITTEN, RESERVED, Option, Patch, Recipe, read_recipe
from swaptable.amounts.variants import Line, build_grid
from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.basics.folders import find_file
from swaptable.deciding.swap_screen import Aim, Search, aims_of, progress, ranked, screen
from swaptable.deciding.swap_words import BETTER_LESS, BETTER_MORE, SWAP, plain_component, swaps_in_words
from swaptable.foods.families import NO_FAMILY, parts_of, short_name
from swaptable.foods.imputation import fill_gaps
from swaptable.foods.joined import open_release
from swaptable.foods.reference import FACTORS, Z, component_named, vitamins_and_minerals
from swaptable.judging.audiences import Audience, read_audience
from swaptable.judging.cautions import allergen_changes, cautions_brought, swap_concerns
from swaptable.judging.daily_values import checked_regime, percent_daily_value
from swaptable.judging.indices import index_components, nutrient_rich_foods_index
from swaptable.judging.study import GAPS
from swaptable.judging.targets import Aims, day_targets, find_aims, judge_servings
from swaptable.judging.verdicts import LEVEL

__all__ = ["Swaps", "find_swaps"]

SAME = ("weight", "volume", "energy")
MOST = 100  # swaps computed in full
_SODIUM = "NA"


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
        choice, known = _home_of(self.recipe, self.ingredient)
        if known:
            return f"choices → {choice}"
        first = json.dumps(short_name(self.line.food.description))
        return f"choices → {choice}, a new choice that begins with {first}: {AS_WRITTEN}"


def _home_of(recipe: Recipe, ingredient: str) -> tuple[str, bool]:
    """Name the choice of the recipe that a swap of an ingredient belongs to, and whether the recipe has it."""
    for choice, options in recipe.choices.items():
        if any(
            option.patches.get(ingredient) and option.patches[ingredient].food is not None
            for option in options.values()
        ):
            return choice, True
    name = f"{ingredient} swap" if ingredient.lower() in RESERVED else ingredient
    return name, name in recipe.choices


def _already(recipe: Recipe, ingredient: str, code: str) -> str:
    """Name the option of the recipe that makes this swap already, or nothing."""
    for choice, options in recipe.choices.items():
        for name, option in options.items():
            if ingredient in option.patches and option.patches[ingredient].food == code:
                return f"{choice} → {name}"
    return ""


def _option_names(descriptions: Sequence[str], codes: Sequence[str], taken: Sequence[str]) -> list[str]:
    names: list[str] = []
    for description, code in zip(descriptions, codes, strict=True):
        name = short_name(description)
        names.append(name if name not in (*names, *taken, AS_WRITTEN) else f"{name} ({code.partition(':')[2]})")
    return names


def _yaml_line(option: str, ingredient: str, fields: dict[str, str]) -> str:
    """Write an option as a recipe file does; names that YAML would misread are quoted."""

    def word(text: str) -> str:
        return text if re.fullmatch(r"[A-Za-z][\w ,.()%'/-]*", text) else json.dumps(text, ensure_ascii=False)

    inside = ", ".join(
        f"{field}: {json.dumps(text, ensure_ascii=False) if field == 'food' or not text else text}"
        for field, text in fields.items()
    )
    name = word(ingredient) if "," not in ingredient else json.dumps(ingredient, ensure_ascii=False)
    return f"{word(option)}: {{{name}: {{{inside}}}}}"


def _compute_swaps(search: Search, recipe: Recipe, best: pd.DataFrame) -> tuple[Amounts, pd.DataFrame]:
    """Put the best foods into the recipe as options of one choice and compute them; give the options as written."""
    release, ingredient = search.amounts.grid.release, search.ingredient
    taken = [option for options in recipe.choices.values() for option in options]
    names = _option_names(list(best["description"]), list(best["food"]), taken)
    options = {AS_WRITTEN: Option.model_validate(AS_WRITTEN)}
    rows = []
    for name, code in zip(names, best["food"], strict=True):
        cooking, changes, _ = search.cook(release.food(code))
        fields = {"food": code} | ({"same": search.same} if search.same != "weight" else {}) | changes
        options[name] = Option.model_validate({ingredient: Patch.model_validate(fields)})
        adapted = [f"{field} {text or 'left to the food'}" for field, text in changes.items()]
        notes = [] if cooking is None else list(cooking.notes)
        stated = ["the yield that the recipe states is kept"] if search.stated.yield_factor is not None else []
        rows.append(
            {"yaml": _yaml_line(name, ingredient, fields), "cooking": "; ".join([*adapted, *stated, *notes])},
        )
    bare = search.amounts.recipe.model_copy(update={"choices": {SWAP: options}})
    amounts = compute(build_grid(bare, release, search.amounts.grid.factors))
    return amounts, pd.DataFrame(rows, index=names, columns=["yaml", "cooking"])


def _effects(amounts: Amounts, known: Certainty, aims: Aims, regime: str) -> pd.DataFrame:
    """Compare every swap with the recipe as written, component by component, per serving."""
    grid, serving, units = amounts.grid, amounts.per("serving"), amounts.units()
    roles = dict(aims.components())
    wanted = dict.fromkeys([_SODIUM, *roles, "ENERC_KCAL", *BETTER_MORE, *BETTER_LESS, *vitamins_and_minerals()])
    components = [tag for tag in wanted if tag in units.index]
    percent = percent_daily_value(amounts, regime)
    valued = set(percent["component"].to_numpy())
    options = grid.choices[SWAP]
    parts = []
    for tag in components:
        amount, error = grid.listed(serving.sel(component=tag)), grid.listed(known.difference_error.sel(component=tag))
        whole = grid.listed(amounts.data["valued_share"].sel(component=tag)) > WHOLE_SHARE
        difference = amount - amount[0]
        half = Z[LEVEL] * np.nan_to_num(error)
        value = grid.listed(percent.sel(component=tag)) if tag in valued else np.full(len(options), np.nan)
        parts.append(
            pd.DataFrame(
                {
                    "option": options, "component": tag, "role": roles.get(tag, ""), "unit": units[tag],
                    "as_written": amount[0], "amount": amount, "difference": difference, "standard_error": error,
                    "low_90": difference - half, "high_90": difference + half, "whole": whole & whole[0],
                    "real": (np.abs(difference) > half) & whole & whole[0],
                    "percent_dv_difference": value - value[0],
                }
            )
        )  # fmt: skip
    table = pd.concat(parts, ignore_index=True)
    return table[table["option"] != AS_WRITTEN].reset_index(drop=True)


def _scores(amounts: Amounts, known: Certainty, aims: Sequence[Aim]) -> tuple[np.ndarray, np.ndarray]:
    """Give the mean progress towards the aims of each variant [%], real differences only, and how many are unknown."""
    grid, serving = amounts.grid, amounts.per("serving")
    score, unknown = np.zeros(len(grid.labels)), np.zeros(len(grid.labels), dtype=int)
    for aim in aims:
        parts = list(aim.parts)
        after = grid.listed(serving.sel(component=parts).sum("component", skipna=False))
        error = grid.listed(known.difference_error.sel(component=parts).sum("component"))
        shares = amounts.data["valued_share"].sel(component=parts).min("component")
        whole = (grid.listed(shares) > WHOLE_SHARE) & np.isfinite(after)
        whole &= whole[0]
        real = whole & (np.abs(after - after[0]) > Z[LEVEL] * error)
        score += np.where(real, progress(float(after[0]), after, aim), 0.0) / len(aims)
        unknown += ~whole
    return score, unknown


def _verdicts_changed(amounts: Amounts, targets: pd.DataFrame, share_of_day: float) -> pd.DataFrame:
    """Name the components whose aim a serving meets for a group only with the swap, or only without it."""
    judged = judge_servings(amounts, targets[targets["leads"]], share_of_day)
    met = judged[judged["word"] != ""].assign(met=lambda rows: rows["word"] == "met")
    labels = amounts.grid.labels
    wide = met.pivot_table(index="variant", columns=["component", "group"], values="met", aggfunc="first")
    wide = wide.reindex(labels).astype(bool) if len(wide.columns) else pd.DataFrame(index=labels)
    rows = []
    for label in labels:
        words = []
        for changed in (wide.loc[label] & ~wide.iloc[0], ~wide.loc[label] & wide.iloc[0]):
            named = dict.fromkeys(component for component, _ in changed.index[changed])
            words.append(", ".join(plain_component(str(component)) for component in named))
        rows.append({"aims_gained": words[0], "aims_lost": words[1]})
    return pd.DataFrame(rows, index=labels)


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
    The order: swaps that bring a concern of the class come last; before them those of which an aim's amount is not
    known; else by the mean progress towards the audience's aims [% of each], where a difference that may be none
    counts nothing, and of what is to be raised no more counts than is asked for.
    """
    checked_regime(regime)
    if not 1 <= most <= MOST:
        raise SwaptableError(f"found most {most}; expected 1 to {MOST}")
    read, before, line = _read(recipe, ingredient, release, factors, gaps)
    if same not in SAME:
        component_named(same, list(before.units().index))
    foods = before.grid.release
    family, role = parts_of(foods).loc[line.food.code]
    if family == NO_FAMILY:
        problem = (
            f"'{line.food.description}' has no culinary family, so that nothing is known to play its part; a row of "
            "data/reference/culinary_families.csv gives it one"
        )
        raise read.source.error(("ingredients", ingredient, "food"), problem)
    people = read_audience(find_file(audience, "audiences", ".yaml"))
    aims = find_aims(people, before.units())
    targets = day_targets(aims, regime)
    asked = aims_of(aims, targets, before.units(), regime)
    search = Search(before, ingredient, line, read.ingredients[ingredient], same, asked)
    screened = screen(search, family, role, wide)
    # twice as many as are listed, since what is not real counts in the screening and not in the end
    best = ranked(screened).head(2 * most)
    amounts, options = _compute_swaps(search, read, best)
    known = certainty_of(amounts)
    effects = _effects(amounts, known, aims, regime)
    table = _table(read, amounts, effects, best, options, search)
    table["score"], table["unknown_aims"] = (found[1:] for found in _scores(amounts, known, asked))
    table = table.join(
        _verdicts_changed(amounts, targets, people.share_of_day).set_axis(["as written", *options.index])
    )
    cautions = _cautions(amounts, people)
    table = table.join(_brought(amounts, ingredient, people, regime, cautions))
    if prices:
        cost = cost_table(amounts.grid, read_prices(find_file(prices, ".", ".csv"))).set_axis(
            [AS_WRITTEN, *options.index]
        )
        table["cost_difference"] = cost["cost_per_serving"] - cost["cost_per_serving"].iloc[0]
        table["currency"] = cost["currency"]
    order = table.assign(concern=table["concerns_of_class"] != "", gaps=table["unknown_aims"])
    order = order.sort_values(["concern", "gaps", "score"], ascending=[True, True, False], kind="stable").index[:most]
    table = table.loc[order]
    table.insert(0, "rank", range(1, len(table) + 1))
    effects = effects[effects["option"].isin(order)]
    effects = effects.sort_values(
        "option", key=lambda names: names.map({n: i for i, n in enumerate(order)}), kind="stable"
    )
    table = table.rename_axis("option").reset_index()
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
        table=table,
        effects=effects.reset_index(drop=True),
        cautions=cautions[cautions["option"].isin(order)].reset_index(drop=True),
        screened=screened.reset_index(drop=True).drop(columns="kind"),
    )


def _table(
    recipe: Recipe, amounts: Amounts, effects: pd.DataFrame, best: pd.DataFrame, options: pd.DataFrame, search: Search
) -> pd.DataFrame:
    """Put together what the table of swaps says of each food and of its effect."""
    grid, names = amounts.grid, list(options.index)
    index = index_certainty(amounts, nutrient_rich_foods_index, index_components())
    table = best.set_axis(names)[["food", "description", "family", "fit", "others_alike"]].copy()
    lines = [grid.lines[search.ingredient].get(((SWAP, name),)) for name in names]
    table["already"] = [_already(recipe, search.ingredient, code) for code in table["food"]]
    table["edible_g"] = [np.nan if line is None else line.edible_g for line in lines]
    sodium = effects[effects["component"] == _SODIUM].set_index("option")
    table["sodium_difference_mg"] = sodium["difference"]
    table["sodium_real"] = sodium["real"]
    table["nrf93_2009_difference"] = grid.listed(index.difference)[1:]
    table["nrf93_2009_real"] = grid.listed(index.is_real())[1:] == 1
    return table.join(swaps_in_words(amounts, effects, search)).join(options)


def _cautions(amounts: Amounts, people: Audience) -> pd.DataFrame:
    """List what each swap brings that the class is to be told of, by option."""
    found = cautions_brought(amounts, people.concerns)
    options = dict(zip(amounts.grid.labels, amounts.grid.choices[SWAP], strict=True))
    found.insert(0, "option", found.pop("variant").map(options))
    return found[found["named"].astype(bool)].drop(columns="named").reset_index(drop=True)


def _brought(amounts: Amounts, ingredient: str, people: Audience, regime: str, cautions: pd.DataFrame) -> pd.DataFrame:
    """Say what each swap brings: concerns of the class, cautions, allergens, labels to read."""
    changes = allergen_changes(amounts, regime).set_index("option")
    names = list(amounts.grid.choices[SWAP][1:])
    named = cautions.groupby("option")["concern"].agg(lambda words: ", ".join(dict.fromkeys(words)))
    ingredients = changes["read_the_label"].str.split(", ")
    return pd.DataFrame(
        {
            "concerns_of_class": swap_concerns(amounts, people.concerns).to_numpy()[1:],
            "cautions": [named.get(name, "") for name in names],
            "adds_allergens": changes["adds"].reindex(names).to_numpy(),
            "removes_allergens": changes["removes"].reindex(names).to_numpy(),
            "read_the_label": [ingredient in ingredients[name] for name in names],
        },
        index=names,
    )
