"""Indices over the amounts: quality, mineral ratios and the acid load, each by its published form.

An index says nothing about a variant whose amounts are not wholly known: it is NaN there.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from swaptable.amounts.nutrients import Amounts
from swaptable.basics.errors import SwaptableError, nearest
from swaptable.foods.reference import index_terms

__all__ = [
    "ENERGY_ALLOWANCE",
    "calcium_to_phosphorus",
    "index_target",
    "nutritional_quality",
    "renal_acid_load",
    "sodium_to_potassium",
]

ENERGY_ALLOWANCE = 2000.0  # kcal that a daily value goes with
QUALITY, NA_TO_K = "index of nutritional quality", "sodium to potassium"
CA_TO_P, ACID_LOAD = "calcium to phosphorus", "potential renal acid load"


def _terms(index: str, role: str) -> pd.Series:
    """Give the figures of one role in an index, by component."""
    table = index_terms()
    return table[(table["index"] == index) & (table["role"] == role)].set_index("component")["value"]


def index_target(index: str) -> tuple[float, str]:
    """Give the value that an index is read against, and its source.

    Parameters
    ----------
    index : str
        Of ``index_terms.csv``, such as ``"sodium to potassium"``.

    Returns
    -------
    (float, str)
        NaN and an empty source where the index has no published target.
    """
    table = index_terms()
    rows = table[(table["index"] == index) & (table["role"] == "target")]
    return (float(rows["value"].iloc[0]), str(rows["source"].iloc[0])) if len(rows) else (np.nan, "")


def nutritional_quality(
    amounts: Amounts, component: str, allowance: float, energy_allowance: float = ENERGY_ALLOWANCE
) -> xr.DataArray:
    """Compute the index of nutritional quality of one component.

    Parameters
    ----------
    amounts : Amounts
    component : str
        INFOODS tag.
    allowance : float
        Amount of the component advised for a day, in its unit in the release.
    energy_allowance : float, optional
        Energy that the allowance goes with. [kcal]

    Returns
    -------
    DataArray
        Over the choices: the share of the allowance over the share of the energy [-]; above 1 the dish is denser in
        the component than in energy. NaN where component or energy is not wholly known, or there is no energy.

    Raises
    ------
    SwaptableError
        If an allowance is not above 0, or the component is not known.

    References
    ----------
    Hansen & Wyse 1980, J Am Diet Assoc 76:223.
    """
    known = amounts.units().index
    if component not in known:
        raise SwaptableError(f"found '{component}'; expected a component of the release{nearest(component, known)}")
    for name, value in (("allowance", allowance), ("energy allowance", energy_allowance)):
        if not value > 0:
            raise SwaptableError(f"found {name} {value:g}; expected a number above 0")
    per = amounts.per("100 kcal").sel(component=component, drop=True)
    return (per / allowance * energy_allowance / 100).where(amounts.is_whole([component], "100 kcal"))


def _ratio(amounts: Amounts, over: str, under: str) -> xr.DataArray:
    """Divide one component by another, where both are wholly known and there is something to divide by."""
    batch = amounts.per("batch")
    below = batch.sel(component=under, drop=True)
    ratio = batch.sel(component=over, drop=True) / below.where(below > 0)
    return ratio.where(amounts.is_whole([over, under]))


def sodium_to_potassium(amounts: Amounts) -> xr.DataArray:
    """Compute the ratio of sodium to potassium.

    Parameters
    ----------
    amounts : Amounts

    Returns
    -------
    DataArray
        Over the choices. [mol/mol] NaN where one of the two is not wholly known, or there is no potassium.

    Notes
    -----
    What the World Health Organization advises for sodium (below 2000 mg) and potassium (3510 mg or more) makes about
    1 in a day. It is not advice for a single dish.

    References
    ----------
    WHO 2012, Guideline: Sodium intake for adults and children. WHO 2012, Guideline: Potassium intake for adults and
    children.
    """
    mass = _terms(NA_TO_K, "molar mass")
    return _ratio(amounts, "NA", "K") * (mass["K"] / mass["NA"])


def calcium_to_phosphorus(amounts: Amounts) -> xr.DataArray:
    """Compute the ratio of calcium to phosphorus.

    Parameters
    ----------
    amounts : Amounts

    Returns
    -------
    DataArray
        Over the choices. [mg/mg] NaN where one of the two is not wholly known, or there is no phosphorus.

    Notes
    -----
    The adult allowances (1000 and 700 mg) make 1.43. For a Canadian claim on bone health phosphorus must not exceed
    calcium, phosphorus of phytate left out; the release does not tell that apart, so this ratio is the stricter.
    """
    return _ratio(amounts, "CA", "P")


def renal_acid_load(amounts: Amounts, basis: str = "serving") -> xr.DataArray:
    """Compute the potential renal acid load.

    Parameters
    ----------
    amounts : Amounts
    basis : str, optional
        As for :meth:`swaptable.amounts.nutrients.Amounts.per`.

    Returns
    -------
    DataArray
        Over the choices [mEq]; below 0 the dish leaves base. NaN where a component is not wholly known.

    References
    ----------
    Remer & Manz 1995, J Am Diet Assoc 95:791.
    """
    coefficients = _terms(ACID_LOAD, "coefficient")
    per = amounts.per(basis)
    load: xr.DataArray = sum(per.sel(component=tag, drop=True) * value for tag, value in coefficients.items())
    return load.where(amounts.is_whole(coefficients.index, basis))
