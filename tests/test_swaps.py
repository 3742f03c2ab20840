"""Swaps: the screening equals the pipeline, and the table equals a recipe file with the swap as an option."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from swaptable.amounts.certainty import certainty_of
from swaptable.amounts.nutrients import Amounts, line_values
from swaptable.amounts.recipes import AS_WRITTEN
from swaptable.basics.errors import InputError, SwaptableError
from swaptable.basics.folders import DATA
from swaptable.cli import main
from swaptable.deciding.swap_screen import Aim, fit_cooking, progress, screened_values
from swaptable.deciding.swap_words import SWAP
from swaptable.deciding.swaps import Swaps, find_swaps
from swaptable.foods.release import FoodRelease
from swaptable.judging.study import compute_recipe
from swaptable.reporting.swap_report import plot_swaps, swaps_shown

STEW = """
title: Stew
servings: 2
ingredients:
  tuber: {amount: 300 g, food: "sr28:11352", cook: simmered, liquid: kept}
  water: {amount: 500 ml, food: "sr28:14411"}
  salt: {amount: 4 g, food: "sr28:02047"}
"""


@pytest.fixture(scope="module")
def tubers() -> Swaps:
    """Swaps for the potato of the barley pot."""
    return find_swaps("barley_pot", "tuber", "blood_pressure", most=4, prices="prices")


def with_options(path: Path, text: str, swaps: Swaps) -> Amounts:
    """Write the offered lines into a recipe and compute it."""
    lines = "".join(f"    {line}\n" for line in swaps.table["yaml"])
    choice = swaps.paste_under.split("→")[1].split(",")[0].strip()
    if f"\n  {choice}:\n    " in text:  # after the first option
        head, _, rest = text.partition(f"choices:\n  {choice}:\n")
        first, _, rest = rest.partition("\n")
        text = f"{head}choices:\n  {choice}:\n{first}\n{lines}{rest}"
    else:
        text += f"\nchoices:\n  {choice}:\n    first: {AS_WRITTEN}\n{lines}"
    path.write_text(text, encoding="utf-8")
    return compute_recipe(path)


def test_table_equals_a_recipe_with_the_option(tubers: Swaps, tmp_path: Path):
    """Amounts, differences and their errors are those of the recipe file with the pasted options, to the digit."""
    text = (DATA / "recipes" / "barley_pot.yaml").read_text(encoding="utf-8")
    amounts = with_options(tmp_path / "pot.yaml", text, tubers)
    known = certainty_of(amounts)
    for row in tubers.effects.itertuples():
        variant = amounts.grid.as_written | {"tuber": row.option}
        at = variant | {"component": row.component}
        assert float(amounts.per("serving").sel(at)) == pytest.approx(row.amount, rel=1e-9, nan_ok=True)
        assert float(known.difference.sel(at)) == pytest.approx(row.difference, rel=1e-9, abs=1e-12, nan_ok=True)
        error = float(known.difference_error.sel(at))
        assert error == pytest.approx(row.standard_error, rel=1e-9, abs=1e-12, nan_ok=True)


@pytest.mark.parametrize("same", ["weight", "energy", "carbohydrate"])
def test_a_new_choice_for_another_basis(tmp_path: Path, same: str):
    """Kept equal by energy or a component, the option says so and computes to the same."""
    (tmp_path / "stew.yaml").write_text(STEW, encoding="utf-8")
    swaps = find_swaps(tmp_path / "stew.yaml", "tuber", "bone_health", most=3, same=same)
    amounts = with_options(tmp_path / "more.yaml", STEW, swaps)
    for row in swaps.effects[swaps.effects["component"] == "K"].itertuples():
        found = float(amounts.per("serving").sel({"tuber": row.option, "component": "K"}))
        assert found == pytest.approx(row.amount, rel=1e-9)
    if same == "energy":
        kcal = swaps.effects[swaps.effects["component"] == "ENERC_KCAL"]
        assert np.allclose(kcal["difference"], 0, atol=0.5)  # cooked the same, so the same but for alcohol: none


def test_screening_equals_the_pipeline(tubers: Swaps, sr28: FoodRelease):
    """What is worked out for many foods at once is what the pipeline works out for one."""
    for lines in tubers.amounts.grid.lines["tuber"].values():
        raw = sr28.matrix[[sr28.foods.index.get_loc(lines.food.code)]]
        shares = lines.cooking.factor_for(sr28.components.index)[None, :]
        found = screened_values(raw, shares, sr28).iloc[0]
        exact = line_values(lines, sr28)
        np.testing.assert_allclose(found[exact.index].drop("ENERC_KJ"), exact.drop("ENERC_KJ"), rtol=1e-12)


def test_screened_sodium_equals_the_table(tubers: Swaps):
    """The one line's arithmetic gives the difference of the whole recipe."""
    screened = tubers.screened.set_index("food")["sodium_difference_mg"]
    for row in tubers.table.itertuples():
        assert screened[row.food] == pytest.approx(row.sodium_difference_mg, abs=1e-9)


