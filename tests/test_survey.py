"""A whole collection computed: the sums, swap rules, parts, what happens after a stop, and the cluster."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from swaptable.amounts.certainty import certainty_of, index_certainty
from swaptable.amounts.nutrients import Amounts
from swaptable.basics.errors import InputError, SwaptableError
from swaptable.basics.folders import DATA
from swaptable.foods.cooking_factors import retention_errors
from swaptable.foods.reference import kitchen_errors
from swaptable.foods.release import FoodRelease
from swaptable.judging.density import index_components, nutrient_rich_foods_index
from swaptable.judging.study import compute_recipe
from swaptable.reporting.survey_report import (
    plot_swap_recipes,
    plot_swap_spread,
    recipes_finding,
    spread_finding,
    swap_summary_shown,
)
from swaptable.survey import run as survey_run
from swaptable.survey.blocks import dish_rows
from swaptable.survey.dishes import Dish, Part
from swaptable.survey.rules import Swaps, Varier, read_swaps
from swaptable.survey.run import Collection, compute_survey, make_job, read_collection, run_survey
from swaptable.survey.study import SURELY, SwapStudy, _summary, _words, study_swaps
from swaptable.survey.table import DIFFERENCE, ERROR, INDEX, SHARE
from swaptable.survey.values import SURVEY_COMPONENTS, food_arrays, pair_values

FEW = ("NA", "K", "VITC")
RULES = DATA / "survey_swaps.yaml"
STEW = """title: Stew
servings: 1
ingredients:
  tuber: {amount: 300 g, food: "sr28:11352", cook: boiled, liquid: discarded, yield: 100 %}
  carrot: {amount: 100 g, food: "sr28:11124", cook: boiled, liquid: kept, yield: 100 %}
  second: {amount: 50 g, food: "sr28:11124", cook: boiled, liquid: kept, yield: 100 %}
  stock: {amount: 400 g, food: "sr28:06172"}
  salt: {amount: 6 g, food: "sr28:02047"}
  wine: {amount: 50 g, food: "sr28:14084", cook: simmered, yield: 100 %}
choices:
  stock to water:
    stock: as written
    water: {stock: {food: "sr28:14411"}}
  potato to sweet potato:
    potato: as written
    sweet potato: {tuber: {food: "sr28:11507"}}
  liquid or drippings kept:
    drained: as written
    with liquid: {tuber: {liquid: kept}}
  salt halved:
    whole: as written
    half: {salt: {amount: 3 g}}
"""


def dish_of(amounts: Amounts) -> Dish:
    """Turn a recipe of weighed ingredients that keep their weight into a survey's dish."""
    grid = amounts.grid
    lines = {name: grid.line(name, grid.as_written) for name in grid.lines}
    mass = kitchen_errors()["mass"]
    parts = [Part(line.food.code, line.cooking.rows, line.edible_g, ((name, mass),)) for name, line in lines.items()]
    return Dish("10000001", amounts.recipe.title, tuple(parts), float(sum(part.grams for part in parts)))


def dish(*parts: tuple[str, tuple[str, ...], float], code: str = "10000001", cooked_g: float = 100) -> Dish:
    """Write a dish of (food, rows, grams)."""
    made = [Part(food, rows, grams, ((f"{code}/{n}", 0.02),)) for n, (food, rows, grams) in enumerate(parts)]
    return Dish(code, f"Dish {code}", tuple(made), cooked_g)


def many(count: int) -> Collection:
    """Invent dishes of carrots and salt."""
    dishes = [
        dish(("11124", ("3455",), 90 + n), ("02047", (), 1.0), code=f"{10000000 + n}", cooked_g=80)
        for n in range(count)
    ]
    return Collection(dishes, count, True)


def swaps(**rules: list[dict[str, object]]) -> Swaps:
    """Write rules."""
    return Swaps.model_validate({"title": "Rules", "rules": {name.replace("_", " "): r for name, r in rules.items()}})


def read(folder: Path) -> pd.DataFrame:
    """Read the whole table of a survey."""
    table = pq.read_table(folder / "parts").to_pandas()
    return table.astype({"recipe": str, "title": str, "variant": str})


