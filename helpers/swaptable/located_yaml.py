"""YAML files read so that every error can say file, line, column and field."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from swaptable.errors import InputError
from swaptable.folders import shown

__all__ = ["Place", "SourceText", "parse_yaml", "read_yaml"]

Place = tuple[str | int, ...]


@dataclass(frozen=True)
class SourceText:
    """Where each field of a YAML file stands, to say so in errors.

    Attributes
    ----------
    file : str
        Path as shown to the reader.
    places : dict
        Path of keys → (line, column) of the value, counted from 1.
    keys : dict
        The same for the keys themselves.
    """

    file: str = ""
    places: Mapping[Place, tuple[int, int]] = field(default_factory=dict)
    keys: Mapping[Place, tuple[int, int]] = field(default_factory=dict)

    def error(self, path: Place, problem: str, *, at_key: bool = False) -> InputError:
        """Build the error for the field at ``path``, at the nearest place that the file has."""
        known = self.keys if at_key else self.places
        place = next((known[path[:n]] for n in range(len(path), -1, -1) if path[:n] in known), (None, None))
        return InputError(
            problem, file=self.file or None, line=place[0], column=place[1], field=".".join(map(str, path))
        )


def read_yaml(path: Path) -> tuple[Any, SourceText]:
    """Read YAML with every scalar as text, and note where each key and value stands.

    Parameters
    ----------
    path : Path

    Returns
    -------
    found : dict, list or str
        Mappings, lists and texts: ``no`` stays "no" and ``1:30`` stays "1:30".
    source : SourceText

    Raises
    ------
    InputError
        If it cannot be read, is not UTF-8 or not YAML, holds a key twice or uses aliases.
    """
    name = shown(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", file=name) from error
    except UnicodeDecodeError as error:
        raise InputError(
            f"is not UTF-8 text (byte {error.start} is 0x{error.object[error.start]:02x})", file=name
        ) from error
    return parse_yaml(text, name)


def parse_yaml(text: str, name: str) -> tuple[Any, SourceText]:
    """Read YAML that is at hand as a text.

    Parameters
    ----------
    text : str
    name : str
        Name of the file it is from, for errors.

    Returns
    -------
    found : dict, list or str
    source : SourceText
        Both as for :func:`read_yaml`.

    Raises
    ------
    InputError
        If it is not YAML, holds a key twice or uses aliases.
    """
    try:
        for event in yaml.parse(text, Loader=yaml.BaseLoader):
            if isinstance(event, yaml.AliasEvent):
                raise _yaml_error("aliases (*) are not used here; write it out", name, event.start_mark)
        root = yaml.compose(text, Loader=yaml.BaseLoader)
    except RecursionError:
        raise InputError("is nested too deeply", file=name) from None
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        raise _yaml_error(f"is not valid YAML: {error.problem or error.context}", name, mark) from error
    except yaml.YAMLError as error:
        raise InputError(f"is not valid YAML: {' '.join(str(error).split())}", file=name) from error
    source = SourceText(name, {}, {})
    if root is None:
        raise InputError("is empty", file=name)
    try:
        return _plain(root, (), source), source
    except RecursionError:
        raise InputError("is nested too deeply", file=name) from None


def _yaml_error(problem: str, name: str, mark: Any) -> InputError:
    place = (mark.line + 1, mark.column + 1) if mark else (None, None)
    return InputError(problem, file=name, line=place[0], column=place[1])


def _plain(node: yaml.Node, path: Place, source: SourceText) -> Any:
    source.places[path] = (node.start_mark.line + 1, node.start_mark.column + 1)  # type: ignore[index]
    if isinstance(node, yaml.SequenceNode):
        return [_plain(child, (*path, index), source) for index, child in enumerate(node.value)]
    if not isinstance(node, yaml.MappingNode):
        return str(node.value)
    found: dict[str, Any] = {}
    for key_node, value_node in node.value:
        key = str(key_node.value) if isinstance(key_node, yaml.ScalarNode) else ""
        source.keys[(*path, key)] = (key_node.start_mark.line + 1, key_node.start_mark.column + 1)  # type: ignore[index]
        if not key:
            raise source.error((*path, key), "expected a name before the colon", at_key=True)
        if key in found:
            raise source.error((*path, key), f"'{key}' is there twice; keep one", at_key=True)
        found[key] = _plain(value_node, (*path, key), source)
    return found
