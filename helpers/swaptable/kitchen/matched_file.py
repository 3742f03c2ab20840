"""A matched recipe written as a recipe file, with every doubt as a comment."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

from swaptable.foods.release import FoodRelease
from swaptable.kitchen.matching import UNKNOWN, MatchedLine, MatchedRecipe

__all__ = ["recipe_yaml"]

SHOWN = 0.30  # runners-up below are not worth a line


def _comment(text: str, indent: str = "  ") -> str:
    return f"  # {indent}{' '.join(text.split())}"


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _key(name: str) -> str:
    return name if re.fullmatch(r"[a-z][a-z' -]*[a-z]|[a-z]", name) else _quoted(name)


def _entry(line: MatchedLine, release: FoodRelease) -> str:
    fields = {
        "amount": line.amount.text or f'"{UNKNOWN}"',
        "food": f'"{release.full_code(line.hit.code)}"' if line.hit else f'"{UNKNOWN}"',
    }
    if line.amount.weighed != "edible":
        fields["weighed"] = line.amount.weighed
    if line.cooking.cook and line.hit:
        fields["cook"] = line.cooking.cook
        if line.cooking.liquid:
            fields["liquid"] = line.cooking.liquid
    inside = ", ".join(f"{name}: {value}" for name, value in fields.items())
    proposed = " and ".join(name for name in ("cook", "liquid") if name in fields)
    return f"  {_key(line.name)}: {{{inside}}}{f' # proposed: {proposed}' if proposed else ''}"


def _about(line: MatchedLine, release: FoodRelease) -> Iterator[str]:
    yield _comment(line.words, "")
    if line.hit is not None:
        grams = "" if line.amount.grams is None else f", {line.amount.grams:.4g} g"
        yield _comment(f"is {line.hit.description} (confidence {line.confidence:.2f}){grams}")
    for other in [other for other in line.runners_up if other.score >= SHOWN or line.hit is None][:3]:
        yield _comment(f"or {release.full_code(other.code)} {other.description} ({other.score:.2f})")
    for note in line.amount.notes or line.line.notes:
        yield _comment(f"read: {note}")
    for question in line.questions:
        yield _comment(f"question: {question}")


def recipe_yaml(matched: MatchedRecipe, *, leave_out_open: bool = False) -> str:
    """Write a matched recipe as a recipe file.

    Parameters
    ----------
    matched : MatchedRecipe
    leave_out_open : bool, optional
        Write lines whose food or amount are unknown as comments and name them in the notes, so that the rest can
        be computed. Otherwise they stand with a ``"?"`` that must be answered before the file is read.

    Returns
    -------
    str
        YAML with the words, the runners-up and the questions as comments; what was read out of the method is
        marked ``# proposed``.
    """
    recipe, release = matched.recipe, matched.release
    text = [f"title: {_quoted(recipe.title)}"]
    if recipe.source:
        text.insert(
            0, f"# from {' '.join(recipe.source.split())}; read by machine: look at every line before you use it"
        )
    text += [f"# question: {' '.join(note.split())}" for note in recipe.notes]
    text.append(f"servings: {recipe.servings:g}" if recipe.servings else f'servings: "{UNKNOWN}" # question: how many?')
    text.append("ingredients:")
    for line in matched.lines:
        text += _about(line, release)
        text.append(
            f"  # {_entry(line, release).strip()}" if leave_out_open and line.is_open else _entry(line, release)
        )
    if recipe.method:
        text += ["method:", *(f"  - {_quoted(step)}" for step in recipe.method)]
    if leave_out_open and any(line.is_open for line in matched.lines):
        left_out = "; ".join(line.words for line in matched.lines if line.is_open)
        text.append(f"notes: {_quoted(f'Not counted, since food or amount are not known: {left_out}.')}")
    return "\n".join(text) + "\n"
