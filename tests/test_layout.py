"""The house keeps its shape: modules import one way, names resolve, notebooks hold no logic."""

import ast
import inspect
import re
from importlib import import_module
from pathlib import Path

import pytest

import swaptable

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "helpers" / "swaptable"


def order_in_the_map() -> list[str]:
    """Read the rooms and their modules from the map in DEVELOPERS.md, such as ``amounts.cooking``, in its order."""
    room, order = "", []
    for heading, row in re.findall(r"^### `(\w+)`|^\| `(\w+)` \|", _MAP.read_text(encoding="utf-8"), re.M):
        room = heading or room
        if row:
            order.append(row if room == "commands" else f"{room}.{row}")
    return order


_MAP = ROOT / "DEVELOPERS.md"
MODULES = [name for name in order_in_the_map() if name != "commands"]


def file_of(module: str) -> Path:
    """Give the file of a module of the map."""
    return PACKAGE.joinpath(*module.split(".")).with_suffix(".py")


def imports_of(file: Path) -> set[str]:
    """Name the modules of the map that a file imports, also inside functions."""
    names = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").partition(".")[0] == "swaptable":
            full = [f"{node.module}.{alias.name}" for alias in node.names]
            found = [node.module] if file_of(node.module.partition(".")[2]).is_file() else full
            names |= {name.partition(".")[2] for name in found}
    return names


def test_the_map_names_every_module():
    """DEVELOPERS.md lists each module of every room once, the folder of commands and the command line, and no other."""
    files = [file.relative_to(PACKAGE).with_suffix("") for file in PACKAGE.rglob("*.py")]
    known = {".".join(file.parts) for file in files if not file.name.startswith("__") and file.parts[0] != "commands"}
    assert sorted(order_in_the_map()) == sorted(known | {"commands"})


@pytest.mark.parametrize("file", sorted(PACKAGE.rglob("*.py")), ids=lambda file: str(file.relative_to(PACKAGE)))
def test_what_one_has_to_read_at_once_is_short(file):
    """No module is longer than 400 lines, and no function than 40 without its docstring."""
    text = file.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 400
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef):
            first = node.body[1 if ast.get_docstring(node) and len(node.body) > 1 else 0]
            assert node.end_lineno - first.lineno < 40, node.name


@pytest.mark.parametrize("module", MODULES)
def test_a_module_imports_only_from_above(module):
    """A module imports only from rooms above its own, and in its room only from modules above it."""
    order = order_in_the_map()
    above = set(order[: order.index(module)])
    found = {"commands" if name.startswith("commands.") else name for name in imports_of(file_of(module))}
    assert found <= above


@pytest.mark.parametrize("room", sorted({name.partition(".")[0] for name in MODULES if "." in name}))
def test_a_room_says_what_it_is_for(room):
    """The sentence of a room in the map is that of its ``__init__``, and it holds nothing else."""
    tree = ast.parse((PACKAGE / room / "__init__.py").read_text(encoding="utf-8"))
    assert len(tree.body) == 1
    assert f"### `{room}`\n\n{ast.get_docstring(tree)}\n" in _MAP.read_text(encoding="utf-8")


def test_public_names_resolve():
    """Every name that the package promises is there and has a docstring."""
    for name in swaptable.__all__:
        assert getattr(swaptable, name).__doc__, name


@pytest.mark.parametrize("file", sorted(PACKAGE.rglob("*.py")), ids=lambda file: f"{file.parent.name}.{file.stem}")
def test_modules_promise_what_they_have(file):
    """Every name in a module's __all__ is defined in it."""
    if file.stem == "__main__":
        return
    name = ".".join(file.relative_to(PACKAGE.parent).with_suffix("").parts)
    loaded = import_module(name.removesuffix(".__init__"))
    assert [name for name in getattr(loaded, "__all__", ()) if not hasattr(loaded, name)] == []


def test_top_level_is_the_plan():
    """Nothing but the planned folders and files stands at the top."""
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "notebooks", "helpers", "data", "tests", "reports"}
    found = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert found <= allowed


@pytest.mark.parametrize("name", swaptable.__all__)
def test_a_public_name_is_described(name):
    """What a notebook imports says what it takes and gives, and shows it in an example that runs."""
    found = getattr(swaptable, name)
    text = inspect.getdoc(found)
    wanted = ["Parameters"] if inspect.signature(found).parameters else []
    wanted += ["Examples"] if inspect.isclass(found) else ["Returns", "Examples"]
    sections = dict(re.findall(r"^(\w+)\n-+\n(.*?)(?=^\w+\n-+\n|\Z)", text, re.M | re.S))
    assert [section for section in wanted if section not in sections] == []
    described = re.findall(r"^(\w.*?)(?: : .*)?$", sections.get("Parameters", ""), re.M)
    named = [word for words in described for word in words.split(", ")]
    assert sorted(named) == sorted(inspect.signature(found).parameters)
    assert re.search("^>>> (?!import)", sections["Examples"], re.M)
