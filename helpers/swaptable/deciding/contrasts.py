"""What each choice does: effects, interactions, and shares of a difference that add up exactly.

Each of them is a weighted sum of the variants' values, so that it is exact on the grid, and its standard error is that
of the sum: what the variants share cancels.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, product

import numpy as np
import pandas as pd
import xarray as xr

from swaptable.amounts.cost import Price
from swaptable.amounts.nutrients import Amounts
from swaptable.amounts.variants import Grid
from swaptable.deciding.decide import Decision
from swaptable.deciding.yardsticks import DENSITY, Measured, Yardstick, line_amounts
from swaptable.foods.reference import Z
from swaptable.judging.verdicts import LEVEL

__all__ = [
    "Explained",
    "effect_table",
    "explain",
    "ingredient_shares",
    "interaction_table",
    "order_weights",
    "swap_shares",
]

MOST_SHARED = 14  # changes whose orders are all counted: 2^14 mixtures
TOGETHER = "all together"
NOISE = 1e-12  # relative: what floating point may add


@dataclass(frozen=True, eq=False)
class Explained:
    """What a decision's choices do, and where its difference comes from.

    Attributes
    ----------
    label : str
        The variant that is explained: the one ranked first or, where that is the recipe as written, the next.
    effects, interactions : DataFrame
        From :func:`effect_table` and :func:`interaction_table`, of every measure of the decision.
    swaps, ingredients : DataFrame
        From :func:`swap_shares` and :func:`ingredient_shares`, the same.
    """

    label: str
    effects: pd.DataFrame
    interactions: pd.DataFrame
    swaps: pd.DataFrame
    ingredients: pd.DataFrame


def explain(decision: Decision) -> Explained:
    """Find what each choice does, and what each swap and ingredient has in the difference from as written.

    Parameters
    ----------
    decision : Decision

    Returns
    -------
    Explained
        Every table with ``measure``, ``unit`` and ``basis`` in front; the objective comes first.

    Examples
    --------
    >>> import swaptable as st
    >>> decision = st.decide_recipe("barley_pot", "blood_pressure", ["sodium <= 300 mg"], draws=100)
    >>> explained = explain(decision)
    >>> explained.label
    'sweet potato + water + no salt'
    >>> sodium = explained.swaps[explained.swaps["measure"] == "Sodium"].set_index("option")["share"]
    >>> sodium.round(-1).to_dict()  # mg per serving
    {'sweet potato': 40.0, 'water': -680.0, 'no salt': -190.0}
    """
    grid = decision.amounts.grid
    label = str(next((name for name in decision.ranking["variant"] if name != grid.labels[0]), grid.labels[0]))
    parts: dict[str, list[pd.DataFrame]] = {"effects": [], "interactions": [], "swaps": [], "ingredients": []}
    for one, known in decision.measured.items():
        tables = {
            "effects": effect_table(known, grid),
            "interactions": interaction_table(known, grid),
            "swaps": swap_shares(known, grid, label).assign(variant=label),
            "ingredients": ingredient_shares(one, decision.amounts, label, decision.prices).assign(variant=label),
        }
        for name, table in tables.items():
            for place, (column, word) in enumerate({"measure": one.name, "unit": one.unit, "basis": one.basis}.items()):
                table.insert(place, column, f"per {word}" if column == "basis" else word)
            parts[name].append(table)
    return Explained(label, **{name: pd.concat(tables, ignore_index=True) for name, tables in parts.items()})


def _places(grid: Grid, known: np.ndarray) -> np.ndarray:
    """Give the place of each variant over the choices; -1 where it is excluded or its value not known."""
    place = np.full([len(options) for options in grid.choices.values()], -1)
    allowed = np.asarray(grid.allowed.transpose(*grid.choices), dtype=bool)
    place[allowed] = np.where(known, np.arange(len(known)), -1)
    return place


def _means(weights: np.ndarray, signed: Sequence[tuple[np.ndarray, int]]) -> int:
    """Put the mean of a signed sum of variants into a row of weights, over what is there in all; count that."""
    there = np.all([place >= 0 for place, _ in signed], axis=0)
    count = int(there.sum())
    for place, sign in signed:
        np.add.at(weights, place[there], sign / max(count, 1))
    return count


def _contrast_columns(measured: Measured, weights: np.ndarray, counts: Sequence[int], name: str) -> pd.DataFrame:
    """Give value, standard error and 90 % interval of contrasts; NaN where no combination allows one."""
    some = np.array(counts) > 0
    values = np.nan_to_num(measured.value)
    sums, errors = weights @ values, measured.contrast_errors(weights)
    noise = NOISE * np.abs(values).max(initial=0.0)  # what is left of equal numbers taken from each other
    value = np.where(some, np.where(np.abs(sums) > noise, sums, 0.0), np.nan)
    error = np.where(some, np.where(errors > noise, errors, 0.0), np.nan)
    low, high = value - Z[LEVEL] * error, value + Z[LEVEL] * error
    real = (low > 0) | (high < 0)
    return pd.DataFrame(
        {name: value, "standard_error": error, "low_90": low, "high_90": high, "real": real, "combinations": counts}
    )


def effect_table(measured: Measured, grid: Grid) -> pd.DataFrame:
    """Find what each option changes, on average over all other choices, and how sure that is.

    Parameters
    ----------
    measured : Measured
    grid : Grid

    Returns
    -------
    DataFrame
        One row per choice and option other than the first: ``choice``, ``option``, ``instead_of``, ``effect`` (mean
        difference over the combinations of the other choices in which both options are allowed),
        ``standard_error``, ``low_90``, ``high_90``, ``real`` (whether that interval leaves 0 out) and
        ``combinations``, how many there are. All in the unit of the yardstick.
    """
    place = _places(grid, np.isfinite(measured.value))
    named = [
        (axis, choice, number) for axis, choice in enumerate(grid.choices) for number in range(1, place.shape[axis])
    ]
    weights = np.zeros((len(named), len(measured.value)))
    counts = [
        _means(row, [(place.take(number, axis), 1), (place.take(0, axis), -1)])
        for row, (axis, _, number) in zip(weights, named, strict=True)
    ]
    names = [(choice, grid.choices[choice][number], grid.choices[choice][0]) for _, choice, number in named]
    table = pd.DataFrame(names, columns=["choice", "option", "instead_of"])
    return table.join(_contrast_columns(measured, weights, counts, "effect"))


def interaction_table(measured: Measured, grid: Grid) -> pd.DataFrame:
    """Find how far two options together do more, or less, than each of them alone.

    Parameters
    ----------
    measured : Measured
    grid : Grid

    Returns
    -------
    DataFrame
        One row per pair of options of two choices, neither the first of its choice: ``choice``, ``option``,
        ``with_choice``, ``with_option``, ``interaction`` (mean over the other choices of: both changed, less each
        changed alone, plus neither), ``standard_error``, ``low_90``, ``high_90``, ``real`` and ``combinations``; 0
        and NaN where the two, or one of them alone, are never allowed.
    """
    place = _places(grid, np.isfinite(measured.value))
    names, weights, counts = [], [], []
    for (axis, choice), (other_axis, other) in combinations(enumerate(grid.choices), 2):
        options, others = grid.choices[choice], grid.choices[other]
        for one, two in product(range(1, len(options)), range(1, len(others))):

            def at(first: int, second: int, axis: int = axis, other_axis: int = other_axis) -> np.ndarray:
                return place.take(second, other_axis).take(first, axis)  # the later axis goes first

            row = np.zeros(len(measured.value))
            counts.append(_means(row, [(at(one, two), 1), (at(one, 0), -1), (at(0, two), -1), (at(0, 0), 1)]))
            weights.append(row)
            names.append((choice, options[one], other, others[two]))
    table = pd.DataFrame(names, columns=["choice", "option", "with_choice", "with_option"])
    stacked = np.array(weights).reshape(len(weights), len(measured.value))
    return table.join(_contrast_columns(measured, stacked, counts, "interaction"))


def order_weights(allowed: np.ndarray) -> np.ndarray | None:
    """Weigh every mixture of changes so that the shares of the changes add up to the whole difference.

    Parameters
    ----------
    allowed : ndarray of bool
        For each of the 2ⁿ mixtures, numbered by the bits of the changes that it holds, whether it can be.

    Returns
    -------
    ndarray or None
        Changes × mixtures: the share of a change is the sum of the values so weighed, which is the mean of what it
        adds over all orders in which the changes can be made one by one (Shapley 1953, A value for n-person games).
        Where some mixtures cannot be, only orders that avoid them count. None where no order does.

    Examples
    --------
    >>> order_weights(np.array([True, True, True, True])).tolist()
    [[-0.5, 0.5, -0.5, 0.5], [-0.5, -0.5, 0.5, 0.5]]
    """
    size = len(allowed)
    count = size.bit_length() - 1
    mixtures = np.arange(size)
    bits = [1 << change for change in range(count)]
    level = np.array([mixture.bit_count() for mixture in range(size)])
    ways_to, ways_from = np.zeros(size), np.zeros(size)
    ways_to[0] = ways_from[-1] = 1.0
    for done in range(1, count + 1):
        at = mixtures[(level == done) & allowed]
        ways_to[at] = sum((np.where(at & bit, ways_to[at & ~bit], 0.0) for bit in bits), np.zeros(len(at)))
    for done in range(count - 1, -1, -1):
        at = mixtures[(level == done) & allowed]
        ways_from[at] = sum((np.where(at & bit, 0.0, ways_from[at | bit]) for bit in bits), np.zeros(len(at)))
    if ways_to[-1] == 0:
        return None
    weights = np.zeros((count, size))
    for change, bit in enumerate(bits):
        before = mixtures[(mixtures & bit) == 0]
        steps = ways_to[before] * ways_from[before | bit] / ways_to[-1]
        weights[change, before] -= steps
        weights[change, before | bit] += steps
    return weights


def swap_shares(measured: Measured, grid: Grid, label: str) -> pd.DataFrame:
    """Share the difference between a variant and the recipe as written out among its swaps.

    Parameters
    ----------
    measured : Measured
    grid : Grid
    label : str
        Of an allowed variant.

    Returns
    -------
    DataFrame
        One row per changed choice: ``choice``, ``option``, ``instead_of``, ``share``, in the unit of the yardstick,
        ``standard_error``, ``low_90``, ``high_90`` and ``real``. Shares add up to the difference: each is the mean of
        what the swap adds over all allowed orders of making the swaps. Where they can only be made together, one row
        has all.
    """
    target = grid.variants()[grid.labels.index(label)]
    changed = [choice for choice, option in target.items() if option != grid.choices[choice][0]]
    place = _places(grid, np.isfinite(measured.value))
    mixtures = np.empty(1 << len(changed), dtype=int)
    for number in range(len(mixtures)):
        at = tuple(
            options.index(target[choice]) if choice in changed and number >> changed.index(choice) & 1 else 0
            for choice, options in grid.choices.items()
        )
        mixtures[number] = place[at]
    names = [(choice, target[choice], grid.choices[choice][0]) for choice in changed]
    by_mixture = order_weights(mixtures >= 0) if changed else np.zeros((0, 1))
    if by_mixture is None:
        names = [(TOGETHER, label, grid.labels[0])]
        by_mixture = np.zeros((1, len(mixtures)))
        by_mixture[0, 0], by_mixture[0, -1] = -1.0, 1.0
    weights = np.zeros((len(names), len(measured.value)))
    for mixture, row in enumerate(mixtures):
        if row >= 0:
            weights[:, row] += by_mixture[:, mixture]
    ends = np.isfinite(measured.value[[mixtures[0], mixtures[-1]]]).all() and (mixtures[[0, -1]] >= 0).all()
    table = pd.DataFrame(names, columns=["choice", "option", "instead_of"])
    columns = _contrast_columns(measured, weights, [int(ends)] * len(names), "share")
    return table.join(columns.drop(columns="combinations"))


def ingredient_shares(
    yardstick: Yardstick, amounts: Amounts, label: str, prices: Mapping[str, Price] | None = None
) -> pd.DataFrame:
    """Share the difference between a variant and the recipe as written out among its ingredients.

    Parameters
    ----------
    yardstick : Yardstick
    amounts : Amounts
        With cost, where that is the yardstick.
    label : str
        Of an allowed variant.
    prices : mapping of Price, optional

    Returns
    -------
    DataFrame
        One row per ingredient that brings a different amount: ``ingredient``, ``as_written``, ``amount`` (NaN for
        nutrient density, which no ingredient has of its own) and ``share`` of the difference, which add up. Of
        density, the share is the mean of what the ingredient's change adds over all orders of changing them.
    """
    grid = amounts.grid
    variant = grid.variants()[grid.labels.index(label)]
    tags = yardstick.components
    tables = line_amounts(amounts, tags, prices)

    def of(options: Mapping[str, str]) -> pd.DataFrame:
        rows = {
            name: table.sel({choice: options[choice] for choice in grid.own_choices(name)}).to_numpy()
            for name, table in tables.items()
        }
        return pd.DataFrame.from_dict(rows, orient="index", columns=tags)

    written, chosen = of(grid.as_written), of(variant)
    if yardstick.tag == DENSITY:
        step = chosen.fillna(0) - written.fillna(0)
        step = step[(step != 0).any(axis=1)]
        shares = _density_shares(yardstick, amounts, step)
        return pd.DataFrame({"ingredient": list(step.index), "as_written": np.nan, "amount": np.nan, "share": shares})
    scaled = []
    for table, options in ((written, grid.as_written), (chosen, variant)):
        at = {**options, "component": yardstick.tag}
        total = float(amounts.data["per_batch"].sel(at))
        scale = float(amounts.per(yardstick.basis).sel(at)) / total if total else 1.0
        scaled.append(table[yardstick.tag] * scale)
    shares = scaled[1].fillna(0) - scaled[0].fillna(0)
    result = pd.DataFrame({"as_written": scaled[0], "amount": scaled[1], "share": shares})
    moved = shares.abs() > NOISE * result[["as_written", "amount"]].abs().max(axis=None)
    return result[moved].rename_axis("ingredient").reset_index()


def _density_shares(yardstick: Yardstick, amounts: Amounts, step: pd.DataFrame) -> np.ndarray:
    """Share a difference in density out among ingredients, by the density of every mixture of old and new ones."""
    grid = amounts.grid
    if len(step) > MOST_SHARED:
        return np.full(len(step), np.nan)
    held = np.array([[number >> place & 1 for place in range(len(step))] for number in range(1 << len(step))])
    data = amounts.data.sel(component=list(step.columns)).sel(grid.as_written, drop=True)
    mixed = data["per_batch"] + xr.DataArray(held @ step.to_numpy(), dims=["mixture", "component"])
    whole = data["valued_share"].broadcast_like(mixed)
    density = yardstick.values(replace(amounts, data=data.assign(per_batch=mixed, valued_share=whole))).to_numpy()
    weights = order_weights(np.isfinite(density))
    return np.full(len(step), np.nan) if weights is None else weights @ np.nan_to_num(density)
