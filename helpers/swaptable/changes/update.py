"""A new food release: brought in beside the old one, compared with it, and made the current one only when told to.

Nothing that is there is ever replaced. Recipes keep their codes: a switch writes which release ``current`` stands for,
and the maps of ``data/code_changes/`` lead the codes there. So the way back is a switch as well.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from swaptable.amounts.nutrients import compute
from swaptable.amounts.recipes import read_recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import InputError, SwaptableError, counted, listed
from swaptable.basics.folders import DATA, shown
from swaptable.foods.current_release import (
    CURRENT,
    Current,
    answers_file,
    code_map,
    map_file,
    read_answers,
    read_changes,
    read_current,
    write_changes,
    write_current,
)
from swaptable.foods.joined import SEPARATOR, join, open_current
from swaptable.foods.recoded import recoded
from swaptable.foods.release import FoodRelease, open_release
from swaptable.releases.code_changes import Differences, Question, Use, compare, match_codes, questions, used_codes
from swaptable.releases.public_releases import bring_in, release_named

__all__ = ["Update", "bring_update", "difference_lines", "switch_to"]

MOST_LINES = 20  # of the foods that recipes use and that changed
_KINDS = ("vanished", "renumbered", "changed")


@dataclass(frozen=True, eq=False)
class Update:
    """A release that is here now, set against what is current.

    Attributes
    ----------
    new : FoodRelease
    olds : dict of FoodRelease
        Releases whose codes recipes may use and that it would replace, by name; what is current first.
    differences : tuple of Differences
        Against each of ``olds``.
    uses : tuple of Use
        Where recipes and days name foods.
    known : dict of str
        Code with its release → what stands for it in the new one.
    open : tuple of Question
        Foods in use of which nobody has said what stands for them.
    data : Path
        Folder of the project's data.
    """

    new: FoodRelease
    olds: dict[str, FoodRelease]
    differences: tuple[Differences, ...]
    uses: tuple[Use, ...]
    known: dict[str, str]
    open: tuple[Question, ...]
    data: Path


def bring_update(name: str, data: Path = DATA, *, source: Path | None = None) -> Update:
    """Bring a release in unless it is here, and set it against the current one.

    Parameters
    ----------
    name : str
        Of a public release, or of a folder in ``data/foods/``.
    data : Path, optional
        Folder of the project's data.
    source : Path, optional
        File or folder that was brought by hand.

    Returns
    -------
    Update
        Maps of codes and open questions are written to ``data/code_changes/``.

    Raises
    ------
    DownloadError, InputError
        If it cannot be had or read; then nothing is changed.
    """
    if name == CURRENT:
        raise InputError(f"found '{name}'; expected the name of a release", field="release")
    folder = data / "foods" / name
    if source is None and (folder / "manifest.json").is_file():
        new = open_release(folder)
    else:
        new = bring_in(release_named(name, data), data, source=source)
    olds = _replaced(new.name, data)
    for old in olds.values():
        if not map_file(old.name, new.name, data).exists():
            write_changes(map_file(old.name, new.name, data), match_codes(old, new))
    known = code_map(list(olds), new.name, data)
    uses = tuple(used_codes(data))
    asked = tuple(questions(uses, olds, new, known))
    _write_questions(asked, data)
    differences = tuple(_compared(old, new, data) for old in olds.values())
    return Update(new, olds, differences, uses, known, asked, data)


def _replaced(new: str, data: Path) -> dict[str, FoodRelease]:
    """Open what is current and what recipes named before it, but for the new release itself."""
    current = read_current(data)
    names = dict.fromkeys([*current.release.split(SEPARATOR), *current.codes])
    opened = [open_release(data / "foods" / name) for name in names]
    return {release.name: release for release in opened if release.name != new}


def _compared(old: FoodRelease, new: FoodRelease, data: Path) -> Differences:
    how = {change.old: change.how for _, change in read_changes(map_file(old.name, new.name, data))}
    how |= {change.old: change.how for _, change in read_answers(new.name, data) if change.new}
    pairs = [
        (before.removeprefix(f"{old.name}:"), after.removeprefix(f"{new.name}:"), how[before])
        for before, after in code_map([old.name], new.name, data).items()
    ]
    return compare(old, new, pairs)


def _write_questions(asked: tuple[Question, ...], data: Path) -> None:
    """Add the rows that wait for an answer; those that wait already stay as they are."""
    path = answers_file(data)
    rows = [change for _, change in read_changes(path)]
    waiting = {(change.old, change.new_release) for change in rows}
    added = [question.row() for question in asked if (question.code, question.new_release) not in waiting]
    if added:
        write_changes(path, [*rows, *added])


def difference_lines(update: Update) -> list[str]:
    """Say what differs, in lines for a person.

    Parameters
    ----------
    update : Update

    Returns
    -------
    list of str
        Counts of foods that are new, vanished, renumbered and changed; of those that recipes use, each with its place;
        and the open questions.
    """
    lines = []
    for difference in update.differences:
        old, kinds = difference.old, difference.kinds()
        counts = ", ".join(f"{kind} {int(rows.sum()):,}" for kind, rows in kinds.items())
        size = counted(len(update.new.foods), "food")
        lines.append(f"{update.new.name} ({size}) against {old.name} ({len(old.foods):,}): {counts}")
        lines += _used_lines(update, difference, kinds)
    asked = [question.sentence() for question in update.open]
    if len(asked) == 1:
        lines.append(f"asked: {asked[0]}")
    elif asked:
        lines += [f"asked of {len(asked)} foods in use:", *(f"  {each}" for each in asked)]
    return lines


def _used_lines(update: Update, difference: Differences, kinds: Mapping[str, pd.Series]) -> list[str]:
    places: dict[str, list[Use]] = {}
    for use in update.uses:
        release, _, bare = use.code.rpartition(":")
        if release == difference.old.name:
            places.setdefault(bare, []).append(use)
    if not places:
        own = {use.code for use in update.uses if use.code.rpartition(":")[0] == update.new.name}
        stay = f"; {counted(len(own), 'food')} of {update.new.name} they name by its own code" if own else ""
        return [f"  recipes and days name no food of {difference.old.name}{stay}"]
    used = difference.table["old"].isin(list(places))
    counts = ", ".join(f"{kind} {int((kinds[kind] & used).sum())}" for kind in _KINDS)
    foods = "the one food" if len(places) == 1 else f"the {len(places)} foods"
    lines = [f"  of {foods} of {difference.old.name} that recipes and days use: {counts}"]
    changed = difference.table[kinds["changed"] & used]
    for row in changed.head(MOST_LINES).to_dict("records"):
        what = [counted(row["values"], "value")] * bool(row["values"])
        what += [word for word in ("words", "refuse") if row[word]]
        where = ", ".join(use.place for use in places[row["old"]])
        lines.append(f"  changed: {row['old']} is {row['new']} {row['description']}: {', '.join(what)} ({where})")
    if len(changed) > MOST_LINES:
        lines.append(f"  and {len(changed) - MOST_LINES} more that changed")
    return lines


def switch_to(update: Update) -> Current:
    """Make a release the current one.

    Parameters
    ----------
    update : Update

    Returns
    -------
    Current
        As written.

    Raises
    ------
    SwaptableError
        If a food in use has no answer, an answer names no food, or a recipe does not compute on the release; then
        nothing is changed.
    """
    data, new = update.data, update.new
    if update.open:
        raise SwaptableError(_unanswered(update))
    beside = _answered_elsewhere(update)
    used = {use.code.rpartition(":")[0] for use in update.uses}
    codes = tuple(name for name in update.olds if name in used or name == "sr28")
    folders = [new.folder.name, *(release.folder.name for release in beside.values())]
    target = join(new, *beside.values()) if beside else new
    known = {old: at for old, at in update.known.items() if old.partition(":")[0] in codes}
    _check_recipes(recoded(target, tuple(known.items()), codes) if codes else target, update, data)
    chosen = Current(SEPARATOR.join(folders), codes)
    if chosen != read_current(data):
        write_current(chosen, data)
    return chosen


def _unanswered(update: Update) -> str:
    """Say why there is no switch: one question in full; of several the foods, for :func:`difference_lines` has all."""
    first, *others = update.open
    how = (
        f"as new_code in {shown(answers_file(update.data))} (with the release in front to stay with another, such as "
        f"{first.code}), then switch"
    )
    if not others:
        return f"{first.sentence()}. Write its code {how}; 1 food in use waits for an answer"
    codes = listed(question.code for question in update.open)
    return (
        f"{len(update.open)} foods in use wait for an answer, which food of {update.new.name} each is: {codes}. "
        f"Write the code of each {how}"
    )


def _answered_elsewhere(update: Update) -> dict[str, FoodRelease]:
    """Open the further releases that answers stay with; refuse an answer that names no food."""
    opened: dict[str, FoodRelease] = {}
    for line, change in read_answers(update.new.name, update.data):
        if not change.new or change.old_release not in update.olds:
            continue
        name, _, code = change.new.partition(":")
        try:
            if name == update.new.name:
                update.new.food(code)
            else:
                release = open_release(update.data / "foods" / name)
                release.food(code)
                opened[name] = release
        except SwaptableError as error:
            file = shown(answers_file(update.data))
            raise InputError(str(error), file=file, line=line, field="new_code") from error
    return opened


def _check_recipes(release: FoodRelease, update: Update, data: Path) -> None:
    """See that every recipe that computes now computes on a release before that becomes the current one."""
    for path in sorted((data / "recipes").glob("*.yaml")):
        try:
            _compute(path, release)
        except SwaptableError as error:
            if _computes(path, open_current(data=data)):
                raise SwaptableError(f"{error}; nothing was switched to {update.new.name}") from error


def _compute(path: Path, release: FoodRelease) -> None:
    compute(build_grid(read_recipe(path), release))


def _computes(path: Path, release: FoodRelease) -> bool:
    """Tell whether a recipe computes; one with foods of a release that is named with + does not, nor does a draft."""
    try:
        _compute(path, release)
    except SwaptableError:
        return False
    return True
