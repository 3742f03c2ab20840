"""Runs: parameters are checked before, reports are whole or not there, and every run says where it came from.

The notebooks executed here are made by the tests: two cells that write what a report needs.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from swaptable import runs
from swaptable.errors import InputError, SwaptableError
from swaptable.folders import DATA
from swaptable.runs import Parameter, Run, notebook_parameters, read_runs, run_all, run_notebook, write_index

PARAMETERS = """word: str = "first"  # what the report says
count: int = 1
share: float = 0.5
loud: bool = False
names: list[str] = []
trouble: str = ""
wait_for: str = ""
output: str = ""
"""
REPORT = """import json, os, time
from pathlib import Path

summary = {"title": f"Title <{word}>", "headline": f"Headline of {word}, {count}", "audience": "Everyone"}
for part, text in {
    "summary.json": json.dumps(summary),
    "figures/density.txt": "What the chart shows\\n",
    "tables/variants.csv": "variant\\n",
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
if trouble == "crash":
    os._exit(1)
if trouble == "no summary":
    (Path(output) / "summary.json").unlink()
print(f"said {word}")
"""
ONE_RUN = "run:\n  notebook: tiny\n  parameters: {%s}\n"


def write_notebook(path: Path, *cells: str, tagged: tuple[int, ...] = (0,)) -> Path:
    """Write a notebook of code cells, those numbered in ``tagged`` with the tag ``parameters``."""
    nodes = [
        {
            "cell_type": "code",
            "execution_count": None,
            "id": f"cell-{number}",
            "metadata": {"tags": ["parameters"]} if number in tagged else {},
            "outputs": [],
            "source": source.splitlines(keepends=True),
        }
        for number, source in enumerate(cells)
    ]
    kernel = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}}
    path.write_text(
        json.dumps({"cells": nodes, "metadata": kernel, "nbformat": 4, "nbformat_minor": 5}), encoding="utf-8"
    )
    return path


@pytest.fixture
def tiny(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A notebook that writes the least a report needs, in the folder where notebooks are looked for."""
    folder = tmp_path / "notebooks"
    folder.mkdir()
    monkeypatch.setattr(runs, "NOTEBOOKS", folder)
    return write_notebook(folder / "tiny.ipynb", PARAMETERS, REPORT)


@pytest.fixture
def reports(tmp_path: Path) -> Path:
    """The folder of reports, not made yet."""
    return tmp_path / "reports"


def silent(text: str) -> None:
    """Take a failure and say nothing."""


def left_over(reports: Path) -> list[str]:
    """Name what lies hidden among the reports."""
    return [path.name for path in reports.glob(".*")]


# Parameters that a notebook declares


def test_declared_parameters_are_read(tiny: Path) -> None:
    """Every parameter is read with its type and default, without executing the notebook."""
    found = notebook_parameters(tiny)
    assert list(found) == ["word", "count", "share", "loud", "names", "trouble", "wait_for", "output"]
    assert found["word"] == Parameter("word", "str", "first")
    assert found["names"] == Parameter("names", "list[str]", [])
    assert (found["share"].default, found["loud"].default) == (0.5, False)


@pytest.mark.parametrize(("tagged", "count"), [((), 0), ((0, 1), 2)], ids=["no cell", "two cells"])
def test_exactly_one_cell_of_parameters(tmp_path: Path, tagged: tuple[int, ...], count: int) -> None:
    """Without a tagged cell, or with two, values given would be overwritten, so the notebook is refused."""
    path = write_notebook(tmp_path / "book.ipynb", "a: int = 1", "b: int = 2", tagged=tagged)
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
def test_parameters_are_literals_with_a_type(tmp_path: Path, source: str, found: str) -> None:
    """A derived value would keep its default when its source changes, so only annotated literals are allowed."""
    path = write_notebook(tmp_path / "book.ipynb", source)
    with pytest.raises(InputError, match=re.escape(f"found '{found}'; expected 'name: type = literal'")) as caught:
        notebook_parameters(path)
    assert caught.value.field == "parameters"


@pytest.mark.parametrize(
    "source", ["a: int = = 1", "%matplotlib inline\na: int = 1", "a: int = (1"], ids=["typo", "magic", "open"]
)
def test_parameters_that_are_no_python(tmp_path: Path, source: str) -> None:
    """A cell of parameters that Python cannot read is refused as a wrong notebook."""
    path = write_notebook(tmp_path / "book.ipynb", source)
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
        ("run: {notebook: tiny}\n«RUN: {notebook: tiny}\n", "RUN", "'RUN'"),
        ("«- run\n", "", "expected runs as name"),
        ("«{}\n", "", "expected runs as name"),
    ],
    ids=[
        "misspelt", "given by the runner", "word for int", "fraction for int", "word for float", "yes for bool",
        "list for text", "text for list", "list in list", "twice", "notebook misspelt", "notebook elsewhere",
        "field misspelt", "no notebook", "text", "parameters a text", "name leads elsewhere",
        "name of the folder of failures", "names that differ by capitals", "list", "no runs",
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


# Good runs


def test_report_is_whole_and_says_where_it_came_from(tiny: Path, reports: Path) -> None:
    """A report has its page, notebook, tables and a provenance with hashes, versions, parameters and times."""
    recipe = DATA / "recipes" / "oat_pancakes.yaml"
    write_notebook(tiny, 'recipe: str = "barley_pot"\n' + PARAMETERS, REPORT)
    folder = run_notebook(Run("pot", tiny, {"word": "soup & <b>", "recipe": "oat_pancakes"}), reports)
    assert folder == reports / "pot"
    assert left_over(reports) == []
    assert (folder / "tables" / "variants.csv").is_file()
    page = (folder / "index.html").read_text(encoding="utf-8")
    assert page.startswith("<!doctype html>")
    assert "<title>Title &lt;soup &amp; &lt;b&gt;&gt;</title>" in page
    assert "said soup &amp; &lt;b&gt;" in page
    assert "time.sleep" not in page, "code is hidden"
    assert "pre{white-space:pre-wrap" in page, "a long line of a recipe file is not cut off on paper"
    executed = (folder / "tiny.ipynb").read_text(encoding="utf-8")
    assert str(reports) not in executed, "a report names no folder of this machine"

    about = json.loads((folder / "provenance.json").read_text(encoding="utf-8"))
    assert about["run"] == "pot"
    assert about["parameters"]["word"] == "soup & <b>"
    assert about["parameters"]["count"] == 1, "defaults are recorded too"
    assert "output" not in about["parameters"]
    assert about["inputs"]["recipe"]["file"] == "data/recipes/oat_pancakes.yaml"
    assert about["inputs"]["recipe"]["sha256"] == hashlib.sha256(recipe.read_bytes()).hexdigest()
    assert about["inputs"]["notebook"]["sha256"] == hashlib.sha256(tiny.read_bytes()).hexdigest()
    assert about["food_release"]["name"] == "sr28"
    assert re.fullmatch("[0-9a-f]{64}", about["food_release"]["sha256"])
    assert re.fullmatch("[0-9a-f]{64}", about["reference_tables_sha256"])
    assert about["versions"]["python"] == sys.version.split()[0]
    assert {"swaptable", "pandas", "numpy", "papermill"} <= set(about["versions"])
    started, finished = (datetime.fromisoformat(about[key]) for key in ("started", "finished"))
    assert started <= finished
    assert started.tzinfo is not None


def test_new_report_replaces_the_old_whole(tiny: Path, reports: Path) -> None:
    """A second run of the same name replaces the first and its earlier failure, and nothing of them is left."""
    for name in ("pot", "other"):
        (reports / "failed" / name).mkdir(parents=True)
    stale = reports / "pot" / "figures" / "old.png"
    stale.parent.mkdir(parents=True)
    stale.write_bytes(b"old")
    folder = run_notebook(Run("pot", tiny, {"word": "second"}), reports)
    assert "Headline of second" in (folder / "summary.json").read_text(encoding="utf-8")
    assert not stale.exists()
    assert [path.name for path in (reports / "failed").iterdir()] == ["other"]
    assert left_over(reports) == []


def test_runs_at_the_same_time_do_not_mix(tiny: Path, reports: Path) -> None:
    """Two commands that report at once, one run in both, leave every report whole and an index of all."""
    first = [Run("pot", tiny, {"word": "left"}), Run("left", tiny, {"word": "left"})]
    second = [Run("pot", tiny, {"word": "right"}), Run("right", tiny, {"word": "right"})]
    with ThreadPoolExecutor(2) as pool:
        failures = list(pool.map(lambda chosen: run_all(chosen, reports, jobs=1, report=silent), (first, second)))
    assert failures == [{}, {}]
    assert left_over(reports) == []
    for name, words in (("left", {"left"}), ("right", {"right"}), ("pot", {"left", "right"})):
        about = json.loads((reports / name / "provenance.json").read_text(encoding="utf-8"))
        word = about["parameters"]["word"]
        assert word in words
        assert f"Headline of {word}" in (reports / name / "summary.json").read_text(encoding="utf-8")
        assert f"said {word}" in (reports / name / "index.html").read_text(encoding="utf-8")
    index = write_index(reports).read_text(encoding="utf-8")
    assert [f'href="{name}/index.html"' in index for name in ("left", "pot", "right")] == [True] * 3


def move(reports: Path, word: str) -> None:
    """Move a finished folder into place many times."""
    for number in range(60):
        work = reports / f".pot-{word}{number}"
        work.mkdir()
        (work / "word.txt").write_text(word, encoding="utf-8")
        runs._move_into_place(work, reports / "pot")


def test_moving_into_place_at_the_same_time(reports: Path) -> None:
    """Reports that finish at the same moment under one name do not trip each other up; one of them stays."""
    reports.mkdir()
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(move, (reports, reports), ("left", "right")))
    assert (reports / "pot" / "word.txt").read_text(encoding="utf-8") in ("left", "right")
    assert left_over(reports) == []


