"""One study: a recipe's variants for one audience, with every table that a report shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from swaptable.amounts.certainty import certainty_of, effect_errors, evidence_shares, index_certainty
from swaptable.amounts.comparison import choice_effects, differences, frontier, variant_values
from swaptable.amounts.cost import cost_table, read_prices
from swaptable.amounts.nutrients import (
    WHOLE_SHARE,
    Amounts,
    amounts_table,
    compute,
    ingredient_amounts,
    lines_table,
)
from swaptable.amounts.recipes import read_recipe
from swaptable.amounts.variants import Grid, build_grid
from swaptable.basics.errors import SwaptableError, nearest
from swaptable.basics.folders import find_file
from swaptable.foods.cooking_factors import FACTORS
from swaptable.foods.imputation import fill_gaps
from swaptable.foods.joined import open_release
from swaptable.foods.reference import Z, component_label, component_named
from swaptable.judging.audiences import Audience, read_audience
from swaptable.judging.cautions import READ_FIRST_CONCERNS, swap_concerns
from swaptable.judging.daily_values import REGIMES, daily_value_word, percent_daily_value, valued_as
from swaptable.judging.density import (
    NRF_FORMS,
    chosen_density,
    index_components,
    index_effect_errors,
    nutrient_rich_foods_index,
)
from swaptable.judging.targets import day_targets, find_aims

__all__ = ["Study", "compute_recipe", "grid_of_recipe", "study_recipe"]

NRF_COLUMNS = dict(zip(NRF_FORMS, ("nrf93_2009_per_100kcal", "nrf93_2016_per_100kcal"), strict=True))
NRF = NRF_COLUMNS[NRF_FORMS[0]]  # the form of the charts
GAPS = ("left", "filled")
MOST_ROWS = 24  # what a chart can show at slide size


@dataclass(frozen=True, eq=False)
class Study:
    """A recipe computed and compared for one audience.

    Attributes
    ----------
    amounts : Amounts
    audience : Audience
    day_targets : DataFrame
        What a day should bring each group, from :func:`swaptable.judging.targets.day_targets`.
    regime : str
        Labelling regime of the charts, ``"US"`` or ``"CA"``.
    basis : str
        Basis of differences, contributions and effects.
    components : tuple of str
        What is compared: sodium first, then what the user or the audience asks for.
    variants : DataFrame
        One row per variant: its options, sodium per serving in mg and percent daily value with each regime's
        word, nutrient density, energy, weight and cost, and whether it is on the frontier.
    percent_is_whole : DataFrame
        Like ``percent_daily_value``: whether all of the weight has a value; else the percentage is a lower bound.
    differences, percent_daily_value, sodium_by_ingredient, effects, ingredients, evidence : DataFrame
        As made by :mod:`swaptable.amounts.comparison`, :mod:`swaptable.judging.daily_values` and
        :mod:`swaptable.amounts.nutrients`.
    """

    amounts: Amounts
    audience: Audience
    day_targets: pd.DataFrame
    regime: str
    basis: str
    components: tuple[str, ...]
    variants: pd.DataFrame
    differences: pd.DataFrame
    percent_daily_value: pd.DataFrame
    percent_is_whole: pd.DataFrame
    sodium_by_ingredient: pd.DataFrame
    effects: pd.DataFrame
    ingredients: pd.DataFrame
    evidence: pd.DataFrame

    @property
    def title(self) -> str:
        """Title of the recipe."""
        return self.amounts.recipe.title

    @property
    def source_line(self) -> str:
        """Where the numbers are from, for the foot of a chart."""
        return self.amounts.source_line

    @property
    def read_first(self) -> pd.Series:
        """By variant, the cautions to read before it is praised: on the class's concerns, for everyone on salts."""
        salts = swap_concerns(self.amounts, READ_FIRST_CONCERNS)
        both = zip(self.variants["concerns_of_class"], salts, strict=True)
        return pd.Series([" and ".join(filter(None, words)) for words in both], index=self.variants.index)

    @property
    def variants_to_read(self) -> pd.DataFrame:
        """The variants without the columns that only repeat their label, names fit for a page."""
        names = {
            "sodium_mg_per_serving": "Sodium [mg]",
            "sodium_interval": "90 % interval [mg]",
            **{f"sodium_percent_dv_{code}": f"Sodium [% DV {code}]" for code in REGIMES},
            **{f"sodium_word_{code}": f"Sodium is ({code})" for code in REGIMES},
            "nrf93_2009_per_100kcal": "Index 9.3, 2009 form [per 100 kcal]",
            "nrf93_2009_interval": "90 % interval [per 100 kcal]",
            "nrf93_2016_per_100kcal": "Index 9.3, 2016 daily values [per 100 kcal]",
            "mean_percent_dv_per_100kcal": "Audience's nutrients [mean % DV per 100 kcal]",
            "read_first": "Read the caution on",
            "energy_kcal_per_serving": "Energy [kcal]",
            "cooked_g_per_serving": "Weight [g]",
        }
        table = self.variants.assign(
            read_first=self.read_first,
            sodium_interval=_interval_texts(self.variants, "sodium_mg_per_serving", "sodium_standard_error", least=0.0),
            nrf93_2009_interval=_interval_texts(self.variants, NRF, "nrf93_2009_standard_error"),
        )
        if "cost_per_serving" in table:
            names["cost_per_serving"] = f"Cost [{table['currency'].iloc[0]}]"
            money = table["cost_per_serving"]
            table["cost_per_serving"] = money.map("{:,.2f}".format).where(money.notna(), "not known")
        if table["mean_percent_dv_per_100kcal"].isna().all():  # an audience that raises nothing
            del names["mean_percent_dv_per_100kcal"]
        if not self.read_first.any():
            del names["read_first"]
        return table[list(names)].rename(columns=names)

    @property
    def ingredients_to_read(self) -> pd.DataFrame:
        """What each ingredient is, weighs and undergoes, names fit for a page."""
        table = self.ingredients
        retention = table["retention_rows"].where(table["retention_rows"] != "", "none")
        cooking = (table["food_class"] + ", " + table["process"]).where(table["process"] != "", "not cooked")
        return pd.DataFrame(
            {
                "Ingredient": table["ingredient"],
                "With": table["options"],
                "Food": table["description"] + " (" + table["food"] + ")",
                "Edible [g]": table["edible_g"],
                "Weight from": table["weight_from"] + ": " + table["weight_evidence"],
                "Cooking": cooking,
                "Retention rows": retention,
                "Yield": table["yield_factor"],
                "Yield from": table["yield_from"] + ": " + table["yield_evidence"],
                "Notes": table["notes"],
            }
        ).set_index("Ingredient")

    @property
    def evidence_to_read(self) -> pd.DataFrame:
        """What the amounts as written rest on, in percent, names fit for a page."""
        return (100 * self.evidence).rename(index=component_label).rename(columns=lambda label: f"{label} [%]")

    def shown(self) -> list[str]:
        """Pick the variants for a chart: all if they fit, else as written, single changes, frontier, least sodium."""
        table = self.variants
        if len(table) <= MOST_ROWS:
            return list(table.index)
        by_sodium = table.sort_values("sodium_mg_per_serving")
        order = [
            table.index[0],
            *table.index[table["changes"] == 1],
            *by_sodium.index[by_sodium["on_frontier"]],
            *by_sodium.index,
        ]
        kept = set(list(dict.fromkeys(order))[:MOST_ROWS])
        return [label for label in table.index if label in kept]

    def tables(self) -> dict[str, pd.DataFrame]:
        """Name every table that goes with a report."""
        return {
            "variants": self.variants.reset_index(),
            "amounts": amounts_table(self.amounts),
            "differences": self.differences,
            "percent_daily_value": self.percent_daily_value.rename_axis("variant").reset_index(),
            "sodium_by_ingredient": self.sodium_by_ingredient.rename_axis("variant").reset_index(),
            "effects": self.effects,
            "ingredients": self.ingredients,
            "evidence": self.evidence.rename_axis("component").reset_index(),
        }


