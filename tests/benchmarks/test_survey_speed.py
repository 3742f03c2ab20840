"""What a second worker saves in a survey, and what memory it takes.

Run: ``.venv/bin/python -m pytest tests/benchmarks/test_survey_speed.py --benchmark-enable`` with SWAPTABLE_FNDDS set to
the folder of the published FNDDS files. Recipes and rules are those of ``cost_curve.py``, which has the whole curve.
"""

import os
from collections.abc import Callable

import pytest

FNDDS = os.environ.get("SWAPTABLE_FNDDS", "")
COUNT = 500 if os.environ.get("SWAPTABLE_QUICK") else 6_773
ONE, TWO = (f"survey of {COUNT:,} recipes × 64 variants, {workers}" for workers in ("1 worker", "2 workers"))
MEMORY = "{}: peak memory of all processes"
ROUNDS = 2

pytestmark = [
    pytest.mark.usefixtures("only_when_asked"),
    pytest.mark.skipif(not FNDDS, reason="SWAPTABLE_FNDDS does not name the folder of the published FNDDS files"),
]


@pytest.fixture
def survey(apart) -> Callable[[int], dict[str, float]]:
    """Compute the recipes with so many workers; reading them does not count."""
    before = (
        "from cost_curve import Dish, measured, read_collection\n"
        f"dishes = tuple(item for item in read_collection({FNDDS!r}).items if isinstance(item, Dish))"
    )

    def run(workers: int) -> dict[str, float]:
        code = f"cost = measured(dishes, {COUNT}, {workers})\ntold = dict(s=cost.wall, MB=cost.memory / 1e6)"
        return apart(code, before)

    return run


@pytest.mark.row(ONE)
@pytest.mark.row(MEMORY.format(ONE), unit="MB")
def test_one_worker(kept, survey) -> None:
    """One worker, beside the process that hands out the work."""
    assert kept(lambda: survey(1), ROUNDS)["s"] > 0


@pytest.mark.row(TWO, most=20)
@pytest.mark.row(f"{TWO}, against one", against=ONE, most=1 / 1.8)
@pytest.mark.row(MEMORY.format(TWO), most=2_000, unit="MB")
def test_two_workers(kept, survey) -> None:
    """Two workers."""
    assert kept(lambda: survey(2), ROUNDS)["s"] > 0
