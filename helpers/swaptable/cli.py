"""The command line: a thin layer over the package.

Exit codes: 0 done; 1 a run failed; 2 wrong input or usage; 130 interrupted.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from swaptable.errors import InputError, SwaptableError, listed, nearest
from swaptable.folders import DATA, HOME, shown

if TYPE_CHECKING:
    import pandas as pd

    from swaptable.nutrients import Amounts

__all__ = ["main"]

DONE, RUN_FAILED, WRONG_INPUT, INTERRUPTED = 0, 1, 2, 130


def _report(options: argparse.Namespace) -> int:
    from swaptable.runs import read_runs, run_all

    if options.jobs is not None and options.jobs < 1:
        raise SwaptableError(f"found --jobs {options.jobs}; expected 1 or more")
    if options.output.exists() and not options.output.is_dir():
        raise InputError("is a file; expected a folder for the reports", file=shown(options.output))
    runs = read_runs(options.runs)
    known = [run.name for run in runs]
    for name in options.run:
        if name not in known:
            raise InputError(
                f"found run '{name}'; expected one of {listed(known)}{nearest(name, known)}",
                file=shown(options.runs),
            )
    chosen = [run for run in runs if run.name in options.run or not options.run]
    failed = run_all(chosen, options.output, jobs=options.jobs, report=lambda text: print(text, file=sys.stderr))
    print(f"{len(chosen) - len(failed)} of {len(chosen)} runs done: {shown(options.output / 'index.html')}")
    return RUN_FAILED if failed else DONE


def _table(options: argparse.Namespace) -> int:
    from swaptable.certainty import with_certainty
    from swaptable.nutrients import BASES, amounts_table, lines_table
    from swaptable.reference import component_named
    from swaptable.study import compute_recipe

    whole = "--ingredients" if options.ingredients else "--verdicts" if options.verdicts else ""
    if whole and (options.component or options.basis or options.certainty):
        raise SwaptableError(f"{whole} lists everything; leave --component, --basis and --certainty out")
    if options.ingredients and options.verdicts:
        raise SwaptableError("--ingredients and --verdicts are two tables; ask for one at a time")
    amounts = compute_recipe(options.recipe, options.release, options.factors, options.gaps)
    if options.ingredients:
        table = lines_table(amounts)
    elif options.verdicts:
        table = _verdicts(amounts, options.audience, options.regime)
    else:
        known = list(amounts.data["component"].to_numpy())
        components = [component_named(word, known) for word in options.component] or None
        table = amounts_table(amounts, components, options.basis or BASES)
        table = with_certainty(table, amounts) if options.certainty else table
    if options.format == "csv":
        table.to_csv(sys.stdout, index=False, lineterminator="\n")
    else:
        print(table.to_json(orient="records", double_precision=15, force_ascii=False))
    return DONE


def _verdicts(amounts: Amounts, audience: str, regime: str) -> pd.DataFrame:
    from swaptable.advice import verdict_table
    from swaptable.audiences import read_audience
    from swaptable.study import find_aims, find_file

    people = read_audience(find_file(audience, "audiences", ".yaml"))
    return verdict_table(amounts, find_aims(people, amounts.units()), regime)


def _find(options: argparse.Namespace) -> int:
    from swaptable.foods import open_release

    release = open_release(options.release)
    texts = release.foods["description"].str.lower()
    found = release.foods.index[[all(word.lower() in text for word in options.word) for text in texts]]
    for code in found[: options.most]:
        food = release.food(code)
        portions = "; ".join(f"{portion.measure} {portion.grams:.4g} g" for portion in food.portions)
        print(
            f"{release.name}:{code}  {food.description}  [{food.state}; refuse {food.refuse_percent:g} %]  {portions}"
        )
    if len(found) > options.most:
        print(f"{len(found) - options.most} more; add a word", file=sys.stderr)
    if found.empty:
        print(f"found no food with {' and '.join(options.word)}", file=sys.stderr)
    return DONE if len(found) else WRONG_INPUT


def _check(options: argparse.Namespace) -> int:
    from swaptable.study import find_file

    wrong = 0
    for path in options.file:
        try:
            file = path if path.exists() or path.suffix else find_file(path, "recipes", ".yaml")
            print(f"{shown(file)}: {_checked(file)}")
        except SwaptableError as error:
            wrong += 1
            print(error, file=sys.stderr)
    return WRONG_INPUT if wrong else DONE


def _checked(path: Path) -> str:
    """Check one file of any kind and say what it is."""
    from swaptable.audiences import read_audience, read_day
    from swaptable.cost import read_prices
    from swaptable.day import add_up
    from swaptable.foods import open_release
    from swaptable.located_yaml import read_yaml
    from swaptable.nutrients import component_table, lines_table
    from swaptable.runs import read_runs
    from swaptable.study import compute_recipe, find_aims

    if path.suffix == ".csv":
        return f"price file, {len(read_prices(path))} prices"
    found, _ = read_yaml(path)
    if isinstance(found, dict) and {"raise", "keep down", "show", "cautions"} & set(found):
        find_aims(read_audience(path), component_table(open_release("sr28")).set_index("component")["unit"])
        return "audience"
    if isinstance(found, dict) and "servings" in found and isinstance(found["servings"], list):
        return f"plan of a day, {len(add_up(read_day(path)).parts)} items"
    if isinstance(found, dict) and found and all(isinstance(v, dict) for v in found.values()):
        return f"runs file, {len(read_runs(path))} runs"
    amounts = compute_recipe(path)
    lines = lines_table(amounts)
    noted = lines[lines["notes"] != ""].drop_duplicates(["ingredient", "notes"])
    notes = [f"\n  {name}: {note}" for name, note in zip(noted["ingredient"], noted["notes"], strict=True)]
    count = len(amounts.grid.variants())
    return f"recipe, {count} variants, weight as eaten {amounts.cooked_weight_origin}{''.join(notes)}"


def _import(options: argparse.Namespace) -> int:
    from swaptable.sr28 import import_sr28

    release = import_sr28(options.source, options.folder)
    rows = {name: table["rows"] for name, table in release.manifest["tables"].items()}
    print(f"{shown(release.folder)}: {rows['foods']:,} foods, {rows['values']:,} values, SHA-256 {release.sha256}")
    return DONE


def _fit(options: argparse.Namespace) -> int:
    from swaptable.evidence import fit
    from swaptable.foods import open_release
    from swaptable.pairs import find_pairs, pair_values
    from swaptable.reference import retention_components, retention_table

    release = open_release(options.release)
    values = pair_values(release, find_pairs(release))
    table = fit(values, retention_table(), retention_components())
    part = options.output.with_name(options.output.name + ".part")
    table.to_csv(part, index=False, encoding="utf-8", lineterminator="\n")
    part.replace(options.output)
    families, count = values["family"].nunique(), (table["n_values"] > 0).sum()
    print(f"{shown(options.output)}: {len(table):,} figures, {count} with evidence of their own; {families} families")
    return DONE


def _validate(options: argparse.Namespace) -> int:
    from swaptable.foods import open_release
    from swaptable.pairs import find_pairs, pair_values
    from swaptable.validation import validate

    release = open_release(options.release)
    tables = validate(pair_values(release, find_pairs(release)), options.folds, options.seed or (1, 2, 3))
    if options.format == "json":
        plain = {name: json.loads(table.reset_index().to_json(orient="records")) for name, table in tables.items()}
        print(json.dumps(plain, indent=2, ensure_ascii=False))
    else:
        for name in ("overall", "by_group", "by_component"):
            print(tables[name].reset_index().to_csv(index=False, lineterminator="\n"))
    return DONE


def _schema(options: argparse.Namespace) -> int:
    from swaptable.recipes import recipe_schema

    print(json.dumps(recipe_schema(), indent=2, ensure_ascii=False))
    return DONE


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="swaptable",
        description="Compare the variants of a recipe, per serving, for an audience with one health concern.",
        epilog="Exit codes: 0 done; 1 a run failed; 2 wrong input or usage; 130 interrupted.",
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    report = commands.add_parser("report", help="execute the runs of a runs file into report folders")
    report.add_argument("run", nargs="*", help="names of runs; all by default")
    report.add_argument("--runs", type=Path, default=DATA / "runs.yaml", help="runs file (data/runs.yaml)")
    report.add_argument("--output", type=Path, default=HOME / "reports", help="folder of the reports (reports/)")
    report.add_argument("--jobs", type=int, default=None, help="runs at a time (number of cores)")
    report.set_defaults(command=_report)

    table = commands.add_parser("table", help="print the tidy table of a recipe")
    table.add_argument("recipe", help="recipe file, or the name of one in data/recipes/")
    table.add_argument("--format", choices=["csv", "json"], default="csv")
    table.add_argument("--component", action="append", default=[], help="INFOODS tag or name; may be repeated")
    table.add_argument(
        "--basis", action="append", default=[], help="batch, serving, '100 g', '100 kcal'; may be repeated"
    )
    table.add_argument("--ingredients", action="store_true", help="print how each ingredient was weighed and cooked")
    table.add_argument("--verdicts", action="store_true", help="print targets, claims and symbols with their verdicts")
    table.add_argument("--audience", default="general_adults", help="for whom --verdicts judges (general_adults)")
    table.add_argument("--regime", default="US", help="whose rules --verdicts applies: US or CA (US)")
    table.add_argument("--release", default="sr28", help="food release (sr28)")
    table.add_argument("--factors", default="published", help="retention factors: published or estimated")
    table.add_argument("--gaps", default="left", help="missing values: left, or filled with imputed ones")
    table.add_argument("--certainty", action="store_true", help="add standard errors and 90 %% intervals")
    table.set_defaults(command=_table)

    find = commands.add_parser("find", help="list the foods whose description holds all words, with their portions")
    find.add_argument("word", nargs="+")
    find.add_argument("--release", default="sr28", help="food release (sr28)")
    find.add_argument("--most", type=int, default=20, help="how many to list (20)")
    find.set_defaults(command=_find)

    check = commands.add_parser("check", help="check recipes, audiences, prices and runs files without running")
    check.add_argument("file", nargs="+", type=Path)
    check.set_defaults(command=_check)

    release = commands.add_parser("import", help="build a food release from a raw public one")
    release.add_argument("layout", choices=["sr28"], help="published layout of the source")
    release.add_argument("source", type=Path, help="folder or tar archive with the raw files")
    release.add_argument("folder", type=Path, help="where the release goes; must not exist")
    release.set_defaults(command=_import)

    fit = commands.add_parser("fit", help="estimate retention factors from a release's measured raw and cooked foods")
    fit.add_argument("--release", default="sr28", help="food release (sr28)")
    default = DATA / "reference" / "retention_estimates.csv"
    fit.add_argument("--output", type=Path, default=default, help="data/reference/retention_estimates.csv")
    fit.set_defaults(command=_fit)

    validate = commands.add_parser("validate", help="predict measured cooked values with food families held out")
    validate.add_argument("--release", default="sr28", help="food release (sr28)")
    validate.add_argument("--folds", type=int, default=10)
    validate.add_argument("--seed", type=int, action="append", help="deals families out; may be repeated (1, 2, 3)")
    validate.add_argument("--format", choices=["csv", "json"], default="csv")
    validate.set_defaults(command=_validate)

    schema = commands.add_parser("schema", help="print the JSON Schema of a recipe file, for editors")
    schema.set_defaults(command=_schema)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command.

    Parameters
    ----------
    arguments : sequence of str, optional
        Without the program's name; from the command line by default.

    Returns
    -------
    int
        Exit code.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8")
    options = _parser().parse_args(arguments)
    try:
        return int(options.command(options))
    except SwaptableError as error:
        print(error, file=sys.stderr)
        return WRONG_INPUT
    except BrokenPipeError:  # the reader, such as head, has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as error:  # such as a full disk
        print(f"{error.strerror}: {error.filename or 'output'}", file=sys.stderr)
        return RUN_FAILED
    except KeyboardInterrupt:
        print("interrupted; finished reports are in place, the others as they were", file=sys.stderr)
        return INTERRUPTED
