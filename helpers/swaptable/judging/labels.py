"""Nutrition facts of one serving: the lines that a regime prescribes, rounded by its rules.

An estimate for a class, never a label: what is not known stays so, and no gap is printed as 0.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from swaptable.amounts.nutrients import WHOLE_SHARE, Amounts
from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.basics.units import GENERAL_KCAL_PER_GRAM, convert
from swaptable.foods.reference import label_lines, label_rounding
from swaptable.judging.daily_values import POPULATION, REGIMES, checked_regime, daily_value_for

__all__ = [
    "ESTIMATE",
    "NOT_KNOWN",
    "Rounded",
    "nutrition_facts",
    "nutrition_facts_text",
    "round_amount",
    "round_percent",
]

ESTIMATE = "Estimate. Not for packaged sale."
NOT_KNOWN, AT_LEAST = "not known", "at least"
KNOWN, IMPUTED, LOWER_BOUND, MISSING = "known", "imputed in part", "lower bound", "missing"
SERVING = "serving"
FROM_PRINTED = ("CA", "vitamins and minerals")  # whose percent is taken from the amount as printed, B.01.402(2.2)
DIGITS = 9  # beyond them a number differs from a band edge or a tie by floating point only
_CONDITION = re.compile(r"(?P<parts>\S+) (?P<operator><=?) (?P<limit>\S+) (?P<unit>.+)")


class Rounded(NamedTuple):
    """A number as a rule prints it.

    Attributes
    ----------
    number : float
        In the unit of the rule; where it prints ``less than``, the number that it names; NaN if not known.
    text : str
        As printed, with its unit.
    """

    number: float
    text: str


def _of_regime(table: pd.DataFrame, regime: str) -> pd.DataFrame:
    return table[table["regime"] == checked_regime(regime)]


def _band(value: float, component: str, field: str, regime: str) -> pd.Series:
    """Find the band of a rule that a value falls in."""
    table = _of_regime(label_rounding(), regime)
    table = table[table["field"] == field]
    bands = table[table["component"] == component]
    if bands.empty:
        known = list(dict.fromkeys(table["component"]))
        allowed = f"expected one of {listed(known, 60)}{nearest(component, known)}"
        raise SwaptableError(f"found component '{component}' without a rule in {REGIMES[regime]}; {allowed}")
    above = (value > bands["from"]) | ((value == bands["from"]) & (bands["from_included"] == "yes"))
    under = bands["below"].isna() | (value < bands["below"])
    under |= (value == bands["below"]) & (bands["below_included"] == "yes")
    fitting = bands[above & under]
    if fitting.empty:
        raise SwaptableError(f"found {value:g} for {component}; expected an amount of 0 or more")
    return fitting.iloc[0]


def _round(value: float, component: str, field: str, regime: str, *, free: bool, at_least: bool) -> Rounded:
    if np.isnan(value):
        return Rounded(np.nan, NOT_KNOWN)
    value = round(value, DIGITS)
    band = _band(value, component, field, regime)
    rule, step, unit = str(band["rule"]), float(band["step"]), str(band["unit"])
    steps = round(value / step, DIGITS) if rule == "nearest" else 0.0
    if at_least:  # rounded down: what is known to be there can be no more than that
        number = round(np.floor(steps) * step, DIGITS)
        return Rounded(number, f"{AT_LEAST} {number:.10g} {unit}") if number > 0 else Rounded(np.nan, NOT_KNOWN)
    if rule == "less than":
        return Rounded(step, f"less than {step:.10g} {unit}")
    if rule == "zero" or (free and band["zero_only_if"]):
        return Rounded(0.0, f"0 {unit}")
    number = round(np.floor(steps + 0.5) * step, DIGITS)
    return Rounded(number, f"{number:.10g} {unit}")


def round_amount(value: float, component: str, regime: str, *, free: bool = False, at_least: bool = False) -> Rounded:
    """Round an amount as a regime prescribes for its nutrition facts table.

    Parameters
    ----------
    value : float
        Amount in a serving, in the unit of ``label_rounding.csv`` (kcal, g, mg or µg as printed); NaN if missing.
    component : str
        INFOODS tag, or ``"serving"`` for the weight of a serving [g].
    regime : str
        ``"US"`` or ``"CA"``.
    free : bool, optional
        Whether the food may be called free of the component: where a rule prints 0 only then.
    at_least : bool, optional
        The value is a lower bound: it is rounded down, and what would be 0 is not known.

    Returns
    -------
    Rounded

    Raises
    ------
    SwaptableError
        If the regime or the component has no rule, or the amount is below 0.

    Notes
    -----
    The rules do not say what to do halfway between two steps; here it is rounded up.

    References
    ----------
    21 CFR 101.9(c). Food and Drug Regulations (C.R.C., c. 870), tables to B.01.401 and B.01.402.

    Examples
    --------
    >>> round_amount(146.0, "NA", "US").text, round_amount(3.0, "CHOLE", "US").text
    ('150 mg', 'less than 5 mg')
    """
    return _round(value, component, "amount", regime, free=free, at_least=at_least)


def round_percent(percent: float, component: str, regime: str, *, at_least: bool = False) -> Rounded:
    """Round a percent of the daily value as a regime prescribes.

    Parameters
    ----------
    percent : float
        Percent of the daily value in a serving [%]; NaN if missing.
    component : str
        What has the daily value: an INFOODS tag or a sum such as ``"FASAT+FATRN"``.
    regime : str
        ``"US"`` or ``"CA"``.
    at_least : bool, optional
        As for :func:`round_amount`.

    Returns
    -------
    Rounded

    Raises
    ------
    SwaptableError
        If the regime prints no percent for the component, or the percent is below 0.

    Examples
    --------
    >>> round_percent(8.9, "CA", "US").text, round_percent(8.9, "NA", "US").text
    ('8 %', '9 %')
    """
    lines = _of_regime(label_lines(), regime)
    rules = lines[lines["percent_of"] != ""].set_index("percent_of")["percent_rule"]
    if component not in rules:
        allowed = f"expected one of {listed(rules.index, 60)}{nearest(component, rules.index)}"
        raise SwaptableError(f"found component '{component}' without a percent in {REGIMES[regime]}; {allowed}")
    return _round(percent, str(rules[component]), "percent", regime, free=False, at_least=at_least)


class _Serving(NamedTuple):
    """What one serving of one variant holds, by component."""

    amount: pd.Series
    unit: pd.Series
    known: pd.Series  # share of the weight that is known, and that has a value, imputed ones counted as well [-]
    valued: pd.Series
    grams: float

    def sum_of(self, parts: Sequence[str], unit: str) -> float:
        """Add components up [unit]; NaN if one is missing or not in the release."""
        if not set(parts) <= set(self.amount.index):
            return np.nan
        return sum(convert(float(self.amount[part]), str(self.unit[part]), unit) for part in parts)

    def status_of(self, parts: Sequence[str]) -> str:
        """Say how much of components is known."""
        if not set(parts) <= set(self.amount.index) or self.amount[list(parts)].isna().any():
            return MISSING
        if (self.valued[list(parts)] < WHOLE_SHARE).any():
            return LOWER_BOUND
        return IMPUTED if (self.known[list(parts)] < WHOLE_SHARE).any() else KNOWN


def _serving_of(amounts: Amounts, variant: Mapping[str, str]) -> _Serving:
    per, data = amounts.per("serving").sel(variant), amounts.data.sel(variant)
    known, valued = (data[share].to_series() for share in ("known_share", "valued_share"))
    return _Serving(per.to_series(), amounts.units(), known, valued, float(data["cooked_g"]) / amounts.recipe.servings)


def _variant_of(amounts: Amounts, variant: Mapping[str, str] | None) -> dict[str, str]:
    """Complete a variant by the options as written, and refuse one that is not in the grid."""
    grid = amounts.grid
    chosen = {**grid.as_written, **(variant or {})}
    if chosen not in grid.variants():
        allowed = "; ".join(f"{choice}: {', '.join(options)}" for choice, options in grid.choices.items())
        raise SwaptableError(f"found variant {dict(variant or {})}; expected options that go together of {allowed}")
    return chosen


def _holds(condition: str, serving: _Serving, times: float) -> bool:
    """Tell whether a condition such as ``NA < 5 mg and FASAT+FATRN <= 15 % of energy`` holds for so many servings."""
    for one in condition.split(" and "):
        found = _CONDITION.fullmatch(one)
        if found is None:
            raise SwaptableError(f"found condition '{one}'; expected one such as 'NA < 5 mg'")
        parts = found["parts"].split("+")
        if serving.status_of(parts) in (MISSING, LOWER_BOUND):
            return False
        if found["unit"] == "% of energy":
            energy = serving.sum_of(["ENERC_KCAL"], "kcal")
            # without energy there is none from fat
            value = 100 * GENERAL_KCAL_PER_GRAM["FAT"] * serving.sum_of(parts, "g") / energy if energy else 0.0
        else:
            value = times * serving.sum_of(parts, found["unit"])
        value, limit = round(value, DIGITS), float(found["limit"])
        if not (value < limit or (value == limit and found["operator"] == "<=")):
            return False
    return True


def _is_free(component: str, regime: str, serving: _Serving, reference_amount: float | None) -> bool:
    """Tell whether a rule's condition for printing 0 holds, per serving and per reference amount where it is stated."""
    table = _of_regime(label_rounding(), regime)
    rows = table[(table["component"] == component) & (table["zero_only_if"] != "")]
    times = [1.0] if reference_amount is None else [1.0, reference_amount / serving.grams]
    return len(rows) > 0 and all(_holds(str(rows["zero_only_if"].iloc[0]), serving, number) for number in times)


