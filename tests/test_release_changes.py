"""Two whole releases compared through the demo recipes: each kind of change, sentences, exit codes, files."""

import argparse
import json
import os
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from swaptable.basics.errors import InputError, SwaptableError
from swaptable.changes.changes import Changes
from swaptable.changes.changes_report import plot_changes, rankings_changed_shown, write_changes
from swaptable.changes.changes_text import changes_headline, changes_text, flip_sentences, food_sentences
from swaptable.changes.find_changes import find_changes
from swaptable.changes.food_changes import successors
from swaptable.changes.release_changes import cases_of, compare_releases
from swaptable.commands import changes as command
from swaptable.commands.shared import DONE, FLIPPED
from swaptable.foods.current_release import Current
from swaptable.foods.recoded import recoded
from swaptable.foods.release import FoodRelease, open_release
from swaptable.foods.release_writer import write_release
from swaptable.runs.run_files import read_runs

POTATO, STOCK, ONION, CARROT, SWEET_POTATO, SARDINE = "11352", "06700", "11282", "11124", "11507", "15088"
SODIUM, POTASSIUM = 307, 306


@pytest.fixture(scope="module")
def later(sr28: FoodRelease, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write SR28 with invented changes: values, words, refuse, a portion, a new code, a food that is gone."""
    tables = {name: sr28.table(name).copy() for name in ("foods", "values", "portions", "components")}
    values = tables["values"].astype({"code": str, "derivation_code": str})

    def set_value(code: str, number: int, **cells: object) -> None:
        at = (values["code"] == code) & (values["nutrient_number"] == number)
        assert at.sum() == 1
        for column, value in cells.items():
            values.loc[at, column] = value

    set_value(STOCK, SODIUM, value=120.0, n=12, standard_error=5.0)
    set_value(POTATO, POTASSIUM, value=424.0)
    foods, portions = tables["foods"].set_index("code", drop=False), tables["portions"]
    foods.loc[CARROT, "description"] = "Carrots, <b>raw</b>\n\x1b[3m"
    foods.loc[ONION, "refuse_percent"] = 12.0
    portions.loc[(portions["code"] == ONION) & (portions["measure"] == "large"), "grams"] = 160.0
    changed = tables | {"foods": foods.reset_index(drop=True), "values": values, "portions": portions}
    for name in ("foods", "values", "portions"):
        table = changed[name]
        changed[name] = table[table["code"] != SARDINE].assign(code=table["code"].replace({SWEET_POTATO: "99507"}))
    changed["values"] = changed["values"].astype({"code": "category"})
    folder = tmp_path_factory.mktemp("foods") / "later"
    about = {"name": "later", "title": "Invented", "released": "2027", "licence": "none", "source": "invented"}
    return write_release(folder, sr28.manifest | about, changed).folder


@pytest.fixture(scope="module")
def compared(later: Path) -> Changes:
    """Compare it through two recipes, one of which uses the food that is gone."""
    recipes = ["barley_pot", "sardine_traybake"]
    return compare_releases("sr28", later, recipes=recipes, audience="blood_pressure", prices="prices")


def test_every_change_of_a_food_in_use_is_told(compared: Changes) -> None:
    """One sentence for each food, with the reason; no mark-up or control character comes through raw."""
    said = {sentence.split()[0]: sentence for sentence in food_sentences(compared.foods)}
    assert said == {
        "sr28:06700": "sr28:06700 Soup, vegetable broth, ready to serve: sodium 296 → 120 mg per 100 g (new analysis: "
        "number of analyses 10 → 12, standard error 12.7 → 5)",
        "sr28:11352": "sr28:11352 Potatoes, flesh and skin, raw: potassium 425 → 424 mg per 100 g (no reason given: "
        "number of analyses, standard error, derivation and source are the same)",
        "sr28:11282": "sr28:11282 Onions, raw: refuse 10 % → 12 %, portion 'large' 150 g → 160 g",
        "sr28:11124": "sr28:11124 Carrots, raw: description Carrots, raw → Carrots, <b>raw</b> [3m",
        "sr28:11507": "sr28:11507 Sweet potato, raw, unprepared: renumbered 11507 → 99507",
        "sr28:15088": "sr28:15088 Fish, sardine, Atlantic, canned in oil, drained solids with bone: not in the new "
        "release",
    }


def test_foods_that_no_recipe_uses_are_left_out(later: Path) -> None:
    """The stock changed nothing in a recipe without stock."""
    found = compare_releases("sr28", later, recipes=["oat_pancakes"], audience="bone_health")
    assert found.foods.empty
    assert found.nothing
    assert changes_headline(found) == "Nothing changed in 1 recipe"


def test_a_food_that_is_gone_loses_the_recipe(compared: Changes) -> None:
    """A recipe that can no longer be computed is a flip and names its place; one that was renumbered is computed."""
    assert len(compared.lost) == 1
    assert compared.lost[0].startswith(
        "sardine_traybake can no longer be computed: data/recipes/sardine_traybake.yaml:"
    )
    assert "found 'sr28:15088'" in compared.lost[0]
    sweet = compared.amounts[compared.amounts["variant"].str.contains("sweet potato")]
    assert set(sweet["recipe"]) == {"barley_pot"}


def test_a_recipe_that_only_the_new_release_can_compute_is_told(later: Path, tmp_path: Path) -> None:
    """A food that the old release did not have is new, and flips nothing."""
    tables = {name: open_release(later).table(name) for name in ("foods", "values", "portions", "components")}
    herring = tables["foods"].iloc[:1].assign(code="90001", description="Herring, invented, raw")
    tables["foods"] = pd.concat([tables["foods"], herring], ignore_index=True)
    about = open_release(later).manifest | {"name": "newest"}
    newest = write_release(tmp_path / "newest", about, tables).folder
    recipe = tmp_path / "herring.yaml"
    recipe.write_text(
        'title: Herring\nservings: 2\ningredients:\n  oil: {amount: 20 g, food: "sr28:04053"}\n'
        '  herring: {amount: 200 g, food: "newest:90001"}\n',
        encoding="utf-8",
    )
    found = compare_releases("sr28", newest, recipes=[str(recipe)])
    assert found.flips == 0
    assert found.foods[["code", "kind", "why"]].to_numpy().tolist() == [
        ["newest:90001", "new", "not in the old release"]
    ]
    assert "which can be computed only now" in found.left_out[0]


def test_a_recipe_that_neither_release_can_compute_is_refused(later: Path, tmp_path: Path) -> None:
    """What is wrong is the recipe then, and its place is named."""
    recipe = tmp_path / "wrong.yaml"
    recipe.write_text('title: W\nservings: 1\ningredients:\n  a: {amount: 1 g, food: "sr28:00000"}\n', encoding="utf-8")
    with pytest.raises(InputError, match=r"wrong\.yaml:4:.*found 'sr28:00000'"):
        compare_releases("sr28", later, recipes=[str(recipe)], audience="iron")


def test_what_a_run_joins_to_a_release_stays_joined(later: Path, sr28: FoodRelease, tmp_path: Path) -> None:
    """Of a run that reads several releases the one is changed; a run that does not read it is told."""
    tables = {name: sr28.table(name) for name in ("foods", "values", "portions", "components")}
    own = {name: rows[rows["code"] == POTATO] if "code" in rows else rows for name, rows in tables.items()}
    folder = write_release(tmp_path / "own", sr28.manifest | {"name": "own"}, own).folder
    runs = tmp_path / "runs.yaml"
    line = "{notebook: compare_variants, parameters: {recipe: oat_pancakes, audience: iron, release: 'RELEASE'}}\n"
    joined = line.replace("RELEASE", f"sr28+{folder.as_posix()}")
    runs.write_text(f"one: {joined}two: {line.replace('RELEASE', folder.as_posix())}", encoding="utf-8")
    found = compare_releases("sr28", later, runs=runs)
    assert found.compared == ("oat_pancakes",)
    assert found.nothing
    assert found.left_out == (f"two (reads the food release {folder.as_posix()})",)


def test_after_a_switch_recipes_are_read_by_their_codes(
    later: Path, sr28: FoodRelease, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Recipes still say sr28; the way back from the switch undoes every change of a food."""
    new = open_release(later)
    pairs = tuple((f"sr28:{one}", f"later:{other}") for one, other in successors(sr28, new).items())
    switched = recoded(new, pairs, ("sr28",))
    monkeypatch.setattr(
        "swaptable.changes.release_changes.open_release",
        lambda name: switched if name == "current" else open_release(name),
    )
    found = compare_releases(later, "sr28", only=["barley_pot_class"])
    assert found.compared == ("barley_pot",)
    assert "later:99507 Sweet potato, raw, unprepared: renumbered 99507 → 11507" in food_sentences(found.foods)


def test_amounts_move_by_what_the_food_did(compared: Changes) -> None:
    """As written, 1.5 l of stock lose 176 mg of sodium per 100 g; the potato's potassium moved within certainty."""
    rows = compared.amounts[compared.amounts["variant"] == "as written"].set_index("component")
    stock = 691.2431590824253 * (120 / 296 - 1)  # mg per serving that the stock brings, by the report's own table
    onion = 150 / 6 * (160 / 150 - 1) * 0.04  # 4 mg in 100 g of it
    assert rows.loc["NA", "difference"] == pytest.approx(stock + onion, rel=1e-6)
    assert rows.loc["NA", "beyond_certainty"] == "yes"
    assert rows.loc["K", "beyond_certainty"] == "no"
    assert rows.loc["cost", "difference"] > 0


def test_flips_are_said_in_order(compared: Changes) -> None:
    """What is lost comes first, then safety, then the other verdicts; alike ones are counted together."""
    said = flip_sentences(compared)
    assert said[0].startswith("sardine_traybake can no longer be computed")
    assert "barley_pot: caution on sodium (kidney disease) called for → not called for" in said
    at = next(place for place, text in enumerate(said) if "front-of-package symbol" in text)
    assert "caution" in said[at - 1]
    assert said[at].startswith(
        "barley_pot, as written: sodium, front-of-package symbol called for → not called for, 40.2 → "
    )
    words = next(text for text in said if "the word for sodium (US) high → " in text)
    assert "more like it" in words


def test_the_text_fits_an_e_mail(compared: Changes) -> None:
    """About forty lines, without control characters; the flips come before the moves, and the rest is counted."""
    text = changes_text(compared)
    lines = text.splitlines()
    assert len(lines) <= 42
    assert "\x1b" not in text
    places = [lines.index(title) for title in ("FLIPPED", "FOODS IN USE", "MOVED MOST")]
    assert places == sorted(places)
    assert lines[0].startswith("What changed: sr28 (September 2015, cd95f221) → later (2027, ")
    assert lines[1] == changes_headline(compared) + "."
    assert any(line.startswith("The rest: ") and "--folder DIR" in line for line in lines)
    assert any("taken as independent" in line and "cautious" in line for line in lines)


def test_the_same_release_changes_nothing() -> None:
    """A release beside itself moves no amount, flips nothing and is said to."""
    found = compare_releases("sr28", "sr28", recipes=["oat_pancakes"], audience="bone_health", regime="CA")
    assert found.nothing
    assert "No amount moved" in plot_changes(found).figure.axes[0].texts[0].get_text()


def test_what_is_lost_is_not_called_unmoved(later: Path) -> None:
    """Where nothing could be computed, nobody says that nothing moved."""
    found = compare_releases("sr28", later, recipes=["sardine_traybake"])
    told = "1 recipe not compared, since it cannot be computed any more"
    assert changes_headline(found) == f"1 conclusion flipped in 1 recipe; {told}"
    assert told in rankings_changed_shown(found).data
    assert "every order" not in rankings_changed_shown(found).data.lower()
    assert plot_changes(found).figure.axes[0].texts[0].get_text().replace("\n", " ") == told


@pytest.mark.parametrize("joined", [False, True], ids=["alone", "joined"])
def test_a_food_stays_with_its_release_by_an_answer(later: Path, monkeypatch: pytest.MonkeyPatch, joined: bool) -> None:
    """The recipe is computed with the food of the old release, of which nothing is said otherwise."""
    for module in ("release_changes", "food_changes"):
        monkeypatch.setattr(f"swaptable.changes.{module}.code_map", lambda *_: {f"sr28:{SARDINE}": f"sr28:{SARDINE}"})
    new = f"{later}+sr28" if joined else later
    found = find_changes("sr28", new, recipes=["sardine_traybake"])
    assert found.lost == ()
    assert found.compared == ("sardine_traybake",)
    assert f"sr28:{SARDINE}" not in set(found.foods["code"])


def test_after_a_switch_the_reason_comes_first(later: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Runs that ask for the current release do not read the old one any more."""
    module = "swaptable.changes.release_changes"
    monkeypatch.setattr(f"{module}.read_current", lambda: Current("later+sr28", ("sr28",)))
    current = open_release(later)
    monkeypatch.setattr(f"{module}.open_release", lambda name: current if name == "current" else open_release(name))
    with pytest.raises(SwaptableError, match=r"^the runs use 'current', which is now 'later.sr28', not 'sr28': found"):
        compare_releases("sr28", later)


def test_the_order_of_rows_is_the_same_on_every_call(later: Path) -> None:
    """Whatever Python makes of hashes."""
    code = (
        "import sys\nfrom swaptable.changes.changes import changes_table\n"
        "from swaptable.changes.release_changes import compare_releases\n"
        "found = compare_releases('sr28', sys.argv[1], recipes=['barley_pot'])\n"
        "sys.stdout.write(changes_table(found).to_csv().encode('ascii', 'replace').decode())\n"
    )
    told = [
        subprocess.run(
            [sys.executable, "-c", code, str(later)], env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True, check=True,
        ).stdout
        for seed in ("1", "2")
    ]  # fmt: skip
    assert told[0]
    assert told[0] == told[1]


def test_what_hangs_on_the_retention_factors(tmp_path: Path) -> None:
    """The same release with other factors moves what is cooked."""
    asked = {"recipes": ["barley_pot"], "audience": "blood_pressure", "new_factors": "estimated"}
    found = find_changes("sr28", "sr28", **asked)
    assert found.foods.empty
    assert "MG" in set(found.amounts["component"])
    assert "NA" not in set(found.amounts["component"])
    assert found.new.endswith(", retention factors estimated")
    with pytest.raises(SwaptableError, match="found factors 'estimate'; expected published or estimated"):
        find_changes("sr28", "sr28", **asked | {"new_factors": "estimate"})


def test_files_are_there_whole_or_not_at_all(
    compared: Changes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Tables, chart with its text, summary and text; a folder that exists is refused, one that fails is not left."""
    names = write_changes(compared, tmp_path / "told")
    assert {"changes.txt", "summary.json", "tables/changes.csv", "tables/foods.csv", "figures/changes.svg"} <= set(
        names
    )
    tidy = pd.read_csv(tmp_path / "told" / "tables" / "changes.csv", keep_default_na=False)
    assert tidy["flipped"].sum() == compared.flips
    assert "NA" in set(tidy["component"])
    alt = (tmp_path / "told" / "figures" / "changes.txt").read_text(encoding="utf-8")
    assert changes_headline(compared) in alt
    assert "barley_pot" in alt
    svg = (tmp_path / "told" / "figures" / "changes.svg").read_text(encoding="utf-8")
    assert "<title>" in svg
    with pytest.raises(InputError, match="exists already"):
        write_changes(compared, tmp_path / "told")
    monkeypatch.setattr("swaptable.changes.changes_report.plot_changes", lambda _: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        write_changes(compared, tmp_path / "broken")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["told"]


def test_pages_escape_what_foods_are_called(compared: Changes) -> None:
    """Mark-up in a food's name is shown, not obeyed."""
    from swaptable.changes.changes_report import changes_shown, foods_changed_shown, moved_shown

    page = "".join(show(compared).data for show in (changes_shown, foods_changed_shown, moved_shown))
    page += rankings_changed_shown(compared).data
    assert "&lt;b&gt;raw&lt;/b&gt;" in page
    assert "<b>" not in page
    assert "\x1b" not in page


def options(*words: str) -> argparse.Namespace:
    """Parse the words of a command line."""
    parser = argparse.ArgumentParser()
    command.add_to(parser.add_subparsers())
    return parser.parse_args(["changes", *words])


def test_the_exit_code_tells_of_flips(later: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """3 if a conclusion flipped, else 0; JSON and CSV can be read by other programs."""
    of = ["--audience", "blood_pressure"]
    flipped = options("sr28", str(later), "--recipe", "barley_pot", *of, "--format", "json")
    assert flipped.command(flipped) == FLIPPED
    found = json.loads(capsys.readouterr().out)
    assert found["flips"] > 0
    assert found["flipped"][0].startswith("barley_pot")
    assert found["tables"]["foods"][0]["code"].startswith("sr28:")
    same = options("sr28", str(later), "--recipe", "oat_pancakes", *of, "--format", "csv")
    assert same.command(same) == DONE
    assert capsys.readouterr().out.startswith("kind,flipped,run,recipe,")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["sr28"], "found one side; expected two, or none"),
        (["sr28", "nowhere"], "found 'nowhere'; expected a food release, the folder of a run"),
        (["sr28", "7"], "'7', which is an entry of the ledger; expected two of a kind"),
        (["sr28", "sr28+data/foods/own"], "found 'sr28+data/foods/own'"),
        (["sr28", "sr28", "--run", "nothing"], "found run 'nothing'; expected one of barley_pot_blood_pressure"),
        (["sr28", "sr28", "--run", "barley_pot_from_words"], "found nothing that computes a recipe on 'sr28'"),
        (["sr28", "sr28", "--recipe", "stone_soup"], "found 'stone_soup'; expected a file or one of barley_pot"),
        (["sr28", "sr28", "--audience", "iron"], "found --audience without --recipe"),
        (["sr28", "sr28", "--recipe", "barley_pot", "--run", "x"], "found --recipe and --run"),
        (["--recipe", "barley_pot"], "found a recipe, which only a comparison of food releases takes"),
        (["sr28", "sr28", "--once"], "only the changes of the last report can be told once"),
        (["sr28", "sr28", "--folder", "data"], "exists already; name a new folder"),
    ],
)
def test_wrong_input_is_refused_in_one_sentence(words: list[str], told: str) -> None:
    """Each says what was found and what is allowed; the command line turns it into exit code 2."""
    wrong = options(*words)
    with pytest.raises(SwaptableError) as caught:
        wrong.command(wrong)
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)


def test_runs_that_compute_alike_are_computed_once(tmp_path: Path) -> None:
    """A recipe is computed once for all its runs; those that cost nothing join those that do; the rest is told."""
    runs = tmp_path / "runs.yaml"
    runs.write_text(
        "one: {notebook: compare_variants, parameters: {recipe: barley_pot, audience: iron, prices: prices}}\n"
        "two: {notebook: find_swap, parameters: {recipe: barley_pot, ingredient: liquid, audience: iron}}\n"
        "three: {notebook: programme, parameters: {recipes: [barley_pot], audiences: [diabetes]}}\n"
        "four: {notebook: match_ingredients, parameters: {words: barley_pot}}\n",
        encoding="utf-8",
    )
    cases, left_out = cases_of(read_runs(runs))
    assert [(case.recipe, case.prices) for case in cases] == [("barley_pot", "prices")]
    assert {name for name, _ in cases[0].asked} == {"iron", "diabetes"}
    assert "four" in " ".join(left_out)
    assert "the planned days of three" in left_out
