"""How sure food values are, on a tiny release by hand and on SR28."""

import math
import time
from dataclasses import fields
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from swaptable.foods.release import FoodRelease, open_release
from swaptable.foods.release_writer import write_release
from swaptable.foods.values import (
    ERROR_LABELS,
    EVIDENCE_LABELS,
    ValueErrors,
    cells_of,
    data_quality,
    evidence_of,
    range_per_deviation,
    value_errors,
)


@cache
def sr28() -> FoodRelease:
    """Open SR28 once."""
    return open_release("sr28")


@cache
def sr28_errors() -> ValueErrors:
    """Find the errors of SR28 once."""
    return value_errors(sr28())


def at(array: np.ndarray, code: str, component: str) -> float:
    """Read one cell of SR28."""
    return float(array[sr28().foods.index.get_loc(code), sr28().components.index.get_loc(component)])


def tiny(folder: Path, rows: list[tuple], described: list[str] | None = None) -> FoodRelease:
    """Write a release of one food group and calcium (no decimals) alone."""
    codes = [str(number) for number in range(1, len(rows) + 1)]
    names = ["value", "n", "standard_error", "minimum", "maximum", "source_code", "derivation_code"]
    values = pd.DataFrame(rows, columns=names).assign(code=codes, nutrient_number=301).astype({"code": "category"})
    described = described or [f"Food {code}, raw" for code in codes]
    foods = pd.DataFrame({"code": codes, "food_group": "1", "description": described})
    components = pd.DataFrame(
        {"component": ["CA"], "nutrient_number": [301], "unit": ["mg"], "name": ["Calcium"], "decimals": [0]}
    )
    portions = pd.DataFrame({"code": [], "measure": [], "amount": [], "grams": []})
    tables = {"foods": foods, "values": values, "portions": portions, "components": components}
    return write_release(folder, {"name": "tiny"}, tables)


def test_by_hand(tmp_path: Path) -> None:
    """Given, range, derived, pooled, assumed zero and measured zero, each worked out by hand."""
    none = np.nan
    rows = [
        (100.0, 4, 10.0, none, none, "1", "A"),  # spread 10 · √4 = 20
        (100.0, 3, none, 90.0, 110.0, "1", "A"),  # spread 20 / 1.693 = 11.814
        (200.0, 4, none, none, none, "1", "A"),  # spread from the pool, error a half of it
        (200.0, 0, none, none, none, "1", "A"),  # the pool as one sample
        (0.0, 0, none, none, none, "7", "Z"),
        (0.0, 4, 0.0, none, none, "1", "A"),  # half a unit
        (100.0, 4, 50.0, 90.0, 110.0, "1", "A"),  # 100, but the range allows 10 · √(4/3) = 11.547
    ]
    errors = value_errors(tiny(tmp_path / "tiny", rows))
    # pool: median log of spread / value / median bias of a deviation (Wilson & Hilferty), n = 4, 3, 4
    bias = {n: (1 - 2 / (9 * (n - 1))) ** 1.5 for n in (3, 4)}
    scale = 100 * (1 - 100 / 1e5)
    pool = np.median([20 / scale / bias[4], 11.814 / scale / bias[3], 11.547 / scale / bias[4]])
    pooled = pool * 200 * (1 - 200 / 1e5)
    found = errors.spread[:, 0]
    assert found == pytest.approx([20, 11.814, pooled, pooled, 0, 0.5, 11.547], rel=1e-3)
    expected = [10, 11.814 / math.sqrt(3), pooled / 2, pooled, 0, 0.5, 50]
    assert errors.standard_error[:, 0] == pytest.approx(expected, rel=1e-3)
    kinds = [ERROR_LABELS[kind] for kind in errors.error_evidence[:, 0]]
    assert kinds == ["given", "range", "derived", "pooled", "none", "given", "given"]


