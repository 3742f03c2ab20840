"""Estimates of retention: published factors as the prior, measured raw and cooked values as the evidence.

Everything is done with the logarithm of measured over published retention. Where a kind of food has evidence, a third
of what the published rows of that kind differ by is believed. Deviations are then estimated from the wide to the narrow
(kind of food, class, row of the table; each within one component and one way of heating), each level shrunk by how far
its keys really differ against how well each is known. How far held-out families follow the estimate decides how much of
it is used in a food group, and how they scatter about it gives the intervals.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from swaptable.retention.pairs import FOOD_GROUPS, SAME_ANALYSIS, heat_of

__all__ = ["Evidence", "fit", "learn", "predict"]

LEVELS = (["kind", "heat", "component"], ["food_class", "heat", "component"], ["row", "component"])
BELIEVED = 1 / 3  # share of the difference between published rows of one kind that is believed
CUTS_AS_FAMILIES = 3.0  # many cuts of one animal tell as much as up to so many families
TAILS = 4.0  # degrees of freedom of the t distribution that outliers are weighed by
INNER_FOLDS = 10
LENT_FAMILIES = 2.0  # what a group or component leans on the others with when trust is judged
MUST_EARN = 0.05  # benefit of the doubt for published factors: full use must lower the error by so much
COVERAGES = (0.8, 0.9)
ESTIMATES = (
    "row", "component", "published", "n_families", "n_values", "measured", "spread", "estimate", "standard_error",
    "between_food_sd",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Evidence:
    """What was learnt from the pairs.

    Attributes
    ----------
    centres : Series
        Mean logarithm of the published factors with evidence, by kind, heat and component.
    effects : tuple of DataFrame
        For each level, by its key: ``effect`` and ``variance`` (of the effect, after shrinking).
    priors : tuple of float
        Variance of an effect not seen, per level, in units of the variance between foods.
    between : tuple of Series
        Standard deviation between families by kind, and its ratio by component.
    trust : tuple of Series
        Share of the estimated deviation that is used, by food group, and its ratio by component.
    scatter : tuple of Series
        Standard deviation of single held-out values by food group, and its ratio by component.
    usual_noise : Series
        Median variance from sampling and rounding, by component; part of ``scatter``.
    quantiles : DataFrame
        Half width of the interval in such standard deviations, by food group, one column per coverage.
    """

    centres: pd.Series
    effects: tuple[pd.DataFrame, ...]
    priors: tuple[float, ...]
    between: tuple[pd.Series, pd.Series]
    trust: tuple[pd.Series, pd.Series]
    scatter: tuple[pd.Series, pd.Series]
    usual_noise: pd.Series
    quantiles: pd.DataFrame


def _look_up(series: pd.Series, table: pd.DataFrame, keys: list[str]) -> np.ndarray:
    index = table[keys[0]] if len(keys) == 1 else pd.MultiIndex.from_frame(table[keys])
    return series.reindex(index).to_numpy(dtype=float)


def _product(parts: tuple[pd.Series, pd.Series], table: pd.DataFrame, by: str) -> np.ndarray:
    """Multiply the figure of a group by the ratio of a component; what is not known is taken as usual."""
    first, ratio = parts
    own = table[by].map(first).fillna(first["overall"]) * table["component"].map(ratio).fillna(1.0)
    return own.to_numpy(dtype=float)


def _two_way_spread(size: pd.Series, by: pd.Series, component: pd.Series, weight: float) -> tuple[pd.Series, pd.Series]:
    """Estimate a robust standard deviation as group times ratio of component; few values lean on the rest."""
    size = size / 0.6745
    overall = size.median()
    groups = size.groupby(by).agg(["median", "size"])
    first = (groups["median"] * groups["size"] + overall * weight) / (groups["size"] + weight)
    relative = (size / by.map(first)).groupby(component).agg(["median", "size"])
    ratio = (relative["median"] * relative["size"] + weight) / (relative["size"] + weight)
    return pd.concat([first, pd.Series({"overall": overall})]), ratio


def _location(values: np.ndarray, weights: np.ndarray, scale: float) -> float:
    """Weighted location under a t distribution."""
    if len(values) < 3:
        return float(np.average(values, weights=weights))
    order = np.argsort(values, kind="stable")
    values, weights = values[order], weights[order]
    centre = float(np.interp(0.5 * weights.sum(), np.cumsum(weights) - 0.5 * weights, values))
    for _ in range(8):
        robust = weights / (1 + ((values - centre) / scale) ** 2 / TAILS)
        centre = float((robust * values).sum() / robust.sum())
    return centre


def _cells(values: pd.DataFrame) -> pd.DataFrame:
    """Reduce the values to one per food, row and component: grades and trims of one cut count once."""
    first = {column: (column, "first") for column in ("kind", "food_class", "heat", "group")}
    return (
        values.assign(log_published=np.log(values["published"]))
        .groupby(["family", "food", "row", "component"], sort=True)
        .agg(ratio=("log_ratio", "median"), log_published=("log_published", "first"), **first)
        .reset_index()
    )


def _disbelief(table: pd.DataFrame, centres: pd.Series) -> np.ndarray:
    """Give the part of a published factor's distance from its kind's centre that is not believed."""
    distance = table["log_published"].to_numpy(dtype=float) - _look_up(centres, table, LEVELS[0])
    return (1 - BELIEVED) * np.nan_to_num(distance)


def _between_families(cells: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    families = cells.groupby([*LEVELS[0], "family"], sort=True)["rest"].median().reset_index()
    grouped = families.groupby(LEVELS[0])["rest"]
    families["count"] = grouped.transform("size")
    size = (families["rest"] - grouped.transform("median")).abs() * np.sqrt(families["count"] / (families["count"] - 1))
    several = families["count"] >= 3
    return _two_way_spread(size[several], families.loc[several, "kind"], families.loc[several, "component"], 8.0)


def _level(cells: pd.DataFrame, keys: list[str]) -> tuple[pd.DataFrame, float]:
    """Estimate the effects of one level and shrink them."""
    first = {column: (column, "first") for column in ("scale", "of_kind")}
    families = cells.groupby([*keys, "family"], sort=True).agg(
        rest=("rest", "median"), cuts=("food", "nunique"), **first
    )
    cuts = families["cuts"]
    families["weight"] = CUTS_AS_FAMILIES * cuts / (cuts + CUTS_AS_FAMILIES - 1)
    grouped = families.groupby(keys, sort=True)
    found = grouped.agg(weight=("weight", "sum"), **first)
    found["raw_effect"] = [
        _location(part["rest"].to_numpy(), part["weight"].to_numpy(), part["scale"].iloc[0]) for _, part in grouped
    ]
    # in units of the variance between families; 1.2 is the price of the robust location
    error = 1.2 / found["weight"]
    precision = (error + 0.3) ** -2
    excess = precision * (np.minimum((found["raw_effect"] / found["scale"]) ** 2, 9.0) - error)
    overall = max(float(excess.sum() / precision.sum()), 0.01)
    lent = 6 * float(precision.mean())
    kinds = pd.DataFrame({"excess": excess, "precision": precision}).groupby(found["of_kind"]).sum()
    prior = ((kinds["excess"] + lent * overall) / (kinds["precision"] + lent)).clip(lower=0.01)
    prior_of = found["of_kind"].map(prior)
    share = prior_of / (prior_of + error)
    found["effect"] = share * found["raw_effect"]
    found["variance"] = prior_of * (1 - share) * found["scale"] ** 2
    return found[["effect", "variance"]], overall


def _estimate(values: pd.DataFrame) -> Evidence:
    """Learn the effects, trusting them fully; scatter and quantiles are filled in by :func:`learn`."""
    cells = _cells(values)
    rows = cells.drop_duplicates(["row", "component"])
    centres = rows.groupby(LEVELS[0])["log_published"].mean()
    cells["rest"] = cells["ratio"] + _disbelief(cells, centres)
    between = _between_families(cells)
    cells["scale"] = _product(between, cells, "kind")
    cells["of_kind"] = cells["kind"]
    effects, priors = [], []
    for keys in LEVELS:
        found, prior = _level(cells, keys)
        cells["rest"] = cells["rest"] - _look_up(found["effect"], cells, keys)
        effects.append(found)
        priors.append(prior)
    none = pd.Series(dtype=float)
    return Evidence(centres, tuple(effects), tuple(priors), between, (none, none), (none, none), none, pd.DataFrame())


def _deviation(evidence: Evidence, table: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Give the estimated logarithm of retention over published, and its variance, fully trusted."""
    scale = _product(evidence.between, table, "kind")
    deviation = -_disbelief(table, evidence.centres)
    variance = np.zeros(len(table))
    for keys, found, prior in zip(LEVELS, evidence.effects, evidence.priors, strict=True):
        deviation += np.nan_to_num(_look_up(found["effect"], table, keys))
        known = _look_up(found["variance"], table, keys)
        variance += np.where(np.isnan(known), prior * scale**2, known)
    return deviation, variance


