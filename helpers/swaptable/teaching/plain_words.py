"""What may be said of a variant in plain words: what it does for an audience, and what a swap changes.

Aims are named only where their verdict is met for every group; differences only where they are real and large enough
to matter. What a concern of the class speaks against is never praised.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from swaptable.amounts.certainty import Certainty, certainty_of
from swaptable.amounts.chosen import rebased
from swaptable.amounts.nutrients import WHOLE_SHARE, Amounts
from swaptable.basics.phrases import Phrases, Words
from swaptable.foods.reference import caution_rows
from swaptable.judging.allergens import allergens_of
from swaptable.judging.audiences import Audience
from swaptable.judging.cautions import (
    READ_FIRST,
    SAID_IN_FULL,
    cautions_brought,
    cautions_for,
    known_concerns,
    swap_concerns,
)
from swaptable.judging.findings import plain_name
from swaptable.judging.targets import Aims, day_targets, judge_servings
from swaptable.judging.verdicts import Verdict

__all__ = ["Sheet", "allergens_named", "benefit", "changes", "other_concerns", "sentence_of"]

WORTH_A_WORD = 0.05  # of a day: what regulators call a little, as in daily_value_words.csv
LEAST_CHANGE = 0.10  # relative: analysed dishes differ from computed ones by about as much
MOST_CHANGES = 4
ALMOST_NONE = 0.05  # of what there was
_RATIOS = {
    0.1: "0.1", 0.25: "0.25", 1 / 3: "0.333", 0.5: "0.5", 2 / 3: "0.667", 0.75: "0.75", 0.9: "0.9", 1.1: "1.1",
    1.25: "1.25", 1.5: "1.5", 2.0: "2", 3.0: "3", 5.0: "5",
}  # fmt: skip
_SHARES = {1 / 4: "share.1/4", 1 / 3: "share.1/3", 1 / 2: "share.1/2", 2 / 3: "share.2/3", 1.0: "share.1"}
_UNLISTED = " (not on the list)"
_SUBSTANCES = {"potassium salts", "phosphate additives"}  # concerns that are no word for a person
ENERGY = "ENERC_KCAL"


@dataclass(frozen=True, eq=False)
class Sheet:
    """One variant of a recipe for one audience in one language, and what is known of it.

    Attributes
    ----------
    amounts : Amounts
        All variants, the recipe as written first.
    variant : mapping
        Choice → option of the variant on the sheet.
    audience : Audience
    aims : Aims
        Of the audience.
    regime : str
    phrases : Phrases
    """

    amounts: Amounts
    variant: Mapping[str, str]
    audience: Audience
    aims: Aims
    regime: str
    phrases: Phrases

    @cached_property
    def alone(self) -> Amounts:
        """The variant without the others."""
        return rebased(self.amounts, self.variant, alone=True)

    @cached_property
    def from_here(self) -> Amounts:
        """All variants, this one first, so that differences are taken from it."""
        return rebased(self.amounts, self.variant)

    @cached_property
    def known_from_here(self) -> Certainty:
        """How sure the differences from this variant are."""
        return certainty_of(self.from_here)

    @cached_property
    def targets(self) -> pd.DataFrame:
        """One serving of the variant against each group's day."""
        return judge_servings(self.alone, day_targets(self.aims, self.regime), self.audience.share_of_day)

    @cached_property
    def leading(self) -> pd.DataFrame:
        """The verdicts that decide."""
        return self.targets[self.targets["leads"] & self.targets["verdict"].notna()]

    @cached_property
    def cautions(self) -> pd.DataFrame:
        """Cautions on the variant, on what changes with a swap, and on foods of swaps that the audience names."""
        found = _with_trigger(cautions_for(self.from_here, self.audience.concerns))
        swapped = found["named"] & ~found["trigger"].isin(["amount", "concern"])
        return found[found["caution"].isin(self.cautions_here["caution"]) | (found["trigger"] == "change") | swapped]

    @cached_property
    def cautions_here(self) -> pd.DataFrame:
        """Cautions on the variant alone."""
        return cautions_for(self.alone, self.audience.concerns)

    @cached_property
    def cautions_brought(self) -> pd.DataFrame:
        """Cautions that each swap calls for and this variant does not."""
        return _with_trigger(cautions_brought(self.from_here, self.audience.concerns))

    @cached_property
    def concerns_brought(self) -> tuple[pd.Series, pd.Series]:
        """Concerns that a swap brings up and this variant does not: the class's, then all that are known."""
        everyone = [word for word in known_concerns() if word not in _SUBSTANCES]
        return swap_concerns(self.from_here, self.audience.concerns), swap_concerns(self.from_here, everyone)

    @cached_property
    def day_values(self) -> dict[str, float]:
        """The smallest day's value of each component that has one, in its unit."""
        rows = self.targets.dropna(subset="day_value")
        return {str(tag): float(value) for tag, value in rows.groupby("component")["day_value"].min().items()}

    @cached_property
    def components(self) -> list[str]:
        """What the table lists: energy, sodium, then what the audience looks at."""
        return list(dict.fromkeys([ENERGY, "NA", *(tag for tag, _ in self.aims.components())]))

    def name(self, tag: str, *, of: bool = False) -> str:
        """Name a component inside a sentence."""
        return self.phrases.component(tag, plain_name(tag), of)

    def own(self, text: str) -> Words:
        """Give words of a recipe or audience file in the language of the sheet, where they are translated."""
        return self.phrases.own(text)

    def listed_own(self, words: Sequence[str]) -> str:
        """Join words of a table."""
        return self.phrases.listed([self.own(word).text for word in words])


