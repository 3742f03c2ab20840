"""The raw ASCII layout of SR28: reading a tiny release made by hand, and what is wrong with a bad one."""

import hashlib
import tarfile
import zipfile
from pathlib import Path

import numpy as np
import pytest

from swaptable.basics.errors import InputError
from swaptable.foods.release import Portion
from swaptable.releases.sr28 import import_sr28, read_sr28

# Two foods as the documentation of SR28 lays the files out: ^ between fields, ~ around text, no header, CRLF ends.
RAW = {
    "FOOD_DES": [
        "~90001~^~1100~^~Leeks, raw~^~LEEKS,RAW~^~~^~~^~Y~^~Tops and roots~^56^~Allium~^6.25^2.44^8.37^3.57",
        '~90002~^~1400~^~Jalape\u00f1o "water", hot~^~WATER~^~~^~~^~~^~~^^~~^^^^',
    ],
    "FD_GROUP": ["~1100~^~Vegetables and Vegetable Products~", "~1400~^~Beverages~"],
    "NUT_DATA": [
        "~90001~^~307~^20^3^1.5^~1~^~A~^~~^~~^1^18^22^2^15.1^24.9^~2, 3~^04/2003^",
        "~90001~^~255~^83.00^12^^~1~^~A~^~~^~~^^^^^^^~~^04/2003^",
        "~90002~^~307~^0^0^^~4~^~BFZN~^~90001~^~~^^^^^^^~~^08/2015^",
        "~90002~^~328~^0.10^^^~4~^~~^~~^~Y~^^^^^^^~~^^",
    ],
    "NUTR_DEF": [
        "~307~^~mg~^~NA~^~Sodium, Na~^~0~^~5800~",
        "~255~^~g~^~WATER~^~Water~^~2~^~100~",
        "~324~^~IU~^~VITD~^~Vitamin D~^~0~^~8750~",
        "~328~^~\u00b5g~^~VITD~^~Vitamin D (D2 + D3)~^~1~^~8700~",
        "~573~^~mg~^~~^~Vitamin E, added~^~2~^~7920~",
    ],
    "WEIGHT": ["~90001~^~2~^.5^~leek~^44.5^^", '~90001~^~1~^1^~slice (1/4" thick)~^6^12^0.7'],
    "FOOTNOTE": ["~90001~^~01~^~D~^~~^~Bulb and lower leaf portion~"],
    "SRC_CD": ["~1~^~Analytical or derived from analytical~", "~4~^~Calculated or imputed~"],
    "DERIV_CD": ["~A~^~Analytical data~", "~BFZN~^~Based on another form of the food~"],
    "DATA_SRC": ["~D1~^~Someone~^~A title~^~1999~^~A journal~^~1~^~2~^~3~^~4~"],
    "DATSRCLN": ["~90001~^~307~^~D1~"],
    "LANGUAL": ["~90001~^~A0143~"],
    "LANGDESC": ["~A0143~^~VEGETABLE OR VEGETABLE PRODUCT~"],
}


