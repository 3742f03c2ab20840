"""Conversion between formats: there and back gives the same amounts, and nothing is written but what is whole."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from swaptable import cli
from swaptable.amounts.nutrients import Amounts, amounts_table, compute
from swaptable.amounts.recipes import read_recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import InputError, SwaptableError
from swaptable.basics.folders import DATA
from swaptable.basics.whole_files import write_whole
from swaptable.foods.release import FoodRelease
from swaptable.formats.exports import amounts_csv, amounts_parquet, ingredient_lines, ingredients_csv, json_ld
from swaptable.formats.open_formats import WRITTEN_TO, convert, read_source, write_template
from swaptable.judging.study import compute_recipe

DEMO = sorted((DATA / "recipes").glob("*.yaml"))
POT = DATA / "recipes" / "barley_pot.yaml"
SHEET = (
    "title,Pot\nservings,4\nmethod,Simmer the potatoes in the stock.\ningredient,amount,unit,food,code,cook,liquid\n"
)
PAGE = {
    "@type": "Recipe",
    "name": "Potato soup",
    "recipeYield": "4 servings",
    "recipeIngredient": ["500 g potatoes, peeled", "1 l vegetable stock"],
    "recipeInstructions": ["Simmer the potatoes in the stock until soft."],
}


def page_of(*recipes: dict[str, object]) -> str:
    """Write a page with recipes."""
    return f'<html><script type="application/ld+json">{json.dumps(list(recipes))}</script></html>'


# There and back


@pytest.mark.parametrize("ending", [".csv", ".xlsx", ".json"])
@pytest.mark.parametrize("path", DEMO, ids=lambda path: path.stem)
def test_there_and_back_gives_the_same_amounts(path: Path, ending: str, tmp_path: Path, sr28: FoodRelease) -> None:
    """A recipe written as a sheet, workbook or JSON-LD and read again is the same recipe, to the last digit."""
    between, back = tmp_path / f"between{ending}", tmp_path / "back.yaml"
    convert(path, between, release=sr28)
    convert(between, back, release=sr28)
    assert read_recipe(back).model_dump() == read_recipe(path).model_dump()
    amounts = [compute(build_grid(read_recipe(file), sr28)) for file in (path, back)]
    assert amounts[0].data.equals(amounts[1].data)


def test_json_ld_in_a_page_gives_the_same_recipe(tmp_path: Path, sr28: FoodRelease) -> None:
    """Pasted into a page, between script tags, our JSON-LD is read just so."""
    page = tmp_path / "page.html"
    page.write_bytes(b'<script type="application/ld+json">' + json_ld(compute_recipe(POT)) + b"</script>")
    convert(page, tmp_path / "back.yaml", release=sr28)
    assert read_recipe(tmp_path / "back.yaml").model_dump() == read_recipe(POT).model_dump()


def test_changed_json_ld_is_read_as_listed(tmp_path: Path, sr28: FoodRelease) -> None:
    """Where someone changed the ingredients listed, the recipe file in the data no longer counts, and that is said."""
    document = json.loads(json_ld(compute_recipe(POT)))
    document["recipeIngredient"][1] = "2 large onions"
    path = tmp_path / "pot.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    found = read_source(path, sr28)
    assert found.recipe_file == ""
    assert found.kitchen.lines[1] == "2 large onions"
    assert found.notes == ("read the ingredients as listed, since they differ from the recipe file in the data",)
    document["encoding"]["text"] = "title: [x]"
    path.write_text(json.dumps(document), encoding="utf-8")
    assert "the recipe file in the data cannot be used" in read_source(path, sr28).notes[0]


# From words


def test_page_becomes_a_recipe_file(tmp_path: Path, sr28: FoodRelease) -> None:
    """The words of a page are matched; each line stands beside what it was taken for."""
    (tmp_path / "soup.html").write_text(page_of(PAGE), encoding="utf-8")
    convert(tmp_path / "soup.html", tmp_path / "soup.yaml", release=sr28)
    text = (tmp_path / "soup.yaml").read_text(encoding="utf-8")
    assert "# 500 g potatoes, peeled" in text
    recipe = read_recipe(tmp_path / "soup.yaml")
    assert (recipe.title, recipe.servings, len(recipe.ingredients)) == ("Potato soup", 4.0, 2)
    assert recipe.method == ("Simmer the potatoes in the stock until soft.",)


def test_plain_text_becomes_a_recipe_file(tmp_path: Path, sr28: FoodRelease) -> None:
    """A text goes the same way, and its questions are told."""
    source = tmp_path / "soup.txt"
    source.write_text(
        "Soup\nServes 4\n\nIngredients\n1 kg potatoes\nsalt\n\nMethod\nBoil the potatoes.\n", encoding="utf-8"
    )
    notes = convert(source, tmp_path / "soup.yaml", release=sr28)
    assert any(note.startswith("question: ") and "salt" in note for note in notes)
    assert "title" in (tmp_path / "soup.yaml").read_text(encoding="utf-8")


def test_sheet_keeps_its_codes_and_matches_the_rest(tmp_path: Path, sr28: FoodRelease) -> None:
    """Rows with a code stay as they are; the others are matched, with a comment that says so."""
    source, target = tmp_path / "pot.csv", tmp_path / "pot.yaml"
    rows = ',500,g,"potatoes, peeled",,,\n,100,g,"carrots, raw",,,\nstock and more,1,l,,06700,,\nsalt,1,tsp,salt,,,\n'
    source.write_text(SHEET.replace("the potatoes", "potatoes and carrots") + rows, encoding="utf-8")
    convert(source, target, release=sr28)
    recipe = read_recipe(target)
    foods = {name: ingredient.food for name, ingredient in recipe.ingredients.items()}
    assert foods == {
        "potatoes": "sr28:11352", "carrots": "sr28:11124", "stock and more": "sr28:06700", "salt": "sr28:02047"
    }  # fmt: skip
    cooked = {name: (ingredient.cook, ingredient.liquid) for name, ingredient in recipe.ingredients.items()}
    assert cooked["potatoes"] == cooked["carrots"] == ("simmered", 1.0)
    text = target.read_text(encoding="utf-8")
    assert "# from pot.csv; foods matched by machine" in text
    assert re.search(r"  # 500 g potatoes, peeled\n  # is Potatoes, .* \(confidence \d\.\d\d\)\n", text)
    assert "# proposed: cook" in text
    compute(build_grid(recipe, sr28))


def test_sheet_that_says_cooking_gets_no_proposals(tmp_path: Path, sr28: FoodRelease) -> None:
    """Where a sheet says how one ingredient is cooked, a row that says nothing is not cooked."""
    source, target = tmp_path / "pot.csv", tmp_path / "pot.yaml"
    source.write_text(SHEET + ",500,g,potatoes,,,\nstock,1,l,vegetable stock,,heated,kept\n", encoding="utf-8")
    convert(source, target, release=sr28)
    assert "proposed" not in target.read_text(encoding="utf-8")
    assert read_recipe(target).ingredients["potatoes"].cook is None


def test_food_that_nobody_knows_is_a_question(tmp_path: Path, sr28: FoodRelease) -> None:
    """A row whose food is not found stands with a question mark; the file cannot be computed until it is answered."""
    source, target = tmp_path / "pot.csv", tmp_path / "pot.yaml"
    source.write_text(SHEET + ",500,g,unicorn meat,,,\nstock,1,l,,06700,,\n", encoding="utf-8")
    notes = convert(source, target, release=sr28)
    assert any("question" in note and "unicorn" in note for note in notes)
    assert 'food: "?"' in target.read_text(encoding="utf-8")
    with pytest.raises(InputError):
        compute_recipe(target)


def test_option_in_words_is_matched(tmp_path: Path, sr28: FoodRelease) -> None:
    """An option may name its food in words, and takes the weight of what it replaces."""
    source, target = tmp_path / "pot.csv", tmp_path / "pot.yaml"
    source.write_text(
        "servings,4\ningredient,amount,unit,food,code,choice,option\ntuber,500,g,,sr28:11352,,\n"
        ",,,,,tuber,potato\ntuber,,,sweet potato,,tuber,sweet\n",
        encoding="utf-8",
    )
    convert(source, target, release=sr28)
    patch = read_recipe(target).choices["tuber"]["sweet"].patches["tuber"]
    assert (patch.food, patch.amount) == ("sr28:11507", None)
    compute(build_grid(read_recipe(target), sr28))


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (",500,g,,99399,,\n", r"pot\.csv:5:5: ingredients\.99399\.food: found 'sr28:99399'; expected a food code"),
        ("tuber,5,heaps,,11352,,\n", r"pot\.csv:5:2: ingredients\.tuber\.amount: found 'heaps'; expected a mass"),
        ("tuber,-5,g,,11352,,\n", r"pot\.csv:5:2: ingredients\.tuber\.amount: found '-5 g'; expected a number of 0"),
        ("tuber,5,g,,11352,boyled,\n", r"pot\.csv:5:6: ingredients\.tuber\.cook: found 'boyled'"),
        ("tuber,5,g,,11352,boiled,half\n", r"pot\.csv:5:7: ingredients\.tuber\.liquid: found 'half'; expected kept"),
        ("tuber,,,,11352,,\n", r"pot\.csv:5:1: ingredients\.tuber: 'amount' is missing"),
        ("tuber,5,g,,other:11352,,\n", r"pot\.csv:5:5: .*this run reads the food release 'sr28'"),
        (",,,salt and pepper,,,\n", r"pot\.csv:5:4: .*which is not one food; give each a row of its own"),
    ],
)
def test_mistakes_are_told_at_their_cell(rows: str, message: str, tmp_path: Path, sr28: FoodRelease) -> None:
    """What the recipe model or the food table refuses is told with the row and column of the sheet."""
    source = tmp_path / "pot.csv"
    source.write_text(SHEET + rows, encoding="utf-8")
    with pytest.raises(InputError, match=message):
        convert(source, tmp_path / "pot.yaml", release=sr28)
    assert sorted(tmp_path.iterdir()) == [source]


def test_sheet_without_servings(tmp_path: Path, sr28: FoodRelease) -> None:
    """Servings are never guessed."""
    source = tmp_path / "pot.csv"
    source.write_text(SHEET.replace("servings,4\n", "") + "tuber,5,g,,11352,,\n", encoding="utf-8")
    with pytest.raises(InputError, match="says no servings; write 'servings' and their number in a row above"):
        convert(source, tmp_path / "pot.yaml", release=sr28)


def test_page_with_three_recipes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The command names the titles and how to choose; the choice is taken by number or title."""
    source, target = tmp_path / "page.html", tmp_path / "soup.yaml"
    source.write_text(page_of(*(PAGE | {"name": name} for name in ("One", "Two", "Three"))), encoding="utf-8")
    assert cli.main(["convert", str(source), str(target)]) == 2
    assert "holds 3 recipes: 1 'One', 2 'Two', 3 'Three'; choose one" in capsys.readouterr().err
    assert not target.exists()
    for which, title in (("2", "Two"), ("three", "Three")):
        assert cli.main(["convert", str(source), str(target), "--recipe", which, "--force"]) == 0
        assert read_recipe(target).title == title


