"""Advice: what a study's amounts mean for its audience, every verdict with its rule and source."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from swaptable.amounts.nutrients import Amounts
from swaptable.basics.units import convert
from swaptable.judging.absorption import (
    absorbable_calcium,
    calcium_by_ingredient,
    folate_forms,
    iron_forms,
    vitamin_a_forms,
)
from swaptable.judging.allergens import allergen_changes, allergens_of
from swaptable.judging.cautions import cautions_for
from swaptable.judging.claims import claim_verdicts, judge_claims
from swaptable.judging.food_safety import safety_for
from swaptable.judging.front_of_pack import front_of_pack
from swaptable.judging.index_table import index_table
from swaptable.judging.labels import nutrition_facts
from swaptable.judging.study import Study
from swaptable.judging.targets import Aims, day_targets, judge_servings, population_of
from swaptable.judging.verdicts import named_for_files

__all__ = ["VERDICT_COLUMNS", "Advice", "advise", "verdict_table"]

VERDICT_COLUMNS = [
    "variant", "rule", "name", "group", "component", "basis", "amount", "low_90", "high_90", "operator", "limit",
    "unit", "verdict", "why", "source", "checked",
]  # fmt: skip


@dataclass(frozen=True, eq=False)
class Advice:
    """What the amounts of a study mean.

    Attributes
    ----------
    study : Study
    targets : DataFrame
        One serving of every variant against each group's day, from :func:`swaptable.judging.targets.judge_servings`.
    claims, claim_conditions : DataFrame
        Verdicts on nutrient content claims of the study's regime, and on each of their conditions.
    front_of_pack : DataFrame
        Screen for the Canadian symbol, whatever the regime.
    nutrition_facts : DataFrame
        The regulated table for the recipe as written.
    calcium, vitamin_a, iron, folate : DataFrame
        What the body may get, beside the totals.
    calcium_sources : DataFrame
        Of the recipe as written, which published absorption stands for each ingredient's calcium.
    indices : DataFrame
    cautions, allergens, allergen_changes, safety : DataFrame
    """

    study: Study
    targets: pd.DataFrame
    claims: pd.DataFrame
    claim_conditions: pd.DataFrame
    front_of_pack: pd.DataFrame
    nutrition_facts: pd.DataFrame
    calcium: pd.DataFrame
    calcium_sources: pd.DataFrame
    vitamin_a: pd.DataFrame
    iron: pd.DataFrame
    folate: pd.DataFrame
    indices: pd.DataFrame
    cautions: pd.DataFrame
    allergens: pd.DataFrame
    allergen_changes: pd.DataFrame
    safety: pd.DataFrame

    @property
    def leading(self) -> pd.DataFrame:
        """The verdicts that decide: one for each variant, group and component that has a yardstick."""
        return self.targets[self.targets["leads"] & self.targets["verdict"].notna()]

    def tables(self) -> dict[str, pd.DataFrame]:
        """Name every table that goes with a report, as it is written."""
        tables = {
            "targets": self.targets,
            "claims": self.claims,
            "claim_conditions": self.claim_conditions,
            "front_of_pack": self.front_of_pack,
            "nutrition_facts": self.nutrition_facts,
            "absorbable_calcium": self.calcium.reset_index(),
            "calcium_by_ingredient": self.calcium_sources,
            "vitamin_a_forms": self.vitamin_a.reset_index(),
            "iron_forms": self.iron.reset_index(),
            "folate_forms": self.folate.reset_index(),
            "indices": self.indices,
            "cautions": self.cautions,
            "allergens": self.allergens,
            "allergen_changes": self.allergen_changes,
            "safety": self.safety,
        }
        return {name: named_for_files(table) for name, table in tables.items()}


def _allowances(study: Study) -> dict[str, tuple[float, str]]:
    """Take the first group's recommended amounts of what is to be raised, for the index of nutritional quality."""
    rows = study.day_targets[study.day_targets["leads"] & (study.day_targets["role"] == "raise")]
    rows = rows[(rows["group"] == rows["group"].iloc[0]) & rows["day_value"].notna()] if len(rows) else rows
    units = study.amounts.units()
    return {
        row.component: (convert(row.day_value, row.unit, str(units[row.component])), f"{row.kind}, {row.group}")
        for row in rows[rows["compared_with"].isin(units.index)].itertuples()
    }


