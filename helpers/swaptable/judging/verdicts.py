"""Verdicts: whether an amount keeps a rule, judged with its interval and its gaps."""

from __future__ import annotations

from enum import IntEnum

import numpy as np
import numpy.typing as npt
import xarray as xr

from swaptable.basics.errors import SwaptableError
from swaptable.foods.reference import Z

__all__ = ["LEVEL", "OPERATORS", "Verdict", "judge", "judge_listed"]

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
