"""Runs files: parameters are checked, at their place, before anything runs."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from swaptable.basics.errors import InputError
from swaptable.basics.folders import DATA
from swaptable.runs.run_files import Parameter, Run, effective_parameters, notebook_parameters, read_runs

ONE_RUN = "run:\n  notebook: tiny\n  parameters: {%s}\n"


# Parameters that a notebook declares


def test_declared_parameters_are_read(tiny: Path) -> None:
    """Every parameter is read with its type and default, without executing the notebook."""
    found = notebook_parameters(tiny)
    assert list(found) == ["word", "count", "share", "loud", "names", "trouble", "wait_for", "output"]
    assert found["word"] == Parameter("word", "str", "first")
    assert found["names"] == Parameter("names", "list[str]", [])
    assert (found["share"].default, found["loud"].default) == (0.5, False)


@pytest.mark.parametrize(("tagged", "count"), [((), 0), ((0, 1), 2)], ids=["no cell", "two cells"])
def test_exactly_one_cell_of_parameters(
    tmp_path: Path, tagged: tuple[int, ...], count: int, make_notebook: Callable[..., Path]
) -> None:
    """Without a tagged cell, or with two, values given would be overwritten, so the notebook is refused."""
    path = make_notebook(tmp_path / "book.ipynb", "a: int = 1", "b: int = 2", tagged=tagged)
    with pytest.raises(
        InputError, match=rf"book\.ipynb: found {count} cells tagged 'parameters'; expected exactly one"
    ):
        notebook_parameters(path)


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ("a: float = 1.0\nb: float = a * 2", "b: float = a * 2"),
        ("a: int = int('3')", "a: int = int('3')"),
        ("a = 1", "a = 1"),
        ("a: int", "a: int"),
        ("import os", "import os"),
        ("a.b: int = 1", "a.b: int = 1"),
        ("print('x')", "print('x')"),
    ],
    ids=["derived", "call", "no type", "no value", "import", "attribute", "action"],
)
def test_parameters_are_literals_with_a_type(
    tmp_path: Path, source: str, found: str, make_notebook: Callable[..., Path]
) -> None:
    """A derived value would keep its default when its source changes, so only annotated literals are allowed."""
    path = make_notebook(tmp_path / "book.ipynb", source)
    with pytest.raises(InputError, match=re.escape(f"found '{found}'; expected 'name: type = literal'")) as caught:
        notebook_parameters(path)
    assert caught.value.field == "parameters"


@pytest.mark.parametrize(
    "source", ["a: int = = 1", "%matplotlib inline\na: int = 1", "a: int = (1"], ids=["typo", "magic", "open"]
)
def test_parameters_that_are_no_python(tmp_path: Path, source: str, make_notebook: Callable[..., Path]) -> None:
    """A cell of parameters that Python cannot read is refused as a wrong notebook."""
    path = make_notebook(tmp_path / "book.ipynb", source)
    with pytest.raises(InputError, match=r"book\.ipynb.*parameters") as caught:
        notebook_parameters(path)
    assert source.splitlines()[0] in str(caught.value)


@pytest.mark.parametrize(
    "content",
    [b"hello", b"{}", b"[1]", b'{"cells": null}', b'{"cells": "abc"}', b"\xff\xfe", b'{"cells": [{"metadata": null}]}'],
    ids=["text", "no cells", "list", "null cells", "text cells", "not UTF-8", "null metadata"],
)
def test_file_that_is_no_notebook(tmp_path: Path, content: bytes) -> None:
    """A file that is not a notebook is refused by name, whatever is in it."""
    path = tmp_path / "book.ipynb"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"book\.ipynb: "):
        notebook_parameters(path)


def test_notebook_that_is_not_there(tmp_path: Path) -> None:
    """A missing notebook is refused by name."""
    with pytest.raises(InputError, match=r"none\.ipynb: is not a notebook"):
        notebook_parameters(tmp_path / "none.ipynb")


# The runs file


@pytest.fixture
def runs_file(tmp_path: Path, tiny: Path) -> Callable[[str], Path]:
    """Write a runs file for the tiny notebook."""

    def write(text: str) -> Path:
        path = tmp_path / "runs.yaml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


@pytest.mark.parametrize(
    ("written", "values"),
    [
        ("", {}),
        ("word: 12", {"word": "12"}),
        ("word: no", {"word": "no"}),
        ("count: 12", {"count": 12}),
        ("share: 0.25", {"share": 0.25}),
        ("loud: true", {"loud": True}),
        ("loud: false", {"loud": False}),
        ("names: [a, 1]", {"names": ["a", "1"]}),
        ("names: []", {"names": []}),
    ],
)
def test_values_get_the_declared_type(
    runs_file: Callable[[str], Path], tiny: Path, written: str, values: dict[str, Any]
) -> None:
    """Values arrive in the type that the notebook declares, not in one guessed from how they look."""
    (run,) = read_runs(runs_file(ONE_RUN % written))
    assert (run.name, run.notebook, run.parameters) == ("run", tiny, values)
    assert [type(value) for value in run.parameters.values()] == [type(value) for value in values.values()]


@pytest.mark.parametrize(
    ("marked", "field", "message"),
    [
        (ONE_RUN % "«wrd: x", "run.parameters.wrd", "found 'wrd'; expected one of word, count"),
        (ONE_RUN % "«output: x", "run.parameters.output", "found 'output'; expected one of word"),
        (ONE_RUN % "count: «many", "run.parameters.count", "found 'many'; expected a whole number"),
        (ONE_RUN % "count: «1.5", "run.parameters.count", "found '1.5'; expected a whole number"),
        (ONE_RUN % "share: «half", "run.parameters.share", "found 'half'; expected a number"),
        (ONE_RUN % "share: «nan", "run.parameters.share", "found 'nan'; expected a number"),
        (ONE_RUN % "count: «1_000", "run.parameters.count", "found '1_000'; expected a whole number"),
        (ONE_RUN % "loud: «yes", "run.parameters.loud", "found 'yes'; expected true or false"),
        (ONE_RUN % "word: «[a]", "run.parameters.word", "expected a text"),
        (ONE_RUN % "names: «a", "run.parameters.names", "found 'a'; expected a list of texts"),
        (ONE_RUN % "names: «[[a]]", "run.parameters.names", "expected a list of texts"),
        (ONE_RUN % "word: a, «word: b", "run.parameters.word", "'word' is there twice"),
        ("run:\n  notebook: «tinny\n", "run.notebook", "found 'tinny'; expected one of tiny; did you mean 'tiny'?"),
        ("run:\n  notebook: «../notebooks/tiny\n", "run.notebook", "found '../notebooks/tiny'"),
        ("run:\n  notebook: tiny\n  «params: {}\n", "run.params", "found 'params'; expected notebook, parameters"),
        ("run: «{parameters: {}}\n", "run", "expected {notebook:"),
        ("run: «tiny\n", "run", "expected {notebook:"),
        ("run:\n  notebook: tiny\n  parameters: «word\n", "run.parameters", "expected name: value"),
        ("«../run: {notebook: tiny}\n", "../run", "found '../run'; a run is named with letters"),
        ("«failed: {notebook: tiny}\n", "failed", "'failed'"),
        ("«Con: {notebook: tiny}\n", "Con", "found 'Con', which no folder may be called on some systems"),
        ("run: {notebook: tiny}\n«RUN: {notebook: tiny}\n", "RUN", "'RUN'"),
        ("«- run\n", "", "expected runs as name"),
        ("«{}\n", "", "expected runs as name"),
    ],
    ids=[
        "misspelt", "given by the runner", "word for int", "fraction for int", "word for float",
        "not a number", "underscore in int", "yes for bool",
        "list for text", "text for list", "list in list", "twice", "notebook misspelt", "notebook elsewhere",
        "field misspelt", "no notebook", "text", "parameters a text", "name leads elsewhere",
        "name of the folder of failures", "name of a device", "names that differ by capitals", "list", "no runs",
    ],
)  # fmt: skip
def test_wrong_runs_file(runs_file: Callable[[str], Path], marked: str, field: str, message: str) -> None:
    """A mistake in the runs file is found before anything runs, at its place (« in the case)."""
    at = marked.index("«")
    path = runs_file(marked.replace("«", ""))
    with pytest.raises(InputError, match=re.escape(message)) as caught:
        read_runs(path)
    error = caught.value
    place = (marked.count("\n", 0, at) + 1, at - marked.rfind("\n", 0, at))
    assert (error.file, error.line, error.column, error.field) == (str(path), *place, field)


def test_demo_runs_are_read() -> None:
    """The demo's runs file is good, and its runs are in the order of the file."""
    found = read_runs(DATA / "runs.yaml")
    assert [run.name for run in found][:2] == ["barley_pot_blood_pressure", "barley_pot_bone_health"]
    assert all(run.notebook.is_file() for run in found)


def test_what_a_run_goes_by(tiny: Path) -> None:
    """Parameters not given are those that the notebook sets; the folder is the runner's own matter."""
    found = effective_parameters(Run("pot", tiny, {"count": 3}))
    assert (found["count"], found["word"]) == (3, "first")
    assert "output" not in found