# Out


def test_ingredients_csv_is_safe_and_complete() -> None:
    """The sheet has one header, and the foods in words beside their codes."""
    rows = list(csv.reader(io.StringIO(ingredients_csv(compute_recipe(POT)).decode())))
    head = rows.index(next(row for row in rows if row[:1] == ["ingredient"]))
    barley = next(dict(zip(rows[head], row, strict=True)) for row in rows[head + 1 :] if row[0] == "barley")
    assert (barley["amount"], barley["unit"], barley["code"]) == ("180", "g", "sr28:20005")
    assert barley["food"] == "Barley, pearled, raw"


RISKY = """title: "=HYPERLINK(1)"
servings: 1
ingredients:
  "+salt": {amount: 1 g, food: "sr28:02047"}
choices:
  "-choice":
    "@as": as written
    "=none": {"+salt": {amount: 0.5 g}}
notes: "'plain"
"""


def test_no_text_of_a_csv_can_run(computed: Callable[[str], Amounts], tmp_path: Path, sr28: FoodRelease) -> None:
    """Texts that begin like a formula get an apostrophe, which reading takes off; numbers stay numbers."""
    amounts = computed(RISKY)
    for content in (ingredients_csv(amounts), amounts_csv(amounts)):
        cells = [cell for row in csv.reader(io.StringIO(content.decode())) for cell in row]
        assert any(cell.startswith("'=") for cell in cells)
        assert [cell for cell in cells if cell[:1] in ("=", "+", "-", "@")] == []
    for ending in (".csv", ".xlsx", ".json"):
        convert(tmp_path / "recipe.yaml", tmp_path / f"x{ending}", release=sr28)
        convert(tmp_path / f"x{ending}", tmp_path / "back.yaml", release=sr28, force=True)
        assert read_recipe(tmp_path / "back.yaml").model_dump() == amounts.recipe.model_dump()


