"""A recipe in plain text taken apart: title, servings, ingredient lines, method."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from swaptable.basics.errors import InputError, SwaptableError, listed
from swaptable.basics.folders import shown
from swaptable.kitchen.words import BULLET, check_figures, plain_text, quantity_at

__all__ = ["KitchenRecipe", "read_kitchen_file", "read_kitchen_text"]

MOST_LINE = 5_000  # letters in a line of the text
MOST_TEXT = 1_000_000  # bytes of a file


@dataclass(frozen=True)
class KitchenRecipe:
    """A recipe in words.

    Attributes
    ----------
    title : str
    servings : float or None
        Portions; None where the text does not say. [-]
    lines : tuple of str
        Ingredient lines as written.
    method : tuple of str
        Steps.
    source : str
        File or page that it came from.
    notes : tuple of str
        How the title or the servings were read, where that is not plain.
    """

    title: str
    servings: float | None
    lines: tuple[str, ...]
    method: tuple[str, ...]
    source: str
    notes: tuple[str, ...] = ()


_INGREDIENTS = re.compile(
    r"(?:the )?(?:ingredients?|you(?:'ll| will)? need|what you(?:'ll| will)? need|shopping list)\b[^.]{0,40}", re.I
)
_METHOD = re.compile(
    r"(?:the )?(?:methods?|directions?|instructions?|preparation|steps|procedure|how to (?:make|cook)\b.*|to make|"
    r"what to do)",
    re.I,
)
_AFTERWARDS = re.compile(r"(?:notes?|tips?|cook'?s notes?|nutrition\b.*|storage|per serving\b.*|variations?)", re.I)
_TIMES = re.compile(
    r"(?:prep(?:aration)?|cook(?:ing)?|total|ready|rest(?:ing)?|active|difficulty|level|source)\b.{0,12}(?:time|in|:).*"
    r"|.*\b\d+ ?min(?:ute)?s?\.?$",
    re.I,
)
_SERVINGS = re.compile(
    r"(?:serves|servings?|makes|yields?|portions?|for)\b[ :]*(?P<first>(?:about |approx\.? )?\d.*)"
    r"|(?P<second>\d[\d \-to]*) (?:servings?|portions?|people|persons|helpings)\b",
    re.I,
)
_STEP = re.compile(r"^\s*(?:step\s*)?\d{1,2}\s*[.):]\s+(?=\D)|^\s*step\s+\d{1,2}\s*[-:]?\s*", re.I)
_SUBHEADING = re.compile(
    r"(?:for (?:the|serving|dressing)\b[^\d]*:?|[^\d:]{2,40}:|to (?:serve|finish|garnish):?)", re.I
)
_SENTENCE = re.compile(r"[a-z].* .*[.!]$|(?:\S+ ){9,}", re.I)


def _check_characters(text: str, source: str) -> None:
    for number, line in enumerate(text.splitlines(), 1):
        if len(line) > MOST_LINE:
            problem = f"has {len(line):,} letters; expected at most {MOST_LINE:,} in one line of a recipe"
            raise InputError(problem, file=source or None, line=number)
        odd = next((c for c in line if unicodedata.category(c) == "Cc" and c not in "\t\f\v"), None)
        if odd is not None:
            problem = f"found the control character U+{ord(odd):04X}; expected a plain text, saved as UTF-8"
            raise InputError(problem, file=source or None, line=number, column=line.index(odd) + 1)


def _servings(text: str) -> tuple[float | None, tuple[str, ...]]:
    """Read how many portions a line promises."""
    found = _SERVINGS.fullmatch(text) or _SERVINGS.search(text)
    if found is None:
        return None, ()
    words = (found["first"] or found["second"]).strip()
    amount, rest = quantity_at(words)
    if amount is None or not amount.number:
        return None, ()
    counted = " ".join(part for part in (amount.measure, rest.strip(" .)")) if part)
    notes = tuple(note for note in amount.notes if "midpoint" in note)
    pieces = re.match(r"(?!servings?|portions?|people|persons|helpings|adults)[a-z]+", counted, re.I)
    if pieces:
        if amount.measure:
            return None, (f"'{text}' tells no number of servings",)
        notes = (*notes, f"'{text}': a serving is taken as one of them")
    return amount.number, tuple(f"servings: {note}" for note in notes)


@dataclass
class _Reader:
    """The parts of a text as they are found, line by line."""

    source: str
    title: str = ""
    servings: float | None = None
    notes: tuple[str, ...] = ()
    part: str = "head"
    headed: bool = False  # the text has headings; without, each line is judged by its looks
    recipes: list[int] | None = None

    def __post_init__(self) -> None:
        self.lines: list[str] = []
        self.method: list[str] = []
        self.starts: list[int] = []

    def take(self, number: int, raw: str) -> None:
        """Take one line of the text."""
        raw = "".join(c for c in raw if unicodedata.category(c) != "Cf")  # marks that turn the direction of writing
        plain = " ".join(re.sub(r"^[#>\s]+|[*_]{2,}", "", raw).split())
        bare = plain_text(plain).strip(" *_")
        if not bare:
            return
        try:
            check_figures(bare)
        except SwaptableError as error:
            raise InputError(str(error), file=self.source or None, line=number) from None
        heading = bare.rstrip(" :")
        if _INGREDIENTS.fullmatch(heading):
            self.starts.append(number)
            self._serve(bare)
            self.part, self.headed = "ingredients", True
        elif _METHOD.fullmatch(heading):
            self.part, self.headed = "method", True
        elif _AFTERWARDS.fullmatch(heading):
            self.part = "after"
        elif (
            self.part in ("head", "ingredients")
            and _SERVINGS.match(bare)
            and not _STEP.match(bare)
            and self._serve(bare)
        ):
            pass
        elif self.part == "head" and not self.title and not _TIMES.fullmatch(bare) and not self._looks_measured(bare):
            self.title = bare
        elif self.part == "method":
            self._step(plain)
        elif self.part == "ingredients" and self.headed:
            self._ingredient(plain, bare)
        elif self.part != "after" and not self.headed:
            self._judge(plain, bare)

    def _looks_measured(self, bare: str) -> bool:
        return quantity_at(bare)[0] is not None

    def _serve(self, bare: str) -> bool:
        servings, notes = _servings(bare)
        if servings is not None and self.servings is None:
            self.servings, self.notes = servings, notes
        elif notes and self.servings is None:
            self.notes = notes
        return servings is not None or bool(notes)

    def _ingredient(self, plain: str, bare: str) -> None:
        if not _SUBHEADING.fullmatch(bare) and not _TIMES.fullmatch(bare):
            self.lines.append(BULLET.sub("", plain))

    def _step(self, plain: str) -> None:
        step = _STEP.sub("", re.sub(r"^\s*[-*•]\s+", "", plain))
        if self.method and not _STEP.match(plain) and step[:1].islower():
            self.method[-1] += f" {step}"
        else:
            self.method.append(step)

    def _judge(self, plain: str, bare: str) -> None:
        """Take a line of a text without headings for what it looks like."""
        if _STEP.match(bare) or (_SENTENCE.match(bare) and not self._looks_measured(bare)):
            if self.lines:
                self._step(plain)
        elif self._looks_measured(bare) or plain != bare or (self.lines and not self.method):
            self._ingredient(plain, bare)


def read_kitchen_text(text: str, source: str = "") -> KitchenRecipe:
    """Read a recipe in plain text: title, servings, ingredient lines, method.

    Parameters
    ----------
    text : str
        With headings such as *Ingredients* and *Method*, or without: then lines that begin with an amount or a
        bullet are ingredients, and numbered lines and sentences after them the method.
    source : str, optional
        File it came from, for errors.

    Returns
    -------
    KitchenRecipe

    Raises
    ------
    InputError
        If it is empty, holds control characters or endless lines, no ingredient, or several recipes.
    """
    if not text.strip():
        raise InputError("is empty; expected a title, servings, ingredients and a method", file=source or None)
    _check_characters(text, source)
    _check_single(text, source)
    reader = _Reader(source)
    for number, line in enumerate(text.splitlines(), 1):
        reader.take(number, line)
    if not reader.lines:
        problem = "found no ingredient lines; expected lines such as '200 g carrots, sliced' or '- 3 medium potatoes'"
        raise InputError(problem, file=source or None)
    notes = reader.notes if reader.title else (*reader.notes, "the text has no title")
    title = reader.title or Path(source).stem.replace("_", " ") or "Untitled recipe"
    return KitchenRecipe(title, reader.servings, tuple(reader.lines), tuple(reader.method), source, notes)


def _check_single(text: str, source: str) -> None:
    """Refuse a text with several recipes: their ingredients would be added up."""
    plain = [plain_text(re.sub(r"^[#>\s*_]+", "", line)).strip(" :*_") for line in text.splitlines()]
    headings = [n for n, line in enumerate(plain, 1) if re.fullmatch(r"ingredients?(?: \(.*\))?", line, re.I)]
    served = [n for n, line in enumerate(plain, 1) if re.match(r"serves \d|servings?:? \d|makes \d", line, re.I)]
    starts = headings if len(headings) > 1 else served
    if len(starts) > 1:
        places = listed(str(number) for number in starts)
        problem = f"holds {len(starts)} recipes (see lines {places}); expected one: save each in a file of its own"
        raise InputError(problem, file=source or None, line=starts[1])


def read_kitchen_file(path: Path) -> KitchenRecipe:
    """Read a recipe from a text file, UTF-8 or UTF-16 with its mark.

    Parameters
    ----------
    path : Path

    Returns
    -------
    KitchenRecipe

    Raises
    ------
    InputError
        As :func:`read_kitchen_text`, and if the file cannot be read or is no text.
    """
    name = shown(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", file=name) from error
    if len(data) > MOST_TEXT:
        raise InputError(f"has {len(data):,} bytes; expected a recipe in plain text, at most {MOST_TEXT:,}", file=name)
    try:
        text = data.decode("utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError as error:
        problem = (
            f"is not UTF-8 text (byte {error.start} is 0x{data[error.start]:02x}); save the recipe as plain text, UTF-8"
        )
        raise InputError(problem, file=name) from error
    return read_kitchen_text(text, name)
