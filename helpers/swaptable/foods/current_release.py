"""Which food release is the current one, and the maps by which codes of other releases lead to it.

Recipes keep the codes they were written with. What ``current`` means stands in one file, so a switch is one command and
so is the way back; what a code of another release means there stands in ``data/code_changes/``: one map per pair of
releases, written by ``swaptable update``, and the answers of people, which win.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import astuple, dataclass, fields
from pathlib import Path

from swaptable.basics.errors import InputError, listed
from swaptable.basics.folders import DATA, shown
from swaptable.basics.located_yaml import read_yaml
from swaptable.basics.whole_files import write_whole

__all__ = [
    "ANSWERS",
    "BY_HAND",
    "CURRENT",
    "CodeChange",
    "Current",
    "answers_file",
    "code_map",
    "map_file",
    "read_answers",
    "read_changes",
    "read_current",
    "write_changes",
    "write_current",
]

CURRENT = "current"  # the word that stands for the current release wherever a release is named
FIRST = "sr28"  # what is current until somebody switches
ANSWERS, BY_HAND = "answers", "by hand"
_FILE, _MAPS = "current_release.yaml", "code_changes"
_HEAD = "# The food release that `current` stands for; written by `swaptable update NAME --switch`.\n"


@dataclass(frozen=True)
class Current:
    """What ``current`` stands for.

    Attributes
    ----------
    release : str
        Folder in ``data/foods/``, or several with ``+`` between.
    codes : tuple of str
        Other releases whose codes in recipes are led to it by the maps.
    """

    release: str = FIRST
    codes: tuple[str, ...] = ()


@dataclass(frozen=True)
class CodeChange:
    """A food of one release and the one that stands for it in another.

    Attributes
    ----------
    old_release, old_code, new_release, new_code : str
        Codes without their release. An answer may name a food of a third release with its name in front, such as
        ``sr28:11352``; an answer that is not given yet is empty.
    how : str
        ``same code``, ``SR number``, ``same description`` or ``by hand``.
    confidence : str
        ``certain`` in a map; in an answer whatever its writer says.
    note : str
        For the reader: in which files it is used, and candidates.
    """

    old_release: str
    old_code: str
    new_release: str
    new_code: str
    how: str
    confidence: str
    note: str = ""

    @property
    def old(self) -> str:
        """Code with its release in front."""
        return f"{self.old_release}:{self.old_code}"

    @property
    def new(self) -> str:
        """Code of the food that stands for it, with its release in front; empty while it is a question."""
        return self.new_code if ":" in self.new_code or not self.new_code else f"{self.new_release}:{self.new_code}"


_COLUMNS = tuple(field.name for field in fields(CodeChange))


def read_current(data: Path = DATA) -> Current:
    """Read which release is current.

    Parameters
    ----------
    data : Path, optional
        Folder of the project's data.

    Raises
    ------
    InputError
        If the file says something else.
    """
    path = data / _FILE
    if not path.exists():
        return Current()
    found, source = read_yaml(path)
    if not isinstance(found, dict) or not isinstance(found.get("release"), str) or set(found) - {"release", "codes"}:
        raise source.error((), "expected release: NAME, and codes: [NAME, ...] of the releases that recipes still name")
    codes = found.get("codes") or []
    if not isinstance(codes, list) or not all(isinstance(code, str) for code in codes):
        raise source.error(("codes",), "expected a list of releases, such as [sr28]")
    if CURRENT in found["release"].split("+"):
        raise source.error(("release",), f"found '{CURRENT}'; expected the name of a release")
    return Current(found["release"], tuple(codes))


def write_current(current: Current, data: Path = DATA) -> Path:
    """Write which release is current, whole or not at all."""
    codes = f"codes: [{', '.join(current.codes)}] # of recipes; data/code_changes/ leads them there\n"
    text = f"{_HEAD}release: {current.release}\n{codes if current.codes else ''}"
    return write_whole(data / _FILE, text)


def map_file(old: str, new: str, data: Path = DATA) -> Path:
    """Give the place of the map from one release to another."""
    return data / _MAPS / f"{old}_to_{new}.csv"


def answers_file(data: Path = DATA) -> Path:
    """Give the place of the answers of people."""
    return data / _MAPS / f"{ANSWERS}.csv"


def read_changes(path: Path) -> list[tuple[int, CodeChange]]:
    """Read a map or the answers.

    Parameters
    ----------
    path : Path

    Returns
    -------
    list of (int, CodeChange)
        With the line of each; none if there is no file.

    Raises
    ------
    InputError
        With file and line, if it is no such table or a food has two answers.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        return []
    except (OSError, UnicodeDecodeError) as error:
        raise InputError("cannot be read as UTF-8 text", file=shown(path)) from error
    reader = csv.reader(io.StringIO(text, newline=""))
    found: list[tuple[int, CodeChange]] = []
    answered: dict[tuple[str, str], int] = {}
    header: list[str] = []
    for row in reader:
        cells = [cell.strip() for cell in row]
        if not any(cells):
            continue
        if not header:
            header = cells
            if tuple(header) != _COLUMNS:
                raise InputError(f"found {listed(header)}; expected {', '.join(_COLUMNS)}", file=shown(path), line=1)
            continue
        if len(cells) != len(_COLUMNS):
            problem = f"found {len(cells)} fields, expected {len(_COLUMNS)}"
            raise InputError(problem, file=shown(path), line=reader.line_num)
        change = CodeChange(*cells)
        if change.new_code:
            before = answered.setdefault((change.old, change.new_release), reader.line_num)
            if before != reader.line_num:
                problem = f"found {change.old} again, first in line {before}; keep one"
                raise InputError(problem, file=shown(path), line=reader.line_num, field="old_code")
        found.append((reader.line_num, change))
    return found


def read_answers(new: str, data: Path = DATA) -> list[tuple[int, CodeChange]]:
    """Read the answers, also those not given yet, for a release; each with its line."""
    return [(line, change) for line, change in read_changes(answers_file(data)) if change.new_release == new]


def write_changes(path: Path, changes: Iterable[CodeChange]) -> Path:
    """Write a map or the answers, whole or not at all."""
    path.parent.mkdir(exist_ok=True)
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_COLUMNS)
    writer.writerows(astuple(change) for change in changes)
    return write_whole(path, text.getvalue())


def code_map(olds: Sequence[str], new: str, data: Path = DATA) -> dict[str, str]:
    """Give for the codes of some releases the food that stands for each in another.

    Parameters
    ----------
    olds : sequence of str
        Names of releases.
    new : str
        Name of the release that the maps and answers are for.
    data : Path, optional

    Returns
    -------
    dict of str
        Code with its release → code with its release. An answer wins over the map.

    Raises
    ------
    InputError
        If a file is no such table.
    """
    found = {change.old: change.new for old in olds for _, change in read_changes(map_file(old, new, data))}
    answers = (change for _, change in read_answers(new, data))
    return found | {change.old: change.new for change in answers if change.new and change.old_release in olds}
