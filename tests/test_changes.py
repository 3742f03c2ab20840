"""What is a flip and what only moved: on conclusions written by hand."""

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from swaptable.changes.changes import Changes, changes_table, collected, difference_of
from swaptable.changes.changes_text import changes_text, flip_sentences, largest, move_sentence, two_amounts
from swaptable.changes.conclusions import (
    ALLERGEN,
    CAUTION,
    CONCERN,
    FRONTIER,
    Conclusions,
    amount_rows,
    rank_rows,
    verdict_rows,
)

Z90 = 1.6449  # standard errors that the half of a 90 % interval holds


def conclusions(
    amounts: list[dict[str, object]] | None = None,
    verdicts: list[dict[str, object]] | None = None,
    ranks: list[dict[str, object]] | None = None,
    pair_error: Callable[[str, str, str, str], float] = lambda *_: 1.0,
) -> Conclusions:
    """Make the conclusions of a soup."""
    about = {"recipe": "soup", "basis": "per serving", "component": "NA", "variant": "as written"}
    amount = {"unit": "mg", "standard_error": 3.0, "whole": True, "watched": True}
    return Conclusions(
        "a_run",
        amount_rows(pd.DataFrame([about | amount | row for row in amounts or []])),
        verdict_rows(pd.DataFrame([{"recipe": "soup", **row} for row in verdicts or []])),
        rank_rows(pd.DataFrame([{"recipe": "soup", "measure": "Sodium", "unit": "mg", "standard_error": 1.0, **row}
                                for row in ranks or []] or {"value": []}), more=False),
        pair_error,
        {},
    )  # fmt: skip


@pytest.mark.parametrize(
    ("new", "beyond"),
    # two standard errors, of 3 and 4, are together one of 5: by 1.6449 that is 8.22
    [(108.2, "no"), (108.3, "yes"), (91.7, "yes"), (91.8, "no"), (100.0 + 1e-10, None)],
)
def test_an_amount_moves_within_or_beyond_certainty(new: float, beyond: str | None) -> None:
    """The two standard errors are taken as independent; floating point's share of a difference is none."""
    found = difference_of(
        conclusions([{"amount": 100.0, "standard_error": 3.0}]), conclusions([{"amount": new, "standard_error": 4.0}])
    ).amounts
    assert found["beyond_certainty"].tolist() == ([] if beyond is None else [beyond])
    if beyond is not None:
        assert found["standard_error"].iloc[0] == pytest.approx(5.0)


def test_what_is_not_known_is_not_zero() -> None:
    """An amount that was not known has no difference, and a certainty that is not known is said to be so."""
    found = difference_of(conclusions([{"amount": np.nan}]), conclusions([{"amount": 5.0}])).amounts
    assert np.isnan(found["difference"].iloc[0])
    assert found["beyond_certainty"].iloc[0] == "not known"
    rows = [[{"amount": value, "standard_error": np.nan}] for value in (1.0, 2.0)]
    unsure = difference_of(conclusions(rows[0]), conclusions(rows[1])).amounts
    assert unsure["beyond_certainty"].tolist() == ["not known"]
    assert difference_of(conclusions([{"amount": np.nan}]), conclusions([{"amount": np.nan}])).amounts.empty


def test_a_lost_value_is_no_drop() -> None:
    """What is left of an amount is a lower bound: at least so much, and whether it moved is not known."""
    old, new = {"amount": 41.0, "whole": True}, {"amount": 25.6, "whole": False}
    verdict = {"rule": "target", "name": "at least", "component": "NA", "unit": "mg"}
    found = difference_of(
        conclusions([old], [verdict | {"verdict": "met", "high_90": 42.0} | old]),
        conclusions([new], [verdict | {"verdict": "cannot tell", "high_90": 26.0} | new]),
    )
    row = found.amounts.iloc[0]
    assert row[["old_whole", "new_whole", "beyond_certainty"]].tolist() == [True, False, "not known"]
    assert np.isnan(row["standard_error"])
    assert np.isnan(row["difference"])
    said = move_sentence(largest(found.amounts, 1).iloc[0])
    assert said == "soup, as written: sodium 41 → at least 25.6 mg per serving (certainty not known)"
    changes = Changes("runs", "a", "b", ("soup",), **collected([found]))
    assert "41 → at least 25.6 mg, certainty not known" in flip_sentences(changes)[0]


