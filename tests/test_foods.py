"""Food releases: SR28 as imported, states read from descriptions, writing a release whole or not at all."""

import json
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from swaptable.basics.errors import InputError, SwaptableError
from swaptable.foods.release import TABLES_NEEDED, FoodRelease, Portion, open_release, state_of
from swaptable.foods.release_writer import refuse_existing, write_release


@cache
def sr28() -> FoodRelease:
    """Open SR28 once."""
    return open_release("sr28")


@cache
def values() -> pd.DataFrame:
    """Read the values of SR28, indexed by food code and nutrient number."""
    table = sr28().table("values").astype({"code": str, "source_code": str, "derivation_code": str})
    return table.set_index(["code", "nutrient_number"]).sort_index()


def tiny_tables() -> dict[str, pd.DataFrame]:
    """Make the tables of a release with two foods, two components and three values, one of them a zero."""
    return {
        "foods": pd.DataFrame(
            {
                "code": ["1", "2"],
                "food_group": "1100",
                "food_group_name": "Vegetables",
                "description": ["Leeks, raw", "Leeks, cooked"],
                "refuse_percent": [56.0, np.nan],
                "refuse_description": ["Tops and roots", ""],
            }
        ),
        "values": pd.DataFrame(
            {"code": ["1", "1", "2"], "nutrient_number": [255, 307, 307], "value": [83.0, 20.0, 0.0]}
        ).astype({"code": "category"}),
        "portions": pd.DataFrame({"code": ["1"], "measure": ["leaf"], "amount": [2.0], "grams": [30.0]}),
        "components": pd.DataFrame(
            {
                "component": ["WATER", "NA"],
                "nutrient_number": [255, 307],
                "unit": ["g", "mg"],
                "name": ["Water", "Sodium"],
            }
        ),
    }


@pytest.mark.outside
@pytest.mark.parametrize(
    ("table", "rows"), [("foods", 8789), ("values", 679_045), ("components", 150), ("portions", 15_438)]
)
def test_sr28_is_whole(table: str, rows: int) -> None:
    """The release has as many rows as the raw files of SR28 have lines (USDA SR28, revised files of May 2016)."""
    assert len(sr28().table(table)) == rows == sr28().manifest["tables"][table]["rows"]


# Read by eye from NUT_DATA.txt of USDA SR28: code, nutrient number, value, n, standard error, source code, derivation
# code. None is an empty field.
READ_BY_EYE = [
    ("11124", 306, 320, 76, 8.418, "6", "JA"),  # carrots raw, potassium
    ("11124", 401, 5.9, 21, 1.130, "6", "JA"),  # carrots raw, vitamin C
    ("11125", 401, 3.6, 4, 0.931, "1", "A"),  # carrots boiled, vitamin C
    ("16014", 417, 444, 8, 33.838, "1", ""),  # black beans raw, folate
    ("20036", 301, 9, 6, 0.244, "1", "A"),  # brown rice raw, calcium
    ("05062", 307, 45, 6, 2.309, "1", "A"),  # chicken breast raw, sodium
    ("15236", 328, 11.0, 0, None, "4", "BFZN"),  # farmed salmon raw, vitamin D
    ("01077", 324, 51, 24, 3.297, "1", "A"),  # whole milk, vitamin D in IU
    ("23057", 309, 5.49, 3, None, "1", "A"),  # beef shoulder raw, zinc
    ("02047", 307, 38758, 1, None, "1", ""),  # salt, sodium
    ("09003", 291, 2.4, 29, 0.276, "1", "A"),  # apple with skin, fibre
    ("09040", 262, 0, 0, None, "7", "Z"),  # banana, caffeine: assumed zero
    ("14084", 221, 10.4, 2526, 0.158, "1", "A"),  # wine, alcohol
    ("19335", 307, 1, 8, 0.000, "1", "A"),  # sugar, sodium: a standard error of 0 is not missing
    ("07944", 305, 158, 0, None, "4", "BFZY"),  # deli turkey, phosphorus
]


