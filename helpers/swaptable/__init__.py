"""Compare the variants of a recipe, per serving, for an audience with one health concern.

What a notebook needs, in one screen: :func:`study_recipe` computes and compares, the ``plot_`` functions draw
one chart each, the ``_shown`` functions show a result on the page, :func:`save_study` writes the tables.
"""

from importlib import import_module
from typing import Any

_HOMES = {
    "study": ("compute_recipe", "study_recipe"),
    "figures": ("plot_contributions", "plot_daily_values", "plot_density", "plot_differences", "plot_effects"),
    "method_report": (
        "method_shown",
        "plot_coverage",
        "plot_error_by_component",
        "plot_error_by_group",
        "plot_factors",
        "plot_within_20",
        "save_method",
    ),
    "method_study": ("study_method",),
    "reports": ("cautions_shown", "chart_shown", "save_study", "summary_shown", "table_shown"),
}

__all__ = sorted(name for names in _HOMES.values() for name in names)


def __getattr__(name: str) -> Any:
    """Import a public name when it is first used, so that the command line need not load the drawing."""
    home = next((module for module, names in _HOMES.items() if name in names), None)
    if home is None:
        raise AttributeError(f"module 'swaptable' has no attribute '{name}'")
    return getattr(import_module(f"swaptable.{home}"), name)
