"""The CSV and JSON layouts of FoodData Central: tiny downloads made by hand, and what is wrong with bad ones.

Every food and value here is invented; columns, ids, names and units are those of the published layout.
"""

import hashlib
import io
import json
import zipfile
from pathlib import Path

import numpy as np
import pytest

from swaptable.basics.errors import InputError, SwaptableError
from swaptable.cli import main
from swaptable.foods.release import FoodRelease, Portion
from swaptable.foods.values import EVIDENCE_LABELS, value_errors
from swaptable.releases.fooddata_central import import_fdc

FOOD = "fdc_id,data_type,description,food_category_id,publication_date"
VALUE = "id,fdc_id,nutrient_id,amount,data_points,derivation_id,min,max,median,loq,footnote,min_year_acquired"
# Ids, names, units and numbers as in nutrient.csv (USDA FoodData Central, April 2024 and before).
NUTRIENT = [
    "id,name,unit_name,nutrient_nbr,rank",
    "1003,Protein,G,203,600.0", "1004,Total lipid (fat),G,204,800.0", '1005,"Carbohydrate, by difference",G,205,1110.0',
    "1008,Energy,KCAL,208,300.0", "1062,Energy,kJ,268,400.0", "1051,Water,G,255,100.0", "1007,Ash,G,207,1000.0",
    "2047,Energy (Atwater General Factors),KCAL,957,280.0", "2048,Energy (Atwater Specific Factors),KCAL,958,290.0",
    '1050,"Carbohydrate, by summation",G,205.2,1120.0', '1063,"Sugars, Total",G,269.3,1500.0',
    '2000,"Sugars, total including NLEA",G,269,1510.0', '1079,"Fiber, total dietary",G,291,1200.0',
    "2033,Total dietary fiber (AOAC 2011.25),G,293,1300.0", '1093,"Sodium, Na",MG,307,5800.0',
    '1104,"Vitamin A, IU",IU,318,7500.0', '1106,"Vitamin A, RAE",UG,320,7420.0',
    '1156,"Vitamin A, RE",MCG_RE,392,7500.0', '1110,"Vitamin D (D2 + D3), International Units",IU,324,8650.0',
    "1114,Vitamin D (D2 + D3),UG,328,8700.0", '1177,"Folate, total",UG,417,6900.0', "1186,Folic acid,UG,431,7000.0",
    '1187,"Folate, food",UG,432,7100.0', '1190,"Folate, DFE",UG,435,7200.0', "1023,pH,PH,226,999999.0",
    '1006,"Fiber, crude (DO NOT USE - Archived)",G,206,999999.0', "2058,Beta-glucan,G,,1327.0",
]  # fmt: skip
RAW = {
    "food": [
        FOOD,
        "100001,foundation_food,\"Leeks, raw\",11,2026-04-30",
        "100002,sr_legacy_food,\"Oats, dry\",20,2019-04-01",
        "100003,survey_fndds_food,\"Leek soup\",3812,2022-10-28",
        "100004,branded_food,LEEK CRISPS,,2025-01-01",
        "100005,sub_sample_food,\"Leeks, raw, lot 1\",11,2026-04-30",
        "100006,branded_food,LEEK DRINK,,2025-01-01",
    ],
    "nutrient": NUTRIENT,
    "food_nutrient": [
        VALUE,
        "1,100001,1093,20,3,1,18,22,20,,,",
        "2,100001,1051,83,12,1,,,,,,",
        "3,100001,1004,,,1,,,,0.2,,",  # below the limit of quantification
        "4,100001,1079,,,1,,,,,,",  # no amount at all
        "5,100001,1005,-0.3,,2,,,,,,",
        "6,100001,2047,31,,2,,,,,,",
        "7,100002,1093,2,0,3,,,,,,",
        "8,100002,1008,379,,2,,,,,,",
        "9,100003,1093,250,,,,,,,,",
        "10,100004,1093,500,,70,,,,,,",
        "11,100005,1093,9999,1,1,,,,,,",
        "12,100006,1093,40,,70,,,,,,",
    ],
    "food_nutrient_derivation": ["id,code,description,source_id", "1,A,Analytical,1", "2,NC,Calculated,2",
                                 "3,Z,Assumed zero,3", "70,LCCS,Calculated from value per serving,9"],
    "food_nutrient_source": ["id,code,description", "1,1,Analytical", "2,4,Calculated or imputed", "3,7,Assumed zero",
                             "9,12,Manufacturer's analytical; partial documentation"],
    "food_category": ["id,code,description",
                      "11,1100,Vegetables and Vegetable Products", "20,2000,Cereal Grains and Pasta"],
    "measure_unit": ["id,name", "1000,cup", "9999,undetermined"],
    "food_portion": [
        "id,fdc_id,seq_num,amount,measure_unit_id,portion_description,modifier,gram_weight,data_points,footnote",
        "1,100001,1,2,1000,,\"chopped\",178,4,",
        "2,100002,1,1,9999,,\"cup rolled\",81,,",
        "3,100003,1,,9999,1 cup,10205,245,,",
        "4,100003,2,,9999,Quantity not specified,90000,245,,",
        "5,100001,2,1,1000,,,0,,",  # weighs nothing
    ],
    "food_component": ["id,fdc_id,name,pct_weight,is_refuse,gram_weight,data_points,min_year_acquired",
                       "1,100001,Tops,40,Y,,,", "2,100001,Roots,16,Y,,,", "3,100001,Edible,44,N,,,"],
    "sr_legacy_food": ["fdc_id,NDB_number", "100002,20038"],
    "survey_fndds_food": ["fdc_id,food_code,wweia_category_code,start_date,end_date", "100003,71803010,3812,,"],
    "wweia_food_category": ["wweia_food_category,wweia_food_category_description", "3812,Soups"],
    "branded_food": [
        "fdc_id,brand_owner,gtin_upc,ingredients,serving_size,serving_size_unit,household_serving_fulltext,"
        "branded_food_category",
        '100004,An invented maker,0001,"LEEKS, SALT",28,g,1 bag,Snacks',
        '100006,An invented maker,0002,"LEEKS, WATER",240,ml,1 cup,Drinks',
    ],
}  # fmt: skip


