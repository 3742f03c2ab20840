"""The recipe files of a collection as rows of a survey: their own choices, or the collection's rules as choices."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from swaptable.amounts.certainty import certainty_of, index_certainty
from swaptable.amounts.nutrients import Amounts, compute
from swaptable.amounts.recipes import Option, Patch, Recipe, read_recipe
from swaptable.amounts.variants import Grid, build_grid
from swaptable.basics.errors import SwaptableError
from swaptable.foods.cooking_factors import FACTORS
from swaptable.foods.release import FoodRelease
from swaptable.judging.density import index_components, nutrient_rich_foods_index
from swaptable.survey.rules import Swaps, Touched, changes_of, fates_of
from swaptable.survey.sums import DishAmounts
from swaptable.survey.table import Rows

__all__ = ["recipe_rows", "with_rules"]

_AS_IT_IS = "as it is"  # the first option of a rule; the second has the rule's own name
_SHARE_KEPT = {"kept": 1.0, "discarded": 0.0}


def with_rules(recipe: Recipe, swaps: Swaps, release: FoodRelease, factors: str = FACTORS[0]) -> Recipe:
    """Put the rules of a collection in the place of a recipe's own choices.

    Parameters
    ----------
    recipe : Recipe
    swaps : Swaps
    release : FoodRelease
    factors : str, optional

    Returns
    -------
    Recipe
        As written, with one choice for each rule that finds an ingredient.

    Raises
    ------
    SwaptableError
        If two rules change the weight of one ingredient, which a recipe's choices cannot.
    """
    plain = recipe.model_copy(update={"choices": {}, "not_together": ()})
    patches: dict[str, dict[str, Patch]] = {}
    for name, lines in build_grid(plain, release, factors).lines.items():
        for line in lines.values():
            touched = changes_of(swaps, line.food, release, fates_of(line.cooking.rows))
            for rule, patch in _patches(recipe, name, touched, release).items():
                patches.setdefault(rule, {})[name] = patch
    choices = {
        rule: {_AS_IT_IS: Option.model_validate("as written"), rule: Option.model_validate(patches[rule])}
        for rule in swaps.rules
        if rule in patches
    }
    return recipe.model_copy(update={"choices": choices, "not_together": ()})


def _patches(recipe: Recipe, name: str, touched: Touched, release: FoodRelease) -> dict[str, Patch]:
    """Say what each rule changes in an ingredient, as an option of a recipe does."""
    if len(touched.times) > 1:
        rules = " and ".join(f"'{rule}'" for rule, _ in touched.times)
        raise SwaptableError(f"{rules} both change the weight of {name}; a recipe lets one choice do that")
    fields: dict[str, dict[str, Any]] = {rule: {} for rule in touched.rules}
    if touched.food:
        fields[touched.food[0]]["food"] = release.full_code(touched.food[1])
    if touched.liquid:
        fields[touched.liquid[0]]["liquid"] = _SHARE_KEPT[touched.liquid[1]]
    amount = recipe.ingredients[name].amount
    for rule, factor in touched.times:
        fields[rule]["amount"] = replace(amount, number=amount.number * factor)
    return {rule: Patch(**changed) for rule, changed in fields.items()}


def _listed(values: xr.DataArray, amounts: Amounts, components: Sequence[str]) -> np.ndarray:
    """Give allowed variants × components as a plain array."""
    found = [amounts.grid.listed(values.sel(component=component, drop=True)) for component in components]
    return np.column_stack(found)


def _amounts(amounts: Amounts, components: Sequence[str], basis: str) -> DishAmounts:
    grid, known = amounts.grid, certainty_of(amounts, basis)
    index = index_certainty(amounts, nutrient_rich_foods_index, index_components())
    return DishAmounts(
        amount=_listed(known.amount, amounts, components),
        error=_listed(known.error, amounts, components),
        difference_error=_listed(known.difference_error, amounts, components),
        known_share=_listed(amounts.share_per(basis), amounts, components),
        cooked_g=grid.listed(amounts.data["cooked_g"]),
        index=grid.listed(index.amount),
        index_error=grid.listed(index.error),
        index_difference_error=grid.listed(index.difference_error),
    )


def _replaced_share(grid: Grid) -> np.ndarray:
    """Give by variant the share of the raw edible weight whose food is not the one as written."""
    written = {name: line.food.code for name in grid.lines if (line := grid.line(name, grid.as_written))}
    shares = []
    for variant in grid.variants():
        lines = {name: line for name in grid.lines if (line := grid.line(name, variant))}
        other = sum(line.edible_g for name, line in lines.items() if line.food.code != written.get(name))
        total = sum(line.edible_g for line in lines.values())
        shares.append(other / total if total else np.nan)
    return np.array(shares)


def recipe_rows(
    path: Path,
    swaps: Swaps | None,
    release: FoodRelease,
    components: Sequence[str],
    basis: str,
    factors: str = FACTORS[0],
) -> Rows:
    """Compute a recipe file.

    Parameters
    ----------
    path : Path
    swaps : Swaps or None
        Rules to put in the place of the recipe's own choices; None keeps those.
    release : FoodRelease
    components : sequence of str
    basis : str
        As for :meth:`swaptable.amounts.nutrients.Amounts.per`.
    factors : str, optional

    Returns
    -------
    Rows

    Raises
    ------
    SwaptableError
        If the recipe cannot be computed.
    """
    recipe = read_recipe(path)
    if swaps is not None:
        recipe = with_rules(recipe, swaps, release, factors)
    amounts = compute(build_grid(recipe, release, factors))
    variants = amounts.grid.variants()
    rules = swaps.rules if swaps is not None else ()
    chosen = {
        rule: np.array([variant[rule] == rule for variant in variants]) for rule in rules if rule in recipe.choices
    }
    replaced = np.full(len(variants), np.nan) if swaps is None else _replaced_share(amounts.grid)
    found = _amounts(amounts, components, basis)
    return Rows(path.stem, recipe.title, list(amounts.grid.labels), chosen, found, replaced)
