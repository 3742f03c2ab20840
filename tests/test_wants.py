"""Constraints: what can be written, what is judged, and which of them bind."""

import numpy as np
import pytest

from swaptable.amounts.cost import read_prices
from swaptable.basics.errors import SwaptableError
from swaptable.basics.folders import DATA
from swaptable.deciding.wants import Want, binding_wants, judge_wants, read_want
from swaptable.deciding.yardsticks import Measured, Yardstick, with_cost
from swaptable.judging.study import compute_recipe
from swaptable.judging.verdicts import Verdict

SODIUM = Yardstick("NA", "serving", "mg", False)
CALCIUM = Yardstick("CA", "serving", "mg", True)


@pytest.fixture(scope="module")
def barley():
    """The barley pot of the demo."""
    return compute_recipe("barley_pot")


def known(yardstick, value, error=0.0, whole=True):
    """Put numbers into a measure; every variant has one source of its own."""
    value = np.array(value, dtype=float)
    count = len(value)
    return Measured(
        yardstick, value, np.full(count, whole), error * np.eye(count), tuple((n, 0) for n in range(count)),
        np.zeros(count),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("text", "tag", "basis", "operator", "limit"),
    [
        ("sodium <= 600 mg", "NA", "serving", "<=", 600.0),
        ("sodium at most 0.6 g", "NA", "serving", "<=", 600.0),
        ("NA < 140 mg per 100 g", "NA", "100 g", "<", 140.0),
        ("calcium ≥ 300 mg per 100 kcal", "CA", "100 kcal", ">=", 300.0),
        ("calcium >= 20 % DV", "CA", "serving", ">=", 260.0),  # 21 CFR 101.9 (2016): 1300 mg
        ("energy below 500 kcal", "ENERC_KCAL", "serving", "<", 500.0),
        ("nutrient density >= 30", "nutrient density", "100 kcal", ">=", 30.0),
        ("nutrient density >= -5", "nutrient density", "100 kcal", ">=", -5.0),
    ],
)
def test_a_want_is_read(barley, text, tag, basis, operator, limit):
    """Measure, sign, amount, unit and basis."""
    want = read_want(text, barley)
    assert (want.yardstick.tag, want.yardstick.basis, want.operator) == (tag, basis, operator)
    assert want.limit == pytest.approx(limit)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("sodium = 600 mg", "expected a measure, a sign and an amount"),
        ("sodium <= 600", "expected a number with g or mg or µg"),
        ("sodium <= 600 kcal", "expected a number with g or mg or µg"),
        ("sodum <= 600 mg", "did you mean 'sodium'"),
        ("sodium <= -600 mg", "expected 0 or more"),
        ("sodium <= six mg", "expected a number of 0 or more"),
        ("sodium <= 600 mg per plate", "expected a number with"),
        ("cost <= 2.50", "without prices"),
        ("zinc monoxide >= 20 % DV", "expected an INFOODS tag"),
        ("alcohol <= 5 % DV", "has no daily value"),
        ("nutrient density >= 30 per serving", "nutrient density is per 100 kcal"),
        ("", "expected a measure"),
    ],
)
def test_what_cannot_be_read_is_one_error(barley, text, message):
    """It names the text, what is wrong with it and an example."""
    with pytest.raises(SwaptableError) as caught:
        read_want(text, barley)
    told = str(caught.value)
    assert told.startswith(f"found the constraint '{text}'")
    assert message in told
    assert "'sodium <= 600 mg'" in told
    assert "\n" not in told


def test_verdicts_and_misses():
    """600 mg: 500 ± 10 met, 590 ± 10 nobody can tell, 605 ± 10 the same, 900 ± 10 not, by half of the limit."""
    measured = {SODIUM: known(SODIUM, [500, 590, 605, 900, np.nan], error=10)}
    wants = [Want("sodium <= 600 mg", SODIUM, "<=", 600.0)]
    verdicts, misses = judge_wants(wants, {SODIUM: measured[SODIUM].value}, measured)
    expected = [Verdict.MET, Verdict.MEAN_HOLDS, Verdict.MEAN_FAILS, Verdict.NOT_MET, Verdict.GAPS]
    assert verdicts[0].tolist() == expected
    assert misses[0].tolist() == pytest.approx([0, 0, 5 / 600, 0.5, np.inf])


def test_which_want_binds():
    """The third has most calcium but too much sodium: the want for sodium binds, that for calcium does not."""
    measured = {SODIUM: known(SODIUM, [100, 200, 900]), CALCIUM: known(CALCIUM, [50, 120, 300])}
    wants = [Want("sodium <= 600 mg", SODIUM, "<=", 600.0), Want("calcium >= 100 mg", CALCIUM, ">=", 100.0)]
    values = {one: known_of.value for one, known_of in measured.items()}
    verdicts, misses = judge_wants(wants, values, measured)
    table = binding_wants(["a", "b", "c"], wants, measured[CALCIUM], measured, verdicts, misses).set_index("want")
    assert table["binds"].tolist() == [True, False]
    assert table.loc["sodium <= 600 mg", "best_without_it"] == "c"
    assert table.loc["calcium >= 100 mg", "met_without_it"] == 2


def test_what_binds_where_nothing_meets_all():
    """No variant has 400 mg calcium; without that want two would do."""
    measured = {SODIUM: known(SODIUM, [100, 200, 900]), CALCIUM: known(CALCIUM, [50, 120, 300])}
    wants = [Want("sodium <= 600 mg", SODIUM, "<=", 600.0), Want("calcium >= 400 mg", CALCIUM, ">=", 400.0)]
    values = {one: known_of.value for one, known_of in measured.items()}
    table = binding_wants(["a", "b", "c"], wants, measured[CALCIUM], measured, *judge_wants(wants, values, measured))
    assert table["binds"].tolist() == [False, True]
    assert table["met_without_it"].tolist() == [0, 2]
    assert table.loc[1, "nearest_variant"] == "c"
    assert table.loc[1, "nearest_amount"] == 300


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("sodium <= 600 mg", "sodium at most 600 mg per serving"),
        ("cost ≤ 2.50", "cost at most 2.50 CAD per serving"),
        ("iron above 2 mg per 100 kcal", "iron above 2 mg per 100 kcal"),
        ("calcium >= 20 % DV", "calcium at least 20 % DV per serving"),
        ("nutrient density > -5", "nutrient density above -5 points per 100 kcal"),
    ],
)
def test_a_want_is_said_with_unit_and_basis(barley, text, words):
    """On a page a want has no sign, and says its currency and its basis."""
    priced = with_cost(barley, read_prices(DATA / "prices.csv"))
    assert read_want(text, priced).words == words
