"""Named, visible stand-ins for the values that a food release does not have, with their own larger error."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import pandas as pd

from swaptable.foods.release import Food, FoodRelease
from swaptable.foods.values import EVIDENCE_LABELS, cells_of, pooled_by_group

__all__ = ["METHOD_LABELS", "FilledRelease", "Imputation", "fill_gaps", "impute"]

METHOD_LABELS = ("", "other form of the same food", "near foods of the group")

_PROFILE = ("WATER", "PROCNT", "FAT", "CHOCDF", "ASH", "FIBTG", "SUGAR", "CA", "FE", "MG", "P", "K", "ZN", "NA")
_SEEN, _NEAREST, _FEWEST = 40, 7, 3  # near foods looked at, used at most, and needed
_LEAST_BASE = 0.05  # less fat, protein or solids says nothing of what goes along with it [g per 100 g]
_CLOSEST = 0.05  # closer agreement is a copy or luck: analyses of one food differ by that much (assumed)
_EIGHTY = 1.2816  # half width of the 80 % interval of a normal variable [standard deviations]
# Words that tell forms of one food apart, not foods.
_FORM_WORDS = re.compile(
    r"raw|cooked|boiled|drained|solids|liquids?|and|with|without|salt|added|no|regular|pack|frozen|unprepared|canned|"
    r"fresh|microwaved|baked|roasted|broiled|braised|grilled|stewed|steamed|simmered|poached|toasted|heat|dry|moist|"
    r"dried|dehydrated|uncooked|unheated|chopped|sliced|leaf|or|ready-to-serve"
)


@dataclass(frozen=True, eq=False)
class Imputation:
    """A release with its gaps filled where that can be done.

    Attributes
    ----------
    matrix : ndarray
        Known values as they are, imputed values where they are missing, NaN where nothing near is known.
    method : ndarray of int
        How a cell was imputed; index into :data:`METHOD_LABELS`, 0 where it was not.
    spread : ndarray
        Standard deviation of the error of an imputed value, NaN where none is. [unit of the component]
    calibration : DataFrame
        One row per method and component, from leaving out one measured value and its copies at a time: ``n`` values,
        ``median_error_percent`` of those above five printed units, ``coverage_80`` of the stated 80 % interval [-].
    """

    matrix: np.ndarray
    method: np.ndarray
    spread: np.ndarray
    calibration: pd.DataFrame


@dataclass(frozen=True, eq=False)
class FilledRelease(FoodRelease):
    """A food release whose gaps are filled in by imputed values.

    Attributes
    ----------
    imputation : Imputation
        What was filled in, how, and how far off it may be.
    source : FoodRelease
        The release without what was filled in.
    """

    imputation: Imputation
    source: FoodRelease

    @cached_property
    def matrix(self) -> np.ndarray:
        """Values per 100 g edible portion, imputed ones included."""
        return self.imputation.matrix

    @property
    def published(self) -> FoodRelease:
        """The release without what was filled in."""
        return self.source

    @property
    def sha256(self) -> str:
        """The hash of the release without what was filled in."""
        return self.source.sha256

    def table(self, name: str) -> pd.DataFrame:
        """Read one table of the published release."""
        return self.source.table(name)

    def full_code(self, code: str) -> str:
        """Give a code of the release with its name in front."""
        return self.source.full_code(code)

    def food(self, code: str) -> Food:
        """Look one food up, as the published release does."""
        return self.source.food(code)


@lru_cache(maxsize=2)
def fill_gaps(release: FoodRelease) -> FilledRelease:
    """Fill the gaps of a release, by name and visibly.

    Parameters
    ----------
    release : FoodRelease

    Returns
    -------
    FilledRelease
    """
    release.note_all_used()
    return FilledRelease(release.folder, release.manifest, impute(release), release)


def _food_words(description: str) -> list[str]:
    """Give the words that name a food, without those for its form.

    Examples
    --------
    >>> _food_words("Carrots, cooked, boiled, drained, without salt")
    ['carrots']
    """
    return [word for word in re.findall(r"[\w%/'-]+", description.lower()) if not _FORM_WORDS.fullmatch(word)]


def _families(release: FoodRelease) -> np.ndarray:
    """Give each food the number of its family: one food group and the same words, whatever the form."""
    groups = release.foods["food_group"].astype(str)
    names = [
        f"{group} {sorted(_food_words(text))}" for group, text in zip(groups, release.foods["description"], strict=True)
    ]
    return np.asarray(pd.factorize(np.array(names))[0])


def _bases(release: FoodRelease) -> np.ndarray:
    """Give what each component is taken to go along with, foods × components: fat, protein, carbohydrate or solids."""
    known = pd.DataFrame(release.matrix, columns=release.components.index)
    solids = 100 - known["WATER"]
    kinds = {r"F\d+D.*|FA(?:SAT|MS|PU|TRN.?)": "FAT", r"[A-Z]+_G|HYP": "PROCNT"}
    kinds[r"SUGAR|SUCS|GLUS|FRUS|LACS|MALS|GALS|STARCH|FIBTG"] = "CHOCDF"
    base = {
        component: next((known[of] for kind, of in kinds.items() if re.fullmatch(kind, component)), solids)
        for component in known.columns
    }
    return np.asarray(pd.DataFrame(base))


def _near_foods(release: FoodRelease, family: np.ndarray) -> np.ndarray:
    """Give for each food the places of others of its group, nearest profile first, -1 where there are no more.

    The profile: proximates and minerals per 100 g as logarithms, in standard deviations of the group; unknown
    entries count as the mean. Foods of one family are left out.
    """
    logs = np.log1p(release.matrix[:, [release.components.index.get_loc(each) for each in _PROFILE]])
    near = np.full((len(logs), _SEEN), -1)
    for places in release.foods.reset_index().groupby("food_group").indices.values():
        here = logs[places]
        known = ~np.isnan(here)
        count = np.maximum(known.sum(axis=0), 1)
        apart = np.where(known, here - np.nan_to_num(here).sum(axis=0) / count, 0)
        apart /= np.sqrt((apart**2).sum(axis=0) / count) + 1e-9
        square = (apart**2).sum(axis=1)
        distance = square[:, None] + square - 2 * apart @ apart.T
        distance[family[places][:, None] == family[places]] = np.inf
        order = np.argsort(distance, axis=1)[:, :_SEEN]
        found = np.where(np.isfinite(np.take_along_axis(distance, order, axis=1)), places[order], -1)
        near[places, : found.shape[1]] = found
    return near


def _forms(family: np.ndarray) -> np.ndarray:
    """Give for each food the places of up to seven others of its family, -1 where there are no more."""
    others = np.full((len(family), _NEAREST), -1)
    for places in pd.Series(family).groupby(family).indices.values():
        for place in places:
            rest = places[places != place]
            rest = rest[np.argsort(np.abs(rest - place), kind="stable")][:_NEAREST]
            others[place, : len(rest)] = rest
    return others


def _median_of(donors: np.ndarray, density: np.ndarray, fewest: int) -> tuple[np.ndarray, np.ndarray]:
    """Give the median and the standard deviation of the first known donors of every cell; NaN with fewer than asked."""
    first = np.full((_NEAREST, *density.shape), np.nan, dtype=np.float32)
    count = np.zeros(density.shape, dtype=np.int8)
    padded = np.vstack([density, np.full(density.shape[1], np.nan)]).astype(np.float32)  # place -1: nothing known
    for rank in range(donors.shape[1]):
        found = padded[donors[:, rank]]
        new = np.nonzero(~np.isnan(found) & (count < _NEAREST))
        first[count[new], new[0], new[1]] = found[new]
        count[new] += 1
    first.sort(axis=0)  # NaN last
    middle = np.maximum(count - 1, 0)
    low, high = (
        np.take_along_axis(first, np.minimum((middle + each) // 2, middle)[None].astype(int), axis=0)[0]
        for each in (0, 1)
    )
    enough = count >= fewest
    sure = np.maximum(count, 1)
    total, squares = np.nansum(first, axis=0), np.nansum(first**2, axis=0)
    spread = np.sqrt(np.maximum(squares / sure - (total / sure) ** 2, 0))
    return np.where(enough, (low + high) / 2, np.nan), np.where(enough, spread, np.nan)


def impute(release: FoodRelease) -> Imputation:
    """Fill gaps from the other form of the same food, else from near foods of the group.

    Parameters
    ----------
    release : FoodRelease
        With ``WATER``, ``FAT``, ``PROCNT`` and ``CHOCDF`` and the minerals of the profile among its components.

    Returns
    -------
    Imputation

    Notes
    -----
    Another form has the same food group and the same words but those for raw, cooked, frozen, canned and the like; one
    is enough, the median of at most seven is taken. Near foods are those of the group with the most similar water,
    macronutrients and minerals: the median of the nearest seven of forty that are known, at least three. Values are
    carried over per gram of solids; fatty acids per gram of fat, amino acids of protein, sugars, starch and fibre of
    carbohydrate. Donors are values of the food itself: not imputed ones, recipes, or fortified foods. Sodium is
    not carried over between forms, which are salted or not; water never, since the rest depends on it.

    The error: for measured values the same is done as if they were missing; the 80th percentile of the error relative
    to (imputed value, scatter of the donors), by method, food group and component with partial pooling, gives the 80 %
    interval and so the standard deviation.
    """
    cells = cells_of(release)
    family = _families(release)
    base = _bases(release)
    fortified = release.table("values").get("added_nutrient", pd.Series("", index=cells.index)).to_numpy() == "Y"
    known = ~np.isnan(release.matrix[cells["row"], cells["column"]])
    own = cells[known & ~cells["elsewhere"] & ~fortified]
    density = np.full(release.matrix.shape, np.nan)
    density[own["row"], own["column"]] = own["value"]
    density = np.divide(density, base, out=np.full_like(density, np.nan), where=base >= _LEAST_BASE)
    density[:, release.components.index == "WATER"] = np.nan
    forms = np.where(release.components.index == "NA", np.nan, density)
    targets = own[(own["evidence"] == EVIDENCE_LABELS.index("measured")) & (own["n"] >= 1)]
    filled, spread = release.matrix.copy(), np.full(release.matrix.shape, np.nan)
    method = np.zeros(filled.shape, dtype=np.int8)
    half_unit = cells.groupby("column")["half_unit"].first().reindex(range(filled.shape[1])).fillna(0).to_numpy()
    tables = []
    sources = ((1, _forms(family), forms, 1), (2, _near_foods(release, family), density, _FEWEST))
    for code, donors, carried, fewest in sources:
        middle, scatter = _median_of(donors, carried, fewest)
        value = middle * base
        error, table = _calibrated(targets, value, np.hypot(value, scatter * base), half_unit, cells)
        put = np.isnan(filled) & ~np.isnan(value)
        filled[put], spread[put], method[put] = value[put], error[put], code
        tables.append(table.assign(method=METHOD_LABELS[code], component=release.components.index[table.index]))
    return Imputation(filled, method, spread, pd.concat(tables, ignore_index=True))


def _calibrated(
    targets: pd.DataFrame, value: np.ndarray, scale: np.ndarray, half_unit: np.ndarray, cells: pd.DataFrame
) -> tuple[np.ndarray, pd.DataFrame]:
    """Give the standard deviation of every imputed value, and how the known ones were met, by column."""
    scale = np.maximum(scale, half_unit)
    place = (targets["row"], targets["column"])
    found = targets.assign(missed=np.abs(value[place] - targets["value"]), scale=scale[place]).dropna(subset="missed")
    found = found[found["scale"] > 0]
    group = cells.groupby("row")["group"].first().reindex(range(len(value))).fillna(0).astype(int).to_numpy()
    shape = (int(group.max()) + 1, value.shape[1])
    relative = (found["missed"] / found["scale"]).clip(lower=_CLOSEST)
    deviation = np.maximum(pooled_by_group(found, relative, shape, 0.8)[group] / _EIGHTY * scale, half_unit)
    found["inside"] = found["missed"] <= _EIGHTY * deviation[found["row"], found["column"]]
    large = found["value"] >= 10 * found["half_unit"]
    found["percent"] = (100 * found["missed"] / found["value"]).where(large)
    by_column = found.groupby("column")
    table = pd.DataFrame(
        {
            "n": by_column.size(),
            "median_error_percent": by_column["percent"].median(),
            "coverage_80": by_column["inside"].mean(),
        }
    )
    return deviation, table
