"""What several test files share."""

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from swaptable.amounts.nutrients import Amounts, compute
from swaptable.amounts.recipes import read_recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import InputError
from swaptable.foods.release import FoodRelease, open_release
from swaptable.retention.pairs import find_pairs, pair_values
from swaptable.retention.validation import held_out
from swaptable.runs import run_files


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


# Runs: notebooks that do next to nothing, and copies of the project that a test may change

ROOT = Path(__file__).parents[1]
TINY_PARAMETERS = """word: str = "first"  # what the report says
count: int = 1
share: float = 0.5
loud: bool = False
names: list[str] = []
trouble: str = ""
wait_for: str = ""
output: str = ""
"""
TINY_REPORT = """import json, os, time
from pathlib import Path

summary = {"title": f"Title <{word}>", "headline": f"Headline of {word}, {count}", "audience": "Everyone"}
for part, text in {
    "summary.json": json.dumps(summary),
    "figures/density.txt": "What the chart shows\\n",
    "tables/variants.csv": f"variant\\n{word}\\n",
}.items():
    path = Path(output) / part
    path.parent.mkdir(exist_ok=True)
    path.write_text(text, encoding="utf-8")
for _ in range(300 if wait_for else 0):
    time.sleep(0.1)
    if Path(wait_for).exists():
        break
if trouble == "error":
    raise ValueError(f"no more {word}")
if trouble == "no summary":
    (Path(output) / "summary.json").unlink()
elif trouble:
    exec(trouble)
print(f"said {word}")
"""


@pytest.fixture(scope="session")
def make_notebook() -> Callable[..., Path]:
    """Write a notebook of code cells, by default the tiny one; those numbered in ``tagged`` hold the parameters."""

    def make(path: Path, *cells: str, tagged: tuple[int, ...] = (0,)) -> Path:
        nodes = [
            {
                "cell_type": "code",
                "execution_count": None,
                "id": f"cell-{number}",
                "metadata": {"tags": ["parameters"]} if number in tagged else {},
                "outputs": [],
                "source": source.splitlines(keepends=True),
            }
            for number, source in enumerate(cells or (TINY_PARAMETERS, TINY_REPORT))
        ]
        kernel = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}}
        book = {"cells": nodes, "metadata": kernel, "nbformat": 4, "nbformat_minor": 5}
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(book), encoding="utf-8")
        return path

    return make


@pytest.fixture
def tiny(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, make_notebook: Callable[..., Path]) -> Path:
    """A notebook that writes the least a report needs, in the folder where notebooks are looked for."""
    monkeypatch.setattr(run_files, "NOTEBOOKS", tmp_path / "notebooks")
    return make_notebook(tmp_path / "notebooks" / "tiny.ipynb")


@pytest.fixture
def reports(tmp_path: Path) -> Path:
    """The folder of reports, not made yet."""
    return tmp_path / "reports"


class Project:
    """A copy of the project, used by its own command line.

    Attributes
    ----------
    folder, reports : Path
    """

    def __init__(self, folder: Path) -> None:
        self.folder, self.reports = folder, folder / "reports"
        shutil.copytree(ROOT / "helpers" / "swaptable", folder / "helpers" / "swaptable")
        shutil.copytree(ROOT / "data", folder / "data")

    def environment(self, **more: str) -> dict[str, str]:
        """Give the variables under which a process uses this copy and no other."""
        return {**os.environ, "PYTHONPATH": str(self.folder / "helpers"), **more}

    def start(self, *arguments: str, **options: Any) -> subprocess.Popen[str]:
        """Begin a command of the copy."""
        pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True, "encoding": "utf-8"}
        options = {"env": self.environment(), "cwd": self.folder, **pipes, **options}
        return subprocess.Popen([sys.executable, "-m", "swaptable", *arguments], **options)

    def run(self, *arguments: str, timeout: float = 120, **options: Any) -> subprocess.CompletedProcess[str]:
        """Run a command of the copy to its end."""
        with self.start(*arguments, **options) as process:
            try:
                out, err = process.communicate(timeout=timeout)
            except BaseException:
                process.kill()
                raise
        return subprocess.CompletedProcess(process.args, process.returncode, out, err)

    def write_runs(self, **runs: str) -> None:
        """Write the runs file: run → notebook and parameters, such as ``tiny {word: a}``."""
        lines = (
            f"{name}:\n  notebook: {text.split(' ', 1)[0]}\n  parameters: {(text.split(' ', 1)[1:] or ['{}'])[0]}\n"
            for name, text in runs.items()
        )
        (self.folder / "data" / "runs.yaml").write_text("".join(lines), encoding="utf-8")

    def why(self) -> dict[str, str]:
        """Ask which runs would be made, and why."""
        done = self.run("report", "--dry", "--why")
        assert done.returncode == 0, done.stderr
        told = dict(line.split(": ", 1) for line in done.stdout.splitlines()[:-1])
        return {name: why for name, why in told.items() if why != "up to date"}


@pytest.fixture(scope="session")
def copied(make_notebook: Callable[..., Path]) -> Callable[[Path], Project]:
    """Copy the project into a folder, with the tiny notebook as its only one."""

    def copy(folder: Path) -> Project:
        project = Project(folder)
        make_notebook(folder / "notebooks" / "tiny.ipynb")
        return project

    return copy


@pytest.fixture
def project(tmp_path: Path, copied: Callable[[Path], Project]) -> Project:
    """A copy of the project for one test."""
    return copied(tmp_path / "project")
