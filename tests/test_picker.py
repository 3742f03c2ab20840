"""The picker: choices change whole or not at all, and its fields do what they say without ever showing a traceback."""

from __future__ import annotations

import html
import json
import re
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from IPython.display import HTML

from swaptable.amounts.recipes import read_recipe
from swaptable.basics.errors import SwaptableError
from swaptable.basics.folders import find_file
from swaptable.foods.release import FoodRelease
from swaptable.judging.audiences import read_audience
from swaptable.judging.study import compute_recipe
from swaptable.kitchen.matched_file import recipe_yaml
from swaptable.kitchen.matching import match_recipe
from swaptable.kitchen.text import read_kitchen_text
from swaptable.reporting.kitchen_report import match_finding, plot_confidence, save_matches, serving_shown, words_shown
from swaptable.reporting.kitchen_study import (
    Serving,
    match_words,
    matches_table,
    questions_table,
    serving_of,
    serving_or_why_not,
)
from swaptable.reporting.picker import Panel, Picker, picker_shown

SOUP = """Bean soup

Serves 4

Ingredients
- 1 tbsp olive oil
- 400 g carrots, sliced
- 1 litre chicken stock
- salt to taste
- 50 g zxqwv

Method
1. Heat the oil, add the carrots and the stock and simmer for 20 minutes.
"""
OIL, CARROTS, STOCK, SALT, UNKNOWN = range(5)


@pytest.fixture
def picker(sr28: FoodRelease, tmp_path: Path) -> Picker:
    """A picker of the soup that saves into a folder of the test."""
    matched = match_recipe(read_kitchen_text(SOUP), sr28)
    return Picker(matched, "blood_pressure", folder=tmp_path)


@pytest.fixture
def panel(picker: Picker) -> Panel:
    """Its widgets."""
    return Panel(picker)


def sodium(picker: Picker) -> Serving:
    """Compute what the picker shows."""
    return serving_of(picker.matched, read_audience(find_file("blood_pressure", "audiences", ".yaml")))


def plain(widget) -> str:
    """Read what an HTML widget says; its sentences begin with a capital letter."""
    said = html.unescape(re.sub(r"<[^>]*>", "\n", widget.value))
    return "\n".join(line[:1].lower() + line[1:] for line in said.splitlines())


def test_every_field_has_a_label_and_its_place(panel):
    """A reader of the screen hears what a field is for; the keyboard meets them from top to bottom."""
    fields = [panel.words, panel.servings, *(field for row in panel.rows for field in (row.food, row.search))]
    assert all(field.description for field in [*fields, panel.match, panel.name, panel.overwrite, panel.save])
    assert [row.food.description for row in panel.rows] == list(panel.picker.matched.recipe.lines)
    order = panel.box.children
    places = [order.index(widget) for widget in (panel.words, panel.match, panel.name, panel.overwrite, panel.save)]
    assert places == sorted(places)
    assert {widget.tabbable for widget in fields} == {None}, "nothing leaves or reorders the keyboard's way"


def test_the_foods_offered_say_how_sure_they_are(panel):
    """The chosen food stands first, each with its confidence; where nothing is chosen that is said."""
    labels = [label for label, _ in panel.rows[STOCK].food.options]
    assert all(re.search(r" \(\d\.\d\d\)$", label) for label in labels)
    assert labels[0].startswith("Soup, chicken broth, ready-to-serve")
    assert panel.rows[UNKNOWN].food.options[0] == ("no food chosen", "")
    assert "how much?" in plain(panel.rows[SALT].about)


def test_choosing_updates_sodium_and_keeps_places(panel):
    """Another food changes the live line; the list keeps its order, so that the arrows can walk through it."""
    before, options = plain(panel.live), panel.rows[STOCK].food.options
    code = next(code for label, code in options if label.startswith("Soup, stock, chicken, home-prepared"))
    panel.rows[STOCK].food.value = code
    assert panel.picker.matched.lines[STOCK].hit.code == code
    assert panel.rows[STOCK].food.options == options
    assert plain(panel.live) != before
    assert "question" not in plain(panel.rows[STOCK].about)
    panel.rows[STOCK].food.value = options[0][1]
    assert plain(panel.live) == before, "and back again"


