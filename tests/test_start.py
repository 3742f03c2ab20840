"""The one-command start keeps its promises; nothing here needs a network or makes a whole environment."""

from __future__ import annotations

import ast
import importlib.util
import os
import re
import signal
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from types import ModuleType

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

HELPERS = Path(__file__).resolve().parents[1] / "helpers"
SOURCE = HELPERS / "start.py"
LOCK = HELPERS / "requirements.lock"


class Installer:
    """Stand in for the steps of an installation: remember each, and fail those that name a given word."""

    def __init__(self) -> None:
        self.steps: list[list[str]] = []
        self.broken: tuple[str, ...] = ()

    def __call__(self, command: list[str]) -> bool:
        """Note the step and say whether it worked."""
        self.steps.append(command)
        return not any(word in command for word in self.broken)


@pytest.fixture
def start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """Load start.py and point it at a small project of its own, with this Python as the environment's."""
    spec = importlib.util.spec_from_file_location("start", SOURCE)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    lock, project, venv = tmp_path / "requirements.lock", tmp_path / "pyproject.toml", tmp_path / ".venv"
    lock.write_text("a==1 \\\n    --hash=sha256:00\nuv==2 \\\n    --hash=sha256:11\n    # via x\nz==3\n")
    project.write_text("[project]\n")
    places = {
        "ROOT": tmp_path,
        "LOCK": lock,
        "PROJECT": project,
        "VENV": venv,
        "PYTHON": Path(sys.executable),
    }
    places |= {"STAMP": venv / "stamp", "GUARD": venv / "guard", "LOG": venv / "install.log"}
    for name, place in places.items():
        monkeypatch.setattr(module, name, place)
    return module


@pytest.fixture
def installer(start: ModuleType, monkeypatch: pytest.MonkeyPatch) -> Installer:
    """Put the stand-in in the place of the real steps."""
    stand_in = Installer()
    monkeypatch.setattr(start, "run", stand_in)
    return stand_in


