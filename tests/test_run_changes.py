"""Recorded runs compared, from folders and from the ledger alike: inputs, results, what was told before."""

import argparse
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from swaptable.basics.errors import InputError, SwaptableError
from swaptable.basics.folders import DATA
from swaptable.changes.changes_report import changes_shown, foods_changed_shown, moved_shown, save_changes
from swaptable.changes.changes_text import changes_headline, changes_text, flip_sentences, input_sentences
from swaptable.changes.find_changes import find_changes
from swaptable.changes.run_changes import compare_folders, compare_ledger, compare_reports, remember
from swaptable.commands import changes as command
from swaptable.commands.shared import DONE, FLIPPED
from swaptable.deciding.decide import decide_recipe
from swaptable.judging.advice import advise
from swaptable.judging.collection import judge_programme
from swaptable.judging.study import study_recipe
from swaptable.reporting.advice_report import save_advice
from swaptable.reporting.collection_report import save_programme
from swaptable.reporting.reports import write_tables
from swaptable.runs import ledger

RUN = "pancakes"
NOTEBOOK = {"file": "notebooks/compare_variants.ipynb", "sha256": "f" * 64}
RECIPE = {"file": "data/recipes/oat_pancakes.yaml", "sha256": "a" * 64}
INPUTS = {"file data/recipes/oat_pancakes.yaml": "a" * 64, "module swaptable.amounts.nutrients": "b" * 64}


