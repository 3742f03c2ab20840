"""Verdicts: whether amounts keep a rule, judged with their intervals and gaps, one by one or a table at once."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from enum import IntEnum

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr
from numpy.typing import ArrayLike

from swaptable.amounts.nutrients import Amounts
from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.foods.reference import Z

__all__ = [
    "LEVEL",
    "OPERATORS",
    "WHYS",
    "WORDS",
    "Array",
    "Verdict",
    "interval",
    "judge",
    "judge_listed",
    "judged_at_once",
    "met_by_role",
    "most_met",
    "named_for_files",
    "places_of",
    "repeated",
    "variants_chosen",
]

LEVEL = 0.90  # of the interval that has to lie on one side of a limit
OPERATORS = ("<", "<=", ">", ">=")
AT_LIMIT = 1e-12  # relative: what floating point may add to an amount that stands at its limit


class Verdict(IntEnum):
    """How a rule is kept; several conditions together are as good as the least of them."""

    NOT_MET = 0
    GAPS = 1
    MEAN_FAILS = 2
    MEAN_HOLDS = 3
    MET = 4

    @property
    def word(self) -> str:
        """Give the verdict in a word: ``met``, ``not met`` or ``cannot tell``."""
        return {Verdict.MET: "met", Verdict.NOT_MET: "not met"}.get(self, "cannot tell")

    @property
    def why(self) -> str:
        """Say why nobody can tell; empty where the verdict is sure."""
        return {
            Verdict.GAPS: "some values are missing",
            Verdict.MEAN_FAILS: "the mean fails, but the limit lies within the interval",
            Verdict.MEAN_HOLDS: "the mean holds, but not safely: the limit lies within the interval",
        }.get(self, "")


def judge_listed(
    value: npt.ArrayLike, error: npt.ArrayLike, operator: str, limit: npt.ArrayLike, whole: npt.ArrayLike
) -> np.ndarray:
    """Judge whether amounts keep a limit.

    Parameters
    ----------
    value, error : array-like
        Amount and the standard error of its mean, in one unit; an error that is missing counts as 0.
    operator : str
        ``<``, ``<=``, ``>`` or ``>=``, as the rule says.
    limit : array-like
        In the unit of the amount.
    whole : array-like
        Whether the amount is wholly known; otherwise it is a lower bound.

    Returns
    -------
    ndarray
        Of :class:`Verdict`, as integers, of the shape that all together have.

    Raises
    ------
    SwaptableError
        If the operator is not known.

    Notes
    -----
    A rule is met if the whole 90 % interval keeps it, not met if none of it does. A lower bound can exceed a
    limit, but never stay below one. A missing amount, or a missing limit, tells nothing.
    """
    if operator not in OPERATORS:
        raise SwaptableError(f"found operator '{operator}'; expected one of {' '.join(OPERATORS)}")
    amount, bound = np.asarray(value, dtype=float), np.asarray(limit, dtype=float)
    half = Z[LEVEL] * np.nan_to_num(np.asarray(error, dtype=float))
    room = AT_LIMIT * np.abs(amount)
    below, strict = operator.startswith("<"), not operator.endswith("=")

    def keeps(end: np.ndarray) -> np.ndarray:
        if below:
            return end < bound - room if strict else end <= bound + room
        return end > bound + room if strict else end >= bound - room

    worst, best = (amount + half, amount - half) if below else (amount - half, amount + half)
    verdict = np.where(keeps(amount), Verdict.MEAN_HOLDS, Verdict.MEAN_FAILS)
    verdict = np.where(keeps(worst), Verdict.MET, np.where(keeps(best), verdict, Verdict.NOT_MET))
    settled = verdict == (Verdict.NOT_MET if below else Verdict.MET)  # what missing values cannot undo
    known = np.isfinite(amount) & np.isfinite(bound) & (np.asarray(whole, dtype=bool) | settled)
    return np.where(known, verdict, Verdict.GAPS).astype(int)


def judge(
    value: xr.DataArray, error: xr.DataArray, operator: str, limit: xr.DataArray | float, whole: xr.DataArray
) -> xr.DataArray:
    """Judge as :func:`judge_listed` does, over labelled dimensions."""
    verdict: xr.DataArray = xr.apply_ufunc(
        lambda v, e, t, w: judge_listed(v, e, operator, t, w), value, error, limit, whole
    )
    return verdict


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


def met_by_role(leading: pd.DataFrame) -> dict[str, int]:
    """Count aims and those surely met, what is to be raised and what is to be kept down apart.

    Parameters
    ----------
    leading : DataFrame
        Rows of one variant, with ``role`` and ``verdict``; what is not judged is no aim.

    Returns
    -------
    dict
        ``raised``, ``raised_met``, ``kept_down``, ``kept_down_met``. Apart, since what is to be kept down is met by
        anything that holds little.

    Examples
    --------
    >>> rows = pd.DataFrame({"role": ["raise", "keep down", "show"], "verdict": [0, 4, None]})
    >>> met_by_role(rows)
    {'raised': 1, 'raised_met': 0, 'kept_down': 1, 'kept_down_met': 1}
    """
    counts: dict[str, int] = {}
    for name, role in {"raised": "raise", "kept_down": "keep down"}.items():
        verdicts = leading.loc[leading["role"] == role, "verdict"].dropna()
        counts |= {name: len(verdicts), f"{name}_met": int((verdicts == Verdict.MET).sum())}
    return counts


def most_met(leading: pd.DataFrame, sodium: pd.Series) -> tuple[str, int]:
    """Find the variant that surely meets most aims.

    Parameters
    ----------
    leading : DataFrame
        The verdicts that decide, with ``variant`` and ``verdict``.
    sodium : Series
        By variant, the recipe as written first; NaN where it is not wholly known.

    Returns
    -------
    str
        Its label. Of those that meet as many, the recipe as written, since nothing is changed that gains no verdict;
        else the one with least sodium.
    int
        How many others meet as many.
    """
    met = (leading["verdict"] == Verdict.MET).groupby(leading["variant"]).sum().reindex(sodium.index, fill_value=0)
    most = sodium[met == met.max()]
    label = most.index[0] if most.index[0] == sodium.index[0] else most.fillna(np.inf).idxmin()
    return str(label), len(most) - 1


def named_for_files(table: pd.DataFrame) -> pd.DataFrame:
    """Name the verdict's number ``verdict_rank`` and its word ``verdict``, as in every table for others to read."""
    words = {"verdict": "verdict_rank", "word": "verdict"}
    return table.rename(columns=words) if set(words) <= set(table.columns) else table


def repeated(rules: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    """Repeat the rules for each variant."""
    table = {name: np.tile(rules[name].to_numpy(), len(names)) for name in rules.columns}
    return pd.DataFrame({"variant": np.repeat(np.array(names, dtype=object), len(rules)), **table})
