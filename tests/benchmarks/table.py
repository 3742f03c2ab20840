"""Take all benchmarks in one run and print them as one table.

Run: ``.venv/bin/python tests/benchmarks/table.py`` (``--quick``: small sizes, to see that it works). Progress goes to
standard error. Set SWAPTABLE_FNDDS to the folder of the published FNDDS files for the survey. The full run needs a
machine that does nothing else for a while, and writes a download of 3 GB, which it deletes again. It ends with 1 if a
measurement failed; a missed aim is told in the table only.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
import tempfile
from collections.abc import Iterator
from contextlib import redirect_stdout
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest

FULL_DOWNLOAD = 27_000_000  # values of a whole FoodData Central, about
HEAD = ("what", "measured", "against", "ratio", "target", "met?")


@dataclass(frozen=True)
class Measurement:
    """A benchmark: its rows, why it has no numbers (empty if it has), its numbers by unit, and what clock it used."""

    rows: list[dict[str, Any]]
    why_not: str
    numbers: dict[str, float] = field(default_factory=dict)
    clock: str = ""


NOWHERE = Measurement([], "there is no such benchmark")


class Ended:
    """Listens to pytest: how every benchmark ended, in order."""

    def __init__(self) -> None:
        self.tests: dict[str, tuple[list[dict[str, Any]], str]] = {}

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Remember the rows of a benchmark, and why it has no numbers."""
        properties = dict(report.user_properties)
        if "rows" in properties and (report.when == "call" or not report.passed):
            self.tests[report.nodeid] = properties["rows"], _why_not(report)


def _why_not(report: pytest.TestReport) -> str:
    if report.passed:
        return ""
    if report.skipped and isinstance(report.longrepr, tuple):
        return f"not measured: {report.longrepr[2].removeprefix('Skipped: ')}"
    crash = getattr(report.longrepr, "reprcrash", None)
    said = crash.message if crash else str(report.longrepr)
    return f"failed: {said.splitlines()[0].removeprefix('AssertionError: ')}"


def measure() -> tuple[list[Measurement], int]:
    """Run all benchmarks once; give them in order, and how pytest ended."""
    ended = Ended()
    with tempfile.TemporaryDirectory() as folder, redirect_stdout(sys.stderr):
        path = Path(folder) / "benchmarks.json"
        places = [str(Path(__file__).parent), f"--basetemp={folder}/pytest", f"--benchmark-json={path}"]
        options = ["--benchmark-enable", "--benchmark-quiet", "-v", "-p", "no:cacheprovider"]
        code = pytest.main([*places, *options], plugins=[ended])
        text = path.read_text(encoding="utf-8") if path.exists() else ""
    taken = {each["fullname"]: each for each in json.loads(text or '{"benchmarks": []}')["benchmarks"]}
    found = [
        Measurement(rows, why_not, *(() if why_not else _numbers(taken[name])))
        for name, (rows, why_not) in ended.tests.items()
    ]
    return found, int(code)


def _numbers(taken: dict[str, Any]) -> tuple[dict[str, float], str]:
    """Give a benchmark's own numbers, else the least time of its rounds; and what clock that is."""
    own = {unit: taken["extra_info"][unit] for unit in ("s", "MB") if unit in taken["extra_info"]}
    clock = " of processor" if taken["options"]["timer"] == "process_time" else ""
    return {"s": taken["stats"]["min"] / taken["extra_info"].get("calls", 1), **own}, clock


def shown(value: float, unit: str) -> str:
    """Give a measure in three digits.

    Examples
    --------
    >>> shown(0.01234, "s"), shown(75.0, "s"), shown(682.3, "MB"), shown(4521.0, "MB")
    ('12.3 ms', '75 s', '682 MB', '4.52 GB')
    """
    steps = (("s", 1.0), ("ms", 1e-3), ("µs", 1e-6)) if unit == "s" else (("GB", 1e3), ("MB", 1.0))
    name, size = next((step for step in steps if value >= step[1]), steps[-1])
    return f"{_digits(value / size)} {name}"


def _digits(number: float) -> str:
    return f"{number:.0f}" if number >= 100 else f"{number:.3g}"


def lines(found: list[Measurement]) -> Iterator[tuple[str, ...]]:
    """Give the rows of the table; what others are compared with has none of its own, unless it says so."""
    named = {row["what"]: each for each in found for row in each.rows}
    yardsticks = {row["against"] for each in found for row in each.rows}
    for each in found:
        for row in each.rows:
            if row["against"] or row["most"] is not None or row["what"] not in yardsticks:
                yield _line(row, each, named.get(row["against"], NOWHERE))


def _line(row: dict[str, Any], own: Measurement, other: Measurement) -> tuple[str, ...]:
    unit, most, against = row["unit"], row["most"], row["against"]
    value, compared, ratio = own.numbers.get(unit), "", ""
    if against:
        compared = f"{against} ({_told(other, unit)})"
        value = value / other.numbers[unit] if value is not None and unit in other.numbers else None
        ratio = "" if value is None else _digits(value)
    target = "" if most is None else f"≤ {_digits(most) if against else shown(most, unit)}"
    met = "" if most is None else "not measured" if value is None else "yes" if value <= most else "no"
    return row["what"], _told(own, unit), compared, ratio, target, met


def _told(each: Measurement, unit: str) -> str:
    if unit in each.numbers:
        return shown(each.numbers[unit], unit) + (each.clock if unit == "s" else "")
    return each.why_not or "not measured on this system"


def machine(load: str) -> str:
    """Say on what the run was taken."""
    packages = ", ".join(f"{name} {version(name)}" for name in ("numpy", "pandas", "pyarrow", "xarray", "papermill"))
    system = f"{platform.system()} {platform.machine()}, {os.cpu_count()} cores, load before {load}"
    return f"{system}; Python {platform.python_version()}, {packages}."


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="small sizes, to see that it works")
    if parser.parse_args().quick:
        os.environ["SWAPTABLE_QUICK"] = "1"
    else:
        os.environ.setdefault("SWAPTABLE_FDC_VALUES", str(FULL_DOWNLOAD))
    sys.stdout.reconfigure(encoding="utf-8")  # a Windows console knows no ≤
    load = f"{os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "unknown"
    found, code = measure()
    print(f"{machine(load)} One run; of every measurement the least of its rounds; ratio = measured ÷ against.\n")
    for line in (HEAD, ("---",) * len(HEAD), *lines(found)):
        print("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |")
    return code


if __name__ == "__main__":
    sys.exit(main())
