"""Signs that a text of a file may hold, and names that look alike."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, MutableMapping

__all__ = ["LONGEST_NAME", "look_of", "odd_sign", "visible", "wrong_name"]

LONGEST_NAME = 200  # letters; the longest name of a food has as many
MOST_MARKS = 8  # combining marks on one letter; the most that a language needs are half as many
_ODD_KINDS = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
_LINE_ENDS = "\n\t\u2028\u2029"
_JOINERS = "\u200c\u200d"  # invisible, but some scripts cannot be written without them
# Letters that look like Latin ones in most fonts.
_ALIKE = str.maketrans(
    "АВЕЅІЈКМНОРСТУХаеѕіјорсухԁԛԝΑΒΕΖΗΙΚΜΝΟΡΤΥΧοıɡ",
    "ABESIJKMHOPCTYXaesijopcyxdqwABEZHIKMNOPTYXoig",
)


def odd_sign(text: str, *, one_line: bool = False) -> str:
    r"""Name the first sign of a text that cannot be seen, or that does something to what stands around it.

    Parameters
    ----------
    text : str
    one_line : bool, optional
        Whether line ends and tabs are such signs too.

    Returns
    -------
    str
        Its number and name; empty if there is none. Control signs, marks that turn the direction of writing, signs of
        no width, halves of a sign, signs without a meaning, and marks piled up on one letter.

    Examples
    --------
    >>> odd_sign("salt\u202etpeper")
    'U+202E (RIGHT-TO-LEFT OVERRIDE)'
    >>> odd_sign("crème brûlée"), odd_sign("a\nb"), odd_sign("a\nb", one_line=True)
    ('', '', 'U+000A (a line end)')
    """
    if text.isascii() and text.isprintable():
        return ""
    at = next(_odd_places(text, one_line), None)
    if at is None:
        return ""
    sign, ended = text[at], "a line end" if text[at] == "\n" else "a control sign"
    nameless = ended if unicodedata.category(sign) == "Cc" else "no sign of a language"
    return f"U+{ord(sign):04X} ({unicodedata.name(sign, nameless)})"


def visible(text: str) -> str:
    r"""Leave such signs out of one line of text.

    Examples
    --------
    >>> visible("salt\u202e, \tsea\u200b")
    'salt, sea'
    """
    if text.isascii() and text.isprintable():
        return text
    odd = set(_odd_places(text, True))
    return "".join(sign for place, sign in enumerate(text) if place not in odd)


def _odd_places(text: str, one_line: bool) -> Iterator[int]:
    marks = 0
    for place, sign in enumerate(text):
        if sign.isascii() and sign.isprintable():
            marks = 0
            continue
        kind = unicodedata.category(sign)
        marks = marks + 1 if kind in ("Mn", "Me") else 0
        harmless = sign in _JOINERS or (sign in _LINE_ENDS and not one_line)
        if marks > MOST_MARKS or (kind in _ODD_KINDS and not harmless):
            yield place


def look_of(name: str) -> str:
    r"""Give what a name looks like, the same for names that a reader cannot tell apart.

    Examples
    --------
    >>> look_of("ｓalt") == look_of("sаlt") == look_of("s\u200dalt ") == "salt"
    True
    """
    plain = unicodedata.normalize("NFKC", "".join(sign for sign in name if unicodedata.category(sign) != "Cf"))
    return re.sub(r"\s+", " ", plain).strip().translate(_ALIKE)


def wrong_name(name: str, looks: MutableMapping[str, str]) -> str:
    """Say what is wrong with a name, given the ones before it.

    Parameters
    ----------
    name : str
    looks : dict
        What each name before it looks like → the name; this one is added.

    Returns
    -------
    str
        Empty if nothing is.
    """
    if len(name) > LONGEST_NAME:
        return f"found a name of {len(name):,} letters; expected at most {LONGEST_NAME}"
    odd = odd_sign(name, one_line=True)
    if odd:
        return f"found a name with the sign {odd}; expected signs that can be seen"
    look = look_of(name)
    if look not in looks:
        looks[look] = name
        return ""
    same = looks[look]
    return f"'{name}' is there twice; keep one" if name == same else f"'{name}' looks the same as '{same}'; rename one"
