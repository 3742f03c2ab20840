"""A recipe as the rows of a sheet of ingredients, and the empty sheet to fill in."""

from __future__ import annotations

from collections.abc import Mapping

from swaptable.amounts.recipes import AS_WRITTEN, Recipe
from swaptable.foods.release import FoodRelease
from swaptable.formats.recipe_files import recipe_fields
from swaptable.formats.sheets import COLUMNS, ESSENTIAL, HEAD, LISTS, NO_DETAIL

__all__ = ["sheet_rows", "template_rows"]


def sheet_rows(recipe: Recipe, release: FoodRelease) -> list[list[str]]:
    """Give a recipe as the rows of a sheet.

    Parameters
    ----------
    recipe : Recipe
    release : FoodRelease
        For the words beside the food codes.

    Returns
    -------
    list of list of str
        Rows of texts; :func:`swaptable.formats.sheets.read_sheet` gives the same recipe.
    """
    fields = recipe_fields(recipe)
    rows = [[name, str(fields[name])] for name in HEAD if name in fields and name not in LISTS]
    rows += [["method", step] for step in fields.get("method", [])]
    for pair in fields.get("not together", []):
        rows.append(["not together", "; ".join(f"{choice}: {option}" for choice, option in pair.items())])
    body = [_row(name, patch, release) for name, patch in fields["ingredients"].items()]
    for choice, options in fields.get("choices", {}).items():
        for option, changes in options.items():
            of_option = {"choice": choice, "option": option}
            if changes == AS_WRITTEN:
                body.append(of_option)
                continue
            for name, patch in changes.items():
                found = {"ingredient": name, "amount": patch} if isinstance(patch, str) else _row(name, patch, release)
                body.append(found | of_option)
    used = {name for row in body for name in row}
    columns = [name for name in COLUMNS if name in used or name in ESSENTIAL]
    return [*rows, [], columns, *([row.get(name, "") for name in columns] for row in body)]


def _row(name: str, patch: Mapping[str, str], release: FoodRelease) -> dict[str, str]:
    row = {column: patch[key] for column, (key, _) in COLUMNS.items() if key and key in patch}
    if "amount" in row:
        row["amount"], _, row["unit"] = row["amount"].partition(" ")
    if row.get("detail") == "":
        row["detail"] = NO_DETAIL
    if "code" in row:
        row["food"] = release.food(row["code"]).description
    return {"ingredient": name} | row


def template_rows() -> list[list[str]]:
    """Give the empty sheet that is offered for filling in."""
    return [["title", ""], ["servings", ""], ["method", ""], [], list(ESSENTIAL)]
