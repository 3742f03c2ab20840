"""What if one thing is wrong: a weight, a match, a yield; and what if variants are compared on another basis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr

from swaptable.amounts.nutrients import Amounts, compute
from swaptable.amounts.recipes import Recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import InputError
from swaptable.deciding.decide import Decision, ranked
from swaptable.deciding.wants import judge_wants
from swaptable.deciding.yardsticks import (
    COST,
    DENSITY,
    Measured,
    Yardstick,
    amounts_of,
    measure,
    with_cost,
    yardstick_named,
)
from swaptable.foods.reference import Z
from swaptable.foods.release import Food, FoodRelease
from swaptable.foods.search import find_foods
from swaptable.judging.verdicts import LEVEL, Verdict

__all__ = ["BASES_COMPARED", "WRONG_BY", "Doubts", "compare_bases", "find_doubts", "wrong_one_by_one"]

WRONG_BY = 0.20  # of a weight or a yield
NEXT_FOODS = 12  # how far to look for the next similar food
SIMILAR = 0.35  # score of a search below which nobody takes one food for the other, nor any branded one; judgement
SERVED, SAME_WEIGHT, SAME_ENERGY = "a serving", "servings of equal weight", "servings of equal energy"
SWAP_RULES = {f"swaps at equal {rule}": rule for rule in ("weight", "volume", "energy")}
BASES_COMPARED = (SERVED, SAME_WEIGHT, SAME_ENERGY, *SWAP_RULES)


@dataclass(frozen=True, eq=False)
class Doubts:
    """What a decision hangs on.

    Attributes
    ----------
    wrongs : DataFrame
        From :func:`wrong_one_by_one`.
    bases : DataFrame
        From :func:`compare_bases`.
    """

    wrongs: pd.DataFrame
    bases: pd.DataFrame


def find_doubts(decision: Decision) -> Doubts:
    """Find what one wrong thing, or another basis, would change in a decision.

    Parameters
    ----------
    decision : Decision

    Returns
    -------
    Doubts
        ``wrongs`` and ``bases``, in the units of the decision's measures.

    Examples
    --------
    >>> import swaptable as st
    >>> decision = st.decide_recipe("barley_pot", "blood_pressure", ["sodium <= 300 mg"], draws=100)
    >>> doubts = find_doubts(decision)
    >>> bool(doubts.wrongs["surely_changes"].any()), bool(doubts.bases["verdict_changes"].any())
    (False, False)
    """
    return Doubts(wrong_one_by_one(decision), compare_bases(decision))


@dataclass(frozen=True, eq=False)
class _Wrong:
    """One thing that may be wrong, and what it does to the batch."""

    kind: str
    ingredient: str
    food: str
    what: str
    brought: xr.DataArray  # own choices × component
    cooked_g: xr.DataArray  # own choices


def _similar(food: Food, release: FoodRelease) -> Food | None:
    """Find the food that a search for this one's own name finds next, in the same group and state."""
    for hit in find_foods(food.description, release, NEXT_FOODS, group=food.food_group):
        other = release.food(hit.code)
        if other.code != food.code and other.state == food.state and hit.score >= SIMILAR:
            return other
    return None


def _things(decision: Decision, tags: Sequence[str]) -> list[_Wrong]:
    """List everything that may be wrong, one at a time: each food of each ingredient."""
    amounts, prices = decision.amounts, decision.prices
    grid = amounts.grid
    estimated = amounts.recipe.cooked_weight is None
    of_cost = np.array([tag == COST for tag in tags])
    found: list[_Wrong] = []
    for name, lines in grid.lines.items():
        own = {choice: list(grid.choices[choice]) for choice in grid.own_choices(name)}
        for code in dict.fromkeys(line.food.code for line in lines.values()):
            held = {options: line for options, line in lines.items() if line.food.code == code}
            food = next(iter(held.values())).food
            brought = xr.DataArray(
                np.zeros([*(len(labels) for labels in own.values()), len(tags)]),
                coords={**own, "component": list(tags)},
            )
            cooked = xr.DataArray(np.zeros([len(labels) for labels in own.values()]), coords=own)
            other_food = _similar(food, grid.release)
            swapped = brought.copy()
            for options, line in held.items():
                at = dict(options)
                values = np.nan_to_num(amounts_of(line, amounts, tags, prices))
                brought.loc[at] = values
                cooked.loc[at] = line.edible_g * line.cooking.yield_factor if estimated else 0.0
                if other_food is not None:
                    other = amounts_of(replace(line, food=other_food), amounts, tags, prices)
                    swapped.loc[at] = np.where(np.isnan(other) | of_cost, 0.0, other - values)
            none, stays = xr.zeros_like(brought), xr.zeros_like(cooked)
            for sign, word in ((1, "more"), (-1, "less")):
                by, told = sign * WRONG_BY, f"{100 * WRONG_BY:.0f} % {word}"
                found.append(_Wrong("weight", name, food.description, told, by * brought, by * cooked))
                found.append(_Wrong("yield", name, food.description, told, none, by * cooked))
            if other_food is not None:
                found.append(_Wrong("match", name, food.description, other_food.description, swapped, stays))
    if not estimated:
        nothing = xr.DataArray(np.zeros(len(tags)), coords={"component": list(tags)})
        for sign, word in ((1, "heavier"), (-1, "lighter")):
            told = f"{100 * WRONG_BY:.0f} % {word}"
            found.append(_Wrong("weighed dish", "", "", told, nothing, sign * WRONG_BY * amounts.data["cooked_g"]))
    return found


