"""The table of a survey: one row per recipe and variant, wide, with unit, basis and meaning in the Parquet schema.

For every component four columns: amount, standard error of it, standard error of its difference from the recipe as
written, and the share of the weight whose food has a value. Numbers are stored in single precision (seven digits).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from swaptable.survey.sums import DishAmounts

__all__ = ["Columns", "Rows", "columns_for", "survey_table"]

INDEX = "nrf93_2009_per_100kcal"
ERROR, DIFFERENCE = "_standard_error", "_difference_standard_error"
SHARE = "_known_share"
SWAP = "swap: "
REPLACED = "replaced_share"
_REPLACED_MEANS = "share of the ingredients' raw edible weight that rules made another food; null without rules"
_MEANS = {
    "": "amount; null where nothing is known",
    ERROR: "standard error of the mean",
    DIFFERENCE: "standard error of the difference from the recipe as written",
}


@dataclass(frozen=True)
class Columns:
    """How a survey's table is laid out.

    Attributes
    ----------
    components : tuple of str
    units : tuple of str
        Of each.
    basis : str
        ``"100 g"``, ``"serving"``, ``"batch"`` or ``"100 kcal"``.
    rules : tuple of str
        Swap rules, each with a column of its own: followed, not followed, or null where it changes nothing.
    """

    components: tuple[str, ...]
    units: tuple[str, ...]
    basis: str
    rules: tuple[str, ...]

    def name(self, component: str) -> str:
        """Name the column of an amount: component, unit, basis."""
        unit = self.units[self.components.index(component)].replace("µ", "u")
        return f"{component}_{unit}_per_{self.basis.replace(' ', '_')}"

    def schema(self) -> pa.Schema:
        """Describe every column."""
        text = pa.dictionary(pa.int32(), pa.string())
        fields = [
            _field("recipe", text, "code of the dish, or name of the recipe file"),
            _field("title", text, "title of the recipe"),
            _field("variant", text, "what differs from the recipe as written"),
            _field("variant_number", pa.int32(), "0 is the recipe as written"),
            *(
                _field(SWAP + rule, pa.bool_(), "whether it is made; null: it changes nothing here")
                for rule in self.rules
            ),
            _field("cooked_g", pa.float32(), "weight as eaten of the batch", unit="g"),
            _field(REPLACED, pa.float32(), _REPLACED_MEANS, unit="1"),
        ]
        fields += [
            _field(INDEX + ending, pa.float32(), f"nutrient-rich foods index 9.3: {means}", unit="1", basis="100 kcal")
            for ending, means in _MEANS.items()
        ]
        for component, unit in zip(self.components, self.units, strict=True):
            about = {"unit": unit, "basis": self.basis, "component": component}
            fields += [
                _field(self.name(component) + ending, pa.float32(), means, **about) for ending, means in _MEANS.items()
            ]
            means = "share of the raw edible weight whose food has a value; below 1 the amount is a lower bound"
            fields.append(_field(component + SHARE, pa.float32(), means, unit="1", component=component))
        return pa.schema(fields)


def _field(name: str, kind: pa.DataType, means: str, **about: str) -> pa.Field:
    return pa.field(name, kind, metadata={"means": means, **about})


def columns_for(components: Sequence[str], units: dict[str, str], basis: str, rules: Sequence[str]) -> Columns:
    """Lay out the table for some components.

    Parameters
    ----------
    components : sequence of str
    units : dict
        Component → unit.
    basis : str
    rules : sequence of str
        Names of swap rules.

    Returns
    -------
    Columns
    """
    return Columns(tuple(components), tuple(units[component] for component in components), basis, tuple(rules))


@dataclass(frozen=True, eq=False)
class Rows:
    """The rows of one recipe.

    Attributes
    ----------
    recipe, title : str
    labels : list of str
        Of the variants, the recipe as written first.
    chosen : dict of ndarray
        Swap rule → by variant, whether it is made; rules that change nothing are left out.
    amounts : DishAmounts
    replaced_share : ndarray
        By variant: share of the weight that rules made another food [-]; NaN without rules.
    """

    recipe: str
    title: str
    labels: list[str]
    chosen: dict[str, np.ndarray]
    amounts: DishAmounts
    replaced_share: np.ndarray


def _texts(values: Sequence[str], counts: np.ndarray) -> pa.Array:
    return pa.DictionaryArray.from_arrays(np.repeat(np.arange(len(values), dtype=np.int32), counts), list(values))


def _numbers(parts: Sequence[np.ndarray]) -> np.ndarray:
    """Put numbers of all recipes below each other, one column each in one piece of memory."""
    whole = np.concatenate(parts)
    return np.asfortranarray(whole, dtype=np.float32)


def _column(values: np.ndarray) -> pa.Array:
    missing = np.isnan(values)
    return pa.array(values, mask=missing) if missing.any() else pa.array(values)


def survey_table(rows: Sequence[Rows], columns: Columns) -> pa.Table:
    """Build the table of some recipes.

    Parameters
    ----------
    rows : sequence of Rows
    columns : Columns

    Returns
    -------
    pyarrow.Table
        As :meth:`Columns.schema` describes it.
    """
    schema = columns.schema()
    if not rows:
        return schema.empty_table()
    counts = np.array([len(each.labels) for each in rows])
    labels = [label for each in rows for label in each.labels]
    variants = pa.array(labels).dictionary_encode()
    numbers = np.concatenate([np.arange(count, dtype=np.int32) for count in counts])
    arrays = [
        _texts([each.recipe for each in rows], counts), _texts([each.title for each in rows], counts), variants,
        pa.array(numbers),
    ]  # fmt: skip
    for rule in columns.rules:
        found = [each.chosen.get(rule) for each in rows]
        made = np.concatenate([np.zeros(n, bool) if f is None else f for f, n in zip(found, counts, strict=True)])
        arrays.append(pa.array(made, mask=np.repeat([each is None for each in found], counts)))
    amounts = [each.amounts for each in rows]
    arrays.append(_column(np.concatenate([each.cooked_g for each in amounts]).astype(np.float32)))
    arrays.append(_column(np.concatenate([each.replaced_share for each in rows]).astype(np.float32)))
    for of_index in ("index", "index_error", "index_difference_error"):
        arrays.append(_column(np.concatenate([getattr(each, of_index) for each in amounts]).astype(np.float32)))
    tables = [
        _numbers([getattr(each, name) for each in amounts])
        for name in ("amount", "error", "difference_error", "known_share")
    ]
    arrays += [_column(table[:, place]) for place in range(len(columns.components)) for table in tables]
    return pa.Table.from_arrays(arrays, schema=schema)
