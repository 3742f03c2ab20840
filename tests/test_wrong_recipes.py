"""Recipes that read well but cannot be computed: every error leads to the place in the file.

In the cases, « marks where the error must point to; it is taken out before the file is written. Codes of SR28:
11124 carrots, raw; 11352 potatoes, raw (refuse 25 %); 11125 carrots, boiled; 02047 salt; 14411 tap water;
11190 cornsalad, raw (refuse not known).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from swaptable.amounts.nutrients import compute
from swaptable.amounts.recipes import read_recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import InputError
from swaptable.foods.release import FoodRelease
from swaptable.judging.study import study_recipe

HEAD = """title: Pot
servings: 4
ingredients:
  carrot: {amount: 100 g, food: "sr28:11124"}
  salt: {amount: 1 tsp, food: "sr28:02047"}
"""
SWAP = """choices:
  root:
    carrot: as written
    other: {carrot: {food: "sr28:11352"}}
"""


def carrot(fields: str) -> str:
    """Give a recipe whose carrot has these fields."""
    return HEAD.replace('amount: 100 g, food: "sr28:11124"', fields)


def swap(patch: str, ingredient: str = "carrot") -> str:
    """Give a recipe with an option that changes an ingredient in this way."""
    return HEAD + f"choices:\n  root:\n    one: as written\n    other: {{{ingredient}: {{{patch}}}}}\n"


@pytest.fixture
def refused(tmp_path: Path, sr28: FoodRelease) -> Callable[[str, str], InputError]:
    """Write a marked file, expect its variants to be refused where the mark is, and give the error."""

    def refuse(marked: str, message: str) -> InputError:
        at = marked.index("«")
        place = (marked.count("\n", 0, at) + 1, at - marked.rfind("\n", 0, at))
        path = tmp_path / "wrong.yaml"
        path.write_text(marked.replace("«", ""), encoding="utf-8")
        with pytest.raises(InputError, match=re.escape(message)) as caught:
            compute(build_grid(read_recipe(path), sr28))
        error = caught.value
        assert (error.file, error.line, error.column) == (str(path), *place), str(error)
        assert "\n" not in str(error)
        return error

    return refuse


CODE = 'food: "sr28:11124"'
CASES = [
    ("unknown code", carrot('amount: 100 g, food: «"sr28:99999"'),
     "ingredients.carrot.food", "found 'sr28:99999'", ["food code of sr28"]),
    ("word for a code", carrot("amount: 100 g, food: «carrot"), "ingredients.carrot.food", "found 'carrot'", ["sr28"]),
    ("empty code", carrot('amount: 100 g, food: «""'), "ingredients.carrot.food", "found ''", ["food code of sr28"]),
    ("other release", carrot('amount: 100 g, food: «"sr27:11124"'),
     "ingredients.carrot.food", "found 'sr27:11124'", ["'sr28'"]),
    ("unknown code of an option", swap('food: «"sr28:99999"'), "choices.root.other.carrot.food", "found 'sr28:99999'",
     ["food code of sr28"]),
    ("unknown code of a new ingredient", swap('amount: 1 g, food: «"sr28:99999"', "new"),
     "choices.root.other.new.food", "found 'sr28:99999'", ["food code of sr28"]),
    ("unknown measure", carrot(f"amount: «2 heaps, {CODE}"),
     "ingredients.carrot.amount", "heaps'", ["a mass (g, kg, oz, lb)", "a volume", "medium (61 g)"]),
    ("no measure", carrot(f"amount: «3, {CODE}"),
     "ingredients.carrot.amount", "found a number without a measure", ["a mass", "medium (61 g)"]),
    ("tablespoon or tonne", carrot(f"amount: «2 T, {CODE}"), "ingredients.carrot.amount", "T'", ["tbsp, tsp"]),
    ("teaspoon or tonne", carrot(f"amount: «2 t, {CODE}"), "ingredients.carrot.amount", "t'", ["tbsp, tsp"]),
    ("percent as measure", carrot(f"amount: «5 %, {CODE}"), "ingredients.carrot.amount", "%'", ["a mass"]),
    ("ambiguous portion", carrot(f"amount: «1 strip, {CODE}"),
     "ingredients.carrot.amount", "strip', which could be", ["(7 g)", "(4 g)", "say which"]),
    ("ambiguous volume", carrot(f"amount: «1 cup, {CODE}"),
     "ingredients.carrot.amount", "could be", ["chopped (128 g)", "grated (110 g)", "say which"]),
    ("volume of a food without density", carrot(f"amount: «1 cup mashed, {CODE}"),
     "ingredients.carrot.amount", "no portion 'cup mashed'", ["Carrots, raw", "give a mass", "cup chopped"]),
    ("unknown measure of an option", swap("amount: «2 heaps"),
     "choices.root.other.carrot.amount", "heaps'", ["a mass"]),
    ("unknown process", carrot(f"amount: 100 g, {CODE}, cook: «boild"),
     "ingredients.carrot.cook", "found 'boild'", ["did you mean 'boiled'", "baked", "not cooked"]),
    ("process in capitals", carrot(f"amount: 100 g, {CODE}, cook: «BAKED"),
     "ingredients.carrot.cook", "found 'BAKED'", ["did you mean 'baked'"]),
    ("process not published for the class", carrot(f"amount: 100 g, {CODE}, cook: «deep-fried"),
     "ingredients.carrot.cook", "found 'deep-fried'", ["root vegetable", "baked, boiled"]),
    ("unknown class", carrot(f"amount: 100 g, {CODE}, cook: baked, food class: «root"),
     "ingredients.carrot.food class", "found 'root'", ["root vegetable", "none"]),
    ("unknown detail", carrot(f"amount: 100 g, {CODE}, cook: boiled, liquid: kept, detail: «in butter"),
     "ingredients.carrot.detail", "'in butter'", ["root vegetable, boiled", "water to cover"]),
    ("liquid missing", carrot(f"amount: 100 g, {CODE}, cook: «boiled"),
     "ingredients.carrot.cook", "'liquid' is missing for root vegetable, boiled", ["kept, discarded", "50 %"]),
    ("cooked twice", carrot('amount: 100 g, food: "sr28:11125", cook: «boiled, liquid: kept'),
     "ingredients.carrot.cook", "found 'boiled'", ["Carrots, cooked", "count twice", "reheated", "sr28:11124"]),
    ("cooked twice by an option", swap('food: "sr28:11125", cook: «baked'),
     "choices.root.other.carrot.cook", "found 'baked'", ["count twice"]),
    ("process of an option", swap("cook: «boild"), "choices.root.other.carrot.cook", "found 'boild'", ["'boiled'"]),
    ("refuse not known", carrot('amount: 100 g, food: "sr28:11190", weighed: «as purchased'),
     "ingredients.carrot.weighed", "no refuse is known for 'Cornsalad, raw'", ["10 %", "edible"]),
    ("swap keeps an unknown component equal", swap('food: "sr28:11352", same: «sunshine'),
     "choices.root.other.carrot.same", "found 'sunshine'", ["weight, volume, energy", "component"]),
    ("swap keeps equal what the old food has none of", swap('food: "sr28:11352", same: «vitamin B12'),
     "choices.root.other.carrot.same", "found 'vitamin B12'", ["Carrots, raw", "has none"]),
    ("swap keeps equal what the new food has none of", swap('food: "sr28:14411", same: «energy'),
     "choices.root.other.carrot.same", "found 'energy'", ["water", "has none"]),
    ("swap by volume of a food with several densities", swap('food: "sr28:11352", same: «volume'),
     "choices.root.other.carrot.same", "could be", ["chopped (128 g)", "say which"]),
    ("cooked weight below the solids", HEAD + "cooked weight: «10 g\n",
     "cooked weight", "10 g", ["solids"]),
]  # fmt: skip


@pytest.mark.parametrize(
    ("marked", "field", "found", "allowed"), [case[1:] for case in CASES], ids=[case[0] for case in CASES]
)
def test_error_leads_to_the_place(
    refused: Callable[[str, str], InputError], marked: str, field: str, found: str, allowed: list[str]
) -> None:
    """The error names file, line, column and field, the value found, and what is allowed instead."""
    error = refused(marked, found)
    assert error.field == field
    assert all(word in str(error) for word in allowed), str(error)


def test_liquid_for_which_nothing_is_published(refused: Callable[[str, str], InputError]) -> None:
    """A fate of the liquid without published factors is refused at the liquid, with those there are."""
    marked = carrot(f"amount: 100 g, {CODE}, food class: shellfish, cook: baked, liquid: «discarded")
    error = refused(marked, "discarded")
    assert error.field == "ingredients.carrot.liquid"
    assert "published only for" in str(error)


@pytest.mark.parametrize(
    ("first", "second", "field"),
    [
        ("{salt: {amount: 0}}", "{salt: {«amount: 2 g}}", "amount"),
        ('{salt: {food: "sr28:14411"}}', '{salt: {«food: "sr28:11124"}}', "food"),
        ("{salt: {refuse: 1 %}}", "{salt: {«refuse: 2 %}}", "refuse"),
        ("{salt: {weighed: edible}}", "{salt: {«weighed: as purchased}}", "weighed"),
        ("{salt: {yield: 90 %}}", "{salt: {«yield: 80 %}}", "yield"),
    ],
    ids=["amount", "food", "refuse", "weighed", "yield"],
)
def test_two_options_set_the_same_field(
    refused: Callable[[str, str], InputError], first: str, second: str, field: str
) -> None:
    """Two options of different choices that set one field are refused; neither wins silently."""
    # the place of the field is that of its value
    second = re.sub(r"«([^:]+: )", r"\1«", second)
    marked = HEAD + (
        f"choices:\n  a:\n    x: as written\n    left: {first}\n  b:\n    y: as written\n    right: {second}\n"
    )
    error = refused(marked, f"'b → right' and 'a → left' both set {field} of salt")
    assert error.field == f"choices.b.right.salt.{field}"
    assert "not together" in str(error)


def test_excluding_the_clash_helps(tmp_path: Path, sr28: FoodRelease) -> None:
    """The remedy that the error names, excluding the combination, works."""
    path = tmp_path / "pot.yaml"
    path.write_text(
        HEAD + "choices:\n  a:\n    x: as written\n    left: {salt: {amount: 0}}\n  b:\n    y: as written\n"
        "    right: {salt: {amount: 2 g}}\nnot together: [{a: left, b: right}]\n",
        encoding="utf-8",
    )
    assert len(build_grid(read_recipe(path), sr28).variants()) == 3


def test_recipe_as_written_must_be_allowed(refused: Callable[[str, str], InputError]) -> None:
    """The recipe as written, with which all variants are compared, cannot be excluded."""
    marked = HEAD + (
        "choices:\n  a:\n    x: as written\n    p: {salt: {amount: 0}}\n  b:\n    y: as written\n"
        "    q: {carrot: {amount: 1 g}}\nnot together: «[{a: x, b: y}]\n"
    )
    assert refused(marked, "excludes the recipe as written").field == "not together"


def test_change_of_an_ingredient_that_only_another_option_adds(refused: Callable[[str, str], InputError]) -> None:
    """An option that changes what only another option adds is refused, with both remedies."""
    marked = HEAD + (
        "choices:\n  a:\n    x: as written\n    p: {herbs: {amount: 2 g, food: \"sr28:02042\"}}\n  b:\n"
        "    y: as written\n    q: {herbs: «{amount: 1 g}}\n"
    )  # fmt: skip
    error = refused(marked, "changes 'herbs', which is not in the dish with a → x, b → q")
    assert error.field == "choices.b.q.herbs"
    assert "give food and amount" in str(error)
    assert "not together" in str(error)


@pytest.mark.parametrize("amount", ["1 000 g", "1e3 g", "1/2/3 g", "5. g", "1-2 g"])
def test_number_read_in_part_is_shown_whole(refused: Callable[[str, str], InputError], amount: str) -> None:
    """An amount whose number was understood in part is shown as it stands in the file."""
    refused(carrot(f"amount: «{amount}, {CODE}"), f"found '{amount}'")


def test_lost_zero_of_a_code_is_found(refused: Callable[[str, str], InputError]) -> None:
    """A code whose leading zero a spreadsheet ate is matched to the whole code, not to any other."""
    error = refused(HEAD.replace('"sr28:02047"', "«sr28:2047"), "found 'sr28:2047'")
    assert "02047" in str(error)
    assert "Salt, table" in str(error)


def test_swap_lists_what_may_stay_equal(refused: Callable[[str, str], InputError]) -> None:
    """A misspelt word for what stays equal is answered with the words there are besides components."""
    error = refused(swap('food: "sr28:11352", same: «volumes'), "found 'volumes'")
    assert all(word in str(error) for word in ("weight", "volume", "energy")), str(error)


def test_cooked_weight_of_an_option_is_blamed_itself(refused: Callable[[str, str], InputError]) -> None:
    """A cooked weight that an option states is refused at the option, not at the recipe."""
    marked = HEAD + "choices:\n  a:\n    x: as written\n    dry: {cooked weight: «10 g}\n"
    assert refused(marked, "10 g").field == "choices.a.dry.cooked weight"


def test_yield_that_leaves_no_water_is_blamed_itself(refused: Callable[[str, str], InputError]) -> None:
    """A stated yield that leaves less than no water is refused at the yield, since no weight was stated."""
    marked = carrot(f"amount: 100 g, {CODE}, cook: boiled, liquid: kept, yield: «0 %")
    assert refused(marked, "0 %").field == "ingredients.carrot.yield"


@pytest.mark.parametrize(
    "field", ["liquid: kept", "liquid: discarded", "detail: in skin", "food class: root vegetable"]
)
def test_cooking_word_without_cooking_is_refused(refused: Callable[[str, str], InputError], field: str) -> None:
    """A word about cooking beside no process has no effect, so it is refused instead of ignored."""
    name, value = field.split(": ")
    error = refused(carrot(f"amount: 100 g, {CODE}, {name}: «{value}"), value)
    assert error.field == f"ingredients.carrot.{name}"
    assert "cook" in str(error)


def test_amount_is_never_infinite(tmp_path: Path, sr28: FoodRelease) -> None:
    """An amount too large for a computer is refused; infinity does not reach the results."""
    amount = "9" * 400 + " g"
    path = tmp_path / "pot.yaml"
    path.write_text(carrot(f"amount: {amount}, {CODE}"), encoding="utf-8")
    with pytest.raises(InputError, match=r"pot\.yaml:4:.*found '9{100}…'"):
        compute(build_grid(read_recipe(path), sr28))


@pytest.mark.parametrize(
    "word",
    ["edible_g", "cooked_g", "name", "changes", "on_frontier", "sodium_mg_per_serving", "nrf93_2009_per_100kcal",
     "cost_per_serving", "currency", "not_priced", "per_batch"],
)  # fmt: skip
def test_choice_named_like_a_column_is_refused_or_kept(tmp_path: Path, word: str) -> None:
    """A choice named like a column of a table is refused by name, or its options stay in the table."""
    path = tmp_path / "pot.yaml"
    path.write_text(HEAD + SWAP.replace("root:", f"{word}:"), encoding="utf-8")
    try:
        study = study_recipe(path, "blood_pressure", prices="prices")
    except InputError as error:
        assert f"'{word}'" in str(error)  # noqa: PT017 - either outcome keeps the promise
    else:
        assert study.variants[word].tolist() == ["carrot", "other"]


@pytest.mark.parametrize(
    "options",
    [
        ("plain", "plain + sweet", "sweet"),
        ("leaven + mustard", "leaven", "mustard"),
    ],
    ids=["sum of two", "the other way round"],
)
def test_labels_of_variants_are_never_shared(tmp_path: Path, sr28: FoodRelease, options: tuple[str, str, str]) -> None:
    """Every variant has a label of its own, whatever the options are called, or the recipe is refused."""
    first, second, third = options
    path = tmp_path / "pot.yaml"
    path.write_text(
        HEAD + f"choices:\n  a:\n    x: as written\n    {first}: {{salt: {{amount: 0}}}}\n"
        f"    {second}: {{salt: {{amount: 2 g}}}}\n  b:\n    y: as written\n    {third}: {{carrot: {{amount: 1 g}}}}\n",
        encoding="utf-8",
    )
    try:
        grid = build_grid(read_recipe(path), sr28)
    except InputError as error:
        assert first in str(error) or second in str(error)  # noqa: PT017 - either outcome keeps the promise
    else:
        labels = [grid.label(variant) for variant in grid.variants()]
        assert sorted(labels) == sorted(set(labels))


def test_dish_with_nothing_left_is_missing_not_zero(tmp_path: Path, sr28: FoodRelease) -> None:
    """A variant from which everything was removed has no values, rather than zeros that look good."""
    path = tmp_path / "pot.yaml"
    path.write_text(
        HEAD + "choices:\n  a:\n    x: as written\n    nothing: {salt: {amount: 0}, carrot: {amount: 0}}\n",
        encoding="utf-8",
    )
    sodium = compute(build_grid(read_recipe(path), sr28)).per("serving").sel(component="NA")
    assert bool(sodium.sel(a="x") > 0)
    assert bool(sodium.sel(a="nothing").isnull())


def test_too_many_variants_are_refused_at_once(tmp_path: Path, sr28: FoodRelease) -> None:
    """A table of a million variants is refused with their number, and with how to go on."""
    names = [f"c{number}" for number in range(10)]
    text = "title: P\nservings: 1\ningredients:\n"
    text += "".join(f'  {name}: {{amount: 100 g, food: "sr28:11124"}}\n' for name in names) + "choices:\n"
    for name in names:
        text += f"  {name}:\n    x: as written\n"
        text += "".join(f"    {name}{grams}: {{{name}: {{amount: {grams} g}}}}\n" for grams in (10, 20, 30))
    path = tmp_path / "pot.yaml"
    path.write_text(text, encoding="utf-8")
    grid = build_grid(read_recipe(path), sr28)
    with pytest.raises(InputError, match=r"1,048,576 variants; .* at most 100,000.*explore.*leave out c\d, c\d"):
        compute(grid)
