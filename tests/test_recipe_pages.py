"""Recipes out of saved pages and JSON files: every way of writing them, and every way of breaking them."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from swaptable.basics import file_text
from swaptable.basics.errors import InputError
from swaptable.formats.pages import PageRecipe, read_page

SOUP = {
    "@context": "https://schema.org",
    "@type": "Recipe",
    "name": "Leek soup",
    "recipeYield": "4 servings",
    "recipeIngredient": ["2 leeks, sliced", "1 l water"],
    "recipeInstructions": "Simmer the leeks. Serve.",
}


def page(*blocks: object, head: str = "", body: str = "") -> str:
    """Write a page with blocks of linked data."""
    texts = (block if isinstance(block, str) else json.dumps(block) for block in blocks)
    scripts = "".join(f'<script type="application/ld+json">{text}</script>\n' for text in texts)
    return f"<!doctype html>\n<html><head>{head}\n{scripts}</head><body>{body}</body></html>\n"


Read = Callable[..., PageRecipe]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Write a page, or another file, and read it."""

    def read_text(content: str | bytes, name: str = "page.html", which: str = "") -> PageRecipe:
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return read_page(path, which)

    return read_text


def soup(**changes: Any) -> dict[str, Any]:
    """Give the good recipe with other properties."""
    return SOUP | changes


@pytest.mark.parametrize(
    "blocks",
    [
        [SOUP],
        [[SOUP]],
        [{"@context": "https://schema.org", "@graph": [{"@type": "WebPage", "name": "x"}, SOUP]}],
        [{"@type": "WebPage", "mainEntity": {"@type": "ItemPage", "hasPart": [SOUP]}}],
        [{"@type": "Organization", "name": "x"}, SOUP],
        [SOUP, SOUP],
        [soup(**{"@type": ["Thing", "Recipe"]})],
        [soup(**{"@type": "http://schema.org/Recipe"})],
        [{f"schema:{key}" if key[0] != "@" else key: value for key, value in SOUP.items()}],
        ["\n<!--\n" + json.dumps(SOUP) + "\n-->\n"],
        ["//<![CDATA[\n" + json.dumps(SOUP) + "\n//]]>"],
        ["{broken", SOUP],
        [SOUP | {"isRelatedTo": {"@type": "Recipe", "name": "Bread", "url": "bread.html"}}],
    ],
    ids=[
        "one block", "list", "graph", "nested", "second block", "twice the same", "list of types", "type as address",
        "prefixed", "in a comment mark", "CDATA", "beside a broken block", "mentions another",
    ],
)  # fmt: skip
def test_where_a_recipe_may_stand(read: Read, blocks: list[object]) -> None:
    """A recipe is found wherever the linked data of a page hold it, and once."""
    kitchen = read(page(*blocks)).kitchen
    assert (kitchen.title, kitchen.servings) == ("Leek soup", 4.0)
    assert kitchen.lines == ("2 leeks, sliced", "1 l water")
    assert kitchen.method == ("Simmer the leeks. Serve.",)


def test_ways_of_writing_the_block(read: Read) -> None:
    """Letter case, quotes, attributes and entities of the script tag do not matter; other scripts do not count."""
    for opening in ("<SCRIPT TYPE='application/ld+json' id=x>", "<script id=x type=application/ld&#x2B;json >"):
        text = f"<script>var x = '<b>';</script>{opening}{json.dumps(SOUP)}</script >"
        assert read(text).kitchen.title == "Leek soup"
    with pytest.raises(InputError, match="holds no recipe as structured data"):
        read(f"<!-- {page(SOUP)} -->")
    with pytest.raises(InputError, match="holds no recipe as structured data"):
        read(f"<script>{json.dumps(SOUP)}</script>")


@pytest.mark.parametrize(
    ("value", "steps"),
    [
        ("Wash.\n\nCook.", ("Wash.", "Cook.")),
        ("<ol><li>Wash.</li><li>Cook &amp; serve.</li></ol>", ("Wash.", "Cook & serve.")),
        ("Wash.<br/>Cook.", ("Wash.", "Cook.")),
        (["Wash.", "Cook."], ("Wash.", "Cook.")),
        ([{"@type": "HowToStep", "text": "Wash."}, {"@type": "HowToStep", "name": "Cook."}], ("Wash.", "Cook.")),
        ([{"@type": "HowToStep", "name": "Short", "text": "Wash."}], ("Wash.",)),
        (
            [
                {"@type": "HowToSection", "name": "Soup", "itemListElement": [{"@type": "HowToStep", "text": "Wash."}]},
                {"@type": "HowToSection", "name": "To serve:", "itemListElement": ["Ladle."]},
            ],
            ("Soup:", "Wash.", "To serve:", "Ladle."),
        ),
        (
            {"@type": "ItemList", "itemListElement": [{"@type": "ListItem", "item": {"text": "A."}}]},
            ("A.",),
        ),
        (
            [{"@type": "HowToStep", "itemListElement": [{"@type": "HowToDirection", "text": "A."}, {"text": "B."}]}],
            ("A.", "B."),
        ),
        (None, ()),
        ([None, 3, True, {"@type": "HowToStep"}], ("3",)),
    ],
    ids=[
        "text", "HTML list", "HTML breaks", "list", "steps", "step with name", "sections", "item list", "directions",
        "none", "odd things",
    ],
)  # fmt: skip
def test_instructions(read: Read, value: object, steps: tuple[str, ...]) -> None:
    """A method is a text, a list, steps or sections of steps."""
    assert read(page(soup(recipeInstructions=value))).kitchen.method == steps


