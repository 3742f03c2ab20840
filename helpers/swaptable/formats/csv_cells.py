"""Texts in CSV files, none of which a spreadsheet runs."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["FORMULA", "harmless", "harmless_table", "unmarked"]

FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")  # a spreadsheet may run a text that begins so
_NUMBER = re.compile(r"[-+]?[0-9]+(\.[0-9]+)?(e[-+]?[0-9]+)?", re.I)


def harmless(text: str) -> str:
    """Put an apostrophe before a text that a spreadsheet might run; a number stays one.

    Examples
    --------
    >>> harmless("=1+1"), harmless("-1.5"), harmless("salt")
    ("'=1+1", '-1.5', 'salt')
    """
    return f"'{text}" if text.startswith(FORMULA) and not _NUMBER.fullmatch(text) else text


def unmarked(text: str) -> str:
    """Take the apostrophe off again.

    Examples
    --------
    >>> unmarked(harmless("=1+1"))
    '=1+1'
    """
    return text[1:] if text[:1] == "'" and text[1:].startswith(FORMULA) else text


def harmless_table(table: pd.DataFrame) -> pd.DataFrame:
    """Give a table whose texts, column names included, no spreadsheet runs; numbers stay as they are."""

    def cell(value: Any) -> Any:
        return harmless(value) if isinstance(value, str) else value

    texts = table.select_dtypes(exclude=["number", "bool", "datetime"])
    return table.assign(**{str(name): texts[name].map(cell) for name in texts}).rename(columns=cell)
