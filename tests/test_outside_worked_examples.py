"""Worked examples from outside the package, one row of ``data/worked_examples.csv`` each.

Most expected values are printed in USDA SR28 (2015): cooked foods that USDA itself computed from the raw food with
its retention factors, soups diluted by weight, vitamin and energy equivalents. The others follow a published rule.
Every row names its source, how far it was seen, and a tolerance: half a unit in the last place of what is printed.

Columns of the table: ``id``; ``check``, the test that reads the row; ``food`` and ``other_food``, codes of SR28;
``component``, INFOODS tag; ``retention_row``, row of the retention table (or two, drained+kept); ``basis``, what the
check compares; ``amount_g``, ``other_amount_g`` [g]; ``value``, an input in the unit of its component (or of the
daily value); ``expected`` in ``unit``; ``tolerance`` in the same; ``source``; ``provenance``.
"""

import csv
from collections.abc import Mapping
from functools import cache
from pathlib import Path

import pandas as pd
import pytest

from swaptable.amounts.cooking import cook_food, retention_for
from swaptable.amounts.nutrients import Amounts, compute, line_values
from swaptable.amounts.recipes import read_recipe
from swaptable.amounts.variants import Line, build_grid
from swaptable.basics.errors import SwaptableError
from swaptable.basics.units import convert
from swaptable.foods.cooking_factors import retention_table
from swaptable.foods.release import FoodRelease, open_release
from swaptable.foods.release_writer import write_release
from swaptable.judging.daily_values import daily_value_word, percent_daily_value
from swaptable.judging.density import nutrient_rich_foods_index
from swaptable.judging.labels import round_amount

TABLE = Path(__file__).parent / "data" / "worked_examples.csv"
LIQUID = {"discarded": 0.0, "kept": 1.0, "": None}

# Where the package does not give the worked example's answer, and why. Nothing is left out of the table for it.
COOKED_ALREADY = "USDA started from a food that is cooked already; the package refuses to count losses twice"
DISAGREE = dict.fromkeys(
    (
        *(f"retention-{number:03d}" for number in (1, 2, 3, 4, 5, 6, 7)),  # roasted turkey for deli turkey
        *(f"retention-{number:03d}" for number in (22, 33, 45, 46, 47, 48)),  # green beans, beet greens, corn
        *(f"retention-{number:03d}" for number in (79, 80, 105, 106, 107)),  # onions, tomatoes
    ),
    COOKED_ALREADY,
)


@cache
def examples() -> list[dict[str, str]]:
    """Read the table of worked examples."""
    with TABLE.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def disagrees(name: str) -> pytest.MarkDecorator:
    """Mark a worked example that the package answers with an error."""
    return pytest.mark.xfail(strict=True, raises=SwaptableError, reason=DISAGREE[name])


def rows(check: str) -> list[object]:
    """List the rows of one check, those that disagree marked with the reason."""
    return [
        pytest.param(
            row,
            id=row["id"],
            marks=[disagrees(row["id"])] if row["id"] in DISAGREE else [],
        )
        for row in examples()
        if row["check"] == check
    ]


def agrees(found: float, row: dict[str, str]) -> bool:
    """Tell whether a result is the expected one within the row's tolerance."""
    return abs(float(found) - float(row["expected"])) <= float(row["tolerance"]) + 1e-9


@cache
def sr28() -> FoodRelease:
    """Open SR28 once."""
    return open_release("sr28")


def computed(folder: Path, text: str, release: FoodRelease | None = None) -> Amounts:
    """Compute a recipe from the text of its file."""
    path = folder / "recipe.yaml"
    path.write_text("title: worked example\nservings: 1\n" + text, encoding="utf-8")
    return compute(build_grid(read_recipe(path), release or sr28()))


def constructed(folder: Path, foods: Mapping[str, Mapping[str, float]]) -> FoodRelease:
    """Write a food release whose foods hold just the given values [per 100 g, in the units of SR28]."""
    components = sr28().components.reset_index()
    numbers = components.set_index("component")["nutrient_number"]
    codes = list(foods)
    values = [(code, numbers[tag], value) for code, held in foods.items() for tag, value in held.items()]
    tables = {
        "foods": pd.DataFrame(
            {
                "code": codes, "description": codes, "food_group": "0000", "food_group_name": "", "refuse_percent": 0.0,
                "refuse_description": "",
            }
        ),
        "values": pd.DataFrame(values, columns=["code", "nutrient_number", "value"]).astype({"code": "category"}),
        "portions": pd.DataFrame({"code": [""], "measure": [""], "grams": [1.0], "amount": [1.0]}),
        "components": components,
    }  # fmt: skip
    return write_release(folder / "constructed", {"name": "constructed"}, tables)


