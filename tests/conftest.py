"""What several test files share."""

import re
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from swaptable.errors import InputError
from swaptable.foods import FoodRelease, open_release
from swaptable.nutrients import Amounts, compute
from swaptable.pairs import find_pairs, pair_values
from swaptable.recipes import read_recipe
from swaptable.validation import held_out
from swaptable.variants import build_grid


@pytest.fixture(scope="session")
def sr28() -> FoodRelease:
    """The embedded food release."""
    return open_release("sr28")


@pytest.fixture(scope="session")
def pairs(sr28: FoodRelease) -> pd.DataFrame:
    """The raw and cooked entries of one food."""
    return find_pairs(sr28)


@pytest.fixture(scope="session")
def evidence_values(sr28: FoodRelease, pairs: pd.DataFrame) -> pd.DataFrame:
    """Their values that count as evidence."""
    return pair_values(sr28, pairs)


@pytest.fixture(scope="session")
def held_out_errors(evidence_values: pd.DataFrame) -> pd.DataFrame:
    """Every value predicted once: five folds of families, one dealing out. The full ten by three takes minutes."""
    return held_out(evidence_values, folds=5, seeds=[1])


@pytest.fixture
def computed(tmp_path: Path, sr28: FoodRelease):
    """Compute a recipe written in a test."""

    def compute_text(text: str) -> Amounts:
        path = tmp_path / "recipe.yaml"
        path.write_text(text, encoding="utf-8")
        return compute(build_grid(read_recipe(path), sr28))

    return compute_text


@pytest.fixture
def refused(tmp_path: Path) -> Callable[..., InputError]:
    """Write a marked file, expect it to be refused where the mark is, and give the error."""

    def refuse(marked: str, message: str, reader: Callable[[Path], object] = read_recipe) -> InputError:
        at = marked.index("«")
        place = (marked.count("\n", 0, at) + 1, at - marked.rfind("\n", 0, at))
        path = tmp_path / "wrong.yaml"
        path.write_text(marked.replace("«", ""), encoding="utf-8")
        with pytest.raises(InputError, match=re.escape(message)) as caught:
            reader(path)
        error = caught.value
        assert (error.file, error.line, error.column) == (str(path), *place), str(error)
        assert str(error).startswith(f"{path}:{place[0]}:{place[1]}: ")
        assert "\n" not in str(error)
        return error

    return refuse
