"""How much: linear programmes that can be solved by hand, and the pipeline's own numbers for the result."""

import numpy as np
import pytest

from swaptable.amounts.chosen import as_recipe, variant_named
from swaptable.amounts.nutrients import compute
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import SwaptableError
from swaptable.cli import main
from swaptable.deciding.amount_findings import HELD_FIXED
from swaptable.deciding.amount_programme import Model
from swaptable.deciding.amount_words import Target
from swaptable.deciding.how_much import Plan, find_amounts
from swaptable.judging.study import compute_recipe
from swaptable.reporting.swap_report import amounts_shown, plot_amounts

# SR28, per 100 g: salt 38,758 mg sodium; sugar 387 kcal, no sodium; oil (olive) 884 kcal, 2 mg sodium.
SALT, SUGAR, OIL = "sr28:02047", "sr28:19335", "sr28:04053"
MIX = f"""
title: Mix
servings: 2
ingredients:
  salt: {{amount: 10 g, food: "{SALT}"}}
  sugar: {{amount: 100 g, food: "{SUGAR}"}}
  oil: {{amount: 50 g, food: "{OIL}"}}
"""


@pytest.fixture
def mix(tmp_path):
    """Write the mixture, with other lines if asked for, and give its path."""

    def write(text: str = MIX):
        path = tmp_path / "mix.yaml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def after(plan: Plan) -> dict[str, float]:
    """Give the grams found."""
    return dict(zip(plan.ingredients["ingredient"], plan.ingredients["after_g"], strict=True))


def test_one_ingredient_one_limit(mix):
    """Sodium 387.58 mg/g of salt and 0.02 mg/g of oil: 1,000 mg in each of 2 servings leave (2000 - 1) / 387.58 g."""
    plan = find_amounts(mix(), ["salt 0 to 20 g"], ["sodium <= 1000 mg"])
    sugar_mg = 1.0  # SR28: sugar has 1 mg in 100 g
    assert after(plan)["salt"] == pytest.approx((2000 - 0.02 * 50 - sugar_mg) / 387.58, rel=1e-9)
    assert plan.feasible
    assert plan.targets["after"].tolist() == pytest.approx([1000.0], rel=1e-9)
    assert plan.targets["binds"].tolist() == [True]


def test_least_change_takes_the_food_that_moves_least(mix):
    """300 kcal less per batch: of oil 34 g (68 % of it), of sugar 78 g (78 %). So the oil alone changes."""
    now = 3.87 * 100 + 8.84 * 50
    plan = find_amounts(mix(), ["sugar 0 to 200 g", "oil 0 to 100 g"], [f"energy <= {(now - 300) / 2:.10f} kcal"])
    assert after(plan)["oil"] == pytest.approx(50 - 300 / 8.84, rel=1e-6)
    assert after(plan)["sugar"] == pytest.approx(100, rel=1e-9)


def test_a_bound_shares_the_change(mix):
    """Oil may only fall to 40 g (88.4 kcal): sugar gives the other 211.6 kcal."""
    now = 3.87 * 100 + 8.84 * 50
    plan = find_amounts(mix(), ["sugar 0 to 200 g", "oil 40 to 100 g"], [f"energy <= {(now - 300) / 2:.10f} kcal"])
    assert after(plan) == pytest.approx({"oil": 40, "sugar": 100 - 211.6 / 3.87}, rel=1e-6)
    assert plan.ingredients.set_index("ingredient")["at_bound"].to_dict() == {"oil": "least", "sugar": ""}
    assert any("At their bound: oil (least)" in sentence for sentence in plan.sentences)


def test_shadow_price(mix):
    """One percent of 1,000 mg is 10 mg a serving, 20 mg a batch: 20 / 387.58 g of salt, of 10 g: 0.516 % of change."""
    plan = find_amounts(mix(), ["salt 0 to 20 g"], ["sodium <= 1000 mg"])
    assert plan.targets["price"].iloc[0] == "each 10 mg more would save 0.516 percentage points of change"