def test_a_dish_is_computed_as_the_same_recipe_is(computed) -> None:
    """Amounts, errors, differences and known shares of all 16 variants are those of the recipe with weights estimated.

    But for the doubt of the yields, which the recipe states and a dish whose weight does not change has not.
    """
    amounts = computed(STEW)
    rows = dish_rows([dish_of(amounts)], make_job(RULES))[0]
    rules = list(amounts.grid.choices)
    assert list(rows.chosen) == rules
    known = certainty_of(amounts, "100 g")
    yields = (known.amount * amounts.data["cooked_sd_g"] / amounts.data["cooked_g"]) ** 2
    both = yields + yields.sel(amounts.grid.as_written, drop=True)
    expected = {
        "amount": known.amount,
        "error": (known.error**2 - yields).clip(min=0) ** 0.5,
        "difference_error": (known.difference_error**2 - both).clip(min=0) ** 0.5,
        "known_share": amounts.data["known_share"],
    }
    for name, values in expected.items():
        grid = values.sel(component=list(SURVEY_COMPONENTS)).transpose(*rules, "component").to_numpy().reshape(16, -1)
        size = np.maximum(np.nanmax(np.abs(grid), axis=0), 1e-9)
        # a recipe's weighing does not move the water that stands in for alcohol lost: a third of a per mille
        most = np.where(np.array(SURVEY_COMPONENTS) == "WATER", 1e-3, 1e-7)
        assert (np.abs(getattr(rows.amounts, name) - grid) <= most * size).all(), name


def fried(grams: tuple[float, float], oil: float, share: float, cooked: float) -> Dish:
    """Potatoes by the piece, salt by the spoon and frying oil; ``share`` scales how wrong weights may be."""
    ways = (("11352", 0.15), ("02047", 0.08))
    parts = [Part(food, (), g, ((food, way * share),)) for (food, way), g in zip(ways, grams, strict=True)]
    fat = Part("04053", (), oil, (("fat", 0.10 * share),), fixed=True)
    return Dish("10000001", "Fried", (*parts, fat), cooked)


@pytest.mark.parametrize("rules", [None, {"half_salt": [{"match": "^salt", "times": 0.5}]}])
def test_weighings_do_what_weighing_again_and_again_does(rules) -> None:
    """Where ingredients are weighed 4,000 times, amounts scatter as stated: water and fat follow the ingredients."""
    job = make_job(swaps(**rules) if rules else None, ("NA", "K", "WATER", "FAT"))
    random = np.random.default_rng(5)
    dishes = []
    for _ in range(4000):
        potato, salt, doubt = random.normal(1.0, [0.15 / 3, 0.08 / 3, 0.10 / 3])
        total = 200 * potato + 3 * salt
        oil = 0.1 * total * doubt
        dishes.append(fried((200 * potato, 3 * salt), oil, 1, 0.7 * total + oil))
    drawn = np.array([rows.amounts.amount for rows in dish_rows(dishes, job)])
    stated, certain = (
        rows.amounts for rows in dish_rows([fried((200, 3), 20.3, share, 0.8 * 203) for share in (1 / 3, 0)], job)
    )
    for name, found in (("error", drawn), ("difference_error", drawn - drawn[:, :1])):
        alone = np.sqrt(getattr(stated, name) ** 2 - getattr(certain, name) ** 2)
        np.testing.assert_allclose(alone, found.std(axis=0), rtol=0.06, atol=1e-9)


def test_weighing_cancels_in_a_dish_of_one_ingredient() -> None:
    """However wrongly the only ingredient is weighed, 100 g of the dish hold the same; a yield has its own doubt."""
    job = make_job(None, ("NA", "WATER", "K"))
    found = [
        dish_rows([Dish("1", "Plain", (Part("11124", (), 200.0, (("w", way),)),), cooked)], job)[0].amounts
        for way, cooked in ((0.15, 200.0), (0.0, 200.0), (0.15, 160.0), (0.0, 160.0))
    ]
    np.testing.assert_allclose(found[0].error, found[1].error, rtol=1e-9)
    np.testing.assert_allclose(found[2].error, found[3].error, rtol=1e-9)
    np.testing.assert_allclose(
        found[3].error ** 2, (found[1].error * 1.25) ** 2 + (found[3].amount * kitchen_errors()["weighed dish"]) ** 2
    )