def test_what_is_whole_on_one_side_alone_is_told() -> None:
    """The same number is less certain once a value is missing from it."""
    found = difference_of(conclusions([{"amount": 2.0}]), conclusions([{"amount": 2.0, "whole": False}])).amounts
    assert "sodium 2 → at least 2 mg" in move_sentence(largest(found, 1).iloc[0])


def test_one_move_in_two_runs_is_counted_once() -> None:
    """One run knows the error, the other watches the component: together both."""
    sides = [({"amount": 1.0}, {"amount": 1.0}), ({"amount": 50.0}, {"amount": 50.0})]
    known = difference_of(*(conclusions([one | {"watched": False}]) for one, _ in sides))
    watched = difference_of(*(conclusions([other | {"standard_error": np.nan}]) for _, other in sides))
    watched.amounts["run"] = "b_run"
    for order in ([known, watched], [watched, known]):
        row = collected(order)["amounts"].iloc[0]
        assert set(row["run"].split(", ")) == {"a_run", "b_run"}
        assert (row["watched"], row["beyond_certainty"]) == (True, "yes")
        assert largest(collected(order)["amounts"], 5)["moved"].tolist() == [1]


def test_of_equal_moves_the_recipe_as_written_is_told() -> None:
    """Whatever comes first in the table."""
    sides = [[{"variant": name, "amount": amount} for name in ("water", "as written")] for amount in (1.0, 50.0)]
    moved = difference_of(conclusions(sides[0]), conclusions(sides[1])).amounts
    assert largest(moved, 1)[["variant", "moved"]].to_numpy().tolist() == [["as written", 2]]


def test_another_unit_is_converted() -> None:
    """The same sodium in grams did not move."""
    grams = {"amount": 0.1, "unit": "g", "standard_error": 0.003}
    assert difference_of(conclusions([{"amount": 100.0}]), conclusions([grams])).amounts.empty
    moved = difference_of(conclusions([{"amount": 100.0}]), conclusions([grams | {"amount": 0.2}])).amounts
    assert moved[["unit", "new", "difference"]].to_numpy().tolist() == [["mg", 200.0, 100.0]]


@pytest.mark.parametrize(
    ("rule", "old", "new", "flipped"),
    [
        ("target", "met", "not met", [True]),
        ("target", "met", "cannot tell", [True]),
        ("claim", "cannot tell", "met", [True]),
        ("word", "low", "between", [True]),
        (CONCERN, "none", "warfarin", [True]),
        (CAUTION, None, "called for", [True]),
        (CAUTION, "called for", None, [True]),
        (ALLERGEN, "milk", "milk, soy", [True]),
        (ALLERGEN, None, "milk", [True]),
        (FRONTIER, "on it", "not on it", [False]),
        ("target", None, "met", [False]),
        (CONCERN, "warfarin", None, [False]),
        ("target", "met", "met", []),
    ],
)
def test_a_verdict_flips_when_its_word_changes(rule: str, old: str | None, new: str | None, flipped: list) -> None:
    """A verdict on one side only is no flip, but cautions and allergens are listed only where there are any."""
    sides = [[] if word is None else [{"rule": rule, "verdict": word}] for word in (old, new)]
    found = difference_of(conclusions(verdicts=sides[0]), conclusions(verdicts=sides[1])).verdicts
    assert found["flipped"].tolist() == flipped


def test_another_reason_is_no_flip() -> None:
    """Cannot tell for one reason or another is one kind."""
    sides = [[{"rule": "target", "verdict": "cannot tell", "why": why}] for why in ("gaps", "interval")]
    assert difference_of(conclusions(verdicts=sides[0]), conclusions(verdicts=sides[1])).verdicts.empty


