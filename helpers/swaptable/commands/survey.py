"""The command that computes a whole collection of recipes."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from swaptable.basics.errors import SwaptableError
from swaptable.basics.folders import shown
from swaptable.commands.shared import DONE, WRONG_INPUT, Commands, add_command

__all__ = ["add_to"]


def add_to(commands: Commands) -> None:
    """Add the commands of this module to the command line."""
    survey = add_command(
        commands,
        "survey",
        "compute a national survey or a folder of recipes into Parquet, over all cores or a cluster",
    )
    survey.add_argument(
        "source", help="folder with the FNDDS files, folder with recipe files, one recipe file or its name"
    )
    survey.add_argument("output", type=Path, help="new folder, or that of a stopped survey, which is gone on with")
    survey.add_argument(
        "--swaps", default="", help="swap rules: a file, or survey_swaps; without it dishes are taken as written"
    )
    survey.add_argument("--component", action="append", default=[], help="INFOODS tag or name; may be repeated (65)")
    survey.add_argument("--basis", default="100 g", help="'100 g', batch; recipe files also serving, '100 kcal'")
    survey.add_argument("--release", default="sr28", help="food release (sr28)")
    survey.add_argument("--factors", default="published", help="retention factors: published or estimated")
    survey.add_argument("--cluster", default="", metavar="ADDRESS", help="of a Dask scheduler (workers started here)")
    survey.add_argument("--workers", type=int, default=None, help="processes here (cores); 0: this process, no Dask")
    survey.set_defaults(command=_survey)


def _survey(options: argparse.Namespace) -> int:
    from swaptable.amounts.nutrients import component_table
    from swaptable.foods.joined import open_release
    from swaptable.foods.reference import component_named
    from swaptable.survey.run import compute_survey
    from swaptable.survey.values import SURVEY_COMPONENTS

    if options.workers is not None and options.workers < 0:
        raise SwaptableError(f"found --workers {options.workers}; expected 0 or more")
    if options.cluster and options.workers is not None:
        raise SwaptableError("found --workers beside --cluster; the cluster has workers of its own, leave one out")
    components = SURVEY_COMPONENTS
    if options.component:
        known = list(component_table(open_release(options.release))["component"])
        components = tuple(component_named(word, known) for word in options.component)
    done = compute_survey(
        options.source,
        options.output,
        swaps=options.swaps,
        components=components,
        basis=options.basis,
        release=options.release,
        factors=options.factors,
        cluster=options.cluster,
        workers=options.workers,
    )
    here = f"{done.parts_computed} of {done.parts} parts computed now, in {done.seconds:.1f} s"
    print(f"{shown(done.folder)}: {done.recipes:,} recipes, {done.rows:,} rows; {here}")
    if len(done.not_computed):
        print(f"{len(done.not_computed):,} recipes not computed; not_computed.csv says why", file=sys.stderr)
    if len(done.unmapped):
        count = done.unmapped["recipe"].nunique()
        print(f"{count:,} recipes are lower bounds; unmapped.csv lists the foods without values", file=sys.stderr)
    return DONE if done.recipes else WRONG_INPUT
