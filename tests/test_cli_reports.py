"""Commands that make reports: what they say, their exit codes, and values that are wrong."""

from __future__ import annotations

import os
import re
import time
from pathlib import Path
from typing import Any

import pytest

from swaptable import cli
from swaptable.basics.errors import SwaptableError
from swaptable.runs import gallery
from swaptable.runs.runs import Outcome


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory, copied: Any) -> Any:
    """A copy of the project with one run made and one that fails."""
    project = copied(tmp_path_factory.mktemp("reports") / "project")
    project.write_runs(good="tiny", bad="tiny {trouble: error}")
    done = project.run("report", "--jobs", "1")
    assert done.returncode == 1
    assert done.stdout == "2 runs: 1 made, 0 up to date, 1 failed: reports/index.html\n"
    assert done.stderr == "bad: ValueError: no more first (notebook kept in reports/failed/bad) [S40]\n"
    return project


WHY = "good: up to date\nbad: there is no report yet\n"


def test_dry_says_what_would_be_made(workspace: Any) -> None:
    """Nothing is made or written, and what would be, and why, is said."""
    before = {path: path.stat().st_mtime_ns for path in workspace.reports.rglob("*")}
    done = workspace.run("report", "--dry")
    assert (done.returncode, done.stdout, done.stderr) == (0, f"{WHY}1 of 2 runs would be made\n", "")
    done = workspace.run("report", "--dry", "--force", "good")
    assert done.stdout == "good: asked for\n1 of 1 runs would be made\n"
    assert {path: path.stat().st_mtime_ns for path in workspace.reports.rglob("*")} == before


def test_why_says_why_and_makes_it(workspace: Any) -> None:
    """The reasons come first, then the result."""
    done = workspace.run("report", "--why")
    assert done.returncode == 1
    assert done.stdout == f"{WHY}2 runs: 0 made, 1 up to date, 1 failed: reports/index.html\n"


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such terminals")
def test_progress_is_shown_on_a_terminal_alone(workspace: Any) -> None:
    """A forced run is made again; a person sees how many are done, another program gets the result alone."""
    import termios

    terminal, its = os.openpty()
    termios.tcsetwinsize(its, (24, 80))
    done = workspace.run("report", "good", "--force", stderr=its)
    os.close(its)
    told = os.read(terminal, 100_000).decode("utf-8", "replace")
    os.close(terminal)
    assert done.stdout == "1 run: 1 made, 0 up to date: reports/index.html\n"
    assert re.search(r"reports: +100%.*1/1", told)


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such terminals")
def test_limit_ends_a_run(workspace: Any) -> None:
    """The limit is in seconds, for one run."""
    workspace.write_runs(good="tiny", slow="tiny {wait_for: never}")
    try:
        began = time.monotonic()
        done = workspace.run("report", "--limit", "1.5")
    finally:
        workspace.write_runs(good="tiny", bad="tiny {trouble: error}")
    assert time.monotonic() - began < 20
    assert done.returncode == 1
    assert done.stderr.startswith("slow: took longer than the limit of 1.5 seconds for one run")


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--jobs", "0"], "found --jobs 0; expected 1 or more"),
        (["--jobs", "-1"], "found --jobs -1; expected 1 or more"),
        (["--limit", "0"], "found --limit 0; expected seconds above 0, 604800 at most"),
        (["--limit", "-3"], "found --limit -3; expected"),
        (["--limit", "nan"], "found --limit nan; expected"),
        (["--limit", "inf"], "found --limit inf; expected"),
        (["barley_pot_bone_helth"], "found run 'barley_pot_bone_helth'; expected one of barley_pot_blood_pressure"),
        (["mine/my.yaml"], "found run 'mine/my.yaml'; expected one of barley_pot_blood_pressure"),
        (["mine/my.yaml"], "to take the runs of a file say --runs mine/my.yaml"),
        (["--runs", "no_runs.yaml"], "no_runs.yaml: cannot be read"),
    ],
    ids=lambda value: "".join(value) if isinstance(value, list) else "",
)
def test_wrong_values(tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], told: str) -> None:
    """Wrong values are wrong input, told in one line, and nothing is written."""
    assert cli.main(["report", *arguments, "--reports", str(tmp_path / "out")]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert told in captured.err
    assert captured.err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("arguments", [["--jobs", "x"], ["--limit", "long"]], ids="".join)
def test_wrong_usage(capsys: pytest.CaptureFixture[str], arguments: list[str]) -> None:
    """What is no number is wrong usage."""
    assert cli.main(["report", *arguments]) == 2
    assert f"argument {arguments[0]}: invalid" in capsys.readouterr().err


def test_failed_run_exits_with_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """If a run fails the exit code is 1, and the line on standard output counts all."""

    def all_but_one(runs: Any, reports: Path, **_: Any) -> list[Outcome]:
        return [Outcome(run.name, "failed" if run is runs[0] else "made") for run in runs]

    monkeypatch.setattr("swaptable.runs.runs.run_all", all_but_one)
    assert cli.main(["report", "--reports", str(tmp_path)]) == 1
    assert re.match(r"(\d+) runs?: \d+ made, 0 up to date, 1 failed: ", capsys.readouterr().out)


def test_reports_that_are_a_file_is_wrong_input(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A folder for the reports that is a file exits with 2 and names it."""
    file = tmp_path / "file"
    file.write_text("mine", encoding="utf-8")
    assert cli.main(["report", "oat_pancakes_bone_health", "--reports", str(file)]) == 2
    assert str(file) in capsys.readouterr().err
    assert file.read_text(encoding="utf-8") == "mine"


def test_results_that_differ_are_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is the same is counted, what is not is named, and the exit code tells."""
    monkeypatch.setattr("swaptable.runs.reproduce.reproduce", lambda *_: (["summary.json"], ["tables/variants.csv"]))
    assert cli.main(["reproduce", "1", str(tmp_path / "again")]) == 1
    said = capsys.readouterr()
    assert said.out.endswith("again: 1 results are the same, 1 differ\n")
    assert said.err == "differs: tables/variants.csv\n"


def test_the_gallery_is_replaced_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each picture is the chart of its run, and is named; if a run fails, all stay as they were."""
    states = iter(("made", "failed"))

    def run_none(runs: list[Any], work: Path) -> list[Outcome]:
        for run, chart in gallery.PICTURES.values():
            picture = work / run / "figures" / f"{chart}.png"
            picture.parent.mkdir(parents=True, exist_ok=True)
            picture.write_text(f"{chart} of {run}", encoding="utf-8")
        assert {run.name for run in runs} == {run for run, _ in gallery.PICTURES.values()}
        return [Outcome(runs[0].name, next(states), ["ValueError: no more"])]

    monkeypatch.setattr(gallery, "run_all", run_none)
    monkeypatch.setattr(gallery, "REPORTS", tmp_path)
    assert cli.main(["gallery"]) == 0
    assert len(capsys.readouterr().out.splitlines()) == len(gallery.PICTURES)
    pictures = {path.stem: path.read_text(encoding="utf-8") for path in (tmp_path / "gallery").iterdir()}
    assert pictures == {name: f"{chart} of {run}" for name, (run, chart) in gallery.PICTURES.items()}
    (tmp_path / "gallery" / "density.png").write_text("before", encoding="utf-8")
    with pytest.raises(SwaptableError, match="ValueError: no more"):
        gallery.make_gallery()
    assert (tmp_path / "gallery" / "density.png").read_text(encoding="utf-8") == "before"
