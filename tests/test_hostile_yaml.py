"""Files that want to fill the memory, run something or deceive the reader: refused at their place, and soon."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import pytest

from swaptable.amounts.recipes import read_recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import InputError, SwaptableError
from swaptable.basics.located_yaml import MOST_BYTES, MOST_DEEP, MOST_VALUES, read_yaml
from swaptable.foods.release import FoodRelease
from swaptable.judging.audiences import read_audience, read_day

PATIENCE = 8.0  # seconds of processor time; on a slow machine, under load
HEAD = 'title: Pot\nservings: 4\ningredients:\n  root: {amount: 100 g, food: "sr28:11124"}\n'
AUDIENCE = """title: Class
keep down: [sodium]
cautions: [one]
limits:
  - {component: sodium, at most: AMOUNT, source: x}
"""
DAY = """title: Day
group: women 51 to 70
servings:
  - {recipe: barley_pot, servings: 1}
supplements:
  - {component: iron, amount: AMOUNT}
"""


def laughs() -> str:
    """Ten lists of ten references each: ten thousand million texts."""
    lists = [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]\n" for n in range(1, 10)]
    return "a0: &a0 [x]\n" + "".join(lists)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (laughs(), "aliases (*) are not used here"),
        (HEAD + "notes: &a [*a]\n", "aliases (*) are not used here"),
        (HEAD + "<<: {title: other}\n", "found '<<'; expected one of title"),
        (HEAD + '!!python/object/apply:os.system ["ls"]: 1\n', "tags (found 'tag:yaml.org,2002:python/object/apply"),
        (HEAD.replace("Pot", "!!python/name:os.system Pot"), "tags (found"),
        (HEAD.replace("Pot", "!x Pot"), "tags (found '!x') are not used here"),
        (HEAD + "title: Other\n", "'title' is there twice"),
        (HEAD + "notes: " + "[" * 100_000, f"nested too deeply; expected at most {MOST_DEEP}"),
        (HEAD + "notes: " + "[" * 5000 + "]" * 5000, "nested too deeply"),
        ("{a: " * 100_000, "nested too deeply"),
        ("- " * 100_000, "nested too deeply"),
        ("? " * 100_000, "nested too deeply"),
        (HEAD + "notes: " + "x" * 10_000_000, f"holds 10.0 MB; expected at most {MOST_BYTES / 1e6:g} MB"),
        (HEAD + "method: [" + "a," * 90_000 + "]\n", f"holds more than {MOST_VALUES:,} names and values"),
        (HEAD + "".join(f"k{n}: 1\n" for n in range(45_000)), f"holds more than {MOST_VALUES:,} names and values"),
    ],
    ids=["laughs", "itself", "merge", "runs", "names code", "own tag", "twice", "open brackets", "brackets", "braces",
         "dashes", "question marks", "10 MB", "list", "names"],
)  # fmt: skip
def test_file_that_would_grow_or_run_is_refused_soon(tmp_path: Path, text: str, told: str) -> None:
    """One error of one line, within seconds."""
    path = tmp_path / "pot.yaml"
    path.write_text(text, encoding="utf-8")
    began = time.process_time()
    with pytest.raises(InputError) as caught:
        read_recipe(path)
    assert time.process_time() - began < PATIENCE
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 2000


def test_no_limit_is_in_the_way_of_a_large_recipe(tmp_path: Path) -> None:
    """A choice of ten thousand options is read."""
    options = "".join(f"    o{n}: {{root: {{amount: {n} g}}}}\n" for n in range(9_999))
    path = tmp_path / "pot.yaml"
    path.write_text(f"{HEAD}choices:\n  size:\n    first: as written\n{options}", encoding="utf-8")
    assert len(read_recipe(path).choices["size"]) == 10_000


def test_a_million_million_variants_are_refused_before_anything_is_built(tmp_path: Path, sr28: FoodRelease) -> None:
    """The error says how many there are; nothing of that size is ever there."""
    ingredients = "".join(f'  i{n}: {{amount: 1 g, food: "sr28:11124"}}\n' for n in range(40))
    choices = "".join(f"  c{n}:\n    a{n}: as written\n    b{n}: {{i{n}: {{amount: 2 g}}}}\n" for n in range(40))
    path = tmp_path / "pot.yaml"
    path.write_text(f"title: Pot\nservings: 4\ningredients:\n{ingredients}choices:\n{choices}", encoding="utf-8")
    began = time.process_time()
    with pytest.raises(InputError, match=r"pot\.yaml:\d+:\d+: choices: found .*1,099,511,627,776"):
        build_grid(read_recipe(path), sr28)
    assert time.process_time() - began < PATIENCE


# Signs


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ("Pot\u202e", "U+202E (RIGHT-TO-LEFT OVERRIDE)"),
        ("Pot\u200b", "U+200B (ZERO WIDTH SPACE)"),
        ('"Pot\\0"', "U+0000 (a control sign)"),
        ('"Pot\\x1b[2J"', "U+001B (a control sign)"),
        ('"Pot\\ud800"', "U+D800"),
        ("Po" + "\u0301" * 100 + "t", "U+0301 (COMBINING ACUTE ACCENT)"),
        ("x" * 10_000, "found 10,000 letters; expected at most 200"),
    ],
    ids=["turned", "no width", "NUL", "terminal", "half a sign", "piled up", "endless"],
)
def test_title_that_cannot_be_shown_is_refused(refused: Callable[..., InputError], written: str, told: str) -> None:
    """The error names the sign by its number; it never repeats it."""
    error = refused(HEAD.replace("Pot", f"«{written}"), told)
    assert error.field == "title"
    assert str(error).isprintable()


@pytest.mark.parametrize(
    ("other", "told"),
    [
        ("r\u2060oot", "found a name with the sign U+2060"),
        ('"root\\n"', "found a name with the sign U+000A (a line end)"),
        ("rооt", "'rооt' looks the same as 'root'"),
        ("ｒｏｏｔ", "'ｒｏｏｔ' looks the same as 'root'"),
        ("r\u200doot", "looks the same as 'root'"),
        ('"root "', "looks the same as 'root'"),
        ("x" * 1_000, "found a name of 1,000 letters"),
    ],
    ids=["no width", "line end", "Cyrillic", "wide", "joiner", "space", "endless"],
)
def test_names_that_deceive_are_refused(refused: Callable[..., InputError], other: str, told: str) -> None:
    """A name that cannot be told from another, or cannot be shown, is refused where it stands."""
    error = refused(f'{HEAD}  «{other}: {{amount: 1 g, food: "sr28:11124"}}\n', told)
    assert str(error).isprintable()


def test_new_ingredient_that_looks_like_another_is_refused(refused: Callable[..., InputError]) -> None:
    """An option cannot add what looks like an ingredient that is there."""
    option = '{«rооt: {amount: 1 g, food: "sr28:11124"}}'
    refused(f"{HEAD}choices:\n  a:\n    b: as written\n    c: {option}\n", "looks the same as 'root'")


# Numbers

NO_NUMBERS = ["nan", "inf", "-inf", "Infinity", "-4", "-0", "1e308", "1e309", "1e-320", "0x10", "0b1", "1_000", "１２",
              "٣", "1٣", "+4", "4.", "9" * 400, "0." + "0" * 320 + "1", "1\u00b2", "4,5", "½½", ""]  # fmt: skip


@pytest.mark.parametrize("number", NO_NUMBERS, ids=[ascii(number[:12]) for number in NO_NUMBERS])
@pytest.mark.parametrize(
    ("reader", "text"),
    [
        (read_recipe, HEAD.replace("100 g", "AMOUNT g")),
        (read_recipe, HEAD.replace("4", "AMOUNT", 1)),
        (read_recipe, HEAD + "cooked weight: AMOUNT g\n"),
        (read_recipe, HEAD + "reference amount: AMOUNT kg\n"),
        (read_recipe, HEAD.replace("100 g", "100 g, yield: AMOUNT %")),
        (read_recipe, HEAD.replace("100 g", "100 g, salted water: AMOUNT g/l")),
        (read_audience, AUDIENCE.replace("AMOUNT", "AMOUNT mg")),
        (read_audience, AUDIENCE.replace("AMOUNT", "1 mg") + "share of day: AMOUNT\n"),
        (read_day, DAY.replace("AMOUNT", "AMOUNT mg")),
        (read_day, DAY.replace("AMOUNT", "1 mg").replace("servings: 1", "servings: AMOUNT")),
    ],
    ids=["amount", "servings", "cooked weight", "reference amount", "yield", "salted water", "limit", "share of day",
         "supplement", "portions"],
)  # fmt: skip
def test_what_is_no_number_is_none(tmp_path: Path, reader: Callable[[Path], object], text: str, number: str) -> None:
    """No field takes infinity, a number below 0, one of a programming language, or one written in other digits."""
    path = tmp_path / "wrong.yaml"
    path.write_text(text.replace("AMOUNT", number), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        reader(path)
    assert str(caught.value).isprintable()


def test_a_field_of_any_file_is_never_more_than_text(tmp_path: Path) -> None:
    """Numbers, dates and truths of YAML stay the words they are."""
    path = tmp_path / "any.yaml"
    path.write_text("a: [no, 1:30, 0x10, 2026-01-01, .inf, null]\n", encoding="utf-8")
    assert read_yaml(path)[0] == {"a": ["no", "1:30", "0x10", "2026-01-01", ".inf", "null"]}


def test_messages_are_short_and_printable_whatever_they_repeat() -> None:
    """A long or odd text is cut and escaped in an error, and what is allowed still stands there."""
    text = str(SwaptableError(f"found '{'x' * 100_000}\u202e\x1b'; expected a number"))
    assert len(text) < 300
    assert text.endswith("…'; expected a number")
    assert str(InputError("found 'a\u202eb\n'", file="pot\x1b.yaml")) == r"pot\x1b.yaml: found 'a\u202eb\n'"
    assert len(str(SwaptableError("a'" * 100_000))) < 2000
