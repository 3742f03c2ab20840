"""YAML files read so that every error can say file, line, column and field."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from swaptable.basics.errors import InputError
from swaptable.basics.file_text import odd_sign, wrong_name
from swaptable.basics.folders import shown

__all__ = ["MOST_BYTES", "MOST_DEEP", "MOST_VALUES", "Place", "SourceText", "parse_yaml", "read_yaml"]

Place = tuple[str | int, ...]
MOST_BYTES = 2_000_000  # of a file; a recipe of ten choices has ten thousand
MOST_VALUES = 80_000  # names, texts, lists and mappings in a file: some seconds of reading
MOST_DEEP = 30  # lists and mappings within each other; no file of ours has more than six


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
        If it cannot be read, is too large, or is not UTF-8; and as :func:`parse_yaml`.
    """
    name = shown(path)
    try:
        if path.is_file() and path.stat().st_size > MOST_BYTES:
            raise _too_large(path.stat().st_size, name)
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
        If it is not YAML, is too large or nested too deeply, holds a key twice (or two that look alike), signs that
        cannot be seen, aliases or tags.
    """
    if len(text) > MOST_BYTES:
        raise _too_large(len(text), name)
    try:
        root = _Loader(text, name).get_single_node()
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
    return _plain(root, (), source), source


def _too_large(size: int, name: str) -> InputError:
    return InputError(f"holds {size / 1e6:,.1f} MB; expected at most {MOST_BYTES / 1e6:g} MB", file=name)


class _Loader(yaml.BaseLoader):
    """Reads texts, lists and mappings, and refuses what would grow beyond its own length or run."""

    def __init__(self, text: str, name: str) -> None:
        super().__init__(text)
        self.file, self.deep, self.values = name, 0, 0

    def compose_node(self, parent: yaml.Node | None, index: Any) -> yaml.Node | None:
        """Build the next value, if it may be there."""
        event = self.peek_event()
        self.deep, self.values = self.deep + 1, self.values + 1
        problem = ""
        if isinstance(event, yaml.AliasEvent):
            problem = "aliases (*) are not used here; write it out"
        elif getattr(event, "tag", None) is not None:
            problem = f"tags (found '{event.tag}') are not used here; leave it out"
        elif self.deep > MOST_DEEP:
            problem = f"is nested too deeply; expected at most {MOST_DEEP} lists and mappings within each other"
        elif self.values > MOST_VALUES:
            problem = f"holds more than {MOST_VALUES:,} names and values; split it"
        if problem:
            raise _yaml_error(problem, self.file, event.start_mark)
        node = super().compose_node(parent, index)
        self.deep -= 1
        return node


def _yaml_error(problem: str, name: str, mark: Any) -> InputError:
    place = (mark.line + 1, mark.column + 1) if mark else (None, None)
    return InputError(problem, file=name, line=place[0], column=place[1])


def _plain(node: yaml.Node, path: Place, source: SourceText) -> Any:
    source.places[path] = (node.start_mark.line + 1, node.start_mark.column + 1)  # type: ignore[index]
    if isinstance(node, yaml.SequenceNode):
        return [_plain(child, (*path, index), source) for index, child in enumerate(node.value)]
    if not isinstance(node, yaml.MappingNode):
        text = str(node.value)
        odd = odd_sign(text)
        if odd:
            raise source.error(path, f"found the sign {odd}; expected signs that can be seen")
        return text
    found: dict[str, Any] = {}
    looks: dict[str, str] = {}
    for key_node, value_node in node.value:
        key = str(key_node.value) if isinstance(key_node, yaml.ScalarNode) else ""
        source.keys[(*path, key)] = (key_node.start_mark.line + 1, key_node.start_mark.column + 1)  # type: ignore[index]
        problem = wrong_name(key, looks) if key.strip() else "expected a name before the colon"
        if problem:
            raise source.error((*path, key), problem, at_key=True)
        found[key] = _plain(value_node, (*path, key), source)
    return found
