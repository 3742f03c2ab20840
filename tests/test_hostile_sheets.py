"""Workbooks, tables and archives that want to fill the memory, write elsewhere or run something."""

from __future__ import annotations

import io
import json
import re
import struct
import time
import zipfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from swaptable.amounts.cost import read_prices
from swaptable.basics.errors import InputError
from swaptable.formats.csv_cells import FORMULA, harmless, harmless_table, unmarked
from swaptable.formats.sheets import read_sheet
from swaptable.releases.fooddata_central import import_fdc
from swaptable.releases.plain_table import import_plain, read_plain
from swaptable.releases.sr28 import read_sr28

PATIENCE = 8.0  # seconds of processor time; on a slow machine, under load
SEED = Path(__file__).parent / "fuzz" / "corpus" / "xlsx"
SHEET = "xl/worksheets/sheet1.xml"
GOOD = "code,description,basis,NA (mg)\na,Bread,100 g,400\n"


def parts() -> dict[str, bytes]:
    """Take a plain workbook apart."""
    with zipfile.ZipFile(SEED / "seed_sheet") as package:
        return {name: package.read(name) for name in package.namelist()}


def archive(entries: dict[str, bytes | str], packed: int = zipfile.ZIP_DEFLATED) -> bytes:
    """Pack an archive."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", packed) as package:
        for name, content in entries.items():
            package.writestr(name, content)
    return stream.getvalue()


def with_sheet(change: Callable[[bytes], bytes]) -> bytes:
    """Pack a workbook with its sheet changed."""
    whole = parts()
    return archive({**whole, SHEET: change(whole[SHEET])})


def before(mark: bytes, added: bytes) -> Callable[[bytes], bytes]:
    """Put something before a mark of the sheet."""
    return lambda sheet: sheet.replace(mark, added + mark)


def outcome(path: Path, data: bytes | str, reader: Callable[[Path], object]) -> str:
    """Read a file; give what became of it in words, within the time a reader waits."""
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    began = time.process_time()
    try:
        found = repr(reader(path))
    except InputError as error:
        found = str(error)
        assert found.isprintable()
        assert len(found) < 2000
    assert time.process_time() - began < PATIENCE
    return found


def entities(encoding: str) -> bytes:
    """Ten entities that each hold ten of the one before."""
    grown = "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 10}">' for n in range(1, 11))
    text = f'<?xml version="1.0" encoding="{encoding}"?><!DOCTYPE x [<!ENTITY e0 "aaaaaaaaaa">{grown}]><sst>&e10;</sst>'
    return text.encode(encoding)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "cp037", "utf-7", "iso-8859-1"])
def test_workbook_with_entities_is_refused(tmp_path: Path, encoding: str) -> None:
    """However they are written, entities are found before a parser grows them."""
    data = archive({**parts(), "xl/sharedStrings.xml": entities(encoding)})
    assert re.search("declares entities|no XML in UTF-8", outcome(tmp_path / "pot.xlsx", data, read_sheet))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda sheet: sheet.replace(b'ref="A1:E6"', b'ref="A1:XFD1048576"'), "title='Pot'"),
        (before(b"</sheetData>", b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'), "reaches to row 1,048,576"),
        (before(b"</sheetData>", b'<row r="1000000000000"><c r="A1000000000000"><v>1</v></c></row>'), "reaches to row"),
        (before(b"</sheetData>", b"<row/>" * 1_000_000), "has more than 200,000 cells"),
        (before(b"</sheetData>", b'<row r="9">' + b"<c/>" * 900_000 + b"</row>"), "has more than 200,000 cells"),
        (before(b"</worksheet>", b'<hyperlinks><hyperlink ref="A1:XFD1048576" location="x"/></hyperlinks>'), "'Pot'"),
        (before(b"</worksheet>", b'<conditionalFormatting sqref="A1:XFD1048576"/>' * 10_000), "'Pot'"),
        (before(b"</worksheet>", b"<dataValidations>" + b'<dataValidation sqref="A1:XFD1048576"/>' * 9999
                + b"</dataValidations>"), "'Pot'"),
        (lambda sheet: re.sub(rb"<mergeCell ref=\"[^\"]*\"", b'<mergeCell ref="A1:XFD1048576"', sheet), "merges more"),
        (lambda sheet: re.sub(rb"<mergeCell ref=\"[^\"]*\"", b'<mergeCell ref="A0:B1"', sheet), "which no sheet has"),
        (before(b"</sheetData>", b'<row r="9"><c r="A9" t="inlineStr"><is>' + b"<r>" * 100_000 + b"</r>" * 100_000
                + b"</is></c></row>"), "nested too deeply"),
        (lambda sheet: b"<a>" * 3_000_000, "cells in"),
        (before(b"</sheetData>", b'<row r="9"><c r="A9"><f t="array" ref="A9:XFD1048576">NOW()</f><v>2</v></c></row>'),
         "'Pot'"),
    ],
    ids=["said size", "far cell", "farther cell", "empty rows", "empty cells", "link over all", "formats over all",
         "rules over all", "merged over all", "merged nowhere", "nested texts", "nested parts", "formula over all"],
)  # fmt: skip
def test_workbook_that_would_fill_the_memory(tmp_path: Path, change: Callable[[bytes], bytes], told: str) -> None:
    """What is far or large is refused; what is not needed is never looked at."""
    assert told in outcome(tmp_path / "pot.xlsx", with_sheet(change), read_sheet)


def lying(data: bytes, name: bytes) -> bytes:
    """Say in the directory of an archive that a part unpacks to ten bytes."""
    changed, at = bytearray(data), data.rfind(b"PK\x01\x02", 0, data.rfind(name))
    changed[at + 24 : at + 28] = struct.pack("<I", 10)
    return bytes(changed)


def overlapping(count: int, size: int) -> bytes:
    """Write an archive whose every entry unpacks the same bytes."""
    content = b"\0" * size
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    packed = packer.compress(content) + packer.flush()
    name, sizes = b"a.csv", (zlib.crc32(content), len(packed), size)
    start = struct.pack("<4s5H3I2H", b"PK\x03\x04", 20, 0, 8, 0, 0, *sizes, len(name), 0) + name + packed
    entry = struct.pack("<4s6H3I5H2I", b"PK\x01\x02", 20, 20, 0, 8, 0, 0, *sizes, len(name), 0, 0, 0, 0, 0, 0) + name
    end = struct.pack("<4s4H2IH", b"PK\x05\x06", 0, 0, count, count, count * len(entry), len(start), 0)
    return start + entry * count + end


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (archive({**parts(), "xl/x.xml": b"\0" * 100_000_000}), "unpacks to more than 20 MB"),
        (lying(archive({**parts(), "xl/x.xml": b"\0" * 10_000_000}), b"xl/x.xml"), "is not a whole .xlsx workbook"),
        (overlapping(19, 1_000_000), "can be read|Overlapped entries"),  # the second from Python 3.13 on
        (archive(parts() | {f"xl/x{n}.xml": "<x/>" for n in range(3_000)}), "has 3,009 parts; expected at most 2,000"),
        (archive(parts() | {"xl/vbaProject.bin": "x"}), "holds macros"),
        (archive(parts() | {"../../x.xml": "<x/>", "/etc/x.xml": "<x/>"}), "title='Pot'"),
    ],
    ids=["bomb", "lies", "overlaps", "many parts", "macros", "elsewhere"],
)
def test_package_of_a_workbook(tmp_path: Path, data: bytes, told: str) -> None:
    """It is unpacked in memory, up to a limit, and never onto the disk."""
    assert re.search(told, outcome(tmp_path / "pot.xlsx", data, read_sheet))
    assert {path.name for path in tmp_path.iterdir()} == {"pot.xlsx"}


def nested(depth: int, width: int) -> bytes:
    """Pack archives in archives."""
    packed = archive({"a.csv": GOOD})
    for _ in range(depth):
        packed = archive({f"{n}.zip": packed for n in range(width)})
    return packed


def link() -> bytes:
    """Pack a symbolic link."""
    entry = zipfile.ZipInfo("link.csv")
    entry.create_system, entry.external_attr = 3, 0o120777 << 16
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as package:
        package.writestr(entry, "/etc/passwd")
    return stream.getvalue()


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (archive({"../../a.csv": GOOD}), "Bread"),
        (archive({"/etc/a.csv": GOOD}), "Bread"),
        (link(), "has no column 'code'; found /etc/passwd"),
        (archive({"a.csv": b"a" * 100_000_000}), "would unpack to"),
        (nested(30, 1), "holds no file that ends in .csv"),
        (nested(6, 10), "holds no file"),
        (overlapping(2_000, 1_000_000), "name the folder or archive of one release"),
        (archive({f"{n}.csv": "" for n in range(21_000)}), "holds more than 20,000 files"),
        (archive({f"{n}.zip": archive({"a.csv": b"\0" * 50_000_000}) for n in range(5)}), "name the folder or archive"),
    ],
    ids=["above", "root", "link", "bomb", "deep", "wide", "overlaps", "many", "bombs in archives"],
)
def test_archive_of_a_table(tmp_path: Path, data: bytes, told: str) -> None:
    """Names in an archive are names only: nothing is written where they point to, and nothing read from there."""
    assert told in outcome(tmp_path / "own.zip", data, lambda path: read_plain(path)[0]["foods"].to_dict())
    assert {path.name for path in tmp_path.iterdir()} == {"own.zip"}


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('"' * 1_900_000, "is not valid CSV"),
        ("," * 1_900_000, "is not valid CSV"),
        ("ingredient,amount,food\n" + "a,1,b\n" * 300_000, "has more than 5,000 rows"),
        ("ingredient,amount,food" + ",x" * 900_000, "more than 100 cells in a row"),
        ("ingredient,amount,food\na,1" + ",b" * 900_000, "more than 100 cells in a row"),
        ("a,b\n" * 1_000_000, "holds 4.0 MB; expected at most 2 MB"),
        ("ingredient,amount,code\n" + "x" * 10_000 + ",1 g,sr28:02047\n", "a name of 10,000 letters"),
        ("ingredient,amount,code\nroot,1 g,sr28:11124\nr\u043eot,1 g,sr28:11124\n", "looks the same as 'root'"),
    ],
    ids=["quotation marks", "commas", "rows", "header", "cells", "bytes", "name", "look-alike"],
)
def test_sheet_without_end(tmp_path: Path, text: str, told: str) -> None:
    """A text of any shape is refused at its limit."""
    from swaptable.amounts.recipes import Recipe
    from swaptable.basics.model_files import check_model

    def reader(path: Path) -> object:
        sheet = read_sheet(path)
        return check_model({**sheet.fields, "servings": "4"}, sheet.source, Recipe)

    assert told in outcome(tmp_path / "pot.csv", text, reader)


# Numbers of tables

NO_NUMBERS = ["nan", "inf", "-1", "1e308", "1e309", "1e-320", "0x10", "1_000", "１２", "٣", "9" * 400, "1,5", "½"]


@pytest.mark.parametrize("number", NO_NUMBERS, ids=[ascii(number[:10]) for number in NO_NUMBERS])
def test_what_is_no_price_is_none(tmp_path: Path, number: str) -> None:
    """A price, and what it is for, are plain numbers of 0 or more."""
    head = "food,price,currency,per,date,note\n"
    for row in (f'sr28:11352,"{number}",CAD,1 kg,,\n', f'sr28:11352,1,CAD,"{number} kg",,\n'):
        if (number, row.count('"1,5"')) != ("½", 0):  # half a kilogram is an amount
            assert "found '" in outcome(tmp_path / "prices.csv", head + row, read_prices)


@pytest.mark.parametrize("column", ["NA (mg)", "serving_g", "refuse_percent", "density_g_per_ml"])
@pytest.mark.parametrize("number", NO_NUMBERS, ids=[ascii(number[:10]) for number in NO_NUMBERS])
def test_what_is_no_value_of_a_food_is_none(tmp_path: Path, column: str, number: str) -> None:
    """A value is a plain number; the smallest that a computer knows is read as what it is, next to nothing."""
    row = {"code": "a", "description": "Bread", "basis": "100 g", "NA (mg)": "1"}
    row |= {"serving_g": "", "density_g_per_ml": ""}
    row[column] = number
    cells = ",".join('"' + cell + '"' for cell in row.values())
    text = ",".join(row) + "\n" + cells + "\n"
    told = outcome(tmp_path / "own.csv", text, read_plain)
    assert "found" in told or (column, number) == ("refuse_percent", "1e-320")


# Spreadsheets

BEGINNINGS = [*FORMULA, '=HYPERLINK("http://outside.invalid")', "+cmd|' /C x'!A0", "-2+3", "@SUM(1)", "\t=1", "\r=1"]


@pytest.mark.parametrize("text", BEGINNINGS, ids=ascii)
def test_no_text_of_a_table_is_a_formula(text: str) -> None:
    """Every beginning that a spreadsheet may run is kept from it, and comes back as it was."""
    assert harmless(text) == f"'{text}"
    assert unmarked(harmless(text)) == text


def test_numbers_of_a_table_stay_numbers() -> None:
    """Below 0 or not, numbers and their texts are as they were; names of columns are texts."""
    table = pd.DataFrame({"=a": [-1.5, 2.0], "b": ["-1.5", "=1"], "c": pd.Categorical(["+x", "y"]), "d": [True, False]})
    written = harmless_table(table)
    assert list(written.columns) == ["'=a", "b", "c", "d"]
    assert written["'=a"].tolist() == [-1.5, 2.0]
    assert written["b"].tolist() == ["-1.5", "'=1"]
    assert written["c"].tolist() == ["'+x", "y"]


def test_formulas_of_a_workbook_are_not_computed(tmp_path: Path) -> None:
    """Of a formula its stored result is read; its text is not even kept."""
    cell = b'<row r="7"><c r="A7" t="str"><f>HYPERLINK("http://outside.invalid")</f><v>beet</v></c>'
    cell += b'<c r="B7"><f>1+1</f><v>3</v></c><c r="E7" t="inlineStr"><is><t>sr28:11080</t></is></c></row>'
    found = outcome(tmp_path / "pot.xlsx", with_sheet(before(b"</sheetData>", cell)), read_sheet)
    assert "'beet': {'amount': '3" in found
    assert "HYPERLINK" not in found


def test_import_leaves_nothing_behind(tmp_path: Path) -> None:
    """A table that is refused leaves no folder, whole or half."""
    path = tmp_path / "raw.json"
    path.write_text('{"FoundationFoods": [' + '{"fdcId": 1, "foodNutrients": [' * 300 + "]", encoding="utf-8")
    (tmp_path / "own.csv").write_text("code,description,basis,NA (mg)\na,\u202e,100 g,=1\n", encoding="utf-8")
    for importer, source in ((import_fdc, path), (import_plain, tmp_path / "own.csv")):
        with pytest.raises(InputError):
            importer(source, tmp_path / "release")
    assert {each.name for each in tmp_path.iterdir()} == {"raw.json", "own.csv"}


@pytest.mark.parametrize("column", ["description", "group", "portions", "source"])
def test_words_of_a_table_can_be_seen(tmp_path: Path, column: str) -> None:
    """A name of a food that turns the direction of writing is refused at its line."""
    row = {"code": "a", "description": "Bread", "basis": "100 g", "group": "", "portions": "", "source": ""}
    row["NA (mg)"] = "1"
    row[column] = "a\u202eb"
    text = ",".join(row) + "\n" + ",".join(row.values()) + "\n"
    assert f"own.csv:2: {column}: found the sign U+202E" in outcome(tmp_path / "own.csv", text, read_plain)


def test_words_of_a_published_table_are_taken_as_they_look(tmp_path: Path) -> None:
    """Signs that cannot be seen are left out of a large table that nobody can put right."""
    text = '{"FoundationFoods": [{"fdcId": 1, "dataType": "Foundation", "description": "Leeks\\u202e\\u200b, raw", '
    text += '"foodNutrients": [{"nutrient": {"id": 1093, "number": "307", "name": "Sodium, Na", "unitName": "mg"}, '
    text += '"amount": 20}]}]}'
    (tmp_path / "raw.json").write_text(text, encoding="utf-8")
    assert import_fdc(tmp_path / "raw.json", tmp_path / "fdc").food("1").description == "Leeks, raw"


def test_tar_with_a_link_is_no_release(tmp_path: Path) -> None:
    """A link in an archive is not followed."""
    import tarfile

    with tarfile.open(tmp_path / "sr.tar", "w") as packed:
        entry = tarfile.TarInfo("FOOD_DES.txt")
        entry.type, entry.linkname = tarfile.SYMTYPE, "/etc/passwd"
        packed.addfile(entry)
    with pytest.raises(InputError, match=r"found no \w+\.txt"):
        read_sr28(tmp_path / "sr.tar")


JSON_FOOD = {
    "fdcId": 1, "dataType": "Foundation", "description": "Leeks", "publicationDate": "4/1/2019",
    "foodComponents": [{"name": "Tops", "isRefuse": "Y", "percentWeight": 10}],
    "nutrientConversionFactors": [{"type": ".CalorieConversionFactor", "proteinValue": 4}],
    "foodNutrients": [{"nutrient": {"id": 1093, "number": "307", "name": "Sodium, Na", "unitName": "mg"}, "amount": 20,
                       "dataPoints": 3, "foodNutrientDerivation": {"code": "A", "description": "x"}}],
    "foodPortions": [{"amount": 1, "gramWeight": 89, "measureUnit": {"name": "cup"}, "dataPoints": 1}],
}  # fmt: skip


def places(node: Any, place: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Give the place of everything in a tree."""
    if place:
        yield place
    inside = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in inside:
        yield from places(value, (*place, key))


@pytest.mark.parametrize("place", list(places(JSON_FOOD)), ids=lambda place: ".".join(map(str, place)))
def test_food_of_any_shape_is_read_or_refused(tmp_path: Path, place: tuple[Any, ...]) -> None:
    """Whatever stands where a number, a text, a list or an object belongs."""
    odd: list[Any] = [None, -1, 1.5, 10**400, float("nan"), float("inf"), "\u00b2", [], {}, [1], ["a"], "\ud800"]
    for number, value in enumerate(odd):
        food = json.loads(json.dumps(JSON_FOOD))
        at = food
        for key in place[:-1]:
            at = at[key]
        at[place[-1]] = value
        folder = tmp_path / f"release_{number}"
        outcome(tmp_path / "raw.json", json.dumps([food]), lambda path, to=folder: import_fdc(path, to))