# Runs that fail


def test_failed_run_keeps_the_good_report(tiny: Path, reports: Path) -> None:
    """A failing notebook leaves the good report as it is, and is kept apart with its error."""
    good = reports / "pot"
    good.mkdir(parents=True)
    (good / "index.html").write_text("good", encoding="utf-8")
    with pytest.raises(SwaptableError, match=r"pot: ValueError: no more soup .*failed") as caught:
        run_notebook(Run("pot", tiny, {"word": "soup", "trouble": "error"}), reports)
    assert "\n" not in str(caught.value)
    assert [path.name for path in good.iterdir()] == ["index.html"]
    assert (good / "index.html").read_text(encoding="utf-8") == "good"
    broken = (reports / "failed" / "pot" / "tiny.ipynb").read_text(encoding="utf-8")
    assert "no more soup" in broken
    assert left_over(reports) == []


# a kernel that dies or is given up leaves sockets of its client to the garbage collector
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
def test_one_failure_stops_no_other_run(tiny: Path, reports: Path) -> None:
    """However a run fails, it is reported by name, the other runs finish and the index lists them."""
    troubles = {"wrong": "error", "crashed": "crash", "empty": "no summary"}
    chosen = [Run(name, tiny, {"trouble": trouble}) for name, trouble in troubles.items()] + [Run("good", tiny, {})]
    told: list[str] = []
    failed = run_all(chosen, reports, jobs=2, report=told.append)
    assert sorted(failed) == sorted(troubles)
    assert sorted(told) == sorted(failed.values())
    assert all(text.startswith(f"{name}: ") and "\n" not in text for name, text in failed.items()), failed
    assert "no more first" in failed["wrong"]
    assert re.search("died|kernel", failed["crashed"], re.IGNORECASE)
    assert "summary" in failed["empty"]
    index = (reports / "index.html").read_text(encoding="utf-8")
    assert re.findall(r'href="([^"]+)"', index) == ["good/index.html"]
    assert left_over(reports) == []


