"""The published layout of a survey's dishes: tiny invented files read and resolved, and what is wrong with bad ones."""

import argparse
import os
import re
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

from swaptable.basics.errors import InputError, SwaptableError
from swaptable.commands.survey import add_to
from swaptable.foods.reference import kitchen_errors
from swaptable.foods.release import FoodRelease
from swaptable.survey.dishes import Dish, Resolved, resolve_dishes
from swaptable.survey.fndds import is_fndds, read_fndds
from swaptable.survey.run import read_collection

# Invented dishes in the published layout; the food codes are those of SR28.
FILES = {
    "MainFoodDesc": [
        "foodCode:integer^startDate:date^endDate:date^mainFoodDescription:string^abbreviatedDescription:string",
        "10000001^01/01/2003^12/31/2004^~Carrots, boiled~^~CARROTS~^",
        "10000002^01/01/2003^12/31/2004^~Pur\u00e9e of carrots, fried~^~PUREE~^",
        "10000003^01/01/2003^12/31/2004^~Carrots with mystery~^~MYSTERY~^",
    ],
    "FnddsSRLink": [
        "foodCode:integer^startDate:date^endDate:date^seqNum:integer^srFoodCode:integer^srDescription:string"
        "^amount:fraction^measure:string^portionCode:integer^retentionCode:integer^flag:integer^weight:fraction"
        "^srCodeChange:string^srWeightChange:string^retnCodeChange:string",
        "10000001^01/01/2003^12/31/2004^1^11124^~CARROTS,RAW~^180^~GM~^0^3455^0^180^^~F~^^",
        "10000001^01/01/2003^12/31/2004^2^2047^~SALT,TABLE~^0.25^~TS~^0^0^5^1.5^^^^",
        "10000002^01/01/2003^12/31/2004^1^10000001^~Carrots, boiled~^1^~ ~^0^3468^0^50^^^^",
        "10000002^01/01/2003^12/31/2004^2^11282^~ONIONS,RAW~^50^~GM~^0^0^0^50^^^^",
        "10000003^01/01/2003^12/31/2004^1^11124^~CARROTS,RAW~^75^~GM~^0^0^0^75^^^^",
        "10000003^01/01/2003^12/31/2004^2^99991^~MYSTERY~^25^~GM~^0^0^0^25^^^^",
    ],
    "MoistureFatAdj": [
        "foodCode:integer^startDate:date^endDate:date^moistureChange:fraction^fatChange:fraction^typeOfFat:integer",
        "10000001^01/01/2003^12/31/2004^-10^0^0^",
        "10000002^01/01/2003^12/31/2004^-20^5^4053^",
        "10000003^01/01/2003^12/31/2004^0^0^0^",
    ],
}
REAL = os.environ.get("SWAPTABLE_FNDDS", "")


