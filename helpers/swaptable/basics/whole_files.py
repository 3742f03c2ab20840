"""Files written whole or not at all, whatever happens to the machine."""

from __future__ import annotations

import hashlib
import os
import tempfile
from pathlib import Path

__all__ = ["sha256_of", "write_beside", "write_whole"]


def write_whole(path: Path, content: str | bytes) -> Path:
    """Write a file beside its place, on the disk for sure, then move it there.

    Parameters
    ----------
    path : Path
        Its folder must be there.
    content : str or bytes
        Text is written as UTF-8.

    Returns
    -------
    Path
        The file.
    """
    part = write_beside(path, content)
    try:
        return part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def write_beside(path: Path, content: str | bytes) -> Path:
    """Write a file beside its place, on the disk for sure: once it is there, moving it needs no room.

    Returns
    -------
    Path
        The file, whose name begins with a dot and the name of the place.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    number, name = tempfile.mkstemp(prefix=f".{path.name[:40]}-", dir=path.parent)
    part = Path(name)
    try:
        with os.fdopen(number, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        part.chmod(0o644)
        return part
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def sha256_of(path: Path) -> str:
    """Hash the content of a file."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
