"""A whole collection computed: streamed block by block, each part a file, and gone on with after a stop.

The output folder holds ``parts/part-00000.parquet`` and so on, which are one dataset; ``not_computed.csv`` and
``unmapped.csv``; and ``survey.json``, which says what was computed from what. Each part carries a stamp of all that it
depends on, so that a survey that was stopped, however hard, does only what is missing.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from importlib import metadata
from itertools import islice
from pathlib import Path
from typing import NoReturn

import pandas as pd
from tqdm import tqdm

from swaptable.amounts.nutrients import BASES
from swaptable.basics.errors import InputError, SwaptableError, nearest
from swaptable.basics.folders import DATA, PACKAGE, find_file, shown
from swaptable.basics.locks import held
from swaptable.basics.whole_files import sha256_of, write_whole
from swaptable.foods.cooking_factors import FACTORS
from swaptable.foods.joined import open_release
from swaptable.formats.csv_cells import harmless_table
from swaptable.survey.blocks import Block, Done, Job, block_stamp, part_done
from swaptable.survey.dishes import Dish, resolve_dishes
from swaptable.survey.fndds import is_fndds, read_fndds
from swaptable.survey.rules import Swaps, read_swaps
from swaptable.survey.sums import DISH_BASES
from swaptable.survey.values import SURVEY_COMPONENTS, food_arrays
from swaptable.survey.workers import blocks_done

__all__ = ["Collection", "SurveyFolder", "compute_survey", "make_job", "read_collection", "run_survey"]

PARTS, ABOUT = "parts", "survey.json"
_MOST_DISHES, _MOST_ROWS = 250, 20_000  # in a block: some tens of megabytes
_MOST_FILES = 8  # recipe files in a block; one takes as long as a hundred dishes
_UNMAPPED = ["recipe", "food", "description", "weight_share", "reason"]
_REFUSED = ["recipe", "title", "reason"]


@dataclass(frozen=True, eq=False)
class Collection:
    """What is to be computed.

    Attributes
    ----------
    items : iterable of Dish or of Path
    count : int
        How many there are.
    not_computed, unmapped : DataFrame
        As in :class:`swaptable.survey.dishes.Resolved`.
    of_dishes : bool
        Dishes of a survey, else recipe files.
    """

    items: Iterable[Dish] | Iterable[Path]
    count: int
    of_dishes: bool
    not_computed: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=_REFUSED))
    unmapped: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=_UNMAPPED))


@dataclass(frozen=True, eq=False)
class SurveyFolder:
    """A survey that is done.

    Attributes
    ----------
    folder : Path
    recipes, rows, parts, parts_computed : int
        Recipes computed, rows of the table, its files, and how many of these were computed now.
    not_computed, unmapped : DataFrame
        As in :class:`swaptable.survey.dishes.Resolved`.
    seconds : float
        What the computing took this time.
    """

    folder: Path
    recipes: int
    rows: int
    parts: int
    parts_computed: int
    not_computed: pd.DataFrame
    unmapped: pd.DataFrame
    seconds: float


def read_collection(source: str | Path, release: str | Path = "sr28") -> Collection:
    """Read what is to be computed.

    Parameters
    ----------
    source : str or Path
        Folder with the published files of FNDDS, folder with recipe files (``.yaml``), or one recipe file or its name.
    release : str or Path, optional
        Food release.

    Returns
    -------
    Collection

    Raises
    ------
    InputError
        If there is nothing to compute.
    """
    folder = Path(source)
    if is_fndds(folder):
        resolved = resolve_dishes(read_fndds(folder), open_release(release))
        return Collection(resolved.dishes, len(resolved.dishes), True, resolved.not_computed, resolved.unmapped)
    files = sorted(folder.glob("*.yaml")) if folder.is_dir() else [find_file(source, "recipes", ".yaml")]
    if not files:
        raise InputError("holds neither recipe files (.yaml) nor MainFoodDesc.txt of FNDDS", file=shown(folder))
    return Collection([path.resolve() for path in files], len(files), False)


def _code_hash() -> str:
    """Hash the package and its reference tables: what they say decides what comes out."""
    digest = hashlib.sha256(metadata.version("swaptable").encode())
    for folder, files in ((PACKAGE, "**/*.py"), (DATA / "reference", "*.csv")):
        for name in sorted(path.relative_to(folder).as_posix() for path in folder.glob(files)):
            digest.update(f"{name} {sha256_of(folder / name)}\n".encode())
    return digest.hexdigest()


def make_job(
    swaps: str | Path | Swaps | None = None,
    components: Sequence[str] = SURVEY_COMPONENTS,
    basis: str = DISH_BASES[0],
    release: str | Path = "sr28",
    factors: str = FACTORS[0],
) -> Job:
    """Lay down how a survey is computed.

    Parameters
    ----------
    swaps : str, Path, Swaps or None, optional
        Swap rules: a file, or the name of one in ``data/``; empty for none.
    components : sequence of str, optional
        INFOODS tags; the 65 of the survey by default.
    basis : str, optional
        ``"100 g"`` as eaten; recipe files also ``"serving"``, ``"batch"`` and ``"100 kcal"``, dishes ``"batch"``.
    release, factors : optional
        As for :func:`swaptable.judging.study.compute_recipe`.

    Returns
    -------
    Job

    Raises
    ------
    SwaptableError
        If one of them cannot be used.
    """
    if basis not in BASES:
        raise SwaptableError(f"found basis '{basis}'; expected one of {', '.join(BASES)}{nearest(basis, BASES)}")
    rules = swaps if isinstance(swaps, Swaps) else read_swaps(find_file(swaps, ".", ".yaml")) if swaps else None
    foods = open_release(release)
    if rules is not None:
        rules.check_foods(foods)
    return Job(str(release), foods.sha256, food_arrays(foods, components, factors), rules, basis, _code_hash())


def _blocks(collection: Collection, job: Job, size: int | None) -> Iterator[Block]:
    variants = 1 << len(job.swaps.rules) if job.swaps else 1
    most = max(1, min(_MOST_DISHES, _MOST_ROWS // variants)) if collection.of_dishes else _MOST_FILES
    items = iter(collection.items)
    while block := tuple(islice(items, size or most)):
        yield block  # type: ignore[misc]


def _prepare(folder: Path) -> Path:
    """Make the output folder, or take an earlier survey's on."""
    # a survey may be stopped before it has said what it is
    foreign = folder.is_dir() and any(path.name != PARTS and not path.name.startswith(".") for path in folder.iterdir())
    if folder.exists() and not (folder / ABOUT).is_file() and (foreign or not folder.is_dir()):
        raise InputError("exists and is no survey's folder; name another one", file=shown(folder))
    parts = folder / PARTS
    parts.mkdir(parents=True, exist_ok=True)
    for left in parts.glob(".part-*"):  # what a killed worker was writing
        left.unlink(missing_ok=True)
    return parts