def concentration(row: dict[str, str]) -> float:
    """Read from SR28 how much of the raw food is in the cooked: raw edible weight over cooked weight [-]."""
    raw, cooked = sr28().values(row["food"]), sr28().values(row["other_food"])
    if row["basis"] == "none":
        return 1.0
    if row["basis"] == "protein":
        return float(cooked["PROCNT"] / raw["PROCNT"])
    fat = row["basis"] == "non-fat solids"
    left = [100 - food["WATER"] - (food["FAT"] if fat else 0) for food in (raw, cooked)]
    return float(left[1] / left[0])


@pytest.mark.outside
@pytest.mark.parametrize("row", rows("retention"))
def test_retention_and_concentration_give_the_published_value(row: dict[str, str]) -> None:
    """Raw value × published factor × concentration is the cooked value that USDA computed so (SR28, 2015)."""
    published = retention_table().loc[row["retention_row"]]
    food = sr28().food(row["food"])
    cooking = cook_food(
        food, sr28(), published["process"],
        liquid=LIQUID[published["liquid"]], detail=published["detail"] or None,
        food_class=published["food_class"], yield_factor=1 / concentration(row),
    )  # fmt: skip
    assert cooking.rows == (row["retention_row"],)
    line = Line("food", food, 100.0, 100.0, "mass", "measured", 0.0, cooking, ("mass",))
    assert agrees(line_values(line, sr28())[row["component"]] / cooking.yield_factor, row)


@cache
def soup(folder: Path, food: str, liquid: str, grams: str, liquid_grams: str) -> pd.Series:
    """Mix a soup with water once for all its components [per 100 g]."""
    text = f"""ingredients:
  soup: {{amount: {grams} g, food: "sr28:{food}"}}
  water: {{amount: {liquid_grams} g, food: "sr28:{liquid}"}}
"""
    return computed(folder, text).per("100 g").to_series()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make one folder for the recipes of this file."""
    return tmp_path_factory.mktemp("worked")


@pytest.mark.outside
@pytest.mark.parametrize("row", rows("dilution"))
def test_mixing_by_weight_gives_the_published_soup(row: dict[str, str], folder: Path) -> None:
    """A condensed soup and its water, by the weights of the can or cup, are SR28's prepared soup (2015)."""
    mixed = soup(folder, row["food"], row["other_food"], row["amount_g"], row["other_amount_g"])
    assert agrees(mixed[row["component"]], row)


@pytest.mark.outside
@pytest.mark.parametrize("row", rows("identity"))
def test_equivalents_agree_with_those_printed(row: dict[str, str]) -> None:
    """Vitamin A, folate and vitamin D equivalents from their parts, and kJ from kcal, are those SR28 prints (2015)."""
    if row["component"] == "ENERC_KJ":
        assert agrees(convert(float(row["value"]), "kcal", "kJ"), row)
        return
    food = sr28().food(row["food"])
    line = Line("food", food, 100.0, 100.0, "mass", "measured", 0.0, cook_food(food, sr28(), None), ("mass",))
    assert agrees(line_values(line, sr28())[row["component"]], row)


@pytest.mark.outside
@pytest.mark.parametrize("row", rows("liquid"))
def test_paired_rows_divide_food_and_liquid(row: dict[str, str]) -> None:
    """What is drained, what the liquid holds and what is lost add up as the paired rows say (USDA Release 6, 2007)."""
    held = []
    for liquid, code in zip((0.0, 1.0), row["retention_row"].split("+"), strict=True):
        printed = retention_table().loc[code]
        _, used, factors = retention_for(printed["food_class"], printed["process"], liquid, printed["detail"] or None)
        assert used == (code,)
        held.append(100 * factors[row["component"]])
    parts = {"in the food": held[0], "in the liquid": held[1] - held[0], "destroyed": 100 - held[1]}
    assert agrees(parts[row["basis"]], row)


