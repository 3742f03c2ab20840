"""The command that explores a recipe with very many variants."""

from __future__ import annotations

import argparse
import json
import sys

from swaptable.basics.errors import SwaptableError
from swaptable.commands.codes import DONE
from swaptable.commands.shared import Commands, add_command, print_table

__all__ = ["add_to"]

TABLES = ("best", "frontier", "ranges", "effects")


def add_to(commands: Commands) -> None:
    """Add the command to the command line."""
    explore = add_command(commands, "explore", "what a recipe with very many variants offers, without listing them")
    explore.add_argument("recipe", help="recipe file, or the name of one in data/recipes/")
    explore.add_argument(
        "--measure",
        action="append",
        default=[],
        help="'least sodium', 'most potassium', 'nutrient density'; may be repeated; the first decides which variants "
        "are best, the first two make the frontier (sodium, nutrient density)",
    )
    explore.add_argument("--basis", default="serving", help="batch, serving, '100 g', '100 kcal' (serving)")
    explore.add_argument("--most", type=int, default=10, help="how many of the best to list (10)")
    explore.add_argument("--audience", default="general_adults", help="says which way is better (general_adults)")
    explore.add_argument("--table", choices=TABLES, help="which table to print as CSV (best)")
    explore.add_argument("--format", choices=["csv", "json"], default="csv", help="csv, or json with all tables (csv)")
    explore.add_argument("--release", default="current", help="food release (current)")
    explore.add_argument("--factors", default="published", help="retention factors: published or estimated")
    explore.add_argument("--gaps", default="left", help="missing values: left, or filled with imputed ones")
    explore.set_defaults(command=_explore)


def _explore(options: argparse.Namespace) -> int:
    if options.table and options.format == "json":
        raise SwaptableError("--format json prints all tables; leave --table out")
    from tqdm import tqdm

    from swaptable.deciding.explore import MEASURES, explore_recipe

    with tqdm(unit=" variants", unit_scale=True, disable=None, file=sys.stderr, leave=False) as bar:

        def told(gone: int, whole: int) -> None:
            bar.total = whole
            bar.update(gone - bar.n)

        found = explore_recipe(
            options.recipe,
            options.measure or MEASURES,
            options.audience,
            basis=options.basis,
            best=options.most,
            release=options.release,
            factors=options.factors,
            gaps=options.gaps,
            progress=told,
        )
    tables = found.tables()
    if options.format == "json":
        texts = {name: table.to_json(orient="records", double_precision=15) for name, table in tables.items()}
        print(json.dumps({name: json.loads(text) for name, text in texts.items()}, ensure_ascii=False))
    else:
        print_table(tables[options.table or TABLES[0]], "csv")
    on = f"; {found.on_frontier:,} on the frontier" if len(found.measures) > 1 else ""
    print(f"{found.allowed:,} of {found.grid.combinations:,} combinations go together{on}", file=sys.stderr)
    return DONE
