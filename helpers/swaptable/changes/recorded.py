"""The conclusions of a run, read from the tables that it wrote."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

from swaptable.changes.conclusions import (
    AMOUNT_KEYS,
    BEST,
    CAUTION,
    CONCERN,
    FRONTIER,
    SYMBOL_WORDS,
    Conclusions,
    allergen_rows,
    amount_rows,
    rank_rows,
    verdict_rows,
    word_rows,
)
from swaptable.changes.run_results import RunResults
from swaptable.deciding.yardsticks import COST, DENSITY
from swaptable.foods.reference import published_table
from swaptable.judging.daily_values import REGIMES

__all__ = ["OBJECTIVE", "conclusions_of"]

OBJECTIVE = "What was to be best"
_COST, _DENSITY, _SODIUM = "cost_per_serving", "nrf93_2009_per_100kcal", "sodium_mg_per_serving"


def conclusions_of(found: RunResults, recipe: str, audience: str) -> tuple[Conclusions, set[str]]:
    """Read the conclusions of a run from its tables.

    Parameters
    ----------
    found : RunResults
    recipe, audience : str
        What its conclusions are filed under, unless its tables name several.

    Returns
    -------
    Conclusions
    set of str
        Names of the tables that were read; of the others nothing is known but whether they differ.

    Notes
    -----
    Tables hold a standard error for each variant, and none for the difference of any two: here the two are taken as
    independent. What variants share would cancel, so a real difference may be taken for none: cautious.
    """
    about = {"recipe": recipe, "audience": audience, "regime": str(found.parameters.get("regime", ""))}
    readers = [
        reader for needed, reader in _READERS.items() if set(needed) <= set(found.names)
    ]  # the first that fits: a run writes the tables of one notebook
    amounts, verdicts, ranks, used = readers[0](found, about) if readers else (*_nothing(), set())

    def pair_error(of: str, measure: str, one: str, other: str) -> float:
        rows = ranks[(ranks["recipe"] == of) & (ranks["measure"] == measure)].set_index("variant")["standard_error"]
        return float(np.hypot(rows.get(one, np.nan), rows.get(other, np.nan)))

    return Conclusions(found.run, amounts, verdicts, ranks, pair_error, {}), used


_Read = tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, set[str]]
_About = Mapping[str, str]


def _nothing() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    empty = pd.DataFrame()
    return amount_rows(empty), verdict_rows(empty), rank_rows(pd.DataFrame({"value": []}), more=True)


def _words(found: RunResults, source: str, rule: str, about: _About, **renamed: str) -> pd.DataFrame:
    """Read a table of verdicts; ``renamed`` gives our column → its column."""
    # earlier runs wrote the number as verdict and its word as word
    word = "word" if "word" in found.table(source) else "verdict"
    renamed = {"verdict": word, "variant": "variant", **renamed}
    table = found.table(source, *renamed.values())
    rows = pd.DataFrame({ours: table[theirs] for ours, theirs in renamed.items()})
    for column in ("amount", "high_90"):
        if column in table:
            rows[column] = found.numbers(source, column)
    for column in ("unit", "why"):
        if column in table:
            rows[column] = table[column]
    if "whole" in table:
        rows["whole"] = table["whole"].map({"True": True, "False": False})
    extra = {column: table[column] for column in ("recipe", "audience") if column in table}
    rows = rows.assign(rule=rule, **{**about, **extra})
    return verdict_rows(rows[rows["verdict"] != ""])


def _symbols(found: RunResults, source: str, about: _About) -> pd.DataFrame:
    """Read the screen for the Canadian symbol, which is the same for each regime; it rests on percentages."""
    rows = _words(found, source, "symbol", {**about, "regime": ""}, component="component", name="category")
    words = rows["verdict"].replace(SYMBOL_WORDS)
    return rows.assign(
        amount=found.numbers(source, "percent"), unit="% DV", name="front-of-package symbol", verdict=words
    )


def _study(found: RunResults, about: _About) -> _Read:
    """Read a comparison of variants."""
    of_all = {**about, "audience": ""}
    amounts = _study_amounts(found, about["recipe"])
    variants = found.table("variants", "variant", "concerns_of_class", "on_frontier", "sodium_whole")
    names, standing = variants["variant"], variants["on_frontier"].map({"True": "on it"}).fillna("not on it")
    verdicts = [
        _words(found, "targets", "target", about, name="kind", group="group", component="component"),
        _words(found, "claims", "claim", of_all, name="title"),
        _symbols(found, "front_of_pack", of_all),
        _percent_words(found, amounts, of_all),
        _stated(names, variants["concerns_of_class"].replace("", "none"), {**about, "regime": ""}, CONCERN, ""),
        _stated(names, standing, {**of_all, "regime": ""}, FRONTIER, "sodium and nutrient density"),
    ]
    cautions = found.table("cautions", "caution")["caution"].drop_duplicates()
    called = pd.DataFrame({"name": cautions, "verdict": "called for"})
    verdicts.append(verdict_rows(called.assign(rule=CAUTION, recipe=about["recipe"])))
    allergens = allergen_rows(found.table("allergens", "ingredient", "options", "allergens"))
    verdicts.append(verdict_rows(allergens.assign(**of_all)))
    sodium = found.numbers("variants", _SODIUM).where(variants["sodium_whole"] == "True")
    density = found.numbers("variants", _DENSITY)
    ranks = [
        _measure(found, names, density, "nrf93_2009_standard_error", "Nutrient density", "points", more=True),
        _measure(found, names, sodium, "sodium_standard_error", "Sodium", "mg", more=False),
    ]
    if _COST in variants:
        cost = found.numbers("variants", _COST)
        ranks.append(_measure(found, names, cost, "", "Cost", _currency(variants), more=False))
    used = {"variants", "targets", "claims", "front_of_pack", "cautions", "allergens", "amounts", "percent_daily_value",
            "differences"}  # fmt: skip
    ranked = pd.concat(ranks, ignore_index=True).assign(recipe=about["recipe"])
    return amounts, pd.concat(verdicts, ignore_index=True), ranked, used


def _currency(variants: pd.DataFrame) -> str:
    return str(variants["currency"].iloc[0]) if "currency" in variants and len(variants) else ""


def _stated(variants: pd.Series, words: pd.Series, about: _About, rule: str, name: str) -> pd.DataFrame:
    rows = pd.DataFrame({"variant": variants.to_numpy(), "verdict": words.to_numpy()})
    return verdict_rows(rows.assign(rule=rule, name=name, **about))


def _measure(
    found: RunResults, names: pd.Series, values: pd.Series, error: str, measure: str, unit: str, *, more: bool
) -> pd.DataFrame:
    rows = pd.DataFrame({"variant": names, "value": values.to_numpy()})
    rows["standard_error"] = found.numbers("variants", error).to_numpy() if error else 0.0  # prices are taken as exact
    return rank_rows(rows.assign(measure=measure, unit=unit), more=more)


def _study_amounts(found: RunResults, recipe: str) -> pd.DataFrame:
    """Read the amounts per serving; a standard error is recorded only of what the audience watches."""
    table = found.table("amounts", "component", "unit", "basis", "status", "amount")
    choices = list(table.columns[: table.columns.get_loc("component")])
    variants = found.table("variants", "variant", *choices)
    label_of = dict(zip(variants[choices].apply(tuple, axis=1), variants["variant"], strict=True)) if choices else {}
    first = variants["variant"].iloc[0] if len(variants) else ""
    rows = table.assign(amount=found.numbers("amounts", "amount"))
    rows["variant"] = [label_of.get(key, "") for key in rows[choices].apply(tuple, axis=1)] if choices else first
    rows["whole"] = rows["status"].isin(["complete", "imputed in part"])
    rows = rows[rows["basis"] == "per serving"]
    compared = found.table("differences", "variant", "component", "basis")
    compared = compared.assign(standard_error=found.numbers("differences", "amount_standard_error"), watched=True)
    compared = compared.loc[compared["basis"] == "per serving", ["variant", "component", "standard_error", "watched"]]
    rows = rows.merge(compared, on=["variant", "component"], how="left")
    rows["watched"] = rows["watched"] == True  # noqa: E712 (missing is not watched)
    parts = [amount_rows(rows)]
    if _COST in variants:
        cost = pd.DataFrame({"variant": variants["variant"], "amount": found.numbers("variants", _COST)})
        cost = cost.assign(component=COST, unit=_currency(variants), basis="per serving", standard_error=0.0)
        parts.append(amount_rows(cost.assign(whole=cost["amount"].notna(), watched=True)))
    return pd.concat(parts, ignore_index=True).assign(recipe=recipe)


def _percent_words(found: RunResults, amounts: pd.DataFrame, about: _About) -> pd.DataFrame:
    regime = about["regime"]
    if regime not in REGIMES:
        return verdict_rows(pd.DataFrame())
    table = found.table("percent_daily_value", "variant")
    columns = {name: found.numbers("percent_daily_value", name).to_numpy() for name in table.columns[1:]}
    percent = pd.DataFrame(columns, index=pd.Index(table["variant"]))
    return word_rows(percent, amounts, regime).assign(**about)


def _measured(column: str) -> tuple[str, str, str]:
    """Take the name of a measure's column apart, as :class:`swaptable.deciding.yardsticks.Yardstick` puts it together.

    Examples
    --------
    >>> _measured("cost_CAD_per_serving"), _measured("vitamin_c_mg_per_100_kcal")
    (('cost', 'CAD', 'per serving'), ('VITC', 'mg', 'per 100 kcal'))
    """
    labels = published_table("components").set_index("component")["label"]
    tags = {label.lower().replace(" ", "_"): tag for tag, label in labels.items()}
    tags |= {name.replace(" ", "_"): name for name in (COST, DENSITY)}
    name_unit, _, basis = column.rpartition("_per_")
    known = max((name for name in tags if name_unit.startswith(f"{name}_")), key=len, default="")
    name = known or name_unit.rpartition("_")[0]
    return tags.get(name, name.upper()), name_unit[len(name) + 1 :].replace("_", " "), f"per {basis.replace('_', ' ')}"


def _decision(found: RunResults, about: _About) -> _Read:
    """Read a decision: wants, the order, the frontier and concerns."""
    ranking = found.table("ranking", "variant", "wants", "frontier", "concerns_of_class", "missed_percent",
                          "standard_error", "rank")  # fmt: skip
    names = ranking["variant"]
    first, last = (ranking.columns.get_loc(column) for column in ("missed_percent", "standard_error"))
    measured = list(ranking.columns[first + 1 : last])  # the first is what was to be best
    verdicts = [
        _words(found, "verdicts", "want", about, name="want"),
        _stated(names, ranking["wants"], about, "want", "all that is wanted"),
        _stated(names, ranking["concerns_of_class"].replace("", "none"), {**about, "regime": ""}, CONCERN, ""),
        _stated(names, ranking["frontier"], about, FRONTIER, "the decision's measures"),
    ]
    errors = found.numbers("ranking", "standard_error")
    amounts = []
    for column in measured:
        rows = pd.DataFrame({"variant": names, "amount": found.numbers("ranking", column)})
        rows["standard_error"] = errors if column == measured[0] else 0.0 if column.startswith("cost") else np.nan
        component, unit, basis = _measured(column)
        rows = rows.assign(component=component, unit=unit, basis=basis, whole=rows["amount"].notna(), watched=True)
        amounts.append(amount_rows(rows))
    ranked = pd.DataFrame({"variant": names, "value": found.numbers("ranking", measured[0]), "standard_error": errors})
    ranked = ranked.assign(measure=OBJECTIVE, unit="", place=found.numbers("ranking", "rank"), recipe=about["recipe"])
    table = pd.concat(amounts, ignore_index=True).assign(recipe=about["recipe"])
    return table, pd.concat(verdicts, ignore_index=True), rank_rows(ranked, more=True), {"ranking", "verdicts"}


def _programme(found: RunResults, about: _About) -> _Read:
    """Read a programme: the verdicts on each recipe as written and on its best variant, for each audience."""
    of_all = {**about, "audience": ""}
    scores = found.table("scores", "recipe", "audience", "which", "variant")
    best = scores[scores["which"] == "best"]
    rows = pd.DataFrame({"recipe": best["recipe"], "audience": best["audience"], "verdict": best["variant"]})
    claims = found.table("claims", "title", "as_written", "recipe")
    claimed = pd.DataFrame({"name": claims["title"], "verdict": claims["as_written"], "recipe": claims["recipe"]})
    claimed = claimed[claimed["verdict"] != ""]
    verdicts = [
        _words(found, "targets", "target", about, name="kind", group="group", component="component"),
        verdict_rows(claimed.assign(rule="claim", variant="as written", audience="", regime=about["regime"])),
        _symbols(found, "symbols", of_all),
        verdict_rows(rows.assign(rule=BEST, name="variant that meets most aims", regime=about["regime"])),
    ]
    if "days" in found.names and len(found.table("days")):
        days = _words(found, "days", "day", of_all, variant="day", name="kind", group="group", component="component")
        verdicts.append(days)
    targets = found.table("targets", "recipe", "variant", "compared_with", "unit", "whole")
    amounts = targets.assign(
        component=targets["compared_with"], amount=found.numbers("targets", "amount"),
        standard_error=found.numbers("targets", "standard_error"), whole=targets["whole"] == "True", watched=True,
        basis="per serving",
    )  # fmt: skip
    amounts = amount_rows(amounts).drop_duplicates(AMOUNT_KEYS)
    table = pd.concat(verdicts, ignore_index=True).drop_duplicates(ignore_index=True)
    return amounts, table, _nothing()[2], {"targets", "claims", "symbols", "scores", "days"}


_READERS: dict[tuple[str, ...], Callable[[RunResults, _About], _Read]] = {
    ("variants", "targets", "differences", "amounts", "claims", "front_of_pack"): _study,
    ("ranking", "verdicts"): _decision,
    ("scores", "targets", "symbols", "claims"): _programme,
}
