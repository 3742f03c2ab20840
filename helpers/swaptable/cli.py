"""The command line: a thin layer over the package.

Exit codes: 0 done; 1 a run failed; 2 wrong input or usage; 3 a conclusion flipped; 130 interrupted.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

from swaptable.basics.errors import RunError, SwaptableError, WriteError
from swaptable.basics.logs import KINDS, logger, set_up, tell_error
from swaptable.commands import changes, files, foods, recipes, reports, survey, teaching
from swaptable.commands.shared import DONE, INTERRUPTED, RUN_FAILED, WRONG_INPUT

__all__ = ["main"]


class _Parser(argparse.ArgumentParser):
    """A parser whose errors are told like all others."""

    def error(self, message: str) -> NoReturn:
        """Refuse what was typed."""
        raise SwaptableError(f"{message}; `{self.prog} --help` lists what there is")


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="swaptable",
        description="Compare the variants of a recipe, per serving, for an audience with one health concern.",
        epilog="Exit codes: 0 done; 1 a run failed; 2 wrong input or usage; 3 a conclusion flipped; 130 interrupted.",
    )
    _add_log(parser)
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    for group in (reports, changes, recipes, teaching, survey, foods, files):
        group.add_to(commands)
    for command in commands.choices.values():
        _add_log(command, argparse.SUPPRESS)
    return parser


def _add_log(parser: argparse.ArgumentParser, default: str | None = None) -> None:
    """Add the options of the log, before the command and after it."""
    told = "tell what is done on the way; twice: in detail"
    parser.add_argument("-v", "--verbose", action="count", default=default or 0, help=told)
    told = "messages as text, or as one JSON object a line (text)"
    parser.add_argument("--log", choices=KINDS, default=default or KINDS[0], help=told)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command.

    Parameters
    ----------
    arguments : sequence of str, optional
        Without the program's name; from the command line by default.

    Returns
    -------
    int
        Exit code.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8")
    given = list(sys.argv[1:] if arguments is None else arguments)
    set_up(0, KINDS["--log json" in " ".join(given).replace("=", " ")])  # for what the parser refuses
    try:
        options = _parser().parse_args(given)
        set_up(options.verbose, options.log)
        return int(options.command(options))
    except (WriteError, RunError) as error:
        tell_error(error)
        return RUN_FAILED
    except SwaptableError as error:
        tell_error(error)
        return WRONG_INPUT
    except BrokenPipeError:  # the reader, such as head, has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as error:  # such as a full disk
        tell_error(WriteError(f"{error.strerror}: {error.filename or 'output'}"))
        return RUN_FAILED
    except KeyboardInterrupt:
        logger.error("interrupted; finished reports are in place, the others as they were")
        return INTERRUPTED