@pytest.mark.outside
@pytest.mark.parametrize(
    ("code", "number", "value", "n", "error", "source", "derivation"),
    READ_BY_EYE,
    ids=[f"{row[0]}-{row[1]}" for row in READ_BY_EYE],
)
def test_values_are_those_printed(
    code: str, number: int, value: float, n: int, error: float | None, source: str, derivation: str
) -> None:
    """A value keeps its number of samples, standard error and codes as in NUT_DATA.txt (USDA SR28, 2015)."""
    row = values().loc[(code, number)]
    assert (row["value"], row["n"], row["source_code"], row["derivation_code"]) == (value, n, source, derivation)
    assert np.isnan(row["standard_error"]) if error is None else row["standard_error"] == error
    tag = sr28().components.index[sr28().components["nutrient_number"] == number][0]
    assert sr28().values(code)[tag] == value


@pytest.mark.outside
def test_every_field_of_a_value_is_kept() -> None:
    """Vitamin C of boiled carrots has all fields of its line in NUT_DATA.txt (USDA SR28, 2015)."""
    # ~11125~^~401~^3.6^4^0.931^~1~^~A~^~~^~~^1^2.0^5.8^3^0.637^6.563^~2, 3~^04/2003^
    row = values().loc[("11125", 401)].drop(["value", "n", "standard_error", "source_code", "derivation_code"])
    assert row.to_dict() == {
        "reference_food": "", "added_nutrient": "", "studies": 1, "minimum": 2.0, "maximum": 5.8,
        "degrees_of_freedom": 3, "lower_95": 0.637, "upper_95": 6.563, "statistical_comments": "2, 3",
        "date": "04/2003", "confidence_code": "",
    }  # fmt: skip
    assert values().loc[("07944", 305), "reference_food"] == "05196"


@pytest.mark.outside
@pytest.mark.parametrize(
    ("code", "refuse", "what"),
    [
        ("11124", 11, "Crown, tops and scrapings"),
        ("09040", 36, "Skin"),
        ("11109", 20, "Outer leaves and core"),
        ("05006", 32, "Bone"),
        ("20036", 0, ""),
    ],
)
def test_refuse_is_that_printed(code: str, refuse: float, what: str) -> None:
    """Refuse and what it is are as in FOOD_DES.txt (USDA SR28, 2015)."""
    food = sr28().food(code)
    assert (food.refuse_percent, food.refuse_description) == (refuse, what)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("code", "portion"),
    [
        ("02047", Portion("tsp", 6.0)),
        ("02047", Portion("dash", 0.4)),
        ("11124", Portion("cup chopped", 128.0)),
        ("11124", Portion('small (5-1/2" long)', 50.0)),
        ("01001", Portion("tbsp", 14.2)),
        ("05006", Portion("oz", 85 / 3)),  # 3 oz = 85 g
        ("05006", Portion("chicken, bone removed", 460 / 0.5)),  # half a chicken = 460 g
    ],
    ids=lambda value: value.measure if isinstance(value, Portion) else value,
)
def test_portions_weigh_what_is_printed(code: str, portion: Portion) -> None:
    """A portion is the weight of one measure, where WEIGHT.txt may print that of several (USDA SR28, 2015)."""
    found = next(p for p in sr28().food(code).portions if p.measure == portion.measure)
    assert found.grams == pytest.approx(portion.grams, rel=1e-12)


@pytest.mark.outside
def test_component_tags_are_single_and_units_plain() -> None:
    """Every nutrient of NUTR_DEF.txt has one tag, and the Latin-1 micro sign became U+00B5 (USDA SR28, 2015)."""
    components = sr28().components
    assert components.index.is_unique
    assert "" not in components.index
    assert set(components["unit"]) == {"g", "mg", "\u00b5g", "kcal", "kJ", "IU"}
    numbers = components["nutrient_number"]
    assert (numbers["VITD"], numbers["VITD_IU"], numbers["NA"], numbers["VITB12"]) == (328, 324, 307, 418)
    assert components.at["VITD", "unit"] == "\u00b5g"


def test_missing_stays_missing_and_zero_stays_zero(tmp_path: Path) -> None:
    """A value that is absent is NaN, a printed zero is 0, and an unknown refuse is NaN."""
    release = write_release(tmp_path / "tiny", {"name": "tiny"}, tiny_tables())
    assert release.values("1").tolist() == [83.0, 20.0]
    assert np.isnan(release.values("2")["WATER"])
    assert release.values("2")["NA"] == 0
    assert np.isnan(release.food("2").refuse_percent)
    assert release.food("1").portions == (Portion("leaf", 15.0),)