@pytest.mark.outside
@pytest.mark.parametrize("row", rows("alcohol"))
def test_alcohol_left_after_cooking(row: dict[str, str], folder: Path) -> None:
    """Wine keeps the share of its alcohol printed for each time (USDA Release 6, 2007; Augustin et al. 1992)."""
    published = retention_table().loc[row["retention_row"]]
    assert sr28().values(row["food"])["ALC"] == float(row["value"])
    amounts = computed(
        folder,
        f"""ingredients:
  wine:
    amount: {row["amount_g"]} g
    food: "sr28:{row["food"]}"
    cook: {published["process"]}
    detail: "{published["detail"]}"
""",
    )
    assert agrees(amounts.per("batch").sel(component="ALC"), row)


@pytest.mark.outside
@pytest.mark.parametrize("row", rows("percent daily value"))
def test_percent_daily_value(row: dict[str, str], tmp_path: Path) -> None:
    """An amount is the stated percent of the daily value, and 20 percent is the word high (21 CFR 101.9, 2016)."""
    release = constructed(tmp_path, {"food": {row["component"]: float(row["value"])} | parts_of(row)})
    amounts = computed(tmp_path, "ingredients:\n  food: {amount: 100 g, food: food}\n", release)
    percent = float(percent_daily_value(amounts, "US").sel(component=row["component"]))
    assert agrees(percent, row)
    assert daily_value_word(round(percent, 6), "US") == {20.0: "high", 7.0: "between"}[float(row["expected"])]


def parts_of(row: dict[str, str]) -> dict[str, float]:
    """Give the parts that make up an equivalent: all of it as retinol, or as food folate."""
    part = {"VITA_RAE": "RETOL", "FOLDFE": "FOLFD"}.get(row["component"])
    others = {"RETOL": ("CARTB", "CARTA", "CRYPX"), "FOLFD": ("FOLAC",)}
    return {} if part is None else {part: float(row["value"])} | dict.fromkeys(others[part], 0.0)


@pytest.mark.outside
@pytest.mark.parametrize("row", rows("equivalent"))
def test_equivalents_by_definition(row: dict[str, str], tmp_path: Path) -> None:
    """Salt, vitamin A, folate, vitamin D and niacin equivalents follow their published definitions (see source)."""
    zero = dict.fromkeys(("RETOL", "CARTB", "CARTA", "CRYPX", "FOLFD", "FOLAC", "NIA"), 0.0)
    release = constructed(tmp_path, {"food": zero | {row["basis"]: float(row["value"])}})
    amounts = computed(tmp_path, "ingredients:\n  food: {amount: 100 g, food: food}\n", release)
    assert agrees(amounts.per("batch").sel(component=row["component"]), row)


@pytest.mark.outside
@pytest.mark.parametrize("row", rows("nutrient-rich foods index"))
def test_nutrient_rich_foods_index(row: dict[str, str], folder: Path) -> None:
    """The index 9.3 of single foods of SR28, worked out apart from this package (Fulgoni et al. 2009)."""
    amounts = computed(folder, f'ingredients:\n  food: {{amount: 100 g, food: "sr28:{row["food"]}"}}\n')
    assert agrees(nutrient_rich_foods_index(amounts, "published 2009"), row)


STEW = {
    "beef": {"THIA": 0.08, "WATER": 70.0},
    "carrot": {"THIA": 0.066, "WATER": 88.0},
    "water": {"THIA": 0.0, "WATER": 100.0},
}
# 500 g beef keep 60 %, 300 g carrot 85 %, 300 g water has nothing to lose; by ingredient they come to 70, 90 and 60 %
# of their weight, the whole dish to 80 %.
STEW_COOKED = """  beef: {amount: 500 g, food: beef, cook: simmered, liquid: kept, food class: beef, yield: 70 %}
  carrot: {amount: 300 g, food: carrot, cook: sauteed, food class: root vegetable, yield: 90 %}
  water: {amount: 300 g, food: water, cook: boiled, food class: none, yield: 60 %}
"""
STEW_RAW = """  beef: {amount: 500 g, food: beef}
  carrot: {amount: 300 g, food: carrot}
  water: {amount: 300 g, food: water}
"""
STEWS = {
    "mixed method": "cooked weight: 880 g\ningredients:\n" + STEW_COOKED,
    "ingredient method": "ingredients:\n" + STEW_COOKED,
    "yield only": "cooked weight: 880 g\ningredients:\n" + STEW_RAW,
}


