"""Faults: whatever is killed, full, slow or damaged, no report is half a report and the next run puts all in order.

Most kills hit a runner whose notebook is a stand-in of a few milliseconds, so that hundreds of them at every stage take
seconds. ``SWAPTABLE_KILLS`` and ``SWAPTABLE_REAL_KILLS`` raise the numbers.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from swaptable.runs.ledger import read_ledger

KILLS, REAL_KILLS = int(os.environ.get("SWAPTABLE_KILLS", "200")), int(os.environ.get("SWAPTABLE_REAL_KILLS", "6"))
unix = pytest.mark.skipif(os.name == "nt", reason="Windows has no such signals")

# What a report must be at any moment, and a stand-in for notebooks; both used in processes of the copied project.
CHECKS = """import json, os, random, signal, sys, time
from pathlib import Path
from swaptable.runs import ledger
from swaptable.runs import runs
from swaptable.basics import whole_files
from swaptable.runs.freshness import Now, begin_record, read_stamp, why_stale
from swaptable.runs.ledger import read_ledger
from swaptable.runs.run_files import read_runs
from swaptable.basics.whole_files import sha256_of
import swaptable.foods.joined, swaptable.foods.digest, swaptable.runs.kernels

REPORTS = Path.cwd() / "reports"
RUNS = read_runs(Path("data/runs.yaml"))
PARTS = ("summary.json", "figures/density.txt", "tables/variants.csv", "tiny.ipynb")
HIDDEN = {".kept", ".locks", ".stamps"}

def standing_in(run, reports, work, limit):
    token = f"token-{os.getpid()}-{time.monotonic_ns()}"
    begin_record(run, work / ".used")
    with (work / ".used").open("a") as stream:
        stream.write(json.dumps(["start", "-", ""]) + "\\n")
    for part in PARTS:
        (work / part).parent.mkdir(exist_ok=True)
        time.sleep(0.001)
        text = {"title": token, "headline": token, "audience": token} if part == "summary.json" else [token]
        (work / part).write_text(json.dumps(text))
    return work / ".used"

def slowly(function):
    def slow(*given, **named):
        time.sleep(0.001)
        return function(*given, **named)
    return slow

def stand_in():
    runs._execute = standing_in
    runs.notebook_page = lambda notebook, title: notebook.read_text()
    Path.rename, Path.replace, os.fsync = slowly(Path.rename), slowly(Path.replace), slowly(os.fsync)
    runs.remove_stamp, runs.write_stamp = slowly(runs.remove_stamp), slowly(runs.write_stamp)

def tokens(folder):
    import re
    found = [re.findall(r"token-[0-9]+-[0-9]+", (folder / part).read_text()) for part in PARTS]
    found += [[json.loads((folder / "provenance.json").read_text())["title"]]]
    return {token for each in found for token in (each or ["none"])}

def wrong():
    # Say what is not as it must be at any moment; and in which state the kill left it.
    problems, state = [], "done"
    entries = read_ledger(REPORTS)
    last = {entry.run: entry for entry in entries}
    for name, sha256 in [pair for entry in entries[-3:] for pair in entry.results.items()]:
        if name.endswith((".csv", ".json")):
            ledger.content(REPORTS, sha256)
    for run in RUNS:
        folder, used = REPORTS / run.name, read_stamp(REPORTS, run.name)
        aside = [each / "replaced" for each in REPORTS.glob(f".{run.name}-*") if (each / "replaced").is_dir()]
        if not folder.exists():
            state = "between two reports"
            if used is not None:
                problems.append(f"{run.name}: a stamp without a report")
            if len(aside) != 1 and last.get(run.name):
                problems.append(f"{run.name}: no report, {len(aside)} put aside")
        for report in [folder] if folder.exists() else aside:
            if (report / "tiny.ipynb").exists() and "token" in (report / "tiny.ipynb").read_text():
                if len(tokens(report)) != 1:
                    problems.append(f"{report}: a mixture")
            else:
                wanted = (*PARTS, "index.html", "provenance.json")
                problems += [f"{report}: lacks {part}" for part in wanted if not (report / part).is_file()]
        if folder.exists():
            about = sha256_of(folder / "summary.json")
            if about not in [entry.results["summary.json"] for entry in entries if entry.run == run.name]:
                problems.append(f"{run.name}: a report that the ledger does not know")
            if last[run.name].results["summary.json"] != about:
                state = "in the ledger, not in place"
            elif used is None:
                state = "in place, no stamp"
        if used is not None and {name: sha256_of(folder / name) for name in used.results} != used.results:
            problems.append(f"{run.name}: the stamp is of another report")
    left = [path for path in REPORTS.rglob(".*") if path.name not in HIDDEN]
    if left and state == "done":
        state = "before it moved" if any(path.is_dir() for path in left) else "while a file was written"
    return problems, state

