"""Exploring a recipe says what going through its table would say, and says it of recipes that have no table."""

import argparse
import json
import re
import tracemalloc

import numpy as np
import pytest

from swaptable.amounts.certainty import certainty_of, effect_errors, index_certainty
from swaptable.amounts.chosen import amounts_at
from swaptable.amounts.comparison import choice_effects, unbeaten
from swaptable.amounts.nutrients import compute
from swaptable.amounts.recipes import read_recipe
from swaptable.amounts.variants import MOST_EXPLORED, build_grid
from swaptable.basics.errors import InputError, SwaptableError
from swaptable.commands.recipes import add_to
from swaptable.deciding import grid_parts
from swaptable.deciding.explore import explore, explore_recipe
from swaptable.deciding.yardsticks import COST, DENSITY, Yardstick
from swaptable.judging.density import index_components, nutrient_rich_foods_index
from swaptable.judging.study import compute_recipe

SODIUM = Yardstick("NA", "serving", "mg", False)
POTASSIUM = Yardstick("K", "serving", "mg", True)
IRON = Yardstick("FE", "100 g", "mg", True)
INDEX = Yardstick(DENSITY, "100 kcal", "points", True)

# Carrots, turnips, beets, leeks, parsnips and parsley in SR28, so many of each that no two choices change sodium alike.
FOODS = ("11124", "11564", "11080", "11246", "11298", "11297")
RULES = "not together: [{c0: some 0, c2: more 2}, {c1: some 1, c3: some 3}]\n"


def many(count, rules=""):
    """Write a recipe of choices of three options, each of an ingredient of its own, and two that share one."""
    text = 'title: Many\nservings: 4\ningredients:\n  salt: {amount: 6 g, food: "sr28:02047"}\n'
    for number in range(count):
        code = FOODS[number % len(FOODS)]
        text += f'  i{number}: {{amount: {100 + 7 * number} g, food: "sr28:{code}", cook: boiled, liquid: kept}}\n'
    text += "choices:\n"
    for number in range(count):
        text += f"  c{number}:\n    all {number}: as written\n"
        text += f"    some {number}: {{i{number}: {{amount: {20 + number} g}}}}\n"
        text += f"    more {number}: {{i{number}: {{amount: {200 + 3 * number} g}}}}\n"
    return text + "  salt:\n    salted: as written\n    unsalted: {salt: {amount: 0}}\n" + rules


@pytest.fixture
def grid_of(tmp_path, sr28):
    """Build the grid of a recipe written in a test."""

    def build(text):
        path = tmp_path / "many.yaml"
        path.write_text(text, encoding="utf-8")
        return build_grid(read_recipe(path), sr28)

    return build


@pytest.fixture(params=["at once", "in small parts"])
def parts(request, monkeypatch):
    """Go through the grid in one part, or in so small ones that no choice varies together with most others."""
    if request.param != "at once":
        monkeypatch.setattr("swaptable.deciding.explore.AT_ONCE", 300)


