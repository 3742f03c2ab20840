"""Exit codes."""

from __future__ import annotations

__all__ = ["DONE", "FLIPPED", "INTERRUPTED", "RUN_FAILED", "WRONG_INPUT"]

DONE, RUN_FAILED, WRONG_INPUT, FLIPPED, INTERRUPTED = 0, 1, 2, 3, 130
