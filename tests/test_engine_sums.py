"""The sums of the demo recipes, once more: a plain loop that follows the formula line by line.

amount = Σ grams · value / 100 · retention; its variance = Σ over sources (what one standard deviation changes)². The
loop goes through variants, lines and components one at a time, with dictionaries, and shares no code with the engine.
"""

import math
from functools import cache

import numpy as np
import pytest

from swaptable.amounts.certainty import QUESTIONS, certainty_of
from swaptable.amounts.cooking import STATED
from swaptable.basics.folders import files_in
from swaptable.foods.cooking_factors import retention_errors
from swaptable.foods.reference import kitchen_errors
from swaptable.foods.release import open_release
from swaptable.foods.values import value_errors
from swaptable.judging.study import compute_recipe

# Parts of derived components, written out: µg per µg RAE (NASEM 2001), DFE, IU per µg, mg tryptophan per mg niacin.
PARTS = {
    "VITA_RAE": {"RETOL": 1, "CARTB": 1 / 12, "CARTA": 1 / 24, "CRYPX": 1 / 24},
    "FOLDFE": {"FOLFD": 1, "FOLAC": 1.7},
    "VITD_IU": {"VITD": 40},
    "NIAEQ": {"NIA": 1, "TRP_G": 1000 / 60},
    "NACL_EQ": {"NA": 2.5 / 1000},
    "ENERC_KCAL_GENERAL": {"PROCNT": 4, "FAT": 9, "CHOCDF": 4},
}
FACTOR_OF = {"RETOL": "VITA_RAE", "VITB12_ADDED": "VITB12"}
EXACT = {"rtol": 1e-12, "atol": 1e-12}


@cache
def recipe(name):
    """Compute a demo recipe."""
    return compute_recipe(name)


@cache
def errors(question):
    """Give the standard error, or the spread, of every value of the release."""
    known = value_errors(open_release())
    return known.standard_error if question == "mean" else known.spread


@cache
def factor(line, component):
    """Give the published share retained of one component; NaN where there is none."""
    return float(line.cooking.factors.get(FACTOR_OF.get(component, component), math.nan))


@cache
def raw_of(line, release):
    """Give what 100 g of the raw food hold."""
    row = release.matrix[release.foods.index.get_loc(line.food.code)]
    return dict(zip(release.components.index, row.tolist(), strict=True))


@cache
def cooked_of(line, release):
    """Give what is left of 100 g of the raw food, component by component."""
    raw = raw_of(line, release)
    share = {component: factor(line, component) for component in raw}
    share = {component: 1.0 if math.isnan(kept) else kept for component, kept in share.items()}
    held = {component: value * share[component] for component, value in raw.items()}
    whole = {name: sum(held[part] * per for part, per in parts.items()) for name, parts in PARTS.items()}
    for name, printed in (
        ("VITA_RAE", held["VITA_RAE"]),
        ("FOLDFE", raw["FOLDFE"] * share["FOL"]),
        ("VITD_IU", held["VITD_IU"]),
    ):
        whole[name] = printed if math.isnan(whole[name]) else whole[name]
    alcohol = 0.0 if math.isnan(raw["ALC"]) else raw["ALC"]
    left = 0.0 if math.isnan(held["ALC"]) else held["ALC"]
    whole["ENERC_KCAL_GENERAL"] += 7 * left
    energy = {"ENERC_KCAL": 6.93 * (alcohol - left), "ENERC_KJ": 6.93 * 4.184 * (alcohol - left)}
    return {**held, **whole, **{name: held[name] - lost for name, lost in energy.items()}}, alcohol - left


def lines_in(grid, variant):
    """Give the lines of a variant with the names of their ingredients."""
    found = [(name, grid.line(name, variant)) for name in grid.lines]
    return [(name, line) for name, line in found if line is not None]


def weights(grid, variant):
    """Give raw edible weight, with the water soaked up, cooked weight, and alcohol that left."""
    edible = soaked = cooked = lost = 0.0
    for _, line in lines_in(grid, variant):
        alcohol = cooked_of(line, grid.release)[1] * line.edible_g / 100
        edible += line.edible_g
        soaked += line.edible_g * max(line.cooking.yield_factor, 1.0)
        stated = line.cooking.yield_origin == STATED
        cooked += line.edible_g * line.cooking.yield_factor - (0.0 if stated else alcohol)
        lost += alcohol
    return edible, soaked, cooked, lost


def eaten(grid, variant):
    """Give the weight as eaten: of a recipe that was weighed, in proportion to what went into it."""
    _, soaked, cooked, _ = weights(grid, variant)
    weighed = grid.recipe.cooked_weight
    return cooked if weighed is None else weighed * soaked / weights(grid, grid.as_written)[1]


def batch(grid, variant):
    """Sum what the lines hold; a component of which nothing is known is missing."""
    total, known = {}, {}
    for _, line in lines_in(grid, variant):
        for component, value in cooked_of(line, grid.release)[0].items():
            brought = 0.0 if math.isnan(value) else line.edible_g * value / 100
            total[component] = total.get(component, 0.0) + brought
            known[component] = known.get(component, 0.0) + line.edible_g * (not math.isnan(value))
    edible, _, _, lost = weights(grid, variant)
    total["WATER"] = total["WATER"] + (eaten(grid, variant) - edible) + lost
    amount = {component: value if known[component] > 0 else math.nan for component, value in total.items()}
    return amount, {component: grams / edible for component, grams in known.items()}


