"""What an amount weighs: a mass, a portion of the food, its density, a general density, in that order of trust.

Portions are those of USDA SR28 (2015), WEIGHT.txt, written out in the tests; US measures are exact by NIST Handbook 44
(1 US cup = 236.5882365 ml).
"""

from functools import cache

import pytest

from swaptable.amounts.weights import Weight, density_of, weigh
from swaptable.basics.errors import SwaptableError
from swaptable.basics.units import parse_amount
from swaptable.foods.release import Food, FoodRelease, Portion, open_release

CUP, TEASPOON, TABLESPOON, QUART = 236.5882365, 4.92892159375, 14.78676478125, 946.352946
CARROT, ONION, GARLIC, POTATO, TOMATO, EGG = "11124", "11282", "11215", "11352", "11529", "01123"
CHICKEN_BREAST, SALMON, SALT, MILK, RICE, OATS, KALE = "05057", "15236", "02047", "01077", "20036", "08120", "11233"


@cache
def sr28() -> FoodRelease:
    """Open SR28 once."""
    return open_release("sr28")


def weight(amount: str, code: str) -> Weight:
    """Weigh an amount of a food of SR28."""
    return weigh(parse_amount(amount), sr28().food(code))


def food_with(description: str, group: str, *portions: tuple[str, float]) -> Food:
    """Make a food with the given portions."""
    return Food("x", description, group, 0.0, "", tuple(Portion(measure, grams) for measure, grams in portions))


@pytest.mark.parametrize(
    ("amount", "grams"),
    [("180 g", 180), ("1.5 kg", 1500), ("500 mg", 0.5), ("2 oz", 56.69904625), ("1/2 lb", 226.796185), ("3 grams", 3)],
)
def test_a_mass_is_what_it_says(amount: str, grams: float) -> None:
    """A mass does not depend on the food; an ounce is 28.349523125 g even where SR28 rounds its portion."""
    assert weight(amount, SALMON) == Weight(pytest.approx(grams, rel=1e-12), "mass", "measured", "mass")


@pytest.mark.parametrize(
    ("amount", "code", "grams"),
    [
        ("1 cup chopped", CARROT, 128),
        ("1 1/2 cups chopped", CARROT, 192),
        ("1 cup, chopped", CARROT, 128),
        ("2 medium", CARROT, 122),
        ("3 slices", CARROT, 9),
        ('1 small (5-1/2" long)', CARROT, 50),
        ("3 medium potatoes", POTATO, 639),
        ("2 cloves", GARLIC, 6),
        ("1 clove", GARLIC, 3),
        ("2 large eggs", EGG, 100),
        ("1 cup", EGG, 243),
        ("1 tsp", SALT, 6),
        ("1 dash", SALT, 0.4),
        ("2 fl oz", MILK, 61),
        ("1 cup", OATS, 81),  # printed twice, 81 g and 30 g for 0.37 cup: the same but for rounding
        ("1 breast, bone removed", CHICKEN_BREAST, 290),
    ],
)
def test_the_food_s_own_portion(amount: str, code: str, grams: float) -> None:
    """The words of a portion, in any grammatical number and punctuation, weigh what SR28 prints (2015)."""
    found = weight(amount, code)
    assert found.grams == pytest.approx(grams)
    assert found.evidence == "calculated"
    assert found.origin.startswith("the food's portion (1 ")


@pytest.mark.parametrize(
    ("amount", "code", "grams", "measure"),
    [
        ("1 large", TOMATO, 182, 'large whole (3" dia)'),
        ("2 tbsp", ONION, 20, "tbsp chopped"),
        ("2 cups pieces", KALE, 32, 'cup 1" pieces, loosely packed'),
    ],
)
def test_the_only_portion_that_holds_all_words(amount: str, code: str, grams: float, measure: str) -> None:
    """Where just one portion holds all the words it is meant, and the origin quotes it."""
    found = weight(amount, code)
    assert found.grams == pytest.approx(grams)
    assert f"1 {measure} =" in found.origin


@pytest.mark.parametrize(
    ("amount", "code", "choices"),
    [
        ("1 cup", CARROT, ["cup chopped (128 g)", "cup grated (110 g)", "cup strips or slices (122 g)"]),
        ("2 medium", TOMATO, ["medium whole", "slice, medium"]),
        ("1 breast", CHICKEN_BREAST, ["(174 g)", "(290 g)"]),
        ("1 cup", "20120", ["cup spaghetti (91 g)", "cup shells (64 g)"]),
    ],
)
def test_an_ambiguous_measure_is_not_guessed(amount: str, code: str, choices: list[str]) -> None:
    """Words that could be several portions are an error that lists them with their weights."""
    with pytest.raises(SwaptableError, match=r"which could be .*; say which") as raised:
        weight(amount, code)
    for choice in choices:
        assert choice in str(raised.value)


