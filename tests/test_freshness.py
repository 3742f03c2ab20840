"""Freshness: what changed is made again and told why, what did not is not, and times and dates play no part.

All on a copy of the project whose runs each use one thing: a recipe, a table, a module, a food.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from swaptable.basics.errors import DamagedError
from swaptable.basics.folders import HOME
from swaptable.basics.recorder import ALL_FOODS, FOOD, _Recorder, listing_hash, stated_hash
from swaptable.basics.whole_files import sha256_of
from swaptable.foods.release import FoodRelease
from swaptable.foods.release_writer import write_release
from swaptable.runs.freshness import (
    Foods,
    Now,
    Used,
    prepare_stamp,
    read_stamp,
    release_hash,
    remove_stamp,
    sweep_stamps,
    versions,
    why_stale,
    write_stamp,
)
from swaptable.runs.run_files import Run, effective_parameters

PARAMETERS = """recipe: str = ""
audience: str = ""
prices: str = ""
recipes: list[str] = ["oat_pancakes"]
table: str = ""
module: str = ""
release: str = "data/foods/small"
foods: list[str] = []
search: str = ""
collection: str = ""
output: str = ""
"""
USES = """import importlib
from swaptable.basics.folders import DATA
if table:
    (DATA / "reference" / table).read_text(encoding="utf-8")
if module:
    importlib.import_module(f"swaptable.{module}")
if collection:
    for file in sorted(Path(collection).glob("*.txt")):
        file.read_text(encoding="utf-8")
if foods or search:
    from swaptable.foods.joined import open_release
    opened = open_release(release)
    found = [opened.food(code) for code in foods]
if search:
    from swaptable.foods.search import find_foods
    find_foods(search, opened, most=1)
"""
REPORT = """import json
from pathlib import Path
(Path(output) / "figures").mkdir()
(Path(output) / "figures" / "density.txt").write_text("What the chart shows")
(Path(output) / "summary.json").write_text(json.dumps({"title": "T", "headline": "H", "audience": "A"}))
"""
BUTTER, CHICKEN, OLIVES = "01001", "05078", "09194"  # of three food groups
RUNS = {
    "plain": "other",
    "pot": "uses {recipe: barley_pot}",
    "whole": "uses {recipes: []}",
    "heart": "uses {audience: blood_pressure}",
    "priced": "uses {prices: prices}",
    "table": "uses {table: retention.csv}",
    "module": "uses {module: teaching.method_times}",
    "collection": "uses {collection: collected}",
    "butter": f'uses {{foods: ["{BUTTER}"]}}',
    "chicken": f'uses {{foods: ["{CHICKEN}"]}}',
    "search": "uses {search: butter}",
    "joined": f'uses {{release: sr28+data/foods/small, foods: ["sr28:{OLIVES}", "small:{BUTTER}"]}}',
}
USES_NOTEBOOK = sorted(set(RUNS) - {"plain"})


Change = Callable[[pd.DataFrame], pd.DataFrame]


def write_small(release: FoodRelease, folder: Path, change: Change | None = None, without: str = "") -> None:
    """Write a small release of foods of sr28, its values changed, one food left out."""
    codes = {BUTTER, CHICKEN, *release.foods.index[7::400]} - {without}
    tables: dict[str, pd.DataFrame | Path] = {}
    for name in release.manifest["tables"]:
        table = release.table(name)
        if "code" in table:
            table = table[table["code"].isin(codes)]
        tables[name] = change(table) if name == "values" and change else table
    about = {key: text for key, text in release.manifest.items() if key != "tables"} | {"name": "small"}
    shutil.rmtree(folder, ignore_errors=True)
    write_release(folder, about, tables)


def less_of(code: str) -> Change:
    """Halve a food's sodium (nutrient number 307)."""

    def change(values: pd.DataFrame) -> pd.DataFrame:
        here = (values["code"] == code) & (values["nutrient_number"] == 307)
        assert here.any()
        return values.assign(value=values["value"].where(~here, values["value"] / 2))

    return change