def repaired():
    # Run to the end: nothing is left over, all is fresh.
    outcomes = runs.run_all([run for run in RUNS if why_stale(run, REPORTS, Now())], REPORTS, jobs=2)
    problems = [" ".join(outcome.why) for outcome in outcomes if outcome.state == "failed"] + wrong()[0]
    problems += [f"{path} is left" for path in REPORTS.rglob(".*") if path.name not in HIDDEN]
    problems += [f"{run.name}: {why}" for run in RUNS for why in why_stale(run, REPORTS, Now())]
    return problems

def in_a_child(function):
    child = os.fork()
    if child:
        return child
    os.setsid()
    try:
        function()
    except BaseException as error:
        os.write(2, f"{type(error).__name__}: {error}\\n".encode())
        os._exit(1)
    os._exit(0)
"""
KILL_STAND_INS = (
    CHECKS
    + """
stand_in()
REPORTS.mkdir(exist_ok=True)
random.seed(int(sys.argv[2]))
whole = lambda: runs.run_all(RUNS, REPORTS, jobs=2, force=True)
os.waitpid(in_a_child(whole), 0)
began = time.monotonic()
os.waitpid(in_a_child(whole), 0)
took = time.monotonic() - began
problems, states, killed, number = wrong()[0], {}, 0, 0
while killed < int(sys.argv[1]):
    number += 1
    child = in_a_child(whole)
    time.sleep(random.uniform(0, took))
    os.kill(child, signal.SIGKILL)
    if os.WIFSIGNALED(os.waitpid(child, 0)[1]):
        killed, took = killed + 1, took * 1.02
    else:
        took *= 0.9  # so that some are done, whatever else the machine does
    found, state = wrong()
    states[state] = states.get(state, 0) + 1
    problems += found + (repaired() if number % 20 == 0 else [])
problems += repaired()
print(json.dumps({"killed": killed, "problems": problems, "states": states, "entries": len(read_ledger(REPORTS))}))
"""
)
KILL_REAL = (
    CHECKS
    + """
random.seed(int(sys.argv[2]))
def kernels():
    found = []
    for place in Path("/proc").glob("[0-9]*/environ"):
        try:
            if f"SWAPTABLE_RECORD={REPORTS}".encode() in place.read_bytes():
                found.append(int(place.parent.name))
        except OSError:
            pass
    return found

def whole():
    outcomes = runs.run_all(RUNS[:1], REPORTS, jobs=1, force=True)
    told = [why for outcome in outcomes if outcome.state == "failed" for why in outcome.why]
    if any("its kernel died" not in why for why in told):
        raise AssertionError(told)  # its code says so, and standard error what it was

os.waitpid(in_a_child(whole), 0)
began = time.monotonic()
os.waitpid(in_a_child(whole), 0)
took = time.monotonic() - began
problems, states, killed, number = wrong()[0], {}, {"runner": 0, "kernel": 0}, 0
while sum(killed.values()) < int(sys.argv[1]):
    number += 1
    child = in_a_child(whole)
    time.sleep(random.uniform(0, took))
    if number % 2:
        for kernel in kernels():
            os.kill(kernel, signal.SIGKILL)
            killed["kernel"] += 1
        problems += [f"round {number}: exit {code}" for code in [os.waitpid(child, 0)[1]] if code]
    else:
        os.kill(child, signal.SIGKILL)
        if os.WIFSIGNALED(os.waitpid(child, 0)[1]):
            killed["runner"] += 1
        else:
            took *= 0.95
    found, state = wrong()
    states[state] = states.get(state, 0) + 1
    problems += found
