"""Percent daily values and the regimes' words."""

import numpy as np
import pytest

from swaptable.basics.errors import SwaptableError
from swaptable.judging.daily_values import (
    daily_value_for,
    daily_value_word,
    percent_daily_value,
    percent_text,
    word_limits,
)

MILK = 'title: Milk\nservings: 2\ningredients: {milk: {amount: 488 g, food: "sr28:01079"}}\n'


@pytest.mark.outside
@pytest.mark.parametrize(
    ("component", "value", "unit"),
    [
        ("NA", 2300, "mg"),
        ("K", 4700, "mg"),
        ("CA", 1300, "mg"),
        ("FIBTG", 28, "g"),
        ("VITD", 20, "µg"),
        ("FASAT", 20, "g"),
    ],
)
def test_us_daily_values(component, value, unit):
    """21 CFR 101.9(c)(8)(iv) and (c)(9), as amended 2016."""
    row = daily_value_for("US").loc[component]
    assert (row["value"], row["unit"]) == (value, unit)


@pytest.mark.outside
@pytest.mark.parametrize(("component", "value"), [("NA", 2300), ("K", 3400), ("CA", 1300)])
def test_canadian_daily_values(component, value):
    """Health Canada, Table of Daily Values; potassium as amended in 2022, the others as cited elsewhere."""
    assert daily_value_for("CA").loc[component, "value"] == value


@pytest.mark.outside
@pytest.mark.parametrize(
    ("regime", "percent", "word"),
    [
        ("US", 5.0, "low"), ("US", 5.001, "between"), ("US", 19.99, "between"), ("US", 20.0, "high"),
        ("CA", 5.0, "a little"), ("CA", 14.99, "between"), ("CA", 15.0, "a lot"), ("CA", np.nan, "not known"),
    ],
)  # fmt: skip
def test_words_for_a_little_and_a_lot(regime, percent, word):
    """US Food and Drug Administration (5 and 20 %) and Health Canada (5 and 15 %), consumer guidance."""
    assert daily_value_word(percent, regime) == word


def test_percent_is_of_the_serving_and_not_rounded(computed):
    """A serving of 244 g milk (SR28 01079: sodium 47, calcium 120 mg in 100 g) against 2300 and 1300 mg."""
    percent = percent_daily_value(computed(MILK), "US")
    assert float(percent.sel(component="NA")) == pytest.approx(100 * 2.44 * 47 / 2300, rel=1e-12)
    assert float(percent.sel(component="CA")) == pytest.approx(100 * 2.44 * 120 / 1300, rel=1e-12)


def test_units_of_the_daily_value_are_converted(computed):
    """Copper's daily value is 0.9 mg, and SR28 gives milligrams: 0.006 mg in 100 g milk."""
    percent = percent_daily_value(computed(MILK), "US")
    assert float(percent.sel(component="CU")) == pytest.approx(100 * 2.44 * 0.006 / 0.9)


def test_canadian_fat_is_saturated_and_trans_together(computed):
    """One daily value of 20 g for the sum; milk (01079): 1.257 g saturated, 0.085 g trans in 100 g."""
    percent = percent_daily_value(computed(MILK), "CA")
    assert float(percent.sel(component="FASAT+FATRN")) == pytest.approx(100 * 2.44 * (1.257 + 0.085) / 20)


@pytest.mark.parametrize(
    ("percent", "printed"),
    [(19.6, "19.6"), (20.0, "20"), (19.96, "19.96"), (20.4, "20.4"), (12.6, "13"), (4.9, "4.9"), (np.nan, "nan")],
)
def test_a_percentage_is_not_rounded_onto_a_limit(percent, printed):
    """20 without the mark for a lot, beside 20 with it, would be a riddle."""
    assert percent_text(percent, (5, 20)) == printed


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: word_limits("UK"), "found regime 'UK'; expected one of US, CA"),
        (lambda: daily_value_for("us"), "found regime 'us'; expected one of US, CA; did you mean 'US'"),
    ],
)
def test_unknown_regime(call, message):
    """An unknown regime is named with those there are."""
    with pytest.raises(SwaptableError, match=message):
        call()


@pytest.mark.parametrize(("percent", "word"), [(3.0, "not known"), (19.9, "not known"), (20.0, "high")])
def test_a_lower_bound_is_never_a_little(percent, word):
    """What is missing may make it more: only 'high' is sure."""
    assert daily_value_word(percent, "US", whole=False) == word