def test_a_flip_tells_whether_its_amount_moved_beyond_certainty() -> None:
    """A verdict may flip although its amount moved within certainty."""
    sides = [
        [{"rule": "target", "verdict": word, "amount": amount, "high_90": amount + Z90 * 3, "unit": "mg"}]
        for word, amount in (("met", 100.0), ("cannot tell", 101.0))
    ]
    row = difference_of(conclusions(verdicts=sides[0]), conclusions(verdicts=sides[1])).verdicts.iloc[0]
    assert (row["flipped"], row["beyond_certainty"], row["old_amount"], row["new_amount"]) == (True, "no", 100, 101)


@pytest.mark.parametrize(
    ("rule", "name", "words", "said"),
    [
        (ALLERGEN, "bread", ("wheat", "wheat, soy"), "allergens named of bread: wheat → wheat, soy"),
        (CONCERN, "", ("none", "warfarin"), "concern of the class: none → warfarin"),
        (CAUTION, "of_an_earlier_table", ("called for", "not"), "caution on of an earlier table called for → not"),
    ],
)
def test_flips_of_safety_say_what_they_are_about(rule: str, name: str, words: tuple[str, str], said: str) -> None:
    """Also of a caution that the table of cautions does not hold any more."""
    sides = [[{"rule": rule, "name": name, "variant": "as written", "verdict": word}] for word in words]
    found = difference_of(conclusions(verdicts=sides[0]), conclusions(verdicts=sides[1]))
    changes = Changes("runs", "a", "b", ("soup",), **collected([found]))
    assert flip_sentences(changes) == [f"soup, as written: {said}"]


def test_a_flip_whose_amount_stayed_says_so() -> None:
    """What moved is the limit, not the dish."""
    rows = [{"rule": "target", "name": "at most", "component": "NA", "unit": "mg", "amount": 412.3, "high_90": 420.0,
             "whole": True, "verdict": word} for word in ("met", "not met")]  # fmt: skip
    found = difference_of(conclusions(verdicts=rows[:1]), conclusions(verdicts=rows[1:]))
    said = flip_sentences(Changes("runs", "a", "b", ("soup",), **collected([found])))
    assert said[0].endswith("met → not met, the amount stayed at 412 mg")


def test_what_floating_point_does_is_not_printed() -> None:
    """Amounts that only a machine tells apart are printed alike, and not with all its digits."""
    assert two_amounts(25.6, np.nextafter(25.6, 26), "g", (True, False)) == "25.6 → at least 25.6 g"


def best_of(old: dict[str, float], new: dict[str, float], error: float = 1.0) -> pd.DataFrame:
    """Compare the ranks of variants with these amounts of sodium."""
    sides = [conclusions(ranks=[{"variant": name, "value": value} for name, value in side.items()],
                         pair_error=lambda *_: error) for side in (old, new)]  # fmt: skip
    return difference_of(*sides).ranks


def test_another_best_variant_flips_only_if_the_two_differ_really() -> None:
    """By 1.6449 standard errors of the difference of the two, before or after."""
    within = best_of({"a": 1.0, "b": 1.5}, {"a": 1.5, "b": 1.0})
    assert within[within["kind"] == "best"]["flipped"].tolist() == [False]
    assert within[within["kind"] == "order"][["variant", "old", "new"]].to_numpy().tolist() == [
        ["a", "1", "2"], ["b", "2", "1"],
    ]  # fmt: skip
    after = best_of({"a": 1.0, "b": 1.5}, {"a": 5.0, "b": 1.0}).iloc[0]
    assert (after["flipped"], after["old"], after["new"]) == (True, "a", "b")
    assert after["why"] == "the two differ really after (before 1 and 1.5; after 5 and 1 mg)"
    before = best_of({"a": 1.0, "b": 5.0}, {"a": 1.1, "b": 1.0}).iloc[0]
    assert before["flipped"]
    assert "really before (" in before["why"]
    assert not best_of({"a": 1.0, "b": 5.0}, {"a": 5.0, "b": 1.0}, error=9.0)["flipped"].any()


