"""One block of a survey: from dishes or recipe files to a table, and to a file that is there whole or not at all.

A block is what one worker does at a time. It needs nothing but its own items, the foods as arrays and the rules, so
that it can be done in this process or on any machine that has the package and sees the output folder.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from swaptable.basics.errors import SwaptableError
from swaptable.basics.whole_files import sha256_of, write_whole
from swaptable.foods.joined import open_release
from swaptable.judging.density import density_terms
from swaptable.survey.dishes import Dish
from swaptable.survey.recipes import recipe_rows
from swaptable.survey.rules import Swaps, Varier
from swaptable.survey.sums import dish_amounts
from swaptable.survey.table import SHARE, Columns, Rows, columns_for, survey_table
from swaptable.survey.values import FoodArrays, pair_values

__all__ = ["Block", "Done", "Job", "block_stamp", "compute_block", "dish_rows", "part_done", "write_block"]

LAYOUT = "2"  # of the table; a new number makes every part anew
_STAMP, _REFUSED = b"swaptable.stamp", b"swaptable.not_computed"
Block = tuple[Dish, ...] | tuple[Path, ...]


@dataclass(frozen=True, eq=False)
class Job:
    """What all blocks of a survey share.

    Attributes
    ----------
    release : str
        Name or folder of the food release.
    release_sha256 : str
    foods : FoodArrays
    swaps : Swaps or None
    basis : str
    code : str
        Version of the package and hash of the code that computes.
    """

    release: str
    release_sha256: str
    foods: FoodArrays
    swaps: Swaps | None
    basis: str
    code: str

    @property
    def columns(self) -> Columns:
        """How the table is laid out."""
        components = self.foods.layout.wanted[: self.foods.stored]
        return columns_for(components, self.foods.units, self.basis, tuple(self.swaps.rules) if self.swaps else ())

    @property
    def stamp(self) -> str:
        """Hash of all that the result depends on but for the recipes."""
        swaps = self.swaps.model_dump_json() if self.swaps else ""
        about = [LAYOUT, self.code, self.release_sha256, self.foods.factors, self.basis, swaps]
        return hashlib.sha256(json.dumps([*about, *self.columns.components]).encode()).hexdigest()


@dataclass(frozen=True)
class Done:
    """A block that is done.

    Attributes
    ----------
    recipes, rows : int
    not_computed : tuple of (str, str)
        Recipe file and the reason.
    fresh : bool
        Whether it was computed now; else it was there already.
    """

    recipes: int
    rows: int
    not_computed: tuple[tuple[str, str], ...]
    fresh: bool


def block_stamp(job: Job, block: Block) -> str:
    """Hash all that the part of a block depends on."""
    digest = hashlib.sha256(job.stamp.encode())
    for item in block:
        digest.update(repr(item).encode() if isinstance(item, Dish) else f"{item.name} {sha256_of(item)}".encode())
    return digest.hexdigest()


@lru_cache(maxsize=2)
def _varier(job: Job) -> Varier:
    """Give what lays out dishes; kept on a worker, since it has looked most foods up after a few blocks."""
    return Varier(job.swaps, open_release(job.release))


def dish_rows(dishes: Sequence[Dish], job: Job) -> list[Rows]:
    """Compute the dishes of a block, each food in each cooking once.

    Parameters
    ----------
    dishes : sequence of Dish
    job : Job

    Returns
    -------
    list of Rows
    """
    laid_out = [_varier(job).vary(dish) for dish in dishes]
    places: dict[tuple[str, tuple[str, ...]], int] = {}
    rows = [
        np.array([places.setdefault((part.food, part.rows), len(places)) for part in variants.parts])
        for variants in laid_out
    ]
    pairs = pair_values(job.foods, list(places))
    terms = density_terms(pairs.components, job.foods.units)
    return [
        Rows(
            variants.dish.code,
            variants.dish.title,
            variants.labels,
            {rule: variants.chosen[:, place] for place, rule in enumerate(variants.rules)},
            dish_amounts(variants, pairs, own, terms, job.foods.stored, job.basis),
            variants.replaced_share if job.swaps else np.full(len(variants.grams), np.nan),
        )
        for variants, own in zip(laid_out, rows, strict=True)
    ]


def compute_block(job: Job, block: Block) -> tuple[pa.Table, tuple[tuple[str, str], ...]]:
    """Compute a block.

    Parameters
    ----------
    job : Job
    block : tuple of Dish or of Path

    Returns
    -------
    pyarrow.Table
    tuple of (str, str)
        Recipe files that cannot be computed, each with the reason.
    """
    dishes = tuple(item for item in block if isinstance(item, Dish))
    rows = dish_rows(dishes, job) if dishes else []
    refused = []
    for item in block:
        if isinstance(item, Path):
            try:
                release = open_release(job.release)
                components = job.columns.components
                rows.append(recipe_rows(item, job.swaps, release, components, job.basis, job.foods.factors))
            except SwaptableError as error:
                refused.append((item.stem, str(error)))
    return survey_table(rows, job.columns), tuple(refused)


def part_done(path: Path, stamp: str) -> Done | None:
    """Look whether a part is there, whole and up to date.

    Parameters
    ----------
    path : Path
    stamp : str
        That it must carry.

    Returns
    -------
    Done or None
    """
    try:
        with pq.ParquetFile(path) as file:
            about = file.schema_arrow.metadata or {}
            rows = file.metadata.num_rows
    except (OSError, pa.ArrowException):
        return None
    if about.get(_STAMP) != stamp.encode():
        return None
    found = json.loads(about[_REFUSED])
    return Done(found["recipes"], rows, tuple((name, why) for name, why in found["not_computed"]), False)


def write_block(job: Job, block: Block, path: Path) -> Done:
    """Compute a block and write its part.

    Parameters
    ----------
    job : Job
    block : tuple of Dish or of Path
    path : Path
        Its folder must be there.

    Returns
    -------
    Done
    """
    table, refused = compute_block(job, block)
    about = {"recipes": len(block), "not_computed": refused}
    stamped = {_STAMP: block_stamp(job, block).encode(), _REFUSED: json.dumps(about).encode()}
    table = table.replace_schema_metadata({**(table.schema.metadata or {}), **stamped})
    columns = ["recipe", "title", "variant", *(name for name in table.column_names if name.endswith(SHARE))]
    stream = io.BytesIO()
    pq.write_table(table, stream, compression="zstd", compression_level=1, use_dictionary=columns)
    write_whole(path, stream.getvalue())
    return Done(len(block), table.num_rows, refused, True)