@pytest.mark.parametrize(
    ("value", "servings", "note"),
    [
        (4, 4.0, ""),
        (2.5, 2.5, ""),
        ("4", 4.0, ""),
        ("Serves 4", 4.0, ""),
        ("4 portions", 4.0, ""),
        (["6", "6 servings"], 6.0, ""),
        (["1 loaf", "12 servings"], 12.0, ""),
        ({"@type": "QuantitativeValue", "value": 8}, 8.0, ""),
        ("24 cookies", 24.0, "'24 cookies' read as 24 servings"),
        ("4-6 servings", None, "found a yield of '4-6 servings'; set the servings"),
        ("4 to 6", None, "set the servings"),
        ("1.5 kg", None, "set the servings"),
        ("1,000 g", None, "set the servings"),
        ("a crowd", None, "set the servings"),
        ("0", None, "set the servings"),
        (None, None, "found no yield"),
        ([], None, "found no yield"),
    ],
)
def test_yield(read: Read, value: object, servings: float | None, note: str) -> None:
    """Servings are read where they are said; a range, a weight or nothing is asked for and not guessed."""
    found = read(page(soup(recipeYield=value)))
    assert found.kitchen.servings == servings
    assert note in " ".join(found.kitchen.notes)
    assert bool(found.kitchen.notes) == bool(note)


@pytest.mark.parametrize(
    ("value", "lines"),
    [
        (["&frac12; cup cr&egrave;me fra&icirc;che"], ("½ cup crème fraîche",)),
        (["1 cup &amp;quot;00&amp;quot; flour"], ('1 cup "00" flour',)),
        (["<b>2</b> leeks", "<span class='x'>salt</span>"], ("2 leeks", "salt")),
        (["3 < 4 eggs > 2"], ("3 < 4 eggs > 2",)),
        ("2 leeks\n1 l water", ("2 leeks", "1 l water")),
        (["  2\u00a0leeks\u200b ", "", None], ("2 leeks",)),
        ([{"@type": "PropertyValue", "name": "leeks", "value": 2, "unitText": "large"}], ("2 large leeks",)),
        ([{"@value": "2 leeks"}], ("2 leeks",)),
        ({"@type": "ItemList", "itemListElement": [{"@type": "ListItem", "item": "2 leeks"}]}, ("2 leeks",)),
    ],
    ids=["entities", "entities twice", "tags", "signs", "one text", "spaces", "property values", "value", "item list"],
)
def test_ingredients(read: Read, value: object, lines: tuple[str, ...]) -> None:
    """Ingredient lines come as plain text, whatever a page wraps them in."""
    assert read(page(soup(recipeIngredient=value))).kitchen.lines == lines


def test_old_names_of_properties(read: Read) -> None:
    """What older pages call the ingredients and the method is read as well."""
    old = {"@type": "Recipe", "name": "Old", "ingredients": ["1 egg"], "step": ["Boil."], "yield": "1 serving"}
    kitchen = read(page(old)).kitchen
    assert (kitchen.lines, kitchen.method, kitchen.servings) == (("1 egg",), ("Boil.",), 1.0)