def test_missing_values_of_sr28_are_as_many_as_absent_rows() -> None:
    """The matrix has exactly as many known cells as the values have rows: none was filled in, none lost."""
    assert np.count_nonzero(~np.isnan(sr28().matrix)) == 679_045


def test_food_is_found_with_and_without_the_release_in_front() -> None:
    """A code may carry the name of its release; another release's name is refused."""
    assert sr28().food("sr28:11124") == sr28().food("11124")
    with pytest.raises(SwaptableError, match="found 'other:11124'; this run reads the food release 'sr28'"):
        sr28().food("other:11124")


def test_unknown_food_names_the_nearest() -> None:
    """A wrong code is answered with the code found and the most similar one with its description."""
    with pytest.raises(
        SwaptableError, match=r"found '1112'; expected a food code of sr28; did you mean '01112' \(Whey, acid"
    ):
        sr28().food("1112")


# What a cook would say of each food, judged by us from the words alone.
STATES = [
    ("Apples, raw, without skin, cooked, boiled", "cooked"),
    ("Apples, raw, without skin, cooked, microwave", "cooked"),
    ("Buckwheat groats, roasted, dry", "raw"),
    ("Tofu, firm, prepared with calcium sulfate and magnesium chloride (nigari)", "unstated"),
    ("Tofu, extra firm, prepared with nigari", "unstated"),
    ("Ham, chopped, not canned", "unstated"),
    ("Smoked link sausage, pork and beef, nonfat dry milk added", "unstated"),
    ("Carrots, raw", "raw"),
    ("Beans, black, mature seeds, raw", "raw"),
    ("Quinoa, uncooked", "raw"),
    ("Pasta, dry, enriched", "raw"),
    ("Couscous, dry", "raw"),
    ("Broccoli, frozen, spears, unprepared", "raw"),
    ("Potatoes, hash brown, frozen, plain, unprepared", "raw"),
    ("Frankfurter, beef, unheated", "raw"),
    ("Tofu, raw, firm, prepared with calcium sulfate", "raw"),
    ("Rice, white, long-grain, precooked or instant, enriched, dry", "raw"),
    ("Onion rings, breaded, par fried, frozen, unprepared", "raw"),
    ("Pork sausage, link/patty, unprepared", "raw"),
    ("Fish, cod, Pacific, raw (may have been previously frozen)", "raw"),
    ("Apricots, dried, sulfured, uncooked", "raw"),
    ("Potatoes, mashed, dehydrated, flakes without milk, dry form", "raw"),
    ("Carrots, cooked, boiled, drained, without salt", "cooked"),
    ("Potatoes, boiled, cooked in skin, flesh, without salt", "cooked"),
    ("Fish, salmon, Atlantic, farmed, cooked, dry heat", "cooked"),
    ("Chicken, broilers or fryers, breast, meat and skin, cooked, roasted", "cooked"),
    ("Beans, snap, green, microwaved", "cooked"),
    ("Plantains, green, fried", "cooked"),
    ("Egg, whole, cooked, poached", "cooked"),
    ("Pears, dried, sulfured, stewed, without added sugar", "cooked"),
    ("Bread, white, commercially prepared, toasted", "cooked"),
    ("Potato salad, home-prepared", "cooked"),
    ("Beef sausage, pre-cooked", "cooked"),
    ("Soup, pea, green, canned, prepared with equal volume water", "cooked"),
    ("Cereals, farina, enriched, cooked with water, with salt", "cooked"),
    ("Nuts, almonds, dry roasted, without salt added", "cooked"),
    ("Beans, white, mature seeds, canned", "canned"),
    ("Tomatoes, crushed, canned", "canned"),
    ("Fish, tuna, light, canned in water, drained solids", "canned"),
    ("Pineapple juice, canned or bottled, unsweetened, with added ascorbic acid", "canned"),
    ("Soup, chicken broth, canned, condensed", "canned"),
    ("Cereals ready-to-eat, wheat, shredded, plain, sugar and salt free", "ready to eat"),
    ("Sauce, teriyaki, ready-to-serve, reduced sodium", "ready to eat"),
    ("Waffles, plain, frozen, ready-to-heat", "ready to eat"),
    ("Beverages, tea, green, ready-to-drink, sweetened", "ready to eat"),
    ("Oil, olive, salad or cooking", "unstated"),
    ("Salt, table", "unstated"),
    ("Milk, whole, 3.25% milkfat, with added vitamin D", "unstated"),
    ("Nuts, almonds", "unstated"),
    ("Chicken, broilers or fryers, separable fat", "unstated"),
    ("Pie crust, standard-type, frozen, ready-to-bake, enriched", "unstated"),
    ("Wheat flour, white, all-purpose, enriched, bleached", "unstated"),
    ("Cheese, pasteurized process, swiss", "unstated"),
]
MISREAD = [
    ("Mustard, prepared, yellow", "unstated", "mixed, not cooked"),
    ("Alcoholic beverage, wine, dessert, dry", "unstated", "dry is a taste"),
    ("Beans, baked, canned, no salt added", "canned", "the can comes last; baked is the dish"),
]