def provenance(folder: Path, **about: Any) -> None:
    """Write what the runner writes beside the tables."""
    record = {
        "run": folder.name,
        "parameters": {"recipe": "oat_pancakes", "audience": "blood_pressure", "regime": "US"},
        "inputs": {"notebook": NOTEBOOK, "recipe": RECIPE},
        "used": INPUTS,
        "foods": {"data/foods/sr28": {"release": "c" * 64}},
        "versions": {"python": "3.11.7", "pandas": "3.0.0"},
        "finished": "2027-01-01T00:00:00+00:00",
    } | about
    (folder / "provenance.json").write_text(json.dumps(record), encoding="utf-8")


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Record the pancakes as a report does, with prices, as they are and with salted batter."""
    folder = tmp_path_factory.mktemp("recorded")
    recipe = (DATA / "recipes" / "oat_pancakes.yaml").read_text(encoding="utf-8")
    salted = recipe.replace("ingredients:\n", 'ingredients:\n  salt: {amount: 4 g, food: "sr28:02047"}\n', 1)
    for name, text in (("before", recipe), ("after", salted)):
        (folder / f"{name}.yaml").write_text(text, encoding="utf-8")
        study = study_recipe(folder / f"{name}.yaml", "blood_pressure", prices="prices")
        (folder / name / RUN).mkdir(parents=True)
        save_advice(advise(study), str(folder / name / RUN))
        provenance(folder / name / RUN)
    changed = {"file data/recipes/oat_pancakes.yaml": "d" * 64, "file data/reference/new.csv": "e" * 64}
    provenance(
        folder / "after" / RUN,
        used=changed | {"module swaptable.amounts.nutrients": "b" * 64},
        versions={"python": "3.11.7", "pandas": "3.0.1"},
        parameters={"recipe": "oat_pancakes", "audience": "blood_pressure", "regime": "US", "components": ["fibre"]},
        inputs={"notebook": NOTEBOOK, "recipe": RECIPE | {"sha256": "d" * 64}},
    )
    return folder


def test_inputs_that_are_others_are_named(recorded: Path) -> None:
    """Files, parameters and versions; what is the same is left out."""
    found = compare_folders(recorded / "before" / RUN, recorded / "after" / RUN)
    assert input_sentences(found.inputs) == [
        "data/recipes/oat_pancakes.yaml changed (pancakes)",
        "data/reference/new.csv is new (pancakes)",
        "parameter components not there → fibre (pancakes)",
        "version pandas 3.0.0 → 3.0.1 (pancakes)",
    ]


def test_a_run_and_a_folder_of_runs_are_known_by_what_they_hold(recorded: Path) -> None:
    """Both may be named by their folder, and tell what the two comparisons tell."""
    by_run = find_changes(str(recorded / "before" / RUN), str(recorded / "after" / RUN))
    by_folder = find_changes(str(recorded / "before"), str(recorded / "after"))
    assert by_run.flips == by_folder.flips > 0
    assert by_folder.compared == (RUN,)
    with pytest.raises(InputError, match="found run 'waffles'; expected one of pancakes"):
        find_changes(str(recorded / "before"), str(recorded / "after"), only=["waffles"])
    assert find_changes(str(recorded / "before"), str(recorded / "after"), only=[RUN]).compared == (RUN,)


def test_tables_of_earlier_runs_are_still_read(recorded: Path, tmp_path: Path) -> None:
    """Until November 2026 the number of a verdict was written as verdict and its word as word."""
    earlier = tmp_path / RUN
    shutil.copytree(recorded / "after" / RUN, earlier)
    renamed = 0
    for path in (earlier / "tables").glob("*.csv"):
        head, _, rows = path.read_text(encoding="utf-8").partition("\n")
        old = head.replace("verdict,", "word,").replace("verdict_rank,", "verdict,")
        renamed += old != head
        path.write_text(f"{old}\n{rows}", encoding="utf-8")
    assert renamed == 4
    assert compare_folders(recorded / "after" / RUN, earlier).flips == 0
    flips = compare_folders(recorded / "before" / RUN, recorded / "after" / RUN).flips
    assert compare_folders(recorded / "before" / RUN, earlier).flips == flips > 0


def test_pages_of_runs_show_inputs_and_say_what_runs_cannot_tell(
    recorded: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Which inputs are others; that foods are not told apart; that no amount moved, where none did."""
    found = compare_folders(recorded / "before" / RUN, recorded / "after" / RUN)
    page = changes_shown(found).data
    assert "<h2>Which inputs are others?</h2><ul><li>data/recipes/oat_pancakes.yaml changed (pancakes)</li>" in page
    assert "Recorded runs do not tell the foods apart" in foods_changed_shown(found).data
    same = compare_folders(recorded / "before" / RUN, recorded / "before" / RUN)
    assert "Which inputs are others?" not in changes_shown(same).data
    assert "o amount moved" in moved_shown(same).data
    monkeypatch.chdir(tmp_path)
    assert save_changes(found, "") == []
    assert not list(tmp_path.iterdir())  # a notebook that is only looked at writes nothing


def test_results_are_read_from_the_tables(recorded: Path) -> None:
    """Four grams of salt bring 1,550 mg of sodium to the batch, and every verdict on sodium is another one."""
    found = compare_folders(recorded / "before" / RUN, recorded / "after" / RUN)
    servings = 4
    sodium = found.amounts[(found.amounts["component"] == "NA") & (found.amounts["variant"] == "as written")].iloc[0]
    assert sodium["difference"] == pytest.approx(4 * 387.58 / servings, rel=1e-3)
    assert sodium["beyond_certainty"] == "yes"
    assert sodium["watched"]
    said = flip_sentences(found)
    assert any("the word for sodium (US)" in each for each in said)
    assert found.flips > 0
    assert {"ingredients", "sodium_by_ingredient"} <= set(found.tables["table"])
    text = changes_text(found)
    assert len(text.splitlines()) <= 42
    assert text.index("FLIPPED") < text.index("INPUTS THAT ARE OTHERS") < text.index("MOVED MOST")


