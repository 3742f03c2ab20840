"""One wrong thing at a time, and other bases: by hand and against a recipe that is really written so."""

import numpy as np
import pytest

from swaptable.deciding.decide import decide_recipe
from swaptable.deciding.sensitivity import BASES_COMPARED, compare_bases, wrong_one_by_one

POT = """
title: Pot
servings: 2
ingredients:
  carrot: {amount: 200 g, food: "sr28:11124", cook: boiled, liquid: discarded}
  salt: {amount: 5 g, food: "sr28:02047"}
choices:
  salt:
    five grams: as written
    none: {salt: {amount: 0}}
  root:
    carrot: as written
    turnip: {carrot: {food: "sr28:11564"}}
"""


def decide(tmp_path, text, constraints=(), objective="nutrient density", **options):
    """Decide on a recipe written in a test."""
    path = tmp_path / "recipe.yaml"
    path.write_text(text, encoding="utf-8")
    return decide_recipe(path, "general_adults", constraints, objective, draws=50, **options)


def test_a_wrong_weight_is_a_recipe_with_that_weight(tmp_path):
    """20 % more carrot, and its density, as if the recipe said 240 g."""
    before = decide(tmp_path, POT)
    table = wrong_one_by_one(before)
    after = decide(tmp_path, POT.replace("200 g", "240 g"))
    for measure, column in (("Sodium", "sodium_mg_per_serving"), ("Nutrient density", before.objective.column)):
        row = table[
            (table["kind"] == "weight") & (table["ingredient"] == "carrot") & (table["what"] == "20 % more")
            & (table["measure"] == measure) & table["food"].str.startswith("Carrots")
        ].iloc[0]  # fmt: skip
        apart = [each.ranking.set_index("variant").at["as written", column] for each in (before, after)]
        assert row["as_written_change"] == pytest.approx(apart[1] - apart[0], rel=1e-6)


def test_salt_by_hand(tmp_path):
    """A fifth less of 5 g salt in two servings: 0.2 × 5 × 387.58 / 2 mg less sodium."""
    table = wrong_one_by_one(decide(tmp_path, POT))
    row = table[(table["ingredient"] == "salt") & (table["what"] == "20 % less") & (table["measure"] == "Sodium")]
    assert row[row["kind"] == "weight"]["as_written_change"].iloc[0] == pytest.approx(-0.2 * 5 * 387.58 / 2)


def test_a_wrong_yield_changes_nothing_per_serving(tmp_path):
    """It changes what 100 g of the dish hold, not what is in a serving."""
    table = wrong_one_by_one(decide(tmp_path, POT, objective="least sodium", basis="100 g"))
    of_yield = table[table["kind"] == "yield"]
    assert (of_yield[of_yield["basis"] == "per serving"]["as_written_change"] == 0).all()
    carrot = of_yield[(of_yield["basis"] == "per 100 g") & (of_yield["ingredient"] == "carrot")]
    assert (carrot["as_written_change"] != 0).any()


def test_a_wrong_match_is_the_next_similar_food(tmp_path):
    """Raw carrots are next to other raw carrots, of the same group."""
    table = wrong_one_by_one(decide(tmp_path, POT))
    row = table[(table["kind"] == "match") & table["food"].str.startswith("Carrots, raw")].iloc[0]
    assert row["what"].startswith("Carrots, ")
    assert row["what"] != row["food"]


def test_verdicts_and_first_places_that_turn_are_told(tmp_path):
    """A limit just above what the best variant has is no longer kept with a fifth more carrot."""
    calm = decide(tmp_path, POT, objective="least sodium")
    value, high = calm.best["sodium_mg_per_serving"], calm.best["high_90"]
    decision = decide(tmp_path, POT, [f"sodium <= {high + 0.1 * (high - value):.3f} mg"], "least sodium")
    assert decision.best["wants"] == "met"
    table = wrong_one_by_one(decision)
    turned = table[table["verdicts_then"] != ""]
    assert set(turned["ingredient"]) == {"carrot"}
    assert (turned["verdicts_then"].str.endswith("cannot tell") | turned["verdicts_then"].str.endswith("not met")).all()


def test_equal_weight_is_the_order_per_100_g(tmp_path):
    """Servings of equal weight stand as per 100 g, of equal energy as per 100 kcal; as written is as it was."""
    decision = decide(tmp_path, POT, objective="least sodium")
    table = compare_bases(decision)
    assert list(dict.fromkeys(table["basis"])) == list(BASES_COMPARED)
    sodium = decision.amounts.grid.listed
    for basis, per in (("servings of equal weight", "100 g"), ("servings of equal energy", "100 kcal")):
        rows = table[table["basis"] == basis]
        values = sodium(decision.amounts.per(per).sel(component="NA"))
        assert rows["rank"].tolist() == (np.argsort(np.argsort(values)) + 1).tolist()
        first = decision.ranking.set_index("variant").at["as written", "sodium_mg_per_serving"]
        assert rows["objective"].iloc[0] == pytest.approx(first)


def test_wants_are_judged_on_every_basis(tmp_path):
    """5 g salt in two servings are 969 mg sodium each: over 500 mg, and also on servings of another size."""
    decision = decide(tmp_path, POT, ["sodium <= 500 mg"], objective="most potassium")
    table = compare_bases(decision).set_index(["basis", "variant"])
    for basis in BASES_COMPARED:
        assert table.loc[(basis, "as written"), ["wants", "verdicts"]].tolist() == [
            "not met", "sodium <= 500 mg: not met",
        ]  # fmt: skip
        assert table.loc[(basis, "salt none"), "wants"] == "met"
    assert set(compare_bases(decide(tmp_path, POT, objective="most potassium"))["wants"]) == {""}


def test_swaps_at_equal_energy(tmp_path):
    """Turnip (28 kcal) for carrot (41 kcal) at equal energy: 200 × 41 / 28 g of it."""
    decision = decide(tmp_path, POT.replace("cook: boiled, liquid: discarded", ""), objective="least sodium")
    table = compare_bases(decision).set_index(["basis", "variant"])["objective"]
    turnip = 67.0 / 100 / 2  # mg sodium in a gram, a serving of two
    assert table["swaps at equal weight", "salt none + turnip"] == pytest.approx(200 * turnip)
    assert table["swaps at equal energy", "salt none + turnip"] == pytest.approx(200 * 41 / 28 * turnip)


def test_a_swap_that_cannot_be_equal_is_told():
    """Water has no energy: the swap stays as the recipe has it, and a note says so."""
    table = compare_bases(decide_recipe("barley_pot", "blood_pressure", draws=50))
    notes = table.groupby("basis", sort=False)["note"].first()
    assert notes["swaps at equal energy"] == "water cannot be of equal energy and was kept by volume."
    assert notes["swaps at equal volume"] == ""
