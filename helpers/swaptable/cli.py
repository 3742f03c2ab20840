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

    from swaptable.foods import FoodRelease
    from swaptable.nutrients import Amounts

__all__ = ["main"]

ROWS_AT_ONCE = 20_000
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
    if (options.audience or options.regime) and not options.verdicts:
        raise SwaptableError("--audience and --regime say how --verdicts judges; ask for that as well")
    if options.ingredients and options.verdicts:
        raise SwaptableError("--ingredients and --verdicts are two tables; ask for one at a time")
    amounts = compute_recipe(options.recipe, options.release, options.factors, options.gaps)
    if options.ingredients:
        table = lines_table(amounts)
    elif options.verdicts:
        table = _verdicts(amounts, options.audience or "general_adults", options.regime or "US")
    else:
        known = list(amounts.data["component"].to_numpy())
        components = [component_named(word, known) for word in options.component] or None
        table = amounts_table(amounts, components, options.basis or BASES)
        table = with_certainty(table, amounts) if options.certainty else table
    _print_table(table, options.format)
    return DONE


def _print_table(table: pd.DataFrame, kind: str) -> None:
    if kind == "csv":
        table.to_csv(sys.stdout, index=False, lineterminator="\n")
        return
    starts = range(0, len(table), ROWS_AT_ONCE)  # in parts, since a large table as one text would need gigabytes
    for start in starts:
        part = table.iloc[start : start + ROWS_AT_ONCE]
        text = part.to_json(orient="records", double_precision=15, force_ascii=False)[1:-1]
        print("[" if start == 0 else ",", text, sep="", end="")
    print("]" if len(starts) else "[]")


def _day(options: argparse.Namespace) -> int:
    from swaptable.day import add_up, judge_day, read_plan

    _print_table(judge_day(add_up(read_plan(options.day), options.release)), options.format)
    return DONE


def _decide(options: argparse.Namespace) -> int:
    from swaptable.decide import TRADE_OFFS, decide_recipe
    from swaptable.decide_findings import decision_headline

    decision = decide_recipe(
        options.recipe,
        options.audience,
        options.want,
        options.best,
        basis=options.basis,
        trade_offs=options.frontier or TRADE_OFFS,
        prices=options.prices,
        regime=options.regime,
        release=options.release,
        factors=options.factors,
        gaps=options.gaps,
        draws=options.draws,
        seed=options.seed,
    )
    _print_table(decision.ranking, options.format)
    print(decision_headline(decision), file=sys.stderr)
    return DONE


def _class(options: argparse.Namespace) -> int:
    from swaptable.class_plan import plan_class
    from swaptable.class_report import class_text

    plan = plan_class(
        options.recipe,
        options.audience,
        people=options.people,
        pans=options.pans,
        servings_each=options.each,
        options=options.options,
        serve_at=options.serve_at,
        regime=options.regime,
        release=options.release,
        prices=options.prices,
    )
    if options.format == "text":
        print(class_text(plan), end="")
        return DONE
    tables = {name: json.loads(table.to_json(orient="records")) for name, table in plan.tables().items()}
    print(json.dumps(tables, indent=2, ensure_ascii=False))
    return DONE


def _handout(options: argparse.Namespace) -> int:
    from swaptable.handout import compose_handout
    from swaptable.handout_pdf import check_target, write_handout

    check_target(options.output, options.force)  # before anything is computed
    handout = compose_handout(
        options.recipe,
        options.audience,
        options=options.options,
        language=options.language,
        regime=options.regime,
        release=options.release,
    )
    pages = write_handout(handout, options.output, paper=options.paper, large=options.large, force=options.force)
    print(f"{shown(options.output)}: {pages} {'page' if pages == 1 else 'pages'}")
    return DONE


def _verdicts(amounts: Amounts, audience: str, regime: str) -> pd.DataFrame:
    from swaptable.advice import verdict_table
    from swaptable.audiences import read_audience
    from swaptable.study import find_file
    from swaptable.targets import find_aims

    people = read_audience(find_file(audience, "audiences", ".yaml"))
    return verdict_table(amounts, find_aims(people, amounts.units()), regime)


def _swaps(options: argparse.Namespace) -> int:
    from swaptable.swaps import find_swaps

    asked = {"same": options.same, "most": options.most, "wide": options.wide, "regime": options.regime}
    found = find_swaps(
        options.recipe, options.ingredient, options.audience, **asked, prices=options.prices, release=options.release
    )
    _print_table(found.table, options.format)
    print(f"{found.fitting} of {len(found.screened)} foods fit; paste yaml under {found.paste_under}", file=sys.stderr)
    return DONE