@pytest.fixture(scope="module")
def workspace(
    tmp_path_factory: pytest.TempPathFactory, copied: Callable[[Path], Any], sr28: FoodRelease,
    make_notebook: Callable[..., Path],
) -> Any:  # fmt: skip
    """A copy of the project whose runs are all made."""
    project = copied(tmp_path_factory.mktemp("freshness") / "project")
    make_notebook(project.folder / "notebooks" / "uses.ipynb", PARAMETERS, REPORT, USES)
    make_notebook(project.folder / "notebooks" / "other.ipynb", 'output: str = ""', REPORT)
    write_small(sr28, project.folder / "data" / "foods" / "small")
    (project.folder / "collected").mkdir()
    (project.folder / "collected" / "one.txt").write_text("one", encoding="utf-8")
    project.write_runs(**RUNS)
    done = project.run("report")
    assert (done.returncode, done.stderr) == (0, ""), done.stderr
    assert done.stdout.startswith(f"{len(RUNS)} runs: {len(RUNS)} made, 0 up to date")
    return project


@contextmanager
def as_before(*paths: Path) -> Iterator[None]:
    """Put files and folders back as they were, with their times."""
    kept = {path: path.with_name(path.name + ".kept") for path in paths if path.exists()}
    for path, copy in kept.items():
        shutil.copytree(path, copy) if path.is_dir() else shutil.copy2(path, copy)
    try:
        yield
    finally:
        for path in paths:
            shutil.rmtree(path) if path.is_dir() else path.unlink(missing_ok=True)
        for path, copy in kept.items():
            copy.rename(path)


def add(text: str) -> Callable[[Path], None]:
    """Append to a file, or write it."""

    def change(path: Path) -> None:
        path.write_text((path.read_text(encoding="utf-8") if path.exists() else "") + text, encoding="utf-8")

    return change


# An unchanged workspace

NO_PANDAS = """import sys
from swaptable import cli
code = cli.main(["report"])
heavy = {"pandas", "numpy", "xarray", "papermill", "nbformat", "pyarrow", "matplotlib"} & set(sys.modules)
print(code, sorted(heavy))
"""


def test_an_unchanged_workspace_runs_nothing_and_imports_nothing(workspace: Any) -> None:
    """All is up to date, said within a second, without pandas or a kernel."""
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", NO_PANDAS], env=workspace.environment(), capture_output=True, text=True, check=True
    )
    took = time.monotonic() - began
    told, modules = done.stdout.splitlines()
    assert told.startswith(f"{len(RUNS)} runs: 0 made, {len(RUNS)} up to date")
    assert modules == "0 []"
    assert took < 5, "a second on an idle machine"


def test_times_play_no_part(workspace: Any) -> None:
    """Files that are touched, or come from the future, make nothing out of date."""
    for path in (*workspace.folder.glob("data/**/*.*"), *workspace.folder.glob("helpers/**/*.py")):
        os.utime(path, (4_000_000_000, 4_000_000_000))
    assert workspace.why() == {}


def test_another_folder_to_stand_in_makes_nothing_out_of_date(workspace: Any, tmp_path: Path) -> None:
    """Where the command is started plays no part."""
    done = workspace.run("report", "--dry", cwd=tmp_path)
    assert done.stdout.endswith(f"0 of {len(RUNS)} runs would be made\n")


# One thing changes


