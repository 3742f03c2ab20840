"""A collection: all recipes of a programme for all its audiences, on one page."""

import re

import pytest

import swaptable as st
from swaptable.basics.errors import InputError
from swaptable.basics.folders import files_in
from swaptable.judging.collection import Programme
from swaptable.reporting.collection_report import programme_finding


@pytest.fixture(scope="module")
def programme() -> Programme:
    """Two recipes, two audiences, one of them never judged."""
    return st.judge_programme(["barley_pot", "oat_pancakes"], ["blood_pressure", "kidney_disease"])


def words(shown: object) -> str:
    """Take the text out of a page."""
    return " ".join(re.sub(r"<[^>]+>", " ", str(shown.data)).split())  # type: ignore[attr-defined]


def test_every_recipe_is_scored_for_every_audience(programme: Programme) -> None:
    """As written and in the variant that meets most; the three counts make up the aims."""
    assert len(programme.scores) == 2 * 2 * 2
    assert (
        programme.scores["met"] + programme.scores["not_met"] + programme.scores["cannot_tell"]
        == programme.scores["aims"]
    ).all()
    judged = programme.scores[programme.scores["audience"] == "blood_pressure"].set_index(["recipe", "which"])
    assert judged.loc[("barley_pot", "as written"), "aims"] == 24
    assert judged.loc[("barley_pot", "best"), "met"] > judged.loc[("barley_pot", "as written"), "met"]


def test_nothing_is_changed_that_gains_no_verdict(programme: Programme) -> None:
    """No swap is called best where nothing is judged: low-sodium baking powder can harm people with kidney disease."""
    kidney = programme.scores[(programme.scores["audience"] == "kidney_disease")]
    assert set(kidney["variant"]) == {"as written"}
    assert set(kidney["aims"]) == {0}
    assert (
        "Most aims met by" not in words(st.aims_shown(programme)).partition("kidney disease")[2].partition("✓ met")[0]
    )


def test_scores_agree_with_the_recipe_s_own_report(programme: Programme) -> None:
    """The programme's page and the recipe's page give the same verdicts."""
    advice = st.advise(st.study_recipe("barley_pot", "blood_pressure"))
    own = advice.leading[advice.leading["variant"] == "as written"]
    rows = programme.targets[
        (programme.targets["recipe"] == "barley_pot")
        & (programme.targets["audience"] == "blood_pressure")
        & (programme.targets["which"] == "as written")
    ]
    assert rows["verdict"].tolist() == own["verdict"].tolist()


def test_the_page_says_what_it_shows(programme: Programme) -> None:
    """The finding, the chart, the claims and the day, each with its words."""
    title, alt = programme_finding(programme)
    assert title.startswith("As written, no recipe surely meets an aim to raise")
    assert alt.count("raise 0 of 16") >= 2
    assert st.plot_programme(programme).title == title
    assert "4 recipes" not in words(st.programme_shown(programme))
    assert "2 recipes, 2 audiences, United States" in words(st.programme_shown(programme))
    assert "low" in words(st.claims_met_shown(programme))
    assert "for the care team to say" in words(st.days_shown(programme))


def test_aims_to_raise_and_to_keep_down_are_counted_apart(programme: Programme) -> None:
    """Anything that holds little meets the second; no share is taken over audiences, whose groups overlap."""
    scores = programme.scores
    assert (scores["raised"] + scores["kept_down"] == scores["aims"]).all()
    assert (scores["raised_met"] + scores["kept_down_met"] == scores["met"]).all()
    chart = st.plot_programme(programme)
    cells = [text.get_text() for text in chart.figure.axes[0].texts]
    assert "raise 0 of 16\nkeep down 4 of 8\nbest variant: 0 and 8" in cells
    assert "met by anything that holds little" in " ".join(chart.figure.get_supxlabel().split())
    assert "%" not in chart.title


def test_a_day_shows_its_energy_and_judges_no_drinks(programme: Programme) -> None:
    """A thin day must not pass for a plan; what is drunk beside it is not known; one day is not usual intake."""
    page = words(st.days_shown(programme))
    assert re.search(r"Energy [\d,]+ kcal not judged: needs differ", page)
    assert re.search(r"Water [\d,]+ g AI 2,700 g: cannot tell, what is drunk beside the plan is not known", page)
    assert "One day is not usual intake" in page


def test_claims_are_counted_over_all_variants(programme: Programme) -> None:
    """Low sodium: what the recipe's own verdicts say, counted."""
    advice = st.advise(st.study_recipe("barley_pot", "blood_pressure"))
    low = advice.claims[advice.claims["title"] == "low sodium"]
    row = programme.claims[
        (programme.claims["recipe"] == "barley_pot") & (programme.claims["title"] == "low sodium")
    ].iloc[0]
    assert (row["variants_met"], row["variants"]) == (int((low["word"] == "met").sum()), 18)
    assert row["as_written"] == "not met"


def test_everything_by_default() -> None:
    """Without names the files of the folders are taken."""
    assert {"barley_pot", "oat_pancakes"} <= set(files_in("recipes"))
    assert {"blood_pressure", "kidney_disease", "pregnancy"} <= set(files_in("audiences"))


@pytest.mark.parametrize(
    ("names", "message"),
    [
        ({"recipes": ["barley_pot", "barley_pot"]}, "found 'barley_pot' twice among the recipes"),
        ({"recipes": ["barley_pot", "data/recipes/barley_pot.yaml"]}, "found 'barley_pot' twice among the recipes"),
        ({"audiences": ["bone_helth"]}, "found 'bone_helth'.*did you mean 'bone_health'"),
        ({"days": ["no_day"]}, "found 'no_day'; expected a file or one of barley_pot_day"),
    ],
)
def test_wrong_names(names: dict[str, list[str]], message: str) -> None:
    """A name that is not there, or there twice, is said before anything is made."""
    few = {"recipes": ["barley_pot"], "audiences": ["iron"], "days": ["barley_pot_day"]}
    with pytest.raises(InputError, match=message):
        st.judge_programme(**(few | names))
