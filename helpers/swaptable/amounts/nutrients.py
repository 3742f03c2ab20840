"""Amounts on the grid: the broadcast sum of what the ingredients bring, and what is known of each.

``amount[choices..., component] = Σ_i grams_i[own choices] · value[food_i, component] / 100 · retention_i``
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from swaptable.amounts.composition import DERIVED_FROM, component_table, layout_of
from swaptable.amounts.dish import WHOLE_SHARE, View, dish_of
from swaptable.amounts.line_arrays import cooked_lines, food_rows
from swaptable.amounts.lines import Line
from swaptable.amounts.recipes import Recipe
from swaptable.amounts.totals import Totals, sum_up
from swaptable.amounts.variants import MOST_LISTED, Grid
from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.foods.cooking_factors import FACTORS
from swaptable.foods.release import FoodRelease

__all__ = [
    "BASES",
    "DERIVED_FROM",
    "WHOLE_SHARE",
    "Amounts",
    "amounts_of",
    "amounts_table",
    "component_table",
    "compute",
    "ingredient_amounts",
    "line_values",
    "lines_table",
]

STATUS = ("missing", "lower bound", "imputed in part", "complete")
BASES = ("batch", "serving", "100 g", "100 kcal")


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

    def places(self, components: Sequence[str]) -> np.ndarray:
        """Give the places of components, by INFOODS tag.

        Raises
        ------
        SwaptableError
            If one was not computed.
        """
        places = self.data.indexes["component"].get_indexer(list(components))
        if (places < 0).any():
            unknown = components[int(np.flatnonzero(places < 0)[0])]
            computed = listed(self.data.indexes["component"], 20)
            raise SwaptableError(f"found component '{unknown}', which was not computed; there are {computed}")
        return np.asarray(places)

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
            If there is no such basis, or energy was not computed.
        """
        batch = self.data["per_batch"]
        if basis == "batch":
            return batch
        if basis == "serving":
            return batch / self.recipe.servings
        if basis == "100 g":
            return batch / self.data["cooked_g"] * 100
        if basis == "100 kcal":
            self.places(["ENERC_KCAL"])
            energy = batch.sel(component="ENERC_KCAL", drop=True)
            return batch / energy.where(energy > 0) * 100
        raise SwaptableError(f"found basis '{basis}'; expected one of {', '.join(BASES)}{nearest(basis, BASES)}")

    def share_per(self, basis: str, share: str = "known_share") -> xr.DataArray:
        """Share of the weight that is known, or valued [-]; per 100 kcal the energy must be known as well."""
        shares = self.data[share]
        if basis != "100 kcal":
            return shares
        energy = shares.sel(component="ENERC_KCAL", drop=True)
        return shares.where(shares < energy, energy)

    def is_whole(self, components: Iterable[str], basis: str = "batch") -> xr.DataArray:
        """Tell where all of some components have a value in all of the weight, and per 100 kcal the energy too."""
        return self.share_per(basis, "valued_share").sel(component=list(components)).min("component") > WHOLE_SHARE


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
        its change is known only for the whole dish. See :func:`swaptable.amounts.composition.cooked_values`.
    """
    layout = layout_of(release)
    values = cooked_lines([line], food_rows(release, [line.food.code]), release, layout)[-1]
    return pd.Series(values[0], index=layout.components)


def amounts_of(totals: Totals, grid: Grid) -> Amounts:
    """Give a dish that was summed its labels.

    Parameters
    ----------
    totals : Totals
    grid : Grid
        Whose choices are the dimensions of the totals.
    """
    layout, dims = totals.dish.layout, list(grid.choices)
    forbidden = ~totals.allowed

    def labelled(values: np.ndarray, *component: str) -> xr.Variable:
        # each with an array of its own, which whoever gets the amounts may change
        values = np.array(np.broadcast_to(values, (*values.shape[: len(component)], *totals.allowed.shape)))
        values[..., forbidden] = np.nan
        return xr.Variable([*component, *dims], values).transpose(*dims, *component)

    data = {
        "per_batch": labelled(totals.amounts, "component"),
        "known_share": labelled(totals.known_share, "component"),
        "valued_share": labelled(totals.valued_share, "component"),
        "edible_g": labelled(totals.edible_g),
        "cooked_g": labelled(totals.cooked_g),
        "cooked_sd_g": labelled(totals.cooked_sd_g),
        "allowed": xr.Variable(dims, totals.allowed),
    }
    labels = {choice: list(options) for choice, options in grid.choices.items()}
    along = {name: ("component", list(of)) for name, of in (("unit", layout.units), ("name", layout.names))}
    coords = labels | {"component": list(layout.wanted)} | along
    return Amounts(grid, xr.Dataset(data, coords=coords), totals.dish.weighing.origin)


def compute(grid: Grid, components: Sequence[str] = ()) -> Amounts:
    """Compute every variant.

    Parameters
    ----------
    grid : Grid
    components : sequence of str, optional
        INFOODS tags; all by default. Only these are computed, and the parts of derived ones.

    Returns
    -------
    Amounts

    Raises
    ------
    InputError
        If the cooked weight leaves less than no water, or there are more variants than a table lists.
    """
    if grid.combinations > MOST_LISTED:
        grid.refuse_to_list(f"leave out {listed(_least_changing(grid), 6)}, which change sodium least")
    return amounts_of(sum_up(dish_of(grid, tuple(components))), grid)


def _least_changing(grid: Grid) -> list[str]:
    """Name so many choices that the others can be listed: those of which each alone changes sodium least."""
    codes = np.zeros((1 + sum(grid.sizes), len(grid.sizes)), dtype=int)
    of_choice = np.repeat(np.arange(len(grid.sizes)), grid.sizes)
    codes[np.arange(1, len(codes)), of_choice] = np.concatenate([np.arange(size) for size in grid.sizes])
    view = View({0: len(codes)}, codes=codes)
    sodium = np.where(view.allowed(grid), sum_up(dish_of(grid, ("NA",)), view).amounts[0], np.nan)
    changed = np.nan_to_num(np.abs(sodium[1:] - sodium[0]))
    most = [changed[of_choice == axis].max() for axis in range(len(grid.sizes))]
    left, dropped = grid.combinations, list[str]()
    for axis in sorted(range(len(grid.sizes)), key=lambda each: most[each]):
        if left > MOST_LISTED:
            left, dropped = left // grid.sizes[axis], [*dropped, list(grid.choices)[axis]]
    return dropped


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
    grid, of_bases = amounts.grid, list(bases)
    tags = list(amounts.data["component"].to_numpy()) if components is None else list(components)
    places = amounts.places(tags)
    units = amounts.data["unit"].to_numpy()[places]
    codes, count = grid.codes, len(of_bases)
    cells = np.repeat(np.arange(len(codes)), len(tags)), np.tile(np.arange(len(tags)), len(codes))
    columns: dict[str, object] = {}
    for axis, (choice, options) in enumerate(grid.choices.items()):
        columns[choice] = _column(options, np.tile(codes[cells[0], axis], count))
    columns["component"] = _column(tags, np.tile(cells[1], count))
    columns["unit"] = _column(units, np.tile(cells[1], count))
    columns["basis"] = _column([f"per {basis}" for basis in of_bases], np.repeat(np.arange(count), len(cells[0])))
    amount = _cells([amounts.per(basis) for basis in of_bases], grid, places)
    known = _cells([amounts.share_per(basis) for basis in of_bases], grid, places)
    valued = _cells([amounts.share_per(basis, "valued_share") for basis in of_bases], grid, places)
    status = np.select([np.isnan(amount), valued < WHOLE_SHARE, known < WHOLE_SHARE], [0, 1, 2], default=3)
    columns |= {"amount": amount, "known_share": known, "status": _column(STATUS, status)}
    return pd.DataFrame(columns)


def _column(labels: Sequence[str] | np.ndarray, codes: np.ndarray) -> object:
    """Give a column of texts by the places of its labels; made of the labels alone, it is made at once."""
    return pd.array([str(label) for label in labels], dtype="str").take(codes)


def _cells(values: Sequence[xr.DataArray], grid: Grid, places: np.ndarray) -> np.ndarray:
    """List arrays over the choices and ``component``, one after the other: allowed variants × some components."""
    return np.concatenate([grid.listed_rows(each)[:, places].ravel() for each in values])


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
