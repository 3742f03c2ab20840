"""A recipe back into the fields and the text of a recipe file, so that reading it gives the same recipe."""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from swaptable.amounts.recipes import AS_WRITTEN, Patch, Recipe
from swaptable.basics.located_yaml import Place
from swaptable.basics.units import Amount

__all__ = ["WEIGHED_OPTION", "one_line", "percent_text", "plain_number", "recipe_fields", "recipe_text"]

WEIGHED_OPTION = "cooked weight"  # among the ingredients of an option: its weighed dish
_PLAIN = re.compile(r"[^\W_](?:[\w %./½¼¾()'-]*[\w%.)½¼¾])?")
_PLAIN_LINE = re.compile(r"[^\W_](?:[\w %./½¼¾()'°,;!?&-]*[\w%.)½¼¾°!?])?")  # what follows a colon or dash to its end
_LOADED = re.compile(r"(?i)true|false|yes|no|on|off|null|y|n")  # words that some readers of YAML take for others


def one_line(text: str) -> str:
    """Give a text without line ends, control characters and doubled spaces."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())


def plain_number(number: float) -> str:
    """Write a number in full and without exponent, so that reading it gives the same number.

    Examples
    --------
    >>> plain_number(180.0), plain_number(0.5), plain_number(1e-5)
    ('180', '0.5', '0.00001')
    """
    text = format(Decimal(repr(float(number))), "f")
    return text.removesuffix(".0")


def percent_text(share: float) -> str:
    """Write a share so that reading it as a percentage gives the same share."""
    for digits in range(1, 18):
        text = plain_number(float(f"{share * 100:.{digits}g}"))
        if float(text) / 100 == share:
            break
    return f"{text} %"


def _field_text(name: str, value: Any) -> str:
    if isinstance(value, Amount):
        return f"{plain_number(value.number)} {value.measure}".strip()
    if name == "salted_water":
        return f"{plain_number(value)} g/l"
    if name == "liquid" and value in (0.0, 1.0):
        return "kept" if value else "discarded"
    return percent_text(value) if isinstance(value, float) else str(value)


def _patch_fields(patch: Patch) -> dict[str, str]:
    given = {name: getattr(patch, name) for name in type(patch).model_fields if name in patch.model_fields_set}
    return {
        (Patch.model_fields[name].alias or name): _field_text(name, value)
        for name, value in given.items()
        if value is not None
    }


def recipe_fields(recipe: Recipe) -> dict[str, Any]:
    """Give a recipe as the plain fields of a recipe file.

    Parameters
    ----------
    recipe : Recipe

    Returns
    -------
    dict
        Of texts, lists and mappings; reading them gives the same recipe.
    """
    fields: dict[str, Any] = {"title": recipe.title, "servings": plain_number(recipe.servings)}
    if "judged_as" in recipe.model_fields_set:
        fields["judged as"] = recipe.judged_as
    for name, grams in (("reference amount", recipe.reference_amount), ("cooked weight", recipe.cooked_weight)):
        if grams is not None:
            fields[name] = f"{plain_number(grams)} g"
    fields["ingredients"] = {name: _patch_fields(ingredient) for name, ingredient in recipe.ingredients.items()}
    choices: dict[str, dict[str, Any]] = {}
    for choice, options in recipe.choices.items():
        choices[choice] = {}
        for option, changes in options.items():
            found: dict[str, Any] = {name: _patch_fields(patch) for name, patch in changes.patches.items()}
            if changes.cooked_weight is not None:
                found[WEIGHED_OPTION] = f"{plain_number(changes.cooked_weight)} g"
            choices[choice][option] = AS_WRITTEN if changes.as_written else found
    rest = {
        "choices": choices,
        "not together": [dict(pair) for pair in recipe.not_together],
        "method": list(recipe.method),
        "notes": recipe.notes,
    }
    return fields | {name: value for name, value in rest.items() if value}


def _scalar(text: str, plain: re.Pattern[str] = _PLAIN) -> str:
    if plain.fullmatch(text) and not _LOADED.fullmatch(text):
        return text
    signs = (sign if sign.isprintable() and sign not in '"\\' else _escaped(sign) for sign in text)
    return f'"{"".join(signs)}"'


def _escaped(sign: str) -> str:
    return f"\\{sign}" if sign in '"\\' else f"\\U{ord(sign):08x}"


def _flow(fields: Mapping[str, str]) -> str:
    return "{" + ", ".join(f"{_scalar(name)}: {_scalar(text)}" for name, text in fields.items()) + "}"


def recipe_text(fields: Mapping[str, Any], remarks: Mapping[Place, str] | None = None) -> str:
    """Write the fields of a recipe as a recipe file.

    Parameters
    ----------
    fields : dict
        As from :func:`recipe_fields`.
    remarks : dict, optional
        Place of an ingredient → what its comment says; of several lines, they stand above it.

    Returns
    -------
    str
        YAML; every text comes back as it is.
    """
    remarks = remarks or {}

    def line(indent: int, name: str, text: str, place: Place) -> str:
        said = [one_line(part) for part in remarks.get(place, "").splitlines()]
        entry = f"{' ' * indent}{_scalar(name)}: {text}"
        if len(said) == 1:
            return f"{entry} # {said[0]}"
        return "\n".join([*(f"{' ' * indent}# {part}" for part in said), entry])

    lines = []
    for name, value in fields.items():
        if isinstance(value, str):
            lines.append(f"{name}: {_scalar(value, _PLAIN_LINE)}")
            continue
        lines.append(f"{name}:")
        if name == "ingredients":
            lines += [line(2, key, _flow(patch), (name, key)) for key, patch in value.items()]
        elif name == "choices":
            for choice, options in value.items():
                lines.append(f"  {_scalar(choice)}:")
                for option, changes in options.items():
                    if changes == AS_WRITTEN:
                        lines.append(line(4, option, AS_WRITTEN, (name, choice, option)))
                        continue
                    lines.append(f"    {_scalar(option)}:")
                    for key, patch in changes.items():
                        text = _scalar(patch) if isinstance(patch, str) else _flow(patch)
                        lines.append(line(6, key, text, (name, choice, option, key)))
        else:
            texts = (_scalar(item, _PLAIN_LINE) if isinstance(item, str) else _flow(item) for item in value)
            lines += [f"  - {text}" for text in texts]
    return "\n".join(lines) + "\n"