def compute_recipe(
    recipe: str | Path, release: str | Path = "current", factors: str = FACTORS[0], gaps: str = GAPS[0]
) -> Amounts:
    """Read a recipe and compute all its variants.

    Parameters
    ----------
    recipe : str or Path
        File, or the name of one in ``data/recipes/``.
    release : str or Path, optional
        Food release.
    factors : str, optional
        Retention factors, ``"published"`` or ``"estimated"``.
    gaps : str, optional
        Missing values are ``"left"`` out, or ``"filled"`` with imputed ones.

    Returns
    -------
    Amounts

    Raises
    ------
    InputError
        With the place in the file.

    Examples
    --------
    >>> amounts = compute_recipe("oat_pancakes")
    >>> sodium = amounts.per("serving").sel(component="NA")
    >>> sodium.dims
    ('milk', 'yogurt', 'raising')
    >>> as_written = sodium.sel(milk="milk", yogurt="low-fat yogurt", raising="baking powder")
    >>> round(float(as_written), -1)  # mg
    350.0
    """
    return compute(grid_of_recipe(recipe, release, factors, gaps))


def grid_of_recipe(
    recipe: str | Path, release: str | Path = "current", factors: str = FACTORS[0], gaps: str = GAPS[0]
) -> Grid:
    """Read a recipe and resolve its variants without computing them; parameters as of :func:`compute_recipe`."""
    if gaps not in GAPS:
        raise SwaptableError(f"found gaps '{gaps}'; expected {' or '.join(GAPS)}{nearest(gaps, GAPS)}")
    foods = open_release(release)
    foods = fill_gaps(foods) if gaps == GAPS[1] else foods
    return build_grid(read_recipe(find_file(recipe, "recipes", ".yaml")), foods, factors)


