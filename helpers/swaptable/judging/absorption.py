"""What the body may get of calcium, iron, vitamin A and folate: estimates beside the totals, never in their place.

Only what is published is used. Calcium of a food whose absorption nobody published is not estimated, and the share of
the dish's calcium that the estimate covers stands beside it. Fractions were measured in adults, of the loads named in
the table; no correction is made for what else is eaten. The absorption of iron depends on phytate, which SR28 does not
hold, and on the eater's stores: forms of iron and what helps its absorption are told, an amount absorbed is not.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np
import pandas as pd
import xarray as xr

from swaptable.amounts.nutrients import DERIVED_FROM, WHOLE_SHARE, Amounts, line_values
from swaptable.amounts.variants import Line
from swaptable.foods.reference import calcium_absorption_of, haem_share_of
from swaptable.judging.verdicts import variants_chosen

__all__ = [
    "KINDS",
    "absorbable_calcium",
    "calcium_by_ingredient",
    "folate_forms",
    "iron_forms",
    "vitamin_a_forms",
]

KINDS = ("measured", "estimated from oxalate and load", "class")


def _table(amounts: Amounts, labels: Collection[str] | None, columns: dict[str, xr.DataArray]) -> pd.DataFrame:
    """List measures over the choices, one row per variant."""
    grid, chosen = amounts.grid, variants_chosen(amounts, labels)
    index = pd.Index(grid.labels, name="variant")
    return pd.DataFrame({name: grid.listed(values) for name, values in columns.items()}, index=index)[chosen]


def _total(amounts: Amounts, of_line: Mapping[int, float]) -> xr.DataArray:
    """Sum a number per line (by its ``id``) over each variant's ingredients; what is missing is left out."""
    grid = amounts.grid
    total = xr.zeros_like(amounts.data["edible_g"])
    for ingredient, lines in grid.lines.items():
        coords = {choice: list(grid.choices[choice]) for choice in grid.own_choices(ingredient)}
        table = xr.DataArray(np.zeros([len(options) for options in coords.values()]), coords=coords, dims=list(coords))
        for options, line in lines.items():
            table.loc[dict(options)] = np.nan_to_num(of_line[id(line)])
        total = total + table
    return total.transpose(*grid.choices).where(grid.allowed)


def _lines(amounts: Amounts) -> list[Line]:
    return [line for lines in amounts.grid.lines.values() for line in lines.values()]


def _values(amounts: Amounts, components: list[str]) -> dict[int, pd.Series]:
    """Give what each line brings to the batch of some components, NaN where it has no value."""
    return {
        id(line): line_values(line, amounts.grid.release)[components] * line.edible_g / 100 for line in _lines(amounts)
    }


def calcium_by_ingredient(amounts: Amounts, labels: Collection[str] | None = None) -> pd.DataFrame:
    """Estimate how much of each ingredient's calcium can be absorbed, with the figure used.

    Parameters
    ----------
    amounts : Amounts
    labels : collection of str, optional
        Variants to list; all by default.

    Returns
    -------
    DataFrame
        One row per variant and ingredient in it: ``variant``, ``ingredient``, ``food``, ``calcium_mg``, ``percent``
        absorbed, ``estimated_absorbable_mg``, then from ``absorption.csv`` ``item``, ``kind``, ``oxalate_class``,
        ``load_mg`` (what it was published for), ``note``, ``source`` and ``checked``. Without a published figure
        ``percent`` and the estimate are NaN and the texts empty.

    Raises
    ------
    SwaptableError
        If there is no such variant.
    """
    grid = amounts.grid
    calcium = _values(amounts, ["CA"])
    figures = {id(line): calcium_absorption_of(line.food) for line in _lines(amounts)}
    texts = ["item", "kind", "oxalate_class", "load_mg", "note", "source", "checked"]
    columns = ["variant", "ingredient", "food", "calcium_mg", "percent", "estimated_absorbable_mg", *texts]
    rows = []
    for variant, label, wanted in zip(grid.variants(), grid.labels, variants_chosen(amounts, labels), strict=True):
        if not wanted:
            continue
        for ingredient in grid.lines:
            line = grid.line(ingredient, variant)
            if line is None:
                continue
            figure = figures[id(line)]
            milligrams = float(calcium[id(line)]["CA"]) / amounts.recipe.servings
            percent = np.nan if figure is None else figure["percent"]
            row = [label, ingredient, line.food.description, milligrams, percent, milligrams * percent / 100]
            rows.append(row + ["" if figure is None else figure[name] for name in texts])
    table = pd.DataFrame(rows, columns=columns)
    return table.assign(load_mg=pd.to_numeric(table["load_mg"].replace("", None)))


