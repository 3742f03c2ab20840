"""Readers of YAML: recipes, audiences, days, runs."""

from pathlib import Path

from swaptable.amounts.recipes import Recipe, read_recipe
from swaptable.basics.located_yaml import parse_yaml
from swaptable.formats.recipe_files import recipe_fields, recipe_text
from swaptable.judging.audiences import read_audience, read_day
from swaptable.runs.run_files import read_runs


def recipe_and_back(path: Path) -> None:
    """Read a recipe, write it, read it again: the same."""
    recipe = read_recipe(path)
    found, _ = parse_yaml(recipe_text(recipe_fields(recipe)), "written")
    again = Recipe.model_validate(found | {"source": recipe.source})
    assert again == recipe, "a recipe that was read and written is another one"


READERS = {
    "recipe": (".yaml", recipe_and_back),
    "audience": (".yaml", read_audience),
    "day": (".yaml", read_day),
    "runs": (".yaml", read_runs),
}
WORDS = (
    "title: ", "servings: ", "ingredients:\n", "choices:\n", "as written", "amount: ", "food: ", "cooked weight: ",
    "not together: ", "method: ", "same: ", "yield: ", "liquid: ", "salted water: ", "{", "}", "[", "]", "&a ", "*a",
    "<<: ", "!!python/object ", "? ", "- ", "\n  ", "---\n", "1e308", "½", ".inf", "0x10", "\\ud800", "\u202e",
    "notebook: ", "parameters: ", "limits: ", "at most: ", "supplements: ", "group: ", "cautions: ", "with: ",
)  # fmt: skip
