"""From choices to a labelled grid: every ingredient under every combination of the choices that touch it.

No row is built per variant: an ingredient touched by two choices of three options has nine lines, however many
variants the recipe has. What goes together is kept as rules, so that a grid may be far larger than any list of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import compress, product
from math import prod

import numpy as np
import xarray as xr

from swaptable.amounts.engine import codes_of
from swaptable.amounts.lines import Line, LineBuilder, Options, swapped_grams
from swaptable.amounts.recipes import AS_WRITTEN, Recipe
from swaptable.basics.errors import listed
from swaptable.foods.cooking_factors import FACTORS, retention_table
from swaptable.foods.release import FoodRelease

__all__ = ["MOST_EXPLORED", "MOST_LISTED", "Grid", "Line", "Options", "build_grid", "swapped_grams"]

MOST_LISTED = 100_000  # variants: a table of more has no reader
MOST_EXPLORED = 2**30  # variants: so many can still be gone through in minutes
MOST_LINES = 10_000  # of one ingredient, over all combinations of its own choices
MEANINGLESS_ALONE = 4  # an option name this short ("on", "off", "half") needs its choice in front
PLUS = " + "  # between the options in a label


@dataclass(frozen=True, eq=False)
class Grid:
    """All variants of a recipe, not yet computed.

    Attributes
    ----------
    recipe : Recipe
    release : FoodRelease
    choices : dict
        Choice → its options; one dimension of the grid each.
    lines : dict
        Ingredient → (own options → line). An ingredient that an option removes has no line there.
    own : dict
        Ingredient → the choices that touch it.
    apart : tuple of dict
        Options (choice → option) that the recipe says do not go together.
    factors : str
        Retention factors used: ``"published"`` or ``"estimated"``.
    """

    recipe: Recipe
    release: FoodRelease
    choices: Mapping[str, tuple[str, ...]]
    lines: Mapping[str, Mapping[Options, Line]]
    own: Mapping[str, tuple[str, ...]]
    apart: Sequence[Mapping[str, str]] = ()
    factors: str = FACTORS[0]

    @property
    def as_written(self) -> dict[str, str]:
        """Choice → first option."""
        return {choice: options[0] for choice, options in self.choices.items()}

    @property
    def sizes(self) -> tuple[int, ...]:
        """How many options each choice has."""
        return tuple(len(options) for options in self.choices.values())

    @property
    def combinations(self) -> int:
        """How many combinations of options there are, those included that do not go together."""
        return prod(self.sizes)

    def refuse_to_list(self, advice: str = "leave choices out") -> None:
        """Refuse to make an array or a list of more variants than anybody reads.

        Parameters
        ----------
        advice : str, optional
            How to have fewer.

        Raises
        ------
        InputError
            Says how many there are, and how to go on.
        """
        if self.combinations > MOST_LISTED:
            problem = (
                f"found {self.combinations:,} variants; a table lists at most {MOST_LISTED:,}. Explore them "
                f"(swaptable explore), which names only ranges, effects, the best and the frontier; or {advice}"
            )
            raise self.recipe.source.error(("choices",), problem)

    @cached_property
    def _rules(self) -> list[list[tuple[int, int]]]:
        """Give what does not go together as (place of the choice, place of the option)."""
        places = {choice: place for place, choice in enumerate(self.choices)}
        found = []
        for pair in self.apart:
            if all(option in self.choices.get(choice, ()) for choice, option in pair.items()):
                found.append([(places[choice], self.choices[choice].index(pair[choice])) for choice in pair])
        return found

    @cached_property
    def ruled(self) -> tuple[int, ...]:
        """Places of the choices that some rule names."""
        return tuple(sorted({place for rule in self._rules for place, _ in rule}))

    def allowed_at(self, codes: np.ndarray) -> np.ndarray:
        """Tell whether options go together.

        Parameters
        ----------
        codes : ndarray of int
            Variants × choices: which option each has.
        """
        allowed = np.ones(len(codes), dtype=bool)
        for rule in self._rules:
            allowed &= ~np.logical_and.reduce([codes[:, place] == option for place, option in rule])
        return allowed

    def allowed_where(self, options: Mapping[int, int]) -> np.ndarray:
        """Tell what goes together in a part of the grid.

        Parameters
        ----------
        options : mapping of int
            Place of a choice → place of its option, of the choices that are fixed.

        Returns
        -------
        ndarray of bool
            Over the choices left.
        """
        left = [place for place in range(len(self.choices)) if place not in options]
        allowed = np.ones([self.sizes[place] for place in left], dtype=bool)
        for rule in self._rules:
            own = dict(rule)
            if all(options.get(place, option) == option for place, option in own.items()):
                allowed[tuple(own.get(place, slice(None)) for place in left)] = False
        return allowed

    def is_allowed(self, variant: Mapping[str, str]) -> bool:
        """Tell whether the options of a variant go together."""
        codes = [options.index(variant[choice]) for choice, options in self.choices.items()]
        return bool(self.allowed_at(np.array([codes], dtype=int).reshape(1, -1))[0])

    @cached_property
    def allowed(self) -> xr.DataArray:
        """Bool over the choices: False where the recipe says that the options do not go together."""
        self.refuse_to_list()
        allowed = self.allowed_where({})
        coords = {choice: list(options) for choice, options in self.choices.items()}
        return xr.DataArray(allowed, coords=coords, dims=list(coords))

    @cached_property
    def _mask(self) -> np.ndarray:
        return np.asarray(self.allowed, dtype=bool).ravel()

    @cached_property
    def codes(self) -> np.ndarray:
        """Allowed variants × choices, in the order of :meth:`variants`: which option each has."""
        return codes_of(np.flatnonzero(self._mask), self.sizes)

    @cached_property
    def _variants(self) -> list[dict[str, str]]:
        combinations = compress(product(*self.choices.values()), self._mask)
        return [dict(zip(self.choices, options, strict=True)) for options in combinations]

    def variants(self) -> list[dict[str, str]]:
        """List the allowed variants, choice → option, the recipe as written first."""
        return self._variants

    @cached_property
    def labels(self) -> list[str]:
        """Name each variant by the options that differ from the recipe as written, such as ``water + skin off``."""
        return [self.label(variant) for variant in self._variants]

    @cached_property
    def _words(self) -> dict[tuple[str, str], str]:
        """Give what each option adds to a label."""
        options = list(self._each_option())
        seen: dict[str, set[str]] = {}
        for choice, option in options:
            seen.setdefault(option, set()).add(choice)
        short = {
            (choice, option): f"{choice} {option}"
            if len(seen[option]) > 1 or len(option) <= MEANINGLESS_ALONE
            else option
            for choice, option in options
        }
        if self._tells_apart(short):
            return short
        return {(choice, option): f"{choice}: {option}" for choice, option in options}

    def _each_option(self) -> Iterator[tuple[str, str]]:
        return ((choice, option) for choice, options in self.choices.items() for option in options)

    def _tells_apart(self, words: Mapping[tuple[str, str], str]) -> bool:
        """Tell whether no two variants get the same label by these words."""
        told = [words[choice, option] for choice, options in self.choices.items() for option in options[1:]]
        if len({*told, AS_WRITTEN}) == len(told) + 1 and not any(PLUS in word for word in told):
            return True
        if self.combinations > MOST_LISTED:
            return False
        labels = [self._joined(variant, words) for variant in self._variants]
        return len(set(labels)) == len(labels)

    def _joined(self, variant: Mapping[str, str], words: Mapping[tuple[str, str], str]) -> str:
        changed = [words[c, variant[c]] for c, options in self.choices.items() if variant[c] != options[0]]
        return PLUS.join(changed) or AS_WRITTEN

    def label(self, variant: Mapping[str, str]) -> str:
        """Give the label of an allowed variant."""
        return self._joined(variant, self._words)

    def listed(self, values: xr.DataArray) -> np.ndarray:
        """List a measure over the choices, allowed variants only, in the order of :meth:`variants`."""
        listed: np.ndarray = np.asarray(values.transpose(*self.choices), dtype=float).ravel()[self._mask]
        return listed

    def listed_rows(self, values: xr.DataArray) -> np.ndarray:
        """List something over the choices and one more dimension: allowed variants × that dimension."""
        rows: np.ndarray = values.transpose(*self.choices, ...).to_numpy().reshape(len(self._mask), -1)
        return rows[self._mask]

    def own_choices(self, ingredient: str) -> tuple[str, ...]:
        """Name the choices that touch an ingredient."""
        return self.own[ingredient]

    def line(self, ingredient: str, variant: Mapping[str, str]) -> Line | None:
        """Give an ingredient's line in a variant, or None where it is not in the dish."""
        own = tuple((choice, variant[choice]) for choice in self.own_choices(ingredient))
        return self.lines[ingredient].get(own)