@pytest.mark.parametrize(
    ("file", "change", "runs", "reason"),
    [
        ("data/recipes/barley_pot.yaml", add("# more\n"), ["pot", "whole"], "data/recipes/barley_pot.yaml changed"),
        ("data/recipes/barley_pot.yaml", Path.unlink, ["pot", "whole"], "data/recipes/barley_pot.yaml is gone"),
        ("data/recipes/new_pot.yaml", add("title: New\n"), ["whole"], "data/recipes/new_pot.yaml is new"),
        ("data/audiences/blood_pressure.yaml", add("# more\n"), ["heart"], "blood_pressure.yaml changed"),
        ("data/audiences/iron.yaml", add("# more\n"), [], ""),
        ("data/prices.csv", add("\n"), ["priced"], "data/prices.csv changed"),
        ("data/reference/retention.csv", add("\n"), ["table"], "data/reference/retention.csv changed"),
        ("data/reference/aisles.csv", add("\n"), [], ""),
        ("notebooks/other.ipynb", add("\n"), ["plain"], "notebooks/other.ipynb changed"),
        ("notebooks/uses.ipynb", add("\n"), USES_NOTEBOOK, "notebooks/uses.ipynb changed"),
        (
            "helpers/swaptable/teaching/method_times.py",
            add("\n"),
            ["module"],
            "module swaptable.teaching.method_times changed",
        ),
        ("helpers/swaptable/teaching/handout.py", add("\n"), [], ""),
        ("helpers/swaptable/runs/html_pages.py", add("\n"), sorted(RUNS), "module swaptable.runs.html_pages changed"),
        ("collected/one.txt", add("more"), ["collection"], "collected/one.txt changed"),
        ("collected/two.txt", add("two"), ["collection"], "names in collected changed"),
        ("reports/pot/figures/density.txt", Path.unlink, ["pot"], "its report lost or changed figures/density.txt"),
        ("reports/pot/summary.json", add("\n"), ["pot"], "its report lost or changed summary.json"),
        ("reports/pot", shutil.rmtree, ["pot"], "its report lost or changed"),
        ("reports/.stamps/pot.json", Path.unlink, ["pot"], "its report was not finished, or its stamp is damaged"),
        ("reports/.stamps/pot.json", lambda path: path.write_bytes(path.read_bytes()[:500]), ["pot"], "is damaged"),
        ("reports/.stamps/pot.json", lambda path: path.write_bytes(b""), ["pot"], "is damaged"),
        ("reports/.stamps/pot.json", lambda path: path.write_bytes(b"\xff\xfe{}\n[]\n"), ["pot"], "is damaged"),
        (
            "reports/.stamps/pot.json",
            lambda path: path.write_bytes(path.read_bytes().replace(b"barley_pot.yaml", b"barley_pat.yaml")),
            ["pot"],
            "is damaged",
        ),
    ],
    ids=[
        "recipe", "recipe gone", "recipe new", "audience", "audience of nobody", "prices", "table", "table of nobody",
        "notebook", "notebook of most", "module", "module of nobody", "module that writes pages", "file of a folder",
        "new file of a folder", "report lost a file", "report edited", "report gone", "stamp gone", "stamp cut off",
        "stamp empty", "stamp no text", "stamp edited",
    ],
)  # fmt: skip
def test_what_uses_it_is_made_again_and_nothing_else(
    workspace: Any, file: str, change: Callable[[Path], Any], runs: list[str], reason: str
) -> None:
    """Exactly the runs that use what changed are out of date, and told why."""
    path = workspace.folder / file
    with as_before(path):
        change(path)
        why = workspace.why()
    assert sorted(why) == runs
    assert all(reason in text for text in why.values()), why
    assert workspace.why() == {}, "what is as it was is fresh again"


def test_a_parameter(workspace: Any) -> None:
    """A run is made again for another parameter, a default included, and a run that is new is made."""
    workspace.write_runs(**RUNS | {"pot": "uses {recipe: oat_pancakes}", "table": "uses", "new": "other"})
    try:
        why = workspace.why()
    finally:
        workspace.write_runs(**RUNS)
    assert why.pop("new") == "there is no report yet"
    assert why.pop("pot").startswith("parameter recipe was barley_pot, is oat_pancakes")
    assert why == {"table": "parameter table was retention.csv, is "}


def test_a_version_of_a_library(workspace: Any, tmp_path: Path) -> None:
    """Another version of a library that makes reports makes all of them again."""
    (tmp_path / "pint-99.dist-info").mkdir()
    (tmp_path / "pint-99.dist-info" / "METADATA").write_text("Metadata-Version: 2.1\nName: pint\nVersion: 99\n")
    path = os.pathsep.join((str(tmp_path), str(workspace.folder / "helpers")))
    done = workspace.run("report", "--dry", "--why", env=workspace.environment(PYTHONPATH=path))
    *lines, last = done.stdout.splitlines()
    assert last == f"{len(RUNS)} of {len(RUNS)} runs would be made"
    assert all(re.search(r"version of pint was [\d.]+, is 99$", line) for line in lines), lines


