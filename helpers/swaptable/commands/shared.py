"""What several commands share: how they print a table, options that they all have."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Commands", "add_options", "print_table"]

Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"
ROWS_AT_ONCE = 20_000


def print_table(table: pd.DataFrame, kind: str) -> None:
    """Print a table on standard output as ``csv`` or ``json``, in parts where it is large."""
    if kind == "csv":
        table.to_csv(sys.stdout, index=False, lineterminator="\n")
        return
    starts = range(0, len(table), ROWS_AT_ONCE)  # in parts, since a large table as one text would need gigabytes
    for start in starts:
        part = table.iloc[start : start + ROWS_AT_ONCE]
        text = part.to_json(orient="records", double_precision=15, force_ascii=False)[1:-1]
        print("[" if start == 0 else ",", text, sep="", end="")
    print("]" if len(starts) else "[]")


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add ``--with``, which picks a variant by its options."""
    told = "choice=option of the variant, such as liquid=water; may be repeated (the recipe as written)"
    parser.add_argument("--with", dest="options", action="append", default=[], metavar="CHOICE=OPTION", help=told)
