"""What a food search costs: reading a release's descriptions once (aim 0.3 s), then a query (aim 10 ms).

Run: ``.venv/bin/python -m pytest tests/benchmarks/test_search_speed.py --benchmark-enable``
"""

import csv
from pathlib import Path

import pytest

from swaptable.foods.release import FoodRelease, open_release
from swaptable.foods.search import find_foods
from swaptable.foods.search_index import search_index

QUERIES = Path(__file__).parents[1] / "data" / "food_queries.csv"


@pytest.fixture(scope="module")
def release() -> FoodRelease:
    """SR28 with its foods table read."""
    release = open_release()
    assert len(release.foods) > 8000
    return release


@pytest.mark.row("search: reading the descriptions of a release", most=0.3)
def test_reading_the_descriptions(benchmark, release) -> None:
    """Build the index anew each time."""
    index = benchmark.pedantic(search_index.__wrapped__, args=(release,), rounds=3)
    assert len(index.codes) == len(release.foods)


@pytest.mark.row("search: one query, {spelling} (mean over a list of them)", most=0.01)
@pytest.mark.parametrize("spelling", ["spelt right", "two letters swapped"])
def test_queries(benchmark, release, spelling) -> None:
    """Answer every query of the list; the table divides by their number."""
    with QUERIES.open(encoding="utf-8", newline="") as stream:
        queries = [row["query"] for row in csv.DictReader(stream)]
    if spelling != "spelt right":
        queries = [query[:1] + query[2:3] + query[1:2] + query[3:] for query in queries]
    found = benchmark(lambda: [find_foods(query, release) for query in queries])
    benchmark.extra_info["calls"] = len(queries)
    assert len(found) == len(queries)
