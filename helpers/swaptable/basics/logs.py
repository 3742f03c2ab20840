"""What the command line tells besides its results: nothing by default, the story on request, for people or machines."""

from __future__ import annotations

import json
import logging
import sys
from datetime import UTC, datetime
from typing import Any

from swaptable.basics.errors import SwaptableError

__all__ = ["KINDS", "logger", "set_up", "tell_error"]

KINDS = ("text", "json")
logger = logging.getLogger("swaptable")
_LEVELS = (logging.WARNING, logging.INFO, logging.DEBUG)
_OWN = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime"}


class _Plain(logging.Formatter):
    """One line: time and sentence."""

    def format(self, record: logging.LogRecord) -> str:
        if record.levelno >= logging.ERROR:
            return record.getMessage()
        return f"{datetime.fromtimestamp(record.created).strftime('%H:%M:%S')} {record.getMessage()}"


class _Json(logging.Formatter):
    """One JSON object a line."""

    def format(self, record: logging.LogRecord) -> str:
        about: dict[str, Any] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "message": record.getMessage(),
        }
        more = {key: value for key, value in vars(record).items() if key not in _OWN}
        return json.dumps(about | more, ensure_ascii=False, default=str)


def set_up(verbose: int = 0, kind: str = KINDS[0]) -> None:
    """Send the log to standard error.

    Parameters
    ----------
    verbose : int, optional
        0: only what went wrong; 1: the story; 2: details as well.
    kind : str, optional
        ``"text"`` or ``"json"``, one object a line.
    """
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(_Json() if kind == "json" else _Plain())
    logger.handlers[:] = [handler]
    logger.setLevel(_LEVELS[min(verbose, len(_LEVELS) - 1)])
    logger.propagate = False


def tell_error(error: SwaptableError, **more: Any) -> None:
    """Log an error: its sentence and code; cause and remedy as fields, and as a line of the story.

    Parameters
    ----------
    error : SwaptableError
    **more
        Further fields of the JSON line.
    """
    places = {name: value for name in ("file", "line", "column", "field") if (value := getattr(error, name, None))}
    about = {"code": error.code, "cause": error.cause, "remedy": error.remedy}
    logger.error("%s [%s]", error, error.code, extra=about | places | more)
    if not any(isinstance(handler.formatter, _Json) for handler in logger.handlers):  # there they are fields already
        logger.info("%s: %s; %s", error.code, error.cause, error.remedy)
