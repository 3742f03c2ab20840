"""Runs files of strangers: no notebook from elsewhere, and no parameter that is more than a value."""

from __future__ import annotations

import ast
from collections.abc import Callable
from pathlib import Path

import papermill.translators
import pytest

from swaptable.basics.errors import InputError
from swaptable.runs import run_files
from swaptable.runs.run_files import read_runs

EVIL = ['"); import os; os.system("x") #', "'''\nimport os\n'''", '"""\nraise SystemExit\n"""', "\\", "\\'", '\\"',
        "a\nb",
        "__import__('os').system('x')", "{{x}}", "%run x", "!ls", "\u2028raise SystemExit", "\x0craise", "é\U0001f600",
        "# x", "\\N{BELL}", "${HOME}", "=1", "None", "nan"]  # fmt: skip


@pytest.mark.parametrize(
    "notebook",
    ["../notebooks/compare_variants", "/etc/passwd", "../../x", "compare_variants/", "./compare_variants",
     "sub/../compare_variants", "compare_variants.ipynb", "C:\\\\x", "~/x", "http://outside.invalid/x", "COMPARE\\0x"],
)  # fmt: skip
def test_notebook_is_one_of_ours_by_its_bare_name(tmp_path: Path, notebook: str) -> None:
    """A path is refused, wherever it leads."""
    path = tmp_path / "runs.yaml"
    path.write_text(f'one: {{notebook: "{notebook}"}}\n', encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_runs(path)
    assert str(caught.value).isprintable()


@pytest.mark.parametrize(
    "cell", ["x: str = __import__('os').sep", "import os", "x: str = ''\nprint(1)", "x = 1", "x: y"]
)
def test_notebook_with_other_code_among_its_parameters_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cell: str
) -> None:
    """What a notebook declares is read, never run."""
    import json

    book = {"cells": [{"cell_type": "code", "metadata": {"tags": ["parameters"]}, "source": cell}]}
    (tmp_path / "evil.ipynb").write_text(json.dumps(book), encoding="utf-8")
    monkeypatch.setattr(run_files, "NOTEBOOKS", tmp_path)
    (tmp_path / "runs.yaml").write_text("one: {notebook: evil}\n", encoding="utf-8")
    with pytest.raises(InputError, match="expected 'name: type = literal' only"):
        read_runs(tmp_path / "runs.yaml")


@pytest.mark.parametrize(
    "name", ["../x", "/tmp/x", "a/b", "a b", ".hidden", "-x", "failed", "x" * 80, '"a\\nb"', "a:b"]
)
def test_name_of_a_run_is_a_folder_of_its_own(tmp_path: Path, name: str) -> None:
    """No name leads out of the reports, and none hides."""
    path = tmp_path / "runs.yaml"
    path.write_text(f"? {name}\n: {{notebook: compare_variants}}\n", encoding="utf-8")
    with pytest.raises(InputError):
        read_runs(path)


@pytest.mark.parametrize("text", EVIL, ids=ascii)
def test_parameters_are_written_as_values(text: str) -> None:
    """What is put into a notebook is one assignment of a literal, which gives the same text back."""
    code = papermill.translators.PythonTranslator.codify({"recipe": text, "components": [text, "NA"]})
    tree = ast.parse(code)
    found = {line.targets[0].id: ast.literal_eval(line.value) for line in tree.body}  # type: ignore[attr-defined]
    assert found == {"recipe": text, "components": [text, "NA"]}


@pytest.mark.parametrize(
    ("marked", "told"),
    [
        ("one: {notebook: compare_variants, parameters: {«output: /tmp/x}}\n", "found 'output'"),
        ("one: {notebook: compare_variants, parameters: {«__builtins__: x}}\n", "found '__builtins__'"),
        ('one: {notebook: compare_variants, parameters: {«"x = 1; y": x}}\n', "found 'x = 1; y'"),
        ("one: {notebook: plan_class, parameters: {people: «[1]}}\n", "expected a whole number"),
        ("one: {notebook: plan_class, parameters: {people: «1+1}}\n", "expected a whole number"),
        ("one: {notebook: compare_variants, parameters: {components: «NA}}\n", "expected a list of texts"),
        ("one: {notebook: compare_variants, parameters: {components: «[{a: b}]}}\n", "expected a list of texts"),
        ("one: {notebook: compare_variants, «kernel: x}\n", "found 'kernel'"),
    ],
    ids=["folder", "names of Python", "code", "list", "sum", "text", "mapping", "kernel"],
)
def test_parameter_is_one_that_the_notebook_declares(
    refused: Callable[..., InputError], marked: str, told: str
) -> None:
    """Of its type; the folder of a report is given by the runner alone."""
    refused(marked, told, read_runs)
