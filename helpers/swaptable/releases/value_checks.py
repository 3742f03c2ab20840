"""Foods whose values do not go together, or are larger than any food's, found when a table is imported."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from swaptable.foods.component_identity import identities

__all__ = ["BY_DIFFERENCE", "CHECKED", "LEAST_BY_DIFFERENCE", "check_profiles", "checks_told", "too_large"]

# FAO/INFOODS 2012, Guidelines for Checking Food Composition Data (the figures from memory): the sum of proximates
# is 97 to 103 g; a negative amount by difference comes from the errors of the other proximates and stands for 0.
MOST_SUM = 103.0
BY_DIFFERENCE = frozenset({"CHOCDF", "CHOAVL"})
LEAST_BY_DIFFERENCE = -5.0
MOST_TOLD = 3  # findings of each kind
_FACTOR_4184 = (3.5, 5.0)  # times the energy by general factors: a kJ figure where kcal belong, give or take fibre
_TIMES_LARGEST = 3.0  # so many times the largest value of SR28 is hardly a food, often a wrong unit (assumed)
CHECKED = (
    "WATER", "PROCNT", "FAT", "CHOCDF", "CHOAVL", "FIBTG", "ASH", "ALC", "ENERC_KCAL", "ENERC_KJ", "FASAT", "FAMS",
    "FAPU", "SUGAR",
)  # fmt: skip


def too_large(components: Sequence[str]) -> np.ndarray:
    """Give the amount per 100 g above which a value is hardly believed [unit of each component]; inf if not known."""
    known = identities()
    most = np.array([known[each].most if each in known else np.nan for each in components], dtype=float)
    return np.where(most > 0, _TIMES_LARGEST * most, np.inf)


def check_profiles(codes: Sequence[str], values: Mapping[str, np.ndarray]) -> pd.DataFrame:
    """Look for foods whose values do not go together.

    Parameters
    ----------
    codes : sequence of str
        Codes of the foods.
    values : mapping of ndarray
        By component of :data:`CHECKED`, those there are: per 100 g; NaN is missing.

    Returns
    -------
    DataFrame
        One row per finding: ``code``, ``check``, ``component``, ``found`` and ``expected`` in words. Nothing is
        changed for it.
    """
    size = len(codes)
    of = {name: np.asarray(values.get(name, np.full(size, np.nan)), dtype=float) for name in CHECKED}
    whole = np.isnan(of["CHOCDF"])  # then the parts: available carbohydrate and fibre
    carbohydrate = np.where(whole, of["CHOAVL"] + np.nan_to_num(of["FIBTG"]), of["CHOCDF"])
    proximates = np.nansum([of["WATER"], of["PROCNT"], of["FAT"], carbohydrate, of["ASH"], of["ALC"]], axis=0)
    acids = np.nansum([of["FASAT"], of["FAMS"], of["FAPU"]], axis=0)
    general = 4 * of["PROCNT"] + 9 * of["FAT"] + 4 * carbohydrate + 7 * np.nan_to_num(of["ALC"])
    low, high = _FACTOR_4184
    with np.errstate(divide="ignore", invalid="ignore"):
        kcal, kj = of["ENERC_KCAL"] / general, of["ENERC_KJ"] / general
        findings = (
            ("sum over 100 g", "WATER", proximates > MOST_SUM, proximates, f"at most {MOST_SUM:g} g of proximates"),
            ("kJ among kcal", "ENERC_KCAL", (general > 20) & (kcal > low) & (kcal < high), of["ENERC_KCAL"], general),
            ("kcal among kJ", "ENERC_KJ", (general > 20) & (kj > 0) & (kj < low / 2), of["ENERC_KJ"], 4.184 * general),
            ("fatty acids over fat", "FAT", acids > 1.02 * of["FAT"] + 0.1, acids, of["FAT"]),
            ("sugars over carbohydrate", "SUGAR", of["SUGAR"] > 1.02 * carbohydrate + 0.1, of["SUGAR"], carbohydrate),
        )
    tables = []
    for check, component, where, found, expected in findings:
        at = np.flatnonzero(where)
        told = expected if isinstance(expected, str) else [f"about {value:.4g}" for value in expected[at]]
        tables.append(
            pd.DataFrame(
                {
                    "code": [codes[int(place)] for place in at],
                    "check": check,
                    "component": component,
                    "found": [f"{value:.4g}" for value in found[at]],
                    "expected": told,
                },
                dtype=str,
            )
        )
    return pd.concat(tables, ignore_index=True)


def checks_told(checks: pd.DataFrame, counts: Mapping[str, int] | None = None) -> list[str]:
    """Say what the checks of an import found, one sentence a kind.

    Parameters
    ----------
    checks : DataFrame
        Table ``checks`` of a release.
    counts : mapping of int, optional
        How many there are of each kind, where the table lists only the first.

    Examples
    --------
    >>> checks_told(pd.DataFrame([("7", "sum over 100 g", "WATER", "120", "at most 103 g")],
    ...     columns=["code", "check", "component", "found", "expected"]))
    ['sum over 100 g: 1 (7 found 120, expected at most 103 g)']
    """
    told = []
    for check, rows in checks.groupby("check", sort=False):
        few = [f"{row.code} found {row.found}, expected {row.expected}" for row in rows.head(MOST_TOLD).itertuples()]
        count = (counts or {}).get(str(check), len(rows))
        more = f"; {count - MOST_TOLD:,} more" if count > MOST_TOLD else ""
        told.append(f"{check}: {count:,} ({'; '.join(few)}{more})")
    return told
