"""The conditions of claims that apply to a recipe, written out by nutrient and basis, and the claims never judged."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import pandas as pd

from swaptable.foods.reference import claim_conditions, claims_not_judged, component_label, vitamins_and_minerals
from swaptable.judging.claim_measures import FIFTY_IF_SMALL, daily_values_of
from swaptable.judging.daily_values import checked_regime

__all__ = ["CAVEAT", "NO_REFERENCE_AMOUNT", "SMALL_REFERENCE_AMOUNT", "not_judged", "rules_for"]

CAVEAT = (
    "These rules bind packaged food. Here they are an informal screen of a recipe: "
    "nothing that is met here may be printed on a package for that reason."
)
NO_REFERENCE_AMOUNT = "the recipe states no reference amount"
SMALL_REFERENCE_AMOUNT = 30.0  # g, and below: judged per 50 g as well, and by lower thresholds for the symbol


def _applies(foods: pd.Series, judged_as: str) -> pd.Series:
    return foods.map(lambda words: judged_as in words.split(" or "))


def _for_each_nutrient(rules: pd.DataFrame, regime: str, components: Sequence[str]) -> pd.DataFrame:
    """Write out the claims on any vitamin or mineral: one for each that has a daily value and is in the release."""
    own_rule = {(row.claim, row.component) for row in rules.itertuples()}
    # sodium is a nutrient to keep down; Canada has rules of its own for potassium
    left_out = {"US": {"NA"}, "CA": {"NA", "K"}}[regime]
    any_of = [
        tag for tag in vitamins_and_minerals() if tag in {*daily_values_of(regime).index} & {*components} - left_out
    ]
    written = []
    for row in rules.to_dict("records"):
        if "*" not in row["title"]:
            written.append(row)
            continue
        for tag in any_of if row["component"] == "*" else [row["component"]]:
            if row["component"] == "*" and (row["claim"], tag) in own_rule:
                continue
            label = component_label(tag)
            title = row["title"].replace("*", label[:1].lower() + label[1:])
            written.append(row | {"claim": f"{row['claim']}_{tag.lower()}", "title": title, "component": tag})
    return pd.DataFrame(written, columns=rules.columns)


def _on_each_basis(rules: pd.DataFrame, reference_amount: float | None) -> pd.DataFrame:
    """Write out the bases of each rule. Bases joined by *and* are conditions of their own; of *or*, one is enough."""
    written = []
    for row in rules.to_dict("records"):
        bases = row["basis"].replace(" and ", " or ").split(" or ")
        for basis in bases:
            if basis == FIFTY_IF_SMALL and (reference_amount is None or reference_amount > SMALL_REFERENCE_AMOUNT):
                continue
            together = " or " in row["basis"]
            condition = row["condition"] if together else f"{row['condition']} {basis}"
            written.append(row | {"basis": basis, "condition": condition})
    return pd.DataFrame(written, columns=rules.columns)


def _with_daily_values(rules: pd.DataFrame, regime: str) -> pd.DataFrame:
    """Name the source of the daily value beside that of the rule; both must have been seen to be seen."""
    values = daily_values_of(regime)
    uses = rules["measure"].str.contains("daily value")
    source = rules["source"] + "; " + rules["component"].map(values["source"])
    unseen = rules["component"].map(values["checked"]) == "from memory"
    return rules.assign(
        source=rules["source"].where(~uses, source), checked=rules["checked"].where(~(uses & unseen), "from memory")
    )


@lru_cache(maxsize=16)
def rules_for(regime: str, judged_as: str, reference_amount: float | None, components: tuple[str, ...]) -> pd.DataFrame:
    """Give the conditions that apply to a recipe, one row for each number to be judged."""
    table = claim_conditions()
    rules = table[(table["regime"] == checked_regime(regime)) & _applies(table["food"], judged_as)]
    rules = rules.assign(food=judged_as, condition=[f"{number}" for number in range(len(rules))])
    rules = _on_each_basis(_for_each_nutrient(rules, regime, components), reference_amount)
    rules = _with_daily_values(rules, regime)
    return rules.iloc[np.argsort(pd.factorize(rules["claim"])[0], kind="stable")].reset_index(drop=True)


def not_judged(regime: str, judged_as: str) -> pd.DataFrame:
    """List the claims that numbers cannot decide, and those that a regime does not permit.

    Parameters
    ----------
    regime : str
        ``"US"`` or ``"CA"``.
    judged_as : str
        ``food``, ``main dish`` or ``meal``.

    Returns
    -------
    DataFrame
        ``claim``, ``title``, ``status`` (``not judged`` or ``not permitted``), ``reason``, ``source``, ``checked``.
    """
    table = claims_not_judged()
    rows = table[(table["regime"] == checked_regime(regime)) & _applies(table["food"], judged_as)]
    return rows.drop(columns=["regime", "food"]).reset_index(drop=True)
