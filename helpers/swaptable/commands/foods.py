"""Commands on food releases: find, import, fit, validate."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from swaptable.basics.errors import SwaptableError
from swaptable.basics.folders import DATA, shown
from swaptable.basics.whole_files import write_whole
from swaptable.commands.shared import DONE, WRONG_INPUT, Commands, add_command, add_format

if TYPE_CHECKING:
    from swaptable.foods.release import FoodRelease

__all__ = ["add_to"]


def add_to(commands: Commands) -> None:
    """Add the commands of this module to the command line."""
    _add_find(commands)
    _add_import(commands)
    _add_fit(commands)
    _add_validate(commands)


def _add_find(commands: Commands) -> None:
    find = add_command(commands, "find", "list the foods that a cook's words may mean, best first")
    find.add_argument("word", nargs="+", help="such as: peeled potato raw")
    find.add_argument("--group", default="", help="only foods of this group: its code, or words of its name")
    find.add_argument("--state", default="", help="only foods in this state: raw, boiled, canned, 'without salt' ...")
    find.add_argument("--component", default="", help="only foods that have a value for it: INFOODS tag or name")
    find.add_argument("--most", type=int, default=10, help="how many to list (10)")
    find.add_argument("--format", choices=["csv", "json"], help="csv or json, for other programs (lines to read)")
    find.add_argument("--release", default="current", help="food release (current); several as sr28+mine")
    find.set_defaults(command=_find)


def _find(options: argparse.Namespace) -> int:
    from swaptable.foods.joined import open_release
    from swaptable.foods.search import find_foods, hits_table
    from swaptable.formats.csv_cells import harmless_table

    release = open_release(options.release)
    query = " ".join(options.word)
    narrowed = {"group": options.group, "state": options.state, "component": options.component}
    hits = find_foods(query, release, options.most, **narrowed)
    table = hits_table(hits, release)
    if options.format == "csv":
        harmless_table(table).to_csv(sys.stdout, index=False, lineterminator="\n")
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


def _add_import(commands: Commands) -> None:
    release = add_command(commands, "import", "build a food release from a raw public one, or from a table of yours")
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
        help="fdc: foundation, sr_legacy, survey, branded, experimental; foundation, sr_legacy and survey are "
        "taken if none is named",
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


def _import(options: argparse.Namespace) -> int:
    from swaptable.releases.value_checks import checks_told

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
        from swaptable.releases.sr28 import import_sr28

        return import_sr28(options.source, options.folder)
    if options.layout == "fdc":
        from swaptable.releases.fdc_layout import DEFAULT_TYPES
        from swaptable.releases.fooddata_central import import_fdc

        wrong = next((pair for pair in options.stand_in if pair.count("=") != 1), None)
        if wrong is not None:
            raise SwaptableError(f"found --stand-in {wrong}; expected TAG=TAG, what is missing and what stands in")
        stand_ins = dict(pair.split("=") for pair in options.stand_in)
        return import_fdc(options.source, options.folder, options.types or DEFAULT_TYPES, stand_ins)
    if options.layout == "cnf":
        from swaptable.releases.nutrient_file import import_cnf

        return import_cnf(options.source, options.folder)
    from swaptable.releases.plain_table import import_plain

    return import_plain(options.source, options.folder, options.decimal_comma, options.keep_doubtful)


def _add_fit(commands: Commands) -> None:
    fit = add_command(commands, "fit", "estimate retention factors from a release's measured raw and cooked foods")
    fit.add_argument("--release", default="sr28", help="food release (sr28)")
    default = DATA / "reference" / "retention_estimates.csv"
    fit.add_argument(
        "--output", type=Path, default=default, help="file to write (data/reference/retention_estimates.csv)"
    )
    fit.set_defaults(command=_fit)


def _fit(options: argparse.Namespace) -> int:
    from swaptable.foods.cooking_factors import retention_components, retention_table
    from swaptable.foods.joined import open_release
    from swaptable.retention.evidence import fit
    from swaptable.retention.pairs import find_pairs, pair_values

    release = open_release(options.release)
    values = pair_values(release, find_pairs(release))
    table = fit(values, retention_table(), retention_components())
    write_whole(options.output, table.to_csv(index=False, lineterminator="\n"))
    families, count = values["family"].nunique(), (table["n_values"] > 0).sum()
    print(f"{shown(options.output)}: {len(table):,} figures, {count} with evidence of their own; {families} families")
    return DONE


def _add_validate(commands: Commands) -> None:
    validate = add_command(commands, "validate", "predict measured cooked values with food families held out")
    validate.add_argument("--release", default="sr28", help="food release (sr28)")
    validate.add_argument(
        "--folds", type=int, default=10, help="parts to deal the families into, each held out once (10)"
    )
    validate.add_argument("--seed", type=int, action="append", help="deals families out; may be repeated (1, 2, 3)")
    add_format(validate, "csv", "json")
    validate.set_defaults(command=_validate)


def _validate(options: argparse.Namespace) -> int:
    from swaptable.foods.joined import open_release
    from swaptable.retention.pairs import find_pairs, pair_values
    from swaptable.retention.validation import validate

    release = open_release(options.release)
    tables = validate(pair_values(release, find_pairs(release)), options.folds, options.seed or (1, 2, 3))
    if options.format == "json":
        plain = {name: json.loads(table.reset_index().to_json(orient="records")) for name, table in tables.items()}
        print(json.dumps(plain, indent=2, ensure_ascii=False))
    else:
        for name in ("overall", "by_group", "by_component"):
            print(tables[name].reset_index().to_csv(index=False, lineterminator="\n"))
    return DONE
