"""Dietary reference intakes and daily values against what was printed, and against their own logic.

The printed columns below were read off the tables named, apart from the project's own table. Numbers stand in the
order of ``PRINTED_ORDER``.
"""

import math

import pandas as pd
import pytest

from swaptable.amounts.nutrients import component_table
from swaptable.basics.units import convert
from swaptable.foods.reference import dietary_reference_intakes
from swaptable.foods.release import open_release
from swaptable.judging.daily_values import daily_value_for

MALE = ["boys 9 to 13", "boys 14 to 18", "men 19 to 30", "men 31 to 50", "men 51 to 70", "men over 70"]
FEMALE = ["girls 9 to 13", "girls 14 to 18", "women 19 to 30", "women 31 to 50", "women 51 to 70", "women over 70"]
PREGNANT = ["pregnant 14 to 18", "pregnant 19 to 30", "pregnant 31 to 50"]
LACTATING = ["lactating 14 to 18", "lactating 19 to 30", "lactating 31 to 50"]
PRINTED_ORDER = ["children 1 to 3", "children 4 to 8", *MALE, *FEMALE, *PREGNANT, *LACTATING]
MICRO = "\u00b5g"

# Estimated Average Requirements (IOM 2011, Summary Tables; NASEM 2019, Appendix J, the same table)
EAR = {
    ("CA", "mg"): "500 800 1100 1100 800 800 800 1000 1100 1100 800 800 1000 1000 1000 800 800 1000 800 800",
    ("CHOCDF", "g"): "100 100 100 100 100 100 100 100 100 100 100 100 100 100 135 135 135 160 160 160",
    ("PROCNT", "g per kg body weight"): (
        ".87 .76 .76 .73 .66 .66 .66 .66 .76 .71 .66 .66 .66 .66 .88 .88 .88 1.05 1.05 1.05"
    ),
    ("VITA_RAE", MICRO): "210 275 445 630 625 625 625 625 420 485 500 500 500 500 530 550 550 885 900 900",
    ("VITC", "mg"): "13 22 39 63 75 75 75 75 39 56 60 60 60 60 66 70 70 96 100 100",
    ("VITD", MICRO): "10 10 10 10 10 10 10 10 10 10 10 10 10 10 10 10 10 10 10 10",
    ("TOCPHA", "mg"): "5 6 9 12 12 12 12 12 9 12 12 12 12 12 12 12 12 16 16 16",
    ("THIA", "mg"): ".4 .5 .7 1 1 1 1 1 .7 .9 .9 .9 .9 .9 1.2 1.2 1.2 1.2 1.2 1.2",
    ("RIBF", "mg"): ".4 .5 .8 1.1 1.1 1.1 1.1 1.1 .8 .9 .9 .9 .9 .9 1.2 1.2 1.2 1.3 1.3 1.3",
    ("NIA", "mg"): "5 6 9 12 12 12 12 12 9 11 11 11 11 11 14 14 14 13 13 13",
    ("VITB6A", "mg"): ".4 .5 .8 1.1 1.1 1.1 1.4 1.4 .8 1 1.1 1.1 1.3 1.3 1.6 1.6 1.6 1.7 1.7 1.7",
    ("FOLDFE", MICRO): "120 160 250 330 320 320 320 320 250 330 320 320 320 320 520 520 520 450 450 450",
    ("VITB12", MICRO): ".7 1 1.5 2 2 2 2 2 1.5 2 2 2 2 2 2.2 2.2 2.2 2.4 2.4 2.4",
    ("CU", MICRO): "260 340 540 685 700 700 700 700 540 685 700 700 700 700 785 800 800 985 1000 1000",
    ("ID", MICRO): "65 65 73 95 95 95 95 95 73 95 95 95 95 95 160 160 160 209 209 209",
    ("FE", "mg"): "3 4.1 5.9 7.7 6 6 6 6 5.7 7.9 8.1 8.1 5 5 23 22 22 7 6.5 6.5",
    ("MG", "mg"): "65 110 200 340 330 350 350 350 200 300 255 265 265 265 335 290 300 300 255 265",
    ("MO", MICRO): "13 17 26 33 34 34 34 34 26 33 34 34 34 34 40 40 40 35 36 36",
    ("P", "mg"): "380 405 1055 1055 580 580 580 580 1055 1055 580 580 580 580 1055 580 580 1055 580 580",
    ("SE", MICRO): "17 23 35 45 45 45 45 45 35 45 45 45 45 45 49 49 49 59 59 59",
    ("ZN", "mg"): "2.5 4 7 8.5 9.4 9.4 9.4 9.4 7 7.3 6.8 6.8 6.8 6.8 10.5 9.5 9.5 10.9 10.4 10.4",
}
# Recommended Dietary Allowances and Adequate Intakes: elements (NASEM 2019, Appendix J), vitamins (IOM 1998-2001,
# summary table), water and macronutrients (IOM 2011, Summary Tables)
RECOMMENDED = {
    ("K", "mg"): "2000 2300 2500 3000 3400 3400 3400 3400 2300 2300 2600 2600 2600 2600 2600 2900 2900 2500 2800 2800",
    ("NA", "mg"): "800 1000 1200 1500 1500 1500 1500 1500 1200 1500 1500 1500 1500 1500 1500 1500 1500 1500 1500 1500",
    ("CA", "mg"): "700 1000 1300 1300 1000 1000 1000 1200 1300 1300 1000 1000 1200 1200 1300 1000 1000 1300 1000 1000",
    ("CR", MICRO): "11 15 25 35 35 35 30 30 21 24 25 25 20 20 29 30 30 44 45 45",
    ("CU", MICRO): "340 440 700 890 900 900 900 900 700 890 900 900 900 900 1000 1000 1000 1300 1300 1300",
    ("FLD", "mg"): ".7 1 2 3 4 4 4 4 2 3 3 3 3 3 3 3 3 3 3 3",
    ("ID", MICRO): "90 90 120 150 150 150 150 150 120 150 150 150 150 150 220 220 220 290 290 290",
    ("FE", "mg"): "7 10 8 11 8 8 8 8 8 15 18 18 8 8 27 27 27 10 9 9",
    ("MG", "mg"): "80 130 240 410 400 420 420 420 240 360 310 320 320 320 400 350 360 360 310 320",
    ("MN", "mg"): "1.2 1.5 1.9 2.2 2.3 2.3 2.3 2.3 1.6 1.6 1.8 1.8 1.8 1.8 2 2 2 2.6 2.6 2.6",
    ("MO", MICRO): "17 22 34 43 45 45 45 45 34 43 45 45 45 45 50 50 50 50 50 50",
    ("P", "mg"): "460 500 1250 1250 700 700 700 700 1250 1250 700 700 700 700 1250 700 700 1250 700 700",
    ("SE", MICRO): "20 30 40 55 55 55 55 55 40 55 55 55 55 55 60 60 60 70 70 70",
    ("ZN", "mg"): "3 5 8 11 11 11 11 11 8 9 8 8 8 8 12 11 11 13 12 12",
    ("VITA_RAE", MICRO): "300 400 600 900 900 900 900 900 600 700 700 700 700 700 750 770 770 1200 1300 1300",
    ("VITC", "mg"): "15 25 45 75 90 90 90 90 45 65 75 75 75 75 80 85 85 115 120 120",
    ("TOCPHA", "mg"): "6 7 11 15 15 15 15 15 11 15 15 15 15 15 15 15 15 19 19 19",
    ("VITK1", MICRO): "30 55 60 75 120 120 120 120 60 75 90 90 90 90 75 90 90 75 90 90",
    ("VITB6A", "mg"): ".5 .6 1 1.3 1.3 1.3 1.7 1.7 1 1.2 1.3 1.3 1.5 1.5 1.9 1.9 1.9 2 2 2",
    ("FOLDFE", MICRO): "150 200 300 400 400 400 400 400 300 400 400 400 400 400 600 600 600 500 500 500",
    ("VITB12", MICRO): ".9 1.2 1.8 2.4 2.4 2.4 2.4 2.4 1.8 2.4 2.4 2.4 2.4 2.4 2.6 2.6 2.6 2.8 2.8 2.8",
    ("NIA", "mg"): "6 8 12 16 16 16 16 16 12 14 14 14 14 14 18 18 18 17 17 17",
    ("PANTAC", "mg"): "2 3 4 5 5 5 5 5 4 5 5 5 5 5 6 6 6 7 7 7",
    ("BIOT", MICRO): "8 12 20 25 30 30 30 30 20 25 30 30 30 30 30 30 30 35 35 35",
    ("WATER", "g"): (
        "1300 1700 2400 3300 3700 3700 3700 3700 2100 2300 2700 2700 2700 2700 3000 3000 3000 3800 3800 3800"
    ),
    ("CHOCDF", "g"): "130 130 130 130 130 130 130 130 130 130 130 130 130 130 175 175 175 210 210 210",
    ("FIBTG", "g"): "19 25 31 38 38 38 30 30 26 26 25 25 21 21 28 28 28 29 29 29",
    ("F18D2CN6", "g"): "7 10 12 16 17 17 14 14 10 11 12 12 11 11 13 13 13 13 13 13",
    ("F18D3CN3", "g"): ".7 .9 1.2 1.6 1.6 1.6 1.6 1.6 1 1.1 1.1 1.1 1.1 1.1 1.4 1.4 1.4 1.3 1.3 1.3",
    ("PROCNT", "g"): "13 19 34 52 56 56 56 56 34 46 46 46 46 46 71 71 71 71 71 71",
}
# Tolerable Upper Intake Levels, elements (National Academies, table with the calcium of 2011), up to pregnant 14 to 18
UPPER = {
    ("CA", "mg"): "2500 2500 3000 3000 2500 2500 2000 2000 3000 3000 2500 2500 2000 2000 3000",
    ("CU", MICRO): "1000 3000 5000 8000 10000 10000 10000 10000 5000 8000 10000 10000 10000 10000 8000",
    ("FLD", "mg"): "1.3 2.2 10 10 10 10 10 10 10 10 10 10 10 10 10",
    ("ID", MICRO): "200 300 600 900 1100 1100 1100 1100 600 900 1100 1100 1100 1100 900",
    ("FE", "mg"): "40 40 40 45 45 45 45 45 40 45 45 45 45 45 45",
    ("MG", "mg"): "65 110 350 350 350 350 350 350 350 350 350 350 350 350 350",
    ("MN", "mg"): "2 3 6 9 11 11 11 11 6 9 11 11 11 11 9",
    ("MO", MICRO): "300 600 1100 1700 2000 2000 2000 2000 1100 1700 2000 2000 2000 2000 1700",
    ("P", "mg"): "3000 3000 4000 4000 4000 4000 4000 3000 4000 4000 4000 4000 4000 3000 3500",
    ("SE", MICRO): "90 150 280 400 400 400 400 400 280 400 400 400 400 400 400",
    ("ZN", "mg"): "7 12 23 34 40 40 40 40 23 34 40 40 40 40 34",
    ("CLD", "mg"): "2300 2900 3400 3600 3600 3600 3600 3600 3400 3600 3600 3600 3600 3600 3600",
}
# Acceptable Macronutrient Distribution Ranges: children 1 to 3, 4 to 18, adults (IOM 2011, Summary Tables)
RANGES = {
    "FAT": ((30, 40), (25, 35), (20, 35)),
    "F18D2CN6": ((5, 10), (5, 10), (5, 10)),
    "F18D3CN3": ((0.6, 1.2), (0.6, 1.2), (0.6, 1.2)),
    "CHOCDF": ((45, 65), (45, 65), (45, 65)),
    "PROCNT": ((5, 20), (10, 30), (10, 35)),
}
INTAKES = dietary_reference_intakes()


