"""Errors name the place, and their helpers suggest and list words without ever inventing one."""

from __future__ import annotations

from pathlib import Path

import pytest

from swaptable.basics.errors import InputError, SwaptableError, listed, nearest


@pytest.mark.parametrize(
    ("place", "expected"),
    [
        ({"file": "pot.yaml", "line": 4, "column": 7, "field": "a.b"}, "pot.yaml:4:7: a.b: found 'x'"),
        ({"file": Path("pot.csv"), "line": 4, "field": "price"}, "pot.csv:4: price: found 'x'"),
        ({"file": "pot.yaml"}, "pot.yaml: found 'x'"),
        ({"field": "release"}, "release: found 'x'"),
        ({}, "found 'x'"),
    ],
    ids=["all", "no column", "file only", "field only", "nothing known"],
)
def test_place_stands_in_front(place: dict[str, object], expected: str) -> None:
    """What is known of the place stands in front of the problem, in reading order, and nothing else does."""
    assert str(InputError("found 'x'", **place)) == expected  # type: ignore[arg-type]


def test_place_can_be_read_back() -> None:
    """A program can read the place from the error without taking its text apart."""
    error = InputError("found 'x'", file="pot.yaml", line=4, column=7, field="a.b")
    assert (error.file, error.line, error.column, error.field) == ("pot.yaml", 4, 7, "a.b")


def test_input_error_is_caught_as_the_general_one() -> None:
    """Whoever catches SwaptableError, or ValueError, catches a wrong file too."""
    with pytest.raises(SwaptableError, match=r"pot\.yaml:4: found '7 spoons'") as caught:
        raise InputError("found '7 spoons'", file="pot.yaml", line=4)
    assert isinstance(caught.value, ValueError)


def test_error_remembers_what_it_is_about() -> None:
    """An error raised far from the file carries the field it is about, so that its place can be found."""
    assert (SwaptableError("found 'x'", about="detail").about, SwaptableError("found 'x'").about) == ("detail", "")


@pytest.mark.parametrize(
    ("word", "allowed", "expected"),
    [
        ("simered", ["simmered", "steamed"], "; did you mean 'simmered'?"),
        ("BOILED", ["boiled"], "; did you mean 'boiled'?"),
        ("na", ["NA", "K"], "; did you mean 'NA'?"),
        ("xyz", ["simmered", "steamed"], ""),
        ("", ["simmered"], ""),
        ("simmered", [], ""),
    ],
    ids=["one letter missing", "upper case", "keeps the allowed spelling", "nothing like it", "empty", "none allowed"],
)
def test_nearest_suggests_only_what_is_allowed(word: str, allowed: list[str], expected: str) -> None:
    """A suggestion is an allowed word in its own spelling, or there is none."""
    assert nearest(word, allowed) == expected


@pytest.mark.parametrize(
    ("items", "most", "expected"),
    [
        (["a"], 12, "a"),
        (["a", "b"], 2, "a, b"),
        (["a", "b", "c", "d"], 2, "a, b and 2 more"),
        ([], 2, ""),
        ([1, 2], 5, "1, 2"),
    ],
    ids=["one", "just fits", "cut", "none", "numbers"],
)
def test_listed_says_how_many_it_left_out(items: list[object], most: int, expected: str) -> None:
    """A long list is cut with the count of the rest, and a short one is given whole."""
    assert listed(items, most) == expected  # type: ignore[arg-type]


def test_listed_takes_any_iterable() -> None:
    """Words that can be read only once are all listed."""
    assert listed(word for word in ("kept", "discarded")) == "kept, discarded"