def write_raw(folder: Path, changes: dict[str, list[str] | None] | None = None) -> Path:
    """Write the raw files, with some of them changed or left out."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, lines in (RAW | (changes or {})).items():
        if lines is not None:
            (folder / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def imported(tmp_path: Path, changes=None, **options) -> FoodRelease:
    """Import the raw files with some changed."""
    return import_fdc(write_raw(tmp_path / "raw", changes), tmp_path / "fdc", **options)


def refused(tmp_path: Path, changes, **options) -> str:
    """Import what cannot be imported: give the error, and see that nothing was written."""
    with pytest.raises(SwaptableError) as caught:
        imported(tmp_path, changes, **options)
    assert [path.name for path in tmp_path.iterdir()] == ["raw"], "something half-imported is left"
    assert "\n" not in str(caught.value)
    return str(caught.value)


def replaced(name: str, line: int, text: str) -> dict[str, list[str]]:
    """Change one line of a raw file, counted from 1."""
    lines = list(RAW[name])
    lines[line - 1] = text
    return {name: lines}


def test_samples_are_not_foods(tmp_path: Path) -> None:
    """Sub-samples stay out, and branded foods unless they are asked for; the types are in the manifest."""
    release = imported(tmp_path)
    assert list(release.foods.index) == ["100001", "100002", "100003"]
    assert release.manifest["types"] == ["foundation", "sr_legacy", "survey"]
    assert release.manifest["released"] == "2026-04-30"


def test_values_keep_what_they_rest_on(tmp_path: Path) -> None:
    """Data points, smallest and largest and the derivation become the columns of SR28, and evidence reads them."""
    release = imported(tmp_path, types=("foundation", "sr_legacy", "survey", "branded"))
    values = release.table("values").astype({"code": str}).set_index(["code", "nutrient_number"])
    sodium = values.loc[("100001", 307)]
    assert (sodium["n"], sodium["minimum"], sodium["maximum"], sodium["median"]) == (3, 18, 22, 20)
    assert (sodium["source_code"], sodium["derivation_code"]) == ("1", "A")
    column = list(release.components.index).index("NA")
    found = [EVIDENCE_LABELS[code] for code in value_errors(release).evidence[:, column]]
    assert found == ["measured", "assumed zero", "calculated", "label"]  # survey foods are recipes


def test_missing_below_limit_and_negative_by_difference(tmp_path: Path) -> None:
    """No amount is missing; below a limit is half of it, marked; a small negative by difference is 0 and told."""
    release = imported(tmp_path)
    leeks = release.values("100001")
    assert np.isnan(leeks["FIBTG"])
    assert np.isnan(leeks["ENERC_KCAL"])
    assert (leeks["FAT"], leeks["CHOCDF"]) == (0.1, 0.0)
    values = release.table("values").astype({"code": str}).set_index(["code", "nutrient_number"])
    fat = values.loc[("100001", 204)]
    assert (fat["status"], fat["limit"]) == ("below limit", 0.2)
    checks = release.table("checks")
    assert checks[["code", "check", "component", "found"]].to_numpy().tolist() == [
        ["100001", "negative by difference, taken as 0", "CHOCDF", "-0.3"]
    ]
    assert release.manifest["left_out"]["no amount"] == 1


def test_energies_are_not_mixed_but_may_stand_in_by_name(tmp_path: Path) -> None:
    """Energy by general factors is a component of its own; only when asked does it fill the gap, marked."""
    release = imported(tmp_path)
    assert release.values("100001")["ENERC_KCAL_ATWATER_GENERAL"] == 31
    filled = import_fdc(tmp_path / "raw", tmp_path / "filled", stand_ins={"ENERC_KCAL": "ENERC_KCAL_ATWATER_GENERAL"})
    assert (filled.values("100001")["ENERC_KCAL"], filled.values("100002")["ENERC_KCAL"]) == (31, 379)
    values = filled.table("values")
    assert values.loc[values["status"] == "stands in", "code"].tolist() == ["100001"]
    assert filled.manifest["checks"]["ENERC_KCAL_ATWATER_GENERAL stands in for ENERC_KCAL"] == 1


@pytest.mark.outside
@pytest.mark.parametrize(
    ("nutrient", "component", "unit"),
    [
        (1008, "ENERC_KCAL", "kcal"), (2047, "ENERC_KCAL_ATWATER_GENERAL", "kcal"),
        (2048, "ENERC_KCAL_ATWATER_SPECIFIC", "kcal"), (1062, "ENERC_KJ", "kJ"), (1005, "CHOCDF", "g"),
        (1050, "CHOCSM", "g"), (1079, "FIBTG", "g"), (2033, "FIBTG_2011", "g"), (2000, "SUGAR", "g"),
        (1063, "SUGAR_NLEA", "g"), (1104, "VITA_IU", "IU"), (1106, "VITA_RAE", "µg"), (1156, "VITA", "µg"),
        (1110, "VITD_IU", "IU"), (1114, "VITD", "µg"), (1177, "FOL", "µg"), (1186, "FOLAC", "µg"),
        (1187, "FOLFD", "µg"), (1190, "FOLDFE", "µg"), (2058, "FDC2058", "g"),
    ],
)  # fmt: skip
def test_each_nutrient_is_one_component(tmp_path: Path, nutrient: int, component: str, unit: str) -> None:
    """Nutrients that are easily taken for each other get tags of their own (USDA FoodData Central, nutrient.csv)."""
    one = {"food_nutrient": [VALUE, f"1,100001,{nutrient},3,,,,,,,,"]}
    release = imported(tmp_path, one)
    assert release.values("100001").dropna().to_dict() == {component: 3.0}
    assert release.components.at[component, "unit"] == unit


def test_factors_for_protein_and_energy_come_with_the_food(tmp_path: Path) -> None:
    """By way of the food's own key; what is not given is missing, and is no general factor."""
    key = "food_nutrient_conversion_factor_id"
    factors = {
        "food_nutrient_conversion_factor": ["id,fdc_id", "7,100001", "8,100001", "9,100002"],
        "food_protein_conversion_factor": [f"{key},value", "7,6.25", "9,5.83"],
        "food_calorie_conversion_factor": [f"{key},protein_value,fat_value,carbohydrate_value", "8,2.44,8.37,"],
    }
    foods = imported(tmp_path, factors).foods
    assert foods["nitrogen_factor"].fillna(-1).tolist() == [6.25, 5.83, -1]
    energy = foods.loc["100001", ["protein_kcal_per_g", "fat_kcal_per_g", "carbohydrate_kcal_per_g"]]
    assert energy.fillna(-1).tolist() == [2.44, 8.37, -1]
    assert foods.loc["100002":, "protein_kcal_per_g"].isna().all()


