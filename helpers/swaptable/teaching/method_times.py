"""Times that a method tells: how long each step takes at least, and which steps a variant leaves out.

A step without a time is not a step that takes none: its minutes are missing.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

__all__ = ["OVERNIGHT_H", "StepTime", "applies", "read_times"]

OVERNIGHT_H = (8.0, 12.0)  # common practice, no source
_NUMBER = r"\d+ \d+/\d+|\d+/\d+|\d+(?:[.,]\d+)?|half an?|an?|one|two|three|four|five|ten|fifteen|twenty|thirty"
LONG_MIN = 300.0  # whatever takes longer happens before the class: a wait, not a step of it
MOST_MIN = 60 * 24 * 60  # nothing is cooked, soaked or pickled for more days in a class
_MINUTES = {"s": 1 / 60, "m": 1.0, "h": 60.0, "d": 1440.0}  # by the first letter of the unit
_TIME = re.compile(
    rf"(?P<before>\b(?:every|each|after|within|last|first|next|than)\s+(?:the\s+)?)?"
    rf"(?<![\w/.,])(?P<least>{_NUMBER})(?:\s*(?:-|–|to|or)\s*(?P<most>{_NUMBER}))?[\s-]*"
    rf"(?P<unit>seconds?|secs?|minutes?|mins?|hours?|hrs?|h|days?)\b\.?(?P<half> and a half)?(?P<at>\s+before\b)?",
    re.I,
)
_OVERNIGHT = re.compile(r"\b(?:overnight|over night|the (?:night|day|evening) before)\b", re.I)
_ASIDE = re.compile(r"\([^)]*\b(?:least|most|maximum|minimum)\b[^)]*\)", re.I)  # a limit, not a time of its own
_MEANWHILE = re.compile(r"\s*(?:meanwhile|in the meantime|at the same time|while\b)", re.I)
_CONDITION = re.compile(r"\s*(?:if|when|with|for)\b(?P<words>[^,:;.]*)[,:]", re.I)
_WORDS = {"one": 1.0, "two": 2.0, "three": 3.0, "four": 4.0, "five": 5.0, "ten": 10.0, "fifteen": 15.0, "twenty": 20.0}
_WORDS |= {"thirty": 30.0, "a": 1.0, "an": 1.0, "half a": 0.5, "half an": 0.5}
_IDLE = {
    "if",
    "the",
    "a",
    "an",
    "is",
    "are",
    "you",
    "use",
    "using",
    "of",
    "and",
    "or",
    "in",
    "it",
    "they",
    "with",
    "not",
}


@dataclass(frozen=True)
class StepTime:
    """How long a step takes, as far as it says.

    Attributes
    ----------
    least, most : float
        Minutes on the clock; NaN where the step tells none.
    before_least, before_most : float
        Hours of waiting before the class, such as soaking overnight; 0 for none.
    told : str
        The words that were read.
    parallel : bool
        Whether the step runs beside the one before it ("Meanwhile ...").
    """

    least: float
    most: float
    before_least: float
    before_most: float
    told: str
    parallel: bool


def _number(text: str) -> float:
    plain = text.lower().replace(",", ".")
    if plain in _WORDS:
        return _WORDS[plain]
    whole, _, part = plain.rpartition(" ")
    over, _, under = part.partition("/")
    return float(whole or 0) + float(over) / (float(under or 1) or np.nan)


def _plain(text: str) -> str:
    """Write fraction signs as fractions, and leave out limits in brackets."""
    spelt = "".join(
        f" {unicodedata.normalize('NFKC', sign)}" if unicodedata.category(sign) == "No" else sign for sign in text
    )
    return re.sub(r"\s+", " ", _ASIDE.sub(" ", spelt.replace("\u2044", "/"))).strip()


def read_times(step: str) -> StepTime:
    """Read the times in a step of a method.

    Parameters
    ----------
    step : str

    Returns
    -------
    StepTime
        Times of one step are added up. What recurs or bounds ("every 10 minutes", "within 2 hours", "in the last
        5 minutes") is part of another time and left out.

    Examples
    --------
    >>> read_times("Bring to the boil, then simmer for 20 to 25 minutes.").most
    25.0
    >>> read_times("Soak overnight, then boil for 1 1/2 hours.").before_least
    8.0
    """
    plain = _plain(step)
    night = _OVERNIGHT.search(plain)
    waits = [OVERNIGHT_H] if night else []
    told = [night[0]] if night else []
    clock = []
    for found in _TIME.finditer(plain):
        if found["before"] or found["at"]:
            continue
        size = _MINUTES[found["unit"][0].lower()]
        low = (_number(found["least"]) + (0.5 if found["half"] else 0.0)) * size
        high = _number(found["most"]) * size if found["most"] else low
        if not max(low, high) <= MOST_MIN:  # also where it is over 0
            continue
        if max(low, high) >= LONG_MIN:
            waits.append((min(low, high) / 60, max(low, high) / 60))
        else:
            clock.append((min(low, high), max(low, high)))
        told.append(found[0].strip(" ."))
    least, most = (sum(times) for times in zip(*clock, strict=True)) if clock else (np.nan, np.nan)
    before_least, before_most = (sum(times) for times in zip(*waits, strict=True)) if waits else (0.0, 0.0)
    parallel = _MEANWHILE.match(plain) is not None
    return StepTime(least, most, before_least, before_most, ", ".join(told), parallel)


def _stems(text: str) -> set[str]:
    return {re.sub(r"(?<=\w{2})s$", "", word) for word in re.findall(r"[^\W\d_]+", text.lower())}


def applies(step: str, chosen: Mapping[str, str], choices: Mapping[str, Sequence[str]]) -> str:
    """Tell whether a step that begins with a condition applies to a variant.

    Parameters
    ----------
    step : str
    chosen : mapping
        Choice → option of the variant.
    choices : mapping
        Choice → its options.

    Returns
    -------
    str
        ``"yes"``; ``"no"`` where a word of the condition is in another option of a choice only; ``"cannot tell"``
        where no option has a word of it.

    Examples
    --------
    >>> choices = {"beans": ("canned, drained", "cooked from dry")}
    >>> applies("If the beans are dry, soak them overnight.", {"beans": "canned, drained"}, choices)
    'no'
    """
    condition = _CONDITION.match(step)
    if condition is None or not re.match(r"\s*if\b", step, re.I):
        return "yes"
    words = _stems(condition["words"]) - _IDLE
    verdict = "cannot tell"
    for choice, options in choices.items():
        asked = words - _stems(choice)
        having = [option for option in options if asked & _stems(option)]
        if having and len(having) < len(options):
            if chosen[choice] not in having:
                return "no"
            verdict = "yes"
    return verdict
