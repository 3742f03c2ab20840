"""Examples of a scheduled job cannot rot: they are what their programs read, and every command in them is ours."""

from __future__ import annotations

import argparse
import configparser
import importlib
import pkgutil
import re
import shlex
import shutil
import subprocess
import xml.etree.ElementTree as ElementTree
from pathlib import Path
from typing import Any

import pytest
import yaml

import swaptable.commands

ROOT = Path(__file__).parents[1]
SCHEDULES = ROOT / "helpers" / "schedules"
WORKFLOWS = ROOT / ".github" / "workflows"
FILES = sorted([*SCHEDULES.iterdir(), *WORKFLOWS.glob("*.yml")])
UNITS = sorted(path for path in FILES if path.suffix in (".service", ".timer"))
NIGHTLY = [SCHEDULES / "crontab", SCHEDULES / "swaptable.service", SCHEDULES / "swaptable_task.xml",
           WORKFLOWS / "reports.yml"]  # fmt: skip
# One of our commands, up to where a shell or a quotation mark ends it.
COMMAND = re.compile(r"(?:helpers[/\\]start\.py|(?<![\w/.-])swaptable)[ ]+([a-z][^;&|>\"')}\n<]*)")
DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


@pytest.fixture(scope="module")
def parser() -> argparse.ArgumentParser:
    """A command line with all of our commands."""
    whole = argparse.ArgumentParser()
    commands = whole.add_subparsers(required=True)
    for module in pkgutil.iter_modules(swaptable.commands.__path__):
        found = importlib.import_module(f"swaptable.commands.{module.name}")
        if hasattr(found, "add_to"):
            found.add_to(commands)
    return whole


def commands_in(path: Path) -> list[list[str]]:
    """Give the words of every command of ours in an example, without its comments."""
    text = path.read_text(encoding="utf-8")
    text = (
        ElementTree.tostring(ElementTree.fromstring(text), encoding="unicode", method="text")
        if path.suffix == ".xml"
        else "\n".join(line for line in text.splitlines() if not line.lstrip().startswith("#"))
    )
    return [shlex.split(re.sub(r"\s2$", "", found.strip())) for found in COMMAND.findall(text)]  # fmt: skip


def workflow(name: str) -> dict[str, Any]:
    """Read a workflow; YAML 1.1 takes its key `on` for true."""
    found = yaml.safe_load((WORKFLOWS / f"{name}.yml").read_text(encoding="utf-8"))
    return {("on" if key is True else key): value for key, value in found.items()}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_examples_are_plain_text_of_no_machine(path: Path) -> None:
    """UTF-8 with LF ends, no tabs, no account of a person."""
    raw = path.read_bytes()
    assert b"\r" not in raw
    assert b"\t" not in raw
    assert raw.endswith(b"\n")
    assert not re.search(r"/(home|Users)/\w|@(?!example\.org)[\w-]+\.(com|org|net)", raw.decode("utf-8"))


@pytest.mark.parametrize("path", [path for path in FILES if path.suffix != ".timer" and "alert" not in path.name],
                         ids=lambda path: path.name)  # fmt: skip
def test_every_command_is_one_of_ours(path: Path, parser: argparse.ArgumentParser) -> None:
    """Each command of an example, with its options, is understood by our command line, or is the README's test."""
    found = commands_in(path)
    assert found
    for words in found:
        if words != ["test"]:
            parser.parse_args(words)


@pytest.mark.parametrize("path", NIGHTLY, ids=lambda path: path.name)
def test_the_job_makes_the_reports_and_then_tells(path: Path) -> None:
    """Every dialect runs the same two commands in the same order."""
    assert commands_in(path) == [["report"], ["changes", "--once"]]


def test_a_misspelt_command_would_be_found(tmp_path: Path, parser: argparse.ArgumentParser) -> None:
    """The test above can fail."""
    path = tmp_path / "crontab"
    path.write_text("17 4 * * * cd x && python3 helpers/start.py reports --once > a 2>&1\n", encoding="utf-8")
    assert commands_in(path) == [["reports", "--once"]]
    with pytest.raises(SystemExit):
        parser.parse_args(commands_in(path)[0])


