"""Estimates of retention follow the evidence as far as it goes, and the published factor where there is none."""

import io

import numpy as np
import pandas as pd
import pytest

from swaptable.basics.folders import DATA
from swaptable.foods.cooking_factors import retention_components, retention_estimates, retention_table
from swaptable.retention.evidence import CUTS_AS_FAMILIES, LEVELS, _level, _location, fit, folds_of, learn
from swaptable.retention.pairs import FOOD_GROUPS, SAME_ANALYSIS, heat_of


@pytest.fixture(scope="module")
def estimates(evidence_values) -> pd.DataFrame:
    """All factors, estimated anew."""
    return fit(evidence_values, retention_table(), retention_components())


@pytest.fixture(scope="module")
def labelled(estimates) -> pd.DataFrame:
    """The estimates with what the published row is about."""
    return estimates.merge(retention_table().reset_index(drop=True).iloc[:, :7], on="row", validate="many_to_one")


def test_the_file_is_this_fit(estimates):
    """``data/reference/retention_estimates.csv`` is what the command writes.

    Compared to nine digits: on one machine it is the same to the byte, other processors may round the last digits
    another way.
    """
    written = pd.read_csv(
        DATA / "reference" / "retention_estimates.csv", keep_default_na=False, na_values=[""], dtype={"row": str}
    )
    again = pd.read_csv(
        io.StringIO(estimates.to_csv(index=False)), keep_default_na=False, na_values=[""], dtype={"row": str}
    )
    pd.testing.assert_frame_equal(written, again, check_exact=False, rtol=1e-9, atol=1e-12)


def test_the_fit_is_deterministic(estimates, evidence_values):
    """Again, and from values in another order: the same, to the digit and to rounding."""
    shuffled = evidence_values.sample(frac=1, random_state=5).reset_index(drop=True)
    again = fit(shuffled, retention_table(), retention_components())
    pd.testing.assert_frame_equal(again, estimates, check_exact=False, rtol=1e-9, atol=1e-12)


def test_every_published_figure_has_its_estimate(estimates):
    """One row per published figure, none lost and none invented."""
    table = retention_table()[retention_components()]
    assert len(estimates) == table.notna().sum().sum()
    given = estimates.pivot(index="row", columns="component", values="published").reindex_like(table)
    pd.testing.assert_frame_equal(given, table, check_names=False)


def test_published_stands_without_evidence(labelled, evidence_values):
    """Where nothing of the kind, heated so, was measured, the estimate is the published figure."""
    kinds = [FOOD_GROUPS.get(name, (name, name))[1] for name in labelled["food_class"]]
    heats = [heat_of(*pair) for pair in zip(labelled["process"], labelled["liquid"], strict=True)]
    keys = zip(kinds, heats, labelled["component"].replace(SAME_ANALYSIS), strict=True)
    seen = set(map(tuple, evidence_values[LEVELS[0]].drop_duplicates().to_numpy()))
    alone = labelled[np.array([key not in seen for key in keys]) & (labelled["liquid"] != "kept")]
    assert len(alone) > 1000
    assert (alone["estimate"] == alone["published"]).all()


def test_no_evidence_means_a_wide_error(labelled):
    """Of one component in meat, rows without any value are less sure than those with twenty or more."""
    share = labelled["standard_error"] / labelled["estimate"]
    meat = labelled["food_class"].isin(["beef", "pork", "chicken"]) & labelled["component"].isin(["THIA", "K", "NIA"])
    assert share[meat & (labelled["n_values"] == 0)].median() > share[meat & (labelled["n_values"] >= 20)].median()


def test_errors_are_positive(estimates):
    """No figure is certain, whether its estimate is 5 or 100 %."""
    known = estimates[estimates["published"] > 0]
    assert (known["standard_error"] > 0).all()
    assert (known["between_food_sd"] > 0).all()


def test_estimates_are_shares(estimates):
    """Nothing is created: no estimate above all of it, or above the published figure where that is more."""
    assert (estimates["estimate"] >= 0).all()
    assert (estimates["estimate"] <= np.maximum(estimates["published"], 1.0)).all()


def test_with_its_liquid_a_food_holds_at_least_as_much(labelled):
    """Kept liquid against the same row with the liquid poured away."""
    keys = ["food_class", "process", "detail", "component"]
    columns = [*keys, "estimate"]
    kept, poured = (labelled.loc[labelled["liquid"] == liquid, columns] for liquid in ("kept", "discarded"))
    both = kept.merge(poured, on=keys, suffixes=("_kept", "_poured"))
    assert len(both) > 500
    assert (both["estimate_kept"] >= both["estimate_poured"]).all()


