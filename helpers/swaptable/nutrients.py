"""Amounts on the grid: the broadcast sum, derived components, and what is known of each.

``amount[choices..., component] = Σ_i grams_i[own choices] · value[food_i, component] / 100 · retention_i``
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from swaptable.cooking import STATED
from swaptable.errors import SwaptableError, nearest
from swaptable.foods import FoodRelease
from swaptable.located_yaml import Place
from swaptable.recipes import Recipe
from swaptable.reference import FACTORS, kitchen_errors
from swaptable.units import (
    ALPHA_CAROTENE_PER_RAE,
    BETA_CAROTENE_PER_RAE,
    CRYPTOXANTHIN_PER_RAE,
    DFE_PER_FOLIC_ACID,
    GENERAL_KCAL_PER_GRAM,
    GENERAL_KCAL_PER_GRAM_ALCOHOL,
    IU_PER_MICROGRAM_VITAMIN_D,
    KCAL_PER_GRAM_ALCOHOL,
    KCAL_PER_GRAM_FAT_OF_MEAT,
    KJ_PER_KCAL,
    SALT_PER_SODIUM,
    TRYPTOPHAN_PER_NIACIN,
)
from swaptable.variants import Grid, Line

__all__ = [
    "BASES",
    "DERIVED_FROM",
    "WHOLE_SHARE",
    "Amounts",
    "amounts_table",
    "component_table",
    "compute",
    "ingredient_amounts",
    "line_values",
    "lines_table",
]

# A derived component is the sum of its parts, each times [unit of the whole per unit of the part].
DERIVED_FROM: dict[str, dict[str, float]] = {
    "VITA_RAE": {
        "RETOL": 1.0, "CARTB": 1 / BETA_CAROTENE_PER_RAE, "CARTA": 1 / ALPHA_CAROTENE_PER_RAE,
        "CRYPX": 1 / CRYPTOXANTHIN_PER_RAE,
    },
    "FOLDFE": {"FOLFD": 1.0, "FOLAC": DFE_PER_FOLIC_ACID},
    "VITD_IU": {"VITD": IU_PER_MICROGRAM_VITAMIN_D},
    "NIAEQ": {"NIA": 1.0, "TRP_G": 1000 / TRYPTOPHAN_PER_NIACIN},
    "NACL_EQ": {"NA": SALT_PER_SODIUM / 1000},
    "ENERC_KCAL_GENERAL": GENERAL_KCAL_PER_GRAM,
}  # fmt: skip
# Beyond these a weighed dish is challenged: it cannot outweigh its ingredients, nor often lose so much.
MOST_OF_LISTED, LEAST_OF_ESTIMATE = 1.05, 0.6
_LIPID = re.compile(r"F(?:\d+D|ASAT|AMS|APU|ATRN|AT$)")  # fat, its fatty acids and their sums
WHOLE_SHARE = 1 - 1e-9  # of the weight that has a value: all of it, but for rounding
BASES = ("batch", "serving", "100 g", "100 kcal")
_DERIVED = pd.DataFrame(
    [
        ("NIAEQ", "mg", "Niacin equivalents (niacin + tryptophan / 60)"),
        ("NACL_EQ", "g", "Salt equivalent (sodium × 2.5)"),
        ("ENERC_KCAL_GENERAL", "kcal", "Energy by the general factors 4, 9, 4 and 7"),
    ],
    columns=["component", "unit", "name"],
)


@dataclass(frozen=True, eq=False)
class Amounts:
    """A computed recipe.

    Attributes
    ----------
    grid : Grid
    data : Dataset
        Over the choices, and ``component`` where it applies; coordinate ``unit`` along ``component``:

        ``per_batch`` amount in the whole dish, in ``unit``: the sum over what is known, NaN where nothing is;
        ``known_share`` share of the dish's raw edible weight whose food has a value [-]; ``valued_share`` the same,
        imputed values counted as well;
        ``edible_g`` raw edible weight [g]; ``cooked_g`` weight as eaten, ``cooked_sd_g`` its standard deviation [g];
        ``allowed`` whether the options go together. Variants that are not allowed are NaN throughout.
    cooked_weight_origin : str
        How ``cooked_g`` was found.
    """

    grid: Grid
    data: xr.Dataset
    cooked_weight_origin: str

    @property
    def recipe(self) -> Recipe:
        """The recipe as its file says."""
        return self.grid.recipe

    @property
    def source_line(self) -> str:
        """Where the numbers are from, for the foot of a chart."""
        release = self.grid.release.manifest
        corrected = "" if self.grid.factors == FACTORS[0] else ", corrected by measured pairs"
        return (
            f"Estimate. Foods: {release['name'].upper()} ({release['released']}). "
            f"Retention factors: USDA Release 6 (2007){corrected}."
        )

    def units(self) -> pd.Series:
        """Give the unit of each component."""
        return pd.Series(self.data["unit"].to_numpy(), index=self.data["component"].to_numpy())

    def per(self, basis: str) -> xr.DataArray:
        """Give the amounts on a basis.

        Parameters
        ----------
        basis : str
            ``"batch"``, ``"serving"``, ``"100 g"`` (as eaten) or ``"100 kcal"``.

        Returns
        -------
        DataArray
            Over the choices and ``component``, in the unit of each component.

        Raises
        ------
        SwaptableError
            If there is no such basis.
        """
        batch = self.data["per_batch"]
        if basis == "batch":
            return batch
        if basis == "serving":
            return batch / self.recipe.servings
        if basis == "100 g":
            return batch / self.data["cooked_g"] * 100
        if basis == "100 kcal":
            energy = batch.sel(component="ENERC_KCAL", drop=True)
            return batch / energy.where(energy > 0) * 100
        raise SwaptableError(f"found basis '{basis}'; expected one of {', '.join(BASES)}{nearest(basis, BASES)}")

    def share_per(self, basis: str, share: str = "known_share") -> xr.DataArray:
        """Share of the weight that is known, or valued [-]; per 100 kcal the energy must be known as well."""
        shares = self.data[share]
        energy = shares.sel(component="ENERC_KCAL", drop=True)
        return shares.where(shares < energy, energy) if basis == "100 kcal" else shares


def component_table(release: FoodRelease) -> pd.DataFrame:
    """Name every component of a computed recipe: those of the release, then the derived ones.

    Parameters
    ----------
    release : FoodRelease

    Returns
    -------
    DataFrame
        ``component``, ``unit`` and ``name``.
    """
    return pd.concat([release.components.reset_index()[["component", "unit", "name"]], _DERIVED], ignore_index=True)


def line_values(line: Line, release: FoodRelease) -> pd.Series:
    """Give what 100 g of raw edible food hold once it is cooked, derived components included.

    Parameters
    ----------
    line : Line
    release : FoodRelease

    Returns
    -------
    Series
        By component, per 100 g raw edible weight, in the unit of each; NaN is missing. Water is left raw, since
        its change is known only for the whole dish.

    Notes
    -----
    Vitamin A is summed from what is kept of retinol and the carotenoids, folate equivalents from food folate
    and folic acid (Institute of Medicine 2001 and 1998). Where a food lacks the parts, its printed total is
    used with the factor for the total. Alcohol that leaves takes its energy along (USDA Handbook 74); a food
    that lists no alcohol counts as having none in this energy and in the general-factor one.
    """
    raw = release.values(line.food.code)
    factors = pd.Series(line.cooking.factor_for(raw.index), index=raw.index)
    share = factors.fillna(1.0)
    kept = raw * share
    alcohol_kept, alcohol_lost = np.nan_to_num(kept["ALC"]), np.nan_to_num(raw["ALC"] - kept["ALC"])
    if line.cooking.sodium_taken_up:
        kept = kept.copy()
        kept["NA"] += line.cooking.sodium_taken_up
    if line.cooking.fat_lost:
        kept = _without_fat(kept, _fat_lost(line, release))

    derived = {whole: sum(kept[part] * per for part, per in parts.items()) for whole, parts in DERIVED_FROM.items()}
    derived["VITA_RAE"] = _first_known(derived["VITA_RAE"], kept["VITA_RAE"])
    derived["FOLDFE"] = _first_known(derived["FOLDFE"], raw["FOLDFE"] * share["FOL"])
    derived["VITD_IU"] = _first_known(derived["VITD_IU"], kept["VITD_IU"])
    derived["ENERC_KCAL_GENERAL"] += GENERAL_KCAL_PER_GRAM_ALCOHOL * alcohol_kept
    derived["ENERC_KCAL"] = kept["ENERC_KCAL"] - KCAL_PER_GRAM_ALCOHOL * alcohol_lost
    derived["ENERC_KJ"] = kept["ENERC_KJ"] - KCAL_PER_GRAM_ALCOHOL * KJ_PER_KCAL * alcohol_lost
    values = kept.reindex([*raw.index, *_DERIVED["component"]])
    for component, value in derived.items():
        values[component] = value
    return values


def _fat_lost(line: Line, release: FoodRelease) -> float:
    """Give the fat that ran off, no more than there was [g per 100 g raw]."""
    return float(np.nan_to_num(np.fmin(line.cooking.fat_lost, release.values(line.food.code)["FAT"])))


def _without_fat(kept: pd.Series, lost: float) -> pd.Series:
    """Take off the fat that ran off, its fatty acids in proportion and its energy with it."""
    lipids = [component for component in kept.index if _LIPID.match(component)]
    kept = kept.copy()
    kept[lipids] *= 1 - lost / kept["FAT"] if kept["FAT"] > 0 else 1.0
    kept["ENERC_KCAL"] -= KCAL_PER_GRAM_FAT_OF_MEAT * lost
    kept["ENERC_KJ"] -= KCAL_PER_GRAM_FAT_OF_MEAT * KJ_PER_KCAL * lost
    return kept


def _first_known(value: float, otherwise: float) -> float:
    return otherwise if np.isnan(value) else value


@dataclass(frozen=True, eq=False)
class _IngredientTable:
    """One ingredient over its own choices: what it brings to the batch."""

    amount: xr.DataArray  # own choices × component
    known_g: xr.DataArray  # the same: its weight where the release has a value, else 0
    valued_g: xr.DataArray  # the same, imputed values counted as well
    edible_g: xr.DataArray  # own choices
    soaked_g: xr.DataArray  # edible weight, with the water that it soaks up and that is no ingredient
    cooked_g: xr.DataArray
    cooked_variance: xr.DataArray  # of cooked_g [g²]
    other_lost_g: xr.DataArray  # alcohol and fat that left


def _ingredient_table(grid: Grid, ingredient: str, components: list[str]) -> _IngredientTable:
    own = grid.own_choices(ingredient)
    coords = {choice: list(grid.choices[choice]) for choice in own}
    shape = [len(options) for options in coords.values()]
    amount = np.zeros([*shape, len(components)])
    known, valued = np.zeros_like(amount), np.zeros_like(amount)
    edible, soaked, cooked, variance, lost = (np.zeros(shape) for _ in range(5))
    for options, line in grid.lines[ingredient].items():
        at = tuple(coords[choice].index(option) for choice, option in options)
        values = line_values(line, grid.release).to_numpy(dtype=float)
        amount[at] = line.edible_g * np.nan_to_num(values) / 100
        valued[at] = line.edible_g * ~np.isnan(values)
        published = values
        if grid.release.published is not grid.release:
            published = line_values(line, grid.release.published).to_numpy(dtype=float)
        known[at] = line.edible_g * ~np.isnan(published)
        edible[at] = line.edible_g
        soaked[at] = line.edible_g * max(line.cooking.yield_factor, 1.0)
        raw_alcohol = grid.release.values(line.food.code)["ALC"] * line.edible_g / 100
        alcohol = np.nan_to_num(raw_alcohol) - amount[(*at, components.index("ALC"))]
        variance[at] = (line.edible_g * line.cooking.yield_sd) ** 2
        lost[at] = alcohol + _fat_lost(line, grid.release) * line.edible_g / 100
        stated = line.cooking.yield_origin == STATED
        cooked[at] = line.edible_g * line.cooking.yield_factor - (0.0 if stated else alcohol)
    full = {**coords, "component": components}
    return _IngredientTable(
        *(xr.DataArray(array, coords=full, dims=list(full)) for array in (amount, known, valued)),
        *(xr.DataArray(array, coords=coords, dims=list(coords)) for array in (edible, soaked, cooked, variance, lost)),
    )


def _total(tables: list[xr.DataArray], grid: Grid) -> xr.DataArray:
    """Sum over ingredients, each broadcast from its own choices to the whole grid."""
    total = sum(tables[1:], tables[0])
    sizes = {choice: list(options) for choice, options in grid.choices.items()}
    return total.broadcast_like(grid.allowed).transpose(*sizes, ...).where(grid.allowed)


def _cooked_weight(grid: Grid, soaked: xr.DataArray, estimated: xr.DataArray) -> tuple[xr.DataArray, str]:
    """Find the weight as eaten: a weighed dish gives the yield of the recipe, an option's own weight corrects it."""
    recipe = grid.recipe
    written = grid.as_written
    cooked, origin = estimated, "estimated from the yield of each ingredient"
    if recipe.cooked_weight is not None:
        cooked = soaked * (recipe.cooked_weight / float(soaked.sel(written)))
        origin = f"weighed for the recipe as written ({recipe.cooked_weight:.4g} g); the same yield for its variants"
        origin += _doubt(recipe.cooked_weight, float(soaked.sel(written)), float(estimated.sel(written)))
    for choice, options in recipe.choices.items():
        weighed = {name: option.cooked_weight for name, option in options.items() if option.cooked_weight is not None}
        if not weighed:
            continue
        ratio = xr.DataArray(np.ones(len(options)), coords={choice: list(options)}, dims=[choice])
        for name, grams in weighed.items():
            alone = float(cooked.sel({**written, choice: name}))
            if np.isnan(alone):
                problem = f"'{name}' alone is excluded under 'not together'; its dish cannot be weighed by itself"
                raise recipe.source.error(("choices", choice, name, "cooked weight"), problem)
            ratio.loc[{choice: name}] = grams / alone
        cooked = cooked * ratio
        origin += f"; weighed for {', '.join(weighed)}"
    return cooked, origin


