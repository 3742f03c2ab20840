"""What the broadcast sum costs, as ratios to three other ways of doing the same sum, measured in one run.

Run: ``.venv/bin/python -m pytest tests/benchmarks/test_engine_speed.py --benchmark-enable --benchmark-sort=name``

The recipe has binary choices of one ingredient each, one more choice that changes two of them, and five ingredients
that nothing changes; 65 components per serving. The other ways start from the same lines, cooked already:

- ``pandas``: variants × lines merged with lines × components, multiplied, grouped and summed;
- ``matrix``: variants × lines times lines × components;
- ``write``: an array of the size of the result written once, as the broadcast sum of two halves: no way is faster.
"""

import subprocess
import sys
import time
import tracemalloc

import numpy as np
import pandas as pd
import pytest

from swaptable.amounts.dish import dish_of
from swaptable.amounts.nutrients import amounts_table, compute
from swaptable.amounts.recipes import read_recipe
from swaptable.amounts.totals import per_serving, sum_up
from swaptable.amounts.variants import Grid, build_grid
from swaptable.deciding.explore import explore
from swaptable.deciding.yardsticks import Yardstick
from swaptable.foods.release import FoodRelease, open_release

SIZES = (2, 64, 4_096, 1_048_576)
FOODS = ("11124", "11564", "11080", "11298", "11134", "11141", "11352", "11507", "20005", "16052")
FIXED = ("20005", "02047", "04053", "11215", "14429")
SERVINGS = 4
TIMES: dict[tuple[str, int], float] = {}


def recipe_text(variants: int) -> str:
    """Write a recipe of so many variants."""
    count = variants.bit_length() - 1
    text = f"title: Many\nservings: {SERVINGS}\ningredients:\n"
    text += "".join(f'  f{number}: {{amount: 30 g, food: "sr28:{code}"}}\n' for number, code in enumerate(FIXED))
    text += "".join(
        f'  i{n}: {{amount: {50 + n} g, food: "sr28:{FOODS[n % 10]}", cook: boiled, liquid: kept}}\n'
        for n in range(count)
    )
    text += "choices:\n"
    for number in range(count):
        text += f"  c{number}:\n    whole {number}: as written\n    part {number}: {{i{number}: {{amount: 20 g}}"
        text += ", i0: {refuse: 5 %}, i1: {refuse: 5 %}}\n" if number == count - 1 and number > 1 else "}\n"
    return text


@pytest.fixture(scope="module")
def release() -> FoodRelease:
    """SR28, read."""
    release = open_release()
    assert release.matrix.shape[1] > 65
    return release


@pytest.fixture(scope="module")
def grids(release, tmp_path_factory) -> dict[int, Grid]:
    """Build the grid of every size."""
    folder, found = tmp_path_factory.mktemp("many"), {}
    for size in SIZES:
        path = folder / f"{size}.yaml"
        path.write_text(recipe_text(size), encoding="utf-8")
        found[size] = build_grid(read_recipe(path), release)
        assert found[size].combinations == size
    return found


@pytest.fixture(scope="module")
def components(release) -> tuple[str, ...]:
    """Name 65 components, water among them."""
    return tuple(release.components.index[:65])


def presence(grid: Grid, arrays) -> np.ndarray:
    """Tell of every variant which lines it has."""
    whole = np.zeros((grid.combinations, len(arrays.lines)))
    codes = np.indices(grid.sizes).reshape(len(grid.sizes), -1)
    for line, (ingredient, flat) in enumerate(zip(arrays.positions.ingredient, arrays.positions.flat, strict=True)):
        axes, shape = arrays.positions.axes[ingredient], arrays.positions.shapes[ingredient]
        options = np.unravel_index(flat - arrays.positions.starts[ingredient], shape) if axes else ()
        whole[:, line] = np.logical_and.reduce([codes[a] == o for a, o in zip(axes, options, strict=True)] or [True])
    return whole


def timed(benchmark, way: str, size: int, run) -> object:
    """Time one way at one size, and keep the least time for the ratios."""
    benchmark.group = f"{size:,} variants × 65 components"
    result = benchmark.pedantic(run, rounds=3 if way == "pandas" or size > 10_000 else 50, warmup_rounds=1)
    if not benchmark.disabled:
        TIMES[way, size] = benchmark.stats.stats.min
    return result


@pytest.fixture(autouse=True)
def only_when_asked(request) -> None:
    """The ordinary run does not wait for the large sizes."""
    size = request.node.callspec.params.get("size") if hasattr(request.node, "callspec") else None
    if not request.config.getoption("benchmark_enable") and (size is None or size > 64):
        pytest.skip("a measurement; run with --benchmark-enable")


@pytest.mark.parametrize("size", SIZES)
def test_engine(benchmark, grids, components, size) -> None:
    """Sum tables that are made already."""
    dish = dish_of(grids[size], components)
    found = timed(benchmark, "engine", size, lambda: sum_up(dish, scale=1 / SERVINGS).amounts)
    assert found.shape == (65, *grids[size].sizes)


@pytest.mark.parametrize("size", SIZES)
def test_engine_in_single_precision(benchmark, grids, components, size) -> None:
    """The same, as float32."""
    dish = dish_of(grids[size], components)
    found = timed(
        benchmark, "engine, float32", size, lambda: sum_up(dish, dtype=np.float32, scale=1 / SERVINGS).amounts
    )
    assert found.dtype == np.float32


