"""Amounts on the grid against arithmetic done by hand on SR28's printed values.

Values per 100 g read in SR28's NUT_DATA: carrots, raw (11124): water 88.29 g, energy 41 kcal, sodium 69 mg,
potassium 320 mg, vitamin C 5.9 mg, β-carotene 8285 µg, α-carotene 3477 µg, retinol and cryptoxanthin 0, food
folate 19 µg, niacin 0.983 mg, tryptophan 0.012 g; table salt (02047): sodium 38758 mg; table wine (14084):
alcohol 10.4 g, energy 83 kcal, no tryptophan given; olive oil (04053): 884 kcal.
USDA retention, root vegetables boiled in water to cover, drained (3455): vitamin C 65 %, potassium 90 %, sodium
95 %, carotenes 90 %, food folate 65 %; water used (3456): vitamin C 75 %, potassium 100 %.
"""

import numpy as np
import pandas as pd
import pytest

from swaptable.amounts.nutrients import BASES, amounts_table, component_table, ingredient_amounts, lines_table
from swaptable.basics.errors import InputError, SwaptableError

CARROTS = """
title: Carrots
servings: 2
ingredients:
  carrot: {amount: 200 g, food: "sr28:11124", cook: boiled, liquid: discarded, yield: 90 %}
  salt: {amount: 1 g, food: "sr28:02047"}
choices:
  liquid:
    drained: as written
    in the broth: {carrot: {liquid: kept, yield: 100 %}}
    half kept: {carrot: {liquid: 50 %}}
  salt:
    with: as written
    without: {salt: {amount: 0}}
"""
WRITTEN = {"liquid": "drained", "salt": "with"}


def batch(amounts, component, **options):
    """Amount in the batch."""
    return float(amounts.data["per_batch"].sel({**WRITTEN, **options, "component": component}))


@pytest.mark.parametrize(
    ("component", "options", "expected"),
    [
        ("VITC", {}, 200 * 5.9 / 100 * 0.65),
        ("VITC", {"liquid": "in the broth"}, 200 * 5.9 / 100 * 0.75),
        ("VITC", {"liquid": "half kept"}, 200 * 5.9 / 100 * (0.65 + 0.5 * (0.75 - 0.65))),
        ("K", {"salt": "without"}, 200 * 320 / 100 * 0.90),
        ("NA", {}, 200 * 69 / 100 * 0.95 + 1 * 38758 / 100),
        ("NA", {"salt": "without"}, 200 * 69 / 100 * 0.95),
        ("ENERC_KCAL", {}, 200 * 41 / 100),  # no factor is published for energy: kept
        ("VITA_RAE", {}, 2 * 0.90 * (8285 / 12 + 3477 / 24)),
        ("FOLDFE", {}, 2 * 0.65 * 19),  # food folate only, no folic acid
        ("NIAEQ", {}, 2 * (0.983 * 0.90 + 0.012 * 1000 / 60)),
        ("NACL_EQ", {"salt": "without"}, 2 * 69 * 0.95 * 2.5 / 1000),
        ("ENERC_KCAL_GENERAL", {}, 2 * (0.93 * 4 + 0.24 * 9 + 9.58 * 4)),
        # all weight lost is water: 200 g become 180 g
        ("WATER", {"salt": "without"}, 2 * 88.29 - 20),
        ("WATER", {"salt": "without", "liquid": "in the broth"}, 2 * 88.29),
    ],
)
def test_amounts_by_hand(computed, component, options, expected):
    """Grams × value / 100 × share kept, summed over the ingredients of the variant."""
    assert batch(computed(CARROTS), component, **options) == pytest.approx(expected, rel=1e-9)


