"""What certainty costs beside the plain computation.

Run: ``.venv/bin/python -m pytest tests/benchmarks/test_certainty_cost.py --benchmark-enable``
"""

import pytest

from swaptable.amounts.certainty import certainty_of
from swaptable.amounts.nutrients import Amounts, compute
from swaptable.amounts.recipes import read_recipe
from swaptable.amounts.variants import Grid, build_grid
from swaptable.basics.folders import find_file
from swaptable.foods.release import open_release

MANY = "title: Many\nservings: 4\ningredients:\n" + "".join(
    f'  i{n}: {{amount: {50 + n} g, food: "sr28:{code}", cook: boiled, liquid: kept}}\n'
    for n, code in enumerate(("11124", "11564", "11080", "11298", "11134", "11141"))
) + "choices:\n" + "".join(
    f"  c{n}:\n    full: as written\n" + "".join(f"    part {p}: {{i{n}: {{amount: {p} g}}}}\n" for p in (10, 20, 30))
    for n in range(6)
)  # fmt: skip


@pytest.fixture(scope="module", params=["18 variants", "4096 variants"])
def grid(request, tmp_path_factory) -> Grid:
    """Build the barley pot, or a recipe of six choices of four options."""
    path = find_file("barley_pot", "recipes", ".yaml")
    if request.param == "4096 variants":
        path = tmp_path_factory.mktemp("many") / "many.yaml"
        path.write_text(MANY, encoding="utf-8")
    return build_grid(read_recipe(path), open_release())


@pytest.mark.row("computing {grid}, every component and basis")
def test_plain_computation(benchmark, grid) -> None:
    """Compute every component of every variant."""
    amounts = benchmark(compute, grid)
    assert isinstance(amounts, Amounts)


@pytest.mark.row("the same with certainty, {grid}", against="computing {grid}, every component and basis")
def test_with_certainty(benchmark, grid) -> None:
    """The same, with standard errors of amounts and differences."""
    certainty = benchmark(lambda: certainty_of(compute(grid)))
    assert float(certainty.error.max()) > 0