def test_the_same_results_changed_nothing(recorded: Path, tmp_path: Path) -> None:
    """A run beside its copy; another input alone is told and flips nothing."""
    shutil.copytree(recorded / "before", tmp_path / "copy")
    same = compare_reports(recorded / "before", tmp_path / "copy")
    assert same.nothing
    assert changes_headline(same) == "Nothing changed in 1 run"
    provenance(tmp_path / "copy" / RUN, versions={"python": "3.12.0", "pandas": "3.0.0"})
    other = compare_reports(recorded / "before", tmp_path / "copy")
    assert not other.nothing
    assert other.flips == 0
    assert input_sentences(other.inputs) == ["version python 3.11.7 → 3.12.0 (pancakes)"]


def test_a_report_of_an_earlier_version_can_be_compared(recorded: Path, tmp_path: Path) -> None:
    """It named one food release and its hash; that it is the same or another is told all the same."""
    for name in ("then", "now"):
        shutil.copytree(recorded / "before" / RUN, tmp_path / name / RUN)
    release = {"name": "data/foods/sr28", "sha256": "0" * 64}
    provenance(tmp_path / "then" / RUN, foods={}, food_release=release)
    found = compare_folders(tmp_path / "then" / RUN, tmp_path / "now" / RUN)
    assert input_sentences(found.inputs) == ["food release data/foods/sr28 changed (pancakes)"]


def test_a_report_without_prices_has_no_cost(recorded: Path, tmp_path: Path) -> None:
    """It is compared in everything else; a cost that was not asked for is not one of nothing."""
    for name in ("before", "after"):
        shutil.copytree(recorded / name / RUN, tmp_path / name)
        file = tmp_path / name / "tables" / "variants.csv"
        table = pd.read_csv(file, dtype=str, keep_default_na=False)
        table.drop(columns=[column for column in table if column.startswith("cost")]).to_csv(file, index=False)
    with_cost = compare_folders(recorded / "before" / RUN, recorded / "after" / RUN)
    without = compare_folders(tmp_path / "before", tmp_path / "after")
    assert "cost" in set(with_cost.amounts["component"])
    assert set(without.amounts["component"]) == set(with_cost.amounts["component"]) - {"cost"}
    assert set(without.ranks["measure"]) == set(with_cost.ranks["measure"]) - {"Cost"}


def test_words_of_an_unknown_regime_are_not_made_up(recorded: Path, tmp_path: Path) -> None:
    """A run that does not say its regime is compared, but for the words for its percentages."""
    for name in ("before", "after"):
        shutil.copytree(recorded / name / RUN, tmp_path / name)
        provenance(tmp_path / name, parameters={"recipe": "oat_pancakes", "audience": "blood_pressure"})
    known = compare_folders(recorded / "before" / RUN, recorded / "after" / RUN)
    unknown = compare_folders(tmp_path / "before", tmp_path / "after")
    assert "word" in set(known.verdicts["rule"])
    assert set(unknown.verdicts["rule"]) == set(known.verdicts["rule"]) - {"word"}


def test_a_table_of_one_side_only_differs_by_all_its_rows(recorded: Path, tmp_path: Path) -> None:
    """Of a table that is read by nobody, how many rows there are on each side is told, none where it is not."""
    shutil.copytree(recorded / "before" / RUN, tmp_path / RUN)
    (tmp_path / RUN / "tables" / "notes.csv").write_text("note\none\ntwo\n", encoding="utf-8")
    table = compare_folders(recorded / "before" / RUN, tmp_path / RUN).tables.set_index("table")
    assert table.loc["notes", ["old_rows", "new_rows", "other_rows"]].tolist() == [0, 2, 3]


def test_runs_of_two_notebooks_are_not_compared(recorded: Path, tmp_path: Path) -> None:
    """Two runs named are refused; among many the one is left out and told."""
    shutil.copytree(recorded / "before", tmp_path / "other")
    provenance(tmp_path / "other" / RUN, inputs={"notebook": NOTEBOOK | {"file": "notebooks/decide.ipynb"}})
    with pytest.raises(InputError, match="was made by the notebook compare_variants, "):
        compare_folders(recorded / "before" / RUN, tmp_path / "other" / RUN)
    found = compare_reports(recorded / "before", tmp_path / "other")
    assert (found.compared, found.left_out) == ((), ("pancakes (made by compare_variants before, by decide now)",))


