"""Nutrient content claims and the front-of-package screen: what the rules of a regime would say of a recipe."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from swaptable.amounts.certainty import certainty_of, index_certainty
from swaptable.amounts.nutrients import WHOLE_SHARE, Amounts
from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.basics.units import GENERAL_KCAL_PER_GRAM, convert
from swaptable.foods.reference import (
    Z,
    claim_conditions,
    claims_not_judged,
    component_label,
    daily_values,
    front_of_pack_rules,
    vitamins_and_minerals,
)
from swaptable.judging.daily_values import POPULATION, checked_regime
from swaptable.judging.verdicts import LEVEL, Verdict, judge

__all__ = [
    "CAVEAT",
    "NOTHING_TO_COMPARE",
    "NO_REFERENCE_AMOUNT",
    "SMALL_REFERENCE_AMOUNT",
    "claim_verdicts",
    "front_of_pack",
    "front_of_pack_exemptions",
    "judge_claims",
    "not_judged",
]

CAVEAT = (
    "These rules bind packaged food. Here they are an informal screen of a recipe: "
    "nothing that is met here may be printed on a package for that reason."
)
NO_REFERENCE_AMOUNT = "the recipe states no reference amount"
NOTHING_TO_COMPARE = "there is nothing to compare with: it would be a percentage of 0"
COMPARATIVE = "comparative"
SMALL_REFERENCE_AMOUNT = 30.0  # g, and below: judged per 50 g as well, and by lower thresholds for the symbol
SERVING, REFERENCE, HUNDRED, FIFTY_IF_SMALL = "serving", "reference amount", "100 g", "50 g if small"
OF_WRITTEN = " of the recipe as written"
_SAID = {"<": "less than", "<=": "at most", ">": "more than", ">=": "at least"}
_WORDS = np.array([verdict.word for verdict in Verdict])
_WHYS = np.array([verdict.why for verdict in Verdict])
# General factor of 21 CFR 101.9(c)(1)(i)(B), and of USDA Handbook 74.
_KCAL_PER_GRAM_FAT = GENERAL_KCAL_PER_GRAM["FAT"]
Array = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class _Measured:
    """What a condition compares with its limit, for every variant in the order of their labels."""

    value: Array
    error: Array
    whole: npt.NDArray[np.bool_]  # else the value is a lower bound
    unit: str

    def times(self, factor: float, unit: str) -> _Measured:
        return _Measured(self.value * factor, self.error * factor, self.whole, unit)

    def where_whole(self) -> _Measured:
        """Forget a value that is no bound either way: a ratio or a difference of lower bounds."""
        return replace(self, value=np.where(self.whole, self.value, np.nan))

    def written(self) -> _Measured:
        """Give the recipe as written, the first variant, the place of every variant."""
        value, error = (np.full_like(column, column[0]) for column in (self.value, self.error))
        return _Measured(value, error, np.full_like(self.whole, self.whole[0]), self.unit)


@dataclass(frozen=True, eq=False)
class _Basis:
    """Amounts on one basis by component, and the errors of amounts and of differences from the recipe as written."""

    amount: dict[str, Array]
    error: dict[str, Array]
    difference_error: dict[str, Array]

    def times(self, factor: float) -> _Basis:
        parts = (self.amount, self.error, self.difference_error)
        return _Basis(*({tag: column * factor for tag, column in part.items()} for part in parts))


def _by_component(amounts: Amounts, values: xr.DataArray) -> dict[str, Array]:
    """List a measure of every component, allowed variants only, in the order of their labels."""
    choices = list(amounts.grid.choices)
    allowed = np.asarray(amounts.grid.allowed.transpose(*choices), dtype=bool).ravel()
    tags = [str(tag) for tag in values["component"].to_numpy()]
    table = values.transpose(*choices, "component").to_numpy().reshape(-1, len(tags))[allowed]
    return dict(zip(tags, np.ascontiguousarray(table.T), strict=True))


@dataclass(frozen=True, eq=False)
class _Meter:
    """Measures whatever the conditions of a regime ask for."""

    amounts: Amounts
    regime: str

    @cached_property
    def bases(self) -> dict[str, _Basis]:
        """Amounts by the basis of a rule; those of the reference amount only where the recipe states one."""
        found = {}
        for basis in (SERVING, HUNDRED):
            sure = certainty_of(self.amounts, basis)
            found[basis] = _Basis(
                *(_by_component(self.amounts, part) for part in (sure.amount, sure.error, sure.difference_error))
            )
        found[FIFTY_IF_SMALL] = found[HUNDRED].times(0.5)
        if self.amounts.recipe.reference_amount is not None:
            found[REFERENCE] = found[HUNDRED].times(self.amounts.recipe.reference_amount / 100)
        return found

    @cached_property
    def units(self) -> pd.Series:
        return self.amounts.units()

    @cached_property
    def _known(self) -> dict[str, npt.NDArray[np.bool_]]:
        shares = _by_component(self.amounts, self.amounts.data["valued_share"])
        return {tag: share > WHOLE_SHARE for tag, share in shares.items()}

    @cached_property
    def _energy_shares(self) -> dict[str, _Measured]:
        return {}

    def _whole(self, parts: list[str]) -> npt.NDArray[np.bool_]:
        whole: npt.NDArray[np.bool_] = np.logical_and.reduce([self._known[part] for part in parts])
        return whole

    def amount(self, component: str, basis: str) -> _Measured:
        """Add up the parts of a component. Their errors are added, as if they were wrong together."""
        parts, on = component.split("+"), self.bases[basis]
        held = np.array([on.amount[part] for part in parts])
        value = np.where(np.isnan(held).all(axis=0), np.nan, np.nansum(held, axis=0))
        error = np.nansum([on.error[part] for part in parts], axis=0)
        return _Measured(value, error, self._whole(parts), str(self.units[parts[0]]))

    def _difference_error(self, component: str, basis: str) -> Array:
        error: Array = np.nansum([self.bases[basis].difference_error[part] for part in component.split("+")], axis=0)
        return error

    def energy_share(self, component: str) -> _Measured:
        """Give the percent of the energy that fat or fatty acids bring, at 9 kcal/g."""
        if component not in self._energy_shares:
            parts = component.split("+")

            def share(amounts: Amounts) -> xr.DataArray:
                batch = amounts.data["per_batch"]
                energy = batch.sel(component="ENERC_KCAL", drop=True)
                fat = batch.sel(component=parts).sum("component", min_count=1)
                percent: xr.DataArray = 100 * _KCAL_PER_GRAM_FAT * fat / energy.where(energy > 0)
                return percent

            sure = index_certainty(self.amounts, share, [*parts, "ENERC_KCAL"])
            value, error = (self.amounts.grid.listed(part) for part in (sure.amount, sure.error))
            known = self._whole(["ENERC_KCAL"])  # less energy than there is would make the share too large
            whole = self._whole(parts) & known
            self._energy_shares[component] = _Measured(np.where(known, value, np.nan), error, whole, "%")
        return self._energy_shares[component]

    def percent_apart(self, component: str, basis: str, limit: float, sign: int) -> _Measured:
        """Give the percent by which a variant v holds more (sign 1) or less (-1) than the recipe as written w.

        To keep a limit is to have the margin v - k·w on its right side, k = 1 ± limit/100; the error is that of the
        margin, with cov(v, w) from the variance of their difference, in percent of w.
        """
        variant = self.amount(component, basis)
        written = variant.written()
        k = 1 + sign * limit / 100
        var_v, var_w = variant.error**2, written.error**2
        covariance = (var_v + var_w - self._difference_error(component, basis) ** 2) / 2
        margin = np.sqrt(np.clip(var_v + k**2 * var_w - 2 * k * covariance, 0.0, None))
        base = np.where(written.value > 0, written.value, np.nan)
        percent = 100 * sign * (variant.value - base) / base
        return _Measured(percent, 100 * margin / base, variant.whole & written.whole, "%").where_whole()

    def difference(self, component: str, basis: str) -> _Measured:
        """Give the difference from the recipe as written."""
        variant = self.amount(component, basis)
        written = variant.written()
        error = self._difference_error(component, basis)
        whole = variant.whole & written.whole
        return _Measured(variant.value - written.value, error, whole, variant.unit).where_whole()

    def per_daily_value(self, component: str, population: str = POPULATION) -> float:
        """Give the percent of the daily value in one unit of a component."""
        row = _daily_values(self.regime, population).loc[component]
        unit = str(self.units[component.split("+")[0]])
        return 100 / convert(float(row["value"]), str(row["unit"]), unit)

    def measure(self, measure: str, component: str, basis: str, limit: float) -> _Measured:
        """Measure what a row of ``claims.csv`` compares with its limit."""
        if measure.endswith(OF_WRITTEN):
            return self.measure(measure.removesuffix(OF_WRITTEN), component, basis, limit).written()
        match measure:
            case "amount":
                return self.amount(component, basis)
            case "percent of energy":
                return self.energy_share(component)
            case "percent of daily value":
                return self.amount(component, basis).times(self.per_daily_value(component), "%")
            case "percent less than as written":
                return self.percent_apart(component, basis, limit, -1)
            case "percent more than as written":
                return self.percent_apart(component, basis, limit, 1)
            case "more than as written":
                return self.difference(component, basis)
            case "percent of daily value more than as written":
                return self.difference(component, basis).times(self.per_daily_value(component), "%")
            case _:
                raise SwaptableError(f"data/reference/claims.csv: measure: found '{measure}', which has no definition")


@lru_cache(maxsize=8)
def _daily_values(regime: str, population: str = POPULATION) -> pd.DataFrame:
    table = daily_values()
    rows = table[(table["regime"] == regime) & (table["population"] == population)]
    return rows.set_index("component")


def _applies(foods: pd.Series, judged_as: str) -> pd.Series:
    return foods.map(lambda words: judged_as in words.split(" or "))


def _for_each_nutrient(rules: pd.DataFrame, regime: str, components: Sequence[str]) -> pd.DataFrame:
    """Write out the claims on any vitamin or mineral: one for each that has a daily value and is in the release."""
    own_rule = {(row.claim, row.component) for row in rules.itertuples()}
    # sodium is a nutrient to keep down; Canada has rules of its own for potassium
    left_out = {"US": {"NA"}, "CA": {"NA", "K"}}[regime]
    any_of = [
        tag for tag in vitamins_and_minerals() if tag in {*_daily_values(regime).index} & {*components} - left_out
    ]
    written = []
    for row in rules.to_dict("records"):
        if "*" not in row["title"]:
            written.append(row)
            continue
        for tag in any_of if row["component"] == "*" else [row["component"]]:
            if row["component"] == "*" and (row["claim"], tag) in own_rule:
                continue
            label = component_label(tag)
            title = row["title"].replace("*", label[:1].lower() + label[1:])
            written.append(row | {"claim": f"{row['claim']}_{tag.lower()}", "title": title, "component": tag})
    return pd.DataFrame(written, columns=rules.columns)


def _on_each_basis(rules: pd.DataFrame, reference_amount: float | None) -> pd.DataFrame:
    """Write out the bases of each rule. Bases joined by *and* are conditions of their own; of *or*, one is enough."""
    written = []
    for row in rules.to_dict("records"):
        bases = row["basis"].replace(" and ", " or ").split(" or ")
        for basis in bases:
            if basis == FIFTY_IF_SMALL and (reference_amount is None or reference_amount > SMALL_REFERENCE_AMOUNT):
                continue
            together = " or " in row["basis"]
            condition = row["condition"] if together else f"{row['condition']} {basis}"
            written.append(row | {"basis": basis, "condition": condition})
    return pd.DataFrame(written, columns=rules.columns)


def _with_daily_values(rules: pd.DataFrame, regime: str) -> pd.DataFrame:
    """Name the source of the daily value beside that of the rule; both must have been seen to be seen."""
    values = _daily_values(regime)
    uses = rules["measure"].str.contains("daily value")
    source = rules["source"] + "; " + rules["component"].map(values["source"])
    unseen = rules["component"].map(values["checked"]) == "from memory"
    return rules.assign(
        source=rules["source"].where(~uses, source), checked=rules["checked"].where(~(uses & unseen), "from memory")
    )


@lru_cache(maxsize=16)
def _rules_for(
    regime: str, judged_as: str, reference_amount: float | None, components: tuple[str, ...]
) -> pd.DataFrame:
    """Give the conditions that apply to a recipe, one row for each number to be judged."""
    table = claim_conditions()
    rules = table[(table["regime"] == checked_regime(regime)) & _applies(table["food"], judged_as)]
    rules = rules.assign(food=judged_as, condition=[f"{number}" for number in range(len(rules))])
    rules = _on_each_basis(_for_each_nutrient(rules, regime, components), reference_amount)
    rules = _with_daily_values(rules, regime)
    return rules.iloc[np.argsort(pd.factorize(rules["claim"])[0], kind="stable")].reset_index(drop=True)


def _places(amounts: Amounts, labels: Sequence[str] | None) -> tuple[list[str], np.ndarray]:
    """Find the variants to list, and where they stand among all."""
    known = amounts.grid.labels
    if labels is None:
        return known, np.arange(len(known))
    place = {label: number for number, label in enumerate(known)}
    unknown = [label for label in labels if label not in place]
    if unknown:
        raise SwaptableError(
            f"found variant '{unknown[0]}'; expected one of {listed(known)}{nearest(unknown[0], known)}"
        )
    return list(labels), np.array([place[label] for label in labels], dtype=int)


def judge_claims(amounts: Amounts, regime: str, labels: Sequence[str] | None = None) -> pd.DataFrame:
    """Judge every condition of every claim that applies to a recipe.

    Parameters
    ----------
    amounts : Amounts
    regime : str
        ``"US"`` or ``"CA"``.
    labels : sequence of str, optional
        Variants to list; all without it.

    Returns
    -------
    DataFrame
        One row per variant and number judged: ``variant``, ``regime``, ``claim``, ``title``, ``kind``, ``food``,
        ``component``, ``measure``, ``basis``, ``amount``, ``standard_error``, ``low_90``, ``high_90``, ``whole``
        (otherwise the amount is a lower bound and has no upper end), ``operator``, ``limit``, ``unit``,
        ``verdict`` (a :class:`~swaptable.judging.verdicts.Verdict` as integer), ``word``, ``why``, ``note``,
        ``source``, ``checked``; ``alternative`` and ``condition`` say how the rows of a claim go together: of the rows
        of one condition one is enough, an alternative needs all its conditions, and one alternative is enough.

    Raises
    ------
    SwaptableError
        If the regime or a variant is not known.

    Notes
    -----
    The serving and the recipe as written stand for the labelled serving and the reference food. Where a rule needs
    the reference amount and the recipe states none, the numbers are those of the serving and nobody can tell.
    The recipe as written is not compared with itself. See :data:`CAVEAT`.

    References
    ----------
    21 CFR 101.13, 101.54, 101.56, 101.60-101.62. Food and Drug Regulations (Canada) B.01.503, D.01.004, D.02.002.
    """
    recipe = amounts.recipe
    rules = _rules_for(regime, recipe.judged_as, recipe.reference_amount, tuple(amounts.units().index))
    meter = _Meter(amounts, regime)
    names, places = _places(amounts, labels)
    columns: dict[str, list[np.ndarray]] = {name: [] for name in ("value", "error", "whole")}
    units, limits = [], []
    missing = ((rules["basis"] == REFERENCE) & (recipe.reference_amount is None)).to_numpy()
    for row, no_reference in zip(rules.to_dict("records"), missing, strict=True):
        basis = SERVING if no_reference else row["basis"] or SERVING
        measured = meter.measure(row["measure"], row["component"], basis, row["value"])
        for name, parts in columns.items():
            parts.append(getattr(measured, name)[places])
        units.append(measured.unit)
        limits.append(row["value"] if measured.unit == "%" else convert(row["value"], row["unit"], measured.unit))
    amount, error, whole = (np.column_stack(parts) for parts in columns.values())
    verdicts = _judged(amount, error, whole, list(rules["operator"]), limits)
    verdicts[:, missing] = int(Verdict.GAPS)
    half = Z[LEVEL] * np.nan_to_num(error)
    # a level is never below 0, a comparison may be
    levels = ~rules["measure"].str.contains("than as written").to_numpy()
    low = np.where(levels, np.clip(amount - half, 0.0, None), amount - half)
    high = np.where(whole, amount + half, np.nan)
    basis = np.where(missing, f"{SERVING} ({REFERENCE} not stated)", rules["basis"])
    why = np.where(np.isnan(amount) & whole, NOTHING_TO_COMPARE, _WHYS[verdicts])
    table = _listed(rules.assign(basis=basis, limit=limits, unit=units), names)
    table = table.assign(
        amount=amount.ravel(), standard_error=error.ravel(), low_90=low.ravel(), high_90=high.ravel(),
        whole=whole.ravel(), verdict=verdicts.ravel(), word=_WORDS[verdicts.ravel()],
        why=np.where(missing, NO_REFERENCE_AMOUNT, why).ravel(),
    )  # fmt: skip
    itself = (table["variant"] == amounts.grid.labels[0]) & (table["kind"] == COMPARATIVE)
    return table.loc[
        ~itself,
        ["variant", "regime", "claim", "title", "kind", "food", "component", "measure", "basis", "amount",
         "standard_error", "low_90", "high_90", "whole", "operator", "limit", "unit", "verdict", "word", "why", "note",
         "source", "checked", "alternative", "condition"],
    ].reset_index(drop=True)  # fmt: skip


def _judged(
    amount: Array, error: Array, whole: npt.NDArray[np.bool_], operators: Sequence[str], limits: Sequence[float]
) -> npt.NDArray[np.int_]:
    """Judge a table of variants × conditions, all the conditions of one operator at once."""
    verdicts = np.zeros(amount.shape, dtype=int)
    dims = ("variant", "condition")
    for operator in set(operators):
        at = np.array([other == operator for other in operators])
        value, spread, known = (xr.DataArray(array[:, at], dims=dims) for array in (amount, error, whole))
        verdicts[:, at] = judge(value, spread, operator, xr.DataArray(np.array(limits)[at], dims=dims[1:]), known)
    return verdicts


def _listed(rules: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    """Repeat the rules for each variant."""
    table = {name: np.tile(rules[name].to_numpy(), len(names)) for name in rules.columns}
    return pd.DataFrame({"variant": np.repeat(np.array(names, dtype=object), len(rules)), **table})


def _numbers_texts(conditions: pd.DataFrame) -> list[str]:
    """Say each number, its interval and its limit in plain words."""
    labels = {tags: component_label(tags) for tags in conditions["component"].unique()}
    words = {
        measure: measure.removesuffix(OF_WRITTEN).removeprefix("percent").removeprefix("amount").strip()
        for measure in conditions["measure"].unique()
    }
    words = {
        measure: (f" {word}" if word else "") + (" in the recipe as written" if measure.endswith(OF_WRITTEN) else "")
        for measure, word in words.items()
    }
    columns = ("component", "amount", "unit", "measure", "basis", "low_90", "high_90", "whole", "operator", "limit")
    texts = []
    for tags, amount, unit, measure, basis, low, high, whole, operator, limit in zip(
        *(conditions[name].tolist() for name in columns), strict=True
    ):
        per = f" per {basis.removesuffix(' if small')}" if basis else ""
        if np.isnan(amount):
            known = "not known"
        elif whole:
            known = f"{amount:.4g} {unit}{words[measure]}{per} (90 % interval {low:.4g} to {high:.4g})"
        else:
            known = f"at least {amount:.4g} {unit}{words[measure]}{per} (some values are missing)"
        texts.append(f"{labels[tags]}: {known}, the rule says {_SAID[operator]} {limit:.4g} {unit}")
    return texts


def claim_verdicts(conditions: pd.DataFrame) -> pd.DataFrame:
    """Give the verdict on each claim from those on its conditions.

    Parameters
    ----------
    conditions : DataFrame
        From :func:`judge_claims`.

    Returns
    -------
    DataFrame
        One row per variant and claim: ``variant``, ``regime``, ``claim``, ``title``, ``kind``, ``food``,
        ``verdict``, ``word``, ``why``, ``numbers`` (what was judged, in one plain text), ``note``, ``source``,
        ``checked`` (``seen`` only if every condition was).

    Notes
    -----
    A claim is as good as the least of its conditions, in the best of its alternatives. Where the regulation asks
    for more than the numbers (see :func:`not_judged`), a claim whose numbers are met is not called met.
    """
    claim = ["variant", "regime", "claim"]
    by_condition = conditions.groupby([*claim, "alternative", "condition"], sort=False)["verdict"].transform("max")
    kept = conditions.assign(of_condition=by_condition)
    kept["of_alternative"] = kept.groupby([*claim, "alternative"], sort=False)["of_condition"].transform("min")
    kept["of_claim"] = kept.groupby(claim, sort=False)["of_alternative"].transform("max")
    kept = kept[kept["of_alternative"] == kept["of_claim"]]
    first = kept.groupby(claim, sort=False)["alternative"].transform("first")
    kept = kept[kept["alternative"] == first].reset_index(drop=True)
    group = kept.groupby(claim, sort=False).ngroup().to_numpy()
    order = np.argsort(group, kind="stable")
    starts = np.flatnonzero(np.diff(group[order], prepend=-1))
    kept = kept.iloc[order].reset_index(drop=True)
    ends = np.append(starts[1:], len(kept))

    def joined(parts: list[str]) -> list[str]:
        return ["; ".join(dict.fromkeys(filter(None, parts[a:b]))) for a, b in zip(starts, ends, strict=True)]

    deciding = (kept["of_condition"] == kept["of_claim"]) & (kept["verdict"] == kept["of_claim"])
    verdict = kept["of_claim"].to_numpy()[starts]
    table = kept.loc[starts, [*claim, "title", "kind", "food"]].reset_index(drop=True)
    table = table.assign(
        verdict=verdict,
        word=_WORDS[verdict],
        why=joined(np.where(deciding, kept["why"], "").tolist()),
        numbers=joined(_numbers_texts(kept)),
        note=joined(kept["note"].tolist()),
        source=joined(kept["source"].tolist()),
        checked=np.where(
            np.logical_and.reduceat((kept["checked"] == "seen").to_numpy(), starts), "seen", "from memory"
        ),
    )
    also = claims_not_judged()
    also = also[also["status"] == "not judged"].set_index(["regime", "claim"])["reason"]
    for (regime, name), reason in also.items():
        met = (table["regime"] == regime) & (table["claim"] == name) & (table["verdict"] == int(Verdict.MET))
        table.loc[met, "verdict"] = int(Verdict.GAPS)
        table.loc[met, "word"] = Verdict.GAPS.word
        table.loc[met, "why"] = f"its numbers are met; not judged: {reason}"
    return table


def not_judged(regime: str, judged_as: str) -> pd.DataFrame:
    """List the claims that numbers cannot decide, and those that a regime does not permit.

    Parameters
    ----------
    regime : str
        ``"US"`` or ``"CA"``.
    judged_as : str
        ``food``, ``main dish`` or ``meal``.

    Returns
    -------
    DataFrame
        ``claim``, ``title``, ``status`` (``not judged`` or ``not permitted``), ``reason``, ``source``, ``checked``.
    """
    table = claims_not_judged()
    rows = table[(table["regime"] == checked_regime(regime)) & _applies(table["food"], judged_as)]
    return rows.drop(columns=["regime", "food"]).reset_index(drop=True)


def _pack_rules(population: str, reference_amount: float | None, judged_as: str) -> pd.DataFrame:
    """Pick the row of each component for a food: small, main dish or general."""
    table = front_of_pack_rules()
    rules = table[table["kind"] == "threshold"]
    populations = list(rules["population"].unique())
    if population not in populations:
        allowed = " or ".join(populations)
        raise SwaptableError(f"found population '{population}'; expected {allowed}{nearest(population, populations)}")
    rules = rules[rules["population"] == population]
    amount = np.inf if reference_amount is None else reference_amount
    small = amount <= rules["reference_amount_at_most"].min()
    big = reference_amount is not None and amount >= rules["reference_amount_at_least"].min()
    category = "small" if small else "main dish" if big and judged_as != "food" else "general"
    return rules[rules["category"] == category].reset_index(drop=True)


def front_of_pack(amounts: Amounts, population: str = POPULATION, labels: Sequence[str] | None = None) -> pd.DataFrame:
    """Screen a recipe for the nutrition symbol that Canada asks for on the front of packages.

    Parameters
    ----------
    amounts : Amounts
    population : str, optional
        ``"age 4 and over"`` or ``"age 1 to 3"``: for whom a packaged food would be meant.
    labels : sequence of str, optional
        Variants to list; all without it.

    Returns
    -------
    DataFrame
        One row per variant and component: ``variant``, ``component``, ``category`` (``small``, ``general`` or
        ``main dish``), ``basis`` (the greater of serving and reference amount), ``amount`` and ``unit``,
        ``percent`` of the daily value with ``standard_error``, ``low_90``, ``high_90``, all in percent, ``whole``,
        ``operator``, ``limit`` [%], ``verdict``, ``word`` (``met``: the symbol would be needed), ``why``, ``note``
        (exemptions that may apply), ``source``, ``checked``.

    Raises
    ------
    SwaptableError
        If the population or a variant is not known.

    Notes
    -----
    Saturated fat is compared with the daily value of saturated and trans fat together. Without a reference amount
    nobody can tell; the numbers are then those of the serving. See :data:`CAVEAT`.

    References
    ----------
    Food and Drug Regulations (Canada) B.01.350.
    """
    recipe = amounts.recipe
    rules = _pack_rules(population, recipe.reference_amount, recipe.judged_as)
    meter = _Meter(amounts, "CA")
    names, places = _places(amounts, labels)
    stated = recipe.reference_amount is not None
    serving_g = amounts.grid.listed(amounts.data["cooked_g"])[places] / recipe.servings
    larger = serving_g < (recipe.reference_amount or 0.0)  # the reference amount is the greater
    columns: dict[str, list[np.ndarray]] = {name: [] for name in ("amount", "percent", "error", "whole")}
    for component, valued in zip(rules["component"], rules["daily_value"], strict=True):
        serving = meter.amount(component, SERVING)
        reference = meter.amount(component, REFERENCE) if stated else serving
        held = np.where(larger, reference.value[places], serving.value[places])
        error = np.where(larger, reference.error[places], serving.error[places])
        factor = meter.per_daily_value(valued, population)
        for parts, column in zip(
            columns.values(), (held, held * factor, error * factor, serving.whole[places]), strict=True
        ):
            parts.append(column)
    amount, percent, errors, whole = (np.column_stack(parts) for parts in columns.values())
    verdicts = _judged(percent, errors, whole, [">="] * len(rules), list(rules["percent"]))
    if not stated:
        verdicts[:] = int(Verdict.GAPS)
    half = Z[LEVEL] * np.nan_to_num(errors)
    decided = verdicts.ravel()
    exempt = front_of_pack_exemptions().groupby("component")["note"].agg("; ".join)
    values = _daily_values("CA", population)
    unseen = rules["daily_value"].map(values["checked"]) != "seen"
    rules = rules.assign(
        note=rules["component"].map(exempt),
        unit=rules["component"].map(meter.units),
        source=rules["source"] + "; " + rules["daily_value"].map(values["source"]),
        checked=rules["checked"].where(~unseen, "from memory"),
        category=rules["category"] if stated else "",
        operator=">=",
        limit=rules["percent"] if stated else np.nan,
    )
    table = _listed(rules, names).assign(
        basis=np.repeat(np.where(larger, REFERENCE, SERVING), len(rules)),
        amount=amount.ravel(), percent=percent.ravel(), standard_error=errors.ravel(),
        low_90=np.clip(percent - half, 0.0, None).ravel(), high_90=np.where(whole, percent + half, np.nan).ravel(),
        whole=whole.ravel(), verdict=decided, word=_WORDS[decided],
        why=_WHYS[decided] if stated else NO_REFERENCE_AMOUNT,
    )  # fmt: skip
    return table[
        ["variant", "component", "category", "basis", "amount", "unit", "percent", "standard_error", "low_90",
         "high_90", "whole", "operator", "limit", "verdict", "word", "why", "note", "source", "checked"]
    ]  # fmt: skip


def front_of_pack_exemptions() -> pd.DataFrame:
    """List what needs no symbol although it reaches a threshold: ``component``, ``note``, ``source``, ``checked``."""
    table = front_of_pack_rules()
    rows = table.loc[table["kind"] == "exemption", ["component", "note", "source", "checked"]]
    return rows.assign(component=rows["component"].str.split("|")).explode("component", ignore_index=True)
