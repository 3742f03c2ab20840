"""One variant of a recipe as a recipe of its own, with nothing left to choose."""

from __future__ import annotations

from swaptable.amounts.nutrients import Amounts
from swaptable.amounts.recipes import AS_WRITTEN, Ingredient, Recipe
from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.basics.units import Amount

__all__ = ["as_recipe", "variant_named"]


def variant_named(amounts: Amounts, label: str) -> dict[str, str]:
    """Find a variant by its label.

    Parameters
    ----------
    amounts : Amounts
    label : str
        As in every table, such as ``"sweet potato + water"``; empty for the recipe as written.

    Returns
    -------
    dict
        Choice → option.

    Raises
    ------
    SwaptableError
        If there is none, with the nearest.
    """
    labels = amounts.grid.labels
    wanted = label or AS_WRITTEN
    if wanted not in labels:
        raise SwaptableError(f"found variant '{label}'; expected one of {listed(labels, 20)}{nearest(label, labels)}")
    return amounts.grid.variants()[labels.index(wanted)]


def as_recipe(amounts: Amounts, variant: dict[str, str]) -> Recipe:
    """Write a variant as a recipe without choices.

    Parameters
    ----------
    amounts : Amounts
    variant : dict
        Choice → option.

    Returns
    -------
    Recipe
        With the amounts, foods and cooking that the options set. An ingredient whose food an option replaced is given
        by its edible weight. A weighed dish keeps the weight that the variant has by it.
    """
    grid, recipe = amounts.grid, amounts.recipe
    ingredients = {}
    for name in grid.lines:
        line = grid.line(name, variant)
        if line is None:
            continue
        fields = {}
        if name in recipe.ingredients:
            fields = {
                field: getattr(recipe.ingredients[name], field) for field in recipe.ingredients[name].model_fields_set
            }
        swapped = False
        for choice, option in variant.items():
            patch = recipe.choices[choice][option].patches.get(name)
            if patch is not None:
                fields |= {field: getattr(patch, field) for field in patch.model_fields_set}
                swapped |= patch.food is not None and patch.amount is None
        fields.pop("same", None)
        if swapped:
            fields |= {"amount": Amount(line.edible_g, "g"), "weighed": "edible"}
        ingredients[name] = Ingredient.model_construct(**fields)
    chosen = [recipe.choices[choice][option] for choice, option in variant.items()]
    weighed = recipe.cooked_weight is not None or any(option.cooked_weight is not None for option in chosen)
    changes = {
        "ingredients": ingredients,
        "choices": {},
        "not_together": (),
        "cooked_weight": float(amounts.data["cooked_g"].sel(variant)) if weighed else None,
    }
    return recipe.model_copy(update=changes)
