"""Sentences that state what a study shows: chart titles, texts for screen readers, a headline.

Every sentence is made from the study's own tables and holds for any recipe, also one without choices.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from swaptable.amounts.certainty import certainty_of
from swaptable.amounts.nutrients import WHOLE_SHARE
from swaptable.foods.imputation import FilledRelease
from swaptable.foods.reference import Z, component_label
from swaptable.judging.daily_values import daily_value_word, percent_of_value, percent_text, word_limits
from swaptable.judging.study import NRF, Study

__all__ = [
    "aims_met",
    "amount_text",
    "contribution_finding",
    "daily_value_finding",
    "density_finding",
    "difference_finding",
    "effect_finding",
    "gaps",
    "headline",
    "is_trifle",
    "plain_name",
]

IN_SENTENCE = {"US": "the United States", "CA": "Canada"}
TRIFLE, COUNTS = 1.0, 5.0  # % of a daily value: below the one nothing is named, from the other on a loss is (assumed)


def amount_text(value: float, unit: str = "", *, signed: bool = False, beside: float | None = None) -> str:
    """Print a number with three significant digits, or as many whole ones as it has.

    Parameters
    ----------
    value : float
        Amount in ``unit``.
    unit : str, optional
        Printed behind the number.
    signed : bool, optional
        Print + as well as −.
    beside : float, optional
        Largest number it stands beside: digits that are below its third are not printed.

    Returns
    -------
    str

    Examples
    --------
    >>> amount_text(1234.5, "mg"), amount_text(0.04567, "mg"), amount_text(-3.0, signed=True)
    ('1,234 mg', '0.0457 mg', '−3')
    >>> amount_text(0.04567, "mg", beside=99.0)
    '≈0 mg'
    """
    if np.isnan(value):
        return "not known"
    scale = abs(value if beside is None or np.isnan(beside) else beside)
    digits = 0 if scale == 0 else max(0, 2 - int(np.floor(np.log10(scale))))
    text = f"{value:{'+' if signed and round(value, digits) else ''},.{digits}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    text = ("≈0" if value else "0") if text in ("-0", "0") else text
    return f"{text.replace('-', '−')} {unit}".strip()


def is_trifle(component: str, difference: float, unit: str, regime: str) -> bool:
    """Tell whether a difference is below 1 % of a daily value; what has no daily value is never a trifle.

    Parameters
    ----------
    component : str
        INFOODS tag.
    difference : float
        In ``unit``.
    unit, regime : str

    Returns
    -------
    bool

    Examples
    --------
    >>> is_trifle("NA", 1.0, "mg", "US"), is_trifle("NA", -23.0, "mg", "US")
    (True, False)
    """
    return abs(percent_of_value(component, difference, unit, regime)) < TRIFLE


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def aims_met(counts: Mapping[str, int]) -> str:
    """Say how many aims are surely met, from the counts of :func:`swaptable.judging.verdicts.met_by_role`.

    Examples
    --------
    >>> aims_met({"raised": 16, "raised_met": 0, "kept_down": 8, "kept_down_met": 8})
    'raise 0 of 16 · keep down 8 of 8'
    """
    roles = {"raised": "raise", "kept_down": "keep down"}
    held = {name: word for name, word in roles.items() if counts[name]}
    return " · ".join(f"{word} {counts[f'{name}_met']} of {counts[name]}" for name, word in held.items())


def plain_name(component: str) -> str:
    """Write a component's name inside a sentence: only its first letter small, and not of an acronym."""
    label = component_label(component)
    return label if label[:2].isupper() else label[:1].lower() + label[1:]


def _least_sodium(study: Study) -> pd.Series:
    table = study.variants
    whole = table[table["sodium_whole"]]  # a lower bound is never the least
    return table.loc[whole["sodium_mg_per_serving"].idxmin()] if len(whole) else table.iloc[0]


def _read_first(study: Study, variant: pd.Series) -> str:
    """Never praise a swap that a concern speaks against without saying so in the same breath."""
    concerns = study.read_first[variant.name]
    return f" (first read the caution on {concerns})" if concerns else ""


def _given_up(study: Study, variant: pd.Series) -> str:
    """Name what a serving of a variant surely holds less of that the class is to get more of, the largest part first.

    Trifles are left out: only what is at least 5 % of a daily value.
    """
    amounts = study.amounts
    known, share, units = certainty_of(amounts), amounts.data["valued_share"], amounts.units()
    real, losses = known.is_real(), []
    raised = study.day_targets.loc[study.day_targets["role"] == "raise", "component"].unique()
    for component in (tag for tag in raised if tag in units.index):
        options = [{choice: at[choice] for choice in amounts.grid.choices} for at in (variant, study.variants.iloc[0])]
        here, written = ({**chosen, "component": component} for chosen in options)
        change, unit = float(known.difference.sel(here)), str(units[component])
        percent = percent_of_value(component, change, unit, study.regime)
        whole = min(float(share.sel(at)) for at in (here, written)) > WHOLE_SHARE
        if percent <= -COUNTS and whole and bool(real.sel(here)):
            losses.append((percent, f"{amount_text(-change, unit)} less {plain_name(component)}"))
    return " and ".join(text for _, text in sorted(losses))