def intake(group: str, component: str, kinds: list[str], unit: str) -> float:
    """Look one value up."""
    rows = INTAKES[(INTAKES["group"] == group) & (INTAKES["component"] == component) & (INTAKES["unit"] == unit)]
    (value,) = rows[rows["kind"].isin(kinds)]["value"]
    return float(value)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("kinds", "component", "unit", "printed"),
    [
        pytest.param(kinds, component, unit, printed, id=f"{kinds[0]} {component}")
        for kinds, table in ((["EAR"], EAR), (["RDA", "AI"], RECOMMENDED), (["UL"], UPPER))
        for (component, unit), printed in table.items()
    ],
)
def test_intakes_are_those_printed(kinds: list[str], component: str, unit: str, printed: str) -> None:
    """Every life-stage group has the value that the table named beside the column prints."""
    numbers = [float(number) for number in printed.split()]
    groups = PRINTED_ORDER[: len(numbers)]
    assert len(numbers) in (15, 20)
    assert [intake(group, component, kinds, unit) for group in groups] == numbers


@pytest.mark.outside
@pytest.mark.parametrize("component", RANGES)
def test_ranges_of_energy_are_those_printed(component: str) -> None:
    """IOM 2002/2005, ranges by age as printed in IOM 2011, Summary Tables."""
    for group in PRINTED_ORDER:
        age = 0 if group == "children 1 to 3" else 1 if group == "children 4 to 8" or "to 13" in group else 2
        age = 1 if "14 to 18" in group else age
        found = [intake(group, component, [kind], "%E") for kind in ("AMDR_LOW", "AMDR_HIGH")]
        assert tuple(found) == RANGES[component][age], group