def folds_of(names: pd.Series, folds: int, seed: int) -> np.ndarray:
    """Deal families out to folds at random.

    Parameters
    ----------
    names : Series
        Family of each value.
    folds, seed : int

    Returns
    -------
    ndarray of int
        Fold of each value.
    """
    unique = np.array(sorted(names.unique()), dtype=object)
    np.random.default_rng(seed).shuffle(unique)
    fold = {name: number % folds for number, name in enumerate(unique)}
    return names.map(fold).to_numpy(dtype=int)


def _share_followed(table: pd.DataFrame, by: str) -> pd.Series:
    """Find for each key the share of the deviation that held-out families follow best; few lean on the rest."""
    shares = np.linspace(0, 1, 21)
    off = np.abs(table["log_ratio"].to_numpy()[:, None] - table["deviation"].to_numpy()[:, None] * shares)
    off *= 1 + MUST_EARN * shares
    loss = pd.DataFrame(off * (table["weight"] / table["scale"]).to_numpy()[:, None], index=table.index)
    sums = loss.groupby(table[by]).sum()
    each = sums.sum() / table.groupby(by)["family"].nunique().sum()
    sums = sums.add(LENT_FAMILIES * each, axis=1)
    best = pd.Series(shares[sums.to_numpy().argmin(axis=1)], index=sums.index)
    return pd.concat([best, pd.Series({"overall": shares[int(each.to_numpy().argmin())]})])


