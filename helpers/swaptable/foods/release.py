"""Food releases: one dated, hashed copy of a food-composition dataset.

A release is a folder of Parquet tables beside a ``manifest.json`` that names the source, date, licence,
SHA-256 and row count of each. Nothing in a release is ever rounded, filled in or renamed apart from the
component tags, which are INFOODS tagnames.
"""

from __future__ import annotations

import hashlib
import json
import re
import sys
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq

from swaptable.basics.errors import DamagedError, InputError, SwaptableError, nearest
from swaptable.basics.folders import DATA, HOME
from swaptable.basics.recorder import ALL_FOODS, FOOD
from swaptable.basics.whole_files import sha256_of

__all__ = ["TABLES_NEEDED", "Food", "FoodRelease", "Portion", "open_release", "state_of"]

TABLES_NEEDED = ("foods", "values", "portions", "components")

# Words of a description that say what was done to the food; the last one in the description decides.
_RAW_OR_COOKED = re.compile(
    r"\b(?P<raw>raw|uncooked|unprepared|unheated|unroasted|as purchased|as packaged|dry(?![ -](?:milk|heat)))\b"
    r"|\b(?P<cooked>cooked|boiled|baked|roasted|braised|broiled|grilled|fried|sauteed|stewed|steamed|simmered|"
    r"microwaved|poached|scrambled|omelet|toasted|heated|reheated|prepared(?! with (?:calcium|magnesium|nigari))|"
    r"rotisserie|barbecued|candied|souffle|pan-browned)\b"
)
_KEPT = re.compile(r"\b(?P<canned>(?<!not )canned|bottled)\b|\b(?P<ready>ready[- ]to[- ](?:serve|eat|drink|heat))\b")


def state_of(description: str) -> str:
    """Read from a food's description in what state its data are.

    Parameters
    ----------
    description : str
        As the release gives it, such as ``"Potatoes, boiled, cooked in skin, flesh, without salt"``.

    Returns
    -------
    str
        ``"raw"``, ``"cooked"``, ``"canned"``, ``"ready to eat"`` or ``"unstated"``. Of words for raw and
        for cooked the last decides ("Potatoes, hash brown, fried, frozen, unprepared" are raw).

    Examples
    --------
    >>> state_of("Carrots, raw"), state_of("Apples, raw, without skin, cooked, boiled")
    ('raw', 'cooked')
    >>> state_of("Beans, white, mature seeds, canned"), state_of("Oil, olive, salad or cooking")
    ('canned', 'unstated')
    """
    words = description.lower()
    found = [str(match.lastgroup) for match in _RAW_OR_COOKED.finditer(words)]
    found = found[-1:] or [str(match.lastgroup) for match in _KEPT.finditer(words)]
    return {"ready": "ready to eat"}.get(found[0], found[0]) if found else "unstated"


@dataclass(frozen=True)
class Portion:
    """One household measure of a food and what it weighs.

    Attributes
    ----------
    measure : str
        Words of the release, such as ``"cup, chopped"``.
    grams : float
        Weight of one such measure. [g]
    """

    measure: str
    grams: float


@dataclass(frozen=True)
class Food:
    """One food of a release: what it is and how it is measured, without its values.

    Attributes
    ----------
    code : str
        Code within the release.
    description, food_group : str
        Words and group code of the release.
    refuse_percent : float
        Inedible share of the food as purchased; NaN if the release does not say. [%]
    refuse_description : str
        What the refuse is.
    portions : tuple of Portion
        Household measures.
    """

    code: str
    description: str
    food_group: str
    refuse_percent: float
    refuse_description: str
    portions: tuple[Portion, ...]

    @property
    def state(self) -> str:
        """As :func:`state_of` reads it from the description."""
        return state_of(self.description)