@pytest.mark.outside
@pytest.mark.parametrize(
    ("groups", "component", "kind", "value", "unit"),
    [
        # IOM 2011, Dietary Reference Intakes for Calcium and Vitamin D
        (["men 19 to 30", "men 31 to 50", "women 19 to 30", "women 31 to 50"], "CA", "RDA", 1000, "mg"),
        (["women 51 to 70"], "CA", "RDA", 1200, "mg"),
        (["men 51 to 70"], "CA", "RDA", 1000, "mg"),
        (["men 51 to 70", "men over 70", "women 51 to 70", "women over 70"], "CA", "UL", 2000, "mg"),
        (["children 1 to 3", "men 51 to 70", "women 19 to 30", *PREGNANT, *LACTATING], "VITD", "RDA", 600 / 40, MICRO),
        (["men over 70", "women over 70"], "VITD", "RDA", 800 / 40, MICRO),
        ([*MALE, *FEMALE, *PREGNANT, *LACTATING], "VITD", "UL", 4000 / 40, MICRO),
        # National Academies 2019, Dietary Reference Intakes for Sodium and Potassium
        ([*MALE[2:]], "K", "AI", 3400, "mg"),
        ([*FEMALE[2:]], "K", "AI", 2600, "mg"),
        ([*MALE[1:], *FEMALE[1:], *PREGNANT, *LACTATING], "NA", "CDRR", 2300, "mg"),
        (["children 1 to 3"], "NA", "CDRR", 1200, "mg"),  # children's figures seen in a secondary text only
        (["children 4 to 8"], "NA", "CDRR", 1500, "mg"),
        (["boys 9 to 13", "girls 9 to 13"], "NA", "CDRR", 1800, "mg"),
        # IOM 2000, Applications in Dietary Assessment, summary table of upper levels
        ([*PREGNANT], "P", "UL", 3500, "mg"),
        ([*LACTATING], "P", "UL", 4000, "mg"),
        ([*PREGNANT, *LACTATING], "MG", "UL", 350, "mg"),
        # IOM 1998: in µg of added folic acid; IOM 2001: retinol
        ([*MALE[2:], *FEMALE[2:]], "FOLDFE", "UL", 1000, MICRO),
        ([*MALE[2:], *FEMALE[2:]], "VITA_RAE", "UL", 3000, MICRO),
        ([*MALE[2:], *FEMALE[2:]], "NIA", "UL", 35, "mg"),
    ],
)
def test_published_statements(groups: list[str], component: str, kind: str, value: float, unit: str) -> None:
    """Sentences of the reports hold for each group that they speak of."""
    assert {intake(group, component, [kind], unit) for group in groups} == {value}


