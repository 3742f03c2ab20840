"""Locks on files: who holds one is told to whoever finds it held, and a killed holder leaves none."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from swaptable.basics.errors import BusyError
from swaptable.basics.folders import shown

__all__ = ["LOCKS", "held", "holder_of"]

LOCKS = ".locks"  # their folder among the reports


@contextmanager
def held(path: Path, wait: float = -1) -> Iterator[None]:
    """Hold a lock while the block runs; the system lets it go with the process, however that ends.

    Parameters
    ----------
    path : Path
        File of the lock; its folder is made.
    wait : float, optional
        How long to wait for another holder [s]; without end by default.

    Raises
    ------
    BusyError
        If another holds it longer than that: says who.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    lock = FileLock(path, thread_local=False)
    try:
        lock.acquire(timeout=wait)
    except Timeout:
        raise BusyError(f"{shown(path)} is held by {holder_of(path)}; wait until it ends") from None
    try:
        _note_beside(path).write_text(f"process {os.getpid()} on {socket.gethostname()}\n", encoding="utf-8")
        yield
    finally:
        lock.release()


def _note_beside(path: Path) -> Path:
    # a file of its own, since Windows lets nobody read one that is locked
    return path.with_suffix(".holder")


def holder_of(path: Path) -> str:
    """Say who holds a lock, or held it last."""
    try:
        return _note_beside(path).read_text(encoding="utf-8").strip() or "another process"
    except OSError:
        return "another process"
