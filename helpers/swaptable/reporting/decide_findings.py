"""Sentences that state what a decision found: chart titles, texts for screen readers, a headline."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from swaptable.deciding.contrasts import Explained
from swaptable.deciding.decide import Decision
from swaptable.deciding.sensitivity import SERVED, WRONG_BY, Doubts
from swaptable.deciding.yardsticks import COST, DENSITY, Yardstick
from swaptable.judging.findings import amount_text, plain_name

__all__ = [
    "bases_finding",
    "best_finding",
    "choice_finding",
    "decision_headline",
    "rows_of",
    "share_finding",
    "thing_name",
    "wrong_finding",
]

CLEAR = 0.90  # probability from which a variant is called the best without a doubt in the same breath


def _caution(decision: Decision, label: str) -> str:
    """Never praise a variant that a concern of this class speaks against without saying so in the same breath."""
    concerns = decision.ranking.set_index("variant").at[label, "concerns_of_class"]
    return f" (first read the caution on {concerns})" if concerns else ""


def _option_caution(decision: Decision, choice: str, option: str) -> str:
    """Name the concern that one option alone brings up against the recipe as written."""
    grid = decision.amounts.grid
    variant = {**grid.as_written, choice: option}
    return _caution(decision, grid.label(variant)) if bool(grid.allowed.sel(variant)) else ""


def _percent(share: float) -> str:
    return "less than 1 %" if share < 0.01 else "more than 99 %" if share > 0.99 else f"{100 * share:.0f} %"


def _amount(decision: Decision, value: float) -> str:
    unit = decision.objective.unit
    return amount_text(value, "" if unit == "points" else unit)


def _aim(decision: Decision) -> str:
    one = decision.objective
    words = ("highest", "lowest") if one.tag in (DENSITY, COST) else ("most", "least")
    name = one.name.lower() if one.tag in (DENSITY, COST) else plain_name(one.tag)
    return f"{words[0] if one.more else words[1]} {name}"


def _gaps(decision: Decision) -> str:
    return "" if decision.measured[decision.objective].whole.all() else " (some values are missing)"


def decision_headline(decision: Decision) -> str:
    """State which variant to choose, of how many, and how sure that is."""
    best, column = decision.best, decision.objective.column
    written = decision.ranking.set_index("variant").at[decision.amounts.grid.labels[0], column]
    label = str(best["variant"])
    amounts = f"{_amount(decision, best[column])} per {decision.objective.basis}"
    if label != decision.amounts.grid.labels[0]:
        amounts += f", {_amount(decision, written)} as written"
    caution = _caution(decision, label)
    count = int((decision.ranking["wants"] == "met").sum())
    if decision.wants and not count:
        return f"No variant surely meets all that is wanted. {_nearest(decision)}{_binds(decision)}"
    if len(decision.ranking) == 1:
        met = " and surely meets all that is wanted" if decision.wants else ""
        return f"This recipe offers no choice{met} ({decision.objective.name.lower()} {amounts}){caution}."
    among = f" of the {count} of {len(decision.ranking)} variants that surely meet all wants" if decision.wants else ""
    chance = best["probability_best"]
    sure = "" if np.isnan(chance) else f"; the best with {_percent(chance)} probability"
    has = "may have" if chance < CLEAR else "has"
    return f"{label[:1].upper()}{label[1:]} {has} the {_aim(decision)}{among} ({amounts}{sure}){caution}."


def _nearest(decision: Decision) -> str:
    best = decision.best
    label = str(best["variant"])
    open_wants = [words for words in (best["not_met"], best["cannot_tell"]) if words]
    told = f"not met: {best['not_met']}" if best["not_met"] else ""
    told += f"{'; ' if told and best['cannot_tell'] else ''}" + (
        f"cannot tell: {best['cannot_tell']}" if best["cannot_tell"] else ""
    )
    return f"Nearest: {label} ({told})" if open_wants else f"Nearest: {label}"


def _binds(decision: Decision) -> str:
    binding = decision.binding[decision.binding["binds"]]
    caution = _caution(decision, str(decision.best["variant"]))
    if binding.empty:
        return f"{caution}; no single want stands in the way, several do."
    told = "; ".join(f"without '{row.want}', {row.met_without_it} would" for row in binding.itertuples())
    return f"{caution}. What binds: {told}."


def best_finding(decision: Decision) -> tuple[str, str]:
    """State how robust the first place is: title and text for a screen reader."""
    table = decision.ranking.dropna(subset="probability_best").sort_values(
        "probability_best", ascending=False, kind="stable"
    )
    if table.empty:
        return "Nobody can tell which variant is best: the objective is not known", "No probabilities."
    first = table.iloc[0]
    label = str(first["variant"])
    chance = float(first["probability_best"])
    tail = f"{_aim(decision)}{_caution(decision, label)}"
    if len(table) == 1:
        title = f"Only {label} is left to choose{_caution(decision, label)}"
    elif chance >= CLEAR:
        title = f"{label[:1].upper()}{label[1:]} surely has the {tail}: {_percent(chance)} probability"
    else:
        second = table.iloc[1]
        title = (
            f"No variant is clearly best: {label} has the {tail} with {_percent(chance)} probability, "
            f"{second['variant']} with {_percent(second['probability_best'])}{_caution(decision, second['variant'])}"
        )
    parts = [
        f"{row.variant} {_percent(row.probability_best)}, among the best three {_percent(row.probability_best_three)}"
        for row in table.head(10).itertuples()
    ]
    return title, f"Bars of the probability of being the best of {len(table)} variants: {'; '.join(parts)}."


def rows_of(table: pd.DataFrame, one: Yardstick) -> pd.DataFrame:
    """Give the rows of a table that are about one measure."""
    return table[(table["measure"] == one.name) & (table["basis"] == f"per {one.basis}")]


def choice_finding(decision: Decision, explained: Explained) -> tuple[str, str]:
    """State which choice matters most, and whether choices depend on each other."""
    one = decision.objective
    effects = rows_of(explained.effects, one).dropna(subset="effect")
    pairs = rows_of(explained.interactions, one).dropna(subset="interaction")
    if effects.empty:
        return "This recipe offers no choice", "No choices."
    top = effects.loc[effects["effect"].abs().idxmax()]
    unit = "" if one.unit == "points" else one.unit
    unsure = "" if top["real"] else " (no real difference)"
    size = amount_text(top["effect"], unit, signed=True)
    title = f"{top['option']} instead of {top['instead_of']} changes {one.name.lower()} most: {size} on average{unsure}"
    title = f"{title[:1].upper()}{title[1:]}{_option_caution(decision, top['choice'], top['option'])}{_gaps(decision)}"
    real = pairs[pairs["real"]]
    if len(pairs):
        if real.empty:
            title += "; no two choices really depend on each other"
        else:
            pair = real.loc[real["interaction"].abs().idxmax()]
            size = amount_text(abs(pair["interaction"]), unit)
            more = "more" if pair["interaction"] > 0 else "less"
            title += f"; {pair['option']} and {pair['with_option']} together give {size} {more} than the two alone"
    lines = [
        f"{row.option} instead of {row.instead_of} {amount_text(row.effect, signed=True)}"
        for row in effects.itertuples()
    ]
    together = [
        f"{row.option} with {row.with_option} {amount_text(row.interaction, signed=True)}" for row in real.itertuples()
    ]
    alt = f"Mean effects on {one.label}: {'; '.join(lines)}. "
    return title, alt + (f"Real interactions: {'; '.join(together)}." if together else "No real interactions.")


def share_finding(decision: Decision, explained: Explained) -> tuple[str, str]:
    """State which swap makes most of the difference."""
    one = decision.objective
    swaps = rows_of(explained.swaps, one).dropna(subset="share")
    parts = rows_of(explained.ingredients, one).dropna(subset="share")
    if swaps.empty:
        return "There is no difference to share out", "No swaps."
    whole = swaps["share"].sum()
    unit = "" if one.unit == "points" else one.unit
    top = swaps.loc[swaps["share"].abs().idxmax()]
    difference = amount_text(whole, unit, signed=True)
    if len(swaps) == 1 or top["choice"] not in decision.amounts.grid.choices:
        title = f"{explained.label} changes {one.name.lower()} by {difference}"
    else:
        title = (
            f"{top['option']} makes {amount_text(top['share'], unit, signed=True)} of the {difference} by which "
            f"{explained.label} changes {one.name.lower()}"
        )
    unsure = "" if top["real"] else " (no real difference)"
    title = f"{title[:1].upper()}{title[1:]}{unsure}{_gaps(decision)}{_caution(decision, explained.label)}"
    told = "; ".join(f"{row.option} {amount_text(row.share, signed=True)}" for row in swaps.itertuples())
    brought = "; ".join(f"{row.ingredient} {amount_text(row.share, signed=True)}" for row in parts.itertuples())
    alt = f"Steps in {one.label} from the recipe as written to {explained.label}. By swap: {told}."
    return title, f"{alt} By ingredient: {brought}."


def thing_name(row: Any) -> str:
    """Name what may be wrong, in a few words."""
    if row.kind == "match":
        return f"{row.ingredient} is '{row.what}'"
    return f"{row.kind} of {row.ingredient} ({_short(row.food)}) ±{100 * WRONG_BY:.0f}\u00a0%"


def _short(food: str) -> str:
    return ", ".join(food.split(", ")[:2]).lower()


def wrong_finding(decision: Decision, doubts: Doubts) -> tuple[str, str]:
    """State whether one wrong weight or match would change the answer."""
    table = doubts.wrongs
    label = str(decision.best["variant"])
    turning = table[table["surely_changes"]].drop_duplicates(["kind", "ingredient", "food"])
    flips = table[table["verdicts_then"] != ""].drop_duplicates(["kind", "ingredient", "food"])
    first = table[(table["measure"] == decision.objective.name) & table["kind"].isin(["weight", "match"])]
    top = first.loc[first["best_change"].abs().idxmax()]
    largest = f"{amount_text(top['best_change'], signed=True)} {decision.objective.name.lower()} {_with(top)}"
    if len(turning):
        row = turning.iloc[0]
        more = f", as would {len(turning) - 1} other single mistakes" if len(turning) > 1 else ""
        caution = _caution(decision, str(row["best_then"]))
        title = f"{row['best_then']}{caution} would come first {_with(row)}{more}"
    elif len(flips):
        row = flips.iloc[0]
        title = f"{label} stays first whatever single thing is wrong, but {_with(row)} it is {row['verdicts_then']}"
    else:
        surely = "surely changes" if table["best_changes"].any() else "changes"
        title = f"No single wrong weight or match {surely} the answer; the most it moves is {largest}"
    parts = [f"{_with(row)}: {amount_text(row['best_change'], signed=True)}" for _, row in _largest(first).iterrows()]
    alt = f"Bars of what one wrong thing changes in {label}, in {decision.objective.label}: {'; '.join(parts)}."
    return f"{title[:1].upper()}{title[1:]}", alt


def _largest(table: pd.DataFrame) -> pd.DataFrame:
    return table.reindex(table["best_change"].abs().sort_values(ascending=False, kind="stable").index).head(8)


def _with(row: pd.Series) -> str:
    if row["kind"] == "match":
        return f"with '{row['what']}' for {row['ingredient']}"
    if row["kind"] == "weighed dish":
        return f"with a dish {row['what']}"
    of = "" if row["kind"] == "weight" else f"{row['kind']} of "
    return f"with {row['what']} {of}{row['ingredient']}"


def bases_finding(decision: Decision, doubts: Doubts) -> tuple[str, str]:
    """State whether the answer depends on what is called equal."""
    table = doubts.bases
    first = table[table["rank"] == 1].set_index("basis")["variant"]
    served = table[(table["variant"] == first[SERVED]) & table["surely_behind"]]["basis"]
    other = {basis: label for basis, label in first.items() if basis in set(served)}
    flips = table[table["verdict_changes"]]
    caution = _caution(decision, str(first[SERVED]))
    if other:
        told = "; ".join(f"{label}{_caution(decision, label)} for {basis}" for basis, label in list(other.items())[:2])
        title = f"The answer depends on the basis: {first[SERVED]} per serving{caution}, but {told}"
    else:
        nearly = "comes first on every basis" if first.nunique() == 1 else "is surely second to none on any basis"
        title = f"{first[SERVED]} {nearly}{caution}"
    if len(flips):
        changed = int(flips["variant"].nunique())
        title += f"; {changed} of {table['variant'].nunique()} variants get{'s' * (changed == 1)} another verdict"
    elif decision.wants:
        title += "; no verdict changes"
    parts = [f"{basis}: {label}" for basis, label in first.items()]
    others = "; ".join(f"{row.variant}, {row.basis}: {row.verdicts}" for row in flips.head(6).itertuples())
    alt = f"Table of rank and verdict by basis. First: {'; '.join(parts)}. "
    return f"{title[:1].upper()}{title[1:]}", alt + (f"Other verdicts: {others}." if others else "No other verdicts.")