@pytest.mark.parametrize("rules", ["", RULES], ids=["free", "with rules"])
@pytest.mark.parametrize("measures", [(SODIUM, POTASSIUM), (IRON, INDEX)], ids=["in proportion", "ratios"])
def test_exploring_agrees_with_the_whole_table(grid_of, parts, rules, measures):
    """Ranges, mean, best, frontier and effects are those of the 486 variants computed and compared one by one."""
    grid = grid_of(many(5, rules))
    found = explore(grid, measures, best=7)
    amounts = compute(grid)
    listed = [grid.listed(one.values(amounts)) for one in measures]
    assert found.allowed == len(grid.variants())
    for one, values in zip(measures, listed, strict=True):
        rows = found.ranges[found.ranges["measure"] == one.name].set_index("statistic")
        assert rows.at["mean", "value"] == pytest.approx(values.mean())
        assert rows.loc[["least", "most"], "value"].tolist() == pytest.approx([values.min(), values.max()])
        assert (rows["known"] == len(values)).all()
        exact = np.quantile(values, list(grid_parts.QUANTILES.values()), method="inverted_cdf")
        assert rows.loc[list(grid_parts.QUANTILES), "value"].to_numpy() == pytest.approx(
            exact, abs=1.01 * (values.max() - values.min()) / grid_parts.BINS
        )
        expected = choice_effects(one.values(amounts), grid)
        told = found.effects[found.effects["measure"] == one.name]
        for column in ("effect", "least", "most", "combinations"):
            np.testing.assert_allclose(told[column], expected[column], rtol=1e-9, atol=1e-9)
    gains = [values if one.more else -values for one, values in zip(measures, listed, strict=True)]
    best = np.argsort(-gains[0], kind="stable")[:7]
    assert found.best[measures[0].column].to_numpy() == pytest.approx(listed[0][best])
    on = unbeaten(np.column_stack(gains))
    assert found.on_frontier == on.sum()
    assert set(found.frontier["variant"]) <= {grid.labels[place] for place in np.flatnonzero(on)}
    assert found.frontier["variants_alike"].sum() == on.sum()


def test_standard_errors_are_those_of_the_table(grid_of):
    """Amounts, differences from the recipe as written, effects: what is named has the certainty of the table."""
    grid = grid_of(many(4, RULES.replace("c3: some 3", "c3: more 3")))
    found = explore(grid, (SODIUM, INDEX), best=12)
    amounts = compute(grid)
    of_sodium = certainty_of(amounts)
    of_index = index_certainty(amounts, nutrient_rich_foods_index, index_components())
    places = [grid.labels.index(label) for label in found.best["variant"]]
    for column, known in (
        (SODIUM.column, [each.sel(component="NA") for each in (of_sodium.error, of_sodium.difference_error)]),
        (INDEX.column, [of_index.error, of_index.difference_error]),
    ):
        for name, values in zip(("standard_error", "difference_standard_error"), known, strict=True):
            expected = grid.listed(values)[places]
            np.testing.assert_allclose(found.best[f"{column}_{name}"], expected, rtol=1e-6, atol=1e-9)
    effects = found.effects[found.effects["measure"] == "Sodium"]
    errors = effect_errors(amounts, "NA")
    expected = [errors[row.choice, row.option] for row in effects.itertuples()]
    np.testing.assert_allclose(effects["standard_error"], expected, rtol=1e-9)


def test_the_error_of_the_mean_is_that_of_the_mean_of_all(grid_of):
    """What all variants share does not average out: the plain mean of each source's changes, squared and summed."""
    from swaptable.amounts.sources import independent_sources

    grid = grid_of(many(3, "not together: [{c0: some 0, c2: more 2}]\n"))
    rows = explore(grid, (SODIUM,)).ranges.set_index("statistic")
    square = 0.0
    for source in independent_sources(grid, "mean", ("NA",)):
        change = source.change.isel(component=0)
        full = change.set_dims({name: len(options) for name, options in grid.choices.items()}).to_numpy()
        square += float(full[grid.allowed.to_numpy()].mean()) ** 2
    assert rows.at["mean", "standard_error"] == pytest.approx(np.sqrt(square) / 4)


def test_gaps_are_counted_and_never_praised(grid_of):
    """A variant whose sodium is a lower bound has no place among those of least sodium."""
    text = (
        'title: Gap\nservings: 1\ningredients:\n  base: {amount: 100 g, food: "sr28:11124"}\n'
        '  extra: {amount: 100 g, food: "sr28:11564"}\nchoices:\n  extra:\n    turnip: as written\n'
        '    gap: {extra: {food: "sr28:GAP"}}\n'
    )
    from swaptable.foods.release import open_release

    release = open_release()
    column = release.components.index.get_loc("CHOLN")
    lacking = release.foods.index[np.isnan(release.matrix[:, column])][0]
    grid = grid_of(text.replace("GAP", lacking))
    found = explore(grid, (Yardstick("CHOLN", "serving", "mg", False),))
    assert found.best["variant"].tolist() == ["as written"]
    assert found.ranges["lower_bounds"].tolist() == [1] * len(found.ranges)