def test_what_has_no_value_stands_in_for_nothing(tmp_path: Path) -> None:
    """A value that is missing on both sides stays missing, and nothing is said to stand in."""
    release = imported(tmp_path, stand_ins={"SUGAR": "SUGAR_NLEA"})
    assert "stands in" not in set(release.table("values")["status"])
    assert not any("stands in" in check for check in release.manifest.get("checks", {}))


def test_groups_refuse_and_portions(tmp_path: Path) -> None:
    """Groups have SR28's codes, refuse is summed, a portion is read from whichever column says it."""
    release = imported(tmp_path)
    leeks, oats, soup = (release.food(code) for code in ("100001", "100002", "100003"))
    assert (leeks.food_group, leeks.refuse_percent, leeks.refuse_description) == ("1100", 56.0, "Tops; Roots")
    assert np.isnan(oats.refuse_percent)
    assert leeks.portions == (Portion("cup chopped", 89.0),)
    assert oats.portions == (Portion("cup rolled", 81.0),)
    assert soup.portions == (Portion("cup", 245.0),)
    assert release.foods.loc["100003", ["food_group", "food_group_name", "other_code"]].tolist() == [
        "3812", "Soups", "71803010",
    ]  # fmt: skip
    assert release.foods.at["100002", "other_code"] == "20038"