def advise(study: Study) -> Advice:
    """Judge a study's variants by every rule that fits its audience.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Advice
        Claims, forms and indices of the variants that charts show; targets of all.

    Raises
    ------
    InputError
        If the audience names a concern that is not known, with its place in the file.

    Examples
    --------
    >>> import swaptable as st
    >>> advice = advise(st.study_recipe("oat_pancakes", "blood_pressure"))
    >>> claims = advice.claims[advice.claims["title"] == "low sodium"].set_index("variant")["word"]
    >>> claims["as written"], claims["water + low-sodium baking powder"]
    ('not met', 'met')
    """
    amounts, audience, regime = study.amounts, study.audience, study.regime
    shown = study.shown()
    conditions = judge_claims(amounts, regime, labels=shown)
    population = population_of(audience.groups)
    return Advice(
        study=study,
        targets=judge_servings(amounts, study.day_targets, audience.share_of_day),
        claims=claim_verdicts(conditions),
        claim_conditions=conditions,
        front_of_pack=front_of_pack(amounts, labels=shown),
        nutrition_facts=nutrition_facts(amounts, regime, population=population),
        calcium=absorbable_calcium(amounts, labels=shown),
        calcium_sources=calcium_by_ingredient(amounts, labels=shown[:1]),
        vitamin_a=vitamin_a_forms(amounts, labels=shown),
        iron=iron_forms(amounts, labels=shown),
        folate=folate_forms(amounts, labels=shown),
        indices=index_table(amounts, _allowances(study), labels=shown),
        cautions=cautions_for(amounts, audience.concerns),
        allergens=allergens_of(amounts, regime),
        allergen_changes=allergen_changes(amounts, regime),
        safety=safety_for(amounts, regime),
    )


def verdict_table(amounts: Amounts, aims: Aims, regime: str) -> pd.DataFrame:
    """List every verdict on every variant in one tidy table, for other programs to read.

    Parameters
    ----------
    amounts : Amounts
    aims : Aims
        Of an audience.
    regime : str
        ``"US"`` or ``"CA"``.

    Returns
    -------
    DataFrame
        The columns :data:`VERDICT_COLUMNS`. ``rule`` is ``target`` (one row per variant, group and yardstick; ``name``
        says which), ``claim`` (one row per variant and claim), ``condition of a claim`` (one row per number judged) or
        ``symbol`` (the Canadian front-of-package screen, in percent of the daily value; met: it would be needed).
        ``verdict`` is met, not met or cannot tell; an amount is per ``basis`` in ``unit``, NaN where there is none.
    """
    targets = judge_servings(amounts, day_targets(aims, regime), aims.audience.share_of_day)
    targets = targets[targets["verdict"].notna()]
    targets = targets.assign(rule="target", name=targets["kind"], basis="serving", limit=targets["serving_aim"])
    conditions = judge_claims(amounts, regime)
    claims = claim_verdicts(conditions)
    symbols = front_of_pack(amounts)
    symbols = symbols.assign(name="front-of-package symbol", amount=symbols["percent"], unit="% DV")
    parts = [
        targets,
        claims.assign(rule="claim", name=claims["title"]),
        conditions.assign(rule="condition of a claim", name=conditions["title"]),
        symbols.assign(rule="symbol"),
    ]
    parts = [part.assign(verdict=part["word"]).reindex(columns=VERDICT_COLUMNS) for part in parts]
    texts = ["group", "component", "basis", "operator", "unit"]
    return pd.concat(parts, ignore_index=True).fillna(dict.fromkeys(texts, ""))