def test_least_of_a_component_under_a_target(mix):
    """At least 400 kcal with least sodium: no salt; in 1,000 kcal oil has 2.3 mg, sugar 2.6 mg, so oil alone."""
    plan = find_amounts(
        mix(),
        ["salt 0 to 20 g", "sugar 0 to 300 g", "oil 0 to 300 g"],
        ["energy >= 400 kcal"],
        objective="least sodium",
    )
    assert after(plan)["salt"] == 0
    assert after(plan)["sugar"] == pytest.approx(0, abs=1e-9)
    assert after(plan)["oil"] == pytest.approx(800 / 8.84, rel=1e-6)


def test_amounts_as_good_change_least(mix):
    """Neither salt nor sugar holds fat: what does nothing for the objective stays as it is."""
    plan = find_amounts(
        mix(), ["salt 0 to 20 g", "sugar 0 to 300 g", "oil 20 to 100 g"], ["energy >= 10 kcal"], objective="least fat"
    )
    assert after(plan) == pytest.approx({"salt": 10, "sugar": 100, "oil": 20})


def test_range_and_other_bases(mix):
    """A range is two targets; per 100 g and per 100 kcal are linear as well, and hold as computed anew."""
    want = ["energy 300 to 350 kcal", "sodium <= 900 mg per 100 g", "sodium <= 400 mg per 100 kcal"]
    plan = find_amounts(mix(), ["salt 0 to 20 g", "sugar 0 to 200 g", "oil 0 to 100 g"], want)
    assert plan.feasible
    found = plan.targets.set_index("target")["after"]
    assert 300 - 1e-6 <= found.iloc[0] <= 350 + 1e-6
    assert found["sodium <= 900 mg per 100 g"] <= 900 * (1 + 1e-9)
    assert found["sodium <= 400 mg per 100 kcal"] <= 400 * (1 + 1e-9)


@pytest.mark.parametrize(
    ("want", "salt_g"),
    [
        # sugar and oil bring 2 mg sodium, 150 g and 3.87 · 100 + 8.84 · 50 = 829 kcal
        ("sodium <= 900 mg per 100 g", (9 * 150 - 2) / (387.58 - 9)),
        ("sodium <= 200 mg per 100 kcal", (2 * 829 - 2) / 387.58),
    ],
)
def test_a_share_of_the_weight_or_energy_is_used_up(mix, want, salt_g):
    """Of salt as much is left as the limit lets, by hand: the salt itself weighs, and has no energy."""
    plan = find_amounts(mix(), ["salt 0 to 20 g"], [want])
    assert after(plan)["salt"] == pytest.approx(salt_g, rel=1e-6)
    assert plan.targets["binds"].tolist() == [True]


def test_targets_that_contradict_each_other(mix):
    """200 g of sugar and oil in a serving cannot have only 300 kcal; that it may have 2,000 is no part of it."""
    want = ["energy <= 300 kcal", "energy <= 2000 kcal", "weight >= 200 g"]
    plan = find_amounts(mix(), ["sugar 0 to 400 g", "oil 0 to 100 g"], want)
    assert not plan.feasible
    assert set(plan.conflict) == {"energy <= 300 kcal", "weight >= 200 g"}
    assert "cannot be reached together" in plan.sentences[0]
    missed = plan.targets.set_index("target")["missed_by"]
    assert missed["energy <= 2000 kcal"] == 0
    assert missed.sum() > 0


def test_a_target_that_nothing_reaches(mix):
    """What no amount within the bounds reaches is named alone."""
    plan = find_amounts(mix(), ["salt 5 to 20 g"], ["sodium <= 100 mg", "energy >= 100 kcal"])
    assert plan.conflict == ("sodium <= 100 mg",)
    assert "cannot be reached at all" in plan.sentences[0]
    assert after(plan)["salt"] == pytest.approx(5)


