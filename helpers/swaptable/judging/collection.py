"""A collection: all recipes of a programme judged for all its audiences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from swaptable.amounts.nutrients import Amounts
from swaptable.basics.errors import InputError
from swaptable.basics.folders import files_in, find_file
from swaptable.foods.cooking_factors import FACTORS
from swaptable.judging.audiences import read_audience
from swaptable.judging.claims import claim_verdicts, judge_claims
from swaptable.judging.day import add_up, judge_day, read_plan
from swaptable.judging.front_of_pack import front_of_pack
from swaptable.judging.study import GAPS, compute_recipe
from swaptable.judging.targets import Aims, day_targets, find_aims, judge_servings
from swaptable.judging.verdicts import Verdict, met_by_role, most_met, named_for_files

__all__ = ["Programme", "judge_programme"]


@dataclass(frozen=True, eq=False)
class Programme:
    """Recipes × audiences.

    Attributes
    ----------
    regime : str
    recipes, audiences : dict
        Name → title.
    cautions : dict
        Audience → the cautions of its file.
    targets : DataFrame
        Every leading verdict: ``recipe``, ``audience`` and the columns of
        :func:`swaptable.judging.targets.judge_servings`, for the recipe as written and its best variant.
    scores : DataFrame
        One row per recipe, audience and ``variant`` named in ``which`` (as written, best): ``aims`` (how many leading
        verdicts there are), ``met``, ``not_met`` and ``cannot_tell``; of what is to be ``raised`` and ``kept_down`` how
        many, and ``raised_met``, ``kept_down_met``; ``others_alike``, how many other variants meet as many as the best
        (0 as written), and ``sodium_mg_per_serving``.
    claims : DataFrame
        Claims that some variant of a recipe meets: ``recipe``, ``claim``, ``title``, ``variants_met``,
        ``variants`` and ``as_written``.
    days : DataFrame
        Every planned day judged for its person: ``day``, ``title``, ``group`` and the columns of
        :func:`swaptable.judging.day.judge_day`.
    symbols : DataFrame
        ``recipe`` and the columns of :func:`swaptable.judging.front_of_pack.front_of_pack`, of each recipe as written.
    source_line : str
    """

    regime: str
    recipes: dict[str, str]
    audiences: dict[str, str]
    cautions: dict[str, tuple[str, ...]]
    targets: pd.DataFrame
    scores: pd.DataFrame
    claims: pd.DataFrame
    symbols: pd.DataFrame
    days: pd.DataFrame
    source_line: str

    def tables(self) -> dict[str, pd.DataFrame]:
        """Name every table that goes with a report, as it is written."""
        tables = {
            "targets": self.targets,
            "scores": self.scores,
            "claims": self.claims,
            "symbols": self.symbols,
            "days": self.days,
        }
        return {name: named_for_files(table) for name, table in tables.items()}


def _counts(rows: pd.DataFrame) -> dict[str, int]:
    verdicts = rows["verdict"].dropna()
    met, missed = int((verdicts == Verdict.MET).sum()), int((verdicts == Verdict.NOT_MET).sum())
    counts = {"aims": len(verdicts), "met": met, "not_met": missed, "cannot_tell": len(verdicts) - met - missed}
    return counts | met_by_role(rows)


def _judged(amounts: Amounts, aims: Aims, regime: str) -> tuple[pd.DataFrame, list[dict[str, object]]]:
    """Judge a recipe for an audience: the rows of its two variants worth a look, and their scores."""
    targets = judge_servings(amounts, day_targets(aims, regime), aims.audience.share_of_day)
    leading = targets[targets["leads"]]
    grid = amounts.grid
    sodium = pd.Series(grid.listed(amounts.per("serving").sel(component="NA")), index=grid.labels)
    whole = grid.listed(amounts.is_whole(["NA"])) == 1
    best, others = most_met(leading, sodium.where(whole))
    named = {"as written": (grid.labels[0], 0), "best": (best, others)}
    scores: list[dict[str, object]] = []
    parts = []
    for which, (label, alike) in named.items():
        rows = leading[leading["variant"] == label]
        parts.append(rows.assign(which=which))
        about = {"others_alike": alike, "sodium_mg_per_serving": sodium[label]}
        scores.append({"which": which, "variant": label} | _counts(rows) | about)
    return pd.concat(parts, ignore_index=True), scores


def judge_programme(
    recipes: Sequence[str] = (),
    audiences: Sequence[str] = (),
    days: Sequence[str] = (),
    *,
    regime: str = "US",
    release: str | Path = "current",
    factors: str = FACTORS[0],
    gaps: str = GAPS[0],
) -> Programme:
    """Judge all recipes of a programme for all its audiences.

    Parameters
    ----------
    recipes, audiences, days : sequence of str, optional
        Files or names; all of ``data/recipes/``, ``data/audiences/`` and ``data/days/`` by default.
    regime : str, optional
        ``"US"`` or ``"CA"``.
    release, factors, gaps : optional
        As for :func:`swaptable.judging.study.compute_recipe`.

    Returns
    -------
    Programme

    Raises
    ------
    InputError
        With the place in the file; a name given twice is refused as well.

    Examples
    --------
    >>> programme = judge_programme(["oat_pancakes"], ["blood_pressure"], ["barley_pot_day"])
    >>> programme.scores[["recipe", "which", "aims"]].to_dict("records")[0]
    {'recipe': 'oat_pancakes', 'which': 'as written', 'aims': 24}
    >>> judge_programme(["oat_pancakes", "oat_pancakes"])
    Traceback (most recent call last):
    swaptable.basics.errors.InputError: found 'oat_pancakes' twice among the recipes; name each once
    """
    given_names = {"recipes": recipes, "audiences": audiences, "days": days}
    names = {folder: list(given) or files_in(folder) for folder, given in given_names.items()}
    for what, given in names.items():
        found = [find_file(name, what, ".yaml").resolve() for name in given]
        twice = next((name for name, path in zip(given, found, strict=True) if found.count(path) > 1), None)
        if twice is not None:
            raise InputError(f"found '{twice}' twice among the {what}; name each once")
    people = {name: read_audience(find_file(name, "audiences", ".yaml")) for name in names["audiences"]}
    titles, targets, scores, claims, symbols = {}, [], [], [], []
    source_line = ""
    for recipe in names["recipes"]:
        amounts = compute_recipe(recipe, release, factors, gaps)
        titles[recipe] = amounts.recipe.title
        for name, audience in people.items():
            rows, scored = _judged(amounts, find_aims(audience, amounts.units()), regime)
            targets.append(rows.assign(recipe=recipe, audience=name))
            scores += [{"recipe": recipe, "audience": name} | score for score in scored]
        claims.append(_claims_met(amounts, regime).assign(recipe=recipe))
        screen = front_of_pack(amounts, labels=amounts.grid.labels[:1])
        symbols.append(screen.assign(recipe=recipe))
        source_line = amounts.source_line
    return Programme(
        regime=regime,
        recipes=titles,
        audiences={name: audience.title for name, audience in people.items()},
        cautions={name: audience.cautions for name, audience in people.items()},
        targets=pd.concat(targets, ignore_index=True),
        scores=pd.DataFrame(scores),
        claims=pd.concat(claims, ignore_index=True),
        symbols=pd.concat(symbols, ignore_index=True),
        days=pd.concat([_judged_day(day, release) for day in names["days"]] or [pd.DataFrame()], ignore_index=True),
        source_line=source_line,
    )


def _judged_day(day: str, release: str | Path) -> pd.DataFrame:
    added = add_up(read_plan(day), release)
    table = judge_day(added)
    for place, (column, value) in enumerate({"day": day, "title": added.plan.title, "group": added.plan.group}.items()):
        table.insert(place, column, value)
    return table


def _claims_met(amounts: Amounts, regime: str) -> pd.DataFrame:
    """List the claims that some variant meets, and whether the recipe as written does."""
    verdicts = claim_verdicts(judge_claims(amounts, regime))
    verdicts = verdicts[verdicts["kind"] != "disclosure"]
    rows = []
    for (claim, title), found in verdicts.groupby(["claim", "title"], sort=False):
        met = found["verdict"] == Verdict.MET
        if met.any():
            as_written = found.loc[found["variant"] == amounts.grid.labels[0], "word"]
            rows.append(
                {
                    "claim": claim, "title": title, "variants_met": int(met.sum()), "variants": len(found),
                    "as_written": as_written.iloc[0] if len(as_written) else "",
                }
            )  # fmt: skip
    return pd.DataFrame(rows, columns=["claim", "title", "variants_met", "variants", "as_written"])