@pytest.mark.outside
def test_range_per_deviation() -> None:
    """The constants d2 as printed in control chart tables (Tippett 1925, Biometrika 17:364)."""
    printed = {2: 1.128, 3: 1.693, 4: 2.059, 5: 2.326, 6: 2.534, 7: 2.704, 8: 2.847, 9: 2.970, 10: 3.078, 25: 3.931}
    assert {n: round(range_per_deviation(n), 3) for n in printed} == printed


def test_range_agrees_with_errors_given() -> None:
    """Where SR28 gives both, range / d2 and standard error × √n agree in the median within a tenth."""
    cells = cells_of(sr28())
    both = cells[cells["n"].between(4, 12) & (cells["standard_error"] > 0) & (cells["maximum"] > cells["minimum"])]
    d2 = both["n"].map({n: range_per_deviation(int(n)) for n in both["n"].unique()})
    ratio = (both["maximum"] - both["minimum"]) / d2 / (both["standard_error"] * np.sqrt(both["n"]))
    assert 0.95 < ratio.median() < 1.1


@pytest.mark.parametrize(
    ("source", "derivation", "n", "label"),
    [
        ("1", "A", 0, "measured"),
        ("1", "", 3, "measured"),
        ("1", "", 0, "calculated"),
        ("13", "AI", 0, "measured"),
        ("6", "JA", 0, "measured"),
        ("11", "JO", 5, "calculated"),
        ("4", "NC", 0, "calculated"),
        ("4", "RA", 0, "calculated"),
        ("4", "BFZN", 0, "imputed"),
        ("4", "", 0, "imputed"),
        ("4", "FLC", 0, "label"),
        ("9", "MC", 3, "label"),
        ("7", "", 0, "assumed zero"),
        ("", "", 4, "not stated"),
    ],
)
def test_evidence(source: str, derivation: str, n: int, label: str) -> None:
    """Codes mean what the docstring says."""
    assert evidence_of(source, derivation, n) == label


def test_every_code_of_sr28_is_known() -> None:
    """No value of SR28 is left without evidence, and no label goes unused but that for unknown codes."""
    found = {EVIDENCE_LABELS[code] for code in np.unique(sr28_errors().evidence)}
    assert found == set(EVIDENCE_LABELS) - {"not stated"}


def test_missing_stays_missing() -> None:
    """An error is known exactly where the value is, and is never negative."""
    errors, missing = sr28_errors(), np.isnan(sr28().matrix)
    for field in fields(errors):
        array = getattr(errors, field.name)
        assert ((np.isnan(array) if array.dtype.kind == "f" else array == 0) == missing).all(), field.name
    assert np.nanmin(errors.standard_error) >= 0
    assert np.nanmin(errors.spread) >= 0


def test_errors_of_sr28() -> None:
    """Carrots by hand from the printed figures; salt hardly varies; energy gets the errors of its parts."""
    errors = sr28_errors()
    assert at(errors.standard_error, "11124", "K") == pytest.approx(8.418)
    assert at(errors.spread, "11124", "K") == pytest.approx(8.418 * math.sqrt(76))
    assert at(errors.spread, "02047", "NA") < 0.01 * 38758
    milk = [at(errors.standard_error, "01077", part) for part in ("WATER", "ASH", "FAT", "ALC")]
    energy = math.sqrt(sum((f * e) ** 2 for f, e in zip((4, 4, 5, 2.93), np.nan_to_num(milk), strict=True)))
    assert at(errors.standard_error, "01077", "ENERC_KCAL") == pytest.approx(energy)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("whole", "parts"),
    [  # Institute of Medicine: 1 µg vitamin D = 40 IU (2011); 12 and 24 µg of carotenoids = 1 µg RAE (2001)
        ("VITD_IU", {"VITD": 40}),
        ("VITA_RAE", {"RETOL": 1, "CARTB": 1 / 12, "CARTA": 1 / 24, "CRYPX": 1 / 24}),
        ("VITA_IU", {"RETOL": 1 / 0.3, "CARTB": 1 / 0.6, "CARTA": 1 / 1.2, "CRYPX": 1 / 1.2}),
    ],
)
def test_a_whole_has_the_errors_of_its_parts(whole: str, parts: dict[str, float]) -> None:
    """Added as squares, in the unit of the whole and at most the whole, wherever it has no error of its own."""
    errors, place = sr28_errors(), sr28().components.index.get_loc
    rows = errors.error_evidence[:, place(whole)] == ERROR_LABELS.index("propagated")
    pieces = [errors.standard_error[rows, place(part)] * per for part, per in parts.items()]
    expected = np.minimum(np.sqrt(np.sum(np.square(pieces), axis=0)), sr28().matrix[rows, place(whole)])
    assert rows.sum() > 100
    assert errors.standard_error[rows, place(whole)] == pytest.approx(expected)