def test_tidy_csv_holds_all_amounts_unrounded() -> None:
    """The tidy table is the one that the package computes, missing values as empty cells."""
    amounts = compute_recipe(POT)
    found = pd.read_csv(io.BytesIO(amounts_csv(amounts)), keep_default_na=False, na_values={"amount": [""]})
    expected = amounts_table(amounts)
    assert list(found) == list(expected)
    np.testing.assert_array_equal(found["amount"], expected["amount"])


def test_parquet_has_units_and_sources_in_its_metadata(tmp_path: Path) -> None:
    """The Parquet file is the tidy table; its metadata say units, meanings and sources."""
    amounts = compute_recipe(POT)
    path = tmp_path / "pot.parquet"
    path.write_bytes(amounts_parquet(amounts))
    pd.testing.assert_frame_equal(pd.read_parquet(path), amounts_table(amounts))
    schema = pq.read_schema(path)
    assert schema.field("amount").metadata[b"unit"] == b"as in the column unit"
    assert schema.field("known_share").metadata[b"unit"] == b"1"
    assert all(field.metadata[b"description"] for field in schema)
    assert schema.metadata[b"release_sha256"].decode() == amounts.grid.release.sha256
    assert b"USDA Release 6" in schema.metadata[b"sources"]
    assert (schema.metadata[b"title"], schema.metadata[b"servings"]) == (amounts.recipe.title.encode(), b"6")


