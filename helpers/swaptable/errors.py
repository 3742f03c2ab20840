"""Errors that name the place, what was found and what is allowed."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from pathlib import Path

__all__ = ["InputError", "SwaptableError", "listed", "nearest"]


class SwaptableError(ValueError):
    """Anything that a user can put right; the command line prints it as one sentence.

    Parameters
    ----------
    problem : str
        What is wrong, what was found and what is allowed.
    about : str, optional
        Field of an ingredient that the problem is about, for whoever knows its place in a file.
    """

    def __init__(self, problem: str, about: str = "") -> None:
        self.problem, self.about = problem, about
        super().__init__(problem)


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
        super().__init__(": ".join(part for part in (place, field, problem) if part))
        self.problem = problem


def nearest(word: str, allowed: Iterable[str]) -> str:
    """Return ``"; did you mean 'x'?"`` for the allowed word most like ``word``, or nothing.

    Examples
    --------
    >>> nearest("simered", ["simmered", "steamed"])
    "; did you mean 'simmered'?"
    >>> nearest("xyz", ["simmered", "steamed"])
    ''
    """
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
