"""Effects, interactions and shares: by hand on a small grid, and adding up exactly on the demo."""

import numpy as np
import pytest

from swaptable.amounts.certainty import effect_errors
from swaptable.amounts.comparison import choice_effects
from swaptable.amounts.nutrients import ingredient_amounts
from swaptable.deciding.contrasts import (
    effect_table,
    explain,
    ingredient_shares,
    interaction_table,
    order_weights,
    swap_shares,
)
from swaptable.deciding.decide import decide_recipe
from swaptable.deciding.yardsticks import measure, yardstick_named
from swaptable.judging.study import compute_recipe

# Salt (SR28 02047) holds 387.58 mg sodium in 1 g, water (14411) 40 mg in 1 kg.
BRINE = """
title: Brine
servings: 2
ingredients:
  water: {amount: 1 kg, food: "sr28:14411"}
  salt: {amount: 2 g, food: "sr28:02047"}
choices:
  salt:
    two grams: as written
    one gram: {salt: {amount: 1 g}}
    none: {salt: {amount: 0}}
  water:
    a kilo: as written
    half: {water: {amount: 0.5 kg}}
not together: [{salt: none, water: half}]
"""
# Half the dish, or half of its salt: what both do is less than what each does.
LESS = """
title: Less
servings: 1
ingredients:
  salt: {amount: 4 g, food: "sr28:02047"}
  oil: {amount: 10 g, food: "sr28:04053"}
choices:
  salt: {"all": as written, "a half": {salt: {amount: 2 g}}}
  oil: {"some": as written, "more": {oil: {amount: 30 g}}}
"""


@pytest.fixture(scope="module")
def barley():
    """The barley pot of the demo."""
    return compute_recipe("barley_pot")


def sodium_of(amounts, basis="serving"):
    """Measure sodium."""
    return measure(yardstick_named("least sodium", amounts, basis), amounts)


def test_effects_are_those_of_the_study(barley):
    """Means over the other choices, with the standard errors that the study gives them."""
    table = effect_table(sodium_of(barley), barley.grid)
    expected = choice_effects(barley.per("serving").sel(component="NA"), barley.grid)
    assert np.allclose(table["effect"], expected["effect"])
    assert table["combinations"].tolist() == expected["combinations"].tolist()
    errors = effect_errors(barley, "NA")
    assert np.allclose(table["standard_error"], [errors[row.choice, row.option] for row in table.itertuples()])


def test_per_serving_nothing_interacts(computed):
    """Salt and water add: no interaction where both may be changed, none told where they may not."""
    amounts = computed(BRINE)
    table = interaction_table(sodium_of(amounts), amounts.grid).set_index("option")
    assert table.loc["one gram", "interaction"] == 0
    assert not table.loc["one gram", "real"]
    assert np.isnan(table.loc["none", "interaction"])
    assert table.loc["none", "combinations"] == 0


def test_interaction_by_hand(computed):
    """Per 100 kcal: 4 g salt in 88.4 kcal of oil, half the salt, three times the oil.

    Sodium s = 1550.32 mg, energy e = 88.4 kcal: (s/2)/(3e) − (s/2)/e − s/(3e) + s/e = s/e · (1/6 − 1/2 − 1/3 + 1).
    """
    amounts = computed(LESS)
    per = 4 * 387.58 / 88.4 * 100
    row = interaction_table(sodium_of(amounts, "100 kcal"), amounts.grid).iloc[0]
    assert row["interaction"] == pytest.approx(per * (1 / 6 - 1 / 2 - 1 / 3 + 1), rel=1e-6)
    swaps = swap_shares(sodium_of(amounts, "100 kcal"), amounts.grid, "a half + oil more").set_index("choice")
    # salt first: −1/2, then oil −1/3; oil first: −2/3, then salt −1/6; the mean of both orders
    assert swaps.loc["salt", "share"] == pytest.approx(per * -(1 / 2 + 1 / 6) / 2, rel=1e-6)
    assert swaps.loc["oil", "share"] == pytest.approx(per * -(1 / 3 + 2 / 3) / 2, rel=1e-6)