# Foods


@pytest.mark.parametrize(
    ("code", "runs"),
    [(BUTTER, ["butter", "joined", "search"]), (CHICKEN, ["chicken", "search"])],
    ids=["butter", "chicken"],
)
def test_a_food_that_is_used(workspace: Any, sr28: FoodRelease, code: str, runs: list[str]) -> None:
    """A release built anew in its place: the runs that use a changed food, or searched them all, are made again."""
    folder = workspace.folder / "data" / "foods" / "small"
    with as_before(folder):
        write_small(sr28, folder, less_of(code))
        why = workspace.why()
    assert sorted(why) == runs
    assert why["search"] == "data/foods/small changed, of which any food may be used"
    assert why[runs[0]] == f"data/foods/small changed in foods that are used ({code})"


def test_a_food_that_is_gone(workspace: Any, sr28: FoodRelease) -> None:
    """A food that vanished from its release changes the runs that use it."""
    folder = workspace.folder / "data" / "foods" / "small"
    with as_before(folder):
        write_small(sr28, folder, without=CHICKEN)
        assert sorted(workspace.why()) == ["chicken", "search"]


def test_a_release_that_is_damaged_is_named_before_anything_runs(workspace: Any) -> None:
    """A release cut off or changed by one byte: its file is named, nothing runs, the reports are as they were."""
    file = workspace.folder / "data" / "foods" / "small" / "values.parquet"
    whole = file.read_bytes()
    middle = len(whole) // 2
    for damaged in (whole[:-1], whole[:middle] + bytes([whole[middle] ^ 1]) + whole[middle + 1 :]):
        with as_before(file, workspace.reports / ".stamps" / "butter.json"):
            file.write_bytes(damaged)
            (workspace.reports / ".stamps" / "butter.json").unlink()
            before = {path: path.stat().st_mtime_ns for path in workspace.reports.rglob("*")}
            done = workspace.run("report")
            assert (done.returncode, done.stdout) == (2, "")
            told = "data/foods/small/values.parquet: is not the table that manifest.json describes"
            assert done.stderr.startswith(told)
            assert done.stderr.count("\n") == 1
            assert {path: path.stat().st_mtime_ns for path in workspace.reports.rglob("*")} == before
    assert workspace.why() == {}


# What a study rests on


SOUND = r"""import json, re, sys
from pathlib import Path
from swaptable.basics.recorder import start
record = Path(sys.argv[1]) / "record"
start(str(record))
import swaptable as st
from swaptable.foods.digest import digest_of
from swaptable.foods.release_writer import write_release
from swaptable.foods.joined import open_release

def results(release):
    study = st.study_recipe("oat_pancakes", "bone_health", regime="CA", release=release)
    return {name: table.to_csv() for name, table in st.advise(study).tables().items()}

release = open_release("sr28")
kept = {*re.findall(r"sr28:(\d{5})", Path("data/recipes/oat_pancakes.yaml").read_text()), *release.foods.index[::12]}
tables = {name: release.table(name) for name in release.manifest["tables"]}
tables = {name: table[table["code"].isin(kept)] if "code" in table else table for name, table in tables.items()}
manifest = {key: text for key, text in release.manifest.items() if key != "tables"}
folder, other_folder = Path(sys.argv[1]) / "one" / "sr28", Path(sys.argv[1]) / "other" / "sr28"
write_release(folder, manifest, tables)
before = results(str(folder))
lines = [json.loads(line) for line in record.read_text().splitlines()]
used = {name.split()[0] for kind, _, name in lines if kind == "food"}
assert used and not [name for kind, _, name in lines if kind == "foods"], "no search in this study"
foods, values = tables["foods"], tables["values"]
other = ~foods["code"].isin(used)
# single values alone: the spread of those analysed often tells how sure the values of all foods are
single = ~values["code"].isin(used) & (values["n"].fillna(0) < 2) & (values["nutrient_number"] != 255)
tables["foods"] = foods.assign(refuse_percent=foods["refuse_percent"].where(~other, 77.0))
tables["values"] = values.assign(value=values["value"].where(~single, values["value"] * 3))
write_release(other_folder, manifest, tables)
assert digest_of(folder, sorted(used)) == digest_of(other_folder, sorted(used))
after = results(str(other_folder))
assert before.keys() == after.keys() and len(before) > 3
print([name for name in before if before[name] != after[name]])
"""