def test_the_live_line_says_what_is_left_out(panel):
    """Sodium with interval and word, the index, and the open lines by their words; a lower bound is never low."""
    said = plain(panel.live)
    assert re.search(
        r"at least [\d,]+ mg sodium a serving \(90 % interval [\d,]+ to [\d,]+\), at least \d+ % of the daily value",
        said,
    )
    assert re.search(r"index 9\.3: [−\d.]+ per 100 kcal \(90 % interval [−\d.]+ to [−\d.]+\)", said)
    assert "not counted, since food or amount are open: salt to taste, 50 g zxqwv" in said
    for number in (SALT, STOCK):
        panel.rows[number].search.value = "0 g water"
    assert "whether that is much is not known" in plain(panel.live)


def test_the_live_line_is_the_computed_recipe(picker, tmp_path):
    """With every line answered it is what the saved file gives when it is read and computed."""
    picker.search(SALT, "1/2 tsp salt")
    picker.search(UNKNOWN, "50 g parsnips")
    amounts = compute_recipe(picker.save("soup"))
    serving = sodium(picker)
    assert serving.left_out == ()
    assert serving.sodium_whole
    assert serving.sodium == float(amounts.per("serving").sel(component="NA"))
    assert serving.sodium_text in picker.serving_texts()


def test_searching_again(panel):
    """Other words look the food up and keep the amount; words with an amount read the line anew."""
    row, line = panel.rows[CARROTS], lambda: panel.picker.matched.lines[CARROTS]
    row.search.value = "parsnips"
    assert line().hit.description == "Parsnips, raw"
    assert (line().amount.text, line().cooking.cook, line().words) == ("400 g", "simmered", "400 g carrots, sliced")
    assert row.food.value == line().hit.code
    row.search.value = "250 g celery"
    assert (line().hit.description, line().amount.text) == ("Celery, raw", "250 g")
    assert row.food.description == "250 g celery"
    panel.rows[SALT].search.value = "1/2 tsp salt"
    assert "salt" not in plain(panel.live)
    row.search.value = "2% milk"
    assert line().hit.description.startswith("Milk, reduced fat, fluid, 2% milkfat")
    assert line().amount.text == "250 g", "a percentage is no amount"


@pytest.mark.parametrize(
    ("text", "message"),
    [("qqqq wwww", "which food is 'qqqq wwww'?"), ("salt and pepper", "names several foods"), ("sr28:99999", "99999")],
)
def test_a_search_that_finds_nothing_changes_nothing(panel, text, message):
    """It says so beside the line."""
    before = panel.picker.matched
    panel.rows[CARROTS].search.value = text
    assert panel.picker.matched is before
    assert message in plain(panel.rows[CARROTS].about)
    assert 'role="alert"' in panel.rows[CARROTS].about.value


def test_servings_are_asked_for(panel):
    """A text without servings computes nothing until they are given."""
    panel.words.value = SOUP.replace("Serves 4\n", "")
    panel.match.click()
    assert "how many servings" in plain(panel.live)
    panel.servings.value = "many"
    assert "found 'many' servings; expected a number above 0" in plain(panel.heard)
    assert panel.servings.value == ""
    panel.servings.value = "8"
    assert panel.picker.matched.recipe.servings == 8
    assert "mg sodium a serving" in plain(panel.live)


