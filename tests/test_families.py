"""Which part a food plays: patterns looked at over all descriptions of the release."""

import pandas as pd
import pytest

from swaptable.foods.families import food_kind, parts_of, short_name
from swaptable.foods.reference import culinary_families
from swaptable.foods.release import FoodRelease

FAMILIES = {
    "11352": "starchy tubers", "11507": "starchy tubers", "11233": "leafy greens", "06700": "stock & broths",
    "14411": "stock & broths", "15088": "oily fish", "15015": "white fish", "16049": "pulses", "20005": "grains",
    "01032": "hard cheese", "01079": "milk & drinks", "16120": "milk & drinks", "04053": "oils", "12061": "nuts",
    "09050": "berries", "19296": "sweeteners", "02047": "salt & seasonings", "23571": "", "11215": "garlic & ginger",
    "11282": "onion family", "05062": "poultry", "09206": "fruit juices", "02042": "dried herbs",
    "11366": "",  # potatoes, microwaved: the skin alone
    "03001": "",  # baby food
    "21001": "",  # fast food
}  # fmt: skip


def test_families_of_common_foods(sr28: FoodRelease):
    """Foods of a kitchen are of the family a cook would say; what is no ingredient has none."""
    parts = parts_of(sr28)
    expected = {code: name for code, name in FAMILIES.items() if code in parts.index and code != "23571"}
    assert {code: parts.at[code, "family"] for code in expected} == expected


def test_every_rule_finds_a_food_and_every_family_has_a_role(sr28: FoodRelease):
    """No family is empty, and its role is one and the same in all of its rows."""
    table = culinary_families()
    parts = parts_of(sr28)
    with_role = table[table["role"] != ""]
    assert set(with_role["family"]) == set(parts["family"]) - {""}
    assert (with_role.groupby("family")["role"].nunique() == 1).all()
    assert (table["source"] != "").all()


def test_no_brand_baby_food_or_dish_has_a_family(sr28: FoodRelease):
    """Nothing of a maker, for babies, of restaurants or of meals is ever a swap."""
    foods = sr28.foods.join(parts_of(sr28))
    swaps = foods[foods["family"] != ""]
    assert not set(swaps["food_group"]) & {"0300", "2100", "2200", "2500", "3500", "3600"}
    assert (swaps["manufacturer"].fillna("") == "").all()
    words = swaps["description"].str.lower()
    assert not words.str.contains("usda commodity|infant|nuggets|au gratin").any()


@pytest.mark.parametrize(
    ("family", "word"),
    [("leafy greens", "pokeberry"), ("oils", "hydrogenated"), ("poultry", "breaded"), ("pulses", "flour")],
)
def test_what_a_family_leaves_out(sr28: FoodRelease, family: str, word: str):
    """What is poisonous raw, prepared or ground is not swapped for the plain food."""
    words = sr28.foods["description"][parts_of(sr28)["family"] == family].str.lower()
    assert len(words) > 0
    assert not words.str.contains(word).any()


def test_short_names_and_kinds():
    """An option is named as a cook names the food; cuts and packs of one food are of one kind."""
    assert (
        short_name("Fish, sardine, Atlantic, canned in oil, drained solids with bone")
        == "sardine, Atlantic, canned in oil"
    )
    assert food_kind("1500", "Fish, tuna, light, canned in oil") == food_kind(
        "1500", "Fish, tuna, light, canned in water"
    )
    assert food_kind("1100", "Yam, raw") != food_kind("1100", "Taro, raw")


def test_families_are_aligned_with_the_foods(sr28: FoodRelease):
    """One row for each food of the release, in its order."""
    pd.testing.assert_index_equal(parts_of(sr28).index, sr28.foods.index)
