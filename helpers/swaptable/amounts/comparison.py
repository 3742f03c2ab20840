"""Differences between variants: from the recipe as written, by choice, by ingredient, and the frontier."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import xarray as xr

from swaptable.amounts.nutrients import Amounts
from swaptable.amounts.variants import Grid

__all__ = ["choice_effects", "differences", "frontier", "unbeaten", "variant_values"]


def variant_values(values: xr.DataArray, grid: Grid) -> pd.Series:
    """List a measure of each allowed variant.

    Parameters
    ----------
    values : DataArray
        Over the choices.
    grid : Grid

    Returns
    -------
    Series
        Indexed by the variant's label, the recipe as written first.
    """
    return pd.Series(grid.listed(values), index=grid.labels, dtype=float)


def differences(amounts: Amounts, components: Sequence[str], basis: str = "serving") -> pd.DataFrame:
    """Compare every variant with the recipe as written.

    Parameters
    ----------
    amounts : Amounts
    components : sequence of str
        INFOODS tags.
    basis : str, optional
        ``"batch"``, ``"serving"``, ``"100 g"`` or ``"100 kcal"``.

    Returns
    -------
    DataFrame
        One row per variant and component: ``variant``, ``component``, ``unit``, ``basis``, ``as_written``,
        ``amount``, ``difference`` (all in ``unit``), ``difference_percent`` (NaN where as written is 0) and
        ``known_share``, the lesser of the two compared [-].
    """
    grid, per, share = amounts.grid, amounts.per(basis), amounts.share_per(basis)
    units = amounts.units()
    tables = []
    for component in components:
        amount = variant_values(per.sel(component=component), grid)
        known = variant_values(share.sel(component=component), grid)
        first = amount.iloc[0]
        tables.append(
            pd.DataFrame(
                {
                    "variant": amount.index,
                    "component": component,
                    "unit": units[component],
                    "basis": f"per {basis}",
                    "as_written": first,
                    "amount": amount.to_numpy(),
                    "difference": amount.to_numpy() - first,
                    "difference_percent": (amount.to_numpy() / first - 1) * 100 if first else np.nan,
                    "known_share": np.minimum(known.to_numpy(), known.iloc[0]),
                }
            )
        )
    return pd.concat(tables, ignore_index=True)


def choice_effects(values: xr.DataArray, grid: Grid) -> pd.DataFrame:
    """Find what each option changes, on average over all other choices.

    Parameters
    ----------
    values : DataArray
        A measure over the choices, such as sodium in mg per serving.
    grid : Grid

    Returns
    -------
    DataFrame
        One row per choice and option other than the first: ``choice``, ``option``, ``instead_of``, ``effect``
        (mean difference from the first option over the combinations of the other choices in which both are
        allowed, in the unit of ``values``), ``least`` and ``most`` (over the same combinations) and
        ``combinations``, how many there are.
    """
    rows = []
    for choice, options in grid.choices.items():
        first = values.sel({choice: options[0]}, drop=True)
        for option in options[1:]:
            difference = (values.sel({choice: option}, drop=True) - first).to_numpy()
            difference = difference[~np.isnan(difference)]
            rows.append(
                {
                    "choice": choice,
                    "option": option,
                    "instead_of": options[0],
                    "effect": difference.mean() if difference.size else np.nan,
                    "least": difference.min() if difference.size else np.nan,
                    "most": difference.max() if difference.size else np.nan,
                    "combinations": difference.size,
                }
            )
    columns = ["choice", "option", "instead_of", "effect", "least", "most", "combinations"]
    return pd.DataFrame(rows, columns=columns)


def frontier(less: pd.Series, more: pd.Series) -> pd.Series:
    """Mark the variants that no other beats on both measures.

    Parameters
    ----------
    less, more : Series
        By variant: a measure to keep down and one to raise. NaN is never on the frontier.

    Returns
    -------
    Series of bool
        True where no variant has as little of ``less`` and as much of ``more`` and betters it in one.

    Examples
    --------
    >>> less, more = pd.Series([3.0, 1.0, 2.0]), pd.Series([5.0, 2.0, 1.0])
    >>> frontier(less, more).tolist()
    [True, True, False]
    """
    return pd.Series(unbeaten(np.column_stack([-less.to_numpy(dtype=float), more.to_numpy(dtype=float)])), less.index)


def unbeaten(gains: np.ndarray) -> np.ndarray:
    """Mark the rows that no other beats on all measures.

    Parameters
    ----------
    gains : ndarray
        Variants × any number of measures, each turned so that more is better. A NaN is never on the frontier.

    Returns
    -------
    ndarray of bool
        True where no row has as much of every measure and more of one.

    Examples
    --------
    >>> unbeaten(np.array([[3.0, 1.0, 0.0], [1.0, 3.0, 0.0], [1.0, 1.0, 1.0], [1.0, 1.0, 0.0]])).tolist()
    [True, True, True, False]
    """
    on = np.zeros(len(gains), dtype=bool)
    left = np.flatnonzero(np.isfinite(gains).all(axis=1))
    left = left[np.lexsort(-gains[left].T[::-1])]  # the best in the first measure first: none behind can beat it
    if gains.shape[1] == 2 and left.size:
        first, second = gains[left].T
        before = np.maximum.accumulate(second)
        starts = np.flatnonzero(np.diff(first, prepend=np.inf))  # of those alike in the first measure
        beaten = np.concatenate([[-np.inf], before[starts[1:] - 1]])  # what all that are better in it reach at most
        which = np.repeat(np.arange(len(starts)), np.diff(starts, append=len(left)))
        on[left] = (second > beaten[which]) & (second == second[starts][which])
        return on
    while left.size:
        first, rest = gains[left[0]], gains[left[1:]]
        on[left[0]] = True
        left = left[1:][(rest > first).any(axis=1) | (rest == first).all(axis=1)]
    return on
