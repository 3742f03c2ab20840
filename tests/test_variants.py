"""Options are patches: replacing, adding, removing, scaling, peeling and cooking otherwise.

Values per 100 g and portions read in SR28: potatoes (11352) energy 77 kcal, refuse 25 %, one medium 213 g;
sweet potato (11507) energy 86 kcal, refuse 28 %; 2 % milk (01079) 1 cup = 244 g; soya drink (16139) 1 cup =
243 g; olive oil (04053) 1 cup = 216 g, calcium 1 mg; tap water (14411) 1 liter = 1000 g, energy 0.
"""

import pytest

from swaptable.amounts.recipes import read_recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import InputError

POT = """
title: Pot
servings: 2
ingredients:
  tuber: {{amount: {amount}, food: "sr28:11352", weighed: as purchased}}
choices:
  tuber:
    potato: as written
    other: {{tuber: {patch}}}
"""


@pytest.fixture
def grid_of(tmp_path, sr28):
    """Build the grid of a recipe written in a test."""

    def build(text):
        path = tmp_path / "recipe.yaml"
        path.write_text(text, encoding="utf-8")
        return build_grid(read_recipe(path), sr28)

    return build


@pytest.mark.parametrize(
    ("patch", "edible", "purchased"),
    [
        ('{food: "sr28:11507"}', 750, 750 / 0.72),
        ('{food: "sr28:11507", same: weight}', 750, 750 / 0.72),
        ('{food: "sr28:11507", same: energy}', 750 * 77 / 86, 750 * 77 / 86 / 0.72),
        ('{food: "sr28:11507", amount: 1 kg}', 720, 1000),
        ("{refuse: 3 %}", 970, 1000),
        ("{weighed: edible}", 1000, 1000 / 0.75),
        ("{amount: 3 medium}", 3 * 213 * 0.75, 3 * 213),
    ],
    ids=["same weight", "same weight said", "same energy", "own amount", "peeled thin", "edible", "pieces"],
)
def test_a_patch_changes_only_what_it_says(grid_of, patch, edible, purchased):
    """1 kg of potatoes as purchased is 750 g edible; each option starts from there."""
    grid = grid_of(POT.format(amount="1 kg", patch=patch))
    line = grid.line("tuber", {"tuber": "other"})
    assert line.edible_g == pytest.approx(edible)
    assert line.purchased_g == pytest.approx(purchased)
    assert grid.line("tuber", {"tuber": "potato"}).edible_g == pytest.approx(750)


@pytest.mark.parametrize(
    ("amount", "expected"),
    [("1 cup", 243.0), ("2 cups", 486.0), ("500 ml", 500 * 243 / 236.5882365), ("244 g", 243.0)],
)
def test_equal_volume(grid_of, amount, expected):
    """A cup of soya drink for a cup of milk; a weight is first turned into a volume by the old food's density."""
    grid = grid_of(
        f"""
title: Drink
servings: 1
ingredients:
  milk: {{amount: {amount}, food: "sr28:01079"}}
choices:
  milk:
    cow: as written
    soya: {{milk: {{food: "sr28:16139", same: volume}}}}
"""
    )
    assert grid.line("milk", {"milk": "soya"}).edible_g == pytest.approx(expected)


def test_options_of_two_choices_combine(grid_of):
    """The swap keeps the edible weight that the other choice's patch leaves."""
    grid = grid_of(
        POT.format(amount="1 kg", patch='{food: "sr28:11507"}')
        + "  skin:\n    off: as written\n    on it: {tuber: {refuse: 3 %}}\n"
    )
    assert grid.line("tuber", {"tuber": "other", "skin": "off"}).edible_g == pytest.approx(750)
    both = grid.line("tuber", {"tuber": "other", "skin": "on it"})
    assert (both.edible_g, both.food.code) == (pytest.approx(970), "11507")


def test_ingredients_appear_and_go(grid_of):
    """An option may bring a new ingredient; amount 0 takes one out."""
    grid = grid_of(
        """
title: Pot
servings: 1
ingredients:
  stock: {amount: 1 l, food: "sr28:14411"}
  oil: {amount: 1 cup, food: "sr28:04053"}
choices:
  liquid:
    all: as written
    half: {stock: {amount: 0.5 l}, water: {amount: 500 g, food: "sr28:14411"}}
  oil:
    with oil: as written
    without: {oil: {amount: 0}}
"""
    )
    assert grid.line("water", {"liquid": "all", "oil": "with oil"}) is None
    assert grid.line("water", {"liquid": "half", "oil": "with oil"}).edible_g == 500
    assert grid.line("stock", {"liquid": "half", "oil": "with oil"}).edible_g == pytest.approx(500)
    assert grid.line("oil", {"liquid": "all", "oil": "without"}) is None
    assert [grid.own_choices(name) for name in ("stock", "oil", "water")] == [("liquid",), ("oil",), ("liquid",)]


def test_two_options_may_not_set_the_same_field(grid_of):
    """The error names both options and the field, at the place of the second."""
    text = (
        POT.format(amount="1 kg", patch="{refuse: 10 %}")
        + "  skin:\n    off: as written\n    on it: {tuber: {refuse: 3 %}}\n"
    )
    with pytest.raises(InputError, match=r":12:29: .*'skin → on it' and 'tuber → other' both set refuse of tuber"):
        grid_of(text)


def test_options_kept_apart_may_set_the_same_field(grid_of):
    """Under 'not together' the two are never applied at once."""
    text = (
        POT.format(amount="1 kg", patch="{refuse: 10 %}")
        + "  skin:\n    off: as written\n    on it: {tuber: {refuse: 3 %}}\n"
    )
    grid = grid_of(text + "not together: [{tuber: other, skin: on it}]\n")
    assert len(grid.variants()) == 3
    assert grid.line("tuber", {"tuber": "potato", "skin": "on it"}).edible_g == pytest.approx(970)


def test_labels_name_what_differs(grid_of):
    """A label holds the options that differ, with the choice where the option alone says too little."""
    grid = grid_of(
        POT.format(amount="1 kg", patch='{food: "sr28:11507"}')
        + "  skin:\n    'off': as written\n    'on': {tuber: {refuse: 3 %}}\n"
    )
    labels = [grid.label(variant) for variant in grid.variants()]
    assert labels == ["as written", "skin on", "other", "other + skin on"]


def test_a_recipe_without_choices_is_one_variant(grid_of):
    """Nothing to choose: the recipe as written alone."""
    grid = grid_of('title: Oil\nservings: 1\ningredients: {oil: {amount: 10 g, food: "sr28:04053"}}\n')
    assert grid.variants() == [{}]
    assert grid.label({}) == "as written"