def test_branded_liquids_are_left_out_and_told(tmp_path: Path) -> None:
    """A branded food's serving is a portion; one per 100 ml has no density, so it stays out with a word."""
    release = imported(tmp_path, types=("branded",))
    assert list(release.foods.index) == ["100004"]
    assert release.food("100004").portions == (Portion("bag", 28.0),)
    assert release.foods.at["100004", "manufacturer"] == "An invented maker"
    assert release.manifest["left_out"] == {"branded food per 100 ml, of no stated density": 1}


def test_columns_are_bound_by_name(tmp_path: Path) -> None:
    """Other columns in another order, a mark at the beginning and quotation marks change nothing."""
    lines = ['\ufeff"amount","nutrient_id","standard_error","fdc_id"', '"20","1093","1.5","100001"']
    release = imported(tmp_path, {"food_nutrient": lines})
    row = release.table("values").iloc[0]
    assert (row["value"], row["standard_error"]) == (20, 1.5)


def test_old_nutrient_numbers(tmp_path: Path) -> None:
    """Early survey files name nutrients by their number: 307 is sodium, as 1093 is."""
    release = imported(tmp_path, {"food_nutrient": [VALUE, "1,100003,307,250,,,,,,,,"]})
    assert release.values("100003")["NA"] == 250


def test_a_value_given_twice(tmp_path: Path) -> None:
    """The first of two values of one nutrient is taken, and told."""
    rows = [VALUE, "1,100001,1093,20,,,,,,,,", "2,100002,1093,2,,,,,,,,", "3,100001,1093,25,,,,,,,,"]
    release = imported(tmp_path, {"food_nutrient": rows})
    assert release.values("100001")["NA"] == 20
    assert release.manifest["checks"] == {"given twice, the first taken": 1}


def archive(files: dict[str, bytes]) -> bytes:
    """Zip files."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as zipped:
        for name, content in files.items():
            zipped.writestr(name, content)
    return stream.getvalue()


def test_folder_zip_and_zip_in_a_zip_are_read_alike(tmp_path: Path) -> None:
    """Wherever the files lie, the release is the same, byte for byte, however often it is imported."""
    raw = write_raw(tmp_path / "raw")
    inner = archive({"food.csv/": b""} | {f"download/{path.name}": path.read_bytes() for path in raw.iterdir()})
    (tmp_path / "one.zip").write_bytes(inner)
    (tmp_path / "two.zip").write_bytes(archive({"a/inner.zip": inner}))
    sources = [raw, tmp_path / "one.zip", tmp_path / "two.zip"] * 4
    hashes = {import_fdc(source, tmp_path / f"release_{n}").sha256 for n, source in enumerate(sources)}
    assert len(hashes) == 1


def test_manifest_has_hash_and_rows_of_the_files_read(tmp_path: Path) -> None:
    """The manifest says which copy of each file the release was made from."""
    release = imported(tmp_path)
    entry = release.manifest["raw_files"]["food_nutrient.csv"]
    content = (tmp_path / "raw" / "food_nutrient.csv").read_bytes()
    assert entry == {"sha256": hashlib.sha256(content).hexdigest(), "rows": 12}


def test_a_file_in_many_blocks_is_read_as_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut into blocks of 64 bytes the result is the same, and an error still names the right line."""
    whole = imported(tmp_path / "a").table("values")
    monkeypatch.setattr("swaptable.releases.raw_tables.BLOCK", 64)
    assert imported(tmp_path / "b").table("values").equals(whole.astype(dict(whole.dtypes)))
    with pytest.raises(InputError, match=r"food_nutrient\.csv:8: amount: found -2; expected 0 or more"):
        import_fdc(write_raw(tmp_path / "c", replaced("food_nutrient", 8, "7,100002,1093,-2,,,,,,,,")), tmp_path / "d")