def test_bases_by_hand(computed):
    """A serving is half the batch; 100 g are of the 181 g as eaten; 100 kcal are of the 82 kcal."""
    amounts = computed(CARROTS)
    vitamin_c = 200 * 5.9 / 100 * 0.65
    expected = {
        "batch": vitamin_c,
        "serving": vitamin_c / 2,
        "100 g": vitamin_c / 181 * 100,
        "100 kcal": vitamin_c / 82 * 100,
    }
    for basis in BASES:
        found = float(amounts.per(basis).sel({**WRITTEN, "component": "VITC"}))
        assert found == pytest.approx(expected[basis], rel=1e-9), basis


def test_unknown_basis_is_refused(computed):
    """A basis that does not exist is named with those that do."""
    with pytest.raises(SwaptableError, match=r"found basis '100g'; expected one of batch, serving, 100 g"):
        computed(CARROTS).per("100g")


def test_missing_is_a_lower_bound_never_zero(computed):
    """Wine has no tryptophan value in SR28: the sum is of the carrot only, known for its share of the weight."""
    amounts = computed(
        """
title: Carrots and wine
servings: 1
ingredients:
  carrot: {amount: 300 g, food: "sr28:11124"}
  wine: {amount: 100 g, food: "sr28:14084"}
"""
    )
    table = amounts_table(amounts, ["TRP_G"], ["batch"]).iloc[0]
    assert table["amount"] == pytest.approx(3 * 0.012)
    assert table["known_share"] == pytest.approx(300 / 400)
    assert table["status"] == "lower bound"


def test_per_100_kcal_no_more_is_known_than_of_the_energy(computed):
    """Where half of the weight has a value for energy, half of an amount per 100 kcal is known at most."""
    amounts = computed('title: Salt\nservings: 1\ningredients: {salt: {amount: 3 g, food: "sr28:02047"}}\n')
    amounts.data["known_share"].loc[{"component": "ENERC_KCAL"}] = 0.5
    amounts.data["known_share"].loc[{"component": "K"}] = 0.25
    for basis, sodium in (("100 kcal", 0.5), ("serving", 1.0)):
        share = amounts.share_per(basis)
        assert [float(share.sel(component=tag)) for tag in ("NA", "K")] == [sodium, 0.25]


def test_nothing_known_is_missing(computed):
    """Where no ingredient has a value the amount is missing, on every basis."""
    amounts = computed(
        """
title: Wine
servings: 1
ingredients:
  wine: {amount: 100 g, food: "sr28:14084"}
"""
    )
    table = amounts_table(amounts, ["TRP_G"])
    assert table["amount"].isna().all()
    assert set(table["status"]) == {"missing"}
    assert set(table["known_share"]) == {0.0}


def test_alcohol_takes_its_energy_and_weight_along(computed):
    """Simmered one hour, 25 % of the alcohol stays (USDA row 5006); what leaves takes 6.93 kcal/g (Handbook 74).

    The dish is weighed at 80 g, so 20 g are lost, of which 7.8 g are alcohol and the rest water.
    """
    amounts = computed(
        """
title: Wine
servings: 1
cooked weight: 80 g
ingredients:
  wine: {amount: 100 g, food: "sr28:14084", cook: simmered, detail: 1 h}
"""
    )
    found = amounts.data["per_batch"]
    assert float(found.sel(component="ALC")) == pytest.approx(10.4 * 0.25)
    assert float(found.sel(component="ENERC_KCAL")) == pytest.approx(83 - 10.4 * 0.75 * 6.93)
    assert float(found.sel(component="WATER")) == pytest.approx(86.58 - (20 - 10.4 * 0.75))


def test_weighed_dish_gives_the_yield_of_its_variants(computed):
    """160 g weighed of 201 g raw is a yield of 160/201, also without the salt."""
    amounts = computed(CARROTS.replace("servings: 2", "servings: 2\ncooked weight: 160 g"))
    cooked = amounts.data["cooked_g"]
    assert float(cooked.sel(WRITTEN)) == pytest.approx(160)
    assert float(cooked.sel({**WRITTEN, "salt": "without"})) == pytest.approx(200 * 160 / 201)
    assert "weighed" in amounts.cooked_weight_origin