@dataclass(frozen=True, eq=False)
class FoodRelease:
    """A food release opened for reading.

    Attributes
    ----------
    folder : Path
        Where the Parquet tables are.
    manifest : dict
        Name, title, source, date, licence, and hash and row count of each table.
    """

    folder: Path
    manifest: dict[str, Any]

    @property
    def name(self) -> str:
        """Short name that prefixes food codes in recipes, such as ``sr28``."""
        return str(self.manifest["name"])

    @property
    def sha256(self) -> str:
        """One hash for the whole release, over the hashes of its tables."""
        lines = sorted(f"{name} {entry['sha256']}" for name, entry in self.manifest["tables"].items())
        return hashlib.sha256("\n".join(lines).encode()).hexdigest()

    def table(self, name: str) -> pd.DataFrame:
        """Read one table of the release, checking it against the manifest.

        Parameters
        ----------
        name : str
            Name of a table in the manifest, such as ``"values"``.

        Returns
        -------
        DataFrame
            As stored; columns are described in ``data/README.md``.

        Raises
        ------
        InputError
            If the file is not the one that the manifest describes.
        """
        return pq.read_table(self._checked(name)).to_pandas()

    def _checked(self, name: str) -> Path:
        """Give the file of a table, after checking it against the manifest."""
        entry = self.manifest["tables"][name]
        path = self.folder / f"{name}.parquet"
        try:
            found = sha256_of(path)
        except OSError as error:
            raise DamagedError(f"cannot be read ({error.strerror}); restore the release", file=path) from error
        if found != entry["sha256"]:
            raise DamagedError(
                f"is not the table that manifest.json describes (SHA-256 {found[:12]}…, expected "
                f"{entry['sha256'][:12]}…); restore or import the release again",
                file=path,
            )
        return path

    def full_code(self, code: str) -> str:
        """Give a code of the release with its name in front, as recipes and prices write it."""
        return f"{self.name}:{code}"

    @cached_property
    def foods(self) -> pd.DataFrame:
        """One row per food, indexed by ``code``."""
        return self.table("foods").set_index("code")

    @cached_property
    def components(self) -> pd.DataFrame:
        """One row per component, indexed by INFOODS tag: ``unit``, ``name``, ``nutrient_number`` ..."""
        return self.table("components").set_index("component")

    @cached_property
    def _portions(self) -> tuple[dict[str, list[int]], np.ndarray, np.ndarray]:
        """Rows of each food's portions, with the measures and the weights of all."""
        table = self.table("portions")
        rows: dict[str, list[int]] = {}
        for row, code in enumerate(table["code"].to_numpy(dtype=object)):
            rows.setdefault(code, []).append(row)
        return rows, table["measure"].to_numpy(dtype=object), (table["grams"] / table["amount"]).to_numpy(dtype=float)

    @cached_property
    def matrix(self) -> np.ndarray:
        """Values per 100 g edible portion, foods × components in index order; NaN is missing."""
        values = self._cells()
        rows = self.foods.index.get_indexer(values["code"].cat.categories)[values["code"].cat.codes]
        columns = pd.Index(self.components["nutrient_number"]).get_indexer(values["nutrient_number"])
        matrix = np.full((len(self.foods), len(self.components)), np.nan)
        matrix[rows, columns] = values["value"]
        return matrix

    def _cells(self) -> pd.DataFrame:
        """Read what the matrix is made of: code, nutrient number and value of every value."""
        return pq.read_table(self._checked("values"), columns=["code", "nutrient_number", "value"]).to_pandas()

    @property
    def published(self) -> FoodRelease:
        """The release as published: itself, unless gaps were filled in."""
        return self

    def food(self, code: str) -> Food:
        """Look one food up.

        Parameters
        ----------
        code : str
            Code, with or without the release's name in front (``"sr28:11352"`` or ``"11352"``).

        Returns
        -------
        Food

        Raises
        ------
        SwaptableError
            If the release has no such food; names the most similar code.
        """
        release, _, bare = code.rpartition(":")
        if release not in ("", self.name):
            raise SwaptableError(f"found '{code}'; this run reads the food release '{self.name}'")
        if bare not in self.foods.index:
            whole = bare.zfill(len(self.foods.index[0]))  # a spreadsheet may have eaten the leading zero
            close = [whole] if whole in self.foods.index else get_close_matches(bare, self.foods.index, n=1, cutoff=0.8)
            hint = f"; did you mean '{close[0]}' ({self.foods.at[close[0], 'description']})?" if close else ""
            raise SwaptableError(f"found '{code}'; expected a food code of {self.name}{hint}")
        return self._food(bare)

    def note_all_used(self) -> None:
        """Tell whoever records a run that its result may rest on any food of the release."""
        sys.audit(ALL_FOODS, str(self.folder))

    def _note_used(self, code: str) -> None:
        sys.audit(FOOD, str(self.folder), code)

    def _food(self, code: str) -> Food:
        self._note_used(code)
        row = self.foods.loc[code]
        rows, measures, grams = self._portions
        return Food(
            code=code,
            description=str(row["description"]),
            food_group=str(row["food_group"]),
            refuse_percent=float(row["refuse_percent"]),
            refuse_description=str(row["refuse_description"] or ""),
            portions=tuple(Portion(str(measures[at]), float(grams[at])) for at in rows.get(code, ())),
        )

    def raw_form(self, food: Food) -> str | None:
        """Name the raw food that a cooked one was most likely made from, by the words they share.

        Parameters
        ----------
        food : Food

        Returns
        -------
        str or None
            Code and description, such as ``"sr28:11124 Carrots, raw"``.
        """
        head = food.description.split(",")[0].lower()
        texts = self.foods.loc[self.foods["food_group"] == food.food_group, "description"]
        texts = texts[texts.str.lower().str.startswith(head + ",")]
        words = set(re.findall(r"\w+", food.description.lower()))
        shared = {
            code: (len(words & (found := set(re.findall(r"\w+", text.lower())))), -len(found - words))
            for code, text in texts.items()
            if state_of(text) == "raw"
        }
        best = max(shared, key=lambda code: shared[code], default=None)
        return None if best is None else f"{self.full_code(best)} {texts[best]}"

    def values(self, code: str) -> pd.Series:
        """Give the values of one food.

        Parameters
        ----------
        code : str
            Food code.

        Returns
        -------
        Series
            Per 100 g edible portion, indexed by component, in the units of ``components``; NaN is missing.
        """
        row = self.foods.index.get_loc(self.food(code).code)
        return pd.Series(self.matrix[row], index=self.components.index, name=code)


