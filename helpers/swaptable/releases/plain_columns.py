"""The columns of a plain table: what the header of each says it holds."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from swaptable.basics.errors import InputError, SwaptableError, listed, nearest
from swaptable.basics.units import SALT_PER_SODIUM
from swaptable.foods.component_identity import factor_between, identities, identity_of_column
from swaptable.foods.reference import daily_values
from swaptable.releases.raw_files import RawFile

__all__ = ["NEEDED", "OPTIONAL", "SALT_EQUIVALENT", "Column", "read_columns"]

NEEDED = {"code": True, "description": True, "basis": True}
OPTIONAL = (
    "group", "serving_g", "density_g_per_ml", "refuse_percent", "refuse", "portions", "evidence", "source",
)  # fmt: skip
_HEADER = re.compile(r"(?P<tag>[\w+]+)\s*\((?P<unit>[^)]+)\)")
_PERCENT = re.compile(r"%\s*DV(?:\s+(?P<regime>\w+))?", re.I)
_ADULTS = "age 4 and over"
SALT_EQUIVALENT = "NACL_EQ"


@dataclass(frozen=True)
class Column:
    """What a column of the table holds."""

    header: str
    component: str
    factor: float  # to the unit of the component
    kind: str  # "" as it stands, "percent daily value" or "salt"


def _daily_value(component: str, regime: str) -> float:
    table = daily_values()
    rows = table[(table["component"] == component) & (table["population"] == _ADULTS)]
    regimes = sorted(set(table["regime"]))
    if regime not in regimes:
        raise SwaptableError(f"found '%DV {regime}'; say whose daily value: %DV {' or %DV '.join(regimes)}")
    rows = rows[rows["regime"] == regime]
    if rows.empty:
        raise SwaptableError(f"found '%DV {regime}', but {regime} has no daily value of {component}")
    factor = factor_between(str(rows["unit"].iloc[0]), identities()[component].unit)
    if factor is None:
        raise SwaptableError(f"the daily value of {component} is in {rows['unit'].iloc[0]}, which cannot be converted")
    return float(rows["value"].iloc[0]) * factor


def _column(header: str) -> Column:
    found = _HEADER.fullmatch(header)
    if found is None:
        known = [*NEEDED, *OPTIONAL]
        raise SwaptableError(
            f"expected a component as TAG (unit), such as NA (mg) or CA (%DV US), or one of {listed(known)}"
            f"{nearest(header, known)}"
        )
    tag, unit = found["tag"], found["unit"].strip()
    percent = _PERCENT.fullmatch(unit)
    if percent is not None:
        if tag not in identities():
            identity_of_column(tag, "g")  # says what is wrong with the tag
        return Column(header, tag, _daily_value(tag, (percent["regime"] or "").upper()) / 100, "percent daily value")
    if tag == SALT_EQUIVALENT:
        identity, factor = identity_of_column("NA", unit)
        return Column(header, identity.component, factor / SALT_PER_SODIUM, "salt")
    identity, factor = identity_of_column(tag, unit)
    return Column(header, identity.component, factor, "")


def read_columns(raw: RawFile, headers: Iterable[str]) -> list[Column]:
    """Read the headers of the components: as they stand before percentages and salt, which only fill in."""
    columns: list[Column] = []
    for header in headers:
        try:
            column = _column(header)
        except SwaptableError as error:
            raise InputError(str(error), file=raw.place, line=1, field=header) from None
        same = [each for each in columns if (each.component, each.kind) == (column.component, column.kind)]
        if same:
            problem = f"is the same component as '{same[0].header}'; keep one column"
            raise InputError(problem, file=raw.place, line=1, field=header)
        columns.append(column)
    if not columns:
        raise InputError("has no column of a component, such as NA (mg)", file=raw.place, line=1)
    return sorted(columns, key=lambda column: ("", "percent daily value", "salt").index(column.kind))
