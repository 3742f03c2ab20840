"""Runs: reports are whole or not there, say where they came from, and one that fails stops no other.

The notebooks executed here are made by the tests: two cells that write what a report needs.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import re
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path

import pytest

from swaptable.basics.errors import LimitError, RunError, WriteError
from swaptable.basics.folders import DATA
from swaptable.runs import kernels
from swaptable.runs.html_pages import write_index
from swaptable.runs.ledger import read_ledger
from swaptable.runs.run_files import Run
from swaptable.runs.runs import Outcome, _restore, make_report, run_all, run_notebook

RECIPE_TOO = 'recipe: str = "barley_pot"\n'


def left_over(reports: Path) -> list[str]:
    """Name what lies hidden among the reports and is not meant to."""
    kept = {".kept", ".locks", ".stamps"}
    return [path.name for path in reports.rglob(".*") if path.name not in kept]


def states(outcomes: list[Outcome]) -> dict[str, str]:
    """Give the state of each run."""
    return {outcome.run: outcome.state for outcome in outcomes}


# Good runs


def test_report_is_whole_and_says_where_it_came_from(
    tiny: Path, reports: Path, make_notebook: Callable[..., Path]
) -> None:
    """A report has its page, notebook, tables and a provenance with hashes, versions, parameters and times."""
    cells = ["".join(cell["source"]) for cell in json.loads(tiny.read_text(encoding="utf-8"))["cells"]]
    make_notebook(tiny, RECIPE_TOO + cells[0], *cells[1:])
    recipe = DATA / "recipes" / "oat_pancakes.yaml"
    folder = run_notebook(Run("pot", tiny, {"word": "soup & <b>", "recipe": "oat_pancakes"}), reports)
    assert folder == reports / "pot"
    assert left_over(reports) == []
    assert (folder / "tables" / "variants.csv").is_file()
    page = (folder / "index.html").read_text(encoding="utf-8")
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
    assert about["used"]["file data/recipes/oat_pancakes.yaml"] == about["inputs"]["recipe"]["sha256"]
    assert {"module swaptable.basics.recorder", "module swaptable.runs.html_pages"} <= set(about["used"])
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
        found = list(pool.map(lambda chosen: states(run_all(chosen, reports, jobs=1)), (first, second)))
    assert found == [{"pot": "made", "left": "made"}, {"pot": "made", "right": "made"}]
    assert left_over(reports) == []
    for name, words in (("left", {"left"}), ("right", {"right"}), ("pot", {"left", "right"})):
        about = json.loads((reports / name / "provenance.json").read_text(encoding="utf-8"))
        word = about["parameters"]["word"]
        assert word in words
        assert f"Headline of {word}" in (reports / name / "summary.json").read_text(encoding="utf-8")
        assert f"said {word}" in (reports / name / "index.html").read_text(encoding="utf-8")
    index = write_index(reports).read_text(encoding="utf-8")
    assert [f'href="{name}/index.html"' in index for name in ("left", "pot", "right")] == [True] * 3
    assert len(read_ledger(reports)) == 4


def test_a_run_may_be_called_what_the_project_calls_its_own(tiny: Path, reports: Path) -> None:
    """A run named after a lock of the project waits for nobody."""
    assert states(run_all([Run(name, tiny, {}) for name in ("ledger", "index")], reports, jobs=2)) == {
        "ledger": "made",
        "index": "made",
    }


def test_reports_may_lie_anywhere(tiny: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder named from where one stands, with every sign that a name can have, and a long one."""
    monkeypatch.chdir(tmp_path)
    reports = Path('-x \'é "q" %d {word} $HOME #1' if os.name != "nt" else "-x 'é %d {word} $HOME #1") / ("long" * 50)
    (outcome,) = run_all([Run("pot", tiny, {"word": "it's"})], reports)
    assert outcome.state == "made", outcome.why
    assert Path.cwd() == tmp_path, "a thread does not change where the process is"
    used = json.loads((tmp_path / reports / "pot" / "provenance.json").read_text(encoding="utf-8"))["used"]
    assert "module swaptable.basics.recorder" in used, "what the kernel read is known"
    (outcome,) = run_all([Run("pot", tiny, {"word": "it's"})], reports)
    assert outcome.state == "fresh"


# Runs that fail


def test_failed_run_keeps_the_good_report(tiny: Path, reports: Path) -> None:
    """A failing notebook leaves the good report as it is, and is kept apart with its error."""
    good = reports / "pot"
    good.mkdir(parents=True)
    (good / "index.html").write_text("good", encoding="utf-8")
    with pytest.raises(RunError, match=r"pot: ValueError: no more soup .*failed") as caught:
        run_notebook(Run("pot", tiny, {"word": "soup", "trouble": "error"}), reports)
    assert "\n" not in str(caught.value)
    assert [path.name for path in good.iterdir()] == ["index.html"]
    assert (good / "index.html").read_text(encoding="utf-8") == "good"
    broken = (reports / "failed" / "pot" / "tiny.ipynb").read_text(encoding="utf-8")
    assert "no more soup" in broken
    assert left_over(reports) == []