def test_a_best_variant_that_is_gone_is_a_flip() -> None:
    """A variant that is not in the recipe any more, or not known any more, cannot be the best."""
    for new in ({"b": 2.0}, {"a": np.nan, "b": 2.0}):
        row = best_of({"a": 1.0, "b": 2.0}, new).iloc[0]
        assert (row["kind"], row["flipped"]) == ("best", True)
        assert "not there any more" in row["why"]


def test_a_best_variant_that_was_not_known_before_is_judged_on_after_alone() -> None:
    """A value that is missing on one side is no zero, and tells nothing of the difference there."""
    row = best_of({"a": 1.0, "b": np.nan}, {"a": 5.0, "b": 2.0}).iloc[0]
    assert (row["old"], row["new"], row["flipped"]) == ("a", "b", True)
    assert row["why"] == "the two differ really after (after 5 and 2 mg)"


def test_the_text_ends_with_what_does_not_count_and_what_was_not_compared() -> None:
    """Another best variant within certainty is no flip, but is told under its own heading."""
    sides = [conclusions(ranks=[{"variant": name, "value": value} for name, value in zip("ab", values, strict=True)])
             for values in ((1.0, 1.5), (1.5, 1.0))]  # fmt: skip
    left_out = ("stew (made once so far)",)
    changes = Changes("runs", "a", "b", ("soup",), **collected([difference_of(*sides)]), left_out=left_out)
    text = changes_text(changes)
    assert "BEST VARIANTS, WITHIN CERTAINTY\n- soup: the least sodium had 'a', has 'b'; " in text
    assert text.splitlines()[-1] == "Not compared: stew (made once so far)."
    assert "FLIPPED" not in text


def test_twins_share_the_first_place() -> None:
    """Which of two equal variants stands first is no change, nor is what floating point does to them."""
    assert best_of({"a": 1.0, "b": 1.0}, {"a": 1.0 + 1e-13, "b": 1.0}).empty


def test_the_same_change_in_several_runs_is_one_row() -> None:
    """Two reports of one recipe tell one change once, and name both."""
    old, new = conclusions([{"amount": 1.0}]), conclusions([{"amount": 20.0}])
    other = [Conclusions("b_run", *(getattr(each, name) for name in ("amounts", "verdicts", "ranks")),
                         each.pair_error, {}) for each in (old, new)]  # fmt: skip
    found = collected([difference_of(old, new), difference_of(*other)])
    assert found["amounts"]["run"].tolist() == ["a_run, b_run"]


def test_the_tidy_table_has_the_flips_first() -> None:
    """What was lost and every flip stand before what only moved; a missing number stays missing."""
    difference = difference_of(
        conclusions([{"amount": 1.0}], [{"rule": "target", "verdict": "met"}]),
        conclusions([{"amount": np.nan}], [{"rule": "target", "verdict": "not met"}]),
    )
    changes = Changes("runs", "a", "b", ("soup",), **collected([difference]), lost=("stew is gone",))
    table = changes_table(changes)
    assert table[["kind", "flipped"]].to_numpy().tolist() == [["lost", True], ["verdict", True], ["amount", False]]
    assert changes.flips == 2
    assert pd.isna(table["new"].iloc[2])
    assert not changes.nothing


def test_nothing_is_nothing() -> None:
    """Two equal sides have no changes, and empty tables have their columns."""
    same = conclusions([{"amount": 1.0}], [{"rule": "target", "verdict": "met"}], [{"variant": "a", "value": 1.0}])
    changes = Changes("runs", "a", "b", ("soup",), **collected([difference_of(same, same)]))
    assert changes.nothing
    assert changes.flips == 0
    assert len(changes_table(changes)) == 0
    assert {"old", "new", "flipped"} <= set(changes_table(changes))
