"""Models read from YAML files, checked so that every error names its place."""

from __future__ import annotations

from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError, WithJsonSchema

from swaptable.basics.errors import InputError, SwaptableError, kind_of, listed, nearest
from swaptable.basics.located_yaml import Place, SourceText, read_yaml
from swaptable.basics.units import measure_named, parse_amount

__all__ = ["FileModel", "as_text", "check_model", "read_model", "text_of", "weight_of"]


def text_of(value: Any) -> str:
    """Take a scalar as text."""
    if not isinstance(value, str | int | float):
        raise SwaptableError(f"found {kind_of(value)}; expected a text")
    return str(value)


def weight_of(text: Any) -> float:
    """Read a weight above 0 [g]."""
    if isinstance(text, float):
        return text
    amount = parse_amount(text_of(text))
    measure = measure_named(amount.measure)
    if measure is None or measure.kind != "mass" or amount.number <= 0:
        raise SwaptableError(f"found '{text}'; expected a weight above 0, such as 2.35 kg or 850 g")
    return amount.number * measure.size


def as_text(example: str) -> WithJsonSchema:
    """Describe a field that is written as text to editors."""
    return WithJsonSchema({"type": ["string", "number"], "examples": [example]})


class FileModel(BaseModel):
    """A mapping in a file: no field but its own, and never changed once read."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)

    @classmethod
    def owner_at(cls, path: Place) -> type[FileModel]:
        """Give the model of the mapping that stands at a place of the file."""
        return cls

    @classmethod
    def place_of(cls, location: Place) -> Place:
        """Give the place in the file of what pydantic calls ``location``."""
        return location

    @classmethod
    def field_names(cls) -> list[str]:
        """Name the fields as a file writes them."""
        return [info.alias or name for name, info in cls.model_fields.items() if name != "source"]

    def check(self, source: SourceText) -> None:
        """Check what takes more than one field; raise an error with its place."""


def _first_error(error: ValidationError, model: type[FileModel], source: SourceText) -> InputError:
    """Turn pydantic's first complaint into one sentence at one place."""
    # A misspelt field is also a missing one; the misspelling is what to say.
    first = min(error.errors(), key=lambda found: found["type"] != "extra_forbidden")
    path = model.place_of(first["loc"])
    found, kind, context = first["input"], first["type"], first.get("ctx", {})
    if kind == "extra_forbidden":
        allowed = model.owner_at(path[:-1]).field_names()
        problem = f"found '{path[-1]}'; expected one of {listed(allowed, 20)}{nearest(str(path[-1]), allowed)}"
        return source.error(path, problem, at_key=True)
    if kind == "missing":
        return source.error(path[:-1], f"'{path[-1]}' is missing")
    if kind == "value_error":
        return source.error(path, str(context["error"]))
    if kind == "literal_error":
        words = str(context["expected"]).replace("'", "").replace(" or ", ", ").split(", ")
        return source.error(path, f"found {kind_of(found)}; expected {' or '.join(words)}{nearest(str(found), words)}")
    if kind == "string_too_long":
        return source.error(path, f"found {len(found):,} letters; expected at most {context['max_length']:,}")
    return source.error(path, f"found {kind_of(found)}; expected {_EXPECTED.get(kind, str(first['msg']))}")


_EXPECTED = {
    "dict_type": "fields as name: value",
    "model_type": "fields as name: value",
    "tuple_type": "a list, such as [one, two]",
    "string_type": "a text",
    "string_too_short": "a text",
    "too_short": "at least one",
    "greater_than": "more than 0",
    "float_parsing": "a number",
    "float_type": "a number",
    "finite_number": "a number",
}


_M = TypeVar("_M", bound=FileModel)


def read_model(path: Path, model: type[_M]) -> _M:
    """Read a file and check it.

    Parameters
    ----------
    path : Path
        YAML file.
    model : type of FileModel
        With a field ``source``, filled in here.

    Returns
    -------
    FileModel

    Raises
    ------
    InputError
        With file, line, column, field, the value found and what is allowed.
    """
    return check_model(*read_yaml(path), model)


def check_model(found: Any, source: SourceText, model: type[_M]) -> _M:
    """Check what was read, from a file or from the rows of a sheet.

    Parameters
    ----------
    found : dict
        Fields with their texts.
    source : SourceText
        Where each of them stands.
    model : type of FileModel

    Returns
    -------
    FileModel

    Raises
    ------
    InputError
        As for :func:`read_model`.
    """
    if not isinstance(found, dict):
        raise source.error((), f"found {kind_of(found)}; expected fields such as title: ...")
    if "source" in found:  # never by a file
        raise source.error(
            ("source",), f"found 'source'; expected one of {listed(model.field_names(), 20)}", at_key=True
        )
    try:
        read = model.model_validate(found | {"source": source})
    except ValidationError as error:
        raise _first_error(error, model, source) from None
    read.check(source)
    return read
