"""The parts of an XLSX package: checked, and stripped to the cells before anything parses them.

A reader of workbooks makes a cell of every place that a link, a rule or an area names, and copies shared formulas
out: a file of a few kilobytes can fill any memory. Nothing of that is needed here.
"""

from __future__ import annotations

import io
import re
import zipfile
from pathlib import PurePosixPath
from xml.etree import ElementTree

from openpyxl.worksheet.cell_range import CellRange

from swaptable.basics.errors import InputError

__all__ = ["MOST_CELLS", "bare_workbook"]

MOST_CELLS = 200_000  # of a sheet, empty ones with a format included
MOST_TAGS = 1_500_000  # of a part that holds cells or their texts
MOST_OTHER_TAGS = 300_000  # of any other; formats are read one by one
MOST_PARTS = 2_000
_CELL = re.compile(rb"<(?:\w+:)?(?:c|row|si)[\s/>]")
_MERGED = re.compile(rb"mergeCell\b[^>]*?\bref\s*=\s*[\"']\s*(\$?[A-Z]{1,3}\$?\d{1,7}:\$?[A-Z]{1,3}\$?\d{1,7})", re.I)
_ENCODING = re.compile(rb"<\?xml[^>]*encoding\s*=\s*[\"']\s*([^\"'\s]*)", re.I)
_ENCODINGS = (b"utf-8", b"utf8", b"utf-16", b"us-ascii", b"ascii", b"iso-8859-1")
_KEPT = ("sheetData", "mergeCells")  # of a sheet


def bare_workbook(data: bytes, name: str, most_bytes: int) -> bytes:
    """Refuse what is no plain workbook, and give the rest without anything but its cells.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        Of the file, for errors.
    most_bytes : int
        That it may unpack to.

    Returns
    -------
    bytes
        A workbook of the same sheets, cells, formats and merged areas. A formula is there as such, without its text.

    Raises
    ------
    InputError
        If it is old, protected, damaged or cut, holds macros or entities, or is larger than any recipe.
    """
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        raise InputError("is an old or a protected workbook; save it as .xlsx without a password", file=name)
    parts = _unpacked(data, name, most_bytes)
    if any("vbaproject" in part.lower() for part in parts):
        raise InputError("holds macros; save it as .xlsx, which holds none", file=name)
    bare: dict[str, bytes] = {}
    sheets: set[str] = set()
    for part, content in parts.items():
        if not part.lower().endswith((".xml", ".rels")):
            continue  # pictures, fonts, settings of printers
        _check_part(content.replace(b"\0", b""), part, name)  # two bytes a sign are read as one
        stripped = _stripped(content, part, name)
        if stripped is not None:
            sheets.add(part)
        bare[part] = content if stripped is None else stripped
    for sheet in sheets:  # what a sheet points to: pictures, comments, tables, other files
        path = PurePosixPath(sheet)
        bare.pop(str(path.parent / "_rels" / f"{path.name}.rels"), None)
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as package:
        for part, content in bare.items():
            package.writestr(part, content)
    return stream.getvalue()


def _unpacked(data: bytes, name: str, most_bytes: int) -> dict[str, bytes]:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            members = package.infolist()
            if len(members) > MOST_PARTS:
                raise InputError(f"has {len(members):,} parts; expected at most {MOST_PARTS:,}", file=name)
            if sum(member.file_size for member in members) > most_bytes:
                raise InputError(f"unpacks to more than {most_bytes / 1e6:.0f} MB; expected a sheet", file=name)
            return {member.filename: package.read(member) for member in members}  # also checks that they are whole
    except InputError:
        raise
    except Exception as error:  # the readers of packages and of packed data have a dozen errors
        told = str(error) or "cut short"
        raise InputError(f"is not a whole .xlsx workbook ({told}); save or copy it again", file=name) from None


def _check_part(content: bytes, part: str, name: str) -> None:
    """Refuse what would take a parser minutes, or lead it elsewhere."""
    encoding = _ENCODING.search(content[:200])
    known = encoding is None or encoding[1].lower() in _ENCODINGS
    if not known or not content.lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n").startswith(b"<"):
        raise InputError(f"holds the part {part}, which is no XML in UTF-8; save or copy it again", file=name)
    if re.search(rb"<!(?:DOCTYPE|ENTITY)", content, re.I):
        raise InputError(f"declares entities in {part}, which no workbook needs", file=name)
    tags = content.count(b"<")
    cells = sum(1 for _ in _CELL.finditer(content)) if tags > MOST_CELLS else 0
    if tags > (MOST_TAGS if cells else MOST_OTHER_TAGS) or cells > MOST_CELLS:
        problem = f"has more than {MOST_CELLS:,} cells in {part}; copy the recipe into a workbook of its own"
        raise InputError(problem, file=name)
    if sum(_size(area[1].decode(), part, name) for area in _MERGED.finditer(content)) > MOST_CELLS:
        raise InputError(f"merges more than {MOST_CELLS:,} cells in {part}; unmerge them", file=name)


def _size(area: str, part: str, name: str) -> int:
    try:
        size = CellRange(area).size
    except ValueError:
        raise InputError(f"merges the cells {area} in {part}, which no sheet has; unmerge them", file=name) from None
    return int(size["rows"] * size["columns"])


def _stripped(content: bytes, part: str, name: str) -> bytes | None:
    """Give a sheet without anything but cells and merged areas; None for any other part."""
    try:
        root = ElementTree.fromstring(content)
        space, _, kind = root.tag.rpartition("}")
        if kind != "worksheet":
            return None
        for child in [child for child in root if child.tag.rpartition("}")[2] not in _KEPT]:
            root.remove(child)
        for formula in root.iter(f"{space}}}f" if space else "f"):
            formula.attrib.clear()
            formula.text = "0"
        return ElementTree.tostring(root)
    except RecursionError:
        raise InputError(f"is nested too deeply in {part}", file=name) from None
    except (ElementTree.ParseError, ValueError, LookupError) as error:
        raise InputError(f"is not a workbook that can be read ({part}: {error})", file=name) from None