def headline(study: Study) -> str:
    """State the study's main result in one sentence."""
    first, least = study.variants.iloc[0], _least_sodium(study)
    word = first[f"sodium_word_{study.regime}"]
    least_known = "" if first["sodium_whole"] else "at least "
    written = f"{least_known}{amount_text(first['sodium_mg_per_serving'])} mg sodium a serving as written"
    limits = word_limits(study.regime).values()
    percent = f"{percent_text(first[f'sodium_percent_dv_{study.regime}'], limits)} % DV, {word}"
    if least.name == first.name:
        gaps_told = "" if study.variants["sodium_whole"].all() else " of those whose sodium is known"
        return f"{written} ({percent}); no variant{gaps_told} has less."
    if _saves_a_trifle(study):
        return f"{written} ({percent}); no variant has less by 1 % of a daily value or more."
    unsure = "" if least["sodium_real"] else ", which is no real difference"
    lost = _given_up(study, least)
    but = f", but {lost}" if lost else ""
    sodium = amount_text(least["sodium_mg_per_serving"])
    return f"{written} ({percent}); {sodium} mg with {least.name}{_read_first(study, least)}{unsure}{but}."


def _saves_a_trifle(study: Study) -> bool:
    first, least = study.variants.iloc[0], _least_sodium(study)
    saved = first["sodium_mg_per_serving"] - least["sodium_mg_per_serving"]
    return is_trifle("NA", saved, "mg", study.regime)


def density_finding(study: Study) -> tuple[str, str]:
    """State how sodium and density go together: title and text for a screen reader."""
    table = study.variants
    first, least = table.iloc[0], _least_sodium(study)
    densities = table[NRF]
    on = table[table["on_frontier"]]
    if least.name == first.name:
        sodium = amount_text(first["sodium_mg_per_serving"], "mg")
        title = f"No variant has less sodium than the recipe as written ({sodium} a serving)"
    elif not least["sodium_real"]:
        sodium = amount_text(first["sodium_mg_per_serving"], "mg")
        title = f"No variant has surely less sodium than the recipe as written ({sodium} a serving)"
    elif _saves_a_trifle(study):
        title = "No variant has less sodium than the recipe as written by 1 % of a daily value or more"
    else:
        drop = amount_text(first["sodium_mg_per_serving"] - least["sodium_mg_per_serving"])
        change = least[NRF] - first[NRF] if least["nrf93_2009_real"] or np.isnan(least[NRF]) else 0.0
        density = (
            "at a density that is not known" if np.isnan(change)
            else f"and {'raises' if change > 0 else 'lowers'} nutrient density" if abs(change) >= 1
            else "with no real difference in nutrient density"
        )  # fmt: skip
        lost = _given_up(study, least)
        but = f", but {lost}" if lost else ""
        saves = f"{_sentence(least.name)} saves {drop} mg of sodium a serving"
        title = f"{saves} {density}{but}{_read_first(study, least)}"
    alt = (
        f"Scatter of {len(table)} variants: sodium from {amount_text(table['sodium_mg_per_serving'].min())} to "
        f"{amount_text(table['sodium_mg_per_serving'].max())} mg a serving, nutrient-rich foods index 9.3 from "
        f"{amount_text(densities.min())} to {amount_text(densities.max())} per 100 kcal. As written: "
        f"{amount_text(first['sodium_mg_per_serving'])} mg and {amount_text(first[NRF])}. "
        f"On the frontier: {', '.join(on.index) or 'none'}."
    )
    return title, alt


def difference_finding(study: Study) -> tuple[str, str]:
    """State how far the compared components move from the recipe as written."""
    table = study.differences[study.differences["variant"] != study.variants.index[0]]
    if table.empty:
        return "This recipe has no variants to compare", "No variants."
    units = study.amounts.units()
    percent = table.groupby("component", sort=False)["difference"].transform(
        lambda rows: percent_of_value(str(rows.name), rows, str(units[rows.name]), study.regime)
    )
    named = _ranges(study, table[table["real"] & ~(percent.abs() < TRIFLE)])
    if not named:
        none = "No variant differs really from the recipe as written"
        if table["real"].any():
            return f"{none} by 1 % of a daily value or more", "All real differences are below 1 % of a daily value."
        return none, "All differences may be none at all."
    title = "Real differences from the recipe as written: " + "; ".join(list(named.values())[:2])
    biggest = (
        table.loc[table["difference_percent"].abs().idxmax()] if table["difference_percent"].notna().any() else None
    )
    alt = f"Bars of the difference from the recipe as written, per {study.basis}. Real: {'; '.join(named.values())}."
    unreal = int((~table["real"] & table["difference"].notna()).sum())
    alt += f" {unreal} of {len(table)} differences are not real: their 90 % interval holds 0."
    if biggest is not None:
        alt += (
            f" The largest relative change is {plain_name(str(biggest['component']))} "
            f"{amount_text(biggest['difference_percent'], signed=True)} % with {biggest['variant']}."
        )
    return title, alt


