"""Raw foods, cooked by calculation, against the cooked foods that USDA analysed.

Two circles are kept out. A value counts only where both foods were analysed, that is in two samples or more with
source code 1 and no derivation code of an imputed value: many cooked values of SR28 were computed from the raw food
with the very factors that are tested here, some of them under source code 1 but with no samples. And the weight
change is not ours: it is read from what cooking cannot remove, the solids of plants and the protein of animal foods,
again only where analysed.

The bars are in whole percent. They are the median errors that the published factors made on USDA's analysed pairs of
SR28 in the study of methods that preceded this package (53 meats with their measured yields; 36 vegetables, 17
legumes and 13 grains with the ratio of solids), as it rounded them up. They are no promise of a source: no open
per-component table of calculated against analysed cooked foods was found. For fish the study set no bar; theirs is
the compliance margin of 21 CFR 101.9(g)(4)-(5), 20 percent.
"""

import csv
from functools import cache
from pathlib import Path

import pandas as pd
import pytest

from swaptable.amounts.cooking import Cooking, cook_food
from swaptable.amounts.nutrients import line_values
from swaptable.amounts.variants import Line
from swaptable.foods.release import FoodRelease, open_release

PAIRS = Path(__file__).parent / "data" / "raw_cooked_pairs.csv"
LIQUID = {"discarded": 0.0, "kept": 1.0, "": None}
PLANTS = ("vegetable", "legume", "grain")
MINERALS = ("CA", "CU", "FE", "K", "MG", "NA", "P", "ZN")
VITAMINS = ("FOL", "NIA", "RIBF", "THIA", "VITB12", "VITB6A", "VITC")
ANALYSED = {"", "A", "AS"}  # derivation codes: older analytical records, analytical, sum of analytical values
# Water and protein may be means over studies of several kinds (codes 6 and 11 to 13): no factor ever enters them.
BASIS_SOURCES = {"1", "6", "11", "12", "13"}

# (kind, group, components, bar [%])
BARS = [
    ("vegetable", "P K Mg", ("P", "K", "MG"), 19),
    ("vegetable", "Ca Fe Zn Cu", ("CA", "FE", "ZN", "CU"), 25),
    ("vegetable", "riboflavin niacin", ("RIBF", "NIA"), 13),
    ("vegetable", "thiamin", ("THIA",), 20),
    ("vegetable", "vitamin B-6", ("VITB6A",), 19),
    ("vegetable", "folate", ("FOL",), 21),
    ("vegetable", "vitamin C", ("VITC",), 40),
    ("legume", "P K Mg", ("P", "K", "MG"), 10),
    ("legume", "Ca Fe Zn Cu", ("CA", "FE", "ZN", "CU"), 25),
    ("legume", "riboflavin niacin", ("RIBF", "NIA"), 13),
    ("legume", "thiamin", ("THIA",), 15),
    ("legume", "vitamin B-6", ("VITB6A",), 13),
    ("legume", "folate", ("FOL",), 29),
    ("grain", "P K Mg", ("P", "K", "MG"), 19),
    ("grain", "Ca Fe Zn Cu", ("CA", "FE", "ZN", "CU"), 25),
    ("grain", "riboflavin niacin", ("RIBF", "NIA"), 22),
    ("grain", "thiamin", ("THIA",), 18),
    ("grain", "vitamin B-6", ("VITB6A",), 22),
    ("grain", "folate", ("FOL",), 30),
    ("meat or poultry", "P K Mg Zn", ("P", "K", "MG", "ZN"), 9),
    ("meat or poultry", "Ca Fe Cu", ("CA", "FE", "CU"), 12),
    ("meat or poultry", "Na", ("NA",), 12),
    ("meat or poultry", "riboflavin niacin", ("RIBF", "NIA"), 10),
    ("meat or poultry", "thiamin", ("THIA",), 12),
    ("meat or poultry", "vitamin B-6", ("VITB6A",), 25),
    ("meat or poultry", "vitamin B-12", ("VITB12",), 21),
    ("fish", "P K Mg Zn", ("P", "K", "MG", "ZN"), 20),
    ("fish", "Ca Fe Cu", ("CA", "FE", "CU"), 20),
    ("fish", "Na", ("NA",), 20),
    ("fish", "riboflavin niacin", ("RIBF", "NIA"), 20),
    ("fish", "thiamin", ("THIA",), 20),
    ("fish", "vitamin B-6", ("VITB6A",), 20),
    ("fish", "vitamin B-12", ("VITB12",), 20),
]


