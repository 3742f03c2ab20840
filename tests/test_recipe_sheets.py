"""Sheets of ingredients: what is read, every kind of bad sheet, and writing that gives the same recipe back."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable
from datetime import date
from pathlib import Path

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook
from openpyxl.worksheet.worksheet import Worksheet

from swaptable.amounts.recipes import Patch, Recipe, read_recipe
from swaptable.basics.errors import InputError
from swaptable.basics.file_text import LONGEST_NAME, odd_sign
from swaptable.basics.folders import DATA
from swaptable.basics.located_yaml import parse_yaml
from swaptable.basics.model_files import check_model
from swaptable.foods.release import FoodRelease
from swaptable.formats import sheet_cells, sheets
from swaptable.formats.recipe_files import plain_number, recipe_fields, recipe_text
from swaptable.formats.sheet_rows import sheet_rows, template_rows
from swaptable.formats.sheets import ESSENTIAL, SheetRecipe, read_sheet

HEAD = "title,Pot\nservings,4\n\n"
COLUMNS = "ingredient,amount,unit,food,code,cook,liquid,note\n"
ROWS = 'carrot,180,g,"Carrots, raw",sr28:11124,boiled,kept,sweet ones\nsalt,1/2,tsp,,sr28:02047,,,\n'
SHEET = HEAD + COLUMNS + ROWS

Read = Callable[..., SheetRecipe]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Write a CSV file byte for byte and read it."""

    def read_bytes(content: str | bytes, name: str = "pot.csv") -> SheetRecipe:
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return read_sheet(path)

    return read_bytes


@pytest.fixture
def read_book(tmp_path: Path) -> Callable[..., SheetRecipe]:
    """Build a workbook, change it, save it, change its package, and read it."""

    def build(
        change: Callable[[Worksheet], object] = lambda sheet: None,
        package: Callable[[bytes], bytes] = lambda data: data,
    ) -> SheetRecipe:
        book = Workbook()
        sheet = book.worksheets[0]
        sheet.title = "Pot"
        for row in (("title", "Pot"), ("servings", 4), (), ESSENTIAL):
            sheet.append(row)
        sheet.append(("carrot", 180, "g", "Carrots, raw", "sr28:11124", "boiled", "kept", "sweet ones"))
        sheet.append(("salt", 0.5, "tsp", None, "sr28:02047"))
        change(sheet)
        stream = io.BytesIO()
        book.save(stream)
        path = tmp_path / "pot.xlsx"
        path.write_bytes(package(stream.getvalue()))
        return read_sheet(path)

    return build


def changed(data: bytes, name: str, change: Callable[[bytes], bytes]) -> bytes:
    """Change one part of a workbook's package, or add it."""
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new:
        for part in {*old.namelist(), name}:
            content = old.read(part) if part in old.namelist() else b""
            new.writestr(part, change(content) if part == name else content)
    return stream.getvalue()


def with_results(results: dict[str, str]) -> Callable[[bytes], bytes]:
    """Put stored results behind the formulas of a sheet, as a spreadsheet program does."""

    def change(xml: bytes) -> bytes:
        text = xml.decode()
        for cell, result in results.items():
            text, count = re.subn(rf'(<c r="{cell}"[^>]*><f>[^<]*</f>)<v ?/?>(?:</v>)?', rf"\1<v>{result}</v>", text)
            assert count == 1, text
        return text.encode()

    return lambda data: changed(data, "xl/worksheets/sheet1.xml", change)


FIELDS = {
    "title": "Pot",
    "servings": "4",
    "ingredients": {
        "carrot": {"amount": "180 g", "food": "sr28:11124", "cook": "boiled", "liquid": "kept"},
        "salt": {"amount": "1/2 tsp", "food": "sr28:02047"},
    },
}


# What is read


def test_sheet_is_read_whole(read: Read) -> None:
    """Every cell arrives as the field it is, with its row and column; a remark stays a remark."""
    found = read(SHEET)
    assert found.fields == FIELDS
    assert found.remarks == {("ingredients", "carrot"): "sweet ones"}
    assert (found.words, found.notes) == ({}, ())
    assert found.source.places["ingredients", "salt", "amount"] == (6, 2)
    assert found.kitchen.servings == 4.0
    assert found.kitchen.lines == ("180 g carrot sr28:11124", "1/2 tsp salt sr28:02047")


