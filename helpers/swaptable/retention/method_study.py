"""What the validation of the method found, as plain tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.foods.cooking_factors import retention_estimates, retention_table
from swaptable.foods.joined import open_release
from swaptable.foods.reference import component_label
from swaptable.retention.pairs import FOOD_GROUPS, find_pairs, pair_values
from swaptable.retention.validation import METHODS, held_out, summarise

__all__ = ["MethodStudy", "percent_text", "study_method"]

# the ways of computing that charts and tables by food group compare
COMPARED = ("raw", "concentration", "published", "estimated")


@dataclass(frozen=True, eq=False)
class MethodStudy:
    """What the validation found.

    Attributes
    ----------
    overall, by_group, by_component, by_group_and_component : DataFrame
        From :func:`swaptable.retention.validation.summarise`; most values first.
    factors : DataFrame
        Published factors with evidence of their own, beside it and the estimate; one row per row of the published
        table and component.
    source_line : str
        For the foot of a chart.
    """

    overall: pd.DataFrame
    by_group: pd.DataFrame
    by_component: pd.DataFrame
    by_group_and_component: pd.DataFrame
    factors: pd.DataFrame
    source_line: str

    @property
    def headline(self) -> str:
        """The main result in one sentence."""
        row = self.overall.iloc[0]
        median = {method: percent_text(row[f"{method}_median_percent"]) for method in METHODS}
        return (
            f"Half of the cooked values computed with estimated factors are within {median['estimated']} % of the "
            f"measured ones, with published factors within {median['published']} %, with none within "
            f"{median['concentration']} %; the 90 % interval held {row['coverage_90_percent']:.0f} % of them."
        )

    def tables(self) -> dict[str, pd.DataFrame]:
        """Give every table under the name of its file, labels as columns."""
        names = ("overall", "by_group", "by_component", "by_group_and_component")
        return {name: getattr(self, name).reset_index() for name in names} | {"factors": self.factors}

    @property
    def overall_to_read(self) -> pd.DataFrame:
        """The ways of computing, one a row, names fit for a page."""
        row = self.overall.iloc[0]
        columns = {"Median error [%]": "median", "90th percentile [%]": "p90", "Within 20 % [% of values]": "within_20"}
        table = {name: [row[f"{method}_{measure}_percent"] for method in METHODS] for name, measure in columns.items()}
        return pd.DataFrame(table, index=list(METHODS.values()))

    @property
    def by_group_to_read(self) -> pd.DataFrame:
        """The food groups, names fit for a page."""
        return _to_read(self.by_group)

    @property
    def by_component_to_read(self) -> pd.DataFrame:
        """The components, names fit for a page."""
        return _to_read(self.by_component.rename(index=component_label))


def _to_read(table: pd.DataFrame) -> pd.DataFrame:
    names = {"n_values": "Values", "n_families": "Families"}
    names |= {f"{method}_median_percent": f"Median error, {METHODS[method]} [%]" for method in COMPARED}
    names |= {f"{method}_within_20_percent": f"Within 20 %, {method} [%]" for method in ("published", "estimated")}
    names |= {f"coverage_{level}_percent": f"{level} % interval held [%]" for level in (80, 90)}
    return table[list(names)].rename(columns=names)


def percent_text(value: float) -> str:
    """Print a percentage: one decimal below ten."""
    return f"{value:.1f}" if value < 9.95 else f"{value:.0f}"


def _checked(seeds: Sequence[str], groups: Sequence[str]) -> list[int]:
    known = sorted({group for group, _ in FOOD_GROUPS.values()})
    for group in groups:
        if group not in known:
            raise SwaptableError(f"found group '{group}'; expected one of {listed(known)}{nearest(group, known)}")
    if not seeds or not all(seed.isdecimal() for seed in seeds):
        raise SwaptableError(f"found seeds {listed(seeds) or 'empty'}; expected whole numbers such as 1, 2, 3")
    return [int(seed) for seed in seeds]


def study_method(
    release: str = "sr28", folds: int = 10, seeds: Sequence[str] = ("1", "2", "3"), groups: Sequence[str] = ()
) -> MethodStudy:
    """Predict the measured cooked values of a release, each from evidence without its food family.

    Parameters
    ----------
    release : str, optional
        Food release.
    folds : int, optional
        Parts that the families are dealt out to; each is held out once.
    seeds : sequence of str, optional
        Whole numbers, one dealing out each; results are means over them.
    groups : sequence of str, optional
        Food groups to report, as in ``pairs.FOOD_GROUPS``; empty: all. All are learnt from.

    Returns
    -------
    MethodStudy

    Raises
    ------
    SwaptableError
        If an argument is not as said here.

    Examples
    --------
    The whole study takes minutes, so that here only a slip is shown:

    >>> study = study_method()  # doctest: +SKIP
    >>> study_method(groups=["vegetable"])  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    swaptable.basics.errors.SwaptableError: found group 'vegetable'; expected one of beef, eggs, ...
    """
    numbers = _checked(seeds, groups)
    opened = open_release(release)
    values = pair_values(opened, find_pairs(opened))
    families = values["family"].nunique()
    if not 2 <= folds <= families:
        raise SwaptableError(f"found folds {folds}; expected 2 to {families}, the number of food families")
    errors = held_out(values, folds, numbers)
    tables = summarise(errors[errors["group"].isin(groups)] if groups else errors)
    tables = {name: table.sort_values("n_values", ascending=False, kind="stable") for name, table in tables.items()}
    source = (
        f"Measured: values of {opened.name.upper()} ({opened.manifest['released']}) analysed in at least two samples, "
        f"raw and cooked; {families} food families in {folds} folds, seeds {', '.join(seeds)}. "
        "Published: USDA Release 6."
    )
    return MethodStudy(**tables, factors=_factors(groups), source_line=source)


def _factors(groups: Sequence[str]) -> pd.DataFrame:
    """Lay published factors with evidence of their own beside it, those with most of it first."""
    labels = retention_table()[["food_class", "process", "liquid", "detail"]]
    table = labels.merge(retention_estimates().reset_index(), left_index=True, right_on="row")
    group = table["food_class"].map({name: group for name, (group, _) in FOOD_GROUPS.items()})
    table = table[(table["n_values"] > 0) & (group.isin(groups) if groups else group.notna())]
    front = ["row", *labels.columns, "component"]
    return table[front + [column for column in table if column not in front]].sort_values(
        ["n_values", "row", "component"], ascending=[False, True, True], ignore_index=True
    )
