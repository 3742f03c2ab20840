"""Deciding: ranks by hand, probabilities against the formula, the frontier, and the command."""

import io
import json
import re

import numpy as np
import pandas as pd
import pytest

from swaptable import cli
from swaptable.amounts.comparison import unbeaten
from swaptable.basics.errors import SwaptableError
from swaptable.deciding.contrasts import explain
from swaptable.deciding.decide import decide_recipe, ranked
from swaptable.deciding.sensitivity import find_doubts
from swaptable.judging.verdicts import Verdict
from swaptable.reporting.decide_charts import MOST_ROWS, plot_bases, plot_best
from swaptable.reporting.decide_findings import choice_finding, decision_headline
from swaptable.reporting.decide_report import ranking_shown

MET, HOLDS, NOT = int(Verdict.MET), int(Verdict.MEAN_HOLDS), int(Verdict.NOT_MET)

# Roots with nearly the same sodium: 69, 67 and 10 mg in 100 g.
NEAR = """
title: Near
servings: 1
ingredients:
  carrot: {amount: 200 g, food: "sr28:11124"}
choices:
  root:
    carrot: as written
    turnip: {carrot: {food: "sr28:11564"}}
    parsnip: {carrot: {food: "sr28:11298"}}
"""


@pytest.fixture
def near(tmp_path):
    """Write the recipe of three roots."""
    path = tmp_path / "near.yaml"
    path.write_text(NEAR, encoding="utf-8")
    return path


def test_order_by_hand():
    """What meets all comes first, by gain; then what nobody can tell; then what misses least."""
    verdicts = np.array([[MET, MET, HOLDS, NOT, NOT, MET]])
    misses = np.array([[0, 0, 0, 0.5, 0.1, 0]])
    gain = np.array([1.0, 2.0, 9.0, 9.0, 0.0, np.nan])
    changes = np.zeros(6)
    none = np.zeros(6, dtype=bool)
    assert ranked(gain, verdicts, misses, changes, none).tolist() == [1, 0, 5, 2, 4, 3]
    spoken_against = np.array([False, True, False, False, False, False])
    assert ranked(gain, verdicts, misses, changes, spoken_against).tolist() == [0, 5, 1, 2, 4, 3]


def test_of_equals_the_one_with_fewer_changes_comes_first():
    """Equal but for floating point."""
    gain = np.array([1.0, 1.0 + 1e-15, 1.0])
    order = ranked(gain, np.zeros((0, 3), dtype=int), np.zeros((0, 3)), np.array([2, 1, 0]), np.zeros(3, bool))
    assert order.tolist() == [2, 1, 0]


def test_probabilities_agree_with_the_formula(near):
    """Of two candidates the first is best as often as the normal difference says; 20,000 draws, 4 standard errors."""
    constraint = "sodium >= 50 mg"  # leaves carrot and turnip
    decision = decide_recipe(near, "general_adults", [constraint], "least sodium", draws=20_000)
    table = decision.ranking.set_index("variant")
    assert table["probability_best"].isna().tolist() == [False, False, True]
    turnip = table.loc["turnip"]
    assert turnip["probability_best"] == pytest.approx(turnip["probability_better"], abs=0.014)
    assert 0.001 < turnip["probability_best"] < 0.999
    assert table["probability_best"].sum() == pytest.approx(1)


def test_same_seed_same_answer(near):
    """Probabilities depend on the seed alone."""
    one, two, other = (
        decide_recipe(near, "general_adults", objective="least sodium", draws=200, seed=seed).ranking
        for seed in (1, 1, 2)
    )
    pd.testing.assert_frame_equal(one, two)
    assert not one["probability_best"].equals(other["probability_best"])


def test_twins_share_the_first_place():
    """Whether the potato is peeled costs the same: one first place for two."""
    decision = decide_recipe("barley_pot", "blood_pressure", objective="cost", prices="prices", draws=100)
    table = decision.ranking.set_index("variant")["probability_best"]
    assert table["water + no salt"] == table["skin on + water + no salt"] == pytest.approx(0.5)
    assert table.sum() == pytest.approx(1)


def test_nothing_wanted_is_no_verdict():
    """Without constraints nobody is told that they are met."""
    decision = decide_recipe("oat_pancakes", "blood_pressure", draws=50)
    assert set(decision.ranking["wants"]) == {"nothing wanted"}
    assert decision.verdicts.empty
    assert decision.binding.empty


def test_where_nothing_meets_all_the_sentence_says_what_binds():
    """A pot of roots has no 400 mg of calcium."""
    decision = decide_recipe("barley_pot", "blood_pressure", ["sodium <= 600 mg", "calcium >= 400 mg"], draws=50)
    told = decision_headline(decision)
    assert told.startswith("No variant surely meets all")
    assert "without 'calcium >= 400 mg', 9 would" in told
    assert decision.best["not_met"] == "calcium >= 400 mg"
    assert decision.ranking["missed_percent"].is_monotonic_increasing