def wrong_one_by_one(decision: Decision) -> pd.DataFrame:
    """Change one thing at a time and see what becomes of the best variant.

    Parameters
    ----------
    decision : Decision

    Returns
    -------
    DataFrame
        One row per thing and measure: ``kind`` (``weight``, ``yield`` or ``weighed dish`` 20 % off; ``match``: the next
        similar food instead, weighed and cooked alike), ``ingredient``, ``food``, ``what``, ``measure``, ``unit``,
        ``basis``, ``as_written_change`` and ``best_change`` (what it changes in the recipe as written and in the
        variant ranked first), ``verdicts_then`` (of that variant, where they change), ``best_then`` (which variant
        would be first), ``best_changes`` and ``surely_changes`` (whether the two really differ in the objective, or in
        the verdict of all wants). Standard errors and the foods' gaps are taken as they were.

    Notes
    -----
    A yield, or the scale that weighed the dish, changes weights as eaten, so nothing per serving or per 100 kcal; a
    dish that was weighed stays as heavy whatever its yields. Where a similar food has no value or price of its own,
    that of the food it stands for is kept.
    """
    amounts, grid = decision.amounts, decision.amounts.grid
    shown = dict.fromkeys([yardstick_named("least sodium", amounts), _density(amounts), decision.objective])
    measured = {one: decision.measured.get(one) or measure(one, amounts) for one in [*shown, *decision.measured]}
    tags = list(dict.fromkeys(tag for one in measured for tag in [*one.components, "ENERC_KCAL"]))
    lean = replace(amounts, data=amounts.data.sel(component=tags))
    changes = _changes(decision)
    first = grid.labels.index(str(decision.best["variant"]))
    before, misses = judge_wants(decision.wants, {one: known.value for one, known in measured.items()}, measured)
    labels = np.array(grid.labels)
    rows = []
    for wrong in _things(decision, tags):
        batch = lean.data["per_batch"] + wrong.brought.broadcast_like(lean.data["per_batch"])
        moved = lean.data.assign(
            per_batch=batch.transpose(*lean.data["per_batch"].dims), cooked_g=lean.data["cooked_g"] + wrong.cooked_g
        )
        values = {one: grid.listed(one.values(replace(lean, data=moved))) for one in measured}
        verdicts, misses = judge_wants(decision.wants, values, measured)
        goal = replace(measured[decision.objective], value=values[decision.objective])
        place = int(ranked(goal.gain, verdicts, misses, changes, _flagged(decision))[0])
        then = labels[place]
        flipped = [
            f"{want.text}: {Verdict(int(now)).word}"
            for want, was, now in zip(decision.wants, before[:, first], verdicts[:, first], strict=True)
            if Verdict(int(was)).word != Verdict(int(now)).word
        ]
        for one in shown:
            apart = values[one] - measured[one].value
            rows.append({
                "kind": wrong.kind, "ingredient": wrong.ingredient, "food": wrong.food, "what": wrong.what,
                "measure": one.name, "unit": one.unit, "basis": f"per {one.basis}", "as_written_change": apart[0],
                "best_change": apart[first], "verdicts_then": "; ".join(flipped), "best_then": then,
                "best_changes": place != first, "surely_changes": bool(_surely_behind(goal, verdicts, place)[first]),
            })  # fmt: skip
    return pd.DataFrame(rows)


def _surely_behind(goal: Measured, verdicts: np.ndarray, ahead: int) -> np.ndarray:
    """Tell which variants one really stands before: in the verdict of all wants, or in the objective."""
    level = verdicts.min(axis=0, initial=int(Verdict.MET))
    unsure = (level != Verdict.MET) & (level != Verdict.NOT_MET)
    word = np.where(unsure, int(Verdict.GAPS), level)
    real = goal.gain[ahead] - goal.gain > Z[LEVEL] * goal.difference_errors([ahead])[:, 0]
    behind: np.ndarray = (word != word[ahead]) | real
    return behind


def _density(amounts: Amounts) -> Yardstick:
    return yardstick_named(DENSITY, amounts)


def _flagged(decision: Decision) -> np.ndarray:
    """Tell against which variants a concern of the class speaks, in the grid's order."""
    concerns = decision.ranking.set_index("variant")["concerns_of_class"].reindex(decision.amounts.grid.labels)
    return np.asarray(concerns != "")


def _changes(decision: Decision) -> np.ndarray:
    table = decision.ranking.set_index("variant")["changes"]
    return table.reindex(decision.amounts.grid.labels).to_numpy()


