"""What amounts mean: percent of the daily value and the regimes' words for it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeVar

import numpy as np
import pandas as pd
import xarray as xr

from swaptable.amounts.nutrients import Amounts
from swaptable.basics.errors import SwaptableError, nearest
from swaptable.basics.units import convert
from swaptable.foods.reference import daily_value_words, daily_values

__all__ = [
    "REGIMES",
    "checked_regime",
    "daily_value_for",
    "daily_value_word",
    "parts_of_sum",
    "percent_daily_value",
    "percent_of_value",
    "percent_text",
    "valued_as",
    "word_limits",
]

REGIMES = {"US": "United States", "CA": "Canada"}
POPULATION = "age 4 and over"
BETWEEN = "between"
Number = TypeVar("Number", float, pd.Series)


def checked_regime(regime: str) -> str:
    """Give a regime's code back, or refuse it with the ones there are."""
    if regime not in REGIMES:
        raise SwaptableError(f"found regime '{regime}'; expected one of {', '.join(REGIMES)}{nearest(regime, REGIMES)}")
    return regime


def daily_value_for(regime: str, population: str = POPULATION) -> pd.DataFrame:
    """Give the daily values of a labelling regime.

    Parameters
    ----------
    regime : str
        ``"US"`` (21 CFR 101.9, 2016) or ``"CA"`` (Health Canada, Table of Daily Values, 2016 and 2022).
    population : str, optional
        ``"age 4 and over"``, ``"age 1 to 3"`` or ``"pregnant or lactating"``. Where a regime has no values of its
        own for a population, those for age 4 and over hold (Food and Drug Regulations, D.01.001.1: any other case).

    Returns
    -------
    DataFrame
        Indexed by component: ``value``, ``unit``, ``source``, ``checked``. A component such as
        ``FASAT+FATRN`` is compared as a sum.

    Raises
    ------
    SwaptableError
        If there is no such regime or population.
    """
    table = daily_values()
    populations = list(dict.fromkeys(table["population"]))
    if population not in populations:
        allowed = f"expected one of {', '.join(populations)}{nearest(population, populations)}"
        raise SwaptableError(f"found population '{population}'; {allowed}")
    table = table[table["regime"] == checked_regime(regime)].set_index("component")
    own = table["population"] == population
    return table[own if own.any() else table["population"] == POPULATION]


def parts_of_sum(component: str, units: pd.Series) -> list[str]:
    """Name the components of a sum such as ``FASAT+FATRN``; a tag that has the sign itself (``LUT+ZEA``) is one.

    Parameters
    ----------
    component : str
    units : Series
        Unit of each component there is.
    """
    return [component] if component in units.index else component.split("+")


def percent_daily_value(amounts: Amounts, regime: str, basis: str = "serving") -> xr.DataArray:
    """Express amounts as percent of the daily value, unrounded.

    Parameters
    ----------
    amounts : Amounts
    regime : str
        ``"US"`` or ``"CA"``.
    basis : str, optional
        As for :meth:`Amounts.per`.

    Returns
    -------
    DataArray
        Over the choices and ``component`` [%], for the components that have a daily value and are in the
        release; a sum is not known if one of its parts is not.
    """
    per, units = amounts.per(basis), amounts.units()
    columns = {}
    for component, row in daily_value_for(regime).iterrows():
        parts = parts_of_sum(str(component), units)
        if not set(parts) <= set(units.index):
            continue
        amount = per.sel(component=parts).sum("component", skipna=False)
        columns[component] = 100 * amount / convert(float(row["value"]), str(row["unit"]), str(units[parts[0]]))
    return xr.concat(
        list(columns.values()), dim=pd.Index(columns, name="component"), coords="minimal", compat="override"
    )


def percent_of_value(component: str, amount: Number, unit: str, regime: str) -> Number:
    """Express an amount, or a difference, as percent of the daily value of a component.

    Parameters
    ----------
    component : str
        INFOODS tag.
    amount : float or Series
        In ``unit``.
    unit : str
    regime : str
        ``"US"`` or ``"CA"``.

    Returns
    -------
    float or Series
        [%] Of the sum's daily value where only a sum has one; NaN where nothing that holds it has one.

    Examples
    --------
    >>> percent_of_value("CA", -130.0, "mg", "US"), percent_of_value("TRP_G", 1.0, "g", "US")
    (-10.0, nan)
    """
    table = daily_value_for(regime)
    name = next((name for name in table.index if component in str(name).split("+")), None)
    if name is None:
        return amount * float("nan")
    row = table.loc[name]
    return 100 * amount / convert(float(row["value"]), str(row["unit"]), unit)


def percent_text(percent: float, limits: Iterable[float]) -> str:
    """Print a percentage whole, but never on the other side of a limit, nor on it, than it is.

    Parameters
    ----------
    percent : float
        [%]
    limits : iterable of float
        What readers compare it with. [%]

    Returns
    -------
    str

    Examples
    --------
    >>> percent_text(19.6, (5, 20)), percent_text(20.0, (5, 20)), percent_text(12.6, (5, 20))
    ('19.6', '20', '13')
    """
    at = np.array(list(limits), dtype=float)
    texts = [f"{percent:.{digits}f}" for digits in range(4)]
    same_side = (text for text in texts if (np.sign(float(text) - at) == np.sign(percent - at)).all())
    return next(same_side, texts[0])


def valued_as(component: str, percent: xr.DataArray) -> str | None:
    """Name what a component is compared as: itself, or the sum that has a daily value (``FASAT+FATRN``).

    Parameters
    ----------
    component : str
        INFOODS tag.
    percent : DataArray
        From :func:`percent_daily_value`.

    Returns
    -------
    str or None
        None where nothing that holds it has a daily value.
    """
    names = [str(name) for name in percent["component"].to_numpy()]
    return next((name for name in names if component == name or component in name.split("+")), None)


def word_limits(regime: str) -> dict[str, float]:
    """Give a regime's published words for a little and a lot, with their limits in percent, in that order."""
    table = daily_value_words()
    rows = table[table["regime"] == checked_regime(regime)].sort_values("percent")
    return dict(zip(rows["word"], rows["percent"].astype(float), strict=True))


def daily_value_word(percent: float, regime: str, *, whole: bool = True) -> str:
    """Say whether a serving holds little or a lot, in the regime's own words.

    Parameters
    ----------
    percent : float
        Percent of the daily value in a serving. [%]
    regime : str
        ``"US"`` or ``"CA"``.
    whole : bool, optional
        False where some of the weight has no value: a lower bound may be called a lot, never a little.

    Returns
    -------
    str
        The published word, ``"between"`` where there is none, or ``"not known"``.

    Examples
    --------
    >>> daily_value_word(5.0, "US"), daily_value_word(15.0, "US"), daily_value_word(15.0, "CA")
    ('low', 'between', 'a lot')
    """
    (little, low), (much, high) = word_limits(regime).items()
    if np.isnan(percent) or (not whole and percent < high):
        return "not known"
    return little if percent <= low else much if percent >= high else BETWEEN