@pytest.mark.parametrize(
    ("description", "state"),
    [
        *STATES,
        *(pytest.param(text, state, marks=pytest.mark.xfail(strict=True, reason=why)) for text, state, why in MISREAD),
    ],
)
def test_state_is_read_from_the_description(description: str, state: str) -> None:
    """The words of a description tell raw, cooked, canned and ready to eat apart."""
    assert state_of(description) == state


def test_descriptions_with_a_state_are_of_sr28() -> None:
    """All but a few of the descriptions tried are those of foods in SR28, so that the trial is a fair one."""
    known = set(sr28().foods["description"])
    tried = [row[0] for row in (*STATES, *MISREAD)]
    assert sum(text in known for text in tried) >= 40


@pytest.mark.parametrize(
    ("cooked", "raw"),
    [
        ("11125", "sr28:11124 Carrots, raw"),
        ("11458", "sr28:11457 Spinach, raw"),
        ("20037", "sr28:20036 Rice, brown, long-grain, raw"),
        ("01128", "sr28:01123 Egg, whole, raw, fresh"),
        ("02047", None),  # salt has no raw form
        ("16015", "sr28:16014 Beans, black, mature seeds, raw"),
        ("15237", "sr28:15236 Fish, salmon, Atlantic, farmed, raw"),
        ("11530", "sr28:11529 Tomatoes, red, ripe, raw, year round average"),
    ],
)
def test_raw_form_of_a_cooked_food(cooked: str, raw: str | None) -> None:
    """The raw food named for a cooked one is the one that it was made from."""
    assert sr28().raw_form(sr28().food(cooked)) == raw


def test_a_changed_table_is_refused_by_name(tmp_path: Path) -> None:
    """A table whose hash is not the manifest's is an error that names the file."""
    release = write_release(tmp_path / "tiny", {"name": "tiny"}, tiny_tables())
    path = tmp_path / "tiny" / "portions.parquet"
    path.write_bytes(path.read_bytes() + b" ")
    with pytest.raises(InputError, match=r"portions\.parquet.*is not the table that manifest\.json describes"):
        release.table("portions")
    assert len(release.table("foods")) == 2


def test_a_lost_table_is_refused_by_name(tmp_path: Path) -> None:
    """A table that is gone is an error that names the file."""
    release = write_release(tmp_path / "tiny", {"name": "tiny"}, tiny_tables())
    (tmp_path / "tiny" / "values.parquet").unlink()
    with pytest.raises(InputError, match=r"values\.parquet.*cannot be read"):
        release.table("values")


def test_hash_of_a_release_follows_its_tables(tmp_path: Path) -> None:
    """Equal tables give an equal hash in any folder, one changed value another."""
    first = write_release(tmp_path / "a", {"name": "a"}, tiny_tables())
    second = write_release(tmp_path / "b", {"name": "b"}, tiny_tables())
    changed = tiny_tables()
    changed["values"].loc[0, "value"] = 83.1
    third = write_release(tmp_path / "c", {"name": "a"}, changed)
    assert first.sha256 == second.sha256 != third.sha256