def test_json_ld_gives_whole_amounts_with_units(sr28: FoodRelease) -> None:
    """Properties hold number and unit; what is not whole is no property but told in the description."""
    amounts = compute_recipe(POT)
    document = json.loads(json_ld(amounts))
    nutrition = document["nutrition"]
    serving = amounts.per("serving").sel(amounts.grid.as_written)
    assert (document["@type"], document["name"]) == ("Recipe", amounts.recipe.title)
    assert document["recipeYield"] == "6 servings"
    assert document["recipeIngredient"] == ingredient_lines(amounts.recipe, sr28)
    assert nutrition["sodiumContent"] == f"{round(float(serving.sel(component='NA')))} mg"
    assert nutrition["calories"] == f"{round(float(serving.sel(component='ENERC_KCAL')))} kcal"
    assert nutrition["servingSize"] == "1 serving (383 g as eaten)"
    unsaturated = float(serving.sel(component=["FAMS", "FAPU"]).sum(skipna=False))
    assert float(nutrition["unsaturatedFatContent"].split()[0]) == pytest.approx(unsaturated, rel=5e-3)
    assert "transFatContent" not in nutrition
    for words in ("transFatContent not known", "Estimate.", "SR28", "USDA Release 6", "not medical advice"):
        assert words in document["description"]


def test_lower_bound_is_named_in_words(computed: Callable[[str], Amounts]) -> None:
    """A component that some of the weight lacks is 'at least', and never given as if it were whole."""
    text = 'title: A </script> B\nservings: 1\ningredients:\n  a: {amount: 100 g, food: "sr28:01001"}\n'
    text += '  b: {amount: 10 g, food: "sr28:04542"}\n'
    amounts = computed(text)
    shares = amounts.share_per("serving").to_series()
    unsure = [c for c in ("SUGAR", "FATRN", "CHOLE", "FIBTG") if 0 < shares[c] < 1]
    content = json_ld(amounts).decode()
    document = json.loads(content)
    names = {
        "SUGAR": "sugarContent",
        "FATRN": "transFatContent",
        "CHOLE": "cholesterolContent",
        "FIBTG": "fiberContent",
    }
    assert unsure
    for component in unsure:
        assert names[component] not in document["nutrition"]
        assert f"{names[component]} " in document["description"]
    assert "</script" not in content


# What is refused


