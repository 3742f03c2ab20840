"""Advice: every verdict of a study together, on a page and in a table for other programs."""

import re
from pathlib import Path

import pandas as pd
import pytest

import swaptable as st
from swaptable.basics.errors import InputError
from swaptable.basics.folders import DATA
from swaptable.judging.advice import VERDICT_COLUMNS, Advice, verdict_table
from swaptable.judging.audiences import read_audience
from swaptable.judging.targets import find_aims
from swaptable.judging.verdicts import Verdict
from swaptable.reporting.targets_report import MARKS, mark, targets_finding


@pytest.fixture(scope="module")
def pot() -> Advice:
    """The barley pot for people who watch their blood pressure."""
    return st.advise(st.study_recipe("barley_pot", "blood_pressure"))


@pytest.fixture(scope="module")
def kidney() -> Advice:
    """Pancakes, some with baking powder made with potassium, for people with kidney disease."""
    return st.advise(st.study_recipe("oat_pancakes", "kidney_disease", regime="CA"))


def words(shown: object) -> str:
    """Take the text out of a page."""
    return " ".join(re.sub(r"<[^>]+>", " ", str(shown.data)).split())  # type: ignore[attr-defined]


def test_every_verdict_names_rule_and_source(pot: Advice) -> None:
    """Nothing is judged without saying by what."""
    assert (pot.leading["source"] != "").all()
    assert (pot.claim_conditions["source"] != "").all()
    assert (pot.front_of_pack["source"] != "").all()
    assert set(pot.claims["word"]) <= {"met", "not met", "cannot tell"}
    assert (pot.claims.loc[pot.claims["word"] == "cannot tell", "why"] != "").all()


def test_targets_are_judged_for_each_group_and_variant(pot: Advice) -> None:
    """Four groups, six components, eighteen variants."""
    assert len(pot.leading) == 4 * 6 * 18
    sodium = pot.leading[(pot.leading["component"] == "NA") & (pot.leading["group"] == "men 31 to 50")]
    by_variant = sodium.set_index("variant")["word"]
    assert (by_variant["as written"], by_variant["water"]) == ("not met", "met")


def test_the_chart_says_for_whom_and_how_many(pot: Advice) -> None:
    """The title counts the aims as written; each aim stands in the text for screen readers."""
    title, alt = targets_finding(pot)
    written = pot.leading[pot.leading["variant"] == "as written"]
    met = written[written["verdict"] == Verdict.MET].groupby("role").size()
    kept = f"keep down {met['keep down']} of 8"
    assert title.startswith(
        f"Aims surely met by a serving as written: raise {met.get('raise', 0)} of 16 · {kept}; most by "
    )
    assert alt.count("% of the day") == 24
    assert st.plot_targets(pot).title == title


def test_of_variants_that_meet_as_many_aims_the_one_with_least_sodium_is_named(pot: Advice) -> None:
    """The chart and the programme say the same, and how many others meet as many."""
    met = (pot.leading["verdict"] == Verdict.MET).groupby(pot.leading["variant"]).sum()
    most = met.index[met == met.max()]
    least = pot.study.variants.loc[most, "sodium_mg_per_serving"].idxmin()
    assert f"most by {least} (and {len(most) - 1} others): " in targets_finding(pot)[0]
    scores = st.judge_programme(["barley_pot"], ["blood_pressure"], ["barley_pot_day"]).scores.set_index("which")
    assert tuple(scores.loc["best", ["variant", "others_alike"]]) == (least, len(most) - 1)


def test_heads_of_the_chart_say_who_they_are_for(pot: Advice) -> None:
    """Two columns of potassium differ by whom they are for, in a line of its own; an aim counts for each group."""
    chart = st.plot_targets(pot)
    heads = [label.get_text() for label in chart.figure.axes[0].get_xticklabels()]
    assert heads[:4] == [
        "Potassium ↑ 3,400 mg\nmen", "Potassium ↑ 2,600 mg\nwomen",
        "Calcium ↑ 1,000 mg\nthe others", "Calcium ↑ 1,200 mg\nwomen 51 to 70",
    ]  # fmt: skip
    assert "once for each of the 4 groups" in " ".join(chart.figure.get_supxlabel().split())


def test_files_call_the_word_verdict_and_the_number_a_rank(pot: Advice) -> None:
    """Every table for others to read names them alike."""
    for table in (pot.tables()[name] for name in ("targets", "claims", "claim_conditions", "front_of_pack")):
        assert set(table["verdict"].dropna()) <= {"met", "not met", "cannot tell", ""}
        assert set(table["verdict_rank"].dropna()) <= set(Verdict)
        assert "word" not in table


def test_signs_tell_three_verdicts_apart() -> None:
    """Met, not met, and everything that nobody can tell."""
    assert [mark(verdict) for verdict in Verdict] == ["✗", "?", "?", "?", "✓"]
    assert len(set(MARKS.values())) == 2


def test_what_the_care_team_sets_is_shown_and_not_judged(kidney: Advice) -> None:
    """Kidney disease: amounts, no verdict, no best variant; the potassium in baking powder is told."""
    assert kidney.leading.empty
    assert "set by the care team" in words(st.targets_shown(kidney))
    assert targets_finding(kidney)[0].startswith("Shown without a judgement")
    assert words(st.complements_shown(kidney)).startswith("Nothing is judged")
    named = kidney.cautions[kidney.cautions["named"]]
    assert "potassium" in " ".join(named["message"]).lower()
    assert st.plot_targets(kidney).alt