def test_a_record_may_have_line_ends_within_quotation_marks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks are cut between records, not within."""
    monkeypatch.setattr("swaptable.releases.raw_tables.BLOCK", 64)
    words = "Oats" + "\n, dry" * 40
    release = imported(tmp_path, replaced("food", 3, f'100002,sr_legacy_food,"{words}",20,2019-04-01'))
    assert release.food("100002").description == words.replace("\n", "")


@pytest.mark.parametrize(
    "lines",
    [
        ['100002,sr_legacy_food,"Oats, dry,20,2019-04-01', *["100004,branded_food,LEEK CRISPS,,2025-01-01"] * 50_000],
        [f'100002,sr_legacy_food,"Oats{", dry" * 50_000}",20,2019-04-01'],
    ],
    ids=["mark left open", "endless record"],
)
def test_a_record_without_end_is_told_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lines: list[str]
) -> None:
    """A mark that is left open takes all that follows into its record: nobody waits for that, or loses foods by it."""
    monkeypatch.setattr("swaptable.releases.raw_tables._PIECE", 100_000)
    told = refused(tmp_path, {"food": [*RAW["food"][:2], *lines]})
    assert "food.csv: holds a record of more than 0 MB; is a quotation mark open?" in told


def test_truncated_archives_are_refused(tmp_path: Path) -> None:
    """An archive that was cut off, at the end or in the middle of a file, is one error that says so."""
    content = archive({f"{name}.csv": "\n".join(lines).encode() for name, lines in RAW.items()})
    (tmp_path / "cut.zip").write_bytes(content[: len(content) // 2])
    with pytest.raises(InputError, match=r"cut\.zip: is no whole zip archive .*download it again"):
        import_fdc(tmp_path / "cut.zip", tmp_path / "fdc")
    at = content.index(b"food_nutrient.csv") + 60
    (tmp_path / "bad.zip").write_bytes(content[:at] + bytes(8) + content[at + 8 :])
    with pytest.raises(InputError, match=r"food_nutrient\.csv: is damaged or cut off"):
        import_fdc(tmp_path / "bad.zip", tmp_path / "fdc")
    assert not (tmp_path / "fdc").exists()


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"food_nutrient": None}, "found no food_nutrient.csv; there is branded_food, food,"),
        ({"food": None}, "found no food.csv"),
        ({"nutrient": None}, "found no nutrient.csv"),
        (
            {"food": [line.replace(",", ";") for line in RAW["food"]]},
            "food.csv:1: its columns are separated by ';'",
        ),
        (replaced("food_nutrient", 1, VALUE.replace("amount", "amuont")), "has no column 'amount'"),
        (replaced("food", 3, RAW["food"][2].replace("100002", "")), "food.csv:3: fdc_id: found nothing; every food"),
        (replaced("nutrient", 1, NUTRIENT[0].replace("id,", "key,")), "nutrient.csv:1: has no column 'id'"),
        (replaced("food", 7, RAW["food"][1]), "food.csv:7: fdc_id: found 100001 twice, first in line 2"),
        (replaced("food_nutrient", 9, "8,100002,1008,-379,,,,,,,,"), "food_nutrient.csv:9: amount: found -379"),
        (replaced("food_nutrient", 6, "5,100001,1005,-30,,2,,,,,,"), "food_nutrient.csv:6: amount: found -30"),
        (
            replaced("food_nutrient", 4, "3,100001,1004,much,,,,,,,,"),
            "food_nutrient.csv:4: amount: found 'much'; expected a number",
        ),
        (replaced("food_nutrient", 5, "4,100001,1079"), "food_nutrient.csv:5: found 3 fields, expected 12"),
        (
            replaced("food_nutrient", 10, "9,100003,4711,3,,,,,,,,"),
            "food_nutrient.csv:10: nutrient_id: found 4711; expected an id of nutrient.csv",
        ),
        (
            replaced("food_portion", 2, "1,100001,1,2,1000,,chopped,heavy,4,"),
            "food_portion.csv:2: gram_weight: found 'heavy'",
        ),
        ({"food_nutrient": [VALUE]}, "holds no value of the foods that are wanted"),
        (
            {"food": [FOOD, "100004,branded_food,LEEK CRISPS,,2025-01-01"]},
            "found 1 of branded; none is of the types foundation, sr_legacy, survey: name others with --types",
        ),
    ],
)  # fmt: skip
def test_bad_files_are_one_sentence_and_leave_nothing(tmp_path: Path, changes, message: str) -> None:
    """Each kind of badness is named with its place, and no release is left half-written."""
    assert message in refused(tmp_path, changes)


def test_wrong_encoding_is_refused_with_its_line(tmp_path: Path) -> None:
    """A file in Latin-1 is refused where the first wrong byte is."""
    raw = write_raw(tmp_path / "raw")
    lines = list(RAW["food"])
    lines[2] = lines[2].replace("Oats, dry", "Oats, fl\u00fbte")
    (raw / "food.csv").write_bytes("\n".join(lines).encode("latin-1"))
    with pytest.raises(InputError, match=r"food\.csv:3: found the byte 0xFB, which is not UTF-8"):
        import_fdc(raw, tmp_path / "fdc")


def test_two_releases_in_one_folder_are_refused(tmp_path: Path) -> None:
    """Two files of one name are not mixed."""
    write_raw(tmp_path / "raw" / "foundation")
    write_raw(tmp_path / "raw" / "legacy")
    with pytest.raises(InputError, match="name the folder or archive of one release"):
        import_fdc(tmp_path / "raw", tmp_path / "fdc")


def test_wrong_options_are_refused(tmp_path: Path) -> None:
    """An unknown type or component is named with what there is; a destination that exists is kept."""
    assert "found type 'fondation'; expected foundation," in refused(tmp_path, {}, types=("fondation",))
    message = refused(tmp_path, {}, stand_ins={"ENERC_KCAL": "ENERC_X"})
    assert "found 'ENERC_X' to stand in; expected a component of this source" in message
    (tmp_path / "fdc").mkdir()
    with pytest.raises(InputError, match="exists already"):
        imported(tmp_path)


def test_a_sum_over_100_g_and_a_wrong_unit_are_told(tmp_path: Path) -> None:
    """Values that do not go together are imported as published, and listed."""
    rows = [VALUE, "1,100001,1051,83,,,,,,,,", "2,100001,1003,30,,,,,,,,", "3,100001,1004,5,,,,,,,,",
            "4,100001,1005,10,,,,,,,,", "5,100001,1008,860,,,,,,,,", "6,100002,1093,900000,,,,,,,,"]  # fmt: skip
    release = imported(tmp_path, {"food_nutrient": rows})
    assert release.values("100001")["ENERC_KCAL"] == 860
    # 83 + 30 + 5 + 10 = 128 g; 4 × 30 + 9 × 5 + 4 × 10 = 205 kcal, a quarter of what is printed
    found = release.table("checks").set_index("check")[["code", "found"]].to_dict("index")
    assert found == {
        "larger than any food of SR28": {"code": "100002", "found": "9e+05"},
        "sum over 100 g": {"code": "100001", "found": "128"},
        "kJ among kcal": {"code": "100001", "found": "860"},
    }


# JSON

ITEM = {
    "fdcId": 100001, "dataType": "Foundation", "description": "Leeks, raw", "publicationDate": "4/1/2026",
    "foodCategory": {"description": "Vegetables and Vegetable Products"}, "ndbNumber": 11246,
    "foodNutrients": [
        {"nutrient": {"id": 2045, "number": "951", "name": "Proximates", "unitName": "g"}, "type": "FoodNutrient"},
        {
            "nutrient": {"id": 1093, "number": "307", "name": "Sodium, Na", "unitName": "mg"}, "amount": 20,
            "dataPoints": 3, "min": 18, "max": 22,
            "foodNutrientDerivation": {"code": "A", "description": "Analytical", "foodNutrientSource": {"code": "1"}},
        },
        {"nutrient": {"id": 1062, "number": "268", "name": "Energy", "unitName": "kJ"}, "amount": 130.5},
    ],
    "foodPortions": [
        {"amount": 2, "measureUnit": {"id": 1000, "name": "cup"}, "modifier": "chopped", "gramWeight": 178},
    ],
    "nutrientConversionFactors": [{"type": ".ProteinConversionFactor", "value": 6.25}],
}  # fmt: skip


@pytest.mark.parametrize("shape", ["list in an object", "list", "one food", "search"])
def test_json_shapes(tmp_path: Path, shape: str) -> None:
    """The download, a list, the form of one food and that of a search give the same values; headings are not zeros."""
    item = dict(ITEM)
    if shape == "search":
        item["foodNutrients"] = [
            {"nutrientId": 1093, "nutrientNumber": "307", "nutrientName": "Sodium, Na", "unitName": "MG", "value": 20,
             "derivationCode": "A"},
            {"nutrientId": 1062, "nutrientNumber": "268", "nutrientName": "Energy", "unitName": "kJ", "value": 130.5},
        ]  # fmt: skip
    whole = {
        "list in an object": {"FoundationFoods": [item]},
        "list": [item],
        "one food": item,
        "search": {"foods": [item]},
    }
    path = tmp_path / "foods.json"
    path.write_text(json.dumps(whole[shape]), encoding="utf-8")
    release = import_fdc(path, tmp_path / "fdc")
    assert release.values("100001").dropna().to_dict() == {"ENERC_KJ": 130.5, "NA": 20.0}
    leeks = release.food("100001")
    assert (leeks.food_group, leeks.portions) == ("1100", (Portion("cup chopped", 89.0),))
    assert release.foods.at["100001", "publication_date"] == "2026-04-01"
    assert release.table("values")["derivation_code"].tolist() == ["A", ""]


def test_branded_foods_of_json_are_per_100_g_or_left_out(tmp_path: Path) -> None:
    """A serving in grams is a portion, with or without words for it; one in millilitres has no density: told."""
    served = [("g", 28, "1 bag"), ("G", 30, ""), ("ml", 240, "1 cup"), ("g", None, "1 bag")]
    foods = [
        ITEM | {"fdcId": 100 + at, "dataType": "Branded", "servingSizeUnit": unit, "servingSize": size,
                "householdServingFullText": words, "foodPortions": []}
        for at, (unit, size, words) in enumerate(served)
    ]  # fmt: skip
    (tmp_path / "foods.json").write_text(json.dumps({"BrandedFoods": foods}), encoding="utf-8")
    release = import_fdc(tmp_path / "foods.json", tmp_path / "fdc", types=("branded",))
    assert {code: release.food(code).portions for code in release.foods.index} == {
        "100": (Portion("bag", 28.0),), "101": (Portion("serving", 30.0),), "103": (),
    }  # fmt: skip
    assert release.manifest["left_out"]["branded food per 100 ml, of no stated density"] == 1
    assert release.table("components")["component"].value_counts()["NA"] == 1  # however many foods print it
    assert [release.values(code)["NA"] for code in release.foods.index] == [20, 20, 20]


def test_json_that_is_too_large_is_refused_before_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It names what streams instead."""
    monkeypatch.setattr("swaptable.releases.fdc_json._MOST_JSON", 100)
    (tmp_path / "foods.json").write_text(json.dumps([ITEM]), encoding="utf-8")
    with pytest.raises(InputError, match=r"foods\.json: is larger than .* GiB; take the CSV download"):
        import_fdc(tmp_path / "foods.json", tmp_path / "fdc")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('{"FoundationFoods": [{"fdcId": 1', "is not valid JSON"),
        ('[{"name": "x"}]', r"item 1 is no food \(it has no fdcId\)"),
        (json.dumps([ITEM, ITEM]), "found food 100001 twice"),
        (json.dumps([ITEM | {"foodNutrients": [{"nutrient": {"id": 1093, "number": "307", "name": "Sodium, Na",
         "unitName": "mg"}, "amount": -1}]}]), "amount: found -1; expected 0 or more"),
        (json.dumps([ITEM | {"foodNutrients": [{"nutrient": {"id": 1093, "number": "307", "name": "Sodium, Na",
         "unitName": "mg"}, "amount": "20,5"}]}]), "food 100001: found '20,5'; expected a number"),
        (json.dumps([ITEM | {"dataType": "Branded"}]), "found 1 of branded; none is of the types"),
    ],
)  # fmt: skip
def test_bad_json_is_one_sentence(tmp_path: Path, text: str, message: str) -> None:
    """A file that is cut off, no food, doubled or wrong is named, and nothing is left."""
    (tmp_path / "foods.json").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=message):
        import_fdc(tmp_path / "foods.json", tmp_path / "fdc")
    assert not (tmp_path / "fdc").exists()