def in_range(field: str, low: int, high: int) -> bool:
    """Tell whether a field of cron is a star or numbers, ranges and steps between two bounds (POSIX crontab)."""
    for part in field.split(","):
        found = re.fullmatch(r"(?:\*|(\d+)(?:-(\d+))?)(?:/([1-9]\d*))?", part)
        if not found:
            return False
        first, last = (int(each) if each else None for each in found.groups()[:2])
        if first is not None and not low <= first <= (last if last is not None else first) <= high:
            return False
    return True


def is_cron(fields: list[str]) -> bool:
    """Tell whether five fields are minute, hour, day, month and day of the week."""
    bounds = ((0, 59), (0, 23), (1, 31), (1, 12), (0, 7))
    return len(fields) == 5 and all(in_range(field, *bound) for field, bound in zip(fields, bounds, strict=True))


def test_the_crontab_has_five_fields_and_a_command() -> None:
    """One job; a % would end its command, and every variable has a value."""
    lines = (SCHEDULES / "crontab").read_text(encoding="utf-8").splitlines()
    lines = [line for line in lines if line and not line.startswith("#")]
    jobs = [line for line in lines if not re.match(r"[A-Z]+=\S", line)]
    assert len(jobs) == 1
    *fields, command = jobs[0].split(None, 5)
    assert is_cron(fields)
    assert "%" not in command
    assert command.count("{") == command.count("}") == 1


@pytest.mark.parametrize(
    "fields", ["60 4 * * *", "0 24 * * *", "0 0 0 * *", "0 0 * 13 *", "0 0 * * 8", "0 0 * *", "a * * * *"]
)
def test_a_wrong_cron_line_would_be_found(fields: str) -> None:
    """The test above can fail."""
    assert not is_cron(fields.split())


@pytest.mark.skipif(shutil.which("sh") is None, reason="no POSIX shell here")
@pytest.mark.parametrize(("report", "changes", "told"), [(0, 0, ""), (0, 3, "R\nC\n"), (1, 0, "R\n")])
def test_cron_mails_only_what_a_human_must_see(tmp_path: Path, report: int, changes: int, told: str) -> None:
    """Nothing is printed if all is well; all of it if a run failed (1) or a conclusion flipped (3)."""
    line = (SCHEDULES / "crontab").read_text(encoding="utf-8").splitlines()[-1]
    folder = tmp_path / "swaptable"
    (folder / "reports").mkdir(parents=True)
    command = line.split(None, 5)[5].replace("python3 helpers/start.py", "ours")
    answers = f"ours() {{ case $1 in report) echo R; return {report};; *) echo C; return {changes};; esac; }}\n"
    done = subprocess.run(
        ["sh", "-c", answers + command], env={"HOME": str(tmp_path), "PATH": "/usr/bin:/bin"}, text=True,
        capture_output=True, check=False,
    )  # fmt: skip
    assert (done.stdout, done.stderr) == (told, "")


def unit(path: Path) -> configparser.RawConfigParser:
    """Read a unit; a key may stand there several times, as ExecStart does."""
    found = configparser.RawConfigParser(strict=False, delimiters=("=",), comment_prefixes=("#", ";"))
    found.optionxform = str  # type: ignore[assignment, method-assign]
    found.read_string(path.read_text(encoding="utf-8"))
    return found


def test_the_units_belong_together() -> None:
    """The timer starts the service of its name; the service names the alert that is there, and runs no shell."""
    timer, service, alert = (
        unit(SCHEDULES / name) for name in ("swaptable.timer", "swaptable.service", "swaptable-alert.service")
    )
    assert timer.sections() == ["Unit", "Timer", "Install"]
    assert timer["Install"]["WantedBy"] == "timers.target"
    assert timer["Timer"]["Persistent"] == "true"
    assert {service["Service"]["Type"], alert["Service"]["Type"]} == {"oneshot"}
    assert (SCHEDULES / service["Unit"]["OnFailure"]).is_file()
    lines = re.findall(r"^ExecStart=(.*)$", (SCHEDULES / "swaptable.service").read_text(encoding="utf-8"), re.M)
    assert len(lines) == 2
    assert all(line.startswith("/usr/bin/python3 ") for line in lines)
    assert "SuccessExitStatus" not in service["Service"]  # 3 must count as a failure, or nobody is told


