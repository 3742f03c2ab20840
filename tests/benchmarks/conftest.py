"""What the benchmarks share: the rows of their table (``table.py``), and measuring in a process of its own.

A benchmark says by marks ``row`` what it measures, with what that is compared and what is aimed at::

    @pytest.mark.row("engine, {size:,} variants", against="pandas, {size:,} variants", most=0.01)

Fields in braces are the test's parameters. ``against`` is what another mark names; ``most`` is the aim: of the ratio,
or of the measure itself where it is compared with nothing. ``unit`` is ``s`` (the least time of all rounds) or ``MB``.
A benchmark without a mark is a row under its own name. An aim is never asserted, since a busy machine would miss it.
"""

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

Numbers = dict[str, float]
_APART = """
import json, sys, time
from pathlib import Path
sys.path.insert(0, {here!r})
{before}
told = {{}}
start = time.perf_counter()
{code}
seconds = time.perf_counter() - start
status = Path("/proc/self/status")  # unlike the peak that getrusage gives, it does not count the parent's
lines = status.read_text().splitlines() if status.exists() else []
peak = {{"MB": int(line.split()[1]) * 1024 / 1e6 for line in lines if line.startswith("VmHWM")}}
print(json.dumps({{"s": seconds, **peak, **told}}))
"""


def pytest_configure(config: pytest.Config) -> None:
    """Make the mark known."""
    config.addinivalue_line("markers", "row(what, against='', most=None, unit='s'): a row of the table of benchmarks")


def pytest_itemcollected(item: pytest.Item) -> None:
    """Put a benchmark's rows into its test reports, so that one that is skipped has them too."""
    if "benchmark" in getattr(item, "fixturenames", ()):
        item.user_properties.append(("rows", _rows_of(item)))


def _rows_of(item: pytest.Item) -> list[dict[str, object]]:
    given = {"name": item.name} | (item.callspec.params if hasattr(item, "callspec") else {})

    def row(what: str, against: str = "", most: float | None = None, unit: str = "s") -> dict[str, object]:
        return {"what": what.format(**given), "against": against.format(**given), "most": most, "unit": unit}

    marks = reversed(list(item.iter_markers("row")))  # pytest gives the lowest first
    return [row(*mark.args, **mark.kwargs) for mark in marks] or [row("{name}")]


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_call(item: pytest.Item) -> None:
    """Put a benchmark's rows beside its times."""
    if "benchmark" in getattr(item, "funcargs", {}):
        item.funcargs["benchmark"].extra_info.update(item.user_properties)


@pytest.fixture
def only_when_asked(request: pytest.FixtureRequest) -> None:
    """Leave the measurement out of the ordinary run."""
    if not request.config.getoption("benchmark_enable"):
        pytest.skip("a measurement; run with --benchmark-enable")


@pytest.fixture
def kept(benchmark) -> Callable[..., Numbers]:
    """Measure what gives its own numbers (``s``, ``MB``), and keep the least time and the largest memory."""

    def keep(run: Callable[[], Numbers], rounds: int = 1) -> Numbers:
        found: list[Numbers] = []
        benchmark.pedantic(lambda: found.append(run()), rounds=rounds)
        numbers = {name: (max if name == "MB" else min)(each[name] for each in found) for name in found[0]}
        benchmark.extra_info.update(numbers)
        return numbers

    return keep


@pytest.fixture(scope="session")
def apart() -> Callable[..., Numbers]:
    """Run code in a process of its own: its seconds, its peak memory (Linux), and what it puts into ``told``."""

    def run(code: str, before: str = "") -> Numbers:
        program = _APART.format(here=str(Path(__file__).parent), before=before, code=code)
        done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, encoding="utf-8")
        assert done.returncode == 0, done.stderr.strip().splitlines()[-1]
        return json.loads(done.stdout.splitlines()[-1])

    return run
