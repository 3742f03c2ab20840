"""Standard errors of amounts and differences: hand arithmetic, what cancels, and a Monte Carlo run of the sources."""

import numpy as np
import pytest

from swaptable.amounts.certainty import (
    QUESTIONS,
    certainty_of,
    evidence_shares,
    index_certainty,
    mean_errors,
    with_certainty,
)
from swaptable.amounts.nutrients import amounts_table, compute, line_values
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import SwaptableError
from swaptable.foods.cooking_factors import retention_errors, retention_estimates
from swaptable.foods.imputation import fill_gaps
from swaptable.foods.reference import kitchen_errors
from swaptable.foods.values import value_errors
from swaptable.judging.density import index_components, nutrient_rich_foods_index

SALT = 'title: Salt\nservings: 2\ningredients: {salt: {amount: 3 g, food: "sr28:02047"}}\n'
POT = """
title: Pot
servings: 2
cooked weight: 380 g
ingredients:
  carrot: {amount: 200 g, food: "sr28:11124", cook: boiled, liquid: discarded}
  more carrot: {amount: 1 cup chopped, food: "sr28:11124", cook: boiled, liquid: discarded}
  turnip: {amount: 100 g, food: "sr28:11564", cook: boiled, liquid: discarded}
  salt: {amount: 1 tsp, food: "sr28:02047"}
choices:
  salt:
    a spoon: as written
    half: {salt: {amount: 1/2 tsp}}
    none: {salt: {amount: 0}}
  root:
    turnip: as written
    beet: {turnip: {food: "sr28:11080"}}
"""


def one(values, **options):
    """Take a single number."""
    return float(values.sel(options))


def test_error_by_hand(computed, sr28):
    """Salt as it is: its own error per 100 g, and 2 % of the weight on the scale, half of it in a serving."""
    certainty = certainty_of(computed(SALT))
    own = value_errors(sr28).standard_error[sr28.foods.index.get_loc("02047"), sr28.components.index.get_loc("NA")]
    expected = np.hypot(own * 3 / 100, 0.02 * 3 * 387.58) / 2
    assert one(certainty.error, component="NA") == pytest.approx(expected)
    low, high = certainty.interval()
    assert one(high - low, component="NA") == pytest.approx(2 * 1.6448536 * expected)


def test_what_is_shared_cancels(computed):
    """Taking the salt out changes sodium by the salt alone: the carrots' errors are in both variants."""
    certainty = certainty_of(computed(POT))
    amount = one(certainty.error, salt="none", root="turnip", component="NA")
    difference = one(certainty.difference_error, salt="none", root="turnip", component="NA")
    spoon = kitchen_errors()["volume"]
    assert difference == pytest.approx(spoon * 6.0 * 387.58 / 2, rel=0.05)  # and the small error of salt itself
    assert one(certainty.difference_error, salt="none", root="turnip", component="K") < 1
    assert amount > 0


def test_as_written_differs_from_itself_by_nothing(computed):
    """The difference of the recipe as written from itself is 0, and known exactly."""
    certainty = certainty_of(computed(POT))
    at = {"salt": "a spoon", "root": "turnip"}
    assert float(certainty.difference.sel(at).max()) == 0
    assert float(certainty.difference_error.sel(at).max()) == 0
    assert not bool(certainty.is_real().sel(at).any())


def test_a_plate_varies_more_than_the_mean_is_unknown(computed):
    """The spread of single foods adds to what is not known of their mean."""
    mean, plate = (certainty_of(computed(POT), "serving", question) for question in QUESTIONS)
    for component in ("K", "VITC", "CA", "FE"):
        assert one(plate.error, salt="none", root="turnip", component=component) > one(
            mean.error, salt="none", root="turnip", component=component
        )


def test_per_100_kcal_weighing_cancels(computed):
    """Of a single food the weight is in the amount and in the energy alike."""
    text = 'title: Oil\nservings: 1\ningredients: {oil: {amount: 2 tbsp, food: "sr28:04053"}}\n'
    amounts = computed(text)
    serving, dense = (certainty_of(amounts, basis) for basis in ("serving", "100 kcal"))
    relative = [one(c.error / c.amount, component="FASAT") for c in (serving, dense)]
    assert relative[1] < relative[0]
    assert one(dense.error, component="ENERC_KCAL") == 0


