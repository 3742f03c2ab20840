"""Tables of variants × conditions: which variants, every condition judged at once, one row for each."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr
from numpy.typing import ArrayLike

from swaptable.amounts.nutrients import Amounts
from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.foods.reference import Z
from swaptable.judging.verdicts import LEVEL, Verdict, judge

__all__ = ["WHYS", "WORDS", "Array", "interval", "judged_at_once", "places_of", "repeated", "variants_chosen"]

WORDS = np.array([verdict.word for verdict in Verdict])
WHYS = np.array([verdict.why for verdict in Verdict])
Array = npt.NDArray[np.float64]


def _refuse_unknown(labels: Iterable[str], known: list[str]) -> None:
    known_labels = set(known)
    unknown = next((label for label in labels if label not in known_labels), None)
    if unknown is not None:
        raise SwaptableError(f"found variant '{unknown}'; expected one of {listed(known)}{nearest(unknown, known)}")


def places_of(amounts: Amounts, labels: Sequence[str] | None) -> tuple[list[str], np.ndarray]:
    """Find the variants to list, and where they stand among all."""
    known = amounts.grid.labels
    if labels is None:
        return known, np.arange(len(known))
    _refuse_unknown(labels, known)
    place = {label: number for number, label in enumerate(known)}
    return list(labels), np.array([place[label] for label in labels], dtype=int)


def variants_chosen(amounts: Amounts, labels: Collection[str] | None) -> np.ndarray:
    """Find the places of variants on the grid.

    Parameters
    ----------
    amounts : Amounts
    labels : collection of str or None
        Labels of allowed variants; None for all.

    Returns
    -------
    ndarray
        Bool for each label of the grid, in their order.

    Raises
    ------
    SwaptableError
        If there is no such variant.
    """
    known = amounts.grid.labels
    wanted = set(known if labels is None else labels)
    _refuse_unknown(sorted(wanted), known)
    return np.array([label in wanted for label in known])


def judged_at_once(
    amount: Array, error: Array, whole: npt.NDArray[np.bool_], operators: Sequence[str], limits: Sequence[float]
) -> npt.NDArray[np.int_]:
    """Judge a table of variants × conditions, all the conditions of one operator at once."""
    verdicts = np.zeros(amount.shape, dtype=int)
    dims = ("variant", "condition")
    for operator in set(operators):
        at = np.array([other == operator for other in operators])
        value, spread, known = (xr.DataArray(array[:, at], dims=dims) for array in (amount, error, whole))
        verdicts[:, at] = judge(value, spread, operator, xr.DataArray(np.array(limits)[at], dims=dims[1:]), known)
    return verdicts


def interval(amount: Array, error: Array, whole: npt.NDArray[np.bool_], signed: ArrayLike) -> tuple[Array, Array]:
    """Give the ends of the interval of amounts; a lower bound has no upper end, what is not signed is never below 0."""
    half = Z[LEVEL] * np.nan_to_num(error)
    low = np.where(signed, amount - half, np.clip(amount - half, 0.0, None))
    return low, np.where(whole, amount + half, np.nan)


def repeated(rules: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    """Repeat the rules for each variant."""
    table = {name: np.tile(rules[name].to_numpy(), len(names)) for name in rules.columns}
    return pd.DataFrame({"variant": np.repeat(np.array(names, dtype=object), len(rules)), **table})
