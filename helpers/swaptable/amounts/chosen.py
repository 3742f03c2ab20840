"""Variants picked out of a recipe: alone, first, as a recipe of their own, and in kitchen measures."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from swaptable.amounts.dish import View, dish_of
from swaptable.amounts.lines import Line, Options
from swaptable.amounts.nutrients import Amounts, amounts_of
from swaptable.amounts.recipes import AS_WRITTEN, Ingredient, Recipe
from swaptable.amounts.totals import sum_up
from swaptable.amounts.variants import Grid
from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.basics.units import Amount, measure_named

__all__ = [
    "VARIANT",
    "amount_in_kitchen",
    "amounts_at",
    "as_recipe",
    "chosen_variant",
    "grams_text",
    "is_named_in",
    "kitchen_amount",
    "kitchen_number",
    "option_words",
    "parse_options",
    "rebased",
    "stated",
    "stated_grams",
    "variant_named",
]

NEAR_FRACTION = 0.02  # how far a spoon or cup may be from the fraction that is printed
MOST_FRACTION = 20  # of so many spoons a fraction does not matter
_FRACTIONS = {0.25: "¼", 1 / 3: "⅓", 0.5: "½", 2 / 3: "⅔", 0.75: "¾"}


def parse_options(words: Mapping[str, str] | Iterable[str]) -> dict[str, str]:
    """Read options given as ``choice=option``, or as a mapping.

    Raises
    ------
    SwaptableError
        If a word has no equals sign, or names a choice twice.

    Examples
    --------
    >>> parse_options(["liquid=water", "salt=no salt"])
    {'liquid': 'water', 'salt': 'no salt'}
    """
    if isinstance(words, Mapping):
        return dict(words)
    found: dict[str, str] = {}
    for word in words:
        choice, sign, option = (part.strip() for part in word.partition("="))
        if not (choice and sign and option):
            raise SwaptableError(f"found '{word}'; expected choice=option, such as liquid=water")
        if choice in found:
            raise SwaptableError(f"found '{choice}' twice; expected one option for each choice")
        found[choice] = option
    return found


def chosen_variant(grid: Grid, options: Mapping[str, str]) -> dict[str, str]:
    """Find the variant that has some options, and the recipe as written in everything else.

    Parameters
    ----------
    grid : Grid
    options : mapping
        Choice → option.

    Returns
    -------
    dict
        Choice → option, of all choices.

    Raises
    ------
    SwaptableError
        If a choice or option is not in the recipe, or the options do not go together.
    """
    for choice, option in options.items():
        if choice not in grid.choices:
            allowed = listed(grid.choices, 20) or "none: this recipe offers no choice"
            raise SwaptableError(f"found choice '{choice}'; expected {allowed}{nearest(choice, grid.choices)}")
        if option not in grid.choices[choice]:
            names = grid.choices[choice]
            problem = f"found option '{option}' of {choice}; expected {listed(names, 20)}{nearest(option, names)}"
            raise SwaptableError(problem)
    variant = {**grid.as_written, **options}
    if not grid.is_allowed(variant):
        found = ", ".join(f"{choice}={option}" for choice, option in options.items())
        raise SwaptableError(f"found {found}, which the recipe says do not go together; choose others")
    return variant


def rebased(amounts: Amounts, variant: Mapping[str, str], *, alone: bool = False) -> Amounts:
    """Put a variant first, so that every difference is one from it; or leave all others out.

    Parameters
    ----------
    amounts : Amounts
    variant : mapping
        Choice → option.
    alone : bool, optional
        Keep this variant only.

    Returns
    -------
    Amounts
    """
    grid = amounts.grid
    choices = {
        choice: (variant[choice], *(() if alone else (option for option in options if option != variant[choice])))
        for choice, options in grid.choices.items()
    }
    lines = {
        name: {own: line for own, line in table.items() if all(option in choices[choice] for choice, option in own)}
        for name, table in grid.lines.items()
    }
    kept = {name: table for name, table in lines.items() if table}
    order = {choice: list(options) for choice, options in choices.items()}
    renewed = replace(grid, choices=choices, lines=kept)
    return replace(amounts, grid=renewed, data=amounts.data.sel(order))


def stated(grid: Grid, ingredient: str, variant: Mapping[str, str], field: str) -> Any:
    """Give a field of an ingredient as the recipe or an option states it, such as ``"cook"``; None where none does."""
    found = getattr(grid.recipe.ingredients.get(ingredient), field, None)
    for choice, option in variant.items():
        patch = grid.recipe.choices[choice][option].patches.get(ingredient)
        if patch is not None and field in patch.model_fields_set:
            found = getattr(patch, field)
    return found


def kitchen_amount(grid: Grid, ingredient: str, variant: Mapping[str, str]) -> Amount | None:
    """Give an ingredient's amount as the recipe writes it.

    Parameters
    ----------
    grid : Grid
    ingredient : str
    variant : mapping
        Choice → option.

    Returns
    -------
    Amount or None
        None where an option replaces the food at an equal weight, energy or component, so that only the weight of
        the line is known.
    """
    amount = stated(grid, ingredient, variant, "amount")
    for choice, option in variant.items():
        patch = grid.recipe.choices[choice][option].patches.get(ingredient)
        if patch is None or patch.food is None or patch.amount is not None:
            continue
        words = amount.measure.split() if amount is not None else []
        unit = measure_named(words[0]) if words else None
        if patch.same != "volume" or unit is None or unit.kind != "volume":
            return None
    return amount


def kitchen_number(value: float) -> str:
    """Print a number as a cook measures it: a fraction where it is near one, else at most one decimal.

    Examples
    --------
    >>> kitchen_number(1.5), kitchen_number(3.333), kitchen_number(12.0), kitchen_number(0.8)
    ('1½', '3⅓', '12', '0.8')
    """
    whole, part = divmod(value, 1)
    for fraction, sign in _FRACTIONS.items():
        if value < MOST_FRACTION and abs(part - fraction) <= NEAR_FRACTION:
            return f"{whole:.0f}{sign}" if whole else sign
    return f"{value:,.1f}".removesuffix(".0") if value < 100 else f"{value:,.0f}"


def grams_text(grams: float) -> str:
    """Print a weight as a scale shows it."""
    return f"{grams / 1000:,.2f} kg" if grams >= 1000 else f"{grams:,.0f} g" if grams >= 10 else f"{grams:.1f} g"


def amount_in_kitchen(amount: Amount | None, grams: float, factor: float) -> str:
    """Print an amount in kitchen measures and by weight."""
    weight = grams_text(grams * factor)
    unit = measure_named(amount.measure.split()[0]) if amount is not None and amount.measure else None
    if amount is None or (unit is not None and unit.kind == "mass"):
        return weight
    return f"{kitchen_number(amount.number * factor)} {amount.measure}".strip() + f" ({weight})"


def stated_grams(line: Line) -> float:
    """Weight in the sense in which the recipe weighs the ingredient: as purchased, or the edible part [g]."""
    return line.purchased_g if "refuse" in line.ways else line.edible_g


def option_words(grid: Grid, ingredient: str, variant: Mapping[str, str]) -> str:
    """Name the options chosen that touch an ingredient."""
    return ", ".join(variant[choice] for choice in grid.own_choices(ingredient))


def is_named_in(name: str, text: str) -> bool:
    """Tell whether a text names an ingredient, in the singular or plural.

    Examples
    --------
    >>> is_named_in("tomato", "Add the tomatoes in halves."), is_named_in("oil", "Bring to the boil.")
    (True, False)
    """
    stem = re.escape(re.sub(r"(?:(?<=o)es|(?<!s)s)$", "", name.lower()))
    return re.search(rf"\b{stem}(?:e?s)?\b", text.lower()) is not None


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


VARIANT = "variant"


def amounts_at(grid: Grid, codes: np.ndarray) -> Amounts:
    """Compute listed variants.

    Parameters
    ----------
    grid : Grid
    codes : ndarray of int
        Variants × choices: which option each has; no variant twice, and all of them allowed.

    Returns
    -------
    Amounts
        Over the one choice :data:`VARIANT`, whose options are the labels; what variants share, such as a food or
        the weighing of an ingredient, they share there as well.
    """
    names = list(grid.choices)
    variants = [{name: grid.choices[name][code] for name, code in zip(names, row, strict=True)} for row in codes]
    labels = [grid.label(variant) for variant in variants]
    lines: dict[str, dict[Options, Line]] = {}
    own: dict[str, tuple[str, ...]] = {}
    for name in grid.lines:
        own[name] = (VARIANT,) if grid.own_choices(name) else ()
        at = [(((VARIANT, label),), grid.line(name, each)) for label, each in zip(labels, variants, strict=True)]
        lines[name] = {(options if own[name] else ()): line for options, line in at if line is not None}
    picked = Grid(grid.recipe, grid.release, {VARIANT: tuple(labels)}, lines, own, (), grid.factors)
    totals = sum_up(dish_of(grid), View({0: len(codes)}, codes=np.asarray(codes, dtype=int)))
    return amounts_of(totals, picked)