def _interval_texts(table: pd.DataFrame, amount: str, error: str, least: float = -np.inf) -> list[str]:
    """Print the 90 % intervals of a column, as finely as the amounts beside them."""
    half = Z[0.90] * table[error]
    ends = zip((table[amount] - half).clip(lower=least), table[amount] + half, strict=True)
    return ["not known" if np.isnan(low) else f"{low:,.0f} to {high:,.0f}".replace("-", "−") for low, high in ends]


def _variant_table(amounts: Amounts, raised: Sequence[str], regime: str) -> pd.DataFrame:
    grid, serving = amounts.grid, amounts.per("serving")
    variants = grid.variants()
    table = pd.DataFrame(variants, index=grid.labels).rename_axis("variant")
    table["changes"] = [sum(v[c] != grid.as_written[c] for c in grid.choices) for v in variants]
    table["sodium_mg_per_serving"] = variant_values(serving.sel(component="NA"), grid)
    whole = variant_values(amounts.is_whole(["NA"]), grid) == 1
    table["sodium_whole"] = whole
    for code in REGIMES:
        percent = variant_values(percent_daily_value(amounts, code).sel(component="NA"), grid)
        table[f"sodium_percent_dv_{code}"] = percent
        table[f"sodium_word_{code}"] = [
            daily_value_word(value, code, whole=known) for value, known in zip(percent, whole, strict=True)
        ]
    for form, column in NRF_COLUMNS.items():
        table[column] = variant_values(nutrient_rich_foods_index(amounts, form), grid)
    percent_of_day = percent_daily_value(amounts, regime)
    valued = [tag for tag in raised if valued_as(tag, percent_of_day) is not None]
    density = variant_values(chosen_density(amounts, valued, regime), grid) if valued else np.nan
    table["mean_percent_dv_per_100kcal"] = density
    table["energy_kcal_per_serving"] = variant_values(serving.sel(component="ENERC_KCAL"), grid)
    table["cooked_g_per_serving"] = variant_values(amounts.data["cooked_g"] / amounts.recipe.servings, grid)
    known = certainty_of(amounts)
    table["sodium_standard_error"] = variant_values(known.error.sel(component="NA"), grid)
    index = index_certainty(amounts, nutrient_rich_foods_index, index_components())
    table["nrf93_2009_standard_error"] = variant_values(index.error, grid)
    table["sodium_real"] = (variant_values(known.is_real().sel(component="NA"), grid) == 1) & whole & whole.iloc[0]
    table["nrf93_2009_real"] = variant_values(index.is_real(), grid) == 1
    table["on_frontier"] = frontier(table["sodium_mg_per_serving"].where(whole), table[NRF])
    return table


def _with_certainty(table: pd.DataFrame, amounts: Amounts, basis: str) -> pd.DataFrame:
    """Put beside each difference its standard error, its 90 % interval and whether that leaves 0 out."""
    known, grid = certainty_of(amounts, basis), amounts.grid
    low, high = known.difference_interval()
    columns = {
        "amount_standard_error": known.error,
        "plate_sd": certainty_of(amounts, basis, "plate").error,
        "standard_error": known.difference_error,
        "low_90": low,
        "high_90": high,
        "real": known.is_real(),
    }
    parts = []
    for component, rows in table.groupby("component", sort=False):
        at = {name: grid.listed(values.sel(component=component)) for name, values in columns.items()}
        valued = grid.listed(amounts.share_per(basis, "valued_share").sel(component=component))
        parts.append(rows.assign(**at, valued=np.minimum(valued, valued[0])))
    table = pd.concat(parts, ignore_index=True)
    return table.assign(real=(table["real"] == 1) & (table.pop("valued") > WHOLE_SHARE))


