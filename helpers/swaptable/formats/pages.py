"""Recipes out of saved pages and JSON files: the structured data of schema.org, and nothing else of a page.

Files of strangers: nothing is fetched, run or followed, sizes are bounded, and what cannot be read is said once.
"""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from swaptable.basics.errors import InputError, SwaptableError, listed, nearest
from swaptable.basics.file_text import LONGEST_NAME, decode, read_bytes
from swaptable.basics.folders import shown
from swaptable.kitchen.text import KitchenRecipe

__all__ = ["PageRecipe", "page_words", "read_page"]

MOST_LINES = 500  # of a recipe's ingredients, and of its steps
MOST_LETTERS = {"ingredients": 5_000, "steps of a method": 20_000}  # of one of them
MOST_SHOWN = 100  # letters of what a note repeats
MOST_BLOCKS = 1_000  # of data in a page
YAML_FORMAT = "application/yaml"  # media type (RFC 9512) of the recipe file that a page of ours carries
_TAG = re.compile(r"</?[a-zA-Z][^<>]*>")
_LINE_END = re.compile(r"<(?:br|/p|/li|/div|/h\d)\b[^<>]*>", re.I)
_PREFIX = re.compile(r"^(?:schema:|https?://schema\.org/)")
_CHARSET = re.compile(rb"<meta[^>]+charset\s*=\s*[\"']?\s*([\w.:-]+)", re.I)
_LINKED_DATA = re.compile(r"\btype\s*=\s*[\"']?\s*application/ld\+json", re.I)
_MICRODATA = re.compile(r"schema\.org/Recipe\b|typeof\s*=\s*[\"'](?:schema:)?Recipe", re.I)
_COUNT = re.compile(
    r"(?<![\d.,/])([0-9]{1,6}(?:\.[0-9]{1,20})?)(?!\s*(?:[.,]?\d|/))(?:\s*(?:-|–|to|or)\s*(\d+))?\s*([^\W\d_]{0,40})"
)
_PEOPLE = {"", "serving", "servings", "portion", "portions", "person", "persons", "people", "helping", "helpings"}
_WEIGHTS = {
    "g",
    "kg",
    "ml",
    "l",
    "oz",
    "lb",
    "lbs",
    "cup",
    "cups",
    "gram",
    "grams",
    "litre",
    "litres",
    "liter",
    "liters",
}


_NO_NUMBERS = (float("inf"), float("-inf"))


@dataclass(frozen=True)
class PageRecipe:
    """A recipe as a page's structured data give it.

    Attributes
    ----------
    kitchen : KitchenRecipe
        Its words.
    recipe_file : str
        The recipe file that the data carry along, as those written here do; else empty.
    notes : tuple of str
        What to know of how it was read.
    """

    kitchen: KitchenRecipe
    recipe_file: str
    notes: tuple[str, ...]


def _blocks(page: str) -> Iterator[tuple[int, str]]:
    """Give the line and text of each block of linked data that is not commented out; a cut one to the end."""
    at = blocks = counted = 0
    line = 1
    opening = re.compile(r"<!--|<script\b", re.I)
    closing = re.compile(r"</script", re.I)
    while blocks < MOST_BLOCKS and (found := opening.search(page, at)):
        if found[0] == "<!--":
            end = page.find("-->", found.end())
            at = len(page) if end < 0 else end + 3
            continue
        start = page.find(">", found.end()) + 1
        if not start:
            return
        close = closing.search(page, start)
        at = close.end() if close else len(page)
        if _LINKED_DATA.search(html.unescape(page[found.end() : start])):
            blocks, line, counted = blocks + 1, line + page.count("\n", counted, start), start
            yield line, page[start : close.start() if close else len(page)]


def _short_keys(node: dict[str, Any]) -> dict[str, Any]:
    return {_PREFIX.sub("", key): value for key, value in node.items()}


def _parsed(text: str, name: str, first_line: int = 1) -> Any:
    """Read JSON; pages wrap it in comments, and put raw line ends into its texts."""
    bare = re.sub(r"^\s*(?://\s*)?(?:<!--|<!\[CDATA\[)|(?://\s*)?(?:-->|\]\]>)\s*$", "", text)
    shift = text.count("\n") - bare.count("\n") if text.lstrip() != bare.lstrip() else 0
    try:
        return json.loads(bare, strict=False, object_hook=_short_keys)
    except json.JSONDecodeError as error:
        ended = error.pos >= len(bare.rstrip()) or error.msg.startswith("Unterminated string")
        cut = " (it ends too soon: is the file whole?)" if ended else ""
        line = first_line + error.lineno - 1 + shift
        raise InputError(
            f"is not valid JSON: {error.msg.removesuffix(' starting at')}{cut}",
            file=name,
            line=line,
            column=error.colno,
        ) from None
    except RecursionError:
        raise InputError("is nested too deeply", file=name, line=first_line) from None
    except ValueError as error:  # such as a number of thousands of digits
        raise InputError(f"is not usable JSON: {error}", file=name, line=first_line) from None