def absorbable_calcium(amounts: Amounts, labels: Collection[str] | None = None) -> pd.DataFrame:
    """Estimate how much of the calcium can be absorbed, from foods for which that is published.

    Parameters
    ----------
    amounts : Amounts
    labels : collection of str, optional
        Variants to list; all by default.

    Returns
    -------
    DataFrame
        Indexed by ``variant``: ``calcium_mg``, the total; ``with_published_fraction_mg``, what of it is in foods
        whose absorption is published; ``estimated_absorbable_mg``, the sum over those; ``share_covered`` of the known
        calcium [-]; ``whole``, whether the estimate covers all calcium; ``kinds`` of figures used, as in
        :data:`KINDS`, joined by a comma. Where nothing is published the estimate is NaN, not 0.

    Raises
    ------
    SwaptableError
        If there is no such variant.

    Notes
    -----
    Two variants can be compared only where about the same foods are covered: a food without a published figure brings
    nothing to the estimate, whatever the body gets from it.

    References
    ----------
    Weaver & Plawecki 1994, Am J Clin Nutr 59:1238S. Weaver, Proulx & Heaney 1999, Am J Clin Nutr 70:543S.
    """
    calcium = {key: float(values["CA"]) for key, values in _values(amounts, ["CA"]).items()}
    figures = {id(line): calcium_absorption_of(line.food) for line in _lines(amounts)}
    percents = {key: np.nan if row is None else float(row["percent"]) for key, row in figures.items()}
    absorbed = {key: calcium[key] * percents[key] / 100 for key in calcium}
    covered = {key: np.nan if np.isnan(percents[key]) else value for key, value in calcium.items()}
    servings = amounts.recipe.servings
    some = _total(amounts, {key: float(np.isfinite(value)) for key, value in covered.items()}) > 0
    known = (_total(amounts, covered) / servings).where(some)
    total = amounts.per("serving").sel(component="CA", drop=True)
    table = _table(
        amounts,
        labels,
        {
            "calcium_mg": total,
            "with_published_fraction_mg": known,
            "estimated_absorbable_mg": (_total(amounts, absorbed) / servings).where(some),
            "share_covered": _share(known, total),
        },
    )
    valued = _table(amounts, labels, {"whole": amounts.is_whole(["CA"])})["whole"] == 1
    table["whole"] = valued & (table["share_covered"] > WHOLE_SHARE)
    counts = {}
    for kind in KINDS:
        of_kind = {key: float(row is not None and row["kind"] == kind) for key, row in figures.items()}
        counts[kind] = _total(amounts, of_kind)
    used = _table(amounts, labels, counts)
    table["kinds"] = [", ".join(kind for kind in KINDS if row[kind] > 0) for _, row in used.iterrows()]
    return table


def _share(known: xr.DataArray, total: xr.DataArray) -> xr.DataArray:
    """Give the share of a total that is covered [-]; NaN where there is nothing to cover."""
    return (known.fillna(0.0) / total.where(total > 0)).clip(max=1.0)


def iron_forms(amounts: Amounts, labels: Collection[str] | None = None) -> pd.DataFrame:
    """Split iron into haem and non-haem, and tell what helps the absorption of the latter.

    Parameters
    ----------
    amounts : Amounts
    labels : collection of str, optional
        Variants to list; all by default.

    Returns
    -------
    DataFrame
        Indexed by ``variant``: ``iron_mg``; ``estimated_haem_iron_mg`` and ``estimated_non_haem_iron_mg`` of the foods
        whose share is known, NaN where that is none; ``haem_low_mg``, ``haem_high_mg``, what later analyses of such
        meats would give; ``share_covered`` of the known iron [-]; ``meat_fish_poultry_g``, as cooked, of foods that are
        nothing else; ``vitamin_c_mg``; ``whole``, whether the forms cover all iron; ``vitamin_c_whole``.

    Raises
    ------
    SwaptableError
        If there is no such variant.

    Notes
    -----
    Haem iron is taken as 40 % of the iron of meat, poultry and fish. Analyses since then found 21 to 81 %. No amount
    absorbed is given: the published models need phytate or the eater's iron stores.

    References
    ----------
    Monsen et al. 1978, Am J Clin Nutr 31:134. Cooper & Rondeau 2010, FASEB J 24:lb249. Pretorius, Schönfeldt & Hall
    2016, Food Chem.
    """
    iron = {key: float(values["FE"]) for key, values in _values(amounts, ["FE"]).items()}
    shares = {id(line): _haem_shares(line) for line in _lines(amounts)}
    servings = amounts.recipe.servings
    covered = {key: np.nan if np.isnan(shares[key][0]) else value for key, value in iron.items()}
    some = _total(amounts, {key: float(np.isfinite(value)) for key, value in covered.items()}) > 0
    known = (_total(amounts, covered) / servings).where(some)
    haem, low, high = (
        (_total(amounts, {key: iron[key] * shares[key][column] for key in iron}) / servings).where(some)
        for column in range(3)
    )
    flesh = {
        id(line): line.edible_g * line.cooking.yield_factor * float(shares[id(line)][0] > 0) for line in _lines(amounts)
    }
    per = amounts.per("serving")
    total = per.sel(component="FE", drop=True)
    table = _table(
        amounts,
        labels,
        {
            "iron_mg": total,
            "estimated_haem_iron_mg": haem,
            "haem_low_mg": low,
            "haem_high_mg": high,
            "estimated_non_haem_iron_mg": known - haem,
            "share_covered": _share(known, total),
            "meat_fish_poultry_g": _total(amounts, flesh) / servings,
            "vitamin_c_mg": per.sel(component="VITC", drop=True),
        },
    )
    whole = _table(amounts, labels, {tag: amounts.is_whole([tag]) for tag in ("FE", "VITC")}) == 1
    return table.assign(whole=whole["FE"] & (table["share_covered"] > WHOLE_SHARE), vitamin_c_whole=whole["VITC"])