def test_pages_say_estimate_and_defer(pot: Advice) -> None:
    """Every page of advice says what it is, and who decides."""
    assert "Estimate. Not for packaged sale." in words(st.nutrition_facts_shown(pot))
    assert "bind packaged food" in words(st.claims_shown(pot))
    assert "never instead of them" in words(st.body_shown(pot))
    cautions = words(st.cautions_shown(pot))
    for word in ("care team", "not medical advice", "Read the label", "Local food-safety codes"):
        assert word in cautions
    assert "not a diet order" in words(st.targets_shown(pot))


def test_absorption_names_its_source() -> None:
    """Milk and yogurt stand at the published 32.1 % (Weaver & Plawecki 1994); foods without a figure are not named."""
    advice = st.advise(st.study_recipe("oat_pancakes", "bone_health"))
    page = words(st.body_shown(advice))
    assert "milk: 32.1 % of its calcium" in page
    assert "Weaver" in page
    assert "berries:" not in page


def test_indices_are_read_against_their_published_value(pot: Advice) -> None:
    """Sodium to potassium against about 1 (WHO 2012)."""
    row = pot.indices[
        (pot.indices["index"].str.contains("sodium to potassium")) & (pot.indices["variant"] == "as written")
    ]
    assert row["reference_value"].tolist() == [1.0]
    page = words(st.indices_shown(pot))
    assert "sodium to potassium" in page.lower()
    assert "Allowances of men 31 to 50 only" in page
    assert "negative: base-forming" in page


def test_tables_say_what_their_numbers_are(pot: Advice) -> None:
    """What practice stands beside, what a gap closes, why a threshold holds, why a label differs from the chart."""
    assert "common practice, beside the RDA" in words(st.targets_shown(pot))
    assert re.search(
        r"Oat and yogurt pancakes \(353 mg sodium\) closes \d+ % of the gap \(mean of the aims\), calcium most",
        words(st.complements_shown(pot)),
    )
    assert "30 % (main dish)" in words(st.claims_shown(pot))
    assert "15 % for what is general; 30 % for what is main dish from a reference amount of 200 g" in words(
        st.claims_shown(pot)
    )
    assert "so it can differ from the chart" in words(st.nutrition_facts_shown(pot))


def test_files_hold_every_table(pot: Advice, tmp_path) -> None:
    """A report leaves the study's tables and the verdicts, sources included."""
    names = st.save_advice(pot, str(tmp_path))
    assert {"variants.csv", "targets.csv", "claims.csv", "cautions.csv", "absorbable_calcium.csv"} <= set(names)
    table = pd.read_csv(tmp_path / "tables" / "absorbable_calcium.csv", keep_default_na=False)
    assert table["variant"].tolist() == pot.study.shown()
    assert st.save_advice(pot, "") == []


def test_one_tidy_table_of_verdicts(pot: Advice) -> None:
    """Targets, claims, their conditions and symbols: the same verdicts as on the page, for all variants."""
    aims = find_aims(read_audience(DATA / "audiences" / "blood_pressure.yaml"), pot.study.amounts.units())
    table = verdict_table(pot.study.amounts, aims, "US")
    assert list(table.columns) == VERDICT_COLUMNS
    assert set(table["rule"]) == {"target", "claim", "condition of a claim", "symbol"}
    assert set(table["verdict"]) == {"met", "not met", "cannot tell"}
    claims = table[(table["rule"] == "claim") & (table["name"] == "low sodium")].set_index("variant")["verdict"]
    page = pot.claims[pot.claims["title"] == "low sodium"].set_index("variant")["word"]
    assert claims.loc[page.index].tolist() == page.tolist()
    assert (claims["water + no salt"], claims["as written"]) == ("met", "not met")


def test_an_unknown_concern_is_named_at_its_place(tmp_path) -> None:
    """A concern that no caution knows would be a false comfort."""
    path = tmp_path / "people.yaml"
    path.write_text("title: A\nraise: [calcium]\nconcerns: [warfrin]\ncautions: [Ask.]\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"people.yaml:3:12: concerns.0: found concern 'warfrin'.*'warfarin'"):
        st.study_recipe("barley_pot", path)


@pytest.mark.parametrize("raised", ["folate, calcium", "energy, calcium", "F22D6", "CAFFN"])
def test_what_has_no_yardstick_is_shown_all_the_same(tmp_path, raised: str) -> None:
    """A component without intake or daily value breaks nothing, and no index is made of it."""
    path = tmp_path / "people.yaml"
    path.write_text(f"title: A\nraise: [{raised}]\ncautions: [Ask.]\n", encoding="utf-8")
    advice = st.advise(st.study_recipe("barley_pot", path))
    assert words(st.targets_shown(advice))


def test_a_recipe_without_reference_amount_says_what_is_not_known(computed) -> None:
    """Most recipes state none: the threshold of the symbol is not known then, and nothing prints nan."""
    recipe = "title: <i>R</i>\nservings: 1\ningredients: {<i>a: {amount: 100 g, food: 'sr28:01032'}}\n"
    computed(recipe)
    path = Path(computed(recipe).recipe.source.file)
    advice = st.advise(st.study_recipe(path, "blood_pressure"))
    page = st.claims_shown(advice).data + st.cautions_shown(advice).data
    assert "nan" not in words(st.claims_shown(advice)).split()
    assert "<i>a" not in page
