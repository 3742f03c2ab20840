"""The house keeps its shape: modules import one way, names resolve, notebooks hold no logic."""

import ast
import re
from pathlib import Path

import pytest

import swaptable

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "helpers" / "swaptable"


def order_in_the_map() -> list[str]:
    """Read the order of modules from the map in DEVELOPERS.md."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    return re.findall(r"^\| `(\w+)` \|", text, re.M)


def imports_of(module: Path) -> set[str]:
    """Name the package's own modules that a module imports, also inside functions."""
    names = set()
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("swaptable."):
            names.add(node.module.split(".")[1])
    return names


def test_the_map_names_every_module():
    """DEVELOPERS.md lists each module of the package once, and no other."""
    modules = {path.stem for path in PACKAGE.glob("*.py")} - {"__init__", "__main__"}
    order = order_in_the_map()
    assert sorted(order) == sorted(modules)


@pytest.mark.parametrize("module", order_in_the_map())
def test_a_module_imports_only_from_above(module):
    """A module imports only from modules that stand above it in the map."""
    order = order_in_the_map()
    above = set(order[: order.index(module)])
    assert imports_of(PACKAGE / f"{module}.py") <= above


def test_public_names_resolve():
    """Every name that the package promises is there and has a docstring."""
    for name in swaptable.__all__:
        assert getattr(swaptable, name).__doc__, name


@pytest.mark.parametrize("module", order_in_the_map())
def test_modules_promise_what_they_have(module):
    """Every name in a module's __all__ is defined in it."""
    loaded = __import__(f"swaptable.{module}", fromlist=["__all__"])
    assert [name for name in loaded.__all__ if not hasattr(loaded, name)] == []


def test_top_level_is_the_plan():
    """Nothing but the planned folders and files stands at the top."""
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "notebooks", "helpers", "data", "tests", "reports"}
    found = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert found <= allowed