for _ in range(100):
    if not kernels():
        break
    time.sleep(0.1)
problems += [f"kernel {kernel} runs on" for kernel in kernels()] + repaired()
print(json.dumps({"killed": killed, "problems": problems, "states": states, "entries": len(read_ledger(REPORTS))}))
"""
)


def python(project: Any, code: str, *arguments: str, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run Python code of the copied project."""
    options = {"env": project.environment(), "timeout": 3000} | options
    command = [sys.executable, "-c", code, *arguments]
    return subprocess.run(command, cwd=project.folder, capture_output=True, text=True, check=False, **options)


def of_driver(project: Any, code: str, *arguments: str, **options: Any) -> dict[str, Any]:
    """Run Python code of the copied project, and give the figures that it prints."""
    done = python(project, code, *arguments, **options)
    assert done.returncode == 0, done.stderr[-3000:]
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    print(found)
    return found


@unix
def test_killed_at_any_moment(project: Any) -> None:
    """After every kill all reports are whole, the ledger's chain holds, and the next run leaves nothing over."""
    project.write_runs(one="tiny", two="tiny {word: b}", three="tiny {word: c}")
    found = of_driver(project, KILL_STAND_INS, str(KILLS), "1")
    assert found["problems"] == []
    assert set(found["states"]) >= {"before it moved", "in the ledger, not in place", "in place, no stamp", "done"}


@unix
@pytest.mark.skipif(not Path("/proc/self/environ").exists(), reason="kernels are found in /proc")
def test_runners_and_kernels_killed_at_any_moment(project: Any) -> None:
    """The same with real kernels: runners are killed, and kernels alone; no kernel runs on."""
    project.write_runs(one="tiny")
    found = of_driver(project, KILL_REAL, str(REAL_KILLS), "2")
    assert found["problems"] == []
    assert found["killed"]["runner"] > 0


KILL_IMPORTS = """import json, os, random, shutil, signal, sys, time
from pathlib import Path
import pandas as pd
from swaptable.foods.release import open_release
from swaptable.releases.plain_table import import_plain

source, old, new = (Path(text) for text in sys.argv[2:5])
def slowly(function):
    def slow(*given, **named):
        time.sleep(0.002)
        return function(*given, **named)
    return slow
pd.DataFrame.to_parquet = slowly(pd.DataFrame.to_parquet)
Path.rename, Path.write_text = slowly(Path.rename), slowly(Path.write_text)
import_plain(source, old)
before = {path.name: path.read_bytes() for path in old.iterdir()}
began = time.monotonic()
import_plain(source, new)
took = time.monotonic() - began
random.seed(3)
problems, killed, whole = [], 0, 0
for number in range(int(sys.argv[1])):
    shutil.rmtree(new, ignore_errors=True)
    child = os.fork()
    if not child:
        import_plain(source, new)
        os._exit(0)
    time.sleep(random.uniform(0, took))
    os.kill(child, signal.SIGKILL)
    killed += os.WIFSIGNALED(os.waitpid(child, 0)[1])
    took *= 0.9 if new.exists() else 1.05  # until some are done, whatever else the machine does
    if new.exists():
        whole += 1
        release = open_release(new)
        stated = release.manifest["tables"].items()
        problems += [name for name, about in stated if len(release.table(name)) != about["rows"]]
    if {path.name: path.read_bytes() for path in old.iterdir()} != before:
        problems.append("the old release changed")
shutil.rmtree(new, ignore_errors=True)
if open_release(import_plain(source, new).folder).sha256 != open_release(old).sha256:
    problems.append("the next import differs")
problems += [str(path) for path in new.parent.iterdir() if path not in (old, new)]
print(json.dumps({"killed": killed, "whole": whole, "problems": problems}))
"""


