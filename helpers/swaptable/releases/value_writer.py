"""Values of a large food table, checked and written to Parquet a block at a time.

Nothing is held of a value once it is written, but for what the checks need: which components each food has, and the
few that must go together.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import TracebackType

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from swaptable.basics.errors import InputError, SwaptableError, nearest
from swaptable.foods.component_identity import Printed, component_rows, identities, published_components
from swaptable.releases.raw_files import RawFile
from swaptable.releases.value_checks import BY_DIFFERENCE, CHECKED, LEAST_BY_DIFFERENCE, check_profiles, too_large

__all__ = ["OPTIONAL", "Rows", "ValueWriter"]

_ARCHIVED = re.compile(r"do not use", re.I)
_BLOCK = 100_000  # foods
_MOST_LISTED = 1000  # findings of one kind in the table of checks
OPTIONAL = ("n", "standard_error", "minimum", "maximum", "median", "limit")
_TEXT = pa.dictionary(pa.int32(), pa.string())
_MOST, _MOST_COUNT = 1e12, 1e9  # of a value per 100 g, whatever its unit, and of samples
_SCHEMA = pa.schema(
    [("code", _TEXT), ("nutrient_number", pa.int32()), ("value", pa.float64()), ("n", pa.int32())]
    + [(name, pa.float64()) for name in OPTIONAL[1:]]
    + [(name, _TEXT) for name in ("source_code", "derivation_code", "status")]
)
_STATUS = ("", "below limit", "stands in")


@dataclass(frozen=True, eq=False)
class Rows:
    """Some values, as they come."""

    place: np.ndarray  # of the food, -1 where it is not wanted
    nutrient: np.ndarray  # its id
    amount: np.ndarray
    pair: np.ndarray  # of source and derivation code
    line: np.ndarray | range
    optional: Mapping[str, np.ndarray]  # of OPTIONAL, those that have any; NaN is missing

    def where(self, kept: np.ndarray) -> Rows:
        """Give some of them."""
        at = np.flatnonzero(kept)
        return Rows(
            self.place[at],
            self.nutrient[at],
            self.amount[at],
            self.pair[at],
            np.asarray(self.line)[at],
            {name: each[at] for name, each in self.optional.items()},
        )


@dataclass
class ValueWriter:
    """Checks values, converts them and writes them to a Parquet file, a block at a time."""

    path: Path
    codes: pa.Array
    recipes: np.ndarray  # bool by food: values come from a recipe
    printed: Mapping[int, Printed]
    pairs: list[tuple[str, str]]
    raw: RawFile
    stand_ins: Mapping[str, str] = field(default_factory=dict)
    rows: int = 0
    left_out: dict[str, int] = field(default_factory=dict)
    findings: dict[str, list[tuple[str, str, str, str]]] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        known = published_components(list(self.printed.values()), "FDC")
        tags = {int(key): found for key, found in known.items() if found is not None}
        archived = {key for key, each in self.printed.items() if _ARCHIVED.search(each.name)}
        kept = {key: found for key, found in tags.items() if key not in archived}
        table = component_rows([(tag, unit, self.printed[key].name, None) for key, (tag, unit, _) in kept.items()])
        self._table = table
        self._tags = list(table["component"])
        self._numbers = table["nutrient_number"].to_numpy(dtype=np.int32)
        size = max([*self.printed, *self._old_numbers()], default=0) + 1
        self._column = np.full(size, -1, dtype=np.int16)  # -1 unknown, -2 known but left out
        self._factor = np.ones(size)
        at = {tag: place for place, tag in enumerate(self._tags)}
        for key in self.printed:
            self._column[key] = at[kept[key][0]] if key in kept else -2
            self._factor[key] = kept[key][2] if key in kept else 1.0
        for number, key in self._old_numbers().items():
            self._column[number], self._factor[number] = self._column[key], self._factor[key]
        self._most = too_large(self._tags)
        self._by_difference = np.array([tag in BY_DIFFERENCE for tag in self._tags])
        size = len(self.codes)
        exact = {tag for pair in self.stand_ins.items() for tag in pair}
        wrong = next((tag for tag in exact if tag not in at), None)
        if wrong is not None:
            raise SwaptableError(
                f"found '{wrong}' to stand in; expected a component of this source{nearest(wrong, at)}"
            )
        held = exact | {tag for tag in CHECKED if tag in at}
        self._held = {at[tag]: np.full(size, np.nan, dtype=np.float64 if tag in exact else np.float32) for tag in held}
        self._seen = np.zeros((size, -(-len(self._tags) // 8)), dtype=np.uint8)
        self._used = np.zeros(len(self._tags), dtype=bool)
        # Each word once: Arrow writes bytes of no meaning into the file where a dictionary holds one twice.
        self._sources, self._source_of = np.unique([source for source, _ in self.pairs], return_inverse=True)
        self._derivations, self._derivation_of = np.unique([each for _, each in self.pairs], return_inverse=True)

    def _old_numbers(self) -> dict[int, int]:
        """Map nutrient numbers to ids: early survey files name nutrients by number, which is below every id."""
        return {int(each.number): key for key, each in self.printed.items() if each.number.isdigit()}

    def __enter__(self) -> ValueWriter:
        self._writer = pq.ParquetWriter(
            self.path,
            _SCHEMA,
            compression="zstd",
            compression_level=1,
            use_dictionary=[each.name for each in _SCHEMA if each.type in (_TEXT, pa.int32())],
            write_statistics=False,
        )
        self._pool = ThreadPoolExecutor(1)
        self._writing: Future[None] | None = None
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if kind is None:
            self._stand_in()
        self._pool.shutdown()
        self._writer.close()
        if kind is None and self._writing is not None:
            self._writing.result()

    def _note(self, check: str, found: Sequence[tuple[str, str, str, str]], count: int) -> None:
        """Keep the first findings of a kind: (code, component, found, expected), and count them all."""
        self.counts[check] = self.counts.get(check, 0) + count
        kept = self.findings.setdefault(check, [])
        kept += found[: _MOST_LISTED - len(kept)]

    def _skip(self, why: str, count: int) -> None:
        if count:
            self.left_out[why] = self.left_out.get(why, 0) + int(count)

    def add(self, rows: Rows) -> None:
        """Check and write some values.

        Raises
        ------
        InputError
            With the line, if a value is negative or of an unknown nutrient.
        """
        if (rows.place < 0).any():
            rows = rows.where(rows.place >= 0)
        nutrient = np.clip(rows.nutrient, 0, len(self._column) - 1)
        column = self._column[nutrient]
        self._refuse_first(
            (rows.nutrient != nutrient) | (column == -1), rows, rows.nutrient, "nutrient_id", "an id of nutrient.csv"
        )
        missing = np.isnan(rows.amount)
        if "limit" in rows.optional:
            missing &= np.isnan(rows.optional["limit"])
        other = column < 0
        if other.any() or missing.any():
            self._skip("nutrient archived or without a unit of a component", other.sum())
            self._skip("no amount", (missing & ~other).sum())
            kept = ~(missing | other)
            rows, column, nutrient = rows.where(kept), column[kept], nutrient[kept]
        if len(column):
            self._write(rows, column, self._factor[nutrient])

    def _refuse_first(self, wrong: np.ndarray, rows: Rows, found: np.ndarray, name: str, allowed: str) -> None:
        if wrong.any():
            at = int(np.flatnonzero(wrong)[0])
            line = int(rows.line[at]) or None
            raise InputError(f"found {found[at]:g}; expected {allowed}", file=self.raw.place, line=line, field=name)

    def _write(self, rows: Rows, column: np.ndarray, factor: np.ndarray) -> None:
        self._refuse_first(np.abs(rows.amount) >= _MOST, rows, rows.amount, "amount", "a number")
        for name, given in rows.optional.items():
            if name == "n":
                uncounted = ~np.isnan(given) & (np.floor(given) != given)
                strange, allowed = uncounted | (np.abs(given) >= _MOST_COUNT), "a count"
            else:
                strange, allowed = np.abs(given) >= _MOST, "a number"
            self._refuse_first(strange, rows, given, name, allowed)
        rows = self._without_negative(rows, column)
        value, below = rows.amount * factor, np.zeros(len(column), dtype=bool)
        if "limit" in rows.optional:
            limit = rows.optional["limit"]
            unknown = np.isnan(rows.amount)
            below = unknown | (rows.amount < limit)
            value = np.where(unknown, limit / 2, rows.amount) * factor
        large = value > self._most[column]
        if large.any():
            self._found("larger than any food of SR28", large, rows.place, column, value, "less; is the unit right?")
        numbered = _numbered(rows.place)
        fresh = self._fresh(numbered, rows.place, column)
        if fresh is not None:
            self._found("given twice, the first taken", ~fresh, rows.place, column, value, "one value")
            rows, column, value, below, factor = (
                rows.where(fresh),
                *(e[fresh] for e in (column, value, below, factor)),
            )
            numbered = _numbered(rows.place)
        self._used |= np.bincount(column, minlength=len(self._tags)).astype(bool)
        for held, values in self._held.items():
            here = np.flatnonzero(column == held)
            values[rows.place[here]] = value[here]
        scaled = {name: given if name == "n" else given * factor for name, given in rows.optional.items()}
        pair = rows.pair
        if self.recipes.any():
            pair = np.where((pair == 0) & self.recipes[rows.place], len(self.pairs) - 1, pair)
        self._put(numbered, column, value, scaled, pair, below)

    def _without_negative(self, rows: Rows, column: np.ndarray) -> Rows:
        negative = rows.amount < 0
        if not negative.any():
            return rows
        small = negative & self._by_difference[column] & (rows.amount >= LEAST_BY_DIFFERENCE)
        self._refuse_first(negative & ~small, rows, rows.amount, "amount", "0 or more")
        self._found("negative by difference, taken as 0", small, rows.place, column, rows.amount, "0 or more")
        return replace(rows, amount=np.where(small, 0.0, rows.amount))

    def _found(
        self, check: str, where: np.ndarray, place: np.ndarray, column: np.ndarray, value: np.ndarray, expected: str
    ) -> None:
        at = np.flatnonzero(where)
        few = at[:_MOST_LISTED]
        codes = self.codes.take(pa.array(place[few])).to_pylist()
        tags = [self._tags[each] for each in column[few]]
        told = [(code, tag, f"{v:.4g}", expected) for code, tag, v in zip(codes, tags, value[few], strict=True)]
        self._note(check, told, len(at))

    def _fresh(
        self, numbered: tuple[np.ndarray, np.ndarray], place: np.ndarray, column: np.ndarray
    ) -> np.ndarray | None:
        """Tell which values their food does not have already, None if all; remember what it has now."""
        foods, local = numbered
        held = np.zeros((len(foods), len(self._tags)), dtype=bool)
        held[local, column] = True
        packed, before = np.packbits(held, axis=1), self._seen[foods]
        self._seen[foods] |= packed
        if held.sum() == len(column) and not (packed & before).any():
            return None
        _, first = np.unique(place.astype(np.int64) * len(self._tags) + column, return_index=True)
        fresh = np.zeros(len(column), dtype=bool)
        fresh[first] = True
        fresh &= ~np.unpackbits(before, axis=1)[local, column].astype(bool)
        return fresh

    def _put(
        self,
        numbered: tuple[np.ndarray, np.ndarray],
        column: np.ndarray,
        value: np.ndarray,
        scaled: Mapping[str, np.ndarray],
        pair: np.ndarray,
        status: np.ndarray,
    ) -> None:
        """Hand a row group over to the writing thread."""
        foods, local = numbered
        arrays = {
            "code": pa.DictionaryArray.from_arrays(pa.array(local.astype(np.int32)), self.codes.take(pa.array(foods))),
            "nutrient_number": pa.array(self._numbers[column]),
            "value": pa.array(value),
        }
        for name in OPTIONAL:
            kind = _SCHEMA.field(name).type
            given = scaled.get(name)
            arrays[name] = (
                pa.nulls(len(value), kind) if given is None else pa.array(given, mask=np.isnan(given)).cast(kind)
            )
        worded = {
            "source_code": (self._source_of[pair], self._sources),
            "derivation_code": (self._derivation_of[pair], self._derivations),
            "status": (status, _STATUS),
        }
        arrays |= {
            name: pa.DictionaryArray.from_arrays(pa.array(each.astype(np.int32)), pa.array(words, pa.string()))
            for name, (each, words) in worded.items()
        }
        table = pa.table(arrays, schema=_SCHEMA)
        if self._writing is not None:
            self._writing.result()
        self._writing = self._pool.submit(self._writer.write_table, table, len(table))
        self.rows += len(table)

    def _stand_in(self) -> None:
        """Write the values that stand in, by the user's word, where a food has none of the component."""
        for wanted, other in self.stand_ins.items():
            own, values = (self._held[self._tags.index(tag)] for tag in (wanted, other))
            place = np.flatnonzero(np.isnan(own) & ~np.isnan(values))
            if not len(place):
                continue
            column = np.full(len(place), self._tags.index(wanted))
            value = values[place]
            self._used[column] = True
            own[place] = value
            self._found(f"{other} stands in for {wanted}", place >= 0, place, column, value, "a value of its own")
            calculated, stands_in = (np.full(len(place), each) for each in (len(self.pairs) - 2, 2))
            self._put(_numbered(place), column, value, {}, calculated, stands_in)

    def components(self) -> pd.DataFrame:
        """Give the components that have values, and those that every release has."""
        always = [tag in identities() and identities()[tag].always for tag in self._tags]
        return self._table[self._used | always].reset_index(drop=True)

    def checks(self) -> pd.DataFrame:
        """Give what was found on the way and in the profiles of the foods."""
        columns = ["code", "check", "component", "found", "expected"]
        kept = [
            (code, check, component, found, expected)
            for check, rows in self.findings.items()
            for code, component, found, expected in rows
        ]
        held = {tag: self._held[self._tags.index(tag)] for tag in CHECKED if tag in self._tags}
        size = len(self.codes)
        blocks = [slice(start, start + _BLOCK) for start in range(0, size, _BLOCK)]
        profiles = pd.concat(
            [
                check_profiles(self.codes[at].to_pylist(), {tag: each[at] for tag, each in held.items()})
                for at in blocks
            ],
            ignore_index=True,
        )
        for check, rows in profiles.groupby("check", sort=False):
            self.counts[str(check)] = len(rows)
        profiles = profiles.groupby("check", sort=False).head(_MOST_LISTED)
        return pd.concat([pd.DataFrame(kept, columns=columns, dtype=str), profiles], ignore_index=True)


def _numbered(place: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give the foods of some rows and each row's number among them; rows of one food mostly stand together."""
    starts = np.flatnonzero(np.diff(place, prepend=place[0] - 1))
    foods, of_run = np.unique(place[starts], return_inverse=True)
    return foods, np.repeat(of_run, np.diff(starts, append=len(place)))