def _weighed(grid: Grid) -> xr.DataArray:
    """Tell for which variants a dish was weighed: the recipe's, or that of one of its options."""
    weighed = xr.full_like(grid.allowed, grid.recipe.cooked_weight is not None)
    for choice, options in grid.recipe.choices.items():
        for name, option in options.items():
            if option.cooked_weight is not None:
                weighed.loc[{choice: name}] = True
    return weighed


def _doubt(weighed: float, listed: float, estimated: float) -> str:
    """Challenge a weighed dish that its ingredients can hardly make; it is used all the same."""
    if weighed > MOST_OF_LISTED * listed:
        return f". Implausible: everything listed weighs {listed:.4g} g; check the scale, or list what it soaked up"
    if weighed < LEAST_OF_ESTIMATE * estimated:
        return f". Implausible: published yields give {estimated:.4g} g; check the scale"
    return ""


def _check_water(grid: Grid, water: xr.DataArray, cooked: xr.DataArray) -> None:
    """Refuse a weighed dish that is lighter than its solids and fat, at the place where its weight is stated."""
    recipe = grid.recipe
    if not bool((water < -0.005 * cooked).any()):
        return
    for variant in grid.variants():
        if not float(water.sel(variant)) < -0.005 * float(cooked.sel(variant)):
            continue
        place: Place | None = ("cooked weight",) if recipe.cooked_weight is not None else None
        for choice, option in variant.items():
            if recipe.choices[choice][option].cooked_weight is not None:
                place = ("choices", choice, option, "cooked weight")
        if place is None:
            continue
        grams = f"{float(cooked.sel(variant)):.4g} g"
        problem = f"found a cooked weight of {grams} for '{grid.label(variant)}', less than its solids and fat weigh"
        raise recipe.source.error(place, problem)


