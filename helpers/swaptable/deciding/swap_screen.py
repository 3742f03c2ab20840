"""Screening for a swap: foods that can stand where an ingredient stands, by arithmetic on the one line that changes.

A food fits that is of the ingredient's culinary family, in a state that the recipe can begin with, of much the same
water, energy and macronutrients, and that can be cooked as the recipe cooks the ingredient.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from swaptable.amounts.composition import cooked_values, layout_of
from swaptable.amounts.cooking import COOKING_WORDS, Cooking, cook_food
from swaptable.amounts.nutrients import Amounts, line_values
from swaptable.amounts.recipes import Ingredient
from swaptable.amounts.variants import Line, swapped_grams
from swaptable.basics.errors import SwaptableError
from swaptable.basics.units import GENERAL_KCAL_PER_GRAM, convert
from swaptable.foods.cooking_factors import FACTORS, food_class_of
from swaptable.foods.families import food_kind, parts_of
from swaptable.foods.release import Food, FoodRelease
from swaptable.judging.daily_values import daily_value_for, parts_of_sum
from swaptable.judging.targets import Aims

__all__ = ["Aim", "Search", "aims_of", "fit_cooking", "progress", "ranked", "screen", "screened_values"]

# Assumed: beyond these a food no longer fills the same place.
MOST_WATER = 20.0  # difference in water [g per 100 g]
MOST_ENERGY, LEAST_ENERGY = 2.5, 40.0  # ratio of energy per 100 g, where they differ by more than the second [kcal]
MOST_SHAPE = 0.5  # share of the energy that comes from other macronutrients [-]
A_PINCH = 0.02  # of the dish's weight: water and energy of less than this do not decide
MACRONUTRIENTS = ("PROCNT", "FAT", "CHOCDF")
# Processes that begin with a food as it was bought, cooked or canned.
_AS_BOUGHT = {"drained", "rinsed", "heated", "reheated", "toasted"}
_AS_EATEN = {"cooked", "canned", "ready to eat"}
_SODIUM = "NA"


# ------------------------------------------------------------------------------------------- what fits


def _shape(values: pd.DataFrame) -> pd.DataFrame:
    """Give water, energy and the shares of energy from the macronutrients, by the general factors."""
    parts = pd.DataFrame({name: values[name] * GENERAL_KCAL_PER_GRAM[name] for name in MACRONUTRIENTS})
    energy = parts.sum(axis=1, skipna=False)
    shares = parts.clip(lower=0).div(energy.where(energy > 0), axis=0)
    return shares.assign(water=values["WATER"], energy=values["ENERC_KCAL"])


def _unlike(shape: pd.DataFrame, own: pd.Series) -> tuple[pd.Series, pd.Series]:
    """Say why foods do not fill the same place (empty: they do), and how close the others come [-]."""
    water = (shape["water"] - own["water"]).abs()
    ratio = np.exp(np.abs(np.log((shape["energy"] + 1) / (own["energy"] + 1))))
    far = (shape["energy"] - own["energy"]).abs() > LEAST_ENERGY
    apart = (shape[list(MACRONUTRIENTS)] - own[list(MACRONUTRIENTS)]).abs().sum(axis=1, skipna=False) / 2
    light = (shape["energy"] <= LEAST_ENERGY) & (own["energy"] <= LEAST_ENERGY)
    apart = apart.where(~light, 0.0)
    unknown = water.isna() | shape["energy"].isna() | apart.isna()
    why = np.select(
        [unknown, water > MOST_WATER, far & (ratio > MOST_ENERGY), apart > MOST_SHAPE],
        [
            "water or energy is not known",
            "much more or less water",
            "much more or less energy by weight",
            "energy from other macronutrients",
        ],
        default="",
    )
    close = 1 - (water / 100 + apart + (1 - 1 / ratio)) / 3
    return pd.Series(why, index=shape.index), close


def _states_wanted(line: Line) -> set[str]:
    """Name the states a food may be in to stand where the ingredient stands."""
    if line.cooking.process and line.cooking.process not in _AS_BOUGHT:
        return {"raw", "unstated"}
    if line.cooking.process in ("drained", "rinsed"):
        return {line.food.state}
    return {
        "raw": {"raw", "unstated"},
        "unstated": {"raw", "unstated", "canned", "ready to eat"},
    }.get(line.food.state, _AS_EATEN | {"unstated"})


def _why_not(food: Food, line: Line) -> str:
    """Say why a food of the family is in no state to stand where the ingredient stands."""
    if food.state not in _states_wanted(line):
        return f"data are for the {food.state} food"
    drained = "drained" in food.description.lower()
    if line.cooking.process in ("drained", "rinsed") and drained != ("drained" in line.food.description.lower()):
        return "data are for the drained food" if drained else "data are for solids and liquid together"
    return ""


def fit_cooking(
    food: Food, release: FoodRelease, cook: str | None, stated: Mapping[str, object], factors: str = FACTORS[0]
) -> tuple[Cooking | None, dict[str, str], str]:
    """Cook another food as the recipe cooks an ingredient, changing only those words that do not fit it.

    Parameters
    ----------
    food : Food
    release : FoodRelease
    cook : str or None
        The recipe's word.
    stated : mapping
        Words about cooking that the recipe states for the ingredient, as :func:`swaptable.amounts.cooking.cook_food`
        takes them.
    factors : str, optional

    Returns
    -------
    cooking : Cooking or None
        None where the food cannot be cooked so.
    changes : dict
        Field → text that an option has to state besides the food.
    why_not : str
        Why it cannot; empty where it can.
    """
    words, changes = dict(stated), dict[str, str]()
    if words.get("food_class") and words["food_class"] != food_class_of(food):
        words["food_class"], changes["food class"] = "", ""
    remedies: dict[str, tuple[object, str, str]] = {
        "detail": ("", "detail", ""),
        "salted_water": (0.0, "salted water", "0 g/l"),
        "drippings": ("kept", "drippings", "kept"),
        "liquid": (1.0, "liquid", "kept"),
    }
    while True:
        try:
            return cook_food(food, release, cook, factors=factors, **words), changes, ""  # type: ignore[arg-type]
        except SwaptableError as error:
            about = error.about or ("liquid" if words.get("liquid") is None and "'liquid'" in str(error) else "")
            remedy = remedies.pop(about, None)
            if remedy is None or (about == "liquid" and words.get("liquid") is not None):
                return None, {}, str(error)
            words[about], field, text = remedy
            changes[field] = text


# ----------------------------------------------------------------------------------------- screening


def screened_values(raw: np.ndarray, shares: np.ndarray, release: FoodRelease) -> pd.DataFrame:
    """Give what 100 g of many raw foods hold once they are cooked, as ``nutrients.line_values`` does for one.

    Parameters
    ----------
    raw : ndarray
        Foods × components of the release, per 100 g; NaN is missing.
    shares : ndarray
        The same shape: share retained [-]; NaN where none is published, which keeps all.
    release : FoodRelease

    Returns
    -------
    DataFrame
        Foods × components of a computed recipe. Fat that runs off and salt taken up from water are left out.
    """
    layout = layout_of(release)
    factors = np.full((len(raw), len(layout.components)), np.nan)
    factors[:, : raw.shape[1]] = shares
    return pd.DataFrame(cooked_values(raw, factors, layout), columns=list(layout.components))


@dataclass(frozen=True)
class Aim:
    """What one serving should bring or stay below, for the group that asks most.

    Attributes
    ----------
    component : str
    parts : tuple of str
        Components whose sum is compared.
    raise_it : bool
        To be raised; else to be kept down.
    amount : float
        Per serving, in the unit of the component.
    """

    component: str
    parts: tuple[str, ...]
    raise_it: bool
    amount: float


def aims_of(aims: Aims, targets: pd.DataFrame, units: pd.Series, regime: str) -> tuple[Aim, ...]:
    """Take the yardstick that decides for each component.

    Parameters
    ----------
    aims : Aims
    targets : DataFrame
        From :func:`swaptable.judging.targets.day_targets`.
    units : Series
        Unit of each component.
    regime : str

    Returns
    -------
    tuple of Aim
        Of the group that asks most; the daily value of sodium alone where an audience has no yardstick.
    """
    found = []
    led = targets[targets["leads"] & targets["day_value"].notna() & targets["role"].isin(["raise", "keep down"])]
    for component, rows in led.groupby("component", sort=False):
        parts = tuple(parts_of_sum(str(rows["compared_with"].iloc[0]), units))
        unit = str(units[parts[0]])
        days = [convert(row.day_value, row.unit, unit) for row in rows.itertuples()]
        raised = rows["role"].iloc[0] == "raise"
        day = max(days) if raised else min(days)
        found.append(Aim(str(component), parts, raised, day * aims.audience.share_of_day))
    if not found:
        row = daily_value_for(regime).loc[_SODIUM]
        day = convert(float(row["value"]), str(row["unit"]), str(units[_SODIUM]))
        found = [Aim(_SODIUM, (_SODIUM,), False, day * aims.audience.share_of_day)]
    return tuple(found)


def progress(before: float, after: np.ndarray, aim: Aim) -> np.ndarray:
    """Give how far serving after serving gets towards an aim.

    Parameters
    ----------
    before : float
        Per serving as written.
    after : ndarray
        Per serving with each swap.
    aim : Aim

    Returns
    -------
    ndarray
        [% of the aim], more is better. Of what is to be raised, more than is asked for counts no further.
    """
    if aim.raise_it:
        return np.asarray(100 * (np.minimum(after, aim.amount) - min(before, aim.amount)) / aim.amount)
    return np.asarray(100 * (before - after) / aim.amount)


@dataclass(frozen=True, eq=False)
class Search:
    """The recipe as written, and all that the search asks of it.

    Attributes
    ----------
    amounts : Amounts
        Of the recipe as written, without its choices.
    ingredient : str
    line : Line
        The ingredient as written.
    stated : Ingredient
        What the file says of it.
    same : str
        What stays equal: ``weight``, ``volume``, ``energy`` or a component.
    aims : tuple of Aim
    """

    amounts: Amounts
    ingredient: str
    line: Line
    stated: Ingredient
    same: str
    aims: tuple[Aim, ...]

    def cook(self, food: Food) -> tuple[Cooking | None, dict[str, str], str]:
        """Cook a food as the ingredient is cooked, as :func:`fit_cooking` does."""
        words = {name: getattr(self.stated, name) for name in COOKING_WORDS}
        return fit_cooking(food, self.amounts.grid.release, self.stated.cook, words, self.amounts.grid.factors)


def screen(search: Search, family: str, role: str, wide: bool) -> pd.DataFrame:
    """Screen every food of the family, or of the role.

    Parameters
    ----------
    search : Search
    family, role : str
        What part the ingredient plays.
    wide : bool
        All families of the role.

    Returns
    -------
    DataFrame
        By code: ``food``, ``description``, ``family``, ``kind``, ``fit`` [-], ``edible_g``, ``why_not`` (empty: it
        fits), ``score`` (mean progress towards the aims [%]), ``unknown`` (aims without a value) and
        ``sodium_difference_mg`` per serving.
    """
    release, line = search.amounts.grid.release, search.line
    parts = parts_of(release)
    pool = parts.index[(parts["role"] == role) if wide else (parts["family"] == family)]
    pool = pool[pool != line.food.code]
    release.note_all_used()
    places = release.foods.index.get_indexer(pool)
    foods = [release.food(str(code)) for code in pool]
    raw = pd.DataFrame(release.matrix[places], index=pool, columns=release.components.index)
    own = _shape(release.values(line.food.code).to_frame().T.astype(float)).iloc[0]
    unlike, close = _unlike(_shape(raw), own)
    if line.edible_g < A_PINCH * float(search.amounts.data["edible_g"]):
        unlike[:] = ""
    why = [_why_not(food, line) or unlike.iloc[number] for number, food in enumerate(foods)]
    shares, grams, why = _stand_ins(search, foods, why)
    values = screened_values(raw.to_numpy(), shares, release).set_axis(pool)
    table = pd.DataFrame(
        {
            "food": [release.full_code(food.code) for food in foods],
            "description": [food.description for food in foods],
            "family": parts.loc[pool, "family"].to_numpy(),
            "kind": [food_kind(food.food_group, food.description) for food in foods],
            "fit": close.to_numpy(),
            "edible_g": grams,
            "why_not": why,
        },
        index=pool,
    )
    table["score"], table["unknown"] = 0.0, 0
    for aim in search.aims:
        before, after = _screened_serving(search, values, grams, aim.parts)
        table["unknown"] += np.isnan(after)
        table["score"] += np.nan_to_num(progress(before, after, aim)) / len(search.aims)
    table["sodium_difference_mg"] = np.subtract(*_screened_serving(search, values, grams, (_SODIUM,))[::-1])
    return table


def _stand_ins(search: Search, foods: Sequence[Food], why: Sequence[str]) -> tuple[np.ndarray, np.ndarray, list[str]]:
    """Cook and weigh each food that fits so far: shares retained, edible grams, and why it cannot be a swap."""
    release, line = search.amounts.grid.release, search.line
    components, why = release.components.index, list(why)
    shares, grams = np.full((len(foods), len(components)), np.nan), np.full(len(foods), np.nan)
    cooked: dict[tuple[object, ...], tuple[Cooking | None, str]] = {}
    for number, food in enumerate(foods):
        if why[number]:
            continue
        key = (food_class_of(food), food.state, "frozen" in food.description.lower())
        if key not in cooked:  # what cooking retains is the same for all of a class
            cooking, _, problem = search.cook(food)
            cooked[key] = cooking, problem
        found, problem = cooked[key]
        try:
            grams[number], _ = swapped_grams(
                release, search.stated.amount, search.stated.weighed, line.food, food, line.edible_g, search.same
            )
        except SwaptableError as error:
            problem = problem or str(error)
        why[number] = problem
        if found is not None:
            shares[number] = found.factor_for(components)
    return shares, grams, why


def _screened_serving(
    search: Search, values: pd.DataFrame, grams: np.ndarray, parts: Sequence[str]
) -> tuple[float, np.ndarray]:
    """Give an amount per serving as written, and with each food in place of the ingredient."""
    amounts, line = search.amounts, search.line
    batch = float(amounts.data["per_batch"].sel(component=list(parts)).sum())
    own = line_values(line, amounts.grid.release)[list(parts)]
    gone = float(own.sum()) * line.edible_g / 100
    brought = values[list(parts)].sum(axis=1, skipna=False).to_numpy() * grams / 100
    servings = amounts.recipe.servings
    return batch / servings, (batch - gone + brought) / servings


def ranked(screened: pd.DataFrame) -> pd.DataFrame:
    """Order what fits: the best of each kind, with how many more of its kind there are (``others_alike``)."""
    fits = screened[screened["why_not"] == ""].sort_values(["unknown", "score"], ascending=[True, False], kind="stable")
    alike = fits.groupby("kind")["food"].transform("size") - 1
    return fits.assign(others_alike=alike).drop_duplicates("kind")