@pytest.fixture
def handed(start: ModuleType, monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """Collect what would be handed over, from an environment that is ready."""
    calls: list[list[str]] = []
    monkeypatch.setattr(start, "is_ready", lambda: True)
    monkeypatch.setattr(start, "hand_over", lambda words, folder=None: calls.append(words) or 0)
    return calls


def one_line(capsys: pytest.CaptureFixture[str]) -> str:
    """Return what was said, which has to be one line and no traceback."""
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1
    return lines[0]


def test_without_a_word_it_prints_help_and_makes_nothing(start: ModuleType, capsys: pytest.CaptureFixture[str]) -> None:
    """The help names the two commands a newcomer needs."""
    assert start.main([]) == 0
    text = capsys.readouterr().out
    assert "start.py report" in text
    assert "start.py test" in text
    assert not start.VENV.exists()


def test_old_python_is_told_what_is_needed(
    start: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A Python below the oldest that will do gets one sentence with both versions."""
    monkeypatch.setattr(start, "OLDEST", (99, 1))
    assert start.main(["report"]) == 1
    line = one_line(capsys)
    assert "99.1" in line
    assert ".".join(map(str, sys.version_info[:2])) in line
    assert not start.VENV.exists()


def test_old_python_can_read_the_file() -> None:
    """Python 3.6 parses the file and evaluates nothing it lacks in an annotation."""
    tree = ast.parse(SOURCE.read_text(encoding="utf-8"), feature_version=(3, 6))
    hints = [arg.annotation for arg in ast.walk(tree) if isinstance(arg, ast.arg)]
    hints += [node.returns for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    assert all(isinstance(hint, (ast.Constant, ast.Name, type(None))) for hint in hints)


@pytest.mark.parametrize("missing", ["venv", "ensurepip"])
def test_missing_venv_module_is_told_with_the_remedy(
    start: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], missing: str
) -> None:
    """Some systems leave these modules out of their Python."""
    monkeypatch.setattr(start.importlib.util, "find_spec", lambda name: None if name == missing else name)
    assert start.main(["report"]) == 1
    assert "apt install python3-venv" in one_line(capsys)
    assert not start.VENV.exists()


def test_finished_environment_is_taken_as_it_is(start: ModuleType, installer: Installer) -> None:
    """The second start finds nothing to do."""
    assert not start.is_ready()
    start.prepare()
    assert start.is_ready()
    done = len(installer.steps)
    start.prepare()
    assert len(installer.steps) == done


@pytest.mark.parametrize("name", ["LOCK", "PROJECT"])
def test_changed_file_asks_for_a_new_environment(start: ModuleType, installer: Installer, name: str) -> None:
    """The lock and the project's file both count."""
    start.prepare()
    place: Path = getattr(start, name)
    place.write_text(place.read_text() + "# changed\n")
    assert not start.is_ready()


def test_other_python_or_place_asks_for_a_new_environment(
    start: ModuleType, installer: Installer, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """An environment serves one Python, in the folder it was made in."""
    here = start.wanted_stamp()
    monkeypatch.setattr(start, "VENV", tmp_path / "moved" / ".venv")
    there = start.wanted_stamp()
    monkeypatch.setattr(start.sys, "version_info", (3, 99, 0))
    assert len({here, there, start.wanted_stamp()}) == 3


@pytest.mark.parametrize("content", [None, "", "#!/bin/sh\nexit 1\n"])
def test_broken_interpreter_is_noticed(
    start: ModuleType,
    installer: Installer,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    content: str | None,
) -> None:
    """A fitting stamp is not enough: the environment's Python has to run."""
    start.prepare()
    python = tmp_path / "python.exe"
    if content is not None:
        python.write_text(content)
        python.chmod(0o755)
    monkeypatch.setattr(start, "PYTHON", python)
    assert not start.is_ready()


def test_garbled_stamp_is_no_stamp(start: ModuleType, installer: Installer) -> None:
    """Whatever bytes a crash leaves there, the environment is made anew."""
    start.prepare()
    start.STAMP.write_bytes(b"\xff\x00")
    assert not start.is_ready()
    start.prepare()
    assert start.is_ready()


def test_half_made_environment_is_emptied_first(start: ModuleType, installer: Installer) -> None:
    """What an interrupted start left behind does not reach the next environment."""
    left = start.VENV / "lib" / "half"
    left.mkdir(parents=True)
    (start.VENV / "pyvenv.cfg").touch()
    start.prepare()
    assert not left.exists()
    assert not (start.VENV / "pyvenv.cfg").exists()


@pytest.mark.parametrize("broken", ["venv", "pip"])
def test_failed_installation_is_one_sentence_and_no_stamp(
    start: ModuleType, installer: Installer, capsys: pytest.CaptureFixture[str], broken: str
) -> None:
    """The person learns where the details are; the next start begins again and can succeed."""
    installer.broken = (broken,)
    assert start.main(["report"]) == 1
    said = capsys.readouterr().err
    assert "Traceback" not in said
    assert str(start.LOG) in said.splitlines()[-1]
    assert not start.STAMP.exists()
    installer.broken = ()
    start.prepare()
    assert start.is_ready()


def test_interruption_leaves_no_stamp(
    start: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Ctrl-C ends quietly, and nothing half-made passes for finished."""

    def interrupted(command: list[str]) -> bool:
        raise KeyboardInterrupt

    monkeypatch.setattr(start, "run", interrupted)
    assert start.main(["report"]) == 130
    assert "Traceback" not in capsys.readouterr().err
    assert not start.is_ready()


def test_file_changed_during_installation_does_not_pass_for_installed(
    start: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The stamp tells of the files as they were when the work began."""

    def edited(command: list[str]) -> bool:
        start.LOCK.write_text("uv==3\n")
        return True

    monkeypatch.setattr(start, "run", edited)
    start.prepare()
    assert not start.is_ready()


def test_pip_takes_over_where_uv_cannot(
    start: ModuleType, installer: Installer, capsys: pytest.CaptureFixture[str]
) -> None:
    """With uv failing, pip installs the same list, hashes checked, and the project."""
    installer.broken = ("uv",)
    start.prepare()
    assert "pip tries" in capsys.readouterr().err
    locked, project = installer.steps[-2:]
    assert "uv" not in locked
    assert "--require-hashes" in locked
    assert "uv==" not in Path(locked[-1]).read_text()
    assert project[-2:] == ["-e", str(start.ROOT)]
    assert start.is_ready()


def test_only_one_start_at_a_time(start: ModuleType) -> None:
    """The guard is taken while one start works, and free afterwards."""
    start.VENV.mkdir()
    with start.alone(), start.GUARD.open("a") as other:
        assert not start.try_lock(other)
    with start.GUARD.open("a") as other:
        assert start.try_lock(other)


def test_killed_start_does_not_keep_the_guard(start: ModuleType) -> None:
    """The system frees the guard of a process that is no more."""
    start.VENV.mkdir()
    code = (
        "import sys, time, pathlib\n"
        f"sys.path.insert(0, {str(HELPERS)!r})\n"
        "import start\n"
        f"start.GUARD = pathlib.Path({str(start.GUARD)!r})\n"
        "with start.alone():\n"
        "    print('held', flush=True)\n"
        "    time.sleep(600)\n"
    )
    with (
        subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as holder,
        start.GUARD.open("a") as other,
    ):
        assert holder.stdout is not None
        said = holder.stdout.readline()
        free_before = start.try_lock(other)
        holder.kill()
        holder.wait()
        assert said == "held\n"
        assert not free_before
        assert start.try_lock(other)


@pytest.mark.parametrize("word", ["report", "table"])
def test_words_reach_the_program_unchanged(start: ModuleType, handed: list[list[str]], word: str) -> None:
    """Any word but ``test``, and all that follows, is for the project's own command line."""
    assert start.main([word, "--flag", "a b"]) == 0
    assert handed == [["swaptable", word, "--flag", "a b"]]


def test_checks_run_in_turn_and_pytest_gets_the_rest(start: ModuleType, handed: list[list[str]]) -> None:
    """The word ``test`` runs ruff, mypy and pytest."""
    assert start.main(["test", "-k", "salt"]) == 0
    assert [words[0] for words in handed] == ["ruff", "ruff", "mypy", "pytest"]
    assert handed[-1][-2:] == ["-k", "salt"]
    assert "-k" not in str(handed[:-1])


@pytest.mark.parametrize(
    ("codes", "result", "ran"),
    [((0, 0, 0, 0), 0, 4), ((0, 1, 0, 5), 1, 4), ((0, 0, 0, 5), 5, 4), ((0, 130, 0, 0), 130, 2)],
)
def test_first_failing_check_gives_the_exit_code(
    start: ModuleType, monkeypatch: pytest.MonkeyPatch, codes: tuple[int, ...], result: int, ran: int
) -> None:
    """All checks run, so that one run tells all, unless one was ended from outside."""
    left = list(codes)
    monkeypatch.setattr(start, "hand_over", lambda words, folder: left.pop(0))
    assert start.run_checks([]) == result
    assert len(codes) - len(left) == ran


@pytest.fixture
def _same_signals() -> Iterator[None]:
    """Put back the handler that handing over sets."""
    before = signal.getsignal(signal.SIGTERM)
    yield
    signal.signal(signal.SIGTERM, before)


@pytest.mark.usefixtures("_same_signals")
@pytest.mark.parametrize("code", [0, 1, 7])
def test_exit_code_is_passed_on(start: ModuleType, tmp_path: Path, code: int) -> None:
    """The caller sees the exit code of the program."""
    (tmp_path / "stand_in.py").write_text("import sys\nsys.exit(int(sys.argv[1]))\n")
    assert start.hand_over(["stand_in", str(code)], tmp_path) == code


@pytest.mark.usefixtures("_same_signals")
@pytest.mark.skipif(os.name == "nt", reason="Windows has no such signals")
def test_death_by_signal_is_told_as_a_shell_tells_it(start: ModuleType, tmp_path: Path) -> None:
    """128 and the signal's number."""
    (tmp_path / "stand_in.py").write_text("import os\nos.kill(os.getpid(), 9)\n")
    assert start.hand_over(["stand_in"], tmp_path) == 137


def entries(text: str) -> list[str]:
    """Return the entries of a lock, each with its hashes."""
    return re.split(r"^(?=\S)", text, flags=re.MULTILINE)[1:]


def test_lock_is_complete_and_names_no_host() -> None:
    """Each entry is one exact version with hashes, and tells nobody where to fetch it."""
    text = LOCK.read_text(encoding="utf-8")
    assert "://" not in text
    assert not re.search(r"^-", text, flags=re.MULTILINE)
    for entry in entries(text):
        assert re.match(r"[a-z0-9-]+==[\w.]+ ", entry), entry
        assert "--hash=sha256:" in entry, entry


def test_lock_holds_what_the_project_asks_for() -> None:
    """A dependency that was added or raised in pyproject.toml has to be in the lock too."""
    file = tomllib.loads((HELPERS.parent / "pyproject.toml").read_text(encoding="utf-8"))
    groups = [file["build-system"]["requires"], file["project"]["dependencies"]]
    extras = file["project"].get("optional-dependencies", {})
    groups += [needed for extra, needed in extras.items() if extra != "fuzz"]  # its wheel is not there for all systems
    locked = dict(re.findall(r"^([a-z0-9-]+)==([\w.]+)", LOCK.read_text(encoding="utf-8"), flags=re.MULTILINE))
    for requirement in map(Requirement, chain.from_iterable(groups)):
        version = locked.get(canonicalize_name(requirement.name))
        assert version is not None, f"{requirement} is not in the lock"
        assert requirement.specifier.contains(version), f"{requirement} but the lock has {version}"


def test_split_takes_uv_out_and_loses_nothing(start: ModuleType) -> None:
    """The installer's own entry comes first; the others stay as they are."""
    text = LOCK.read_text(encoding="utf-8")
    uv_part, other_part = start.split_lock(text)
    assert len(entries(uv_part)) == 1
    assert uv_part.startswith("uv==")
    assert sorted(entries(uv_part) + entries(other_part)) == sorted(entries(text))