def _with_swaps(recipe: Recipe, rule: str, decision: Decision) -> tuple[Recipe, list[str]]:
    """Let every option that replaces a food keep the same thing equal; say where that cannot be."""
    refused = []
    for choice, options in recipe.choices.items():
        for option, changes in options.items():
            for name, patch in changes.patches.items():
                if patch.food is None or patch.amount is not None:
                    continue
                patches = {**changes.patches, name: patch.model_copy(update={"same": rule})}
                option_now = recipe.choices[choice][option].model_copy(update={"patches": patches})
                choices = {**recipe.choices, choice: {**recipe.choices[choice], option: option_now}}
                changed = recipe.model_copy(update={"choices": choices})
                try:
                    build_grid(changed, decision.amounts.grid.release, decision.amounts.grid.factors)
                except InputError:
                    refused.append(f"{option} cannot be of equal {rule} and was kept by {patch.same or 'weight'}")
                else:
                    recipe = changed
    return recipe, refused


def compare_bases(decision: Decision) -> pd.DataFrame:
    """Ask the same question on other bases, to see whether the answer depends on what is called equal.

    Parameters
    ----------
    decision : Decision

    Returns
    -------
    DataFrame
        One row per basis and variant: ``basis`` (of :data:`BASES_COMPARED`), ``variant``, ``rank``, ``rank_change``
        from a serving as the recipe has it, ``surely_behind`` (whether the first really differs from it, in the
        objective or in the verdict of all wants), ``objective`` (its amount), ``wants`` (the verdict of all wants
        together), ``verdicts`` (of each), ``verdict_changes`` and ``note``: which swaps could not be made equal.

    Notes
    -----
    Servings of equal weight, or of equal energy, are as heavy, or give as much energy, as one of the recipe as
    written: variants stand in the order that they have per 100 g, or per 100 kcal, and a limit per serving means what
    it says. What the weight or the energy of the recipe as written is unsure of is not counted again.
    """
    amounts, grid = decision.amounts, decision.amounts.grid
    objective = decision.objective
    goal = objective if objective.tag == DENSITY else replace(objective, basis="serving")
    asked = list(dict.fromkeys([goal, *(want.yardstick for want in decision.wants)]))
    own = {one: decision.measured.get(one) or measure(one, amounts) for one in asked}
    written = amounts.data.sel(grid.as_written)
    servings = amounts.recipe.servings
    found = {SERVED: (own, "")}
    per = {
        SAME_WEIGHT: ("100 g", float(written["cooked_g"]) / servings / 100),
        SAME_ENERGY: ("100 kcal", float(written["per_batch"].sel(component="ENERC_KCAL")) / servings / 100),
    }
    for name, (basis, size) in per.items():
        found[name] = ({one: _sized(one, basis, size, amounts, own[one]) for one in asked}, "")
    for name, rule in SWAP_RULES.items():
        recipe, refused = _with_swaps(amounts.recipe, rule, decision)
        swapped = compute(build_grid(recipe, grid.release, grid.factors))
        swapped = with_cost(swapped, decision.prices) if decision.prices else swapped
        note = f"{'; '.join(refused)}." if refused else ""
        found[name] = ({one: measure(one, swapped) for one in asked}, note)
    return _bases_table(decision, goal, found)


def _sized(one: Yardstick, basis: str, size: float, amounts: Amounts, known: Measured) -> Measured:
    """Measure a yardstick on servings of another size; what is not per serving stays."""
    if one.basis != "serving":
        return known
    per = measure(replace(one, basis=basis), amounts)
    return replace(per, yardstick=one, value=per.value * size, changes=per.changes * size, own=per.own * size)


def _bases_table(
    decision: Decision, goal: Yardstick, found: Mapping[str, tuple[Mapping[Yardstick, Measured], str]]
) -> pd.DataFrame:
    labels, changes = decision.amounts.grid.labels, _changes(decision)
    parts = []
    for basis, (measured, note) in found.items():
        verdicts, misses = judge_wants(decision.wants, {one: known.value for one, known in measured.items()}, measured)
        order = ranked(measured[goal].gain, verdicts, misses, changes, _flagged(decision))
        behind = _surely_behind(measured[goal], verdicts, int(order[0]))
        rank = np.empty(len(labels), dtype=int)
        rank[order] = np.arange(1, len(labels) + 1)
        together = verdicts.min(axis=0, initial=int(Verdict.MET))
        told = [
            "; ".join(f"{w.text}: {Verdict(int(v)).word}" for w, v in zip(decision.wants, column, strict=True))
            for column in verdicts.T
        ]
        parts.append(
            pd.DataFrame(
                {
                    "basis": basis,
                    "variant": labels,
                    "rank": rank,
                    "surely_behind": behind,
                    "objective": measured[goal].value,
                    "wants": [Verdict(int(each)).word for each in together] if decision.wants else "",
                    "verdicts": told,
                    "note": note,
                }
            )
        )
    first = parts[0]
    for part in parts:
        part.insert(3, "rank_change", part["rank"] - first["rank"])
        part.insert(8, "verdict_changes", part["verdicts"] != first["verdicts"])
    return pd.concat(parts, ignore_index=True)