def test_linear_model_equals_the_pipeline():
    """Every component, weight and basis of the adjusted recipe is what the linear model says, to 1e-9."""
    plan = find_amounts(
        "barley_pot",
        ["barley 100 to 250 g", "liquid 0.5 to 1.5 l", "carrot 100 to 400 g", "tuber 300 to 900 g"],
        ["sodium <= 600 mg", "fibre >= 8 g", "potassium >= 130 mg per 100 g", "energy <= 250 kcal"],
    )
    before = compute_recipe("barley_pot")
    bare = compute(build_grid(as_recipe(before, variant_named(before, "")), before.grid.release))
    lines = {name: bare.grid.line(name, {}) for name in bare.grid.lines}
    changed = plan.ingredients.set_index("ingredient")["change_percent"] / 100 + 1
    # a line of n times the weight brings n times as much
    model = Model(bare, (), {})
    for what in ("NA", "K", "FIBTG", "ENERC_KCAL", "VITC", "VITA_RAE", "weight"):
        linear = sum(model.brings(what, line) * changed.get(name, 1.0) for name, line in lines.items())
        after_it = {"amounts": "adjusted"}
        exact = (
            plan.amounts.data["cooked_g"] if what == "weight" else plan.amounts.data["per_batch"].sel(component=what)
        )
        assert linear == pytest.approx(float(exact.sel(after_it)), rel=1e-9)


def test_surely_keeps_the_whole_interval():
    """Asked for surely, no verdict is left open, at the price of a larger change."""
    asked = ["barley 100 to 250 g", "liquid 0.5 to 1.5 l"], ["sodium <= 650 mg"]
    mean, surely = find_amounts("barley_pot", *asked), find_amounts("barley_pot", *asked, surely=True)
    assert mean.targets["verdict"].tolist() == ["cannot tell"]
    assert any("cannot be told" in sentence for sentence in mean.sentences)
    assert surely.targets["verdict"].tolist() == ["met"]
    assert surely.targets["after"].iloc[0] < 650
    assert surely.ingredients["change_percent"].abs().sum() > mean.ingredients["change_percent"].abs().sum()


def test_a_variant_of_its_own():
    """A variant as a recipe of its own computes to the variant; its amounts can be adjusted."""
    whole = compute_recipe("barley_pot")
    for label in ("as written", "sweet potato + water + no salt", "skin on + half stock, half water"):
        variant = variant_named(whole, label)
        alone = compute(build_grid(as_recipe(whole, variant), whole.grid.release))
        expected = whole.data["per_batch"].sel(variant).to_numpy()
        np.testing.assert_allclose(alone.data["per_batch"].to_numpy(), expected, rtol=1e-12)
    plan = find_amounts(
        "barley_pot", ["tuber 200 to 800 g"], ["fibre >= 9 g"], variant="sweet potato + water + no salt"
    )
    assert plan.variant == "sweet potato + water + no salt"
    assert plan.targets["after"].tolist() == pytest.approx([9.0])


def test_cost(mix, tmp_path):
    """Energy at least cost: sugar at 1 CAD/kg gives 3,870 kcal, oil at 10 CAD/kg 884: sugar alone gives the rest."""
    prices = tmp_path / "prices.csv"
    rows = [f"{SALT},1,CAD,1 kg,,", f"{SUGAR},1,CAD,1 kg,,", f"{OIL},10,CAD,1 kg,,"]
    prices.write_text("food,price,currency,per,date,note\n" + "\n".join(rows) + "\n", encoding="utf-8")
    vary, want = ["sugar 0 to 400 g", "oil 10 to 100 g"], ["energy >= 500 kcal", "cost <= 2"]
    plan = find_amounts(mix(), vary, want, objective="least cost", prices=prices)
    assert after(plan) == pytest.approx({"oil": 10, "sugar": (1000 - 88.4) / 3.87}, rel=1e-6)
    cost = plan.targets.set_index("target").loc["cost <= 2"]
    assert cost["after"] == pytest.approx((0.010 * 1 + 0.010 * 10 + (1000 - 88.4) / 3.87 / 1000) / 2, rel=1e-6)
    assert cost["verdict"] == "met"


def test_missing_values_stay_lower_bounds(mix):
    """A total with gaps may stay below a limit by its known part: nobody can tell."""
    text = MIX.replace(OIL, "sr28:04532")  # hazelnut oil, without a value for choline
    plan = find_amounts(mix(text), ["sugar 0 to 200 g"], ["choline <= 1000 mg"])
    assert plan.targets["verdict"].tolist() == ["cannot tell"]
    assert plan.targets["why"].tolist() == ["some values are missing"]


