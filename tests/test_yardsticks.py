"""Yardsticks: values and errors agree with the amounts' own, and draws agree with the formula."""

import numpy as np
import pytest

from swaptable.amounts.certainty import certainty_of, index_certainty
from swaptable.amounts.cost import cost_table, read_prices
from swaptable.amounts.nutrients import ingredient_amounts
from swaptable.basics.errors import SwaptableError
from swaptable.basics.folders import find_file
from swaptable.deciding.yardsticks import COST, drawn, line_amounts, measure, with_cost, yardstick_named
from swaptable.judging.density import index_components, nutrient_rich_foods_index
from swaptable.judging.study import compute_recipe

POT = """
title: Pot
servings: 2
ingredients:
  carrot: {amount: 200 g, food: "sr28:11124", cook: boiled, liquid: discarded}
  turnip: {amount: 100 g, food: "sr28:11564", cook: boiled, liquid: discarded}
  salt: {amount: 1 tsp, food: "sr28:02047"}
choices:
  salt:
    a spoon: as written
    half: {salt: {amount: 1/2 tsp}}
    none: {salt: {amount: 0}}
  root:
    turnip: as written
    beet: {turnip: {food: "sr28:11080"}}
not together: [{salt: none, root: beet}]
"""


@pytest.fixture(scope="module")
def barley():
    """The barley pot of the demo, whose dish is weighed."""
    return compute_recipe("barley_pot")


@pytest.mark.parametrize("basis", ["batch", "serving", "100 g", "100 kcal"])
@pytest.mark.parametrize("words", ["least sodium", "most vitamin c"])
@pytest.mark.parametrize("weighed", [True, False])
def test_errors_are_those_of_the_amounts(computed, barley, words, basis, weighed):
    """Of values and of differences, on every basis, for a weighed dish and for estimated weights."""
    amounts = barley if weighed else computed(POT)
    one = yardstick_named(words, amounts, basis)
    known, expected = measure(one, amounts), certainty_of(amounts, basis)
    listed = amounts.grid.listed
    assert np.allclose(known.value, listed(expected.amount.sel(component=one.tag)))
    assert np.allclose(known.error, listed(expected.error.sel(component=one.tag)))
    apart = listed(expected.difference_error.sel(component=one.tag))
    assert np.allclose(known.difference_errors([0])[:, 0], apart, rtol=1e-5, atol=1e-5 * known.error.max())


def test_error_of_density_is_that_of_the_index(barley):
    """The index 9.3 has the error that the study gives it."""
    known = measure(yardstick_named("nutrient density", barley), barley)
    expected = index_certainty(barley, nutrient_rich_foods_index, index_components())
    assert np.allclose(known.error, barley.grid.listed(expected.error))


@pytest.mark.parametrize(
    ("words", "more"),
    [("least potassium", False), ("lowest potassium", False), ("most sodium", True), ("Highest sodium", True)],
)
def test_the_word_before_a_component_says_which_way_is_better(computed, words, more):
    """Said in so many words it counts, whatever is usually wanted of the component."""
    amounts = computed(POT)
    assert yardstick_named(words, amounts).more is more


def test_draws_agree_with_the_formula(computed):
    """20,000 draws: the probability that one variant has less sodium than another is that of the normal difference.

    A turnip against a beet: what carrots and salt share cancels. Chance allows 3 % of a spread from 20,000 draws.
    """
    amounts = computed(POT)
    known = measure(yardstick_named("least sodium", amounts), amounts)
    values = np.hstack([draw for (draw,) in drawn([known], 20_000, 3)])
    assert np.allclose(values.std(axis=1), known.error, rtol=0.03)
    first, second = (amounts.grid.labels.index(label) for label in ("as written", "root beet"))
    error = known.difference_errors([first])[second, 0]
    assert (values[second] - values[first]).std() == pytest.approx(error, rel=0.03)
    again = np.hstack([draw for (draw,) in drawn([known], 20_000, 3)])
    assert (values == again).all()


def test_what_two_yardsticks_share_is_drawn_once(computed):
    """Sodium per batch and per serving move together to the last digit."""
    amounts = computed(POT)
    both = [measure(yardstick_named("least sodium", amounts, basis), amounts) for basis in ("batch", "serving")]
    for batch, serving in drawn(both, 100, 1):
        assert np.allclose(batch / 2, serving)


def test_cost_is_the_price_of_what_is_bought(barley):
    """Cost agrees with the table of costs, ingredient by ingredient, and a price that is missing is missing."""
    prices = read_prices(find_file("prices", ".", ".csv"))
    amounts = with_cost(barley, prices)
    known = measure(yardstick_named("cost", amounts), amounts)
    expected = cost_table(barley.grid, prices)["cost_per_serving"].to_numpy()
    assert np.allclose(known.value, expected)
    assert (known.error == 0).all()
    del prices["sr28:11507"]  # sweet potato
    lacking = with_cost(barley, prices)
    known = measure(yardstick_named("cost", lacking), lacking)
    sweet = np.array(["sweet potato" in label for label in barley.grid.labels])
    assert (np.isnan(known.value) == sweet).all()
    assert (known.whole == ~sweet).all()


def test_line_amounts_are_those_of_the_ingredients(barley):
    """What each ingredient brings adds up to what the ingredients' table says."""
    grid, label = barley.grid, barley.grid.labels[-1]
    variant = grid.variants()[-1]
    table = ingredient_amounts(barley, "K").loc[label] * barley.recipe.servings
    for name, brought in line_amounts(barley, ["K"]).items():
        at = {choice: variant[choice] for choice in grid.own_choices(name)}
        assert float(brought.sel({**at, "component": "K"})) == pytest.approx(table[name]), name


def test_a_gap_is_never_a_gain(computed):
    """Sugars of millet are missing: a lower bound of what is to be kept down is not compared."""
    amounts = computed('title: M\nservings: 1\ningredients: {m: {amount: 100 g, food: "sr28:20031"}}\n')
    assert np.isnan(measure(yardstick_named("least sugars", amounts), amounts).gain).all()


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("sodum", "did you mean 'sodium'"),
        ("cost", "without prices"),
        ("zinc", "say least or most"),
    ],
)
def test_unknown_words(barley, words, message):
    """A word that is not known, a cost without prices and an unknown direction are one sentence each."""
    with pytest.raises(SwaptableError, match=message):
        yardstick_named(words, barley)
    assert COST == "cost"
