"""Runs files: which notebook is executed with which parameters, checked before anything runs."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from swaptable.basics.errors import InputError, SwaptableError, kind_of, listed, nearest
from swaptable.basics.folders import NOTEBOOKS, shown
from swaptable.basics.located_yaml import SourceText, read_yaml

__all__ = ["OUTPUT", "Parameter", "Run", "effective_parameters", "notebook_parameters", "read_runs"]

OUTPUT = "output"  # the parameter by which a notebook learns its folder; given by the runner alone
_OWN_FOLDERS = ("failed", "gallery")  # of the reports folder
_DEVICES = re.compile(r"con|prn|aux|nul|(com|lpt)\d", re.I)  # no folder may be called so on some systems
_TYPES: dict[str, type] = {"str": str, "int": int, "float": float, "bool": bool}


@dataclass(frozen=True)
class Parameter:
    """A parameter that a notebook declares.

    Attributes
    ----------
    name : str
    kind : str
        ``str``, ``int``, ``float``, ``bool`` or ``list[str]``.
    default : object
    """

    name: str
    kind: str
    default: Any


@dataclass(frozen=True)
class Run:
    """One notebook with its parameters.

    Attributes
    ----------
    name : str
        Folder in reports.
    notebook : Path
    parameters : dict
        Checked and typed.
    """

    name: str
    notebook: Path
    parameters: Mapping[str, Any]


def notebook_parameters(notebook: Path) -> dict[str, Parameter]:
    """Read the parameters that a notebook declares in its one cell tagged ``parameters``.

    Parameters
    ----------
    notebook : Path

    Returns
    -------
    dict of Parameter

    Raises
    ------
    InputError
        If there is not exactly one such cell, or it holds anything but annotated literals.
    """
    file = shown(notebook)
    try:
        cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
        tagged = [cell for cell in cells if "parameters" in cell.get("metadata", {}).get("tags", [])]
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError(f"is not a notebook ({' '.join(str(error).split())})", file=file) from error
    if len(tagged) != 1:
        raise InputError(f"found {len(tagged)} cells tagged 'parameters'; expected exactly one", file=file)
    try:
        lines = ast.parse("".join(tagged[0]["source"])).body
    except SyntaxError as error:
        raise InputError(f"found '{(error.text or '').strip()}'; {_DECLARED}", file=file, field="parameters") from None
    declared = (_declared(line, file) for line in lines)
    return {parameter.name: parameter for parameter in declared}


_DECLARED = "expected 'name: type = literal' only"


def _declared(line: ast.stmt, file: str) -> Parameter:
    """Read one declaration of a parameters cell."""
    try:
        if isinstance(line, ast.AnnAssign) and isinstance(line.target, ast.Name) and line.value is not None:
            kind, default = ast.unparse(line.annotation), ast.literal_eval(line.value)
            if kind in (type(default).__name__, "list[str]" if isinstance(default, list) else ""):
                return Parameter(line.target.id, kind, default)
    except ValueError:
        pass
    raise InputError(f"found '{ast.unparse(line)}'; {_DECLARED}", file=file, field="parameters")


_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?(e[+-]?\d+)?", re.I | re.A)
_KIND_WORDS = {
    "str": "a text",
    "int": "a whole number",
    "float": "a number",
    "bool": "true or false",
    "list[str]": "a list of texts, such as [one, two]",
}


def _typed(text: Any, parameter: Parameter) -> Any:
    """Turn the text of a runs file into the type that the notebook declares."""
    expected = f"found {kind_of(text)}; expected {_KIND_WORDS.get(parameter.kind, parameter.kind)}"
    if parameter.kind == "list[str]" and isinstance(text, list) and all(isinstance(item, str) for item in text):
        return text
    kind = _TYPES.get(parameter.kind)
    if kind is None or isinstance(text, list | dict):
        raise SwaptableError(expected)
    if kind is bool:
        if text not in ("true", "false"):
            raise SwaptableError(expected)
        return text == "true"
    if kind is not str and not _NUMBER.fullmatch(text):
        raise SwaptableError(expected)
    try:
        return kind(text)
    except ValueError:
        raise SwaptableError(expected) from None


def effective_parameters(run: Run) -> dict[str, Any]:
    """Give what a run goes by: what its file says, else what the notebook declares; without the folder."""
    declared = {name: parameter.default for name, parameter in notebook_parameters(run.notebook).items()}
    return {name: value for name, value in {**declared, **run.parameters}.items() if name != OUTPUT}


def read_runs(path: str | Path) -> list[Run]:
    """Read and check a runs file.

    Parameters
    ----------
    path : str or Path
        YAML: run name → ``notebook`` and ``parameters``.

    Returns
    -------
    list of Run
        In the order of the file.

    Raises
    ------
    InputError
        If a notebook, parameter or the type of a value is not known, with the place in the file.
    """
    found, source = read_yaml(Path(path))
    if not isinstance(found, dict) or not found:
        raise source.error((), "expected runs as name: {notebook: ..., parameters: {...}}")
    folders: dict[str, str] = {}
    for name in found:
        if not re.fullmatch(r"\w[\w-]{0,60}", name) or name.lower() in _OWN_FOLDERS:
            problem = f"found '{name}'; a run is named with letters, digits, _ and -, and not {', '.join(_OWN_FOLDERS)}"
            raise source.error((name,), problem, at_key=True)
        if _DEVICES.fullmatch(name):
            problem = f"found '{name}', which no folder may be called on some systems; rename the run"
            raise source.error((name,), problem, at_key=True)
        if name.lower() in folders:
            problem = f"found '{name}' beside '{folders[name.lower()]}'; one folder on some systems: rename one"
            raise source.error((name,), problem, at_key=True)
        folders[name.lower()] = name
    return [_read_run(name, entry, source) for name, entry in found.items()]


def _read_run(name: str, entry: Any, source: SourceText) -> Run:
    allowed = ("notebook", "parameters")
    for key in entry if isinstance(entry, dict) else ():
        if key not in allowed:
            raise source.error(
                (name, key), f"found '{key}'; expected {listed(allowed)}{nearest(key, allowed)}", at_key=True
            )
    if not isinstance(entry, dict) or "notebook" not in entry:
        raise source.error((name,), "expected {notebook: ..., parameters: {...}}")
    notebook = NOTEBOOKS / f"{entry['notebook']}.ipynb"
    if not notebook.is_file() or notebook.stem != str(entry["notebook"]) or notebook.is_symlink():
        known = sorted(book.stem for book in NOTEBOOKS.glob("*.ipynb"))
        problem = (
            f"found '{entry['notebook']}'; expected one of {listed(known)}{nearest(str(entry['notebook']), known)}"
        )
        raise source.error((name, "notebook"), problem)
    declared = {key: value for key, value in notebook_parameters(notebook).items() if key != OUTPUT}
    given = entry.get("parameters", {}) or {}
    if not isinstance(given, dict):
        raise source.error((name, "parameters"), "expected name: value")
    values = {}
    for key, text in given.items():
        at = (name, "parameters", key)
        if key not in declared:
            raise source.error(
                at, f"found '{key}'; expected one of {listed(declared)}{nearest(key, declared)}", at_key=True
            )
        try:
            values[key] = _typed(text, declared[key])
        except SwaptableError as error:
            raise source.error(at, str(error)) from None
    return Run(name, notebook, values)