def _effects(amounts: Amounts, components: Sequence[str], basis: str) -> pd.DataFrame:
    """List what each option changes in the components and in nutrient density, with its standard error."""
    grid, per = amounts.grid, amounts.per(basis)
    measures = {component: per.sel(component=component) for component in components}
    effects = pd.concat(
        [choice_effects(values, grid).assign(measure=name) for name, values in measures.items()]
        + [choice_effects(nutrient_rich_foods_index(amounts), grid).assign(measure=NRF)],
        ignore_index=True,
    )
    errors = {tag: effect_errors(amounts, tag, basis) for tag in components} | {NRF: index_effect_errors(amounts)}
    effects["standard_error"] = [errors[row.measure][row.choice, row.option] for row in effects.itertuples()]
    return effects


def study_recipe(
    recipe: str | Path,
    audience: str | Path,
    *,
    regime: str = "US",
    basis: str = "serving",
    components: Sequence[str] = (),
    release: str | Path = "current",
    prices: str | Path = "",
    factors: str = FACTORS[0],
    gaps: str = GAPS[0],
) -> Study:
    """Compute and compare a recipe's variants for an audience.

    Parameters
    ----------
    recipe, audience : str or Path
        Files, or names of files in ``data/recipes/`` and ``data/audiences/``.
    regime : str, optional
        Labelling regime, ``"US"`` or ``"CA"``.
    basis : str, optional
        ``"batch"``, ``"serving"``, ``"100 g"`` or ``"100 kcal"``.
    components : sequence of str, optional
        INFOODS tags or plain names to compare; by default what the audience is to raise and to keep down.
    release : str or Path, optional
        Food release.
    prices : str or Path, optional
        Price file; without it nothing is costed.
    factors : str, optional
        Retention factors, ``"published"`` or ``"estimated"`` from measured pairs.
    gaps : str, optional
        Missing values are ``"left"`` out, or ``"filled"`` with imputed ones.

    Returns
    -------
    Study

    Raises
    ------
    InputError, SwaptableError
        If a file or parameter cannot be used.

    Examples
    --------
    >>> study = study_recipe("barley_pot", "blood_pressure")
    >>> study.variants["sodium_mg_per_serving"].round(-1)[["no salt", "water", "water + no salt"]].tolist()
    [730.0, 240.0, 50.0]
    >>> study.variants.index[study.variants["on_frontier"]].tolist()
    ['water + no salt', 'sweet potato + water + no salt']
    """
    amounts = compute_recipe(recipe, release, factors, gaps)
    people = read_audience(find_file(audience, "audiences", ".yaml"))
    aims = find_aims(people, amounts.units())
    known = list(amounts.data["component"].to_numpy())
    asked = [component_named(word, known) for word in components] or [tag for tag, _ in aims.components()]
    compared = tuple(dict.fromkeys(["NA", *asked]))
    grid = amounts.grid

    variants = _variant_table(amounts, aims.raised, regime)
    variants["concerns_of_class"] = swap_concerns(amounts, people.concerns)
    if prices:
        variants = variants.join(cost_table(grid, read_prices(find_file(prices, ".", ".csv"))))
    percent = percent_daily_value(amounts, regime)
    valued = list(dict.fromkeys(name for c in compared if (name := valued_as(c, percent)) is not None))
    shares = {name: amounts.data["valued_share"].sel(component=name.split("+")).min("component") for name in valued}
    return Study(
        amounts=amounts,
        audience=people,
        day_targets=day_targets(aims, regime),
        regime=regime,
        basis=basis,
        components=compared,
        variants=variants,
        differences=_with_certainty(differences(amounts, compared, basis), amounts, basis),
        percent_daily_value=pd.DataFrame({c: variant_values(percent.sel(component=c), grid) for c in valued}),
        percent_is_whole=pd.DataFrame({c: variant_values(share, grid) > WHOLE_SHARE for c, share in shares.items()}),
        sodium_by_ingredient=ingredient_amounts(amounts, "NA", basis),
        effects=_effects(amounts, compared, basis),
        ingredients=lines_table(amounts),
        evidence=evidence_shares(amounts, compared),
    )