def compute(grid: Grid) -> Amounts:
    """Compute every component of every variant.

    Parameters
    ----------
    grid : Grid

    Returns
    -------
    Amounts

    Raises
    ------
    InputError
        If the cooked weight leaves less than no water.

    Notes
    -----
    Whatever weight the dish loses or gains in cooking, but for alcohol and fat that leave, is taken as water
    (Greenfield & Southgate 2003, Food Composition Data, FAO, on dishes).
    """
    table = component_table(grid.release)
    components = list(table["component"])
    parts = [_ingredient_table(grid, name, components) for name in grid.lines]
    edible = _total([part.edible_g for part in parts], grid)
    if not float(edible.sel(grid.as_written)) > 0:
        raise grid.recipe.source.error(("ingredients",), "weigh nothing as written; expected an amount above 0")
    estimated = _total([part.cooked_g for part in parts], grid)
    cooked, origin = _cooked_weight(grid, _total([part.soaked_g for part in parts], grid), estimated)

    cooked_sd = _total([part.cooked_variance for part in parts], grid) ** 0.5
    cooked_sd = cooked_sd.where(~_weighed(grid), cooked * kitchen_errors()["weighed dish"])
    share = _total([part.known_g for part in parts], grid) / edible
    valued = _total([part.valued_g for part in parts], grid) / edible
    batch = _total([part.amount for part in parts], grid)
    lost = _total([part.other_lost_g for part in parts], grid)
    water = batch.sel(component="WATER", drop=True) + (cooked - edible) + lost
    water = water.where(share.sel(component="WATER", drop=True) > WHOLE_SHARE)  # else nobody knows what is left
    _check_water(grid, water, cooked)
    water = water.where(water >= 0)  # published yields count the fat that runs off: what water is left is not known
    batch = xr.where(batch["component"] == "WATER", water, batch).transpose(*batch.dims)
    data = xr.Dataset(
        {
            "per_batch": batch.where(valued > 0),
            "known_share": share,
            "valued_share": valued,
            "edible_g": edible,
            "cooked_g": cooked,
            "cooked_sd_g": cooked_sd,
            "allowed": grid.allowed,
        }
    )
    data = data.assign_coords(unit=("component", list(table["unit"])), name=("component", list(table["name"])))
    return Amounts(grid, data, origin)


