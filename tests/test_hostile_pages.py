"""Saved pages and JSON files of strangers: whatever they hold, a recipe comes out or one error, and soon."""

from __future__ import annotations

import json
import re
import time
from pathlib import Path
from typing import Any

import pytest

from swaptable.amounts.recipes import read_recipe
from swaptable.basics.errors import InputError, SwaptableError
from swaptable.basics.file_text import odd_sign
from swaptable.foods.release import FoodRelease
from swaptable.formats.open_formats import convert, read_source
from swaptable.formats.pages import read_page
from swaptable.kitchen.matched_file import recipe_yaml
from swaptable.kitchen.matching import match_recipe
from swaptable.kitchen.text import read_kitchen_text

PATIENCE = 8.0  # seconds of processor time; on a slow machine, under load
RECIPE = {"@context": "https://schema.org", "@type": "Recipe", "name": "Pot", "recipeYield": "2",
          "recipeIngredient": ["1 g salt"]}  # fmt: skip
BLOCK = '<script type="application/ld+json">'


def document(**changes: object) -> str:
    """Write a recipe as JSON."""
    return json.dumps(RECIPE | changes)


def read(tmp_path: Path, name: str, text: str | bytes) -> str:
    """Read a file; give what became of it in words, within the time a reader waits."""
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    began = time.process_time()
    try:
        found = repr(read_page(path))
    except InputError as error:
        found = str(error)
        assert len(found) < 2000
        assert found.isprintable()
    assert time.process_time() - began < PATIENCE
    return found


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('{"@type": "Recipe", "a": ' * 10_000 + "1" + "}" * 10_000, "is nested too deeply"),
        (json.dumps([RECIPE | {"name": str(n)} for n in range(10_000)]), "holds 10000 recipes: 1 '0', 2 '1'"),
        (document(recipeIngredient=["a"] * 1_000_000), "lists 501 ingredients or more; expected at most 500"),
        (document(recipeInstructions=["Boil it."] * 1_000_000), "lists 501 steps of a method or more"),
        (document(recipeYield=["2"] * 1_000_000), "servings=2.0"),
        (document(other=[{}] * 300_000), "servings=2.0"),
        (document(name="x" * 2_000_000), "has a title of 2,000,000 letters; expected at most 200"),
        (document(recipeIngredient=["<a" * 1_000_000]), "has 2,000,000 letters in one of its ingredients"),
        (document(recipeInstructions="<br " * 1_000_000), "letters in one of its steps"),
        (document(recipeYield="1" * 1_000_000), "servings=None"),
        (document(recipeYield="1." * 2_000_000), "servings=None"),
        (document(recipeYield=0).replace(": 0", ": " + "9" * 5000), "is not usable JSON"),
        (document(recipeYield=0).replace(": 0", ": 1e999"), "servings=None"),
        (document(name=0).replace(": 0", ": NaN"), "title='pot'"),
        (json.dumps({"@graph": [{"@id": "a", "@type": "Recipe", "name": "x", "recipeIngredient": {"@id": "b"}},
                                {"@id": "b", "recipeIngredient": {"@id": "a"}}]}), "lists no ingredients"),
    ],
    ids=["nested", "many recipes", "many ingredients", "many steps", "many yields", "many others", "endless title",
         "tags", "line ends", "digits", "points", "whole number", "infinity", "NaN", "circle"],
)  # fmt: skip
def test_json_without_end(tmp_path: Path, text: str, told: str) -> None:
    """Sizes are bounded, references are not followed."""
    assert told in read(tmp_path, "pot.json", text)


@pytest.mark.parametrize(
    "text",
    ["<div><p><span class='a'>" * 800_000, "<script>" * 2_400_000, BLOCK * 140_000, (BLOCK + "</script>") * 400_000,
     (BLOCK + "{}</script>") * 350_000, "<!--" * 4_000_000, "<script " * 2_400_000, BLOCK + "[" * 9_000_000,
     BLOCK + " " * 9_000_000, BLOCK + "-->" * 3_000_000, 'typeof="' * 2_400_000, "<meta " * 3_000_000],
    ids=["tags", "scripts", "blocks left open", "empty blocks", "blocks", "comments", "half tags", "brackets", "spaces",
         "ends of comments", "microdata", "meta"],
)  # fmt: skip
def test_page_of_twenty_megabytes(tmp_path: Path, text: str) -> None:
    """A page without an end is looked through once."""
    read(tmp_path, "page.html", text)


def test_page_larger_than_any_is_not_read(tmp_path: Path) -> None:
    """The limit is told."""
    assert "holds 25 MB; expected at most 20 MB" in read(tmp_path, "page.html", "<p>" * 8_400_000)


