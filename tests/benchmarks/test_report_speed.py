"""What making the reports costs beside as many empty notebooks, executed in the same way.

Run: ``.venv/bin/python -m pytest tests/benchmarks/test_report_speed.py --benchmark-enable``. Each is a command from its
start to its end, two notebooks at a time. Cold: no report is there, no ledger and no stamps. Warm: nothing changed.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from swaptable.basics.folders import DATA
from swaptable.runs.run_files import read_runs

RUNS = [run.name for run in read_runs(DATA / "runs.yaml")][: 2 if os.environ.get("SWAPTABLE_QUICK") else None]
ROUNDS = 2
EMPTY = f"{len(RUNS)} empty notebooks that import pandas, xarray, matplotlib and pint"

pytestmark = pytest.mark.usefixtures("only_when_asked")


@pytest.fixture(scope="module")
def reports(tmp_path_factory) -> Path:
    """The folder of the reports, which the cold ones leave to the warm ones."""
    return tmp_path_factory.mktemp("benchmark") / "reports"


def command(*arguments: object) -> None:
    """Run a command of this Python to its end."""
    line = [sys.executable, *map(str, arguments)]
    done = subprocess.run(line, capture_output=True, text=True, encoding="utf-8")
    assert done.returncode == 0, done.stderr.strip().splitlines()[-1]


def report(folder: Path) -> None:
    """Make the reports that are not up to date."""
    command("-m", "swaptable", "report", *RUNS, "--reports", folder, "--jobs", 2)


@pytest.mark.row(EMPTY)
def test_empty_notebooks(benchmark) -> None:
    """Execute as many notebooks that only import libraries."""
    script = Path(__file__).with_name("empty_notebooks.py")
    benchmark.pedantic(command, args=(script, len(RUNS)), rounds=ROUNDS)


@pytest.mark.row(f"report of {len(RUNS)} runs, cold", against=EMPTY, most=1.3)
def test_cold(benchmark, reports) -> None:
    """Make all reports anew."""
    start_anew = lambda: shutil.rmtree(reports, ignore_errors=True)  # noqa: E731
    benchmark.pedantic(report, args=(reports,), setup=start_anew, rounds=ROUNDS)
    assert all((reports / name / "index.html").is_file() for name in RUNS)


@pytest.mark.row(f"report of {len(RUNS)} runs, warm", most=1.0)
@pytest.mark.row(f"report of {len(RUNS)} runs, warm, against empty notebooks", against=EMPTY)
def test_warm(benchmark, reports) -> None:
    """Find that all are up to date."""
    report(reports)
    before = {path: path.stat().st_mtime_ns for path in reports.glob("*/index.html")}
    benchmark.pedantic(report, args=(reports,), rounds=5)
    assert before == {path: path.stat().st_mtime_ns for path in reports.glob("*/index.html")}