@pytest.mark.parametrize(
    ("amount", "code", "grams"),
    [
        ("100 ml", RICE, 185 / CUP * 100),  # 78.195
        ("1/4 tsp", RICE, 185 / CUP * TEASPOON / 4),
        ("1 metric cup", MILK, 976 / QUART * 250),  # by the quart, the largest portion: 257.83
        ("1 pinch", SALT, 292 / CUP * TEASPOON / 16),  # by the cup of 292 g, not the teaspoon of 6 g
        ("2 tsp chopped", ONION, 160 / CUP * TEASPOON * 2),
        ("50 ml sliced", ONION, 115 / CUP * 50),
        ("1 l", MILK, 976 / QUART * 1000),
    ],
)
def test_the_density_of_the_food_s_own_portion(amount: str, code: str, grams: float) -> None:
    """A volume that is no portion takes the density of the largest portion with the same words (SR28, 2015)."""
    found = weight(amount, code)
    assert found.grams == pytest.approx(grams, rel=1e-9)
    assert found.evidence == "calculated"
    assert found.origin.startswith("the food's density (1 ")


def test_qualifiers_choose_the_density() -> None:
    """Chopped and sliced onions differ in density as their cups do: 160 and 115 g."""
    onion = sr28().food(ONION)
    assert density_of(onion, frozenset({"chopped"}))[0] == pytest.approx(160 / CUP)
    assert density_of(onion, frozenset({"sliced"}))[0] == pytest.approx(115 / CUP)


def test_a_volume_of_several_densities_is_not_guessed() -> None:
    """A teaspoon of onion could be of the chopped or the sliced kind."""
    with pytest.raises(SwaptableError, match=r"a volume of 'Onions, raw' could be .*; say which"):
        weight("2 tsp", ONION)


def test_the_general_density_comes_last_and_is_assumed() -> None:
    """An oil without portions weighs 0.9214 g/ml, 218 g in a cup as SR28's salad oil (2015), as an assumption."""
    found = weigh(parse_amount("100 ml"), food_with("Oil, walnut seed", "0400"))
    assert found.grams == pytest.approx(92.14)
    assert (found.evidence, found.origin.startswith("general density 0.9214 g/ml")) == ("assumed", True)


def test_own_density_comes_before_the_general_one() -> None:
    """An oil with a cup of 210 g is weighed by it."""
    found = weigh(parse_amount("1 tbsp"), food_with("Oil, walnut seed", "0400", ("cup", 210.0)))
    assert found.grams == pytest.approx(210 / CUP * TABLESPOON)
    assert found.evidence == "calculated"


def test_a_general_density_is_not_used_for_qualified_volumes() -> None:
    """What a heaped or chopped volume weighs is not in the general table."""
    with pytest.raises(SwaptableError, match="has no portion 'cup whipped'; give a mass"):
        weigh(parse_amount("1 cup whipped"), food_with("Oil, walnut seed", "0400"))


def test_a_volume_with_words_that_no_portion_has_is_named() -> None:
    """The error repeats the measure as it was written, and lists each measure of the food once."""
    food = food_with("Basil, dried", "0200", ("tsp", 0.7), ("tsp", 0.71), ("tbsp", 2.1))
    with pytest.raises(SwaptableError, match=r"'Basil, dried' has no portion 'tsp leaves'; .*portions: tsp, tbsp$"):
        weigh(parse_amount("1 tsp leaves"), food)


@pytest.mark.parametrize(
    ("amount", "problem"),
    [
        ("1 cup", r"has no portion or density for a volume; give a mass, or one of its portions: breast, bone removed"),
        ("2 bunches", r"found 'bunches'; expected a mass \(g, kg, oz, lb\), a volume .* or a portion of 'Chicken"),
        ("2 T", r"found 'T'; expected a mass"),
        ("3", r"found a number without a measure; expected a mass"),
    ],
    ids=["no volume", "no such portion", "T", "bare number"],
)
def test_a_measure_that_means_nothing_names_the_portions(amount: str, problem: str) -> None:
    """An error says what was found and lists the food's portions with their weights."""
    with pytest.raises(SwaptableError, match=problem) as raised:
        weight(amount, CHICKEN_BREAST)
    assert "breast, bone removed" in str(raised.value)


def test_a_food_without_portions_says_none() -> None:
    """Where a food has no portions the error says so."""
    with pytest.raises(SwaptableError, match="a portion of 'Quark': none"):
        weigh(parse_amount("1 tub"), food_with("Quark", "0100"))


@pytest.mark.parametrize("amount", ["0 g", "0 cups", "0", "0 nonsense"])
def test_nothing_weighs_nothing(amount: str) -> None:
    """An amount of 0 removes the ingredient whatever its measure."""
    assert weight(amount, CARROT).grams == 0


@pytest.mark.parametrize(("first", "second", "same"), [(100.0, 102.0, True), (100.0, 102.1, False)])
def test_portions_that_differ_by_rounding_are_one(first: float, second: float, same: bool) -> None:
    """Two portions of one measure are the same up to 2 % apart, and ambiguous beyond."""
    food = food_with("Quark", "0100", ("cup", first), ("cup", second))
    if same:
        assert weigh(parse_amount("1 cup"), food).grams == first
    else:
        with pytest.raises(SwaptableError, match="which could be"):
            weigh(parse_amount("1 cup"), food)
