"""Readers of words: amounts, constraints, bounds and targets, options, a time of day, a search."""

from contextlib import suppress
from functools import cache

from swaptable.amounts.chosen import as_recipe, chosen_variant, parse_options
from swaptable.amounts.nutrients import Amounts, compute
from swaptable.amounts.recipes import Recipe, read_recipe
from swaptable.amounts.variants import build_grid
from swaptable.amounts.weights import weigh
from swaptable.basics.errors import SwaptableError
from swaptable.basics.units import component_amount, convert, measure_named, parse_amount, parse_percent
from swaptable.deciding.amount_words import read_target, read_varied
from swaptable.deciding.wants import read_want
from swaptable.foods.joined import open_release
from swaptable.foods.search import find_foods
from swaptable.judging.study import find_file


@cache
def amounts() -> Amounts:
    """Compute one recipe."""
    return compute(build_grid(read_recipe(find_file("barley_pot", "recipes", ".yaml")), open_release("sr28")))


@cache
def single() -> tuple[Amounts, Recipe]:
    """Compute the recipe as written alone."""
    recipe = as_recipe(amounts(), amounts().grid.as_written)
    return compute(build_grid(recipe, amounts().grid.release)), recipe


def read_amount(text: str) -> None:
    """Read an amount and weigh it; it is finite and not negative."""
    with suppress(SwaptableError):
        assert 0 <= parse_percent(text) < float("inf")
    amount = parse_amount(text)
    assert 0 <= amount.number < float("inf")
    measure_named(amount.measure)
    with suppress(SwaptableError):
        component_amount(amount, "NA", "mg")
    with suppress(SwaptableError):
        convert(amount.number, amount.measure, "mg")
    weigh(amount, amounts().grid.release.food("11124"))


def read_constraint(text: str) -> None:
    """Read a constraint; its limit is finite."""
    assert abs(read_want(text, amounts()).limit) < float("inf")


def read_bounds(text: str) -> None:
    """Read an ingredient with bounds."""
    read_varied(text, *single())


def read_aim(text: str) -> None:
    """Read a target of amounts."""
    read_target(text, amounts().units(), "CAD")


def read_option(text: str) -> None:
    """Read options as a command takes them."""
    chosen_variant(amounts().grid, parse_options([text]))


def search(text: str) -> None:
    """Look up a cook's words."""
    find_foods(text, amounts().grid.release)


READERS = {
    "amount": ("", read_amount),
    "want": ("", read_constraint),
    "varied": ("", read_bounds),
    "target": ("", read_aim),
    "option": ("", read_option),
    "search": ("", search),
}
WORDS = (
    "sodium", "<= ", "at most ", "600 mg", "% DV", " per 100 kcal", " per batch", "cost", "nutrient density", "energy ",
    " to ", "350", "kcal", "weight", "barley ", "100 to 250 g", "1 1/2", "½", "⅓", "１", "٣", "1e308", "-0", "0x10",
    "1_000", "inf", "nan", "cup chopped", "medium", "IU", "liquid=water", "potato raw peeled", "\u202e", "\ufeff",
)  # fmt: skip