def test_matching_a_pasted_recipe(panel):
    """Lines and the offered name are those of the new recipe."""
    panel.words.value = "Rice & peas\nServes 2\n\n- 200 g white rice\n- 1 cup green peas\n"
    panel.match.click()
    assert [row.food.description for row in panel.rows] == ["200 g white rice", "1 cup green peas"]
    assert panel.name.value == "rice_peas"
    assert "of 2 lines matched" in plain(panel.heard)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty; expected a title, servings, ingredients and a method"),
        ("Just a title", "found no ingredient lines"),
        (f"{SOUP}\n{SOUP}", "holds 2 recipes"),
        ("Soup\n- 1 \x07 carrot", "control character"),
    ],
)
def test_a_text_that_is_no_recipe_is_told(panel, text, message):
    """In plain words, and the recipe at hand stays."""
    before = panel.picker.matched
    panel.words.value = text
    panel.match.click()
    assert message in plain(panel.heard)
    assert panel.picker.matched is before
    assert len(panel.rows) == 5


def test_saving(panel, tmp_path):
    """The file is the recipe as chosen; what is open is said."""
    panel.name.value = "soup"
    panel.save.click()
    assert (tmp_path / "soup.yaml").read_text(encoding="utf-8") == recipe_yaml(panel.picker.matched)
    assert "soup.yaml; at 2 places it says '?' until you write what is open" in plain(panel.said)
    assert [path.name for path in tmp_path.iterdir()] == ["soup.yaml"]
    panel.rows[SALT].search.value = "1/2 tsp salt"
    assert plain(panel.said).strip() == "", "what was saved is not what is shown now"


def test_nothing_is_overwritten_without_a_tick(panel, tmp_path):
    """And the tick counts once."""
    (tmp_path / "soup.yaml").write_text("mine", encoding="utf-8")
    panel.name.value = "soup"
    panel.save.click()
    assert "which exists already; write another name, or tick 'Overwrite'" in plain(panel.said)
    assert (tmp_path / "soup.yaml").read_text(encoding="utf-8") == "mine"
    panel.overwrite.value = True
    panel.save.click()
    assert (tmp_path / "soup.yaml").read_text(encoding="utf-8") != "mine"
    assert panel.overwrite.value is False


@pytest.mark.parametrize("name", ["", "a/b", "../soup", "my soup", "soup.yaml", "x" * 80])
def test_a_name_that_is_none_is_refused(panel, tmp_path, name):
    """With what is allowed; nothing is written."""
    panel.name.value = name
    panel.save.click()
    assert f"found the name '{name}'; expected letters, digits, _ and - only" in plain(panel.said)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_written_to_is_told(picker, tmp_path):
    """Without a traceback."""
    picker.folder = tmp_path / "gone"
    panel = Panel(picker)
    panel.save.click()
    assert "not done: No such file or directory" in plain(panel.said)


def test_a_mistake_of_ours_is_told_too(panel, monkeypatch):
    """The reader sees a sentence and can go on."""
    monkeypatch.setattr(panel.picker, "save", lambda *_: {}["lost"])
    panel.save.click()
    assert "that went wrong (KeyError: 'lost')" in plain(panel.said)
    assert "mg sodium a serving" in plain(panel.live)


def test_what_is_asked_at_once_is_done_in_turn(panel, tmp_path):
    """A kernel may serve each field from a thread of its own: nothing is lost."""
    tasks = [
        lambda: setattr(panel.rows[CARROTS].search, "value", "parsnips"),
        lambda: setattr(panel.rows[SALT].search, "value", "1/2 tsp salt"),
        lambda: setattr(panel.servings, "value", "8"),
    ]
    with ThreadPoolExecutor(3) as threads:
        list(threads.map(lambda task: task(), tasks))
    matched = panel.picker.matched
    assert (matched.lines[CARROTS].hit.description, matched.lines[SALT].is_open) == ("Parsnips, raw", False)
    assert matched.recipe.servings == 8


