"""Commands that make reports: what they say, their exit codes, and values that are wrong."""

from __future__ import annotations

import os
import re
import time
from pathlib import Path
from typing import Any

import pytest

from swaptable import cli
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
