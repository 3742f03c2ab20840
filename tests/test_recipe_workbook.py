"""The workbook of a computed recipe: its formulas give our numbers, and nothing in it runs that should not.

The formulas are computed by a small reader of formulas below, since no spreadsheet program is at hand in a test.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import openpyxl
import pytest
from openpyxl.utils import get_column_letter, range_boundaries
from openpyxl.worksheet.worksheet import Worksheet

from swaptable.amounts.nutrients import Amounts
from swaptable.basics.errors import SwaptableError
from swaptable.foods.reference import component_label
from swaptable.formats import workbook as recipe_workbook
from swaptable.formats.workbook import template_workbook, workbook_bytes
from swaptable.judging.study import compute_recipe

# A small reader of formulas. Blank cells are None: equal to "", zero in arithmetic, not counted. A text in arithmetic
# is an error, as it is in a spreadsheet.

_TOKEN = re.compile(
    r'\s*(?:(?P<text>"[^"]*")|(?P<name>[A-Z]+)\(|(?P<ref>\$?[A-Z]{1,3}\$?\d+(?::\$?[A-Z]{1,3}\$?\d+)?)'
    r"|(?P<number>\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)|(?P<sign>[-+*/<>=(),]))"
)


def _numbers(value: Any) -> list[float]:
    items = np.ravel(np.asarray(value, dtype=object))
    return [float(item) for item in items if isinstance(item, int | float | np.floating)]


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return value.astype(float)  # a text in an array of numbers fails here
    if isinstance(value, str):
        raise TypeError(f"text '{value}' in arithmetic")
    return 0.0 if value is None else value


class Sheet:
    """The computed cells of one worksheet."""

    def __init__(self, sheet: Worksheet) -> None:
        self.sheet = sheet
        self.known: dict[str, Any] = {}

    def __getitem__(self, ref: str) -> Any:
        ref = ref.replace("$", "")
        if ref not in self.known:
            cell = self.sheet[ref]
            is_formula = cell.data_type == "f"
            self.known[ref] = _Reader(cell.value[1:], self).result() if is_formula else cell.value
        return self.known[ref]

    def area(self, ref: str) -> np.ndarray:
        """Give a range as a column of values."""
        left, top, right, bottom = range_boundaries(ref.replace("$", ""))
        cells = [self.sheet.cell(row, column) for row in range(top, bottom + 1) for column in range(left, right + 1)]
        return np.array([self[cell.coordinate] for cell in cells], dtype=object)


class _Reader:
    """Reads by recursive descent; nothing of an IF is computed but the branch that counts."""

    def __init__(self, text: str, sheet: Sheet) -> None:
        self.tokens, self.sheet = [], sheet
        at = 0
        while at < len(text):
            found = _TOKEN.match(text, at)
            assert found, f"cannot read {text[at:]!r}"
            self.tokens.append((found.lastgroup, found[found.lastgroup]))
            at = found.end()
        self.at = 0

    def result(self) -> Any:
        read = self.comparison()
        assert self.at == len(self.tokens), self.tokens[self.at :]
        return read()

    def take(self, *signs: str) -> str:
        kind, text = self.tokens[self.at] if self.at < len(self.tokens) else ("", "")
        if kind == "sign" and text in signs:
            self.at += 1
            return text
        return ""

    def comparison(self) -> Callable[[], Any]:
        left = self.sum()
        sign = self.take("<", ">", "=")
        if not sign:
            return left
        right = self.sum()
        if sign == "=":
            return lambda: ("" if left() is None else left()) == right()
        return lambda: _plain(left()) < _plain(right()) if sign == "<" else _plain(left()) > _plain(right())

    def sum(self) -> Callable[[], Any]:
        read = self.product()
        while sign := self.take("+", "-"):
            left, right, factor = read, self.product(), 1 if sign == "+" else -1
            read = lambda left=left, right=right, factor=factor: _plain(left()) + factor * _plain(right())  # noqa: E731
        return read

    def product(self) -> Callable[[], Any]:
        read = self.factor()
        while sign := self.take("*", "/"):
            left, right = read, self.factor()
            if sign == "*":
                read = lambda left=left, right=right: _plain(left()) * _plain(right())  # noqa: E731
            else:
                read = lambda left=left, right=right: _plain(left()) / _plain(right())  # noqa: E731
        return read

    def factor(self) -> Callable[[], Any]:
        if self.take("("):
            read = self.comparison()
            assert self.take(")")
            return read
        kind, text = self.tokens[self.at]
        self.at += 1
        if kind == "text":
            return lambda: text[1:-1]
        if kind == "number":
            return lambda: float(text)
        if kind == "ref":
            return (lambda: self.sheet.area(text)) if ":" in text else (lambda: self.sheet[text])
        assert kind == "name", text
        arguments = [self.comparison()]
        while self.take(","):
            arguments.append(self.comparison())
        assert self.take(")")
        return lambda: _FUNCTIONS[text](*arguments)


def _sumproduct(*reads: Callable[[], Any]) -> float:
    columns = []
    for read in reads:
        values = np.ravel(np.asarray(read(), dtype=object))
        columns.append([float(v) if isinstance(v, int | float | np.floating) else 0.0 for v in values])
    return float(np.prod(np.array(columns), axis=0).sum())


_FUNCTIONS: dict[str, Callable[..., Any]] = {
    "IF": lambda test, yes, no: yes() if test() else no(),
    "SUM": lambda *reads: sum(sum(_numbers(read())) for read in reads),
    "COUNT": lambda *reads: sum(len(_numbers(read())) for read in reads),
    "ISNUMBER": lambda read: np.array([isinstance(v, int | float | np.floating) for v in np.ravel(read())]),
    "SUMPRODUCT": _sumproduct,
}


# What is tested

HARD = """title: "=Pot & pan"
servings: 3
ingredients:
  beef:  {amount: 400 g, food: "sr28:13498", cook: fried, drippings: discarded}
  pasta: {amount: 250 g, food: "sr28:20120", cook: boiled, liquid: discarded, yield: 225 %, salted water: 7 g/l}
  wine:  {amount: 200 ml, food: "sr28:14084", cook: simmered, liquid: kept}
  "-carrot": {amount: 2 medium, food: "sr28:11124", cook: simmered, liquid: kept}
