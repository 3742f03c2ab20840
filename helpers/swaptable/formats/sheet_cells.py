"""The cells of CSV and XLSX files: texts with their places, read without running or trusting anything."""

from __future__ import annotations

import csv
import io
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import openpyxl
from openpyxl.worksheet.worksheet import Worksheet

from swaptable.basics.errors import InputError, listed
from swaptable.basics.file_text import MOST_BYTES, decode, read_bytes
from swaptable.basics.folders import shown
from swaptable.formats.csv_cells import unmarked
from swaptable.formats.recipe_files import one_line, percent_text, plain_number
from swaptable.formats.workbook_parts import bare_workbook

__all__ = ["Cell", "Header", "Table", "read_table"]

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab"}
MOST_CSV = 2_000_000  # bytes; a row of a recipe has a hundred
MOST_ROWS, MOST_COLUMNS, MOST_ROWS_ABOVE = 5_000, 100, 500


@dataclass(frozen=True)
class Cell:
    """One cell: its text, and what is wrong with it should it be needed."""

    text: str = ""
    problem: str = ""


@dataclass(frozen=True)
class Table:
    """The cells of one sheet.

    Attributes
    ----------
    file : str
        File and sheet, for errors.
    rows : dict
        Row number → column → cell, both from 1; empty cells are left out.
    delimiter : str
        Sign between the cells of a text; empty for a workbook.
    merged : tuple
        First column, first row, last column and last row of merged cells.
    notes : tuple of str
        What to know of how it was read.
    """

    file: str
    rows: Mapping[int, Mapping[int, Cell]]
    delimiter: str = ""
    merged: tuple[tuple[int, int, int, int], ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Header:
    """How a table is known among other rows and sheets.

    Attributes
    ----------
    fits : callable
        Whether the texts of a row name the columns.
    expected : str
        Columns wanted, for errors.
    """

    fits: Callable[[list[str]], bool]
    expected: str


def read_table(path: Path, header: Header) -> Table:
    """Read the table of a CSV file, or of the first visible sheet of a workbook that has one.

    Parameters
    ----------
    path : Path
        ``.xlsx``; anything else is taken as CSV.
    header : Header

    Returns
    -------
    Table
        Rows above the header included. Of a formula the stored result.

    Raises
    ------
    InputError
        If there is no such header, or the file is too large, cut, damaged, protected or holds macros.
    """
    return _xlsx_table(path, header) if path.suffix.lower() == ".xlsx" else _csv_table(path, header)


def _csv_table(path: Path, header: Header) -> Table:
    name = shown(path)
    data = read_bytes(path)
    if len(data) > MOST_CSV:
        raise InputError(f"holds {len(data) / 1e6:,.1f} MB; expected at most {MOST_CSV / 1e6:g} MB", file=name)
    text = decode(data, name)
    lines = text.split("\n")[:MOST_ROWS_ABOVE]
    tried = (
        (sign, next(csv.reader([line], delimiter=sign), [])[:MOST_COLUMNS]) for line in lines for sign in DELIMITERS
    )
    try:
        found = next((sign for sign, cells in tried if header.fits(cells)), None)
    except csv.Error as error:
        raise InputError(f"is not valid CSV: {error} above the table", file=name) from None
    if found is None:
        first = next(line for line in lines if line.strip()) if any(map(str.strip, lines)) else ""
        raise InputError(
            f"has no header row: expected columns such as {header.expected}, with a comma, semicolon or tab between "
            f"them; it begins '{one_line(first)[:60]}'",
            file=name,
        )
    rows: dict[int, dict[int, Cell]] = {}
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=found, strict=True)
    line = 1
    try:
        for record in reader:
            if len(rows) == MOST_ROWS:
                raise InputError(f"has more than {MOST_ROWS:,} rows; expected at most {MOST_ROWS:,}", file=name)
            if any(cell.strip() for cell in record[MOST_COLUMNS:]):
                raise InputError(f"has more than {MOST_COLUMNS} cells in a row", file=name, line=line)
            cells = enumerate(record[:MOST_COLUMNS], 1)
            rows[line] = {n: Cell(unmarked(one_line(cell))) for n, cell in cells if cell.strip()}
            line = reader.line_num + 1
    except csv.Error as error:
        raise InputError(f"is not valid CSV: {error}; is a quotation mark open?", file=name, line=line) from None
    notes = () if found == "," else (f"read with a {DELIMITERS[found]} between cells",)
    return Table(name, rows, delimiter=found, notes=notes)


