"""Compare the variants of a recipe, per serving, for an audience with one health concern.

What a notebook needs, in one screen: :func:`study_recipe` computes and compares, :func:`advise` judges, the ``plot_``
functions draw one chart each, the ``_shown`` functions show a result on the page, the ``save_`` functions write tables.
"""

from importlib import import_module
from typing import Any

_HOMES = {
    "advice": ("advise",),
    "advice_report": (
        "body_shown",
        "cautions_shown",
        "claims_shown",
        "complements_shown",
        "indices_shown",
        "nutrition_facts_shown",
        "plot_targets",
        "save_advice",
        "targets_shown",
    ),
    "collection": ("survey_collection",),
    "collection_report": ("aims_shown", "claims_met_shown", "days_shown", "plot_survey", "save_survey", "survey_shown"),
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
    "reports": ("chart_shown", "summary_shown", "table_shown"),
    "study": ("compute_recipe", "study_recipe"),
}

__all__ = sorted(name for names in _HOMES.values() for name in names)


def __getattr__(name: str) -> Any:
    """Import a public name when it is first used, so that the command line need not load the drawing."""
    home = next((module for module, names in _HOMES.items() if name in names), None)
    if home is None:
        raise AttributeError(f"module 'swaptable' has no attribute '{name}'")
    return getattr(import_module(f"swaptable.{home}"), name)
