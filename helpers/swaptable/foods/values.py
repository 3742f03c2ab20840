"""How sure each value of a food release is, and what it rests on.

Every array is foods × components in the order of :attr:`FoodRelease.matrix`, per 100 g edible portion, in the unit
of the component; NaN where the value is missing.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from swaptable.basics.units import (
    ALPHA_CAROTENE_PER_RAE,
    BETA_CAROTENE_PER_RAE,
    CRYPTOXANTHIN_PER_RAE,
    DFE_PER_FOLIC_ACID,
    IU_PER_MICROGRAM_VITAMIN_D,
    KCAL_PER_GRAM_ALCOHOL,
    KJ_PER_KCAL,
)
from swaptable.foods.release import FoodRelease, state_of

__all__ = ["ERROR_LABELS", "EVIDENCE_LABELS", "ValueErrors", "data_quality", "evidence_of", "value_errors"]

EVIDENCE_LABELS = ("missing", "measured", "calculated", "imputed", "label", "assumed zero", "not stated")
ERROR_LABELS = ("missing", "given", "range", "derived", "pooled", "propagated", "none")

# Derivation codes of SR28 by what the value is, whatever its source code; evidence_of says which come first.
_LABEL_DERIVATIONS = {"FLC", "FLM", "LC", "MC", "ML", "S"}
_IMPUTED_DERIVATIONS = re.compile(r"BF..|BNA|CA..|DI|PIE|PIK|O|T")
# Of another food, a mixture, or unknown origin: these carry the difference between foods as well.
_ELSEWHERE = re.compile(r"BF..|BNA|CA..|DI|PIE|PIK|O|T|JO|FL.|R.+")
_KNOWN_SOURCES = {"1", "4", "5", "6", "7", "8", "9", "11", "12", "13"}

# Sums of squares over parts [unit of the whole per unit of the part]. Energy with carbohydrate by difference is
# 400 - 4 water - 4 ash + 5 fat + 2.93 alcohol, so that errors which offset each other are not counted twice.
_ENERGY = {"WATER": 4.0, "ASH": 4.0, "FAT": 5.0, "ALC": KCAL_PER_GRAM_ALCOHOL - 4}
_CAROTENOIDS = {"CARTB": BETA_CAROTENE_PER_RAE, "CARTA": ALPHA_CAROTENE_PER_RAE, "CRYPX": CRYPTOXANTHIN_PER_RAE}
_PARTS: dict[str, dict[str, float]] = {
    "ENERC_KCAL": _ENERGY,
    "ENERC_KJ": {part: kcal * KJ_PER_KCAL for part, kcal in _ENERGY.items()},
    "CHOCDF": dict.fromkeys(("WATER", "PROCNT", "FAT", "ASH"), 1.0),
    "VITA_RAE": {"RETOL": 1.0} | {part: 1 / per for part, per in _CAROTENOIDS.items()},
    "VITA_IU": {"RETOL": 1 / 0.3} | {part: 20 / per for part, per in _CAROTENOIDS.items()},  # 0.3, 0.6, 1.2 µg per IU
    "FOLDFE": {"FOLFD": 1.0, "FOLAC": DFE_PER_FOLIC_ACID},
    "VITD_IU": {"VITD": IU_PER_MICROGRAM_VITAMIN_D},
}
# Most of a component that 100 g can hold, by its unit; sodium: in pure salt, by atomic masses [mg].
_MOST = {"g": 100.0, "mg": 1e5, "µg": 1e8}
_SODIUM_IN_SALT = 22.990 / 58.443 * 1e5
# Sums that are hardly ever analysed as such vary like the part that most of them is made of.
_VARIES_LIKE = {"FASAT": "F16D0", "FAMS": "F18D1", "FAPU": "F18D2"}


def evidence_of(source_code: str, derivation_code: str, n: float = 0) -> str:
    """Say what a value of SR28 rests on, from its codes.

    Parameters
    ----------
    source_code, derivation_code : str
        As SR28 prints them; blank if it does not.
    n : float, optional
        Number of analyses.

    Returns
    -------
    str
        One of :data:`EVIDENCE_LABELS`, the first that fits:

        ``assumed zero``: source 7, derivation Z;
        ``label``: sources 5, 8, 9, derivations LC, MC, ML, FLC, FLM, S (product standard), and LC.. of FoodData
        Central, whatever their source;
        ``imputed`` from another form, food or table: BF.., BNA, CA.., DI, PIE, PIK, O, T; source 4 without derivation;
        ``measured``: sources 12 and 13; sources 1 and 6 with an analysis counted or derivation A, AI, JA;
        ``calculated``: from the food's own values (AR, AS, DA, PAK, PAE, NC, NP, NR, BD), by recipe (RA, RC, RF, RK..,
        RP.., FLA), from several sources (JO, source 11), and source 1 with neither analyses nor derivation, since many
        of these are a raw value times a published factor;
        ``not stated``: any other source.
        The codes are those of USDA SR28 (2015); the grouping is ours.

    Examples
    --------
    >>> evidence_of("1", "A", 4), evidence_of("1", "", 0), evidence_of("4", "BFSN"), evidence_of("8", "LC")
    ('measured', 'calculated', 'imputed', 'label')
    """
    if source_code == "7" or derivation_code == "Z":
        return "assumed zero"
    if source_code not in _KNOWN_SOURCES:
        return "not stated"
    is_label = derivation_code in _LABEL_DERIVATIONS or derivation_code.startswith("LC")
    if source_code in {"5", "8", "9"} or is_label:
        return "label"
    if _IMPUTED_DERIVATIONS.fullmatch(derivation_code) or (source_code, derivation_code) == ("4", ""):
        return "imputed"
    counted = source_code in {"1", "6"} and (n >= 1 or derivation_code in {"A", "AI", "JA"})
    return "measured" if counted or source_code in {"12", "13"} else "calculated"


def range_per_deviation(n: int) -> float:
    """Give d2: the mean range of ``n`` samples of a normal variable [standard deviations].

    Notes
    -----
    Tippett 1925, Biometrika 17:364: the integral of 1 - Φ(x)^n - (1 - Φ(x))^n.

    Examples
    --------
    >>> [round(range_per_deviation(n), 3) for n in (2, 3, 5, 10)]
    [1.128, 1.693, 2.326, 3.078]
    """
    x = np.linspace(-8, 8, 1601)
    below = np.array([0.5 * math.erfc(-each / math.sqrt(2)) for each in x])
    return float((1 - below**n - (1 - below) ** n).sum() * (x[1] - x[0]))


@dataclass(frozen=True, eq=False)
class ValueErrors:
    """How sure the values of a release are.

    Attributes
    ----------
    standard_error : ndarray
        How well the mean of the food is known. [unit of the component]
    spread : ndarray
        Standard deviation between samples: how one plate's portion varies. Samples are often composites of several
        units, so single plates vary rather more. [unit of the component]
    evidence : ndarray of int
        What the value rests on; index into :data:`EVIDENCE_LABELS`.
    error_evidence : ndarray of int
        What the standard error rests on; index into :data:`ERROR_LABELS`: ``given`` SR28's own; ``range`` smallest
        and largest sample; ``derived`` number of analyses, with the pooled spread (assumed); ``pooled`` the
        spread of similar foods alone (assumed); ``propagated`` from the parts it is calculated from; ``none``.
    """

    standard_error: np.ndarray
    spread: np.ndarray
    evidence: np.ndarray
    error_evidence: np.ndarray


def cells_of(release: FoodRelease) -> pd.DataFrame:
    """Give the values in long form with their place in the matrix; what is not stated is n = 0, NaN or blank."""
    table = release.table("values")
    codes = table["code"].astype("category")
    cells = pd.DataFrame(
        {
            "row": release.foods.index.get_indexer(codes.cat.categories)[codes.cat.codes],
            "column": pd.Index(release.components["nutrient_number"]).get_indexer(table["nutrient_number"]),
            "value": table["value"].to_numpy(dtype=float),
        }
    )
    for name in ("n", "standard_error", "minimum", "maximum"):
        cells[name] = table[name].to_numpy(dtype=float, na_value=np.nan) if name in table else np.nan
    cells["n"] = cells["n"].fillna(0.0)
    blank = pd.Series("", index=table.index)
    coded = [table.get(name, blank).astype("category") for name in ("source_code", "derivation_code")]
    meaning = np.array(
        [
            [[EVIDENCE_LABELS.index(evidence_of(str(a), str(b), n)) for n in (0, 1)] for b in coded[1].cat.categories]
            for a in coded[0].cat.categories
        ],
        dtype=np.int8,
    )
    cells["evidence"] = meaning[coded[0].cat.codes, coded[1].cat.codes, (cells["n"] >= 1).astype(int)]
    cooked = np.array([state_of(text) == "cooked" for text in release.foods["description"]])[cells["row"]]
    uncoded = np.isin(cells["evidence"], [EVIDENCE_LABELS.index(label) for label in ("imputed", "calculated")])
    uncoded &= (coded[1] == "").to_numpy() & (cooked | (coded[0] != "1").to_numpy())
    elsewhere = np.array([bool(_ELSEWHERE.fullmatch(str(code))) for code in coded[1].cat.categories])
    cells["elsewhere"] = elsewhere[coded[1].cat.codes] | uncoded
    food_group = pd.factorize(release.foods["food_group"])[0]
    cells["group"] = food_group[cells["row"]]
    decimals = release.components.get("decimals", pd.Series(np.nan, index=release.components.index))
    half_unit = (0.5 * 10.0 ** -decimals.astype(float)).fillna(0.0).to_numpy()  # nothing printed: no rounding known
    cells["half_unit"] = half_unit[cells["column"]]
    return cells


def pooled_by_group(cells: pd.DataFrame, positive: pd.Series, shape: tuple[int, int], level: float = 0.5) -> np.ndarray:
    """Pool a positive figure by food group × component: quantiles of logs, drawn towards the wider pool.

    A group with m foods counts m / (m + k) beside its component, a component likewise beside all components; k is
    the variance within over the variance between groups, so that noise and real difference are weighed as found.
    """
    logs = np.log(positive)
    keys = [cells.loc[logs.index, "group"], cells.loc[logs.index, "column"]]
    whole = float(logs.quantile(level)) if len(logs) else math.log(0.15)  # assumed where there is nothing to pool
    by_column, by_group = (
        pd.DataFrame({"centre": logs.groupby(key).quantile(level), "size": logs.groupby(key).size()})
        for key in (keys[1], keys)
    )
    centre = by_group["centre"].reindex(pd.MultiIndex.from_arrays(keys)).to_numpy()
    large = by_group[by_group["size"] >= 20]
    apart = large["centre"] - by_column["centre"].reindex(large.index.get_level_values(1)).to_numpy()
    k = 10.0  # assumed where there are too few groups to tell
    if len(large) >= 10 and apart.var() > 0:
        within = (1.4826 * float((logs - centre).abs().median())) ** 2
        k = float(np.clip(np.pi / 2 * within / apart.var(), 1, 100))  # π/2: variance of a median over that of a mean
    columns = np.full(shape[1], whole)
    share = by_column["size"] / (by_column["size"] + k)
    columns[by_column.index] = whole + share * (by_column["centre"] - whole)
    table = np.tile(columns, (shape[0], 1))
    rows, at = (by_group.index.get_level_values(level).to_numpy() for level in (0, 1))
    share = by_group["size"] / (by_group["size"] + k)
    table[rows, at] += share.to_numpy() * (by_group["centre"].to_numpy() - columns[at])
    return np.asarray(np.exp(table))


def _own_spread(cells: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Give the spread that a food's own samples show, NaN where they show none, and where it is SR28's own error."""
    n, low, high = (cells[name].to_numpy() for name in ("n", "minimum", "maximum"))
    given = (cells["standard_error"].notna() & (n >= 2)).to_numpy()
    value = cells["value"].to_numpy()
    ranged = ~given & (n >= 3) & (low <= value) & (value <= high) & (high > low)  # NaN compares false
    d2 = {each: range_per_deviation(int(each)) for each in np.unique(n[ranged])}
    own = np.where(given, cells["standard_error"] * np.sqrt(n), np.nan)
    limit = (high - low) / 2 * np.sqrt(n / np.maximum(n - 1, 1))  # Popoviciu 1935: no sample scatters more
    own = np.where(given & (high > low), np.minimum(own, limit), own)
    own[ranged] = (high - low)[ranged] / np.array([d2[each] for each in n[ranged]])
    return own, given


