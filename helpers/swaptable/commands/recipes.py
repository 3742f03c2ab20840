"""Commands that compute and weigh up recipes."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING

from swaptable.basics.errors import SwaptableError
from swaptable.commands.shared import DONE, PRICES, Commands, add_command, add_format, print_table

__all__ = ["add_to"]

if TYPE_CHECKING:
    import pandas as pd

    from swaptable.amounts.nutrients import Amounts


def add_to(commands: Commands) -> None:
    """Add the commands of this module to the command line."""
    _add_table(commands)
    _add_day(commands)
    _add_decide(commands)
    _add_swaps(commands)
    _add_amounts(commands)
    _add_explore(commands)


def _add_table(commands: Commands) -> None:
    table = add_command(commands, "table", "print the tidy table of a recipe")
    table.add_argument("recipe", help="recipe file, or the name of one in data/recipes/")
    add_format(table, "csv", "json")
    table.add_argument("--component", action="append", default=[], help="INFOODS tag or name; may be repeated")
    table.add_argument(
        "--basis", action="append", default=[], help="batch, serving, '100 g', '100 kcal'; may be repeated"
    )
    table.add_argument("--ingredients", action="store_true", help="print how each ingredient was weighed and cooked")
    table.add_argument("--verdicts", action="store_true", help="print targets, claims and symbols with their verdicts")
    table.add_argument("--audience", default="", help="for whom --verdicts judges (general_adults)")
    table.add_argument("--regime", default="", help="whose rules --verdicts applies: US or CA (US)")
    table.add_argument("--release", default="current", help="food release (current)")
    table.add_argument("--factors", default="published", help="retention factors: published or estimated")
    table.add_argument("--gaps", default="left", help="missing values: left, or filled with imputed ones")
    table.add_argument("--certainty", action="store_true", help="add standard errors and 90 %% intervals")
    table.set_defaults(command=_table)


def _table(options: argparse.Namespace) -> int:
    from swaptable.amounts.certainty import with_certainty
    from swaptable.amounts.nutrients import BASES, amounts_table, lines_table
    from swaptable.foods.reference import component_named
    from swaptable.judging.study import compute_recipe

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
    print_table(table, options.format)
    return DONE


def _verdicts(amounts: Amounts, audience: str, regime: str) -> pd.DataFrame:
    from swaptable.basics.folders import find_file
    from swaptable.judging.advice import verdict_table
    from swaptable.judging.audiences import read_audience
    from swaptable.judging.targets import find_aims

    people = read_audience(find_file(audience, "audiences", ".yaml"))
    return verdict_table(amounts, find_aims(people, amounts.units()), regime)


def _add_day(commands: Commands) -> None:
    day = add_command(commands, "day", "print what a planned day adds up to, judged with its supplements")
    day.add_argument("day", help="plan of a day, or the name of one in data/days/")
    add_format(day, "csv", "json")
    day.add_argument("--release", default="current", help="food release (current)")
    day.set_defaults(command=_day)


def _day(options: argparse.Namespace) -> int:
    from swaptable.judging.day import add_up, judge_day, read_plan
    from swaptable.judging.verdicts import named_for_files

    print_table(named_for_files(judge_day(add_up(read_plan(options.day), options.release))), options.format)
    return DONE


def _add_decide(commands: Commands) -> None:
    decide = add_command(commands, "decide", "rank a recipe's variants by what is wanted and what is to be best")
    decide.add_argument("recipe", help="recipe file, or the name of one in data/recipes/")
    decide.add_argument("--want", action="append", default=[], help="such as 'sodium <= 600 mg'; may be repeated")
    decide.add_argument("--best", default="nutrient density", help="what the best is best in (nutrient density)")
    decide.add_argument("--audience", default="general_adults", help="for whom (general_adults)")
    decide.add_argument("--prices", default="", help=PRICES)
    decide.add_argument("--basis", default="serving", help="of --best: batch, serving, '100 g', '100 kcal' (serving)")
    decide.add_argument("--frontier", action="append", default=[], help="two or three measures to trade off; repeated")
    decide.add_argument("--regime", default="US", help="whose daily values %% DV means: US or CA (US)")
    decide.add_argument("--draws", type=int, default=4000, help="how often the sources of error are drawn (4000)")
    decide.add_argument("--seed", type=int, default=1, help="the same seed gives the same probabilities (1)")
    add_format(decide, "csv", "json")
    decide.add_argument("--release", default="current", help="food release (current)")
    decide.add_argument("--factors", default="published", help="retention factors: published or estimated")
    decide.add_argument("--gaps", default="left", help="missing values: left, or filled with imputed ones")
    decide.set_defaults(command=_decide)


def _decide(options: argparse.Namespace) -> int:
    from swaptable.deciding.decide import TRADE_OFFS, decide_recipe
    from swaptable.reporting.decide_findings import decision_headline

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
    print_table(decision.ranking, options.format)
    print(decision_headline(decision), file=sys.stderr)
    return DONE


def _add_swaps(commands: Commands) -> None:
    swaps = add_command(commands, "swaps", "list the foods that can play an ingredient's part, best first")
    swaps.add_argument("recipe", help="recipe file, or the name of one in data/recipes/")
    swaps.add_argument("ingredient", help="by the name that the recipe gives it")
    swaps.add_argument("--audience", default="general_adults", help="for whom (general_adults)")
    swaps.add_argument("--most", type=int, default=10, help="how many to compute in full and list (10)")
    swaps.add_argument(
        "--same", default="weight", help="what stays equal: weight, volume, energy or a component (weight)"
    )
    swaps.add_argument("--wide", action="store_true", help="look in all families of the same role")
    swaps.add_argument("--regime", default="US", help="daily values and allergens of US or CA (US)")
    swaps.add_argument("--prices", default="", help=PRICES)
    swaps.add_argument("--release", default="current", help="food release (current)")
    add_format(swaps, "csv", "json")
    swaps.set_defaults(command=_swaps)


def _swaps(options: argparse.Namespace) -> int:
    from swaptable.deciding.swaps import find_swaps

    asked = {"same": options.same, "most": options.most, "wide": options.wide, "regime": options.regime}
    found = find_swaps(
        options.recipe, options.ingredient, options.audience, **asked, prices=options.prices, release=options.release
    )
    print_table(found.table, options.format)
    print(f"{found.fitting} of {len(found.screened)} foods fit; paste yaml under {found.paste_under}", file=sys.stderr)
    return DONE


def _add_amounts(commands: Commands) -> None:
    amounts = add_command(commands, "amounts", "find amounts of ingredients that reach targets")
    amounts.add_argument("recipe", help="recipe file, or the name of one in data/recipes/")
    amounts.add_argument("--vary", action="append", default=[], help="'barley 100 to 250 g'; may be repeated")
    amounts.add_argument("--want", action="append", default=[], help="'sodium <= 600 mg'; may be repeated")
    amounts.add_argument(
        "--objective", default="least change", help="least change, least cost, least or most of a component"
    )
    amounts.add_argument("--variant", default="", help="label of the variant to adjust (as written)")
    amounts.add_argument("--surely", action="store_true", help="until the whole 90 %% interval keeps each limit")
    amounts.add_argument("--prices", default="", help=PRICES)
    amounts.add_argument("--release", default="current", help="food release (current)")
    add_format(amounts, "csv", "json")
    amounts.set_defaults(command=_amounts)


def _amounts(options: argparse.Namespace) -> int:
    from swaptable.deciding.how_much import find_amounts

    asked = {"objective": options.objective, "variant": options.variant, "surely": options.surely}
    plan = find_amounts(
        options.recipe, options.vary, options.want, **asked, prices=options.prices, release=options.release
    )
    print_table(plan.table, options.format)
    print(*plan.sentences, f"Option for the recipe file: {plan.yaml}", sep="\n", file=sys.stderr)
    return DONE


TABLES = ("best", "frontier", "ranges", "effects")


def _add_explore(commands: Commands) -> None:
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