def _recipes(tree: Any) -> Iterator[dict[str, Any]]:
    """Give every Recipe, however deep, in the order of the file."""
    left = [tree]
    while left:
        node = left.pop()
        if isinstance(node, dict):
            types = node.get("@type")
            names = types if isinstance(types, list) else [types]
            if any(isinstance(kind, str) and _PREFIX.sub("", kind) == "Recipe" for kind in names):
                yield node
            left.extend(reversed(list(node.values())))
        elif isinstance(node, list):
            left.extend(reversed(node))


def page_words(value: Any) -> str:
    """Give one plain text: no entities, no tags, no line ends."""
    return " ".join(_lines(value))


def _lines(value: Any) -> list[str]:
    """Give the lines of a text that may hold entities and tags."""
    if isinstance(value, dict):
        value = value.get("@value", value.get("text", value.get("name", "")))
    if isinstance(value, bool) or not isinstance(value, str | int | float) or value in _NO_NUMBERS or value != value:
        return []
    text = _LINE_END.sub("\n", html.unescape(str(value)))
    text = html.unescape(_TAG.sub(" ", text)).replace("\u2028", "\n")
    text = "".join(sign if sign.isprintable() or sign == "\n" else " " for sign in text)
    return [" ".join(line.split()) for line in text.split("\n") if line.strip()]


def _as_list(value: Any) -> list[Any]:
    if isinstance(value, dict) and "itemListElement" in value:
        value = value["itemListElement"]
    return value if isinstance(value, list) else [] if value is None else [value]


def _ingredients(node: dict[str, Any]) -> tuple[str, ...]:
    """Give the ingredient lines; ``ingredients`` is the name that the vocabulary gave up."""
    found: list[str] = []
    for item in _as_list(node.get("recipeIngredient", node.get("ingredients")))[: MOST_LINES + 1]:
        if isinstance(item, dict) and "item" in item:  # a ListItem
            item = item["item"]
        if isinstance(item, dict) and "@value" not in item:
            parts = ("value", "unitText", "requiredQuantity", "name", "text")
            found.append(" ".join(word for part in parts if (word := page_words(item.get(part)))))
        else:
            found += _lines(item)
    return tuple(line for line in found if line)


def _steps(value: Any) -> list[str]:
    """Give the steps of a method: a text, a list, steps, or sections of steps, in any mixture."""
    if not isinstance(value, dict | list):
        return _lines(value)
    steps: list[str] = []
    if isinstance(value, dict) and ("text" in value or "itemListElement" not in value):
        return _steps(value["item"]) if "item" in value else _lines(value)
    if isinstance(value, dict) and value.get("name"):
        steps.append(page_words(value["name"]).rstrip(":") + ":")
    for item in _as_list(value):
        steps += _steps(item)
        if len(steps) > MOST_LINES:
            break
    return steps


def _servings(value: Any) -> tuple[float | None, str]:
    """Read how many servings there are, and what to say of it; a guess is not made."""
    texts = [page_words(item.get("value") if isinstance(item, dict) else item) for item in _as_list(value)[:MOST_LINES]]
    texts = [text[:MOST_SHOWN] for text in texts if text]
    readings = []
    for text in texts:
        found = _COUNT.search(text)
        if found is not None:
            readings.append((found[3].lower(), float(found[1]), found[2], text))
    readings.sort(key=lambda reading: reading[0] not in _PEOPLE)  # "4 servings" before "1 loaf", else as listed
    for unit, number, upper, text in readings:
        if unit in _WEIGHTS or number <= 0:
            continue
        if upper:
            return None, f"found a yield of '{text}'; set the servings"
        note = "" if unit in _PEOPLE else f"'{text}' read as {number:g} servings; correct it if that is not meant"
        return number, note
    found_text = f"found a yield of '{texts[0]}'" if texts else "found no yield"
    return None, f"{found_text}; set the servings"


def _embedded(node: dict[str, Any]) -> str:
    for item in _as_list(node.get("encoding")):
        if isinstance(item, dict) and item.get("encodingFormat") == YAML_FORMAT and isinstance(item.get("text"), str):
            return str(item["text"])
    return ""


