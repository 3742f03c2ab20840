"""What several commands share: exit codes, how they print a table, options that they all have."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, TypeAlias

__all__ = [
    "DONE",
    "FLIPPED",
    "INTERRUPTED",
    "PRICES",
    "RUN_FAILED",
    "WRONG_INPUT",
    "Commands",
    "add_command",
    "add_format",
    "add_options",
    "print_table",
]

if TYPE_CHECKING:
    import pandas as pd


Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"
PRICES = "price file, or its name in data/; without it nothing is costed"
ROWS_AT_ONCE = 20_000


def add_command(commands: Commands, name: str, told: str) -> argparse.ArgumentParser:
    """Add a command that says what it does in the list of commands and in its own help."""
    return commands.add_parser(name, help=told, description=told)


def print_table(table: pd.DataFrame, kind: str) -> None:
    """Print a table on standard output as ``csv`` or ``json``, in parts where it is large."""
    from swaptable.formats.csv_cells import harmless_table

    if kind == "csv":
        harmless_table(table).to_csv(sys.stdout, index=False, lineterminator="\n")
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


def add_format(parser: argparse.ArgumentParser, *kinds: str) -> None:
    """Add ``--format``, of which the first kind is the default."""
    told = f"{', '.join(kinds[:-1])} or {kinds[-1]} ({kinds[0]})"
    parser.add_argument("--format", choices=kinds, default=kinds[0], help=told)


DONE, RUN_FAILED, WRONG_INPUT, FLIPPED, INTERRUPTED = 0, 1, 2, 3, 130