def test_runs_of_two_recipes_are_not_compared(recorded: Path, tmp_path: Path) -> None:
    """Two runs named are refused; among many the one is left out and told."""
    shutil.copytree(recorded / "before", tmp_path / "other")
    provenance(tmp_path / "other" / RUN, parameters={"recipe": "barley_pot", "audience": "blood_pressure"})
    with pytest.raises(InputError, match=r"is of the recipe 'oat_pancakes', .* of 'barley_pot'"):
        compare_folders(recorded / "before" / RUN, tmp_path / "other" / RUN)
    left = compare_reports(recorded / "before", tmp_path / "other").left_out
    assert left == ("pancakes (of the recipe oat_pancakes before, of barley_pot now)",)


def test_another_audience_is_said_first(recorded: Path, tmp_path: Path) -> None:
    """In the second line, before any result."""
    shutil.copytree(recorded / "before" / RUN, tmp_path / RUN)
    provenance(tmp_path / RUN, parameters={"recipe": "oat_pancakes", "audience": "iron", "regime": "CA"})
    lines = changes_text(compare_folders(recorded / "before" / RUN, tmp_path / RUN)).splitlines()
    told = "audience blood_pressure → iron (pancakes); regime US → CA (pancakes)"
    assert lines[1] == f"Asked otherwise: {told}."


def test_measures_of_a_decision_have_the_names_of_components(tmp_path: Path) -> None:
    """Component, unit and basis, as a comparison of releases has them."""
    for name, price in (("old", 1.0), ("new", 2.0)):
        decision = decide_recipe("barley_pot", "blood_pressure", objective="lowest cost", prices="prices", draws=50)
        ranking = decision.ranking.assign(cost_CAD_per_serving=decision.ranking["cost_CAD_per_serving"] * price)
        write_tables({"ranking": ranking, "verdicts": decision.verdicts}, {}, str(tmp_path / name))
        provenance(tmp_path / name, run="decision", parameters={"recipe": "barley_pot"})
    found = compare_folders(tmp_path / "old", tmp_path / "new").amounts
    assert found[["component", "unit", "basis"]].drop_duplicates().to_numpy().tolist() == [
        ["cost", "CAD", "per serving"]
    ]


def test_runs_of_one_side_only_are_told(recorded: Path, tmp_path: Path) -> None:
    """Reports are compared by name; what has no counterpart is named, and nothing in common is refused."""
    shutil.copytree(recorded / "before", tmp_path / "more")
    shutil.copytree(tmp_path / "more" / RUN, tmp_path / "more" / "waffles")
    found = compare_reports(recorded / "before", tmp_path / "more")
    assert found.compared == (RUN,)
    assert found.left_out[0].startswith("waffles (only in ")
    with pytest.raises(InputError, match="found run 'waffles'; expected one of pancakes"):
        compare_reports(recorded / "before", tmp_path / "more", ["waffles"])
    shutil.rmtree(tmp_path / "more" / RUN)
    with pytest.raises(InputError, match="has no run in common"):
        compare_reports(recorded / "before", tmp_path / "more")


