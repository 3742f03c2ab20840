"""Sheets of ingredients, CSV and XLSX, read into the fields of a recipe file.

One row is one ingredient. Rows that name a choice and an option say what that option changes, so that a sheet
can hold a whole recipe. Rows above the table hold the title, the servings and the like.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from swaptable.amounts.recipes import AS_WRITTEN, Recipe
from swaptable.basics.errors import InputError, listed, nearest
from swaptable.basics.located_yaml import Place, SourceText
from swaptable.formats.recipe_files import WEIGHED_OPTION
from swaptable.formats.sheet_cells import Cell, Header, Table, read_table
from swaptable.kitchen.text import KitchenRecipe

__all__ = ["COLUMNS", "ESSENTIAL", "HEAD", "LISTS", "NO_DETAIL", "SheetRecipe", "read_sheet"]

# Column → the field of an ingredient in a recipe file, empty where it is none, and what the column says.
COLUMNS: dict[str, tuple[str, str]] = {
    "ingredient": ("", "a name of your own, each once"),
    "amount": ("amount", "a number: 180, 1.5 or 1 1/2; 0 takes the ingredient out"),
    "unit": ("", "g, ml, cup, tbsp ..., or a portion of the food: medium, large, clove"),
    "food": ("", "the food in words, such as potato raw; needed where there is no code"),
    "code": ("food", "food code with the release in front, such as sr28:11352; wins over the words"),
    "cook": ("cook", "boiled, simmered, baked, fried ...; empty: not cooked"),
    "liquid": ("liquid", "kept, discarded or the share kept, such as 50 %"),
    "note": ("", "a remark; it becomes a comment in the recipe file"),
    "weighed": ("weighed", "edible (if empty) or as purchased"),
    "refuse": ("refuse", "inedible share, such as 3 %"),
    "drippings": ("drippings", "of meat: kept (if empty) or discarded"),
    "salted water": ("salted water", "salt in the water of pasta, such as 7 g/l"),
    "detail": ("detail", "which published row; the word none takes back what another row says"),
    "food class": ("food class", "class of the retention factors"),
    "yield": ("yield", "cooked weight over raw edible weight, such as 88 %"),
    "choice": ("", "of a row that belongs to an option: what is chosen"),
    "option": ("", "the option; the first one of a choice has no ingredient: it is the recipe as written"),
    "same": ("same", "beside a food that replaces another: weight, volume, energy or a component"),
}
ESSENTIAL = ("ingredient", "amount", "unit", "food", "code", "cook", "liquid", "note")  # of the template
_ALSO = {
    "quantity": "amount", "qty": "amount", "measure": "unit", "description": "food", "food code": "code",
    "name": "ingredient", "ingredients": "ingredient", "units": "unit", "notes": "note",
}  # fmt: skip
# What the rows above the table may say; a list is said in several rows.
HEAD = ("title", "servings", "cooked weight", "reference amount", "judged as", "notes", "method", "not together")
LISTS = ("method", "not together")
NO_DETAIL = "none"


@dataclass(frozen=True)
class SheetRecipe:
    """A recipe as a sheet gives it.

    Attributes
    ----------
    kitchen : KitchenRecipe
        Its words, one line for each ingredient as written.
    fields : dict
        The fields of a recipe file, as texts; an ingredient without a code has no ``food``.
    words : dict
        Place of each ingredient without a code → its line in words.
    remarks : dict
        Place of an ingredient → the row's note.
    source : SourceText
        Row and column of each field, as line and column.
    notes : tuple of str
        What to know of how it was read.
    """

    kitchen: KitchenRecipe
    fields: dict[str, Any]
    words: Mapping[Place, str]
    remarks: Mapping[Place, str]
    source: SourceText
    notes: tuple[str, ...]


def _known(columns: list[str]) -> dict[int, str]:
    """Find the columns that a header row names, by position from 1."""
    words = {number: " ".join(text.lower().replace("_", " ").split()) for number, text in enumerate(columns, 1)}
    return {number: _ALSO.get(word, word) for number, word in words.items() if _ALSO.get(word, word) in COLUMNS}


def _is_header(columns: list[str]) -> bool:
    known = set(_known(columns).values())
    return len(known) > 1 and bool(known & {"ingredient", "food", "code"})


@dataclass
class _Reading:
    """What is gathered while the rows of a sheet are read."""

    table: Table
    header: int
    columns: dict[int, str]
    full_code: Callable[[str], str] = str
    fields: dict[str, Any] = field(default_factory=dict)
    places: dict[Place, tuple[int, int]] = field(default_factory=dict)
    words: dict[Place, str] = field(default_factory=dict)
    remarks: dict[Place, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def error(self, problem: str, row: int, column: int | None = None, about: str = "") -> InputError:
        return InputError(problem, file=self.table.file, line=row, column=column, field=about)

    def text(self, row: int, column: int, about: str) -> str:
        cell = self.table.rows[row].get(column, Cell())
        if cell.problem:
            raise self.error(cell.problem, row, column, about)
        return cell.text


def _header_of(table: Table) -> _Reading:
    for number, cells in table.rows.items():
        texts = [cells.get(column, Cell()).text for column in range(1, max(cells, default=0) + 1)]
        if not _is_header(texts):
            continue
        known = _known(texts)
        reading = _Reading(table, number, known)
        for column, name in known.items():
            first = next(other for other, same in known.items() if same == name)
            if first != column:
                raise reading.error(f"'{name}' is there twice, in columns {first} and {column}", number, column)
        strange = {column: cell.text for column, cell in cells.items() if column not in known}
        for column, text in strange.items():
            hint = nearest(text, COLUMNS)
            if hint:
                raise reading.error(f"found the column '{text}'{hint}", number, column)
        if strange:
            reading.notes.append(f"left out the columns {listed(strange.values())}")
        return reading
    raise InputError("has no header row", file=table.file)


def _read_head(reading: _Reading) -> None:
    for number, cells in reading.table.rows.items():
        if number >= reading.header:
            break
        if not cells:
            continue
        label_at, *value_at = sorted(cells)
        label = reading.text(number, label_at, "").lower().rstrip(":").strip()
        if label not in HEAD:
            hint = nearest(label, HEAD)
            if hint and value_at:
                raise reading.error(f"found '{label}' above the table{hint}", number, label_at)
            if not label.startswith("sep="):  # the line by which a spreadsheet is told the delimiter
                reading.notes.append(f"left out row {number}, '{cells[label_at].text[:40]}'")
            continue
        if not value_at:
            continue
        text = reading.text(number, value_at[0], label)
        place: Place = (label,)
        if label in LISTS:
            items = reading.fields.setdefault(label, [])
            place = (label, len(items))
            items.append(_pairs(text, reading, number, value_at[0]) if label == "not together" else text)
        elif label in reading.fields:
            raise reading.error(f"'{label}' is there twice; keep one", number, label_at)
        else:
            reading.fields[label] = text
        for known in ((label,), place):
            reading.places[known] = (number, value_at[0])


def _pairs(text: str, reading: _Reading, row: int, column: int) -> dict[str, str]:
    """Read options that do not go together, such as ``tuber: sweet potato; skin: skin on``."""
    pairs = [part.partition(":") for part in text.split(";")]
    if any(not colon for _, colon, _ in pairs):
        raise reading.error(f"found '{text}'; expected choice: option; choice: option", row, column, "not together")
    return {choice.strip(): option.strip() for choice, _, option in pairs}


def _check_merged(reading: _Reading, row: int, cells: Mapping[int, Cell]) -> bool:
    """Refuse merged cells that hide what a row says; give whether the row is only a heading."""
    for first_column, first_row, last_column, last_row in reading.table.merged:
        if not first_row <= row <= last_row or not any(first_column <= c <= last_column for c in reading.columns):
            continue
        if first_row == last_row and set(cells) <= {first_column}:
            return True
        area = f"rows {first_row} to {last_row}, columns {first_column} to {last_column}"
        raise reading.error(
            f"has merged cells ({area}); unmerge them, so that each row says its own", row, first_column
        )
    return False


def _read_rows(reading: _Reading) -> None:
    width = max(reading.table.rows[reading.header])
    for number, cells in reading.table.rows.items():
        if number <= reading.header or not cells:
            continue
        if _check_merged(reading, number, cells):
            reading.notes.append(f"left out the heading '{next(iter(cells.values())).text}'")
            continue
        if reading.table.delimiter and max(cells) > width:
            problem = (
                f"has {max(cells)} cells where the header has {width}; put quotation marks around a text that holds "
                "the sign between cells"
            )
            raise reading.error(problem, number)
        one = reading.table.delimiter and set(cells) == {1} and len(reading.columns) > 2
        if one and any(sign in cells[1].text for sign in ";|\t"):
            raise reading.error(f"has one cell, '{cells[1].text[:40]}'; is another sign between its cells?", number)
        row = {name: reading.text(number, column, name) for column, name in reading.columns.items() if column in cells}
        if row := {name: text for name, text in row.items() if text}:
            _read_row(reading, number, row)


def _read_row(reading: _Reading, number: int, row: dict[str, str]) -> None:
    at = {name: column for column, name in reading.columns.items()}
    if ("choice" in row) != ("option" in row):
        raise reading.error(f"found {'a choice' if 'choice' in row else 'an option'}; expected both or neither", number)
    ingredient = row.get("ingredient", "")
    place: Place
    if "choice" in row:
        options = reading.fields.setdefault("choices", {}).setdefault(row["choice"], {})
        place = ("choices", row["choice"], row["option"])
        for end in range(1, 4):
            reading.places.setdefault(place[:end], (number, at["choice" if end < 3 else "option"]))
        if not ingredient:
            if set(row) - {"choice", "option", "note"} or row["option"] in options:
                raise reading.error("names no ingredient; expected one, or nothing but choice and option", number)
            options[row["option"]] = AS_WRITTEN
            return
        owner = options.setdefault(row["option"], {})
        if owner == AS_WRITTEN:
            raise reading.error(f"changes '{row['option']}', which is the recipe as written", number, at["option"])
        if ingredient == WEIGHED_OPTION:
            owner[ingredient] = _amount(row, reading)
            reading.places[(*place, ingredient)] = (number, at.get("amount", 1))
            return
    else:
        place = ("ingredients",)
        owner = reading.fields.setdefault("ingredients", {})
        ingredient = ingredient or _short_name(row, owner)
    place = (*place, ingredient)
    if ingredient in owner:
        rows = f"rows {reading.places[place][0]} and {number}"
        problem = f"'{ingredient}' is there twice, in {rows}; give one another name, such as '{ingredient} 2'"
        raise reading.error(problem, number, at.get("ingredient"))
    reading.places[place] = (number, next(at[name] for name in ("ingredient", "food", *row) if name in row))
    owner[ingredient] = _ingredient_fields(reading, number, row, place, at)


def _ingredient_fields(
    reading: _Reading, number: int, row: dict[str, str], place: Place, at: dict[str, int]
) -> dict[str, str]:
    found: dict[str, str] = {}
    for name, text in row.items():
        key = COLUMNS[name][0]
        if not key:
            continue
        if key == "amount":
            text = _amount(row, reading)
        elif key == "food" and ":" not in text:
            text = reading.full_code(text)
        found[key] = "" if (key, text) == ("detail", NO_DETAIL) else text
        reading.places[(*place, key)] = (number, at[name])
    if row.get("note"):
        reading.remarks[place] = row["note"]
    words = row.get("food") or ("" if place[0] == "choices" else row.get("ingredient", ""))
    if "food" not in found and words:
        _refuse_other_in_words(found.get("amount", ""), reading, place)
        parts = [_amount(row, reading), words]
        reading.words[place] = " ".join(part for part in parts if part) + (f", {row['note']}" if "note" in row else "")
    return found


def _amount(row: dict[str, str], reading: _Reading) -> str:
    number = row.get("amount", "")
    if reading.table.delimiter in (";", "\t"):  # 1,500 may be two things, and is left to be refused
        number = re.sub(r"^(\d+),(\d{1,2}|\d{4,})(?=\D|$)", r"\1.\2", number)
    return f"{number} {row['unit']}".strip() if "unit" in row and number != "0" else number


def _refuse_other_in_words(amount: str, reading: _Reading, place: Place) -> None:
    """Refuse an amount that would be another one in a line of words: there - begins a list, and 1,500 is 1500."""
    problem = ""
    if re.match(r"[-\u2212]\s*[\d.]", amount):
        problem = f"found '{amount}'; expected a number of 0 or more"
    elif reading.table.delimiter in (";", "\t") and re.match(r"\d+,\d{3}(?!\d)", amount):
        problem = f"found '{amount}', which may be two amounts; write it without the comma"
    if problem:
        field = (*place, "amount")
        raise reading.error(problem, *reading.places[field], ".".join(map(str, field)))


def _short_name(row: dict[str, str], taken: Mapping[str, object]) -> str:
    """Name an ingredient that has no name of its own by the first words of its food."""
    name = (row.get("food") or row.get("code", "")).split(",")[0].lower() or "ingredient"
    return next(tried for n in range(1, len(taken) + 2) if (tried := name if n == 1 else f"{name} {n}") not in taken)


def read_sheet(path: str | Path, full_code: Callable[[str], str] = str) -> SheetRecipe:
    """Read a sheet of ingredients.

    Parameters
    ----------
    path : str or Path
        ``.csv`` or ``.tsv`` in UTF-8 with a comma, semicolon or tab between cells, or ``.xlsx``, of which the
        first visible sheet with a header row is read. Columns: :data:`COLUMNS`.
    full_code : callable, optional
        Gives a food code that names no release the one that is meant, as :meth:`FoodRelease.full_code` does.

    Returns
    -------
    SheetRecipe

    Raises
    ------
    InputError
        With file, row and column of what cannot be used.

    Notes
    -----
    Of a formula its stored result is taken; a file with macros is refused; hidden sheets are not read.
    """
    path = Path(path)
    table = read_table(path, Header(_is_header, listed(ESSENTIAL)))
    reading = _header_of(table)
    reading.full_code = full_code
    reading.notes[:0] = table.notes
    _read_head(reading)
    _read_rows(reading)
    if not reading.fields.get("ingredients"):
        raise reading.error("holds no ingredients below the header", reading.header)
    if "title" not in reading.fields:
        reading.fields["title"] = path.stem
        reading.notes.append(f"there is no title; '{path.stem}' is the file's name")
    order = [name for name in (*Recipe.field_names(), *reading.fields) if name in reading.fields]
    fields = {name: reading.fields[name] for name in dict.fromkeys(order)}
    source = SourceText(table.file, reading.places, reading.places)
    return SheetRecipe(
        _kitchen(fields, reading, table.file), fields, reading.words, reading.remarks, source, tuple(reading.notes)
    )


def _kitchen(fields: dict[str, Any], reading: _Reading, source: str) -> KitchenRecipe:
    found = re.match(r"\d+(?:\.\d+)?", fields.get("servings", ""))
    lines = []
    for name, ingredient in fields["ingredients"].items():
        amount = ingredient.get("amount", "")
        coded = " ".join(f"{amount} {name} {ingredient.get('food', '')}".split())
        lines.append(reading.words.get(("ingredients", name), coded))
    return KitchenRecipe(
        fields["title"], float(found[0]) if found else None, tuple(lines), tuple(fields.get("method", ())), source
    )
