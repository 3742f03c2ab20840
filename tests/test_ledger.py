"""The ledger: only ever appended, any change of it is found, and what it keeps makes an earlier report again."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from swaptable.basics.errors import DamagedError, InputError
from swaptable.runs import ledger
from swaptable.runs.freshness import versions
from swaptable.runs.ledger import append, content, hash_of, keep, ledger_file, read_ledger, sweep
from swaptable.runs.reproduce import _lay_out, reproduce


def about(run: str = "pot", **more: Any) -> dict[str, Any]:
    """Give the fields of an entry."""
    return {"run": run, "finished": "2026-11-25T10:00:00+00:00", "fingerprint": "f", "notebook": "tiny", **more}


@pytest.fixture
def three(reports: Path) -> Path:
    """A reports folder with three entries."""
    for run in ("first", "sécond", "third"):
        append(reports, about(run, parameters={"word": run}))
    return reports


# Laying out what there was


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ({"inputs": {"file ../outside.csv": "kept"}}, "outside.csv: entry 1 read ../outside.csv, which is outside the"),
        ({"releases": {"data/foods/sr28": "0" * 64}}, "data/foods/sr28: is not the food release of then (SHA-256 000"),
    ],
)
def test_what_cannot_be_laid_out_is_refused_and_leaves_nothing(
    reports: Path, tmp_path: Path, more: dict[str, dict[str, str]], told: str
) -> None:
    """A path that leads out of the new folder is not followed; another release is not taken for the one of then."""
    inputs = {name: keep(reports, b"kept") for name in more.get("inputs", {})}
    append(reports, about(versions=versions(), **(more | {"inputs": inputs})))
    with pytest.raises(InputError, match=re.escape(told)):
        reproduce(reports, 1, tmp_path / "new" / "again")
    assert not (tmp_path / "new" / "again").exists()
    assert not (tmp_path / "new" / "outside.csv").exists()


def test_what_was_not_there_is_not_there_again(reports: Path, tmp_path: Path) -> None:
    """A folder that was listed is made, a file that was looked for in vain is not."""
    inputs = {"folder data/days": "1" * 64, "file data/gone.csv": "", "file data/kept.csv": keep(reports, b"kept")}
    append(reports, about(inputs=inputs))
    _lay_out(reports, read_ledger(reports)[0], tmp_path / "again")
    made = sorted(path.relative_to(tmp_path / "again").as_posix() for path in (tmp_path / "again").rglob("*"))
    assert made == ["data", "data/days", "data/kept.csv"]
    assert (tmp_path / "again" / "data" / "kept.csv").read_bytes() == b"kept"


# The chain


def test_entries_are_numbered_and_chained(three: Path) -> None:
    """Each entry holds its number and the hash of the line before."""
    lines = ledger_file(three).read_bytes().splitlines()
    entries = read_ledger(three)
    assert [(entry.number, entry.run) for entry in entries] == [(1, "first"), (2, "sécond"), (3, "third")]
    assert [entry.previous for entry in entries] == ["", hash_of(lines[0]), hash_of(lines[1])]
    assert entries[1].parameters == {"word": "sécond"}


def test_no_ledger_is_an_empty_one(reports: Path) -> None:
    """Where nothing was ever run there is nothing to read."""
    assert read_ledger(reports) == []


def test_what_is_there_is_never_written_again(three: Path) -> None:
    """Appending leaves every byte before as it was."""
    before = ledger_file(three).read_bytes()
    append(three, about("fourth"))
    assert ledger_file(three).read_bytes().startswith(before)


def test_an_edited_byte_is_named_with_its_line(three: Path) -> None:
    """Whichever byte is changed, of the last line too, the line is named."""
    file = ledger_file(three)
    whole = file.read_bytes()
    for place in range(0, len(whole) - 1, 5):
        changed = bytearray(whole)
        changed[place] ^= 1
        file.write_bytes(bytes(changed))
        with pytest.raises(DamagedError, match="it was edited") as caught:
            read_ledger(three)
        assert caught.value.line == whole.count(b"\n", 0, place) + 1, place


@pytest.mark.parametrize("gone", [0, 1])
def test_a_line_that_is_gone_is_missed(three: Path, gone: int) -> None:
    """A removed entry is found out."""
    lines = ledger_file(three).read_bytes().splitlines(keepends=True)
    del lines[gone]
    ledger_file(three).write_bytes(b"".join(lines))
    with pytest.raises(DamagedError, match="does not follow from the line before") as caught:
        read_ledger(three)
    assert caught.value.line == gone + 1


def test_a_torn_last_line_counts_as_not_written(three: Path) -> None:
    """Wherever a crash cuts the last line off, the rest is read, and the next entry takes its place."""
    whole = ledger_file(three).read_bytes()
    last = whole[:-1].rindex(b"\n") + 1
    for end in (last, last + 1, (last + len(whole)) // 2, len(whole) - 1):
        ledger_file(three).write_bytes(whole[:end])
        assert len(read_ledger(three)) == 2
        append(three, about("third", parameters={"word": "third"}))
        assert ledger_file(three).read_bytes() == whole


def test_lines_longer_than_what_is_read_at_a_time(reports: Path) -> None:
    """An entry may be as long as it likes."""
    for number in range(3):
        append(reports, about(parameters={"long": "x" * (number * 100_000)}))
    assert [len(entry.parameters["long"]) for entry in read_ledger(reports)] == [0, 100_000, 200_000]


APPENDS = """import sys
from pathlib import Path
from swaptable.runs.ledger import append, keep
for number in range(int(sys.argv[2])):
    run = f"{sys.argv[1]}-{number}"
    sha = keep(Path(sys.argv[3]), run.encode())
    keep(Path(sys.argv[3]), b"the same for all")
    append(Path(sys.argv[3]), {"run": run, "finished": "", "fingerprint": "", "notebook": "", "inputs": {"file": sha}})
