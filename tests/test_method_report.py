"""The method's report states what the validation found, for all food groups or some."""

import json

import pandas as pd
import pytest

import swaptable as st
from swaptable.basics.errors import SwaptableError
from swaptable.reporting.method_report import _MARKS
from swaptable.retention import method_study
from swaptable.retention.method_study import COMPARED, MethodStudy, percent_text, study_method

PLOTS = (
    st.plot_error_by_group, st.plot_error_by_component, st.plot_within_20, st.plot_coverage, st.plot_factors,
)  # fmt: skip


@pytest.fixture
def quick(monkeypatch, pairs, evidence_values, held_out_errors) -> None:
    """Take what other tests have computed already: five folds, seed 1."""
    monkeypatch.setattr(method_study, "find_pairs", lambda release: pairs)
    monkeypatch.setattr(method_study, "pair_values", lambda release, pairs: evidence_values)
    monkeypatch.setattr(method_study, "held_out", lambda values, folds, seeds: held_out_errors)


@pytest.fixture
def study(quick) -> MethodStudy:
    """The method over all foods."""
    return study_method(folds=5, seeds=["1"])


def test_headline_says_how_good(study):
    """Median errors and coverage in one sentence."""
    assert study.headline == (
        "Half of the cooked values computed with estimated factors are within 9.1 % of the measured ones, with "
        "published factors within 11 %, with none within 17 %; the 90 % interval held 91 % of them."
    )


@pytest.mark.parametrize("groups", [[], ["lamb and veal"], ["eggs"]])
@pytest.mark.parametrize("plot", PLOTS, ids=lambda plot: plot.__name__)
def test_charts_state_a_finding(quick, plot, groups):
    """Also for few foods: a title with numbers, a text without the picture, a unit and the source."""
    study = study_method(folds=5, seeds=["1"], groups=groups)
    chart = plot(study)
    assert any(letter.isdigit() for letter in chart.title)
    assert "percent" in chart.alt
    assert "nan" not in chart.title + chart.alt
    assert all("[%" in axes.get_xlabel() for axes in chart.figure.axes)
    assert "Measured: values of SR28" in " ".join(chart.figure.get_supxlabel().split())


def test_methods_are_told_apart_without_colour():
    """Each way of computing has a shape of its own."""
    assert list(_MARKS) == list(COMPARED)
    assert len({marker for _, marker, _ in _MARKS.values()}) == len(COMPARED)


def test_groups_restrict_what_is_shown(study, quick):
    """Beef alone has the figures that it has among all: the learning is the same."""
    beef = study_method(folds=5, seeds=["1"], groups=["beef"])
    pd.testing.assert_frame_equal(beef.by_group, study.by_group.loc[["beef"]])
    assert set(beef.factors["food_class"]) <= {"beef"}
    assert len(beef.factors) < len(study.factors)


def test_factors_with_evidence_only(study):
    """Published figure, evidence and estimate side by side, most evidence first."""
    table = study.factors
    assert (table["n_values"] > 0).all()
    assert table["n_values"].is_monotonic_decreasing
    assert {"published", "measured", "estimate", "standard_error", "n_families"} <= set(table.columns)


def test_tables_to_read_have_names_with_units(study):
    """One row per way, group or component, units in the names."""
    assert len(study.overall_to_read) == 5
    assert "beef" in study.by_group_to_read.index
    assert "Vitamin C" in study.by_component_to_read.index
    assert all("%]" in name or name in ("Values", "Families") for name in study.by_group_to_read.columns)


def test_save_writes_tables_and_summary(study, tmp_path):
    """Five tables and the summary that the index of reports needs; nothing without a folder."""
    assert st.save_method(study, "") == []
    names = st.save_method(study, str(tmp_path))
    assert names == ["by_component.csv", "by_group.csv", "by_group_and_component.csv", "factors.csv", "overall.csv"]
    written = pd.read_csv(tmp_path / "tables" / "by_group.csv")
    assert written["estimated_median_percent"].tolist() == study.by_group["estimated_median_percent"].tolist()
    summary = json.loads((tmp_path / "summary.json").read_text(encoding="utf-8"))
    assert summary["headline"] == study.headline
    assert (summary["audience"], summary["chart"]) == ("Researchers", "error_by_group")


def test_page_says_what_was_tested(study):
    """Numbers of values and families, and that families are held out."""
    page = st.method_shown(study).data
    assert "5,052 cooked values of 115 food families" in page
    assert study.headline in page


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"folds": 1}, "found folds 1; expected 2 to 115, the number of food families"),
        ({"seeds": []}, "found seeds empty; expected whole numbers such as 1, 2, 3"),
        ({"seeds": ["1", "x"]}, "found seeds 1, x; expected whole numbers"),
        ({"groups": ["legume"]}, "found group 'legume'; expected one of .*; did you mean 'legumes'"),
        ({"release": "sr29"}, "found 'sr29'; expected one of sr28"),
    ],
)
def test_wrong_arguments_are_named(quick, options, message):
    """Each wrong argument is one sentence with the value found and what is allowed."""
    with pytest.raises(SwaptableError, match=message):
        study_method(**options)


def test_percentages_have_two_digits():
    """One decimal below ten, whole numbers above."""
    assert [percent_text(value) for value in (4.04, 9.94, 9.96, 33.2)] == ["4.0", "9.9", "10", "33"]
