"""Amounts and units: the one pint registry, the words of the kitchen, and activity units per nutrient.

Units are converted here, at the edges; inside, arrays are plain floats whose unit is written beside them.
"""

from __future__ import annotations

import csv
import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache

import pint

from swaptable.basics.errors import SwaptableError
from swaptable.basics.folders import DATA

__all__ = [
    "ALPHA_CAROTENE_PER_RAE",
    "BETA_CAROTENE_PER_RAE",
    "CRYPTOXANTHIN_PER_RAE",
    "DFE_PER_FOLIC_ACID",
    "GENERAL_KCAL_PER_GRAM",
    "GENERAL_KCAL_PER_GRAM_ALCOHOL",
    "IU_PER_MICROGRAM_VITAMIN_D",
    "KCAL_PER_GRAM_ALCOHOL",
    "KCAL_PER_GRAM_FAT_OF_MEAT",
    "KJ_PER_KCAL",
    "SALT_PER_SODIUM",
    "TRYPTOPHAN_PER_NIACIN",
    "Amount",
    "Measure",
    "component_amount",
    "convert",
    "measure_named",
    "parse_amount",
    "parse_percent",
]

# Institute of Medicine 2001, Dietary Reference Intakes for Vitamin A ..., chapter 4: 1 µg RAE = 12 µg
# β-carotene = 24 µg α-carotene = 24 µg β-cryptoxanthin = 1 µg retinol. Exact by definition.
BETA_CAROTENE_PER_RAE, ALPHA_CAROTENE_PER_RAE, CRYPTOXANTHIN_PER_RAE = 12.0, 24.0, 24.0
# Institute of Medicine 1998, Dietary Reference Intakes for Thiamin ..., chapter 8: folic acid eaten with
# food counts 1.7 times. Exact by definition.
DFE_PER_FOLIC_ACID = 1.7
# The same, chapter 6: 60 mg tryptophan count as 1 mg niacin. Exact by definition.
TRYPTOPHAN_PER_NIACIN = 60.0
# Institute of Medicine 2011, Dietary Reference Intakes for Calcium and Vitamin D: 1 µg = 40 IU. Exact.
IU_PER_MICROGRAM_VITAMIN_D = 40.0
# Regulation (EU) 1169/2011, Annex I, point 11: salt = sodium × 2.5. Exact by definition.
SALT_PER_SODIUM = 2.5
# Merrill & Watt 1973, Energy Value of Foods, USDA Handbook 74: general factors, and 6.93 for
# alcohol and 9.02 for the fat of meat.
GENERAL_KCAL_PER_GRAM = {"PROCNT": 4.0, "FAT": 9.0, "CHOCDF": 4.0}
GENERAL_KCAL_PER_GRAM_ALCOHOL = 7.0
KCAL_PER_GRAM_ALCOHOL = 6.93
KCAL_PER_GRAM_FAT_OF_MEAT = 9.02
# Thermochemical calorie, as in SR28. Exact by definition.
KJ_PER_KCAL = 4.184

_NUMBER = re.compile(
    r"(?:(?P<whole>[0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?![0-9/]|\s*/)(?:[\s-]+(?=[0-9]+\s*/))?)?"
    r"(?:(?P<over>[0-9]+)\s*/\s*(?P<under>[0-9]+)(?![0-9]))?(?P<rest>.*)",
    re.S,
)
# What is left of a number that was not understood whole: 1.2.3, 1e3, 0x10, 1_000, 1 and an Arabic 3.
_READ_IN_PART = re.compile(r"\s*[\d.,/+−-]|_|[^\W\d_]{1,2}[-+−]?\d")
MOST, LEAST = 1e9, 1e-9  # an amount beyond these is a slip; one below the least would be rounded to nothing
_COMPONENT_UNITS = {
    "g": "gram",
    "mg": "milligram",
    "µg": "microgram",
    "kcal": "kilocalorie",
    "kJ": "kilojoule",
}
_MASS_UNITS = ("g", "mg", "µg")


@dataclass(frozen=True)
class Amount:
    """A number and the measure it counts, as a cook writes them.

    Attributes
    ----------
    number : float
        How many; 0 or more.
    measure : str
        What is counted, such as ``"g"`` or ``"cup chopped"``; empty for a bare number.
    """

    number: float
    measure: str


@dataclass(frozen=True)
class Measure:
    """A unit of mass or volume from ``data/reference/measures.csv``.

    Attributes
    ----------
    name : str
        Canonical name, such as ``"us cup"``.
    kind : str
        ``"mass"`` or ``"volume"``.
    size : float
        Grams or millilitres in one.
    """

    name: str
    kind: str
    size: float


