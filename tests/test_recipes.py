"""Recipe files: what is read, and how every mistake in a file is reported.

In the cases, « marks where the error must point to; it is taken out before the file is written.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
import yaml

from swaptable.amounts.nutrients import amounts_table
from swaptable.amounts.recipes import (
    RESERVED,
    Patch,
    Recipe,
    read_recipe,
    recipe_schema,
)
from swaptable.basics.errors import InputError
from swaptable.basics.folders import DATA
from swaptable.basics.located_yaml import read_yaml
from swaptable.basics.units import Amount
from swaptable.judging.study import study_recipe

HEAD = """title: Pot
servings: 4
ingredients:
  carrot: {amount: 100 g, food: "sr28:11124"}
  salt: {amount: 1 tsp, food: "sr28:02047"}
"""
CHOICES = """choices:
  salting:
    salted: as written
    plain: {salt: {amount: 0}}
  roots:
    one: as written
    two: {carrot: {amount: 200 g}}
"""
POT = HEAD + CHOICES


def pot(old: str, new: str) -> str:
    """Change one place of the good recipe."""
    assert POT.count(old) == 1, f"{old!r} must be in the recipe once"
    return POT.replace(old, new)


def choices(text: str) -> str:
    """Give the good recipe other choices, written as one line per line of the file."""
    return HEAD + "choices:\n" + text


def write(folder: Path, content: str | bytes) -> Path:
    """Write a recipe file byte for byte."""
    path = folder / "pot.yaml"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


# What is read


def test_good_recipe_is_read_whole(tmp_path: Path) -> None:
    """Every field of a recipe arrives with its number, and an option holds only what it changes."""
    text = POT + (
        "cooked weight: 2.35 kg\n"
        "not together: [{salting: plain, roots: two}]\n"
        "method: [Stir., Serve.]\n"
        "notes: Serves well.\n"
    )
    recipe = read_recipe(write(tmp_path, text))
    assert (recipe.title, recipe.servings, recipe.cooked_weight) == ("Pot", 4.0, 2350.0)
    assert recipe.ingredients["carrot"].amount == Amount(100.0, "g")
    assert recipe.choices["salting"]["salted"].as_written
    assert recipe.choices["salting"]["plain"].patches["salt"].model_fields_set == {"amount"}
    assert recipe.not_together == ({"salting": "plain", "roots": "two"},)
    assert (recipe.method, recipe.notes) == (("Stir.", "Serve."), "Serves well.")


def test_recipe_without_choices_is_one_variant(tmp_path: Path) -> None:
    """A recipe needs no choices, method or notes."""
    recipe = read_recipe(write(tmp_path, HEAD))
    assert (recipe.choices, recipe.not_together, recipe.cooked_weight, recipe.method) == ({}, (), None, ())


@pytest.mark.parametrize(
    "content",
    [
        b"\xef\xbb\xbf" + POT.encode(),
        POT.replace("\n", "\r\n").encode(),
        b"\xef\xbb\xbf" + POT.replace("\n", "\r\n").encode(),
        POT.rstrip().encode(),
        ("# a comment\n\n" + POT + "...\n").encode(),
        POT.replace('"sr28:11124"', "sr28:11124").encode(),
    ],
    ids=["BOM", "CRLF", "BOM and CRLF", "no last newline", "comment and end mark", "code without quotes"],
)
def test_ways_of_writing_the_same_file(tmp_path: Path, content: bytes) -> None:
    """Byte-order mark, line ends, comments and quotes do not change what is read."""
    expected = read_recipe(write(tmp_path, POT)).model_dump()
    assert read_recipe(write(tmp_path, content)).model_dump() == expected


@pytest.mark.parametrize(
    ("written", "kept"),
    [("no", "no"), ("1:30", "1:30"), ("02047", "02047"), ("~", "~"), ("2026-09-01", "2026-09-01"), ("yes", "yes")],
)
def test_words_are_not_turned_into_other_things(tmp_path: Path, written: str, kept: str) -> None:
    """Every scalar stays the text that was written: no booleans, dates, sexagesimal numbers or lost zeros."""
    found, _ = read_yaml(write(tmp_path, f"title: {written}\n"))
    assert found == {"title": kept}


@pytest.mark.parametrize(
    ("text", "share"),
    [("kept", 1.0), ("discarded", 0.0), ("50 %", 0.5), ("0 %", 0.0), ("100 %", 1.0)],
)
def test_fate_of_the_liquid_is_the_share_kept(tmp_path: Path, text: str, share: float) -> None:
    """The cooking liquid is kept, discarded or kept in part."""
    path = write(tmp_path, pot("{amount: 100 g", f"{{liquid: {text}, amount: 100 g"))
    assert read_recipe(path).ingredients["carrot"].liquid == share


def test_names_may_be_any_words(tmp_path: Path) -> None:
    """Ingredients, choices and options may share names, and hold dots, accents and other scripts."""
    text = POT.replace("salting", "carrot").replace("plain", "salt").replace("roots", "塩 v1.5").replace("two", "é")
    recipe = read_recipe(write(tmp_path, text))
    assert list(recipe.choices) == ["carrot", "塩 v1.5"]
    assert list(recipe.choices["carrot"]) == ["salted", "salt"]


@pytest.mark.parametrize("path", sorted((DATA / "recipes").glob("*.yaml")), ids=lambda path: path.stem)
def test_every_demo_recipe_is_read(path: Path) -> None:
    """Every recipe of the demo is read, and its first options are the recipe as written."""
    recipe = read_recipe(path)
    assert recipe.choices
    assert all(next(iter(options.values())).as_written for options in recipe.choices.values())


# Files that are no YAML, or not the YAML wanted


@pytest.mark.parametrize(
    ("marked", "message"),
    [
        (pot("{amount: 1 tsp,", "{amount: 1 tsp«: x,"), "is not valid YAML"),
        (POT + "notes: {a: b\n«", "is not valid YAML"),
        (pot("  salt: {amount", "«\tsalt: {amount"), r"found character '\t'"),
        (pot("servings: 4", "servings: 4\n«servings: 5"), "'servings' is there twice"),
        (pot("  salt: {amount", "  «carrot: {amount"), "'carrot' is there twice"),
        (pot("    plain: {", "    «salted: {"), "'salted' is there twice"),
        (pot("{amount: 0}", "{amount: 0, «amount: 1}"), "'amount' is there twice"),
        (pot("  carrot: {amount", "  carrot: &it {amount").replace("{amount: 1 tsp,", "«*it #"), "aliases"),
        (POT + "? «[a, b]\n: c\n", "expected a name before the colon"),
        (POT + '«"": c\n', "expected a name before the colon"),
        ("«- a\n- b\n", "found a list"),
        ("«hello\n", "found 'hello'"),
        (POT + "«---\n" + POT, "another document"),
    ],
    ids=[
        "syntax error", "not closed", "tab", "key twice", "ingredient twice", "option twice", "field twice", "alias",
        "list as key", "empty key", "list at top", "text at top", "two documents",
    ],
)  # fmt: skip
def test_file_that_is_not_plain_yaml(refused: Callable[..., InputError], marked: str, message: str) -> None:
    """What YAML or our part of it does not allow is refused at its line and column."""
    refused(marked, message)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "is empty"),
        (b"\n  \n", "is empty"),
        (b"# only a comment\n", "is empty"),
        (b"title: Cr\xe8me\n", "is not UTF-8 text (byte 9 is 0xe8)"),
        (POT.encode("utf-16"), "is not UTF-8 text (byte 0 is 0xff)"),
        (b"title: a\x00b\n", "x0000"),
    ],
    ids=["empty", "blank", "comment", "Latin-1", "UTF-16", "NUL"],
)
def test_file_that_is_not_text(tmp_path: Path, content: bytes, message: str) -> None:
    """A file without content, or not in UTF-8, is refused by name with the byte at fault."""
    path = write(tmp_path, content)
    with pytest.raises(InputError, match=re.escape(message)) as caught:
        read_recipe(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(("name", "message"), [("none.yaml", "No such file"), ("", "directory|denied")])
def test_file_that_cannot_be_opened(tmp_path: Path, name: str, message: str) -> None:
    """A missing file, or a folder in its place, is named with the reason."""
    with pytest.raises(InputError, match=f"cannot be read .*({message})") as caught:
        read_recipe(tmp_path / name)
    assert caught.value.file == str(tmp_path / name)


@pytest.mark.parametrize(
    "text", ["[" * 3000 + "]" * 3000, "a: " + "{a: " * 1500 + "1" + "}" * 1500], ids=["lists", "maps"]
)
def test_file_nested_without_end(tmp_path: Path, text: str) -> None:
    """A file nested thousands deep is refused like any other that cannot be used."""
    path = write(tmp_path, text)
    with pytest.raises(InputError, match=r"pot\.yaml.*nested"):
        read_recipe(path)


# Fields


@pytest.mark.parametrize(
    ("marked", "field", "message", "allowed"),
    [
        (POT + "«note: x\n", "note", "found 'note'", ["did you mean 'notes'", "cooked weight", "not together"]),
        (POT + "«source: x\n", "source", "found 'source'", ["title", "notes"]),
        (pot("food: \"sr28:02047\"", "food: \"sr28:02047\", «cok: boiled"), "ingredients.salt.cok", "found 'cok'",
         ["did you mean 'cook'", "food class", "yield"]),
        (pot("food: \"sr28:02047\"", "food: \"sr28:02047\", «xyz: 1"), "ingredients.salt.xyz", "found 'xyz'",
         ["amount, food", "liquid"]),
        (pot("{amount: 0}", "{amount: 0, «refus: 3 %}"), "choices.salting.plain.salt.refus", "found 'refus'",
         ["did you mean 'refuse'", "same"]),
        (pot("{salt: {amount: 0}}", "{salt: {«salt: {amount: 0}}}"), "choices.salting.plain.salt.salt", "found 'salt'",
         ["amount", "food"]),
        (pot("{salt: {amount: 0}}", "{choices: {«more: {a: as written}}}"), "choices.salting.plain.choices.more",
         "found 'more'", ["amount", "food"]),
    ],
    ids=["top", "source", "ingredient, near miss", "ingredient, nothing near", "patch", "patch in patch",
         "choices in choices"],
)  # fmt: skip
def test_unknown_field(
    refused: Callable[..., InputError], marked: str, field: str, message: str, allowed: list[str]
) -> None:
    """A field that is not known is refused at its key, with the fields allowed there and the nearest."""
    error = refused(marked, message)
    assert error.field == field
    assert all(word in str(error) for word in allowed), str(error)


@pytest.mark.parametrize("name", ["food_class: roots", "yield_factor: 80 %"])
def test_field_names_of_the_code_are_unknown(refused: Callable[..., InputError], name: str) -> None:
    """Only the names of the format are accepted, not those that the code uses inside."""
    found = name.split(":")[0]
    error = refused(pot('food: "sr28:02047"', f'food: "sr28:02047", «{name}'), f"found '{found}'")
    assert error.field == f"ingredients.salt.{found}"


@pytest.mark.parametrize(
    ("old", "new", "found", "meant"),
    [
        ("title: Pot", "«titel: Pot", "titel", "title"),
        ("servings: 4", "«serving: 4", "serving", "servings"),
        ("{amount: 1 tsp,", "{«amont: 1 tsp,", "amont", "amount"),
    ],
    ids=["title", "servings", "amount"],
)
def test_misspelt_needed_field(refused: Callable[..., InputError], old: str, new: str, found: str, meant: str) -> None:
    """A needed field that is misspelt is reported as misspelt, where it stands, not as missing."""
    assert f"did you mean '{meant}'" in str(refused(pot(old, new), f"found '{found}'"))


@pytest.mark.parametrize(
    ("marked", "field", "message"),
    [
        ("«" + pot("title: Pot\n", ""), "", "'title' is missing"),
        ("«" + pot("servings: 4\n", ""), "", "'servings' is missing"),
        ("«title: Pot\nservings: 4\n", "", "'ingredients' is missing"),
        (pot("{amount: 100 g, ", "«{"), "ingredients.carrot", "'amount' is missing"),
        (pot('{amount: 1 tsp, food: "sr28:02047"}', "«{amount: 1 tsp}"), "ingredients.salt", "'food' is missing"),
    ],
    ids=["title", "servings", "ingredients", "amount", "food"],
)
def test_missing_field(refused: Callable[..., InputError], marked: str, field: str, message: str) -> None:
    """A field that is missing is named, at the mapping that lacks it."""
    assert refused(marked, message).field == field


WRONG_VALUES = [
    (pot("title: Pot", "title: «[a]"), "title", "found a list"),
    (pot("title: Pot", "title: «{a: b}"), "title", "found a mapping"),
    (pot("title: Pot", 'title: «""'), "title", "found ''"),
    (pot("servings: 4", "servings: «four"), "servings", "found 'four'"),
    (pot("servings: 4", "servings: «0"), "servings", "found '0'"),
    (pot("servings: 4", "servings: «-2"), "servings", "found '-2'"),
    (pot("servings: 4", "servings: «1e999"), "servings", "found '1e999'"),
    (pot("servings: 4", "servings: «nan"), "servings", "found 'nan'"),
    (pot("servings: 4", "servings: «4,5"), "servings", "found '4,5'"),
    (pot("servings: 4", "servings: «[4]"), "servings", "found a list"),
    (HEAD[: HEAD.index("  carrot")].replace("ients:", "ients:«"), "ingredients", "found ''"),
    (HEAD[: HEAD.index("  carrot")].replace("ients:", "ients: «{}"), "ingredients", "found a mapping"),
    (HEAD[: HEAD.index("  carrot")] + "  «- carrot\n", "ingredients", "found a list"),
    (pot("1 tsp", "«[1 tsp]"), "ingredients.salt.amount", "found a list; expected a text"),
    (pot("1 tsp", "«{tsp: 1}"), "ingredients.salt.amount", "found a mapping; expected a text"),
    (pot("1 tsp", '«""'), "ingredients.salt.amount", "found ''"),
    (pot("1 tsp", "«some"), "ingredients.salt.amount", "found 'some'"),
    (pot("1 tsp", '«"1,5 g"'), "ingredients.salt.amount", "found '1,5 g'; expected a decimal point"),
    (pot('"sr28:02047"', "«[a]"), "ingredients.salt.food", "found a list"),
    (pot('"sr28:02047"', "a, weighed: «as bought"), "ingredients.salt.weighed",
     "found 'as bought'; expected edible or as purchased"),
    (pot('"sr28:02047"', "a, weighed: «[edible]"), "ingredients.salt.weighed", "found a list"),
    (pot('"sr28:02047"', "a, refuse: «0.1"), "ingredients.salt.refuse", "found '0.1'; expected a percentage"),
    (pot('"sr28:02047"', "a, refuse: «100 %"), "ingredients.salt.refuse", "found '100 %'; expected less than 100 %"),
    (pot('"sr28:02047"', "a, yield: «88"), "ingredients.salt.yield", "found '88'; expected a percentage"),
    (pot('"sr28:02047"', "a, liquid: «120 %"), "ingredients.salt.liquid", "found '120 %'; expected kept, discarded"),
    (pot('"sr28:02047"', "a, liquid: «keep"), "ingredients.salt.liquid", "did you mean 'kept'"),
    (pot('"sr28:02047"', "a, liquid: «[kept]"), "ingredients.salt.liquid", "found a list"),
    (pot('"sr28:02047"', "a, liquid: «{kept: 1}"), "ingredients.salt.liquid", "found a mapping"),
    (pot('{amount: 1 tsp, food: "sr28:02047"}', "«1 tsp"), "ingredients.salt", "found '1 tsp'"),
    (POT + "cooked weight: «2\n", "cooked weight", "found '2'; expected a weight above 0"),
    (POT + "cooked weight: «2 cups\n", "cooked weight", "found '2 cups'; expected a weight above 0"),
    (POT + "cooked weight: «0 kg\n", "cooked weight", "found '0 kg'; expected a weight above 0"),
    (POT + "method: «stir\n", "method", "found 'stir'"),
    (POT + "method: [«{Boil: now}]\n", "method.0", "found a mapping"),
    (POT + "notes: «[a]\n", "notes", "found a list"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("marked", "field", "message"), WRONG_VALUES, ids=[f"{field}: {message}" for _, field, message in WRONG_VALUES]
)
def test_wrong_value(refused: Callable[..., InputError], marked: str, field: str, message: str) -> None:
    """A value of the wrong kind is refused where it stands, with what was found and what is allowed."""
    error = refused(marked, message)
    assert error.field == field
    assert "traceback" not in str(error).lower()


@pytest.mark.parametrize(
    ("marked", "message"),
    [
        (HEAD + "choices: «[a]\n", "found a list"),
        (HEAD + "choices:«\n", "found ''"),
        (POT + "method: «stir\n", "found 'stir'"),
        (POT + "not together: «{salting: plain}\n", "found a mapping"),
        (pot("{amount: 0}", "«0"), "found '0'"),
        (HEAD[: HEAD.index("  carrot")].replace("ients:", "ients: «{}"), "found"),
    ],
    ids=[
        "choices a list",
        "choices blank",
        "method a text",
        "not together a mapping",
        "patch a text",
        "no ingredients",
    ],
)
def test_messages_speak_of_recipes(refused: Callable[..., InputError], marked: str, message: str) -> None:
    """Messages use words of a recipe file, none of the code: no dictionary, tuple, instance, string or validation."""
    error = refused(marked, message)
    jargon = ["dictionary", "tuple", "instance", "string", "validation", "Patch", "Ingredient"]
    assert not [word for word in jargon if word in str(error)], str(error)


# Choices


@pytest.mark.parametrize(
    ("marked", "field", "message"),
    [
        (choices("  «a:\n    x: as written\n"), "choices.a", "at least two options"),
        (choices("  a:«\n"), "choices.a", "found ''"),
        (choices("  a:\n    «y: {salt: {amount: 0}}\n    x: as written\n"), "choices.a.y", "the first option"),
        (choices("  a:\n    x: as written\n    «y: as written\n"), "choices.a.y", "the first option, and no other"),
        (choices("  a:\n    x: «As written\n    y: {salt: {amount: 0}}\n"), "choices.a.x", "found 'As written'"),
        (choices("  a:\n    x: as written\n    y:«\n"), "choices.a.y", "found ''; expected 'as written' or changes"),
        (choices("  a:\n    x: as written\n    y: «[salt]\n"), "choices.a.y", "found a list; expected 'as written'"),
        (choices("  a:\n    x: as written\n    y: {salt: «0}\n"), "choices.a.y.salt", "found '0'"),
        (choices("  a:\n    x: as written\n    y: {«salt: {}}\n"), "choices.a.y.salt", "changes nothing"),
        (choices("  a:\n    x: as written\n    «y: {}\n"), "choices.a.y", "changes nothing"),
        (choices("  a:\n    x: as written\n    y: {«sal: {amount: 0}}\n"), "choices.a.y.sal",
         "found 'sal'; expected an ingredient, or food and amount for a new one: carrot, salt; did you mean 'salt'?"),
        (choices("  a:\n    x: as written\n    y: {«new: {food: b}}\n"), "choices.a.y.new", "found 'new'"),
        (choices("  a:\n    x: as written\n    y: {salt: {amount: 1 g, «same: volume}}\n"), "choices.a.y.salt.same",
         "'same' needs a food"),
        (choices("  a:\n    x: as written\n    y: {salt: {amount: 1 g, food: b, «same: volume}}\n"),
         "choices.a.y.salt.same", "'same' needs a food and no amount"),
        (pot('"sr28:02047"', '"sr28:02047", «same: weight'), "ingredients.salt.same", "'same'"),
        (choices("  a:\n    x: as written\n    y: {cooked weight: «2 cups}\n"), "choices.a.y.cooked weight",
         "found '2 cups'; expected a weight above 0"),
    ],
    ids=[
        "one option", "no option", "as written second", "as written twice", "as written misspelt", "blank option",
        "list as option", "text as patch", "empty patch", "empty option", "unknown ingredient", "new without amount",
        "same without food", "same beside amount", "same in an ingredient", "cooked weight of an option",
    ],
)  # fmt: skip
def test_wrong_choice(refused: Callable[..., InputError], marked: str, field: str, message: str) -> None:
    """A choice or option that cannot be used is refused at its place."""
    assert refused(marked, message).field == field


@pytest.mark.parametrize("word", sorted(RESERVED))
def test_words_of_the_tables_are_reserved(refused: Callable[..., InputError], word: str) -> None:
    """A choice must not be named like a column of the tables, whatever its capitals."""
    for written in (word, word.capitalize()):
        marked = choices(f"  «{written}:\n    x: as written\n    y: {{salt: {{amount: 0}}}}\n")
        assert refused(marked, f"'{written}' is a word of the tables").field == f"choices.{written}"


def test_every_column_beside_the_choices_is_reserved() -> None:
    """A choice named like one of them would lose its options without a word."""
    study = study_recipe("barley_pot", "blood_pressure", prices="prices")
    tables = [study.variants, amounts_table(study.amounts)]
    columns = {str(name).lower() for table in tables for name in table.columns} - set(study.amounts.grid.choices)
    assert columns <= RESERVED


@pytest.mark.parametrize("word", ["patches", "cooked weight"])
def test_places_of_names_that_the_code_uses_too(refused: Callable[..., InputError], word: str) -> None:
    """A choice or option may be named like a part of the code without losing its place in errors."""
    marked = choices(f"  {word}:\n    x: as written\n    {word}s: {{salt: {{amount: «some}}}}\n")
    assert refused(marked, "found 'some'").field == f"choices.{word}.{word}s.salt.amount"


def test_option_as_written_is_the_first_only(refused: Callable[..., InputError]) -> None:
    """No option but the first may bear the name of the recipe as written, which labels would confuse."""
    marked = choices("  a:\n    x: as written\n    «as written: {salt: {amount: 0}}\n")
    assert refused(marked, "'as written'").field == "choices.a.as written"


@pytest.mark.parametrize(
    ("marked", "field", "message"),
    [
        (POT + "not together: [{«slating: plain, roots: two}]\n", "not together.0.slating",
         "found 'slating'; expected a choice: salting, roots; did you mean 'salting'?"),
        (POT + "not together: [{salting: «plane, roots: two}]\n", "not together.0.salting",
         "found 'plane'; expected an option of salting: salted, plain; did you mean 'plain'?"),
        (POT + "not together:\n  - {salting: plain, roots: two}\n  - «{salting: plain}\n", "not together.1",
         "at least two choices"),
        (POT + "not together: [«{}]\n", "not together.0", "at least two choices"),
        (POT + "not together: «{salting: plain}\n", "not together", "found a mapping"),
        (POT + "not together: [«[salting, plain]]\n", "not together.0", "found a list"),
        (POT + "not together: [{salting: «[plain], roots: two}]\n", "not together.0.salting", "found a list"),
    ],
    ids=["choice", "option", "one choice", "no choice", "mapping", "list of lists", "list of options"],
)  # fmt: skip
def test_wrong_not_together(refused: Callable[..., InputError], marked: str, field: str, message: str) -> None:
    """A combination that is excluded must name choices and options that there are."""
    assert refused(marked, message).field == field


# Schema


def test_schema_has_the_fields_of_the_format() -> None:
    """The schema for editors knows exactly the fields that reading knows, by their names in the file."""
    schema = recipe_schema()

    def named(model: type[Recipe] | type[Patch], without: set[str]) -> set[str]:
        return {info.alias or name for name, info in model.model_fields.items()} - without

    assert set(schema["properties"]) == named(Recipe, {"source"})
    assert set(schema["$defs"]["Patch"]["properties"]) == named(Patch, set())
    assert set(schema["$defs"]["Ingredient"]["properties"]) == named(Patch, {"same"})
    assert set(schema["required"]) == {"title", "servings", "ingredients"}
    assert set(schema["$defs"]["Ingredient"]["required"]) == {"amount", "food"}
    assert schema["additionalProperties"] is False


def test_schema_refers_only_to_what_it_defines() -> None:
    """Every reference in the schema leads somewhere."""
    text = json.dumps(recipe_schema())
    referred = set(re.findall(r'"#/\$defs/(\w+)"', text))
    assert referred
    assert referred <= set(recipe_schema()["$defs"])


@pytest.mark.parametrize("path", sorted((DATA / "recipes").glob("*.yaml")), ids=lambda path: path.stem)
def test_demo_names_a_schema_that_is_the_current_one(path: Path) -> None:
    """The schema file that a demo recipe names for editors is there and is the one the code gives."""
    named = re.match(r"# yaml-language-server: \$schema=(\S+)", path.read_text(encoding="utf-8"))
    assert named is not None
    stored = path.parent / named[1]
    assert stored.is_file(), f"{stored.name} is missing"
    assert json.loads(stored.read_text(encoding="utf-8")) == recipe_schema()


@pytest.mark.parametrize("path", sorted((DATA / "recipes").glob("*.yaml")), ids=lambda path: path.stem)
def test_demo_is_valid_by_the_schema(path: Path) -> None:
    """Every demo recipe passes the schema that editors check against."""
    jsonschema = pytest.importorskip("jsonschema")
    found = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.BaseLoader)
    found["servings"] = float(found["servings"])  # an editor reads a number here
    jsonschema.Draft202012Validator(recipe_schema()).validate(found)
