"""A study holds every table of a report, for any recipe, and its sentences and charts follow from them."""

import json
import re

import numpy as np
import pandas as pd
import pytest

import swaptable as st
from swaptable.basics.errors import InputError, SwaptableError
from swaptable.basics.folders import find_file
from swaptable.judging import findings
from swaptable.judging.study import MOST_ROWS, NRF, Study, study_recipe
from swaptable.reporting.figures import Chart

PLOTS = (st.plot_density, st.plot_differences, st.plot_daily_values, st.plot_contributions, st.plot_effects)
PLAIN = 'title: Plain\nservings: 1\ningredients: {carrot: {amount: 100 g, food: "sr28:11124"}}\n'
SALT = 'title: Salt\nservings: 1\ningredients: {salt: {amount: 1 g, food: "sr28:02047"}}\n'
MANY = "title: Many\nservings: 1\ningredients:\n" + "".join(
    f'  s{n}: {{amount: {n + 1} g, food: "sr28:02047"}}\n' for n in range(6)
) + "  oil: {amount: 10 g, food: 'sr28:04053'}\nchoices:\n" + "".join(
    f"  c{n}:\n    with: as written\n    without {n}: {{s{n}: {{amount: 0}}}}\n" for n in range(6)
)  # fmt: skip


@pytest.fixture
def study_of(tmp_path):
    """Study a recipe written in a test."""

    def study(text: str, **options) -> Study:
        path = tmp_path / "recipe.yaml"
        path.write_text(text, encoding="utf-8")
        return study_recipe(path, "blood_pressure", **options)

    return study


@pytest.fixture(scope="module")
def pot() -> Study:
    """The barley pot of the demo."""
    return study_recipe("barley_pot", "blood_pressure", prices="prices")


def test_sodium_leads_and_the_audience_decides_the_rest(pot):
    """Sodium is always compared; then what the audience raises and keeps down."""
    assert pot.components == ("NA", "K", "CA", "MG", "FIBTG", "FASAT")


def test_the_user_may_ask_for_components_by_name():
    """Names and tags work alike; sodium stays."""
    study = study_recipe("oat_pancakes", "bone_health", components=["vitamin c", "ZN"])
    assert study.components == ("NA", "VITC", "ZN")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"components": ["calcum"]}, "found 'calcum'; expected an INFOODS tag .* did you mean 'calcium'"),
        ({"basis": "portion"}, "found basis 'portion'; expected one of batch, serving"),
        ({"regime": "EU"}, "found regime 'EU'; expected one of US, CA"),
        ({"release": "sr29"}, "found 'sr29'; expected one of sr28; did you mean 'sr28'"),
        ({"prices": "price"}, "found 'price'; expected a file or one of .*prices; did you mean 'prices'"),
    ],
)
def test_wrong_options_are_named(study_of, options, message):
    """Each wrong option is one sentence with the value found and what is allowed."""
    with pytest.raises(SwaptableError, match=message):
        study_of(PLAIN, **options)


def test_missing_file_names_those_there_are():
    """A recipe that is not there is answered with the demo's names."""
    with pytest.raises(InputError, match=r"found 'barley_pit'; expected a file .*; did you mean 'barley_pot'"):
        find_file("barley_pit", "recipes", ".yaml")


def test_both_regimes_stand_side_by_side(pot):
    """Milligrams, both percentages and both words for every variant."""
    row = pot.variants.loc["as written"]
    assert row["sodium_percent_dv_US"] == pytest.approx(row["sodium_mg_per_serving"] / 23)
    assert (row["sodium_word_US"], row["sodium_word_CA"]) == ("high", "a lot")


def test_costs_are_on_the_weight_as_purchased(pot):
    """Water instead of stock saves the price of 1401 g of stock, 2.80 for 930 g, over six servings."""
    cost = pot.variants["cost_per_serving"]
    assert cost["as written"] - cost["water"] == pytest.approx(1500 / 236.5882365 * 221 * 2.80 / 930 / 6)


@pytest.mark.parametrize("text", [PLAIN, SALT, MANY], ids=["no choices", "no energy", "64 variants"])
def test_every_recipe_can_be_told_and_drawn(study_of, text, tmp_path):
    """Sentences and charts hold without choices, without energy and with more variants than a chart can show."""
    study = study_of(text)
    assert re.search(r"sodium a serving as written", findings.headline(study))
    for plot in PLOTS:
        chart = plot(study)
        assert isinstance(chart, Chart)
        assert chart.title
        assert chart.alt
        assert "nan" not in f"{chart.title} {chart.alt}".lower().replace("banana", "")
        st.chart_shown(chart, str(tmp_path))
    assert len(study.shown()) == min(len(study.variants), MOST_ROWS)
    assert study.shown()[0] == "as written"


