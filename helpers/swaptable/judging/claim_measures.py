"""What the conditions of claims compare with their limits, measured for every variant."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from swaptable.amounts.certainty import certainty_of, index_certainty
from swaptable.amounts.nutrients import WHOLE_SHARE, Amounts
from swaptable.basics.errors import SwaptableError
from swaptable.basics.units import GENERAL_KCAL_PER_GRAM, convert
from swaptable.foods.reference import daily_values
from swaptable.judging.daily_values import POPULATION
from swaptable.judging.verdicts import Array

__all__ = ["FIFTY_IF_SMALL", "HUNDRED", "OF_WRITTEN", "REFERENCE", "SERVING", "Meter", "daily_values_of"]

SERVING, REFERENCE, HUNDRED, FIFTY_IF_SMALL = "serving", "reference amount", "100 g", "50 g if small"
OF_WRITTEN = " of the recipe as written"
# General factor of 21 CFR 101.9(c)(1)(i)(B), and of USDA Handbook 74.
_KCAL_PER_GRAM_FAT = GENERAL_KCAL_PER_GRAM["FAT"]


@dataclass(frozen=True, eq=False)
class _Measured:
    """What a condition compares with its limit, for every variant in the order of their labels."""

    value: Array
    error: Array
    whole: npt.NDArray[np.bool_]  # else the value is a lower bound
    unit: str

    def times(self, factor: float, unit: str) -> _Measured:
        return _Measured(self.value * factor, self.error * factor, self.whole, unit)

    def where_whole(self) -> _Measured:
        """Forget a value that is no bound either way: a ratio or a difference of lower bounds."""
        return replace(self, value=np.where(self.whole, self.value, np.nan))

    def written(self) -> _Measured:
        """Give the recipe as written, the first variant, the place of every variant."""
        value, error = (np.full_like(column, column[0]) for column in (self.value, self.error))
        return _Measured(value, error, np.full_like(self.whole, self.whole[0]), self.unit)


@dataclass(frozen=True, eq=False)
class _Basis:
    """Amounts on one basis by component, and the errors of amounts and of differences from the recipe as written."""

    amount: dict[str, Array]
    error: dict[str, Array]
    difference_error: dict[str, Array]

    def times(self, factor: float) -> _Basis:
        parts = (self.amount, self.error, self.difference_error)
        return _Basis(*({tag: column * factor for tag, column in part.items()} for part in parts))


def _by_component(amounts: Amounts, values: xr.DataArray) -> dict[str, Array]:
    """List a measure of every component, allowed variants only, in the order of their labels."""
    choices = list(amounts.grid.choices)
    allowed = np.asarray(amounts.grid.allowed.transpose(*choices), dtype=bool).ravel()
    tags = [str(tag) for tag in values["component"].to_numpy()]
    table = values.transpose(*choices, "component").to_numpy().reshape(-1, len(tags))[allowed]
    return dict(zip(tags, np.ascontiguousarray(table.T), strict=True))


@dataclass(frozen=True, eq=False)
class Meter:
    """Measures whatever the conditions of a regime ask for."""

    amounts: Amounts
    regime: str

    @cached_property
    def bases(self) -> dict[str, _Basis]:
        """Amounts by the basis of a rule; those of the reference amount only where the recipe states one."""
        found = {}
        for basis in (SERVING, HUNDRED):
            sure = certainty_of(self.amounts, basis)
            found[basis] = _Basis(
                *(_by_component(self.amounts, part) for part in (sure.amount, sure.error, sure.difference_error))
            )
        found[FIFTY_IF_SMALL] = found[HUNDRED].times(0.5)
        if self.amounts.recipe.reference_amount is not None:
            found[REFERENCE] = found[HUNDRED].times(self.amounts.recipe.reference_amount / 100)
        return found

    @cached_property
    def units(self) -> pd.Series:
        """Unit of each component."""
        return self.amounts.units()

    @cached_property
    def _known(self) -> dict[str, npt.NDArray[np.bool_]]:
        shares = _by_component(self.amounts, self.amounts.data["valued_share"])
        return {tag: share > WHOLE_SHARE for tag, share in shares.items()}

    @cached_property
    def _energy_shares(self) -> dict[str, _Measured]:
        return {}

    def _whole(self, parts: list[str]) -> npt.NDArray[np.bool_]:
        whole: npt.NDArray[np.bool_] = np.logical_and.reduce([self._known[part] for part in parts])
        return whole

    def amount(self, component: str, basis: str) -> _Measured:
        """Add up the parts of a component. Their errors are added, as if they were wrong together."""
        parts, on = component.split("+"), self.bases[basis]
        held = np.array([on.amount[part] for part in parts])
        value = np.where(np.isnan(held).all(axis=0), np.nan, np.nansum(held, axis=0))
        error = np.nansum([on.error[part] for part in parts], axis=0)
        return _Measured(value, error, self._whole(parts), str(self.units[parts[0]]))

    def _difference_error(self, component: str, basis: str) -> Array:
        error: Array = np.nansum([self.bases[basis].difference_error[part] for part in component.split("+")], axis=0)
        return error

    def energy_share(self, component: str) -> _Measured:
        """Give the percent of the energy that fat or fatty acids bring, at 9 kcal/g."""
        if component not in self._energy_shares:
            parts = component.split("+")

            def share(amounts: Amounts) -> xr.DataArray:
                batch = amounts.data["per_batch"]
                energy = batch.sel(component="ENERC_KCAL", drop=True)
                fat = batch.sel(component=parts).sum("component", min_count=1)
                percent: xr.DataArray = 100 * _KCAL_PER_GRAM_FAT * fat / energy.where(energy > 0)
                return percent

            sure = index_certainty(self.amounts, share, [*parts, "ENERC_KCAL"])
            value, error = (self.amounts.grid.listed(part) for part in (sure.amount, sure.error))
            known = self._whole(["ENERC_KCAL"])  # less energy than there is would make the share too large
            whole = self._whole(parts) & known
            self._energy_shares[component] = _Measured(np.where(known, value, np.nan), error, whole, "%")
        return self._energy_shares[component]

    def percent_apart(self, component: str, basis: str, limit: float, sign: int) -> _Measured:
        """Give the percent by which a variant v holds more (sign 1) or less (-1) than the recipe as written w.

        To keep a limit is to have the margin v - k·w on its right side, k = 1 ± limit/100; the error is that of the
        margin, with cov(v, w) from the variance of their difference, in percent of w.
        """
        variant = self.amount(component, basis)
        written = variant.written()
        k = 1 + sign * limit / 100
        var_v, var_w = variant.error**2, written.error**2
        covariance = (var_v + var_w - self._difference_error(component, basis) ** 2) / 2
        margin = np.sqrt(np.clip(var_v + k**2 * var_w - 2 * k * covariance, 0.0, None))
        base = np.where(written.value > 0, written.value, np.nan)
        percent = 100 * sign * (variant.value - base) / base
        return _Measured(percent, 100 * margin / base, variant.whole & written.whole, "%").where_whole()

    def difference(self, component: str, basis: str) -> _Measured:
        """Give the difference from the recipe as written."""
        variant = self.amount(component, basis)
        written = variant.written()
        error = self._difference_error(component, basis)
        whole = variant.whole & written.whole
        return _Measured(variant.value - written.value, error, whole, variant.unit).where_whole()

    def per_daily_value(self, component: str, population: str = POPULATION) -> float:
        """Give the percent of the daily value in one unit of a component."""
        row = daily_values_of(self.regime, population).loc[component]
        unit = str(self.units[component.split("+")[0]])
        return 100 / convert(float(row["value"]), str(row["unit"]), unit)

    def measure(self, measure: str, component: str, basis: str, limit: float) -> _Measured:
        """Measure what a row of ``claims.csv`` compares with its limit."""
        if measure.endswith(OF_WRITTEN):
            return self.measure(measure.removesuffix(OF_WRITTEN), component, basis, limit).written()
        match measure:
            case "amount":
                return self.amount(component, basis)
            case "percent of energy":
                return self.energy_share(component)
            case "percent of daily value":
                return self.amount(component, basis).times(self.per_daily_value(component), "%")
            case "percent less than as written":
                return self.percent_apart(component, basis, limit, -1)
            case "percent more than as written":
                return self.percent_apart(component, basis, limit, 1)
            case "more than as written":
                return self.difference(component, basis)
            case "percent of daily value more than as written":
                return self.difference(component, basis).times(self.per_daily_value(component), "%")
            case _:
                raise SwaptableError(f"data/reference/claims.csv: measure: found '{measure}', which has no definition")


@lru_cache(maxsize=8)
def daily_values_of(regime: str, population: str = POPULATION) -> pd.DataFrame:
    """Give the daily values stated for one population, by component."""
    table = daily_values()
    rows = table[(table["regime"] == regime) & (table["population"] == population)]
    return rows.set_index("component")