def test_an_option_may_bring_its_own_weighed_dish(computed):
    """The option's weight stands for its variant; without salt it shrinks in proportion."""
    text = CARROTS.replace("{carrot: {liquid: kept, yield: 100 %}}", "{carrot: {liquid: kept}, cooked weight: 190 g}")
    cooked = computed(text).data["cooked_g"]
    assert float(cooked.sel({**WRITTEN, "liquid": "in the broth"})) == pytest.approx(190)
    assert float(cooked.sel(WRITTEN)) == pytest.approx(200 * 0.9 + 1)


def test_a_dish_lighter_than_its_solids_is_refused(computed):
    """Olive oil cannot cook down to half its weight: there is no water in it."""
    with pytest.raises(InputError, match=r"recipe\.yaml:4:16: cooked weight: found a cooked weight of 50 g"):
        computed(
            """
title: Oil
servings: 1
cooked weight: 50 g
ingredients:
  oil: {amount: 100 g, food: "sr28:04053"}
"""
        )


def test_contributions_add_up(computed):
    """What the ingredients bring adds up to the variant's amount, on every basis."""
    amounts = computed(CARROTS)
    for basis in BASES:
        table = ingredient_amounts(amounts, "NA", basis)
        for variant in amounts.grid.variants():
            total = float(amounts.per(basis).sel({**variant, "component": "NA"}))
            assert table.loc[amounts.grid.label(variant)].sum() == pytest.approx(total, rel=1e-12)


def test_excluded_variants_are_nowhere(computed):
    """A combination under 'not together' has no row in the table and no number on the grid."""
    amounts = computed(CARROTS + "not together: [{liquid: in the broth, salt: without}]\n")
    excluded = {"liquid": "in the broth", "salt": "without"}
    assert np.isnan(batch(amounts, "NA", **excluded))
    table = amounts_table(amounts, ["NA"], ["serving"])
    assert len(table) == 5
    assert table[(table["liquid"] == "in the broth") & (table["salt"] == "without")].empty


def test_table_is_tidy_and_whole(computed, sr28):
    """One row per variant, component and basis, with unit; every component of the release and the derived ones."""
    table = amounts_table(computed(CARROTS))
    assert len(table) == 6 * len(component_table(sr28)) * 4
    assert list(table.columns) == ["liquid", "salt", "component", "unit", "basis", "amount", "known_share", "status"]
    assert set(sr28.components.index) <= set(table["component"])
    assert table["unit"].notna().all()


def test_lines_say_where_everything_came_from(computed):
    """The table of ingredients names weight, retention rows and yield with their origin."""
    table = lines_table(computed(CARROTS)).set_index("options")
    half = table.loc["liquid: half kept"]
    assert half["retention_rows"] == "3455+3456"
    assert half["weight_evidence"] == "measured"
    assert half["yield_from"] == "recipe"
    assert isinstance(table, pd.DataFrame)


def test_discarded_drippings_take_fat_and_energy_along(computed):
    """Ground beef (13498: fat 30.00 g, saturated 11.754 g, 332 kcal, water 54.30 g), fried, drippings discarded.

    USDA 2014 prints for this food pan-fried and pan-broiled a yield of 62 and 69 % and a change of fat of −12.57
    and −12.39 g per 100 g raw; fat of meat holds 9.02 kcal/g (Handbook 74).
    """
    text = """
title: Beef
servings: 1
ingredients:
  beef: {amount: 100 g, food: "sr28:13498", cook: fried, drippings: discarded}
"""
    lost, weight = (12.57 + 12.39) / 2, (62 + 69) / 2
    found = computed(text).data["per_batch"]
    assert float(found.sel(component="FAT")) == pytest.approx(30 - lost)
    assert float(found.sel(component="FASAT")) == pytest.approx(11.754 * (30 - lost) / 30)
    assert float(found.sel(component="ENERC_KCAL")) == pytest.approx(332 - 9.02 * lost)
    assert float(found.sel(component="WATER")) == pytest.approx(54.30 - (100 - weight - lost))
    kept = computed(text.replace(", drippings: discarded", ""))
    assert float(kept.data["per_batch"].sel(component="FAT")) == pytest.approx(30)
    assert "say drippings: discarded" in lines_table(kept)["notes"].iloc[0]


