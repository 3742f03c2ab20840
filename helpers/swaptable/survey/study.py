"""What swaps do across a whole collection: every recipe with and without each swap, with intervals."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.dataset as ds

from swaptable.amounts.nutrients import WHOLE_SHARE
from swaptable.basics.errors import SwaptableError, listed, nearest
from swaptable.basics.folders import DATA, HOME, find_file
from swaptable.foods.reference import Z, component_label
from swaptable.judging.verdicts import LEVEL
from swaptable.survey.rules import Swaps, read_swaps
from swaptable.survey.run import SurveyFolder, make_job, read_collection, run_survey
from swaptable.survey.table import DIFFERENCE, INDEX, REPLACED, SHARE

__all__ = ["INDEX_MEASURE", "SURELY", "SwapStudy", "measure_label", "study_swaps"]

INDEX_MEASURE = "nutrient density"
SURELY = ("surely lower", "surely higher", "cannot tell", "unchanged")
_RULES = ("stock to water", "potato to sweet potato", "liquid or drippings kept")
_COMPONENTS = ("NA", "K", "VITC")
_BASIS = "100 g"
_SINGLE = 1e-6  # relative: single precision holds no more than seven digits


@dataclass(frozen=True, eq=False)
class SwapStudy:
    """What each swap does in the recipes that it concerns.

    Attributes
    ----------
    title : str
        What was studied.
    swaps, measures : tuple of str
        Names of rules; components and :data:`INDEX_MEASURE`.
    differences : DataFrame
        One row per recipe, swap and measure: ``recipe``, ``title``, ``swap``, ``measure``, ``unit``, ``basis``,
        ``as_written``, ``changed``, ``difference``, ``standard_error`` of it, ``low_90``, ``high_90``, ``whole``
        (whether all of the weight has a value, with and without the swap), ``replaced_share`` (share of the weight
        that becomes another food [-]), ``counted`` (whole, and some of the recipe stays) and ``word``: of
        :data:`SURELY`, empty where it is not counted.
    summary : DataFrame
        One row per swap and measure, over the recipes that are counted: ``recipes``, ``left_out`` (not whole),
        ``replaced`` (left out because all of the weight becomes another food, so that no recipe is left), quantiles of
        the difference (``low_5``, ``low_25``, ``median``, ``high_75``, ``high_95``), ``mean`` with its widest
        interval ``mean_low_90`` and ``mean_high_90``, and how many recipes are of each word.
    not_computed, unmapped : DataFrame
        As in :class:`swaptable.survey.dishes.Resolved`.
    recipes : int
        Recipes computed.
    source_line : str
    """

    title: str
    swaps: tuple[str, ...]
    measures: tuple[str, ...]
    differences: pd.DataFrame
    summary: pd.DataFrame
    not_computed: pd.DataFrame
    unmapped: pd.DataFrame
    recipes: int
    source_line: str


def _chosen_rules(swaps: str, names: Sequence[str]) -> Swaps:
    rules = read_swaps(find_file(swaps, ".", ".yaml"))
    for name in names:
        if name not in rules.rules:
            known = list(rules.rules)
            raise SwaptableError(f"found swap '{name}'; expected some of {listed(known)}{nearest(name, known)}")
    return rules.model_copy(update={"rules": {name: rules.rules[name] for name in names}})


def _source(collection: str) -> Path:
    """Find a collection from here or from the project's folder; the demo recipes by default."""
    if not collection:
        return DATA / "recipes"
    return next((path for path in (Path(collection), HOME / collection) if path.exists()), Path(collection))


def _measure_columns(measures: Sequence[str], units: dict[str, str]) -> dict[str, tuple[str, str, str, str]]:
    """Give for each measure its column, its unit, its basis and the column of its known share."""
    columns = {
        tag: (f"{tag}_{units[tag].replace('µ', 'u')}_per_{_BASIS.replace(' ', '_')}", units[tag], _BASIS, tag + SHARE)
        for tag in measures
        if tag != INDEX_MEASURE
    }
    return columns | {INDEX_MEASURE: (INDEX, "points", "100 kcal", "")}


def _read(folder: Path, columns: dict[str, tuple[str, str, str, str]], swaps: Sequence[str]) -> pd.DataFrame:
    """Read the rows as written and those of single swaps, part by part, only the columns that are needed."""
    names = ["recipe", "title", "variant", REPLACED]
    for column, _, _, share in columns.values():
        names += [column, column + DIFFERENCE, *filter(None, [share])]
    wanted = {"as written", *swaps}
    parts = []
    for batch in ds.dataset(folder / "parts", format="parquet").to_batches(columns=names):
        table = batch.to_pandas().astype({"recipe": str, "title": str, "variant": str})
        parts.append(table[table["variant"].isin(wanted)])
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=names)


def _differences(table: pd.DataFrame, columns: dict[str, tuple[str, str, str, str]]) -> pd.DataFrame:
    written = table[table["variant"] == "as written"].set_index("recipe")
    changed = table[table["variant"] != "as written"]
    parts = []
    for measure, (column, unit, basis, share) in columns.items():
        before = written.loc[changed["recipe"], [column, *filter(None, [share])]].astype(float).reset_index(drop=True)
        after = changed[[column, column + DIFFERENCE, *filter(None, [share])]].astype(float).reset_index(drop=True)
        whole = before[column].notna() & after[column].notna()
        if share:
            whole &= np.minimum(before[share], after[share]) > np.float32(WHOLE_SHARE) - _SINGLE
        kept = ["recipe", "title", "variant", REPLACED]
        part = changed[kept].reset_index(drop=True).rename(columns={"variant": "swap"})
        part = part.assign(measure=measure, unit=unit, basis=basis, as_written=before[column], changed=after[column])
        part["difference"] = part["changed"] - part["as_written"]
        part["standard_error"] = after[column + DIFFERENCE]
        half = Z[LEVEL] * part["standard_error"]
        part = part.assign(low_90=part["difference"] - half, high_90=part["difference"] + half, whole=whole)
        counted = whole & ~(part[REPLACED] > 1 - _SINGLE)
        parts.append(part.assign(counted=counted, word=np.where(counted, _words(part), "")))
    return pd.concat(parts, ignore_index=True)


