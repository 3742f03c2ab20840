"""A day: what it adds up to, upper levels with supplements, and which recipe complements another."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from swaptable.amounts.nutrients import Amounts
from swaptable.basics.errors import InputError
from swaptable.basics.folders import DATA
from swaptable.judging.audiences import read_audience, read_day
from swaptable.judging.day import Day, add_up, complements, judge_day, read_plan
from swaptable.judging.study import compute_recipe
from swaptable.judging.targets import day_targets, find_aims

SALT = """title: Salt
servings: 1
ingredients:
  salt: {amount: 2 g, food: "sr28:02047"}
choices:
  salt:
    two grams: as written
    one gram: {salt: {amount: 1 g}}
    half a gram: {salt: {amount: 0.5 g}}
  water:
    without: as written
    with: {water: {amount: 10 g, food: "sr28:14411"}}
not together: [{salt: half a gram, water: with}]
"""
MILK = 'foods: [{food: "sr28:01079", amount: 100 g}]\n'


@pytest.fixture
def day(tmp_path: Path) -> Callable[[str], Day]:
    """Add up a day of one serving of salt and whatever else a test writes."""
    (tmp_path / "salt.yaml").write_text(SALT, encoding="utf-8")

    def made(rest: str, serving: str = "") -> Day:
        path = tmp_path / "day.yaml"
        served = f"servings: [{{recipe: {tmp_path / 'salt.yaml'}{serving}}}]\n"
        path.write_text(f"title: D\ngroup: women 51 to 70\n{served}{rest}", encoding="utf-8")
        return add_up(read_day(path))

    return made


def verdict(day: Day, component: str, kind: str) -> pd.Series:
    """Pick one row of a judged day."""
    table = judge_day(day)
    rows = table[(table["component"] == component) & (table["kind"] == kind)]
    assert len(rows) == 1
    return rows.iloc[0]


def test_servings_foods_and_supplements_add_up(day: Callable[..., Day]) -> None:
    """Three half servings of salt, 100 g of milk (120 mg calcium, SR28) and 500 mg from a tablet."""
    tablet = "supplements: [{component: calcium, amount: 500 mg}]\n"
    added = day(MILK + tablet, ", servings: 1.5, with: {salt: one gram}")
    assert len(added.parts) == 3
    calcium = added.totals.loc["CA"]
    milk = added.parts.iloc[1]
    assert added.totals.loc["NA", "food"] == pytest.approx(1.5 * 387.58 + milk["NA"])
    assert calcium["supplements"] == 500
    assert calcium["total"] == pytest.approx(calcium["food"] + 500)
    assert milk["CA"] == pytest.approx(120)


def test_options_pick_the_variant(day: Callable[..., Day]) -> None:
    """A plan may name another variant than the recipe as written."""
    assert day("").totals.loc["NA", "total"] == pytest.approx(775.16)
    assert day("", ", with: {salt: one gram}").totals.loc["NA", "total"] == pytest.approx(387.58)


def test_the_upper_level_of_calcium_counts_supplements(day: Callable[..., Day]) -> None:
    """Women of 51 to 70: 2,000 mg a day from all sources (IOM 2011)."""
    at = day(MILK + "supplements: [{component: calcium, amount: 1.8 g}]\n")
    assert verdict(at, "CA", "UL")["word"] == "met"
    over = verdict(day(MILK + "supplements: [{component: calcium, amount: 1.9 g}]\n"), "CA", "UL")
    assert (over["word"], over["operator"], over["day_value"]) == ("not met", "<=", 2000.0)
    assert over["left"] < 0


def test_some_upper_levels_apply_to_supplements_only(day: Callable[..., Day]) -> None:
    """Magnesium: 350 mg from supplements (IOM 1997), whatever food brings; exact, so at the limit it holds."""
    at = verdict(day("supplements: [{component: magnesium, amount: 350 mg}]\n"), "MG", "UL")
    assert (at["word"], at["counted"], at["amount"]) == ("met", "supplements only", 350.0)
    assert verdict(day("supplements: [{component: magnesium, amount: 351 mg}]\n"), "MG", "UL")["word"] == "not met"


def test_vitamin_d_may_be_stated_in_iu(day: Callable[..., Day]) -> None:
    """4,000 IU are 100 µg, the upper level (IOM 2011)."""
    assert day("supplements: [{component: vitamin D, amount: 4000 IU}]\n").totals.loc["VITD", "supplements"] == 100


def test_folic_acid_counts_towards_folate_and_its_own_upper_level(day: Callable[..., Day]) -> None:
    """1,000 µg of folic acid are 1,700 µg of equivalents with food (IOM 1998); the UL is 1,000 µg of folic acid."""
    added = day("supplements: [{component: FOLAC, amount: 1000 µg}]\n")
    assert added.totals.loc["FOLDFE", "supplements"] == pytest.approx(1700)
    assert verdict(added, "FOLDFE", "UL")["amount"] == pytest.approx(1000, abs=0.1)
    over = day("supplements: [{component: FOLAC, amount: 1100 µg}]\n")
    assert verdict(over, "FOLDFE", "UL")["word"] == "not met"


def test_a_supplement_of_vitamin_a_counts_as_preformed(day: Callable[..., Day]) -> None:
    """Nobody stated the form, so the one with an upper level is assumed: 3,000 µg of retinol (IOM 2001)."""
    added = day("supplements: [{component: vitamin a, amount: 3100 µg}]\n")
    row = verdict(added, "VITA_RAE", "UL")
    assert (row["applies_to"], row["word"]) == ("preformed", "not met")


def test_a_tablet_taken_twice_counts_twice(day: Callable[..., Day]) -> None:
    """Two tablets of 30 mg iron are 60 mg, over the upper level of 45 mg (IOM 2001)."""
    twice = day("supplements: [{component: iron, amount: 30 mg}, {component: iron, amount: 30 mg}]\n")
    assert twice.totals.loc["FE", "supplements"] == 60
    assert verdict(twice, "FE", "UL")["word"] == "not met"


def test_a_dose_over_its_upper_level_is_never_in_doubt(day: Callable[..., Day]) -> None:
    """Whatever is uncertain about the food, it cannot take anything off a tablet of 1,001 µg folic acid."""
    over = day(MILK + "supplements: [{component: folic acid, amount: 1001 µg}]\n")
    assert verdict(over, "FOLDFE", "UL")["word"] == "not met"


def test_sodium_has_no_least_amount(day: Callable[..., Day]) -> None:
    """The adequate intake of sodium is no aim: nobody is told to eat more salt."""
    judged = judge_day(day(""))
    assert set(judged.loc[judged["component"] == "NA", "kind"]) == {"CDRR"}


@pytest.mark.parametrize(
    ("component", "instead"),
    [("folate", "folic acid"), ("VITD_IU", "vitamin D"), ("niacin equivalents", "niacin"), ("salt", "sodium")],
)
def test_a_dose_is_stated_in_the_form_taken(day: Callable[..., Day], component: str, instead: str) -> None:
    """Another form would slip past the upper level that watches it."""
    with pytest.raises(InputError, match=f"found '{component}'; expected what was taken: {instead}"):
        day(f"supplements: [{{component: {component}, amount: 1 µg}}]\n")


def test_a_gap_makes_a_total_a_lower_bound(day: Callable[..., Day]) -> None:
    """SR28 has no sodium for this red wine: what is known stays below the CDRR, but nobody can tell what is eaten."""
    assert verdict(day(MILK), "NA", "CDRR")["word"] == "met"
    added = day('foods: [{food: "sr28:14097", amount: 100 g}]\n')
    assert not added.totals.loc["NA", "whole"]
    row = verdict(added, "NA", "CDRR")
    assert row["amount"] == pytest.approx(775.16)
    assert (row["word"], row["why"]) == ("cannot tell", "some values are missing")


def test_energy_shares_are_of_the_day(day: Callable[..., Day]) -> None:
    """Milk: 3.37 g protein, 5.2 g carbohydrate as in SR28, energy by 4, 9 and 4 kcal/g."""
    added = day(MILK)
    totals = added.totals["total"]
    energy = 4 * totals["PROCNT"] + 9 * totals["FAT"] + 4 * totals["CHOCDF"]
    row = verdict(added, "PROCNT", "AMDR_HIGH")
    assert row["amount"] == pytest.approx(100 * 4 * totals["PROCNT"] / energy)
    assert (row["unit"], row["operator"], row["day_value"]) == ("% of energy", "<=", 35.0)


@pytest.mark.parametrize(
    ("rest", "serving", "message"),
    [
        ("", ", with: {sallt: one gram}", "servings.0.with.sallt: found 'sallt'; expected a choice of"),
        ("", ", with: {salt: one pound}", "servings.0.with.salt: found 'one pound'; expected an option of salt"),
        ("", ", with: {salt: half a gram, water: with}", "servings.0.with: found options that are not together"),
        ('foods: [{food: "sr28:99999", amount: 1 g}]\n', "", "foods.0.food: found 'sr28:99999'"),
        ('foods: [{food: "sr28:01079", amount: 3 slices}]\n', "", "foods.0.amount: found"),
        ("supplements: [{component: vitamin q, amount: 1 mg}]\n", "", "supplements.0.component: found 'vitamin q'"),
        ("supplements: [{component: iron, amount: 1 IU}]\n", "", "supplements.0.amount: found '1 IU'"),
        ("supplements: [{component: vitamin A, amount: 1000 IU}]\n", "", "supplements.0.amount: found '1000 IU'"),
        ("supplements: [{component: vitamin D, amount: 10}]\n", "", "expected a number with g or mg or µg or IU"),
        ("supplements: [{component: calcium, amount: 1 tablet}]\n", "", "supplements.0.amount: found '1 tablet'"),
        ("supplements: [{component: energy, amount: 100 g}]\n", "", "found '100 g'; expected a number with kcal"),
        ('foods: [{food: "sr27:01079", amount: 1 g}]\n', "", "foods.0.food: found 'sr27:01079'"),
        ('foods: [{food: "sr28:01079", amount: 100}]\n', "", "foods.0.amount: found a number without a measure"),
    ],
    ids=["choice", "option", "together", "food", "portion", "component", "unit", "IU that depend on the form",
         "no unit", "tablets", "energy by weight", "release", "no measure"],
)  # fmt: skip
def test_wrong_plans_are_refused_at_their_place(day: Callable[..., Day], rest: str, serving: str, message: str) -> None:
    """What a plan names exists, or the error says where it is named and what there is."""
    with pytest.raises(InputError) as caught:
        day(rest, serving)
    assert message in str(caught.value)
    assert "day.yaml:" in str(caught.value)


def test_a_group_that_is_not_there(tmp_path: Path) -> None:
    """A plan is judged for somebody, of a group that there is."""
    path = tmp_path / "day.yaml"
    path.write_text("title: D\ngroup: man over 70\nservings: [{recipe: barley_pot}]\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"day.yaml:2:8: group: found group 'man over 70'.*'men over 70'"):
        add_up(read_day(path))


def test_a_recipe_that_is_not_there(tmp_path: Path) -> None:
    """The plan's own line is named, with the recipes there are."""
    path = tmp_path / "day.yaml"
    path.write_text("title: D\ngroup: men over 70\nservings: [{recipe: barley_pott}]\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"day.yaml:3:\d+: servings.0.recipe: found 'barley_pott'.*'barley_pot'"):
        add_up(read_day(path))


def test_a_recipe_with_a_mistake_of_its_own(tmp_path: Path) -> None:
    """The recipe's line is named, not the plan's."""
    recipe, path = tmp_path / "wrong.yaml", tmp_path / "day.yaml"
    recipe.write_text('title: R\nservings: 1\ningredients:\n  a: {amount: 1 g, food: "sr28:99999"}\n', encoding="utf-8")
    path.write_text(f"title: D\ngroup: men over 70\nservings: [{{recipe: {recipe}}}]\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"wrong.yaml:4:\d+: ingredients.a.food: found 'sr28:99999'"):
        add_up(read_day(path))


def test_the_demo_day_is_whole() -> None:
    """The plan that comes along adds up, and its supplement is counted."""
    added = add_up(read_plan("barley_pot_day"))
    assert added.totals.loc["VITD", "supplements"] == 10
    assert added.totals.loc["ENERC_KCAL", "total"] > 1000


def test_energy_is_shown_and_not_judged(day: Callable[..., Day]) -> None:
    """100 g of milk (SR28 01079) give 50 kcal; how much somebody needs is not in the table."""
    row = judge_day(day(MILK)).iloc[0]
    assert (row["component"], row["kind"], row["word"], row["why"]) == (
        "ENERC_KCAL",
        "",
        "",
        "not judged: needs differ",
    )
    assert row["amount"] == pytest.approx(50)
    assert pd.isna(row["verdict"])


def test_water_is_never_called_too_little(day: Callable[..., Day]) -> None:
    """What is drunk beside the plan is not known; enough of it is enough."""
    row = verdict(day(MILK), "WATER", "AI")
    assert (row["word"], row["why"]) == ("cannot tell", "what is drunk beside the plan is not known")
    enough = verdict(day('foods: [{food: "sr28:14411", amount: 3000 g}]\n'), "WATER", "AI")
    assert (enough["word"], enough["why"]) == ("met", "")


def test_the_demo_days_keep_below_the_limit_of_sodium() -> None:
    """Both are plans of a class about less salt."""
    for name in ("barley_pot_day", "white_bean_day"):
        assert verdict(add_up(read_plan(name)), "NA", "CDRR")["word"] == "met"


def test_complements_cover_what_is_left(computed: Callable[[str], Amounts]) -> None:
    """Pancakes with yogurt cover more of the calcium that a pot leaves open than the pot itself would."""
    names = ["barley_pot", "oat_pancakes"]
    recipes = {name: compute_recipe(name) for name in names}
    audience = find_aims(read_audience(DATA / "audiences" / "bone_health.yaml"), recipes["barley_pot"].units())
    targets = day_targets(audience, "US")
    table = complements(recipes["barley_pot"], recipes, targets)
    first = table[table["group"] == "women 51 to 70"]
    assert first["recipe"].tolist() == ["oat_pancakes", "barley_pot"]
    per = {name: amounts.per("serving").sel(amounts.grid.as_written) for name, amounts in recipes.items()}
    day_values = targets[targets["leads"] & (targets["group"] == "women 51 to 70") & (targets["role"] == "raise")]
    covers = [
        min(100.0, 100 * float(per["oat_pancakes"].sel(component=row.compared_with)) / left)
        for row in day_values.itertuples()
        if (left := row.day_value - float(per["barley_pot"].sel(component=row.compared_with))) > 0
    ]
    assert first["covers_percent"].iloc[0] == pytest.approx(np.mean(covers))


def test_a_complement_is_best_for_what_it_covers_most_of() -> None:
    """Of all that a pot leaves open the component is named of which the pancakes cover the largest part."""
    recipes = {name: compute_recipe(name) for name in ("barley_pot", "oat_pancakes")}
    audience = find_aims(read_audience(DATA / "audiences" / "bone_health.yaml"), recipes["barley_pot"].units())
    targets = day_targets(audience, "US")
    table = complements(recipes["barley_pot"], recipes, targets)
    found = table[(table["group"] == "women 51 to 70") & (table["recipe"] == "oat_pancakes")].iloc[0]
    pot, pancakes = (each.per("serving").sel(each.grid.as_written) for each in recipes.values())
    wanted = targets[targets["leads"] & (targets["group"] == "women 51 to 70") & (targets["role"] == "raise")]
    covers = {
        row.component: float(pancakes.sel(component=row.compared_with)) / left
        for row in wanted.itertuples()
        if (left := row.day_value - float(pot.sel(component=row.compared_with))) > 0
    }
    assert found["best_for"] == max(covers, key=lambda component: covers[component])