def ingredient_amounts(amounts: Amounts, component: str, basis: str = "serving") -> pd.DataFrame:
    """Give what each ingredient brings to each allowed variant.

    Parameters
    ----------
    amounts : Amounts
    component : str
        INFOODS tag other than ``WATER``, whose change belongs to the whole dish.
    basis : str, optional
        One of :data:`BASES`.

    Returns
    -------
    DataFrame
        One row per allowed variant (its label as index), one column per ingredient, in the unit of the
        component; NaN where the ingredient has no value, 0 where it is not in the dish. Rows add up to the
        variant's known amount.
    """
    grid = amounts.grid
    scale = (amounts.per(basis) / amounts.data["per_batch"]).where(amounts.data["per_batch"] != 0, 1.0)
    per_line = {
        id(line): line_values(line, grid.release)[component] * line.edible_g / 100
        for lines in grid.lines.values()
        for line in lines.values()
    }
    rows: dict[str, dict[str, float]] = {}
    for variant in grid.variants():
        factor = float(scale.sel({**variant, "component": component}))
        lines = {name: grid.line(name, variant) for name in grid.lines}
        rows[grid.label(variant)] = {
            name: 0.0 if line is None else float(per_line[id(line)]) * factor for name, line in lines.items()
        }
    return pd.DataFrame.from_dict(rows, orient="index")