# The command


def test_the_command_tells_what_it_found(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The command prints the release, and beside it what was left out and what looks odd."""
    raw = write_raw(tmp_path / "raw")
    stand_in = ["--stand-in", "ENERC_KCAL=ENERC_KCAL_ATWATER_GENERAL"]
    assert main(["import", "fdc", str(raw), str(tmp_path / "fdc"), "--types", "foundation", *stand_in]) == 0
    captured = capsys.readouterr()
    assert "1 foods, 6 values, SHA-256" in captured.out  # one of them stands in
    assert "left out: 1, no amount" in captured.err
    told = "check: negative by difference, taken as 0: 1 (100001 found -0.3, expected 0 or more)"
    assert told in captured.err


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["cnf", "--types", "branded"], "found --types with the layout cnf; it belongs to fdc"),
        (["fdc", "--decimal-comma"], "found --decimal-comma with the layout fdc; it belongs to plain"),
        (["fdc", "--stand-in", "ENERC_KCAL"], "found --stand-in ENERC_KCAL; expected TAG=TAG"),
    ],
)
def test_options_of_another_layout_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], message: str
) -> None:
    """An option that would change nothing is an error."""
    raw = write_raw(tmp_path / "raw")
    assert main(["import", words[0], str(raw), str(tmp_path / "fdc"), *words[1:]]) == 2
    assert message in capsys.readouterr().err


@pytest.mark.parametrize(
    ("at", "code", "message"),
    [(8, b"\x01", "is encrypted; pack it again"), (10, b"\x63", "is packed by the method 99; expected 0")],
)
def test_archives_that_cannot_be_unpacked(tmp_path: Path, at: int, code: bytes, message: str) -> None:
    """A password or an unknown method is one sentence: both stand in the archive's directory."""
    content = archive({"food.csv": b"fdc_id"})
    place = content.index(b"PK\x01\x02") + at
    (tmp_path / "raw.zip").write_bytes(content[:place] + code + content[place + 1 :])
    with pytest.raises(InputError, match=rf"food\.csv: {message}"):
        import_fdc(tmp_path / "raw.zip", tmp_path / "fdc")


def test_archives_that_explode_are_not_unpacked(tmp_path: Path) -> None:
    """Zeros shrink to a thousandth, tables do not."""
    (tmp_path / "raw.zip").write_bytes(archive({"food.csv": bytes(80_000_000)}))
    with pytest.raises(InputError, match=r"food\.csv: would unpack to .* times its size"):
        import_fdc(tmp_path / "raw.zip", tmp_path / "fdc")


def test_strange_tables_are_one_sentence(tmp_path: Path) -> None:
    """A header without end, an infinite amount, JSON nested without end."""
    assert "food_nutrient.csv:1: is no table" in refused(tmp_path / "a", {"food_nutrient": ["x" * 200_000]})
    raw = write_raw(tmp_path / "empty")
    (raw / "food_nutrient.csv").write_bytes(b"")
    with pytest.raises(InputError, match=r"food_nutrient\.csv: is empty"):
        import_fdc(raw, tmp_path / "fdc")
    endless = {"food_nutrient": [VALUE, "1,100001,1093,inf,3,1,,,,,,"]}
    assert "food_nutrient.csv:2: amount: found inf; expected a number" in refused(tmp_path / "b", endless)
    (tmp_path / "deep.json").write_text("[" * 100_000, encoding="utf-8")
    with pytest.raises(InputError, match=r"deep\.json: is nested too deeply"):
        import_fdc(tmp_path / "deep.json", tmp_path / "fdc")