@unix
def test_imports_killed_at_any_moment(project: Any, tmp_path: Path) -> None:
    """A killed import leaves the old release alone and no half of a new one; the next import works."""
    source = project.folder / "data" / "foods" / "own_products_template.csv"
    (tmp_path / "foods").mkdir()
    places = (str(source), str(tmp_path / "foods" / "old"), str(tmp_path / "foods" / "new"))
    found = of_driver(project, KILL_IMPORTS, str(KILLS // 4), *places)
    assert found["problems"] == []
    assert found["killed"] > KILLS // 8


# Disks


@contextlib.contextmanager
def mounted(folder: Path, options: str) -> Iterator[None]:
    """Mount a small disk in memory, where that is allowed."""
    folder.mkdir(parents=True, exist_ok=True)
    command = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)]
    try:
        allowed = subprocess.run(command, capture_output=True, check=False).returncode == 0
    except OSError:
        allowed = False
    if not allowed:
        pytest.skip("mounting is not allowed here")
    try:
        yield
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


FULL = (
    CHECKS
    + """
stand_in()
problems, told = [], set()
def fill(left):
    ballast = REPORTS / "ballast"
    ballast.unlink(missing_ok=True)
    room = os.statvfs(REPORTS)
    with ballast.open("wb") as stream:
        stream.write(bytes(max(room.f_bavail * room.f_frsize - left, 0)))
os.waitpid(in_a_child(lambda: runs.run_all(RUNS, REPORTS, jobs=1)), 0)
problems += wrong()[0]
for left in range(0, 70_000, 4096):
    fill(left)
    def whole():
        try:
            runs.run_all(RUNS, REPORTS, jobs=2, force=True)
        except runs.WriteError as error:
            print(error, flush=True)
            os._exit(7)
    told.add(os.waitstatus_to_exitcode(os.waitpid(in_a_child(whole), 0)[1]))
    problems += [f"{left}: {problem}" for problem in wrong()[0]]
(REPORTS / "ballast").unlink()
print(json.dumps({"problems": problems + repaired(), "told": sorted(told)}))
"""
)
FULL_SENTENCE = "reports cannot be written: the disk is full; earlier reports are as they were"


@unix
def test_full_disk(project: Any) -> None:
    """However little room there is: one sentence, no half report, earlier ones as they were; then all goes on."""
    project.write_runs(one="tiny", two="tiny {word: b}")
    with mounted(project.reports, "size=2m"):
        done = python(project, FULL)
        assert done.returncode == 0, done.stderr
        *sentences, last = done.stdout.splitlines()
        assert json.loads(last) == {"problems": [], "told": [0, 7]}
        assert set(sentences) == {FULL_SENTENCE}


@unix
def test_full_disk_under_a_real_notebook(project: Any) -> None:
    """A notebook that fills the disk ends with one sentence and exit code 1; a report before it stays."""
    project.write_runs(pot="tiny")
    with mounted(project.reports, "size=2m"):
        assert project.run("report").returncode == 0
        before = {path: path.read_bytes() for path in (project.reports / "pot").rglob("*") if path.is_file()}
        fills = "{trouble: \"(Path(output) / 'large').write_bytes(bytes(10**7))\"}"
        project.write_runs(pot="tiny", large=f"tiny {fills}")
        done = project.run("report")
        assert (done.returncode, done.stdout, done.stderr) == (1, "", f"{FULL_SENTENCE} [S31]\n")
        assert {path: path.read_bytes() for path in (project.reports / "pot").rglob("*") if path.is_file()} == before
        assert not (project.reports / "failed").exists()
        assert project.run("report", "pot").stdout.startswith("1 run: 0 made, 1 up to date")


TOO_LARGE = (
    CHECKS
    + """
import resource
stand_in()
runs.run_all(RUNS, REPORTS)
before = {path: path.read_bytes() for path in (REPORTS / "one").rglob("*") if path.is_file()}
resource.setrlimit(resource.RLIMIT_FSIZE, (2000, resource.RLIM_INFINITY))
try:
    runs.run_all(RUNS, REPORTS, force=True)
except runs.WriteError as error:
    print(error)
assert before == {path: path.read_bytes() for path in (REPORTS / "one").rglob("*") if path.is_file()}
assert wrong()[0] == []
"""
)