def _between_foods(release: FoodRelease, cells: pd.DataFrame, sound: pd.Series, shape: tuple[int, int]) -> np.ndarray:
    """Give the relative error of taking one food's value for another's of the same family, per gram of solids.

    Neighbours in a family (state and first two parts of the description in common), both measured at least twice:
    the robust standard deviation of the log ratio of their values per solids, less what sampling adds.
    """
    chosen = cells[sound & (cells["evidence"] == EVIDENCE_LABELS.index("measured"))]
    water = release.matrix[:, release.components.index.get_loc("WATER")] if "WATER" in release.components.index else 0.0
    solids = np.broadcast_to(100 - np.nan_to_num(water), len(release.foods))[chosen["row"]]
    about = release.foods["description"].map(lambda text: f"{state_of(text)} {text.split(',')[:2]}")
    family = pd.factorize(release.foods["food_group"].astype(str) + " " + about)[0]
    chosen = chosen.assign(family=family[chosen["row"]], log=np.log(chosen["value"] / solids))
    chosen = chosen[solids > 0].sort_values(["column", "family", "row"])
    sampling = (chosen["spread"] / chosen["value"]) ** 2 / chosen["n"]
    same = (chosen["column"].diff() == 0) & (chosen["family"].diff() == 0) & (chosen["value"].diff() != 0)  # no copies
    apart = chosen["log"].diff().abs()[same].clip(lower=0.01)
    noise = (sampling + sampling.shift())[same].clip(lower=1e-6)
    both = (pooled_by_group(chosen, apart, shape) / 0.6745) ** 2  # 0.6745: median of |normal| [standard deviations]
    return np.asarray(np.sqrt(np.clip(both - pooled_by_group(chosen, noise, shape), 0, None)))


