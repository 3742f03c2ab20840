"""What loading the food release costs beside reading its files, and importing the package beside its libraries.

Run: ``.venv/bin/python -m pytest tests/benchmarks/test_release_speed.py --benchmark-enable``
"""

import time

import pandas as pd
import pytest

from swaptable.foods.release import FoodRelease, open_release

READ = {"foods": None, "components": None, "portions": None, "values": ["code", "nutrient_number", "value"]}
BARE_READ = "bare read of the same columns of its Parquet files"
LIBRARIES = "import pandas, xarray"
ROUNDS = 10

pytestmark = pytest.mark.usefixtures("only_when_asked")


@pytest.fixture(scope="module")
def release() -> FoodRelease:
    """SR28."""
    return open_release()


@pytest.mark.row(BARE_READ)
@pytest.mark.benchmark(timer=time.process_time)  # other programs do not count
def test_bare_read(benchmark, release) -> None:
    """Read with pandas alone: no hashes are checked, nothing is looked up."""

    def read() -> list[pd.DataFrame]:
        return [pd.read_parquet(release.folder / f"{name}.parquet", columns=columns) for name, columns in READ.items()]

    foods, *_ = benchmark.pedantic(read, rounds=ROUNDS, warmup_rounds=1)
    assert len(foods) == len(release.foods)


@pytest.mark.row("loading the food release", most=0.2)
@pytest.mark.row("loading the food release", against=BARE_READ)
@pytest.mark.benchmark(timer=time.process_time)
def test_loading_the_release(benchmark, release) -> None:
    """Foods, components, values as a matrix, and portions, checked against their hashes."""

    def load() -> FoodRelease:
        fresh = FoodRelease(release.folder, release.manifest)
        assert fresh.food("11352").portions
        assert fresh.matrix.size
        return fresh

    found = benchmark.pedantic(load, rounds=ROUNDS, warmup_rounds=1)
    assert found.matrix.shape == release.matrix.shape


@pytest.mark.row(LIBRARIES)
def test_importing_libraries(kept, apart) -> None:
    """Import what the package rests on."""
    kept(lambda: apart("import pandas, xarray"), ROUNDS)


@pytest.mark.row("import swaptable", against=LIBRARIES, most=1.3)
def test_importing(kept, apart) -> None:
    """Import the package alone."""
    kept(lambda: apart("import swaptable"), ROUNDS)


@pytest.mark.row("import swaptable and every public name", against=LIBRARIES)
def test_importing_all(kept, apart) -> None:
    """Import the package and load all that it offers to notebooks."""
    kept(lambda: apart("import swaptable\nfor name in swaptable.__all__:\n    getattr(swaptable, name)"), ROUNDS)