def _cited(row: pd.Series) -> str:
    """Give the source of a row, and say where nobody has seen it."""
    return str(row["source"]) + ("" if row["checked"] == "seen" else f" ({row['checked']})")


def nutrition_facts(
    amounts: Amounts,
    regime: str,
    variant: Mapping[str, str] | None = None,
    *,
    population: str = POPULATION,
    voluntary: bool = False,
) -> pd.DataFrame:
    """Give the nutrition facts of a serving as a regime prescribes content and rounding.

    Parameters
    ----------
    amounts : Amounts
    regime : str
        ``"US"`` (21 CFR 101.9, 2016) or ``"CA"`` (Food and Drug Regulations, B.01.401, 2016).
    variant : mapping, optional
        Choice → option; what is left out is as written.
    population : str, optional
        Whose daily values, as for :func:`swaptable.judging.daily_values.daily_value_for`.
    voluntary : bool, optional
        Give the lines that a table may have as well.

    Returns
    -------
    DataFrame
        One row per line, in order: ``line``, ``component``, ``indent`` (0 to 2), ``amount_text`` and
        ``percent_text`` as printed (empty where nothing is prescribed), ``amount`` in ``unit`` and ``percent`` of
        the daily value [%], both unrounded and NaN if missing, ``status`` (``known``, ``imputed in part``,
        ``lower bound``, ``missing``) and ``source`` of rule and daily value. Show :data:`ESTIMATE` with it.

    Raises
    ------
    SwaptableError
        If there is no such regime, variant or population.

    Notes
    -----
    Canada takes the percent of vitamins and minerals from the amount as printed, and prints 0 of energy, fat,
    saturated and trans fat and sodium only where the food may be called free of it; without a reference amount in
    the recipe that is judged by the serving alone. Elsewhere a percent is taken from the amount before rounding; of
    what is printed as 0 it is 0.
    """
    serving = _serving_of(amounts, _variant_of(amounts, variant))
    lines, daily = _of_regime(label_lines(), regime), daily_value_for(regime, population)
    rows = []
    zeros: set[str] = set()
    for _, line in lines[(lines["mandatory"] == "yes") | voluntary].iterrows():
        component, valued = str(line["component"]), str(line["percent_of"])
        rule = _band(0.0, component, "amount", regime)
        unit, source = str(rule["unit"]), _cited(rule)
        status, amount = serving.status_of([component]), serving.sum_of([component], unit)
        if component == SERVING:
            status, amount = MISSING if np.isnan(serving.grams) else KNOWN, serving.grams
            source = f"{source}; weight as eaten: {amounts.cooked_weight_origin}"
        free = _is_free(component, regime, serving, amounts.recipe.reference_amount)
        printed = round_amount(amount, component, regime, free=free, at_least=status == LOWER_BOUND)
        zeros |= {component} if printed.number == 0 else set()
        percent, percent_text = np.nan, ""
        if valued in daily.index:
            parts, day, day_unit = valued.split("+"), float(daily.loc[valued, "value"]), str(daily.loc[valued, "unit"])
            percent = 100 * serving.sum_of(parts, day_unit) / day
            taken = percent
            if zeros.issuperset(parts):  # of what is printed as 0 the percent is 0
                taken = 0.0
            elif (regime, line["percent_rule"]) == FROM_PRINTED:
                taken = 100 * convert(printed.number, unit, day_unit) / day
            at_least = serving.status_of(parts) == LOWER_BOUND
            percent_text = round_percent(taken, valued, regime, at_least=at_least).text
            source = f"{source}; daily value: {_cited(daily.loc[valued])}"
        rows.append(
            {
                "line": line["line"], "component": component, "indent": int(line["indent"]),
                "amount_text": printed.text, "percent_text": percent_text, "amount": amount, "unit": unit,
                "percent": percent, "status": status, "source": source,
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def nutrition_facts_text(table: pd.DataFrame) -> str:
    """Write nutrition facts as plain lines of text.

    Parameters
    ----------
    table : DataFrame
        From :func:`nutrition_facts`.

    Returns
    -------
    str
        A heading, one line each with amount and percent of the daily value, what the words for gaps mean, and
        :data:`ESTIMATE`.
    """
    names = ["  " * row.indent + row.line for row in table.itertuples()]
    name, amount = max(map(len, names)), int(table["amount_text"].str.len().max())
    lines = [f"{'In one serving':<{name}}  {'amount':<{amount}}  of the daily value"]
    texts = zip(names, table["amount_text"], table["percent_text"], strict=True)
    lines += [f"{words:<{name}}  {held:<{amount}}  {percent}".rstrip() for words, held, percent in texts]
    if table["amount_text"].str.startswith(AT_LEAST).any():
        lines.append("At least: some of the food has no value for it; nobody knows how much more there is.")
    if (table["status"] == IMPUTED).any():
        lines.append("Some values are imputed.")
    return "\n".join([*lines, ESTIMATE])
