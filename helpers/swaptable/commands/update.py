"""The command that brings new food data in."""

from __future__ import annotations

import argparse
from pathlib import Path

from swaptable.basics.errors import SwaptableError, counted
from swaptable.basics.folders import DATA, shown
from swaptable.commands.codes import DONE, RUN_FAILED
from swaptable.commands.shared import Commands, add_command

__all__ = ["add_to"]


def add_to(commands: Commands) -> None:
    """Add the command of this module to the command line."""
    update = add_command(commands, "update", "bring a public food release in beside the others, and show what differs")
    update.add_argument("release", nargs="?", help="its name, or a folder in data/foods/; without it, what there is")
    update.add_argument("--from", dest="source", type=Path, metavar="FILE|FOLDER", help="take this instead of fetching")
    update.add_argument("--switch", action="store_true", help="make it what 'current' stands for; the way back as well")
    update.set_defaults(command=_update)


def _update(options: argparse.Namespace) -> int:
    if not options.release:
        if options.source or options.switch:
            raise SwaptableError("--from and --switch are for one release; name it")
        return _list()
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


def _list() -> int:
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