@unix
def test_files_may_not_be_large(project: Any) -> None:
    """A limit of the system on the size of files is told in one sentence."""
    project.write_runs(one="tiny")
    done = python(project, TOO_LARGE)
    assert done.returncode == 0, done.stderr
    assert done.stdout == "reports cannot be written: File too large; earlier reports are as they were\n"


@unix
def test_read_only_reports(project: Any) -> None:
    """Where nothing can be written, what is up to date is said to be so; else one sentence and exit code 1."""
    project.write_runs(pot="tiny")
    with contextlib.ExitStack() as stack:
        if os.geteuid() == 0:
            stack.enter_context(mounted(project.reports, "size=9m"))
        assert project.run("report").returncode == 0
        if os.geteuid() == 0:
            subprocess.run(["mount", "-o", "remount,ro", str(project.reports)], check=True)
        else:
            project.reports.chmod(0o555)
            stack.callback(project.reports.chmod, 0o755)
        done = project.run("report")
        assert (done.returncode, done.stdout) == (0, "1 run: 0 made, 1 up to date: reports/index.html\n")
        project.write_runs(pot="tiny", two="tiny {word: b}", three="tiny {word: c}")
        done = project.run("report")
        told = "reports cannot be written: it is read-only; earlier reports are as they were [S31]\n"
        assert (done.returncode, done.stdout, done.stderr) == (1, "", told)


# Company


def test_two_commands_at_once(project: Any) -> None:
    """Two commands on one workspace both finish, and each run is made once."""
    project.write_runs(one="tiny", two="tiny {word: b}", three="tiny {word: c}")
    both = [project.start("report", "--jobs", "1") for _ in range(2)]
    for process in both:
        out, err = process.communicate(timeout=120)
        assert (process.returncode, err) == (0, "")
        assert re.match(r"3 runs: \d made, \d up to date", out)
    assert sorted(entry.run for entry in read_ledger(project.reports)) == ["one", "three", "two"]
    assert project.why() == {}


@unix
def test_interrupted(project: Any) -> None:
    """Ctrl-C ends it at once with exit code 130; nothing is half done, and no kernel runs on."""
    project.write_runs(pot="tiny {wait_for: never}", other="tiny {wait_for: never, word: b}")
    with project.start("report", "--jobs", "2", start_new_session=True) as process:
        for _ in range(300):
            if list(project.reports.glob(".*-*/summary.json")):
                break
            time.sleep(0.1)
        began = time.monotonic()
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60)
    assert time.monotonic() - began < 12
    assert (process.returncode, out) == (130, "")
    assert err == "interrupted; finished reports are in place, the others as they were\n"
    hidden = [path.name for path in project.reports.rglob("*") if path.parent.name != ".locks"]
    assert hidden == [".locks"]
    if Path("/proc").is_dir():
        record = f"SWAPTABLE_RECORD={project.reports}".encode()
        environments = [place for place in Path("/proc").glob("[0-9]*/environ") if os.access(place, os.R_OK)]
        with contextlib.suppress(OSError):
            assert not [place for place in environments if record in place.read_bytes()]


# Surroundings


def test_clock_set_back(project: Any) -> None:
    """With the clock years back nothing is made anew, and what a killed run left is swept away all the same."""
    project.write_runs(pot="tiny")
    assert project.run("report").returncode == 0
    left = project.reports / ".pot-killed"
    left.mkdir()
    for path in (left, *project.reports.rglob("*")):
        os.utime(path, (4_000_000_000, 4_000_000_000))
    (project.folder / "clock").mkdir()
    (project.folder / "clock" / "sitecustomize.py").write_text(
        "import time\n_time, _ns = time.time, time.time_ns\n"
        "time.time, time.time_ns = lambda: _time() - 10**9, lambda: _ns() - 10**18\n",
        encoding="utf-8",
    )
    path = os.pathsep.join(str(project.folder / name) for name in ("clock", "helpers"))
    done = project.run("report", env=project.environment(PYTHONPATH=path))
    assert (done.returncode, done.stdout) == (0, "1 run: 0 made, 1 up to date: reports/index.html\n")
    assert not left.exists()
    assert project.run("report", "--force", env=project.environment(PYTHONPATH=path)).returncode == 0
    assert project.why() == {}