def _own_choices(recipe: Recipe) -> dict[str, tuple[str, ...]]:
    """Name for each ingredient, those that options bring included, the choices that touch it."""
    touched: dict[str, dict[str, None]] = {name: {} for name in recipe.ingredients}
    for choice, options in recipe.choices.items():
        for option in options.values():
            for name in option.patches:
                touched.setdefault(name, {})[choice] = None
    return {name: tuple(own) for name, own in touched.items()}


def _excluded(recipe: Recipe, options: Options) -> bool:
    chosen = dict(options)
    return any(all(chosen.get(choice) == option for choice, option in pair.items()) for pair in recipe.not_together)


def _refuse_too_many(recipe: Recipe, own: Mapping[str, tuple[str, ...]]) -> None:
    """Refuse what nobody can go through, before anything is built."""
    sizes = {choice: len(options) for choice, options in recipe.choices.items()}
    count = prod(sizes.values())
    if count > MOST_EXPLORED:
        left, dropped = count, list[str]()
        for choice in sorted(sizes, key=lambda each: sizes[each]):
            if left <= MOST_EXPLORED or len(dropped) == len(sizes) - 1:
                break
            left, dropped = left // sizes[choice], [*dropped, choice]
        problem = (
            f"found {len(sizes)} choices with {count:,} combinations of options; expected at most {MOST_EXPLORED:,}: "
            f"leave out at least {len(dropped)} of the choices, such as {listed(dropped, 4)}, or make them one "
            "choice with the few combinations that matter"
        )
        raise recipe.source.error(("choices",), problem)
    for name, choices in own.items():
        lines = prod(sizes[choice] for choice in choices)
        if lines > MOST_LINES:
            problem = (
                f"'{name}' is touched by {listed(choices, 4)}, {lines:,} combinations of options; expected at most "
                f"{MOST_LINES:,} for one ingredient: split it in two, or leave choices out"
            )
            raise recipe.source.error(("choices", choices[0]), problem)


