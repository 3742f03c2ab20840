"""Audience files and plans of a day: what is read, and how every mistake is reported.

In the cases, « marks where the error must point to; it is taken out before the file is written.
"""

from collections.abc import Callable
from pathlib import Path

import pytest

from swaptable.audiences import read_audience, read_day
from swaptable.errors import InputError

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
        (AUDIENCE + "share of day: «half\n", "found 'half'; expected a number"),
        (AUDIENCE + "share of day: «120 %\n", "found '120 %'; expected a part of the day, such as 1/3 or 30 %"),
        (AUDIENCE + "share of day: «0\n", "found '0'; expected a part of the day"),
        (AUDIENCE + "share of day: «1/3 day\n", "found '1/3 day'; expected a part of the day"),
        (AUDIENCE + "limits: [{component: sodium, «at least: 2 g, source: x}]\n",
         "found 'at least'; expected one of component, at most, source"),
        (AUDIENCE + "limits: [«{component: sodium, at most: 2 g}]\n", "'source' is missing"),
    ],
    ids=["no cautions", "empty cautions", "text for list", "unknown field", "list at top", "word for share",
         "share over 1", "share of 0", "share with a unit", "unknown field of a limit", "limit without source"],
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
        (DAY.replace("barley_pot,", "barley_pot, servings: «0,"), "found '0'; expected more than 0"),
    ],
    ids=["no servings", "unknown field", "food without amount", "supplement without number", "no serving at all"],
)  # fmt: skip
def test_wrong_day(refused: Callable[..., InputError], marked: str, message: str) -> None:
    """A plan that cannot be used is refused at its place."""
    refused(marked, message, read_day)