def write_raw(folder: Path, changes: dict[str, list[str] | None] | None = None) -> Path:
    """Write the raw files as Latin-1, with some of them changed or left out."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, lines in (RAW | (changes or {})).items():
        if lines is not None:
            (folder / f"{name}.txt").write_bytes("".join(line + "\r\n" for line in lines).encode("latin-1"))
    return folder


def test_text_is_latin_1_without_its_marks(tmp_path: Path) -> None:
    """Accented letters, quotation marks and the micro sign come through, the ~ around text does not."""
    tables, _ = read_sr28(write_raw(tmp_path))
    assert tables["foods"]["description"].tolist() == ["Leeks, raw", 'Jalape\u00f1o "water", hot']
    components = tables["components"].set_index("component")
    assert components.at["VITD", "unit"] == "\u00b5g"
    assert tables["portions"]["measure"].tolist() == ['slice (1/4" thick)', "leek"]


def test_components_are_in_the_order_of_the_release_with_single_tags(tmp_path: Path) -> None:
    """Components follow their printed order; a tag given twice or not at all becomes one of our own."""
    tables, _ = read_sr28(write_raw(tmp_path))
    assert tables["components"]["component"].tolist() == ["WATER", "NA", "TOCPHA_ADDED", "VITD", "VITD_IU"]
    assert tables["components"]["nutrient_number"].tolist() == [255, 307, 573, 328, 324]


def test_empty_number_is_missing_and_zero_is_zero(tmp_path: Path) -> None:
    """An empty field is missing in every column of numbers, and a printed 0 stays 0."""
    tables, _ = read_sr28(write_raw(tmp_path))
    foods = tables["foods"].set_index("code")
    assert foods.at["90001", "refuse_percent"] == 56
    assert np.isnan(foods.at["90002", "refuse_percent"])
    assert np.isnan(foods.at["90002", "protein_kcal_per_g"])
    values = tables["values"].astype({"code": str}).set_index(["code", "nutrient_number"])
    assert values.at[("90002", 307), "value"] == 0
    assert values.at[("90002", 307), "n"] == 0
    assert values["n"].isna().tolist() == [False, False, False, True]
    assert np.isnan(values.at[("90001", 255), "standard_error"])
    assert values.at[("90001", 307), "standard_error"] == 1.5


def test_rows_are_sorted_and_foods_know_their_group(tmp_path: Path) -> None:
    """Values are in the order of food and nutrient, portions of food and sequence, foods carry the group's name."""
    tables, _ = read_sr28(write_raw(tmp_path))
    values = tables["values"]
    assert list(zip(values["code"], values["nutrient_number"], strict=True)) == [
        ("90001", 255), ("90001", 307), ("90002", 307), ("90002", 328),
    ]  # fmt: skip
    assert tables["portions"]["sequence"].tolist() == [1, 2]
    assert tables["foods"]["food_group_name"].tolist() == ["Vegetables and Vegetable Products", "Beverages"]


def test_manifest_has_hash_and_rows_of_every_raw_file(tmp_path: Path) -> None:
    """The manifest describes the raw files, so that anyone can check from which copy the release was built."""
    _, manifest = read_sr28(write_raw(tmp_path))
    assert set(manifest["raw_files"]) == {f"{name}.txt" for name in RAW}
    for name, lines in RAW.items():
        entry = manifest["raw_files"][f"{name}.txt"]
        assert entry["rows"] == len(lines)
        assert entry["sha256"] == hashlib.sha256((tmp_path / f"{name}.txt").read_bytes()).hexdigest()


def test_round_trip_through_the_written_release(tmp_path: Path) -> None:
    """What was read comes back from the written release: values, refuse, portions per one measure, fields kept."""
    release = import_sr28(write_raw(tmp_path / "raw"), tmp_path / "built")
    leeks = release.food("sr28:90001")
    assert (leeks.description, leeks.state, leeks.refuse_percent) == ("Leeks, raw", "raw", 56)
    assert leeks.portions == (Portion('slice (1/4" thick)', 6.0), Portion("leek", 89.0))  # 44.5 g / 0.5
    held = release.values("90001")
    assert (held["WATER"], held["NA"]) == (83.0, 20.0)
    assert np.isnan(held["VITD"])
    assert release.values("90002").to_dict() == pytest.approx(
        {"WATER": np.nan, "NA": 0.0, "TOCPHA_ADDED": np.nan, "VITD": 0.1, "VITD_IU": np.nan}, nan_ok=True
    )
    row = release.table("values").iloc[2]
    assert (row["derivation_code"], row["reference_food"], row["date"]) == ("BFZN", "90001", "08/2015")
    assert release.manifest["tables"]["values"]["rows"] == 4


def test_a_folder_in_a_folder_and_its_archives_are_read_alike(tmp_path: Path) -> None:
    """The files may lie deeper in a folder, or in a tar or zip archive of it."""
    deep = write_raw(tmp_path / "a" / "sr28")
    with tarfile.open(tmp_path / "sr28.tar.gz", "w:gz") as archive:
        archive.add(deep, "package/data/sr28")
    with zipfile.ZipFile(tmp_path / "sr28.zip", "w") as archive:
        for path in deep.iterdir():
            archive.write(path, f"package/data/{path.name}")
    (_, first), *others = (read_sr28(tmp_path / name) for name in ("a", "sr28.tar.gz", "sr28.zip"))
    assert all(about == first for _, about in others)


