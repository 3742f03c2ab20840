"""Any text or bytes either give a result or one error in one line; and what was read comes back when it is written.

``SWAPTABLE_EXAMPLES=2000`` tries more than the few examples of an ordinary run. The coverage-guided harnesses are in
``tests/fuzz``.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

from swaptable.amounts.cost import read_prices
from swaptable.amounts.nutrients import Amounts, compute
from swaptable.amounts.recipes import Recipe, read_recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import SwaptableError, inert
from swaptable.basics.located_yaml import parse_yaml, read_yaml
from swaptable.basics.model_files import check_model
from swaptable.basics.units import MOST, parse_amount, parse_percent
from swaptable.deciding.wants import read_want
from swaptable.foods.release import FoodRelease
from swaptable.foods.search import find_foods
from swaptable.formats.csv_cells import harmless, unmarked
from swaptable.formats.exports import csv_bytes, json_ld
from swaptable.formats.open_formats import read_source
from swaptable.formats.pages import read_page
from swaptable.formats.recipe_files import plain_number, recipe_fields, recipe_text
from swaptable.formats.sheet_rows import sheet_rows
from swaptable.formats.sheets import read_sheet
from swaptable.judging.audiences import read_audience, read_day
from swaptable.kitchen.lines import read_line
from swaptable.kitchen.matched_file import recipe_yaml
from swaptable.kitchen.matching import match_recipe
from swaptable.kitchen.text import KitchenRecipe, read_kitchen_file
from swaptable.releases.plain_table import read_plain
from swaptable.teaching.method_times import read_times

EXAMPLES = int(os.environ.get("SWAPTABLE_EXAMPLES", "60"))
SLOW_SECONDS = 2.0  # of processor time
few = settings(
    max_examples=EXAMPLES,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
YAML = 'title: Pot\nservings: 4\ningredients:\n  root: {amount: 100 g, food: "sr28:11124"}\n'
PIECES = [
    "title: ", "servings: ", "4", "\n", "ingredients:", "  ", "{", "}", "[", "]", ": ", ", ", "- ", "amount", "food",
    '"', "'", "&a", "*a", "!!x", "<<", "?", "|", ">", "#", "%", "@", "100 g", "1/2", "½", "sr28:11124", "choices",
    "code", "description", "basis", "NA (mg)", "price", "\t", ";", "=", "<script type='application/ld+json'>",
    "</script>", '"@type": "Recipe"', '"recipeIngredient"', "Ingredients", "Method", "cup", "to taste", "\u202e",
    "\x00", "\ufeff", "é",
]  # fmt: skip
WANTED = [
    "sodium",
    " <= ",
    "at most ",
    "600 mg",
    "20 % DV",
    "-",
    " per ",
    "batch",
    "100 g",
    "nan",
    "1e308",
    "cost",
    "٣",
]
texts = st.one_of(st.text(max_size=200), st.lists(st.sampled_from(PIECES), max_size=60).map("".join))
contents = st.one_of(st.binary(max_size=300), texts.map(lambda text: text.encode("utf-8", "surrogatepass")))
FILES: dict[str, tuple[str, Callable[[Path], object]]] = {
    "recipe": (".yaml", read_recipe), "audience": (".yaml", read_audience), "day": (".yaml", read_day),
    "any YAML": (".yaml", read_yaml), "text": (".txt", read_kitchen_file), "page": (".html", read_page),
    "JSON": (".json", read_page), "CSV sheet": (".csv", read_sheet), "workbook": (".xlsx", read_sheet),
    "prices": (".csv", read_prices), "plain table": (".csv", read_plain),
}  # fmt: skip


def refuses_or_reads(read: Callable[[Any], object], given_: Any) -> object:
    """Read; an error must be ours, printable and short, and come soon."""
    began = time.process_time()
    try:
        return read(given_)
    except SwaptableError as error:
        assert str(error).isprintable()  # noqa: PT017 - either outcome keeps the promise
        assert len(str(error)) < 2000  # noqa: PT017
        return None
    finally:
        assert time.process_time() - began < SLOW_SECONDS


@pytest.mark.parametrize("kind", FILES)
@few
@given(content=contents)
def test_any_file_is_read_or_refused(tmp_path: Path, kind: str, content: bytes) -> None:
    """Whatever stands in a file, of any kind."""
    ending, read = FILES[kind]
    path = tmp_path / f"any{ending}"
    path.write_bytes(content)
    refuses_or_reads(read, path)


@few
@given(text=texts)
@example(text="01,001,000 x 3")
@example(text="Boil for " + "9" * 400 + " minutes")
def test_any_words_are_read_or_refused(text: str) -> None:
    """An amount, a percentage, a line of ingredients, a step."""
    amount = refuses_or_reads(parse_amount, text)
    assert amount is None or 0 <= amount.number < MOST  # type: ignore[attr-defined]
    refuses_or_reads(parse_percent, text)
    times = refuses_or_reads(read_times, text)
    assert times is None or times.before_most < float("inf")  # type: ignore[attr-defined]
    lines = refuses_or_reads(read_line, text) or []
    assert all(line.number is None or 0 <= line.number < float("inf") for line in lines)  # type: ignore[attr-defined]


@pytest.fixture(scope="module")
def pot(sr28: FoodRelease, tmp_path_factory: pytest.TempPathFactory) -> Amounts:
    """A computed recipe."""
    path = tmp_path_factory.mktemp("pot") / "pot.yaml"
    path.write_text(YAML, encoding="utf-8")
    return compute(build_grid(read_recipe(path), sr28))


@few
@given(text=st.one_of(texts, st.lists(st.sampled_from(WANTED)).map("".join)))
def test_any_want_or_search_is_read_or_refused(pot: Amounts, text: str) -> None:
    """A limit is a finite number; a search gives foods or none."""
    want = refuses_or_reads(lambda words: read_want(words, pot), text)
    assert want is None or abs(want.limit) < float("inf")  # type: ignore[attr-defined]
    refuses_or_reads(lambda words: find_foods(words, pot.grid.release, most=3), text)


@settings(few, max_examples=max(EXAMPLES // 2, 5))
@given(lines=st.lists(texts, min_size=1, max_size=4), title=texts)
def test_any_matched_recipe_is_yaml(sr28: FoodRelease, lines: list[str], title: str) -> None:
    """Whatever the words are, the draft is a file in which the title comes back."""
    recipe = KitchenRecipe(inert(title) or "Pot", 4.0, tuple(map(inert, lines)), (inert(title),), "")
    written = refuses_or_reads(lambda words: recipe_yaml(match_recipe(words, sr28)), recipe)
    if isinstance(written, str):
        assert parse_yaml(written, "draft")[0]["title"] == recipe.title


letters = st.characters(exclude_categories=("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"))
names = st.text(letters, min_size=1, max_size=30).map(lambda text: " ".join(f"n{text}".split()))
numbers = st.floats(1e-3, 1e6).map(plain_number)
amounts = st.one_of(numbers.map("{} g".format), st.sampled_from(["1 1/2 cup chopped", "3 medium", "½ cup grated"]))
recipes = st.fixed_dictionaries(
    {"title": names, "servings": st.floats(0.01, 1e5).map(plain_number)},
    optional={"notes": names, "method": st.lists(names, min_size=1, max_size=3)},
)


@few
@given(fields=recipes, of=st.dictionaries(names, amounts, min_size=1, max_size=4), option=names, choice=names)
def test_any_recipe_comes_back(
    tmp_path: Path, sr28: FoodRelease, fields: dict[str, Any], of: dict[str, str], option: str, choice: str
) -> None:
    """From a recipe file, a sheet and JSON-LD."""
    first = next(iter(of))
    fields = {**fields, "ingredients": {name: {"amount": amount, "food": "sr28:11124"} for name, amount in of.items()}}
    fields["choices"] = {choice: {"x": "as written", option: {first: {"amount": "0"}}}}
    try:
        found, source = parse_yaml(recipe_text(fields), "text")
        recipe = check_model(found, source, Recipe)
        computed = compute(build_grid(recipe, sr28))
    except SwaptableError:
        assume(False)  # names that look alike, words that are taken
    again, source = parse_yaml(recipe_text(recipe_fields(recipe)), "text")
    assert check_model(again, source, Recipe).model_dump() == recipe.model_dump()
    (tmp_path / "pot.csv").write_bytes(csv_bytes(sheet_rows(recipe, sr28)))
    sheet = read_sheet(tmp_path / "pot.csv")
    assert check_model(sheet.fields, sheet.source, Recipe).model_dump() == recipe.model_dump()
    (tmp_path / "pot.json").write_bytes(json_ld(computed))
    carried, source = parse_yaml(read_source(tmp_path / "pot.json", sr28).recipe_file, "text")
    assert check_model(carried, source, Recipe).model_dump() == recipe.model_dump()
    assert json.loads((tmp_path / "pot.json").read_text(encoding="utf-8"))["name"] == recipe.title


@few
@given(text=st.text())
def test_any_cell_comes_back(text: str) -> None:
    """A text that a spreadsheet would run is marked, and the mark comes off; errors are one printable line."""
    assert unmarked(harmless(text)) == (text if not text.startswith("'") else unmarked(text))
    assert str(SwaptableError(text)).isprintable()