def test_several_recipes(read: Read) -> None:
    """Of several recipes one is chosen by number or title; without a choice all titles are named."""
    text = page([soup(name=name) for name in ("Soup", "Bread", "2")])
    for which, title in (("1", "Soup"), ("bread", "Bread"), ("2", "2"), ("3", "2")):
        assert read(text, which=which).kitchen.title == title
    with pytest.raises(InputError, match=r"holds 3 recipes: 1 'Soup', 2 'Bread', 3 '2'; choose .* --recipe 2"):
        read(text)
    for which in ("4", "0", "Brea"):
        with pytest.raises(InputError, match=f"found no recipe '{which}'; expected one of 1 'Soup', 2 'Bread'"):
            read(text, which=which)
    assert read(page(SOUP), which="1").kitchen.title == "Leek soup"


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "is empty"),
        ("<html><body>Soup</body></html>", "holds no recipe as structured data"),
        (page({"@type": "WebPage", "name": "x"}), "holds no recipe as structured data"),
        (page(body='<div itemtype="https://schema.org/Recipe">'), "microdata, RDFa"),
        (page(soup(recipeIngredient=[])), "names 'Leek soup' but lists no ingredients"),
        (page("{]"), "page.html:3:2: is not valid JSON"),
        (page("{}", '\n{"@type": "Recipe",\n "name" "x"}'), "page.html:6:9: is not valid JSON"),
        (page(SOUP)[:250], "ends too soon: is the file whole?"),
        (page("[" * 100_000), "nested too deeply"),
        (page('{"n": ' + "9" * 5000 + "}"), "is not usable JSON"),
        (page(SOUP).replace("Leek", "Crème").encode("latin-1"), "is not UTF-8 text: found the byte 0xe8"),
        (b"\0\0" + page(SOUP).encode(), "holds NUL characters"),
        (page(SOUP, head='<meta charset="klingon">').replace("Leek", "Crème").encode("latin-1"), "'klingon'"),
    ],
    ids=[
        "empty", "no data", "other data", "microdata", "no ingredients", "broken JSON", "broken second block",
        "cut short", "deep", "huge number", "Latin-1", "NUL", "unknown charset",
    ],
)  # fmt: skip
def test_page_that_cannot_be_used(read: Read, content: str | bytes, message: str) -> None:
    """One error names the file and, in broken JSON, the line of the page."""
    with pytest.raises(InputError) as caught:
        read(content)
    assert message in str(caught.value)
    assert str(caught.value.file).endswith("page.html")
    assert "\n" not in str(caught.value)


def test_deep_method_is_refused(read: Read) -> None:
    """Steps nested without end are refused like other things that cannot be used."""
    method: object = "Cook."
    for _ in range(300):
        method = {"@type": "HowToSection", "itemListElement": [method]}
    assert read(page(soup(recipeInstructions=method))).kitchen.method == ("Cook.",)


def test_encodings(read: Read) -> None:
    """UTF-8 wins whatever a page says; what is not UTF-8 is read as the page declares it, Latin-1 as Windows-1252."""
    for charset in ("utf-8", "iso-8859-1", "windows-1252"):
        text = page(soup(name="Crème “soup”"), head=f'<meta charset="{charset}">')
        text = text.replace("\\u00e8", "è").replace("\\u201c", "“").replace("\\u201d", "”")
        assert read(text).kitchen.title == "Crème “soup”"
        if charset != "utf-8":
            assert read(text.encode("cp1252")).kitchen.title == "Crème “soup”"
    assert read(json.dumps(SOUP).encode("utf-16"), "soup.json").kitchen.title == "Leek soup"
    assert read(b"\xef\xbb\xbf" + json.dumps(SOUP).encode(), "soup.jsonld").kitchen.title == "Leek soup"


def test_json_file(read: Read) -> None:
    """A JSON file is read like a block of a page, with the line of what is wrong in it."""
    assert read(json.dumps([{"@type": "WebPage"}, SOUP]), "soup.json").kitchen.lines == ("2 leeks, sliced", "1 l water")
    with pytest.raises(InputError, match=r"soup\.json:2:\d: is not valid JSON"):
        read('{"a": 1,\n"b"}', "soup.json")
    with pytest.raises(InputError, match="holds no recipe"):
        read("[]", "soup.json")


def test_title_falls_back_to_the_name_of_the_file(read: Read) -> None:
    """A recipe without a title gets the file's name, and that is said."""
    found = read(page({key: value for key, value in SOUP.items() if key != "name"}))
    assert found.kitchen.title == "page"
    assert "has no title" in found.notes[0]


def test_size_is_bounded(read: Read, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file larger than any recipe is not read into memory."""
    monkeypatch.setattr(file_text, "MOST_BYTES", 100)
    with pytest.raises(InputError, match="expected at most 0 MB"):
        read(page(SOUP))


def test_file_that_cannot_be_opened(tmp_path: Path) -> None:
    """A missing file is named with the reason."""
    with pytest.raises(InputError, match=r"none\.html: cannot be read \(No such file"):
        read_page(tmp_path / "none.html")


def test_scanning_takes_no_more_than_linear_time(read: Read) -> None:
    """A page of a hundred thousand openings without an end is done with at once."""
    for text in ("<script " * 100_000, "<!-- " * 100_000, "<script>" * 100_000, "<" * 1_000_000):
        with pytest.raises(InputError, match="holds no recipe"):
            read(text)


def test_number_of_ingredients_is_bounded(read: Read) -> None:
    """A list that no recipe has is refused before each line is looked up."""
    with pytest.raises(InputError, match="lists 501 ingredients or more; expected at most 500"):
        read(page(soup(recipeIngredient=["1 egg"] * 501)))
