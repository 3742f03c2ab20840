"""Differences, effects of choices and the frontier, on numbers small enough to follow by hand.

Salt (SR28 02047) holds 38758 mg sodium in 100 g, water (14411) 4 mg; both no energy.
"""

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from swaptable.amounts.comparison import choice_effects, differences, frontier, unbeaten, variant_values

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
GRAM, KILO = 387.58, 40.0  # mg sodium in 1 g salt and in 1 kg water


def test_differences_are_from_the_recipe_as_written(computed):
    """Each variant less the first, per serving, and in percent of the first."""
    table = differences(computed(BRINE), ["NA"]).set_index("variant")
    written = (2 * GRAM + KILO) / 2
    assert table.loc["as written", "difference"] == 0
    assert table.loc["one gram", "difference"] == pytest.approx(-GRAM / 2)
    assert table.loc["one gram + water half", "difference"] == pytest.approx((-GRAM - KILO / 2) / 2)
    assert table.loc["salt none", "difference_percent"] == pytest.approx((KILO / 2 / written - 1) * 100)
    assert table["as_written"].to_numpy() == pytest.approx(written)


def test_difference_from_nothing_has_no_percentage(computed):
    """Water has no energy: there is nothing to be a percentage of."""
    table = differences(computed(BRINE), ["ENERC_KCAL"])
    assert table["difference_percent"].isna().all()


def test_effects_are_means_over_the_other_choices(computed):
    """An option's effect counts the combinations in which both it and the first option are allowed."""
    amounts = computed(BRINE)
    sodium = amounts.per("serving").sel(component="NA")
    table = choice_effects(sodium, amounts.grid).set_index("option")
    assert table.loc["one gram", "effect"] == pytest.approx(-GRAM / 2)
    assert table.loc["one gram", "combinations"] == 2
    assert table.loc["none", "combinations"] == 1  # not with half the water
    assert table.loc["none", "effect"] == pytest.approx(-GRAM)
    assert table.loc["half", "effect"] == pytest.approx(-KILO / 4)
    assert table.loc["half", "instead_of"] == "a kilo"


def test_effects_show_their_spread():
    """Where the effect depends on the other choice, least and most stand beside the mean."""
    values = xr.DataArray([[10.0, 20.0], [11.0, 26.0]], coords={"a": ["a1", "a2"], "b": ["b1", "b2"]}, dims=["a", "b"])

    class Two:
        choices = {"a": ("a1", "a2"), "b": ("b1", "b2")}  # noqa: RUF012

    row = choice_effects(values, Two()).set_index("option").loc["a2"]
    assert (row["least"], row["effect"], row["most"]) == (1.0, 3.5, 6.0)


def test_variant_values_leave_the_excluded_out(computed):
    """Five of six combinations are allowed."""
    amounts = computed(BRINE)
    values = variant_values(amounts.data["edible_g"], amounts.grid)
    assert list(values.index) == ["as written", "water half", "one gram", "one gram + water half", "salt none"]
    assert values["water half"] == pytest.approx(502)


@pytest.mark.parametrize(
    ("less", "more", "on"),
    [
        ([3, 1, 2], [5, 2, 1], [True, True, False]),
        ([1, 1], [2, 2], [True, True]),  # equal twins are both on it
        ([1, 1], [2, 3], [False, True]),
        ([1, np.nan], [2, 9], [True, False]),  # a gap is never best
        ([1, 2], [np.nan, 5], [False, True]),
    ],
)
def test_frontier(less, more, on):
    """A variant is on the frontier if none has as little and as much and betters it in one."""
    assert frontier(pd.Series(less, dtype=float), pd.Series(more, dtype=float)).tolist() == on


@given(st.lists(st.tuples(st.integers(0, 4), st.integers(0, 4)), max_size=30))
def test_the_frontier_of_two_measures_is_that_of_any_number(points):
    """A third measure in which all are alike changes nothing; two are found by a way of their own."""
    gains = np.array(points, dtype=float).reshape(-1, 2)
    assert unbeaten(gains).tolist() == unbeaten(np.column_stack([gains, np.zeros(len(gains))])).tolist()
