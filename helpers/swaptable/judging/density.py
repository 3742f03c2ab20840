"""Nutrient density: the nutrient-rich foods index 9.3 with its slopes, and the percent of chosen daily values.

An index says nothing about a variant whose amounts are not wholly known: it is NaN there.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr

from swaptable.amounts.certainty import slopes_of
from swaptable.amounts.nutrients import WHOLE_SHARE, Amounts, component_table
from swaptable.amounts.sources import independent_sources
from swaptable.basics.errors import SwaptableError, nearest
from swaptable.basics.units import convert
from swaptable.foods.reference import nutrient_rich_foods
from swaptable.judging.daily_values import REGIMES, percent_daily_value, valued_as

__all__ = [
    "NRF_FORMS",
    "DensityTerms",
    "chosen_density",
    "density_terms",
    "index_components",
    "index_effect_errors",
    "nutrient_rich_foods_index",
]

NRF_FORMS = ("published 2009", "2016 daily values")
_CAP = 100.0  # % of the daily value
_ENERGY = "ENERC_KCAL"


@dataclass(frozen=True, eq=False)
class DensityTerms:
    """Where the terms of the index stand among the components, and what they are divided by.

    Attributes
    ----------
    places : ndarray of int
        Of each term.
    energy : int
        Place of the energy.
    reference : ndarray
        Daily value of each term, in the unit of its component.
    wanted : ndarray of bool
        Whether the term is to be encouraged; else it is to be limited.
    """

    places: np.ndarray
    energy: int
    reference: np.ndarray
    wanted: np.ndarray

    def points(self, batch: np.ndarray, known_share: np.ndarray) -> np.ndarray:
        """Compute the index per 100 kcal.

        Parameters
        ----------
        batch, known_share : ndarray
            Variants × components: amounts, and the share of the weight that has a value [-].

        Returns
        -------
        ndarray
            By variant; NaN where a component is missing, or one to be limited is not wholly known: what is to be kept
            down must not look low for want of a value.
        """
        percent = self._percent(batch)
        points = np.where(self.wanted, np.minimum(percent, _CAP), -percent).sum(axis=-1)
        whole = (known_share[..., self.places[~self.wanted]] > WHOLE_SHARE).all(axis=-1)
        return np.where(whole, points, np.nan)

    def slopes(self, batch: np.ndarray) -> np.ndarray:
        """Give what one unit more of each component in the batch does to the index: variants × components."""
        percent = self._percent(batch)
        energy = self._energy(batch)
        sign = np.where(self.wanted, np.where(percent < _CAP, 1.0, 0.0), -1.0)
        slopes = np.zeros_like(batch)
        slopes[..., self.places] = sign * (1e4 / self.reference) / energy[..., None]
        slopes[..., self.energy] = -np.nansum(sign * percent, axis=-1) / energy
        return np.where(batch > 0, np.nan_to_num(slopes), 0.0)

    def _energy(self, batch: np.ndarray) -> np.ndarray:
        energy = batch[..., self.energy]
        return np.where(energy > 0, energy, np.nan)

    def _percent(self, batch: np.ndarray) -> np.ndarray:
        return 1e4 * batch[..., self.places] / self._energy(batch)[..., None] / self.reference


def density_terms(
    components: Sequence[str], units: Mapping[str, str] | pd.Series, form: str = NRF_FORMS[0]
) -> DensityTerms:
    """Find the terms of the nutrient-rich foods index among components.

    Parameters
    ----------
    components : sequence of str
        With all of :func:`index_components`.
    units : mapping or Series
        Component → unit.
    form : str, optional
        One of :data:`NRF_FORMS`.

    Returns
    -------
    DensityTerms

    Raises
    ------
    SwaptableError
        If there is no such form.
    KeyError
        If a component of the index is not among these.
    """
    table = nutrient_rich_foods()
    terms = table[table["form"] == form]
    if terms.empty:
        raise SwaptableError(f"found form '{form}'; expected one of {', '.join(NRF_FORMS)}{nearest(form, NRF_FORMS)}")
    places = {component: place for place, component in enumerate(components)}
    reference = [
        value if unit == "IU" else convert(value, unit, units[tag])
        for tag, value, unit in zip(terms["component"], terms["daily_value"], terms["unit"], strict=True)
    ]
    return DensityTerms(
        places=np.array([places[tag] for tag in terms["component"]]),
        energy=places[_ENERGY],
        reference=np.array(reference, dtype=float),
        wanted=(terms["role"] == "encourage").to_numpy(),
    )


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

    Raises
    ------
    SwaptableError
        If there is no such form.
    KeyError
        If a component of the index was not computed.

    Notes
    -----
    This is the form with caps and sums, not means. SR28 has no added sugars: total sugars stand in, against
    125 g.

    References
    ----------
    Fulgoni, Keast & Drewnowski 2009, J Nutr 139:1549. Drewnowski 2010, Am J Clin Nutr 91:1095S.
    """
    data = amounts.data[["per_batch", "valued_share"]]
    terms = density_terms(data["component"].to_numpy().tolist(), amounts.units(), form)
    batch, share = (each.transpose(..., "component") for each in xr.broadcast(data["per_batch"], data["valued_share"]))
    return batch.isel(component=0, drop=True).copy(data=terms.points(batch.to_numpy(), share.to_numpy()))