def test_only_raw_foods_for_what_the_recipe_cooks(tubers: Swaps):
    """A cooked or canned potato is never offered for one that the recipe simmers, and each refusal says why."""
    screened = tubers.screened
    assert "data are for the cooked food" in set(screened["why_not"])
    assert not screened.loc[screened["why_not"] == "", "description"].str.contains("boiled|canned").any()


def test_canned_stays_canned_and_drained_is_not_drained_twice():
    """For beans of the can, drained: only cans of solids and liquid together."""
    swaps = find_swaps("white_bean_bowl", "beans", "blood_pressure", most=2)
    fits = swaps.screened[swaps.screened["why_not"] == ""]["description"]
    assert fits.str.contains("canned").all()
    assert not fits.str.contains("drained").any()


def test_an_option_that_the_recipe_has_already_is_marked():
    """Sweet potato is the recipe's own option of the tuber."""
    swaps = find_swaps("barley_pot", "tuber", "blood_pressure", most=12)
    marked = swaps.table.set_index("food")["already"]
    assert marked["sr28:11507"] == "tuber → sweet potato"
    assert (marked.drop("sr28:11507") == "").all()
    assert swaps.paste_under == "choices → tuber"


def test_a_concern_of_the_class_comes_last_and_is_named():
    """A stock low in sodium may be made with potassium salts: the class is told, however low it is."""
    swaps = find_swaps("barley_pot", "liquid", "blood_pressure", most=10)
    worse = swaps.table["worsens"] != ""
    concerned = swaps.table.loc[~worse, "concerns_of_class"] != ""
    assert concerned.any()
    assert concerned.is_monotonic_increasing
    assert set(swaps.cautions["option"]) <= set(swaps.table["option"])


def test_what_surely_worsens_an_aim_comes_last(tubers: Swaps):
    """A canned broth saltier than the one in the pot stands behind one low in sodium that needs a word first."""
    table = find_swaps("barley_pot", "liquid", "blood_pressure", most=10).table
    assert table.loc[table["worsens"] != "", "food"].tolist() == ["sr28:06008"]
    assert table["worsens"].iloc[-1] == "sodium"
    assert (tubers.table["worsens"] == "").all()


def test_a_swap_that_worsens_an_aim_is_never_praised(tubers: Swaps):
    """Where even the best raises what is to be kept down, the headline says that and nothing else."""
    worse = replace(tubers, table=tubers.table.assign(worsens="sodium"))
    assert plot_swaps(worse).title == "Every swap for potatoes, flesh and skin surely raises sodium"


def test_a_pot_without_meat_is_told_when_it_gets_some():
    """Broths of meat and fish end what vegetarians can eat; water does not, nor fish for fish."""
    table = find_swaps("barley_pot", "liquid", "blood_pressure", most=10).table.set_index("food")
    assert table["no_longer_vegetarian"].drop("sr28:14429").all()
    assert not table.at["sr28:14429", "no_longer_vegetarian"]
    assert not find_swaps("sardine_traybake", "fish", most=3).table["no_longer_vegetarian"].any()