def test_of_variants_that_are_alike_one_is_named(grid_of):
    """A choice that changes nothing of what is compared does not fill the frontier."""
    grid = grid_of(
        many(3) + '  water:\n    dry: as written\n    wet: {water: {amount: 100 g, food: "sr28:14411"}}\n'
        '  more water:\n    no: as written\n    yes: {second water: {amount: 50 g, food: "sr28:14411"}}\n'
    )
    energy = Yardstick("ENERC_KCAL", "serving", "kcal", False)
    found = explore(grid, (energy, POTASSIUM))
    assert (found.frontier["variants_alike"] == 2).sum() >= 1 or (found.frontier["variants_alike"] == 4).all()
    assert found.frontier["variants_alike"].sum() == found.on_frontier


def test_a_million_variants_are_explored_in_bounded_memory(grid_of):
    """3^12 × 2 = 1,062,882 variants: their sodium alone would fill 8.5 MB, all their amounts over a gigabyte."""
    grid = grid_of(many(12))
    assert grid.combinations == 1_062_882
    explore(grid_of(many(2)), (SODIUM, POTASSIUM))  # what is read once is not what is asked for here
    tracemalloc.start()
    found = explore(grid, (SODIUM, POTASSIUM), best=3)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert found.allowed == grid.combinations
    assert found.best["variant"].iloc[0].count("some") == 12
    assert peak < 150e6


@pytest.mark.parametrize(
    ("own", "rules", "told"),
    [
        ("", "cooked weight: 30 g\n", ": cooked weight: found a cooked weight of 7.358 g for 'some 0', less than its"),
        (", cooked weight: 1 g", "cooked weight: 400 g\n", "c0.some 0.cooked weight: found a cooked weight of 1 g"),
        (", cooked weight: 9 g", "not together: [{c0: some 0, salt: salted}]\n", "'some 0' alone is excluded under"),
    ],
    ids=["dish", "option", "excluded"],
)
def test_a_weight_that_cannot_be_is_refused_where_it_stands(grid_of, own, rules, told):
    """Less than what does not evaporate, or of a dish that is ruled out: of the table and of listed variants alike."""
    grid = grid_of(many(1, rules).replace("{i0: {amount: 20 g}}", f"{{i0: {{amount: 20 g}}{own}}}"))
    for computed in (compute, lambda grid: amounts_at(grid, grid.codes)):
        with pytest.raises(InputError, match=re.escape(told)):
            computed(grid)


def test_a_component_that_was_not_computed_is_named(grid_of):
    """With what there is; nothing is taken for zero."""
    with pytest.raises(SwaptableError, match="found component 'XYZ', which was not computed; there are "):
        compute(grid_of(many(1))).places(["NA", "XYZ"])


def test_listed_variants_are_those_of_the_grid(grid_of):
    """Picked out of a grid, variants hold what they hold in its table, and share what they share there."""
    grid = grid_of(many(3, "cooked weight: 400 g\n"))
    amounts = compute(grid)
    places = [0, 5, 17, 53]
    picked = amounts_at(grid, grid.codes[places])
    assert picked.grid.choices["variant"] == tuple(grid.labels[place] for place in places)
    for name in ("per_batch", "known_share"):
        expected = grid.listed_rows(amounts.data[name])[places]
        np.testing.assert_allclose(picked.data[name].to_numpy(), expected, rtol=1e-12, atol=1e-12)
    for basis in ("serving", "100 g", "100 kcal"):
        here, whole = certainty_of(picked, basis), certainty_of(amounts, basis)
        for one, other in ((here.error, whole.error), (here.difference_error, whole.difference_error)):
            np.testing.assert_allclose(one.to_numpy(), grid.listed_rows(other)[places], rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"measures": []}, "found no measure"),
        ({"measures": ["sodium", "least sodium"]}, "found sodium twice"),
        ({"best": 0}, "found 0 of the best"),
        ({"measures": ["sugar rush"]}, "found 'sugar rush'"),
        ({"basis": "plate"}, "found basis 'plate'"),
        ({"gaps": "closed"}, "found gaps 'closed'"),
    ],
)
def test_what_cannot_be_explored_is_refused(arguments, message):
    """One sentence, before anything is gone through."""
    with pytest.raises(SwaptableError, match=message):
        explore_recipe("oat_pancakes", **arguments)