# a kernel that dies or is given up leaves sockets of its client to the garbage collector
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
def test_notebook_that_takes_too_long(
    tiny: Path, reports: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A run over the time limit fails with one sentence that says so."""
    monkeypatch.setattr(runs, "TIMEOUT_SECONDS", 1)
    stop = tmp_path / "never"
    failed = run_all([Run("slow", tiny, {"wait_for": str(stop)})], reports, report=silent)
    assert re.match(r"slow: .*(time|second)", failed["slow"], re.IGNORECASE)
    assert left_over(reports) == []


KILLED = """import sys
from pathlib import Path
from swaptable.runs import Run, run_notebook
run_notebook(Run("pot", Path(sys.argv[1]), {"word": "killed", "wait_for": sys.argv[2]}), Path(sys.argv[3]))
"""


@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGKILL")
def test_killed_run_leaves_the_old_report(tiny: Path, reports: Path, tmp_path: Path) -> None:
    """A run killed in the middle touches no report; the next one works, and what was left is swept away in time."""
    good = reports / "pot"
    good.mkdir(parents=True)
    (good / "index.html").write_text("good", encoding="utf-8")
    stop = tmp_path / "stop"
    command = [sys.executable, "-c", KILLED, str(tiny), str(stop), str(reports)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        for _ in range(300):
            if list(reports.glob(".pot-*/summary.json")):
                break
            time.sleep(0.1)
        assert list(reports.glob(".pot-*/summary.json")), "the notebook has started"
        process.send_signal(signal.SIGKILL)
        assert process.wait(timeout=20) == -signal.SIGKILL
    finally:
        process.kill()
        stop.touch()  # lets the orphaned kernel go
    assert [path.name for path in good.iterdir()] == ["index.html"]
    assert (good / "index.html").read_text(encoding="utf-8") == "good"
    assert "killed" not in write_index(reports).read_text(encoding="utf-8")

    (left,) = reports.glob(".pot-*")
    assert run_all([Run("pot", tiny, {"word": "next"})], reports, report=silent) == {}
    assert "Headline of next" in (good / "summary.json").read_text(encoding="utf-8")
    assert left.is_dir(), "it may belong to a run that is still going"
    long_ago = time.time() - 2 * runs.ABANDONED_SECONDS
    os.utime(left, (long_ago, long_ago))
    run_all([], reports, report=silent)
    assert not left.exists()


# The index


def add_report(reports: Path, name: str, headline: str) -> None:
    """Put a finished report in place without running it."""
    folder = reports / name
    (folder / "figures").mkdir(parents=True)
    (folder / "figures" / "density.txt").write_text("What the chart shows\n", encoding="utf-8")
    about = {
        **{"title": f"Title of {name}", "headline": headline, "audience": "Everyone"},
        "parameters": {"recipe": name, "prices": ""},
        "food_release": {"name": "sr28", "released": "2016-05"},
        "finished": "2026-09-01T10:00:00+00:00",
    }
    (folder / "provenance.json").write_text(json.dumps(about), encoding="utf-8")


def test_index_lists_every_run(reports: Path) -> None:
    """The index links every finished report with its headline, escaped, and leaves failures out."""
    add_report(reports, "b_pot", "Less & <less> sodium")
    add_report(reports, "a_pot", "More potassium")
    (reports / "failed" / "c_pot").mkdir(parents=True)
    (reports / ".d_pot-x").mkdir()
    text = write_index(reports).read_text(encoding="utf-8")
    assert re.findall(r'href="([^"]+)"', text) == ["a_pot/index.html", "b_pot/index.html"]
    assert "Less &amp; &lt;less&gt; sodium" in text
    assert "sr28 (2016-05)" in text
    assert "prices" not in text, "an empty parameter says nothing"
    assert left_over(reports) == [".d_pot-x"]


def test_index_shows_the_chart_that_the_summary_names(reports: Path) -> None:
    """A notebook without a density chart names another, and lists read as words."""
    add_report(reports, "a_pot", "Good")
    folder = reports / "a_pot"
    (folder / "figures" / "density.txt").rename(folder / "figures" / "error.txt")
    about = json.loads((folder / "provenance.json").read_text(encoding="utf-8"))
    about |= {"chart": "error", "parameters": {"seeds": ["1", "2"]}}
    (folder / "provenance.json").write_text(json.dumps(about), encoding="utf-8")
    text = write_index(reports).read_text(encoding="utf-8")
    assert '<img src="a_pot/figures/error.png" alt="What the chart shows"' in text
    assert "seeds 1 2;" in text


def test_index_of_nothing(reports: Path) -> None:
    """Without reports the index says so."""
    reports.mkdir()
    assert "None yet" in write_index(reports).read_text(encoding="utf-8")


@pytest.mark.parametrize("damaged", ["figures/density.txt", "provenance.json"])
def test_damaged_report_does_not_hide_the_others(reports: Path, damaged: str) -> None:
    """A report that lost a file, or whose record is cut short, does not keep the others off the index."""
    add_report(reports, "a_pot", "Damaged")
    add_report(reports, "b_pot", "Whole")
    (reports / "a_pot" / damaged).write_text("", encoding="utf-8")
    assert 'href="b_pot/index.html"' in write_index(reports).read_text(encoding="utf-8")