@pytest.mark.parametrize(
    ("table", "damage", "told"),
    [
        ("variants", lambda text: text.replace("sodium_whole", "sodium_part", 1), "has no column 'sodium_whole'"),
        ("amounts", lambda text: text.replace("kcal,per batch,", "kcal,per batch,x", 1), "found 'x"),
        ("targets", lambda _: "", "is not a table that a run wrote"),
        ("claims", lambda _: 'variant,title,word\n"open', "is not a table that a run wrote"),
    ],
)
def test_damaged_tables_are_refused_with_their_place(
    recorded: Path, tmp_path: Path, table: str, damage: Callable[[str], str], told: str
) -> None:
    """One sentence names the run, the table, the column and the line."""
    shutil.copytree(recorded / "before" / RUN, tmp_path / RUN)
    file = tmp_path / RUN / "tables" / f"{table}.csv"
    file.write_text(damage(file.read_text(encoding="utf-8")), encoding="utf-8")
    with pytest.raises(InputError, match=f"tables/{table}.csv") as caught:
        compare_folders(recorded / "before" / RUN, tmp_path / RUN)
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("text", ["", "{", "[]", '{"parameters": 1}', '{"parameters": {}, "versions": {}}'])
def test_damaged_provenance_is_refused(recorded: Path, tmp_path: Path, text: str) -> None:
    """A run whose provenance is not whole is not compared."""
    shutil.copytree(recorded / "before" / RUN, tmp_path / RUN)
    (tmp_path / RUN / "provenance.json").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="is not what a run writes"):
        compare_folders(recorded / "before" / RUN, tmp_path / RUN)


def test_a_decision_is_read(tmp_path: Path) -> None:
    """Wants, the first place and the frontier of a decision are compared."""
    for name, want in (("old", "sodium <= 1000 mg"), ("new", "sodium <= 600 mg")):
        decision = decide_recipe("barley_pot", "blood_pressure", [want], draws=50)
        tables = {"ranking": decision.ranking, "verdicts": decision.verdicts, "wants": decision.binding}
        write_tables(tables, {}, str(tmp_path / name))
        provenance(tmp_path / name, run="decision", parameters={"recipe": "barley_pot", "constraints": [want]})
    found = compare_folders(tmp_path / "old", tmp_path / "new")
    every = found.verdicts[found.verdicts["name"] == "all that is wanted"].set_index("variant")
    assert every.loc["as written", ["old", "new", "flipped"]].tolist() == ["cannot tell", "not met", True]
    assert (found.verdicts.loc[found.verdicts["old"] == "not judged", "name"] == "sodium <= 600 mg").all()
    assert not (found.ranks["kind"] == "best").any()
    assert found.tables["table"].tolist() == ["wants"]


def test_a_programme_is_read(tmp_path: Path) -> None:
    """Another best variant of a programme is a flip, for it rests on verdicts alone."""
    programme = judge_programme(["barley_pot"], ["blood_pressure"], ["barley_pot_day"])
    for name in ("old", "new"):
        (tmp_path / name).mkdir()
        save_programme(programme, str(tmp_path / name))
        provenance(tmp_path / name, run="programme", parameters={"recipes": ["barley_pot"], "regime": "US"})
    assert compare_folders(tmp_path / "old", tmp_path / "new").nothing
    shutil.copytree(tmp_path / "new", tmp_path / "dayless")
    (tmp_path / "dayless" / "tables" / "days.csv").unlink()
    lost = compare_folders(tmp_path / "old", tmp_path / "dayless").verdicts
    assert (set(lost["rule"]), set(lost["new"])) == ({"day"}, {"not judged"})
    file = tmp_path / "new" / "tables" / "scores.csv"
    scores = pd.read_csv(file, keep_default_na=False)
    best = scores["which"] == "best"
    before = scores.loc[best, "variant"].iloc[0]
    scores.loc[best, "variant"] = "water"
    scores.to_csv(file, index=False)
    found = compare_folders(tmp_path / "old", tmp_path / "new")
    assert flip_sentences(found) == [
        f"barley_pot, blood_pressure: variant that meets most aims was '{before}', is 'water'"
    ]


def enter(reports: Path, source: Path, number: int, run: str = RUN) -> None:
    """Enter a recorded run in the ledger, as the runner does."""
    about = json.loads((source / "provenance.json").read_text(encoding="utf-8"))
    results = {
        f"tables/{path.name}": ledger.keep(reports, path.read_bytes()) for path in (source / "tables").glob("*.csv")
    }
    releases = {folder: entry["release"] for folder, entry in about["foods"].items()}
    fields = {"run": run, "finished": f"2027-01-0{number}", "fingerprint": f"{number}", "notebook": "compare_variants"}
    fields |= {"parameters": about["parameters"], "inputs": about["used"], "versions": about["versions"]}
    ledger.append(reports, fields | {"releases": releases, "results": results})


