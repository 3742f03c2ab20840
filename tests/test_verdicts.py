"""Verdicts: which side of a limit an interval lies on, at its edges and with gaps."""

import pytest
import xarray as xr

from swaptable.basics.errors import SwaptableError
from swaptable.foods.reference import Z
from swaptable.judging.verdicts import Verdict, judge

HALF = Z[0.90]  # of the interval, for a standard error of 1


def verdict(value: float, operator: str, limit: float, error: float = 0.0, whole: bool = True) -> Verdict:
    """Judge one amount."""
    arrays = xr.DataArray(value), xr.DataArray(error)
    return Verdict(int(judge(*arrays, operator, limit, xr.DataArray(whole))))


@pytest.mark.parametrize(
    ("operator", "below", "at", "above"),
    [
        ("<", Verdict.MET, Verdict.NOT_MET, Verdict.NOT_MET),
        ("<=", Verdict.MET, Verdict.MET, Verdict.NOT_MET),
        (">", Verdict.NOT_MET, Verdict.NOT_MET, Verdict.MET),
        (">=", Verdict.NOT_MET, Verdict.MET, Verdict.MET),
    ],
)
def test_an_exact_amount_at_its_limit(operator: str, below: Verdict, at: Verdict, above: Verdict) -> None:
    """The limit itself keeps a rule that says at most or at least, and no other."""
    assert [verdict(value, operator, 140.0) for value in (139.999, 140.0, 140.001)] == [below, at, above]


def test_floating_point_does_not_move_a_limit() -> None:
    """0.1 + 0.2 is 0.3, also where the computer finds a little more."""
    assert verdict(0.1 + 0.2, "<=", 0.3) == Verdict.MET
    assert verdict(0.1 + 0.2, "<", 0.3) == Verdict.NOT_MET
    assert verdict(0.3, ">=", 0.1 + 0.2) == Verdict.MET


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (100 - HALF, Verdict.MET),
        (100 - HALF + 0.01, Verdict.MEAN_HOLDS),
        (100.0, Verdict.MEAN_HOLDS),
        (100.01, Verdict.MEAN_FAILS),
        (100 + HALF, Verdict.MEAN_FAILS),
        (100 + HALF + 0.01, Verdict.NOT_MET),
    ],
)
def test_an_interval_that_holds_the_limit_tells_nothing(value: float, expected: Verdict) -> None:
    """At most 100, standard error 1: the whole 90 % interval has to lie on one side."""
    assert verdict(value, "<=", 100.0, error=1.0) == expected
    assert verdict(200 - value, ">=", 100.0, error=1.0) == expected


@pytest.mark.parametrize(
    ("value", "operator", "expected"),
    [
        (141.0, "<=", Verdict.NOT_MET),
        (10.0, "<=", Verdict.GAPS),
        (141.0, ">=", Verdict.MET),
        (10.0, ">=", Verdict.GAPS),
        (float("nan"), "<=", Verdict.GAPS),
        (float("nan"), ">=", Verdict.GAPS),
    ],
)
def test_a_lower_bound_can_pass_a_limit_but_never_stay_below(value: float, operator: str, expected: Verdict) -> None:
    """Missing values can only add to an amount."""
    assert verdict(value, operator, 140.0, whole=False) == expected


def test_a_missing_limit_tells_nothing() -> None:
    """Nothing can be judged against a limit that nobody has set."""
    assert verdict(1.0, "<=", float("nan")) == Verdict.GAPS


def test_several_conditions_are_as_good_as_the_least() -> None:
    """One that fails decides; otherwise one that nobody can tell does."""
    assert min(Verdict.MET, Verdict.MEAN_HOLDS).word == "cannot tell"
    assert min(Verdict.MET, Verdict.GAPS, Verdict.NOT_MET).word == "not met"
    assert [v.word for v in Verdict] == ["not met", "cannot tell", "cannot tell", "cannot tell", "met"]
    assert [bool(v.why) for v in Verdict] == [False, True, True, True, False]


def test_wrong_operator() -> None:
    """An operator that is none is refused."""
    with pytest.raises(SwaptableError, match="found operator '=<'; expected one of < <= > >="):
        verdict(1.0, "=<", 1.0)
