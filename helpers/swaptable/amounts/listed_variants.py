"""Some variants picked out of a grid however large, as a recipe of one choice whose options they are."""

from __future__ import annotations

import numpy as np

from swaptable.amounts.dish import View, dish_of
from swaptable.amounts.lines import Line, Options
from swaptable.amounts.nutrients import Amounts, amounts_of
from swaptable.amounts.totals import sum_up
from swaptable.amounts.variants import Grid

__all__ = ["VARIANT", "amounts_at"]

VARIANT = "variant"


def amounts_at(grid: Grid, codes: np.ndarray, components: tuple[str, ...] = ()) -> Amounts:
    """Compute listed variants.

    Parameters
    ----------
    grid : Grid
    codes : ndarray of int
        Variants × choices: which option each has; no variant twice, and all of them allowed.
    components : tuple of str, optional
        INFOODS tags; all by default.

    Returns
    -------
    Amounts
        Over the one choice :data:`VARIANT`, whose options are the labels; what variants share, such as a food or
        the weighing of an ingredient, they share there as well.
    """
    names = list(grid.choices)
    variants = [{name: grid.choices[name][code] for name, code in zip(names, row, strict=True)} for row in codes]
    labels = [grid.label(variant) for variant in variants]
    lines: dict[str, dict[Options, Line]] = {}
    own: dict[str, tuple[str, ...]] = {}
    for name in grid.lines:
        own[name] = (VARIANT,) if grid.own_choices(name) else ()
        at = [(((VARIANT, label),), grid.line(name, each)) for label, each in zip(labels, variants, strict=True)]
        lines[name] = {(options if own[name] else ()): line for options, line in at if line is not None}
    picked = Grid(grid.recipe, grid.release, {VARIANT: tuple(labels)}, lines, own, (), grid.factors)
    totals = sum_up(dish_of(grid, components), View({0: len(codes)}, codes=np.asarray(codes, dtype=int)))
    return amounts_of(totals, picked)