def test_drippings_without_a_published_loss_are_refused(computed):
    """Carrots lose no fat: the word would change nothing."""
    text = CARROTS.replace("yield: 90 %}", "yield: 90 %, drippings: discarded}", 1)
    with pytest.raises(InputError, match=r"carrot\.drippings: found 'discarded', but no loss of fat is published"):
        computed(text)


def test_absorbed_water_counts_in_a_weighed_dish(computed):
    """100 g of dry rice (20044, own raw and cooked entries: 11.62 and 68.44 % water) weigh 2.8 times as much cooked.

    The dish as written, 280 g of vegetables, was weighed at 280 g; the variant with rice is weighed by its soaked
    weight, so it keeps 280.04 g.
    """
    amounts = computed(
        """
title: Side dish
servings: 1
cooked weight: 280 g
ingredients:
  side: {amount: 280 g, food: "sr28:11124"}
choices:
  side:
    carrots: as written
    rice: {side: {food: "sr28:20044", amount: 100 g, cook: boiled, liquid: discarded}}
"""
    )
    cooked = amounts.data["cooked_g"]
    assert float(cooked.sel(side="rice")) == pytest.approx(100 * (100 - 11.62) / (100 - 68.44), rel=1e-4)


@pytest.mark.parametrize(
    ("weighed", "told"),
    [
        ("230 g", "Implausible: everything listed weighs 201 g; check the scale"),
        ("90 g", "Implausible: published yields give 181 g; check the scale"),
        ("150 g", "the same yield for its variants"),
    ],
)
def test_an_implausible_weighed_dish_is_challenged_and_wins(computed, weighed, told):
    """200 g carrots (yield 90 %) and 1 g salt: 201 g listed, 181 g by yields; the scale is believed all the same."""
    amounts = computed(CARROTS.replace("servings: 2", f"servings: 2\ncooked weight: {weighed}"))
    assert told in amounts.cooked_weight_origin
    assert ("Implausible" in amounts.cooked_weight_origin) == told.startswith("Implausible")
    assert float(amounts.data["cooked_g"].sel(WRITTEN)) == pytest.approx(float(weighed.removesuffix(" g")))


@pytest.mark.outside
def test_pasta_takes_salt_from_its_water(computed):
    """Bianchi et al. 2019 (Food Chem 271:479): 27.4 mg sodium in 100 g cooked per g of salt in a litre.

    100 g of dry spaghetti (20120: 6 mg sodium; USDA row 381 keeps its sodium) with a yield of 225 % in water of 6.34
    g/l take up 27.4 × 6.34 × 2.25 = 390.9 mg.
    """
    text = """
title: Pasta
servings: 1
ingredients:
  pasta: {amount: 100 g, food: "sr28:20120", cook: boiled, liquid: discarded, yield: 225 %, salted water: 6.34 g/l}
"""
    with_salt = float(computed(text).data["per_batch"].sel(component="NA"))
    without = float(computed(text.replace(", salted water: 6.34 g/l", "")).data["per_batch"].sel(component="NA"))
    assert with_salt - without == pytest.approx(27.4 * 6.34 * 2.25)


def test_salt_uptake_is_refused_where_none_is_published(computed):
    """For carrots nobody knows how much of the water's salt is eaten."""
    text = CARROTS.replace("yield: 90 %}", "yield: 90 %, salted water: 5 g/l}", 1)
    with pytest.raises(
        InputError, match=r"carrot\.salted water: found 5 g/l, but no uptake of salt is published for root"
    ):
        computed(text)