def _amounts(options: argparse.Namespace) -> int:
    from swaptable.how_much import find_amounts

    asked = {"objective": options.objective, "variant": options.variant, "surely": options.surely}
    plan = find_amounts(
        options.recipe, options.vary, options.want, **asked, prices=options.prices, release=options.release
    )
    _print_table(plan.table, options.format)
    print(*plan.sentences, f"Option for the recipe file: {plan.yaml}", sep="\n", file=sys.stderr)
    return DONE


def _gallery(options: argparse.Namespace) -> int:
    from swaptable.gallery import make_gallery

    for picture in make_gallery():
        print(shown(picture))
    return DONE


def _charts(options: argparse.Namespace) -> int:
    from swaptable.publish import SIZES, publish
    from swaptable.study import study_recipe

    study = study_recipe(options.recipe, options.audience, regime=options.regime, release=options.release)
    names = publish(study, options.folder, tuple(options.size) or SIZES)
    print(f"{shown(options.folder)}: {len(names)} files")
    return DONE


def _find(options: argparse.Namespace) -> int:
    from swaptable.joined import open_release
    from swaptable.search import find_foods, hits_table

    release = open_release(options.release)
    query = " ".join(options.word)
    narrowed = {"group": options.group, "state": options.state, "component": options.component}
    hits = find_foods(query, release, options.most, **narrowed)
    table = hits_table(hits, release)
    if options.format == "csv":
        table.to_csv(sys.stdout, index=False, lineterminator="\n")
    elif options.format == "json":
        print(table.to_json(orient="records", double_precision=15, force_ascii=False))
    else:
        for food in table.to_dict("records"):
            values = [_per_100_g(name, value) for name, value in food.items() if str(name).endswith("_per_100_g")]
            print(f"{food['code']}  {food['description']}  [{food['state']}; refuse {food['refuse_percent']:g} %]")
            print(f"    fit {food['score']:.2f}; {food['group']}; {', '.join(values)} per 100 g")
            if food["portions"]:
                print(f"    {food['portions']}")
    if not hits:
        narrower = "".join(f", {name} {value}" for name, value in narrowed.items() if value)
        print(f"found no food for '{query}'{narrower}", file=sys.stderr)
    elif not options.format:
        print(f"understood: {', '.join(hits[0].words)}", file=sys.stderr)
    return DONE if hits else WRONG_INPUT


def _per_100_g(column: str, value: float) -> str:
    *name, unit = column.removesuffix("_per_100_g").split("_")
    return f"{' '.join(name)} {'not known' if value != value else f'{value:g} {unit}'}"


def _check(options: argparse.Namespace) -> int:

    wrong = 0
    for path in options.file:
        try:
            file = path if path.exists() or path.suffix else _named(path)
            print(f"{shown(file)}: {_checked(file)}")
        except SwaptableError as error:
            wrong += 1
            print(error, file=sys.stderr)
    return WRONG_INPUT if wrong else DONE


def _named(name: Path) -> Path:
    """Find a file of any kind by its bare name."""
    from swaptable.study import files_in, find_file

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
    from swaptable.audiences import read_audience, read_day
    from swaptable.cost import read_prices
    from swaptable.day import add_up
    from swaptable.joined import open_release
    from swaptable.located_yaml import read_yaml
    from swaptable.nutrients import component_table, lines_table
    from swaptable.runs import read_runs
    from swaptable.study import compute_recipe
    from swaptable.targets import find_aims

    if path.suffix == ".csv":
        return f"price file, {len(read_prices(path))} prices"
    found, _ = read_yaml(path)
    kind = _kind_of_file(found)
    if kind == "audience":
        find_aims(read_audience(path), component_table(open_release("sr28")).set_index("component")["unit"])
        return "audience"
    if kind == "day":
        return f"plan of a day, {len(add_up(read_day(path)).parts)} items"
    if kind == "runs":
        return f"runs file, {len(read_runs(path))} runs"
    amounts = compute_recipe(path)
    lines = lines_table(amounts)
    noted = lines[lines["notes"] != ""].drop_duplicates(["ingredient", "notes"])
    notes = [f"\n  {name}: {note}" for name, note in zip(noted["ingredient"], noted["notes"], strict=True)]
    count = len(amounts.grid.variants())
    return f"recipe, {count} variants, weight as eaten {amounts.cooked_weight_origin}{''.join(notes)}"


