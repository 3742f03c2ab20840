"""Amounts are read as a cook writes them, and measures have their published size."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from swaptable.basics.errors import SwaptableError
from swaptable.basics.units import Amount, convert, measure_named, parse_amount, parse_percent

MEASURES = Path(__file__).parents[1] / "data" / "reference" / "measures.csv"
# NIST Handbook 44, Appendix C: the inch is 2.54 cm, the gallon 231 cubic inches and the avoirdupois pound
# 453.592 37 g, all exactly; the smaller units are exact shares of these.
GALLON = 231 * 2.54**3
POUND = 453.59237
# Imperial gallon of the Weights and Measures Acts of Canada and the UK: 4.546 09 L exactly (from memory).
IMPERIAL_GALLON = 4546.09


def _rows() -> list[dict[str, str]]:
    with MEASURES.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize(
    ("text", "number", "measure"),
    [
        ("3", 3, ""),
        ("180 g", 180, "g"),
        ("180g", 180, "g"),
        ("0", 0, ""),
        ("0 g", 0, "g"),
        ("0.5 l", 0.5, "l"),
        (".5 l", 0.5, "l"),
        ("007 g", 7, "g"),
        ("1/2 tsp", 0.5, "tsp"),
        ("1 / 2 tsp", 0.5, "tsp"),
        ("1/2tsp", 0.5, "tsp"),
        ("3/2 cup", 1.5, "cup"),
        ("1 1/2 cups chopped", 1.5, "cups chopped"),
        ("1  1/2   cups   chopped", 1.5, "cups chopped"),
        ("11 1/2 g", 11.5, "g"),
        ("½ tsp", 0.5, "tsp"),
        ("½tsp", 0.5, "tsp"),
        ("1½ cup", 1.5, "cup"),
        ("1 ½ cup", 1.5, "cup"),
        ("1⅓ cup", 4 / 3, "cup"),
        ("⅞ cup", 7 / 8, "cup"),
        ("1 1⁄4 cup", 1.25, "cup"),
        ("3 medium", 3, "medium"),
        ("2 can (3.75 oz)", 2, "can (3.75 oz)"),
        ('1 medium (2-1/4" dia)', 1, 'medium (2-1/4" dia)'),
        ("  2 \t cloves ", 2, "cloves"),
    ],
)
def test_amount_is_number_and_measure(text: str, number: float, measure: str) -> None:
    """Whole, decimal and fractional numbers are read exactly, and the rest is the measure."""
    assert parse_amount(text) == Amount(pytest.approx(number, rel=1e-15), measure)


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "g",
        "a pinch",
        "half a cup",
        "-3 g",
        "- 3 g",
        "−3 g",
        "-1/2 tsp",
        "+3 g",
        "~3 g",
        "/2 g",
        "nan g",
        "inf g",
    ],
)
def test_amount_needs_a_number_of_zero_or_more(text: str) -> None:
    """What does not start with a number of 0 or more is refused with the text found and examples."""
    with pytest.raises(SwaptableError, match=re.escape(f"found '{text}'; expected a number")) as caught:
        parse_amount(text)
    assert "180 g" in str(caught.value)


@pytest.mark.parametrize(
    ("text", "instead"), [("1,5 g", "1.5 g"), ("0,25 l", "0.25 l"), ("12,75 kg", "12.75 kg")], ids=["g", "l", "kg"]
)
def test_decimal_comma_is_refused_with_the_point(text: str, instead: str) -> None:
    """A decimal comma is refused, with the amount written with a point."""
    with pytest.raises(SwaptableError, match=re.escape(f"found '{text}'")) as caught:
        parse_amount(text)
    assert instead in str(caught.value)


@pytest.mark.parametrize(("text", "whole"), [("1,000 g", "1000 g"), ("12,500 ml", "12500 ml")], ids=["g", "ml"])
def test_thousands_comma_is_not_taken_for_a_decimal_one(text: str, whole: str) -> None:
    """A comma before three digits may part thousands, so the advice must show that reading as well."""
    with pytest.raises(SwaptableError, match=re.escape(f"found '{text}'")) as caught:
        parse_amount(text)
    assert whole in str(caught.value)


@pytest.mark.parametrize("text", ["1/0 g", "1 1/0 g", "0/0 g"])
def test_fraction_over_zero_is_refused(text: str) -> None:
    """A fraction over 0 is an error of its own, not a division by zero."""
    with pytest.raises(SwaptableError, match=re.escape(f"found '{text}'") + ".*fraction"):
        parse_amount(text)


def test_endless_number_is_refused() -> None:
    """A number too large for a computer is refused, not taken as infinite."""
    text = "9" * 400 + " g"
    with pytest.raises(SwaptableError, match=r"found '9{100}…'"):
        parse_amount(text)


@pytest.mark.parametrize(
    ("text", "share"),
    [("12 %", 0.12), ("12%", 0.12), (" 12.5 % ", 0.125), ("0 %", 0.0), ("100 %", 1.0), ("150 %", 1.5)],
)
def test_percent_becomes_a_share(text: str, share: float) -> None:
    """A percentage becomes a share of one."""
    assert parse_percent(text) == pytest.approx(share, rel=1e-15)


@pytest.mark.parametrize("text", ["", "%", "12", "0.12", "-3 %", "1,5 %", "12 percent", "12 % of it", "1/2 %", "nan %"])
def test_percent_needs_its_sign(text: str) -> None:
    """A number without the percent sign is refused, so that 0.12 and 12 cannot be confused."""
    with pytest.raises(SwaptableError, match=re.escape(f"found '{text}'; expected a percentage such as 12 %")):
        parse_percent(text)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("word", "kind", "size"),
    [
        ("lb", "mass", POUND),
        ("oz", "mass", POUND / 16),
        ("g", "mass", 1),
        ("kg", "mass", 1000),
        ("mg", "mass", 0.001),
        ("gallon", "volume", GALLON),
        ("quart", "volume", GALLON / 4),
        ("pint", "volume", GALLON / 8),
        ("cup", "volume", GALLON / 16),
        ("fl oz", "volume", GALLON / 128),
        ("tbsp", "volume", GALLON / 256),
        ("tsp", "volume", GALLON / 768),
        ("ml", "volume", 1),
        ("cl", "volume", 10),
        ("dl", "volume", 100),
        ("l", "volume", 1000),
    ],
)
def test_measures_agree_with_handbook_44(word: str, kind: str, size: float) -> None:
    """Measures have the exact size of NIST Handbook 44, Appendix C, in grams or millilitres."""
    found = measure_named(word)
    assert found is not None
    assert (found.kind, found.size) == (kind, pytest.approx(size, rel=1e-14))


@pytest.mark.outside
@pytest.mark.parametrize(
    ("word", "parts"),
    [("imperial gallon", 1), ("imperial quart", 4), ("imperial pint", 8), ("imperial fl oz", 160)],
)
def test_imperial_measures_are_shares_of_the_gallon(word: str, parts: int) -> None:
    """Imperial measures are exact shares of a gallon of 4.54609 L (Weights and Measures Acts, from memory)."""
    found = measure_named(word)
    assert found is not None
    assert found.size == pytest.approx(IMPERIAL_GALLON / parts, rel=1e-14)


@pytest.mark.parametrize(
    ("word", "in_tsp"), [("dash", 1 / 8), ("pinch", 1 / 16), ("smidgen", 1 / 32)], ids=["dash", "pinch", "smidgen"]
)
def test_informal_measures_are_shares_of_the_teaspoon(word: str, in_tsp: float) -> None:
    """A dash, pinch and smidgen are an eighth, sixteenth and thirty-second of a teaspoon (common practice)."""
    small, spoon = measure_named(word), measure_named("teaspoon")
    assert small is not None
    assert spoon is not None
    assert small.size == pytest.approx(in_tsp * spoon.size, rel=1e-14)


@pytest.mark.parametrize("row", _rows(), ids=lambda row: row["unit"])
def test_every_word_of_the_table_is_understood(row: dict[str, str]) -> None:
    """Every unit and alias of measures.csv is found, also with a full stop, and is a positive mass or volume."""
    assert row["kind"] in ("mass", "volume")
    for word in (row["unit"], *filter(None, row["aliases"].split("|"))):
        for written in (word, f"{word}.", f"  {word} "):
            found = measure_named(written)
            assert found is not None, written
            assert (found.name, found.kind, found.size) == (row["unit"], row["kind"], float(row["grams_or_ml"]))
            assert found.size > 0


def test_no_word_means_two_measures() -> None:
    """No word of measures.csv stands for two units."""
    words = [word for row in _rows() for word in (row["unit"], *filter(None, row["aliases"].split("|")))]
    assert sorted(words) == sorted(set(words))


@pytest.mark.parametrize(
    ("written", "same_as"),
    [
        ("Cups", "cup"),
        ("TBSP", "tbsp"),
        ("KG", "kg"),
        ("mL", "ml"),
        ("L", "l"),
        ("Fl Oz", "fl oz"),
        ("fl  oz", "fl oz"),
    ],
)
def test_case_and_spaces_do_not_matter_where_nothing_is_ambiguous(written: str, same_as: str) -> None:
    """Capitals and double spaces do not hide a measure."""
    assert measure_named(written) is not None
    assert measure_named(written) == measure_named(same_as)


@pytest.mark.parametrize(
    "word", ["T", "t", "T.", "t.", "G", "M", "c", "", " ", "medium", "spoon", "cup chopped", "%", "µg"]
)
def test_doubtful_words_are_no_measure(word: str) -> None:
    """One-letter words that people read differently, above all T and t, and other words are not guessed."""
    assert measure_named(word) is None


def test_metric_and_us_cups_differ() -> None:
    """The plain cup is the US customary one; the metric cup of 250 ml must be asked for by name."""
    plain, us, metric = measure_named("cup"), measure_named("us cup"), measure_named("metric cup")
    assert plain == us
    assert metric is not None
    assert metric.size == 250


@pytest.mark.parametrize(
    ("value", "unit", "to", "expected"),
    [
        (2.0, "g", "mg", 2000.0),
        (250.0, "µg", "mg", 0.25),
        (1.0, "kcal", "kJ", 4.184),
        (418.4, "kJ", "kcal", 100.0),
        (7.0, "IU", "IU", 7.0),
    ],
    ids=["g to mg", "µg to mg", "kcal to kJ", "kJ to kcal", "same unit"],
)
def test_conversion_of_component_units(value: float, unit: str, to: str, expected: float) -> None:
    """Units convert exactly; the calorie is the thermochemical one of 4.184 J."""
    assert convert(value, unit, to) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("unit", "to"), [("g", "kcal"), ("kJ", "mg"), ("IU", "µg"), ("µg", "IU"), ("g", "ml"), ("", "g")]
)
def test_conversion_between_different_things_is_refused(unit: str, to: str) -> None:
    """Mass, energy, volume and international units are never converted into each other."""
    with pytest.raises(SwaptableError, match=f"cannot convert {unit} to {to}"):
        convert(1.0, unit, to)