def test_nutrient_density_is_that_of_the_recipe(computed) -> None:
    """The index is the same, its standard errors to the step by which the recipe's slope is found."""
    amounts = computed(STEW)
    found = dish_rows([dish_of(amounts)], make_job(RULES))[0].amounts
    index = index_certainty(amounts, nutrient_rich_foods_index, index_components())
    for values, own in (
        (index.amount, found.index),
        (index.error, found.index_error),
        (index.difference_error, found.index_difference_error),
    ):
        np.testing.assert_allclose(
            own, values.transpose(*amounts.grid.choices).to_numpy().ravel(), rtol=1e-3, atol=1e-6
        )


def test_sodium_by_hand() -> None:
    """1 g of salt (387.58 mg) and 99 g of tap water (4 mg in 100 g) in 80 g eaten: 484.475 + 4.95 mg per 100 g."""
    found = dish_rows([dish(("02047", (), 1.0), ("14411", (), 99.0), cooked_g=80)], make_job(None, ("NA",)))[0].amounts
    assert found.amount[0, 0] == pytest.approx(484.475 + 4.95)


def test_rows_apply_one_after_the_other_by_hand(sr28: FoodRelease) -> None:
    """Carrots with 320 mg potassium, boiled twice, and boiled before a row that has a figure for sodium alone.

    Shares multiply, errors add in squares; a row without a figure keeps all, with the error of an unpublished factor.
    """
    boiled, drained = "3455", "canned-legume-drained"
    found = pair_values(food_arrays(sr28), [("11124", (boiled, boiled)), ("11124", (boiled, drained))])
    potassium = found.components.index("K")
    assert found.value[:, potassium] == pytest.approx([3.2 * 0.9 * 0.9, 3.2 * 0.9])
    one = float(retention_errors("published")[0].loc[boiled, "K"])
    errors = np.array([2**0.5 * one, (one**2 + kitchen_errors()["no published factor"] ** 2) ** 0.5])
    assert found.retention_error[:, potassium] == pytest.approx(errors * found.value[:, potassium])


def test_a_food_without_values_makes_a_lower_bound() -> None:
    """A quarter of the weight is unknown: the rest is summed, the known share is three quarters, water is not known."""
    known = dish(("11124", (), 75.0), ("02047", (), 5.0)).parts
    unknown = Part("99991", (), 20.0, (("x", 0.02),), known=False)
    found = dish_rows([Dish("1", "Mystery", (*known, unknown), 100.0)], make_job(None, ("NA", "WATER")))[0].amounts
    assert found.known_share[0].tolist() == [pytest.approx(0.8)] * 2
    assert found.amount[0, 0] > 0
    assert np.isnan(found.amount[0, 1])


def test_fat_taken_off_leaves_no_less_than_nothing() -> None:
    """More fat is published to leave than the values hold: then nobody knows what is left."""
    parts = (*dish(("11124", (), 100.0)).parts, Part("04053", (), -10.0, (("fat", 0.1),), fixed=True))
    found = dish_rows([Dish("1", "Fried", parts, 80.0)], make_job(None, ("FAT", "NA")))[0].amounts
    assert np.isnan(found.amount[0, 0])
    assert found.amount[0, 1] > 0


def test_a_rule_changes_what_it_says_and_no_more(sr28: FoodRelease) -> None:
    """The same weight of another food in the row of its own class, half the salt, and the liquid kept."""
    varied = Varier(read_swaps(RULES), sr28).vary(dish(("11352", ("3308",), 50.0), ("02047", (), 4.0), code="1"))
    assert varied.rules == ("potato to sweet potato", "liquid or drippings kept", "salt halved")
    last = {(p.food, p.rows): g for p, g in zip(varied.parts, varied.grams[-1], strict=True) if g}
    assert last == {("11507", ("3709",)): 50.0, ("02047", ()): 2.0}
    first = {(p.food, p.rows): g for p, g in zip(varied.parts, varied.grams[0], strict=True) if g}
    assert first == {("11352", ("3308",)): 50.0, ("02047", ()): 4.0}
    assert varied.labels[0] == "as written"
    assert varied.labels[-1] == "potato to sweet potato + liquid or drippings kept + salt halved"


def test_rules_meet_by_one_order(sr28: FoodRelease) -> None:
    """The first rule of the file changes the food, weights multiply, and what a rule does not find stays away."""
    rules = swaps(
        one=[{"match": "carrots", "food": "sr28:11352"}, {"match": ".", "times": 0.1}],
        two=[{"match": "carrots", "food": "sr28:11507"}],
        three=[{"codes": ["sr28:11124"], "times": 0.5}],
        four=[{"match": ".", "times": 0.5}],
    )
    varied = Varier(rules, sr28).vary(dish(("11124", (), 100.0)))
    assert varied.rules == ("one", "three", "four")
    assert {(p.food, g) for p, g in zip(varied.parts, varied.grams[-1], strict=True) if g} == {("11352", 25.0)}