@pytest.mark.parametrize(
    "content",
    [
        b"\xef\xbb\xbf" + SHEET.encode(),
        SHEET.replace("\n", "\r\n").encode(),
        SHEET.encode("utf-16"),
        SHEET.replace("title,Pot", "TITLE:, Pot ").encode(),
        SHEET.replace("ingredient,", "Ingredient ,").replace("amount", "Quantity").encode(),
        SHEET.replace("\nsalt", "\n,,,,,,,\n\nsalt").encode(),
        (SHEET + ",,,,,,,,,,,\n\n").encode(),
        ("sep=,\n" + SHEET).encode(),
        SHEET.replace("sweet ones", '"sweet\nones"').encode(),
    ],
    ids=["BOM", "CRLF", "UTF-16", "letter case", "other names", "empty rows", "empty cells", "sep line", "line break"],
)
def test_ways_of_writing_the_same_sheet(read: Read, content: bytes) -> None:
    """Marks, line ends, empty rows and the case of names do not change what is read."""
    assert read(content).fields == FIELDS


@pytest.mark.parametrize(("sign", "word"), [(";", "semicolon"), ("\t", "tab")])
def test_other_signs_between_cells(read: Read, sign: str, word: str) -> None:
    """A semicolon or tab is found by the header, and a decimal comma is then understood."""
    text = SHEET.replace('"Carrots, raw"', "Carrots; raw").replace(",", sign).replace("Carrots; raw", '"Carrots; raw"')
    found = read(text.replace("180", "1,5").replace(f"{sign}g{sign}", f"{sign}kg{sign}"))
    assert found.fields["ingredients"]["carrot"]["amount"] == "1.5 kg"
    assert found.notes == (f"read with a {word} between cells",)


def test_thousands_and_decimals_are_not_guessed(read: Read) -> None:
    """1,500 may be two amounts, and 1,5 in a sheet with commas is no number; both are refused at their cell."""
    for sign, amount, message in (
        (";", "1,500", "without commas: 1500"),
        (",", '"1,5"', "expected a decimal point: 1.5"),
    ):
        found = read(SHEET.replace('"Carrots, raw"', "").replace(",", sign).replace("180", amount))
        with pytest.raises(InputError, match=rf"pot\.csv:5:2: ingredients\.carrot\.amount: .*{message}"):
            check_model(found.fields, found.source, Recipe)


def test_rows_without_a_code_are_words(read: Read) -> None:
    """A row needs no code; then its words are kept for matching, and a missing name is made of them."""
    found = read('servings,2\ningredient,food,amount,unit,note\n,"Leeks, raw",2,,sliced\n,leeks,1,large,\npotato,,,,\n')
    assert found.words == {
        ("ingredients", "leeks"): "2 Leeks, raw, sliced",
        ("ingredients", "leeks 2"): "1 large leeks",
        ("ingredients", "potato"): "potato",
    }
    assert found.fields["title"] == "pot"
    assert "there is no title; 'pot' is the file's name" in found.notes
    assert found.kitchen.lines == ("2 Leeks, raw, sliced", "1 large leeks", "potato")


def test_choices_in_rows(read: Read) -> None:
    """Rows with a choice and an option say what the option changes; the first one is as written."""
    text = (
        "title,Pot\nservings,4\nnot together,salting: plain; root: leek\n"
        "ingredient,amount,unit,code,choice,option,same,detail\n"
        "carrot,100,g,sr28:11124,,,,in skin\nsalt,1,tsp,sr28:02047,,,,\n"
        ",,,,salting,salted,,\nsalt,0,,,salting,plain,,\n"
        ",,,,root,carrot,,\ncarrot,,,sr28:11246,root,leek,energy,none\ncooked weight,2.1,kg,,root,leek,,\n"
    )
    fields = read(text).fields
    assert fields["choices"] == {
        "salting": {"salted": "as written", "plain": {"salt": {"amount": "0"}}},
        "root": {
            "carrot": "as written",
            "leek": {"carrot": {"food": "sr28:11246", "same": "energy", "detail": ""}, "cooked weight": "2.1 kg"},
        },
    }
    assert fields["not together"] == [{"salting": "plain", "root": "leek"}]


