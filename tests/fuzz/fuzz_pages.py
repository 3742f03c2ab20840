"""Readers of pages and JSON files: the structured data of schema.org, and the recipe file that it may carry."""

from functools import cache
from pathlib import Path

from swaptable.foods.joined import open_release
from swaptable.foods.release import FoodRelease
from swaptable.formats.open_formats import read_source
from swaptable.formats.pages import read_page


@cache
def release() -> FoodRelease:
    """Open the foods once."""
    return open_release("sr28")


def read_carried(path: Path) -> None:
    """Read a JSON file, and check the recipe file in it."""
    read_source(path, release())


READERS = {
    "page": (".html", read_page),
    "json": (".json", read_page),
    "carried": (".json", read_carried),
}
WORDS = (
    '<script type="application/ld+json">', "</script>", "<!--", "-->", "<![CDATA[", '"@type": "Recipe"', '"@graph": [',
    '"recipeIngredient": [', '"recipeInstructions": ', '"HowToSection"', '"itemListElement": ', '"recipeYield": ',
    '"name": ', '"text": ', '"@id": ', '"item": ', "&amp;", "&#0;", "&lt;", "\\ud800", "\\u0000", "1e999", "NaN",
    "Infinity", "null", "true", "{", "}", "[", "]", '"encoding": ', '"encodingFormat": "application/yaml"', "charset=",
)  # fmt: skip