def test_fat_stays_the_same_percentage(sr28: FoodRelease) -> None:
    """Fat that comes with the cooking is changed by no rule but for the weight of the rest."""
    parts = (*dish(("11124", (), 100.0)).parts, Part("04053", (), 10.0, (("fat", 0.1),), fixed=True))
    rules = swaps(half=[{"match": ".", "times": 0.5}])
    assert Varier(rules, sr28).vary(Dish("1", "Fried", parts, 90.0)).grams[1].tolist() == [50.0, 5.0]


@pytest.mark.parametrize(
    ("marked", "message"),
    [
        ("title: T\nrules:\n  a:\n    - {match: «'(', times: 2}\n", "expected a regular expression"),
        ("title: T\nrules:\n  a:\n    - «{match: x}\n", "changes nothing; expected food, times or liquid"),
        ("title: T\nrules:\n  a:\n    - «{times: 2}\n", "finds no food; expected match or codes"),
        ("title: T\nrules:\n  a: «[]\n", "changes nothing; expected at least one change"),
        ("title: T\nrules:\n  a:\n    - {match: x, «tims: 2}\n", "found 'tims'; expected one of"),
        ("title: T\nrules:\n  a:\n    - {match: x, liquid: «kep}\n", "found 'kep'; expected kept or discarded"),
    ],
)
def test_wrong_rules_are_refused_with_their_place(refused, marked, message) -> None:
    """One error with file, line and column."""
    refused(marked, message, read_swaps)


def test_a_rule_with_an_unknown_food_is_refused(tmp_path: Path, sr28: FoodRelease) -> None:
    """A code that the release does not have is an error with its place, before anything is computed."""
    path = tmp_path / "rules.yaml"
    path.write_text('title: T\nrules:\n  a:\n    - {match: x, food: "sr28:99999"}\n', encoding="utf-8")
    with pytest.raises(InputError, match="expected a food code of sr28") as caught:
        make_job(path, FEW)
    assert caught.value.line == 4


def test_the_demo_rules_find_foods_of_the_release(sr28: FoodRelease) -> None:
    """Every code is there, and every pattern finds a food that is not the one put in its place."""
    rules = read_swaps(RULES)
    rules.check_foods(sr28)
    assert len(rules.rules) >= 6
    texts = sr28.foods["description"]
    for name, changes in rules.rules.items():
        for change in changes:
            found = [code for code, text in texts.items() if change.finds(f"sr28:{code}", text)]
            assert found, name
            assert change.food is None or change.food.removeprefix("sr28:") not in found, name


def test_stock_is_what_is_drunk_as_stock(sr28: FoodRelease) -> None:
    """No whole soup made with stock, and no dry form: all that the rule finds in the release."""
    rule = read_swaps(RULES).rules["stock to water"]
    found = {
        code for code, text in sr28.foods["description"].items() if any(c.finds(f"sr28:{code}", text) for c in rule)
    }
    assert found == {
        "06008", "06013", "06032", "06170", "06172", "06174", "06183", "06188", "06194", "06413", "06432", "06475",
        "06476", "06480", "06481", "06611", "06615", "06700", "06963", "06970", "06984",
    }  # fmt: skip


def test_the_table_says_what_it_holds(tmp_path: Path) -> None:
    """Every column has a meaning, amounts unit and basis; rows are recipe × variant."""
    done = run_survey(many(3), tmp_path / "out", make_job(RULES, FEW), workers=0)
    schema = pq.read_schema(tmp_path / "out" / "parts" / "part-00000.parquet")
    assert all(b"means" in field.metadata for field in schema)
    field = schema.field("NA_mg_per_100_g")
    assert (field.metadata[b"unit"], field.metadata[b"basis"], str(field.type)) == (b"mg", b"100 g", "float")
    for tag, unit in zip(FEW, ("mg", "mg", "mg"), strict=True):
        name = f"{tag}_{unit}_per_100_g"
        assert {name, name + ERROR, name + DIFFERENCE, tag + SHARE} <= set(schema.names)
    assert {INDEX, INDEX + ERROR, INDEX + DIFFERENCE, "swap: salt halved"} <= set(schema.names)
    table = read(tmp_path / "out")
    assert (len(table), done.rows, done.recipes) == (12, 12, 3)
    assert table["variant_number"].tolist() == [0, 1, 2, 3] * 3
    assert table["swap: salt halved"].tolist() == [False, True] * 6
    assert table["swap: stock to water"].isna().all()