REAL = """import json
from pathlib import Path
import swaptable as st
study = st.study_recipe(recipe, "bone_health", regime="CA")
chart = st.chart_shown(st.plot_density(study), output)
from swaptable.reporting.reports import write_tables
write_tables({"variants": study.tables()["variants"]}, {"title": "Pâte", "headline": "H", "audience": "A"}, output)
chart
"""


def with_a_comma(folder: Path) -> bool:
    """Build a locale with a decimal comma; where that cannot be done its name alone has to do."""
    command = ["localedef", "-i", "de_DE", "-f", "UTF-8", str(folder / "de_DE.UTF-8")]
    with contextlib.suppress(OSError):
        return subprocess.run(command, capture_output=True, check=False).returncode == 0
    return False


def test_no_locale_and_no_font_changes_a_result(
    project: Any, make_notebook: Callable[..., Path], tmp_path: Path
) -> None:
    """In ASCII, with a decimal comma and a font that is not there, all results are the same byte for byte, quietly."""
    make_notebook(project.folder / "notebooks" / "real.ipynb", 'recipe: str = ""\noutput: str = ""', REAL)
    project.write_runs(pot="real {recipe: oat_pancakes}")
    made = with_a_comma(tmp_path)
    (tmp_path / "matplotlibrc").write_text(f"font.family: no such font\naxes.formatter.use_locale: {made}\n")
    plain = {"LC_ALL": "C", "LANG": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    comma = {"LC_ALL": "de_DE.UTF-8", "LOCPATH": str(tmp_path), "MATPLOTLIBRC": str(tmp_path)}
    for variables in (plain, comma):
        done = project.run("report", "--force", env=project.environment(**variables))
        assert (done.returncode, done.stderr) == (0, "")
        page = (project.reports / "pot" / "index.html").read_text(encoding="utf-8")
        assert "Pâte" in page
        assert page.count("findfont") <= 1
    first, second = read_ledger(project.reports)
    assert first.results == second.results
    assert first.results.keys() >= {"tables/variants.csv", "figures/density.svg", "figures/density.png"}


# A cluster


@unix
def test_runs_on_a_cluster(project: Any) -> None:
    """Two runs on a cluster of two workers; one whose worker is killed is made by another."""
    pytest.importorskip("distributed")
    project.write_runs(one="tiny {wait_for: never, count: 3}", two="tiny {word: b}")
    done = python(project, CLUSTER, timeout=120)
    assert done.returncode == 0, done.stderr[-2000:]
    assert "2 runs: 2 made, 0 up to date" in done.stdout
    assert project.why() == {}


CLUSTER = """import os, signal, sys, threading, time
from pathlib import Path

def kill_a_worker(cluster):
    while not list(Path("reports").glob(".one-*/summary.json")):
        time.sleep(0.05)
    address = next(iter(Path("reports/.locks").glob("run-one.holder"))).read_text()
    os.kill(int(address.split()[1]), signal.SIGKILL)
    Path("never").touch()

if __name__ == "__main__":
    from distributed import LocalCluster
    from swaptable import cli
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50) as cluster:
        threading.Thread(target=kill_a_worker, args=(cluster,), daemon=True).start()
        code = cli.main(["report", "--cluster", cluster.scheduler_address])
    sys.exit(code)
"""


def test_a_cluster_that_is_not_there(project: Any) -> None:
    """A wrong address is told in one sentence within twenty seconds, and nothing was made."""
    pytest.importorskip("distributed")
    project.write_runs(one="tiny")
    for address in ("tcp://127.0.0.1:1", "nonsense://x"):
        began = time.monotonic()
        done = project.run("report", "--cluster", address)
        assert time.monotonic() - began < 20
        assert (done.returncode, done.stdout) == (2, "")
        assert done.stderr.count("\n") == 1
        assert done.stderr.startswith(f"found --cluster {address}; no Dask scheduler answers there")
    assert not list(project.reports.glob("*/provenance.json"))