@pytest.mark.parametrize("words", ["least sodium", "nutrient density", "most vitamin c"])
@pytest.mark.parametrize("basis", ["serving", "100 g", "100 kcal"])
def test_shares_add_up(barley, words, basis):
    """Of swaps and of ingredients, for every variant, to the last digits."""
    one = yardstick_named(words, barley, basis)
    known = measure(one, barley)
    for place, label in list(enumerate(barley.grid.labels))[1::4]:
        whole = known.value[place] - known.value[0]
        assert swap_shares(known, barley.grid, label)["share"].sum() == pytest.approx(whole, rel=1e-9, abs=1e-9)
        assert ingredient_shares(one, barley, label)["share"].sum() == pytest.approx(whole, rel=1e-9, abs=1e-9)


def test_shares_of_ingredients_are_differences(barley):
    """Per serving an ingredient's share is what it brings more than in the recipe as written."""
    label = barley.grid.labels[-1]
    table = ingredient_amounts(barley, "NA")
    expected = table.loc[label] - table.iloc[0]
    expected = expected[expected.abs() > 1e-9]
    found = ingredient_shares(yardstick_named("least sodium", barley), barley, label).set_index("ingredient")["share"]
    assert found.to_dict() == pytest.approx(expected.to_dict())


def test_swaps_that_go_only_together_share_one_row(computed):
    """Neither change is allowed alone: the difference is theirs together."""
    text = LESS + "not together: [{salt: a half, oil: some}, {salt: all, oil: more}]\n"
    amounts = computed(text)
    table = swap_shares(sodium_of(amounts), amounts.grid, "a half + oil more")
    assert table["choice"].tolist() == ["all together"]
    assert table["share"].iloc[0] == pytest.approx(-2 * 387.58 + 20 * 0.02)  # the oil holds 2 mg in 100 g


def test_only_allowed_orders_count():
    """With the first mixture of the second change excluded, the first change always goes first."""
    weights = order_weights(np.array([True, True, False, True]))
    assert weights.tolist() == [[-1, 1, 0, 0], [0, -1, 0, 1]]
    assert order_weights(np.array([True, False, False, True])) is None


def test_whether_an_order_exists_is_asked_of_all_changes():
    """The second change first, then the first: one order is enough. The first alone, and then none: no order is."""
    assert order_weights(np.array([True, False, True, True])).tolist() == [[0, 0, -1, 1], [-1, 0, 1, 0]]
    first_alone_or_all_three = np.isin(np.arange(8), [0b000, 0b001, 0b111])
    assert order_weights(first_alone_or_all_three) is None


def test_weights_of_many_changes_are_those_of_shapley():
    """Of ten changes: (size)! (n − size − 1)! / n! for each mixture without the change; dummies get nothing."""
    weights = order_weights(np.ones(1 << 10, dtype=bool))
    assert weights[0, 1] == pytest.approx(1 / 10)  # to the empty mixture: 0! 9! / 10!
    assert weights[0, 0b111] == pytest.approx(2 * 5040 / 3628800)  # to a mixture of two: 2! 7! / 10!
    assert np.allclose(weights @ np.ones(1 << 10), 0)


def test_a_decision_is_explained():
    """Every measure has its tables, and the explained variant is never the recipe as written."""
    decision = decide_recipe("oat_pancakes", "blood_pressure", ["sodium <= 300 mg"], draws=50)
    explained = explain(decision)
    assert set(explained.effects["measure"]) == {"Nutrient density", "Sodium"}
    assert explained.label == decision.best["variant"]
    least = decide_recipe("barley_pot", "blood_pressure", ["sodium >= 900 mg"], "most sodium", draws=50)
    assert explain(least).label != "as written"