@pytest.mark.parametrize("name", ["barley_pot", "oat_pancakes"])
def test_a_recipe_file_keeps_its_own_choices(tmp_path: Path, name: str) -> None:
    """Without rules the rows of a recipe file are the variants of compute_recipe, with its certainty."""
    compute_survey(name, tmp_path / "out", components=FEW, basis="serving", workers=0)
    table, amounts = read(tmp_path / "out"), compute_recipe(name)
    known = certainty_of(amounts)
    assert table["variant"].tolist() == amounts.grid.labels
    for column, values in (("", known.amount), (ERROR, known.error), (DIFFERENCE, known.difference_error)):
        expected = amounts.grid.listed(values.sel(component="NA"))
        np.testing.assert_allclose(table[f"NA_mg_per_serving{column}"], expected, rtol=2e-7)


def test_rules_take_the_place_of_a_recipe_files_choices(tmp_path: Path) -> None:
    """The stock of the barley pot becomes water in the same weight: what the recipe's own option does by volume."""
    compute_survey("barley_pot", tmp_path / "out", swaps=RULES, components=FEW, basis="serving", workers=0)
    table = read(tmp_path / "out").set_index("variant")["NA_mg_per_serving"]
    serving = compute_recipe("barley_pot").per("serving").sel(component="NA", tuber="potato", skin="peeled")
    own = serving.sel(salt="half a teaspoon of salt")
    assert table["as written"] == pytest.approx(float(own.sel(liquid="stock")), rel=1e-6)
    assert table["stock to water"] == pytest.approx(float(own.sel(liquid="water")), rel=0.01)


def test_a_bad_recipe_file_is_listed_and_the_rest_computed(tmp_path: Path) -> None:
    """A folder with a recipe that cannot be computed yields the others, and a list that says why, also when resumed."""
    folder = tmp_path / "recipes"
    folder.mkdir()
    (folder / "good.yaml").write_bytes((DATA / "recipes" / "oat_pancakes.yaml").read_bytes())
    (folder / "bad.yaml").write_text('title: B\nservings: 1\ningredients: {a: {amount: 1 g, food: "sr28:99999"}}\n')
    for fresh in (1, 0):
        done = compute_survey(folder, tmp_path / "out", components=FEW, workers=0)
        assert (done.recipes, done.parts_computed) == (1, fresh)
        listed = pd.read_csv(tmp_path / "out" / "not_computed.csv")
        assert listed["recipe"].tolist() == ["bad"]
        assert "expected a food code of sr28" in listed["reason"][0]


def test_two_rules_for_one_weight_are_listed_for_a_recipe_file(tmp_path: Path) -> None:
    """A recipe file lets one choice set an amount: where two rules would, the recipe is listed."""
    rules = swaps(one=[{"match": "^salt", "times": 0.5}], two=[{"match": "^salt", "times": 0.1}])
    done = run_survey(read_collection("barley_pot"), tmp_path / "out", make_job(rules, FEW), workers=0)
    assert done.recipes == 0
    assert "'one' and 'two' both change the weight of salt" in done.not_computed["reason"][0]


def test_only_what_is_missing_is_computed(tmp_path: Path) -> None:
    """Whole parts stay, a damaged, a foreign and a missing one are made again, and the table is the same."""
    job, out = make_job(None, FEW), tmp_path / "out"
    first = run_survey(many(40), out, job, workers=0, size=10)
    table = read(out)
    parts = out / "parts"
    (parts / "part-00000.parquet").unlink()
    (parts / "part-00001.parquet").write_bytes((parts / "part-00001.parquet").read_bytes()[:500])
    (parts / "part-00002.parquet").write_bytes((parts / "part-00003.parquet").read_bytes())
    (parts / ".part-00003-left").write_bytes(b"half of a part")
    again = run_survey(many(40), out, job, workers=0, size=10)
    assert (first.parts_computed, again.parts_computed) == (4, 3)
    pd.testing.assert_frame_equal(read(out), table)
    assert sorted(path.name for path in parts.iterdir()) == [f"part-{n:05}.parquet" for n in range(4)]


