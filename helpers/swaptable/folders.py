"""Where the project's own files are, in a checkout and in an installed wheel."""

from __future__ import annotations

from pathlib import Path

__all__ = ["DATA", "HOME", "NOTEBOOKS", "shown"]

_EMBEDDED = Path(__file__).parent / "_embedded"
HOME = _EMBEDDED if _EMBEDDED.is_dir() else Path(__file__).parents[2]
DATA = HOME / "data"
NOTEBOOKS = HOME / "notebooks"


def shown(path: Path) -> str:
    """Give a path the way a reader knows it: from the project's folder where it lies in there.

    Examples
    --------
    >>> shown(DATA / "recipes" / "pot.yaml")
    'data/recipes/pot.yaml'
    """
    full = path.resolve()
    return full.relative_to(HOME.resolve()).as_posix() if full.is_relative_to(HOME.resolve()) else str(path)
