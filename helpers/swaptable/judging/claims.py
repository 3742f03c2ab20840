"""Nutrient content claims: which conditions a regime sets, and what they would say of a recipe."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import pandas as pd

from swaptable.amounts.nutrients import Amounts
from swaptable.basics.units import convert
from swaptable.foods.reference import claim_conditions, claims_not_judged, component_label, vitamins_and_minerals
from swaptable.judging.claim_measures import FIFTY_IF_SMALL, OF_WRITTEN, REFERENCE, SERVING, Meter, daily_values_of
from swaptable.judging.daily_values import checked_regime
from swaptable.judging.verdicts import WHYS, WORDS, Verdict, interval, judged_at_once, places_of, repeated

__all__ = [
    "CAVEAT",
    "NOTHING_TO_COMPARE",
    "NO_REFERENCE_AMOUNT",
    "SMALL_REFERENCE_AMOUNT",
    "claim_verdicts",
    "judge_claims",
    "not_judged",
    "rules_for",
]

CAVEAT = (
    "These rules bind packaged food. Here they are an informal screen of a recipe: "
    "meeting a rule here does not allow printing it on a package."
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


NOTHING_TO_COMPARE = "there is nothing to compare with: it would be a percentage of 0"
COMPARATIVE = "comparative"
_SAID = {"<": "less than", "<=": "at most", ">": "more than", ">=": "at least"}


def judge_claims(amounts: Amounts, regime: str, labels: Sequence[str] | None = None) -> pd.DataFrame:
    """Judge every condition of every claim that applies to a recipe.

    Parameters
    ----------
    amounts : Amounts
    regime : str
        ``"US"`` or ``"CA"``.
    labels : sequence of str, optional
        Variants to list; all without it.

    Returns
    -------
    DataFrame
        One row per variant and number judged: ``variant``, ``regime``, ``claim``, ``title``, ``kind``, ``food``,
        ``component``, ``measure``, ``basis``, ``amount``, ``standard_error``, ``low_90``, ``high_90``, ``whole``
        (otherwise the amount is a lower bound and has no upper end), ``operator``, ``limit``, ``unit``,
        ``verdict`` (a :class:`~swaptable.judging.verdicts.Verdict` as integer), ``word``, ``why``, ``note``,
        ``source``, ``checked``; ``alternative`` and ``condition`` say how the rows of a claim go together: of the rows
        of one condition one is enough, an alternative needs all its conditions, and one alternative is enough.

    Raises
    ------
    SwaptableError
        If the regime or a variant is not known.

    Notes
    -----
    The serving and the recipe as written stand for the labelled serving and the reference food. Where a rule needs
    the reference amount and the recipe states none, the numbers are those of the serving and nobody can tell.
    The recipe as written is not compared with itself. See :data:`swaptable.judging.claims.CAVEAT`.

    References
    ----------
    21 CFR 101.13, 101.54, 101.56, 101.60-101.62. Food and Drug Regulations (Canada) B.01.503, D.01.004, D.02.002.
    """
    recipe = amounts.recipe
    rules = rules_for(regime, recipe.judged_as, recipe.reference_amount, tuple(amounts.units().index))
    meter = Meter(amounts, regime)
    names, places = places_of(amounts, labels)
    columns: dict[str, list[np.ndarray]] = {name: [] for name in ("value", "error", "whole")}
    units, limits = [], []
    missing = ((rules["basis"] == REFERENCE) & (recipe.reference_amount is None)).to_numpy()
    for row, no_reference in zip(rules.to_dict("records"), missing, strict=True):
        basis = SERVING if no_reference else row["basis"] or SERVING
        measured = meter.measure(row["measure"], row["component"], basis, row["value"])
        for name, parts in columns.items():
            parts.append(getattr(measured, name)[places])
        units.append(measured.unit)
        limits.append(row["value"] if measured.unit == "%" else convert(row["value"], row["unit"], measured.unit))
    amount, error, whole = (np.column_stack(parts) for parts in columns.values())
    verdicts = judged_at_once(amount, error, whole, list(rules["operator"]), limits)
    verdicts[:, missing] = int(Verdict.GAPS)
    # a level is never below 0, a comparison may be
    low, high = interval(amount, error, whole, rules["measure"].str.contains("than as written").to_numpy())
    basis = np.where(missing, f"{SERVING} ({REFERENCE} not stated)", rules["basis"])
    why = np.where(np.isnan(amount) & whole, NOTHING_TO_COMPARE, WHYS[verdicts])
    table = repeated(rules.assign(basis=basis, limit=limits, unit=units), names)
    table = table.assign(
        amount=amount.ravel(), standard_error=error.ravel(), low_90=low.ravel(), high_90=high.ravel(),
        whole=whole.ravel(), verdict=verdicts.ravel(), word=WORDS[verdicts.ravel()],
        why=np.where(missing, NO_REFERENCE_AMOUNT, why).ravel(),
    )  # fmt: skip
    itself = (table["variant"] == amounts.grid.labels[0]) & (table["kind"] == COMPARATIVE)
    return table.loc[
        ~itself,
        ["variant", "regime", "claim", "title", "kind", "food", "component", "measure", "basis", "amount",
         "standard_error", "low_90", "high_90", "whole", "operator", "limit", "unit", "verdict", "word", "why", "note",
         "source", "checked", "alternative", "condition"],
    ].reset_index(drop=True)  # fmt: skip


def _numbers_texts(conditions: pd.DataFrame) -> list[str]:
    """Say each number, its interval and its limit in plain words."""
    labels = {tags: component_label(tags) for tags in conditions["component"].unique()}
    words = {
        measure: measure.removesuffix(OF_WRITTEN).removeprefix("percent").removeprefix("amount").strip()
        for measure in conditions["measure"].unique()
    }
    words = {
        measure: (f" {word}" if word else "") + (" in the recipe as written" if measure.endswith(OF_WRITTEN) else "")
        for measure, word in words.items()
    }
    columns = ("component", "amount", "unit", "measure", "basis", "low_90", "high_90", "whole", "operator", "limit")
    texts = []
    for tags, amount, unit, measure, basis, low, high, whole, operator, limit in zip(
        *(conditions[name].tolist() for name in columns), strict=True
    ):
        per = f" per {basis.removesuffix(' if small')}" if basis else ""
        if np.isnan(amount):
            known = "not known"
        elif whole:
            known = f"{amount:.4g} {unit}{words[measure]}{per} (90 % interval {low:.4g} to {high:.4g})"
        else:
            known = f"at least {amount:.4g} {unit}{words[measure]}{per} (some values are missing)"
        texts.append(f"{labels[tags]}: {known}, the rule says {_SAID[operator]} {limit:.4g} {unit}")
    return texts


def claim_verdicts(conditions: pd.DataFrame) -> pd.DataFrame:
    """Give the verdict on each claim from those on its conditions.

    Parameters
    ----------
    conditions : DataFrame
        From :func:`judge_claims`.

    Returns
    -------
    DataFrame
        One row per variant and claim: ``variant``, ``regime``, ``claim``, ``title``, ``kind``, ``food``,
        ``verdict``, ``word``, ``why``, ``numbers`` (what was judged, in one plain text), ``note``, ``source``,
        ``checked`` (``seen`` only if every condition was).

    Notes
    -----
    A claim is as good as the least of its conditions, in the best of its alternatives. Where the regulation asks
    for more than the numbers (see :func:`swaptable.judging.claims.not_judged`), a claim whose numbers are met is
    not called met.
    """
    claim = ["variant", "regime", "claim"]
    by_condition = conditions.groupby([*claim, "alternative", "condition"], sort=False)["verdict"].transform("max")
    kept = conditions.assign(of_condition=by_condition)
    kept["of_alternative"] = kept.groupby([*claim, "alternative"], sort=False)["of_condition"].transform("min")
    kept["of_claim"] = kept.groupby(claim, sort=False)["of_alternative"].transform("max")
    kept = kept[kept["of_alternative"] == kept["of_claim"]]
    first = kept.groupby(claim, sort=False)["alternative"].transform("first")
    kept = kept[kept["alternative"] == first].reset_index(drop=True)
    group = kept.groupby(claim, sort=False).ngroup().to_numpy()
    order = np.argsort(group, kind="stable")
    starts = np.flatnonzero(np.diff(group[order], prepend=-1))
    kept = kept.iloc[order].reset_index(drop=True)
    ends = np.append(starts[1:], len(kept))

    def joined(parts: list[str]) -> list[str]:
        return ["; ".join(dict.fromkeys(filter(None, parts[a:b]))) for a, b in zip(starts, ends, strict=True)]

    deciding = (kept["of_condition"] == kept["of_claim"]) & (kept["verdict"] == kept["of_claim"])
    verdict = kept["of_claim"].to_numpy()[starts]
    table = kept.loc[starts, [*claim, "title", "kind", "food"]].reset_index(drop=True)
    table = table.assign(
        verdict=verdict,
        word=WORDS[verdict],
        why=joined(np.where(deciding, kept["why"], "").tolist()),
        numbers=joined(_numbers_texts(kept)),
        note=joined(kept["note"].tolist()),
        source=joined(kept["source"].tolist()),
        checked=np.where(
            np.logical_and.reduceat((kept["checked"] == "seen").to_numpy(), starts), "seen", "from memory"
        ),
    )
    also = claims_not_judged()
    also = also[also["status"] == "not judged"].set_index(["regime", "claim"])["reason"]
    for (regime, name), reason in also.items():
        met = (table["regime"] == regime) & (table["claim"] == name) & (table["verdict"] == int(Verdict.MET))
        table.loc[met, "verdict"] = int(Verdict.GAPS)
        table.loc[met, "word"] = Verdict.GAPS.word
        table.loc[met, "why"] = f"its numbers are met; not judged: {reason}"
    return table