@pytest.mark.outside
@pytest.mark.parametrize("row", rows("method"))
def test_published_ways_to_calculate_a_recipe(row: dict[str, str], tmp_path: Path) -> None:
    """A stew gives what each published procedure gives: yield of the dish, of the ingredients, no retention."""
    amounts = computed(tmp_path, STEWS[row["basis"]], constructed(tmp_path, STEW))
    assert agrees(amounts.per("100 g").sel(component=row["component"]), row)


@pytest.mark.outside
@pytest.mark.parametrize("row", rows("missing"))
def test_missing_value_is_not_zero(row: dict[str, str], tmp_path: Path) -> None:
    """A food without a value leaves a lower bound and half of the weight known (INFOODS and EuroFIR rule)."""
    release = constructed(tmp_path, {"a": {row["component"]: float(row["value"])}, "b": {"FE": 1.0}})
    amounts = computed(
        tmp_path, "ingredients:\n  a: {amount: 100 g, food: a}\n  b: {amount: 100 g, food: b}\n", release
    )
    found = {"amount": amounts.per("batch"), "known share": amounts.share_per("batch")}[row["basis"]]
    assert agrees(found.sel(component=row["component"]), row)


@pytest.mark.outside
@pytest.mark.parametrize("row", rows("edible portion"))
def test_edible_portion_of_what_is_bought(row: dict[str, str], folder: Path) -> None:
    """A kilogram as purchased, less the printed refuse, holds what is left of it (USDA SR28, 2015)."""
    food = f'{{amount: {row["amount_g"]} g, food: "sr28:{row["food"]}", weighed: as purchased}}'
    amounts = computed(folder, f"ingredients:\n  food: {food}\n")
    if row["component"] == "edible weight":
        assert agrees(amounts.data["edible_g"], row)
    else:
        assert agrees(amounts.per("batch").sel(component=row["component"]), row)


@pytest.mark.outside
@pytest.mark.parametrize("row", rows("edible portion difference"))
def test_peel_on_less_peel_off(row: dict[str, str], folder: Path) -> None:
    """Leaving the peel on changes composition and edible portion of the same weight bought (USDA SR28, 2015)."""
    amounts = computed(
        folder,
        f"""ingredients:
  food: {{amount: {row["amount_g"]} g, food: "sr28:{row["food"]}", weighed: as purchased}}
choices:
  peel:
    left on: as written
    taken off: {{food: {{amount: {row["amount_g"]} g, food: "sr28:{row["other_food"]}"}}}}
""",
    )
    held = amounts.per("batch").sel(component=row["component"])
    assert agrees(float(held.sel(peel="left on")) - float(held.sel(peel="taken off")), row)


@pytest.mark.outside
@pytest.mark.parametrize("row", rows("sodium left"))
def test_sodium_left_in_canned_beans(row: dict[str, str]) -> None:
    """Drained and rinsed canned beans keep the published share of their sodium (Duyff, Mount & Jones 2011)."""
    _, _, factors = retention_for("canned legume", row["basis"], None, None)
    assert agrees(100 * factors["NA"], row)


@pytest.mark.outside
@pytest.mark.parametrize("row", rows("label rounding"))
def test_amounts_are_rounded_as_the_rule_says(row: dict[str, str]) -> None:
    """The rule for nutrition facts, at edges of its bands (21 CFR 101.9(c); ties, on which it is silent, go up)."""
    printed = round_amount(float(row["value"]), row["component"], "US")
    assert agrees(printed.number, row)
    assert printed.text == f"{row['basis']} {row['expected']} {row['unit']}".strip()


def test_table_of_examples_is_whole() -> None:
    """Ids are unique, every row has a source and a check that reads it, and every exception is still a row."""
    ids = [row["id"] for row in examples()]
    assert len(set(ids)) == len(ids) == 622
    assert all(row["source"] and row["provenance"] and row["tolerance"] for row in examples())
    assert set(DISAGREE) <= set(ids)
