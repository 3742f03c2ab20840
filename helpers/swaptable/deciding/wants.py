"""What the user wants of a variant: constraints read, judged, and which of them bind."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from swaptable.amounts.nutrients import BASES, Amounts
from swaptable.basics.errors import SwaptableError
from swaptable.basics.units import component_amount, convert, parse_amount
from swaptable.deciding.yardsticks import COST, DENSITY, Measured, Yardstick, yardstick_named
from swaptable.foods.reference import Z
from swaptable.judging.audiences import Audience
from swaptable.judging.daily_values import POPULATION, daily_value_for
from swaptable.judging.targets import population_of
from swaptable.judging.verdicts import LEVEL, Verdict, judge_listed

__all__ = ["NEAR", "Want", "binding_wants", "judge_wants", "read_want", "verdict_table"]

SOURCE = "wanted by the user"
EXAMPLES = "'sodium <= 600 mg', 'calcium >= 20 % DV', 'iron >= 2 mg per 100 kcal' or 'cost <= 2.50'"
_SIGNS = {"≤": "<=", "≥": ">=", "at most": "<=", "at least": ">=", "below": "<", "above": ">"}
_SAID = {sign: words for words, sign in _SIGNS.items() if words.isascii()}
_WANT = re.compile(
    r"(?P<what>[^<>≤≥=]+?)\s*(?P<sign><=|>=|[<>≤≥]|\bat most\b|\bat least\b|\bbelow\b|\babove\b)\s*"
    rf"(?P<minus>[-−]?)(?P<amount>[^<>≤≥=]+?)(?:\s+per\s+(?P<basis>{'|'.join(BASES)}))?\s*"
)
_PERCENT = re.compile(r"([0-9]{1,9}(?:\.[0-9]{1,9})?)\s*%\s*(?:DV|of the daily value)", re.I)
VERDICT_COLUMNS = ["want", "variant", "amount", "unit", "basis", "standard_error", "low_90", "high_90", "whole",
                   "operator", "limit", "verdict", "why", "source"]  # fmt: skip
BINDING_COLUMNS = ["want", "limit", "unit", "basis", "met", "cannot_tell", "not_met", "nearest_variant",
                   "nearest_amount", "met_without_it", "best_without_it", "binds", "source"]  # fmt: skip
NEAR = 12  # significant digits in which two values are the same


@dataclass(frozen=True)
class Want:
    """One constraint of the user's.

    Attributes
    ----------
    text : str
        As written.
    yardstick : Yardstick
    operator : str
        ``<``, ``<=``, ``>`` or ``>=``.
    limit : float
        In the unit of the yardstick.
    source : str
        Who says so.
    """

    text: str
    yardstick: Yardstick
    operator: str
    limit: float
    source: str = SOURCE

    @property
    def words(self) -> str:
        """Say it for a page: no signs, with unit and basis."""
        found = _WANT.fullmatch(self.text)
        if found is None:  # not read from words
            return self.text
        bare = re.fullmatch(r"[\d.,/ ]+", found["amount"])
        amount = f"{found['minus']}{found['amount']}{f' {self.yardstick.unit}' if bare else ''}"
        return f"{found['what']} {_SAID[self.operator]} {amount} per {self.yardstick.basis}"


def read_want(text: str, amounts: Amounts, regime: str = "US", audience: Audience | None = None) -> Want:
    """Read a constraint.

    Parameters
    ----------
    text : str
        Measure, sign and amount, such as ``"sodium <= 600 mg"``, ``"calcium >= 20 % DV"``, ``"cost <= 2.50"`` or
        ``"nutrient density at least 30"``; ``per 100 g``, ``per 100 kcal`` or ``per batch`` may stand behind, else a
        serving is meant.
    amounts : Amounts
        With cost, where prices are known.
    regime : str, optional
        Whose daily values ``% DV`` means.
    audience : Audience, optional
        For which population.

    Returns
    -------
    Want

    Raises
    ------
    SwaptableError
        With the text, what is wrong with it and what is allowed.
    """
    found = _WANT.fullmatch(text.strip())
    if found is None:
        raise SwaptableError(
            f"found the constraint '{text}'; expected a measure, a sign and an amount, such as {EXAMPLES}"
        )
    operator = _SIGNS.get(found["sign"], found["sign"])
    try:
        below = operator.startswith("<")
        yardstick = yardstick_named(found["what"], amounts, found["basis"] or "serving", more=not below)
        if yardstick.tag == DENSITY and found["basis"] not in (None, yardstick.basis):
            raise SwaptableError(f"found 'per {found['basis']}'; nutrient density is per {yardstick.basis}")
        if found["minus"] and yardstick.tag != DENSITY:
            raise SwaptableError(f"found '{found['minus']}{found['amount']}'; expected 0 or more")
        limit = _limit(found["amount"], yardstick, regime, audience)
    except SwaptableError as error:
        raise SwaptableError(f"found the constraint '{text}': {error}; for example {EXAMPLES}") from None
    return Want(text.strip(), yardstick, operator, -limit if found["minus"] else limit)


def _limit(text: str, yardstick: Yardstick, regime: str, audience: Audience | None) -> float:
    """Read the amount of a constraint in the unit of its yardstick."""
    percent = _PERCENT.fullmatch(text)
    if percent is not None:
        table = daily_value_for(regime, population_of(audience.groups) if audience else POPULATION)
        if yardstick.tag not in table.index:
            raise SwaptableError(f"{yardstick.name} has no daily value of its own")
        row = table.loc[yardstick.tag]
        return float(percent[1]) / 100 * convert(float(row["value"]), str(row["unit"]), yardstick.unit)
    amount = parse_amount(text)
    if yardstick.tag in (DENSITY, COST):
        allowed = ("", yardstick.unit)
        if amount.measure not in allowed:
            raise SwaptableError(f"found '{text}'; expected a number, or a number with {yardstick.unit}")
        return amount.number
    return component_amount(amount, yardstick.tag, yardstick.unit)


def judge_wants(
    wants: Sequence[Want], values: Mapping[Yardstick, np.ndarray], measured: Mapping[Yardstick, Measured]
) -> tuple[np.ndarray, np.ndarray]:
    """Judge every want on every variant.

    Parameters
    ----------
    wants : sequence of Want
    values : mapping
        Yardstick → values of the variants.
    measured : mapping
        Yardstick → their errors, and whether they are whole.

    Returns
    -------
    verdicts : ndarray
        Wants × variants, of :class:`swaptable.judging.verdicts.Verdict`.
    misses : ndarray
        The same: by how much of its limit a value misses it [-]; 0 where it keeps it, inf where not known.
    """
    count = len(next(iter(measured.values())).value)
    verdicts, misses = np.zeros((len(wants), count), dtype=int), np.zeros((len(wants), count))
    for row, want in enumerate(wants):
        known, value = measured[want.yardstick], values[want.yardstick]
        verdicts[row] = judge_listed(value, known.error, want.operator, want.limit, known.whole)
        beyond = value - want.limit if want.operator.startswith("<") else want.limit - value
        scale = abs(want.limit) or np.nanmax(np.abs(value), initial=0.0) or 1.0
        unknown = np.isnan(value) | (verdicts[row] == Verdict.GAPS)
        misses[row] = np.where(unknown, np.inf, np.maximum(beyond, 0.0) / scale)
    return verdicts, misses


def verdict_table(
    labels: Sequence[str], wants: Sequence[Want], measured: Mapping[Yardstick, Measured], verdicts: np.ndarray
) -> pd.DataFrame:
    """List every verdict with its amount, interval, limit and source.

    Returns
    -------
    DataFrame
        One row per want and variant: ``want``, ``variant``, ``amount``, ``unit``, ``basis``, ``standard_error``,
        ``low_90``, ``high_90``, ``whole``, ``operator``, ``limit``, ``verdict``, ``why`` and ``source``.
    """
    parts = []
    for want, row in zip(wants, verdicts, strict=True):
        known = measured[want.yardstick]
        half = Z[LEVEL] * known.error
        columns = {
            "want": want.text, "variant": labels, "amount": known.value, "unit": want.yardstick.unit,
            "basis": f"per {want.yardstick.basis}", "standard_error": known.error, "low_90": known.value - half,
            "high_90": known.value + half, "whole": known.whole, "operator": want.operator, "limit": want.limit,
            "verdict": [Verdict(int(each)).word for each in row], "why": [Verdict(int(each)).why for each in row],
            "source": want.source,
        }  # fmt: skip
        parts.append(pd.DataFrame(columns))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=VERDICT_COLUMNS)


def binding_wants(
    labels: Sequence[str],
    wants: Sequence[Want],
    objective: Measured,
    measured: Mapping[Yardstick, Measured],
    verdicts: np.ndarray,
    misses: np.ndarray,
) -> pd.DataFrame:
    """Find which wants bind.

    Returns
    -------
    DataFrame
        One row per want: ``want``, ``limit``, ``unit``, ``basis``, how many variants ``met`` it, ``cannot_tell`` and
        ``not_met``, the ``nearest_variant`` with its ``nearest_amount``, ``met_without_it`` (how many surely meet all
        the others), ``best_without_it`` (the best of these), ``binds`` and ``source``. A want binds if without it a
        better variant would be best, or, where none surely meets all, if some would meet all the others.
    """
    met = verdicts == Verdict.MET
    gain = np.where(np.isnan(objective.gain), -np.inf, objective.gain)
    best = np.where(met.all(axis=0), gain, -np.inf).max(initial=-np.inf)
    rows = []
    for place, want in enumerate(wants):
        known = measured[want.yardstick]
        nearest = int(np.lexsort((-np.nan_to_num(known.gain, nan=-np.inf), misses[place]))[0])
        others = np.delete(met, place, axis=0).all(axis=0)
        without = np.where(others, gain, -np.inf)
        first = int(without.argmax())
        better = without[first] > best + 10.0**-NEAR * abs(best) if np.isfinite(best) else others.any()
        missed = verdicts[place] == Verdict.NOT_MET
        rows.append({
            "want": want.text, "limit": want.limit, "unit": want.yardstick.unit,
            "basis": f"per {want.yardstick.basis}", "met": int(met[place].sum()),
            "cannot_tell": int((~met[place] & ~missed).sum()), "not_met": int(missed.sum()),
            "nearest_variant": labels[nearest], "nearest_amount": known.value[nearest],
            "met_without_it": int(others.sum()), "best_without_it": labels[first] if others.any() else "",
            "binds": bool(better), "source": want.source,
        })  # fmt: skip
    return pd.DataFrame(rows, columns=BINDING_COLUMNS)
