"""Readers of sheets: CSV, whole workbooks, and the XML of one sheet in an otherwise plain workbook."""

import io
import zipfile
from functools import cache
from pathlib import Path

from swaptable.amounts.recipes import Recipe
from swaptable.basics.model_files import check_model
from swaptable.foods.joined import open_release
from swaptable.foods.release import FoodRelease
from swaptable.formats.open_formats import read_source
from swaptable.formats.sheets import read_sheet
from swaptable.formats.workbook import template_workbook


@cache
def release() -> FoodRelease:
    """Open the foods once."""
    return open_release("sr28")


def read_checked(path: Path) -> None:
    """Read a sheet and check its fields as those of a recipe."""
    sheet = read_sheet(path, release().full_code)
    check_model(sheet.fields, sheet.source, Recipe)


def read_filled_in(path: Path) -> None:
    """Read a sheet and look up its foods."""
    read_source(path, release())


@cache
def template() -> dict[str, bytes]:
    """Take a workbook of ours apart."""
    with zipfile.ZipFile(io.BytesIO(template_workbook())) as package:
        return {name: package.read(name) for name in package.namelist()}


def read_sheet_xml(path: Path) -> None:
    """Read a workbook whose first sheet is what was tried."""
    content = path.read_bytes()
    with zipfile.ZipFile(path, "w") as package:
        for name, part in template().items():
            package.writestr(name, content if name.endswith("sheet1.xml") else part)
    read_checked(path)


READERS = {
    "csv": (".csv", read_checked),
    "csv_foods": (".csv", read_filled_in),
    "xlsx": (".xlsx", read_checked),
    "xlsx_sheet": (".xlsx", read_sheet_xml),
}
WORDS = (
    "title,", "servings,", "method,", "not together,", "ingredient,amount,unit,food,code", "choice", "option", "same",
    "cooked weight", "as written", ";", "\t", '"', '""', "=1+1", "'=", "sr28:11124", "0", "1/2", "<c r=\"A1\"",
    't="inlineStr"><is><t>', "</t></is></c>", "<row r=\"1\">", "</row>", '<mergeCell ref="A1:B2"/>', "<f>", "<v>",
    't="e"', 't="b"', 't="d"', "<!DOCTYPE", "PK\x01\x02", "PK\x03\x04", "PK\x05\x06",
)  # fmt: skip
