"""What changed, in sentences fit for an e-mail: the flips first, then the largest moves, then a count of the rest."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterable, Sequence

import numpy as np
import pandas as pd

from swaptable.basics.errors import listed
from swaptable.changes.changes import BEST_OF, BEYOND, NOT_JUDGED, ORDER, Changes
from swaptable.changes.conclusions import ALLERGEN, BEST, CAUTION, CONCERN, FRONTIER, WORD
from swaptable.changes.food_changes import change_text, component_words
from swaptable.changes.recorded import OBJECTIVE
from swaptable.foods.reference import caution_rows
from swaptable.judging.cautions import EVERYONE
from swaptable.judging.findings import amount_text

__all__ = [
    "HOW_SURE", "changes_headline", "changes_text", "flip_sentences", "food_sentences", "input_sentences", "largest",
    "move_sentence", "not_compared", "plain", "rank_sentence", "two_amounts",
]  # fmt: skip

HOW_SURE = (
    "Beyond certainty: more than 1.64 standard errors of the difference of the two means, taken as independent. What "
    "both share is not known here, so this is cautious: some real moves count as within. At least: a value is "
    "missing, so whether the amount moved is not known."
)
MOST_FLIPS, MOST_MOVES, MOST_INPUTS, MOST_BESTS, MOST_LEFT_OUT = 12, 8, 8, 3, 3
AS_WRITTEN = "as written"
_BEST_WORDS = {"Nutrient density": "the highest nutrient density", "Sodium": "the least sodium",
               "Cost": "the lowest cost", OBJECTIVE: "the first place of the decision"}  # fmt: skip


def plain(text: object) -> str:
    """Put a text on one line, without characters that steer a terminal or turn the writing round."""
    spaced = " ".join(str(text).split())
    return "".join(each for each in spaced if unicodedata.category(each) not in ("Cc", "Cf"))


def _count(number: int, one: str, many: str = "") -> str:
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def changes_headline(changes: Changes) -> str:
    """State the main result in one sentence."""
    of = _count(len(changes.compared), "recipe" if changes.what == "food releases" else "run")
    if not changes.compared and changes.nothing:
        return "There is nothing new to compare"
    if changes.nothing:
        return f"Nothing changed in {of}"
    moved = changes.amounts[changes.amounts["watched"]] if len(changes.amounts) else changes.amounts
    beyond = int((moved["beyond_certainty"] == BEYOND[0]).sum()) if len(moved) else 0
    told = f"{_count(len(moved), 'watched amount')} moved, {beyond or 'none'} of them beyond certainty"
    unknown = int((~(moved["old_whole"] & moved["new_whole"]).astype(bool)).sum()) if len(moved) else 0
    told += f", of {unknown:,} it is not known for lack of a value" if unknown else ""
    lost = not_compared(changes)
    told = told if len(moved) else "" if lost else "no watched amount moved"
    told = "; ".join(filter(None, [told, lost]))
    if changes.flips:
        return f"{_count(changes.flips, 'conclusion')} flipped in {of}; {told}"
    return f"No conclusion flipped in {of}; {told}"


def not_compared(changes: Changes) -> str:
    """Say how many recipes were not compared because they cannot be computed any more; empty if none."""
    number = len(changes.lost)
    since = "it cannot be computed any more" if number == 1 else "they cannot be computed any more"
    return f"{_count(number, 'recipe')} not compared, since {since}" if number else ""


def _grouped(table: pd.DataFrame, by: Sequence[str], sentence: Callable[[pd.Series], str]) -> list[str]:
    """Say one of each group and count those that are like it."""
    sentences = []
    for _, rows in table.groupby(list(by), sort=False, dropna=False):
        more = f" (and {len(rows) - 1:,} more like it)" if len(rows) > 1 else ""
        sentences.append(plain(sentence(rows.iloc[0])) + more)
    return sentences


def flip_sentences(changes: Changes) -> list[str]:
    """Say every flip: what was lost, then safety, then best variants, then other verdicts; alike ones together."""
    verdicts = changes.flipped_verdicts
    verdicts = verdicts.sort_values("rule", key=lambda rules: rules.isin(["claim", BEST]), kind="stable")
    safe = verdicts["rule"].isin([CONCERN, CAUTION, ALLERGEN])
    by = ["recipe", "rule", "name", "component", "regime", "old", "new"]
    said = [plain(each) for each in changes.lost]
    said += _grouped(verdicts[safe], by, _safety_sentence)
    said += [plain(rank_sentence(row)) for _, row in changes.flipped_ranks.iterrows()]
    return said + _grouped(verdicts[~safe], by, _verdict_sentence)


def _subject(row: pd.Series) -> str:
    words = [row["recipe"], row["variant"] if row["variant"] != row["recipe"] else "", row["audience"], row["group"]]
    return ", ".join(str(each) for each in words if each)


def _safety_sentence(row: pd.Series) -> str:
    if row["rule"] == ALLERGEN:
        return f"{_subject(row)}: allergens named of {row['name']}: {row['old']} → {row['new']}"
    if row["rule"] == CAUTION:
        return f"{_subject(row)}: caution on {_caution_words(str(row['name']))} {row['old']} → {row['new']}"
    return f"{_subject(row)}: concern of the class: {row['old']} → {row['new']}"


def _caution_words(name: str) -> str:
    """Name a caution by whom and what it is about, else by the words that its row begins with."""
    row = caution_rows().set_index("caution")[["concern", "component"]]
    if name not in row.index:
        return name.replace("_", " ")
    concern, component = (str(cell) for cell in row.fillna("").loc[name])
    about = component_words(component) if component else name.replace("_", " ")
    whom = concern.split("|")[0]
    return f"{about} ({whom})" if component and whom != EVERYONE else about


def _verdict_sentence(row: pd.Series) -> str:
    if row["rule"] == BEST:
        return f"{_subject(row)}: {row['name']} was '{row['old']}', is '{row['new']}'"
    what = str(row["name"])
    if row["component"]:
        about = component_words(str(row["component"]))
        what = f"the word for {about}" if row["rule"] == WORD else f"{about}, {what}" if what else about
    regime = f" ({row['regime']})" if row["rule"] in ("claim", WORD) and row["regime"] else ""
    change = f"{row['old']} → {row['new']}"
    return f"{_subject(row)}: {what}{regime} {change}{_amounts_told(row)}"


def _amounts_told(row: pd.Series) -> str:
    """Say what the number did on which a verdict rests; why, where it stayed."""
    old, new = float(row["old_amount"]), float(row["new_amount"])
    if np.isnan(old) and np.isnan(new):
        return ""
    if row["old_whole"] and row["new_whole"] and np.isclose(old, new, rtol=1e-9, atol=0):
        return f", the amount stayed at {amount_text(old, str(row['unit']))}"
    whole = (bool(row["old_whole"]), bool(row["new_whole"]))
    certain = {BEYOND[1]: ", within its certainty", BEYOND[2]: ", certainty not known"}.get(row["beyond_certainty"], "")
    return f", {two_amounts(old, new, str(row['unit']), whole)}{certain}"


def rank_sentence(row: pd.Series) -> str:
    """Say that another variant is the best now."""
    best = _BEST_WORDS.get(str(row["measure"]), row["measure"])
    return f"{row['recipe']}: {best} had '{row['old']}', has '{row['new']}'; {row['why']}"


def largest(amounts: pd.DataFrame, most: int) -> pd.DataFrame:
    """Pick the largest moves, one of each recipe and component.

    Parameters
    ----------
    amounts : DataFrame
        Of :class:`swaptable.changes.changes.Changes`.
    most : int

    Returns
    -------
    DataFrame
        With ``relative`` (difference over the larger of the two amounts), ``moved`` (variants of the recipe in which
        the component moved) and ``beyond`` (in how many of them beyond certainty): watched components first, then what
        moved beyond certainty, then the largest relative move, of equal ones that of the recipe as written.
    """
    if amounts.empty:
        return amounts.assign(relative=[], moved=[], beyond=[])
    scale = amounts[["old", "new"]].abs().max(axis=1)
    moved = (amounts["new"] - amounts["old"]).astype(float).abs() / scale.where(scale > 0, 1.0).astype(float)
    table = amounts.assign(relative=moved.fillna(1.0), as_written=amounts["variant"] == AS_WRITTEN)
    table["tied"] = table["relative"].round(4)  # nobody sees a smaller difference of the two in print
    table["is_beyond"] = table["beyond_certainty"] == BEYOND[0]
    keys = ["recipe", "component", "basis"]
    table["moved"] = table.groupby(keys, sort=False)["variant"].transform("nunique")
    sure = table["variant"].where(table["is_beyond"])
    table["beyond"] = sure.groupby([table[name] for name in keys], sort=False).transform("nunique")
    order = ["watched", "is_beyond", "tied", "as_written", "relative"]
    table = table.sort_values(order, ascending=False, kind="stable").drop_duplicates(keys)
    return table.drop(columns=["is_beyond", "tied", "as_written"]).head(most)


def move_sentence(row: pd.Series) -> str:
    """Say how far an amount moved."""
    difference = float(row["difference"])
    signed = "" if np.isnan(difference) else f"{amount_text(difference, signed=True)}, "
    certain = {BEYOND[0]: "beyond certainty", BEYOND[1]: "within certainty"}.get(
        row["beyond_certainty"], "certainty not known"
    )
    unit = " ".join(filter(None, [str(row["unit"]), str(row["basis"])]))
    others = f"; moved in {_count(int(row['moved']), 'variant')}" if row["moved"] > 1 else ""
    others += f", {row['beyond']:,} beyond certainty" if others and 0 < row["beyond"] < row["moved"] else ""
    told = two_amounts(float(row["old"]), float(row["new"]), unit, (bool(row["old_whole"]), bool(row["new_whole"])))
    what = component_words(str(row["component"]))
    return f"{row['recipe']}, {row['variant']}: {what} {told} ({signed}{certain}{others})"


def two_amounts(old: float, new: float, unit: str, whole: tuple[bool, bool] = (True, True)) -> str:
    """Print an old and a new amount with as many digits as tell them apart; one that is not whole is "at least".

    Examples
    --------
    >>> two_amounts(412.31, 380.2, "mg"), two_amounts(1.5512, 1.5519, "CAD")
    ('412 → 380 mg', '1.551 → 1.552 CAD')
    >>> two_amounts(31.2, 25.6, "g", (True, False))
    '31.2 → at least 25.6 g'
    """
    texts = [amount_text(old), amount_text(new)]
    for digits in range(4, 13):
        if texts[0] != texts[1] or old == new:
            break
        texts = [f"{each:,.{digits}g}".replace("-", "−") for each in (old, new)]
    bounds = ["" if known or np.isnan(each) else "at least " for each, known in zip((old, new), whole, strict=True)]
    return f"{bounds[0]}{texts[0]} → {bounds[1]}{texts[1]} {unit}".strip()


def food_sentences(foods: pd.DataFrame) -> list[str]:
    """Say of each food that recipes use what changed; what is another food first, then the largest move of a value."""
    said = []
    for code, rows in foods.groupby("code", sort=False):
        values = rows["kind"].isin(["value", "evidence"])
        others = [change_text(row) for _, row in rows[~values].iterrows()]
        moved = rows[values]
        size = _relative(moved)
        first = [change_text(row) for _, row in moved.loc[size.sort_values(ascending=False).index].head(1).iterrows()]
        more = f"; {_count(len(moved) - 1, 'other value')} too" if len(moved) > 1 else ""
        said.append(plain(f"{code} {rows['description'].iloc[0]}: {listed([*others, *first], 3)}{more}"))
    return said


def _relative(rows: pd.DataFrame) -> pd.Series:
    pairs = rows[["old", "new"]].astype(float)
    scale = pairs.abs().max(axis=1)
    return ((pairs["new"] - pairs["old"]).abs() / scale.where(scale > 0, 1.0)).fillna(1.0)


def input_sentences(inputs: pd.DataFrame) -> list[str]:
    """Say which inputs are others, and in how many runs."""
    said = []
    for (kind, name, old, new), rows in inputs.groupby(["kind", "name", "old", "new"], sort=False):
        runs = rows["run"].iloc[0] if len(rows) == 1 else f"{len(rows)} runs"
        change = f"{old or 'not there'} → {new or 'not there'}"
        if kind not in ("parameter", "version"):
            change = "is new" if not old else "is gone" if not new else "changed"
        word = {"file": "", "module": "program ", "foods": "food release "}.get(str(kind), f"{kind} ")
        said.append(plain(f"{word}{name} {change} ({runs})"))
    return said


def _first(sentences: Sequence[str], most: int, kinds: str = "") -> list[str]:
    left = len(sentences) - most
    return [f"- {each}" for each in sentences[:most]] + ([f"- and {left:,} more{kinds}"] if left > 0 else [])


def _rest(changes: Changes, told: int) -> list[str]:
    """Count what is not said."""
    amounts, verdicts, ranks = changes.amounts, changes.verdicts, changes.ranks
    beyond = int((amounts["beyond_certainty"] == BEYOND[0]).sum())
    lines = []
    if len(amounts):
        lines.append(f"{_count(len(amounts), 'amount')} moved ({beyond:,} beyond certainty); {told} told above")
    one_sided = int(((verdicts["old"] == NOT_JUDGED) | (verdicts["new"] == NOT_JUDGED)).sum())
    frontier = int((verdicts["rule"] == FRONTIER).sum())
    order = int((ranks["kind"] == ORDER).sum())
    parts = [(order, "place in an order of variants", "places in orders of variants"),
             (frontier, "entry to or exit from a frontier", "entries to and exits from frontiers"),
             (one_sided, "verdict on one side only", "verdicts on one side only"),
             (len(changes.tables), "other table that differs", "other tables that differ")]  # fmt: skip
    counted = [_count(number, *words) for number, *words in parts if number]
    return lines + ([", ".join(counted)] if counted else [])


def changes_text(changes: Changes, where: str = "--format csv, or --folder DIR") -> str:
    """Write what changed as a short plain text.

    Parameters
    ----------
    changes : Changes
    where : str, optional
        Where the whole table is.

    Returns
    -------
    str
        At most about 40 lines.
    """
    unlike = [f"Asked otherwise: {plain('; '.join(changes.unlike))}."] if changes.unlike else []
    blocks = [[f"What changed: {plain(changes.old)} → {plain(changes.new)}", *unlike, f"{changes_headline(changes)}."]]
    flips = flip_sentences(changes)
    if flips:
        blocks.append(
            ["FLIPPED", *_first(flips, MOST_FLIPS, f" {'kind' if len(flips) == MOST_FLIPS + 1 else 'kinds'} of flip")]
        )
    if len(changes.inputs):
        blocks.append(["INPUTS THAT ARE OTHERS", *_first(input_sentences(changes.inputs), MOST_INPUTS)])
    if len(changes.foods):
        blocks.append(["FOODS IN USE", *_first(food_sentences(changes.foods), MOST_INPUTS)])
    moves = largest(changes.amounts, MOST_MOVES)
    if len(moves):
        said = [f"- {plain(move_sentence(row))}" for _, row in moves.iterrows()]
        blocks.append(["MOVED MOST", *said])
    bests = changes.ranks[(changes.ranks["kind"] == BEST_OF) & ~changes.ranks["flipped"]]
    if len(bests):
        blocks.append(["BEST VARIANTS, WITHIN CERTAINTY", *_first([plain(rank_sentence(row)) for _, row in
                                                                    bests.iterrows()], MOST_BESTS)])  # fmt: skip
    blocks.append(_ending(changes, len(moves), where))
    return "\n\n".join("\n".join(block) for block in blocks if block) + "\n"


def _ending(changes: Changes, told: int, where: str) -> list[str]:
    rest = _rest(changes, told)
    lines = [f"The rest: {'; '.join(rest)}. All of it: {where}."] if rest else []
    if len(changes.amounts):
        lines.append(HOW_SURE)
    if changes.left_out:
        lines.append(f"Not compared: {plain(_some(changes.left_out))}.")
    return lines


def _some(texts: Iterable[str]) -> str:
    return listed(texts, MOST_LEFT_OUT)
