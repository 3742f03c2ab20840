"""What the broadcast sum costs beside three other ways of doing the same sum.

Run: ``.venv/bin/python -m pytest tests/benchmarks/test_engine_speed.py --benchmark-enable``

The recipe has binary choices of one ingredient each, one more choice that changes two of them, and five ingredients
that nothing changes; 65 components per serving. The other ways start from the same lines, cooked already:

- ``pandas``: variants × lines merged with lines × components, multiplied, grouped and summed; in blocks of 4,096
  variants, since a million in one would be 1.7 thousand million rows;
- ``matrix``: variants × lines times lines × components;
- ``write``: an array of the size of the result written once, as the broadcast sum of two halves: no way is faster.
"""

import os
import time
import tracemalloc
from collections.abc import Callable
from itertools import pairwise

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
BLOCK = 4_096
AIMS = {("write", 1_048_576): 2, ("pandas", 4_096): 0.01}  # twice the writing; a hundred times as fast as pandas


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


def rounds(size: int) -> dict[str, int]:
    """Say how often a size is measured."""
    return {"rounds": 3 if size > 10_000 else 50, "warmup_rounds": 1}


@pytest.fixture(autouse=True)
def only_what_is_asked(request) -> None:
    """The ordinary run does not wait for the large sizes, nor the quick table for the largest."""
    size = request.node.callspec.params.get("size") if hasattr(request.node, "callspec") else None
    if not request.config.getoption("benchmark_enable") and (size is None or size > 64):
        pytest.skip("a measurement; run with --benchmark-enable")
    if size == SIZES[-1] and os.environ.get("SWAPTABLE_QUICK"):
        pytest.skip("too large for the quick table")


def compared(size: int):
    """Give a size, with the rows in which the engine is compared with the other ways."""
    row, what = pytest.mark.row, f"engine, {size:,} variants"
    ways = ("write", "matrix", "pandas")  # marks are read from the last
    marks = [row(what, against=f"{way}, {size:,} variants", most=AIMS.get((way, size))) for way in ways]
    return pytest.param(size, marks=marks)


@pytest.mark.parametrize("size", [compared(size) for size in SIZES])
def test_engine(benchmark, grids, components, size) -> None:
    """Sum tables that are made already."""
    dish = dish_of(grids[size], components)
    found = benchmark.pedantic(lambda: sum_up(dish, scale=1 / SERVINGS).amounts, **rounds(size))
    assert found.shape == (65, *grids[size].sizes)


@pytest.mark.row("engine in single precision, {size:,} variants", against="engine, {size:,} variants")
@pytest.mark.parametrize("size", SIZES)
def test_engine_in_single_precision(benchmark, grids, components, size) -> None:
    """The same, as float32."""
    dish = dish_of(grids[size], components)
    found = benchmark.pedantic(lambda: sum_up(dish, dtype=np.float32, scale=1 / SERVINGS).amounts, **rounds(size))
    assert found.dtype == np.float32


@pytest.mark.row("matrix, {size:,} variants")
@pytest.mark.parametrize("size", SIZES)
def test_matrix(benchmark, grids, components, size) -> None:
    """Multiply variants × lines by lines × components; water aside the result is the same."""
    grid = grids[size]
    dish = dish_of(grid, components)
    left, right = presence(grid, dish.arrays), dish.arrays.brought[:, dish.layout.chosen] / SERVINGS
    found = benchmark.pedantic(lambda: left @ right, **rounds(size))
    engine = sum_up(dish, scale=1 / SERVINGS).amounts.reshape(65, -1).T
    others = [place for place, component in enumerate(components) if component != "WATER"]
    np.testing.assert_allclose(found[:, others], np.nan_to_num(engine[:, others]), rtol=1e-9, atol=1e-9)


