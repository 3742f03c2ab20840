"""Several food releases used as one: a user's own products, or another country's table, beside SR28.

Codes carry the name of their release, components are aligned by tag, and everything else stays what it was: values,
errors, evidence, refuse and portions are those of the release that a food is from.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from pandas.api.types import union_categoricals

from swaptable.basics.errors import SwaptableError, listed
from swaptable.basics.folders import DATA
from swaptable.foods import release as foods
from swaptable.foods.component_identity import factor_between, identities
from swaptable.foods.current_release import CURRENT, code_map, read_current
from swaptable.foods.recoded import recoded
from swaptable.foods.release import Food, FoodRelease

__all__ = ["SEPARATOR", "JoinedRelease", "join", "open_current", "open_release"]

SEPARATOR = "+"
# Columns of the values that are in the unit of the component.
_IN_UNIT = ("value", "standard_error", "minimum", "maximum", "median", "lower_95", "upper_95", "limit")


@dataclass(frozen=True, eq=False)
class JoinedRelease(FoodRelease):
    """Several releases as one, opened by :func:`open_release` or :func:`join`.

    Foods are indexed by their full code, such as ``sr28:11352``; a code without a release in front is understood where
    only one of the releases has it.

    Attributes
    ----------
    parts : tuple of FoodRelease
        In the order named; the components of the first come first.
    """

    parts: tuple[FoodRelease, ...]

    @property
    def sha256(self) -> str:
        """One hash over those of the parts, whatever their order."""
        lines = sorted(f"{part.name} {part.sha256}" for part in self.parts)
        return hashlib.sha256("\n".join(lines).encode()).hexdigest()

    def full_code(self, code: str) -> str:
        """Give a code with its release in front, which it has here."""
        return code

    @cached_property
    def _numbers(self) -> list[dict[int, tuple[int, float]]]:
        """Map for each part its nutrient numbers to (number here, factor of the unit)."""
        return [
            {
                int(number): (int(self.components.at[tag, "nutrient_number"]), self._factor(tag, unit, part))
                for tag, number, unit in part.components[["nutrient_number", "unit"]].itertuples()
            }
            for part in self.parts
        ]

    def _factor(self, tag: str, unit: str, part: FoodRelease) -> float:
        here = str(self.components.at[tag, "unit"])
        factor = factor_between(unit, here)
        if factor is None:
            raise SwaptableError(f"{tag} is in {unit} in '{part.name}' but in {here} in the releases before it")
        return factor

    def _components(self) -> pd.DataFrame:
        """Align the components by tag; refuse one tag with two meanings."""
        rows: dict[str, dict[str, Any]] = {}
        numbers: set[int] = set()
        for part in self.parts:
            table = part.components.reset_index()
            for row in table.to_dict("records"):
                tag = str(row["component"])
                row["definition"] = _definition(row)
                if tag not in rows:
                    own = int(row["nutrient_number"])
                    row["nutrient_number"] = own if own not in numbers else max(100_000, *numbers) + 1
                    numbers.add(row["nutrient_number"])
                    rows[tag] = row
                elif row["definition"] != rows[tag]["definition"]:
                    raise SwaptableError(
                        f"{tag} means '{row['definition']}' in '{part.name}' but '{rows[tag]['definition']}' in the "
                        "releases before it; import one of them under another tag"
                    )
        return pd.DataFrame(list(rows.values())).astype({"nutrient_number": "Int32"})

    def table(self, name: str) -> pd.DataFrame:
        """Give one table of all releases that have it, with full codes and aligned nutrient numbers.

        Parameters
        ----------
        name : str
            Such as ``"values"``.

        Returns
        -------
        DataFrame
            A text that a release does not give is empty, a number missing.

        Raises
        ------
        InputError
            If a file is not the one that its manifest describes.
        SwaptableError
            If one tag means two things, or its units measure different things.
        """
        if name == "components":
            return self._components()
        tables = []
        for place, part in enumerate(self.parts):
            if name in part.manifest["tables"]:
                tables.append(self._aligned(part.table(name), part, place, name))
        if not tables:
            raise KeyError(name)
        columns = dict.fromkeys(column for table in tables for column in table.columns)
        whole = pd.DataFrame({column: _stacked(tables, column) for column in columns})
        return whole if "code" in whole else whole.drop_duplicates(ignore_index=True)

    def _cells(self) -> pd.DataFrame:
        return self.table("values")

    def _aligned(self, table: pd.DataFrame, part: FoodRelease, place: int, name: str) -> pd.DataFrame:
        table = table.copy()
        if "code" in table:
            codes = table["code"].astype("category")
            table["code"] = codes.cat.rename_categories(f"{part.name}:" + codes.cat.categories.astype(str))
        if "nutrient_number" in table:
            here = self._numbers[place]
            known = table["nutrient_number"].dropna().unique()
            number = table["nutrient_number"].map({each: here[int(each)][0] for each in known})
            factor = table["nutrient_number"].map({each: here[int(each)][1] for each in known}).astype(float)
            table["nutrient_number"] = number.astype("Int32")
            if name == "values" and (factor != 1).any():
                for column in set(_IN_UNIT) & set(table.columns):
                    table[column] = table[column] * factor.to_numpy()
        return table

    @cached_property
    def _by_bare_code(self) -> dict[str, list[str]]:
        found: dict[str, list[str]] = {}
        for code in self.foods.index:
            found.setdefault(code.partition(":")[2], []).append(code)
        return found

    def note_all_used(self) -> None:
        """As for one release."""
        for part in self.parts:
            part.note_all_used()

    def _note_used(self, code: str) -> None:
        release, _, bare = code.partition(":")
        part = next(each for each in self.parts if each.name == release)
        part._note_used(bare)

    def food(self, code: str) -> Food:
        """Look one food up.

        Parameters
        ----------
        code : str
            With its release in front (``"own:12"``), or without where only one release has it.

        Returns
        -------
        Food
            With its full code.

        Raises
        ------
        SwaptableError
            If there is no such food or release, or several foods have the code.
        """
        code = code.removeprefix(f"{self.name}:")
        release, _, bare = code.rpartition(":")
        part = next((each for each in self.parts if each.name == release), None)
        if release and part is None:
            names = " and ".join(each.name for each in self.parts)
            raise SwaptableError(f"found '{code}'; this run reads the food releases {names}")
        if part is None:
            same = self._by_bare_code.get(bare, [])
            if len(same) != 1:
                where = f"which is {' and '.join(same)}: say which" if same else "a code of none of the releases"
                hint = "" if same else f" {listed(each.name for each in self.parts)}"
                raise SwaptableError(f"found '{code}', {where}{hint}")
            code = same[0]
        elif code not in self.foods.index:
            part.food(bare)  # says what is wrong, and what is near
        return self._food(code)


def _stacked(tables: list[pd.DataFrame], column: str) -> pd.Series:
    """Put one column of several tables below each other; a text that a table does not have is empty there."""
    filled_tables = [table for table in tables if len(table)] or tables  # the columns of an empty one have no type
    found = [table[column] if column in table else pd.Series(np.nan, index=table.index) for table in filled_tables]
    if all(pd.api.types.is_numeric_dtype(each) for each in found):
        return pd.concat(found, ignore_index=True)
    texts = [each.astype(object if each.isna().all() else each.dtype).astype("category") for each in found]
    filled = [each.cat.add_categories([""]) if "" not in each.cat.categories else each for each in texts]
    whole = union_categoricals([each.fillna("") for each in filled], ignore_order=True).remove_unused_categories()
    as_text = pd.Series(whole)
    return as_text if any(isinstance(each.dtype, pd.CategoricalDtype) for each in found) else as_text.astype(str)


def _definition(row: dict[str, Any]) -> str:
    """Give what a component means: as its release says, else as the table of identities does, else its name."""
    stated = row.get("definition")
    if isinstance(stated, str) and stated:
        return stated
    known = identities().get(str(row["component"]))
    return known.definition if known is not None else str(row["name"]).lower()


@lru_cache(maxsize=4)
def join(*parts: FoodRelease) -> JoinedRelease:
    """Use several releases as one.

    Parameters
    ----------
    parts : FoodRelease
        With different names.

    Returns
    -------
    JoinedRelease

    Raises
    ------
    SwaptableError
        If two have one name.

    Examples
    --------
    >>> join(open_release("sr28")).food("11352").code
    'sr28:11352'
    """
    names = [part.name for part in parts]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise SwaptableError(
            f"found two releases named '{twice}', whose codes could not be told apart; import one anew"
        )
    about = {key: "; ".join(str(part.manifest.get(key, "")) for part in parts) for key in _ABOUT}
    manifest = about | {
        "name": SEPARATOR.join(names),
        "parts": [{"name": part.name, "sha256": part.sha256} | part.manifest for part in parts],
        "tables": {
            name: {"rows": sum(part.manifest["tables"].get(name, {}).get("rows", 0) for part in parts)}
            for name in dict.fromkeys(name for part in parts for name in part.manifest["tables"])
        },
    }
    return JoinedRelease(parts[0].folder, manifest, parts)


_ABOUT = ("title", "source", "released", "licence", "basis")


def open_release(name: str | Path = CURRENT) -> FoodRelease:
    """Open a food release, or several as one.

    Parameters
    ----------
    name : str or Path
        Name of a folder in ``data/foods/`` or a path; several with ``+`` between them, such as
        ``sr28+data/foods/own``. ``current`` is the release that ``swaptable update NAME --switch`` chose, which knows
        its foods by the codes that recipes were written with.

    Returns
    -------
    FoodRelease

    Raises
    ------
    InputError
        If there is no release of that name, with the names there are.

    Examples
    --------
    >>> open_release("sr28").name
    'sr28'
    """
    words = str(name)
    if Path(words).is_dir():
        return foods.open_release(name)
    parts = [word.strip() for word in words.split(SEPARATOR)]
    if CURRENT not in parts:
        return _opened(parts)
    return open_current([part for part in parts if part != CURRENT])


def open_current(beside: Sequence[str] = (), data: Path = DATA) -> FoodRelease:
    """Open the current release, under the codes that recipes were written with.

    Parameters
    ----------
    beside : sequence of str, optional
        Names of further releases to open with it.
    data : Path, optional
        Folder of the project's data.

    Returns
    -------
    FoodRelease

    Raises
    ------
    InputError
        If the release or a map of codes cannot be read.
    """
    chosen = read_current(data)
    names = chosen.release.split(SEPARATOR)
    folders = [str(data / "foods" / name) for name in names]
    target = _opened([*folders, *(name for name in beside if name not in names)])
    if not chosen.codes:
        return target
    main = foods.open_release(folders[0])
    return recoded(target, tuple(code_map(chosen.codes, main.name, data).items()), chosen.codes)


def _opened(names: list[str]) -> FoodRelease:
    parts = [foods.open_release(name) for name in names]
    return parts[0] if len(parts) == 1 else join(*parts)