def test_release_is_put_before_a_bare_code(tmp_path: Path, sr28: FoodRelease) -> None:
    """A code that names no release gets the one that is read."""
    path = tmp_path / "pot.csv"
    path.write_text(SHEET.replace("sr28:11124", "11124"), encoding="utf-8")
    assert read_sheet(path, sr28.full_code).fields == FIELDS


# Bad sheets


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "pot.csv: is empty"),
        ("\n\n", "pot.csv: is empty"),
        ("a,b\n1,2\n", "has no header row: expected columns such as ingredient, amount"),
        (SHEET.replace(",", "|"), "with a comma, semicolon or tab between them; it begins 'title|Pot'"),
        (HEAD + COLUMNS, "pot.csv:4: holds no ingredients below the header"),
        (SHEET.replace("liquid", "liqid"), "pot.csv:4:7: found the column 'liqid'; did you mean 'liquid'?"),
        (SHEET.replace("liquid", "cook"), "pot.csv:4:7: 'cook' is there twice, in columns 6 and 7"),
        (SHEET.replace("servings", "servigns"), "2:1: found 'servigns' above the table; did you mean 'servings'"),
        ("title,Pan\n" + SHEET, "pot.csv:2:1: 'title' is there twice"),
        (SHEET.replace('"', ""), "pot.csv:5: has 9 cells where the header has 8; put quotation marks"),
        (SHEET.replace('raw"', "raw"), "pot.csv:5: is not valid CSV: unexpected end of data; is a quotation mark"),
        (HEAD + COLUMNS + "carrot;180;g\n", "pot.csv:5: has one cell, 'carrot;180;g'; is another sign between"),
        (SHEET + "salt,1,tsp,,sr28:02047,,,\n", "pot.csv:7:1: 'salt' is there twice, in rows 6 and 7"),
        (SHEET.replace("sweet", "cr\xe8me").encode("latin-1"), "pot.csv:5: is not UTF-8 text: found the byte 0xe8"),
        (SHEET.encode("utf-16")[:-1], "is UTF-16 text cut short"),
        (SHEET.encode("utf-16-le"), "holds NUL characters"),
        ("not together,x\n" + SHEET, "pot.csv:1:2: not together: found 'x'; expected choice: option"),
        ("ingredient,amount,choice,option\nsalt,0,salting,\n", "pot.csv:2: found a choice; expected both or neither"),
        ("ingredient,amount,choice,option\n,1,salting,plain\n", "names no ingredient; expected one, or nothing but"),
        ("ingredient,amount,choice,option\n,,a,b\nsalt,0,a,b\n", "changes 'b', which is the recipe as written"),
        (b"PK\x03\x04" + b"\0" * 50, "holds NUL characters"),
    ],
)  # fmt: skip
def test_bad_csv(read: Read, content: str | bytes, message: str) -> None:
    """Each kind of bad sheet has one error that names its place, what was found and what is allowed."""
    with pytest.raises(InputError) as caught:
        read(content)
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


def test_wrong_encoding_shows_how_it_would_read(read: Read) -> None:
    """The error shows the words as Windows-1252 reads them, so that one sees that this is the trouble."""
    with pytest.raises(InputError, match=r"Windows-1252 \(Latin-1\) '.*crème.*'; save it again as UTF-8"):
        read(SHEET.replace("sweet", "crème").encode("cp1252"))


def test_unknown_columns_and_rows_are_told(read: Read) -> None:
    """What is left out is said."""
    found = read("Grandmother's pot\n" + SHEET.replace("note\n", "note,price\n").replace("ones\n", "ones,3.50\n"))
    assert found.fields == FIELDS
    assert found.notes == ("left out the columns price", "left out row 1, 'Grandmother's pot'")


