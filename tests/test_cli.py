"""The command line: exit codes, clean output for other programs, and messages apart from it.

A price file of the demo and small files of the test are enough; no notebook is executed here.
"""

from __future__ import annotations

import argparse
import csv
import io
import json
import math
import os
import re
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from swaptable import cli
from swaptable.amounts.recipes import recipe_schema
from swaptable.basics.folders import DATA

POT = """title: Pot
servings: 4
ingredients:
  carrot: {amount: 100 g, food: "sr28:11124"}
  salt: {amount: 1 tsp, food: "sr28:02047"}
choices:
  salting:
    salted, a lot: as written
    plain: {salt: {amount: 0}}
"""
COLUMNS = ["salting", "component", "unit", "basis", "amount", "known_share", "status"]


@pytest.fixture
def pot(tmp_path: Path) -> Path:
    """A good recipe file."""
    path = tmp_path / "pot.yaml"
    path.write_text(POT, encoding="utf-8")
    return path


@pytest.fixture
def wrong(tmp_path: Path) -> Path:
    """A recipe file with a wrong measure on line 4."""
    path = tmp_path / "wrong.yaml"
    path.write_text(POT.replace("100 g", "2 heaps"), encoding="utf-8")
    return path


def test_table_is_clean_csv(pot: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The table is CSV and nothing else: one header, one row per variant, component and basis."""
    assert cli.main(["table", str(pot), "--component", "sodium", "--basis", "serving"]) == 0
    captured = capsys.readouterr()
    rows = list(csv.DictReader(io.StringIO(captured.out)))
    assert captured.err == ""
    assert list(rows[0]) == COLUMNS
    assert [row["salting"] for row in rows] == ["salted, a lot", "plain"]
    # SR28: salt 38,758 mg sodium and 6 g to the teaspoon; carrots 69 mg
    assert float(rows[0]["amount"]) == pytest.approx((6 * 387.58 + 69) / 4, rel=1e-12)
    assert float(rows[1]["amount"]) == pytest.approx(69 / 4, rel=1e-12)


def test_table_has_every_basis_and_component(pot: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a choice of components and bases the table holds them all, once."""
    assert cli.main(["table", str(pot)]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    keys = [(row["salting"], row["component"], row["basis"]) for row in rows]
    assert len(keys) == len(set(keys))
    assert {row["basis"] for row in rows} == {"per batch", "per serving", "per 100 g", "per 100 kcal"}


def test_table_as_json_agrees_with_csv(pot: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """JSON holds the same table, with null, never 0 or NaN, for what is missing."""
    assert cli.main(["table", str(pot), "--format", "json"]) == 0
    as_json = json.loads(capsys.readouterr().out, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))
    assert cli.main(["table", str(pot)]) == 0
    as_csv = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert len(as_json) == len(as_csv)
    assert any(record["amount"] is None for record in as_json)
    for record, row in zip(as_json, as_csv, strict=True):
        assert list(record) == COLUMNS
        amount = math.nan if record["amount"] is None else record["amount"]
        assert amount == pytest.approx(float(row["amount"] or "nan"), rel=1e-12, nan_ok=True)
        assert (record["amount"] is None) == (record["status"] == "missing")


def test_table_of_ingredients(pot: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The table of ingredients has one row for each way that the choices touch an ingredient."""
    assert cli.main(["table", str(pot), "--ingredients"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [(row["ingredient"], row["options"]) for row in rows] == [
        ("carrot", ""),
        ("salt", "salting: salted, a lot"),
    ]


@pytest.mark.parametrize(
    ("arguments", "found", "allowed"),
    [
        (["--component", "sodum"], "'sodum'", "did you mean 'sodium'"),
        (["--basis", "cup"], "'cup'", "batch, serving, 100 g, 100 kcal"),
        (["--release", "sr27"], "'sr27'", "sr28"),
        (["--ingredients", "--component", "sodum"], "sodum|--component", "sodium|--ingredients"),
    ],
    ids=["component", "basis", "release", "component beside ingredients"],
)
def test_wrong_option_is_wrong_input(
    pot: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], found: str, allowed: str
) -> None:
    """A wrong option exits with 2, says in one line what was found and is allowed, and prints no table."""
    assert cli.main(["table", str(pot), *arguments]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    assert re.search(found, captured.err)
    assert re.search(allowed, captured.err)


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["tabel"],
        ["table"],
        ["check"],
        ["table", "x", "--format", "xml"],
        ["schema", "more"],
        ["report", "--jobs", "x"],
    ],
    ids=["nothing", "unknown command", "no recipe", "no file", "unknown format", "too many words", "jobs not a number"],
)
def test_wrong_usage_exits_with_2(capsys: pytest.CaptureFixture[str], arguments: list[str]) -> None:
    """Wrong usage exits with 2 and one line that says where help is."""
    assert cli.main(arguments) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert re.fullmatch(r".*; `swaptable[ \w]* --help` lists what there is \[S10\]\n", captured.err)


def test_wrong_recipe_exits_with_2_and_one_line(wrong: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A recipe that cannot be computed exits with 2 and one line that starts with its place."""
    assert cli.main(["table", str(wrong)]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.startswith(f"{wrong}:4:20: ingredients.carrot.amount: found ")
    assert "heaps" in captured.err
    assert captured.err.count("\n") == 1


@pytest.mark.parametrize("name", ["barley_pott", "x" * 5000, ""], ids=["near miss", "endless", "empty"])
def test_recipe_that_is_not_there(capsys: pytest.CaptureFixture[str], name: str) -> None:
    """A recipe that there is not exits with 2 and the names there are."""
    assert cli.main(["table", name]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert f"'{name[:100]}" in captured.err
    assert "barley_pot" in captured.err
    assert len(captured.err) < 2_000


def test_check_goes_through_all_files(
    tmp_path: Path, pot: Path, wrong: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Several files are all checked: the good on standard output, the wrong on standard error, exit code 2."""
    prices = tmp_path / "prices.csv"
    prices.write_text("food,price,currency,per,date,note\nsr28:02047,2;5,CAD,1 kg,,\n", encoding="utf-8")
    missing = tmp_path / "missing.yaml"
    assert cli.main(["check", str(wrong), str(pot), str(prices), str(missing), str(tmp_path)]) == 2
    captured = capsys.readouterr()
    assert captured.out.splitlines() == [line for line in captured.out.splitlines() if line.startswith(f"{pot}: ")]
    assert "2 variants" in captured.out
    complaints = captured.err.splitlines()
    assert len(complaints) == 4
    for complaint, path in zip(complaints, (wrong, prices, missing, tmp_path), strict=True):
        assert complaint.startswith(f"{path}:")
    assert "'2;5'" in complaints[1]


def test_check_knows_every_kind_of_file(capsys: pytest.CaptureFixture[str]) -> None:
    """All files of the demo are good, each checked as what it is."""
    files = [DATA / "recipes" / "oat_pancakes.yaml", DATA / "audiences" / "bone_health.yaml"]
    files += [DATA / "prices.csv", DATA / "runs.yaml"]
    assert cli.main(["check", *map(str, files)]) == 0
    captured = capsys.readouterr()
    assert captured.err == ""
    said = [line.partition(": ")[2] for line in captured.out.splitlines() if line[0] != " "]
    assert [words.split(",")[0] for words in said] == ["recipe", "audience", "price file", "runs file"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("title: A\nraise: [potasium]\nkeep down: [sodium]\ncautions: [c]\n", ":2:9: raise.0: found 'potasium'"),
        (
            "run:\n  notebook: compare_variants\n  parameters: {recipie: x}\n",
            ":3:16: run.parameters.recipie: found 'recipie'",
        ),
        ("run:\n  notebok: compare_variants\n", "notebok"),
        ("- a\n", ":1:1: found a list"),
    ],
    ids=["audience", "runs file", "runs file, misspelt", "list"],
)
def test_check_of_wrong_files(tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, message: str) -> None:
    """A wrong file of any kind is refused with its place and the value found."""
    path = tmp_path / "file.yaml"
    path.write_text(text, encoding="utf-8")
    assert cli.main(["check", str(path)]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert str(path) in captured.err
    assert message in captured.err


def test_schema_is_json(capsys: pytest.CaptureFixture[str]) -> None:
    """The schema is printed as JSON and nothing else."""
    assert cli.main(["schema"]) == 0
    captured = capsys.readouterr()
    assert json.loads(captured.out) == recipe_schema()
    assert captured.err == ""


def test_wrong_import_is_one_line(tmp_path: Path, pot: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A source that is no archive is refused in one line, and no release is left behind."""
    assert cli.main(["import", "sr28", str(pot), str(tmp_path / "release")]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.startswith(f"{pot}: ")
    assert captured.err.count("\n") == 1
    assert not list(tmp_path.glob("release*"))


@pytest.mark.skipif(os.name == "nt", reason="Windows reports a closed pipe otherwise")
@pytest.mark.parametrize(
    "arguments",
    [
        ["table", "oat_pancakes"],
        ["schema"],
        ["check", str(DATA / "prices.csv")],
    ],
    ids=["csv", "schema", "check"],
)
def test_reader_that_closes_the_pipe(arguments: list[str]) -> None:
    """A reader that has seen enough, such as head, causes neither a traceback nor an error code."""
    reading, writing = os.pipe()
    os.close(reading)
    command = [sys.executable, "-m", "swaptable", *arguments]
    done = subprocess.run(command, stdout=writing, stderr=subprocess.PIPE, text=True, check=False, timeout=50)
    os.close(writing)
    assert done.stderr == ""
    assert done.returncode == 0


def test_output_is_utf8_in_any_locale(tmp_path: Path) -> None:
    """Names in other scripts are printed as UTF-8 even where the system's encoding is another."""
    path = tmp_path / "pot.yaml"
    path.write_text(POT.replace("salting", "塩"), encoding="utf-8")
    command = [sys.executable, "-m", "swaptable", "table", str(path), "--component", "NA", "--basis", "serving"]
    environment = {**os.environ, "PYTHONIOENCODING": "latin-1", "PYTHONUTF8": "0", "LC_ALL": "C"}
    done = subprocess.run(command, capture_output=True, check=True, env=environment, timeout=50)
    assert done.stdout.decode("utf-8").startswith("塩,component,unit")


def test_find_lists_foods_with_what_tells_them_apart(capsys: pytest.CaptureFixture[str]) -> None:
    """Code, state, refuse, fit, group, key components and portions are shown; what was understood is said."""
    assert cli.main(["find", "kale", "raw"]) == 0
    shown = capsys.readouterr()
    assert shown.out.startswith(
        "sr28:11233  Kale, raw  [raw; refuse 28 %]\n"
        "    fit 0.94; Vegetables and Vegetable Products; sodium 38 mg, potassium 491 mg, energy 49 kcal per 100 g\n"
        '    cup 1" pieces, loosely packed 16 g\n'
    )
    assert shown.err == "understood: kale, raw\n"
    assert cli.main(["find", "peeled potato raw", "--most", "1"]) == 0
    assert capsys.readouterr().out.startswith(
        "sr28:11352  Potatoes, flesh and skin, raw  [raw, with skin; refuse 25 %]"
    )


def test_find_says_what_is_not_known(capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing found is said with the filters; a filter that is not known is wrong input."""
    assert cli.main(["find", "kale", "unicorn", "--most", "1"]) == 0
    assert capsys.readouterr().err == "understood: kale, unicorn (not known)\n"
    assert cli.main(["find", "unicorn"]) == 2
    assert "found no food for 'unicorn'" in capsys.readouterr().err
    assert cli.main(["find", "kale", "--group", "dairy"]) == 2
    assert "found no food for 'kale', group dairy" in capsys.readouterr().err
    assert cli.main(["find", "kale", "--state", "roasty"]) == 2
    assert "did you mean 'roasted'?" in capsys.readouterr().err


def test_find_gives_tables_to_other_programs(capsys: pytest.CaptureFixture[str]) -> None:
    """CSV and JSON hold the same rows, every number with its unit and basis in the name."""
    assert cli.main(["find", "canned", "chickpeas", "--most", "3", "--state", "canned", "--format", "json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert {row["code"] for row in rows} == {"sr28:16058", "sr28:16358", "sr28:16359"}
    assert cli.main(["find", "canned", "chickpeas", "--most", "3", "--state", "canned", "--format", "csv"]) == 0
    table = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [row["code"] for row in table] == [row["code"] for row in rows]
    assert float(table[0]["sodium_mg_per_100_g"]) == rows[0]["sodium_mg_per_100_g"]


def test_a_day_is_judged(capsys):
    """The plan adds up with its supplement, as a table for other programs."""
    assert cli.main(["day", "barley_pot_day", "--format", "json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    vitamin_d = next(row for row in rows if (row["component"], row["kind"]) == ("VITD", "UL"))
    assert (vitamin_d["verdict"], vitamin_d["counted"]) == ("met", "food and supplements")


def test_check_counts_what_a_file_holds(tmp_path, capsys):
    """One thing is told as one, several as several."""
    recipe = "title: Pot\nservings: 2\ningredients:\n  potato: {food: sr28:11352, amount: 400 g}\n"
    (tmp_path / "pot.yaml").write_text(recipe, encoding="utf-8")
    price = "food,price,currency,per,date,note\nsr28:02047,2.5,CAD,1 kg,,\n"
    (tmp_path / "prices.csv").write_text(price, encoding="utf-8")
    assert cli.main(["check", str(tmp_path / "pot.yaml"), str(tmp_path / "prices.csv"), "barley_pot"]) == 0
    told = capsys.readouterr().out
    assert "recipe, 1 variant, weight" in told
    assert "price file, 1 price\n" in told
    assert "recipe, 18 variants, weight" in told


def test_every_command_and_option_says_what_it_does():
    """The help of a command begins with its sentence in the list of commands; every option is explained."""
    (commands,) = (each for each in cli._parser()._actions if isinstance(each, argparse._SubParsersAction))
    told = {each.dest: each.help for each in commands._choices_actions}
    assert {name: parser.description for name, parser in commands.choices.items()} == told
    options = [(name, each) for name, parser in commands.choices.items() for each in parser._actions]
    assert [(name, each.dest) for name, each in options if not each.help] == []
    assert [(name, each.dest) for name, each in options if each.choices and "" in each.choices] == []


def test_an_option_means_the_same_in_every_command():
    """Prices, the folder of reports and how many rows have one name and one help."""
    parsers = next(each for each in cli._parser()._actions if isinstance(each, argparse._SubParsersAction)).choices
    flags = {name: {flag: each for each in parser._actions for flag in each.option_strings}
             for name, parser in parsers.items()}  # fmt: skip
    priced = {name: found["--prices"].help.removeprefix("of --recipe: ") for name, found in flags.items()
              if "--prices" in found}  # fmt: skip
    assert len(set(priced.values())) == 1
    assert {name for name, found in flags.items() if "--reports" in found} == {
        "report", "ledger", "reproduce", "changes",
    }  # fmt: skip
    assert {flags[name]["--reports"].help for name in ("report", "ledger", "reproduce", "changes")} == {
        "folder of the reports (reports/)"
    }
    assert {name for name, found in flags.items() if "--most" in found} == {"find", "swaps", "explore"}
    assert {name for name, found in flags.items() if "--output" in found} == {"fit"}


def test_check_finds_files_of_every_kind_by_name(capsys):
    """An audience and a day by their bare names, and what there is where there is none."""
    assert cli.main(["check", "iron", "white_bean_day"]) == 0
    assert [line.rpartition(": ")[2] for line in capsys.readouterr().out.splitlines()] == [
        "audience", "plan of a day, 6 items",
    ]  # fmt: skip
    assert cli.main(["check", "barley_pt"]) == 2
    assert "did you mean 'barley_pot'" in capsys.readouterr().err


def test_words_for_verdicts_need_verdicts(capsys):
    """An option that would do nothing is refused."""
    assert cli.main(["table", "barley_pot", "--audience", "iron"]) == 2
    assert "ask for that as well" in capsys.readouterr().err


def test_large_tables_are_one_json_text(capsys, monkeypatch):
    """Rows written in parts make one list."""
    monkeypatch.setattr("swaptable.commands.shared.ROWS_AT_ONCE", 5)
    assert cli.main(["table", "barley_pot", "--component", "NA", "--basis", "serving", "--format", "json"]) == 0
    assert len(json.loads(capsys.readouterr().out)) == 18


def test_evidence_is_printed_as_tables_or_as_json(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same tables; folds and seeds are those asked for, or those that the help promises."""
    asked = []
    tables = {
        name: pd.DataFrame({"error": [0.1 + 0.2]}, index=pd.Index([name], name="of"))
        for name in ("overall", "by_group", "by_component")
    }
    monkeypatch.setattr("swaptable.retention.pairs.pair_values", lambda *_: None)
    monkeypatch.setattr("swaptable.retention.pairs.find_pairs", lambda *_: None)
    monkeypatch.setattr("swaptable.retention.validation.validate", lambda _, *how: asked.append(how) or tables)
    assert cli.main(["validate"]) == 0
    assert [line for line in capsys.readouterr().out.splitlines() if line] == [
        line for name in tables for line in ("of,error", f"{name},0.30000000000000004")
    ]
    assert cli.main(["validate", "--folds", "5", "--seed", "7", "--format", "json"]) == 0
    assert json.loads(capsys.readouterr().out)["by_group"] == [{"of": "by_group", "error": pytest.approx(0.3)}]
    assert asked == [(10, (1, 2, 3)), (5, [7])]


@pytest.mark.parametrize(
    ("layout", "missing"), [("sr28", "DATA_SRC.txt"), ("cnf", "food_name.csv"), ("plain", "two.csv: is empty")]
)
def test_each_layout_is_imported_by_its_own_reader(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], layout: str, missing: str
) -> None:
    """What is missing is said by the name that it has in that layout."""
    (tmp_path / "raw").mkdir()
    for name in ("one.txt", "two.csv"):
        (tmp_path / "raw" / name).touch()
    assert cli.main(["import", layout, str(tmp_path / "raw"), str(tmp_path / "new")]) == 2
    assert missing in capsys.readouterr().err
