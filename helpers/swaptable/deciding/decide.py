"""Which variant: what the user wants judged, variants ranked by what is to be best, and how robust that is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pandas as pd

from swaptable.amounts.comparison import unbeaten
from swaptable.amounts.cost import Price, read_prices
from swaptable.amounts.nutrients import Amounts
from swaptable.basics.errors import SwaptableError
from swaptable.basics.folders import find_file
from swaptable.deciding.wants import NEAR, Want, binding_wants, judge_wants, read_want, verdict_table
from swaptable.deciding.yardsticks import DENSITY, Measured, Yardstick, drawn, measure, with_cost, yardstick_named
from swaptable.foods.cooking_factors import FACTORS
from swaptable.foods.reference import Z
from swaptable.judging.audiences import Audience, read_audience
from swaptable.judging.cautions import swap_concerns
from swaptable.judging.daily_values import checked_regime
from swaptable.judging.study import GAPS, compute_recipe
from swaptable.judging.targets import find_aims
from swaptable.judging.verdicts import LEVEL, Verdict

__all__ = ["Decision", "decide_recipe", "ranked"]

TRADE_OFFS = ("least sodium", DENSITY)
FIRST = 3  # the best three
NOTHING = "nothing wanted"
_KEEPS = {"<": np.less, "<=": np.less_equal, ">": np.greater, ">=": np.greater_equal}


@dataclass(frozen=True, eq=False)
class Decision:
    """A recipe's variants judged by what the user wants, and ranked.

    Attributes
    ----------
    amounts : Amounts
        With cost, where prices are known.
    audience : Audience
    prices : dict of Price
    wants : tuple of Want
    objective : Yardstick
        What the best variant is best in.
    trade_offs : tuple of Yardstick
        Measures of the frontier.
    measured : dict
        Yardstick → what was measured.
    ranking : DataFrame
        One row per variant, the best first: see ``decision_ranking.csv`` in ``data/README.md``.
    verdicts : DataFrame
        One row per variant and want: amount, standard error, interval, limit, verdict, why and source.
    binding : DataFrame
        One row per want: how many variants meet it, the nearest, and whether it binds.
    draws, seed : int
        How often, and from where, the sources of error were drawn.
    """

    amounts: Amounts
    audience: Audience
    prices: dict[str, Price]
    wants: tuple[Want, ...]
    objective: Yardstick
    trade_offs: tuple[Yardstick, ...]
    measured: dict[Yardstick, Measured]
    ranking: pd.DataFrame
    verdicts: pd.DataFrame
    binding: pd.DataFrame
    draws: int
    seed: int

    @property
    def best(self) -> pd.Series:
        """The variant that is ranked first."""
        return self.ranking.iloc[0]

    @property
    def source_line(self) -> str:
        """Where the numbers are from, for the foot of a chart."""
        return self.amounts.source_line


def ranked(
    gain: np.ndarray, verdicts: np.ndarray, misses: np.ndarray, changes: np.ndarray, flagged: np.ndarray
) -> np.ndarray:
    """Order the variants: first what meets every want, then by how far a want is missed, then by the objective.

    Among those that keep the wants alike, what a concern of the class speaks against comes last.

    Parameters
    ----------
    gain : ndarray
        Objective, turned so that more is better; NaN comes last.
    verdicts, misses : ndarray
        From :func:`judge_wants`.
    changes : ndarray
        How many choices differ from the recipe as written; of equal variants the one with fewer comes first.
    flagged : ndarray of bool
        Whether a concern of the class speaks against a variant.

    Returns
    -------
    ndarray of int
        Places of the variants, the best first.
    """
    level = verdicts.min(axis=0, initial=int(Verdict.MET))
    largest = np.nanmax(np.abs(gain), initial=0.0) or 1.0
    same = np.nan_to_num(np.round(-gain / largest, NEAR), nan=np.inf)
    order: np.ndarray = np.lexsort((changes, same, np.round(misses.sum(axis=0), NEAR), flagged, -level))
    return order


def _frontier(measured: Sequence[Measured]) -> np.ndarray:
    """Say which variants are on the frontier, and which may be, given the certainty."""
    gains = np.column_stack([one.gain for one in measured])
    on = unbeaten(gains)
    places = np.flatnonzero(on)
    never_worse, better = (
        np.ones((len(gains), len(places)), dtype=bool),
        np.zeros((len(gains), len(places)), dtype=bool),
    )
    for one in measured:
        ahead = one.gain[places][None, :] - one.gain[:, None]
        low = ahead - Z[LEVEL] * one.difference_errors(places)
        never_worse &= low >= 0
        better |= low > 0
    beaten = (never_worse & better).any(axis=1)
    unknown = np.isnan(gains).any(axis=1)
    return np.select([on, unknown, beaten], ["on it", "not known", "surely not"], default="may be on it")


def _chances(
    objective: Measured, wants: Sequence[Want], measured: Mapping[Yardstick, Measured], candidates: np.ndarray,
    draws: int, seed: int,
) -> pd.DataFrame:  # fmt: skip
    """Draw the sources anew: how often each variant is best, among the best three, and keeps every want."""
    count = len(objective.value)
    needed = list(dict.fromkeys([objective, *(measured[want.yardstick] for want in wants)]))
    at = [needed.index(measured[want.yardstick]) for want in wants]
    best, three, keeps = np.zeros(count), np.zeros(count), np.zeros(count)
    last = min(FIRST, int(candidates.sum()))
    for values in drawn(needed, draws, seed):
        gains = values[0][candidates] * (1 if objective.yardstick.more else -1)
        if last:
            lead = gains >= gains.max(axis=0) - 1e-9 * np.abs(gains).max(axis=0)  # twins share a first place
            best[candidates] += (lead / lead.sum(axis=0)).sum(axis=1)
            three[candidates] += (gains >= np.partition(gains, -last, axis=0)[-last]).sum(axis=1)
        kept = np.ones(values[0].shape, dtype=bool)
        for want, place in zip(wants, at, strict=True):
            kept &= _KEEPS[want.operator](values[place], want.limit)
        keeps += kept.sum(axis=1)
    table = pd.DataFrame({"probability_best": best, "probability_best_three": three}) / draws
    return table.where(pd.Series(candidates), np.nan).assign(probability_all_wants=keeps / draws)


def decide_recipe(
    recipe: str | Path,
    audience: str | Path,
    constraints: Sequence[str] = (),
    objective: str = DENSITY,
    *,
    basis: str = "serving",
    trade_offs: Sequence[str] = TRADE_OFFS,
    prices: str | Path = "",
    regime: str = "US",
    release: str | Path = "current",
    factors: str = FACTORS[0],
    gaps: str = GAPS[0],
    draws: int = 4000,
    seed: int = 1,
) -> Decision:
    """Judge a recipe's variants by what the user wants, and rank them.

    Parameters
    ----------
    recipe, audience : str or Path
        Files, or names of files in ``data/recipes/`` and ``data/audiences/``.
    constraints : sequence of str, optional
        As for :func:`read_want`.
    objective : str, optional
        What the best variant is best in: ``"nutrient density"``, ``"cost"`` or a component; which way a component is
        better, the audience says, or ``least`` or ``most`` in front.
    basis : str, optional
        Basis of the objective, and of the trade-offs, where it is a component or cost.
    trade_offs : sequence of str, optional
        Two or three measures whose frontier is marked, as for ``objective``.
    prices : str or Path, optional
        Price file; without it nothing is costed.
    regime, release, factors, gaps : optional
        As for :func:`swaptable.judging.study.study_recipe`.
    draws : int, optional
        How often the sources of error are drawn anew.
    seed : int, optional
        The same seed gives the same probabilities.

    Returns
    -------
    Decision

    Raises
    ------
    InputError, SwaptableError
        If a file or parameter cannot be used.

    Examples
    --------
    >>> decision = decide_recipe("oat_pancakes", "blood_pressure", ["sodium <= 200 mg"], draws=100)
    >>> decision.best[["variant", "wants", "concerns_of_class"]].tolist()
    ['fortified soya drink + low-sodium baking powder', 'met', 'kidney disease']
    >>> decision.binding[["met", "cannot_tell", "not_met"]].to_dict("records")
    [{'met': 6, 'cannot_tell': 0, 'not_met': 6}]
    """
    _check_asked(draws, seed, trade_offs, regime)
    people = read_audience(find_file(audience, "audiences", ".yaml"))
    amounts = compute_recipe(recipe, release, factors, gaps)
    aims = find_aims(people, amounts.units())
    paid = read_prices(find_file(prices, ".", ".csv")) if prices else {}
    amounts = with_cost(amounts, paid) if paid else amounts
    wants = tuple(read_want(text, amounts, regime, people) for text in constraints)
    best_in = yardstick_named(objective, amounts, basis, aims)
    traded = tuple(yardstick_named(words, amounts, basis, aims) for words in trade_offs)
    measured = {one: measure(one, amounts) for one in dict.fromkeys([best_in, *(w.yardstick for w in wants), *traded])}
    values = {one: known.value for one, known in measured.items()}
    verdicts, misses = judge_wants(wants, values, measured)
    grid = amounts.grid
    changes = np.array([sum(v[c] != grid.as_written[c] for c in grid.choices) for v in grid.variants()])
    concerns = swap_concerns(amounts, people.concerns).to_numpy()
    order = ranked(measured[best_in].gain, verdicts, misses, changes, concerns != "")
    table = _ranking(grid.labels, best_in, wants, traded, measured, verdicts, misses)
    table = table.assign(changes=changes, concerns_of_class=concerns)
    candidates = (table["wants"] == table["wants"].iloc[order[0]]).to_numpy() & np.isfinite(measured[best_in].gain)
    chances = _chances(measured[best_in], wants, measured, candidates, draws, seed)
    gap = (verdicts == Verdict.GAPS).any(axis=0)
    table = table.join(chances.assign(probability_all_wants=chances["probability_all_wants"].where(~gap)))
    table = table.iloc[order].reset_index(drop=True)
    table.insert(0, "rank", np.arange(1, len(table) + 1))
    return Decision(
        amounts=amounts,
        audience=people,
        prices=paid,
        wants=wants,
        objective=best_in,
        trade_offs=traded,
        measured=measured,
        ranking=table,
        verdicts=verdict_table(grid.labels, wants, measured, verdicts),
        binding=binding_wants(grid.labels, wants, measured[best_in], measured, verdicts, misses),
        draws=draws,
        seed=seed,
    )


def _check_asked(draws: int, seed: int, trade_offs: Sequence[str], regime: str) -> None:
    if draws < 1 or seed < 0:
        raise SwaptableError(f"found draws {draws} and seed {seed}; expected 1 or more, and 0 or more")
    if not 2 <= len(trade_offs) <= 3:
        raise SwaptableError(f"found {len(trade_offs)} trade-offs; expected two or three measures")
    checked_regime(regime)


def _ranking(
    labels: list[str], objective: Yardstick, wants: Sequence[Want], traded: Sequence[Yardstick],
    measured: Mapping[Yardstick, Measured], verdicts: np.ndarray, misses: np.ndarray,
) -> pd.DataFrame:  # fmt: skip
    """Put what is known of each variant in a row, in the order of the grid."""
    known = measured[objective]
    level = verdicts.min(axis=0, initial=int(Verdict.MET))
    table = pd.DataFrame(
        {"variant": labels, "wants": [Verdict(int(each)).word if wants else NOTHING for each in level]}
    )
    texts = [want.text for want in wants]
    words = [[Verdict(int(each)).word for each in column] for column in verdicts.T]
    for name in ("not met", "cannot tell"):
        told = ["; ".join(t for t, word in zip(texts, column, strict=True) if word == name) for column in words]
        table[name.replace(" ", "_")] = told
    table["missed_percent"] = np.where(np.isinf(misses.sum(axis=0)), np.nan, 100 * misses.sum(axis=0))
    for one, found in measured.items():
        table[one.column] = found.value
    apart, error = known.value - known.value[0], known.difference_errors([0])[:, 0]
    table["standard_error"] = known.error
    table["low_90"], table["high_90"] = known.value - Z[LEVEL] * known.error, known.value + Z[LEVEL] * known.error
    table["difference"], table["difference_standard_error"] = apart, error
    table["real"] = (np.abs(apart) > Z[LEVEL] * error) & known.whole & known.whole[0]
    table["probability_better"] = [
        _better(ahead, one) for ahead, one in zip(known.gain - known.gain[0], error, strict=True)
    ]
    table["frontier"] = _frontier([measured[one] for one in traded])
    return table


def _better(ahead: float, error: float) -> float:
    """Give the probability that a difference is above 0; NaN where there is none, or it is not known."""
    if np.isnan(ahead) or (ahead == 0 and not error > 0):
        return np.nan
    return NormalDist().cdf(ahead / error) if error > 0 else float(ahead > 0)
