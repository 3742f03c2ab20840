"""What a recipe's numbers lead to, in one shape, so that what was computed and what was recorded can be compared.

Three tidy tables: amounts per serving with their standard errors; verdicts, which are words (targets, claims, symbols,
words for a little and a lot, wants, concerns, cautions, allergens, the frontier); and ranks of the variants by a
measure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from swaptable.amounts.certainty import certainty_of
from swaptable.amounts.comparison import differences, unbeaten, variant_values
from swaptable.amounts.cost import Price
from swaptable.amounts.nutrients import WHOLE_SHARE, Amounts
from swaptable.deciding.yardsticks import COST, DENSITY, Measured, measure, with_cost, yardstick_named
from swaptable.foods.reference import Z
from swaptable.judging.allergens import allergens_of
from swaptable.judging.audiences import Audience
from swaptable.judging.cautions import cautions_for, swap_concerns
from swaptable.judging.claims import claim_verdicts, judge_claims
from swaptable.judging.daily_values import daily_value_word, percent_daily_value, valued_as
from swaptable.judging.front_of_pack import front_of_pack
from swaptable.judging.targets import Aims, day_targets, find_aims, judge_servings
from swaptable.judging.verdicts import LEVEL

__all__ = [
    "ABSENT", "ALLERGEN", "AMOUNT_KEYS", "BEST", "CAUTION", "CONCERN", "FRONTIER", "RANK_KEYS", "SYMBOL_WORDS",
    "VERDICT_KEYS", "WORD", "Conclusions", "allergen_rows", "amount_rows", "conclude", "rank_rows", "verdict_rows",
    "word_rows",
]  # fmt: skip

AMOUNT_KEYS = ["recipe", "variant", "component", "basis"]
VERDICT_KEYS = ["recipe", "audience", "regime", "rule", "name", "group", "component", "variant"]
RANK_KEYS = ["recipe", "measure", "variant"]
_AMOUNT_VALUES = ["unit", "amount", "standard_error", "whole", "watched"]
_VERDICT_VALUES = ["verdict", "why", "amount", "high_90", "unit", "whole"]
_RANK_VALUES = ["unit", "value", "standard_error", "place"]
WORD, FRONTIER, BEST = "word", "frontier", "best by aims"
CONCERN, CAUTION, ALLERGEN = "concern of the class", "caution", "allergen"
# What is said where there is no row: these rules list only what they find.
ABSENT = {CAUTION: "not called for", ALLERGEN: "none named"}
# What the verdicts on the condition of the symbol mean for the symbol.
SYMBOL_WORDS = {"met": "called for", "not met": "not called for"}
SAME = 9  # significant digits to which two values share a place


@dataclass(frozen=True, eq=False)
class Conclusions:
    """What the numbers of a recipe, or of a recorded run, lead to.

    Attributes
    ----------
    run : str
        Runs that ask for it.
    amounts : DataFrame
        :data:`AMOUNT_KEYS`, ``unit``, ``amount``, ``standard_error`` (of the mean; NaN where not known), ``whole``
        (nothing is missing), ``watched`` (the audience raises it, keeps it down or shows it).
    verdicts : DataFrame
        :data:`VERDICT_KEYS`, ``verdict``, ``why``, ``amount`` and ``high_90`` in ``unit`` where it rests on one
        number, ``whole`` (False: the number is a lower bound).
    ranks : DataFrame
        :data:`RANK_KEYS`, ``unit``, ``value``, ``standard_error`` and ``place`` (1 is best; NaN: not known).
    pair_error : callable
        (recipe, measure, variant, other variant) → standard error of their difference; NaN where not known.
    foods : dict
        Code of every food that is used → recipes that use it; empty where that is not recorded.
    """

    run: str
    amounts: pd.DataFrame
    verdicts: pd.DataFrame
    ranks: pd.DataFrame
    pair_error: Callable[[str, str, str, str], float]
    foods: Mapping[str, set[str]]


def _shaped(rows: pd.DataFrame, columns: Sequence[str], texts: Iterable[str]) -> pd.DataFrame:
    table = rows.reindex(columns=list(columns))
    return table.assign(**{name: table[name].astype(object).fillna("").astype(str) for name in texts})


def amount_rows(rows: pd.DataFrame) -> pd.DataFrame:
    """Give amounts their columns; a text that is not given is empty, a number missing."""
    return _shaped(rows, [*AMOUNT_KEYS, *_AMOUNT_VALUES], [*AMOUNT_KEYS, "unit"])


def verdict_rows(rows: pd.DataFrame) -> pd.DataFrame:
    """Give verdicts their columns; a text that is not given is empty, a number missing."""
    return _shaped(rows, [*VERDICT_KEYS, *_VERDICT_VALUES], [*VERDICT_KEYS, "verdict", "why", "unit"])


def rank_rows(rows: pd.DataFrame, *, more: bool) -> pd.DataFrame:
    """Give the values of one measure their columns and places.

    Parameters
    ----------
    rows : DataFrame
        :data:`RANK_KEYS`, ``unit``, ``value`` and ``standard_error``; ``place`` is kept if it is there.
    more : bool
        Whether more is better.
    """
    table = _shaped(rows, [*RANK_KEYS, *_RANK_VALUES], [*RANK_KEYS, "unit"])
    if "place" not in rows:
        largest = float(table["value"].abs().max()) or 1.0
        near = (table["value"] / largest).round(SAME)
        table["place"] = near.rank(method="min", ascending=not more)
    return table


def word_rows(percent: pd.DataFrame, amounts: pd.DataFrame, regime: str) -> pd.DataFrame:
    """Say which components a serving holds a little or a lot of.

    Parameters
    ----------
    percent : DataFrame
        Variants × components (or sums such as ``FASAT+FATRN``): percent of the daily value.
    amounts : DataFrame
        From :func:`amount_rows`, of the same variants; how sure they are goes over to the percentages.
    regime : str

    Returns
    -------
    DataFrame
        As :func:`verdict_rows`; ``amount`` in percent.
    """
    known = amounts.set_index(["component", "variant"])[["amount", "standard_error", "whole"]]
    tables = []
    for component, values in percent.items():
        parts = [known.loc[part].reindex(values.index) for part in str(component).split("+") if part in known.index]
        whole = np.all([part["whole"] == True for part in parts], axis=0)  # noqa: E712 (NaN is not whole)
        relative = parts[0]["standard_error"] / parts[0]["amount"] if len(parts) == 1 else np.nan
        words = [daily_value_word(each, regime, whole=bool(all_)) for each, all_ in zip(values, whole, strict=True)]
        rows = pd.DataFrame({"variant": values.index, "verdict": words, "amount": values.to_numpy(), "whole": whole})
        rows["high_90"] = (values * (1 + Z[LEVEL] * relative)).to_numpy()
        tables.append(rows.assign(component=component, rule=WORD, name="words for a little and a lot", unit="% DV"))
    return verdict_rows(pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()).assign(regime=regime)


def conclude(
    amounts: Amounts, recipe: str, asked: Mapping[tuple[str, str], Audience], prices: Mapping[str, Price], run: str
) -> Conclusions:
    """Draw every conclusion from a computed recipe.

    Parameters
    ----------
    amounts : Amounts
    recipe : str
        Name of the recipe.
    asked : mapping of Audience
        (Name of the audience, regime) → audience.
    prices : mapping of Price
        By food code; empty costs nothing.
    run : str
        Runs that ask for it.

    Returns
    -------
    Conclusions
        Whose differences between variants let cancel what the two share.
    """
    aims = {key: find_aims(people, amounts.units()) for key, people in asked.items()}
    watched = {"NA", *(tag for each in aims.values() for tag, _ in each.components())}
    table = _amounts(amounts, watched)
    priced = with_cost(amounts, prices) if prices else amounts
    yardsticks = [yardstick_named(words, priced) for words in (DENSITY, "least sodium")]
    yardsticks += [yardstick_named(COST, priced, more=False)] if prices else []
    measured = {each.name: measure(each, priced) for each in yardsticks}
    verdicts = [_frontier(list(measured.values())[:2], amounts), *_safety(amounts, asked)]
    for regime in dict.fromkeys(regime for _, regime in asked):
        verdicts.append(_words(amounts, table, watched, regime))
    verdicts += _judged(amounts, aims)
    if prices:
        table = pd.concat([table, _cost(measured[yardsticks[-1].name], amounts)], ignore_index=True)
    place_of = {label: place for place, label in enumerate(amounts.grid.labels)}

    def pair_error(_: str, name: str, one: str, other: str) -> float:
        found, places = measured[name], [place_of[one], place_of[other]]
        if not found.whole[places].all():
            return np.nan  # what differs may be what is missing
        return float(found.difference_errors(places[1:])[places[0], 0])

    codes = sorted({line.food.code for lines in amounts.grid.lines.values() for line in lines.values()})
    return Conclusions(
        run,
        table.assign(recipe=recipe),
        pd.concat(verdicts, ignore_index=True).assign(recipe=recipe),
        pd.concat([_ranks(each, amounts) for each in measured.values()], ignore_index=True).assign(recipe=recipe),
        pair_error,
        {code: {recipe} for code in codes},
    )


def _amounts(amounts: Amounts, watched: set[str]) -> pd.DataFrame:
    """List every component of every variant per serving, with its standard error."""
    components = [str(tag) for tag in amounts.units().index]
    table = differences(amounts, components)
    error, valued = certainty_of(amounts).error, amounts.data["valued_share"]
    listed = amounts.grid.listed
    table["standard_error"] = np.concatenate([listed(error.sel(component=tag)) for tag in components])
    share = np.concatenate([listed(valued.sel(component=tag)) for tag in components])
    return amount_rows(table.assign(whole=share > WHOLE_SHARE, watched=table["component"].isin(watched)))


def _cost(known: Measured, amounts: Amounts) -> pd.DataFrame:
    rows = {"variant": amounts.grid.labels, "amount": known.value, "standard_error": known.error, "whole": known.whole}
    return amount_rows(
        pd.DataFrame(rows).assign(component=COST, unit=known.yardstick.unit, basis="per serving", watched=True)
    )


def _ranks(known: Measured, amounts: Amounts) -> pd.DataFrame:
    gain = known.gain if known.yardstick.more else -known.gain
    rows = pd.DataFrame({"variant": amounts.grid.labels, "value": gain, "standard_error": known.error})
    return rank_rows(rows.assign(measure=known.yardstick.name, unit=known.yardstick.unit), more=known.yardstick.more)


def _frontier(measured: Sequence[Measured], amounts: Amounts) -> pd.DataFrame:
    on = unbeaten(np.column_stack([each.gain for each in measured]))
    words = np.where(on, "on it", "not on it")
    rows = pd.DataFrame({"variant": amounts.grid.labels, "verdict": words})
    return verdict_rows(rows.assign(rule=FRONTIER, name="sodium and nutrient density"))


def _words(amounts: Amounts, table: pd.DataFrame, watched: set[str], regime: str) -> pd.DataFrame:
    percent = percent_daily_value(amounts, regime)
    valued = dict.fromkeys(name for tag in sorted(watched) if (name := valued_as(tag, percent)) is not None)
    columns = {name: variant_values(percent.sel(component=name), amounts.grid) for name in valued}
    return word_rows(pd.DataFrame(columns), table, regime)


def _judged(amounts: Amounts, aims: Mapping[tuple[str, str], Aims]) -> list[pd.DataFrame]:
    """Judge targets for each audience; claims and symbols are the same for all of a regime."""
    tables = []
    for (audience, regime), each in aims.items():
        rows = judge_servings(amounts, day_targets(each, regime), each.audience.share_of_day)
        rows = rows[rows["verdict"].notna()]
        told = rows.assign(rule="target", name=rows["kind"], verdict=rows["word"], audience=audience, regime=regime)
        tables.append(verdict_rows(told))
    symbols = front_of_pack(amounts)
    symbols = symbols.assign(amount=symbols["percent"], unit="% DV", name="front-of-package symbol")
    tables.append(verdict_rows(symbols.assign(rule="symbol", verdict=symbols["word"].replace(SYMBOL_WORDS))))
    for regime in dict.fromkeys(regime for _, regime in aims):
        claims = claim_verdicts(judge_claims(amounts, regime))
        told = claims.assign(rule="claim", name=claims["title"], verdict=claims["word"], regime=regime)
        tables.append(verdict_rows(told))
    return tables


def _safety(amounts: Amounts, asked: Mapping[tuple[str, str], Audience]) -> list[pd.DataFrame]:
    """List what speaks against a variant, which cautions it calls for, and which allergens are named."""
    tables = []
    audiences = {name: people for (name, _), people in asked.items()}
    for name, people in audiences.items():
        concerns = swap_concerns(amounts, people.concerns)
        told = pd.DataFrame({"variant": concerns.index, "verdict": concerns.replace("", "none").to_numpy()})
        tables.append(told.assign(rule=CONCERN, audience=name))
    cautions = cautions_for(amounts, dict.fromkeys(word for people in audiences.values() for word in people.concerns))
    called = pd.DataFrame({"name": cautions["caution"].drop_duplicates()}) if len(cautions) else pd.DataFrame()
    tables.append(called.assign(rule=CAUTION, verdict="called for"))
    for regime in dict.fromkeys(regime for _, regime in asked):
        tables.append(allergen_rows(allergens_of(amounts, regime)).assign(regime=regime))
    return [verdict_rows(table) for table in tables if len(table)]


def allergen_rows(allergens: pd.DataFrame) -> pd.DataFrame:
    """Turn the table of allergens into verdicts on ingredients."""
    named = allergens[allergens["allergens"] != ""]
    what = named["ingredient"] + np.where(named["options"] != "", " (" + named["options"] + ")", "")
    return pd.DataFrame({"name": what, "verdict": named["allergens"]}).assign(rule=ALLERGEN)