def test_a_study_rests_on_the_foods_written_down_and_on_no_other(tmp_path: Path) -> None:
    """With refuse and single values of all other foods changed, a real study is the same to the last digit."""
    done = subprocess.run(
        [sys.executable, "-c", SOUND, str(tmp_path)], cwd=HOME, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout == "[]\n"


# The parts


def test_a_stamp_is_what_was_written(tmp_path: Path) -> None:
    """A stamp is read as it was written, and one removed is none."""
    foods = {"data/foods/own": Foods("2", ["3"], "4")}
    used = Used("pot", "tiny", {"word": "é\ud800"}, {"python": "3"}, {"file a": "1"}, foods, {"index.html": "5"})
    prepared = prepare_stamp(tmp_path, used)
    assert read_stamp(tmp_path, "pot") is None, "not yet"
    write_stamp(tmp_path, "pot", prepared)
    assert read_stamp(tmp_path, "pot") == used
    prepare_stamp(tmp_path, used)
    sweep_stamps(tmp_path, "pot")
    remove_stamp(tmp_path, "pot")
    assert read_stamp(tmp_path, "pot") is None
    assert list((tmp_path / ".stamps").iterdir()) == []


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"tables": 3}', '{"tables": {"foods": {}}}'])
def test_a_manifest_that_is_none(tmp_path: Path, text: str) -> None:
    """A release whose manifest cannot be read is named as damaged."""
    (tmp_path / "manifest.json").write_text(text, encoding="utf-8")
    with pytest.raises(DamagedError, match=r"has no readable manifest\.json"):
        release_hash(tmp_path)


def test_a_listing_is_its_names(tmp_path: Path) -> None:
    """A folder's hash is that of its names, hidden ones left out."""
    before = listing_hash(tmp_path)
    (tmp_path / ".hidden").touch()
    assert listing_hash(tmp_path) == before
    (tmp_path / "seen").touch()
    assert listing_hash(tmp_path) != before


@pytest.fixture
def heard(tmp_path: Path) -> Iterator[Callable[..., list[list[str]]]]:
    """Tell a recorder of events, and give what it wrote down; it watches one folder, in which its own lies too."""
    watched = tmp_path / "watched"
    for name in ("a.csv", "foods/values.parquet", "run/b.csv"):
        (watched / name).parent.mkdir(parents=True, exist_ok=True)
        (watched / name).write_text(name, encoding="utf-8")
    (tmp_path / "outside.csv").touch()
    (watched / "foods" / "manifest.json").write_text('{"tables": {"foods": {"sha256": "1"}}}', encoding="utf-8")
    record = watched / "run" / "record"
    hook = _Recorder(record, [str(watched)])

    def hear(*events: tuple[str, tuple[Any, ...]]) -> list[list[str]]:
        for event, arguments in events:
            hook(event, arguments)
        return [json.loads(line) for line in record.read_text(encoding="utf-8").splitlines()]

    yield hear
    hook._stream.close()
    assert len(hear(("open", (str(watched / "late.csv"), "r")))) < 4, "what is read after the end is not the run's"