def _import(options: argparse.Namespace) -> int:
    from swaptable.raw_tables import checks_told

    _refuse_idle_options(options)
    release = _imported(options)
    rows = {name: table["rows"] for name, table in release.manifest["tables"].items()}
    print(f"{shown(release.folder)}: {rows['foods']:,} foods, {rows['values']:,} values, SHA-256 {release.sha256}")
    for why, count in release.manifest.get("left_out", {}).items():
        print(f"left out: {count:,}, {why}", file=sys.stderr)
    if rows.get("checks"):
        for told in checks_told(release.table("checks"), counts=release.manifest.get("checks")):
            print(f"check: {told}", file=sys.stderr)
    return DONE


def _refuse_idle_options(options: argparse.Namespace) -> None:
    """Refuse an option that would change nothing with this layout."""
    given = {"--types": options.types, "--stand-in": options.stand_in, "--decimal-comma": options.decimal_comma}
    given["--keep-doubtful"] = options.keep_doubtful
    allowed = {"fdc": ("--types", "--stand-in"), "plain": ("--decimal-comma", "--keep-doubtful")}
    for name, value in given.items():
        if value and name not in allowed.get(options.layout, ()):
            where = next(layout for layout, names in allowed.items() if name in names)
            raise SwaptableError(f"found {name} with the layout {options.layout}; it belongs to {where}")


def _imported(options: argparse.Namespace) -> FoodRelease:
    if options.layout == "sr28":
        from swaptable.sr28 import import_sr28

        return import_sr28(options.source, options.folder)
    if options.layout == "fdc":
        from swaptable.fooddata_central import DEFAULT_TYPES, import_fdc

        wrong = next((pair for pair in options.stand_in if pair.count("=") != 1), None)
        if wrong is not None:
            raise SwaptableError(f"found --stand-in {wrong}; expected TAG=TAG, what is missing and what stands in")
        stand_ins = dict(pair.split("=") for pair in options.stand_in)
        return import_fdc(options.source, options.folder, options.types or DEFAULT_TYPES, stand_ins)
    if options.layout == "cnf":
        from swaptable.nutrient_file import import_cnf

        return import_cnf(options.source, options.folder)
    from swaptable.plain_table import import_plain

    return import_plain(options.source, options.folder, options.decimal_comma, options.keep_doubtful)


def _convert(options: argparse.Namespace) -> int:
    from swaptable.joined import open_release
    from swaptable.open_formats import convert, write_template
    from swaptable.study import find_file

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


def _fit(options: argparse.Namespace) -> int:
    from swaptable.evidence import fit
    from swaptable.joined import open_release
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
    from swaptable.joined import open_release
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