@pytest.mark.parametrize("name", ["variants_alike", "sodium_mg_per_serving_whole"])
def test_a_choice_never_hides_under_a_column(tmp_path, name):
    """Its options would be lost without a word."""
    path = tmp_path / "own.yaml"
    choice = f"choices: {{{name}: {{all: as written, none: {{salt: {{amount: 0}}}}}}}}\n"
    path.write_text('title: T\nservings: 1\ningredients: {salt: {amount: 1 g, food: "sr28:02047"}}\n' + choice, "utf-8")
    with pytest.raises(SwaptableError, match=f"found choice '{name}', named like a column"):
        explore_recipe(path)


def test_cost_is_refused():
    """Prices are no component of a release."""
    with pytest.raises(SwaptableError, match="found cost"):
        explore(compute_recipe("oat_pancakes").grid, (Yardstick(COST, "serving", "EUR", False),))


def test_the_command_prints_any_of_the_tables(capsys):
    """CSV of one table, or JSON of all."""
    parser = argparse.ArgumentParser()
    add_to(parser.add_subparsers())

    def run(*arguments):
        options = parser.parse_args(["explore", "oat_pancakes", *arguments])
        assert options.command(options) == 0
        return capsys.readouterr()

    printed = run("--measure", "sodium", "--table", "effects")
    assert printed.out.startswith("measure,unit,basis,choice,option,instead_of,effect,least,most,combinations,standard")
    assert "12 of 12 combinations go together" in printed.err
    tables = json.loads(run("--format", "json", "--most", "2").out)
    assert sorted(tables) == ["best", "effects", "frontier", "ranges"]
    assert len(tables["best"]) == 2
    with pytest.raises(SwaptableError, match="leave --table out"):
        run("--format", "json", "--table", "best")


def test_forty_choices_are_answered_before_anything_is_built(tmp_path, sr28):
    """1,099,511,627,776 variants: their number, the limit, and how to cut it."""
    lines = "".join(f'  i{n}: {{amount: 1 g, food: "sr28:11124"}}\n' for n in range(40))
    choices = "".join(f"  c{n}:\n    yes {n}: as written\n    no {n}: {{i{n}: {{amount: 0}}}}\n" for n in range(40))
    path = tmp_path / "forty.yaml"
    path.write_text(f"title: Forty\nservings: 1\ningredients:\n{lines}choices:\n{choices}", encoding="utf-8")
    with pytest.raises(InputError, match=rf"1,099,511,627,776 .*at most {MOST_EXPLORED:,}.*leave out at least 10"):
        build_grid(read_recipe(path), sr28)


def test_an_ingredient_that_everything_touches_is_refused(tmp_path, sr28):
    """Its lines are one for each combination of its own choices; 2^14 are more than anybody weighs."""
    fields = ["amount: 5 g", 'food: "sr28:11124"', "cook: boiled", "liquid: kept", "refuse: 5 %", "weighed: edible"]
    choices = "".join(
        f"  c{n}:\n    yes {n}: as written\n    no {n}: {{one: {{{fields[n % 6]}}}}}\n" for n in range(14)
    )
    path = tmp_path / "one.yaml"
    text = 'title: One\nservings: 1\ningredients:\n  one: {amount: 1 g, food: "sr28:11564"}\n'
    path.write_text(f"{text}choices:\n{choices}", encoding="utf-8")
    with pytest.raises(InputError, match=r"'one' is touched by .* 16,384 combinations"):
        build_grid(read_recipe(path), sr28)