def build_grid(recipe: Recipe, release: FoodRelease, factors: str = FACTORS[0]) -> Grid:
    """Resolve every ingredient under every combination of its own choices.

    Parameters
    ----------
    recipe : Recipe
    release : FoodRelease
    factors : str, optional
        Retention factors: ``"published"``, or ``"estimated"`` from measured pairs.

    Returns
    -------
    Grid
        Of up to :data:`MOST_EXPLORED` variants; it holds lines and rules, but nothing for each variant.

    Raises
    ------
    InputError
        If a food, measure, process or swap cannot be resolved, two options set the same field, the recipe
        as written is excluded, or there are too many combinations; with the place in the file.
    """
    retention_table(factors)  # a wrong word is nobody's ingredient
    choices = {choice: tuple(options) for choice, options in recipe.choices.items()}
    own = _own_choices(recipe)
    _refuse_too_many(recipe, own)
    builder = LineBuilder(recipe, release, factors)
    lines: dict[str, dict[Options, Line]] = {}
    for name, touching in own.items():
        picked = product(*(choices[choice] for choice in touching))
        combinations = [tuple(zip(touching, options, strict=True)) for options in picked]
        built = ((options, builder.line(name, options)) for options in combinations if not _excluded(recipe, options))
        lines[name] = {options: line for options, line in built if line is not None}
    grid = Grid(recipe, release, choices, lines, own, recipe.not_together, factors)
    if not grid.is_allowed(grid.as_written):
        raise recipe.source.error(
            ("not together",), "excludes the recipe as written, which every comparison is against"
        )
    return grid