def test_the_timer_names_a_time() -> None:
    """Days of the week, and a time of day (systemd.time, calendar events)."""
    when = unit(SCHEDULES / "swaptable.timer")["Timer"]["OnCalendar"]
    found = re.fullmatch(r"(\w{3})\.\.(\w{3}) (\d\d):(\d\d)", when)
    assert found
    assert DAYS.index(found[1]) < DAYS.index(found[2])
    assert (int(found[3]) < 24, int(found[4]) < 60) == (True, True)


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd here")
def test_systemd_has_nothing_to_say_of_the_units() -> None:
    """Where systemd is at hand, it reads the units itself."""
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *map(str, UNITS)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")


# Elements of the published schema of tasks (Task Scheduler Schema, version 1.3) that an example may use: those within
# each, and whether their order counts.
TASK = {
    "Task": ({"RegistrationInfo", "Triggers", "Settings", "Data", "Principals", "Actions"}, None),
    "RegistrationInfo": ({"URI", "Source", "Date", "Author", "Version", "Description", "Documentation"}, None),
    "Triggers": ({"CalendarTrigger", "TimeTrigger", "BootTrigger", "LogonTrigger"}, None),
    "CalendarTrigger": (
        {"Enabled", "StartBoundary", "EndBoundary", "Repetition", "ExecutionTimeLimit", "RandomDelay", "ScheduleByDay",
         "ScheduleByWeek"},
        ["Enabled", "StartBoundary", "EndBoundary", "Repetition", "ExecutionTimeLimit", "RandomDelay", "ScheduleByDay",
         "ScheduleByWeek"],
    ),
    "ScheduleByWeek": ({"WeeksInterval", "DaysOfWeek"}, None),
    "DaysOfWeek": ({"Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"}, None),
    "Principals": ({"Principal"}, None),
    "Principal": ({"UserId", "LogonType", "GroupId", "DisplayName", "RunLevel"}, None),
    "Settings": (
        {"AllowStartOnDemand", "MultipleInstancesPolicy", "DisallowStartIfOnBatteries", "StopIfGoingOnBatteries",
         "AllowHardTerminate", "StartWhenAvailable", "RunOnlyIfNetworkAvailable", "WakeToRun", "Enabled", "Hidden",
         "ExecutionTimeLimit", "Priority"},
        None,
    ),
    "Actions": ({"Exec"}, None),
    "Exec": ({"Command", "Arguments", "WorkingDirectory"}, None),
}  # fmt: skip
ALLOWED = {
    "LogonType": r"S4U|Password|InteractiveToken",
    "RunLevel": r"LeastPrivilege|HighestAvailable",
    "MultipleInstancesPolicy": r"Parallel|Queue|IgnoreNew|StopExisting",
    "StartBoundary": r"\d{4}-[01]\d-[0-3]\dT[0-2]\d:[0-5]\d:[0-5]\d",
    "ExecutionTimeLimit": r"PT\d+[HM]",
    "WeeksInterval": r"[1-9]|[1-4]\d|5[0-2]",
    **dict.fromkeys(("Enabled", "StartWhenAvailable", "DisallowStartIfOnBatteries", "StopIfGoingOnBatteries"),
                    r"true|false"),
}  # fmt: skip


def check_task(element: ElementTree.Element) -> None:
    """Check an element of a task and all within it."""
    name = element.tag.rpartition("}")[2]
    within = [child.tag.rpartition("}")[2] for child in element]
    allowed, order = TASK.get(name, (set(), None))
    assert set(within) <= allowed, name
    if order is not None:
        assert within == sorted(within, key=order.index), f"{name}: order"
    if name not in ("Triggers", "Actions"):
        assert len(set(within)) == len(within), f"{name}: twice"
    if name in ALLOWED:
        assert re.fullmatch(ALLOWED[name], element.text or ""), f"{name}: {element.text}"
    for child in element:
        check_task(child)