def test_an_archive_that_would_fill_the_memory_is_not_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A member larger than any file of the release is named before it is unpacked."""
    monkeypatch.setattr("swaptable.releases.sr28._MOST_BYTES", 500)
    with tarfile.open(tmp_path / "sr28.tar.gz", "w:gz") as archive:
        archive.add(write_raw(tmp_path / "raw", {"LANGDESC": ["~A0143~^~X~"] * 60}), "data")
    with pytest.raises(InputError, match=r"sr28\.tar\.gz: holds data/LANGDESC\.txt of more than 0 MB"):
        read_sr28(tmp_path / "sr28.tar.gz")


@pytest.mark.parametrize("name", sorted(RAW))
def test_a_missing_file_is_named(tmp_path: Path, name: str) -> None:
    """Without one of the files there is no release; the error names the file and the folder."""
    with pytest.raises(InputError, match=rf"found no {name}\.txt") as raised:
        read_sr28(write_raw(tmp_path, {name: None}))
    assert str(tmp_path) in str(raised.value)


@pytest.mark.parametrize(
    ("lines", "found"),
    [
        (["~90001~^~2~^.5^~leek~^44.5^"], 6),
        (["~90001~^~2~^.5^~leek~^44.5^^^"], 8),
    ],
    ids=["too few", "too many"],
)
def test_another_number_of_fields_is_refused(tmp_path: Path, lines: list[str], found: int) -> None:
    """A file with another layout is an error that names it, the fields found and those expected."""
    with pytest.raises(InputError, match=rf"WEIGHT\.txt: found {found} fields, expected 7"):
        read_sr28(write_raw(tmp_path, {"WEIGHT": lines}))


def test_one_short_line_among_good_ones_is_refused(tmp_path: Path) -> None:
    """A single line with too few fields is an error too, since its fields may have moved."""
    with pytest.raises(InputError, match=r"WEIGHT\.txt"):
        read_sr28(write_raw(tmp_path, {"WEIGHT": [*RAW["WEIGHT"], "~90002~^~1~^1^~cup~"]}))


def test_one_long_line_among_good_ones_is_refused(tmp_path: Path) -> None:
    """A single line with too many fields is an error that names the file."""
    with pytest.raises(InputError, match=r"WEIGHT\.txt"):
        read_sr28(write_raw(tmp_path, {"WEIGHT": [*RAW["WEIGHT"], "~90002~^~1~^1^~cup~^240^^^7"]}))


@pytest.mark.parametrize(
    ("name", "lines", "column"),
    [
        ("WEIGHT", ["~90001~^~1~^1^~leek~^4x.5^^"], "grams"),
        ("NUT_DATA", ["~90001~^~307~^2,0^3^^~1~^~A~^~~^~~^^^^^^^~~^^"], "value"),
        ("NUT_DATA", ["~90001~^~NA~^20^3^^~1~^~A~^~~^~~^^^^^^^~~^^"], "nutrient_number"),
        ("FOOD_DES", ["~90001~^~1100~^~Leeks~^~L~^~~^~~^~~^~~^half^~~^^^^"], "refuse_percent"),
    ],
    ids=["letter in a weight", "decimal comma", "tag for a number", "word for refuse"],
)
def test_a_bad_number_names_file_and_column(tmp_path: Path, name: str, lines: list[str], column: str) -> None:
    """A field that should be a number and is not is an error that names the file, the column and what was found."""
    found = {"grams": "4x.5", "value": "2,0", "nutrient_number": "NA", "refuse_percent": "half"}[column]
    with pytest.raises(InputError, match=rf"{name}\.txt {column}: expected a number .*{found}"):
        read_sr28(write_raw(tmp_path, {name: lines}))


@pytest.mark.parametrize("content", [b"not an archive", b""], ids=["text", "empty"])
def test_a_file_that_is_no_archive_is_refused(tmp_path: Path, content: bytes) -> None:
    """A file that is no tar archive is one error that names it and says what is expected."""
    path = tmp_path / "sr28.zip"
    path.write_bytes(content)
    with pytest.raises(
        InputError, match=r"sr28\.zip: expected a folder or archive \(zip, tar\) with SR28's \.txt files"
    ):
        read_sr28(path)


def test_a_path_that_is_not_there_is_refused(tmp_path: Path) -> None:
    """A path without anything is one error that names it."""
    with pytest.raises(InputError, match="nowhere: expected a folder or archive"):
        read_sr28(tmp_path / "nowhere")


def test_a_release_is_not_imported_over_another(tmp_path: Path) -> None:
    """Importing into a folder that exists is refused."""
    source = write_raw(tmp_path / "raw")
    import_sr28(source, tmp_path / "built")
    with pytest.raises(InputError, match="exists already"):
        import_sr28(source, tmp_path / "built")