@pytest.mark.parametrize(
    ("source", "target", "message"),
    [
        ("pot.yaml", "pot.pdf", re.escape(f"found 'pot.pdf'; files are written to {', '.join(WRITTEN_TO)}")),
        ("pot.doc", "pot.yaml", r"found 'pot\.doc'; files are read from \.yaml, \.yml, \.html"),
        ("pot.xlsm", "pot.yaml", "is a kind of workbook that holds macros; save it as .xlsx"),
        ("pot.yaml", "pot2.yaml", "found 'pot.yaml', which is a recipe file already"),
        ("pot.txt", "pot.xlsx", r"becomes a recipe file \(\.yaml\) first"),
        ("pot.yaml", "there.csv", r"there\.csv: exists already; name another file, or say --force"),
        ("pot.yaml", "none/pot.csv", "there is no such folder"),
        ("pot.yaml", "folder.csv", "is a folder; expected a file to write"),
        ("there.csv", "there.csv", "found 'there.csv'; what was read in words"),
        ("pot.yaml", "pot.yaml", "is source and target at once"),
        ("none.yaml", "pot.csv", "cannot be read"),
    ],
)  # fmt: skip
def test_refused(source: str, target: str, message: str, tmp_path: Path, sr28: FoodRelease) -> None:
    """Endings that are not known, targets that exist and sources that do not are told at once; nothing changes."""
    (tmp_path / "pot.yaml").write_bytes(POT.read_bytes())
    (tmp_path / "there.csv").write_text("mine", encoding="utf-8")
    (tmp_path / "folder.csv").mkdir()
    before = sorted(tmp_path.rglob("*"))
    if source == "there.csv":
        message = "is source and target at once|found 'there.csv'"
    with pytest.raises(SwaptableError, match=message):
        convert(tmp_path / source, tmp_path / target, release=sr28)
    assert sorted(tmp_path.rglob("*")) == before
    assert (tmp_path / "there.csv").read_text(encoding="utf-8") == "mine"


def test_options_that_do_nothing_are_refused(tmp_path: Path, sr28: FoodRelease) -> None:
    """A choice of recipe where there is one, or of amounts where they are not asked for, is an error."""
    with pytest.raises(SwaptableError, match="but a recipe file holds one"):
        convert(POT, tmp_path / "x.csv", which="2", release=sr28)
    with pytest.raises(SwaptableError, match=r"are for \.csv; found 'x\.json'"):
        convert(POT, tmp_path / "x.json", tidy=True, release=sr28)
    (tmp_path / "a.txt").write_text("x", encoding="utf-8")
    with pytest.raises(SwaptableError, match="only a page or JSON file may hold several"):
        convert(tmp_path / "a.txt", tmp_path / "x.yaml", which="2", release=sr28)


def test_overwriting_needs_force(tmp_path: Path, sr28: FoodRelease) -> None:
    """With force the target is replaced."""
    target = tmp_path / "pot.csv"
    target.write_text("mine", encoding="utf-8")
    convert(POT, target, release=sr28, force=True)
    assert target.read_bytes() == ingredients_csv(compute_recipe(POT))


def test_nothing_half_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A write that fails leaves the old file and nothing beside it."""
    target = tmp_path / "x.csv"
    target.write_bytes(b"old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device", str(target))

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(OSError, match="No space"):
        write_whole(target, b"new")
    assert [file.name for file in tmp_path.iterdir()] == ["x.csv"]
    assert target.read_bytes() == b"old"


# The command


def test_command_converts_by_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A demo recipe may be named; the file written is printed, and notes go elsewhere."""
    target = tmp_path / "pot.xlsx"
    assert cli.main(["convert", "barley_pot", str(target)]) == 0
    captured = capsys.readouterr()
    assert captured.out == f"{target}\n"
    assert captured.err == ""
    assert cli.main(["convert", str(target), str(tmp_path / "pot.yaml")]) == 0
    assert "read the sheet 'Recipe', the first with a header row" in capsys.readouterr().err
    assert cli.main(["convert", "barley_pot", str(tmp_path / "pot.csv"), "--amounts"]) == 0
    assert (tmp_path / "pot.csv").read_text(encoding="utf-8").startswith("tuber,skin,liquid,salt,component")


def test_command_offers_a_template(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The template is written as a workbook or CSV, once."""
    for ending in (".xlsx", ".csv"):
        target = tmp_path / f"template{ending}"
        assert cli.main(["convert", "--template", str(target)]) == 0
        assert "fill it in" in capsys.readouterr().out
        assert cli.main(["convert", "--template", str(target)]) == 2
        assert "exists already" in capsys.readouterr().err
        assert cli.main(["convert", str(target), str(tmp_path / "x.yaml")]) == 2
        assert "holds no ingredients" in capsys.readouterr().err
    assert cli.main(["convert", "--template", "a.csv", "b.csv"]) == 2
    assert cli.main(["convert", "barley_pot"]) == 2
    assert "expected the file to read and the file to write" in capsys.readouterr().err
    with pytest.raises(SwaptableError, match=r"offered as templates in \.xlsx, \.csv"):
        write_template(tmp_path / "template.yaml")
