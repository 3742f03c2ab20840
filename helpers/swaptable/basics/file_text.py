"""Text from strangers: bytes decoded within bounds or refused with their line, and signs that a text may not hold."""

from __future__ import annotations

import codecs
import re
import unicodedata
from collections.abc import Iterator, MutableMapping
from pathlib import Path

from swaptable.basics.errors import InputError
from swaptable.basics.folders import shown

__all__ = ["LONGEST_NAME", "MOST_BYTES", "decode", "look_of", "odd_sign", "read_bytes", "visible", "wrong_name"]

MOST_BYTES = 20_000_000  # of a file, packed or unpacked; a recipe is a thousandth of it
_ENCODINGS = re.compile(  # of pages; what a language of programming adds to them is none of theirs
    r"(?:iso-?8859-?\d{1,2}|(?:windows-|cp)125\d|latin-?\d|koi8-[ru]|macintosh|shift_jis|euc-(?:jp|kr)|gbk|gb2312|"
    r"gb18030|big5)",
    re.I,
)


def read_bytes(path: Path) -> bytes:
    """Read a whole file of bounded size.

    Raises
    ------
    InputError
        If it cannot be read, is empty, or is larger than any recipe.
    """
    name = shown(path)
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise InputError(f"holds {size / 1e6:,.0f} MB; expected at most {MOST_BYTES / 1e6:.0f} MB", file=name)
        data = path.read_bytes()
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", file=name) from error
    if not data.strip(b"\0 \t\r\n"):
        raise InputError("is empty", file=name)
    return data


def decode(data: bytes, name: str, declared: str = "") -> str:
    """Turn the bytes of a file into text.

    Parameters
    ----------
    data : bytes
        UTF-8 with or without byte-order mark, or UTF-16 with one.
    name : str
        Of the file, for errors.
    declared : str, optional
        Encoding that the file itself names, for when it is not UTF-8.

    Returns
    -------
    str
        With line ends as LF.

    Raises
    ------
    InputError
        If it is no such text; names the line and how it would read in Windows-1252.
    """
    encoding = "utf-16" if data[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE) else "utf-8-sig"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        if not declared:
            raise _not_text(data, error, name) from None
        # what calls itself Latin-1 is Windows-1252, by the encoding standard of the web
        meant = "cp1252" if declared.lower() in ("iso-8859-1", "latin-1", "latin1", "us-ascii") else declared
        try:
            if not _ENCODINGS.fullmatch(meant):
                raise LookupError(meant)
            text = data.decode(meant)
        except (LookupError, UnicodeDecodeError):
            raise InputError(f"is neither UTF-8 nor '{declared}', which it says it is", file=name) from None
    if "\0" in text:
        raise InputError("holds NUL characters; expected a text in UTF-8", file=name)
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _not_text(data: bytes, error: UnicodeDecodeError, name: str) -> InputError:
    if error.encoding.startswith("utf-16"):
        return InputError("is UTF-16 text cut short; save it again as UTF-8", file=name)
    line = data.count(b"\n", 0, error.start) + 1
    whole = data[data.rfind(b"\n", 0, error.start) + 1 :].split(b"\n")[0]
    before = data[: error.start].rfind(b"\n") + 1
    at = max(error.start - before - 12, 0)
    read = whole[at : at + 30].decode("cp1252", errors="replace").strip()
    return InputError(
        f"is not UTF-8 text: found the byte 0x{data[error.start]:02x}, in Windows-1252 (Latin-1) '{read}'; "
        "save it again as UTF-8, in a spreadsheet as 'CSV UTF-8'",
        file=name,
        line=line,
    )


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
