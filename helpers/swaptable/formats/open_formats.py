"""Conversion by file ending: recipes from text, pages and sheets; computed recipes to sheets, JSON-LD and Parquet."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from swaptable.amounts.nutrients import Amounts, compute
from swaptable.amounts.recipes import Recipe, read_recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import InputError, SwaptableError, listed, nearest
from swaptable.basics.folders import shown
from swaptable.basics.located_yaml import Place, parse_yaml
from swaptable.basics.model_files import check_model
from swaptable.basics.whole_files import write_whole
from swaptable.foods.release import FoodRelease
from swaptable.formats.exports import (
    amounts_csv,
    amounts_parquet,
    csv_bytes,
    ingredient_lines,
    ingredients_csv,
    json_ld,
)
from swaptable.formats.pages import page_words, read_page
from swaptable.formats.recipe_files import one_line, recipe_text
from swaptable.formats.sheet_rows import template_rows
from swaptable.formats.sheets import SheetRecipe, read_sheet
from swaptable.formats.workbook import template_workbook, workbook_bytes
from swaptable.kitchen.lines import read_line
from swaptable.kitchen.matched_file import recipe_yaml
from swaptable.kitchen.matching import UNKNOWN, MatchedLine, match_recipe
from swaptable.kitchen.text import KitchenRecipe, read_kitchen_file

__all__ = ["READ_FROM", "WRITTEN_TO", "Source", "convert", "read_source", "write_template"]

RECIPE_FILES = (".yaml", ".yml")
PAGES = (".html", ".htm", ".xhtml", ".json", ".jsonld")
SHEETS = (".csv", ".tsv", ".xlsx")
TEXTS = (".txt", ".md")
READ_FROM = (*RECIPE_FILES, *PAGES, *SHEETS, *TEXTS)
WRITTEN_TO = (".yaml", ".csv", ".xlsx", ".json", ".parquet")
MOST_LETTERS = 200_000  # of a recipe file that comes along in the data of a page
_MACROS = (".xlsm", ".xltm", ".xlsb", ".xlam")


@dataclass(frozen=True)
class Source:
    """What a file of any kind holds.

    Attributes
    ----------
    kitchen : KitchenRecipe
        The recipe in words.
    recipe_file : str
        The recipe file that it amounts to, where the file says all of it; else empty.
    notes : tuple of str
        What to know of how it was read.
    """

    kitchen: KitchenRecipe
    recipe_file: str
    notes: tuple[str, ...]


def read_source(path: str | Path, release: FoodRelease, which: str = "") -> Source:
    """Read a recipe out of text, a saved page, JSON-LD or a sheet.

    Parameters
    ----------
    path : str or Path
        Its ending says what it is; one of :data:`READ_FROM` other than a recipe file.
    release : FoodRelease
        To check food codes, and to find foods for what has none.
    which : str, optional
        Number or title of the recipe, where a page holds several.

    Returns
    -------
    Source

    Raises
    ------
    InputError
        With the place of what cannot be used.
    """
    path = Path(path)
    kind = _ending(path, READ_FROM, "read from")
    if which and kind not in PAGES:
        raise SwaptableError(f"found recipe '{which}', but only a page or JSON file may hold several")
    if kind in SHEETS:
        return _from_sheet(path, release)
    if kind in PAGES:
        page = read_page(path, which)
        carried, note = _carried(page.recipe_file, page.kitchen, release)
        return Source(page.kitchen, carried, (*page.notes, note) if note else page.notes)
    return Source(read_kitchen_file(path), "", ())


def _carried(text: str, kitchen: KitchenRecipe, release: FoodRelease) -> tuple[str, str]:
    """Take the recipe file that a page of ours carries, if what the page lists is still the same."""
    if not text:
        return "", ""
    try:
        if len(text) > MOST_LETTERS:
            raise SwaptableError(f"it has {len(text):,} letters; expected at most {MOST_LETTERS:,}")
        recipe = check_model(*parse_yaml(text, kitchen.source), Recipe)
        same = (page_words(recipe.title), recipe.servings) == (kitchen.title, kitchen.servings)
        if same and ingredient_lines(recipe, release) == list(kitchen.lines):
            return text, "took the recipe file that the data carry, with its food codes and choices"
    except SwaptableError as error:
        return "", f"read the ingredients as listed; the recipe file in the data cannot be used: {error}"
    return "", "read the ingredients as listed, since they differ from the recipe file in the data"


def _from_sheet(path: Path, release: FoodRelease) -> Source:
    sheet = read_sheet(path, release.full_code)
    fields, remarks, notes = sheet.fields, dict(sheet.remarks), list(sheet.notes)
    if "servings" not in fields:
        problem = "says no servings; write 'servings' and their number in a row above the table"
        raise InputError(problem, file=sheet.source.file)
    head = ""
    # a sheet that says what is cooked means of its other rows that they are not
    propose = not any("cook" in ingredient for ingredient in fields["ingredients"].values())
    for place, line in _matched_rows(sheet, release).items():
        found, about = _filled_in(_field_at(fields, place), line, place, release, propose=propose)
        _field_at(fields, place[:-1])[place[-1]] = found
        remarks[place] = "\n".join([*about, *([sheet.remarks[place]] if place in sheet.remarks else [])])
        notes += [f"question: {line.words}: {text}" for text in line.questions]
        head = f"# from {one_line(path.name)}; foods matched by machine: look at every line before you use it\n"
    recipe = check_model(fields, sheet.source, Recipe) if UNKNOWN not in _all_texts(fields) else None
    if recipe is not None:
        build_grid(recipe, release)  # any mistake is told at its row
    return Source(sheet.kitchen, head + recipe_text(fields, remarks), tuple(notes))


def _matched_rows(sheet: SheetRecipe, release: FoodRelease) -> dict[Place, MatchedLine]:
    """Find foods for the rows without a code; all rows are read together, so that the method is understood."""
    if not sheet.words:
        return {}
    for place, text in sheet.words.items():
        try:
            read = read_line(text)
        except SwaptableError as error:
            raise sheet.source.error(place, str(error)) from None
        if len(read) != 1:
            raise sheet.source.error(place, f"found '{text}', which is not one food; give each a row of its own")
    texts: dict[Place, str] = {}
    for (name, ingredient), text in zip(sheet.fields["ingredients"].items(), sheet.kitchen.lines, strict=True):
        # the name of a row with a code may be any words; they are left out where they would be read as two foods
        texts["ingredients", name] = text if len(read_line(text)) == 1 else f"1 {ingredient['food']}"
    written = match_recipe(replace(sheet.kitchen, lines=tuple(texts.values())), release).lines
    lines = dict(zip(texts, written, strict=True))
    for place, text in sheet.words.items():
        if place not in lines:  # of an option
            lines[place] = match_recipe(replace(sheet.kitchen, lines=(text,), method=()), release).lines[0]
    return {place: lines[place] for place in sheet.words}


def _filled_in(
    row: dict[str, str], line: MatchedLine, place: Place, release: FoodRelease, *, propose: bool
) -> tuple[dict[str, str], list[str]]:
    """Give the fields of a row with what its words were found to mean, and what to say of that."""
    found = {"amount": line.amount.text or UNKNOWN, "food": UNKNOWN}
    about = [line.words]
    if place[0] == "choices" and "amount" not in row:  # a food that replaces another takes its weight
        del found["amount"]
    if line.hit is not None:
        found["food"] = release.full_code(line.hit.code)
        about.append(f"is {line.hit.description} (confidence {line.confidence:.2f})")
    about += [f"or {release.full_code(hit.code)} {hit.description} ({hit.score:.2f})" for hit in line.runners_up[:3]]
    about += [f"question: {text}" for text in line.questions]
    if line.amount.weighed != "edible" and "amount" in found:
        found["weighed"] = line.amount.weighed
    proposed = {name: getattr(line.cooking, name) for name in ("cook", "liquid") if getattr(line.cooking, name)}
    if propose and proposed and line.hit is not None:
        found |= proposed
        about.append(f"proposed: {' and '.join(proposed)}")
    given = {name: text for name, text in row.items() if name not in ("amount", "food")}
    return found | given, about


def _all_texts(fields: Any) -> set[str]:
    if isinstance(fields, dict):
        fields = list(fields.values())
    return {fields} if isinstance(fields, str) else set().union(*map(_all_texts, fields))


def _field_at(fields: dict[str, Any], place: Iterable[str | int]) -> Any:
    found: Any = fields
    for key in place:
        found = found[key]
    return found


def convert(
    source: str | Path,
    target: str | Path,
    *,
    which: str = "",
    release: FoodRelease,
    force: bool = False,
    tidy: bool = False,
) -> tuple[str, ...]:
    """Convert one file into another, whole or not at all.

    Parameters
    ----------
    source : str or Path
        A recipe file, text, page, JSON-LD or sheet: :data:`READ_FROM`.
    target : str or Path
        Where to write; one of :data:`WRITTEN_TO`. From anything but a recipe file only ``.yaml``.
    which : str, optional
        Number or title of the recipe, where a page holds several.
    release : FoodRelease
    force : bool, optional
        Whether to overwrite the target.
    tidy : bool, optional
        Whether a ``.csv`` holds the amounts of all variants instead of the ingredients.

    Returns
    -------
    tuple of str
        What to know of how the source was read.

    Raises
    ------
    SwaptableError
        If an ending is not known, the target exists, or the source cannot be used; with its place.
    """
    source, target = Path(source), Path(target)
    kind, wanted = _ending(source, READ_FROM, "read from"), _ending(target, WRITTEN_TO, "written to")
    if tidy and wanted != ".csv":
        raise SwaptableError(f"amounts instead of ingredients are for .csv; found '{target.name}'")
    _check_target(target, source, force)
    if kind not in RECIPE_FILES:
        if wanted != ".yaml":
            problem = f"found '{target.name}'; what was read in words becomes a recipe file (.yaml) first: look through"
            raise SwaptableError(f"{problem} its matches, then convert that")
        read = read_source(source, release, which)
        if read.recipe_file:
            write_whole(target, read.recipe_file.encode())
            return read.notes
        matched = match_recipe(read.kitchen, release)
        write_whole(target, recipe_yaml(matched).encode())
        return (*read.notes, *(f"question: {question}" for question in matched.questions))
    if wanted == ".yaml":
        raise SwaptableError(f"found '{source.name}', which is a recipe file already")
    if which:
        raise SwaptableError(f"found recipe '{which}', but a recipe file holds one")
    amounts = compute(build_grid(read_recipe(source), release))
    writers: dict[str, Callable[[Amounts], bytes]] = {
        ".csv": amounts_csv if tidy else ingredients_csv,
        ".xlsx": workbook_bytes,
        ".json": json_ld,
        ".parquet": amounts_parquet,
    }
    write_whole(target, writers[wanted](amounts))
    return ()


def _ending(path: Path, known: Iterable[str], what: str) -> str:
    ending = path.suffix.lower()
    if ending in _MACROS:
        raise InputError("is a kind of workbook that holds macros; save it as .xlsx", file=shown(path))
    if ending not in known:
        raise SwaptableError(f"found '{path.name}'; files are {what} {listed(known, 20)}{nearest(ending, known)}")
    return ending


def _check_target(target: Path, source: Path | None, force: bool) -> None:
    if not target.parent.is_dir():
        raise InputError("there is no such folder", file=shown(target.parent))
    if source is not None and target.exists() and source.exists() and target.samefile(source):
        raise InputError("is source and target at once; name another target", file=shown(target))
    if target.is_dir():
        raise InputError("is a folder; expected a file to write", file=shown(target))
    if target.exists() and not force:
        raise InputError("exists already; name another file, or say --force", file=shown(target))


def write_template(target: str | Path, force: bool = False) -> None:
    """Write the empty sheet of ingredients that is offered for filling in.

    Parameters
    ----------
    target : str or Path
        ``.xlsx`` or ``.csv``.
    force : bool, optional
        Whether to overwrite it.
    """
    target = Path(target)
    wanted = _ending(target, (".xlsx", ".csv"), "offered as templates in")
    _check_target(target, None, force)
    write_whole(target, template_workbook() if wanted == ".xlsx" else csv_bytes(template_rows()))