"""


def test_eight_processes_at_once_lose_nothing(reports: Path) -> None:
    """Entries of processes that append at the same time are all there, once, in one chain."""
    processes = [subprocess.Popen([sys.executable, "-c", APPENDS, str(name), "12", str(reports)]) for name in range(8)]
    assert [process.wait(timeout=60) for process in processes] == [0] * 8
    entries = read_ledger(reports)
    assert sorted(entry.run for entry in entries) == sorted(
        f"{name}-{number}" for name in range(8) for number in range(12)
    )
    assert all(content(reports, entry.inputs["file"]) == entry.run.encode() for entry in entries)


# What is kept


def test_content_is_kept_once(reports: Path) -> None:
    """What was kept is given back to the byte, whatever it is; the same content takes no room twice."""
    for data in (b"", b"salt", bytes(range(256)) * 1000):
        sha256 = keep(reports, data)
        assert content(reports, sha256) == data
        (place,) = (reports / ".kept" / sha256[:2]).glob(f"{sha256[2:]}.*")
        before = place.stat().st_mtime_ns
        assert keep(reports, data) == sha256
        assert place.stat().st_mtime_ns == before


def test_content_too_large_is_only_named(reports: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of what is larger than the limit the hash is kept, and asking for it says so."""
    monkeypatch.setattr(ledger, "MOST_KEPT_BYTES", 3)
    sha256 = keep(reports, b"salt")
    with pytest.raises(InputError, match="is not kept"):
        content(reports, sha256)