def test_another_question_makes_every_part_anew(tmp_path: Path) -> None:
    """Other components, rules or recipes give other stamps; parts beyond the collection go."""
    out = tmp_path / "out"
    run_survey(many(40), out, make_job(None, FEW), workers=0, size=10)
    assert run_survey(many(40), out, make_job(None, ("NA",)), workers=0, size=10).parts_computed == 4
    assert run_survey(many(40), out, make_job(RULES, ("NA",)), workers=0, size=10).parts_computed == 4
    smaller = run_survey(many(20), out, make_job(RULES, ("NA",)), workers=0, size=10)
    assert (smaller.parts_computed, smaller.parts, len(list((out / "parts").iterdir()))) == (0, 2, 2)


KILLED = """
import time
from swaptable.survey import blocks as survey_blocks
from swaptable.survey import workers as survey_cluster
from swaptable.survey.run import make_job, run_survey
from test_survey import FEW, many

def slow(job, block, path, write=survey_blocks.write_block):
    time.sleep(0.3)
    return write(job, block, path)

survey_cluster.write_block = slow
run_survey(many(200), {out!r}, make_job(None, FEW), workers=0, size=5)
"""


@pytest.mark.skipif(os.name == "nt", reason="a process is not killed so on Windows")
def test_a_killed_survey_is_gone_on_with(tmp_path: Path) -> None:
    """After kill -9 the parts that are there are whole and stay; the rest is computed, and the lock is free."""
    out = tmp_path / "out"
    code = KILLED.format(out=str(out))
    process = subprocess.Popen([sys.executable, "-c", code], cwd=Path(__file__).parent)
    parts = out / "parts"
    deadline = time.monotonic() + 300  # a busy machine takes long to start
    while len(list(parts.glob("part-*.parquet"))) < 3:
        assert process.poll() is None
        assert time.monotonic() < deadline
        time.sleep(0.05)
    process.send_signal(signal.SIGKILL)
    process.wait()
    assert json.loads((out / "survey.json").read_text())["finished"] is False
    there = len(list(parts.glob("part-*.parquet")))
    done = run_survey(many(200), out, make_job(None, FEW), workers=0, size=5)
    assert 3 <= there < 40
    assert done.parts_computed == 40 - there
    assert len(read(out)) == 200
    assert json.loads((out / "survey.json").read_text())["finished"] is True


def test_a_folder_that_is_no_surveys_is_refused(tmp_path: Path) -> None:
    """Nothing is written into a folder with other files, or over a file."""
    (tmp_path / "mine.txt").write_text("keep")
    for output in (tmp_path, tmp_path / "mine.txt"):
        with pytest.raises(InputError, match="exists and is no survey's folder"):
            run_survey(many(1), output, make_job(None, FEW), workers=0)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ({"basis": "cup"}, "found basis 'cup'"),
        ({"components": ("SALT",)}, "found component 'SALT'"),
        ({"factors": "guessed"}, "found factors 'guessed'"),
        ({"swaps": "no_such"}, "found 'no_such'"),
    ],
)
def test_wrong_questions_are_refused(asked, message) -> None:
    """One error that says what was found."""
    with pytest.raises(SwaptableError, match=message):
        make_job(**asked)


def test_a_dish_has_no_servings(tmp_path: Path) -> None:
    """A survey's dish is asked for per 100 g or whole."""
    with pytest.raises(SwaptableError, match="dishes of a survey have only 100 g and batch"):
        run_survey(many(1), tmp_path / "out", make_job(None, FEW, basis="serving"), workers=0)


@pytest.mark.parametrize("workers", [1, 2])
def test_workers_give_the_same_table(tmp_path: Path, workers: int) -> None:
    """One and two workers of Dask leave what this process does."""
    pytest.importorskip("dask.distributed")
    job = make_job(None, FEW)
    run_survey(many(20), tmp_path / "here", job, workers=0, size=5)
    done = run_survey(many(20), tmp_path / "there", job, workers=workers, size=5)
    assert (done.recipes, done.parts_computed) == (20, 4)
    pd.testing.assert_frame_equal(read(tmp_path / "there"), read(tmp_path / "here"))