def test_words_are_never_markup(sr28):
    """What a recipe says is shown as text."""
    matched = match_recipe(read_kitchen_text("<i>Pot</i>\nServes 2\n- 100 g <script>alert(1)</script> carrots\n"), sr28)
    panel = Panel(Picker(matched, "blood_pressure"))
    shown = words_shown(matched).data + panel.live.value + "".join(row.about.value for row in panel.rows)
    assert "<script>" not in shown
    assert "<i>" not in shown


def test_headless_shows_no_widgets(sr28, tmp_path):
    """A run has no reader: the page says where the fields would be."""
    picker = Picker(match_words("barley_pot"), "blood_pressure", name="pot")
    assert isinstance(picker_shown(picker, str(tmp_path)), HTML)
    assert picker.name == "pot"
    assert picker_shown(picker) is None, "a reader gets the fields"


@pytest.mark.parametrize("wrong", [{"audience": "nobody"}, {"regime": "EU"}])
def test_wrong_parameters_are_refused(wrong):
    """At once, with what is allowed."""
    with pytest.raises(SwaptableError, match=f"found .*'{next(iter(wrong.values()))}'; expected"):
        Picker(match_words("barley_pot"), **{"audience": "blood_pressure", **wrong})


def test_the_files_of_a_run(picker, tmp_path):
    """Tables, recipe and summary; what is open is an empty cell, never 0."""
    save_matches(picker.matched, "blood_pressure", str(tmp_path))
    assert sorted(path.name for path in (tmp_path / "tables").iterdir()) == [
        "matches.csv",
        "questions.csv",
        "serving.csv",
    ]
    summary = json.loads((tmp_path / "summary.json").read_text(encoding="utf-8"))
    assert {"title", "headline", "audience", "chart"} <= set(summary)
    assert "still open in 2" in summary["headline"]
    assert (tmp_path / "recipe.yaml").read_text(encoding="utf-8") == recipe_yaml(picker.matched)
    table = matches_table(picker.matched)
    assert table.loc[SALT, "amount"] == ""
    assert table.loc[UNKNOWN, "food"] == ""
    assert table["grams"].isna().tolist() == [False, False, False, True, True]
    assert table["confidence"].isna().tolist() == [False, False, False, False, True]
    assert set(questions_table(picker.matched)["words"]) >= {"salt to taste", "50 g zxqwv"}
    assert set(sodium(picker).table()["status"]) == {"lower bound"}
    assert save_matches(picker.matched, "blood_pressure", "") == []


def test_the_chart_says_what_it_shows(picker):
    """A bar and its confidence for every line, a question mark where one is asked, the finding as title."""
    chart = plot_confidence(picker.matched)
    axes = chart.figure.axes[0]
    lines = picker.matched.lines
    assert [bar.get_width() for bar in axes.patches] == [line.confidence if line.hit else 0 for line in lines]
    texts = [text.get_text() for text in axes.texts][: len(lines)]
    assert [text.endswith("?") for text in texts] == [bool(line.questions) for line in lines]
    assert chart.title == match_finding(picker.matched)[0]
    assert all(line.words in chart.alt for line in lines)


def test_nothing_to_compute_is_said(sr28):
    """Where every line is open, and where nobody says how many servings."""
    matched = match_recipe(read_kitchen_text("Pot\nServes 2\n- salt to taste\n"), sr28)
    assert "no line has both a food and an amount" in serving_shown(matched, "blood_pressure").data
    people = read_audience(find_file("blood_pressure", "audiences", ".yaml"))
    unserved = match_recipe(read_kitchen_text("Pot\n- 100 g carrots\n"), sr28)
    assert "how many servings" in str(serving_or_why_not(unserved, people))


def test_a_saved_recipe_is_one_that_the_comparison_reads(picker):
    """Once what is open is answered."""
    picker.search(SALT, "1/2 tsp salt")
    picker.search(UNKNOWN, "50 g parsnips")
    recipe = read_recipe(picker.save("soup"))
    assert (recipe.title, recipe.servings, len(recipe.ingredients)) == ("Bean soup", 4, 5)
