"""Thresholds of claims as the regulations print them, and the worked examples of a labelling authority.

Each row names its section and the text it was read in: the regulation itself, a guide of the authority, or a report
that reprints it. Rows marked *from memory* were not seen in any of them.
"""

from dataclasses import replace

import numpy as np
import pytest

from swaptable.amounts.nutrients import compute
from swaptable.amounts.recipes import read_recipe
from swaptable.amounts.variants import build_grid
from swaptable.foods.reference import claim_conditions, front_of_pack_rules
from swaptable.judging.claims import claim_verdicts, judge_claims
from swaptable.judging.front_of_pack import front_of_pack

pytestmark = pytest.mark.outside

BOTH, SMALL = "reference amount and serving", "reference amount and 50 g if small"
BOTH_SMALL = "reference amount and serving and 50 g if small"
ANY_SMALL = "reference amount or serving or 50 g if small"
SHARE, DAILY, LESS = "percent of energy", "percent of daily value", "percent less than as written"
MORE = "percent of daily value more than as written"

# (section and text, claim, food, component, measure, operator, value, unit, basis)
US = [
    # 21 CFR 101.60(b), in: FDA, A Food Labeling Guide, Appendix A (2004 and 2009)
    ("101.60(b)(1)", "calorie_free", "food", "ENERC_KCAL", "amount", "<", 5, "kcal", BOTH),
    ("101.60(b)(2)", "low_calorie", "food", "ENERC_KCAL", "amount", "<=", 40, "kcal", SMALL),
    ("101.60(b)(3)", "low_calorie", "meal", "ENERC_KCAL", "amount", "<=", 120, "kcal", "100 g"),
    ("101.60(b)(4)", "reduced_calorie", "food", "ENERC_KCAL", LESS, ">=", 25, "%", "reference amount"),
    ("101.60(b)(5)", "reduced_calorie", "meal", "ENERC_KCAL", LESS, ">=", 25, "%", "100 g"),
    # 21 CFR 101.61(b)(1)(i), in the edition of 2006
    ("101.61(b)(1)(i)", "sodium_free", "food", "NA", "amount", "<", 5, "mg", BOTH),
    ("101.61(b)(1)(i)", "sodium_free", "main dish", "NA", "amount", "<", 5, "mg", "serving"),
    # 21 CFR 101.61 and 101.62, in: Institute of Medicine 2012, Front-of-Package ..., Appendix C, p. 136
    ("101.61(b)(2)", "very_low_sodium", "food", "NA", "amount", "<=", 35, "mg", SMALL),
    ("101.61(b)(3)", "very_low_sodium", "meal", "NA", "amount", "<=", 35, "mg", "100 g"),
    ("101.61(b)(4)", "low_sodium", "food", "NA", "amount", "<=", 140, "mg", SMALL),
    ("101.61(b)(5)", "low_sodium", "main dish", "NA", "amount", "<=", 140, "mg", "100 g"),
    ("101.62(b)(2)", "low_fat", "food", "FAT", "amount", "<=", 3, "g", SMALL),
    ("101.62(b)(3)", "low_fat", "meal", "FAT", "amount", "<=", 3, "g", "100 g"),
    ("101.62(b)(3)", "low_fat", "meal", "FAT", SHARE, "<=", 30, "%", ""),
    ("101.62(c)(2)", "low_saturated_fat", "food", "FASAT", "amount", "<=", 1, "g", "reference amount"),
    ("101.62(c)(2)", "low_saturated_fat", "food", "FASAT", SHARE, "<=", 15, "%", ""),
    ("101.62(c)(3)", "low_saturated_fat", "meal", "FASAT", "amount", "<=", 1, "g", "100 g"),
    ("101.62(c)(3)", "low_saturated_fat", "meal", "FASAT", SHARE, "<", 10, "%", ""),
    ("101.62(d)(2)", "low_cholesterol", "food", "CHOLE", "amount", "<=", 20, "mg", SMALL),
    ("101.62(d)(2)", "low_cholesterol", "food", "FASAT", "amount", "<=", 2, "g", "reference amount"),
    ("101.62(d)(3)", "low_cholesterol", "meal", "CHOLE", "amount", "<=", 20, "mg", "100 g"),
    ("101.62(d)(3)", "low_cholesterol", "meal", "FASAT", "amount", "<=", 2, "g", "100 g"),
    ("101.13(h)(3)", "disclosure_fat", "main dish", "FAT", "amount", ">", 19.5, "g", "serving"),
    ("101.13(h)(2)", "disclosure_fat", "meal", "FAT", "amount", ">", 26, "g", "serving"),
    # 21 CFR 101.62(c)(1), in: Institute of Medicine 2010, Examination of Front-of-Package ..., Appendix B, p. 101
    ("101.62(c)(1)", "saturated_fat_free", "food", "FASAT", "amount", "<", 0.5, "g", BOTH),
    ("101.62(c)(1)", "saturated_fat_free", "food", "FATRN", "amount", "<", 0.5, "g", BOTH),
    ("101.62(c)(1)", "saturated_fat_free", "meal", "FATRN", "amount", "<", 0.5, "g", "serving"),
    # 21 CFR 101.56(c), in the same, p. 103
    ("101.56(c)(2)", "light_in_sodium", "food", "NA", LESS, ">=", 50, "%", "reference amount"),
    ("101.56(d)(2)", "light_in_sodium", "meal", "NA", "amount", "<=", 140, "mg", "100 g"),
    # 21 CFR 101.56(b), in the words of 9 CFR 317.356(b), edition of 2005
    ("101.56(b)(1)", "light", "food", "FAT", LESS, ">=", 50, "%", "reference amount"),
    ("101.56(b)(2)", "light", "food", "FAT", SHARE, "<", 50, "%", ""),
    ("101.56(b)(2)(i)", "light", "food", "ENERC_KCAL", LESS, ">=", 100 / 3, "%", "reference amount"),
    # 21 CFR 101.54(b) and (c), in editions of 2007 and 2019
    ("101.54(b)(1)", "high", "food", "*", DAILY, ">=", 20, "%", "reference amount"),
    ("101.54(c)(1)", "good_source", "food", "*", DAILY, ">=", 10, "%", "reference amount"),
    # in: University of California, Davis, FDA Nutrient Content Descriptors
    ("101.54(e)(1)", "more", "food", "*", MORE, ">=", 10, "%", "reference amount"),
    ("101.62(b)(1)", "fat_free", "food", "FAT", "amount", "<", 0.5, "g", BOTH),
    ("101.62(d)(1)", "cholesterol_free", "food", "CHOLE", "amount", "<", 2, "mg", BOTH),
    ("101.62(b)(4)", "reduced_fat", "food", "FAT", LESS, ">=", 25, "%", "reference amount"),
    ("101.61(b)(6)", "reduced_sodium", "food", "NA", LESS, ">=", 25, "%", "reference amount"),
    # 21 CFR 101.13(h)(1), in a trade report of 2012 on an FDA letter
    ("101.13(h)(1)", "disclosure_fat", "food", "FAT", "amount", ">", 13, "g", ANY_SMALL),
    ("101.13(h)(1)", "disclosure_saturated_fat", "food", "FASAT", "amount", ">", 4, "g", ANY_SMALL),
    ("101.13(h)(1)", "disclosure_cholesterol", "food", "CHOLE", "amount", ">", 60, "mg", ANY_SMALL),
    ("101.13(h)(1)", "disclosure_sodium", "food", "NA", "amount", ">", 480, "mg", ANY_SMALL),
    # from memory
    ("101.13(h)(3)", "disclosure_saturated_fat", "main dish", "FASAT", "amount", ">", 6, "g", "serving"),
    ("101.13(h)(3)", "disclosure_cholesterol", "main dish", "CHOLE", "amount", ">", 90, "mg", "serving"),
    ("101.13(h)(3)", "disclosure_sodium", "main dish", "NA", "amount", ">", 720, "mg", "serving"),
    ("101.13(h)(2)", "disclosure_saturated_fat", "meal", "FASAT", "amount", ">", 8, "g", "serving"),
    ("101.13(h)(2)", "disclosure_cholesterol", "meal", "CHOLE", "amount", ">", 120, "mg", "serving"),
    ("101.13(h)(2)", "disclosure_sodium", "meal", "NA", "amount", ">", 960, "mg", "serving"),
]
CA = [
    # Table of Permitted Nutrient Content Statements and Claims, item 1 and the example of item 12, in: Canadian Food
    # Inspection Agency, specific nutrient content claim requirements, and nutrient content claim examples
    ("item 1", "free_of_energy", "food", "ENERC_KCAL", "amount", "<", 5, "kcal", BOTH),
    ("item 12", "low_in_fat", "food", "FAT", "amount", "<=", 3, "g", BOTH_SMALL),
    # in: Health Canada, Nutrition Labelling Toolkit for Educators
    ("item 3", "reduced_in_energy", "food", "ENERC_KCAL", LESS, ">=", 25, "%", "reference amount"),
    ("item 19", "low_in_saturated", "food", "FASAT+FATRN", "amount", "<=", 2, "g", BOTH),
    ("item 27", "free_of_cholesterol", "food", "CHOLE", "amount", "<", 2, "mg", BOTH),
    ("item 31", "free_of_sodium", "food", "NA", "amount", "<", 5, "mg", BOTH),
    ("item 41", "source_of_fibre", "food", "FIBTG", "amount", ">=", 2, "g", BOTH),
    ("calcium: 165 mg of the former 1100 mg", "good_source_of", "food", "*", DAILY, ">=", 100 * 165 / 1100, "%", BOTH),
    # Food and Drug Regulations D.01.004(1)(b), in: Canadian Food Inspection Agency, vitamin and mineral claims
    ("D.01.004(1)(b)", "source_of", "food", "*", DAILY, ">=", 5, "%", "serving"),
    # Food and Drug Regulations, table following B.01.603
    ("B.01.603", "calcium_and_bone", "food", "CA", "amount", ">=", 200, "mg", BOTH),
    ("B.01.603", "calcium_and_bone", "meal", "CA", "amount", ">=", 300, "mg", "serving"),
    ("B.01.603", "potassium_and_blood_pressure", "food", "K", "amount", ">=", 350, "mg", BOTH),
    ("B.01.603", "saturated_fat_and_heart", "food", "NA", "amount", "<=", 480, "mg", BOTH_SMALL),
    ("B.01.603", "saturated_fat_and_heart", "meal", "NA", "amount", "<=", 960, "mg", "serving"),
    # from memory
    ("item 2", "low_in_energy", "food", "ENERC_KCAL", "amount", "<=", 40, "kcal", BOTH_SMALL),
    ("item 2", "low_in_energy", "meal", "ENERC_KCAL", "amount", "<=", 120, "kcal", "100 g"),
    ("item 5", "source_of_energy", "food", "ENERC_KCAL", "amount", ">=", 100, "kcal", BOTH),
    ("item 7", "low_in_protein", "food", "PROCNT", "amount", "<=", 1, "g", "100 g"),
    ("item 11", "free_of_fat", "food", "FAT", "amount", "<", 0.5, "g", BOTH),
    ("item 18", "free_of_saturated", "food", "FASAT", "amount", "<", 0.2, "g", BOTH),
    ("item 19", "low_in_saturated", "food", "FASAT+FATRN", SHARE, "<=", 15, "%", ""),
    ("item 22", "free_of_trans", "food", "FATRN", "amount", "<", 0.2, "g", BOTH),
    ("item 28", "low_in_cholesterol", "food", "CHOLE", "amount", "<=", 20, "mg", BOTH_SMALL),
    ("item 32", "low_in_sodium", "food", "NA", "amount", "<=", 140, "mg", BOTH_SMALL),
    ("item 32", "low_in_sodium", "meal", "NA", "amount", "<=", 140, "mg", "100 g"),
    ("item 33", "reduced_in_sodium", "food", "NA", LESS, ">=", 25, "%", "reference amount"),
    ("item 37", "free_of_sugars", "food", "SUGAR", "amount", "<", 0.5, "g", BOTH),
    ("item 42", "high_source_of_fibre", "food", "FIBTG", "amount", ">=", 4, "g", BOTH),
    ("item 43", "very_high_source_of_fibre", "food", "FIBTG", "amount", ">=", 6, "g", BOTH),
    ("vitamin C", "good_source_of", "food", "VITC", DAILY, ">=", 30, "%", BOTH),
    ("excellent", "excellent_source_of", "food", "*", DAILY, ">=", 25, "%", BOTH),
    ("vitamin C", "excellent_source_of", "food", "VITC", DAILY, ">=", 50, "%", BOTH),
]