def _load(data: bytes, name: str, *, values: bool) -> openpyxl.Workbook:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about features of a workbook that do not matter here
            return openpyxl.load_workbook(io.BytesIO(data), data_only=values, keep_links=False)
    except Exception as error:  # its parser raises whatever it stumbles over
        told = " ".join(str(error).splitlines()[:1])[:120]
        raise InputError(f"is not a workbook that can be read ({type(error).__name__}: {told})", file=name) from None


def _xlsx_table(path: Path, header: Header) -> Table:
    name = shown(path)
    data = bare_workbook(read_bytes(path), name, MOST_BYTES)
    book = _load(data, name, values=False)
    with_header: list[Worksheet] = []
    hidden: list[str] = []
    for sheet in book.worksheets:
        if (sheet.max_row > MOST_ROWS or sheet.max_column > MOST_COLUMNS) and sheet.sheet_state == "visible":
            problem = (
                f"reaches to row {sheet.max_row:,} and column {sheet.max_column:,}; expected at most {MOST_ROWS:,} and "
                f"{MOST_COLUMNS}: delete the empty but formatted rows, or copy the table into the template"
            )
            raise InputError(problem, file=f"{name}, sheet '{sheet.title}'")
        if sheet.sheet_state != "visible":
            hidden.append(sheet.title)
        elif any(header.fits([_shown_text(cell) for cell in row]) for row in sheet.iter_rows(max_row=MOST_ROWS_ABOVE)):
            with_header.append(sheet)
    if not with_header:
        aside = f"; hidden sheets are not read: {listed(hidden)}" if hidden else ""
        names = listed([sheet.title for sheet in book.worksheets if sheet.sheet_state == "visible"])
        problem = f"has no sheet with a header row: expected columns such as {header.expected}; sheets: {names}{aside}"
        raise InputError(problem, file=name)
    chosen = with_header[0]
    notes = []
    if len(book.worksheets) > 1:
        notes.append(f"read the sheet '{chosen.title}', the first with a header row")
    if hidden:
        notes.append(f"did not read the hidden sheets {listed(hidden)}")
    return _sheet_table(chosen, data, name, notes)


def _shown_text(cell: Any) -> str:
    return cell.value if isinstance(cell.value, str) else ""


def _sheet_table(sheet: Worksheet, data: bytes, name: str, notes: list[str]) -> Table:
    formulas = any(cell.data_type == "f" for row in sheet.iter_rows() for cell in row)
    results: Any = _load(data, name, values=True)[sheet.title] if formulas else sheet
    rows: dict[int, dict[int, Cell]] = {}
    computed = 0
    for number, row in enumerate(sheet.iter_rows(), 1):
        cells = rows.setdefault(number, {})
        for column, cell in enumerate(row, 1):
            value = results.cell(number, column).value if cell.data_type == "f" else cell.value
            if cell.data_type == "f" and value is None:
                problem = "holds a formula without its result; open and save the file in a spreadsheet program"
                cells[column] = Cell("formula", f"{problem}, or write the number")
            elif value is not None and (read := _xlsx_cell(value, cell)) != Cell():
                computed += cell.data_type == "f"
                cells[column] = read
    if computed:
        notes.append(f"took the stored results of {computed} formulas")
    unseen = [str(number) for number, cells in rows.items() if cells and sheet.row_dimensions[number].hidden]
    if unseen:
        notes.append(f"read the hidden rows too: {listed(unseen)}")
    merged = tuple(area.bounds for area in sheet.merged_cells.ranges)
    return Table(f"{name}, sheet '{sheet.title}'", rows, merged=merged, notes=tuple(notes))


def _xlsx_cell(value: Any, cell: Any) -> Cell:
    if isinstance(value, bool):
        return Cell(str(value).lower(), f"found {str(value).upper()}; expected a text or a number")
    if isinstance(value, int | float):
        percent = "%" in str(cell.number_format)
        return Cell(f"{percent_text(float(value))}" if percent else plain_number(value))
    if isinstance(value, datetime | date | time | timedelta):
        problem = f"found the date {value:%Y-%m-%d}" if isinstance(value, date) else f"found the time {value}"
        return Cell(str(value), f"{problem}, which spreadsheets make of 1/2 and the like; write 0.5, or 1/2 as text")
    text = one_line(str(value))
    if text.startswith("#") and text.endswith(("!", "?", "/A")):
        return Cell(text, f"found the error {text}; correct the formula or write the number")
    return Cell(text)