def simulate(amounts, question, runs, rng):
    """Draw every source anew and compute the batch of each variant: written apart from the formula."""
    grid, release = amounts.grid, amounts.grid.release
    errors = value_errors(release)
    known = errors.standard_error if question == "mean" else errors.spread
    mean, food_sd = retention_errors(grid.factors)
    kitchen, components = kitchen_errors(), ["K", "VITC", "NA", "CA"]
    columns = [release.components.index.get_loc(component) for component in components]
    draws = {}

    def draw(key, size):
        if key not in draws:
            draws[key] = rng.standard_normal((runs, size))
        return draws[key]

    totals = {}
    for variant in grid.variants():
        total = np.zeros((runs, len(components)))
        for name in grid.lines:
            line = grid.line(name, variant)
            if line is None:
                continue
            place = release.foods.index.get_loc(line.food.code)
            raw = release.matrix[place, columns]
            value = raw + np.nan_to_num(known[place, columns]) * draw(("v", line.food.code), 4)
            kept = line_values(line, release)[components].to_numpy() / np.where(raw > 0, raw, 1)
            kept = np.where(raw > 0, kept, 1.0)
            if line.cooking.rows:
                row = line.cooking.rows[0]
                relative = mean.loc[row, components].to_numpy() ** 2
                if question == "plate":
                    relative = relative + food_sd.loc[row, components].to_numpy() ** 2
                key = ("r", row, line.food.code if question == "plate" else "")
                kept = kept * (1 + np.sqrt(relative) * draw(key, 4))
            grams = line.edible_g * (1 + kitchen[line.ways[0]] * draw(("w", name, line.food.code), 1))
            total += grams * value * kept / 100
        totals[grid.label(variant)] = total / amounts.recipe.servings
    return components, totals


@pytest.mark.parametrize("question", QUESTIONS)
def test_formula_agrees_with_monte_carlo(computed, question):
    """20,000 draws of all sources spread like the formula says, for amounts and for differences.

    Products of errors, which the formula leaves out, and chance allow 5 % (10 % where single foods vary widely)
    and two thousandths of the amount.
    """
    allowed = {"mean": 0.05, "plate": 0.10}[question]
    amounts = computed(POT)
    grid = amounts.grid
    certainty = certainty_of(amounts, "serving", question)
    components, totals = simulate(amounts, question, 20_000, np.random.default_rng(7))
    written = totals["as written"]
    for variant in grid.variants():
        drawn = totals[grid.label(variant)]
        for number, component in enumerate(components):
            at = {**variant, "component": component}
            size = one(certainty.amount, **at)
            assert drawn[:, number].std() == pytest.approx(one(certainty.error, **at), rel=allowed, abs=0.002 * size)
            apart = (drawn - written)[:, number].std()
            assert apart == pytest.approx(one(certainty.difference_error, **at), rel=allowed, abs=0.002 * size)


def test_index_error_by_hand(computed, sr28):
    """An index of one component per energy has the error of the ratio."""
    amounts = computed(POT)
    ratio = index_certainty(amounts, lambda a: a.per("100 kcal").sel(component="K", drop=True), ["K", "ENERC_KCAL"])
    table = certainty_of(amounts, "100 kcal")
    assert np.allclose(ratio.error, table.error.sel(component="K"), rtol=1e-3)
    assert np.allclose(ratio.difference_error, table.difference_error.sel(component="K"), rtol=1e-3, atol=1e-6)


def test_index_of_nutrient_rich_foods_has_an_error(computed):
    """The index 9.3 carries a standard error, and none in its difference from itself."""
    certainty = index_certainty(computed(POT), nutrient_rich_foods_index, index_components())
    assert float(certainty.error.min()) > 0
    assert one(certainty.difference_error, salt="a spoon", root="turnip") == pytest.approx(0, abs=1e-9)


def test_unknown_question(computed):
    """The two questions are named."""
    with pytest.raises(SwaptableError, match="found question 'both'; expected mean or plate"):
        certainty_of(computed(SALT), "serving", "both")


WINE = """
title: Wine pot
servings: 1
ingredients:
  carrot: {amount: 300 g, food: "sr28:11124"}
  wine: {amount: 100 g, food: "sr28:14084"}
"""