def test_a_food_just_like_an_option_is_already_a_choice():
    """Municipal water is the tap water that the pot offers, under another code."""
    swaps = find_swaps("barley_pot", "liquid", "blood_pressure", most=10)
    assert swaps.table.set_index("food")["already"]["sr28:14429"] == "liquid → water"
    assert (swaps.table.set_index("food")["already"].drop("sr28:14429") == "").all()
    assert "already a choice (liquid → water)" in swaps_shown(swaps).data


def test_the_headline_names_no_trifle():
    """What is below 5 % of a daily value is left out of the headline; what fits and what is shown are both counted."""
    swaps = find_swaps("barley_pot", "liquid", "blood_pressure", most=10)
    told = plot_swaps(swaps).title
    assert told.endswith("(already a choice) does most in place of vegetable broth: sodium −684 mg")
    assert "15 fit the recipe, 6 shown: alike ones are counted as one" in swaps_shown(swaps).data


def test_what_the_care_team_sets_is_told_unjudged():
    """A stock richer in potassium must say so to a class with kidney disease, which no limit judges."""
    swaps = find_swaps("barley_pot", "liquid", "kidney_disease", most=10)
    assert "which one suits whom is for the care team to say" in swaps_shown(swaps).data
    assert "does most" not in swaps_shown(swaps).data
    table = swaps.table.set_index("food")
    told = table.loc["sr28:06172", "trade_off"]
    assert "for the care team: " in told
    assert "potassium +201 mg" in told
    assert "potassium" not in table.loc["sr28:06172", "reason"]


def test_calcium_gained_says_how_much_is_absorbed():
    """Leaves rich in oxalate hold calcium that hardly counts: what is published is told, else that nobody knows."""
    table = find_swaps("white_bean_bowl", "greens", "bone_health", most=10).table.set_index("food")
    assert "calcium +109 mg" in table.loc["sr28:11244", "reason"]  # lambsquarters
    assert "calcium is absorbed" in table.loc["sr28:11244", "not_known"]
    assert "calcium" not in table.loc["sr28:11622", "not_known"]  # no calcium gained
    lettuce = find_swaps("white_bean_bowl", "onion", "bone_health", most=10, wide=True).table
    known = lettuce["reason"].str.contains("% of its calcium is absorbed")
    assert not (known & lettuce["not_known"].str.contains("calcium is absorbed")).any()


def test_allergens_that_a_swap_brings():
    """Bulgur brings wheat into a pot of barley; fish broth brings fish."""
    grains = find_swaps("barley_pot", "barley", "general_adults", most=30).table.set_index("food")
    assert "wheat" in grains.loc["sr28:20012", "adds_allergens"]
    liquids = find_swaps("barley_pot", "liquid", "general_adults", most=10).table.set_index("food")
    assert "fish" in liquids.loc["sr28:06963", "adds_allergens"]


def test_order_counts_only_real_progress(tubers: Swaps):
    """The score is the mean over the aims of what each real difference brings, in percent of the aim."""
    assert tubers.table["score"].is_monotonic_decreasing
    unreal = tubers.table["score"] == 0
    rows = tubers.effects[tubers.effects["option"].isin(tubers.table.loc[unreal, "option"])]
    assert not (rows["real"] & (rows["role"] == "raise") & (rows["difference"] > 0)).any()


def test_progress_stops_at_the_aim():
    """From 80 to 120 of an aim of 100 is 20 %; 80 to 60 of a limit of 100 is 20 % for the better."""
    raised = Aim("K", ("K",), True, 100.0)
    assert progress(80.0, np.array([120.0, 90.0, 70.0]), raised).tolist() == pytest.approx([20.0, 10.0, -10.0])
    assert progress(120.0, np.array([150.0, 110.0]), raised).tolist() == pytest.approx([0.0, 0.0])
    assert progress(80.0, np.array([60.0]), Aim("NA", ("NA",), False, 100.0)).tolist() == pytest.approx([20.0])


