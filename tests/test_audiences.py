"""Audience files and plans of a day: what is read, and how every mistake is reported.

In the cases, « marks where the error must point to; it is taken out before the file is written.
"""

from collections.abc import Callable
from pathlib import Path

import pytest

from swaptable.basics.errors import InputError
from swaptable.judging.audiences import read_audience, read_day

AUDIENCE = "title: A\nraise: [potassium]\nkeep down: [sodium]\ncautions: [Ask first.]\n"
DAY = "title: D\ngroup: men over 70\nservings: [{recipe: barley_pot, with: {liquid: water}}]\n"


def write(folder: Path, content: str) -> Path:
    """Write a file."""
    path = folder / "file.yaml"
    path.write_text(content, encoding="utf-8")
    return path


def test_audience_is_read(tmp_path: Path) -> None:
    """An audience arrives with what to raise, what to keep down and its cautions; a third of the day by default."""
    audience = read_audience(write(tmp_path, AUDIENCE))
    assert (audience.title, audience.raise_components, audience.limit_components) == ("A", ("potassium",), ("sodium",))
    assert audience.cautions == ("Ask first.",)
    assert (audience.share_of_day, audience.groups, audience.limits) == (1 / 3, (), ())


@pytest.mark.parametrize(("text", "share"), [("1/3", 1 / 3), ("30 %", 0.3), ("0.25", 0.25), ("1", 1.0)])
def test_share_of_the_day_is_a_fraction_or_a_percentage(tmp_path: Path, text: str, share: float) -> None:
    """A part of the day is written as people say it."""
    assert read_audience(write(tmp_path, AUDIENCE + f"share of day: {text}\n")).share_of_day == pytest.approx(share)


@pytest.mark.parametrize(
    ("marked", "message"),
    [
        ("«" + AUDIENCE.replace("cautions: [Ask first.]\n", ""), "'cautions' is missing"),
        (AUDIENCE.replace("[Ask first.]", "«[]"), "found"),
        (AUDIENCE.replace("[potassium]", "«potassium"), "found 'potassium'"),
        (AUDIENCE + "«abuot: x\n",
         "found 'abuot'; expected one of title, about, groups, raise, keep down, show, share of day, limits, concerns, "
         "cautions; did you mean 'about'"),
        ("«- a\n", "found a list"),
        (AUDIENCE + "share of day: «half\n", "found 'half'; expected a part of the day, such as 1/3 or 30 %"),
        (AUDIENCE + "share of day: «120 %\n", "found '120 %'; expected a part of the day, such as 1/3 or 30 %"),
        (AUDIENCE + "share of day: «0\n", "found '0'; expected a part of the day"),
        (AUDIENCE + "share of day: «1/3 day\n", "found '1/3 day'; expected a part of the day"),
        (AUDIENCE + "limits: [{component: sodium, «at least: 2 g, source: x}]\n",
         "found 'at least'; expected one of component, at most, source"),
        (AUDIENCE + "limits: [«{component: sodium, at most: 2 g}]\n", "'source' is missing"),
        (AUDIENCE.replace("title: A", "title: «[A]"), "found a list; expected a text"),
        (AUDIENCE.replace("[potassium]", "[«[potassium]]"), "found a list; expected a text"),
        (AUDIENCE.replace("[Ask first.]", "«Ask first."), "found 'Ask first.'; expected a list"),
        ("«title: A\ncautions: [Ask first.]\n", "names no component; expected a list under raise, keep down or show"),
        (AUDIENCE + "«raise: [calcium]\n", "'raise' is there twice; keep one"),
        (AUDIENCE + "«raise_components: [calcium]\n", "found 'raise_components'"),
        (AUDIENCE + "groups: «men over 70\n", "found 'men over 70'; expected a list"),
        (AUDIENCE + "share of day: «1/0\n", "found '1/0'; expected a part of the day, such as 1/3 or 30 %"),
        (AUDIENCE + "share of day: «nan\n", "found 'nan'"),
        (AUDIENCE + "share of day: «0,3\n", "found '0,3'; expected a part of the day, such as 1/3 or 30 %"),
        (AUDIENCE + "limits: «{component: sodium, at most: 2 g, source: x}\n", "found a mapping; expected a list"),
        (AUDIENCE + "limits: [{component: sodium, at most: «inf mg, source: x}]\n", "found 'inf mg'"),
        (AUDIENCE + "limits: [{component: sodium, at most: «-2 g, source: x}]\n", "found '-2 g'; expected a number"),
        (AUDIENCE + "limits: [{component: sodium, at most: «9999999999 g, source: x}]\n",
         "found '9999999999 g'; expected a number and a unit"),
        (AUDIENCE + 'limits: [{component: sodium, at most: 2 g, source: «""}]\n', "found ''; expected a text"),
    ],
    ids=["no cautions", "empty cautions", "text for list", "unknown field", "list at top", "word for share",
         "share over 1", "share of 0", "share with a unit", "unknown field of a limit", "limit without source",
         "list for title", "list in a list", "text for cautions", "no component", "field twice",
         "name of the program's own", "text for groups", "share over nothing", "share that is no number",
         "decimal comma", "limits not in a list", "limit without end", "limit below 0", "huge limit",
         "limit with an empty source"],
)  # fmt: skip
def test_wrong_audience(refused: Callable[..., InputError], marked: str, message: str) -> None:
    """An audience that cannot be used, above all one without cautions, is refused at its place."""
    refused(marked, message, read_audience)