@pytest.mark.parametrize("rule", [("US", *rule) for rule in US] + [("CA", *rule) for rule in CA])
def test_a_threshold_is_as_printed(rule):
    """Value, unit, basis, and whether the limit itself still counts."""
    regime, section, claim, food, component, measure, *printed = rule
    table = claim_conditions()
    rows = table[
        (table["regime"] == regime)
        & (table["claim"] == claim)
        & table["food"].map(lambda words: food in words.split(" or "))
        & (table["component"] == component)
        & (table["measure"] == measure)
    ]
    found = {(row.operator, round(row.value, 9), row.unit, row.basis) for row in rows.itertuples()}
    operator, value, unit, basis = printed
    assert (operator, round(value, 9), unit, basis) in found
    others = found - {(operator, round(value, 9), unit, basis)}
    assert all(other[0] != operator for other in others)  # a range has another end, never a second limit
    if regime == "US":
        assert rows["source"].str.contains(section.split("(")[0], regex=False).all()


@pytest.mark.parametrize(
    ("population", "category", "percent", "at_least", "at_most"),
    [
        ("age 4 and over", "small", 10, np.nan, 30), ("age 4 and over", "general", 15, np.nan, np.nan),
        ("age 4 and over", "main dish", 30, 200, np.nan), ("age 1 to 3", "small", 10, np.nan, 30),
        ("age 1 to 3", "general", 15, np.nan, np.nan), ("age 1 to 3", "main dish", 30, 170, np.nan),
    ],
)  # fmt: skip
def test_thresholds_of_the_symbol(population, category, percent, at_least, at_most):
    """Food and Drug Regulations B.01.350(1), table: the same percent for saturated fat, sugars and sodium."""
    table = front_of_pack_rules()
    rows = table[(table["population"] == population) & (table["category"] == category)]
    assert list(rows["component"]) == ["FASAT", "SUGAR", "NA"]
    for column, printed in (
        ("percent", percent), ("reference_amount_at_least", at_least), ("reference_amount_at_most", at_most)
    ):  # fmt: skip
        np.testing.assert_array_equal(rows[column], [printed] * 3)