@cache
def release() -> FoodRelease:
    """Open the food release once."""
    return open_release("sr28")


@cache
def pairs() -> list[dict[str, str]]:
    """Read the raw and cooked foods, with how each was cooked."""
    with PAIRS.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@cache
def analysed() -> tuple[dict[str, dict[str, float]], dict[str, dict[str, float]]]:
    """Give what was analysed in each food, by code and component [per 100 g]: the components, and water and protein."""
    table = release().table("values")
    tags = pd.Series(release().components.index, index=release().components["nutrient_number"])
    table = table[table["n"].fillna(0) >= 2].assign(component=lambda rows: rows["nutrient_number"].map(tags))
    sources, derivations = table["source_code"].astype(str), table["derivation_code"].astype(str)
    compared = table[(sources == "1") & derivations.isin(ANALYSED) & table["component"].isin(MINERALS + VITAMINS)]
    basis = table[sources.isin(BASIS_SOURCES) & table["component"].isin(("WATER", "PROCNT"))]
    return tuple(
        {
            code: dict(zip(rows["component"], rows["value"], strict=True))
            for code, rows in part.groupby("code", observed=True)
        }
        for part in (compared, basis)
    )  # type: ignore[return-value]


def weight_change(pair: dict[str, str]) -> float:
    """Read cooked over raw weight [-] from what cooking leaves in: solids of a plant, protein of an animal food."""
    raw, cooked = (analysed()[1][pair[column]] for column in ("raw_code", "cooked_code"))
    if pair["kind"] in PLANTS:
        return (100 - raw["WATER"]) / (100 - cooked["WATER"])
    return raw["PROCNT"] / cooked["PROCNT"]


def cooked_by_calculation(pair: dict[str, str], yield_factor: float | None) -> tuple[Cooking, pd.Series]:
    """Cook the raw food with the package: how, and what 100 g of the cooked food then hold."""
    food = release().food(pair["raw_code"])
    cooking = cook_food(
        food, release(), pair["process"],
        liquid=LIQUID[pair["liquid"]], detail=pair["detail"] or None, yield_factor=yield_factor,
    )  # fmt: skip
    line = Line("food", food, 100.0, 100.0, "mass", "measured", 0.0, cooking, ("mass",))
    return cooking, line_values(line, release()) / cooking.yield_factor


@cache
def comparison(own_yield: bool = False) -> pd.DataFrame:
    """Compare every analysed value [per 100 g cooked] with the calculated one, and its error [%]."""
    rows = []
    for pair in pairs():
        cooking, calculated = cooked_by_calculation(pair, None if own_yield else weight_change(pair))
        raw, cooked = (analysed()[0][pair[column]] for column in ("raw_code", "cooked_code"))
        kind = "meat or poultry" if pair["kind"] in ("meat", "poultry") else pair["kind"]
        for component in sorted(raw.keys() & cooked.keys()):
            if raw[component] > 0 and cooked[component] > 0:
                ratio = float(calculated[component]) / cooked[component]
                rows.append((kind, pair["cooked_code"], component, ratio, cooking.yield_evidence))
    table = pd.DataFrame(rows, columns=["kind", "cooked_code", "component", "ratio", "yield_evidence"])
    return table.assign(error=100 * (table["ratio"] - 1).abs())


def pair_id(pair: dict[str, str]) -> str:
    """Name a pair by its codes."""
    return f"{pair['raw_code']}-{pair['cooked_code']}"


def disagrees(reason: str) -> pytest.MarkDecorator:
    """Mark a bar that the published factors do not meet on these foods."""
    return pytest.mark.xfail(strict=True, reason=reason)