def test_filled_gaps_are_visible_and_less_sure(computed, sr28):
    """A filled gap adds its amount and its larger error; the share that is known stays what it was."""
    left = computed(WINE.replace("sr28:14084", "sr28:06700"))  # broth: tryptophan is imputed from near foods
    filled = compute(build_grid(left.recipe, fill_gaps(sr28)))
    rows = [
        with_certainty(amounts_table(a, ["TRP_G", "K"], ["serving"]), a).set_index("component") for a in (left, filled)
    ]
    assert rows[0].loc["TRP_G", "status"] == "lower bound"
    assert rows[1].loc["TRP_G", "status"] == "imputed in part"
    assert rows[1].loc["TRP_G", "known_share"] == rows[0].loc["TRP_G", "known_share"] == pytest.approx(0.75)
    assert rows[1].loc["TRP_G", "amount"] >= rows[0].loc["TRP_G", "amount"]
    assert rows[1].loc["TRP_G", "standard_error"] >= rows[0].loc["TRP_G", "standard_error"]
    assert rows[0].loc["K", "amount"] == rows[1].loc["K", "amount"]
    assert rows[1].loc["K", "status"] == "complete"


def test_a_gap_is_never_rewarded(computed):
    """Where a component to keep down has no value the index would look better than it is: it is not given."""
    millet = 'title: Millet\nservings: 1\ningredients: {m: {amount: 100 g, food: "sr28:20031"}}\n'  # no sugars in SR28
    assert np.isnan(float(nutrient_rich_foods_index(computed(millet))))
    rice = millet.replace("20031", "20044")
    assert np.isfinite(float(nutrient_rich_foods_index(computed(rice))))


def test_the_mean_of_one_variant_is_as_sure_as_the_variant(computed):
    """Of a recipe without choices the mean over all variants is the dish: each component has its own error."""
    amounts = computed(WINE)
    errors = mean_errors(amounts.grid, ("K", "NA", "VITC"))
    own = certainty_of(amounts, "batch").error
    assert errors.tolist() == pytest.approx([one(own, component=tag) for tag in ("K", "NA", "VITC")])


def test_shares_of_evidence_add_up(computed, sr28):
    """Every amount rests wholly on something, and filled gaps are named."""
    filled = compute(build_grid(computed(WINE).recipe, fill_gaps(sr28)))
    shares = evidence_shares(filled, ["K", "TRP_G", "VITC"])
    assert np.allclose(shares.sum(axis=1), 1)
    assert shares.loc["K", "measured"] > 0.5


def test_shares_of_evidence_are_shares_of_the_amount(computed):
    """300 g of a cheese with 136 mg potassium measured, 100 g of one with 393 mg from its label."""
    text = (
        'title: Two\nservings: 1\ningredients:\n  brick: {amount: 300 g, food: "sr28:01005"}\n'
        '  slices: {amount: 100 g, food: "sr28:01061"}\n'
    )
    shares = evidence_shares(computed(text), ["K"]).loc["K"]
    assert shares.to_dict() == pytest.approx({"measured": 408 / 801, "label": 393 / 801})


def test_a_filled_gap_is_a_share_of_its_own_component(computed, sr28):
    """Tryptophan: 300 g carrots have a value, 100 g broth an imputed one; potassium has no gap to fill."""
    recipe = computed(WINE.replace("sr28:14084", "sr28:06700")).recipe
    filled = fill_gaps(sr28)
    shares = evidence_shares(compute(build_grid(recipe, filled)), ["K", "TRP_G"])
    at = filled.components.index.get_loc("TRP_G")
    carrot, broth = (filled.matrix[filled.foods.index.get_loc(code), at] for code in ("11124", "06700"))
    assert broth > 0
    assert shares["filled in"].to_dict() == pytest.approx({"K": 0, "TRP_G": broth / (3 * carrot + broth)})


def test_estimated_factors_are_a_choice(computed, sr28):
    """Roast chicken (805) keeps its published share of vitamin B-6 or the estimated one, side by side in the table."""
    text = 'title: C\nservings: 1\ningredients: {c: {amount: 100 g, food: "sr28:05006", cook: roasted}}\n'
    published = computed(text)
    estimated = compute(build_grid(published.recipe, sr28, "estimated"))
    raw = sr28.values("05006")["VITB6A"]
    row = retention_estimates().loc[("805", "VITB6A")]
    for amounts, share in ((published, row["published"]), (estimated, row["estimate"])):
        assert float(amounts.data["per_batch"].sel(component="VITB6A")) == pytest.approx(raw * share)
    assert row["n_families"] > 0
    with pytest.raises(SwaptableError, match="found factors 'guessed'; expected published or estimated"):
        build_grid(published.recipe, sr28, "guessed")


