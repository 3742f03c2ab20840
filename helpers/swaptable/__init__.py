"""Compare the variants of a recipe, per serving, for an audience with one health concern.

What a notebook needs, in one screen: :func:`study_recipe` computes and compares, the ``plot_`` functions draw
one chart each, the ``_shown`` functions show a result on the page, :func:`save_study` writes the tables.
"""

from swaptable.figures import (
    plot_contributions,
    plot_daily_values,
    plot_density,
    plot_differences,
    plot_effects,
)
from swaptable.reports import cautions_shown, chart_shown, save_study, summary_shown, table_shown
from swaptable.study import compute_recipe, study_recipe

__all__ = [
    "cautions_shown",
    "chart_shown",
    "compute_recipe",
    "plot_contributions",
    "plot_daily_values",
    "plot_density",
    "plot_differences",
    "plot_effects",
    "save_study",
    "study_recipe",
    "summary_shown",
    "table_shown",
]