def _ranges(study: Study, table: pd.DataFrame) -> dict[str, str]:
    """Say of each compared component from where to where its differences go."""
    ranges = {}
    for component in study.components:
        rows = table[table["component"] == component].dropna(subset="difference")
        if len(rows):
            low, high = rows["difference"].min(), rows["difference"].max()
            largest, unit = max(abs(low), abs(high)), rows["unit"].iloc[0]
            ends = [amount_text(end, signed=True, beside=largest) for end in (low, high)]
            ranges[component] = f"{plain_name(component)} {' to '.join(dict.fromkeys(ends))} {unit}"
    return ranges


def daily_value_finding(study: Study) -> tuple[str, str]:
    """State which components a serving holds a little or a lot of."""
    first = study.percent_daily_value.iloc[0]
    little, much = word_limits(study.regime)
    by_word: dict[str, list[str]] = {little: [], much: []}
    for component, percent in first.items():
        whole = bool(study.percent_is_whole.iloc[0][component])
        word = daily_value_word(percent, study.regime, whole=whole)
        if word in by_word:
            by_word[word].append(plain_name(str(component)))
    held = [f"{word}: {', '.join(names)}" for word, names in reversed(by_word.items()) if names]
    words = "; ".join(held) or f"nothing is {little} or {much}"
    title = f"A serving as written, by the daily values of {IN_SENTENCE[study.regime]} — {words}"
    sodium = study.variants[f"sodium_word_{study.regime}"]
    count = (sodium == little).sum()
    cells = ", ".join(f"{plain_name(str(c))} {amount_text(v)} %" for c, v in first.items())
    alt = (
        f"Table in shades: percent of the daily value in a serving, {len(sodium)} variants by {len(first)} components. "
        f"As written: {cells}. {count} of {len(sodium)} variants are '{little}' in sodium."
    )
    return title, alt


def contribution_finding(study: Study) -> tuple[str, str]:
    """State which ingredient the sodium comes from."""
    first = study.sodium_by_ingredient.iloc[0].dropna().sort_values(ascending=False)
    total = first.sum()
    if not total > 0:
        return "The recipe as written holds no known sodium", "No known sodium."
    share = 100 * first.iloc[0] / total
    source = str(first.index[0])
    # "liquid" alone says little: where a choice of that name says what it is as written, that stands beside it
    option = study.amounts.grid.as_written.get(source, source)
    source += "" if option == source else f" ({option})"
    title = f"Most of the sodium as written comes from the {source}: {share:.0f} %"
    if share < 50:
        title = f"The largest part of the sodium as written, {share:.0f} %, comes from the {source}"
    least = _least_sodium(study)
    other = study.sodium_by_ingredient.loc[least.name]
    parts = ", ".join(f"{name} {amount_text(value)}" for name, value in first.items() if value > 0)
    alt = f"Bars of sodium in mg per {study.basis} by ingredient. As written: {parts}."
    if least.name != study.variants.index[0]:
        alt += f" With {least.name}: " + ", ".join(f"{n} {amount_text(v)}" for n, v in other.items() if v > 0) + "."
    return title, alt


def effect_finding(study: Study) -> tuple[str, str]:
    """State which choice moves sodium most."""
    table = study.effects[study.effects["measure"] == "NA"].dropna(subset="effect")
    if table.empty:
        return "This recipe offers no choice", "No choices."
    top = table.loc[table["effect"].abs().idxmax()]
    unsure = " (no real difference)" if abs(top["effect"]) < Z[0.90] * top["standard_error"] else ""
    if not study.variants["sodium_whole"].all():
        unsure = " (some sodium is not known)"
    title = (
        f"The choice that moves sodium most: {top['option']} instead of {top['instead_of']}, "
        f"{amount_text(top['effect'], 'mg', signed=True)} per {study.basis} on average{unsure}"
    )
    if is_trifle("NA", top["effect"], "mg", study.regime):
        title = f"No choice moves sodium by 1 % of a daily value per {study.basis} on average"
    lines = [
        f"{row['option']} instead of {row['instead_of']} {amount_text(row['effect'], signed=True)} mg "
        f"({amount_text(row['least'], signed=True)} to {amount_text(row['most'], signed=True)})"
        for _, row in table.iterrows()
    ]
    alt = f"Mean effect of each option on sodium per {study.basis}, with its range over the other choices: "
    return title, f"{alt}{'; '.join(lines)}."


def gaps(study: Study) -> str:
    """Say which compared components are not fully known, in any variant."""
    table = study.differences[study.differences["known_share"] < WHOLE_SHARE]
    if table.empty:
        return "Every compared component has a value for every ingredient."
    worst = table.groupby("component", sort=False)["known_share"].min()
    parts = [f"{component_label(str(c))} ({100 * share:.0f} % of the weight has a value)" for c, share in worst.items()]
    filled = isinstance(study.amounts.grid.release, FilledRelease)
    told = "Imputed in part" if filled else "Lower bounds, because some ingredients have no value"
    return f"{told}: {', '.join(parts)}."