def test_salt_from_the_water_is_no_error_of_the_food(computed):
    """Swapping salty for mild cooking water is a real difference: only the published scatter of uptake is unsure.

    100 g spaghetti, yield 225 %: 27.4 × 2.25 = 61.65 mg sodium for each g/l; range 24 to 31, sd (31 − 24) / 3.29.
    """
    amounts = computed(
        """
title: Pasta
servings: 1
ingredients:
  pasta: {amount: 100 g, food: "sr28:20120", cook: boiled, liquid: discarded, yield: 225 %, salted water: 7 g/l}
choices:
  water:
    salty: as written
    mild: {pasta: {salted water: 1 g/l}}
    plain: {pasta: {salted water: 0 g/l}}
"""
    )
    certainty = certainty_of(amounts)
    assert one(certainty.difference, water="mild", component="NA") == pytest.approx(-6 * 61.65)
    expected = 6 * 61.65 * np.hypot(7 / 3.29 / 27.4, kitchen_errors()["mass"])
    assert one(certainty.difference_error, water="mild", component="NA") == pytest.approx(expected, rel=0.01)
    assert one(certainty.is_real(), water="mild", component="NA") == 1


def test_estimated_weights_of_two_variants_err_apart(computed):
    """Per 100 g, two dishes with their own yields have an error each; as written differs from itself by nothing."""
    certainty = certainty_of(computed(POT.replace("cooked weight: 380 g\n", "")), "100 g")
    at = {"salt": "a spoon", "component": "K"}
    assert one(certainty.difference_error, root="turnip", **at) == 0
    assert one(certainty.difference_error, root="beet", **at) > one(certainty.error, root="turnip", **at) * 0.3


def test_per_100_g_weighing_cancels(computed):
    """What 100 g of one food hold does not depend on how much of it was poured: only its own error is left."""
    poured, weighed = (
        certainty_of(
            computed(f'title: M\nservings: 1\ningredients: {{m: {{amount: {a}, food: "sr28:01079"}}}}\n'), "100 g"
        )
        for a in ("1 cup", "244 g")
    )
    assert one(poured.error, component="CA") == pytest.approx(one(weighed.error, component="CA"))
    assert one(poured.error, component="CA") > 0


def test_a_basis_that_nobody_thought_of_is_an_error(computed, monkeypatch):
    """Its errors would be those of another basis."""
    amounts = computed(POT)
    monkeypatch.setattr(type(amounts), "per", lambda self, basis: self.data["per_batch"])
    with pytest.raises(KeyError, match="200 g"):
        certainty_of(amounts, "200 g")


def test_what_a_peeler_takes_cancels_in_100_g_of_a_single_food(computed):
    """Whatever is taken off, 100 g of one food hold what 100 g hold: its refuse makes them no less sure."""
    one = 'title: T\nservings: 1\ningredients: {{p: {{amount: 300 g, food: "sr28:11352", {}}}}}\n'
    peeled, whole = (computed(one.format(way)) for way in ("weighed: as purchased, refuse: 20 %", "weighed: edible"))
    errors = [float(certainty_of(each, "100 g").error.sel(component="K")) for each in (peeled, whole)]
    assert errors[0] == pytest.approx(errors[1], rel=1e-9)
    serving = [certainty_of(each).error / each.per("serving") for each in (peeled, whole)]
    assert float(serving[0].sel(component="K")) > float(serving[1].sel(component="K"))


def test_one_plate_varies_with_what_is_filled_in(computed, sr28):
    """A value taken from other foods differs from plate to plate by at least the error of imputing it."""
    filled = fill_gaps(sr28)
    row, column = filled.foods.index.get_loc("14084"), filled.components.index.get_loc("GLUS")
    assert filled.imputation.method[row, column] > 0
    text = 'title: W\nservings: 1\ningredients: {w: {amount: 100 g, food: "sr28:14084"}}\n'
    amounts = compute(build_grid(computed(text).recipe, filled))
    plate = float(certainty_of(amounts, question="plate").error.sel(component="GLUS"))
    assert plate >= filled.imputation.spread[row, column] > 0