def parse_amount(text: str) -> Amount:
    """Read an amount: a whole, decimal or fractional number, then a measure.

    Parameters
    ----------
    text : str
        Such as ``"180 g"``, ``"1 1/2 cups chopped"``, ``"½ tsp"`` or ``"3 medium"``.

    Returns
    -------
    Amount

    Raises
    ------
    SwaptableError
        If there is no number in front, it is negative, or it has a decimal comma.

    Examples
    --------
    >>> parse_amount("1 1/2 cups chopped")
    Amount(number=1.5, measure='cups chopped')
    >>> parse_amount("½ tsp")
    Amount(number=0.5, measure='tsp')
    """
    plain = "".join(f" {unicodedata.normalize('NFKC', c)}" if unicodedata.category(c) == "No" else c for c in text)
    plain = plain.replace("\u2044", "/").strip()
    if re.match(r"[0-9]{1,3}(,[0-9]{3})+(?!\d)", plain):
        raise SwaptableError(f"found '{text}'; write it without commas: {plain.replace(',', '')}")
    if re.match(r"[0-9]+,[0-9]", plain):
        raise SwaptableError(f"found '{text}'; expected a decimal point: {plain.replace(',', '.', 1)}")
    found = _NUMBER.match(plain)
    if found is None or (found["whole"] is None and found["over"] is None) or _READ_IN_PART.match(found["rest"]):
        raise SwaptableError(
            f"found '{text}'; expected a number of 0 or more and a measure, such as 180 g, 1 1/2 cup or 3 medium"
        )
    number = float(found["whole"] or 0)
    if found["over"]:
        if float(found["under"]) == 0:
            raise SwaptableError(f"found '{text}'; a fraction cannot be over 0")
        number += float(found["over"]) / float(found["under"])
    if number >= MOST:
        raise SwaptableError(f"found '{text}'; expected a number below {MOST:,.0f}")
    if number < LEAST and re.search("[1-9]", f"{found['whole']}{found['over']}"):
        raise SwaptableError(f"found '{text}'; expected 0, or a number of at least {LEAST:.9f}")
    return Amount(number, " ".join(found["rest"].split()))


def parse_percent(text: str) -> float:
    """Read a percentage.

    Parameters
    ----------
    text : str
        Such as ``"12 %"``; the sign is needed, so that 0.12 and 12 cannot be confused.

    Returns
    -------
    float
        The percentage as a fraction. [-]

    Raises
    ------
    SwaptableError
        If it is not a number with a percent sign, or is negative.

    Examples
    --------
    >>> parse_percent("12 %")
    0.12
    """
    found = re.fullmatch(r"\s*([0-9]{1,9}(?:\.[0-9]+)?)\s*%\s*", text)
    if found is None:
        raise SwaptableError(f"found '{text}'; expected a percentage such as 12 %")
    return float(found[1]) / 100


@lru_cache(maxsize=1)
def _measures() -> dict[str, Measure]:
    """Map every accepted word to its measure; the words are case-sensitive only where case matters."""
    with (DATA / "reference" / "measures.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    words: dict[str, Measure] = {}
    for row in rows:
        measure = Measure(row["unit"], row["kind"], float(row["grams_or_ml"]))
        for word in (row["unit"], *filter(None, row["aliases"].split("|"))):
            words[word] = measure
    return words


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[float]:
    return pint.UnitRegistry()


def measure_named(word: str) -> Measure | None:
    """Find a unit of mass or volume by any accepted name.

    Parameters
    ----------
    word : str
        Such as ``"g"``, ``"cups"``, ``"fl oz"`` or ``"metric cup"``. ``T`` and ``t`` are not accepted: one is
        a tablespoon to some and a tonne to others. An unqualified cup or spoon is the US customary one.

    Returns
    -------
    Measure or None

    Examples
    --------
    >>> measure_named("cups")
    Measure(name='us cup', kind='volume', size=236.5882365)
    >>> measure_named("T") is None
    True
    """
    word = " ".join(word.split()).rstrip(".")
    words = _measures()
    if len(word) > 1:
        word = word if word in words else word.lower()
    return words.get(word)


def convert(value: float, unit: str, to: str) -> float:
    """Convert between the units in which components are given.

    Parameters
    ----------
    value : float
        Amount in ``unit``.
    unit, to : str
        ``g``, ``mg``, ``µg``, ``kcal`` or ``kJ``. IU belongs to a nutrient and is not converted here.

    Returns
    -------
    float
        Amount in ``to``.

    Raises
    ------
    SwaptableError
        If the units measure different things or one is not known.

    Examples
    --------
    >>> convert(2.0, "g", "mg")
    2000.0
    """
    if unit == to:
        return value
    if not {unit, to} <= set(_COMPONENT_UNITS):
        raise SwaptableError(f"cannot convert {unit} to {to}; expected units of {', '.join(_COMPONENT_UNITS)}")
    ureg = _registry()
    try:
        return float(ureg.Quantity(value, _COMPONENT_UNITS[unit]).to(_COMPONENT_UNITS[to]).magnitude)
    except pint.DimensionalityError as error:
        raise SwaptableError(f"cannot convert {unit} to {to}: one is a mass, the other an energy") from error


def component_amount(amount: Amount, component: str, unit: str) -> float:
    """Read an amount of a component, such as a limit or a dose that somebody stated.

    Parameters
    ----------
    amount : Amount
        With g, mg, µg (also written ug or mcg), or IU of vitamin D.
    component : str
        INFOODS tag.
    unit : str
        Unit of the component.

    Returns
    -------
    float
        In ``unit``.

    Raises
    ------
    SwaptableError
        If the measure is no unit of this component.
    """
    word = {"ug": "µg", "mcg": "µg", "μg": "µg"}.get(amount.measure, amount.measure)
    if word == "IU" and component == "VITD":
        return convert(amount.number / IU_PER_MICROGRAM_VITAMIN_D, "µg", unit)
    if word == unit:
        return amount.number
    if word in _MASS_UNITS and unit in _MASS_UNITS:
        return convert(amount.number, word, unit)
    allowed = [*(_MASS_UNITS if unit in _MASS_UNITS else [unit]), *(["IU"] if component == "VITD" else [])]
    raise SwaptableError(f"found '{amount.number:g} {amount.measure}'; expected a number with {' or '.join(allowed)}")