def _add_options(parser: argparse.ArgumentParser) -> None:
    told = "choice=option of the variant, such as liquid=water; may be repeated (the recipe as written)"
    parser.add_argument("--with", dest="options", action="append", default=[], metavar="CHOICE=OPTION", help=told)


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
    table.add_argument("--audience", default="", help="for whom --verdicts judges (general_adults)")
    table.add_argument("--regime", default="", help="whose rules --verdicts applies: US or CA (US)")
    table.add_argument("--release", default="sr28", help="food release (sr28)")
    table.add_argument("--factors", default="published", help="retention factors: published or estimated")
    table.add_argument("--gaps", default="left", help="missing values: left, or filled with imputed ones")
    table.add_argument("--certainty", action="store_true", help="add standard errors and 90 %% intervals")
    table.set_defaults(command=_table)

    day = commands.add_parser("day", help="print what a planned day adds up to, judged with its supplements")
    day.add_argument("day", help="plan of a day, or the name of one in data/days/")
    day.add_argument("--format", choices=["csv", "json"], default="csv")
    day.add_argument("--release", default="sr28", help="food release (sr28)")
    day.set_defaults(command=_day)

    decide = commands.add_parser("decide", help="rank a recipe's variants by what is wanted and what is to be best")
    decide.add_argument("recipe", help="recipe file, or the name of one in data/recipes/")
    decide.add_argument("--want", action="append", default=[], help="such as 'sodium <= 600 mg'; may be repeated")
    decide.add_argument("--best", default="nutrient density", help="what the best is best in (nutrient density)")
    decide.add_argument("--audience", default="general_adults", help="for whom (general_adults)")
    decide.add_argument("--prices", default="", help="price file, or its name in data/; needed for cost")
    decide.add_argument("--basis", default="serving", help="of --best: batch, serving, '100 g', '100 kcal' (serving)")
    decide.add_argument("--frontier", action="append", default=[], help="two or three measures to trade off; repeated")
    decide.add_argument("--regime", default="US", help="whose daily values %% DV means: US or CA (US)")
    decide.add_argument("--draws", type=int, default=4000, help="how often the sources of error are drawn (4000)")
    decide.add_argument("--seed", type=int, default=1, help="the same seed gives the same probabilities (1)")
    decide.add_argument("--format", choices=["csv", "json"], default="csv")
    decide.add_argument("--release", default="sr28", help="food release (sr28)")
    decide.add_argument("--factors", default="published", help="retention factors: published or estimated")
    decide.add_argument("--gaps", default="left", help="missing values: left, or filled with imputed ones")
    decide.set_defaults(command=_decide)

    swaps = commands.add_parser("swaps", help="list the foods that can play an ingredient's part, best first")
    swaps.add_argument("recipe", help="recipe file, or the name of one in data/recipes/")
    swaps.add_argument("ingredient", help="by the name that the recipe gives it")
    swaps.add_argument("--audience", default="general_adults", help="for whom (general_adults)")
    swaps.add_argument("--most", type=int, default=10, help="how many to compute in full and list (10)")
    swaps.add_argument(
        "--same", default="weight", help="what stays equal: weight, volume, energy or a component (weight)"
    )
    swaps.add_argument("--wide", action="store_true", help="look in all families of the same role")
    swaps.add_argument("--regime", default="US", help="daily values and allergens of US or CA (US)")
    swaps.add_argument("--prices", default="", help="price file; without it nothing is costed")
    swaps.add_argument("--release", default="sr28", help="food release (sr28)")
    swaps.add_argument("--format", choices=["csv", "json"], default="csv")
    swaps.set_defaults(command=_swaps)

    amounts = commands.add_parser("amounts", help="find amounts of ingredients that reach targets")
    amounts.add_argument("recipe", help="recipe file, or the name of one in data/recipes/")
    amounts.add_argument("--vary", action="append", default=[], help="'barley 100 to 250 g'; may be repeated")
    amounts.add_argument("--want", action="append", default=[], help="'sodium <= 600 mg'; may be repeated")
    amounts.add_argument(
        "--objective", default="least change", help="least change, least cost, least or most of a component"
    )
    amounts.add_argument("--variant", default="", help="label of the variant to adjust (as written)")
    amounts.add_argument("--surely", action="store_true", help="until the whole 90 %% interval keeps each limit")
    amounts.add_argument("--prices", default="", help="price file")
    amounts.add_argument("--release", default="sr28", help="food release (sr28)")
    amounts.add_argument("--format", choices=["csv", "json"], default="csv")
    amounts.set_defaults(command=_amounts)

    lesson = commands.add_parser("class", help="plan a recipe for a class: amounts, shopping, prep, timeline")
    lesson.add_argument("recipe", help="recipe file, or the name of one in data/recipes/")
    lesson.add_argument("--people", type=int, required=True, help="participants")
    lesson.add_argument(
        "--pans", type=int, default=0, help="pans or groups (so many that none holds more than one recipe)"
    )
    lesson.add_argument("--each", type=float, default=1.0, help="servings for each participant (1)")
    _add_options(lesson)
    lesson.add_argument("--audience", default="general_adults", help="whose cautions come first (general_adults)")
    lesson.add_argument("--serve-at", default="", help="time of day, such as 18:30: gives each step its latest start")
    lesson.add_argument("--prices", default="", help="price file, or its name in data/; without it nothing is costed")
    lesson.add_argument("--regime", default="US", help="allergens, temperatures and packages of US or CA (US)")
    lesson.add_argument("--release", default="sr28", help="food release (sr28)")
    lesson.add_argument("--format", choices=["text", "json"], default="text")
    lesson.set_defaults(command=_class)

    handout = commands.add_parser("handout", help="write a hand-out of a recipe for an audience as PDF")
    handout.add_argument("recipe", help="recipe file, or the name of one in data/recipes/")
    handout.add_argument("output", type=Path, help="file to write, such as barley_pot.pdf")
    handout.add_argument("--audience", default="general_adults", help="for whom (general_adults)")
    _add_options(handout)
    handout.add_argument("--language", default="en", help="en or fr (en)")
    handout.add_argument("--paper", default="a4", help="a4 or letter (a4)")
    handout.add_argument("--large", action="store_true", help="large print, on as many pages as it takes")
    handout.add_argument("--regime", default="US", help="allergens and daily values of US or CA (US)")
    handout.add_argument("--release", default="sr28", help="food release (sr28)")
    handout.add_argument("--force", action="store_true", help="overwrite the file")
    handout.set_defaults(command=_handout)

    gallery = commands.add_parser("gallery", help="make the pictures that the README shows anew")
    gallery.set_defaults(command=_gallery)

    charts = commands.add_parser("charts", help="write a recipe's charts for slides and journals, with captions")
    charts.add_argument("recipe", help="recipe file, or the name of one in data/recipes/")
    charts.add_argument("audience", help="audience file, or the name of one in data/audiences/")
    charts.add_argument("folder", type=Path, help="new folder for charts, captions, methods and references")
    charts.add_argument("--size", action="append", default=[], help="web, slide or print; may be repeated (all)")
    charts.add_argument("--regime", default="US", help="US or CA (US)")
    charts.add_argument("--release", default="sr28", help="food release (sr28)")
    charts.set_defaults(command=_charts)

    find = commands.add_parser("find", help="list the foods that a cook's words may mean, best first")
    find.add_argument("word", nargs="+", help="such as: peeled potato raw")
    find.add_argument("--group", default="", help="only foods of this group: its code, or words of its name")
    find.add_argument("--state", default="", help="only foods in this state: raw, boiled, canned, 'without salt' ...")
    find.add_argument("--component", default="", help="only foods that have a value for it: INFOODS tag or name")
    find.add_argument("--most", type=int, default=10, help="how many to list (10)")
    find.add_argument("--format", choices=["csv", "json"], help="as a table for other programs")
    find.add_argument("--release", default="sr28", help="food release (sr28); several as sr28+mine")
    find.set_defaults(command=_find)

    check = commands.add_parser("check", help="check recipes, audiences, days, prices and runs files without running")
    check.add_argument("file", nargs="+", type=Path)
    check.set_defaults(command=_check)

    release = commands.add_parser("import", help="build a food release from a raw public one, or from a table of yours")
    release.add_argument(
        "layout",
        choices=["sr28", "fdc", "cnf", "plain"],
        help="layout of the source: SR28 ASCII, FoodData Central CSV or JSON, Canadian Nutrient File CSV, or the plain "
        "CSV of data/foods/own_products_template.csv",
    )
    release.add_argument("source", type=Path, help="file, folder or archive with the raw files")
    release.add_argument("folder", type=Path, help="where the release goes; must not exist")
    release.add_argument(
        "--types",
        action="extend",
        nargs="+",
        default=[],
        help="fdc: foundation, sr_legacy, survey, branded, experimental (the first three)",
    )
    release.add_argument(
        "--stand-in",
        action="append",
        default=[],
        metavar="TAG=TAG",
        help="fdc: where a food has none of the first, take the second, such as "
        "ENERC_KCAL=ENERC_KCAL_ATWATER_SPECIFIC; may be repeated",
    )
    release.add_argument("--decimal-comma", action="store_true", help="plain: decimal commas, columns apart by ;")
    release.add_argument(
        "--keep-doubtful", action="store_true", help="plain: take foods whose values do not go together all the same"
    )
    release.set_defaults(command=_import)

    convert = commands.add_parser("convert", help="a page, sheet or text into a recipe file, or a recipe into others")
    convert.add_argument("source", type=Path, help="recipe file or its name, or .html .json .csv .tsv .xlsx .txt .md")
    convert.add_argument("target", type=Path, nargs="?", help="file to write: .yaml .csv .xlsx .json .parquet")
    convert.add_argument("--recipe", default="", help="number or title, where a page holds several recipes")
    convert.add_argument("--release", default="sr28", help="food release (sr28)")
    convert.add_argument("--amounts", action="store_true", help="into .csv: amounts of all variants, not ingredients")
    convert.add_argument("--force", action="store_true", help="overwrite the target")
    convert.add_argument("--template", action="store_true", help="write an empty sheet to fill in (.xlsx or .csv)")
    convert.set_defaults(command=_convert)

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