def test_day_is_read(tmp_path: Path) -> None:
    """A plan names servings of recipes with their options, foods and supplements."""
    day = read_day(write(tmp_path, DAY + "supplements: [{component: vitamin D, amount: 10 µg}]\n"))
    assert (day.servings[0].recipe, day.servings[0].servings, day.servings[0].options) == (
        "barley_pot", 1.0, {"liquid": "water"},
    )  # fmt: skip
    assert (day.supplements[0].component, day.supplements[0].amount.number) == ("vitamin D", 10.0)


@pytest.mark.parametrize(
    ("marked", "message"),
    [
        ("title: D\ngroup: men over 70\nservings: «[]\n", "expected at least one"),
        (DAY.replace("with", "«whit"), "found 'whit'; expected one of recipe, servings, with; did you mean 'with'"),
        (DAY + "foods: [«{food: x}]\n", "'amount' is missing"),
        (DAY + "supplements: [{component: iron, amount: «much}]\n", "found 'much'"),
        (DAY.replace("barley_pot,", "barley_pot, servings: «0,"), "found '0'; expected a number above 0"),
        (DAY.replace("barley_pot,", "barley_pot, servings: «inf,"), "found 'inf'; expected a number"),
        (DAY.replace("barley_pot,", "barley_pot, servings: «nan,"), "found 'nan'; expected a number"),
        (DAY.replace("{liquid: water}", "«water"), "found 'water'; expected fields as name: value"),
        (DAY.replace("liquid: water", "liquid: «[water]"), "found a list; expected a text"),
        ("title: D\ngroup: men over 70\nservings: [«barley_pot]\n", "found 'barley_pot'; expected fields"),
        ("«" + DAY.replace("group: men over 70\n", ""), "'group' is missing"),
        (DAY + "supplements: [{component: iron, amount: 10 mg, «unit: mg}]\n", "found 'unit'"),
        (DAY + "supplements: «{iron: 10 mg}\n", "found a mapping; expected a list"),
        (DAY + "supplements: [{component: iron, amount: «-1 mg}]\n", "found '-1 mg'; expected a number and a unit"),
        (DAY + 'foods: [{food: "sr28:01079", amount: 1 cup, «cook: boiled}]\n', "found 'cook'"),
    ],
    ids=["no servings", "unknown field", "food without amount", "supplement without number", "no serving at all",
         "servings without end", "servings that are no number", "text for options", "list for an option",
         "text for a serving", "no group", "unknown field of a supplement", "supplements not in a list",
         "supplement below 0", "food that is cooked"],
)  # fmt: skip
def test_wrong_day(refused: Callable[..., InputError], marked: str, message: str) -> None:
    """A plan that cannot be used is refused at its place."""
    refused(marked, message, read_day)


@pytest.mark.parametrize("content", ["", "# later\n", "   \n\n"], ids=["empty", "comment", "blank"])
@pytest.mark.parametrize("reader", [read_audience, read_day])
def test_empty_file(tmp_path: Path, reader: Callable[[Path], object], content: str) -> None:
    """A file that says nothing is named."""
    with pytest.raises(InputError, match=r"file\.yaml: is empty"):
        reader(write(tmp_path, content))