def amounts_table(
    amounts: Amounts, components: Iterable[str] | None = None, bases: Iterable[str] = BASES
) -> pd.DataFrame:
    """Give the tidy table of a computed recipe.

    Parameters
    ----------
    amounts : Amounts
    components : iterable of str, optional
        INFOODS tags; all by default.
    bases : iterable of str, optional
        Of :data:`BASES`; all by default.

    Returns
    -------
    DataFrame
        One row per allowed variant, component and basis: a column for each choice, then ``component``,
        ``unit``, ``basis``, ``amount`` (NaN if missing), ``known_share`` [-] and ``status``: ``complete``,
        ``lower bound`` (some of the weight has no value), ``imputed in part`` or ``missing``.
    """
    wanted = list(amounts.data["component"].to_numpy()) if components is None else list(components)
    choices = list(amounts.grid.choices)
    tables = []
    for basis in bases:
        both = xr.Dataset(
            {
                "amount": amounts.per(basis),
                "known_share": amounts.share_per(basis),
                "valued_share": amounts.share_per(basis, "valued_share"),
            }
        )
        both = both.sel(component=wanted).assign(allowed=amounts.data["allowed"])
        table = both.to_dataframe(dim_order=[*choices, "component"]).reset_index()
        tables.append(table[table["allowed"]].assign(basis=f"per {basis}"))
    table = pd.concat(tables, ignore_index=True)
    table["status"] = np.select(
        [table["amount"].isna(), table["valued_share"] < WHOLE_SHARE, table["known_share"] < WHOLE_SHARE],
        ["missing", "lower bound", "imputed in part"],
        default="complete",
    )
    return table[[*choices, "component", "unit", "basis", "amount", "known_share", "status"]]


def lines_table(amounts: Amounts) -> pd.DataFrame:
    """Say how every ingredient was weighed and cooked.

    Returns
    -------
    DataFrame
        One row per ingredient and combination of its own choices: what it weighs [g], where the weight, the
        retention and the yield came from, and what to know.
    """
    rows = []
    for name, lines in amounts.grid.lines.items():
        for options, line in lines.items():
            cooking = line.cooking
            rows.append(
                {
                    "ingredient": name,
                    "options": ", ".join(f"{choice}: {option}" for choice, option in options),
                    "food": amounts.grid.release.full_code(line.food.code),
                    "description": line.food.description,
                    "edible_g": line.edible_g,
                    "as_purchased_g": line.purchased_g,
                    "weight_from": line.weight_origin,
                    "weight_evidence": line.weight_evidence,
                    "food_class": cooking.food_class,
                    "process": cooking.process,
                    "liquid_kept": cooking.liquid,
                    "retention_rows": "+".join(cooking.rows),
                    "yield_factor": cooking.yield_factor,
                    "yield_from": cooking.yield_origin,
                    "yield_evidence": cooking.yield_evidence,
                    "notes": "; ".join(cooking.notes),
                }
            )
    return pd.DataFrame(rows)