def _progress(count: int) -> tqdm[NoReturn]:
    return tqdm(total=count, unit=" recipes", disable=None)  # nothing is drawn where nobody looks


class _Counter:
    """Counts what is done, and passes on what is still to do."""

    def __init__(self, job: Job, parts: Path, progress: tqdm[NoReturn]) -> None:
        self.job, self.parts, self.progress = job, parts, progress
        self.recipes = self.rows = self.blocks = self.computed = 0
        self.refused: list[tuple[str, str]] = []

    def missing(self, blocks: Iterable[Block]) -> Iterator[tuple[Block, Path]]:
        """Give the blocks whose part is not there yet, with its path."""
        for number, block in enumerate(blocks):
            self.blocks = number + 1
            path = self.parts / f"part-{number:05}.parquet"
            done = part_done(path, block_stamp(self.job, block)) if path.exists() else None
            if done is None:
                yield block, path
            else:
                self.add(done)

    def add(self, done: Done) -> None:
        """Count a block that is done."""
        self.recipes += done.recipes - len(done.not_computed)
        self.rows += done.rows
        self.computed += done.fresh
        self.refused += done.not_computed
        self.progress.update(done.recipes)


def run_survey(
    collection: Collection,
    output: str | Path,
    job: Job,
    *,
    cluster: str = "",
    workers: int | None = None,
    size: int | None = None,
) -> SurveyFolder:
    """Compute a collection.

    Parameters
    ----------
    collection : Collection
    output : str or Path
        New folder, or that of an earlier survey, which is gone on with: parts that are whole and up to date stay.
    job : Job
    cluster, workers : optional
        As for :func:`swaptable.survey.workers.blocks_done`.
    size : int, optional
        Recipes in a block; so many that a block takes some tens of megabytes by default.

    Returns
    -------
    SurveyFolder

    Raises
    ------
    SwaptableError
        If the folder holds something else, another process computes it, or the basis does not fit.
    """
    folder = Path(output).resolve()  # workers elsewhere stand in another folder
    if collection.of_dishes and job.basis not in DISH_BASES:
        raise SwaptableError(f"found basis '{job.basis}'; dishes of a survey have only {' and '.join(DISH_BASES)}")
    parts = _prepare(folder)
    about = {"release": job.release, "release_sha256": job.release_sha256, "basis": job.basis, "stamp": job.stamp}
    with held(folder / ".lock", wait=0), _progress(collection.count) as progress:
        if not (folder / ABOUT).exists():
            write_whole(folder / ABOUT, json.dumps({**about, "finished": False}, indent=2) + "\n")
        counter, start = _Counter(job, parts, progress), time.perf_counter()
        for done in blocks_done(job, counter.missing(_blocks(collection, job, size)), cluster, workers):
            counter.add(done)
        seconds = time.perf_counter() - start
        for path in parts.glob("part-*.parquet"):  # of an earlier, larger collection
            if int(path.stem.removeprefix("part-")) >= counter.blocks:
                path.unlink()
        refused = pd.DataFrame([(name, "", why) for name, why in sorted(counter.refused)], columns=_REFUSED)
        refused = pd.concat([collection.not_computed, refused], ignore_index=True)
        for name, table in (("not_computed", refused), ("unmapped", collection.unmapped)):
            write_whole(folder / f"{name}.csv", harmless_table(table).to_csv(index=False, lineterminator="\n"))
        counts = {"recipes": counter.recipes, "rows": counter.rows, "parts": counter.blocks}
        counts |= {"not_computed": len(refused), "lower_bounds": int(collection.unmapped["recipe"].nunique())}
        write_whole(folder / ABOUT, json.dumps({**about, "finished": True, **counts}, indent=2) + "\n")
    return SurveyFolder(
        folder, counter.recipes, counter.rows, counter.blocks, counter.computed, refused, collection.unmapped, seconds
    )


def compute_survey(
    source: str | Path,
    output: str | Path,
    *,
    swaps: str | Path | Swaps | None = None,
    components: Sequence[str] = SURVEY_COMPONENTS,
    basis: str = DISH_BASES[0],
    release: str | Path = "sr28",
    factors: str = FACTORS[0],
    cluster: str = "",
    workers: int | None = None,
) -> SurveyFolder:
    """Compute a whole collection into a folder of Parquet files.

    Parameters
    ----------
    source : str or Path
        As for :func:`read_collection`.
    output : str or Path
        As for :func:`run_survey`.
    swaps, components, basis, release, factors : optional
        As for :func:`make_job`.
    cluster, workers : optional
        As for :func:`swaptable.survey.workers.blocks_done`.

    Returns
    -------
    SurveyFolder

    Raises
    ------
    SwaptableError
        If something cannot be used; a recipe that cannot be computed is listed instead.
    """
    job = make_job(swaps, components, basis, release, factors)
    return run_survey(read_collection(source, release), output, job, cluster=cluster, workers=workers)