def test_a_cluster_is_reached_by_its_address(tmp_path: Path) -> None:
    """The same survey on a scheduler that runs elsewhere, known by its address alone."""
    distributed = pytest.importorskip("dask.distributed")
    options = {"n_workers": 1, "threads_per_worker": 1, "processes": False, "dashboard_address": "127.0.0.1:0"}
    with distributed.LocalCluster(host="127.0.0.1", protocol="tcp://", **options) as cluster:
        done = run_survey(many(10), tmp_path / "out", make_job(None, FEW), cluster=cluster.scheduler_address, size=5)
    assert (done.recipes, done.parts) == (10, 2)


def test_no_scheduler_is_said_in_one_sentence(tmp_path: Path, monkeypatch) -> None:
    """An address where nobody answers is named."""
    pytest.importorskip("dask.distributed")
    monkeypatch.setattr("swaptable.survey.workers._ANSWER_SECONDS", 0.5)
    with pytest.raises(SwaptableError, match=r"found --cluster tcp://127\.0\.0\.1:9, where no scheduler answers"):
        run_survey(many(1), tmp_path / "out", make_job(None, FEW), cluster="tcp://127.0.0.1:9")


def test_without_dask_the_error_says_what_to_do(tmp_path: Path, monkeypatch) -> None:
    """The extra is named, and the way without it."""
    monkeypatch.setitem(sys.modules, "dask.distributed", None)
    with pytest.raises(SwaptableError, match=r"install swaptable\[cluster\], or say --workers 0"):
        run_survey(many(1), tmp_path / "out", make_job(None, FEW), workers=1)


def test_a_study_says_what_a_swap_does_and_how_surely() -> None:
    """In the demo recipes water for stock surely lowers sodium; every difference is that of its two amounts."""
    study = study_swaps()
    table = study.differences
    assert np.allclose(table["changed"] - table["as_written"], table["difference"])
    row = study.summary.set_index(["swap", "measure"]).loc[("stock to water", "NA")]
    assert (row["recipes"], row["surely_lower"], row["surely_higher"]) == (1, 1, 0)
    assert set(table["basis"]) == {"100 g", "100 kcal"}


def test_a_dish_that_is_wholly_replaced_is_no_recipe(tmp_path: Path) -> None:
    """A dish of nothing but stock becomes water: it is left out of the summary and counted under the table."""
    soup = "title: Broth\nservings: 1\ningredients:\n  stock: {amount: 400 g, food: 'sr28:06172'}\n"
    (tmp_path / "broth.yaml").write_text(soup)
    (tmp_path / "salted.yaml").write_text(soup + "  salt: {amount: 1 g, food: 'sr28:02047'}\n")
    study = study_swaps(str(tmp_path), rules=["stock to water"], components=["NA", "VITC"])
    rows = study.summary.set_index("measure")
    assert rows.loc["NA", ["recipes", "left_out", "replaced", "surely_lower"]].tolist() == [1, 0, 1, 1]
    shown = swap_summary_shown(study).data
    assert "replaces all of their weight: recipes of stock to water 1." in shown
    assert '<td style="text-align:left">Sodium</td>' in shown
    assert "<td>-" not in shown


def test_nothing_changed_is_a_word_of_its_own() -> None:
    """No difference and no doubt of it, to single precision, is unchanged; no difference with a doubt is not."""
    rows = [(5.0, 0.0, 0.0), (0.0, 0.0, 0.0), (5.0, 4e-7, 1e-7), (5.0, 0.0, 0.1), (5.0, 1.0, 0.0), (5.0, -1.0, 0.1)]
    table = pd.DataFrame(rows, columns=["as_written", "difference", "standard_error"])
    half = 1.645 * table["standard_error"]
    words = _words(table.assign(low_90=table["difference"] - half, high_90=table["difference"] + half))
    assert words.tolist() == ["unchanged"] * 3 + ["cannot tell", "surely higher", "surely lower"]


def study_of(**counts: list[float]) -> SwapStudy:
    """Write a study of sodium from differences, by swap, each with a standard error of 1."""
    rows = [
        {"recipe": f"{swap} {number}", "title": f"Dish {number}", "swap": swap.replace("_", " "), "measure": "NA",
         "unit": "mg", "basis": "100 g",
         "difference": value, "low_90": value - 1.6, "high_90": value + 1.6, "whole": True, "counted": True,
         "word": SURELY[0] if value < -1.6 else SURELY[1] if value > 1.6 else SURELY[3 if value == 0 else 2]}
        for swap, values in counts.items() for number, value in enumerate(values)
    ]  # fmt: skip
    differences = pd.DataFrame(rows)
    names = tuple(swap.replace("_", " ") for swap in counts)
    differences["standard_error"] = 1.0
    summary = _summary(differences, names, ("NA",))
    return SwapStudy("Title", names, ("NA",), differences, summary, differences[:0], differences[:0], 9, "Source.")