def test_words_that_do_not_fit_another_food_are_changed_or_the_reason_is_given(sr28: FoodRelease):
    """A detail, salted water or drippings of the old food are left out; what cannot be cooked so says why."""
    kale = sr28.food("11233")
    cooking, changes, why = fit_cooking(kale, sr28, "boiled", {"liquid": 0.0, "detail": "cooked 45-75 min"})
    assert (cooking is not None, changes, why) == (True, {"detail": ""}, "")
    barley = sr28.food("20005")
    cooking, changes, _ = fit_cooking(barley, sr28, "boiled", {"liquid": 0.0, "salted_water": 7.0})
    assert cooking is not None
    assert changes == {"salted water": "0 g/l"}
    none, _, why = fit_cooking(sr28.food("20006"), sr28, "boiled", {"liquid": 1.0})  # barley, cooked
    assert none is None
    assert "its losses would count twice" in why


def test_nothing_fits(tmp_path: Path):
    """A potato has no vitamin D to keep equal: the table is empty, every food says why, and the page stands."""
    (tmp_path / "stew.yaml").write_text(STEW, encoding="utf-8")
    swaps = find_swaps(tmp_path / "stew.yaml", "tuber", same="VITD", most=3)
    assert swaps.table.empty
    assert swaps.fitting == 0
    assert swaps.screened["why_not"].str.contains("found 'VITD', of which 'Potatoes").any()
    assert "No food of the table plays the part of" in swaps_shown(swaps).data
    assert plot_swaps(swaps).title.startswith("No food of the table")


def test_wide_looks_at_the_whole_role(tubers: Swaps):
    """All families of the role: winter squash beside the tubers."""
    wide = find_swaps("barley_pot", "tuber", "blood_pressure", most=3, wide=True)
    assert set(wide.screened["family"]) == {"starchy tubers", "starchy vegetables"}
    assert len(wide.screened) > len(tubers.screened)


def test_costs_are_compared_where_priced(tubers: Swaps):
    """A food without a price has no cost, never a cost of 0."""
    table = tubers.table.set_index("food")
    assert np.isnan(table.loc["sr28:11601", "cost_difference"])


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"ingredient": "tubr"}, "found ingredient 'tubr'; expected one of oil, onion"),
        ({"same": "wieght"}, "found 'wieght'"),
        ({"most": 0}, "found most 0; expected 1 to 100"),
        ({"regime": "EU"}, "'EU'"),
        ({"gaps": "closed"}, "found gaps 'closed'"),
    ],
)
def test_wrong_words(arguments: dict, message: str):
    """One sentence that says what was found and what is allowed."""
    with pytest.raises(SwaptableError, match=message):
        find_swaps(**({"recipe": "barley_pot", "ingredient": "tuber"} | arguments))


def test_a_food_without_a_family(tmp_path: Path):
    """A dish has no family: the error stands at its food and names the table."""
    text = STEW.replace('"sr28:11352", cook: simmered, liquid: kept', '"sr28:22247"')
    (tmp_path / "stew.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="has no culinary family") as caught:
        find_swaps(tmp_path / "stew.yaml", "tuber")
    assert (caught.value.line, caught.value.field) == (5, "ingredients.tuber.food")


def test_options_are_of_one_choice(tubers: Swaps):
    """Every row of the table is an option of the computed choice."""
    assert set(tubers.table["option"]) <= set(tubers.amounts.grid.choices[SWAP])


def test_command(capsys):
    """The command prints the table and says where an option goes."""
    assert main(["swaps", "barley_pot", "tuber", "--most", "1", "--format", "json"]) == 0
    printed = capsys.readouterr()
    assert len(json.loads(printed.out)) == 1
    assert "paste yaml under choices → tuber" in printed.err
