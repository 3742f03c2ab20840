"""The best of the foods screened, as options of the recipe: named, written as a recipe file does, computed."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence

import pandas as pd

from swaptable.amounts.nutrients import Amounts, compute
from swaptable.amounts.recipes import AS_WRITTEN, RESERVED, Option, Patch, Recipe
from swaptable.amounts.variants import build_grid
from swaptable.deciding.swap_screen import Search
from swaptable.deciding.swap_words import SWAP
from swaptable.foods.families import short_name

__all__ = ["already_made", "computed_options", "home_of"]


def home_of(recipe: Recipe, ingredient: str) -> tuple[str, bool]:
    """Name the choice of the recipe that a swap of an ingredient belongs to, and whether the recipe has it."""
    for choice, options in recipe.choices.items():
        if any(
            option.patches.get(ingredient) and option.patches[ingredient].food is not None
            for option in options.values()
        ):
            return choice, True
    name = f"{ingredient} swap" if ingredient.lower() in RESERVED else ingredient
    return name, name in recipe.choices


def already_made(recipe: Recipe, ingredient: str, code: str) -> str:
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


def computed_options(search: Search, recipe: Recipe, best: pd.DataFrame) -> tuple[Amounts, pd.DataFrame]:
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
