"""What was found about amounts, in plain words: what decides, what is missed, what more room would bring."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from swaptable.deciding.amount_programme import BASE, Programme, Solution
from swaptable.deciding.amount_words import COST
from swaptable.foods.reference import component_label

__all__ = ["CHANGE", "HELD_FIXED", "TIGHT", "prices_of_targets", "sentences_on"]

HELD_FIXED = (
    "Held fixed: what cooking leaves of each component (retention) and what it does to each weight (yield). More or "
    "less of an ingredient takes as long and is done as before. Whether the dish still cooks, with less liquid above "
    "all, is for the cook to judge."
)
CHANGE = "change"
TIGHT = 1e-9  # relative: what the solver may leave between a limit and an amount that stands at it


def _number(value: float) -> str:
    digits = 0 if abs(value) >= 1000 else 1 if abs(value) >= 10 else 3
    text = f"{value:,.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def prices_of_targets(
    programme: Programme, solution: Solution, kept: Sequence[int], what: str, size: float, unit: str, more: bool
) -> dict[int, str]:
    """Say in words what 1 % more room at each target would bring: its shadow price."""
    told = {}
    for number, place in enumerate(kept):
        target, dual = programme.targets[place], abs(solution.duals[number])
        if dual <= TIGHT or target.limit == 0:
            continue
        share = 0.01
        if target.basis in BASE:
            rest, slopes = programme.model.batch(BASE[target.basis])
            share *= (rest + float(slopes @ solution.x[: len(slopes)])) / (rest + slopes.sum())
        room = f"{_number(0.01 * target.limit)} {target.unit} {'more' if target.operator == '<=' else 'less'}"
        if what == CHANGE:
            gain = f"save {_number(100 * dual * share)} percentage points of change"
        else:
            name = COST if what == COST else component_label(what).lower()
            gain = f"{'raise' if more else 'lower'} {name} by {_number(dual * share * size)} {unit}"
        told[place] = f"each {room} would {gain}"
    return told


def sentences_on(
    feasible: bool,
    surely: bool,
    ingredients: pd.DataFrame,
    targets: pd.DataFrame,
    conflict: Sequence[str],
    together: bool,
) -> tuple[str, ...]:
    """Say whether the targets can be reached, with which amounts, what decides and what cannot be told."""
    changed = ingredients[ingredients["change_percent"].abs() > 100 * TIGHT]
    moves = [
        f"{row.ingredient} {_number(row.before_g)} → {_number(row.after_g)} g ({row.change_percent:+.0f} %)".replace(
            "-", "−"
        )
        for row in changed.itertuples()
    ]
    told = []
    if feasible:
        reached = f"all targets can {'surely ' * surely}be reached"
        told.append(
            f"On paper {reached}: {', '.join(moves)}; check that it still cooks."
            if moves
            else f"{reached[:1].upper()}{reached[1:]} with the amounts as they are."
        )
    else:
        how = f"{'surely ' * surely}be reached {'together' if together else 'at all'}"
        told.append(f"Within the bounds these cannot {how}: {'; '.join(conflict)}.")
        missed = targets[targets["missed_by"] > 0]
        misses = [f"{row.target} by {_number(row.missed_by)} {row.unit}" for row in missed.itertuples()]
        miss = f"miss {'; '.join(misses)}" if misses else "reach all, but only on average, not with the whole interval"
        told.append(f"The amounts that miss least ({', '.join(moves) or 'as they are'}) {miss}.")
    for row in targets[targets["binds"]].itertuples():
        told.append(f"{row.target} decides{': ' + row.price if row.price else ''}.")
    held = changed[changed["at_bound"] != ""]
    if len(held):
        at = [f"{row.ingredient} ({row.at_bound})" for row in held.itertuples()]
        told.append(f"At their bound: {', '.join(at)}.")
    unsure = targets[(targets["verdict"] == "cannot tell") & (targets["missed_by"] == 0)]
    for row in unsure.itertuples():
        told.append(f"Whether {row.target} is met cannot be told: {row.why}.")
    return (*told, HELD_FIXED)