@pytest.fixture
def reports(recorded: Path, tmp_path: Path) -> Path:
    """Keep a ledger of three runs of the pancakes: before, after, after."""
    folder = tmp_path / "reports"
    folder.mkdir()
    for number, name in enumerate(("before", "after", "after"), 1):
        enter(folder, recorded / name / RUN, number)
    return folder


def test_two_entries_are_compared_as_their_folders_are(recorded: Path, reports: Path) -> None:
    """The ledger and the folders tell the same."""
    by_number = find_changes("1", "2", reports=reports)
    by_folder = compare_folders(recorded / "before" / RUN, recorded / "after" / RUN)
    for name in ("amounts", "verdicts", "ranks", "tables"):
        pd.testing.assert_frame_equal(getattr(by_number, name), getattr(by_folder, name))
    assert input_sentences(by_number.inputs) == input_sentences(by_folder.inputs)
    with pytest.raises(InputError, match="found no entry 9; expected a number from 1 to 3"):
        find_changes("1", "9", reports=reports)


def test_the_last_report_is_compared_with_the_one_before(reports: Path, recorded: Path) -> None:
    """Each run's last entry with the one before it; a run made once has none."""
    enter(reports, recorded / "before" / RUN, 4, run="waffles")
    found = compare_ledger(reports)
    assert found.nothing
    assert found.compared == (RUN,)
    assert found.left_out == ("waffles (made once so far)",)
    enter(reports, recorded / "before" / RUN, 5)
    assert compare_ledger(reports).flips > 0
    assert changes_headline(compare_ledger(reports, ["waffles"])) == "There is nothing new to compare"
    with pytest.raises(InputError, match="found run 'crepes'; expected one of pancakes, waffles"):
        compare_ledger(reports, ["crepes"])


def run(*words: str) -> int:
    """Run the command."""
    parser = argparse.ArgumentParser()
    command.add_to(parser.add_subparsers())
    options = parser.parse_args(["changes", *words])
    code: int = options.command(options)
    return code


def test_changes_can_be_told_once(reports: Path, recorded: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A nightly job is told of a flip once; then what was told last is what new entries are compared with."""
    asked = ("--once", "--reports", str(reports))
    enter(reports, recorded / "before" / RUN, 4)
    assert run(*asked) == FLIPPED
    assert run(*asked) == DONE
    assert "nothing new to compare" in capsys.readouterr().out
    enter(reports, recorded / "after" / RUN, 5)
    enter(reports, recorded / "before" / RUN, 6)
    assert run(*asked) == DONE  # what was told last and what is now are the same
    assert run("--reports", str(reports)) == FLIPPED
    (reports / ".told.json").write_text("?", encoding="utf-8")
    with pytest.raises(InputError, match="is damaged; remove it"):
        run(*asked)


def test_what_was_not_written_was_not_told(reports: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """If the text cannot be written, it is told the next time."""
    remember(reports, 1)

    def fail(*_: object) -> str:
        raise OSError("disk full")

    monkeypatch.setattr("swaptable.changes.changes_text.changes_text", fail)
    with pytest.raises(OSError, match="disk full"):
        run("--once", "--reports", str(reports))
    assert json.loads((reports / ".told.json").read_text(encoding="utf-8")) == {"told": 1}


def test_no_ledger_and_lost_content_are_told(tmp_path: Path, reports: Path) -> None:
    """Without a ledger there is nothing to tell; a content that is gone is named."""
    with pytest.raises(SwaptableError, match="has no ledger yet"):
        compare_ledger(tmp_path / "nowhere")
    shutil.rmtree(reports / ".kept")
    with pytest.raises(InputError, match=r"is not kept"):
        find_changes("1", "2", reports=reports)
