"""What several test files share."""

from pathlib import Path

import pytest

from swaptable.foods import FoodRelease, open_release
from swaptable.nutrients import Amounts, compute
from swaptable.recipes import read_recipe
from swaptable.variants import build_grid


@pytest.fixture(scope="session")
def sr28() -> FoodRelease:
    """The embedded food release."""
    return open_release("sr28")


@pytest.fixture
def computed(tmp_path: Path, sr28: FoodRelease):
    """Compute a recipe written in a test."""

    def compute_text(text: str) -> Amounts:
        path = tmp_path / "recipe.yaml"
        path.write_text(text, encoding="utf-8")
        return compute(build_grid(read_recipe(path), sr28))

    return compute_text