@pytest.mark.parametrize(
    ("damage", "message"),
    [
        (lambda data: b"", "is damaged|cannot be read"),
        (lambda data: data[: len(data) // 2], "cannot be read"),
        (lambda data: data[:12] + bytes([data[12] ^ 255]) + data[13:], "cannot be read|is damaged"),
        (lambda data: b"no gzip", "cannot be read"),
    ],
    ids=["empty", "cut off", "one byte", "something else"],
)
def test_content_that_is_damaged(reports: Path, damage: Callable[[bytes], bytes], message: str) -> None:
    """Kept content that was cut off or changed is named, never given."""
    sha256 = keep(reports, b"salt and pepper")
    (place,) = (reports / ".kept").rglob("*.gz")
    place.write_bytes(damage(place.read_bytes()))
    with pytest.raises(DamagedError, match=message) as caught:
        content(reports, sha256)
    assert str(place) in str(caught.value)
    place.unlink()
    with pytest.raises(InputError, match="is not kept"):
        content(reports, sha256)


def test_what_a_killed_run_left_is_swept_away(reports: Path) -> None:
    """Content that was being written when its process was killed is removed."""
    keep(reports, b"salt")
    (folder,) = (reports / ".kept").iterdir()
    (folder / ".half-written").touch()
    sweep(reports)
    assert list(folder.glob(".*")) == []


# Reports made again


@pytest.fixture(scope="module")
def made(
    tmp_path_factory: pytest.TempPathFactory, copied: Callable[[Path], Any], make_notebook: Callable[..., Path]
) -> Any:
    """A copy of the project with a run that computes a small real recipe."""
    project = copied(tmp_path_factory.mktemp("ledger") / "project")
    parameters = 'recipe: str = "pot"\noutput: str = ""\n'
    computes = """import json
from pathlib import Path
import swaptable as st
from swaptable.judging.study import compute_recipe
amounts = compute_recipe(recipe)
(Path(output) / "tables").mkdir()
total = float(amounts.data["per_batch"].sel(component="NA"))
(Path(output) / "tables" / "sodium.csv").write_text(f"sodium_mg\\n{total!r}\\n")
(Path(output) / "summary.json").write_text(json.dumps({"title": "T", "headline": "H", "audience": "A"}))
"""
    make_notebook(project.folder / "notebooks" / "computes.ipynb", parameters, computes)
    (project.folder / "data" / "recipes" / "pot.yaml").write_text(
        'title: Pot\nservings: 4\ningredients:\n  carrot: {amount: 100 g, food: "sr28:11124"}\n', encoding="utf-8"
    )
    project.write_runs(pot="computes {recipe: pot}")
    done = project.run("report")
    assert done.returncode == 0, done.stderr
    return project


def test_the_ledger_is_listed(made: Any) -> None:
    """One line an entry, or JSON with all that an entry holds; a damaged one is wrong input."""
    done = made.run("ledger")
    assert re.fullmatch(r" {4}1 {2}\d{4}-\d\d-\d\dT[\d:+]+ {2}pot {2}[0-9a-f]{12}\n", done.stdout)
    (entry,) = json.loads(made.run("ledger", "--format", "json").stdout)
    assert entry["releases"].keys() == {"data/foods/sr28"}
    assert entry["results"].keys() == {"tables/sodium.csv", "summary.json"}
    assert entry["inputs"]["module swaptable.amounts.nutrients"]
    file = made.reports / "ledger.jsonl"
    whole = file.read_bytes()
    file.write_bytes(whole.replace(b'"number": 1', b'"number": 7'))
    done = made.run("ledger")
    file.write_bytes(whole)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("reports/ledger.jsonl:1: is not an entry of the ledger: it was edited")


def test_an_earlier_report_is_made_again(made: Any, tmp_path: Path) -> None:
    """After recipe, notebook and module changed, the report of then is made again with the files and code of then."""
    first = (made.reports / "pot" / "tables" / "sodium.csv").read_bytes()
    recipe = made.folder / "data" / "recipes" / "pot.yaml"
    recipe.write_text(recipe.read_text(encoding="utf-8").replace("100 g", "300 g"), encoding="utf-8")
    for file in ("helpers/swaptable/amounts/nutrients.py", "helpers/swaptable/judging/study.py"):
        with (made.folder / file).open("a", encoding="utf-8") as stream:
            stream.write("\nraise AssertionError('not the code of then')\n")
    (made.folder / "notebooks" / "computes.ipynb").write_text("{}", encoding="utf-8")

    done = made.run("reproduce", "1", str(tmp_path / "again"))
    assert done.returncode == 0, done.stderr
    assert done.stdout == f"{tmp_path / 'again'}: 2 results are the same\n"
    again = tmp_path / "again" / "reports" / "pot" / "tables" / "sodium.csv"
    assert again.read_bytes() == first

    done = made.run("reproduce", "1", str(tmp_path / "again"))
    assert done.returncode == 2
    assert "exists already; name a new folder" in done.stderr
    done = made.run("reproduce", "7", str(tmp_path / "other"))
    assert done.returncode == 2
    assert "found entry 7; expected 1 to 1" in done.stderr

    (tmp_path / "pint-99.dist-info").mkdir()
    (tmp_path / "pint-99.dist-info" / "METADATA").write_text("Metadata-Version: 2.1\nName: pint\nVersion: 99\n")
    path = os.pathsep.join((str(tmp_path), str(made.folder / "helpers")))
    done = made.run("reproduce", "1", str(tmp_path / "other"), env=made.environment(PYTHONPATH=path))
    assert done.returncode == 2
    assert re.match(r"entry 1 was made with pint [\d.]+; install these first", done.stderr)
    assert not (tmp_path / "other").exists()

    for place in (made.reports / ".kept").rglob("*.gz"):
        place.unlink()
    done = made.run("reproduce", "1", str(tmp_path / "other"))
    assert done.returncode == 2
    assert "is not kept" in done.stderr
    assert done.stderr.count("\n") == 1
    assert not (tmp_path / "other").exists()
