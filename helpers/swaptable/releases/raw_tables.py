"""Raw tables of a food table, read by column name, checked, and refused in one sentence.

Small files become DataFrames of text whose index is the line in the file; a large one streams through pyarrow in blocks
of whole lines, so that its size does not matter.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import IO, Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pacsv

from swaptable.basics.errors import InputError, listed, nearest
from swaptable.basics.file_text import visible
from swaptable.releases.raw_files import RawFile

__all__ = ["MOST_COUNT", "SR_GROUPS", "numbers", "read_rows", "stream_rows", "visible_texts"]

BLOCK = 1 << 24  # bytes of a large file that are parsed at a time
_PIECE = 1 << 22  # of which each thread takes so many
_DELIMITERS = {";": "';'", "\t": "a tab", "|": "'|'", ",": "','"}
MOST_COUNT = 1e9  # of samples, decimals and the like
_MOST = 1e12  # no mass, count or identifier of a food table has as many digits
# Names of SR28's food groups, which other tables print without their codes.
SR_GROUPS = {
    "Dairy and Egg Products": "0100", "Spices and Herbs": "0200", "Baby Foods": "0300", "Fats and Oils": "0400",
    "Poultry Products": "0500", "Soups, Sauces, and Gravies": "0600", "Sausages and Luncheon Meats": "0700",
    "Breakfast Cereals": "0800", "Fruits and Fruit Juices": "0900", "Pork Products": "1000",
    "Vegetables and Vegetable Products": "1100", "Nut and Seed Products": "1200", "Beef Products": "1300",
    "Beverages": "1400", "Finfish and Shellfish Products": "1500", "Legumes and Legume Products": "1600",
    "Lamb, Veal, and Game Products": "1700", "Baked Products": "1800", "Sweets": "1900",
    "Cereal Grains and Pasta": "2000", "Fast Foods": "2100", "Meals, Entrees, and Side Dishes": "2200",
    "Snacks": "2500", "American Indian/Alaska Native Foods": "3500", "Restaurant Foods": "3600",
}  # fmt: skip


def _key(name: str) -> str:
    return re.sub(r"[^a-z0-9%]", "", name.lower())


def _bound(raw: RawFile, header: Sequence[str], needed: Mapping[str, bool], delimiter: str = ",") -> dict[str, int]:
    """Find the place of each column by name, whatever its case and spaces; True is needed, False may be missing."""
    keys = [_key(name) for name in header]
    if len(header) == 1:
        sign = next((sign for sign in _DELIMITERS if sign in header[0]), None)
        if sign is not None:
            problem = f"its columns are separated by {_DELIMITERS[sign]}; expected {_DELIMITERS[delimiter]}"
            raise InputError(problem, file=raw.place, line=1)
    twice = next((name for place, name in enumerate(header) if name and keys.index(_key(name)) != place), None)
    if twice is not None:
        raise InputError(f"has the column '{twice}' twice", file=raw.place, line=1)
    places = {}
    for name, must in needed.items():
        if _key(name) in keys:
            places[name] = keys.index(_key(name))
        elif must:
            problem = f"has no column '{name}'; found {listed(header)}{nearest(name, header)}"
            raise InputError(problem, file=raw.place, line=1)
    return places


def _decoded(raw: RawFile, content: bytes, encodings: Sequence[str]) -> str:
    """Decode with the first encoding that fits; say where the wrong byte is if none does."""
    if content[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\x00" in content:
        raise InputError("is UTF-16 or no text at all; save it as CSV UTF-8", file=raw.place)
    first: UnicodeDecodeError | None = None
    for encoding in encodings:
        try:
            return content.decode(encoding)
        except UnicodeDecodeError as error:
            first = first or error
    assert first is not None
    line = content.count(b"\n", 0, first.start) + 1
    problem = f"found the byte 0x{content[first.start]:02X}, which is not {encodings[0]}; save the file as UTF-8"
    raise InputError(problem.replace("utf-8-sig", "UTF-8"), file=raw.place, line=line) from first


def read_rows(
    raw: RawFile,
    needed: Mapping[str, bool],
    *,
    encodings: Sequence[str] = ("utf-8-sig",),
    delimiter: str = ",",
    others: bool = False,
) -> pd.DataFrame:
    """Read a small raw file as text.

    Parameters
    ----------
    raw : RawFile
    needed : mapping of bool
        Columns by name; True where the file must have it.
    encodings : sequence of str, optional
        To try in this order.
    delimiter : str, optional
    others : bool, optional
        Keep the columns that were not asked for as well, under the names of the file.

    Returns
    -------
    DataFrame
        Text without blanks around it, under the names asked for; a column that the file does not have is missing. The
        index is the line in the file.

    Raises
    ------
    InputError
        With file and line: wrong encoding, wrong delimiter, a column missing or twice, a row of another length.
    """
    with raw.reading() as stream:
        content = stream.read()
    raw.sha256 = hashlib.sha256(content).hexdigest()
    reader = csv.reader(io.StringIO(_decoded(raw, content, encodings), newline=""), delimiter=delimiter, strict=True)
    header: list[str] = []
    lines, rows = [], []
    try:
        for row in reader:
            if not any(cell.strip() for cell in row):
                continue
            if not header:
                header = [cell.strip() for cell in row]
                places = _bound(raw, header, needed, delimiter)
                continue
            if len(row) != len(header):
                problem = f"found {len(row)} fields, expected {len(header)}"
                raise InputError(problem, file=raw.place, line=reader.line_num)
            lines.append(reader.line_num)
            rows.append([cell.strip() for cell in row])
    except csv.Error as error:
        raise InputError(f"is no table ({error})", file=raw.place, line=reader.line_num) from error
    if not header:
        raise InputError("is empty", file=raw.place)
    raw.rows = len(rows)
    columns = {name: [row[place] for row in rows] for name, place in places.items()}
    if others:
        left = [place for place in range(len(header)) if place not in places.values() and header[place]]
        columns |= {header[place]: [row[place] for row in rows] for place in left}
    return pd.DataFrame(columns, index=pd.Index(lines, name="line"), dtype=str)


def visible_texts(table: pd.DataFrame) -> pd.DataFrame:
    """Leave signs that cannot be seen, or that turn the direction of writing, out of the texts of a table."""
    texts = {name: table[name].map(_visible) for name in table.select_dtypes(["object", "str"])}
    return table.assign(**texts)


def _visible(cell: Any) -> Any:
    return visible(cell) if isinstance(cell, str) else cell


def numbers(raw: RawFile, column: pd.Series, *, negative: bool = False, most: float = _MOST) -> pd.Series:
    """Turn text into numbers; an empty cell is missing.

    Parameters
    ----------
    raw : RawFile
        For the error.
    column : Series
        Of text, indexed by line.
    negative : bool, optional
        Whether they may be below 0.
    most : float, optional
        Below which they must be.

    Raises
    ------
    InputError
        With the line and what was found.
    """
    found = pd.to_numeric(column.where(column != ""), errors="coerce")
    wrong = column[(column != "") & ~np.isfinite(found)]
    if len(wrong):
        hint = "; is its decimal sign a comma?" if "," in wrong.iloc[0] else ""
        problem = f"found '{wrong.iloc[0]}'; expected a number{hint}"
        raise InputError(problem, file=raw.place, line=int(wrong.index[0]), field=str(column.name))
    large = column[found.abs() >= most]
    if len(large):
        problem = f"found '{large.iloc[0]}'; expected a number below {most:,.0f}"
        raise InputError(problem, file=raw.place, line=int(large.index[0]), field=str(column.name))
    if not negative and (found < 0).any():
        at = found[found < 0].index[0]
        problem = f"found {found[at]:g}; expected 0 or more"
        raise InputError(problem, file=raw.place, line=int(at), field=str(column.name))
    return found.astype(float)


def _end_of_records(block: bytes) -> int:
    """Find the last line end outside of quotation marks, from behind and once through; -1 if there is none."""
    end, marks = len(block), block.count(b'"')
    while end >= 0:
        line_end = block.rfind(b"\n", 0, end)
        marks -= block.count(b'"', max(line_end, 0), end)
        end = line_end
        if not marks % 2:
            break
    return end


def _blocks(raw: RawFile, stream: IO[bytes], digest: Any) -> Iterator[bytes]:
    """Cut a file into blocks of whole records: at a line end outside of quotation marks."""
    rest = b""
    while block := stream.read(BLOCK):
        digest.update(block)
        block = rest + block
        end = _end_of_records(block)
        rest = block[end + 1 :]
        if len(rest) > _PIECE:
            raise _too_long(raw)
        if end >= 0:
            yield block[: end + 1]
    if rest:
        yield rest


def _ahead(items: Iterator[bytes]) -> Iterator[bytes]:
    """Fetch the next item while the present one is worked on."""
    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(next, items, b"")
        while item := coming.result():
            coming = pool.submit(next, items, b"")
            yield item


def stream_rows(
    raw: RawFile, columns: Mapping[str, pa.DataType], optional: Sequence[str] = ()
) -> Iterator[tuple[int, pa.Table]]:
    """Read a large raw file of UTF-8 text in blocks.

    Parameters
    ----------
    raw : RawFile
    columns : mapping of DataType
        Columns to read, by name, and their types.
    optional : sequence of str, optional
        Of these, the ones that the file need not have.

    Yields
    ------
    first_line : int
        Line in the file of the first record, where no record spans several lines.
    table : Table
        The columns that the file has; an empty cell is null.

    Raises
    ------
    InputError
        With file and line.
    """
    digest = hashlib.sha256()
    with raw.reading() as stream:
        blocks = _ahead(_blocks(raw, stream, digest))
        line = 1
        header: list[str] = []
        for block in blocks:
            if not header:
                block, header = _without_header(raw, block)
                places = _bound(raw, header, {name: name not in optional for name in columns})
                line = 2
            if not block:
                continue
            table = _parsed(raw, block, header, {header[place]: columns[name] for name, place in places.items()}, line)
            raw.rows += len(table)
            yield line, table.rename_columns(list(places))
            line += block.count(b"\n")
    if not header:
        raise InputError("is empty", file=raw.place)
    raw.sha256 = digest.hexdigest()


def _without_header(raw: RawFile, block: bytes) -> tuple[bytes, list[str]]:
    end = block.find(b"\n") + 1 or len(block)
    text = _decoded(raw, block[:end], ("utf-8-sig",))
    try:
        return block[end:], [name.strip() for name in next(csv.reader([text]), [])]
    except csv.Error as error:
        raise InputError(f"is no table ({error})", file=raw.place, line=1) from error


def _parsed(raw: RawFile, block: bytes, header: list[str], types: dict[str, pa.DataType], line: int) -> pa.Table:
    convert = pacsv.ConvertOptions(
        column_types=types, include_columns=list(types), null_values=[""], strings_can_be_null=True
    )

    def read(newlines: bool = False, threads: bool = True) -> pa.Table:
        return pacsv.read_csv(
            pa.py_buffer(block),
            read_options=pacsv.ReadOptions(column_names=header, use_threads=threads, block_size=_PIECE),
            parse_options=pacsv.ParseOptions(newlines_in_values=newlines),
            convert_options=convert,
        )

    try:
        return read()
    except pa.ArrowInvalid:
        try:
            return read(newlines=True, threads=False)
        except pa.ArrowInvalid as error:
            raise _located(raw, block, str(error), header, line) from error


def _too_long(raw: RawFile) -> InputError:
    return InputError(f"holds a record of more than {_PIECE / 1e6:.0f} MB; is a quotation mark open?", file=raw.place)


def _located(raw: RawFile, block: bytes, message: str, header: list[str], line: int) -> InputError:
    """Say in which line and field a block could not be read, in our words."""
    if "UTF8" in message or "UTF-8" in message:
        try:
            block.decode("utf-8")
        except UnicodeDecodeError as error:
            at = line + block.count(b"\n", 0, error.start)
            problem = f"found the byte 0x{block[error.start]:02X}, which is not UTF-8; expected a file in UTF-8"
            return InputError(problem, file=raw.place, line=at)
    row = re.search(r"Row #(\d+)", message)
    at_line = line + int(row[1]) - 1 if row else None
    length = re.search(r"Expected (\d+) columns, got (\d+)", message)
    if length:
        return InputError(f"found {length[2]} fields, expected {length[1]}", file=raw.place, line=at_line)
    value = re.search(r"In CSV column #(\d+).*invalid value '(.*)'", message)
    if value:
        name = header[int(value[1])] if int(value[1]) < len(header) else ""
        return InputError(f"found '{value[2]}'; expected a number", file=raw.place, line=at_line, field=name)
    if "straddling" in message:
        return _too_long(raw)
    return InputError(f"is no table ({message})", file=raw.place, line=at_line)
