"""What a component is: one tag, one unit, one definition, so that no two things are taken for one.

The tags are INFOODS tagnames where there is one; ``data/reference/component_identities.csv`` says what each means and
under which numbers and names published tables print it.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import pandas as pd

from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.basics.folders import DATA
from swaptable.basics.units import convert

__all__ = [
    "Identity",
    "Printed",
    "component_rows",
    "factor_between",
    "identities",
    "identity_of_column",
    "published_components",
    "unit_named",
]

# Spellings of units in published tables and on labels.
_SPELLINGS = {
    "g": "g gram grams gramme grammes",
    "mg": "mg milligram milligrams mg_ate",
    "µg": "µg ug mcg microgram micrograms mcg_re",
    "kcal": "kcal kilocalorie kilocalories",
    "kJ": "kj kilojoule kilojoules",
    "IU": "iu iu. international_unit",
}
_IDLE_WORDS = {"total", "and", "by", "in", "of", "the", "fatty", "acids", "vitamin", "added", "mg", "g"}


@dataclass(frozen=True)
class Identity:
    """What one component is.

    Attributes
    ----------
    component : str
        Tag.
    unit : str
        In which releases hold it.
    number : str
        Nutrient number of USDA; empty if it has none.
    name, definition : str
        What is meant; the definition is empty where the name says it all.
    family : str
        Components of one family, such as ``carbohydrate``, are easily taken for each other and never mixed.
    most : float
        Largest value per 100 g in SR28; NaN if not in there. [unit]
    always : bool
        Every release has a column for it, if only an empty one.
    aliases : tuple of str
        Other published names, in lower case.
    """

    component: str
    unit: str
    number: str
    name: str
    definition: str
    family: str
    most: float
    always: bool
    aliases: tuple[str, ...]


@lru_cache(maxsize=1)
def identities() -> dict[str, Identity]:
    """Give every known component by its tag, in the order of the table."""
    with (DATA / "reference" / "component_identities.csv").open(encoding="utf-8", newline="") as stream:
        return {
            row["component"]: Identity(
                row["component"],
                row["unit"],
                row["nutrient_number"],
                row["name"],
                row["definition"],
                row["family"],
                float(row["most"] or "nan"),
                row["always"] == "yes",
                tuple(filter(None, row["aliases"].split("|"))),
            )
            for row in csv.DictReader(stream)
        }


def unit_named(word: str) -> str | None:
    """Find a unit of components by any published spelling.

    Examples
    --------
    >>> unit_named("UG"), unit_named("kCal"), unit_named("International Unit"), unit_named("SP_GR")
    ('µg', 'kcal', 'IU', None)
    """
    plain = "_".join(word.replace("\u03bc", "µ").lower().split())
    return next((unit for unit, spellings in _SPELLINGS.items() if plain in spellings.split()), None)


def factor_between(unit: str, to: str) -> float | None:
    """Give what one unit is in another, or None where they measure different things.

    Examples
    --------
    >>> factor_between("g", "mg"), factor_between("IU", "µg")
    (1000.0, None)
    """
    if unit == to:
        return 1.0
    try:
        return convert(1.0, unit, to)
    except SwaptableError:
        return None


@lru_cache(maxsize=1)
def _by_name() -> dict[str, list[str]]:
    """Map names in lower case to tags; energy in kcal and in kJ share one."""
    names: dict[str, list[str]] = {}
    for tag, identity in identities().items():
        for name in (identity.name.lower(), *identity.aliases):
            names.setdefault(name, []).append(tag)
    return names


def _words(name: str) -> set[str]:
    return set(re.findall(r"\d+:\d+|[a-z]+(?:-\d+)?|\d+", name.lower().replace("fibre", "fiber"))) - _IDLE_WORDS


@dataclass(frozen=True)
class Printed:
    """A component as a published table prints it.

    Attributes
    ----------
    key : str
        By which the table's values name it.
    number, name, unit, tagname : str
        Nutrient number, name, unit in any spelling and tag, as printed; a number or tag may be empty.
    """

    key: str
    number: str
    name: str
    unit: str
    tagname: str = ""


def published_components(printed: Sequence[Printed], prefix: str) -> dict[str, tuple[str, str, float] | None]:
    """Find which components a published table prints.

    Parameters
    ----------
    printed : sequence of Printed
    prefix : str
        In front of the key it makes the tag of a component that nothing known agrees with.

    Returns
    -------
    dict
        By key: tag, unit, and what to multiply values with; None where the unit is none of a component's, such as pH.

    Notes
    -----
    The number decides if the names share a word at least, since other tables number other things alike; then the name;
    then the tag. The unit must be of the same kind. No two components get one tag: the first that fits has it.

    Examples
    --------
    >>> energies = [Printed("1008", "208", "Energy", "KCAL"), Printed("1062", "268", "Energy", "kJ")]
    >>> [found[0] for found in published_components(energies, "FDC").values()]
    ['ENERC_KCAL', 'ENERC_KJ']
    >>> published_components([Printed("806", "307", "Caramel colour", "mg")], "CNF")
    {'806': ('CNF806', 'mg', 1.0)}
    """
    known, units = identities(), {each.key: unit_named(each.unit) for each in printed}
    found: dict[str, tuple[str, str, float] | None] = {}
    taken: set[str] = set()
    for candidates in (_by_number, _of_same_name, _of_same_tag):
        for each in printed:
            unit = units[each.key]
            if each.key in found or unit is None:
                continue
            fitting = [(tag, factor_between(unit, known[tag].unit)) for tag in candidates(each) if tag not in taken]
            best = min(((factor != 1, tag, factor) for tag, factor in fitting if factor is not None), default=None)
            if best is not None:
                taken.add(best[1])
                found[each.key] = (best[1], known[best[1]].unit, best[2])
    for each in printed:
        unit = units[each.key]
        found.setdefault(each.key, None if unit is None else (f"{prefix}{each.key}", unit, 1.0))
    return found


def _by_number(printed: Printed) -> list[str]:
    words = _words(printed.name)
    return [
        tag for tag, each in identities().items() if each.number == printed.number != "" and words & _words(each.name)
    ]


def _of_same_name(printed: Printed) -> list[str]:
    return _by_name().get(" ".join(printed.name.lower().split()), [])


def _of_same_tag(printed: Printed) -> list[str]:
    return [tag for tag in (printed.tagname, f"{printed.tagname}_IU") if tag in identities()]


def _told(identity: Identity) -> str:
    return f"{identity.component} ({identity.unit}): {identity.definition or identity.name}"


def identity_of_column(tag: str, unit: str) -> tuple[Identity, float]:
    """Find what a column ``TAG (unit)`` of a user's own table holds.

    Parameters
    ----------
    tag, unit : str
        As written.

    Returns
    -------
    (Identity, float)
        What it is, and what to multiply its values with.

    Raises
    ------
    SwaptableError
        If the tag or the unit is not known; for a tag that could mean several things it names them.

    Examples
    --------
    >>> identity_of_column("NA", "g")[1]
    1000.0
    """
    known = identities()
    if tag not in known:
        family = _family_meant(tag)
        if family:
            raise SwaptableError(f"found '{tag}'; say which {family}: {'; '.join(map(_told, _of_family(family)))}")
        raise SwaptableError(
            f"found '{tag}'; expected an INFOODS tag such as NA, CA, CHOCDF or FIBTG{nearest(tag, known)}"
        )
    identity = known[tag]
    spelled = unit_named(unit)
    factor = None if spelled is None else factor_between(spelled, identity.unit)
    if spelled in ("kcal", "kJ") and spelled != identity.unit:
        factor = None  # two columns of their own, so that neither is written for the other
    if factor is None:
        allowed = ["g", "mg", "µg"] if identity.unit in ("g", "mg", "µg") else [identity.unit]
        same = [f"{each.component} ({each.unit})" for each in _of_family(identity.family) if each.unit == spelled]
        hint = f"; in {spelled} there is {listed(same)}" if same else ""
        raise SwaptableError(f"found unit '{unit}'; {tag} is in {' or '.join(allowed)}{hint}")
    return identity, factor


def _family_meant(word: str) -> str:
    """Guess the family that an unclear tag belongs to."""
    starts = {
        "carbohydrate": "CHO|CARB", "energy": "EN|KCAL|KJ|CAL|NRG", "vitamin A": "VIT_?A|RAE|RE$", "folate": "FOL|DFE",
        "vitamin D": "VIT_?D", "vitamin E": "VIT_?E|TOC", "fibre": "FIB", "sugars": "SUG", "protein": "PRO",
        "fat": "FAT|LIPID", "niacin": "NIA|VITB3", "sodium and salt": "SALT|SOD|NACL",
    }  # fmt: skip
    return next((family for family, start in starts.items() if re.match(start, word.upper())), "")


def _of_family(family: str) -> list[Identity]:
    return [identity for identity in identities().values() if family and identity.family == family]


def component_rows(found: Sequence[tuple[str, str, str, int | None]]) -> pd.DataFrame:
    """Make the table ``components`` of a release.

    Parameters
    ----------
    found : sequence of (tag, unit, name, decimals)
        Components of the source beside those that every release has.

    Returns
    -------
    DataFrame
        ``component``, ``nutrient_number`` (of USDA where there is one, else from 100,001 on), ``unit``, ``tagname``,
        ``name``, ``definition``, ``decimals``.
    """
    decimals = {tag: places for tag, _, _, places in found}
    others = {tag: (unit, name) for tag, unit, name, _ in found}
    rows = []
    own = 100_000
    known = identities()
    for tag in dict.fromkeys([*(tag for tag, each in known.items() if each.always), *others]):
        identity = known.get(tag)
        unit, name = (identity.unit, identity.name) if identity else others[tag]
        number = identity.number if identity else ""
        if not number.isdigit():
            own += 1
        rows.append(
            {
                "component": tag,
                "nutrient_number": int(number) if number.isdigit() else own,
                "unit": unit,
                "tagname": tag if identity else "",
                "name": name,
                "definition": identity.definition if identity else "",
                "decimals": decimals.get(tag),
            }
        )
    return pd.DataFrame(rows).astype({"nutrient_number": "Int32", "decimals": "Int32"})