TROUBLES = {
    "wrong": ("error", "ValueError: no more first"),
    "crashed": ("os._exit(1)", "its kernel died"),
    "empty": ("no summary", "wrote no summary.json with title, headline and audience"),
    "no_json": ("(Path(output) / 'summary.json').write_text('{')", "wrote no summary.json"),
    "no_title": ("(Path(output) / 'summary.json').write_text('{}')", "wrote no summary.json"),
    "no_text": (
        "(Path(output) / 'summary.json').write_text(json.dumps(summary | {'title': 3}))",
        "wrote no summary.json with title, headline and audience (TypeError",
    ),
    "mute": ("import sys; sys.stdout.close(); os.close(1); os.close(2)", "closed file"),
    "left": ("raise SystemExit(3)", "SystemExit: 3"),
}


def test_one_failure_stops_no_other_run(tiny: Path, reports: Path) -> None:
    """However a run fails, it is told by name in one sentence, the other runs finish and the index lists them."""
    chosen = [Run(name, tiny, {"trouble": trouble}) for name, (trouble, _) in TROUBLES.items()]
    told: list[Outcome] = []
    outcomes = run_all([*chosen, Run("good", tiny, {})], reports, jobs=2, report=told.append)
    assert told == outcomes
    assert states(outcomes) == dict.fromkeys(TROUBLES, "failed") | {"good": "made"}
    for outcome in outcomes:
        if outcome.state == "failed":
            assert outcome.why[0].startswith(f"{outcome.run}: ")
            assert TROUBLES[outcome.run][1] in outcome.why[0]
            assert "\n" not in outcome.why[0]
            assert (reports / "failed" / outcome.run / "tiny.ipynb").is_file(), outcome.run
    index = (reports / "index.html").read_text(encoding="utf-8")
    assert re.findall(r'href="([^"]+)"', index) == ["good/index.html"]
    assert left_over(reports) == []


def test_a_report_that_was_being_replaced_comes_back(tmp_path: Path) -> None:
    """Unless the new one is in its place already."""
    for number, there in enumerate((False, True)):
        aside, final = tmp_path / f"aside{number}", tmp_path / f"pot{number}"
        (aside / "replaced").mkdir(parents=True)
        (aside / "replaced" / "index.html").write_text("before", encoding="utf-8")
        if there:
            final.mkdir()
            (final / "index.html").write_text("new", encoding="utf-8")
        _restore(aside, final)
        assert (final / "index.html").read_text(encoding="utf-8") == ("new" if there else "before")
        assert not aside.exists()