def test_every_group_has_every_intake_once() -> None:
    """The same components and kinds for all 20 groups, no two rows for one question."""
    assert list(dict.fromkeys(INTAKES["group"])) == PRINTED_ORDER
    key = ["group", "component", "kind", "unit"]
    assert not INTAKES.duplicated(key).any()
    assert INTAKES.groupby("group").size().nunique() == 1
    assert INTAKES["value"].notna().all()
    assert (INTAKES["value"] > 0).all()


def test_average_requirement_is_below_the_recommended_and_the_upper_level() -> None:
    """EAR < RDA < UL, AI < UL and AI < CDRR, where the level is for total intake; and a range has a width."""
    wide = INTAKES.pivot_table(index=["group", "component", "unit"], columns="kind", values="value")
    assert (wide["EAR"] < wide["RDA"]).equals(wide["EAR"].notna() & wide["RDA"].notna())
    assert (wide["AMDR_LOW"] < wide["AMDR_HIGH"]).equals(wide["AMDR_LOW"].notna())
    assert not (wide["RDA"].notna() & wide["AI"].notna()).any()
    total = INTAKES[INTAKES["applies_to"] == "total intake"]
    wide = total.pivot_table(index=["group", "component", "unit"], columns="kind", values="value")
    for lower in ("EAR", "RDA", "AI"):
        both = wide[lower].notna() & wide["UL"].notna()
        assert (wide["UL"][both] > wide[lower][both]).all()
    both = wide["CDRR"].notna()
    assert (wide["CDRR"][both] > wide["AI"][both]).all()