@pytest.fixture
def food(tmp_path, sr28):
    """Make a food of one serving whose fat is set by hand."""

    def make(fat: float, serving_g: float, reference_g: float):
        text = f'title: Food\nservings: 1\ningredients: {{food: {{amount: {serving_g} g, food: "sr28:01079"}}}}\n'
        path = tmp_path / "food.yaml"
        path.write_text(f"reference amount: {reference_g} g\n{text}", encoding="utf-8")
        amounts = compute(build_grid(read_recipe(path), sr28))
        batch = amounts.data["per_batch"].copy()
        batch.loc[{"component": "FAT"}] = fat
        return replace(amounts, data=amounts.data.assign(per_batch=batch))

    return make


@pytest.mark.parametrize(
    ("fat", "serving_g", "reference_g", "in_reference"),
    [(3.0, 75.0, 110.0, 4.4), (0.05 * 75, 75.0, 75.0, 3.75)],
    ids=["muffins of 75 g, reference amount 110 g", "sausage with 5 % fat"],
)
def test_worked_examples_of_low_in_fat(food, fat, serving_g, reference_g, in_reference):
    """Canadian Food Inspection Agency, nutrient content claim examples: neither may be called low in fat.

    The muffins keep 3 g in the serving, but hold 4.4 g in the reference amount; the sausage holds 3.75 g.
    """
    conditions = judge_claims(food(fat, serving_g, reference_g), "CA")
    rows = conditions[conditions["claim"] == "low_in_fat"].set_index("basis")
    assert rows.loc["reference amount", "amount"] == pytest.approx(in_reference)
    assert rows.loc["serving", "amount"] == pytest.approx(fat)
    assert (rows.loc["reference amount", "amount"] <= 3, rows.loc["serving", "amount"] <= 3) == (False, fat <= 3)
    verdict = claim_verdicts(conditions).set_index("claim").loc["low_in_fat", "word"]
    assert verdict != "met"


@pytest.mark.parametrize(
    ("component", "amount"), [("FASAT", 3.0), ("SUGAR", 15.0), ("NA", 345.0)], ids=["fat", "sugars", "sodium"]
)
def test_the_symbol_in_grams(food, component, amount):
    """15 % of the daily values of 20 g, 100 g and 2300 mg: 3 g, 15 g and 345 mg.

    Food and Drug Regulations B.01.350(1); daily values from memory.
    """
    table = front_of_pack(food(1.0, 100.0, 100.0)).set_index("component")
    row = table.loc[component]
    assert row["limit"] * row["amount"] / row["percent"] == pytest.approx(amount)