@pytest.mark.parametrize(
    ("event", "arguments", "kinds"),
    [
        ("open", ("a.csv", "r"), {"file": "a.csv"}),
        ("open", ("a.csv", None), {"file": "a.csv"}),
        ("open", (b"a.csv", "rb"), {"file": "a.csv"}),
        ("open", ("gone.csv", "r"), {"file": "gone.csv"}),
        ("open", ("a.csv", "w"), {}),
        ("open", ("a.csv", "r+b"), {}),
        ("open", (3, "r"), {}),
        ("open", ("a\0.csv", "r"), {}),
        ("open", ("../outside.csv", "r"), {}),
        ("open", ("run/b.csv", "r"), {}),
        ("open", ("foods/manifest.json", "r"), {"release": "foods"}),
        ("open", ("foods/values.parquet", "r"), {}),
        ("os.listdir", (".",), {"folder": "."}),
        ("os.scandir", ("foods",), {"folder": "foods"}),
        ("os.listdir", ("..",), {}),
        (FOOD, ("foods", "11352"), {"release": "foods", "food": "11352 foods"}),
        (ALL_FOODS, ("foods",), {"release": "foods", "foods": "foods"}),
        ("socket.connect", ("a.csv",), {}),
    ],
)
def test_what_is_read_is_written_down_once(
    heard: Callable[..., list[list[str]]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, event: str,
    arguments: tuple[Any, ...], kinds: dict[str, str],
) -> None:  # fmt: skip
    """Of watched folders, but not what is written, nor the run's own; a release as a whole and by its foods."""
    watched = tmp_path / "watched"
    monkeypatch.chdir(watched)
    lines = heard((event, arguments), (event, arguments))
    hashes = {
        "file": lambda name: sha256_of(watched / name) if (watched / name).exists() else "",
        "folder": lambda name: listing_hash(watched / name),
        "release": lambda name: stated_hash(watched / name),
    }
    assert lines == [
        [kind, hashes[kind](name), str((watched / name).resolve())] if kind in hashes else [kind, "-", name]
        for kind, name in kinds.items()
    ]


def test_modules_of_the_package_are_written_down_and_no_others(heard: Callable[..., list[list[str]]]) -> None:
    """A finder hears of every module about to be loaded, also of one that is not there."""
    event = "swaptable.module"
    lines = heard(*((event, (name,)) for name in ("swaptable.basics.units", "numpy", "swaptable.no_such")))
    assert lines == [["module", sha256_of(HOME / "helpers/swaptable/basics/units.py"), "swaptable.basics.units"]]


def test_another_notebook_and_a_release_that_is_gone_are_reasons(tmp_path: Path) -> None:
    """Each is said by its name, beside what else there is to say."""
    run = Run("pot", HOME / "notebooks" / "compare_variants.ipynb", {})
    given, gone = effective_parameters(run), {"data/foods/no_such": Foods("2", ["3"], "4")}
    others: list[str] = []
    for notebook, foods, told in (
        ("compare_variants", {}, []),
        ("decide", {}, ["its notebook was decide, is compare_variants"]),
        ("compare_variants", gone, ["data/foods/no_such is gone"]),
    ):
        used = Used("pot", notebook, given, versions(), {}, foods, {})
        write_stamp(tmp_path, "pot", prepare_stamp(tmp_path, used))
        reasons = why_stale(run, tmp_path, Now())
        others = others or reasons  # of the first, in which neither is
        assert [each for each in reasons if each not in others] == told


# Really made; last, since it leaves a run out of date


def test_only_what_changed_is_made(workspace: Any) -> None:
    """What is out of date is made, nothing else is touched, and then all is up to date."""
    before = {path.parent.name: path.stat().st_mtime_ns for path in workspace.reports.glob("*/provenance.json")}
    with as_before(workspace.folder / "data" / "prices.csv"):
        add("\n")(workspace.folder / "data" / "prices.csv")
        done = workspace.run("report", "--why")
        assert f"{len(RUNS)} runs: 1 made, {len(RUNS) - 1} up to date" in done.stdout
        assert "priced: data/prices.csv changed\n" in done.stdout
        after = {path.parent.name: path.stat().st_mtime_ns for path in workspace.reports.glob("*/provenance.json")}
        assert [name for name in before if before[name] != after[name]] == ["priced"]
        assert workspace.why() == {}
    assert sorted(workspace.why()) == ["priced"], "it is out of date again with the prices of before"