def test_charts_say_what_speaks_against_a_swap() -> None:
    """Recipes in which a measure surely rises stand in both titles, and the words for a screen reader name it."""
    study = study_of(stock_to_water=[-9.0, -8.0, 7.0], tuber=[5.0, 0.0])
    title, alt = spread_finding(study)
    assert title == (
        "Stock to water surely lowers sodium in 2 of 3 recipes whose values are known (1 surely higher); "
        "tuber surely raises it in 1 of 2"
    )
    assert "Sodium: stock to water: median −8 mg" in alt
    assert "stock to water 2 of 3 (1 surely higher); tuber 0 of 2 (1 surely higher)" in recipes_finding(study, "NA")[0]
    note = plot_swap_spread(study).figure.get_supxlabel()
    assert "Box:" not in note
    assert "Box:" in plot_swap_spread(study_of(stock=[-float(n) for n in range(9)])).figure.get_supxlabel()


def test_few_that_lie_far_out_do_not_squeeze_an_axis() -> None:
    """One recipe of 60 is a hundred times as far out: the axis ends before it, and the note counts it."""
    chart = plot_swap_recipes(study_of(stock=[-1000.0, *(-float(n) / 6 for n in range(60))]))
    assert chart.figure.axes[0].get_xlim()[0] > -100
    assert "1 marks lie beyond an axis" not in chart.figure.get_supxlabel()
    assert "1 mark lies beyond an axis" in chart.figure.get_supxlabel()


def test_few_recipes_are_named_with_their_whole_intervals() -> None:
    """Up to twenty recipes of a swap have names and whole intervals; quartiles need five, and one is called one."""
    study = study_of(stock_to_water=[-9.0, 8.0, 90.0], tuber=[-5.0])
    chart = plot_swap_recipes(study)
    axes = chart.figure.axes[0]
    assert [text.get_text() for text in axes.texts] == ["Dish 0", "Dish 1", "Dish 2"]
    assert axes.get_xlim()[0] < -9.0 - 1.6
    assert axes.get_xlim()[1] > 90.0 + 1.6
    assert swap_summary_shown(study).data.count("too few") == 4
    one = spread_finding(study_of(tuber=[-5.0]))[0]
    assert one == "Tuber concerns one recipe whose values are known, and surely lowers sodium there"
    assert not plot_swap_recipes(study_of(tuber=[float(n) for n in range(21)])).figure.axes[0].texts


def test_an_unknown_measure_is_refused() -> None:
    """The measures there are are named."""
    with pytest.raises(SwaptableError, match="found measure 'K'; expected one of NA"):
        plot_swap_recipes(study_of(stock=[-1.0]), "K")


def test_a_study_of_an_unknown_rule_is_refused() -> None:
    """The rules there are are named."""
    with pytest.raises(SwaptableError, match=r"found swap 'stok to water'.*did you mean 'stock to water'"):
        study_swaps(rules=["stok to water"])


def test_a_change_of_any_module_makes_a_survey_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Modules lie in rooms; each of them counts."""
    module = tmp_path / "amounts" / "engine.py"
    module.parent.mkdir()
    monkeypatch.setattr(survey_run, "PACKAGE", tmp_path)
    module.write_text("a = 1\n", encoding="utf-8")
    before = survey_run._code_hash()
    module.write_text("a = 2\n", encoding="utf-8")
    assert survey_run._code_hash() != before


def test_what_could_not_be_computed_is_listed_without_formulas(tmp_path: Path) -> None:
    """The name of a stranger's file is no formula for a spreadsheet."""
    folder = tmp_path / "recipes"
    folder.mkdir()
    text = 'title: B\nservings: 1\ningredients: {a: {amount: 1 g, food: "sr28:99999"}}\n'
    (folder / "=1+1.yaml").write_text(text, encoding="utf-8")
    compute_survey(folder, tmp_path / "out", components=FEW, workers=0)
    assert "\n'=1+1," in (tmp_path / "out" / "not_computed.csv").read_text(encoding="utf-8")