def test_a_full_disk_is_no_fault_of_the_notebook(tiny: Path, reports: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is kept of a run where there is no room, and the good report stays."""

    def full(*_: object, **__: object) -> None:
        raise RunError(f"OSError: [Errno {errno.ENOSPC}] {os.strerror(errno.ENOSPC)}")

    monkeypatch.setattr(kernels, "execute", full)
    with pytest.raises(WriteError, match="cannot be written: the disk is full; earlier reports are as they were"):
        run_all([Run("pot", tiny, {})], reports)
    assert not (reports / "failed" / "pot").exists()


HANGS = "import signal; signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT, signal.SIGTERM])\nwhile True: pass"


@pytest.mark.skipif(os.name == "nt", reason="Windows has no signals to block")
def test_notebook_that_takes_too_long(tiny: Path, reports: Path) -> None:
    """A run over the time limit fails with one sentence that says so, even if its kernel hears no signal."""
    began = time.monotonic()
    outcome = make_report(Run("slow", tiny, {"trouble": HANGS}), reports, limit=2)
    assert re.match(r"slow: took longer than the limit of 2 seconds", outcome.why[0])
    assert outcome.code == LimitError.code
    assert time.monotonic() - began < 12
    assert left_over(reports) == []


@pytest.mark.parametrize(
    "trouble",
    [
        "for _ in range(1000): print('x' * 100_000)",
        "from IPython.display import HTML, display\nwhile True: display(HTML('y' * 10**6))",
    ],
    ids=["100 MB printed", "shown without end"],
)
def test_notebook_that_shows_too_much(tiny: Path, reports: Path, trouble: str) -> None:
    """What is printed is bounded: the run is ended soon, with one sentence, and little of it is kept."""
    began = time.monotonic()
    outcome = make_report(Run("loud", tiny, {"trouble": trouble}), reports, limit=60)
    assert re.match(r"loud: the notebook shows more than 20 MiB; print less", outcome.why[0])
    assert time.monotonic() - began < 30
    assert (reports / "failed" / "loud" / "tiny.ipynb").stat().st_size < 50_000


@pytest.mark.skipif(os.name == "nt", reason="Windows has no process groups")
def test_what_a_kernel_says_while_it_closes_is_not_told(
    tiny: Path, reports: Path, make_notebook: Callable[..., Path], capfd: pytest.CaptureFixture[str]
) -> None:
    """Its process may complain of messages that come after its end; a person cannot do anything about them."""
    cells = ["".join(cell["source"]) for cell in json.loads(tiny.read_text(encoding="utf-8"))["cells"]]
    late = 'import atexit, sys; atexit.register(lambda: print("ValueError: late", file=sys.__stderr__))'
    make_notebook(tiny, *cells, late)
    run_notebook(Run("late", tiny, {}), reports)
    assert capfd.readouterr().err == ""


def test_the_last_words_of_a_dead_kernel_are_told(tmp_path: Path, make_notebook: Callable[..., Path]) -> None:
    """What its process said beside its messages may be the reason."""
    last = 'import os; os.write(2, b"no room\\n\\n"); os._exit(1)'
    book = make_notebook(tmp_path / "dies.ipynb", 'output: str = ""', last)
    with pytest.raises(RunError, match=r"its kernel died; it may have run out of memory; it said last: no room$"):
        kernels.execute(book, tmp_path / "out.ipynb", {"output": str(tmp_path)}, folder=tmp_path, limit=30)


def test_children_of_a_kernel_end_with_it(tiny: Path, reports: Path, tmp_path: Path) -> None:
    """A run is done when its notebook is, whatever it has begun; nothing of it is left running."""
    number = tmp_path / "number"
    trouble = (
        "import subprocess, sys; child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(99)'])\n"
        f"forked = os.fork()\nif not forked:\n    time.sleep(99); os._exit(0)\n"
        f"Path({str(number)!r}).write_text(f'{{child.pid}} {{forked}}')"
    )
    assert make_report(Run("pot", tiny, {"trouble": trouble}), reports).state == "made"
    time.sleep(0.2)
    for process in map(int, number.read_text().split()):
        state = Path(f"/proc/{process}/stat")
        assert not state.exists() or state.read_text().rsplit(")", 1)[1].split()[0] == "Z", "it runs on"


def test_a_kernel_that_listens_to_nobody_is_found_out(
    tiny: Path, reports: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A kernel that does not tell what it read, such as one of another environment, makes no report."""
    monkeypatch.setattr("swaptable.runs.runs.LISTEN", "import no_such_module")
    outcome = make_report(Run("pot", tiny, {}), reports)
    assert "its kernel told nothing of what it read" in outcome.why[0]
    assert not (reports / "pot").exists()


# Inputs that do not keep still


@pytest.mark.parametrize(("changes", "state", "begun"), [(0, "made", 1), (2, "made", 3), (9, "failed", 3)])
def test_a_recipe_that_changes_meanwhile(
    tiny: Path, reports: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, make_notebook: Callable[..., Path],
    changes: int, state: str, begun: int,
) -> None:  # fmt: skip
    """A run whose recipe changes is begun anew, three times at most; then a sentence says which file it is."""
    recipe, numbers = tmp_path / "pot.yaml", tmp_path / "numbers"
    recipe.write_text("first", encoding="utf-8")
    cells = ["".join(cell["source"]) for cell in json.loads(tiny.read_text(encoding="utf-8"))["cells"]]
    change = "if (begun := int(Path(wait_for).read_text() or 0)) < count: Path(recipe).write_text(str(begun))\n"
    count_up = "Path(wait_for).write_text(str(begun + 1))\n"
    make_notebook(tiny, RECIPE_TOO + cells[0], *cells[1:], change + count_up)
    numbers.touch()
    given = {"recipe": str(recipe), "wait_for": str(numbers), "count": changes}
    outcome = make_report(Run("pot", tiny, given), reports)
    assert outcome.state == state, outcome.why
    assert numbers.read_text(encoding="utf-8") == str(begun)
    if state == "failed":
        assert outcome.why[0] == f"pot: {recipe} changes while the run reads it; try again later"
        assert left_over(reports) == []
    else:
        kept = json.loads((reports / "pot" / "provenance.json").read_text(encoding="utf-8"))["used"][f"file {recipe}"]
        assert kept == hashlib.sha256(recipe.read_bytes()).hexdigest()


def test_stopped_kernels_begin_no_others(tiny: Path, tmp_path: Path) -> None:
    """While all are being stopped none begins; afterwards it goes on as before."""
    with kernels.all_stopped(), pytest.raises(kernels.StoppedError):
        kernels.execute(tiny, tmp_path / "out.ipynb", {"output": str(tmp_path)}, folder=tmp_path, limit=30)
    kernels.execute(tiny, tmp_path / "out.ipynb", {"output": str(tmp_path)}, folder=tmp_path, limit=30)
    assert (tmp_path / "summary.json").is_file()