def _with_trigger(cautions: pd.DataFrame) -> pd.DataFrame:
    return cautions.assign(trigger=cautions["caution"].map(caution_rows().set_index("caution")["trigger"]))


def _people(cautions: Iterable[str]) -> list[str]:
    """Name whom cautions are for, by the words that come first in the table."""
    words = caution_rows().set_index("caution")["concern"].str.split("|")
    firsts = set(words.str[0]) - _SUBSTANCES
    return list(dict.fromkeys(word for caution in cautions for word in words[caution] if word in firsts))


@dataclass(frozen=True)
class _Difference:
    amount: float
    base: float
    whole: bool
    sure: bool  # whole and real
    large: bool  # more than a few percent

    @property
    def counts(self) -> bool:
        return self.sure and self.large


def _difference(amounts: Amounts, known: Certainty, tag: str, variant: Mapping[str, str]) -> _Difference:
    """Compare a variant with the first one."""
    at, first = {**variant, "component": tag}, {**amounts.grid.as_written, "component": tag}
    amount, base = float(known.amount.sel(at)), float(known.amount.sel(first))
    whole = all(float(amounts.data["valued_share"].sel(which)) > WHOLE_SHARE for which in (at, first))
    large = abs(amount - base) >= LEAST_CHANGE * base
    return _Difference(amount, base, whole, whole and bool(known.is_real().sel(at)), large)


def _ratio_text(sheet: Sheet, tag: str, found: _Difference) -> str:
    """Say how many times as much, in words that claim no more than about."""
    if found.base <= 0:
        key = "some"
    elif found.amount < ALMOST_NONE * found.base:
        key = "0"
    else:
        ratio = found.amount / found.base
        key = _RATIOS[min(_RATIOS, key=lambda other: abs(np.log(ratio / other)))]
    return sheet.phrases.say(f"ratio.{key}", name=sheet.name(tag), of=sheet.name(tag, of=True))


def sentence_of(text: str) -> str:
    """Write a text as a sentence."""
    return f"{text[:1].upper()}{text[1:]}."


def _share_text(sheet: Sheet) -> str:
    share = sheet.audience.share_of_day
    key = next((key for value, key in _SHARES.items() if abs(value - share) < 0.005), None)
    return sheet.phrases.say(key) if key else sheet.phrases.say("share.percent", number=f"{100 * share:.0f}")


def _judged(sheet: Sheet, role: str, verdict: Verdict, *, of_all: bool) -> list[str]:
    """Name the components with a verdict for all groups, or for some."""
    rows = sheet.leading[sheet.leading["role"] == role]
    found = [
        str(tag)
        for tag, verdicts in rows.groupby("component", sort=False)["verdict"]
        if (all if of_all else any)(value == verdict for value in verdicts)
    ]
    return found


def _sodium_change(sheet: Sheet) -> str:
    """Compare sodium with the recipe as written, where that is another variant and the difference counts."""
    if dict(sheet.variant) == sheet.amounts.grid.as_written:
        return ""
    found = _difference(sheet.amounts, certainty_of(sheet.amounts), "NA", sheet.variant)
    return _ratio_text(sheet, "NA", found) if found.counts else ""