def test_charts_are_written_with_their_words(pot, tmp_path):
    """PNG, SVG with title and description, and the text; the page's picture has an alternative text."""
    chart = st.plot_contributions(pot)
    shown = st.chart_shown(chart, str(tmp_path))
    svg = (tmp_path / "figures" / "contributions.svg").read_text(encoding="utf-8")
    assert f"<title>{chart.title}</title><desc>" in svg
    assert (tmp_path / "figures" / "contributions.png").read_bytes()[:4] == b"\x89PNG"
    assert 'alt="Most of the sodium as written comes from the liquid (stock): 75 %.' in shown.data


def test_the_same_chart_is_the_same_file(pot, tmp_path):
    """Two drawings of one study are equal to the byte, so that a change means something."""
    for folder in ("one", "two"):
        st.chart_shown(st.plot_effects(pot), str(tmp_path / folder))
    for name in ("effects.svg", "effects.png"):
        one, two = ((tmp_path / folder / "figures" / name).read_bytes() for folder in ("one", "two"))
        assert one == two


def test_a_notebook_by_hand_writes_nothing(pot, tmp_path, monkeypatch):
    """Without a folder nothing is saved."""
    monkeypatch.chdir(tmp_path)
    st.chart_shown(st.plot_effects(pot))
    assert st.save_advice(st.advise(pot), "") == []
    assert list(tmp_path.iterdir()) == []


def test_tables_are_saved_unrounded(pot, tmp_path):
    """What is read back is what was computed, and the summary holds the headline."""
    names = st.save_advice(st.advise(pot), str(tmp_path))
    assert "amounts.csv" in names
    read = pd.read_csv(tmp_path / "tables" / "differences.csv", keep_default_na=False)
    assert np.array_equal(read["difference"].astype(float), pot.differences["difference"])
    summary = json.loads((tmp_path / "summary.json").read_text(encoding="utf-8"))
    assert summary["headline"] == findings.headline(pot)


def test_gaps_are_told(study_of):
    """Wine has no choline factor but a value; its missing vitamin D would be told with its share."""
    told = findings.gaps(study_of(PLAIN, components=["F22D6", "K"]))
    assert told == "Every compared component has a value for every ingredient."
    text = PLAIN.replace("}}", '}, wine: {amount: 100 g, food: "sr28:14084"}}')
    assert "TRP_G (50 % of the weight has a value)" in findings.gaps(study_of(text, components=["TRP_G"]))


def test_tables_on_a_page_escape_and_say_not_known(study_of):
    """Text from files cannot break the page, and a missing number is words."""
    table = pd.DataFrame({"a": [1.23456, np.nan], "b": ["<script>", "x"]})
    shown = st.table_shown(table, "Caption & more").data
    assert "&lt;script&gt;" in shown
    assert "not known" in shown
    assert "1.23<" in shown
    assert "<caption>Caption &amp; more</caption>" in shown
    page = st.summary_shown(study_of(PLAIN.replace("Plain", "<b>Plain</b>"))).data
    assert "<b>Plain" not in page


def test_cautions_are_always_there(pot):
    """The audience's cautions and the word that all is an estimate end every report."""
    shown = st.cautions_shown(st.advise(pot)).data
    assert "kidney disease" in shown
    assert "not medical advice" in shown


def test_a_swap_to_a_potassium_salt_is_never_praised_alone() -> None:
    """Baking powder made with potassium is named with its caution for a class that names no such concern as well."""
    study = study_recipe("oat_pancakes", "bone_health")
    told = "(first read the caution on potassium salts)"
    assert told in findings.headline(study)
    assert told in findings.density_finding(study)[0]
    assert set(study.variants_to_read["Read the caution on"]) == {"", "potassium salts"}
    named = findings.headline(study_recipe("oat_pancakes", "blood_pressure"))
    assert "(first read the caution on kidney disease and potassium salts)" in named


def test_the_least_sodium_is_named_with_what_it_costs_the_class() -> None:
    """Water for milk takes 133 mg calcium of 1,300 mg; a class that is not to raise calcium is not told."""
    study = study_recipe("oat_pancakes", "bone_health")
    least = study.variants["sodium_mg_per_serving"].idxmin()
    rows = study.differences.set_index(["variant", "component"])
    lost = findings.amount_text(-rows.loc[(least, "CA"), "difference"], "mg")
    assert f", but {lost} less calcium" in findings.headline(study)
    assert f", but {lost} less calcium" in findings.density_finding(study)[0]
    assert "less calcium" not in findings.headline(study_recipe("oat_pancakes", "iron"))
    bowl = study_recipe("white_bean_bowl", "bone_health")  # 38 mg calcium less, 3 % of a daily value
    assert ", but " not in findings.headline(bowl)


