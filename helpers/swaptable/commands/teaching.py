"""Commands for the class: plan, hand-out, charts."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from swaptable.basics.folders import shown
from swaptable.basics.phrases import LANGUAGES
from swaptable.commands.shared import DONE, PRICES, Commands, add_command, add_format, add_options

__all__ = ["add_to"]


def add_to(commands: Commands) -> None:
    """Add the commands of this module to the command line."""
    _add_class(commands)
    _add_handout(commands)
    _add_charts(commands)


def _add_class(commands: Commands) -> None:
    lesson = add_command(commands, "class", "plan a recipe for a class: amounts, shopping, prep, timeline")
    lesson.add_argument("recipe", help="recipe file, or the name of one in data/recipes/")
    lesson.add_argument("--people", type=int, required=True, help="participants")
    lesson.add_argument(
        "--pans", type=int, default=0, help="pans or groups (so many that none holds more than one recipe)"
    )
    lesson.add_argument("--each", type=float, default=1.0, help="servings for each participant (1)")
    add_options(lesson)
    lesson.add_argument("--audience", default="general_adults", help="whose cautions come first (general_adults)")
    lesson.add_argument("--serve-at", default="", help="time of day, such as 18:30: gives each step its latest start")
    lesson.add_argument("--prices", default="", help=PRICES)
    lesson.add_argument("--regime", default="US", help="allergens, temperatures and packages of US or CA (US)")
    lesson.add_argument("--release", default="current", help="food release (current)")
    add_format(lesson, "text", "json")
    lesson.set_defaults(command=_class)


def _class(options: argparse.Namespace) -> int:
    from swaptable.reporting.class_words import class_text
    from swaptable.teaching.class_plan import plan_class

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


def _add_handout(commands: Commands) -> None:
    handout = add_command(commands, "handout", "write a hand-out of a recipe for an audience as PDF")
    handout.add_argument("recipe", help="recipe file, or the name of one in data/recipes/")
    handout.add_argument("output", type=Path, help="file to write, such as barley_pot.pdf")
    handout.add_argument("--audience", default="general_adults", help="for whom (general_adults)")
    add_options(handout)
    handout.add_argument("--language", default="en", help=f"{' or '.join(LANGUAGES)} (en)")
    handout.add_argument("--paper", default="a4", help="a4 or letter (a4)")
    handout.add_argument("--large", action="store_true", help="large print, on as many pages as it takes")
    handout.add_argument("--regime", default="US", help="allergens and daily values of US or CA (US)")
    handout.add_argument("--release", default="current", help="food release (current)")
    handout.add_argument("--force", action="store_true", help="overwrite the file")
    handout.set_defaults(command=_handout)


def _handout(options: argparse.Namespace) -> int:
    from swaptable.teaching.handout import compose_handout
    from swaptable.teaching.handout_pdf import check_target, write_handout

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


def _add_charts(commands: Commands) -> None:
    charts = add_command(commands, "charts", "write a recipe's charts for slides and journals, with captions")
    charts.add_argument("recipe", help="recipe file, or the name of one in data/recipes/")
    charts.add_argument("audience", help="audience file, or the name of one in data/audiences/")
    charts.add_argument("folder", type=Path, help="new folder for charts, captions, methods and references")
    charts.add_argument("--size", action="append", default=[], help="web, slide or print; may be repeated (all)")
    charts.add_argument("--regime", default="US", help="US or CA (US)")
    charts.add_argument("--release", default="current", help="food release (current)")
    charts.set_defaults(command=_charts)


def _charts(options: argparse.Namespace) -> int:
    from swaptable.judging.study import study_recipe
    from swaptable.reporting.publish import SIZES, publish

    study = study_recipe(options.recipe, options.audience, regime=options.regime, release=options.release)
    names = publish(study, options.folder, tuple(options.size) or SIZES)
    print(f"{shown(options.folder)}: {len(names)} files")
    return DONE
