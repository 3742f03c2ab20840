"""What changed between two sets of conclusions: amounts that moved, verdicts and ranks that are others now.

A conclusion **flipped** if

- a verdict changed kind: a target, claim, symbol, want, a planned day's verdict or a word for a little and a lot is
  another word now (``met`` → ``cannot tell`` counts, another reason for ``cannot tell`` does not);
- the best variant by nutrient density, sodium, cost or what a decision was to be best in is another one, and the
  difference between the two is real (its 90 % interval leaves 0 out) before or after, or the old one is gone; a
  programme's best variant is chosen by counting verdicts, so another one is a flip as well;
- what is said of safety is something else: a concern of the class speaks against a variant or no longer does, a caution
  is called for or no longer is, other allergens are named;
- a recipe could be computed and no longer can.

Everything else is **moved**: amounts, beyond their certainty or within; the order of the variants; who is on the
frontier; a best variant whose difference from the old one may be none; a verdict that only one of the two sides has.
An amount moved beyond its certainty if the difference is larger than 1.64 times the standard error of the difference
of the two means, taken as independent. What both share (retention, weighing, values that stayed) would cancel but is
not known here: cautious, some real moves count as within. Where something is missing on a side its amount is a lower
bound: whether it moved is not known, and no difference is given.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from swaptable.changes.conclusions import ABSENT, AMOUNT_KEYS, FRONTIER, RANK_KEYS, VERDICT_KEYS, Conclusions
from swaptable.changes.food_changes import COLUMNS as FOOD_COLUMNS
from swaptable.foods.component_identity import factor_between
from swaptable.foods.reference import Z
from swaptable.judging.verdicts import LEVEL

__all__ = ["BEYOND", "NOT_JUDGED", "Changes", "Difference", "changes_table", "collected", "difference_of"]

BEYOND = ("yes", "no", "not known")  # more than the certainty of the two allows
NOT_JUDGED = "not judged"  # on one of the two sides
SAME = 1e-9  # relative: what floating point may make of an amount
BEST_OF, ORDER = "best", "order"
_UNITS = ["unit_old", "unit_new"]
_TRUTHS = ("flipped", "watched", "old_whole", "new_whole")
_TABLE_COLUMNS = ["run", "table", "old_rows", "new_rows", "other_rows"]


@dataclass(frozen=True, eq=False)
class Difference:
    """What is otherwise between two conclusions of one recipe or run.

    Attributes
    ----------
    amounts : DataFrame
        ``run``, :data:`swaptable.changes.conclusions.AMOUNT_KEYS`, ``unit``, ``old``, ``new``, ``difference``,
        ``standard_error`` of it, ``beyond_certainty`` (:data:`BEYOND`), ``old_standard_error``,
        ``new_standard_error``, ``old_whole`` and ``new_whole`` (nothing is missing; else the amount is a lower bound,
        and neither difference nor errors are known), ``watched``; only what moved or is whole on one side alone.
    verdicts : DataFrame
        ``run``, :data:`swaptable.changes.conclusions.VERDICT_KEYS`, ``old``, ``new``, ``why``, ``old_amount``,
        ``new_amount``, ``unit``, ``beyond_certainty`` of the amount it rests on, ``old_whole``, ``new_whole``,
        ``flipped``; only other words.
    ranks : DataFrame
        ``run``, ``recipe``, ``measure``, ``kind`` (``best``: ``old`` and ``new`` are variants; ``order``: the places of
        ``variant``), ``variant``, ``old``, ``new``, ``why``, ``flipped``.
    """

    amounts: pd.DataFrame
    verdicts: pd.DataFrame
    ranks: pd.DataFrame


@dataclass(frozen=True, eq=False)
class Changes:
    """What changed between two sides.

    Attributes
    ----------
    what : str
        ``food releases`` or ``runs``.
    old, new : str
        The two sides, named for a heading.
    compared : tuple of str
        Recipes or runs.
    inputs : DataFrame
        ``run``, ``kind`` (file, parameter, version ...), ``name``, ``old``, ``new``: of recorded runs.
    foods : DataFrame
        As :func:`swaptable.changes.food_changes.food_changes`: of releases.
    amounts, verdicts, ranks : DataFrame
        Of all :class:`Difference`.
    tables : DataFrame
        ``run``, ``table``, ``old_rows``, ``new_rows``, ``other_rows``: recorded tables that are not read here
        but differ.
    lost : tuple of str
        Recipes that can no longer be computed, each in a sentence.
    left_out : tuple of str
        What could not be compared, and why.
    unlike : tuple of str
        What the two sides were asked otherwise: audience or regime, each in a sentence.
    sources : str
        Where the numbers are from, for the foot of a chart.
    """

    what: str
    old: str
    new: str
    compared: tuple[str, ...]
    amounts: pd.DataFrame
    verdicts: pd.DataFrame
    ranks: pd.DataFrame
    inputs: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["run", "kind", "name", "old", "new"]))
    foods: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=FOOD_COLUMNS))
    tables: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=_TABLE_COLUMNS))
    lost: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    unlike: tuple[str, ...] = ()
    sources: str = ""

    @property
    def flipped_verdicts(self) -> pd.DataFrame:
        """Verdicts that changed kind."""
        return self.verdicts[self.verdicts["flipped"]]

    @property
    def flipped_ranks(self) -> pd.DataFrame:
        """Best variants that are others now, for sure."""
        return self.ranks[self.ranks["flipped"]]

    @property
    def flips(self) -> int:
        """How many conclusions flipped."""
        return len(self.flipped_verdicts) + len(self.flipped_ranks) + len(self.lost)

    @property
    def nothing(self) -> bool:
        """Whether nothing at all is otherwise."""
        parts = (self.amounts, self.verdicts, self.ranks, self.inputs, self.foods, self.tables, self.lost)
        return not any(len(part) for part in parts)

    def all_tables(self) -> dict[str, pd.DataFrame]:
        """Name every table that goes with a report."""
        return {
            "changes": changes_table(self),
            "amounts": self.amounts,
            "verdicts": self.verdicts,
            "rankings": self.ranks,
            "foods": self.foods,
            "inputs": self.inputs,
            "other_tables": self.tables,
        }


_TIDY = [
    "kind", "flipped", "run", "recipe", "audience", "regime", "variant", "what", "group", "component", "basis", "unit",
    "old", "new", "old_whole", "new_whole", "difference", "standard_error", "beyond_certainty", "why",
]  # fmt: skip


def changes_table(changes: Changes) -> pd.DataFrame:
    """List everything that changed in one tidy table, for other programs to read: flips first.

    Parameters
    ----------
    changes : Changes

    Returns
    -------
    DataFrame
        ``kind`` is lost, verdict, rank, amount, food, input or table; ``old`` and ``new`` are words or numbers.
    """
    renamed = {"foods": {"kind": "what", "used_by": "recipe", "code": "group"}}
    lost = pd.DataFrame({"why": list(changes.lost)}).assign(flipped=True)
    parts = {
        "lost": lost,
        "verdict": changes.verdicts.assign(what=_joined(changes.verdicts, "rule", "name")),
        "rank": changes.ranks.assign(what=_joined(changes.ranks, "kind", "measure")),
        "amount": changes.amounts,
        "food": changes.foods.rename(columns=renamed["foods"]),
        "input": changes.inputs.assign(what=_joined(changes.inputs, "kind", "name")),
        "table": changes.tables.rename(columns={"table": "what", "old_rows": "old", "new_rows": "new"}),
    }
    tables = [part.assign(kind=kind).reindex(columns=_TIDY).astype(object) for kind, part in parts.items() if len(part)]
    table = pd.concat(tables or [pd.DataFrame(columns=_TIDY)], ignore_index=True)
    table["flipped"] = table["flipped"] == True  # noqa: E712 (missing is no flip)
    table = table.sort_values("flipped", ascending=False, kind="stable", ignore_index=True)
    texts = [name for name in _TIDY if name not in ("old", "new", "difference", "standard_error", "flipped")]
    return table.fillna(dict.fromkeys(texts, ""))


def _joined(table: pd.DataFrame, first: str, second: str) -> pd.Series:
    return (table[first].astype(str) + ": " + table[second].astype(str)).str.removesuffix(": ")


def collected(differences: Iterable[Difference]) -> dict[str, pd.DataFrame]:
    """Put the parts of several differences below each other; the same change in several runs is one row.

    Two runs tell one move if recipe, variant, component, basis, unit and both amounts are the same, though only one
    recorded an error or watches it.

    Parameters
    ----------
    differences : iterable of Difference

    Returns
    -------
    dict of DataFrame
        ``amounts``, ``verdicts`` and ``ranks``, as :class:`Changes` takes them.
    """
    found = list(differences)
    columns = {"amounts": _AMOUNT_COLUMNS, "verdicts": _VERDICT_COLUMNS, "ranks": _RANK_COLUMNS}
    return {name: _once([getattr(each, name) for each in found], names) for name, names in columns.items()}


def _once(tables: Sequence[pd.DataFrame], columns: list[str]) -> pd.DataFrame:
    filled = [table for table in tables if len(table)]
    if not filled:
        return pd.DataFrame(columns=columns).astype({name: bool for name in _TRUTHS if name in columns})
    table = pd.concat(filled, ignore_index=True)
    if columns == _AMOUNT_COLUMNS:
        return _once_moved(table)
    others = [name for name in columns if name != "run"]
    named = table.groupby(others, dropna=False, sort=False)["run"].agg(_runs)
    return named.reset_index()[columns]


def _runs(runs: pd.Series) -> str:
    return ", ".join(dict.fromkeys(name for each in runs for name in str(each).split(", ")))


def _once_moved(table: pd.DataFrame) -> pd.DataFrame:
    """Tell each move once, with the error that any run knows; it is watched if any run watches it."""
    keys = [*AMOUNT_KEYS, "unit", "old", "new"]
    kept = {"old_standard_error": "first", "new_standard_error": "first", "old_whole": "all", "new_whole": "all"}
    once = table.groupby(keys, dropna=False, sort=False).agg({"run": _runs, **kept, "watched": "any"}).reset_index()
    return _with_certainty(once)


def _with_certainty(table: pd.DataFrame) -> pd.DataFrame:
    """Say how far amounts moved and how sure that is; of a lower bound neither is known."""
    known = table["old_whole"] & table["new_whole"]
    for which in ("old", "new"):
        error = f"{which}_standard_error"
        table[error] = table[error].astype(float).where(table[f"{which}_whole"])
    table["difference"] = (table["new"] - table["old"]).astype(float).where(known)
    table["standard_error"] = np.hypot(table["old_standard_error"], table["new_standard_error"])
    table["beyond_certainty"] = _beyond(table["difference"].to_numpy(dtype=float), table["standard_error"].to_numpy())
    return table[_AMOUNT_COLUMNS].reset_index(drop=True)


def difference_of(old: Conclusions, new: Conclusions) -> Difference:
    """Compare two conclusions.

    Parameters
    ----------
    old, new : Conclusions
        Filed under the same names.

    Returns
    -------
    Difference
    """
    return Difference(_amounts(old, new), _verdicts(old, new), _ranks(old, new))


_AMOUNT_COLUMNS = [
    "run", *AMOUNT_KEYS, "unit", "old", "new", "difference", "standard_error", "beyond_certainty",
    "old_standard_error", "new_standard_error", "old_whole", "new_whole", "watched",
]  # fmt: skip
_VERDICT_COLUMNS = [
    "run", *VERDICT_KEYS, "old", "new", "why", "old_amount", "new_amount", "unit", "beyond_certainty",
    "old_whole", "new_whole", "flipped",
]  # fmt: skip
_RANK_COLUMNS = ["run", "recipe", "measure", "kind", "variant", "old", "new", "why", "flipped"]


def _beyond(difference: np.ndarray, error: np.ndarray) -> np.ndarray:
    """Say whether a difference is more than its certainty allows."""
    known = np.isfinite(difference) & np.isfinite(error)
    larger = np.abs(np.nan_to_num(difference)) > Z[LEVEL] * np.nan_to_num(error)
    words: np.ndarray = np.select([~known, larger], [BEYOND[2], BEYOND[0]], default=BEYOND[1])
    return words


def _moved(old: pd.Series, new: pd.Series) -> np.ndarray:
    one, other = old.to_numpy(dtype=float), new.to_numpy(dtype=float)
    return ~np.isclose(one, other, rtol=SAME, atol=0.0, equal_nan=True)


def _amounts(old: Conclusions, new: Conclusions) -> pd.DataFrame:
    both = old.amounts.merge(new.amounts, on=AMOUNT_KEYS, suffixes=("_old", "_new"))
    pairs = {pair: factor_between(*reversed(pair)) if all(pair) and pair[0] != pair[1] else 1.0
             for pair in both[_UNITS].drop_duplicates().itertuples(index=False, name=None)}  # fmt: skip
    factors = {pair: np.nan if factor is None else factor for pair, factor in pairs.items()}
    factor = np.array([factors[pair] for pair in both[_UNITS].itertuples(index=False, name=None)], dtype=float)
    for column in ("amount_new", "standard_error_new"):
        both[column] = both[column].astype(float) * factor
    for column in ("whole_old", "whole_new"):
        both[column] = both[column] == True  # noqa: E712 (missing is not whole)
    both = both[_moved(both["amount_old"], both["amount_new"]) | (both["whole_old"] != both["whole_new"])]
    table = both[AMOUNT_KEYS].assign(run=old.run, unit=both["unit_old"], old=both["amount_old"], new=both["amount_new"])
    for which in ("old", "new"):
        table[f"{which}_standard_error"] = both[f"standard_error_{which}"].astype(float)
        table[f"{which}_whole"] = both[f"whole_{which}"]
    table["watched"] = both["watched_old"].astype(bool) | both["watched_new"].astype(bool)
    return _with_certainty(table)


def _verdicts(old: Conclusions, new: Conclusions) -> pd.DataFrame:
    sides = []
    for each in (old.verdicts, new.verdicts):
        nth = each.groupby(VERDICT_KEYS, dropna=False).cumcount() if len(each) else []
        sides.append(each.assign(nth=nth))
    both = sides[0].merge(sides[1], on=[*VERDICT_KEYS, "nth"], how="outer", suffixes=("_old", "_new"), sort=False)
    absent = both["rule"].map(ABSENT).fillna(NOT_JUDGED)
    one, other = (both[f"verdict_{which}"].fillna(absent) for which in ("old", "new"))
    table = both[VERDICT_KEYS].assign(run=old.run, old=one, new=other, why=both["why_new"].fillna(""))
    table["old_amount"], table["new_amount"] = both["amount_old"].astype(float), both["amount_new"].astype(float)
    table["unit"] = both["unit_old"].where(both["unit_old"].fillna("") != "", both["unit_new"]).fillna("")
    half = [(both[f"high_90_{which}"].astype(float) - both[f"amount_{which}"].astype(float)) / Z[LEVEL]
            for which in ("old", "new")]  # fmt: skip
    difference = (table["new_amount"] - table["old_amount"]).to_numpy(dtype=float)
    for which in ("old", "new"):
        table[f"{which}_whole"] = both[f"whole_{which}"] != False  # noqa: E712 (a rule that says nothing of gaps)
    error = np.hypot(*half).where(table["old_whole"] & table["new_whole"])
    table["beyond_certainty"] = _beyond(difference, error.to_numpy(dtype=float))
    one_sided = (one == NOT_JUDGED) | (other == NOT_JUDGED)
    table["flipped"] = ~one_sided & (table["rule"] != FRONTIER)
    return table.loc[one != other, _VERDICT_COLUMNS].reset_index(drop=True)


def _ranks(old: Conclusions, new: Conclusions) -> pd.DataFrame:
    both = old.ranks.merge(new.ranks, on=RANK_KEYS, how="outer", suffixes=("_old", "_new"), sort=False)
    rows: list[dict[str, object]] = []
    for (recipe, measure), group in both.groupby(["recipe", "measure"], sort=False):
        rows += _best(str(recipe), str(measure), group.set_index("variant"), old, new)
        other = group[
            (group["place_old"] != group["place_new"]) & group[["place_old", "place_new"]].notna().all(axis=1)
        ]
        rows += [
            {"recipe": recipe, "measure": measure, "kind": ORDER, "variant": row.variant, "old": f"{row.place_old:.0f}",
             "new": f"{row.place_new:.0f}", "why": "", "flipped": False}
            for row in other.itertuples()
        ]  # fmt: skip
    return pd.DataFrame(rows, columns=_RANK_COLUMNS).assign(run=old.run).astype({"flipped": bool})


def _best(
    recipe: str, measure: str, group: pd.DataFrame, old: Conclusions, new: Conclusions
) -> list[dict[str, object]]:
    """Tell whether another variant is the best now, and whether the two really differ."""
    first, now = ([str(name) for name in group.index[group[f"place_{which}"] == 1]] for which in ("old", "new"))
    if not first or not now or set(first) & set(now):
        return []
    one, other = first[0], now[0]
    row = {"recipe": recipe, "measure": measure, "kind": BEST_OF, "variant": other, "old": one, "new": other}
    sides: dict[str, tuple[str, Conclusions]] = {"before": ("value_old", old), "after": ("value_new", new)}
    if pd.isna(group.at[one, "place_new"]):
        return [row | {"why": f"'{one}' is not there any more, or its value is not known", "flipped": True}]
    real, told, unsure = [], [], False
    for when, (column, side) in sides.items():
        values = group.loc[[one, other], column].astype(float)
        if values.isna().any():
            continue
        apart = float(values.iloc[1] - values.iloc[0])
        error = side.pair_error(recipe, measure, one, other)
        unsure |= bool(np.isnan(error))
        if abs(apart) > Z[LEVEL] * error:
            real.append(when)
        told.append(f"{when} {values.iloc[0]:.4g} and {values.iloc[1]:.4g}")
    unit = next((str(each) for each in group[_UNITS].to_numpy().ravel() if isinstance(each, str) and each), "")
    none = "whether the two really differ is not known" if unsure else "the two do not really differ"
    words = f"the two differ really {' and '.join(real)}" if real else none
    return [row | {"why": f"{words} ({'; '.join(told)} {unit})".replace(" )", ")"), "flipped": bool(real)}]