def _trust(table: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Say how much of the deviation to use: a share by food group times a share by component."""
    spread = _two_way_spread(table["log_ratio"].abs(), table["group"], table["component"], 20.0)
    table = table.assign(scale=_product(spread, table, "group"))
    groups = _share_followed(table, "group")
    table["deviation"] = table["deviation"] * table["group"].map(groups)
    return groups, _share_followed(table, "component").drop("overall")


def _predictive_sd(scatter: tuple[pd.Series, pd.Series], table: pd.DataFrame, usual: pd.Series) -> np.ndarray:
    """Put the noise of this value in the place of the noise usual for its component."""
    total = _product(scatter, table, "group")
    typical = table["component"].map(usual).fillna(usual.median()).to_numpy(dtype=float)
    between = np.maximum(total**2 - typical, 0.25 * total**2)
    return np.sqrt(between + table["noise"].to_numpy(dtype=float))


def _interval_widths(table: pd.DataFrame, size: pd.Series) -> pd.DataFrame:
    """Find how many standard deviations hold the wanted shares of held-out values, by group."""
    whole = np.array(size.quantile(list(COVERAGES)))
    widths = {"overall": whole}
    for group, part in table.groupby("group"):
        families = part["family"].nunique()
        own = np.array(size[part.index].quantile(list(COVERAGES)))
        widths[group] = (families * own + LENT_FAMILIES * whole) / (families + LENT_FAMILIES)
    return pd.DataFrame.from_dict(widths, orient="index", columns=list(COVERAGES))


def learn(values: pd.DataFrame) -> Evidence:
    """Learn from the pairs how published factors are off, how far to trust that, and how values scatter.

    Parameters
    ----------
    values : DataFrame
        From :func:`swaptable.retention.pairs.pair_values`.

    Returns
    -------
    Evidence
        Whose trust and intervals were judged with whole families (an animal or a vegetable) left out.
    """
    table = values.assign(log_published=np.log(values["published"]), deviation=0.0)
    fold = folds_of(table["family"], INNER_FOLDS, seed=0)
    for number in range(INNER_FOLDS):
        left_out = fold == number
        table.loc[left_out, "deviation"] = _deviation(_estimate(table[~left_out]), table[left_out])[0]
    # a family counts by the root of what it brings, so that beef does not decide alone
    table["weight"] = table.groupby(["family", "component"])["deviation"].transform("size") ** -0.5
    trust = _trust(table)
    error = (table["log_ratio"] - _product(trust, table, "group") * table["deviation"]).abs()
    scatter = _two_way_spread(error, table["group"], table["component"], 20.0)
    usual = table.groupby("component")["noise"].median()
    quantiles = _interval_widths(table, error / _predictive_sd(scatter, table, usual))
    return replace(_estimate(values), trust=trust, scatter=scatter, usual_noise=usual, quantiles=quantiles)


def predict(evidence: Evidence, table: pd.DataFrame) -> pd.DataFrame:
    """Estimate true retention for rows of the published table.

    Parameters
    ----------
    evidence : Evidence
    table : DataFrame
        ``row``, ``component``, ``food_class``, ``group``, ``kind``, ``heat``, ``published`` [-] and ``noise``
        (variance of the logarithm from sampling and rounding of the values to be compared with; 0 for none).

    Returns
    -------
    DataFrame
        Same index: ``retention`` [-]; ``standard_error`` of it as the mean over foods [-]; ``predictive_sd`` of the
        logarithm for a single food; and ``width_80``, ``width_90``, half widths of its intervals as logarithms.
    """
    table = table.assign(log_published=np.log(table["published"].where(table["published"] > 0)))
    deviation, variance = _deviation(evidence, table)
    trust = _product(evidence.trust, table, "group")
    retention = table["published"] * np.exp(np.nan_to_num(trust * deviation))
    # more than all can come from the water or the lot, not from cooking
    retention = np.minimum(retention, np.maximum(table["published"], 1.0))
    # what is seen but not trusted counts as doubt
    doubt = np.sqrt(variance + ((1 - trust) * deviation) ** 2)
    single = _predictive_sd(evidence.scatter, table, evidence.usual_noise)
    group = table["group"].where(table["group"].isin(evidence.quantiles.index), "overall")
    widths = evidence.quantiles.loc[group].to_numpy() * single[:, None]
    columns = {"retention": retention, "standard_error": retention * doubt, "predictive_sd": single}
    columns |= {f"width_{level:.0%}".rstrip("%"): widths[:, n] for n, level in enumerate(COVERAGES)}
    return pd.DataFrame(columns, index=table.index)


def _own_evidence(values: pd.DataFrame) -> pd.DataFrame:
    """Sum up what was measured for each row and component itself."""
    cells = _cells(values)
    keys = ["row", "component"]
    middle = cells.groupby(keys)["ratio"].transform("median")
    found = cells.assign(spread=(cells["ratio"] - middle).abs() / 0.6745).groupby(keys)
    found = found.agg(n_families=("family", "nunique"), ratio=("ratio", "median"), spread=("spread", "median"))
    found["spread"] = found["spread"].where(found["n_families"] > 1)
    return found.assign(n_values=values.groupby(keys).size())


def _rows_to_estimate(published: pd.DataFrame, components: list[str]) -> pd.DataFrame:
    """Lay the published table out as one row per row and component, with what the estimate needs to know."""
    labels = published[["row", "food_class", "process", "liquid", "detail"]].reset_index(drop=True)
    classes = [FOOD_GROUPS.get(name, (name, name)) for name in labels["food_class"]]
    labels["group"], labels["kind"] = zip(*classes, strict=True)
    labels["heat"] = [heat_of(*pair) for pair in zip(labels["process"], labels["liquid"], strict=True)]
    parts = [labels.assign(tag=tag, published=published[tag].to_numpy()) for tag in components]
    table = pd.concat(parts, ignore_index=True).dropna(subset=["published"]).reset_index(drop=True)
    return table.assign(component=table["tag"].replace(SAME_ANALYSIS), noise=0.0)


def fit(values: pd.DataFrame, published: pd.DataFrame, components: list[str]) -> pd.DataFrame:
    """Estimate every published factor.

    Parameters
    ----------
    values : DataFrame
        From :func:`swaptable.retention.pairs.pair_values`.
    published : DataFrame
        From :func:`swaptable.foods.cooking_factors.retention_table`.
    components : list of str
        Its columns of factors.

    Returns
    -------
    DataFrame
        One row per row and component of the table: ``row``, ``component``, ``published`` [-]; the evidence of that
        very row: ``n_families``, ``n_values``, ``measured`` (median over foods) [-] and ``spread`` (robust standard
        deviation of the logarithm between foods); ``estimate`` [-], ``standard_error`` of the mean [-] and
        ``between_food_sd`` (of the logarithm, for one food of the class).
    """
    table = _rows_to_estimate(published, components)
    found = predict(learn(values), table)
    table["estimate"], table["standard_error"] = found["retention"], found["standard_error"]
    table["between_food_sd"] = found["predictive_sd"]
    same = ["food_class", "process", "detail", "tag"]
    drained = table[table["liquid"] == "discarded"].set_index(same)["estimate"]
    least = np.where(table["liquid"] == "kept", _look_up(drained, table, same), np.nan)
    # with its liquid a food holds at least what it holds without
    table["estimate"] = np.fmax(table["estimate"], least)
    table = table.merge(_own_evidence(values), how="left", left_on=["row", "component"], right_index=True)
    table["measured"] = table["published"] * np.exp(table.pop("ratio"))
    table[["n_families", "n_values"]] = table[["n_families", "n_values"]].fillna(0).astype(int)
    table = table.drop(columns="component").rename(columns={"tag": "component"})
    return table[list(ESTIMATES)].sort_values(["row", "component"], ignore_index=True)