def test_number_of_rows_is_bounded(read: Read, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file of rows without end is refused."""
    monkeypatch.setattr(sheet_cells, "MOST_ROWS", 5)
    with pytest.raises(InputError, match="has more than 5 rows; expected at most 5"):
        read(SHEET)


# Workbooks


def test_workbook_is_read_like_a_csv(read_book: Callable[..., SheetRecipe]) -> None:
    """Numbers, texts and empty cells of a workbook are the same fields."""
    found = read_book()
    expected = {**FIELDS["ingredients"], "salt": {"amount": "0.5 tsp", "food": "sr28:02047"}}
    assert found.fields == FIELDS | {"ingredients": expected}
    assert found.source.file.endswith("pot.xlsx, sheet 'Pot'")
    assert found.source.places["ingredients", "salt", "amount"] == (6, 2)


def test_percent_cells(read_book: Callable[..., SheetRecipe]) -> None:
    """A number that the cell shows as a percentage is one."""

    def change(sheet: Worksheet) -> None:
        sheet["G5"] = 0.55
        sheet["G5"].number_format = "0.0%"

    assert read_book(change).fields["ingredients"]["carrot"]["liquid"] == "55 %"


def test_stored_results_of_formulas_are_taken(read_book: Callable[..., SheetRecipe]) -> None:
    """Of a formula the stored result counts, and that is said."""

    def change(sheet: Worksheet) -> None:
        sheet["B5"], sheet["B6"] = "=2*90", "=1/2"

    found = read_book(change, with_results({"B5": "180", "B6": "0.5"}))
    assert [row["amount"] for row in found.fields["ingredients"].values()] == ["180 g", "0.5 tsp"]
    assert found.notes == ("took the stored results of 2 formulas",)


def test_formula_outside_the_columns_does_not_matter(read_book: Callable[..., SheetRecipe]) -> None:
    """A formula without a result is refused only where it is needed."""
    assert read_book(lambda sheet: sheet.cell(5, 12, "=SUM(B5:B6)")).fields["title"] == "Pot"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda s: s.__setitem__("B5", "=2*90"), "sheet 'Pot':5:2: amount: holds a formula without its result"),
        (lambda s: s.__setitem__("B5", date(2026, 2, 1)), "5:2: amount: found the date 2026-02-01, which spreadsheets"),
        (lambda s: s.__setitem__("B5", True), "5:2: amount: found TRUE; expected a text or a number"),
        (lambda s: s.__setitem__("B5", "#REF!"), "5:2: amount: found the error #REF!"),
        (lambda s: s.merge_cells("A5:A6"), "sheet 'Pot':5:1: has merged cells (rows 5 to 6, columns 1 to 1)"),
        (lambda s: s.merge_cells("A5:C5"), "5:1: has merged cells (rows 5 to 5, columns 1 to 3)"),
        (lambda s: s.__setitem__("A6", "carrot"), "6:1: 'carrot' is there twice, in rows 5 and 6"),
        (lambda s: s.delete_rows(4), "has no sheet with a header row"),
        (lambda s: s.delete_rows(5, 2), "4: holds no ingredients below the header"),
        (lambda s: s.cell(6_000, 1, "x"), "reaches to row 6,000 and column 8; expected at most 5,000 and 100"),
        (lambda s: s.cell(1, 500, "x"), "reaches to row 6 and column 500"),
        (
            lambda s: (s.parent.create_sheet("Open"), setattr(s, "sheet_state", "hidden")),
            "sheets: Open; hidden sheets are not read: Pot",
        ),
    ],
    ids=[
        "formula", "date", "truth value", "error value", "merged rows", "merged columns", "twice", "no header",
        "no rows", "far row", "far column", "hidden sheet",
    ],
)  # fmt: skip
def test_bad_cells(read_book: Callable[..., SheetRecipe], change: Callable[[Worksheet], object], message: str) -> None:
    """What a cell or sheet must not be is told with sheet, row and column."""
    with pytest.raises(InputError) as caught:
        read_book(change)
    assert message in str(caught.value)


def test_stored_error_of_a_formula(read_book: Callable[..., SheetRecipe]) -> None:
    """A formula whose result is an error is refused."""

    def error(xml: bytes) -> bytes:
        text, count = re.subn(
            r'<c r="B5"[^>]*><f>[^<]*</f><v ?/?>(?:</v>)?', '<c r="B5" t="e"><f>1/0</f><v>#DIV/0!</v>', xml.decode()
        )
        assert count == 1
        return text.encode()

    with pytest.raises(InputError, match="found the error #DIV/0!"):
        read_book(lambda s: s.__setitem__("B5", "=1/0"), lambda data: changed(data, "xl/worksheets/sheet1.xml", error))


def test_headings_hidden_rows_and_other_sheets_are_told(read_book: Callable[..., SheetRecipe]) -> None:
    """A merged heading is left out; hidden rows are read; the sheet read is named, and hidden ones too."""

    def change(sheet: Worksheet) -> None:
        sheet.insert_rows(5)
        sheet["A5"] = "For the pot"
        sheet.merge_cells("A5:H5")
        sheet.row_dimensions[7].hidden = True
        sheet.parent.create_sheet("Notes", 0)["A1"] = "nothing"
        secret = sheet.parent.create_sheet("Secret", 0)
        secret.append(ESSENTIAL)
        secret.sheet_state = "veryHidden"

    found = read_book(change)
    assert list(found.fields["ingredients"]) == ["carrot", "salt"]
    assert found.notes == (
        "read the sheet 'Pot', the first with a header row",
        "did not read the hidden sheets Secret",
        "read the hidden rows too: 7",
        "left out the heading 'For the pot'",
    )


def bomb(data: bytes) -> bytes:
    """Add a part that unpacks to far more than it weighs."""
    return changed(data, "xl/media/image1.bin", lambda _: b"\0" * 21_000_000)


@pytest.mark.parametrize(
    ("package", "message"),
    [
        (lambda data: data[: len(data) // 2], "is not a whole .xlsx workbook"),
        (lambda data: data[:200] + b"\xff" * 40 + data[240:], "is not a whole .xlsx workbook"),
        (lambda data: b"title,Pot\n", "is not a whole .xlsx workbook"),
        (lambda data: b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + data, "is an old or a protected workbook"),
        (bomb, "unpacks to more than 20 MB"),
        (lambda data: changed(data, "xl/vbaProject.bin", lambda _: b"x"), "holds macros; save it as .xlsx"),
        (
            lambda data: changed(data, "xl/workbook.xml", lambda xml: b'<!DOCTYPE a [<!ENTITY b "c">]>' + xml),
            "declares entities in xl/workbook.xml",
        ),
        (
            lambda data: changed(
                data, "xl/styles.xml", lambda _: '<!DOCTYPE a [<!ENTITY b "c">]><a/>'.encode("utf-16")
            ),
            "declares entities in xl/styles.xml",
        ),
        (
            lambda data: changed(
                data,
                "xl/worksheets/sheet1.xml",
                lambda xml: xml.replace(
                    b"</sheetData>", b'</sheetData><mergeCells><mergeCell ref="A1:XFD99999"/></mergeCells>'
                ),
            ),
            "merges more than 200,000 cells",
        ),
        (
            lambda data: changed(data, "xl/worksheets/sheet1.xml", lambda xml: xml + b"<c />" * 200_001),
            "has more than 200,000 cells in xl/worksheets/sheet1.xml",
        ),
        (lambda data: changed(data, "xl/workbook.xml", lambda _: b"<broken"), "is not a workbook that can be read"),
        (lambda data: changed(data, "[Content_Types].xml", lambda _: b"<a/>"), "is not a workbook that can be read"),
    ],
    ids=[
        "truncated", "damaged", "no zip", "old format", "bomb", "macros", "entities", "UTF-16 entities", "huge merge",
        "too many cells", "XML", "types",
    ],
)  # fmt: skip
def test_bad_package(read_book: Callable[..., SheetRecipe], package: Callable[[bytes], bytes], message: str) -> None:
    """A workbook that is cut, damaged, of another kind, too large or dangerous is refused before it is parsed."""
    with pytest.raises(InputError) as caught:
        read_book(package=package)
    assert message in str(caught.value)
    assert "pot.xlsx" in str(caught.value)


def test_empty_file_and_missing_file(tmp_path: Path) -> None:
    """An empty workbook file and a missing one are named."""
    (tmp_path / "pot.xlsx").write_bytes(b"")
    with pytest.raises(InputError, match="is empty"):
        read_sheet(tmp_path / "pot.xlsx")
    with pytest.raises(InputError, match="cannot be read"):
        read_sheet(tmp_path / "none.xlsx")


# Writing


@pytest.mark.parametrize("path", sorted((DATA / "recipes").glob("*.yaml")), ids=lambda path: path.stem)
def test_recipe_comes_back_from_its_fields_and_rows(path: Path, tmp_path: Path, sr28: FoodRelease) -> None:
    """The demo recipes are the same after writing their fields as a file, and as the rows of a sheet."""
    recipe = read_recipe(path)
    found, source = parse_yaml(recipe_text(recipe_fields(recipe)), "text")
    assert check_model(found, source, Recipe).model_dump() == recipe.model_dump()
    book = Workbook()
    for row in sheet_rows(recipe, sr28):
        book.worksheets[0].append(row)
    book.save(tmp_path / "pot.xlsx")
    sheet = read_sheet(tmp_path / "pot.xlsx")
    assert check_model(sheet.fields, sheet.source, Recipe).model_dump() == recipe.model_dump()


EVERY_FIELD = """title: "All: fields # and signs"
servings: 2.5
judged as: meal
reference amount: 5 oz
cooked weight: 2.35 kg
ingredients:
  beef: {amount: 1/3 lb, food: "sr28:13498", cook: fried, drippings: discarded, yield: 71.5 %}
  pasta: {amount: 7 oz, food: "sr28:20120", cook: boiled, liquid: discarded, salted water: 6.34 g/l, refuse: 0.7 %}
  "no": {amount: 1, food: "sr28:11124", cook: boiled, liquid: 33 %, food class: root vegetable, weighed: as purchased}
choices:
  pasta:
    much: as written
    little: {pasta: {amount: 0.1 kg, detail: ""}, cooked weight: 2 kg}
  "off":
    "1:30": as written
    "yes": {"no": {food: "sr28:11352", same: CA}}
not together: [{pasta: little, "off": "yes"}]
method: ["- Stir: well.", "'Serve'", "=1+1", "x # y"]
notes: "Crème, \\"good\\" \\\\ \\u2028 é ½"
"""


def test_every_field_comes_back(tmp_path: Path) -> None:
    """Each field of the format, with numbers that are not round and texts full of signs, comes back the same."""
    found, source = parse_yaml(EVERY_FIELD, "text")
    recipe = check_model(found, source, Recipe)
    again, source = parse_yaml(recipe_text(recipe_fields(recipe)), "text")
    assert check_model(again, source, Recipe).model_dump() == recipe.model_dump()


@settings(max_examples=200, deadline=None)
@given(
    text=st.text(min_size=1, max_size=LONGEST_NAME).filter(
        lambda text: text.strip() and not odd_sign(text, one_line=True)
    )
)
def test_any_text_comes_back_from_a_recipe_file(text: str) -> None:
    """Whatever a title, name or step says, the recipe file gives it back."""
    fields = {"title": text, "ingredients": {text: {"cook": text}}, "method": [text]}
    found, _ = parse_yaml(recipe_text(fields, {("ingredients", text): text}), "text")
    assert found == fields


@given(number=st.floats(0, 1e9, allow_nan=False))
def test_any_number_comes_back(number: float) -> None:
    """A number is written so that reading it gives the same one, without an exponent."""
    assert float(plain_number(number)) == number
    assert "e" not in plain_number(number)


def test_template_says_that_it_is_empty(tmp_path: Path) -> None:
    """The template can be read but for its lack of ingredients, and has the columns that matter."""
    book = openpyxl.Workbook()
    for row in template_rows():
        book.worksheets[0].append(row)
    book.save(tmp_path / "template.xlsx")
    with pytest.raises(InputError, match="holds no ingredients below the header"):
        read_sheet(tmp_path / "template.xlsx")
    assert template_rows()[-1] == list(ESSENTIAL)


@pytest.mark.parametrize(
    ("sign", "amount", "told"), [(",", "-180", "found '-180 g'; expected a number of 0"), (";", "1,500", "two amounts")]
)
def test_words_do_not_change_an_amount(read: Read, sign: str, amount: str, told: str) -> None:
    """Beside words, too, a negative amount and 1,500 in a sheet with semicolons are refused at their cell."""
    text = "ingredient,amount,unit,food\ncarrot,180,g,carrots raw\n".replace(",", sign).replace("180", amount)
    with pytest.raises(InputError, match=rf"pot\.csv:2:2: ingredients\.carrot\.amount: .*{told}"):
        read(text)


def test_a_field_without_end(read: Read) -> None:
    """A field longer than CSV readers take is told, above the header as well."""
    with pytest.raises(InputError, match=r"pot\.csv: is not valid CSV: field larger"):
        read("x" * 200_000 + "\ningredient,amount\n")


def test_every_field_of_an_ingredient_has_a_column() -> None:
    """What a recipe file can say of an ingredient, a sheet can say as well."""
    assert {field for field, _ in sheets.COLUMNS.values()} - {""} == set(Patch.field_names())