def write_fndds(folder: Path, changes: dict[str, list[str] | None] | None = None) -> Path:
    """Write the files as Latin-1, with some of them changed or left out."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, lines in (FILES | (changes or {})).items():
        if lines is not None:
            (folder / f"{name}.txt").write_bytes("".join(line + "\r\n" for line in lines).encode("latin-1"))
    return folder


def with_row(name: str, row: int, old: str, new: str) -> dict[str, list[str] | None]:
    """Change one row of a file."""
    lines = list(FILES[name])
    assert old in lines[row]
    lines[row] = lines[row].replace(old, new)
    return {name: lines}


def resolved(folder: Path, release: FoodRelease, changes: dict[str, list[str] | None] | None = None) -> Resolved:
    """Write, read and resolve."""
    return resolve_dishes(read_fndds(write_fndds(folder, changes)), release)


def test_codes_get_their_zeros_and_zero_means_none(tmp_path: Path) -> None:
    """Codes of SR have five digits, survey codes stay as they are, and a code 0 is none."""
    survey = read_fndds(write_fndds(tmp_path))
    assert survey.lines["food"].tolist() == ["11124", "02047", "10000001", "11282", "11124", "99991"]
    assert survey.lines["retention"].tolist() == ["3455", "", "3468", "", "", ""]
    assert survey.dishes["fat_food"].tolist() == ["", "04053", ""]
    assert survey.dishes["moisture_percent"].tolist() == [-10, -20, 0]


def test_text_is_latin_1_without_its_marks(tmp_path: Path) -> None:
    """Accented letters come through, the ~ around text does not."""
    assert read_fndds(write_fndds(tmp_path)).dishes.at["10000002", "title"] == "Pur\u00e9e of carrots, fried"


def test_a_measure_says_how_a_kitchen_weighs(tmp_path: Path) -> None:
    """Grams are a mass, a teaspoon a volume, and a blank measure counts pieces."""
    assert read_fndds(write_fndds(tmp_path)).lines["way"].tolist()[:3] == ["mass", "volume", "piece"]


@pytest.mark.parametrize(
    ("changes", "file", "line", "message"),
    [
        ({"FnddsSRLink": None}, "FnddsSRLink", None, "cannot be read (No such file or directory)"),
        ({"MainFoodDesc": []}, "MainFoodDesc", None, "is empty"),
        ({"MainFoodDesc": FILES["MainFoodDesc"][:1]}, "MainFoodDesc", None, "holds no row below its header"),
        (with_row("FnddsSRLink", 0, "weight:", "grams:"), "FnddsSRLink", 1, "has no column 'weight'"),
        (with_row("FnddsSRLink", 2, "^5^1.5", "^1.5"), "FnddsSRLink", 3, "found 14 fields; expected 15"),
        (with_row("FnddsSRLink", 2, "^1.5^", "^a pinch^"), "FnddsSRLink", 3, "weight: found 'a pinch'"),
        (with_row("FnddsSRLink", 2, "^1.5^", "^^"), "FnddsSRLink", 3, "weight: found ''; expected a number"),
        (with_row("FnddsSRLink", 2, "^1.5^", "^-1.5^"), "FnddsSRLink", 3, "found -1.5; expected a weight above 0 g"),
        (with_row("FnddsSRLink", 2, "^1.5^", "^inf^"), "FnddsSRLink", 3, "found 'inf'; expected a number"),
        (with_row("FnddsSRLink", 2, "^2047^", "^salt^"), "FnddsSRLink", 3, "srFoodCode: found 'salt'; expected a code"),
        (with_row("FnddsSRLink", 1, "^3455^", "^34555^"),
         "FnddsSRLink", 2, "retentionCode: found '34555'; expected a code of at most 4 digits"),
        (with_row("FnddsSRLink", 2, "10000001^", "10000009^"), "FnddsSRLink", 3, "found 10000009; expected a dish"),
        (with_row("FnddsSRLink", 2, "^2^2047", "^1^2047"), "FnddsSRLink", 3, "each number once in a dish"),
        (with_row("MainFoodDesc", 2, "10000002", "10000001"), "MainFoodDesc", 3, "found dish 10000001 a second time"),
        (with_row("MoistureFatAdj", 2, "^-20^", "^dry^"), "MoistureFatAdj", 3, "moistureChange: found 'dry'"),
    ],
)  # fmt: skip
def test_bad_files_get_one_error_with_their_place(tmp_path: Path, changes, file, line, message) -> None:
    """What is wrong is said once, with the file, the line and what is expected."""
    with pytest.raises(InputError, match=re.escape(message)) as caught:
        read_fndds(write_fndds(tmp_path, changes))
    assert caught.value.file == tmp_path / f"{file}.txt"
    assert caught.value.line == line
    assert "\n" not in str(caught.value)


def test_a_folder_is_known_by_its_files(tmp_path: Path) -> None:
    """A folder with one of the files is a survey, an empty one is not."""
    assert not is_fndds(tmp_path)
    assert is_fndds(write_fndds(tmp_path))


def test_moisture_and_fat_are_percentages_of_all_ingredients(tmp_path: Path, sr28: FoodRelease) -> None:
    """181.5 g less 10 % weigh 163.35 g; 100 g less 20 % and 5 % of oil weigh 85 g, and 5 g of oil are in them."""
    plain, fried, _ = resolved(tmp_path, sr28).dishes
    assert plain.cooked_g == pytest.approx(181.5 * 0.9)
    assert fried.cooked_g == pytest.approx(85)
    oil = fried.parts[-1]
    assert (oil.food, oil.grams, oil.rows, oil.fixed) == ("04053", pytest.approx(5), (), True)


def test_a_nested_dish_is_taken_apart_in_proportion(tmp_path: Path, sr28: FoodRelease) -> None:
    """50 g of the boiled dish hold 50/163.35 of its carrots, boiled and then reheated, weighed with the whole."""
    _, fried, _ = resolved(tmp_path, sr28).dishes
    carrot, salt, onion = fried.parts[:3]
    assert (carrot.food, carrot.rows) == ("11124", ("3455", "3468"))
    assert carrot.grams == pytest.approx(180 * 50 / 163.35)
    assert salt.rows == ("3468",)
    piece = kitchen_errors()["piece"]
    assert carrot.weighings == (("10000001/1", kitchen_errors()["mass"]), ("10000002/1", piece))
    assert salt.weighings[1] == carrot.weighings[1]
    assert onion.rows == ()


def test_an_unmapped_food_stays_with_no_values_and_is_listed(tmp_path: Path, sr28: FoodRelease) -> None:
    """A quarter of the weight is a food that the release does not have: kept, and listed with its share."""
    found = resolved(tmp_path, sr28)
    assert [part.known for part in found.dishes[2].parts] == [True, False]
    row = found.unmapped.iloc[0]
    assert row.tolist() == ["10000003", "99991", "MYSTERY", 0.25, "not in the food release"]
    assert len(found.not_computed) == 0


@pytest.mark.parametrize(
    ("changes", "reasons"),
    [
        (with_row("FnddsSRLink", 1, "^11124^", "^10000001^"), {"10000001": "contains itself", "10000002": "10000001"}),
        (with_row("FnddsSRLink", 1, "^11124^", "^10000002^"), {"10000001": "contains itself", "10000002": "itself"}),
        (with_row("FnddsSRLink", 1, "^3455^", "^9999^"), {"10000001": "retention code 9999", "10000002": "10000001"}),
        (with_row("FnddsSRLink", 5, "^11124^", "^99990^"), {"10000003": "none of its ingredients is in the food"}),
        ({"FnddsSRLink": FILES["FnddsSRLink"][:5]}, {"10000003": "has no ingredients"}),
        ({"MoistureFatAdj": FILES["MoistureFatAdj"][:3]}, {"10000003": "has no row in MoistureFatAdj.txt"}),
        (with_row("MoistureFatAdj", 3, "^0^0^0", "^-100^0^0"), {"10000003": "nothing is left of it"}),
        (with_row("MoistureFatAdj", 3, "^0^0^0", "^0^2^0"), {"10000003": "no type of fat is given"}),
        (with_row("MoistureFatAdj", 3, "^0^0^0", "^0^-2^99991"), {"10000003": "fat is taken off it, of a type"}),
    ],
)  # fmt: skip
def test_what_cannot_be_computed_is_listed_with_its_reason(tmp_path: Path, sr28, changes, reasons) -> None:
    """Every dish is either computed or listed; a dish that holds an impossible one is impossible too."""
    found = resolved(tmp_path, sr28, changes)
    listed = dict(zip(found.not_computed["recipe"], found.not_computed["reason"], strict=True))
    assert set(listed) == set(reasons)
    for dish, reason in reasons.items():
        assert reason in listed[dish]
    assert len(found.dishes) + len(listed) == 3


def test_a_nested_code_that_is_no_dish_is_unmapped(tmp_path: Path, sr28: FoodRelease) -> None:
    """An eight-digit code without a dish is an ingredient without values."""
    found = resolved(tmp_path, sr28, with_row("FnddsSRLink", 3, "^10000001^", "^19999999^"))
    assert found.unmapped.set_index("food").at["19999999", "reason"] == "no such dish in the survey"


def run_command(*words: str) -> int:
    """Run the command as the command line does."""
    parser = argparse.ArgumentParser()
    add_to(parser.add_subparsers())
    options = parser.parse_args(["survey", *words])
    return int(options.command(options))


def test_the_command_computes_a_survey(tmp_path: Path, capsys) -> None:
    """Files in, Parquet and lists out; the words say how many, what is a lower bound, and what was there already."""
    folder, out = write_fndds(tmp_path / "fndds"), tmp_path / "out"
    words = (str(folder), str(out), "--swaps", "survey_swaps", "--component", "sodium", "--workers", "0")
    assert run_command(*words) == 0
    printed = capsys.readouterr()
    assert "3 recipes, 9 rows; 1 of 1 parts computed now" in printed.out
    assert "1 recipes are lower bounds; unmapped.csv lists" in printed.err
    table = pq.read_table(out / "parts").to_pandas()
    assert len(table) == 9
    assert table["NA_known_share"].min() == pytest.approx(0.75)
    assert pd.read_csv(out / "unmapped.csv", dtype=str)["food"].tolist() == ["99991"]
    assert run_command(*words) == 0
    assert "0 of 1 parts computed now" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--workers", "-1"), "found --workers -1; expected 0 or more"),
        (("--cluster", "tcp://here:1", "--workers", "2"), "the cluster has workers of its own"),
        (("--component", "salty"), "found 'salty'; expected an INFOODS tag"),
    ],
)
def test_the_command_refuses_what_makes_no_sense(tmp_path: Path, words, message) -> None:
    """One sentence each, before anything is computed."""
    with pytest.raises(SwaptableError, match=re.escape(message)):
        run_command(str(tmp_path), str(tmp_path / "out"), *words)


def test_an_empty_folder_is_no_collection(tmp_path: Path) -> None:
    """A folder with neither kind of file is refused."""
    with pytest.raises(InputError, match=re.escape("holds neither recipe files (.yaml) nor MainFoodDesc.txt")):
        read_collection(tmp_path)


@pytest.mark.skipif(not REAL, reason="SWAPTABLE_FNDDS does not name the folder of the published files")
def test_every_published_dish_is_computed_or_listed(sr28: FoodRelease) -> None:
    """All 6,940 dishes of 2003-2004 are there, nearly all of them computed."""
    found = resolve_dishes(read_fndds(REAL), sr28)
    codes = [dish.code for dish in found.dishes if isinstance(dish, Dish)]
    assert len({*codes, *found.not_computed["recipe"]}) == 6940
    assert len(found.not_computed) < 200


@pytest.mark.skipif(not REAL, reason="SWAPTABLE_FNDDS does not name the folder of the published files")
def test_moisture_taken_as_a_percentage_of_all_ingredients_leaves_water_in_every_dish(sr28: FoodRelease) -> None:
    """Of some 1,700 dishes whose weight changes none would lose more water than it has: the reading fits the files."""
    water = dict(zip(sr28.foods.index, sr28.matrix[:, sr28.components.index.get_loc("WATER")], strict=True))
    changed = 0
    for dish in resolve_dishes(read_fndds(REAL), sr28).dishes:
        edible = sum(part.grams for part in dish.parts)
        held = sum(part.grams * water.get(part.food, float("nan")) / 100 for part in dish.parts)
        if dish.cooked_g != pytest.approx(edible) and held == held:
            changed += 1
            assert held + dish.cooked_g - edible >= 0, dish.title
    assert changed > 1500