@lru_cache(maxsize=4)
def value_errors(release: FoodRelease) -> ValueErrors:
    """Find how sure every value of a release is.

    Parameters
    ----------
    release : FoodRelease

    Returns
    -------
    ValueErrors

    Notes
    -----
    The spread is, in this order: standard error × √n where SR28 gives one and n ≥ 2, at most what the range allows;
    range / d2 where n ≥ 3 and the value lies in the range; else the coefficient of variation pooled over foods with
    n ≥ 3 and values of at least five printed units, by food group × component (assumed). It is taken relative to
    value × (1 - value / most that 100 g can hold): the spread of 90 g of water is that of 10 g of solids, and pure
    sugar, oil or salt hardly vary. The standard error is spread / √n, or the spread of one sample where no analysis
    is counted; a value with n < 2 that comes from another food, a mixture or an unknown origin also carries the
    difference between foods (``_between_foods``). Energy, carbohydrate, vitamin A, folate equivalents and vitamin D
    in IU without an error of their own get those of their parts.

    No error is less than half a unit of the last printed decimal, but an assumed zero has none: it says that the
    food does not hold the component, which no analysis will scatter around. A measured zero has the half unit.
    """
    cells = cells_of(release)
    shape = (int(cells["group"].max()) + 1, len(release.components))
    own, given = _own_spread(cells)
    most = release.components["unit"].map(_MOST).fillna(np.inf).to_numpy(dtype=float)
    most = np.where(release.components.index == "NA", _SODIUM_IN_SALT, most)[cells["column"]]
    value, half, n = (cells[name].to_numpy() for name in ("value", "half_unit", "n"))
    cells["scale"] = np.clip(value * (1 - value / most), 0, None)
    sound = ~np.isnan(own) & (n >= 3) & (value >= 10 * half) & (cells["scale"] > 0)
    bias = (1 - 2 / (9 * (n[sound] - 1))) ** 1.5  # median of a sample's deviation by Wilson & Hilferty 1931
    floored = np.maximum(np.maximum(own, half)[sound], 1e-3 * cells["scale"][sound])
    variation = pooled_by_group(cells, floored / cells["scale"][sound] / bias, shape)
    columns = {component: column for column, component in enumerate(release.components.index)}
    for total, part in _VARIES_LIKE.items():
        if total in columns and part in columns:
            variation[:, columns[total]] = variation[:, columns[part]]
    at = (cells["group"].to_numpy(), cells["column"].to_numpy())
    spread = np.maximum(np.where(np.isnan(own), variation[at] * cells["scale"], own), half)
    cells["spread"] = spread
    error = np.where(given, cells["standard_error"], spread / np.sqrt(np.maximum(n, 1)))
    measured = cells["evidence"] == EVIDENCE_LABELS.index("measured")
    unsure = np.isnan(own) & (n < 2) & ~measured & cells["elsewhere"]
    other = _between_foods(release, cells, (n >= 2) & (value >= 10 * half) & (cells["scale"] > 0), shape)
    error = np.maximum(np.where(unsure, np.hypot(error, other[at] * cells["scale"]), error), half)
    kind = np.select([given, ~np.isnan(own), n >= 1], [1, 2, 3], default=4)  # places in ERROR_LABELS
    zero = (cells["evidence"] == EVIDENCE_LABELS.index("assumed zero")).to_numpy()
    spread[zero], error[zero], kind[zero] = 0.0, 0.0, ERROR_LABELS.index("none")
    place = (cells["row"], cells["column"])
    matrices = [np.full(release.matrix.shape, fill) for fill in (np.nan, np.nan, 0, 0)]
    for matrix, found in zip(matrices, (error, spread, cells["evidence"], kind), strict=True):
        matrix[place] = found
    return _propagated(ValueErrors(*matrices), release.matrix, columns)


