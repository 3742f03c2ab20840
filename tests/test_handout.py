"""A hand-out says only what is sure, in two languages from one catalogue, on one tagged page, whatever it is given."""

import csv
import json
import re
import string

import pytest

from swaptable.amounts.recipes import read_recipe
from swaptable.basics.errors import InputError, SwaptableError
from swaptable.basics.folders import DATA, files_in, find_file
from swaptable.basics.phrases import LANGUAGES, catalogue, speak
from swaptable.cli import main
from swaptable.foods.reference import allergen_foods, caution_rows
from swaptable.judging.audiences import read_audience
from swaptable.judging.cautions import SAID_IN_FULL
from swaptable.teaching.handout import Handout, compose_handout
from swaptable.teaching.handout_pdf import (
    FITS,
    LARGE_FITS,
    LARGE_SIZE,
    LEAST_SIZE,
    _content,
    page_count,
    render_handout,
    write_handout,
)

RECIPES = files_in("recipes")
HOSTILE = """
title: 'Soup #panic("x") *b* $x$ @ref <lab> \\ "q" [#import "@preview/x:1"] 🍲 汤'
servings: 4
ingredients:
  'be#ans': {amount: 480 g, food: "sr28:16051", cook: drained}
  'AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA': {amount: 1 tbsp, food: "sr28:04053"}
choices:
  'w[x': {'a "b"': as written, '{amount} #c = 3': {'be#ans': {cook: rinsed}}}
method:
  - 'Stir #eval("1+1") #sys.inputs // comment'
  - '= heading'
"""


def words_of(handout: Handout) -> str:
    """Put everything that a hand-out says into one text."""
    return json.dumps(json.loads(_content(handout, "a4", FITS[0], large=False)), ensure_ascii=False)


def changes(handout: Handout) -> dict[str, str]:
    """Give what each swap changes, by its title."""
    return {swap.title.text.removesuffix(":"): swap.changes for swap in handout.swaps}


# -------------------------------------------------------------------------------------------- catalogue


