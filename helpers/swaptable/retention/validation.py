"""How well cooked values are predicted when food families are held out, against measured values of a release."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from swaptable.retention.evidence import COVERAGES, folds_of, learn, predict

__all__ = ["METHODS", "held_out", "summarise", "validate"]

METHODS = {
    "raw": "raw value as it is",
    "concentration": "concentration only, nothing lost",
    "published_solids": "published factor, concentration from plain solids",
    "published": "published factor",
    "estimated": "estimated factor",
}


def held_out(values: pd.DataFrame, folds: int = 10, seeds: Sequence[int] = (1, 2, 3)) -> pd.DataFrame:
    """Predict every cooked value from evidence that holds none of its family.

    Parameters
    ----------
    values : DataFrame
        From :func:`swaptable.retention.pairs.pair_values`.
    folds : int, optional
    seeds : sequence of int, optional
        One dealing out of families to folds each.

    Returns
    -------
    DataFrame
        The values once per seed with ``seed``, ``retention`` (estimated), the absolute error of the cooked value by
        each method as ``raw_error`` ... [%], and ``inside_80``, ``inside_90`` (whether the interval held the
        measured value).
    """
    parts = []
    for seed in seeds:
        fold = folds_of(values["family"], folds, seed)
        for number in range(folds):
            left_out = values[fold == number]
            found = predict(learn(values[fold != number]), left_out)
            parts.append(_errors(left_out.assign(seed=seed), found))
    return pd.concat(parts, ignore_index=True)


def _errors(values: pd.DataFrame, found: pd.DataFrame) -> pd.DataFrame:
    kept = {
        "raw": pd.Series(1.0, values.index),
        "concentration": values["concentration"],
        "published_solids": values["published"] * values["solids"],
        "published": values["published"] * values["concentration"],
        "estimated": found["retention"] * values["concentration"],
    }
    predicted = {method: values["raw_value"] * factor for method, factor in kept.items()}
    errors = {
        f"{method}_error": 100 * (value / values["cooked_value"] - 1).abs() for method, value in predicted.items()
    }
    off = np.log(values["cooked_value"] / predicted["estimated"]).abs()
    inside = {f"inside_{100 * level:.0f}": off <= found[f"width_{100 * level:.0f}"] for level in COVERAGES}
    return values.assign(retention=found["retention"], **errors, **inside)


def _summary(errors: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Summarise for each seed, then take the mean over seeds."""
    grouped = errors.groupby([*by, "seed"])
    columns = {"n_values": grouped.size(), "n_families": grouped["family"].nunique()}
    for method in METHODS:
        columns[f"{method}_median_percent"] = grouped[f"{method}_error"].median()
        columns[f"{method}_p90_percent"] = grouped[f"{method}_error"].quantile(0.9)
        columns[f"{method}_within_20_percent"] = 100 * grouped[f"{method}_error"].agg(
            lambda error: (error <= 20).mean()
        )
    for level in COVERAGES:
        columns[f"coverage_{100 * level:.0f}_percent"] = 100 * grouped[f"inside_{100 * level:.0f}"].mean()
    return pd.DataFrame(columns).groupby(level=by).mean()


def summarise(errors: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Sum up predictions of held-out values.

    Parameters
    ----------
    errors : DataFrame
        From :func:`held_out`, or some of its rows.

    Returns
    -------
    dict of DataFrame
        ``overall``, ``by_group``, ``by_component`` and ``by_group_and_component``: numbers of values and families; for
        each method the median and 90th percentile of the absolute error [%] and the share within 20 % [%]; coverage of
        the intervals [%]. Means over the seeds.
    """
    errors = errors.assign(all="all")
    return {
        "overall": _summary(errors, ["all"]),
        "by_group": _summary(errors, ["group"]),
        "by_component": _summary(errors, ["component"]),
        "by_group_and_component": _summary(errors, ["group", "component"]),
    }


def validate(values: pd.DataFrame, folds: int = 10, seeds: Sequence[int] = (1, 2, 3)) -> dict[str, pd.DataFrame]:
    """Compare ways of predicting cooked values on families held out.

    Parameters
    ----------
    values, folds, seeds
        As in :func:`held_out`.

    Returns
    -------
    dict of DataFrame
        As in :func:`summarise`.
    """
    return summarise(held_out(values, folds, seeds))
