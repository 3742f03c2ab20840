"""Signs that cannot be seen are named, and names that look alike are known as such."""

from __future__ import annotations

import pytest

from swaptable.basics.file_text import LONGEST_NAME, MOST_MARKS, look_of, odd_sign, wrong_name


@pytest.mark.parametrize(
    ("sign", "name"),
    [
        ("\u202e", "U+202E (RIGHT-TO-LEFT OVERRIDE)"),
        ("\u2066", "U+2066 (LEFT-TO-RIGHT ISOLATE)"),
        ("\u200b", "U+200B (ZERO WIDTH SPACE)"),
        ("\ufeff", "U+FEFF (ZERO WIDTH NO-BREAK SPACE)"),
        ("\x00", "U+0000 (a control sign)"),
        ("\x1b", "U+001B (a control sign)"),
        ("\x85", "U+0085 (a control sign)"),
        ("\ud800", "U+D800 (no sign of a language)"),
        ("\ue000", "U+E000 (no sign of a language)"),
        ("\uffff", "U+FFFF (no sign of a language)"),
        ("e" + "\u0301" * (MOST_MARKS + 1), "U+0301 (COMBINING ACUTE ACCENT)"),
    ],
    ids=["turns", "isolates", "no width", "byte-order mark", "NUL", "escape", "next line", "half", "private", "none",
         "piled up"],
)  # fmt: skip
def test_a_sign_that_cannot_be_seen_is_named(sign: str, name: str) -> None:
    """It is found wherever it stands, and called by number and name."""
    assert odd_sign(f"salt{sign}pepper") == name


@pytest.mark.parametrize(
    "text", ["crème brûlée", "塩 v1.5", "e\u0301", "חלב", "می\u200cخواهم", "👩\u200d🍳", "½ µg ≥ 3"]
)
def test_signs_of_languages_are_kept(text: str) -> None:
    """Accents, other scripts, signs of two parts and symbols are signs like others."""
    assert odd_sign(text, one_line=True) == ""


def test_line_ends_are_for_longer_texts() -> None:
    """A note may have lines; a name may not."""
    assert odd_sign("a\n\tb\u2028c") == ""
    assert odd_sign("a\tb", one_line=True) == "U+0009 (a control sign)"
    assert odd_sign("a\u2028b", one_line=True) == "U+2028 (LINE SEPARATOR)"


@pytest.mark.parametrize("other", ["ｓalt", "sаlt", "s\u200dalt", "salt\u00a0", " salt"])
def test_names_that_look_alike(other: str) -> None:
    """Wide letters, letters of other scripts, joiners and spaces make no other name."""
    assert look_of(other) == "salt"
    assert "looks the same as 'salt'" in wrong_name(other, {"salt": "salt"})


def test_names_that_only_resemble_each_other() -> None:
    """Case, accents and numbers make other names."""
    assert len({look_of(name) for name in ("salt", "Salt", "sält", "salt 2", "sa lt")}) == 5


def test_endless_names_are_refused() -> None:
    """A name is at most as long as the longest name of a food."""
    assert wrong_name("x" * LONGEST_NAME, {}) == ""
    assert wrong_name("x" * 10_000, {}) == f"found a name of 10,000 letters; expected at most {LONGEST_NAME}"
