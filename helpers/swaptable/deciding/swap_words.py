"""What a swap does, in words: why one would make it, what one gives up, and what nobody knows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from swaptable.amounts.nutrients import Amounts, line_values
from swaptable.amounts.variants import Line
from swaptable.deciding.swap_screen import Search
from swaptable.foods.families import short_name
from swaptable.foods.reference import calcium_absorption_of, component_label

__all__ = ["BETTER_LESS", "BETTER_MORE", "SWAP", "WORTH_A_WORD", "plain_component", "swaps_in_words"]

SWAP = "swap"  # the choice that the options of a search stand in
_SODIUM, _CALCIUM = "NA", "CA"
_ABSORPTION = "how much of its calcium is absorbed"
WORTH_A_WORD = 5.0  # change worth a word [% of the daily value per serving]: what labels call a little
MOST_WORDS, MOST_TIMES = 4, 20.0
# Less of these, or more of those, is worth a word whoever the audience is.
BETTER_MORE = ("PROCNT", "FIBTG")
BETTER_LESS = ("NA", "FASAT", "SUGAR")


def _number(value: float) -> str:
    digits = 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2
    text = f"{abs(value):,.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def plain_component(tag: str) -> str:
    """Name a component as within a sentence.

    Examples
    --------
    >>> plain_component("K"), plain_component("VITC")
    ('potassium', 'vitamin C')
    """
    label = component_label(tag)
    return label[0].lower() + label[1:]


def _likeness(line: Line, own: pd.Series, new: pd.Series) -> str:
    """Say in what 100 g of another food are like 100 g of the ingredient."""
    alike = []
    if abs(new["WATER"] - own["WATER"]) <= 5:
        alike.append("water")
    if own["ENERC_KCAL"] > 0 and 0.8 <= new["ENERC_KCAL"] / own["ENERC_KCAL"] <= 1.25:
        alike.append("energy")
    if own["CHOCDF"] >= 10 and abs(new["CHOCDF"] - own["CHOCDF"]) <= 5:
        alike.append("carbohydrate")
    if own["PROCNT"] >= 10 and abs(new["PROCNT"] - own["PROCNT"]) <= 4:
        alike.append("protein")
    name = short_name(line.food.description)
    energy = f"{_number(new['ENERC_KCAL'])} kcal per 100 g against {_number(own['ENERC_KCAL'])} of {name}"
    if not alike:
        return energy
    same = f"similar {', '.join(alike[:-1])}{' and ' if alike[1:] else ''}{alike[-1]} content to {name}"
    return same if "energy" in alike else f"{same}, {energy.removesuffix(f' of {name}')}"


def _told(rows: pd.DataFrame, line: Line, other: Line, amounts: Amounts) -> list[str]:
    """Tell changes in words: the amount per serving, and how many times as much the food itself brings."""
    release = amounts.grid.release
    own, new = (line_values(each, release) * each.edible_g for each in (line, other))
    told = []
    for row in rows.head(MOST_WORDS).itertuples():
        sign = "+" if row.difference > 0 else "−"
        text = f"{plain_component(row.component)} {sign}{_number(row.difference)} {row.unit}"
        ratio = new[row.component] / own[row.component] if own[row.component] > 0 else np.inf
        times = f" ({_number(ratio)} times the ingredient's)" if 1.5 <= ratio < MOST_TIMES else ""
        told.append(text + (times or (" (the ingredient has next to none)" if ratio >= MOST_TIMES else "")))
    return told


def _is_better(rows: pd.DataFrame) -> pd.Series:
    """Tell for each change whether it is for the better: as the audience says, else as a label's reader takes it."""
    less = (rows["role"] == "keep down") | ((rows["role"] == "") & rows["component"].isin(BETTER_LESS))
    return ((rows["difference"] > 0) ^ less).astype(bool)


def _absorbed(line: Line, other: Line) -> str:
    """Tell how much of another food's calcium is absorbed, beside the ingredient's; empty where nobody published it."""
    own, new = (calcium_absorption_of(each.food) for each in (line, other))
    if new is None:
        return ""
    beside = "" if own is None else f", {_number(own['percent'])} % of the ingredient's"
    return f"about {_number(new['percent'])} % of its calcium is absorbed{beside}"


def swaps_in_words(amounts: Amounts, effects: pd.DataFrame, search: Search) -> pd.DataFrame:
    """Give the reason for each swap, its trade-off and what is not known, as sentences.

    Parameters
    ----------
    amounts : Amounts
        The recipe as written and with each swap.
    effects : DataFrame
        What each swap changes, component by component.
    search : Search

    Returns
    -------
    DataFrame
        By option: ``reason``, ``trade_off`` and ``not_known``. A difference that may be none is not mentioned; what
        the audience only shows is told, unjudged, for the care team. Calcium gained says how much of it is absorbed.
    """
    grid, release, line = amounts.grid, amounts.grid.release, search.line
    watched = {aim.component for aim in search.aims}
    rows = {}
    for option, found in effects.groupby("option", sort=False):
        other = grid.lines[search.ingredient][((SWAP, str(option)),)]
        judged = found[(found["role"] != "show") & (found["component"] != "ENERC_KCAL")]
        size = judged["percent_dv_difference"].abs().fillna(0)
        telling = judged[judged["real"] & ((size >= WORTH_A_WORD) | ((size >= 1) & judged["component"].isin(watched)))]
        telling = telling.assign(size=size[telling.index])
        telling = telling.sort_values(["size"], ascending=False, kind="stable")
        better = telling[_is_better(telling)]
        better = better.sort_values("component", key=lambda tags: ~tags.isin(watched), kind="stable")
        gains = _told(better, line, other, amounts)
        losses = _told(telling[~_is_better(telling)], line, other, amounts)
        gaps = judged[judged["component"].isin(watched | {_SODIUM}) & ~judged["whole"]]["component"]
        unknown = [plain_component(str(tag)) for tag in gaps]
        if ((better["component"] == _CALCIUM) & (better["role"] == "raise")).any():
            if absorbed := _absorbed(line, other):
                gains.append(absorbed)
            else:
                unknown.append(_ABSORPTION)
        shown = found[(found["role"] == "show") & found["real"] & (found["percent_dv_difference"].abs() >= 1)]
        costs = [", ".join(losses)] if losses else []
        if len(shown):
            costs.append(f"for the care team: {', '.join(_told(shown, line, other, amounts))}")
        likeness = _likeness(line, release.values(line.food.code), release.values(other.food.code))
        rows[option] = {
            "reason": f"{likeness}; {'per serving ' + ', '.join(gains) if gains else 'no real gain for this audience'}",
            "trade_off": "; ".join(costs) or f"nothing worse by {WORTH_A_WORD:g} % of a daily value or more",
            "not_known": ", ".join(unknown),
        }
    return pd.DataFrame.from_dict(rows, orient="index", columns=["reason", "trade_off", "not_known"])