def halves(size: int) -> tuple[np.ndarray, np.ndarray]:
    """Give two small arrays whose broadcast sum has the size of the result."""
    half = 2 ** ((size.bit_length() - 1) // 2)
    return np.ones((65, half, 1)), np.ones((65, 1, size // half))


@pytest.mark.row("write, {size:,} variants")
@pytest.mark.parametrize("size", SIZES)
def test_write(benchmark, size) -> None:
    """Write an array of that size once."""
    one, other = halves(size)
    assert benchmark.pedantic(lambda: one + other, **rounds(size)).size == 65 * size


@pytest.mark.row("pandas, {size:,} variants")
@pytest.mark.parametrize("size", SIZES)
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
    starts = np.searchsorted(variant, np.arange(0, size + BLOCK, BLOCK))
    blocks = [variants.iloc[start:end] for start, end in pairwise(starts)]

    def summed(block: pd.DataFrame) -> int:
        both = block.merge(lines, on="line")
        both["amount"] = both["grams"] * both["value"] / 100 / SERVINGS
        return len(both.groupby(["variant", "component"], observed=True)["amount"].sum())

    often = {"rounds": 1 if len(blocks) > 1 else 3, "warmup_rounds": int(len(blocks) == 1)}
    assert benchmark.pedantic(lambda: sum(map(summed, blocks)), **often) == 65 * size


@pytest.mark.row("first table: from the file of 64 variants to all components and bases", most=0.05)
@pytest.mark.benchmark(timer=time.process_time)  # other programs do not count
def test_first_table(benchmark, release, tmp_path) -> None:
    """From the file of a recipe of 64 variants to its whole table."""
    path = tmp_path / "64.yaml"
    path.write_text(recipe_text(64), encoding="utf-8")
    table = benchmark.pedantic(lambda: amounts_table(compute(build_grid(read_recipe(path), release))), rounds=20)
    assert table["amount"].notna().any()


def peak(run: Callable[[], object]) -> dict[str, float]:
    """Give the most memory that Python and numpy hold at a time beyond what they held."""
    tracemalloc.start()
    try:
        run()
        return {"MB": tracemalloc.get_traced_memory()[1] / 1e6}
    finally:
        tracemalloc.stop()


@pytest.mark.row("write, {size:,} variants: peak memory", unit="MB")
@pytest.mark.parametrize("size", SIZES[2:])
def test_memory_of_writing(kept, size) -> None:
    """The result alone."""
    one, other = halves(size)
    kept(lambda: peak(lambda: one + other))


@pytest.mark.row(
    "engine, {size:,} variants: peak memory", against="write, {size:,} variants: peak memory", most=1.25, unit="MB"
)
@pytest.mark.parametrize("size", SIZES[2:])
def test_memory(kept, grids, components, size) -> None:
    """The result and little beside it."""
    kept(lambda: peak(lambda: per_serving(grids[size], components)))


@pytest.mark.row(
    "engine in single precision, {size:,} variants: peak memory",
    against="write, {size:,} variants: peak memory",
    most=0.75,
    unit="MB",
)
@pytest.mark.parametrize("size", SIZES[2:])
def test_memory_in_single_precision(kept, grids, components, size) -> None:
    """Half the result and little beside it."""
    kept(lambda: peak(lambda: per_serving(grids[size], components, np.float32)))


@pytest.mark.row("explore, {size:,} variants: peak memory", most=150, unit="MB")
@pytest.mark.parametrize("size", SIZES[2:])
def test_memory_of_exploring(kept, grids, size) -> None:
    """No more at a million variants than at four thousand."""
    measures = (Yardstick("NA", "serving", "mg", False), Yardstick("K", "serving", "mg", True))
    explore(grids[64], measures)
    kept(lambda: peak(lambda: explore(grids[size], measures)))


@pytest.mark.row("compute, {size:,} variants, every component and basis: peak memory", unit="MB")
@pytest.mark.parametrize("size", SIZES[2:3])  # it lists its variants, at most 100,000
def test_memory_of_computing(kept, grids, size) -> None:
    """Amounts with labels and shares of what is known."""
    kept(lambda: peak(lambda: compute(grids[size])))
