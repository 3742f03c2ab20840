"""The front-of-package screen: for what a recipe would need the nutrition symbol that Canada asks for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from swaptable.amounts.nutrients import Amounts
from swaptable.basics.errors import SwaptableError, nearest
from swaptable.foods.reference import front_of_pack_rules
from swaptable.judging.claim_measures import REFERENCE, SERVING, Meter, daily_values_of
from swaptable.judging.claims import NO_REFERENCE_AMOUNT
from swaptable.judging.daily_values import POPULATION
from swaptable.judging.verdicts import WHYS, WORDS, Array, Verdict, interval, judged_at_once, places_of, repeated

__all__ = ["front_of_pack", "front_of_pack_exemptions"]


def _pack_rules(population: str, reference_amount: float | None, judged_as: str) -> pd.DataFrame:
    """Pick the row of each component for a food: small, main dish or general."""
    table = front_of_pack_rules()
    rules = table[table["kind"] == "threshold"]
    populations = list(rules["population"].unique())
    if population not in populations:
        allowed = " or ".join(populations)
        raise SwaptableError(f"found population '{population}'; expected {allowed}{nearest(population, populations)}")
    rules = rules[rules["population"] == population]
    amount = np.inf if reference_amount is None else reference_amount
    small = amount <= rules["reference_amount_at_most"].min()
    big = reference_amount is not None and amount >= rules["reference_amount_at_least"].min()
    category = "small" if small else "main dish" if big and judged_as != "food" else "general"
    return rules[rules["category"] == category].reset_index(drop=True)


@dataclass(frozen=True, eq=False)
class _Held:
    """What the greater of serving and reference amount holds: variants × components."""

    larger: npt.NDArray[np.bool_]  # by variant: the reference amount is the greater
    amount: Array
    percent: Array
    error: Array
    whole: npt.NDArray[np.bool_]


def _held(meter: Meter, rules: pd.DataFrame, population: str, places: np.ndarray) -> _Held:
    """Measure each component; without a reference amount, in the serving."""
    amounts, recipe = meter.amounts, meter.amounts.recipe
    serving_g = amounts.grid.listed(amounts.data["cooked_g"])[places] / recipe.servings
    larger = serving_g < (recipe.reference_amount or 0.0)
    columns = []
    for component, valued in zip(rules["component"], rules["daily_value"], strict=True):
        serving = meter.amount(component, SERVING)
        reference = serving if recipe.reference_amount is None else meter.amount(component, REFERENCE)
        held = np.where(larger, reference.value[places], serving.value[places])
        error = np.where(larger, reference.error[places], serving.error[places])
        factor = meter.per_daily_value(valued, population)
        columns.append((held, held * factor, error * factor, serving.whole[places]))
    return _Held(larger, *(np.column_stack(parts) for parts in zip(*columns, strict=True)))


def _described(rules: pd.DataFrame, meter: Meter, population: str, stated: bool) -> pd.DataFrame:
    """Put beside each rule its unit, its limit, the exemptions and every source."""
    exempt = front_of_pack_exemptions().groupby("component")["note"].agg("; ".join)
    values = daily_values_of("CA", population)
    unseen = rules["daily_value"].map(values["checked"]) != "seen"
    return rules.assign(
        note=rules["component"].map(exempt),
        unit=rules["component"].map(meter.units),
        source=rules["source"] + "; " + rules["daily_value"].map(values["source"]),
        checked=rules["checked"].where(~unseen, "from memory"),
        category=rules["category"] if stated else "",
        operator=">=",
        limit=rules["percent"] if stated else np.nan,
    )


def front_of_pack(amounts: Amounts, population: str = POPULATION, labels: Sequence[str] | None = None) -> pd.DataFrame:
    """Screen a recipe for the nutrition symbol that Canada asks for on the front of packages.

    Parameters
    ----------
    amounts : Amounts
    population : str, optional
        ``"age 4 and over"`` or ``"age 1 to 3"``: for whom a packaged food would be meant.
    labels : sequence of str, optional
        Variants to list; all without it.

    Returns
    -------
    DataFrame
        One row per variant and component: ``variant``, ``component``, ``category`` (``small``, ``general`` or
        ``main dish``), ``basis`` (the greater of serving and reference amount), ``amount`` and ``unit``,
        ``percent`` of the daily value with ``standard_error``, ``low_90``, ``high_90``, all in percent, ``whole``,
        ``operator``, ``limit`` [%], ``verdict``, ``word`` (``met``: the symbol would be needed), ``why``, ``note``
        (exemptions that may apply), ``source``, ``checked``.

    Raises
    ------
    SwaptableError
        If the population or a variant is not known.

    Notes
    -----
    Saturated fat is compared with the daily value of saturated and trans fat together. Without a reference amount
    nobody can tell; the numbers are then those of the serving. See :data:`swaptable.judging.claims.CAVEAT`.

    References
    ----------
    Food and Drug Regulations (Canada) B.01.350.
    """
    recipe = amounts.recipe
    rules = _pack_rules(population, recipe.reference_amount, recipe.judged_as)
    meter = Meter(amounts, "CA")
    names, places = places_of(amounts, labels)
    stated = recipe.reference_amount is not None
    held = _held(meter, rules, population, places)
    verdicts = judged_at_once(held.percent, held.error, held.whole, [">="] * len(rules), list(rules["percent"]))
    if not stated:
        verdicts[:] = int(Verdict.GAPS)
    low, high = interval(held.percent, held.error, held.whole, False)
    decided = verdicts.ravel()
    rules = _described(rules, meter, population, stated)
    table = repeated(rules, names).assign(
        basis=np.repeat(np.where(held.larger, REFERENCE, SERVING), len(rules)),
        amount=held.amount.ravel(), percent=held.percent.ravel(), standard_error=held.error.ravel(),
        low_90=low.ravel(), high_90=high.ravel(), whole=held.whole.ravel(), verdict=decided, word=WORDS[decided],
        why=WHYS[decided] if stated else NO_REFERENCE_AMOUNT,
    )  # fmt: skip
    return table[
        ["variant", "component", "category", "basis", "amount", "unit", "percent", "standard_error", "low_90",
         "high_90", "whole", "operator", "limit", "verdict", "word", "why", "note", "source", "checked"]
    ]  # fmt: skip


def front_of_pack_exemptions() -> pd.DataFrame:
    """List what needs no symbol although it reaches a threshold: ``component``, ``note``, ``source``, ``checked``."""
    table = front_of_pack_rules()
    rows = table.loc[table["kind"] == "exemption", ["component", "note", "source", "checked"]]
    return rows.assign(component=rows["component"].str.split("|")).explode("component", ignore_index=True)