def test_evidence_is_what_was_measured(estimates, evidence_values):
    """Numbers of families and values of a row, counted again; its median by hand for pulses and magnesium."""
    own = evidence_values[(evidence_values["row"] == "501") & (evidence_values["component"] == "MG")]
    found = estimates.set_index(["row", "component"]).loc[("501", "MG")]
    assert (found["n_values"], found["n_families"]) == (len(own), own["family"].nunique()) == (16, 9)
    foods = own.groupby(["family", "food"])["log_ratio"].median()
    assert found["measured"] == pytest.approx(found["published"] * np.exp(foods.median()))


def test_the_estimate_lies_between_published_and_measured():
    """The best-known correction: vitamin B6 in broiled beef, published 60 %, measured about 80 %."""
    row = retention_estimates().loc[("602", "VITB6A")]
    assert row["published"] == 0.6
    assert row["published"] + 0.1 < row["estimate"] <= row["measured"]


def cells(rests: list[float], foods: list[int]) -> pd.DataFrame:
    """Make the cells of one key: families with so many foods each, all of them at the family's rest."""
    rows = [
        {"key": "a", "family": f"f{n}", "food": f"{n}-{cut}", "rest": rest, "scale": 0.1, "of_kind": "meat"}
        for n, (rest, cuts) in enumerate(zip(rests, foods, strict=True))
        for cut in range(cuts)
    ]
    return pd.DataFrame(rows)


def test_pooling_by_hand():
    """Two families at 0.2 and 0.4, one food each, 0.1 between families.

    Weight of a family 3·1 / (1 + 2) = 1, together 2; mean 0.3; its error in units of the variance between families
    1.2 / 2 = 0.6. Between keys: (0.3 / 0.1)² − 0.6 = 8.4, the prior. Share 8.4 / (8.4 + 0.6); effect 0.28; variance
    8.4 · 0.6 / 9.0 · 0.1² = 0.0056.
    """
    found, prior = _level(cells([0.2, 0.4], [1, 1]), ["key"])
    assert prior == pytest.approx(8.4)
    assert found.loc["a", "effect"] == pytest.approx(0.28)
    assert found.loc["a", "variance"] == pytest.approx(0.0056)


def test_many_cuts_count_less_than_many_families():
    """Two cuts weigh 3·2 / (2 + 2) = 1.5 families: mean (0.2 + 1.5 · 0.4) / 2.5 = 0.32, shrunk by 8.52 / 9."""
    found, _ = _level(cells([0.2, 0.4], [1, 2]), ["key"])
    prior = min((0.32 / 0.1) ** 2, 9.0) - 1.2 / 2.5
    assert found.loc["a", "effect"] == pytest.approx(0.32 * prior / (prior + 1.2 / 2.5))
    assert CUTS_AS_FAMILIES * 100 / (100 + CUTS_AS_FAMILIES - 1) < CUTS_AS_FAMILIES


def test_small_effects_shrink_to_nothing():
    """What is no larger than its own error leaves only the least prior, a hundredth: 0.01 / (0.01 + 0.6)."""
    found, prior = _level(cells([0.01, 0.03], [1, 1]), ["key"])
    assert prior == 0.01
    assert found.loc["a", "effect"] == pytest.approx(0.02 * 0.01 / 0.61)


def test_outliers_weigh_little():
    """Two values give their mean; one far value among five moves the location by a tenth of what it moves a mean."""
    assert _location(np.array([0.0, 1.0]), np.array([3.0, 1.0]), 0.1) == 0.25
    values = np.array([-0.1, 0.0, 0.0, 0.1, 10.0])
    assert abs(_location(values, np.ones(5), 0.1)) < 0.1 * values.mean()


@pytest.mark.parametrize("folds", [2, 5, 10])
def test_families_never_split_over_folds(evidence_values, folds):
    """A family lies in one fold; every fold has some; the same seed deals the same, another one not."""
    names = evidence_values["family"]
    fold = folds_of(names, folds, seed=1)
    assert (pd.Series(fold).groupby(names).nunique() == 1).all()
    assert set(fold) == set(range(folds))
    assert (folds_of(names, folds, seed=1) == fold).all()
    assert (folds_of(names, folds, seed=2) != fold).any()


def test_trust_is_a_share(evidence_values):
    """Evidence is followed wholly, in part or not at all, never beyond and never against it."""
    groups, components = learn(evidence_values).trust
    assert groups.between(0, 1).all()
    assert components.between(0, 1).all()
    assert groups["beef"] > 0.5
