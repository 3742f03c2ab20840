"""The tables of ``data/reference/`` keep their promises and agree with what was printed."""

import csv
import json
import re
import statistics
from functools import cache
from pathlib import Path

import pandas as pd
import pytest

DATA = Path(__file__).parents[1] / "data"
REFERENCE = DATA / "reference"
TABLES = sorted(path.stem for path in REFERENCE.glob("*.csv"))
RETENTION_TEXT = [
    "row",
    "usda_code",
    "food_class",
    "process",
    "liquid",
    "detail",
    "default",
    "note",
    "source",
]


@cache
def table(name: str) -> list[dict[str, str]]:
    """Read a reference table as text."""
    with (REFERENCE / f"{name}.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@cache
def foods() -> pd.DataFrame:
    """Read code, food group and description of every food of SR28."""
    return pd.read_parquet(DATA / "foods" / "sr28" / "foods.parquet", columns=["code", "food_group", "description"])


@cache
def water() -> dict[str, tuple[float, int]]:
    """Water [g/100 g] of every food of SR28, and in how many samples it was analysed."""
    values = pd.read_parquet(
        DATA / "foods" / "sr28" / "values.parquet", columns=["code", "nutrient_number", "value", "n"]
    )
    values = values[values["nutrient_number"] == 255]
    samples = values["n"].fillna(0)
    return dict(zip(values["code"], zip(values["value"], samples, strict=True), strict=True))


def factor(row: str, component: str) -> str:
    """Look one factor up as it is written."""
    return next(r for r in table("retention") if r["row"] == row)[component]


def unique(name: str, *columns: str) -> bool:
    """Tell whether no two rows share the values of the columns."""
    keys = [tuple(row[column] for column in columns) for row in table(name)]
    return len(keys) == len(set(keys))


def between(value: float, low: float, high: float) -> bool:
    """Tell whether a value is between two others, bounds included."""
    return low <= value <= high


@pytest.mark.parametrize("name", TABLES)
def test_tables_are_plain_utf8_with_lf_and_full_rows(name: str) -> None:
    """Every table is UTF-8 without a mark in front, has LF line ends and no short or long row."""
    raw = (REFERENCE / f"{name}.csv").read_bytes()
    assert not raw.startswith(b"\xef\xbb\xbf")
    assert b"\r" not in raw
    rows = list(csv.reader(raw.decode("utf-8").splitlines()))
    assert {len(row) for row in rows} == {len(rows[0])}


@pytest.mark.parametrize("name", TABLES)
def test_every_table_and_column_is_in_the_glossary(name: str) -> None:
    """The glossary describes each table in a section of its own and names each of its columns."""
    glossary = (DATA / "README.md").read_text(encoding="utf-8")
    section = glossary.split(f"### `{name}.csv`")[1].split("\n## ")[0].split("\n### ")[0]
    columns = list(table(name)[0])
    if name == "retention":
        columns = [*RETENTION_TEXT, "ALC", "ZN"]  # the components are described as a range
    assert [column for column in columns if f"`{column}`" not in section] == []


@pytest.mark.parametrize(
    ("name", "columns"),
    [
        ("retention", ["row"]),
        ("processes", ["word"]),
        ("food_classes", ["order"]),
        ("food_classes", ["food_group", "pattern"]),
        ("yields", ["food_class", "process", "liquid"]),
        ("densities", ["food_group", "pattern"]),
        ("daily_values", ["regime", "population", "component"]),
        ("daily_value_words", ["regime", "word"]),
        ("nutrient_rich_foods", ["form", "component"]),
    ],
    ids=lambda value: "+".join(value) if isinstance(value, list) else value,
)
def test_keys_are_unique(name: str, columns: list[str]) -> None:
    """No two rows of a table answer the same question."""
    assert unique(name, *columns)


@pytest.mark.parametrize("name", [name for name in TABLES if name not in ("components", "retention_estimates")])
def test_every_figure_has_a_source(name: str) -> None:
    """No row is without a source; the estimates rest as a whole on the release they are fitted to."""
    assert [row for row in table(name) if not row["source"]] == []


@pytest.mark.parametrize("name", [name for name in TABLES if "checked" in table(name)[0]])
def test_checked_says_seen_or_from_memory(name: str) -> None:
    """Where a table says how it was checked, it uses one of two words."""
    assert {row["checked"] for row in table(name)} <= {"seen", "from memory"}


def test_retention_has_one_default_in_each_group() -> None:
    """Each food class, process and liquid has exactly one row for a recipe that states no detail."""
    groups: dict[tuple[str, str, str], list[str]] = {}
    for row in table("retention"):
        groups.setdefault((row["food_class"], row["process"], row["liquid"]), []).append(row["default"])
    assert {key: found for key, found in groups.items() if sorted(found).count("yes") != 1} == {}
    assert {row["default"] for row in table("retention")} == {"yes", "no"}


def test_retention_details_are_unique_in_their_group() -> None:
    """A detail leads to one row."""
    assert unique("retention", "food_class", "process", "liquid", "detail")


def test_retention_factors_are_percentages() -> None:
    """Every factor lies between 0 and 100 percent, and liquid is kept, discarded or not stated."""
    for row in table("retention"):
        for column in set(row) - set(RETENTION_TEXT):
            assert row[column] == "" or between(float(row[column]), 0, 100), (row["row"], column)
    assert {row["liquid"] for row in table("retention")} == {"kept", "discarded", ""}


def test_retention_rows_keep_their_published_code() -> None:
    """All 270 codes of the USDA retention table, Release 6 (2007), are there under their own name."""
    published = [row for row in table("retention") if row["row"] == row["usda_code"]]
    assert len(published) == 270
    repeated = [row for row in table("retention") if row["usda_code"] and row["row"] != row["usda_code"]]
    for row in repeated:
        assert row["note"]
        assert [row[tag] for tag in ("NA", "K", "VITC", "THIA")] == [
            factor(row["usda_code"], tag) for tag in ("NA", "K", "VITC", "THIA")
        ]


@pytest.mark.outside
@pytest.mark.parametrize(
    ("row", "component", "percent"),
    [
        ("3005", "VITC", "55"),  # greens, boiled, water to cover, drained
        ("3006", "THIA", "90"),  # greens, boiled, water used
        ("3308", "K", "90"),  # potatoes, boiled, pared, drained
        ("3301", "FOL", "90"),  # potatoes, baked in skin
        ("381", "K", "30"),  # pasta, boiled, drained
        ("381", "NA", "50"),
        ("601", "THIA", "55"),  # beef, roasted
        ("501", "FOL", "60"),  # legumes, cooked 15/20 min, boiled, drained
        ("541", "FOL", "30"),  # legumes, cooked 2/2.5 h, boiled, drained
        ("103", "RIBF", "95"),  # eggs, fried or scrambled
        ("2551", "NIA", "85"),  # finfish over 5 % fat, simmered, without drippings
    ],
)
def test_retention_agrees_with_the_printed_table(row: str, component: str, percent: str) -> None:
    """USDA Table of Nutrient Retention Factors, Release 6 (2007), as printed."""
    assert factor(row, component) == percent


@pytest.mark.outside
def test_alcohol_falls_as_augustin_measured() -> None:
    """Augustin et al. 1992, J Am Diet Assoc 92:486: 40, 35, 25, 20, 10, 5 % of the alcohol left over time."""
    series = {
        row["detail"]: row["ALC"]
        for row in table("retention")
        if row["food_class"] == "alcoholic beverage" and row["process"] == "simmered"
    }
    assert series == {"15 min": "40", "30 min": "35", "1 h": "25", "1.5 h": "20", "2 h": "10", "2.5 h": "5"}


def test_alcohol_factors_only_where_there_is_alcohol() -> None:
    """Alcohol is left blank for every class but alcoholic beverages."""
    assert {r["food_class"] for r in table("retention") if r["ALC"]} == {"alcoholic beverage"}
    assert all(r["ALC"] for r in table("retention") if r["food_class"] == "alcoholic beverage")


@pytest.mark.outside
def test_rinsed_beans_agree_with_duyff() -> None:
    """Duyff, Mount & Jones 2011, J Culin Sci Technol 9:106: 36 % of the sodium drained, 41 % rinsed."""
    assert factor("canned-legume-drained", "NA") == str(100 - 36)
    assert factor("canned-legume-rinsed", "NA") == str(100 - 41)


@pytest.mark.parametrize(
    ("food_class", "process", "liquid", "detail"),
    [
        ("legume", "boiled", "discarded", "cooked 15-20 min"),
        ("leafy vegetable", "boiled", "discarded", "water to cover"),
        ("root vegetable", "boiled", "discarded", "water to cover"),
        ("other vegetable", "boiled", "discarded", "water to cover"),
        ("potato", "boiled", "discarded", ""),
        ("potato", "boiled", "kept", ""),
        ("sweet potato", "boiled", "discarded", ""),
    ],
)
def test_chosen_defaults(food_class: str, process: str, liquid: str, detail: str) -> None:
    """The defaults that the glossary gives reasons for are the ones in the table."""
    key = (food_class, process, liquid, "yes")
    (found,) = [
        r["detail"] for r in table("retention") if (r["food_class"], r["process"], r["liquid"], r["default"]) == key
    ]
    assert found == detail


def test_steaming_equals_boiling_with_the_water_used() -> None:
    """Steamed rows equal the rows for boiling with the water used: two published, three assumed."""
    rows = {r["row"]: r for r in table("retention")}
    components = set(rows["3784"]) - set(RETENTION_TEXT)
    published = [("3784", "3776"), ("3464", "3456")]
    assumed = [(f"{code}-steamed", code) for code in ("3006", "3309", "3709")]
    for steamed, boiled in published + assumed:
        assert {c for c in components if rows[steamed][c] != rows[boiled][c]} == set()


def test_processes_lead_to_published_words() -> None:
    """Every word tried is a process of the retention table, and every such process is accepted as a word."""
    published = {row["process"] for row in table("retention")}
    tried = {word for row in table("processes") for word in row["process_tried"].split("|")}
    assert tried == published
    assert published <= {row["word"] for row in table("processes")}


def test_a_published_word_is_tried_first() -> None:
    """A recipe that uses a published word gets that row if the class has it."""
    published = {row["process"] for row in table("retention")}
    for row in table("processes"):
        tried = row["process_tried"].split("|")
        assert len(tried) == len(set(tried))
        assert row["word"] not in published or tried[0] == row["word"]


def test_classes_exist_in_the_retention_table() -> None:
    """Rules and yields speak of classes the retention table has, or of none."""
    known = {row["food_class"] for row in table("retention")}
    assert {row["food_class"] for row in table("food_classes")} == known | {"none"}
    assert {row["food_class"] for row in table("yields")} <= known
    assert {row["food_class"] for row in table("yields_meat_cuts")} <= known


def test_yields_are_for_processes_the_retention_table_has() -> None:
    """A yield without retention factors for the same class, process and liquid would never be used."""
    known = {(r["food_class"], r["process"], r["liquid"]) for r in table("retention")}
    assert {(r["food_class"], r["process"], r["liquid"]) for r in table("yields")} - known == set()
    pairs = {(class_, process) for class_, process, _ in known}
    cuts = {(r["food_class"], r["process"]) for r in table("yields_meat_cuts") if r["process"]}
    assert cuts - pairs == set()


def class_of(food_group: str, description: str) -> str | None:
    """Apply the rules in order."""
    for rule in table("food_classes"):
        if rule["food_group"] in ("", food_group) and re.search(rule["pattern"], description.lower()):
            return rule["food_class"]
    return None


def test_rules_are_in_order_and_compile() -> None:
    """The order counts from 1 without gaps and every pattern is a regular expression, also for densities."""
    ranks = [int(row["order"]) for row in table("food_classes")]
    assert ranks == list(range(1, len(ranks) + 1))
    for row in [*table("food_classes"), *table("densities")]:
        re.compile(row["pattern"])
    groups = set(foods()["food_group"])
    assert {r["food_group"] for r in [*table("food_classes"), *table("densities")]} <= groups | {""}


def test_every_food_of_sr28_has_a_class() -> None:
    """All 8,789 foods of SR28 fall under a rule, and every class is used."""
    classes = [class_of(*food) for food in zip(foods()["food_group"], foods()["description"], strict=True)]
    assert len(classes) == 8789
    assert None not in classes
    unused = {row["food_class"] for row in table("food_classes")} - set(classes)
    assert unused == set()


@pytest.mark.parametrize(
    ("code", "food_class"),
    [
        ("20005", "breakfast cereal"),  # barley, pearled, raw
        ("11352", "potato"),
        ("11507", "sweet potato"),
        ("11505", "leafy vegetable"),  # sweet potato leaves
        ("11124", "root vegetable"),
        ("11246", "root vegetable"),  # leeks, whose description speaks of a leaf portion
        ("11233", "leafy vegetable"),  # kale
        ("16049", "legume"),  # white beans, raw
        ("16051", "canned legume"),  # white beans, canned
        ("15088", "oily fish"),  # sardines in oil
        ("15015", "lean fish"),  # cod
        ("01123", "egg"),
        ("01077", "milk"),
        ("08120", "oatmeal"),
        ("20081", "flour or meal"),
        ("13326", "liver"),
        ("02047", "none"),  # table salt
        ("04053", "none"),  # olive oil
        ("14411", "none"),  # water
        ("06615", "none"),  # vegetable broth
    ],
)
def test_common_foods_fall_in_the_expected_class(code: str, food_class: str) -> None:
    """Foods a class would cook with are classed as a dietitian would."""
    (food,) = foods()[foods()["code"] == code].itertuples()
    assert class_of(food.food_group, food.description) == food_class


def percentile(values: list[float], share: float) -> float:
    """Interpolate linearly between the ordered values."""
    ordered = sorted(values)
    place = (len(ordered) - 1) * share
    low = int(place)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (ordered[high] - ordered[low]) * (place - low)


CALCULATED = [row for row in table("yields") if row["evidence"] == "calculated"]


@pytest.mark.parametrize("row", CALCULATED, ids=lambda r: f"{r['food_class']}, {r['process']}")
def test_calculated_yields_follow_from_their_pairs(row: dict[str, str]) -> None:
    """Solids are conserved: yield = (100 - water raw) / (100 - water cooked), the median over the pairs."""
    pairs = [pair.split(">") for pair in row["pairs"].split("|")]
    yields = [(100 - water()[raw][0]) / (100 - water()[cooked][0]) * 100 for raw, cooked in pairs]
    assert int(row["n"]) == len(yields)
    # six significant digits are written
    assert float(row["yield_percent"]) == pytest.approx(statistics.median(yields), rel=1e-5)
    if len(yields) > 1:
        assert float(row["low_percent"]) == pytest.approx(percentile(yields, 0.1), rel=1e-5)
        assert float(row["high_percent"]) == pytest.approx(percentile(yields, 0.9), rel=1e-5)
    else:
        assert row["low_percent"] == row["high_percent"] == ""


def test_pairs_are_analysed_and_of_the_class_they_stand_for() -> None:
    """Water was analysed in two samples or more, but for leafy vegetables; the class is that of the food."""
    described = {food.code: food for food in foods().itertuples()}
    for row in CALCULATED:
        for pair in row["pairs"].split("|"):
            raw, cooked = pair.split(">")
            assert class_of(described[raw].food_group, described[raw].description) == row["food_class"]
            if row["food_class"] != "leafy vegetable":
                assert min(water()[raw][1], water()[cooked][1]) >= 2, pair


def test_yield_ranges_hold_their_yield() -> None:
    """The yield lies within its range, and the evidence is one of three words."""
    for row in table("yields"):
        assert row["evidence"] in {"measured", "calculated", "assumed"}
        assert (row["pairs"] != "") == (row["evidence"] == "calculated")
        assert row["liquid"] != "kept"
        if row["low_percent"]:
            assert between(float(row["yield_percent"]), float(row["low_percent"]), float(row["high_percent"]))


@pytest.mark.outside
@pytest.mark.parametrize(
    ("code", "process", "percent"),
    [
        ("13806", "braised", "69"),
        ("10061", "roasted", "77"),
        ("05060", "roasted", "72"),
        ("17425", "broiled", "74"),
    ],
)
def test_cut_yields_agree_with_the_printed_table(code: str, process: str, percent: str) -> None:
    """USDA Table of Cooking Yields for Meat and Poultry, Release 2 (2014), as printed."""
    (row,) = [r for r in table("yields_meat_cuts") if (r["ndb_number"], r["process"]) == (code, process)]
    assert row["yield_percent"] == percent


def test_cut_yields_name_foods_of_sr28() -> None:
    """Numbers have five digits, and every raw number is a raw food of SR28 of the class of the row."""
    described = {food.code: food for food in foods().itertuples()}
    assert len(table("yields_meat_cuts")) == 173
    for row in table("yields_meat_cuts"):
        assert re.fullmatch(r"(\d{5})?", row["ndb_number"])
        if row["raw_ndb_number"]:
            food = described[row["raw_ndb_number"]]
            assert re.search("raw|unprepared|unheated", food.description)
            assert class_of(food.food_group, food.description) == row["food_class"], food.description


def test_no_measure_word_is_claimed_twice() -> None:
    """Unit names and aliases are distinct, and the ambiguous T and t are not among them."""
    words = [word for row in table("measures") for word in (row["unit"], *row["aliases"].split("|"))]
    assert len(words) == len(set(words))
    assert {"T", "t", "c", "C", ""} & set(words) == set()


@pytest.mark.outside
@pytest.mark.parametrize(
    ("unit", "size", "base"),
    [
        ("ounce", 28.349523125, "g"),
        ("pound", 453.59237, "g"),
        ("us gallon", 231 * 2.54**3, "ml"),  # 231 cubic inches of 2.54 cm
        ("us quart", 231 * 2.54**3 / 4, "ml"),
        ("us pint", 231 * 2.54**3 / 8, "ml"),
        ("us cup", 231 * 2.54**3 / 16, "ml"),
        ("us fluid ounce", 231 * 2.54**3 / 128, "ml"),
        ("us tablespoon", 231 * 2.54**3 / 256, "ml"),
        ("us teaspoon", 231 * 2.54**3 / 768, "ml"),
    ],
)
def test_measures_agree_with_nist(unit: str, size: float, base: str) -> None:
    """NIST Handbook 44, Appendix C: avoirdupois pound and US gallon, with their exact parts."""
    (row,) = [r for r in table("measures") if r["unit"] == unit]
    assert float(row["grams_or_ml"]) == pytest.approx(size, rel=1e-12)
    assert (row["base_unit"], row["exact"]) == (base, "yes")


def test_densities_follow_from_sr28_portions() -> None:
    """Each density is the weight of the portion named over its volume in US measures, to four digits."""
    size = {alias: float(r["grams_or_ml"]) for r in table("measures") for alias in r["aliases"].split("|")}
    portions = pd.read_parquet(DATA / "foods" / "sr28" / "portions.parquet")
    for row in table("densities"):
        if not row["measure"]:
            assert float(row["density_g_per_ml"]) == 1
            continue
        amount, measure = row["measure"].split(" ", 1)
        grams = float(row["grams"])
        assert float(row["density_g_per_ml"]) == pytest.approx(grams / (float(amount) * size[measure]), rel=5e-4)
        own = portions[(portions["code"] == row["food_code"]) & (portions["amount"] == float(amount))]
        own = own[own["measure"].str.startswith(measure)]
        assert grams in set(own["grams"]), row["pattern"]


def test_units_of_components_are_the_agreed_ones() -> None:
    """Units are g, mg, µg with the micro sign, or IU."""
    units = {r["unit"] for name in ("daily_values", "nutrient_rich_foods") for r in table(name)}
    assert units == {"g", "mg", "\u00b5g", "IU"}


@pytest.mark.outside
@pytest.mark.parametrize(
    ("regime", "component", "value", "unit"),
    [
        ("US", "NA", "2300", "mg"),
        ("US", "K", "4700", "mg"),
        ("US", "VITD", "20", "\u00b5g"),
        ("US", "FIBTG", "28", "g"),
        ("US", "CA", "1300", "mg"),
        ("CA", "K", "3400", "mg"),
        ("US before 2016", "NA", "2400", "mg"),
        ("US before 2016", "K", "3500", "mg"),
    ],
)
def test_daily_values_agree_with_the_rules(regime: str, component: str, value: str, unit: str) -> None:
    """21 CFR 101.9(c) of 2016 and before; Health Canada, Table of Daily Values, as amended in 2022."""
    (row,) = [
        r
        for r in table("daily_values")
        if (r["regime"], r["population"], r["component"]) == (regime, "age 4 and over", component)
    ]
    assert (row["value"], row["unit"], row["checked"]) == (value, unit, "seen")


@pytest.mark.outside
def test_words_for_little_and_much() -> None:
    """FDA calls 5 % low and 20 % high; Health Canada calls 5 % a little and 15 % a lot."""
    found = {(r["regime"], r["word"], r["operator"], r["percent"]) for r in table("daily_value_words")}
    assert found == {
        ("US", "low", "<=", "5"),
        ("US", "high", ">=", "20"),
        ("CA", "a little", "<=", "5"),
        ("CA", "a lot", ">=", "15"),
    }


@pytest.mark.parametrize("form", ["published 2009", "2016 daily values"])
def test_index_has_nine_nutrients_and_three_limits(form: str) -> None:
    """NRF9.3 encourages nine nutrients and limits three (Fulgoni et al. 2009, J Nutr 139:1549)."""
    roles = [row["role"] for row in table("nutrient_rich_foods") if row["form"] == form]
    assert (roles.count("encourage"), roles.count("limit"), len(roles)) == (9, 3, 12)


def test_index_uses_the_daily_values_of_its_time() -> None:
    """The nutrients to encourage, and sodium and saturated fat, have the daily values of the same regime."""
    regimes = {"published 2009": "US before 2016", "2016 daily values": "US"}
    values = {
        (r["regime"], r["component"]): (float(r["value"]), r["unit"])
        for r in table("daily_values")
        if r["population"] == "age 4 and over"
    }
    for row in table("nutrient_rich_foods"):
        key = (regimes[row["form"]], row["component"])
        if row["component"] == "SUGAR" or key not in values:
            assert row["note"]
            continue
        assert (float(row["daily_value"]), row["unit"]) == values[key], key


def glossary() -> str:
    """Read the glossary."""
    return (DATA / "README.md").read_text(encoding="utf-8")


def test_every_column_of_the_food_release_is_in_the_glossary() -> None:
    """The four main tables of SR28 are described column by column."""
    manifest = json.loads((DATA / "foods" / "sr28" / "manifest.json").read_text(encoding="utf-8"))
    for name in ("foods", "values", "portions", "components"):
        for column in manifest["tables"][name]["columns"]:
            assert f"`{column}`" in glossary(), f"{name}.{column}"