def test_a_requirement_per_kilogram_fits_that_per_day() -> None:
    """Protein in g over protein in g per kg is a body weight that a member of the group may have [kg]."""
    for group in PRINTED_ORDER[:14]:
        weight = intake(group, "PROCNT", ["RDA"], "g") / intake(group, "PROCNT", ["RDA"], "g per kg body weight")
        assert 10 <= weight <= 75, group
    adults = [g for g in PRINTED_ORDER[:14] if g.startswith(("men", "women"))]
    reference = {"men": 70, "women": 57}  # kg, IOM 2002/2005
    for group in adults:
        expected = 0.8 * reference[group.split()[0]]
        assert math.isclose(intake(group, "PROCNT", ["RDA"], "g"), expected, abs_tol=0.5)


def test_comparisons_are_with_components_of_ours() -> None:
    """What an intake is compared with can be computed, in a unit of the same kind; else the note says why not."""
    units = component_table(open_release("sr28")).set_index("component")["unit"]
    for row in INTAKES.drop_duplicates(["component", "kind", "unit"]).itertuples():
        if row.compared_with == "":
            assert "not in SR28" in row.note
            continue
        assert row.compared_with in units.index
        if row.unit in ("g", "mg", MICRO):
            convert(1.0, row.unit, str(units[row.compared_with]))
    forms = {(row.component, row.applies_to, row.compared_with) for row in INTAKES.itertuples() if row.kind == "UL"}
    assert {form for form in forms if form[1] != "total intake"} == {
        ("VITA_RAE", "preformed", "RETOL"),
        ("FOLDFE", "added forms", "FOLAC"),
        ("NIA", "added forms", "NIA"),
        ("TOCPHA", "added forms", "TOCPHA"),
        ("MG", "supplements", "MG"),
    }
    needs = INTAKES[INTAKES["kind"].isin(["EAR", "RDA"]) & (INTAKES["component"] == "NIA")]
    assert set(needs["compared_with"]) == {"NIAEQ"}


def test_groups_say_whom_they_are_for() -> None:
    """Sex, age and condition follow from the name of the group."""
    words = {"boys": "male", "men": "male", "girls": "female", "women": "female", "children": "any"}
    for group, rows in INTAKES.groupby("group"):
        first, *_ = str(group).split()
        assert set(rows["sex"]) == {words.get(first, "female")}
        assert set(rows["condition"]) == {first if first in ("pregnant", "lactating") else "none"}
        ages = [int(word) for word in str(group).split() if word.isdigit()]
        low, high = (71, None) if "over" in str(group) else ages
        assert set(rows["age_low"]) == {low}
        assert rows["age_high"].isna().all() if high is None else set(rows["age_high"]) == {high}


@pytest.mark.outside
@pytest.mark.parametrize(("component", "factor"), [("CU", 1000.0), ("ZN", 1.0), ("SE", 1.0), ("VITC", 1.0), ("P", 1.0)])
def test_daily_values_are_the_highest_recommended_intakes(component: str, factor: float) -> None:
    """81 FR 33742 (2016) takes the highest RDA of age 4 and over, without pregnancy and lactation, as daily value."""
    rows = INTAKES[(INTAKES["component"] == component) & (INTAKES["kind"] == "RDA") & (INTAKES["condition"] == "none")]
    highest = rows[rows["age_low"] >= 4]["value"].max()
    value: pd.Series = daily_value_for("US").loc[component]
    assert highest == pytest.approx(float(value["value"]) * factor)
    assert daily_value_for("CA").loc[component, "value"] == value["value"]