def test_imputed_is_less_sure_than_measured() -> None:
    """Over the minerals, values from another food have larger relative errors than measured ones."""
    errors = sr28_errors()
    for component in ("CA", "FE", "K", "NA", "ZN"):
        column = sr28().components.index.get_loc(component)
        value, kind = sr28().matrix[:, column], errors.evidence[:, column]
        relative = errors.standard_error[:, column][value > 0] / value[value > 0]
        sure, unsure = (
            np.median(relative[kind[value > 0] == EVIDENCE_LABELS.index(k)]) for k in ("measured", "imputed")
        )
        assert unsure > 2 * sure, component


def test_a_value_of_another_food_carries_the_difference_between_foods(tmp_path: Path) -> None:
    """By hand: neighbours in a family differ by 10, 10 and 20 %; what sampling adds is taken off as squares."""
    known = (100.0, 110.0, 100.0, 120.0)
    rows = [(value, 4, 2.0, np.nan, np.nan, "1", "A") for value in known]  # spread 2 · √4 = 4
    rows += [(200.0, 0, np.nan, np.nan, np.nan, "4", "BFZN")]
    release = tiny(tmp_path / "tiny", rows, [f"Bean, green, kind {n}, raw" for n in range(5)])
    sampling = [(2 / value) ** 2 for value in known]
    noise = sampling[0] + sampling[1]  # the middle of three sums, of which the first two are alike
    between = math.sqrt((math.log(1.1) / 0.6745) ** 2 - noise)
    relative = sorted(4 / (value * (1 - value / 1e5)) for value in known)
    pooled = math.sqrt(relative[1] * relative[2]) / (1 - 2 / (9 * 3)) ** 1.5
    expected = 200 * (1 - 200 / 1e5) * math.hypot(pooled, between)
    assert value_errors(release).standard_error[4, 0] == pytest.approx(expected, rel=1e-9)


def test_pooled_spread_foretells_the_measured() -> None:
    """Where nothing is known of a food itself, it is taken to vary like the foods of SR28 with n >= 3, within 2."""
    errors = sr28_errors()
    published = {"WATER": 3, "PROCNT": 7, "K": 11, "NA": 14, "CA": 18, "FE": 19, "VITC": 32}  # medians
    for component, percent in published.items():
        column = sr28().components.index.get_loc(component)
        known = errors.error_evidence[:, column] == ERROR_LABELS.index("pooled")
        value = sr28().matrix[:, column]
        ratio = 100 * np.median((errors.spread[:, column] / np.where(value > 0, value, np.nan))[known & (value > 0)])
        assert 0.5 * percent < ratio < 2 * percent, (component, ratio)


def test_value_errors_are_quick() -> None:
    """Slow machines get some slack; here it takes about half a second."""
    begin = time.perf_counter()
    value_errors(sr28())
    assert time.perf_counter() - begin < 5


def test_data_quality() -> None:
    """30 mg measured, 10 mg from a label and an unknown amount: 75 % and 25 %; nothing known has no shares."""
    weights = np.array([[30.0, 0.0], [10.0, np.nan], [np.nan, np.nan]])
    quality = data_quality(weights, np.array([[1, 1], [4, 0], [0, 0]]))
    assert quality.loc[0, ["measured", "label", "imputed"]].tolist() == [0.75, 0.25, 0.0]
    assert quality.loc[1].isna().all()