def index_components(form: str = NRF_FORMS[0]) -> list[str]:
    """Name every component that the nutrient-rich foods index depends on, energy included."""
    table = nutrient_rich_foods()
    return [_ENERGY, *table.loc[table["form"] == form, "component"]]


def index_effect_errors(amounts: Amounts) -> dict[tuple[str, str], float]:
    """Find how sure the mean effect of each option on the index of 2009 is.

    Parameters
    ----------
    amounts : Amounts

    Returns
    -------
    dict
        (choice, option) → standard error of the mean difference from the choice's first option, over the combinations
        of the other choices in which the index of both is known. [per 100 kcal]

    Notes
    -----
    A mean effect is a weighted sum of variants: what a source of error changes in it is the sum of what it changes in
    each variant, by the slopes of the index, so that what both options share cancels.
    """
    lean = replace(amounts, data=amounts.data.sel(component=index_components()))
    index = nutrient_rich_foods_index(lean)
    slopes = slopes_of(lean, nutrient_rich_foods_index, index)
    slope = xr.concat(list(slopes.values()), dim="component")
    places = pd.Index(component_table(amounts.grid.release)["component"]).get_indexer(list(slopes))
    sources = [(source.change.isel(component=places), source.whole) for source in independent_sources(amounts.grid)]
    errors = {}
    for choice, options in amounts.grid.choices.items():
        for option in options[1:]:
            ends = index.sel({choice: [option, options[0]]})
            both = ends.notnull().all(choice).broadcast_like(ends)
            weights = xr.zeros_like(index)
            sign = xr.DataArray([1.0, -1.0], coords={choice: [option, options[0]]})
            weights.loc[{choice: [option, options[0]]}] = both * sign / max(int(both.sum()) / 2, 1)
            error = _error_of_sum((weights.fillna(0.0) * slope).variable, sources)
            errors[choice, option] = error if both.any() else np.nan
    return errors


def _error_of_sum(pull: xr.Variable, sources: Sequence[tuple[xr.Variable, bool]]) -> float:
    """Give the standard error of a sum: what one unit of each component in each variant does to it, and the sources."""
    # by the choices that a source knows, so that the grid is gone through once
    summed: dict[tuple[Hashable, ...], xr.Variable] = {}
    squared = 0.0
    for change, whole in sources:
        if change.dims not in summed:
            summed[change.dims] = pull.sum([dim for dim in pull.dims if dim not in change.dims])
        moved = (summed[change.dims] * change).sum([dim for dim in change.dims if dim != "component"])
        squared += float(moved.sum()) ** 2 if whole else float((moved**2).sum())
    return float(np.sqrt(squared))


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
