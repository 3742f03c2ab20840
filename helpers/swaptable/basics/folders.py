"""Where the project's own files are, in a checkout and in an installed wheel."""

from __future__ import annotations

from pathlib import Path

from swaptable.basics.errors import InputError, nearest

__all__ = ["DATA", "HOME", "NOTEBOOKS", "PACKAGE", "REPORTS", "files_in", "find_file", "shown"]

PACKAGE = Path(__file__).parents[1]
_EMBEDDED = PACKAGE / "_embedded"
HOME = _EMBEDDED if _EMBEDDED.is_dir() else PACKAGE.parents[1]
DATA = HOME / "data"
NOTEBOOKS = HOME / "notebooks"
REPORTS = (Path.cwd() if HOME == _EMBEDDED else HOME) / "reports"  # an installed package writes where its user is


def shown(path: Path) -> str:
    """Give a path the way a reader knows it: from the project's folder where it lies in there.

    Examples
    --------
    >>> shown(DATA / "recipes" / "pot.yaml")
    'data/recipes/pot.yaml'
    """
    full = path.resolve()
    return full.relative_to(HOME.resolve()).as_posix() if full.is_relative_to(HOME.resolve()) else str(path)


def find_file(name: str | Path, folder: str, suffix: str) -> Path:
    """Find one of the project's or the user's files by name or path.

    Parameters
    ----------
    name : str or Path
        A path, from here or from the project's folder, or the bare name of a file in ``data/<folder>/``.
    folder, suffix : str
        Such as ``"recipes"`` and ``".yaml"``.

    Returns
    -------
    Path

    Raises
    ------
    InputError
        If there is none, with the names there are.
    """
    tried = [Path(name), HOME / name, DATA / folder / name, DATA / folder / f"{name}{suffix}"]
    try:
        found = next((path for path in tried if path.is_file()), None)
    except OSError:  # a name longer than the file system allows
        found = None
    if found is None:
        known = sorted(path.stem for path in (DATA / folder).glob(f"*{suffix}"))
        raise InputError(f"found '{name}'; expected a file or one of {', '.join(known)}{nearest(str(name), known)}")
    return found


def files_in(folder: str) -> list[str]:
    """Name the files of a folder of ``data/``, such as ``"recipes"``."""
    return sorted(path.stem for path in (DATA / folder).glob("*.yaml"))
