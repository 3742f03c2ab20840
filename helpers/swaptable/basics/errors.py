"""Errors that name the place, what was found and what is allowed."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any

__all__ = [
    "BusyError",
    "DamagedError",
    "InputError",
    "LimitError",
    "MissingPackageError",
    "RunError",
    "SwaptableError",
    "WriteError",
    "counted",
    "every_error",
    "inert",
    "kind_of",
    "listed",
    "nearest",
]

LONGEST = 60  # of what an error repeats
LONGEST_QUOTED = 200  # letters between quotation marks; the longest name of a food has as many
LONGEST_MESSAGE = 1_500  # letters
LONGEST_COMPARED = 100  # letters of a word that is compared with what is allowed
_QUOTED = re.compile(rf"(?<!\w)'([^']{{{LONGEST_QUOTED + 1},}})'(?!\w)")


def inert(text: str) -> str:
    r"""Give a text in one line that does nothing to a terminal or a page: other signs are written as escapes.

    Parameters
    ----------
    text : str
        Whatever a file says: with line ends, control signs, marks that turn the direction of writing, lone surrogates.

    Returns
    -------
    str
        Printable signs only.

    Examples
    --------
    >>> inert("salt\u202e\n\x1b[2J")
    'salt\\u202e\\n\\x1b[2J'
    """
    return text if text.isprintable() else "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in text)


def _told(problem: str) -> str:
    """Make one line of bounded length of a message, whatever it repeats."""
    told = inert(_QUOTED.sub(lambda found: f"'{found[1][: LONGEST_QUOTED // 2]}…'", problem))
    half = LONGEST_MESSAGE // 2
    return told if len(told) <= LONGEST_MESSAGE else f"{told[:half]} … {told[-half:]}"


class SwaptableError(ValueError):
    """Anything that a user can put right; the command line prints it as one sentence.

    Parameters
    ----------
    problem : str
        What is wrong, what was found and what is allowed.
    about : str, optional
        Field of an ingredient that the problem is about, for whoever knows its place in a file.

    Attributes
    ----------
    code, cause, remedy : str
        Of the kind of error: a short code that stays the same, why it happens, and what to do.
    """

    code = "S10"
    cause = "a value given on the command line, or to a function, cannot be used"
    remedy = "give one of those that the message names"

    def __init__(self, problem: str, about: str = "") -> None:
        self.problem, self.about = _told(problem), about
        super().__init__(self.problem)


class InputError(SwaptableError):
    """A file says something that cannot be used.

    Parameters
    ----------
    problem : str
        What is wrong, what was found and what is allowed.
    file : str or Path, optional
        File that holds the value.
    line, column : int, optional
        Place in the file, counted from 1.
    field : str, optional
        Dotted name of the field, such as ``ingredients.barley.amount``.
    """

    code = "S11"
    cause = "a file says something that cannot be used, or is not there"
    remedy = "mend the file at the line and field named; the message says what is allowed"

    def __init__(
        self,
        problem: str,
        *,
        file: str | Path | None = None,
        line: int | None = None,
        column: int | None = None,
        field: str = "",
    ) -> None:
        self.file, self.line, self.column, self.field = file, line, column, field
        place = ":".join(str(part) for part in (file, line, column) if part is not None)
        super().__init__(": ".join(_told(part) for part in (place, _shortened(field), problem) if part))
        self.problem = _told(problem)


class DamagedError(InputError):
    """A file is not the one that its record describes."""

    code = "S20"
    cause = "a file was cut off or changed since it was written: its hash differs"
    remedy = "restore it from a copy, or make it again (import the release, run the report)"


class BusyError(SwaptableError):
    """Another process holds what is needed."""

    code = "S30"
    cause = "another process works on the same files"
    remedy = "wait until it ends, or name another folder"


class WriteError(SwaptableError):
    """A folder cannot be written."""

    code = "S31"
    cause = "the disk is full, the folder is read-only, or it may not be written by this user"
    remedy = "make room or name another folder; what was there before is as it was"


class RunError(SwaptableError):
    """A notebook failed."""

    code = "S40"
    cause = "a cell of the notebook raised an error, or its kernel died"
    remedy = "open the broken notebook that was kept, mend the cause, and run again"


class LimitError(RunError):
    """A run took too long, printed too much, or its inputs would not keep still."""

    code = "S41"
    cause = "a run went beyond a limit of time or size, or its inputs changed while it read them"
    remedy = "raise the limit (--limit), choose fewer variants, or run again when nobody edits the files"


class MissingPackageError(SwaptableError):
    """A library that only some commands need is not installed."""

    code = "S70"
    cause = "an optional library is not installed"
    remedy = "install the extra that the message names"


def every_error() -> list[type[SwaptableError]]:
    """List every kind of error that was imported so far, by code."""

    def below(kind: type[SwaptableError]) -> list[type[SwaptableError]]:
        return [kind, *(inner for each in kind.__subclasses__() for inner in below(each))]

    return sorted(below(SwaptableError), key=lambda kind: kind.code)


def _shortened(field: str) -> str:
    return field if len(field) <= LONGEST_QUOTED else f"{field[: LONGEST_QUOTED // 2]}…{field[-LONGEST_QUOTED // 2 :]}"


def nearest(word: str, allowed: Iterable[str]) -> str:
    """Return ``"; did you mean 'x'?"`` for the allowed word most like ``word``, or nothing.

    Examples
    --------
    >>> nearest("simered", ["simmered", "steamed"])
    "; did you mean 'simmered'?"
    >>> nearest("xyz", ["simmered", "steamed"])
    ''
    """
    if len(str(word)) > LONGEST_COMPARED:  # comparing takes time with the square of it
        return ""
    by_lower_case = {str(item).lower(): str(item) for item in allowed}
    close = get_close_matches(str(word).lower(), list(by_lower_case), n=1, cutoff=0.6)
    return f"; did you mean '{by_lower_case[close[0]]}'?" if close else ""


def listed(items: Iterable[str], most: int = 12) -> str:
    """Join words for a sentence, cut after ``most`` with the count of the rest.

    Examples
    --------
    >>> listed(["a", "b", "c"], most=2)
    'a, b and 1 more'
    """
    words = [str(item) for item in items]
    if len(words) <= most:
        return ", ".join(words)
    return f"{', '.join(words[:most])} and {len(words) - most} more"


def counted(number: int, what: str) -> str:
    """Count things of one kind for a sentence.

    Examples
    --------
    >>> counted(1, "value"), counted(2_000, "value")
    ('1 value', '2,000 values')
    """
    return f"{number:,} {what}{'' if number == 1 else 's'}"


def kind_of(value: Any) -> str:
    """Say what was found, for an error."""
    if isinstance(value, Mapping | list):
        return "a mapping" if isinstance(value, Mapping) else "a list"
    return f"'{value}'" if len(str(value)) <= LONGEST else f"'{str(value)[:LONGEST]}…'"