def test_what_is_held_fixed_is_said(mix):
    """Retention and yield are held fixed, and the page says so."""
    plan = find_amounts(mix(), ["salt 0 to 20 g"], ["sodium <= 1000 mg"])
    assert plan.sentences[-1] == HELD_FIXED
    assert "for the cook to judge" in HELD_FIXED
    assert HELD_FIXED in amounts_shown(plan).data
    assert plot_amounts(plan).title.startswith("On paper all targets can be reached")
    assert plan.yaml.startswith("adjusted: {salt: {amount: ")


def test_nothing_to_change(mix):
    """Targets that are reached already change nothing; without bounds every ingredient may be half or double."""
    plan = find_amounts(mix(), [], ["energy >= 10 kcal"])
    assert plan.feasible
    assert plan.sentences[0] == "All targets can be reached with the amounts as they are."
    assert (plan.ingredients["least_g"] * 4).tolist() == pytest.approx(plan.ingredients["most_g"].tolist())
    assert (plan.ingredients["change_percent"].abs() < 1e-9).all()


def test_nothing_is_printed(mix, capfd):
    """The solver's greeting does not get into a table that is being printed."""
    find_amounts(mix(), ["salt 0 to 20 g"], ["sodium <= 1000 mg"])
    assert capfd.readouterr().out == ""


@pytest.mark.parametrize(
    ("vary", "want", "more", "message"),
    [
        (["salz 0 to 3 g"], [], {}, "found 'salz 0 to 3 g'; expected an ingredient with bounds, of salt, sugar, oil"),
        (["salt 3 g"], [], {}, "expected bounds such as 'salt 100 to 250 g'"),
        (["salt 5 to 3 g"], [], {}, "expected the lower bound first"),
        (["salt 0 to 3 g", "salt 1 to 2 g"], [], {}, "found 'salt' twice"),
        ([], ["sodium about 3 mg"], {}, "found target 'sodium about 3 mg'; expected such as"),
        ([], ["sodum <= 3 mg"], {}, "found 'sodum'"),
        ([], ["sodium <= 3 kcal"], {}, "expected a number with g or mg or µg"),
        ([], ["sodium <= 3 mg per pot"], {}, "found 'per pot'; expected per serving or 100 g or 100 kcal"),
        ([], ["water <= 3 g"], {}, "water belongs to the whole dish"),
        ([], ["cost <= 3"], {}, "nothing is priced; give a price file"),
        ([], [], {"objective": "most change"}, "found objective 'most change'"),
        ([], [], {"objective": "least cost"}, "nothing is priced"),
        ([], [], {"variant": "with love"}, "found variant 'with love'; expected one of as written"),
    ],
)
def test_wrong_words(mix, vary, want, more, message):
    """One sentence that says what was found and what is allowed."""
    with pytest.raises(SwaptableError, match=message):
        find_amounts(mix(), vary, want, **more)


def test_target_is_a_plain_record():
    """Two targets of the same words are the same."""
    assert Target("a", "NA", "<=", 1.0, "mg", "serving") == Target("a", "NA", "<=", 1.0, "mg", "serving")


def test_command(mix, capsys):
    """The command prints one table, and in words what decides."""
    assert main(["amounts", str(mix()), "--vary", "salt 0 to 20 g", "--want", "sodium <= 1000 mg"]) == 0
    printed = capsys.readouterr()
    assert printed.out.splitlines()[0].startswith("row,name,before,after,unit,basis")
    assert "decides" in printed.err


def test_reached_on_average_only_is_said():
    """Within bounds that still cook, less stock and no salt keep the limit on average, not surely; no miss is named."""
    bounds = ["barley 120 to 250 g", "liquid 1.2 to 1.6 l", "salt 0 to 3 g"]
    plan = find_amounts("barley_pot", bounds, ["sodium <= 600 mg"], surely=True)
    assert not plan.feasible
    assert plan.sentences[1].endswith("reach all, but only on average, not with the whole interval.")
