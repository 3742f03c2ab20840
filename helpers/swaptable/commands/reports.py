"""Commands that make reports."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from swaptable.basics.errors import InputError, SwaptableError, counted, listed, nearest
from swaptable.basics.folders import DATA, REPORTS, shown
from swaptable.basics.logs import logger
from swaptable.commands.shared import DONE, RUN_FAILED, Commands, add_command, add_format

if TYPE_CHECKING:
    from swaptable.runs.run_files import Run
    from swaptable.runs.runs import Outcome

__all__ = ["add_to"]

LONGEST_SECONDS = 604_800  # a week, for one run


def add_to(commands: Commands) -> None:
    """Add the commands of this module to the command line."""
    report = add_command(commands, "report", "make the reports of a runs file that are not up to date")
    report.add_argument("run", nargs="*", help="names of runs of the runs file (all)")
    report.add_argument("--runs", type=Path, default=DATA / "runs.yaml", help="runs file (data/runs.yaml)")
    report.add_argument("--reports", type=Path, default=REPORTS, help="folder of the reports (reports/)")
    report.add_argument("--jobs", type=int, default=None, help="runs at a time (number of cores)")
    report.add_argument("--why", action="store_true", help="say what made each run out of date")
    report.add_argument("--dry", action="store_true", help="only say what would be made, and why")
    report.add_argument("--force", action="store_true", help="make also what is up to date")
    report.add_argument("--limit", type=float, default=600.0, help="longest that one run may take, in seconds (600)")
    report.add_argument("--cluster", default="", help="make them on the Dask cluster at this address")
    report.set_defaults(command=_report)

    ledger = add_command(commands, "ledger", "list every run that was ever made, by number")
    ledger.add_argument("--reports", type=Path, default=REPORTS, help="folder of the reports (reports/)")
    add_format(ledger, "text", "json")
    ledger.set_defaults(command=_ledger)

    again = add_command(commands, "reproduce", "make an earlier report again from what the ledger kept")
    again.add_argument("number", type=int, help="of the entry, as ledger lists it")
    again.add_argument("folder", type=Path, help="new folder for the files of then and the report")
    again.add_argument("--reports", type=Path, default=REPORTS, help="folder of the reports (reports/)")
    again.set_defaults(command=_reproduce)

    gallery = add_command(commands, "gallery", "make the pictures that the README shows anew")
    gallery.set_defaults(command=_gallery)


def _chosen_runs(options: argparse.Namespace) -> list[Run]:
    from swaptable.runs.run_files import read_runs

    if options.jobs is not None and options.jobs < 1:
        raise SwaptableError(f"found --jobs {options.jobs}; expected 1 or more")
    if not 0 < options.limit <= LONGEST_SECONDS:
        raise SwaptableError(f"found --limit {options.limit:g}; expected seconds above 0, {LONGEST_SECONDS} at most")
    if options.reports.exists() and not options.reports.is_dir():
        raise InputError("is a file; expected a folder for the reports", file=shown(options.reports))
    runs = read_runs(options.runs)
    known = [run.name for run in runs]
    for name in options.run:
        if name not in known:
            of_file = Path(name).suffix in (".yaml", ".yml")
            hint = f"; to take the runs of a file say --runs {name}" if of_file else nearest(name, known)
            problem = f"found run '{name}'; expected one of {listed(known)}{hint}"
            raise InputError(problem, file=shown(options.runs))
    return [run for run in runs if run.name in options.run or not options.run]


def _report(options: argparse.Namespace) -> int:
    from swaptable.runs.freshness import stale_runs

    chosen = _chosen_runs(options)
    why = stale_runs(chosen, options.reports)
    stale = [run for run in chosen if why[run.name] or options.force]
    if options.why or options.dry:
        for run in chosen:
            print(f"{run.name}: {'; '.join(why[run.name]) or ('asked for' if options.force else 'up to date')}")
    if options.dry:
        print(f"{len(stale)} of {len(chosen)} runs would be made")
        return DONE
    states = [outcome.state for outcome in _made(stale, options)]
    made, failed = states.count("made"), states.count("failed")
    fresh = len(chosen) - made - failed
    told = f"{made} made, {fresh} up to date" + (f", {failed} failed" if failed else "")
    print(f"{counted(len(chosen), 'run')}: {told}: {shown(options.reports / 'index.html')}")
    return RUN_FAILED if failed else DONE


def _made(stale: list[Run], options: argparse.Namespace) -> list[Outcome]:
    """Make what is stale, and put in order what is not."""
    from swaptable.basics.cluster import connected
    from swaptable.runs.runs import run_all

    def told(outcome: Outcome) -> None:
        if outcome.state == "failed":
            logger.error("%s [%s]", outcome.why[0], outcome.code, extra={"run": outcome.run, "code": outcome.code})

    asked = {"jobs": options.jobs, "limit": options.limit, "force": options.force}
    with connected(options.cluster if stale else "") as executor:
        return run_all(stale, options.reports, **asked, executor=executor, report=told)


def _ledger(options: argparse.Namespace) -> int:
    from dataclasses import asdict

    from swaptable.runs.ledger import read_ledger

    entries = read_ledger(options.reports)
    if options.format == "json":
        print(json.dumps([asdict(entry) for entry in entries], indent=2, ensure_ascii=False))
        return DONE
    for entry in entries:
        print(f"{entry.number:>5}  {entry.finished}  {entry.run}  {entry.fingerprint[:12]}")
    return DONE


def _reproduce(options: argparse.Namespace) -> int:
    from swaptable.runs.reproduce import reproduce

    same, other = reproduce(options.reports, options.number, options.folder)
    print(f"{shown(options.folder)}: {len(same)} results are the same" + (f", {len(other)} differ" if other else ""))
    for name in other:
        print(f"differs: {name}", file=sys.stderr)
    return RUN_FAILED if other else DONE


def _gallery(options: argparse.Namespace) -> int:
    from swaptable.runs.gallery import make_gallery

    for picture in make_gallery():
        print(shown(picture))
    return DONE