def _propagated(errors: ValueErrors, values: np.ndarray, columns: dict[str, int]) -> ValueErrors:
    """Put the errors of the parts, added as squares and at most the value, where a whole has none of its own."""
    for total, parts in _PARTS.items():
        if total not in columns or any(part not in columns for part in parts):
            continue
        pooled = np.isin(errors.error_evidence[:, columns[total]], [3, 4])
        for matrix in (errors.standard_error, errors.spread):
            each = matrix[:, [columns[part] for part in parts]] * list(parts.values())
            if "ALC" in parts:
                each[:, -1] = np.nan_to_num(each[:, -1])  # hardly any food without a value holds alcohol
            whole = np.minimum(np.sqrt((each**2).sum(axis=1)), values[:, columns[total]])
            put = pooled & (whole > 0)
            matrix[put, columns[total]] = whole[put]
        errors.error_evidence[put, columns[total]] = ERROR_LABELS.index("propagated")
    return errors


def data_quality(weights: np.ndarray, evidence: np.ndarray) -> pd.DataFrame:
    """Say what share of an amount rests on which evidence.

    Parameters
    ----------
    weights : ndarray
        What each food brings to each amount, foods × amounts, all in one unit per amount; NaN counts as nothing.
    evidence : ndarray of int
        Of the same shape: indices into :data:`EVIDENCE_LABELS`.

    Returns
    -------
    DataFrame
        One row per amount, one column per label but ``missing``. Shares that add up to 1 [-]; NaN where the amount
        is nothing.

    Examples
    --------
    >>> data_quality(np.array([[3.0], [1.0]]), np.array([[1], [4]])).loc[0, ["measured", "label"]].tolist()
    [0.75, 0.25]
    """
    known = np.nan_to_num(weights)
    total = known.sum(axis=0)
    total = np.where(total > 0, total, np.nan)
    return pd.DataFrame(
        {
            label: np.where(evidence == code, known, 0).sum(axis=0) / total
            for code, label in enumerate(EVIDENCE_LABELS)
            if label != "missing"
        }
    )
