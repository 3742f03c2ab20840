"""What two sides are, read from their names: food releases, runs, folders of reports, entries of the ledger."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from swaptable.basics.errors import InputError, SwaptableError
from swaptable.basics.folders import DATA, HOME, REPORTS
from swaptable.changes.changes import Changes
from swaptable.changes.release_changes import RUNS, compare_releases
from swaptable.changes.run_changes import compare_entries, compare_folders, compare_ledger, compare_reports
from swaptable.changes.run_results import PROVENANCE
from swaptable.foods.joined import SEPARATOR

__all__ = ["find_changes"]

RELEASE, RUN, FOLDER, ENTRY = "a food release", "the folder of a run", "a folder of reports", "an entry of the ledger"
_ALLOWED = f"{RELEASE}, {RUN}, {FOLDER}, or the number of {ENTRY}"


def find_changes(
    old: str | Path = "",
    new: str | Path = "",
    *,
    recipes: Sequence[str] = (),
    audience: str | Path = "general_adults",
    regime: str = "US",
    prices: str | Path = "",
    runs: str | Path = RUNS,
    only: Sequence[str] = (),
    new_factors: str = "",
    reports: str | Path = REPORTS,
    once: bool = False,
) -> Changes:
    """Find what changed between two sides of one kind.

    Parameters
    ----------
    old, new : str or Path, optional
        Two food releases (names or folders, also joined, such as
        ``later+sr28``), two folders of runs, two folders of reports, or two numbers of entries
        of the ledger; without both, the last entry of every run and the one before it.
    recipes, audience, regime, prices, runs, new_factors : optional
        Of releases: as for :func:`swaptable.changes.release_changes.compare_releases`.
    only : sequence of str, optional
        Names of runs; all by default.
    reports : str or Path, optional
        Folder of the ledger.
    once : bool, optional
        Of the ledger: only what was not told before.

    Returns
    -------
    Changes

    Raises
    ------
    InputError, SwaptableError
        If the two are not of one kind, or cannot be compared.

    Examples
    --------
    What hangs on the retention factors, published or estimated? It computes everything twice, so it is not run here:

    >>> changes = find_changes("sr28", "sr28", recipes=["barley_pot"], new_factors="estimated")  # doctest: +SKIP
    >>> find_changes("sr28", "12")  # doctest: +NORMALIZE_WHITESPACE
    Traceback (most recent call last):
    swaptable.basics.errors.SwaptableError: found 'sr28', which is a food release, and '12', which is an entry of the
    ledger; expected two of a kind
    """
    if bool(str(old)) != bool(str(new)):
        raise SwaptableError("found one side; expected two, or none for what the last report changed")
    kinds = [_kind(str(side)) for side in (old, new)] if str(old) else []
    if len(set(kinds)) > 1:
        raise SwaptableError(
            f"found '{old}', which is {kinds[0]}, and '{new}', which is {kinds[1]}; expected two of a kind"
        )
    kind = kinds[0] if kinds else ""
    of_releases = {"recipe": recipes, "new factors": new_factors}
    idle = next((name for name, value in of_releases.items() if value and kind != RELEASE), None)
    if idle is not None:
        raise SwaptableError(f"found a {idle}, which only a comparison of food releases takes")
    if once and kind:
        raise SwaptableError("only the changes of the last report can be told once; leave the two sides out")
    if kind == RELEASE:
        ways = {"audience": audience, "regime": regime, "prices": prices, "new_factors": new_factors}
        return compare_releases(old, new, recipes=recipes, runs=runs, only=only, **ways)  # type: ignore[arg-type]
    if kind == RUN:
        return compare_folders(_place(str(old)), _place(str(new)))
    if kind == FOLDER:
        return compare_reports(_place(str(old)), _place(str(new)), only)
    if kind == ENTRY:
        return compare_entries(Path(reports), int(str(old)), int(str(new)))
    return compare_ledger(Path(reports), only, once=once)


def _place(name: str) -> Path:
    """Find a folder from here, or from the project's."""
    return next((path for path in (Path(name), HOME / name) if path.is_dir()), Path(name))


def _is_release(name: str) -> bool:
    return any((place / "manifest.json").is_file() for place in (_place(name), DATA / "foods" / name))


def _kind(name: str) -> str:
    """Tell what a side is."""
    place = _place(name)
    if (place / PROVENANCE).is_file():
        return RUN
    if all(_is_release(part.strip()) for part in ([name] if place.is_dir() else name.split(SEPARATOR))):
        return RELEASE
    if any(place.glob(f"[!.]*/{PROVENANCE}")):
        return FOLDER
    if name.isascii() and name.isdigit():
        return ENTRY
    known = ", ".join(sorted(path.parent.name for path in (DATA / "foods").glob("*/manifest.json")))
    raise InputError(f"found '{name}'; expected {_ALLOWED} (releases: {known})")