def relative(line, components, held, question, factors):
    """Give the relative error of what cooking leaves of each component."""
    if not line.cooking.process or not line.cooking.rows:
        return dict.fromkeys(components, 0.0)
    mean, food = retention_errors(factors)
    found = {}
    for component in components:
        tag = FACTOR_OF.get(component, component)
        found[component] = kitchen_errors()["no published factor"]
        if tag in mean.columns and not math.isnan(factor(line, component)):
            squares = [
                mean.at[row, tag] ** 2 + (food.at[row, tag] ** 2 if question == "plate" else 0.0)
                for row in line.cooking.rows
            ]
            known = math.sqrt(sum(squares) / len(squares))
            found[component] = found[component] if math.isnan(known) else known
    for whole, parts in PARTS.items():
        pieces = {part: held[part] * per for part, per in parts.items()}
        if sum(pieces.values()) > 0:
            square = sum((piece * found[part]) ** 2 for part, piece in pieces.items())
            found[whole] = math.sqrt(square) / sum(pieces.values())
    return {**found, "ENERC_KCAL": 0.0, "ENERC_KJ": 0.0, "WATER": 0.0}


def changes(grid, variant, question):
    """Give what one standard deviation of every source changes in the batch: source → component → change."""
    release, kitchen, sources = grid.release, kitchen_errors(), {}

    def add(key, component, change):
        sources.setdefault(key, {})
        sources[key][component] = sources[key].get(component, 0.0) + change

    for name, line in lines_in(grid, variant):
        code, raw, grams = line.food.code, raw_of(line, release), line.edible_g / 100
        row = release.foods.index.get_loc(code)
        own = dict(zip(raw, np.nan_to_num(errors(question)[row]).tolist(), strict=True))
        for whole in [name for name in PARTS if name not in raw]:
            square = sum(
                (errors(question)[row, list(raw).index(part)] * per) ** 2 for part, per in PARTS[whole].items()
            )
            own[whole] = 0.0 if math.isnan(square) else math.sqrt(square)
        held = {c: 0.0 if math.isnan(value) else value * grams for c, value in cooked_of(line, release)[0].items()}
        scatter = relative(line, held, held, question, grid.factors)
        weighing, *trimming = (kitchen[way] for way in line.ways)
        for component, amount in held.items():
            before = raw.get(component, math.nan) * grams
            add(("value", code), component, own[component] * grams * (amount / before if before > 0 else 1.0))
            plate = code if question == "plate" else ""
            add(("retention", *line.cooking.rows, plate), component, amount * scatter[component])
            add(("weight", name, code), component, amount * weighing)
            add(("refuse", name, code, str(line.refuse)), component, amount * sum(trimming))
    return sources


def root_of_squares(one, other, component):
    """Add the differences of two sets of changes as squares."""
    apart = (one.get(key, {}).get(component, 0.0) - other.get(key, {}).get(component, 0.0) for key in {**one, **other})
    return math.sqrt(sum(change**2 for change in apart))


@pytest.mark.parametrize("name", files_in("recipes"))
def test_amounts_are_the_plain_sum(name):
    """Every component of every variant, its share that is known, and the weight as eaten."""
    amounts = recipe(name)
    grid = amounts.grid
    for variant in grid.variants():
        found = amounts.data.sel(variant)
        expected, known = batch(grid, variant)
        components = found["component"].to_numpy().tolist()
        assert sorted(components) == sorted(expected)
        np.testing.assert_allclose(found["per_batch"], [expected[tag] for tag in components], **EXACT)
        np.testing.assert_allclose(found["known_share"], [known[tag] for tag in components], **EXACT)
        assert float(found["cooked_g"]) == pytest.approx(eaten(grid, variant), rel=1e-12)


@pytest.mark.parametrize("question", QUESTIONS)
@pytest.mark.parametrize("name", files_in("recipes"))
def test_certainty_is_the_plain_sum_of_squares(name, question):
    """The standard error of every amount, and of its difference from the recipe as written."""
    amounts = recipe(name)
    grid, servings = amounts.grid, amounts.recipe.servings
    certainty = certainty_of(amounts, "serving", question)
    written = changes(grid, grid.as_written, question)
    components = amounts.data["component"].to_numpy().tolist()
    for variant in grid.variants():
        here = changes(grid, variant, question)
        known = ~np.isnan(amounts.data["per_batch"].sel(variant).to_numpy())
        error = np.array([root_of_squares(here, {}, component) for component in components]) / servings
        apart = np.array([root_of_squares(here, written, component) for component in components]) / servings
        np.testing.assert_allclose(certainty.error.sel(variant).to_numpy()[known], error[known], **EXACT)
        # a difference of two nearly equal numbers loses digits to rounding, however it is worked out
        found = certainty.difference_error.sel(variant).to_numpy()[known]
        np.testing.assert_allclose(found, apart[known], rtol=1e-9, atol=1e-12)
