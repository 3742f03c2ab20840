"""Every index of every variant in one table, with what it is read against and how sure it is."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
import xarray as xr

from swaptable.amounts.certainty import index_certainty
from swaptable.amounts.nutrients import Amounts
from swaptable.foods.reference import Z, component_label, index_terms
from swaptable.judging.density import NRF_FORMS, index_components, nutrient_rich_foods_index
from swaptable.judging.indices import (
    ACID_LOAD,
    CA_TO_P,
    NA_TO_K,
    QUALITY,
    calcium_to_phosphorus,
    index_target,
    nutritional_quality,
    renal_acid_load,
    sodium_to_potassium,
)
from swaptable.judging.verdicts import variants_chosen

__all__ = ["index_table"]


@dataclass(frozen=True)
class _Index:
    """An index with everything its row in a table says."""

    name: str
    unit: str
    compute: Callable[[Amounts], xr.DataArray]
    components: list[str]
    source: str
    reference: float = np.nan
    signed: bool = False  # whether it may fall below 0


def _indices(allowances: Mapping[str, tuple[float, str]]) -> list[_Index]:
    return [*_density_indices(), *_quality_indices(allowances), *_ratio_indices(), *_acid_loads()]


def _density_indices() -> list[_Index]:
    return [
        _Index(
            f"nutrient-rich foods index 9.3, {form}",
            "points per 100 kcal",
            partial(nutrient_rich_foods_index, form=form),
            index_components(form),
            "Fulgoni, Keast & Drewnowski 2009, J Nutr 139:1549",
            signed=True,
        )
        for form in NRF_FORMS
    ]


def _quality_indices(allowances: Mapping[str, tuple[float, str]]) -> list[_Index]:
    target, source = index_target(QUALITY)
    return [
        _Index(
            f"{QUALITY}, {component_label(tag).lower()}",
            "-",
            partial(nutritional_quality, component=tag, allowance=allowance),
            [tag, "ENERC_KCAL"],
            f"{source}; allowance {allowance:,g}: {origin}",
            target,
        )
        for tag, (allowance, origin) in allowances.items()
    ]


def _ratio_indices() -> list[_Index]:
    found = []
    for name, unit, compute, tags in (
        (NA_TO_K, "mol/mol", sodium_to_potassium, ["NA", "K"]),
        (CA_TO_P, "mg/mg", calcium_to_phosphorus, ["CA", "P"]),
    ):
        target, source = index_target(name)
        found.append(_Index(name, unit, compute, tags, source, target))
    return found


def _acid_loads() -> list[_Index]:
    terms = index_terms()
    acid = terms[terms["index"] == ACID_LOAD]
    return [
        _Index(
            ACID_LOAD,
            f"mEq per {basis}",
            partial(renal_acid_load, basis=basis),
            list(acid["component"]),
            str(acid["source"].iloc[0]),
            signed=True,
        )
        for basis in ("serving", "100 g")
    ]


def index_table(
    amounts: Amounts,
    allowances: Mapping[str, tuple[float, str]] | None = None,
    labels: Collection[str] | None = None,
) -> pd.DataFrame:
    """List every index of every allowed variant, with what it is read against and how sure it is.

    Parameters
    ----------
    amounts : Amounts
    allowances : mapping, optional
        Component → (allowance in its unit for 2000 kcal, where that is from): adds its index of nutritional quality.
    labels : collection of str, optional
        Variants to list; all by default.

    Returns
    -------
    DataFrame
        ``variant``, ``index``, ``value`` (NaN where something is not wholly known), ``unit``, ``reference_value`` (NaN
        where none is published), ``standard_error`` of the mean, ``low_90``, ``high_90`` and ``source``.

    Raises
    ------
    SwaptableError
        If there is no such variant or component.

    Notes
    -----
    Per 100 g the error of the weight as eaten is added to that of the dish's amounts, as if the two were independent:
    rather too wide than too narrow.
    """
    grid, chosen = amounts.grid, variants_chosen(amounts, labels)
    parts = []
    for index in _indices(allowances or {}):
        known = index_certainty(amounts, index.compute, index.components)
        value, error = grid.listed(known.amount), grid.listed(known.error)
        if index.unit.endswith("100 g"):
            error = np.hypot(error, value * grid.listed(amounts.data["cooked_sd_g"] / amounts.data["cooked_g"]))
        low = value - Z[0.90] * error
        parts.append(
            pd.DataFrame(
                {
                    "variant": grid.labels,
                    "index": index.name,
                    "value": value,
                    "unit": index.unit,
                    "reference_value": index.reference,
                    "standard_error": error,
                    "low_90": low if index.signed else np.maximum(low, 0.0),
                    "high_90": value + Z[0.90] * error,
                    "source": index.source,
                }
            )[chosen]
        )
    return pd.concat(parts, ignore_index=True)