SCATTER = "the grains scatter both ways (riboflavin 0.2 to 2.3-fold): one published row stands for all of a class"
DISAGREE = {
    (
        "vegetable",
        "thiamin",
        False,
    ): "22 %: over by a fifth to a third in beans, peas and packs from frozen, under in cabbage",
    (
        "vegetable",
        "folate",
        True,
    ): "38 %: the yields of the classes come from fresh vegetables and run high for frozen ones",
    ("grain", "riboflavin niacin", False): f"25 %: {SCATTER}",
    ("grain", "thiamin", False): f"29 %: {SCATTER}",
    ("grain", "folate", False): f"34 %: {SCATTER}",
    ("meat or poultry", "vitamin B-12", True): "22 %: the published 80 % is too low, by 19 % in the study of methods",
    ("fish", "Ca Fe Cu", False): "23 %: copper, twofold over in trout and under in crayfish",
    ("fish", "Na", False): "21 %: cooked crab, crayfish and trout hold more sodium than the raw samples could give",
}
# Raw and cooked values that no loss in cooking can reconcile: the analysed samples were different foods.
DOUBTFUL = {
    ("05178", "FE"): "turkey liver, iron 8.94 mg raw and 1.79 mg simmered",
    ("15232", "FOL"): "orange roughy, folate 26 µg raw and 5 µg baked",
    ("15262", "FOL"): "tilapia, folate 24 µg raw and 6 µg baked",
    ("20002", "NA"): "amaranth, sodium 4 mg raw and 6 mg cooked in three and a half times the weight",
    ("20115", "CU"): "soba, copper 0.23 mg dry and 0.008 mg cooked",
    ("20115", "ZN"): "soba, zinc 1.71 mg dry and 0.12 mg cooked",
    ("20117", "MG"): "somen, magnesium 28 mg dry and 2 mg cooked",
    ("20117", "RIBF"): "somen, riboflavin 0.026 mg dry and 0.033 mg cooked in three times the weight",
    ("20137", "NA"): "quinoa, sodium 5 mg raw and 7 mg cooked in three times the weight",
}


def bar_cases() -> list[object]:
    """List every bar, against the analysed weight change and, where the package has yields, its own."""
    cases = []
    for kind, group, components, bar in BARS:
        for own_yield in (False, True) if kind in ("vegetable", "legume", "meat or poultry") else (False,):
            reason = DISAGREE.get((kind, group, own_yield))
            marks = (disagrees(reason),) if reason else ()
            name = f"{kind}: {group}, {'our yield' if own_yield else 'weight change analysed'}"
            cases.append(pytest.param(kind, components, bar, own_yield, id=name, marks=marks))
    return cases


@pytest.mark.outside
@pytest.mark.parametrize(("kind", "components", "bar", "own_yield"), bar_cases())
def test_calculated_agrees_with_analysed(kind: str, components: tuple[str, ...], bar: float, own_yield: bool) -> None:
    """The median error of a group of components stays within its bar (analysed foods: USDA SR28, 2015)."""
    table = comparison(own_yield)
    errors = table[(table["kind"] == kind) & table["component"].isin(components)]["error"]
    assert len(errors) >= 8
    assert round(errors.median()) <= bar


@pytest.mark.outside
@pytest.mark.parametrize("pair", pairs(), ids=pair_id)
def test_nothing_absurd_in_any_pair(pair: dict[str, str]) -> None:
    """No food is off by half on the whole, and no value fourfold but the doubtful ones (analysed: USDA SR28, 2015)."""
    table = comparison()
    table = table[table["cooked_code"] == pair["cooked_code"]]
    assert 0.5 <= table["ratio"].median() <= 2
    absurd = table[(table["ratio"] > 4) | (table["ratio"] < 1 / 4)]["component"]
    assert set(absurd) == {component for code, component in DOUBTFUL if code == pair["cooked_code"]}


@pytest.mark.outside
@pytest.mark.parametrize("pair", pairs(), ids=pair_id)
def test_class_and_published_row_are_found_as_listed(pair: dict[str, str]) -> None:
    """The package puts each raw food in the listed class and finds factors for it (USDA Release 6, 2007)."""
    cooking, _ = cooked_by_calculation(pair, 1.0)
    assert cooking.food_class == pair["food_class"]
    assert len(cooking.rows) == 1


def test_pairs_are_many_and_analysed() -> None:
    """There are at least ten pairs of each kind, each with five components analysed on both sides."""
    kinds = pd.Series([pair["kind"] for pair in pairs()]).value_counts()
    assert set(kinds.index) == {"vegetable", "legume", "grain", "meat", "poultry", "fish"}
    assert kinds.min() >= 10
    values = analysed()[0]
    assert min(len(values[pair["raw_code"]].keys() & values[pair["cooked_code"]].keys()) for pair in pairs()) >= 5


@pytest.mark.outside
def test_leaving_the_factors_out_would_show() -> None:
    """Without retention, thiamin in meat misses its bar of 12 % by far, so the bar can tell (USDA SR28, 2015)."""
    errors = []
    for pair in pairs():
        raw, cooked = (analysed()[0][pair[column]] for column in ("raw_code", "cooked_code"))
        if pair["kind"] in ("meat", "poultry") and {"THIA"} <= raw.keys() & cooked.keys():
            errors.append(100 * abs(raw["THIA"] / weight_change(pair) / cooked["THIA"] - 1))
    assert pd.Series(errors).median() > 24
