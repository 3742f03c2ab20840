"""What amounts mean: percent of the daily value, the regimes' words for it, and nutrient density."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import xarray as xr

from swaptable.errors import SwaptableError, nearest
from swaptable.nutrients import WHOLE_SHARE, Amounts
from swaptable.reference import daily_value_words, daily_values, nutrient_rich_foods
from swaptable.units import convert

__all__ = [
    "NRF_FORMS",
    "REGIMES",
    "chosen_density",
    "daily_value_for",
    "daily_value_word",
    "index_components",
    "nutrient_rich_foods_index",
    "percent_daily_value",
    "valued_as",
    "word_limits",
]

REGIMES = {"US": "United States", "CA": "Canada"}
POPULATION = "age 4 and over"
NRF_FORMS = ("published 2009", "2016 daily values")
BETWEEN = "between"


def _checked_regime(regime: str) -> str:
    if regime not in REGIMES:
        raise SwaptableError(f"found regime '{regime}'; expected one of {', '.join(REGIMES)}{nearest(regime, REGIMES)}")
    return regime


def daily_value_for(regime: str) -> pd.DataFrame:
    """Give the daily values of a labelling regime.

    Parameters
    ----------
    regime : str
        ``"US"`` (21 CFR 101.9, 2016) or ``"CA"`` (Health Canada, Table of Daily Values, 2016 and 2022).

    Returns
    -------
    DataFrame
        Indexed by component: ``value``, ``unit``, ``source``, ``checked``. A component such as
        ``FASAT+FATRN`` is compared as a sum.
    """
    table = daily_values()
    return table[(table["regime"] == _checked_regime(regime)) & (table["population"] == POPULATION)].set_index(
        "component"
    )


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
        parts = [component] if component in units.index else str(component).split("+")
        if not set(parts) <= set(units.index):
            continue
        amount = per.sel(component=parts).sum("component", skipna=False)
        columns[component] = 100 * amount / convert(float(row["value"]), str(row["unit"]), str(units[parts[0]]))
    return xr.concat(
        list(columns.values()), dim=pd.Index(columns, name="component"), coords="minimal", compat="override"
    )


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
    rows = table[table["regime"] == _checked_regime(regime)].sort_values("percent")
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


def nutrient_rich_foods_index(amounts: Amounts, form: str = NRF_FORMS[0]) -> xr.DataArray:
    """Compute the nutrient-rich foods index 9.3 per 100 kcal.

    Parameters
    ----------
    amounts : Amounts
    form : str, optional
        ``"published 2009"`` with the daily values of its paper, or ``"2016 daily values"``.

    Returns
    -------
    DataArray
        Over the choices: the sum over nine nutrients of percent daily value per 100 kcal, each capped at 100,
        less the sum over three of percent of the maximum recommended value. NaN where a component is missing, or
        one to be limited is not wholly known.

    Notes
    -----
    This is the form with caps and sums, not means. SR28 has no added sugars: total sugars stand in, against
    125 g.

    References
    ----------
    Fulgoni, Keast & Drewnowski 2009, J Nutr 139:1549. Drewnowski 2010, Am J Clin Nutr 91:1095S.
    """
    table = nutrient_rich_foods()
    table = table[table["form"] == form]
    if table.empty:
        raise SwaptableError(f"found form '{form}'; expected one of {', '.join(NRF_FORMS)}{nearest(form, NRF_FORMS)}")
    per, units = amounts.per("100 kcal"), amounts.units()
    score = xr.zeros_like(amounts.data["edible_g"])
    for _, row in table.iterrows():
        component = row["component"]
        reference = (
            row["daily_value"] if row["unit"] == "IU" else convert(row["daily_value"], row["unit"], units[component])
        )
        percent = 100 * per.sel(component=component, drop=True) / reference
        capped = percent.where((percent < 100) | percent.isnull(), 100)
        score = score + capped if row["role"] == "encourage" else score - percent
        if row["role"] == "limit":  # what is to be kept down must not look low for want of a value
            score = score.where(amounts.data["valued_share"].sel(component=component, drop=True) > WHOLE_SHARE)
    return score


def index_components(form: str = NRF_FORMS[0]) -> list[str]:
    """Name every component that the nutrient-rich foods index depends on, energy included."""
    table = nutrient_rich_foods()
    return ["ENERC_KCAL", *table.loc[table["form"] == form, "component"]]


def chosen_density(amounts: Amounts, components: Sequence[str], regime: str) -> xr.DataArray:
    """Compute the mean percent daily value per 100 kcal over chosen components, each capped at 100.

    Parameters
    ----------
    amounts : Amounts
    components : sequence of str
        Components to raise; those without a daily value are left out.
    regime : str
        ``"US"`` or ``"CA"``.

    Returns
    -------
    DataArray
        Over the choices. [% per 100 kcal] NaN where a component is missing.
    """
    percent = percent_daily_value(amounts, regime, "100 kcal")
    present = [valued for component in components if (valued := valued_as(component, percent)) is not None]
    if not present:
        raise SwaptableError(f"none of {', '.join(components)} has a daily value in {REGIMES[regime]}")
    chosen = percent.sel(component=present)
    return chosen.where(chosen < 100, 100).where(chosen.notnull()).mean("component", skipna=False)
