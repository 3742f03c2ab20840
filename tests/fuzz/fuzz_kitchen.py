"""Readers of kitchen English: a recipe in words, one ingredient line, a step of a method, matching."""

from functools import cache
from pathlib import Path

from swaptable.basics.located_yaml import parse_yaml
from swaptable.foods.joined import open_release
from swaptable.foods.release import FoodRelease
from swaptable.kitchen.lines import read_line
from swaptable.kitchen.matched_file import recipe_yaml
from swaptable.kitchen.matching import match_recipe
from swaptable.kitchen.text import KitchenRecipe, read_kitchen_file
from swaptable.teaching.method_times import read_times


@cache
def release() -> FoodRelease:
    """Open the foods once."""
    return open_release("sr28")


def read_ingredient(text: str) -> None:
    """Read one line; an amount is None or a number of 0 or more."""
    for line in read_line(text):
        assert line.number is None or 0 <= line.number < float("inf"), f"found the number {line.number}"


def match(path: Path) -> None:
    """Match a recipe in words; what is written is YAML of the fields of a recipe."""
    recipe = read_kitchen_file(path)
    found, _ = parse_yaml(recipe_yaml(match_recipe(recipe, release())), "written")
    assert found["title"].split() == recipe.title.split(), "the title is another one"


def match_line(text: str) -> None:
    """Match one line and a method that names it."""
    recipe = KitchenRecipe("Pot", 4.0, (text,), (f"Boil {text} and drain.",), "")
    parse_yaml(recipe_yaml(match_recipe(recipe, release())), "written")


READERS = {
    "text": (".txt", read_kitchen_file),
    "line": ("", read_ingredient),
    "step": ("", read_times),
    "match": (".txt", match),
    "match_line": ("", match_line),
}
WORDS = (
    "1 1/2", "½", "2-3 ", "(15 oz) can ", "cups ", "tbsp ", "t-bone", "g ", "about ", "a few ", "to taste", " or ",
    " and ", " plus ", "juice and zest of ", "peeled", "drained", "Serves 4\n", "Ingredients\n", "Method\n", "minutes",
    "hours", "until ", "dozen ", "half a ", " x ", "/", ",", "(", ")", "\n- ", "\n1. ", "1,000", "000", "sr28:11124",
)  # fmt: skip