def test_a_trifle_gets_no_title(pot, study_of):
    """Skin on brings 1 mg of sodium of 925: a real difference, in the table, and nothing to speak of."""
    rows = pot.differences.set_index(["variant", "component"])
    assert rows.loc[("skin on", "NA"), "real"]
    assert 0 < rows.loc[("skin on", "NA"), "difference"] < 2
    assert "+1 mg" not in findings.difference_finding(pot)[0]
    labels = [text.get_text() for text in st.plot_differences(pot).figure.axes[0].texts]
    assert "≈0" in labels
    salt = SALT + "choices:\n  salt:\n    much: as written\n    rather less: {salt: {amount: 0.99 g}}\n"
    study = study_of(salt)
    assert study.variants["sodium_real"].iloc[1]
    assert findings.headline(study).endswith("no variant has less by 1 % of a daily value or more.")
    assert "by 1 % of a daily value or more" in findings.density_finding(study)[0]
    assert "by 1 % of a daily value or more" in findings.difference_finding(study)[0]
    assert findings.effect_finding(study)[0].startswith("No choice moves sodium by 1 %")


def test_a_zero_that_is_not_sure_stands_in_brackets():
    """Sardines in tomato sauce bring as much vitamin D as those in oil, within a wide interval."""
    study = study_recipe("sardine_traybake", "bone_health")
    panel = study.components.index("VITD")
    labels = [text.get_text() for text in st.plot_differences(study).figure.axes[panel].texts]
    assert {"0", "(0)"} <= set(labels)


def test_the_mean_effect_on_density_is_as_sure_as_a_decision_says(pot):
    """The same weighted sum of variants, by another way."""
    decision = st.decide_recipe("barley_pot", "blood_pressure", draws=10)
    other = st.explain(decision).effects
    other = other[other["measure"].str.contains("ensity")]
    own = pot.effects[pot.effects["measure"] == NRF]
    assert own["effect"].tolist() == pytest.approx(other["effect"].tolist())
    assert own["standard_error"].tolist() == pytest.approx(other["standard_error"].tolist())
    panel = [text.get_text() for text in st.plot_effects(pot).figure.axes[1].texts]
    assert "(−0.6)" in panel
    assert pot.effects["standard_error"].notna().all()


def test_the_variants_are_read_with_intervals_and_money(pot):
    """No ±, whose meaning differs from page to page; money has two decimals."""
    table = pot.variants_to_read
    assert not any("±" in column for column in table.columns)
    assert table.loc["as written", "90 % interval [mg]"] == "818 to 1,033"
    assert table["Cost [CAD]"].str.fullmatch(r"\d+\.\d\d").all()


# SR28 has no sodium for this wine.
GAP = """
title: Stock or wine
servings: 2
ingredients:
  potato: {amount: 300 g, food: "sr28:11352"}
  liquid: {amount: 0.5 l, food: "sr28:06700"}
choices:
  liquid:
    stock: as written
    red wine: {liquid: {food: "sr28:14097"}}
"""


def test_a_gap_in_sodium_is_never_called_best(study_of):
    """A variant whose sodium is not wholly known is neither the least, nor low, nor a real difference."""
    study = study_of(GAP)
    wine = study.variants.loc["red wine"]
    assert not wine["sodium_whole"]
    assert (wine["sodium_word_US"], wine["sodium_word_CA"]) == ("not known", "not known")
    assert not wine["sodium_real"]
    assert not study.differences.set_index(["variant", "component"]).loc[("red wine", "NA"), "real"]
    assert "red wine" not in findings.headline(study)
    assert "of those whose sodium is known" in findings.headline(study)
    assert not study.percent_is_whole.loc["red wine", "NA"]
    cells = [text.get_text() for text in st.plot_daily_values(study).figure.axes[0].texts]
    assert f"≥{study.percent_daily_value.loc['red wine', 'NA']:.0f}" in cells  # a bound, without the mark for a little


def test_a_gap_as_written_is_a_lower_bound(study_of):
    """Where the recipe as written has the gap, its sodium is 'at least', and nothing differs from it for sure."""
    text = GAP.replace("06700", "x").replace("14097", "14411").replace("x", "14097")
    study = study_of(text)
    assert findings.headline(study).startswith("at least ")
    assert not study.variants["sodium_real"].any()
