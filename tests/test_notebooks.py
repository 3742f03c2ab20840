"""Notebooks tell a story and hold no logic; each runs through our own runner with two sets of parameters."""

import ast
import json
from pathlib import Path

import pandas as pd
import pytest

from swaptable.runs.run_files import OUTPUT, Run, notebook_parameters
from swaptable.runs.runs import run_notebook

NOTEBOOKS = sorted((Path(__file__).parents[1] / "notebooks").glob("*.ipynb"))
PARAMETERS = {
    "compare_variants": (
        {},
        {"recipe": "oat_pancakes", "audience": "bone_health", "regime": "CA", "components": ["calcium"]},
    ),
    "match_ingredients": (
        {"words": "oat_pancakes"},
        {"words": "sardine_traybake", "audience": "bone_health", "regime": "CA", "save_as": "traybake_from_words"},
    ),
    "programme": (
        {"recipes": ["barley_pot"], "audiences": ["bone_health", "kidney_disease"], "days": ["barley_pot_day"]},
        {"recipes": ["white_bean_bowl"], "audiences": ["iron"], "days": ["white_bean_day"], "regime": "CA"},
    ),
    "decide": (
        {"draws": 500},
        {
            "recipe": "white_bean_bowl",
            "audience": "bone_health",
            "regime": "CA",
            "objective": "calcium",
            "seed": 2,
            "constraints": ["sodium <= 300 mg", "calcium >= 300 mg"],
            "draws": 500,
            "trade_offs": ["calcium", "cost"],
        },
    ),
    "find_swap": (
        {"most": 3},
        {
            "recipe": "sardine_traybake",
            "ingredient": "fish",
            "audience": "bone_health",
            "most": 3,
            "regime": "CA",
            "vary": ["tuber 600 to 1200 g"],
            "want": ["energy 300 to 500 kcal", "calcium >= 10 mg"],
        },
    ),
    "plan_class": (
        {},
        {
            "recipe": "white_bean_bowl",
            "audience": "bone_health",
            "people": 9,
            "pans": 1,
            "options": ["beans=cooked from dry"],
            "regime": "CA",
        },
    ),
    "survey_study": ({}, {"collection": "barley_pot", "rules": ["stock to water"], "measure": "K"}),
    "what_changed": ({}, {"recipes": ["white_bean_bowl"], "audience": "bone_health", "regime": "CA"}),
    "method_check": (
        {"folds": 2, "groups": ["lamb and veal", "poultry"]},
        {"folds": 2, "groups": ["legumes"], "seeds": ["7"]},
    ),
}
MOST_CODE_CELLS, MOST_LINES, MOST_PARAMETERS = 14, 10, 14


def code_cells(notebook: Path) -> list[dict]:
    """Read the code cells of a notebook."""
    cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
    return [cell for cell in cells if cell["cell_type"] == "code"]


def test_there_are_notebooks():
    """The other tests of this file have something to test."""
    assert [notebook.stem for notebook in NOTEBOOKS] == sorted(PARAMETERS)


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_is_a_story_of_calls(notebook):
    """Few short cells, no definitions, loops or arithmetic, and no stored output."""
    cells = code_cells(notebook)
    assert len(cells) <= MOST_CODE_CELLS
    for cell in cells:
        assert cell["outputs"] == []
        assert cell["execution_count"] is None
        most = MOST_PARAMETERS if "parameters" in cell["metadata"].get("tags", []) else MOST_LINES
        assert len(cell["source"]) <= most
        logic = (ast.FunctionDef, ast.ClassDef, ast.For, ast.While, ast.If, ast.BinOp, ast.Lambda, ast.comprehension)
        nodes = list(ast.walk(ast.parse("".join(cell["source"]))))
        assert not [node for node in nodes if isinstance(node, logic)]


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda path: path.stem)
def test_parameters_come_first(notebook):
    """The parameters are the first code cell, among them the folder that the runner gives."""
    assert "parameters" in code_cells(notebook)[0]["metadata"]["tags"]
    assert notebook_parameters(notebook)[OUTPUT].default == ""


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs_with_two_parameter_sets(notebook, tmp_path):
    """Both sets run whole, leave the same files, and differ in their tables."""
    runs = zip(("one", "other"), PARAMETERS[notebook.stem], strict=True)
    folders = [run_notebook(Run(name, notebook, values), tmp_path) for name, values in runs]
    names = [sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*.*")) for folder in folders]
    assert names[0] == names[1]
    chart = json.loads((folders[0] / "summary.json").read_text(encoding="utf-8")).get("chart", "density")
    files = {f"figures/{chart}.{ending}" for ending in ("svg", "png", "txt")}
    assert {"index.html", "provenance.json", "summary.json", *files} <= set(names[0])
    for table in sorted((folders[0] / "tables").glob("*.csv")):
        one, other = (pd.read_csv(folder / "tables" / table.name, keep_default_na=False) for folder in folders)
        assert len(one) > 0
        assert not one.equals(other), table.name
    page = (folders[0] / "index.html").read_text(encoding="utf-8")
    calls = " ".join("".join(cell["source"]) for cell in code_cells(notebook))
    assert page.count("<img alt=") == calls.count("st.chart_shown(") > 0
    assert "http" not in page.replace("http://www.w3.org", "")
    assert str(tmp_path) not in page