def test_a_release_is_never_overwritten(tmp_path: Path) -> None:
    """Writing to a folder that exists is an error and changes nothing in it."""
    folder = tmp_path / "tiny"
    write_release(folder, {"name": "tiny"}, tiny_tables())
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    with pytest.raises(InputError, match="exists already, and a release is never overwritten"):
        write_release(folder, {"name": "other"}, tiny_tables())
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_a_release_that_fails_half_way_is_not_there(tmp_path: Path) -> None:
    """If a table cannot be written there is no release folder, and the next attempt succeeds."""
    broken = tiny_tables() | {"footnotes": pd.DataFrame({"text": [1, "one", object()]})}
    with pytest.raises(Exception, match=r"object|Could not convert|Expected bytes"):
        write_release(tmp_path / "tiny", {"name": "tiny"}, broken)
    assert not (tmp_path / "tiny").exists()
    release = write_release(tmp_path / "tiny", {"name": "tiny"}, tiny_tables())
    assert len(release.foods) == 2


def test_a_failed_attempt_leaves_nothing_in_the_next(tmp_path: Path) -> None:
    """After a failed attempt with a table more, the release holds only its own tables and the manifest."""
    footnotes = {"footnotes": pd.DataFrame({"text": ["one"]}), "langual": pd.DataFrame({"text": [1, "one", object()]})}
    with pytest.raises(Exception, match=r"object|Could not convert|Expected bytes"):
        write_release(tmp_path / "tiny", {"name": "tiny"}, tiny_tables() | footnotes)
    write_release(tmp_path / "tiny", {"name": "tiny"}, tiny_tables())
    found = {path.name for path in (tmp_path / "tiny").iterdir()}
    assert found == {"manifest.json", *(f"{name}.parquet" for name in tiny_tables())}


def test_a_release_without_a_needed_table_is_not_written(tmp_path: Path) -> None:
    """Leaving out a table that every release needs is an error and leaves no folder."""
    tables = tiny_tables()
    del tables["portions"]
    with pytest.raises(InputError, match="portions"):
        write_release(tmp_path / "tiny", {"name": "tiny"}, tables)
    assert not (tmp_path / "tiny").exists()


@pytest.mark.parametrize(
    ("manifest", "problem"),
    [
        (None, r"no food release here \(manifest\.json is missing\)"),
        ("{", r"manifest\.json is not valid JSON"),
        (json.dumps({"name": "x", "tables": {"foods": {}}}), r"manifest\.json names no table values"),
        (json.dumps({"name": "x", "tables": {each: {"rows": 1} for each in TABLES_NEEDED}}),
         r"manifest\.json gives no sha256 and rows of the table foods"),
    ],
    ids=["missing", "not JSON", "table missing", "no hash"],
)  # fmt: skip
def test_a_folder_that_is_no_release_is_refused(tmp_path: Path, manifest: str | None, problem: str) -> None:
    """A folder without a usable manifest is one error that names the folder and what is wrong."""
    if manifest is not None:
        (tmp_path / "manifest.json").write_text(manifest, encoding="utf-8")
    with pytest.raises(InputError, match=problem):
        open_release(tmp_path)


def test_unknown_release_names_those_there_are() -> None:
    """A name that is no folder is answered with the releases there are."""
    with pytest.raises(InputError, match=r"found 'sr82'; expected one of .*sr28.*did you mean 'sr28'\?"):
        open_release("sr82")


def test_a_failed_release_leaves_nothing(tmp_path: Path) -> None:
    """What was half-written goes; what somebody else has under that name stays."""
    tables = dict.fromkeys(("foods", "values", "portions"), pd.DataFrame({"code": ["1"]}))
    with pytest.raises(AttributeError):
        write_release(tmp_path / "own", {"name": "own"}, {**tables, "components": []})  # type: ignore[dict-item]
    assert not list(tmp_path.iterdir())
    (tmp_path / "own.part").mkdir()
    (tmp_path / "own.part" / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match=r"own\.part: is not what an interrupted import leaves"):
        refuse_existing(tmp_path / "own")
    with pytest.raises(InputError, match=r"mine\.txt: is a file; expected a folder"):
        refuse_existing(tmp_path / "own.part" / "mine.txt" / "own")


@pytest.mark.parametrize("text", ["[]", '{"tables": {}}', '{"name": "own", "tables": 1}'])
def test_a_manifest_of_another_shape(tmp_path: Path, text: str) -> None:
    """It is refused in one sentence."""
    (tmp_path / "manifest.json").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=r"manifest\.json describes no release"):
        open_release(tmp_path)