def _open_folder(folder: Path) -> FoodRelease:
    try:
        text = (folder / "manifest.json").read_bytes()
    except OSError as error:
        raise InputError("no food release here (manifest.json is missing)", file=folder) from error
    return _opened(folder, text)


@lru_cache(maxsize=4)
def _opened(folder: Path, text: bytes) -> FoodRelease:
    """Open a release whose manifest is this; one that was built anew in its place is another."""
    try:
        manifest = json.loads(text)
    except ValueError as error:
        raise InputError(f"manifest.json is not valid JSON ({error})", file=folder) from error
    tables = manifest.get("tables") if isinstance(manifest, dict) else None
    if not isinstance(tables, dict) or not isinstance(manifest.get("name"), str):
        raise InputError("manifest.json describes no release; expected its name and tables", file=folder)
    missing = [name for name in TABLES_NEEDED if name not in tables]
    if missing:
        raise InputError(f"manifest.json names no table {missing[0]}", file=folder)
    broken = [
        name for name, entry in tables.items() if not isinstance(entry, dict) or not {"sha256", "rows"} <= {*entry}
    ]
    if broken:
        raise InputError(f"manifest.json gives no sha256 and rows of the table {broken[0]}", file=folder)
    return FoodRelease(folder, manifest)


def open_release(name: str | Path = "sr28") -> FoodRelease:
    """Open a food release.

    Parameters
    ----------
    name : str or Path
        Name of a folder in ``data/foods/``, or a path.

    Returns
    -------
    FoodRelease

    Raises
    ------
    InputError
        If there is no release of that name, with the names there are.
    """
    tried = (Path(name), HOME / str(name), DATA / "foods" / str(name))
    folder = next((each for each in tried if (each / "manifest.json").is_file()), None)
    folder = folder or next((each for each in tried if each.is_dir()), None)
    if folder is None:
        known = sorted(path.parent.name for path in (DATA / "foods").glob("*/manifest.json"))
        raise InputError(
            f"found '{name}'; expected one of {', '.join(known)}{nearest(str(name), known)}", field="release"
        )
    return _open_folder(folder.resolve())
