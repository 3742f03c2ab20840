"""Bytes of a stranger's file into text: of bounded size, and refused with its line where they are none."""

from __future__ import annotations

import codecs
import re
from pathlib import Path

from swaptable.basics.errors import InputError
from swaptable.basics.folders import shown

__all__ = ["MOST_BYTES", "decode", "read_bytes"]

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
