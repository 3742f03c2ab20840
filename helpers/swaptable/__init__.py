"""Compare the variants of a recipe, per serving, for an audience with one health concern.

What a notebook needs, in one screen: :func:`study_recipe` computes and compares, :func:`advise` judges, the ``plot_``
functions draw one chart each, the ``_shown`` functions show a result on the page, the ``save_`` functions write tables.
"""

from importlib import import_module
from typing import Any

_HOMES = {
    "judging.advice": ("advise",),
    "reporting.advice_report": (
        "body_shown",
        "claims_shown",
        "complements_shown",
        "indices_shown",
        "nutrition_facts_shown",
        "save_advice",
    ),
    "reporting.targets_report": ("plot_targets", "targets_shown"),
    "reporting.cautions_report": ("cautions_shown",),
    "changes.changes_report": (
        "changes_shown",
        "foods_changed_shown",
        "moved_shown",
        "plot_changes",
        "rankings_changed_shown",
        "save_changes",
    ),
    "teaching.class_plan": ("plan_class",),
    "reporting.class_report": (
        "class_amounts_shown",
        "class_shown",
        "plot_timeline",
        "prep_shown",
        "save_class",
        "shopping_shown",
        "timeline_shown",
    ),
    "judging.collection": ("judge_programme",),
    "reporting.collection_report": (
        "aims_shown",
        "claims_met_shown",
        "days_shown",
        "links_shown",
        "plot_programme",
        "programme_shown",
        "save_programme",
    ),
    "deciding.contrasts": ("explain",),
    "deciding.decide": ("decide_recipe",),
    "reporting.decide_charts": ("plot_bases", "plot_best", "plot_choices", "plot_shares", "plot_wrongs"),
    "reporting.decide_report": (
        "decision_shown",
        "ranking_shown",
        "save_decision",
        "wants_shown",
    ),
    "deciding.explore": ("explore_recipe",),
    "reporting.study_charts": (
        "plot_contributions",
        "plot_daily_values",
        "plot_density",
        "plot_differences",
        "plot_effects",
    ),
    "changes.find_changes": ("find_changes",),
    "teaching.handout": ("compose_handout",),
    "teaching.handout_pdf": ("write_handout",),
    "deciding.how_much": ("find_amounts",),
    "reporting.kitchen_report": (
        "matches_shown",
        "plot_confidence",
        "questions_shown",
        "save_matches",
        "serving_shown",
        "words_shown",
    ),
    "reporting.kitchen_study": ("match_words",),
    "reporting.method_report": (
        "method_shown",
        "plot_coverage",
        "plot_error_by_component",
        "plot_error_by_group",
        "plot_factors",
        "plot_within_20",
        "save_method",
    ),
    "retention.method_study": ("study_method",),
    "reporting.picker": ("Picker", "picker_shown"),
    "reporting.reports": ("chart_shown", "summary_shown", "table_shown"),
    "deciding.sensitivity": ("find_doubts",),
    "judging.study": ("compute_recipe", "study_recipe"),
    "reporting.survey_report": (
        "collection_swaps_shown",
        "coverage_shown",
        "plot_swap_recipes",
        "plot_swap_spread",
        "save_swap_study",
        "swap_summary_shown",
    ),
    "survey.study": ("study_swaps",),
    "reporting.swap_report": (
        "amounts_shown",
        "paste_shown",
        "plot_amounts",
        "plot_swaps",
        "save_swaps",
        "swap_cautions_shown",
        "swaps_shown",
    ),
    "deciding.swaps": ("find_swaps",),
}

__all__ = sorted(name for names in _HOMES.values() for name in names)


def __getattr__(name: str) -> Any:
    """Import a public name when it is first used, so that the command line need not load the drawing."""
    home = next((module for module, names in _HOMES.items() if name in names), None)
    if home is None:
        raise AttributeError(f"module 'swaptable' has no attribute '{name}'")
    return getattr(import_module(f"swaptable.{home}"), name)