choices:
  "=wine":
    "+with": as written
    "@without": {wine: {amount: 0}}
notes: "@notes"
"""


def opened(amounts: Amounts) -> openpyxl.Workbook:
    """Write a workbook and open it again."""
    return openpyxl.load_workbook(io.BytesIO(workbook_bytes(amounts)))


def row_named(sheet: Worksheet, name: str, nth: int = 0) -> int:
    """Find the row whose first cell says so."""
    return [row for row in range(1, sheet.max_row + 1) if sheet.cell(row, 1).value == name][nth]


def sums(amounts: Amounts) -> tuple[Sheet, dict[str, str], dict[str, int]]:
    """Give the sheet of the sum, the column of each component, and the rows of the totals."""
    sheet = opened(amounts)["Ingredients"]
    head = row_named(sheet, "Amount in the dish")
    letters = {sheet.cell(head, column).value: get_column_letter(column) for column in range(4, sheet.max_column + 1)}
    units = amounts.units()
    at = {
        c: letters[f"{component_label(c)} [{u}]"] for c, u in units.items() if f"{component_label(c)} [{u}]" in letters
    }
    assert len(at) == len(letters)
    names = ("Total in the dish", "Share of the weight that has a value [-]", "Per serving", "Per 100 g as eaten")
    return Sheet(sheet), at, {name: row_named(sheet, name) for name in names}


def same(found: Any, expected: float) -> bool:
    """Compare a cell with one of our numbers; an empty text is what is missing."""
    return found == "" if np.isnan(expected) else found == pytest.approx(expected, rel=1e-12, abs=1e-12)


@pytest.fixture(params=["barley_pot", "oat_pancakes", "white_bean_bowl", "sardine_traybake", "hard"])
def amounts(request: pytest.FixtureRequest, computed: Callable[[str], Amounts]) -> Amounts:
    """Each demo recipe, and one with salted water, drippings and alcohol that leave."""
    return computed(HARD) if request.param == "hard" else compute_recipe(request.param)


def test_formulas_give_our_numbers(amounts: Amounts) -> None:
    """Totals, known shares, amounts per serving and per 100 g of every component are ours, water among them."""
    sheet, at, rows = sums(amounts)
    written = amounts.grid.as_written
    data = amounts.data.sel(written)
    assert len(at) > 50
    wrong = {}
    for component, letter in at.items():
        expected = {
            "Total in the dish": float(data["per_batch"].sel(component=component)),
            "Share of the weight that has a value [-]": float(data["known_share"].sel(component=component)),
            "Per serving": float(amounts.per("serving").sel(written).sel(component=component)),
            "Per 100 g as eaten": float(amounts.per("100 g").sel(written).sel(component=component)),
        }
        for name, number in expected.items():
            if not same(sheet[f"{letter}{rows[name]}"], number):
                wrong[component, name] = (sheet[f"{letter}{rows[name]}"], number)
    assert wrong == {}


def test_the_hard_recipe_uses_every_way(computed: Callable[[str], Amounts]) -> None:
    """The recipe of the test has fat and alcohol that leave and sodium that is taken up, or it would test nothing."""
    cooking = {name: line for name, lines in computed(HARD).grid.lines.items() for line in lines.values()}
    assert cooking["beef"].cooking.fat_lost > 0
    assert cooking["pasta"].cooking.sodium_taken_up > 0
    assert cooking["wine"].cooking.factors["ALC"] < 1
    sheet = opened(computed(HARD))["Ingredients"]
    row_named(sheet, "Beside retention: added or taken off per 100 g raw (salted water, drippings, alcohol's energy)")


def test_sum_follows_a_changed_weight(computed: Callable[[str], Amounts]) -> None:
    """Who doubles the grams of an ingredient sees its amounts doubled and the total follow."""
    amounts = computed(HARD)
    sheet, at, rows = sums(amounts)
    values = row_named(sheet.sheet, "Value per 100 g raw edible weight")
    carrot = row_named(sheet.sheet, "-carrot", 3)
    before = sheet[f"{at['CA']}{rows['Total in the dish']}"], sheet[f"{at['CA']}{carrot}"]
    grams = sheet.sheet.cell(row_named(sheet.sheet, "-carrot"), 3)
    assert grams.row > values
    grams.value *= 2
    after = Sheet(sheet.sheet)
    assert after[f"{at['CA']}{carrot}"] == pytest.approx(2 * before[1])
    assert after[f"{at['CA']}{rows['Total in the dish']}"] == pytest.approx(before[0] + before[1])


def test_missing_is_never_zero(computed: Callable[[str], Amounts]) -> None:
    """A value that the release lacks is an empty cell, its amount an empty text, its total marked by the share."""
    text = "title: Pot\nservings: 1\ningredients:\n"
    text += '  sweet potato: {amount: 100 g, food: "sr28:11507"}\n  thyme: {amount: 1 g, food: "sr28:02042"}\n'
    sheet, at, rows = sums(computed(text))
    unknown = [c for c in at if np.isnan(computed(text).data["per_batch"].sel(component=c)) and c != "WATER"]
    assert unknown
    for component in unknown:
        assert sheet[f"{at[component]}{rows['Total in the dish']}"] == ""
        assert sheet[f"{at[component]}{rows['Per serving']}"] == ""
        assert sheet[f"{at[component]}{rows['Share of the weight that has a value [-]']}"] == 0
        assert sheet.sheet[f"{at[component]}{row_named(sheet.sheet, 'thyme')}"].value is None


def test_variants_and_their_differences() -> None:
    """The variants are ours per serving, lower bounds look like ones, and differences are formulas."""
    amounts = compute_recipe("barley_pot")
    sheet = opened(amounts)["Variants"]
    heads = [cell.value for cell in sheet[3]]
    labels = amounts.grid.labels
    assert [sheet.cell(4 + n, 1).value for n in range(len(labels))] == labels
    below = row_named(sheet, "variant", 1)
    differences = Sheet(sheet)
    for component in ("NA", "K", "FATRN"):
        column = heads.index(f"{component_label(component)} [{amounts.units()[component]}]") + 1
        listed = amounts.grid.listed(amounts.per("serving").sel(component=component))
        shares = amounts.grid.listed(amounts.share_per("serving").sel(component=component))
        for number, (value, share) in enumerate(zip(listed, shares, strict=True)):
            cell = sheet.cell(4 + number, column)
            assert cell.value == pytest.approx(value, rel=1e-14)
            assert cell.number_format.startswith('"≥') == (share < 1 - 1e-9)
            if number and component != "FATRN":
                found = differences[sheet.cell(below + number, column).coordinate]
                assert found == pytest.approx(value - listed[0], abs=1e-9)
            elif number:
                assert sheet.cell(below + number, column).value is None


def test_texts_are_never_formulas(computed: Callable[[str], Amounts]) -> None:
    """A title, name or option that begins like a formula is a text in every sheet, and marked to stay one."""
    book = opened(computed(HARD))
    ours = re.compile(r"=(?:IF|SUM|SUMPRODUCT|C\d+)\b")
    seen = set()
    for sheet in book.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                if cell.data_type == "f":
                    assert ours.match(cell.value), cell.value
                elif isinstance(cell.value, str) and cell.value[:1] in "=+-@":
                    assert cell.quotePrefix
                    seen.add(cell.value)
    assert {"=Pot & pan", "-carrot", "=wine", "+with", "@without", "@notes"} <= seen
    assert [sheet.title for sheet in book.worksheets] == ["Recipe", "Ingredients", "Variants", "Sources"]


def test_sources_name_everything(computed: Callable[[str], Amounts]) -> None:
    """The last sheet says where weights, factors and foods are from, and what each component is."""
    amounts = computed(HARD)
    sheet = opened(amounts)["Sources"]
    texts = {str(cell.value) for row in sheet.iter_rows() for cell in row}
    assert amounts.grid.release.sha256 in texts
    assert {"sr28:13498", "VITA_RAE", "mg", "weight_from", "retention_rows"} <= texts
    assert any("Retention factors: USDA Release 6 (2007)" in text for text in texts)


def test_control_characters_are_left_out(computed: Callable[[str], Amounts]) -> None:
    """A character that no workbook may hold is left out rather than failing."""
    amounts = computed(HARD)
    odd = amounts.recipe.model_copy(update={"title": "a\x07b"})  # which no recipe file may say
    assert opened(replace(amounts, grid=replace(amounts.grid, recipe=odd)))["Recipe"]["B1"].value == "ab"


def test_number_of_variants_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """A workbook of more variants than anyone reads is refused, with what to do instead."""
    monkeypatch.setattr(recipe_workbook, "MOST_VARIANTS", 3)
    with pytest.raises(SwaptableError, match=r"found 18 variants; a workbook lists at most 3: .* or write \.parquet"):
        workbook_bytes(compute_recipe("barley_pot"))


def test_template_explains_its_columns() -> None:
    """The template has the sheet to fill in and a second one that says what goes where."""
    book = openpyxl.load_workbook(io.BytesIO(template_workbook()))
    assert [cell.value for cell in book["Recipe"][5]] == list(recipe_workbook.ESSENTIAL)
    assert [row[0].value for row in book["How to fill it in"].iter_rows(min_row=2)][:-1] == list(
        recipe_workbook.COLUMNS
    )
