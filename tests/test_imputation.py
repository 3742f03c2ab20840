"""What stands in where a value is missing: known values untouched, errors that hold on values hidden for the test."""

from functools import cache

import numpy as np
import pytest

from swaptable.foods.imputation import METHOD_LABELS, Imputation, _families, _median_of, impute
from swaptable.foods.release import FoodRelease, open_release
from swaptable.foods.values import EVIDENCE_LABELS, cells_of


@cache
def sr28() -> FoodRelease:
    """Open SR28 once."""
    return open_release("sr28")


@cache
def sr28_filled() -> Imputation:
    """Impute SR28 once."""
    return impute(sr28())


def test_median_of_donors() -> None:
    """By hand: donors 1, 2, 4 have median 2 and deviation √(7 - 49/9); two donors are too few, -1 is nobody."""
    density = np.array([[1.0], [2.0], [4.0], [np.nan], [9.0]])
    donors = np.array([[3, 0, 1, 2], [0, 4, -1, -1], [0, 2, 4, 1], [-1, -1, -1, -1], [3, -1, -1, -1]])
    middle, spread = _median_of(donors, density, 3)
    assert middle[:, 0] == pytest.approx([2, np.nan, 3, np.nan, np.nan], nan_ok=True)
    assert spread[0, 0] == pytest.approx((7 - 49 / 9) ** 0.5)


def test_other_form_by_hand() -> None:
    """Imputed from the only other form: its value per solids times the own solids."""
    release, filled, family = sr28(), sr28_filled(), _families(sr28())
    water = release.matrix[:, release.components.index.get_loc("WATER")]
    column = release.components.index.get_loc("BETN")
    sizes = np.bincount(family)
    for row in np.flatnonzero((filled.method[:, column] == 1) & (sizes[family] == 2)):
        (other,) = (each for each in np.flatnonzero(family == family[row]) if each != row)
        expected = release.matrix[other, column] * (100 - water[row]) / (100 - water[other])
        assert filled.matrix[row, column] == pytest.approx(expected, rel=1e-5)


def test_known_values_are_untouched() -> None:
    """Imputing changes no known value, names each it makes, and gives each an error."""
    filled, known = sr28_filled(), ~np.isnan(sr28().matrix)
    np.testing.assert_array_equal(filled.matrix[known], sr28().matrix[known])
    named = filled.method > 0
    assert not (named & known).any()
    assert (named == (~known & ~np.isnan(filled.matrix))).all()
    assert (named == ~np.isnan(filled.spread)).all()
    assert (filled.spread[named] >= 0).all()
    assert (filled.matrix[named] >= 0).all()


def test_few_known_are_not_imputed() -> None:
    """A component that fewer than three foods of a group have is not taken from near foods there."""
    filled, groups = sr28_filled(), sr28().foods["food_group"].astype(str).to_numpy()
    for group in np.unique(groups):
        few = (~np.isnan(sr28().matrix[groups == group])).sum(axis=0) < 3
        assert not (filled.method[groups == group][:, few] == METHOD_LABELS.index("near foods of the group")).any()


def test_families() -> None:
    """Carrots are one family whatever their form; baby carrots are another food."""
    family = dict(zip(sr28().foods.index, _families(sr28()), strict=True))
    assert family["11124"] == family["11125"]
    assert family["11124"] != family["11960"]


@pytest.mark.parametrize("whole_families", [False, True])
def test_held_out_values_lie_in_the_interval(whole_families: bool) -> None:
    """Measured values hidden before imputing: the 80 % interval holds 75 to 85 % of them, half are met within 30 %."""
    release, cells = sr28(), cells_of(sr28())
    draw = np.random.default_rng(20)
    hidden = draw.random(len(cells)) < 0.05
    if whole_families:
        family = _families(release)
        hidden = (draw.random((family.max() + 1, release.matrix.shape[1])) < 0.1)[family[cells["row"]], cells["column"]]
    proximates = [release.components.index.get_loc(each) for each in ("WATER", "PROCNT", "FAT", "CHOCDF")]
    hide = cells[hidden & ~cells["column"].isin(proximates)]
    matrix = release.matrix.copy()
    matrix[hide["row"], hide["column"]] = np.nan
    gapped = FoodRelease(release.folder, release.manifest)
    gapped.__dict__["matrix"] = matrix  # in the place of the cached one
    filled = impute(gapped)
    hide = hide[(hide["evidence"] == EVIDENCE_LABELS.index("measured")) & (hide["n"] >= 2)]
    value, spread = (array[hide["row"], hide["column"]] for array in (filled.matrix, filled.spread))
    missed = np.abs(value - hide["value"].to_numpy())
    inside = (missed <= 1.2816 * spread)[~np.isnan(value)]
    assert 0.75 <= inside.mean() <= 0.85
    large = (hide["value"] >= 10 * hide["half_unit"]).to_numpy() & ~np.isnan(value)
    assert np.median(missed[large] / hide["value"].to_numpy()[large]) < 0.3


def test_calibration_is_shown() -> None:
    """Each component says how well known values were met, other forms better than near foods on the whole."""
    table = sr28_filled().calibration
    assert set(table["method"]) == set(METHOD_LABELS[1:])
    assert (table.loc[table["n"] >= 100, "coverage_80"] > 0.7).all()
    means = table[table["n"] >= 100].groupby("method")["median_error_percent"].mean()
    assert means["other form of the same food"] < means["near foods of the group"]
