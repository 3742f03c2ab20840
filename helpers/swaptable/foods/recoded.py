"""A food release under the codes that recipes were written with.

After a switch to another release a recipe still says ``sr28:11352``. Recipes, prices, phrases and the published tables
of cuts and of raw and cooked pairs all know foods by such codes, so they are translated in one place: here. Values,
words, portions and refuse are those of the release that is current; only the codes are the old ones.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import pandas as pd

from swaptable.basics.errors import SwaptableError
from swaptable.basics.folders import shown
from swaptable.foods.current_release import answers_file
from swaptable.foods.release import Food, FoodRelease

__all__ = ["RecodedRelease", "recoded"]

_HOME = "sr28"  # whose codes the published tables know; a food that has such a code is known by it


@dataclass(frozen=True, eq=False)
class RecodedRelease(FoodRelease):
    """A release whose foods answer to codes of other releases; made by :func:`recoded`.

    A food is listed once: under its code of ``sr28`` if it has one, else under another that recipes may use, else under
    its own. It is found by any of them. Its own code is the column ``published_code`` of ``foods``.

    Attributes
    ----------
    target : FoodRelease
        Where everything but the codes is from.
    codes : mapping of str
        Code with its release, as recipes have it → code with its release in ``target``.
    replaced : tuple of str
        Releases whose codes mean what ``codes`` says and nothing else.
    """

    target: FoodRelease
    codes: Mapping[str, str]
    replaced: tuple[str, ...]

    @property
    def sha256(self) -> str:
        """One hash over the release and the codes."""
        lines = [self.target.sha256, *sorted(f"{old} {new}" for old, new in self.codes.items())]
        return hashlib.sha256("\n".join(lines).encode()).hexdigest()

    @cached_property
    def _listed_as(self) -> dict[str, str]:
        """Map the codes of the target to those they are listed under."""
        names: dict[str, str] = {}
        for old, new in self.codes.items():
            if new not in names or (_home(old) and not _home(names[new])):
                names[new] = old
        own = {new for new in names if _home(new) and _HOME not in self.replaced}
        return {new: new if new in own else old for new, old in names.items()}

    def _here(self, code: str) -> str | None:
        """Give the code that a food of the target is listed under; None if its release is replaced."""
        code = code if ":" in code else self.target.full_code(code)
        if code in self._listed_as:
            return self._listed_as[code]
        return None if code.partition(":")[0] in self.replaced else code

    def table(self, name: str) -> pd.DataFrame:
        """Read one table, its foods under the codes of recipes.

        Parameters
        ----------
        name : str
            Such as ``"values"``.

        Returns
        -------
        DataFrame

        Raises
        ------
        InputError
            If the file is not the one that the manifest describes.
        """
        table = self.target.table(name)
        if "code" not in table:
            return table
        kind = table["code"].dtype
        codes = table["code"].astype("category")
        here = {code: self._here(str(code)) for code in codes.cat.categories}
        if None in here.values():
            kept = codes.isin([code for code, name_here in here.items() if name_here is not None])
            table, codes = table[kept.to_numpy()].reset_index(drop=True), codes[kept].reset_index(drop=True)
            codes = codes.cat.remove_unused_categories()
        if name == "foods":
            table = table.assign(published_code=[self.target.full_code(str(code)) for code in codes])
        renamed = codes.cat.rename_categories([here[code] for code in codes.cat.categories])
        return table.assign(code=renamed if kind == "category" else renamed.astype(kind))

    def _cells(self) -> pd.DataFrame:
        return self.table("values")

    def full_code(self, code: str) -> str:
        """Give a code with its release in front, which it has here."""
        return code

    def note_all_used(self) -> None:
        """As for one release."""
        self.target.note_all_used()

    def _note_used(self, code: str) -> None:
        full = str(self.foods.at[code, "published_code"])
        self.target._note_used(full.removeprefix(f"{self.target.name}:"))

    def food(self, code: str) -> Food:
        """Look one food up by any of its codes.

        Parameters
        ----------
        code : str
            With the release that it is from in front, such as ``"sr28:11352"``; a code without one is of the release
            that is current.

        Returns
        -------
        Food

        Raises
        ------
        SwaptableError
            If nothing is known of what stands for it now, or there is no such food.
        """
        here = code if code in self.foods.index else self._found(code)
        return self._food(here)

    def _found(self, code: str) -> str:
        if code in self.codes:
            here = self._here(self.codes[code])
            if here in self.foods.index:
                return str(here)
            raise SwaptableError(f"found '{code}', for which {self.codes[code]} is to stand, and there is no such food")
        release, _, bare = code.rpartition(":")
        if release in self.replaced:
            raise SwaptableError(
                f"found '{code}'; nobody has said what stands for it in {self.name}: write a row "
                f"{release},{bare},{self.name},CODE,by hand,, in {shown(answers_file())}, or start "
                f"update {self.name} for candidates"
            )
        return str(self._here(self.target.food(code).code))


def _home(code: str) -> bool:
    return code.startswith(f"{_HOME}:")


@lru_cache(maxsize=4)
def recoded(target: FoodRelease, codes: tuple[tuple[str, str], ...], replaced: tuple[str, ...]) -> RecodedRelease:
    """Give a release under the codes of others.

    Parameters
    ----------
    target : FoodRelease
    codes : tuple of (str, str)
        Pairs of a code as recipes have it and the one in ``target``, both with their release.
    replaced : tuple of str
        Releases whose codes mean what ``codes`` says and nothing else.

    Returns
    -------
    RecodedRelease
        The same object for the same arguments.
    """
    about: dict[str, Any] = {"codes_of": list(replaced)}
    # what stands under every chart, so that nobody takes a code of sr28 for a value of SR28
    about["released"] = f"{target.manifest.get('released', 'date not stated')}, codes of {' and '.join(replaced)}"
    return RecodedRelease(target.folder, target.manifest | about, target, dict(codes), replaced)