def _haem_shares(line: Line) -> tuple[float, float, float]:
    """Give haem iron's share of a food's iron, and its published range [-]; the share itself where there is none."""
    row = haem_share_of(line.food)
    if row is None or np.isnan(row["percent"]):
        return np.nan, np.nan, np.nan
    share = float(row["percent"]) / 100
    low, high = (float(row[name]) / 100 if row[name] else share for name in ("low_percent", "high_percent"))
    return share, low, high


def _forms(
    amounts: Amounts, labels: Collection[str] | None, whole: str, names: dict[str, str], unit: str
) -> pd.DataFrame:
    """List the parts of a derived component, in its unit, and what of it no part accounts for."""
    per = amounts.per("serving")
    total = per.sel(component=whole, drop=True)
    parts = {part: per.sel(component=part, drop=True) * DERIVED_FROM[whole][part] for part in names}
    counted: xr.DataArray = sum(part.fillna(0.0) for part in parts.values())  # type: ignore[assignment]
    rest = total - counted
    columns = {f"{name}_{unit}": parts[part] for part, name in names.items()}
    columns[f"total_{unit}"] = total
    columns[f"not_told_apart_{unit}"] = rest.where(~(rest <= 1e-9 * total), 0.0)  # but for rounding
    table = _table(amounts, labels, columns)
    flags = {"whole": amounts.is_whole([whole]), "forms_whole": amounts.is_whole(names)}
    return table.join(_table(amounts, labels, flags) == 1)


def vitamin_a_forms(amounts: Amounts, labels: Collection[str] | None = None) -> pd.DataFrame:
    """Tell preformed vitamin A from that of carotenoids.

    Parameters
    ----------
    amounts : Amounts
    labels : collection of str, optional
        Variants to list; all by default.

    Returns
    -------
    DataFrame
        Indexed by ``variant``, in µg of retinol activity equivalents: ``retinol_ug_rae`` (preformed), then what 12 µg
        β-carotene, 24 µg α-carotene or 24 µg β-cryptoxanthin give, ``total_ug_rae``, and ``not_told_apart_ug_rae`` of
        foods that print a total alone; ``whole`` of the total, ``forms_whole`` of the forms. A form that no food has a
        value for is NaN.

    Raises
    ------
    SwaptableError
        If there is no such variant.

    References
    ----------
    Institute of Medicine 2001, Dietary Reference Intakes for Vitamin A ..., chapter 4.
    """
    names = {"RETOL": "retinol", "CARTB": "beta_carotene", "CARTA": "alpha_carotene", "CRYPX": "beta_cryptoxanthin"}
    return _forms(amounts, labels, "VITA_RAE", names, "ug_rae")


def folate_forms(amounts: Amounts, labels: Collection[str] | None = None) -> pd.DataFrame:
    """Tell the folate of foods from added folic acid.

    Parameters
    ----------
    amounts : Amounts
    labels : collection of str, optional
        Variants to list; all by default.

    Returns
    -------
    DataFrame
        Indexed by ``variant``: ``folic_acid_ug`` as such, what an upper level is compared with; then in µg of dietary
        folate equivalents ``food_folate_ug_dfe``, ``folic_acid_ug_dfe`` (1.7 times), ``total_ug_dfe`` and
        ``not_told_apart_ug_dfe`` of foods that print a total alone; ``whole`` of the total, ``forms_whole`` of the
        forms. A form that no food has a value for is NaN.

    Raises
    ------
    SwaptableError
        If there is no such variant.

    References
    ----------
    Institute of Medicine 1998, Dietary Reference Intakes for Thiamin ..., chapter 8.
    """
    table = _forms(amounts, labels, "FOLDFE", {"FOLFD": "food_folate", "FOLAC": "folic_acid"}, "ug_dfe")
    table.insert(0, "folic_acid_ug", table["folic_acid_ug_dfe"] / DERIVED_FROM["FOLDFE"]["FOLAC"])
    return table
