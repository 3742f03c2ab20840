"""Runs: execute notebooks headlessly, whole or not at all, and record where every number came from.

A run is made in a folder of its own beside the reports and moves into place only when it has succeeded, so a
failed, interrupted or killed run never touches a good report. Before, the ledger gets its line; last of all the stamp
is written by which the report counts as fresh: whatever is cut off before that is made again.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, as_completed
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol

from tqdm import tqdm

from swaptable.basics.errors import BusyError, LimitError, RunError, SwaptableError, WriteError
from swaptable.basics.folders import HOME, shown
from swaptable.basics.locks import LOCKS, held
from swaptable.basics.logs import logger
from swaptable.basics.recorder import LISTEN, RECORD, module_file
from swaptable.basics.whole_files import sha256_of
from swaptable.runs import ledger
from swaptable.runs.freshness import (
    Now,
    Used,
    begin_record,
    named_files,
    prepare_stamp,
    remove_stamp,
    sweep_stamps,
    used_by,
    why_stale,
    write_stamp,
)
from swaptable.runs.html_pages import notebook_page, write_index
from swaptable.runs.run_files import OUTPUT, Run

__all__ = ["LIMIT_SECONDS", "Outcome", "make_report", "run_all", "run_notebook"]

LIMIT_SECONDS = 600  # for one run
MOST_TIMES = 3  # to begin a run anew whose inputs changed under it
_ASIDE = "replaced"
_RECORD = ".used"
_UNSTEADY = {"provenance.json", "index.html"}  # they hold times


@dataclass(frozen=True)
class Outcome:
    """What became of a run: ``made``, ``fresh`` or ``failed``; why it was made or what went wrong, and that code."""

    run: str
    state: str
    why: tuple[str, ...] = ()
    code: str = ""


class Executor(Protocol):
    """What runs are given to: a pool of threads, or a cluster."""

    def submit(self, function: Callable[..., Outcome], *arguments: Any, **named: Any) -> Future[Outcome]:
        """Begin a call."""


def make_report(run: Run, reports: Path, *, limit: float = LIMIT_SECONDS, force: bool = False) -> Outcome:
    """Make one report unless it is fresh; another process that makes the same one is waited for.

    Parameters
    ----------
    run : Run
    reports : Path
        Folder of all reports.
    limit : float, optional
        Longest that the notebook may take. [s]
    force : bool, optional
        Make it even if it is fresh.

    Returns
    -------
    Outcome
    """
    reports = reports.resolve()
    try:
        with _writing(reports), held(_lock(reports, run.name)):
            _sweep(reports, run.name)
            why = why_stale(run, reports, Now()) or (["asked for"] if force else [])
            if not why:
                return Outcome(run.name, "fresh")
            logger.info("%s: begins, since %s", run.name, "; ".join(why), extra={"run": run.name, "why": why})
            began = time.monotonic()
            run_notebook(run, reports, limit=limit)
            took = time.monotonic() - began
            logger.info("%s: made in %.1f s", run.name, took, extra={"run": run.name, "seconds": round(took, 2)})
            return Outcome(run.name, "made", tuple(why))
    except WriteError:  # no other run would fare better
        raise
    except SwaptableError as error:
        text = str(error) if str(error).startswith(f"{run.name}: ") else f"{run.name}: {error}"
        return Outcome(run.name, "failed", (text,), error.code)


def _lock(reports: Path, name: str) -> Path:
    return reports / LOCKS / f"run-{name}.lock"


@contextmanager
def _writing(reports: Path) -> Iterator[None]:
    """Make the folder of reports; say in one sentence why nothing can be written into it."""
    try:
        reports.mkdir(parents=True, exist_ok=True)
        yield
    except OSError as error:
        reasons = {errno.ENOSPC: "the disk is full", errno.EROFS: "it is read-only", errno.EACCES: "it is read-only"}
        why = reasons.get(error.errno or 0, error.strerror or str(error))
        raise WriteError(f"{shown(reports)} cannot be written: {why}; earlier reports are as they were") from error


def run_notebook(run: Run, reports: Path, *, limit: float = LIMIT_SECONDS) -> Path:
    """Execute one run, move it into place, and record it.

    Parameters
    ----------
    run : Run
    reports : Path
        Folder of all reports; the run goes into ``reports/<run>/``.
    limit : float, optional
        Longest that the notebook may take. [s]

    Returns
    -------
    Path
        The run's folder: executed notebook, ``index.html``, ``figures/``, ``tables/`` and ``provenance.json``.

    Raises
    ------
    SwaptableError
        If the notebook fails: its last error in one sentence. The broken notebook is kept under
        ``reports/failed/<run>/``; an earlier report stays as it was.
    """
    reports = reports.resolve()
    with _writing(reports):
        for attempt in range(1, MOST_TIMES + 1):
            work = Path(tempfile.mkdtemp(prefix=f".{run.name}-", dir=reports))
            try:
                started = datetime.now(UTC)
                used = used_by(run, _execute(run, reports, work, limit))
                changed = _changed_meanwhile(used)
                if not changed:
                    _finish(run, reports, work, used, started)
                    return _put_in_place(run, reports, work, replace(used, results=_hashes(work)))
                if attempt == MOST_TIMES:
                    raise LimitError(f"{run.name}: {changed[0]} changes while the run reads it; try again later")
                logger.info("%s: begins anew, since %s changed meanwhile", run.name, changed[0])
            finally:
                shutil.rmtree(work, ignore_errors=True)
    raise AssertionError("a run ends or raises")


def _changed_meanwhile(used: Used) -> list[str]:
    """Name the inputs that are no longer what the run read."""
    now = Now()
    stated = {f"stated {folder}": foods.release for folder, foods in used.foods.items()}
    read = {**used.inputs, **stated}.items()
    return [name.partition(" ")[2] for name, sha256 in read if now.hash_of(name) != sha256]


def _execute(run: Run, reports: Path, work: Path, limit: float) -> Path:
    """Execute the notebook into its folder, and give the file in which its kernel wrote down what it read."""
    from swaptable.runs.kernels import StoppedError, execute

    record = work / _RECORD
    begin_record(run, record)
    given = {**run.parameters, OUTPUT: str(work)}
    try:
        execute(
            run.notebook, work / f"{run.notebook.stem}.ipynb", given, folder=HOME, limit=limit,
            environment={RECORD: str(record)}, first=LISTEN,
        )  # fmt: skip
    except StoppedError:
        raise
    except RunError as error:
        if os.strerror(errno.ENOSPC) in str(error):  # nothing is kept where there is no room
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)) from error
        raise _broken(run, reports, work, error) from error
    return record


def _broken(run: Run, reports: Path, work: Path, error: SwaptableError) -> SwaptableError:
    """Keep the folder of a run that failed, and say where."""
    kept = reports / "failed" / run.name
    shutil.rmtree(kept, ignore_errors=True)
    kept.parent.mkdir(exist_ok=True)
    (work / _RECORD).unlink(missing_ok=True)
    work.rename(kept)
    return type(error)(f"{run.name}: {error} (notebook kept in {shown(kept)})")


def _finish(run: Run, reports: Path, work: Path, used: Used, started: datetime) -> None:
    """Write the page and the provenance of an executed notebook."""
    from swaptable.foods.joined import open_release

    (work / _RECORD).unlink()
    notebook = work / f"{run.notebook.stem}.ipynb"
    summary = _read_summary(run, reports, work)
    text = notebook.read_text(encoding="utf-8").replace(json.dumps(str(work))[1:-1], f"reports/{run.name}")
    notebook.write_text(text, encoding="utf-8", newline="\n")
    (work / "index.html").write_text(notebook_page(notebook, summary["title"]), encoding="utf-8", newline="\n")
    release = open_release(used.parameters.get("release", "current"))
    inputs = {"notebook": run.notebook} | named_files(run)
    record = summary | {
        "run": run.name,
        "parameters": used.parameters,
        "inputs": {key: {"file": shown(path), "sha256": sha256_of(path)} for key, path in inputs.items()},
        "food_release": {"name": release.name, "released": release.manifest["released"], "sha256": release.sha256},
        "used": used.inputs,
        "foods": {folder: asdict(foods) for folder, foods in used.foods.items()},
        "versions": used.versions,
        "fingerprint": used.fingerprint,
        "started": started.isoformat(timespec="seconds"),
        "finished": datetime.now(UTC).isoformat(timespec="seconds"),
    }
    (work / "provenance.json").write_text(json.dumps(record, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")


def _read_summary(run: Run, reports: Path, work: Path) -> dict[str, Any]:
    try:
        summary: dict[str, Any] = json.loads((work / "summary.json").read_text(encoding="utf-8"))
        if not all(isinstance(summary[key], str) for key in ("title", "headline", "audience")):
            raise TypeError("title, headline and audience are texts")
    except (OSError, ValueError, KeyError, TypeError) as error:
        problem = f"the notebook wrote no summary.json with title, headline and audience ({error!r})"
        raise _broken(run, reports, work, RunError(problem)) from error
    return summary


def _hashes(work: Path) -> dict[str, str]:
    files = (path for path in sorted(work.rglob("*")) if path.is_file())
    return {path.relative_to(work).as_posix(): sha256_of(path) for path in files}


def _put_in_place(run: Run, reports: Path, work: Path, used: Used) -> Path:
    """Enter a finished folder in the ledger, swap it in, declare it fresh; once it moves, no room is needed."""
    final = reports / run.name
    work.chmod(0o755)
    aside = Path(tempfile.mkdtemp(prefix=f".{run.name}-", dir=reports))
    try:
        stamp = prepare_stamp(reports, used)
        _enter(reports, work, used)
        remove_stamp(reports, run.name)  # it belongs to the report before, and must not speak for this one
        if final.exists():
            final.rename(aside / _ASIDE)
        work.rename(final)
        write_stamp(reports, run.name, stamp)
        shutil.rmtree(reports / "failed" / run.name, ignore_errors=True)
    finally:
        sweep_stamps(reports, run.name)
        _restore(aside, final)
    return final


def _restore(aside: Path, final: Path) -> None:
    """Put a report back that was being replaced, unless the new one is there; then remove the folder."""
    if (aside / _ASIDE).is_dir() and not final.exists():
        (aside / _ASIDE).rename(final)
    shutil.rmtree(aside, ignore_errors=True)


def _enter(reports: Path, work: Path, used: Used) -> None:
    """Enter a run in the ledger, and keep what is needed to make and to compare it again."""
    for name, sha256 in used.inputs.items():
        kind, _, rest = name.partition(" ")
        path = module_file(rest) if kind == "module" else HOME / rest
        if kind != "folder" and sha256 and path is not None:
            ledger.keep(reports, path.read_bytes())
    results = {}
    for name, sha256 in used.results.items():
        if name not in _UNSTEADY and not name.endswith(".ipynb"):
            results[name] = sha256
            if name.endswith((".csv", ".json")):
                ledger.keep(reports, (work / name).read_bytes())
    about = {name: value for name, value in asdict(used).items() if name not in ("results", "foods")}
    finished = json.loads((work / "provenance.json").read_text(encoding="utf-8"))["finished"]
    releases = {folder: foods.release for folder, foods in used.foods.items()}
    more = {"finished": finished, "fingerprint": used.fingerprint, "releases": releases, "results": results}
    ledger.append(reports, about | more)


def _sweep(reports: Path, name: str) -> None:
    """Remove what a killed run of this name left behind, and put a report back that was just being replaced.

    Whoever holds the lock of the run may do so: nobody else is at it, whatever the clock says.
    """
    sweep_stamps(reports, name)  # first: the folders are what a later sweep would know the run by
    for left in _left_behind(reports):
        if _run_of(left) == name:
            _restore(left, reports / name)


def _left_behind(reports: Path) -> list[Path]:
    return [path for path in reports.glob(".*-*") if path.is_dir()]


def _run_of(left: Path) -> str:
    return left.name[1:].rpartition("-")[0]


def _sweep_all(reports: Path) -> None:
    """Remove what killed runs of any name left behind, unless somebody is at that run."""
    for name in sorted({_run_of(left) for left in _left_behind(reports)}):
        with suppress(BusyError), held(_lock(reports, name), wait=0):
            _sweep(reports, name)
    ledger.sweep(reports)


def run_all(
    runs: Iterable[Run],
    reports: Path,
    *,
    jobs: int | None = None,
    limit: float = LIMIT_SECONDS,
    force: bool = False,
    executor: Executor | None = None,
    report: Callable[[Outcome], None] = lambda outcome: None,
) -> list[Outcome]:
    """Make all reports that are not fresh, in parallel, with a progress bar on standard error, and write the index.

    Parameters
    ----------
    runs : iterable of Run
    reports : Path
        Folder of all reports.
    jobs : int, optional
        How many at a time; the number of cores by default.
    limit, force
        As for :func:`make_report`.
    executor : Executor, optional
        Where they are made; threads of this process by default.
    report : callable, optional
        Told each outcome as it comes.

    Returns
    -------
    list of Outcome
        As they came.
    """
    reports = reports.resolve()
    waiting = list(runs)
    with _writing(reports):
        _sweep_all(reports)
    outcomes: list[Outcome] = []
    with _pool(jobs) if executor is None else nullcontext(executor) as pool:
        futures = [pool.submit(make_report, run, reports, limit=limit, force=force) for run in waiting]
        try:
            shown_bar = None if futures else True  # None: where there is a terminal
            done = as_completed(futures)
            for future in tqdm(done, total=len(futures), desc="reports", unit="run", disable=shown_bar):
                outcomes.append(future.result())
                report(outcomes[-1])
        except BaseException:
            for future in futures:
                future.cancel()
            raise
    with _writing(reports):
        write_index(reports)
    return outcomes


@contextmanager
def _pool(jobs: int | None) -> Iterator[Any]:
    """Give threads of this process; if anything stops them, the kernels that they have begun are ended at once."""
    pool = ThreadPoolExecutor(max_workers=jobs or os.cpu_count() or 1)
    try:
        yield pool
    except BaseException:
        from swaptable.runs.kernels import all_stopped

        with all_stopped():
            pool.shutdown(cancel_futures=True)
        raise
    pool.shutdown()
