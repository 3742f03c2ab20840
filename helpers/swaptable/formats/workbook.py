"""A computed recipe as a workbook in which a spreadsheet user can follow the sum.

``amount = grams × value / 100 × retention`` for every ingredient and component of the recipe as written, as
formulas; the variants as numbers; the sources of all of it.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from openpyxl import Workbook
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from swaptable.amounts.nutrients import DERIVED_FROM, WHOLE_SHARE, Amounts, line_values, lines_table
from swaptable.amounts.variants import Line
from swaptable.basics.errors import SwaptableError
from swaptable.basics.units import GENERAL_KCAL_PER_GRAM_ALCOHOL
from swaptable.foods.reference import component_label
from swaptable.formats.csv_cells import FORMULA
from swaptable.formats.sheet_rows import sheet_rows, template_rows
from swaptable.formats.sheets import COLUMNS, ESSENTIAL

__all__ = ["MOST_VARIANTS", "template_workbook", "workbook_bytes"]

MOST_VARIANTS = 2_000  # rows that a reader may still look through
_FIRST = 4  # column of the first component
_BOLD, _ASSUMED = Font(bold=True), Font(italic=True, color="808080")
_HEAD = PatternFill("solid", fgColor="E7E6E6")
_AT_LEAST = '"≥ "General'  # a lower bound stays a number and looks like one
_LEGEND = (
    "amount = grams × value per 100 g / 100 × retention, then summed. Change grams or values and follow it. "
    "An empty cell is not known, never zero; grey italic retention: none published, taken as kept."
)


def _put(sheet: Worksheet, row: int, column: int, value: Any, *, font: Font | None = None) -> Any:
    """Write a number or a text; a text stays a text, whatever it begins with. Missing is an empty cell."""
    cell = sheet.cell(row, column)
    if isinstance(value, str):
        cell.value = ILLEGAL_CHARACTERS_RE.sub("", value)
        cell.data_type = "s"
        cell.quotePrefix = value.startswith(FORMULA)  # so that it stays one when it is edited
    elif value is not None and not pd.isna(value):
        cell.value = value.item() if isinstance(value, np.generic) else value
    if font is not None:
        cell.font = font
    return cell


def _put_rows(sheet: Worksheet, rows: Iterable[Iterable[Any]], first: int = 1, *, head: bool = False) -> int:
    """Write rows one below the other and give the number of the next free one."""
    number = first
    for number, row in enumerate(rows, first):
        for column, value in enumerate(row, 1):
            cell = _put(sheet, number, column, value)
            if head and number == first:
                cell.font, cell.fill = _BOLD, _HEAD
    return number + 1


def _number(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


def _recipe_sheet(sheet: Worksheet, rows: list[list[str]]) -> None:
    """Write the sheet that is read back in: numbers as numbers where a cell holds nothing else."""
    amount_at: int | None = None
    for number, row in enumerate(rows, 1):
        for column, text in enumerate(row, 1):
            numeric = column - 1 == amount_at or (column == 2 and row[0] == "servings" and amount_at is None)
            if text:
                _put(sheet, number, column, _number(text) if numeric else text)
        if "ingredient" in row and "amount" in row:
            amount_at = row.index("amount")
            for cell in sheet[number]:
                cell.font, cell.fill = _BOLD, _HEAD
    for letter, width in zip("ABCDEFGH", (18, 9, 16, 44, 14, 12, 11, 30), strict=True):
        sheet.column_dimensions[letter].width = width


def _bytes(book: Workbook) -> bytes:
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def _new_book(first_sheet: str) -> tuple[Workbook, Worksheet]:
    book = Workbook()
    book.remove(book.worksheets[0])
    return book, book.create_sheet(first_sheet)


def template_workbook() -> bytes:
    """Give the empty sheet for filling in, with a second one that says what goes into each column."""
    book, sheet = _new_book("Recipe")
    _recipe_sheet(sheet, template_rows())
    guide = book.create_sheet("How to fill it in")
    rows = [["column", "what it says"], *([name, text] for name, (_, text) in COLUMNS.items())]
    end = _put_rows(guide, rows, head=True)
    _put(guide, end, 1, f"Needed: {', '.join(ESSENTIAL[:3])} and food or code. The other columns may be added.")
    guide.column_dimensions["A"].width, guide.column_dimensions["B"].width = 16, 90
    return _bytes(book)


@dataclass(frozen=True)
class _Cooked:
    """One ingredient as written, taken apart for the sheet."""

    name: str
    line: Line
    raw: pd.Series  # value per 100 g as the release prints it
    share: pd.Series  # retention; 1 where none is published
    assumed: pd.Series  # whether it is taken as 1
    change: pd.Series  # what cooking adds or takes off beside it, per 100 g raw
    from_parts: frozenset[str]  # derived components that are the sum of their parts


def _taken_apart(name: str, line: Line, amounts: Amounts, components: list[str]) -> _Cooked:
    release = amounts.grid.release
    values = line_values(line, release)
    printed = release.values(line.food.code)
    raw = printed.reindex(components)
    published = pd.Series(line.cooking.factor_for(printed.index), index=printed.index).reindex(components)
    share = published.fillna(1.0)
    parts = frozenset(
        whole for whole, of in DERIVED_FROM.items() if whole in components and values[list(of)].notna().all()
    )
    plain = raw * share
    change = (values.reindex(components) - plain).where(raw.notna(), 0.0)
    change[list(parts)] = 0.0
    change = change.where(change.abs() > 1e-12 * plain.abs(), 0.0)
    return _Cooked(name, line, raw, share, published.isna(), change, parts)


def _sheet_components(amounts: Amounts) -> list[str]:
    """Choose the components that have a plain name, and the parts that derived ones are summed from."""
    known = list(amounts.data["component"].to_numpy())
    named = [component for component in known if component_label(component) != component]
    parts = [part for whole, of in DERIVED_FROM.items() if whole in named for part in of]
    return [*named, *(part for part in dict.fromkeys(parts) if part not in named and part in known)]


def _parts_formula(whole: str, at: Mapping[str, str], row: int, alcohol_known: bool) -> str:
    terms = []
    for part, per in DERIVED_FROM[whole].items():
        inverse = round(1 / per)
        scaled = "" if per == 1 else f"/{inverse}" if per < 1 and 1 / inverse == per else f"*{per!r}"
        terms.append(f"{at[part]}{row}{scaled}")
    needed = ",".join(f"{at[part]}{row}" for part in DERIVED_FROM[whole])
    if whole == "ENERC_KCAL_GENERAL" and alcohol_known:
        terms.append(f"{at['ALC']}{row}*{GENERAL_KCAL_PER_GRAM_ALCOHOL!r}")
    return f'=IF(COUNT({needed})<{len(DERIVED_FROM[whole])},"",{"+".join(terms)})'


class _Sum:
    """The sheet of the sum: blocks of the same columns, one row for each ingredient in each."""

    def __init__(self, sheet: Worksheet, amounts: Amounts) -> None:
        self.sheet, self.amounts = sheet, amounts
        self.components = _sheet_components(amounts)
        written = amounts.grid.as_written
        lines = {name: amounts.grid.line(name, written) for name in amounts.grid.lines}
        self.foods = [
            _taken_apart(name, line, amounts, self.components) for name, line in lines.items() if line is not None
        ]
        self.at = {component: get_column_letter(_FIRST + n) for n, component in enumerate(self.components)}
        self.count = len(self.foods)

    def write(self) -> None:
        recipe, sheet = self.amounts.recipe, self.sheet
        data = self.amounts.data.sel(self.amounts.grid.as_written)
        _put(sheet, 1, 1, f"{recipe.title}: the sum for the recipe as written", font=_BOLD)
        _put(sheet, 2, 1, _LEGEND)
        for row, (label, value) in enumerate(
            (("Servings", recipe.servings), ("Weight as eaten [g]", float(data["cooked_g"]))), 3
        ):
            _put(sheet, row, 1, label, font=_BOLD)
            _put(sheet, row, 3, value)
        _put(sheet, 4, _FIRST, f"Weight as eaten: {self.amounts.cooked_weight_origin}. {self.amounts.source_line}")
        changed = any((food.change != 0).any() for food in self.foods)
        values = self.block(6, "Value per 100 g raw edible weight", lambda food, c: food.raw[c], grams=True)
        shares = self.block(values + self.count + 2, "Retention: share kept in cooking [-]", lambda f, c: f.share[c])
        end = shares + self.count
        changes = 0
        if changed:
            title = "Beside retention: added or taken off per 100 g raw (salted water, drippings, alcohol's energy)"
            changes = self.block(end + 2, title, lambda food, c: food.change[c] or None)
            end = changes + self.count
        self.total(self.amount_block(end + 2, values, shares, changes), values, changes)
        sheet.freeze_panes = f"{get_column_letter(_FIRST)}6"
        for letter, width in (("A", 22), ("B", 40), ("C", 12)):
            sheet.column_dimensions[letter].width = width

    def heading(self, row: int, title: str, third: str) -> None:
        units = self.amounts.units()
        labels = [f"{component_label(c)} [{units[c]}]" for c in self.components]
        for column, text in enumerate((title, "food", third, *labels), 1):
            cell = _put(self.sheet, row, column, text, font=_BOLD)
            cell.fill, cell.alignment = _HEAD, Alignment(wrap_text=column != 1, vertical="top")

    def block(self, row: int, title: str, value: Any, *, grams: bool = False) -> int:
        """Write a heading and one row of numbers for each ingredient; give the first of these rows."""
        self.heading(row, title, "raw edible [g]" if grams else "")
        for number, food in enumerate(self.foods, row + 1):
            _put(self.sheet, number, 1, food.name)
            _put(self.sheet, number, 2, food.line.food.description)
            if grams:
                _put(self.sheet, number, 3, food.line.edible_g)
            for column, component in enumerate(self.components, _FIRST):
                assumed = title.startswith("Retention") and food.assumed[component]
                if not (title.startswith("Retention") and component in food.from_parts):
                    _put(self.sheet, number, column, value(food, component), font=_ASSUMED if assumed else None)
        return row + 1

    def amount_block(self, row: int, values: int, shares: int, changes: int) -> int:
        self.heading(row, "Amount in the dish", "raw edible [g]")
        for offset, food in enumerate(self.foods):
            number, value, share = row + 1 + offset, values + offset, shares + offset
            _put(self.sheet, number, 1, food.name)
            _put(self.sheet, number, 2, food.line.food.description)
            self.sheet.cell(number, 3).value = f"=C{value}"
            for component, letter in self.at.items():
                if component in food.from_parts:
                    known = bool(np.isfinite(food.raw["ALC"]))
                    formula = _parts_formula(component, self.at, number, known)
                else:
                    change = f"{letter}{changes + offset}" if changes and food.change[component] else ""
                    product = f"C{number}*{letter}{value}/100*{letter}{share}"
                    product += f"+C{number}*{change}/100" if change else ""
                    formula = f'=IF({letter}{value}="","",{product})'
                self.sheet[f"{letter}{number}"] = formula
        return row + 1

    def total(self, first: int, values: int, changes: int) -> None:
        last = first + self.count - 1
        total, share, serving, hundred = range(last + 1, last + 5)
        grams = f"$C${first}:$C${last}"
        labels = ("Total in the dish", "Share of the weight that has a value [-]", "Per serving", "Per 100 g as eaten")
        for row, label in zip((total, share, serving, hundred), labels, strict=True):
            _put(self.sheet, row, 1, label, font=_BOLD)
        self.sheet.cell(total, 3).value = f"=SUM({grams})"
        for component, letter in self.at.items():
            cells = f"{letter}{first}:{letter}{last}"
            summed = f"SUM({cells})"
            self.sheet[f"{letter}{share}"] = f"=SUMPRODUCT(ISNUMBER({cells})*{grams})/SUM({grams})"
            if component == "WATER":  # takes up what weight the dish loses or gains, less alcohol and fat that leave
                summed += f"+C4-C{total}+{self.lost(first, values, changes)}"
                known = f"{letter}{share}>{WHOLE_SHARE!r}"
                self.sheet[f"{letter}{total}"] = f'=IF({known},IF({summed}<0,"",{summed}),"")'
            else:
                self.sheet[f"{letter}{total}"] = f'=IF(COUNT({cells})=0,"",{summed})'
            self.sheet[f"{letter}{serving}"] = f'=IF({letter}{total}="","",{letter}{total}/C3)'
            self.sheet[f"{letter}{hundred}"] = f'=IF({letter}{total}="","",{letter}{total}/C4*100)'
        _put(self.sheet, hundred + 1, 1, "Where the share is below 1, the total is a lower bound.")

    def lost(self, first: int, values: int, changes: int) -> str:
        """Write what alcohol and fat leave [g] as a formula."""
        last, end = first + self.count - 1, values + self.count - 1
        alcohol, fat = self.at["ALC"], self.at["FAT"]
        gone = (
            f"SUMPRODUCT(C{values}:C{end},{alcohol}{values}:{alcohol}{end})/100-SUM({alcohol}{first}:{alcohol}{last})"
        )
        if not changes:
            return f"({gone})"
        ends = changes + self.count - 1
        return f"({gone}-SUMPRODUCT(C{values}:C{end},{fat}{changes}:{fat}{ends})/100)"


def _variants_sheet(sheet: Worksheet, amounts: Amounts) -> None:
    grid = amounts.grid
    components = [c for c in _sheet_components(amounts) if component_label(c) != c]
    units, serving, shares = amounts.units(), amounts.per("serving"), amounts.share_per("serving")
    weight = amounts.data["cooked_g"] / amounts.recipe.servings
    labels = [f"{component_label(c)} [{units[c]}]" for c in components]
    heads = ["variant", *grid.choices, "Weight as eaten [g]", *labels]
    told = "Per serving. ≥ marks a lower bound: some of the weight has no value. Empty: not known."
    _put(sheet, 1, 1, told, font=_BOLD)
    first = 3
    _put_rows(sheet, [heads], first, head=True)
    numeric = len(grid.choices) + 2
    listed = {c: (grid.listed(serving.sel(component=c)), grid.listed(shares.sel(component=c))) for c in components}
    weights = grid.listed(weight)
    for number, variant in enumerate(grid.variants()):
        row = first + 1 + number
        _put_rows(sheet, [[grid.labels[number], *variant.values(), weights[number]]], row)
        for column, (values, known) in enumerate(listed.values(), numeric + 1):
            cell = _put(sheet, row, column, values[number])
            if known[number] < WHOLE_SHARE:
                cell.number_format = _AT_LEAST
    count = len(grid.variants())
    below = first + count + 3
    if count > 1:
        _differences(sheet, amounts, first + 1, below, numeric, listed)
    sheet.freeze_panes = f"B{first + 1}"
    sheet.column_dimensions["A"].width = 34


def _differences(
    sheet: Worksheet,
    amounts: Amounts,
    first: int,
    below: int,
    numeric: int,
    listed: Mapping[str, tuple[np.ndarray, np.ndarray]],
) -> None:
    """Write each variant less the recipe as written, as formulas; not where either is a lower bound."""
    labels = amounts.grid.labels
    told = "Difference from the recipe as written, per serving; empty where an amount is not whole."
    _put(sheet, below - 1, 1, told, font=_BOLD)
    heads = [cell.value for cell in sheet[first - 1]]
    _put_rows(sheet, [heads], below, head=True)
    whole = [np.ones(len(labels), dtype=bool), *(known >= WHOLE_SHARE for _, known in listed.values())]
    for number in range(1, len(labels)):
        row, source = below + number, first + number
        _put(sheet, row, 1, labels[number])
        for column, known in enumerate(whole, numeric):
            letter = get_column_letter(column)
            here, there = f"{letter}{source}", f"{letter}${first}"
            if known[0] and known[number]:
                sheet.cell(row, column).value = f'=IF(COUNT({here},{there})<2,"",{here}-{there})'


def _sources_sheet(sheet: Worksheet, amounts: Amounts) -> None:
    manifest = amounts.grid.release.manifest
    given = [name for name in ("title", "source", "released", "licence") if name in manifest]
    facts = [
        ["Amounts", amounts.source_line + " An aid to a registered dietitian; not medical advice, not for labels."],
        ["Weight as eaten", amounts.cooked_weight_origin],
        *([f"Foods: {name}", str(manifest[name])] for name in given),
        ["Foods: SHA-256", amounts.grid.release.sha256],
        ["Sheet Recipe", "What can be read in again; the sum in the other sheets does not follow changes there."],
    ]
    free = _put_rows(sheet, facts)
    lines = lines_table(amounts)
    plain = [[None if isinstance(v, float) and np.isnan(v) else v for v in row] for row in lines.to_numpy().tolist()]
    free = _put_rows(sheet, [list(lines.columns), *plain], free + 1, head=True)
    units, names = amounts.units(), amounts.data["name"].to_series()
    table = [["component", "INFOODS tag", "unit", "name"]]
    table += [[component_label(c), c, units[c], str(names[c])] for c in _sheet_components(amounts)]
    _put_rows(sheet, table, free + 1, head=True)
    sheet.column_dimensions["A"].width, sheet.column_dimensions["B"].width = 22, 40


def workbook_bytes(amounts: Amounts) -> bytes:
    """Give a computed recipe as an XLSX workbook.

    Parameters
    ----------
    amounts : Amounts

    Returns
    -------
    bytes
        Sheets: ``Recipe``, which can be read in again; ``Ingredients``, the sum of the recipe as written in formulas;
        ``Variants``, per serving, with differences as formulas; ``Sources``.

    Raises
    ------
    SwaptableError
        If there are more variants than anyone reads.
    """
    count = len(amounts.grid.variants())
    if count > MOST_VARIANTS:
        problem = f"found {count:,} variants; a workbook lists at most {MOST_VARIANTS:,}: leave choices out"
        raise SwaptableError(f"{problem}, or write .parquet")
    book, recipe = _new_book("Recipe")
    _recipe_sheet(recipe, sheet_rows(amounts.recipe, amounts.grid.release))
    _Sum(book.create_sheet("Ingredients"), amounts).write()
    _variants_sheet(book.create_sheet("Variants"), amounts)
    _sources_sheet(book.create_sheet("Sources"), amounts)
    return _bytes(book)