def test_the_catalogue_is_complete():
    """Every key stands once and has both languages, with the same places to fill in."""
    with (DATA / "phrases.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert list(rows[0]) == ["key", *LANGUAGES]
    assert len({row["key"] for row in rows}) == len(rows)
    for row in rows:
        assert all(row[language].strip() for language in LANGUAGES), row["key"]
        if row["key"].startswith("text."):
            continue
        places = [{name for _, name, _, _ in string.Formatter().parse(row[language]) if name} for language in LANGUAGES]
        assert row["key"].startswith("ratio.") or places[0] == places[1], row["key"]


def test_french_is_set_as_french_is():
    """No ordinary space before : ; % » or after «, and no straight apostrophe."""
    for key, row in catalogue().items():
        assert not re.search(r" [:;%»?!]|« |\d (?:g|mg|kg|°C|minutes|heures)\b|'", row["fr"]), (key, row["fr"])


def test_every_word_of_the_demo_is_translated():
    """Titles, methods, notes, options, ingredients and cautions of all demo files are in the catalogue."""
    french = speak("fr")
    texts = []
    for name in RECIPES:
        recipe = read_recipe(find_file(name, "recipes", ".yaml"))
        texts += [recipe.title, recipe.notes, *recipe.method, *recipe.ingredients]
        texts += [option for options in recipe.choices.values() for option in options]
    for name in files_in("audiences"):
        audience = read_audience(find_file(name, "audiences", ".yaml"))
        texts += [audience.title, *audience.cautions, *audience.concerns]
    rows = caution_rows()
    texts += [*rows["defer_to"], *rows.loc[rows["concern"].str.startswith("everyone"), "message"]]
    texts += [concern for concern in rows["concern"].str.split("|").str[0] if concern != "everyone"]
    texts += [*rows.loc[rows["caution"].isin(SAID_IN_FULL), "message"]]
    reasons = allergen_foods().query("allergen == 'read the label'")["note"].str.split("; ").str[-1]
    texts += [reason for reason in reasons if " may " in reason]
    assert [text for text in dict.fromkeys(texts) if text and french.own(text).language != "fr"] == []


def test_numbers_are_written_in_the_language():
    """French has a decimal comma and a no-break space between thousands."""
    assert speak("fr").number("1,234.5") == "1\u00a0234,5"
    assert speak("en").number("1,234.5") == "1,234.5"


def test_own_words_stay_where_nobody_translated_them():
    """Words that the catalogue lacks are kept, and marked as what they are."""
    words = speak("fr").own("Turnip surprise")
    assert (words.text, words.language) == ("Turnip surprise", "en")


# ------------------------------------------------------------------------------------------ what it says


def test_sodium_is_told_as_it_is():
    """The pot as written passes a third of the day's sodium surely (40 %), and nothing says otherwise."""
    handout = compose_handout("barley_pot", "blood_pressure", regime="CA")
    assert handout.benefit == "A serving very likely holds more than one third of a day’s limit for sodium."
    assert changes(handout)["no salt instead of half a teaspoon of salt"] == "about a quarter less sodium"
    assert changes(handout)["skin on instead of peeled"] == "only small differences are sure in the table"


def test_a_variant_is_compared_with_the_recipe_as_written():
    """In water without salt, sodium is a small part of what it was: 50 of 930 mg, about a tenth or less."""
    options = {"liquid": "water", "salt": "no salt"}
    handout = compose_handout("barley_pot", "blood_pressure", options=options)
    assert "stays within one third of a day’s limit for sodium" in handout.benefit
    assert "about a tenth of the sodium, compared with the recipe as written" in handout.benefit
    assert changes(handout)["stock instead of water"] == "many times the sodium"


def test_nothing_that_a_concern_speaks_against_is_praised():
    """Potassium-based baking powder is warned of before anything, and its low sodium is not held out as a gain."""
    swap = "low-sodium baking powder instead of baking powder"
    written = compose_handout("oat_pancakes", "blood_pressure")
    warned = "first read the caution on kidney disease and potassium-raising medicines"
    assert changes(written)[swap] == f"not for everyone: {warned}"
    chosen = compose_handout("oat_pancakes", "blood_pressure", options={"raising": "low-sodium baking powder"})
    assert chosen.benefit == f"This version is not for everyone: {warned}."
    # a class with another concern still reads for whom it is not
    asked = "ask first if this is yours: kidney disease and potassium-raising medicines"
    assert changes(compose_handout("oat_pancakes", "bone_health"))[swap].startswith(asked)


@pytest.mark.parametrize("audience", ["general_adults", "bone_health", "blood_pressure"])
def test_a_potassium_salt_is_said_in_full_whoever_the_class_is(audience):
    """The sheet whose baking powder is made with potassium says for whom that is harmful, in both languages."""
    options = {"raising": "low-sodium baking powder"}
    handout = compose_handout("oat_pancakes", audience, options=options)
    message = caution_rows().set_index("caution").loc["potassium_salts", "message"]
    assert handout.cautions[0].text == f"Low-sodium baking powder: {message}"
    assert handout.benefit.startswith("This version is not for everyone: first read the caution on kidney disease")
    assert "compared with the recipe" not in handout.benefit
    french = compose_handout("oat_pancakes", audience, options=options, language="fr")
    assert "poudre à pâte faible en sodium\u00a0: cet ingrédient" in french.cautions[0].text.lower()
    assert french.translated
    assert page_count(render_handout(french)) == 1
    assert message not in words_of(compose_handout("oat_pancakes", audience))


def test_alike_is_said_of_the_whole_table_only():
    """Energy counts too, though nobody aims at it; small sure differences are not called none."""
    kept = changes(compose_handout("sardine_traybake", "bone_health", options={"tin": "oil kept"}))
    assert kept["drained instead of oil kept"] == "a little less vitamin K; a little less energy"
    pot = changes(compose_handout("white_bean_bowl", "bone_health"))
    assert pot["steamed instead of boiled and drained"] == "no sure difference in what the table lists"
    assert pot["without cheese instead of with cheese"] == "only small differences are sure in the table"


def test_an_amount_counts_on_the_sheet_that_reaches_it():
    """244 mg of sodium ask nobody with high blood pressure; 925 mg do, and so does the swap for stock."""
    water = compose_handout("barley_pot", "blood_pressure", options={"liquid": "water"})
    assert not any("high blood pressure" in words.text for words in water.cautions)
    assert (
        "ask first if this is yours: kidney disease and high blood pressure" in changes(water)["stock instead of water"]
    )
    asked = (
        "If this concerns you (high blood pressure), first ask the prescriber, the pharmacist or the care team about "
    )
    assert asked + "sodium." in [words.text for words in compose_handout("barley_pot", "blood_pressure").cautions]


def test_whoever_a_swap_sends_to_a_caution_finds_it(tmp_path):
    """A class whose file has no line of its own still reads whom to ask about the potassium salt of a swap."""
    path = tmp_path / "own.yaml"
    path.write_text(
        "title: Own\nkeep down: [sodium]\nconcerns: [potassium-raising medicines]\ncautions: [Ask.]\n", encoding="utf-8"
    )
    handout = compose_handout("oat_pancakes", path)
    swap = "low-sodium baking powder instead of baking powder"
    assert "first read the caution on potassium-raising medicines" in changes(handout)[swap]
    asked = [words.text for words in handout.cautions if "(potassium-raising medicines)" in words.text]
    assert any("low-sodium baking powder" in text for text in asked)


def test_nobody_is_asked_twice():
    """What a line of the audience says of a concern, and of all that it is about, is not said again."""
    told = [words.text for words in compose_handout("white_bean_bowl", "bone_health").cautions]
    assert not any("(warfarin)" in text for text in told)
    assert "If this concerns you (bisphosphonate), first ask the prescriber or pharmacist about this dish." in told
    diabetes = compose_handout("barley_pot", "diabetes").cautions
    assert not any("(diabetes)" in words.text for words in diabetes)


def test_bones_are_told_where_there_are_bones():
    """Sardines have soft bones; beans and tuna have none."""
    tuna = {"fish": "light tuna in water"}
    for recipe, options, count in [
        ("sardine_traybake", {}, 1),
        ("sardine_traybake", tuna, 0),
        ("white_bean_bowl", {}, 0),
    ]:
        handout = compose_handout(recipe, "bone_health", options=options)
        assert sum("soft bones" in words.text for words in handout.cautions) == count


def test_a_label_is_named_with_what_may_be_in_the_food():
    """The oil comes with the fish, and why its label matters is said; that labels are to be read is said once."""
    handout = compose_handout("sardine_traybake", "bone_health", options={"tin": "oil kept"})
    told = " ".join(words.text for words in handout.allergens)
    assert "sardines in oil, weighed drained (canned fish may lie in broth or oil made with soya)" in told
    assert ("2 tbsp (27\u00a0g)", "oil from the tins: soya oil") in [
        (text, words.text) for text, words in handout.ingredients
    ]
    assert words_of(handout).count("may contain") == 1


def test_what_nobody_aims_at_has_no_share():
    """Total sugars are shown to adults without an aim; carbohydrate says that fibre is in it."""
    rows = {row.name: row for row in compose_handout("oat_pancakes", "general_adults").nutrition}
    assert rows["Total sugars"].share == "–"
    assert "sugars" not in compose_handout("oat_pancakes", "general_adults").benefit
    assert "Carbohydrate (fibre included)" in [row.name for row in compose_handout("barley_pot", "diabetes").nutrition]


def test_a_new_allergen_is_named():
    """Soya comes in with the soya drink."""
    found = changes(compose_handout("oat_pancakes", "general_adults"))
    assert "brings in an allergen: soya" in found["fortified soya drink instead of milk"]


def test_nothing_is_judged_where_the_care_team_sets_the_limits():
    """For people with kidney disease amounts are shown, no aim is claimed."""
    handout = compose_handout("white_bean_bowl", "kidney_disease")
    assert handout.benefit.startswith("Nothing is judged for this class")
    assert {row.share for row in handout.nutrition[1:]} == {"for care team"}


def test_what_cannot_be_told_is_not_claimed():
    """Calcium of the pancakes lies around a third of the day for nobody surely: it is not in the sentence."""
    handout = compose_handout("oat_pancakes", "blood_pressure")
    assert "calcium" not in handout.benefit
    assert [row.share for row in handout.nutrition if row.name == "Calcium"] == ["30–36\u00a0% of aim"]


def test_a_gap_is_at_least(tmp_path):
    """A value that is missing makes an amount a lower bound, and a swap is not called alike."""
    path = tmp_path / "gap.yaml"
    path.write_text(
        'title: Gap\nservings: 1\ningredients:\n  arrowhead: {amount: 100 g, food: "sr28:11005"}\n'
        '  kale: {amount: 100 g, food: "sr28:11233"}\n',
        "utf-8",
    )
    rows = {row.name: row for row in compose_handout(path, "bone_health").nutrition}
    gaps = [row for row in rows.values() if row.sure == "values missing"]
    assert all(row.amount.startswith("at least ") for row in gaps)
    assert gaps


def test_the_frame_is_always_there():
    """Estimate, not for sale, source, care team, allergens and every caution of the audience."""
    for language in LANGUAGES:
        handout = compose_handout("white_bean_bowl", "bone_health", language=language)
        text = words_of(handout)
        say = speak(language).say
        for key in ("frame.estimate", "frame.defer", "allergen.label"):
            assert json.dumps(say(key), ensure_ascii=False)[1:-1] in text
        assert "SR28" in handout.source
        audience = read_audience(find_file("bone_health", "audiences", ".yaml"))
        told = [words.text for words in handout.cautions]
        own = [speak(language).own(caution).text for caution in audience.cautions]
        assert [text for text in own if text != say("allergen.label")] == told[: len(own) - 1]
        assert any("arfarin" in caution for caution in told)


@pytest.mark.parametrize("name", RECIPES)
def test_french_is_french_throughout(name):
    """A demo recipe in French has no word left in English, and says 1,5 for 1.5."""
    handout = compose_handout(name, "blood_pressure", language="fr", regime="CA")
    assert handout.translated
    text = words_of(handout)
    assert not re.search(r"\b(?:the|serving|about|instead|first ask|sodium is)\b", text.split('"labels"')[0])
    assert not re.search(r"\d\.\d", text.split('"source"')[0].split('"title"')[1])


# -------------------------------------------------------------------------------------------------- the page


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("name", RECIPES)
def test_every_demo_recipe_holds_on_one_page(name, paper, language):
    """One page at 10 pt or more, on both papers and in both languages, tagged and marked PDF/UA-1."""
    handout = compose_handout(name, "bone_health", language=language, regime="CA")
    pdf = render_handout(handout, paper=paper)
    assert page_count(pdf) == 1
    for mark in (b"/StructTreeRoot", b"/MarkInfo<</Marked true", b"<pdfuaid:part>1<", f"/Lang({language})".encode()):
        assert mark in pdf
    assert min(fit.size for fit in FITS) == LEAST_SIZE == 10


def test_paper_sizes_are_those_of_the_papers():
    """A4 is 210 by 297 mm, Letter 8.5 by 11 inches: 595.28 by 841.89 and 612 by 792 points."""
    handout = compose_handout("oat_pancakes", "iron")
    for paper, size in (("a4", rb"595\.2\d+ 841\.8\d+"), ("letter", rb"612 792")):
        assert re.search(rb"/MediaBox\[0 0 " + size, render_handout(handout, paper=paper))


def test_large_print_is_large():
    """Large print is 18 pt, on as many pages as it takes; the same words."""
    handout = compose_handout("barley_pot", "blood_pressure")
    assert {fit.size for fit in LARGE_FITS} == {LARGE_SIZE} == {18.0}
    assert 2 <= page_count(render_handout(handout, large=True)) <= 4


def test_what_does_not_fit_goes_on_with_a_heading(tmp_path):
    """A method that no page holds takes more pages at the largest size, and no word is lost or set smaller."""
    text = find_file("barley_pot", "recipes", ".yaml").read_text(encoding="utf-8")
    steps = "".join(f"  - Stir number {n} with a long wooden spoon, slowly and all the way round.\n" for n in range(60))
    path = tmp_path / "long.yaml"
    path.write_text(text.replace("method:\n", f"method:\n{steps}"), encoding="utf-8")
    handout = compose_handout(path, "blood_pressure")
    pages = page_count(render_handout(handout))
    assert pages > 1
    assert len(handout.method) == 64


def test_nothing_in_a_recipe_is_read_as_markup(tmp_path):
    """Signs of the typesetter are printed as they are, in every field; odd characters and long words are set."""
    path = tmp_path / "hostile.yaml"
    path.write_text(HOSTILE, encoding="utf-8")
    for language in LANGUAGES:
        handout = compose_handout(path, "general_adults", language=language)
        assert '#panic("x") *b* $x$ @ref <lab> \\ "q"' in handout.title.text
        assert handout.translated == (language == "en")
        pdf = render_handout(handout)
        assert page_count(pdf) == 1
        assert b"#panic" in pdf  # the title, as it is written, in the metadata
    assert "#panic" in words_of(handout)


def test_control_and_direction_signs_are_left_out():
    """They could hide or turn round what is printed."""
    handout = compose_handout("oat_pancakes", "iron")
    turned = handout.__class__(**{**handout.__dict__, "benefit": "safe \u202eefas\u202c\x07 end"})
    assert json.loads(_content(turned, "a4", FITS[0], large=False))["benefit"] == "safe  efas   end"


# -------------------------------------------------------------------------------------------------- files


def test_a_file_is_written_whole_and_not_overwritten(tmp_path):
    """The file appears whole, without a part beside it, and stays as it is unless told."""
    handout = compose_handout("oat_pancakes", "iron")
    path = tmp_path / "sheet.pdf"
    assert write_handout(handout, path) == 1
    assert path.read_bytes().startswith(b"%PDF")
    with pytest.raises(InputError, match="is there already"):
        write_handout(handout, path)
    assert write_handout(handout, path, force=True) == 1
    assert [file.name for file in tmp_path.iterdir()] == ["sheet.pdf"]


@pytest.mark.parametrize(
    ("options", "message"),
    [({"paper": "a5"}, "found paper 'a5'; expected a4 or letter")],
)
def test_wrong_paper_is_refused(options, message):
    """A paper that is not there is named."""
    with pytest.raises(SwaptableError, match=message):
        render_handout(compose_handout("oat_pancakes", "iron"), **options)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"language": "de"}, "found language 'de'"),
        ({"options": {"milk": "beer"}}, "found option 'beer' of milk"),
        ({"regime": "EU"}, "EU"),
    ],
)
def test_wrong_input_is_refused(options, message):
    """Each mistake gets one sentence with what was found."""
    with pytest.raises(SwaptableError, match=message):
        compose_handout("oat_pancakes", "iron", **options)


def test_command_writes_and_refuses(tmp_path, capsys):
    """The file stands last; wrong input is exit code 2 and leaves nothing."""
    path = tmp_path / "pot.pdf"
    assert main(["handout", "barley_pot", "--language", "fr", "--with", "liquid=water", str(path)]) == 0
    assert "1 page" in capsys.readouterr().out
    assert main(["handout", "barley_pot", str(path)]) == 2
    assert main(["handout", "barley_pot", str(path.with_suffix(".txt"))]) == 2
    assert main(["handout", "barley_pot", str(tmp_path / "none" / "x.pdf")]) == 2
    assert main(["handout", "barley_pot", "--paper", "a5", str(tmp_path / "x.pdf")]) == 2
    assert [file.name for file in tmp_path.iterdir()] == ["pot.pdf"]