@pytest.mark.parametrize("size", SIZES)
def test_matrix(benchmark, grids, components, size) -> None:
    """Multiply variants × lines by lines × components; water aside the result is the same."""
    grid = grids[size]
    dish = dish_of(grid, components)
    left, right = presence(grid, dish.arrays), dish.arrays.brought[:, dish.layout.chosen] / SERVINGS
    found = timed(benchmark, "matrix", size, lambda: left @ right)
    engine = sum_up(dish, scale=1 / SERVINGS).amounts.reshape(65, -1).T
    others = [place for place, component in enumerate(components) if component != "WATER"]
    np.testing.assert_allclose(found[:, others], np.nan_to_num(engine[:, others]), rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("size", SIZES)
def test_write(benchmark, size) -> None:
    """Write an array of that size once, as a broadcast sum."""
    half = 2 ** ((size.bit_length() - 1) // 2)
    one, other = np.ones((65, half, 1)), np.ones((65, 1, size // half))
    timed(benchmark, "write", size, lambda: np.add(one, other, out=np.empty((65, half, size // half))))


@pytest.mark.parametrize("size", SIZES[:3])  # a million variants would be 1.7 thousand million rows
def test_pandas(benchmark, grids, components, size) -> None:
    """Merge and group long tables."""
    grid = grids[size]
    arrays = dish_of(grid, components).arrays
    variant, line = np.nonzero(presence(grid, arrays))
    variants = pd.DataFrame({"variant": variant, "line": line, "grams": arrays.edible_g[line]})
    values = np.nan_to_num(arrays.values[:, arrays.layout.chosen])
    lines = pd.DataFrame(
        {
            "line": np.repeat(np.arange(len(values)), 65),
            "component": pd.Categorical.from_codes(np.tile(np.arange(65), len(values)), list(components)),
            "value": values.ravel(),
        }
    )

    def run() -> pd.Series:
        both = variants.merge(lines, on="line")
        both["amount"] = both["grams"] * both["value"] / 100 / SERVINGS
        return both.groupby(["variant", "component"], observed=True)["amount"].sum()

    assert len(timed(benchmark, "pandas", size, run)) == 65 * size


def test_ratios(benchmark) -> None:
    """At most twice the writing at a million variants; at least a hundred times as fast as pandas at 4,096."""
    benchmark.pedantic(lambda: None)
    for way in ("pandas", "matrix", "write"):
        for size in SIZES:
            if (way, size) in TIMES:
                print(f"{way} / engine at {size:,}: {TIMES[way, size] / TIMES['engine', size]:.2f}")
    assert TIMES["engine", SIZES[3]] <= 2 * TIMES["write", SIZES[3]]
    assert TIMES["pandas", SIZES[2]] >= 100 * TIMES["engine", SIZES[2]]


@pytest.mark.benchmark(timer=time.process_time)  # other programs do not count
def test_first_table(benchmark, release, tmp_path) -> None:
    """From the file of a recipe of 64 variants to its whole table, all components and bases: under 50 ms."""
    path = tmp_path / "64.yaml"
    path.write_text(recipe_text(64), encoding="utf-8")
    table = benchmark.pedantic(lambda: amounts_table(compute(build_grid(read_recipe(path), release))), rounds=20)
    assert table["amount"].notna().any()
    assert benchmark.stats.stats.min < 0.05


@pytest.mark.benchmark(timer=time.process_time)
def test_loading_the_release(benchmark, release) -> None:
    """Foods, components, values and portions, checked against their hashes: under 0.2 s."""

    def load() -> FoodRelease:
        fresh = FoodRelease(release.folder, release.manifest)
        assert fresh.food("11352").portions
        return fresh

    found = benchmark.pedantic(lambda: load().matrix, rounds=5)
    assert found.shape == release.matrix.shape
    assert benchmark.stats.stats.min < 0.2


@pytest.mark.parametrize("what", ["swaptable", "swaptable, every public name"])
def test_importing(benchmark, what) -> None:
    """At most 1.3 times what pandas and xarray cost by themselves."""
    every = "import swaptable" + ("; [getattr(swaptable, name) for name in swaptable.__all__]" if "," in what else "")

    def least(code: str) -> float:
        timer = f"import time; t = time.perf_counter(); {code}; print(time.perf_counter() - t)"
        runs = (subprocess.run([sys.executable, "-c", timer], capture_output=True, check=True) for _ in range(5))
        return min(float(run.stdout) for run in runs)

    both = least("import pandas, xarray")
    own = benchmark.pedantic(lambda: least(every), rounds=1)
    print(f"{what}: {own:.3f} s; pandas and xarray: {both:.3f} s; ratio {own / both:.2f}")
    assert "," in what or own <= 1.3 * both


def test_memory(benchmark, grids, components) -> None:
    """The result and little beside it; exploring takes no more at a million variants than at four thousand."""
    benchmark.pedantic(lambda: None)
    measures = (Yardstick("NA", "serving", "mg", False), Yardstick("K", "serving", "mg", True))
    explore(grids[64], measures)

    def peak(run) -> float:
        tracemalloc.start()
        start = time.perf_counter()
        run()
        found = tracemalloc.get_traced_memory()[1] / 1e6
        tracemalloc.stop()
        print(f"{found:.0f} MB in {time.perf_counter() - start:.2f} s (traced)")
        return found

    result = 65 * SIZES[3] * 8 / 1e6
    assert peak(lambda: per_serving(grids[SIZES[3]], components)) < 1.25 * result
    assert peak(lambda: per_serving(grids[SIZES[3]], components, np.float32)) < 0.75 * result
    assert peak(lambda: explore(grids[SIZES[3]], measures)) < 150
    peak(lambda: compute(grids[4096]))