def benefit(sheet: Sheet) -> str:
    """State in one sentence what the variant does for the audience; warn where a concern speaks against it.

    Parameters
    ----------
    sheet : Sheet

    Returns
    -------
    str
        Aims that are surely met, limits that are surely passed, and sodium against the recipe as written; nothing of it
        where a concern of the class is brought up, and no gain in sodium where a caution has to be read first.
    """
    say, listed = sheet.phrases.say, sheet.phrases.listed
    concerns = swap_concerns(sheet.amounts, sheet.audience.concerns)[sheet.amounts.grid.label(sheet.variant)]
    first = _people(READ_FIRST.intersection(sheet.cautions_here["caution"]))
    warned_of = list(dict.fromkeys([*filter(None, concerns.split(", ")), *first]))
    warning = sentence_of(say("benefit.concern", concerns=sheet.listed_own(warned_of))) if warned_of else ""
    if concerns:
        return warning
    gives = _judged(sheet, "raise", Verdict.MET, of_all=True)
    within = _judged(sheet, "keep down", Verdict.MET, of_all=True)
    over = _judged(sheet, "keep down", Verdict.NOT_MET, of_all=False)
    share, sodium = _share_text(sheet), "" if first else _sodium_change(sheet)
    names, limited, passed = (listed([sheet.name(tag) for tag in tags]) for tags in (gives, within, over))
    parts = []
    if gives and within:
        parts.append(say("benefit.both", share=share, names=names, limited=limited))
    elif gives or within:
        parts.append(say("benefit.gives" if gives else "benefit.within", share=share, names=names or limited))
    if over:
        parts.append(say("benefit.over" if parts else "benefit.over.alone", share=share, names=passed))
    if sodium:
        parts.append(say("benefit.sodium" if parts else "benefit.sodium.alone", ratio=sodium))
    if not parts:
        parts.append(say("benefit.not_judged" if sheet.leading.empty else "benefit.none"))
    told = sentence_of(say("list.parts").join(parts))
    careful = set(sheet.cautions.loc[sheet.cautions["named"], "component"])
    warned = [sheet.name(tag) for tag in gives if tag in careful]
    careful_of = say("benefit.caution", names=listed(warned)) if warned else ""
    return " ".join(filter(None, [warning, told, careful_of]))


def changes(sheet: Sheet, variant: Mapping[str, str]) -> str:
    """Say what changes with another variant: warnings first, then differences that are real and worth a word.

    Parameters
    ----------
    sheet : Sheet
    variant : mapping
        Choice → option, allowed.

    Returns
    -------
    str
        Without praise where a concern of the class speaks against the swap.
    """
    say, listed = sheet.phrases.say, sheet.phrases.listed
    label = sheet.from_here.grid.label(variant)
    against, others = _concerns_of(sheet, label)
    told = [say("swap.concern", concerns=sheet.listed_own(against))] if against else []
    if others:
        told.append(say("swap.others", names=sheet.listed_own(others)))
    here = allergens_named(sheet.alone, sheet.regime)
    brought = allergens_named(rebased(sheet.amounts, variant, alone=True), sheet.regime)
    new = [say(f"allergen.{name}") for name in brought if name not in here]
    if new:
        told.append(say("swap.allergen", names=listed(new)))
    if not against:
        told += _differences(sheet, variant)
    return say("list.parts").join(told)


def _concerns_of(sheet: Sheet, label: str) -> tuple[list[str], list[str]]:
    """Name the concerns of the class that speak against a swap, then the others that have to ask first."""
    of_class, of_all = ([word for word in series[label].split(", ") if word] for series in sheet.concerns_brought)
    brought = sheet.cautions_brought[sheet.cautions_brought["variant"] == label]
    first = _people(brought.loc[brought["caution"].isin(READ_FIRST), "caution"])
    against = [*of_class, *(word for word in first if word in sheet.audience.concerns)]
    reached = brought.loc[brought["named"] & (brought["trigger"] == "amount"), "concern"]
    others = [word for word in (*first, *of_all, *reached) if word not in against]
    return list(dict.fromkeys(against)), list(dict.fromkeys(others))


def _differences(sheet: Sheet, variant: Mapping[str, str]) -> list[str]:
    """Put the differences that count into words; name what is not known."""
    say = sheet.phrases.say
    named = sheet.cautions[sheet.cautions["named"] & (sheet.cautions["trigger"] == "change")]
    careful, unknown, told, small = set(named["component"]), [], [], False
    for tag in sorted(sheet.components, key=lambda tag: tag == ENERGY):  # last, since nobody aims at it
        found = _difference(sheet.from_here, sheet.known_from_here, tag, variant)
        if not found.whole:
            unknown.append(sheet.name(tag))
        elif found.counts and abs(found.amount - found.base) >= WORTH_A_WORD * sheet.day_values.get(tag, 0.0):
            change = _ratio_text(sheet, tag, found)
            told.append(say("swap.caution", change=change) if tag in careful else change)
        small = small or found.sure
    told = told[:MOST_CHANGES] or [say("swap.small" if small else "swap.same")]
    return [*told, say("swap.unknown", names=sheet.phrases.listed(unknown))] if unknown else told


def allergens_named(amounts: Amounts, regime: str) -> dict[str, list[str]]:
    """Name the allergens of a dish, each with the ingredients whose food names tell of it."""
    found: dict[str, list[str]] = {}
    for row in allergens_of(amounts, regime).itertuples():
        for name in filter(None, row.allergens.replace(_UNLISTED, "").split(", ")):
            found.setdefault(name, []).append(str(row.ingredient))
    return found


def other_concerns(sheet: Sheet) -> list[str]:
    """Name the concerns beside the class's own that the dish, or a change by a swap, calls for a caution on."""
    rows = sheet.cautions[~sheet.cautions["named"] & ~sheet.cautions["caution"].isin(SAID_IN_FULL)]
    return [word for word in _people(rows["caution"]) if word not in sheet.audience.concerns]
