"""How much: amounts of chosen ingredients, within bounds, that reach targets; a linear programme.

What a serving holds is linear in the amounts as long as each ingredient keeps its retention and its yield. These are
held fixed; the result is computed anew as any recipe is, and its table shows those numbers.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from swaptable.amounts.certainty import certainty_of
from swaptable.amounts.chosen import as_recipe, variant_named
from swaptable.amounts.cost import Price, cost_table, read_prices
from swaptable.amounts.nutrients import WHOLE_SHARE, Amounts, compute
from swaptable.amounts.recipes import AS_WRITTEN, Option, Patch, Recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import SwaptableError
from swaptable.basics.folders import find_file
from swaptable.basics.units import Amount
from swaptable.deciding.amount_findings import CHANGE, TIGHT, prices_of_targets, sentences_on
from swaptable.deciding.amount_programme import Model, Programme, Solution
from swaptable.deciding.amount_words import COST, WEIGHT, Target, Varied, read_target, read_varied
from swaptable.foods.cooking_factors import FACTORS
from swaptable.foods.reference import Z, component_named
from swaptable.judging.study import GAPS, compute_recipe
from swaptable.judging.verdicts import LEVEL, Verdict, judge_listed

__all__ = ["Plan", "find_amounts"]

ADJUSTED, MOST_ROUNDS = "adjusted", 12
AMOUNTS = "amounts"  # the choice that the adjusted amounts stand in


@dataclass(frozen=True, eq=False)
class Plan:
    """What amounts were found.

    Attributes
    ----------
    title : str
    variant : str
        Label of the variant that was adjusted.
    feasible : bool
        Whether the amounts reach all targets.
    objective : str
        As asked for.
    ingredients : DataFrame
        One row per varied ingredient: ``before_g`` and ``after_g`` as the recipe weighs it, ``change_percent``, the
        bounds ``least_g`` and ``most_g``, and ``at_bound``.
    targets : DataFrame
        One row per target: ``before`` and ``after`` per ``basis`` as computed anew, ``limit``, ``missed_by`` (0: it is
        reached), ``verdict`` with the interval, ``binds``, and ``price``: what 1 % more room would bring, in words.
    conflict : tuple of str
        Targets that cannot be reached together within the bounds; empty where all can.
    sentences : tuple of str
        What was found, in plain words.
    yaml : str
        The option to paste under a choice of the recipe.
    amounts : Amounts
        The variant as it is and adjusted, computed in full.
    """

    title: str
    variant: str
    feasible: bool
    objective: str
    ingredients: pd.DataFrame
    targets: pd.DataFrame
    conflict: tuple[str, ...]
    sentences: tuple[str, ...]
    yaml: str
    amounts: Amounts

    @property
    def table(self) -> pd.DataFrame:
        """Ingredients, then targets, as one tidy table."""
        ingredients = self.ingredients.rename(
            columns={"ingredient": "name", "before_g": "before", "after_g": "after", "at_bound": "binds"}
        ).assign(row="ingredient", unit="g", basis="batch")
        targets = self.targets.rename(columns={"target": "name"}).assign(row="target")
        columns = [
            "row", "name", "before", "after", "unit", "basis", "change_percent", "least_g", "most_g", "limit",
            "missed_by", "verdict", "binds", "price",
        ]  # fmt: skip
        return pd.concat(
            [part.reindex(columns=columns).astype(object) for part in (ingredients, targets)], ignore_index=True
        )


def _adjusted(recipe: Recipe, varied: Sequence[Varied], x: np.ndarray, before: Amounts) -> Amounts:
    """Compute the recipe with the new amounts as an option, through the pipeline of every recipe."""
    patches = {
        each.name: Patch.model_validate({"amount": Amount(each.line.edible_g * share / each.per_stated, "g")})
        for each, share in zip(varied, x, strict=True)
        if abs(share - 1) > TIGHT
    }
    options = {AS_WRITTEN: Option.model_validate(AS_WRITTEN), ADJUSTED: Option.model_validate(patches)}
    found = recipe.model_copy(update={"choices": {AMOUNTS: options}})
    return compute(build_grid(found, before.grid.release, before.grid.factors))


def _target_table(amounts: Amounts, targets: Sequence[Target], prices: Mapping[str, Price]) -> pd.DataFrame:
    """Read every target off the computed recipe, as it is and adjusted, with its verdict."""
    grid, rows = amounts.grid, []
    servings = amounts.recipe.servings
    for target in targets:
        error, whole = np.zeros(2), np.ones(2, dtype=bool)
        if target.what == COST:
            value = cost_table(grid, prices)["cost_per_serving"].to_numpy()
        elif target.what == WEIGHT:
            value, error = (grid.listed(amounts.data[name]) / servings for name in ("cooked_g", "cooked_sd_g"))
        else:
            known = certainty_of(amounts, target.basis)
            value, error = (grid.listed(each.sel(component=target.what)) for each in (known.amount, known.error))
            whole = (
                grid.listed(amounts.share_per(target.basis, "valued_share").sel(component=target.what)) > WHOLE_SHARE
            )
        verdict = Verdict(int(judge_listed(value[1], error[1], target.operator, target.limit, whole[1])))
        excess = (value[1] - target.limit) * (1 if target.operator == "<=" else -1)
        rows.append(
            {
                "target": target.words, "component": target.what, "operator": target.operator, "limit": target.limit,
                "unit": target.unit, "basis": target.basis, "before": value[0], "after": value[1],
                "standard_error": error[1], "whole": bool(whole[1]),
                "missed_by": excess if excess > TIGHT * max(abs(target.limit), 1e-12) else 0.0,
                "verdict": verdict.word, "why": verdict.why,
            }
        )  # fmt: skip
    columns = [
        "target", "component", "operator", "limit", "unit", "basis", "before", "after", "standard_error", "whole",
        "missed_by", "verdict", "why",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def _objective(words: str, model: Model, units: pd.Series) -> tuple[np.ndarray, str, float, str]:
    """Read what is to be least or most: cost of the amounts, what it is, and its size and unit per serving now."""
    found = re.fullmatch(r"(least|most) (.+)", words.strip())
    if found is None or (found[2] == CHANGE and found[1] == "most"):
        raise SwaptableError(
            f"found objective '{words}'; expected least change, least cost, least sodium, most fibre ..."
        )
    if found[2] == CHANGE:
        return np.zeros(len(model.varied)), CHANGE, 1.0, ""
    what = COST if found[2] == COST else component_named(found[2], list(units.index))
    unit = next((price.currency for price in model.prices.values()), "") if what == COST else str(units[what])
    if what == COST and not unit:
        raise SwaptableError(f"found objective '{words}', but nothing is priced; give a price file")
    rest, slopes = model.batch(what)
    now = rest + slopes.sum()
    size = now if now > 0 else 1.0
    return (1 if found[1] == "least" else -1) * slopes / size, what, size / model.amounts.recipe.servings, unit


def _ingredient_table(varied: Sequence[Varied], x: np.ndarray) -> pd.DataFrame:
    rows = []
    for each, share in zip(varied, x, strict=True):
        grams = each.line.edible_g * share
        near = TIGHT * max(each.high, each.line.edible_g)
        at = "least" if grams - each.low <= near else "most" if each.high - grams <= near else ""
        rows.append(
            {
                "ingredient": each.name, "food": each.line.food.description,
                "before_g": each.line.edible_g / each.per_stated, "after_g": grams / each.per_stated,
                "change_percent": 100 * (share - 1), "least_g": each.low / each.per_stated,
                "most_g": each.high / each.per_stated, "at_bound": at,
            }
        )  # fmt: skip
    columns = ["ingredient", "food", "before_g", "after_g", "change_percent", "least_g", "most_g", "at_bound"]
    return pd.DataFrame(rows, columns=columns)


def _half_to_double(amounts: Amounts) -> list[str]:
    """Bound every ingredient by half and double of what the recipe holds, weighed as it weighs it."""
    bounds = []
    for name, ingredient in amounts.recipe.ingredients.items():
        line = amounts.grid.line(name, {})
        if line is not None and line.edible_g > 0:
            grams = line.purchased_g if ingredient.weighed == "as purchased" else line.edible_g
            bounds.append(f"{name} {grams / 2:.10g} to {2 * grams:.10g} g")
    return bounds


def find_amounts(
    recipe: str | Path,
    vary: Sequence[str],
    want: Sequence[str],
    *,
    objective: str = "least change",
    variant: str = "",
    surely: bool = False,
    release: str | Path = "current",
    prices: str | Path = "",
    factors: str = FACTORS[0],
    gaps: str = GAPS[0],
) -> Plan:
    """Find amounts of some ingredients, within bounds, with which a serving reaches its targets.

    Parameters
    ----------
    recipe : str or Path
        File, or the name of one in ``data/recipes/``.
    vary : sequence of str
        Ingredients with bounds, weighed as the recipe weighs them, such as ``"barley 100 to 250 g"``; if there are
        none, every ingredient from half to double of what it is.
    want : sequence of str
        Targets such as ``"sodium <= 600 mg"``, ``"fibre >= 3 g per 100 g"``, ``"energy 350 to 450 kcal"``, ``"weight
        >= 300 g"`` (as eaten) or ``"cost <= 2.50"``; per serving if nothing else is said.
    objective : str, optional
        ``"least change"`` (sum of the relative changes), ``"least cost"``, or least or most of a component. Among
        amounts that are as good, those are taken that change least.
    variant : str, optional
        Label of the variant to adjust; the recipe as written by default.
    surely : bool, optional
        Keep away from each limit until the whole 90 % interval of the mean keeps it.
    release, prices, factors, gaps : optional
        As for :func:`swaptable.judging.study.study_recipe`.

    Returns
    -------
    Plan

    Raises
    ------
    InputError, SwaptableError
        If a file or a word cannot be used.

    Notes
    -----
    A linear programme, solved by the dual simplex method. Where the targets contradict each other, the amounts are
    those that miss least in all, each target's miss counted in parts of its limit, and a smallest set of targets that
    cannot be reached together is named. A component without a value in an ingredient is a lower bound, and its target
    is judged so.

    References
    ----------
    Dantzig 1963, Linear Programming and Extensions; Chinneck 2008, Feasibility and Infeasibility in Optimization,
    chapters 6 and 7 (elastic programmes, deletion filter).

    Examples
    --------
    >>> plan = find_amounts("barley_pot", ["salt 0 to 3 g"], ["sodium <= 800 mg"])
    >>> plan.feasible, plan.ingredients["after_g"].round().tolist()
    (True, [1.0])
    >>> plan.targets["verdict"].tolist()  # the mean is at the limit; to keep the whole interval: surely=True
    ['cannot tell']
    """
    whole = compute_recipe(recipe, release, factors, gaps)
    chosen = variant_named(whole, variant)
    before = compute(build_grid(as_recipe(whole, chosen), whole.grid.release, factors))
    priced = read_prices(find_file(prices, ".", ".csv")) if prices else {}
    model = Model(before, _all_varied(vary, before), priced)
    units, currency = before.units(), next((price.currency for price in priced.values()), "")
    targets = tuple(target for text in want for target in read_target(text, units, currency))
    cost, what, size, unit = _objective(objective, model, units)
    if COST in (what, *(target.what for target in targets)):
        _check_priced(model)
    found = _solved(model, targets, cost, surely)
    feasible, every = found.solution.solved, list(range(len(targets)))
    conflict, together, told = list[int](), False, dict[int, str]()
    if feasible:
        more = objective.startswith("most")
        told = prices_of_targets(found.programme, found.solution, every, what, size, unit, more)
    else:
        conflict = found.programme.conflict()
        together = found.programme.solve(conflict[:1]).solved
    table = found.targets
    table["binds"] = [number in told for number in every]
    table["price"] = [told.get(number, "") for number in every]
    ingredients = _ingredient_table(model.varied, found.x)
    words = tuple(targets[number].words for number in conflict)
    changes = ", ".join(f"{row.ingredient}: {{amount: {row.after_g:.10g} g}}" for row in ingredients.itertuples())
    return Plan(
        title=whole.recipe.title,
        variant=whole.grid.label(chosen),
        feasible=feasible,
        objective=objective,
        ingredients=ingredients,
        targets=table,
        conflict=words,
        sentences=sentences_on(feasible, surely, ingredients, table, words, together),
        yaml=f"{ADJUSTED}: {{{changes}}}",
        amounts=found.amounts,
    )


def _all_varied(vary: Sequence[str], before: Amounts) -> tuple[Varied, ...]:
    """Read what may vary, each ingredient once; if nothing is named, every ingredient may."""
    varied = tuple(read_varied(text, before, before.recipe) for text in vary or _half_to_double(before))
    names = [each.name for each in varied]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise SwaptableError(f"found '{twice}' twice among what may vary; give its bounds once")
    return varied


def _check_priced(model: Model) -> None:
    unpriced = cost_table(model.amounts.grid, model.prices)["not_priced"].iloc[0]
    if unpriced:
        raise SwaptableError(f"no price is known for {unpriced}; add it to the price file, or leave cost out")


@dataclass(frozen=True, eq=False)
class _Solved:
    """Amounts that reach the targets, or miss least in all, and the recipe computed with them."""

    programme: Programme
    solution: Solution
    x: np.ndarray  # share of each varied ingredient's amount as it is
    amounts: Amounts
    targets: pd.DataFrame


def _solved(model: Model, targets: Sequence[Target], cost: np.ndarray, surely: bool) -> _Solved:
    """Solve the programme; if the targets are to be reached surely, again with more room until they are."""
    aimed = tuple(targets)
    for _ in range(MOST_ROUNDS if surely else 1):
        programme = Programme(model, aimed, cost)
        every = list(range(len(aimed)))
        solution = programme.solve(every)
        last = solution if solution.solved else programme.solve(every, elastic=True)
        x = last.x[: len(model.varied)]
        amounts = _adjusted(model.amounts.recipe, model.varied, x, model.amounts)
        table = _target_table(amounts, targets, model.prices)
        unsure = table[(table["verdict"] != "met") & table["whole"]]
        if not surely or not solution.solved or unsure.empty:
            break
        aimed = tuple(
            replace(target, limit=target.limit + _room(target, row)) if number in unsure.index else aimed[number]
            for number, (target, (_, row)) in enumerate(zip(targets, table.iterrows(), strict=True))
        )
    return _Solved(programme, solution, x, amounts, table.assign(aimed_at=[target.limit for target in aimed]))


def _room(target: Target, row: pd.Series) -> float:
    """Give how far to keep from a limit, so that the whole interval of the mean keeps it."""
    half = 1.001 * Z[LEVEL] * float(row["standard_error"])
    return -half if target.operator == "<=" else half
