"""Commands that tell what changed, and bring new releases in."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from swaptable.basics.errors import InputError, SwaptableError, counted
from swaptable.basics.folders import DATA, REPORTS, shown
from swaptable.commands.shared import (
    DONE,
    FLIPPED,
    PRICES,
    RUN_FAILED,
    Commands,
    add_command,
    add_format,
    print_table,
)

__all__ = ["add_to"]

_TOLD = (
    "tell what moved and which conclusion flipped: between two food releases, two runs, two folders of reports or two "
    "entries of the ledger; by default what the last report changed. Exit code 3 if a conclusion flipped"
)


def add_to(commands: Commands) -> None:
    """Add the commands of this module to the command line."""
    _add_changes(commands)
    _add_update(commands)


def _add_changes(commands: Commands) -> None:
    changes = add_command(commands, "changes", _TOLD)
    sides = "food release (name or folder), folder of a run, folder of reports, or number of an entry of the ledger"
    changes.add_argument("old", nargs="?", default="", help=sides)
    changes.add_argument("new", nargs="?", default="", help="the same")
    changes.add_argument("--run", action="append", default=[], help="name of a run; may be repeated (all)")
    changes.add_argument("--runs", type=Path, default=DATA / "runs.yaml", help="runs file (data/runs.yaml)")
    changes.add_argument(
        "--recipe", action="append", default=[], help="of two releases: a recipe instead of the runs; may be repeated"
    )
    changes.add_argument("--audience", default=None, help="of --recipe (general_adults)")
    changes.add_argument("--regime", choices=("US", "CA"), default=None, help="of --recipe (US)")
    changes.add_argument("--prices", default=None, help=f"of --recipe: {PRICES}")
    changes.add_argument(
        "--new-factors",
        default="",
        choices=("published", "estimated"),
        help="retention factors of the new side: published or estimated (as the old side)",
    )
    changes.add_argument("--reports", type=Path, default=REPORTS, help="folder of the reports (reports/)")
    changes.add_argument("--once", action="store_true", help="of the last report: only what was not told before")
    add_format(changes, "text", "csv", "json")
    changes.add_argument("--folder", type=Path, default=None, help="new folder for tables, chart and text")
    changes.set_defaults(command=_changes)


def _changes(options: argparse.Namespace) -> int:
    from swaptable.changes.changes import changes_table
    from swaptable.changes.changes_report import changes_json, write_changes
    from swaptable.changes.changes_text import changes_text
    from swaptable.changes.find_changes import find_changes
    from swaptable.changes.run_changes import last_entry, remember

    _refuse_idle_options(options)
    last = last_entry(options.reports) if options.once else 0  # an entry that comes meanwhile is told next time
    changes = find_changes(
        options.old,
        options.new,
        recipes=options.recipe,
        audience=options.audience or "general_adults",
        regime=options.regime or "US",
        prices=options.prices or "",
        runs=options.runs,
        only=options.run,
        new_factors=options.new_factors,
        reports=options.reports,
        once=options.once,
    )
    where = "--format csv, or --folder DIR"
    if options.folder is not None:
        names = write_changes(changes, options.folder)
        where = f"{shown(options.folder)}/"
        print(f"{where}: {len(names)} files", file=sys.stderr)
    if options.format == "csv":
        print_table(changes_table(changes), "csv")
    elif options.format == "json":
        print(changes_json(changes))
    else:
        print(changes_text(changes, where), end="")
    sys.stdout.flush()
    if options.once:
        remember(options.reports, last)
    return FLIPPED if changes.flips else DONE


def _refuse_idle_options(options: argparse.Namespace) -> None:
    """Refuse what would change nothing, and a folder that is there, before anything is computed."""
    given = {"--audience": options.audience, "--regime": options.regime, "--prices": options.prices}
    idle = next((name for name, value in given.items() if value and not options.recipe), None)
    if idle is not None:
        raise SwaptableError(f"found {idle} without --recipe; the runs of a runs file say that themselves")
    if options.recipe and options.run:
        raise SwaptableError("found --recipe and --run; name recipes, or runs of the runs file")
    if options.folder is not None and (options.folder.exists() or options.folder.is_symlink()):
        raise InputError("exists already; name a new folder", file=options.folder)


def _add_update(commands: Commands) -> None:
    update = add_command(commands, "update", "bring a public food release in beside the others, and show what differs")
    update.add_argument("release", nargs="?", help="its name, or a folder in data/foods/; without it, what there is")
    update.add_argument("--from", dest="source", type=Path, metavar="FILE|FOLDER", help="take this instead of fetching")
    update.add_argument("--switch", action="store_true", help="make it what 'current' stands for; the way back as well")
    update.set_defaults(command=_update)


def _update(options: argparse.Namespace) -> int:
    if not options.release:
        if options.source or options.switch:
            raise SwaptableError("--from and --switch are for one release; name it")
        return _list_releases()
    from swaptable.basics.downloads import DownloadError
    from swaptable.basics.logs import tell_error
    from swaptable.changes.update import bring_update, difference_lines, switch_to
    from swaptable.foods.current_release import read_current

    try:
        update = bring_update(options.release, DATA, source=options.source)
    except DownloadError as error:
        tell_error(error)
        return RUN_FAILED
    print(f"{shown(update.new.folder)}: {counted(len(update.new.foods), 'food')}, SHA-256 {update.new.sha256}")
    for line in difference_lines(update):
        print(line)
    if options.switch:
        before = read_current(DATA)
        chosen = switch_to(update)
        if chosen == before:
            print(f"current was {chosen.release} already")
        else:
            back = next(iter(update.olds.values()), update.new).folder.name
            print(f"current is {chosen.release} now; back: update {back} --switch")
    return DONE


def _list_releases() -> int:
    from swaptable.foods.current_release import read_current
    from swaptable.releases.public_releases import public_releases

    here = {path.parent.name for path in (DATA / "foods").glob("*/manifest.json")}
    current = read_current(DATA).release
    for release in public_releases(DATA):
        state = "here" if release.folder in here else "not here"
        print(f"{release.folder}  {release.title}  [{state}]")
        here.discard(release.folder)
    for name in sorted(here):
        print(f"{name}  [here]")
    print(f"current is {current}")
    return DONE