@pytest.mark.parametrize("encoding", ["utf-7", "idna", "punycode", "unicode_escape", "hex", "utf-16", "nonsense"])
def test_page_may_not_choose_any_decoder(tmp_path: Path, encoding: str) -> None:
    """Only encodings of pages are tried; those of programs are not."""
    told = read(tmp_path, "page.html", f"<meta charset={encoding}>".encode() + b"\xff\\x41")
    assert f"is neither UTF-8 nor '{encoding}'" in told


ODD: list[Any] = [None, True, 1, -1.5, [], {}, [[[]]], {"@value": {"@value": 1}}, "", [None, True, {}],
                  {"itemListElement": {"itemListElement": 3}}, {"item": {"item": {"item": 1}}}, "\ud800", "\x00",
                  "\u202eabc", "\u2028", "=1+1", "<script>window.ran=1</script>", ["x" * 6000]]  # fmt: skip


@pytest.mark.parametrize("key", [*RECIPE, "recipeInstructions", "encoding", "ingredients", "yield", "step"])
def test_any_type_anywhere(tmp_path: Path, sr28: FoodRelease, key: str) -> None:
    """A property of another type than the vocabulary's is left out, read as text, or refused in one line."""
    path = tmp_path / "pot.json"
    for value in ODD:
        path.write_text(json.dumps(RECIPE | {key: value}), encoding="utf-8")
        try:
            source = read_source(path, sr28)
        except SwaptableError as error:
            assert str(error).isprintable()  # noqa: PT017 - either outcome keeps the promise
        else:
            words = [source.kitchen.title, *source.kitchen.lines, *source.kitchen.method]
            assert not any(odd_sign(text, one_line=True) for text in words), (key, value)


def test_carried_recipe_file_is_checked_like_any_other(tmp_path: Path, sr28: FoodRelease) -> None:
    """A recipe file that comes along in a page may not grow, run or deceive either."""
    for text in (
        "a: &a [*a]\n",
        "!!python/name:os.system x\n",
        "[" * 100_000,
        "title: a\u202eb\n",
        "\ud800",
        "x" * 10**6,
    ):
        encoding = {"@type": "MediaObject", "encodingFormat": "application/yaml", "text": text}
        path = tmp_path / "pot.json"
        path.write_text(json.dumps(RECIPE | {"encoding": encoding}), encoding="utf-8")
        source = read_source(path, sr28)
        assert source.recipe_file == ""
        assert any("cannot be used" in note or "differ" in note for note in source.notes), text[:20]
        assert all(note.isprintable() for note in source.notes)


def test_draft_of_hostile_words_is_a_recipe_file(tmp_path: Path, sr28: FoodRelease) -> None:
    """Words that look like YAML or hold signs that cannot be seen come out as harmless texts."""
    lines = ["200 g carrots # }", "1 tsp salt: {amount: 9 kg}", "- 100 g potatoes\u202e", "1 cup milk' \" \\ \ud83d"]
    path = tmp_path / "pot.json"
    path.write_text(document(name='x" : {a: *b}\u2066 !!x', recipeIngredient=lines), encoding="utf-8")
    target = tmp_path / "pot.yaml"
    convert(path, target, release=sr28)
    recipe = read_recipe(target)
    assert recipe.title == 'x" : {a: *b} !!x'
    assert len(recipe.ingredients) == 4


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("Ingredients\n" + "1 " * 4000, "has 8,000 letters; expected at most 5,000"),
        ("Ingredients\n" + "9" * 400 + " g salt", "expected one of at most 15 digits"),
        ("Serves " + "9" * 400 + "\nIngredients\n1 g salt", "expected one of at most 15 digits"),
        ("Ingredients\n1 g salt\x1b[2J", "found the control character U+001B"),
    ],
    ids=["endless line", "endless figure", "endless servings", "terminal"],
)
def test_text_without_end_is_refused(text: str, told: str) -> None:
    """With its line."""
    with pytest.raises(InputError, match=re.escape(told)) as caught:
        read_kitchen_text(text, "pot.txt")
    assert caught.value.line


def test_signs_that_cannot_be_seen_are_left_out_of_words(sr28: FoodRelease) -> None:
    """A text is read as it looks."""
    recipe = read_kitchen_text("Pot\u202e\u200b\n\nIngredients\n200\u200b g car\u2060rots\n")
    written = recipe_yaml(match_recipe(recipe, sr28))
    assert (recipe.title, recipe.lines) == ("Pot", ("200 g carrots",))
    assert odd_sign(written) == ""
