"""Commands on files: check, convert, schema."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from swaptable.basics.errors import InputError, SwaptableError, counted, listed, nearest
from swaptable.basics.folders import shown
from swaptable.basics.logs import tell_error
from swaptable.commands.shared import DONE, WRONG_INPUT, Commands, add_command

__all__ = ["add_to"]


def add_to(commands: Commands) -> None:
    """Add the commands of this module to the command line."""
    _add_check(commands)
    _add_convert(commands)
    _add_schema(commands)


def _add_check(commands: Commands) -> None:
    check = add_command(commands, "check", "check recipes, audiences, days, prices and runs files without running")
    check.add_argument("file", nargs="+", type=Path, help="file, or the name of a recipe, audience or day in data/")
    check.set_defaults(command=_check)


def _check(options: argparse.Namespace) -> int:
    wrong = 0
    for path in options.file:
        try:
            file = path if path.exists() or path.suffix else _named(path)
            print(f"{shown(file)}: {_checked(file)}")
        except SwaptableError as error:
            wrong += 1
            tell_error(error)
    return WRONG_INPUT if wrong else DONE


def _named(name: Path) -> Path:
    """Find a file of any kind by its bare name."""
    from swaptable.basics.folders import files_in, find_file

    folders = ("recipes", "audiences", "days")
    known = {folder: files_in(folder) for folder in folders}
    folder = next((folder for folder in folders if str(name) in known[folder]), None)
    if folder is None:
        names = [word for words in known.values() for word in words]
        raise InputError(f"found '{name}'; expected a file or one of {listed(names, 40)}{nearest(str(name), names)}")
    return find_file(name, folder, ".yaml")


def _kind_of_file(found: object) -> str:
    """Tell what a YAML file is meant to be by the fields that only its kind has."""
    fields = set(found) if isinstance(found, dict) else set()
    if fields & {"ingredients", "choices"}:
        return "recipe"
    if fields & {"group", "foods", "supplements"}:
        return "day"
    if fields & {"raise", "keep down", "show", "groups", "concerns", "share of day"}:
        return "audience"
    of_runs = isinstance(found, dict) and any(isinstance(entry, dict) for entry in found.values())
    return "runs" if of_runs and not fields & {"title", "servings"} else "recipe"


def _checked(path: Path) -> str:
    """Check one file of any kind and say what it is."""
    from swaptable.amounts.cost import read_prices
    from swaptable.amounts.nutrients import component_table, lines_table
    from swaptable.basics.located_yaml import read_yaml
    from swaptable.foods.joined import open_release
    from swaptable.judging.audiences import read_audience, read_day
    from swaptable.judging.day import add_up
    from swaptable.judging.study import compute_recipe
    from swaptable.judging.targets import find_aims
    from swaptable.runs.run_files import read_runs

    if path.suffix == ".csv":
        return f"price file, {counted(len(read_prices(path)), 'price')}"
    found, _ = read_yaml(path)
    kind = _kind_of_file(found)
    if kind == "audience":
        find_aims(read_audience(path), component_table(open_release()).set_index("component")["unit"])
        return "audience"
    if kind == "day":
        return f"plan of a day, {counted(len(add_up(read_day(path)).parts), 'item')}"
    if kind == "runs":
        return f"runs file, {counted(len(read_runs(path)), 'run')}"
    amounts = compute_recipe(path)
    lines = lines_table(amounts)
    noted = lines[lines["notes"] != ""].drop_duplicates(["ingredient", "notes"])
    notes = [f"\n  {name}: {note}" for name, note in zip(noted["ingredient"], noted["notes"], strict=True)]
    count = counted(len(amounts.grid.variants()), "variant")
    return f"recipe, {count}, weight as eaten {amounts.cooked_weight_origin}{''.join(notes)}"


def _add_convert(commands: Commands) -> None:
    convert = add_command(commands, "convert", "a page, sheet or text into a recipe file, or a recipe into others")
    convert.add_argument("source", type=Path, help="recipe file or its name, or .html .json .csv .tsv .xlsx .txt .md")
    convert.add_argument("target", type=Path, nargs="?", help="file to write: .yaml .csv .xlsx .json .parquet")
    convert.add_argument("--recipe", default="", help="number or title, where a page holds several recipes")
    convert.add_argument("--release", default="current", help="food release (current)")
    convert.add_argument("--amounts", action="store_true", help="into .csv: amounts of all variants, not ingredients")
    convert.add_argument("--force", action="store_true", help="overwrite the target")
    convert.add_argument("--template", action="store_true", help="write an empty sheet to fill in (.xlsx or .csv)")
    convert.set_defaults(command=_convert)


def _convert(options: argparse.Namespace) -> int:
    from swaptable.basics.folders import find_file
    from swaptable.foods.joined import open_release
    from swaptable.formats.open_formats import convert, write_template

    if options.template:
        if options.target is not None:
            raise SwaptableError("--template writes one file; found two")
        write_template(options.source, options.force)
        print(f"{shown(options.source)}: fill it in, then convert it into a recipe file")
        return DONE
    if options.target is None:
        raise SwaptableError("expected the file to read and the file to write")
    source = options.source
    if not source.suffix and not source.exists():
        source = find_file(source, "recipes", ".yaml")
    notes = convert(
        source,
        options.target,
        which=options.recipe,
        release=open_release(options.release),
        force=options.force,
        tidy=options.amounts,
    )
    print(shown(options.target))
    for note in notes:
        print(note, file=sys.stderr)
    return DONE


def _add_schema(commands: Commands) -> None:
    schema = add_command(commands, "schema", "print the JSON Schema of a recipe file, for editors")
    schema.set_defaults(command=_schema)


def _schema(options: argparse.Namespace) -> int:
    from swaptable.amounts.recipes import recipe_schema

    print(json.dumps(recipe_schema(), indent=2, ensure_ascii=False))
    return DONE
