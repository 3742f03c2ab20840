"""Food releases compared: every kind of change is found, with its reason, and renumbered foods keep their old code."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from swaptable.changes.food_changes import NO_REASON, change_text, food_changes, successors
from swaptable.foods.release import FoodRelease
from swaptable.foods.release_writer import write_release

BLANK = {"n": 0, "standard_error": np.nan, "derivation_code": "", "source_code": "1", "date": ""}


def tables() -> dict[str, pd.DataFrame]:
    """Make a release of four foods, each with sodium, and water of the first."""
    foods = pd.DataFrame(
        {
            "code": ["1", "2", "3", "4"],
            "description": ["Leeks, raw", "Leeks, cooked", "Salt, table", "Oats"],
            "food_group": "11",
            "refuse_percent": [56.0, np.nan, 0.0, 0.0],
            "refuse_description": "",
        }
    )
    values = pd.DataFrame(
        {"code": ["1", "1", "2", "3", "4"], "nutrient_number": [255, 307, 307, 307, 307],
         "value": [83.0, 20.0, 10.0, 38758.0, 2.0], **BLANK}
    )  # fmt: skip
    values.loc[1, ["n", "standard_error", "derivation_code"]] = [4, 2.0, "A"]
    portions = pd.DataFrame({"code": ["1", "4"], "measure": ["leaf", "cup"], "amount": [2.0, 1.0], "grams": [30.0, 80]})
    components = pd.DataFrame(
        {"component": ["WATER", "NA"], "nutrient_number": [255, 307], "unit": ["g", "mg"], "name": ["Water", "Sodium"]}
    )
    return {"foods": foods, "values": values, "portions": portions, "components": components}


def release(folder: Path, changed: dict[str, pd.DataFrame], name: str = "tiny") -> FoodRelease:
    """Write and open a release."""
    values = changed["values"].astype({"code": "category"})
    return write_release(folder / name, {"name": name, "released": "today"}, changed | {"values": values})


def changes_of(folder: Path, changed: dict[str, pd.DataFrame], used: Sequence[str] = "1234") -> pd.DataFrame:
    """Compare the foods with a changed copy."""
    old, new = release(folder, tables()), release(folder, changed, "later")
    return food_changes(old, new, successors(old, new), {code: {"soup"} for code in used})


def test_the_same_foods_under_another_name_changed_nothing(tmp_path: Path) -> None:
    """A release that only has another name says nothing otherwise."""
    assert changes_of(tmp_path, tables()).empty


@pytest.mark.parametrize(
    ("cells", "kind", "why"),
    [
        ({"value": 25.0}, "value", NO_REASON),
        ({"value": 25.0, "n": 12, "standard_error": 0.5}, "value",
         "new analysis: number of analyses 4 → 12, standard error 2 → 0.5"),
        ({"n": 12}, "evidence", "new analysis: number of analyses 4 → 12"),
        ({"value": 25.0, "derivation_code": "BFZN", "n": 0, "source_code": "4"}, "value",
         "other grounds: was measured, is imputed; number of analyses 4 → 0, derivation A → BFZN, source code 1 → 4"),
        ({"value": 25.0, "source_code": "6"}, "value", "another source: source code 1 → 6"),
        ({"value": 25.0, "date": "03/2027"}, "value", f"{NO_REASON}; date not given → 03/2027"),
    ],
)  # fmt: skip
def test_a_value_moves_for_a_reason(tmp_path: Path, cells: dict[str, object], kind: str, why: str) -> None:
    """What the release tells beside a value is the reason; where it tells nothing, that is said."""
    changed = tables()
    for column, value in cells.items():
        changed["values"].loc[1, column] = value
    found = changes_of(tmp_path, changed)
    assert found[["code", "component", "kind", "why"]].to_numpy().tolist() == [["tiny:1", "NA", kind, why]]
    assert found["difference"].tolist() == [5.0 if "value" in cells else 0.0]


def test_a_date_alone_is_no_change(tmp_path: Path) -> None:
    """The same value with a later date stands on the same grounds."""
    changed = tables()
    changed["values"]["date"] = "03/2027"
    assert changes_of(tmp_path, changed).empty


def test_values_that_come_or_go_are_missing_not_zero(tmp_path: Path) -> None:
    """A value that is no longer given has no difference."""
    changed = tables()
    changed["values"] = changed["values"].drop(index=1)
    row = changes_of(tmp_path, changed).iloc[0]
    assert (row["old"], row["why"]) == (20.0, "no value is given any more")
    assert np.isnan([row["new"], row["difference"]]).all()
    assert "not known" in change_text(row)


def test_a_component_that_only_one_release_has_is_told_in_its_unit(tmp_path: Path) -> None:
    """Nothing is converted, and what the other release does not give is not known, not zero."""
    changed = tables()
    changed["components"] = changed["components"].iloc[1:]
    changed["values"] = changed["values"].iloc[1:]
    row = changes_of(tmp_path, changed).iloc[0]
    assert (row["component"], row["old"], row["unit"]) == ("WATER", 83.0, "g")
    assert np.isnan([row["new"], row["difference"]]).all()
    assert change_text(row) == "water 83 → not known per 100 g (no value is given any more)"


def test_the_same_value_on_other_grounds_is_said_to_be_the_same(tmp_path: Path) -> None:
    """No arrow between two equal numbers."""
    changed = tables()
    changed["values"].loc[1, "n"] = 12
    row = changes_of(tmp_path, changed).iloc[0]
    assert change_text(row) == "sodium the same, new analysis: number of analyses 4 → 12"


@pytest.mark.parametrize(("answer", "told"), [("other:7", ["renumbered 3 → other:7"]), ("tiny:3", [])])
def test_a_food_with_an_answer_is_what_the_answer_says(tmp_path: Path, answer: str, told: list[str]) -> None:
    """A food that stays with its own release did not change, whatever the new one says of its code."""
    changed = tables()
    changed["foods"].loc[2, "description"] = "Herring, pickled in vinegar"
    old, new = release(tmp_path, tables()), release(tmp_path, changed, "later")
    found = food_changes(old, new, successors(old, new), {"3": {"soup"}}, {"tiny:3": answer})
    assert [change_text(row) for _, row in found.iterrows()] == told


def test_another_unit_is_no_change(tmp_path: Path) -> None:
    """The same sodium in grams is the same sodium."""
    changed = tables()
    changed["components"].loc[1, "unit"] = "g"
    sodium = changed["values"]["nutrient_number"] == 307
    changed["values"].loc[sodium, ["value", "standard_error"]] /= 1000
    assert changes_of(tmp_path, changed).empty


def test_words_refuse_and_portions_are_told(tmp_path: Path) -> None:
    """Description, food group, refuse and portions of a food in use are compared; a missing refuse stays missing."""
    changed = tables()
    changed["foods"].loc[0, ["description", "food_group"]] = ["Leeks, fresh, raw", "12"]
    changed["foods"].loc[0, "refuse_percent"] = 50.0
    changed["portions"].loc[0, "grams"] = 40.0
    changed["portions"].loc[1, "measure"] = "cup, rolled"
    found = changes_of(tmp_path, changed)
    assert [change_text(row) for _, row in found.iterrows()] == [
        "description Leeks, raw → Leeks, fresh, raw",
        "food group 11 → 12",
        "refuse 56 % → 50 %",
        "portion 'leaf' 15 g → 20 g",
        "portion 'cup' 80 g → not known",
        "portion 'cup, rolled' not known → 80 g",
    ]
    assert set(found["used_by"]) == {"soup"}


def test_foods_vanish_appear_and_are_renumbered(tmp_path: Path) -> None:
    """The same words, but for case and spaces, under a new code are the same food; without them a food is gone."""
    changed = tables()
    for name in ("foods", "values", "portions"):
        changed[name]["code"] = changed[name]["code"].replace({"3": "30", "4": "40"})
    changed["foods"].loc[2:, "description"] = ["Salt, sea", "OATS "]
    found = changes_of(tmp_path, changed, used=["1", "3", "4", "30"])
    assert found[["code", "kind"]].to_numpy().tolist() == [
        ["tiny:3", "vanished"], ["tiny:4", "renumbered"], ["tiny:4", "description"], ["later:30", "new"],
    ]  # fmt: skip
    assert [change_text(row) for _, row in found.iterrows()] == [
        "not in the new release", "renumbered 4 → 40", "description Oats → OATS ", "not in the old release",
    ]  # fmt: skip


def test_a_code_that_is_another_food_now_is_not_taken_for_the_same(tmp_path: Path) -> None:
    """A code that was given to something else stands for nothing, and that is said."""
    changed = tables()
    changed["foods"].loc[3, "description"] = "Herring, pickled in vinegar"
    found = changes_of(tmp_path, changed)
    assert [change_text(row) for _, row in found.iterrows()] == [
        "its code is another food now: Herring, pickled in vinegar"
    ]


def test_two_foods_of_the_same_words_are_not_guessed(tmp_path: Path) -> None:
    """Where two new foods have the words of the old one, nobody can tell which it is."""
    changed = tables()
    twin = changed["foods"].iloc[[3, 3]].assign(code=["41", "42"])
    changed["foods"] = pd.concat([changed["foods"].iloc[:3], twin], ignore_index=True)
    changed["values"] = changed["values"].iloc[:4]
    assert "4" not in successors(release(tmp_path, tables()), release(tmp_path, changed, "later"))