def test_a_swap_with_a_concern_is_never_praised_without_it():
    """Low-sodium baking powder is for people with kidney disease to ask about first."""
    decision = decide_recipe("oat_pancakes", "kidney_disease", objective="least sodium", draws=50)
    assert "low-sodium baking powder" not in decision.best["variant"]
    asked = ["sodium <= 120 mg"]  # which no other variant keeps
    decision = decide_recipe("oat_pancakes", "kidney_disease", asked, objective="least sodium", draws=50)
    assert "low-sodium baking powder" in decision.best["variant"]
    assert "first read the caution on kidney disease" in decision_headline(decision)
    assert "first read the caution on kidney disease" in choice_finding(decision, explain(decision))[0]


def test_a_first_place_in_doubt_is_no_fact():
    """Tuna and sardines are all but level: the sentence must not say that one of them has the most."""
    decision = decide_recipe("sardine_traybake", "bone_health", draws=500)
    assert decision.best["probability_best"] < 0.9
    assert "may have the highest nutrient density" in decision_headline(decision)


@pytest.mark.parametrize("measures", [2, 3])
def test_the_frontier_of_any_measures(measures):
    """Against the definition: no other has as much of all and more of one."""
    gains = np.random.default_rng(5).integers(0, 6, (60, measures)).astype(float)
    gains[7, 0] = np.nan
    beaten = [
        any((other >= row).all() and (other > row).any() for other in gains if not np.isnan(other).any())
        for row in gains
    ]
    assert unbeaten(gains).tolist() == [not b and not np.isnan(r).any() for b, r in zip(beaten, gains, strict=True)]


def test_the_frontier_by_certainty():
    """What is on it by its means is on it; what may be is beaten by the mean of another, but not surely."""
    decision = decide_recipe(
        "barley_pot", "blood_pressure", trade_offs=["sodium", "nutrient density", "cost"], prices="prices", draws=50
    )
    table = decision.ranking.set_index("variant")["frontier"]
    assert table["sweet potato + water + no salt"] == "on it"
    assert table["skin on + water + no salt"] == "may be on it"
    assert table["as written"] == "surely not"


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"draws": 0}, "found draws 0"),
        ({"trade_offs": ["sodium"]}, "expected two or three measures"),
        ({"objective": "zinc"}, "say least or most"),
        ({"basis": "plate"}, "found basis 'plate'"),
        ({"regime": "FR"}, "found regime 'FR'"),
    ],
)
def test_wrong_parameters(options, message):
    """Each is one sentence."""
    with pytest.raises(SwaptableError, match=message):
        decide_recipe("oat_pancakes", "blood_pressure", **options)


def test_the_command_prints_the_ranking(capsys):
    """As CSV and as JSON, the sentence beside it."""
    words = ["decide", "barley_pot", "--want", "sodium <= 600 mg", "--prices", "prices", "--draws", "100"]
    assert cli.main(words) == 0
    printed = capsys.readouterr()
    table = pd.read_csv(io.StringIO(printed.out), keep_default_na=False)
    assert table["variant"].iloc[0] == "sweet potato + water + no salt"
    assert "highest nutrient density of the 9 of 18" in printed.err
    assert cli.main([*words, "--format", "json", "--best", "cost"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert rows[0]["cost_CAD_per_serving"] == min(row["cost_CAD_per_serving"] for row in rows)
    assert cli.main(["decide", "barley_pot", "--want", "sodium = 1"]) == 2


def test_every_variant_with_another_verdict_is_drawn():
    """The chart of bases names a variant whose verdict changes even if it does not rank among the first."""
    decision = decide_recipe("barley_pot", "blood_pressure", ["sodium <= 600 mg"], draws=50)
    doubts = find_doubts(decision)
    changed = set(doubts.bases.loc[doubts.bases["verdict_changes"], "variant"])
    assert changed - set(decision.ranking["variant"].head(MOST_ROWS))
    chart = plot_bases(decision, doubts)
    drawn = {text.get_text().replace("\n", " ") for text in chart.figure.axes[0].get_yticklabels()}
    assert changed <= drawn
    assert f"{len(changed)} of 18 variants get{'s' * (len(changed) == 1)} another verdict" in chart.title
    assert "cannot be of equal energy and was kept by volume." in " ".join(chart.figure.get_supxlabel().split())


def test_probabilities_end_at_100_percent(near):
    """No axis of a probability goes beyond 100 %, and the interval stands beside what it is of."""
    decision = decide_recipe(near, "blood_pressure", ["sodium <= 600 mg"], "least sodium", draws=50)
    assert plot_best(decision).figure.axes[0].get_xlim() == (0, 100)
    heads = re.findall("<th>(.*?)</th>", ranking_shown(decision).data)
    assert heads[heads.index("90 % interval") - 1] == "Sodium [mg per serving]"
    assert "Probability of keeping all wants" in heads