def _words(part: pd.DataFrame) -> np.ndarray:
    """Say of each difference whether it is sure, and which way."""
    size = _SINGLE * part["as_written"].abs()
    same = (part["difference"].abs() <= size) & (part["standard_error"] <= size)
    surely = [same, part["high_90"] < 0, part["low_90"] > 0]
    return np.select(surely, [SURELY[3], *SURELY[:2]], default=SURELY[2])


def _summary(differences: pd.DataFrame, swaps: Sequence[str], measures: Sequence[str]) -> pd.DataFrame:
    rows = []
    for swap in swaps:
        for measure in measures:
            found = differences[(differences["swap"] == swap) & (differences["measure"] == measure)]
            whole = found[found["counted"]]
            low_5, low_25, median, high_75, high_95 = (
                whole["difference"].quantile([0.05, 0.25, 0.5, 0.75, 0.95]) if len(whole) else [np.nan] * 5
            )
            # recipes share foods and so their errors: taken as wholly shared, which gives the widest interval
            half = Z[LEVEL] * whole["standard_error"].mean()
            mean = whole["difference"].mean()
            gaps = int((~found["whole"]).sum())
            row = {"swap": swap, "measure": measure, "recipes": len(whole), "left_out": gaps}
            row["replaced"] = len(found) - gaps - len(whole)
            row |= {"low_5": low_5, "low_25": low_25, "median": median, "high_75": high_75, "high_95": high_95}
            row |= {"mean": mean, "mean_low_90": mean - half, "mean_high_90": mean + half}
            rows.append(row | {word.replace(" ", "_"): int((whole["word"] == word).sum()) for word in SURELY})
    return pd.DataFrame(rows)


def study_swaps(
    collection: str = "",
    swaps: str = "survey_swaps",
    rules: Sequence[str] = _RULES,
    components: Sequence[str] = _COMPONENTS,
    *,
    parts: str = "",
    release: str = "sr28",
    factors: str = "published",
    workers: int = 0,
) -> SwapStudy:
    """Compute a collection with and without swaps.

    Parameters
    ----------
    collection : str, optional
        As for :func:`swaptable.survey.run.read_collection`; the demo recipes by default.
    swaps : str, optional
        Swap rules: a file, or the name of one in ``data/``.
    rules : sequence of str, optional
        Names of rules in it, each studied by itself.
    components : sequence of str, optional
        INFOODS tags, beside nutrient density.
    parts : str, optional
        Folder for the whole table, which is kept and gone on with; without it, it is not kept.
    release, factors : str, optional
        As for :func:`swaptable.judging.study.compute_recipe`.
    workers : int, optional
        As for :func:`swaptable.survey.workers.blocks_done`; this process by default.

    Returns
    -------
    SwapStudy
        Per 100 g as eaten; nutrient density per 100 kcal.

    Raises
    ------
    SwaptableError
        If something cannot be used, or no recipe can be computed.

    Examples
    --------
    >>> study = study_swaps("data/recipes/barley_pot.yaml", rules=["stock to water"], components=["NA"])
    >>> row = study.summary.iloc[0]  # of sodium
    >>> row["swap"], round(float(row["median"]), -1), int(row["surely_lower"])  # mg per 100 g as eaten
    ('stock to water', -180.0, 1)
    """
    chosen = _chosen_rules(swaps, rules)
    job = make_job(chosen, tuple(components), _BASIS, release, factors)
    source = _source(collection)
    measures = (*components, INDEX_MEASURE)
    columns = _measure_columns(measures, job.foods.units)
    with ExitStack() as stack:
        folder = parts or stack.enter_context(tempfile.TemporaryDirectory())
        done = run_survey(read_collection(source, release), folder, job, workers=workers)
        table = _read(done.folder, columns, list(chosen.rules))
    if not done.recipes:
        raise SwaptableError(f"none of the recipes in {collection or 'data/recipes'} can be computed")
    return _study(done, table, columns, chosen, release)


def _study(
    done: SurveyFolder,
    table: pd.DataFrame,
    columns: dict[str, tuple[str, str, str, str]],
    swaps: Swaps,
    release: str,
) -> SwapStudy:
    differences = _differences(table, columns)
    return SwapStudy(
        title=f"Swaps across a collection of {done.recipes:,} recipe{'' if done.recipes == 1 else 's'}",
        swaps=tuple(swaps.rules),
        measures=tuple(columns),
        differences=differences,
        summary=_summary(differences, tuple(swaps.rules), tuple(columns)),
        not_computed=done.not_computed,
        unmapped=done.unmapped,
        recipes=done.recipes,
        source_line=f"Estimate. Foods: {release.upper()}. Retention factors: USDA Release 6 (2007).",
    )


def measure_label(measure: str) -> str:
    """Give the plain name of a measure.

    Examples
    --------
    >>> measure_label("NA"), measure_label("nutrient density")
    ('Sodium', 'Nutrient-rich foods index 9.3')
    """
    return "Nutrient-rich foods index 9.3" if measure == INDEX_MEASURE else component_label(measure)