def task() -> ElementTree.Element:
    """Read the task."""
    return ElementTree.fromstring((SCHEDULES / "swaptable_task.xml").read_text(encoding="utf-8"))


def test_the_task_keeps_to_the_published_schema() -> None:
    """Well formed, in the namespace of tasks, with known elements in their order and known values."""
    found = task()
    assert {element.tag.partition("}")[0] for element in found.iter()} == {
        "{http://schemas.microsoft.com/windows/2004/02/mit/task"
    }
    check_task(found)
    space = {"t": "http://schemas.microsoft.com/windows/2004/02/mit/task"}
    actions = found.find("t:Actions", space)
    assert actions is not None
    assert found.find(f"t:Principals/t:Principal[@id='{actions.get('Context')}']", space) is not None
    assert all(len(command.text or "") <= 260 for command in actions.iter(f"{{{space['t']}}}Command"))


def test_an_element_out_of_order_would_be_found() -> None:
    """The test above can fail."""
    found = task()
    trigger = next(element for element in found.iter() if element.tag.endswith("CalendarTrigger"))
    trigger[:] = trigger[::-1]
    with pytest.raises(AssertionError, match="CalendarTrigger: order"):
        check_task(found)


@pytest.mark.parametrize("name", ["tests", "reports"])
def test_workflows_pin_actions_and_ask_for_little(name: str) -> None:
    """Actions are pinned by major version; a job has a time limit; nothing may write the repository."""
    found = workflow(name)
    assert found["permissions"]["contents"] == "read"
    assert set(found["permissions"]) <= {"contents", "issues"}
    for job in found["jobs"].values():
        assert job["timeout-minutes"] <= 120
        for step in job["steps"]:
            assert ("uses" in step) != ("run" in step)
            assert re.fullmatch(r"actions/[\w/-]+@v\d+", step.get("uses", "actions/none@v1"))
            assert "${{" not in step.get("run", "")  # what is put into a script by text could run there


def test_the_tests_run_where_the_readme_says() -> None:
    """Python 3.11 to 3.13 on Linux, macOS and Windows: the README's test command, and the wheel in an empty place."""
    jobs = workflow("tests")["jobs"]
    for job in jobs.values():
        assert job["strategy"]["matrix"] == {
            "os": ["ubuntu-latest", "macos-latest", "windows-latest"],
            "python": ["3.11", "3.12", "3.13"],
        }
        assert job["runs-on"] == "${{ matrix.os }}"
        assert any(step.get("with", {}).get("python-version") == "${{ matrix.python }}" for step in job["steps"])
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    command = "python3 helpers/start.py test"
    assert command in readme
    assert [step["run"] for step in jobs["tests"]["steps"] if "run" in step] == [command.replace("python3", "python")]
    oldest = re.search(r'requires-python = ">=(.*)"', (ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert oldest
    assert oldest[1] == jobs["tests"]["strategy"]["matrix"]["python"][0]


def test_the_scheduled_reports_are_kept_and_an_alert_is_opened() -> None:
    """The ledger comes back and is kept, even after a failure; code 3 opens an alert, and the job fails."""
    found = workflow("reports")
    assert is_cron(found["on"]["schedule"][0]["cron"].split())
    (job,) = found["jobs"].values()
    uses = [step.get("uses", "").partition("@")[0] for step in job["steps"]]
    told = next(at for at, step in enumerate(job["steps"]) if step.get("id") == "changes")
    assert uses.index("actions/cache/restore") < told < uses.index("actions/cache/save")
    for action in ("actions/cache/save", "actions/upload-artifact"):
        assert job["steps"][uses.index(action)]["if"] == "always()"
    alert = next(step for step in job["steps"] if "3" in step.get("if", ""))
    assert alert["if"] == "steps.changes.outputs.code == '3'"
    assert found["permissions"]["issues"] == "write"
    assert job["steps"][-1]["run"] == 'exit "$CODE"'
