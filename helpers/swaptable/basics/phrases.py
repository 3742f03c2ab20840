"""One catalogue of phrases for hand-outs (``data/phrases.csv``): English and French side by side.

Words of recipe and audience files are looked up by their English text; what is not there stays in its own words.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from swaptable.basics.errors import SwaptableError, nearest
from swaptable.basics.folders import DATA

__all__ = ["LANGUAGES", "Phrases", "Words", "catalogue", "speak"]

LANGUAGES = ("en", "fr")
OWN_WORDS = "text."  # keys of what recipe and audience files say
NO_BREAK = "\u00a0"


@dataclass(frozen=True)
class Words:
    """A text and its language, so that a screen reader can speak it."""

    text: str
    language: str


@lru_cache(maxsize=1)
def catalogue() -> dict[str, dict[str, str]]:
    """Read the catalogue: key → language → phrase."""
    with (DATA / "phrases.csv").open(encoding="utf-8", newline="") as stream:
        return {row["key"]: {language: row[language] for language in LANGUAGES} for row in csv.DictReader(stream)}


@dataclass(frozen=True)
class Phrases:
    """The catalogue in one language.

    Attributes
    ----------
    language : str
        ``"en"`` or ``"fr"``.
    """

    language: str

    def say(self, key: str, **values: str) -> str:
        """Give a phrase, its places filled in.

        Raises
        ------
        SwaptableError
            If there is no such phrase.
        """
        rows = catalogue()
        if key not in rows:
            raise SwaptableError(f"found phrase '{key}'; expected a key of data/phrases.csv{nearest(key, rows)}")
        return rows[key][self.language].format(**values)

    def has(self, key: str) -> bool:
        """Tell whether there is such a phrase."""
        return key in catalogue()

    def own(self, text: str) -> Words:
        """Give words of a recipe or audience file in this language, or as they are where nobody translated them."""
        plain = " ".join(text.split())
        if self.language == LANGUAGES[0]:
            return Words(plain, LANGUAGES[0])
        found = _by_english().get(plain)
        return Words(plain, LANGUAGES[0]) if found is None else Words(found[self.language], self.language)

    def number(self, text: str) -> str:
        """Write a number in this language: in French a decimal comma, and a no-break space between thousands."""
        if self.language == "fr":
            return text.replace(",", NO_BREAK).replace(".", ",")
        return text

    def listed(self, names: Sequence[str], joint: str = "list.and") -> str:
        """Join names: "a, b and c".

        Examples
        --------
        >>> speak("fr").listed(["sodium", "fer", "zinc"])
        'sodium, fer et zinc'
        """
        if len(names) < 2:
            return "".join(names)
        return self.say(joint, first=", ".join(names[:-1]), last=names[-1])

    def component(self, tag: str, otherwise: str, of: bool = False) -> str:
        """Name a component inside a sentence, in French also as "de sodium"; else as given."""
        key = f"component.{tag}.of" if of else f"component.{tag}"
        return self.say(key) if self.has(key) else otherwise


@lru_cache(maxsize=1)
def _by_english() -> dict[str, dict[str, str]]:
    return {row[LANGUAGES[0]]: row for key, row in catalogue().items() if key.startswith(OWN_WORDS)}


def speak(language: str) -> Phrases:
    r"""Open the catalogue in a language.

    Raises
    ------
    SwaptableError
        If there is no such language.

    Examples
    --------
    >>> speak("fr").number("1,234.5") == "1\u00a0234,5"
    True
    """
    if language not in LANGUAGES:
        problem = f"found language '{language}'; expected {' or '.join(LANGUAGES)}{nearest(language, LANGUAGES)}"
        raise SwaptableError(problem)
    return Phrases(language)