def _chosen(recipes: list[dict[str, Any]], which: str, name: str) -> dict[str, Any]:
    titles = [page_words(recipe.get("name")) or "no title" for recipe in recipes]
    matches = [recipe for recipe, title in zip(recipes, titles, strict=True) if title.casefold() == which.casefold()]
    if len(matches) == 1:
        return matches[0]
    if not which and len(recipes) == 1:
        return recipes[0]
    if which.isdecimal() and len(which) < 6 and 1 <= int(which) <= len(recipes):
        return recipes[int(which) - 1]
    numbered = listed(f"{number} '{title[:MOST_SHOWN]}'" for number, title in enumerate(titles, 1))
    if which:
        raise InputError(f"found no recipe '{which}'; expected one of {numbered}{nearest(which, titles)}", file=name)
    problem = f"holds {len(recipes)} recipes: {numbered}; choose one by number or title, such as --recipe 2"
    raise InputError(problem, file=name)


def read_page(path: str | Path, which: str = "") -> PageRecipe:
    """Read a schema.org Recipe from a saved page or a JSON file.

    Parameters
    ----------
    path : str or Path
        HTML page with blocks of JSON-LD, or a file of JSON-LD (``.json``, ``.jsonld``).
    which : str, optional
        Number, from 1, or title of the recipe, where the file holds several.

    Returns
    -------
    PageRecipe

    Raises
    ------
    InputError
        If there is no recipe with ingredients, or several and none was chosen; with their titles.

    Notes
    -----
    Vocabulary: schema.org Recipe, HowToSection, HowToStep; syntax: JSON-LD 1.1 (W3C 2020). References by
    ``@id`` are not followed, and no ``@context`` is fetched.
    """
    path = Path(path)
    name = shown(path)
    data = read_bytes(path)
    notes: list[str] = []
    if path.suffix.lower() in (".json", ".jsonld"):
        trees = [_parsed(decode(data, name), name)]
        text = ""
    else:
        charset = _CHARSET.search(data[:4096])
        text = decode(data, name, charset[1].decode() if charset else "")
        trees, broken = [], None
        for line, block in _blocks(text):
            try:
                trees.append(_parsed(block, name, line))
            except InputError as error:
                broken = error
                notes.append(f"a block of data was left out: {error}")
        if broken is not None and not any(True for tree in trees for _ in _recipes(tree)):
            raise broken
    recipes = _with_ingredients([node for tree in trees for node in _recipes(tree)], name, text)
    node = _chosen(recipes, which.strip(), name)
    lines = _ingredients(node)
    method = _method(node)
    servings, note = _servings(node.get("recipeYield", node.get("yield")))
    title = page_words(node.get("name"))
    if not title:
        title = path.stem
        notes.append(f"the recipe has no title; '{title}' is the file's name")
    asked = (note,) if note else ()
    kitchen = KitchenRecipe(title, servings, lines, tuple(method), name, asked)
    _check_lengths(kitchen)
    return PageRecipe(kitchen, _embedded(node), tuple(notes))


def _check_lengths(kitchen: KitchenRecipe) -> None:
    """Refuse what is no recipe by its size."""
    for what, lines in (("ingredients", kitchen.lines), ("steps of a method", kitchen.method)):
        if len(lines) > MOST_LINES:
            problem = f"lists {len(lines):,} {what} or more; expected at most {MOST_LINES}"
            raise InputError(problem, file=kitchen.source)
        longest = max(map(len, lines), default=0)
        if longest > MOST_LETTERS[what]:
            problem = f"has {longest:,} letters in one of its {what}; expected at most {MOST_LETTERS[what]:,}"
            raise InputError(problem, file=kitchen.source)
    if len(kitchen.title) > LONGEST_NAME:
        problem = f"has a title of {len(kitchen.title):,} letters; expected at most {LONGEST_NAME}"
        raise InputError(problem, file=kitchen.source)


def _method(node: dict[str, Any]) -> list[str]:
    try:
        return _steps(node.get("recipeInstructions", node.get("step")))
    except RecursionError:
        raise SwaptableError("found a method nested too deeply; expected steps, at most in sections") from None


def _with_ingredients(nodes: list[dict[str, Any]], name: str, page: str) -> list[dict[str, Any]]:
    """Leave out mentions of recipes and repetitions of one; refuse if nothing is left."""
    if not nodes:
        hint = ""
        if _MICRODATA.search(page):
            hint = "; it marks a recipe up in its text (microdata, RDFa), which is not read: copy the text into a .txt"
        problem = f"holds no recipe as structured data (JSON-LD of the type schema.org Recipe){hint}"
        raise InputError(problem, file=name)
    recipes: list[dict[str, Any]] = []
    seen: set[tuple[object, ...]] = set()
    for node in nodes:
        key = (page_words(node.get("name")), _ingredients(node), tuple(_method(node)))
        if key[1] and key not in seen:
            seen.add(key)
            recipes.append(node)
    if not recipes:
        titles = listed(dict.fromkeys(f"'{page_words(node.get('name'))[:MOST_SHOWN] or 'no title'}'" for node in nodes))
        raise InputError(f"names {titles} but lists no ingredients (recipeIngredient)", file=name)
    return recipes
