"""What cooking does to one food: its retention factors and its yield factor.

Retention changes a component, yield changes the weight. Where no factor is published for a component it is
taken as kept whole and marked ``assumed``; nothing is cooked twice.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
import pandas as pd

from swaptable.amounts.yields import find_yield, sr28_code
from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.foods.cooking_factors import (
    FACTORS,
    NO_CLASS,
    food_class_of,
    meat_cut_fat_change,
    processes_for,
    retention_components,
    retention_table,
    uptake_table,
)
from swaptable.foods.reference import kitchen_errors
from swaptable.foods.release import Food, FoodRelease

__all__ = ["COOKING_WORDS", "NOT_COOKED", "STATED", "Cooking", "cook_food", "retention_for"]

NOT_COOKED = "not cooked"
# Fields of an ingredient that say how it is cooked, beside the process.
COOKING_WORDS = ("liquid", "detail", "food_class", "yield_factor", "drippings", "salted_water")
STATED = "recipe"  # origin of a yield that the user weighed
FROZEN, _FROM_FROZEN = "frozen", "from frozen"
# Processes that a food may undergo after it was cooked or canned, with published factors of their own.
_AFTERWARDS = {"reheated", "heated", "drained", "rinsed", "toasted"}
# The factor for vitamin A stands for retinol; carotenoids have factors of their own.
FACTOR_OF = {"RETOL": "VITA_RAE", "VITB12_ADDED": "VITB12"}


@dataclass(frozen=True, eq=False)
class Cooking:
    """What was done to a food, with the factors and where they came from.

    Attributes
    ----------
    food_class, process : str
        Class and process word of the published table; empty where the food was not cooked.
    liquid : float or None
        Share of the cooking liquid that stays in the dish; None where it does not matter. [-]
    rows : tuple of str
        Rows of ``retention.csv`` used (USDA codes); two where the liquid is partly kept.
    factors : Series
        Share retained by component [-]; NaN where none is published.
    yield_factor : float
        Cooked weight over raw edible weight. [-]
    yield_origin, yield_evidence : str
        Where the yield is from, and ``measured``, ``calculated`` or ``assumed``.
    yield_sd : float
        Standard deviation of the yield factor. [-]
    notes : tuple of str
        What a reader must know of it.
    fat_lost : float
        Fat that runs off with discarded drippings. [g per 100 g raw]
    sodium_taken_up : float
        From salted cooking water. [mg per 100 g raw]
    """

    food_class: str
    process: str
    liquid: float | None
    rows: tuple[str, ...]
    factors: pd.Series
    yield_factor: float
    yield_origin: str
    yield_evidence: str
    yield_sd: float
    notes: tuple[str, ...] = ()
    fat_lost: float = 0.0
    sodium_taken_up: float = 0.0

    def factor_for(self, components: pd.Index) -> np.ndarray:
        """Give the share retained for each component of a release; NaN where none is published."""
        names = [FACTOR_OF.get(component, component) for component in components]
        return np.asarray(self.factors.reindex(names), dtype=float)


@cache
def _no_factors() -> pd.Series:
    return pd.Series(np.nan, index=retention_components(), dtype=float)


def _choose(rows: pd.DataFrame, detail: str | None, what: str) -> pd.DataFrame:
    if not detail:
        return rows[rows["default"] == "yes"]
    chosen = rows[rows["detail"] == detail]
    # a detail may be published for one fate of the liquid only; the other takes its default row
    chosen = pd.concat([chosen, rows[(rows["default"] == "yes") & ~rows["liquid"].isin(chosen["liquid"])]])
    if detail not in set(chosen["detail"]):
        details = sorted(set(rows["detail"]) - {""})
        raise SwaptableError(
            f"found detail '{detail}'; expected for {what}: {listed(details) or 'no detail'}{nearest(detail, details)}",
            about="detail",
        )
    return chosen


@lru_cache(maxsize=1024)  # lines of one recipe, and of many recipes, are cooked in few ways
def retention_for(
    food_class: str, cook: str, liquid: float | None, detail: str | None, factors: str = FACTORS[0]
) -> tuple[str, tuple[str, ...], pd.Series]:
    """Find the published retention factors.

    Parameters
    ----------
    food_class : str
        Class of ``retention.csv``, or ``"none"``.
    cook : str
        Cook's word for the process.
    liquid : float or None
        Share of the cooking liquid kept; None if the recipe does not say. [-]
    detail : str or None
        Detail of the row; None takes the row marked as default.
    factors : str, optional
        ``"published"`` or ``"estimated"``, as for :func:`swaptable.foods.cooking_factors.retention_table`.

    Returns
    -------
    process : str
        Published process word.
    rows : tuple of str
        Rows used: none for class ``"none"``, two where the liquid is partly kept.
    factors : Series
        Share retained [-] by component, NaN where none is published. Between drained and kept the factors
        are interpolated: what leached into the liquid stays in proportion to the liquid kept.

    Raises
    ------
    SwaptableError
        If there is no such class, process, detail or liquid; names those there are.
    """
    tried = processes_for(cook)
    if food_class == NO_CLASS:
        return tried[0], (), _no_factors()
    table = retention_table()
    table = table[table["food_class"] == food_class]
    if table.empty:
        classes = sorted({*retention_table()["food_class"], NO_CLASS})
        hint = nearest(food_class, classes)
        raise SwaptableError(f"found '{food_class}'; expected a class: {listed(classes, 60)}{hint}", about="food_class")
    published = _published(food_class, cook)
    if published.empty:
        words = sorted(set(table["process"]))
        raise SwaptableError(f"found '{cook}'; factors for {food_class} are published for: {listed(words, 20)}")
    process = str(published["process"].iloc[0])
    what = f"{food_class}, {process}"
    rows = _choose(published, detail, what)["row"]
    rows = retention_table(factors).loc[rows].set_index("liquid")
    tags = retention_components()
    if set(rows.index) == {""}:
        row = rows.loc[""]
        return process, (str(row["row"]),), row[tags].astype(float)
    if liquid is None:
        raise SwaptableError(
            f"'liquid' is missing for {what}; expected kept, discarded or the share kept, such as 50 %"
        )
    ends = {1.0: ("kept",), 0.0: ("discarded",)}.get(liquid, ("discarded", "kept"))
    for end in ends:
        if end not in rows.index:
            published = listed(sorted(rows.index))
            raise SwaptableError(f"liquid {end}: {what} is published only for {published}", about="liquid")
    chosen = [rows.loc[end] for end in ends]
    first, last = (row[tags].astype(float) for row in (chosen[0], chosen[-1]))
    return (
        process,
        tuple(str(row["row"]) for row in chosen),
        first + liquid * (last - first) if len(ends) > 1 else first,
    )


@lru_cache(maxsize=1024)
def _published(food_class: str, cook: str) -> pd.DataFrame:
    """Give the rows of the first process that is published for the class among those the word may stand for."""
    table = retention_table()
    table = table[table["food_class"] == food_class]
    process = next((word for word in processes_for(cook) if (table["process"] == word).any()), None)
    return table[table["process"] == process]


@lru_cache(maxsize=1024)
def _told_of(rows: tuple[str, ...]) -> tuple[list[str], list[str]]:
    """Give the notes of retention rows, and their details."""
    used = retention_table().loc[list(rows)]
    return [str(note) for note in used["note"] if note], [str(detail) for detail in used["detail"].unique() if detail]


def cook_food(
    food: Food,
    release: FoodRelease,
    cook: str | None,
    *,
    liquid: float | None = None,
    detail: str | None = None,
    food_class: str | None = None,
    yield_factor: float | None = None,
    drippings: str | None = None,
    salted_water: float | None = None,
    factors: str = FACTORS[0],
) -> Cooking:
    """Find everything that cooking does to a food.

    Parameters
    ----------
    food : Food
    release : FoodRelease
        Where the food is from, to name its raw form if it is cooked already.
    cook : str or None
        Cook's word; None or ``"not cooked"`` leaves it as it is.
    liquid : float, optional
        Share of the cooking liquid kept. [-]
    detail, food_class : str, optional
        As in :func:`retention_for`; the class is otherwise found by the rules.
    yield_factor : float, optional
        Weighed by the user; wins over the published one. [-]
    drippings : str, optional
        ``"discarded"`` takes the fat off that the cut is published to lose.
    salted_water : float, optional
        Salt in the cooking water. [g/l]
    factors : str, optional
        ``"published"`` or ``"estimated"``.

    Returns
    -------
    Cooking

    Raises
    ------
    SwaptableError
        If the data of the food are already for the cooked food, or nothing is published for what was asked.
    """
    if cook is None or cook == NOT_COOKED:
        factor = 1.0 if yield_factor is None else yield_factor
        origin = ("not cooked", "measured", 0.0)
        if yield_factor is not None:
            origin = (STATED, "measured", kitchen_errors()["weighed dish"] * factor)
        return Cooking("", "", None, (), _no_factors(), factor, *origin)
    food_class = food_class or food_class_of(food)
    published = _published(food_class, cook)
    if not detail and FROZEN in food.description.lower() and (published["detail"] == _FROM_FROZEN).any():
        detail = _FROM_FROZEN
    asked = cook
    if published.empty and food.state != "raw":  # what is no longer raw is at least warmed through
        cook = next((word for word in ("heated", "reheated") if len(_published(food_class, word))), cook)
    process, rows, shares = retention_for(food_class, cook, liquid, detail, factors)
    told, details = _told_of(rows)
    notes = [*told, *(f"published row: {chosen}" for chosen in details if chosen != detail)]
    if asked != process:
        notes.insert(0, f"'{asked}' read as the published '{process}'")
    if rows and process not in _AFTERWARDS:
        if food.state == "cooked":
            raw = release.raw_form(food)
            raise SwaptableError(
                f"found '{cook}', but the data of '{food.description}' are for the cooked food: its losses would count "
                f"twice. Leave out cook, say reheated, or take the raw food{f' (such as {raw})' if raw else ''}"
            )
        if food.state in ("canned", "ready to eat") and "from canned" not in (detail or ""):
            notes.append(f"data are for the {food.state} food; the factors for {process} come on top")
    if not rows:
        notes.append("no retention factors apply to this food; all components taken as kept")
    if yield_factor is None:
        found = find_yield(food, release, food_class, cook, process, liquid)
    else:
        found = (yield_factor, STATED, "measured", kitchen_errors()["weighed dish"] * yield_factor)
    if yield_factor is None and liquid is None and found[0] > 1:
        notes.append("the weight counts water soaked up; say liquid: kept if that water is an ingredient")
    sodium, uptake = _taken_up(food_class, process, liquid, detail, salted_water, found[0])
    fat_lost, fat_note = _fat_lost(food, sr28_code(food, release), (process, *processes_for(cook)), drippings)
    return Cooking(food_class, process, liquid, rows, shares, *found, (*notes, *fat_note, *uptake), fat_lost, sodium)


@lru_cache(maxsize=1024)
def _uptake(food_class: str, process: str, coating: str) -> tuple[float | None, list[str]]:
    """Give the published uptake of salt, as in ``cooking_uptake.csv``, if any, and what to say of frying fat."""
    table = uptake_table()
    rows = table[(table["food_class"] == food_class) & (table["process"] == process)]
    fat = rows[(rows["component"] == "FAT") & (rows["detail"] == coating)]
    told = [
        f"takes up about {row['amount']:g} g of frying fat per 100 g raw ({row['low']:g} to {row['high']:g}); "
        "list that much, not what is in the pan"
        for _, row in fat.iterrows()
    ]
    salt = rows.loc[rows["component"] == "NA", "amount"]
    return None if salt.empty else float(salt.iloc[0]), told


def _taken_up(
    food_class: str,
    process: str,
    liquid: float | None,
    detail: str | None,
    salted_water: float | None,
    yield_factor: float,
) -> tuple[float, list[str]]:
    """Find the sodium taken up from salted water [mg per 100 g raw], and what to say of it and of frying fat."""
    salt, told = _uptake(food_class, process, detail or "uncoated")
    if not salted_water:
        return 0.0, told
    if liquid:
        problem = f"found {salted_water:g} g/l, but the liquid is kept: list the salt as an ingredient"
        raise SwaptableError(problem, about="salted_water")
    if salt is None:
        table = uptake_table()
        published = listed(table.loc[table["component"] == "NA", "food_class"].unique())
        problem = f"but no uptake of salt is published for {food_class}, {process}; only for {published}"
        raise SwaptableError(f"found {salted_water:g} g/l, {problem}", about="salted_water")
    taken = salt * salted_water * yield_factor
    return taken, [*told, f"{taken:.0f} mg of sodium per 100 g raw taken up from salted water"]


def _fat_lost(food: Food, code: str, processes: tuple[str, ...], drippings: str | None) -> tuple[float, list[str]]:
    """Find the fat that leaves with the drippings [g per 100 g raw], and what to say of it."""
    change = meat_cut_fat_change(code, processes)
    if drippings == "discarded":
        if change is None:
            problem = (
                f"found 'discarded', but no loss of fat is published for '{food.description}'; leave drippings out"
            )
            raise SwaptableError(problem, about="drippings")
        return -change, [f"{-change:.1f} g of fat per 100 g raw taken off (USDA 2014)"]
    if change is None or change >= 0:
        return 0.0, []
    told = f"about {-change:.1f} g of fat per 100 g raw run off (USDA 2014)"
    return 0.0, [f"{told} but count as eaten; say drippings: discarded to take them off"]
