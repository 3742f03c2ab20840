"""What one food weighs once cooked: the yield factor of its cut, of its own raw and cooked entries, or of its class."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pandas as pd

from swaptable.basics.errors import SwaptableError
from swaptable.foods.cooking_factors import (
    meat_cut_yield,
    processes_for,
    yield_table,
)
from swaptable.foods.reference import Z, kitchen_errors
from swaptable.foods.release import Food, FoodRelease

__all__ = ["find_yield", "sr28_code"]

SR28 = "sr28"  # whose codes the published tables of cuts and pairs name
FEWEST_FOR_A_RANGE = 3
# Processes in which what a food loses goes into a liquid rather than up in steam.
_IN_LIQUID = {
    "boiled", "simmered", "stewed", "cooked", "poached", "steamed", "braised", "browned then simmered",
    "sauteed then simmered", "boiled or baked",
}  # fmt: skip


def sr28_code(food: Food, release: FoodRelease) -> str:
    """Give the code by which the published tables know a food of SR28; another release's food is in none of them."""
    return release.full_code(food.code).removeprefix(f"{SR28}:")


def _own_yield(food: Food, release: FoodRelease, pairs: str) -> float | None:
    """Work a food's own yield out from its raw and cooked entries, solids being conserved."""
    code = sr28_code(food, release)
    cooked = next((c for raw, _, c in (pair.partition(">") for pair in pairs.split("|")) if raw == code), None)
    if cooked is None:
        return None
    try:
        raw_water, cooked_water = (float(release.values(f"{SR28}:{each}")["WATER"]) for each in (code, cooked))
    except SwaptableError:  # another release may have the raw food under that code, and not the cooked one
        return None
    return None if np.isnan(raw_water + cooked_water) else (100 - raw_water) / (100 - cooked_water)


def find_yield(
    food: Food, release: FoodRelease, food_class: str, cook: str, process: str, liquid: float | None
) -> tuple[float, str, str, float]:
    """Find the yield factor of a food.

    Parameters
    ----------
    food : Food
        A cut of meat may have a measured yield of its own.
    release : FoodRelease
        Where the food is from; its own raw and cooked entries come before the median of its class.
    food_class, cook, process : str
        As in :func:`swaptable.amounts.cooking.retention_for`.
    liquid : float or None
        Share of the cooking liquid kept. [-]

    Returns
    -------
    factor : float
        Cooked weight over raw edible weight. [-] Cooked in a liquid that is kept, a food's loss stays in the
        dish; what dry heat drives off is gone, whether or not the drippings are kept.
    origin, evidence : str
    sd : float
        Standard deviation: the published one or the published range, else a stated default. [-]
    """
    errors = kitchen_errors()
    tried = [process, *processes_for(cook)]
    if processes_for(cook)[0] not in _IN_LIQUID:  # what is baked soaks up nothing, whatever its factors are read from
        tried = [word for word in tried if word not in _IN_LIQUID]
    drained = _drained_yield(food, release, food_class, tuple(tried))
    kept = liquid if liquid is not None and process in _IN_LIQUID else 0.0
    if kept == 1:
        return (
            1.0,
            "liquid kept, nothing evaporated; the liquid is an ingredient of its own",
            "assumed",
            errors["evaporation"],
        )
    if drained is None:
        return 1.0, f"no yield published for {food_class}, {process}: weight unchanged", "assumed", errors["no yield"]
    factor, origin, evidence, sd = drained
    kept = kept if factor < 1 else 0.0  # what has soaked up liquid holds it, whatever is done with the rest
    note = f"; {kept:.0%} of the liquid kept" if kept else ""
    return factor + kept * (1.0 - factor), origin + note, evidence, sd


def _drained_yield(
    food: Food, release: FoodRelease, food_class: str, processes: tuple[str, ...]
) -> tuple[float, str, str, float] | None:
    """Find the published yield without the liquid: of the cut, of the food's own pair, of its class."""
    cut = meat_cut_yield(sr28_code(food, release), processes)
    if cut is not None:
        return cut[0], cut[1], "measured", cut[2]
    for process in processes:
        row = _first_yield(food_class, process)
        if row is not None:
            own = _own_yield(food, release, str(row["pairs"]))
            low, high = row["low_percent"] / 100, row["high_percent"] / 100
            if own is not None and not (own < 0.9 * low or own > 1.1 * high):  # far beyond its class: two lots
                return own, f"{row['source']}, this food", str(row["evidence"]), kitchen_errors()["own yield"] * own
            factor, spread = float(row["yield_factor"]), high - low
            # the range of several foods spans about 90 % of them
            sd = spread / (2 * Z[0.90]) if row["n"] >= FEWEST_FOR_A_RANGE else kitchen_errors()["class yield"] * factor
            return factor, str(row["source"]), str(row["evidence"]), float(sd)
    return None


@lru_cache(maxsize=1024)
def _first_yield(food_class: str, process: str) -> pd.Series | None:
    """Give the row of the published yield of a class without the liquid."""
    table = yield_table()
    rows = table[(table["food_class"] == food_class) & (table["liquid"] != "kept") & (table["process"] == process)]
    return rows.iloc[0] if len(rows) else None
