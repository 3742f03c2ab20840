"""Two food releases compared: what changes in the foods that recipes use, and in what the recipes lead to."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from swaptable.amounts.cost import read_prices
from swaptable.amounts.nutrients import compute
from swaptable.amounts.recipes import Recipe, read_recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import InputError, SwaptableError, listed, nearest
from swaptable.basics.folders import DATA, files_in, find_file, shown
from swaptable.changes.changes import Changes, Difference, collected, difference_of
from swaptable.changes.conclusions import Conclusions, conclude
from swaptable.changes.food_changes import food_changes, successors
from swaptable.foods.cooking_factors import FACTORS
from swaptable.foods.current_release import CURRENT, code_map, read_current
from swaptable.foods.imputation import fill_gaps
from swaptable.foods.joined import SEPARATOR, JoinedRelease, join, open_release
from swaptable.foods.recoded import RecodedRelease, recoded
from swaptable.foods.release import FoodRelease
from swaptable.judging.audiences import Audience, read_audience
from swaptable.judging.study import GAPS
from swaptable.runs.run_files import Run, effective_parameters, read_runs

__all__ = ["Case", "cases_of", "compare_releases"]

RUNS = DATA / "runs.yaml"


@dataclass(frozen=True, eq=False)
class Case:
    """One recipe as some runs compute it.

    Attributes
    ----------
    recipe, factors, gaps, release, prices : str
        As the parameters of a run.
    asked : dict
        (Name of the audience, regime) → runs that ask for it.
    """

    recipe: str
    factors: str
    gaps: str
    release: str
    prices: str
    asked: dict[tuple[str, str], list[str]] = field(default_factory=dict)

    @property
    def runs(self) -> str:
        """Every run that asks for the recipe."""
        return ", ".join(dict.fromkeys(run for runs in self.asked.values() for run in runs))


def cases_of(runs: Iterable[Run]) -> tuple[list[Case], list[str]]:
    """Find what runs compute of recipes: each recipe once for all that ask alike.

    Parameters
    ----------
    runs : iterable of Run

    Returns
    -------
    list of Case
    list of str
        Runs that compute no recipe of a file for an audience, each with the reason.
    """
    cases: dict[tuple[str, ...], Case] = {}
    left_out = []
    for run in runs:
        given = effective_parameters(run)
        recipes = [given["recipe"]] if "recipe" in given else given.get("recipes")
        audiences = [given["audience"]] if "audience" in given else given.get("audiences")
        if recipes is None or audiences is None:
            left_out.append(f"{run.name} (the notebook {run.notebook.stem} computes no recipe of a file)")
            continue
        if given.get("days") is not None:
            left_out.append(f"the planned days of {run.name}")
        factors, gaps, release, prices = (str(given.get(name, default)) for name, default in _WAYS.items())
        for recipe in recipes or files_in("recipes"):
            new = Case(recipe, factors, gaps, release, prices)
            case = cases.setdefault((recipe, factors, gaps, release, prices), new)
            for audience in audiences or files_in("audiences"):
                case.asked.setdefault((audience, str(given.get("regime", "US"))), []).append(run.name)
    return _with_prices(list(cases.values())), left_out


_WAYS = {"factors": FACTORS[0], "gaps": GAPS[0], "release": CURRENT, "prices": ""}


def _with_prices(cases: list[Case]) -> list[Case]:
    """Let runs that cost nothing join those that compute the same and cost it."""
    kept: list[Case] = []
    for case in sorted(cases, key=lambda each: not each.prices):
        same = next((each for each in kept if not case.prices and _way(each) == _way(case)), None)
        if same is None:
            kept.append(case)
            continue
        for key, runs in case.asked.items():
            same.asked.setdefault(key, []).extend(runs)
    return kept


def _way(case: Case) -> tuple[str, ...]:
    return (case.recipe, case.factors, case.gaps, case.release)


def compare_releases(
    old: str | Path,
    new: str | Path,
    *,
    recipes: Sequence[str] = (),
    audience: str | Path = "general_adults",
    regime: str = "US",
    prices: str | Path = "",
    runs: str | Path = RUNS,
    only: Sequence[str] = (),
    new_factors: str = "",
) -> Changes:
    """Compare what two food releases lead to.

    Parameters
    ----------
    old, new : str or Path
        Food releases by name or folder. Of several joined, such as ``later+sr28``, the first is compared, and the
        others are at hand beside it; so are releases that a run joins, and those that an answer says to stay with.
    recipes : sequence of str, optional
        Recipes for ``audience``, ``regime`` and ``prices``; by default those of the runs file.
    audience, regime, prices : optional
        Of ``recipes``.
    runs : str or Path, optional
        Runs file whose recipes are compared.
    only : sequence of str, optional
        Names of runs of that file; all by default.
    new_factors : str, optional
        Retention factors of the new side, if they are to be others than the run says: ``"published"`` or
        ``"estimated"``. With one release named twice this asks what hangs on the factors.

    Returns
    -------
    Changes

    Raises
    ------
    InputError, SwaptableError
        If a file or parameter cannot be used, or a recipe cannot be computed even on the old release.
    """
    (before, *with_old), (after, *with_new) = (_parts(each) for each in (old, new))
    if new_factors and new_factors not in FACTORS:
        raise SwaptableError(
            f"found factors '{new_factors}'; expected {' or '.join(FACTORS)}{nearest(new_factors, FACTORS)}"
        )
    if recipes:
        asked = {(str(audience), regime): [f"{audience}, {regime}"]}
        ways = (FACTORS[0], GAPS[0], before.name, str(prices))
        cases = [Case(recipe, *ways, asked=dict(asked)) for recipe in dict.fromkeys(recipes)]
        left_out: list[str] = []
    else:
        cases, left_out = cases_of(_chosen(Path(runs), only))
    found = _Compared(before, after, new_factors, with_old, with_new)
    for case in cases:
        found.add(case)
    if not (found.compared or found.lost or found.foods):
        told = listed([*left_out, *found.left_out], 4)
        raise SwaptableError(
            f"{_switched(before, cases)}found nothing that computes a recipe on '{before.name}' ({told}); name a recipe"
        )
    return found.changes(left_out)


def _parts(name: str | Path) -> tuple[FoodRelease, ...]:
    """Open the releases that a name joins: the one to compare, and those beside it."""
    found = open_release(name)
    return found.parts if isinstance(found, JoinedRelease) else (found,)


def _targets(release: FoodRelease) -> tuple[FoodRelease, ...]:
    """Give the releases behind what a run reads, the main one first."""
    target = release.target if isinstance(release, RecodedRelease) else release
    return target.parts if isinstance(target, JoinedRelease) else (target,)


def _joined(main: FoodRelease, others: Iterable[FoodRelease]) -> FoodRelease:
    """Join releases to one, each once."""
    beside = {each.sha256: each for each in others if each.sha256 != main.sha256}
    return join(main, *beside.values()) if beside else main


def _switched(old: FoodRelease, cases: Iterable[Case]) -> str:
    """Say that runs which ask for the current release read another one now, if that is why nothing was compared."""
    now = read_current().release
    if not any(CURRENT in case.release.split(SEPARATOR) for case in cases) or now.split(SEPARATOR)[0] == old.name:
        return ""
    return f"the runs use '{CURRENT}', which is now '{now}', not '{old.name}': "


def _chosen(path: Path, only: Sequence[str]) -> list[Run]:
    runs = read_runs(path)
    known = [run.name for run in runs]
    for name in only:
        if name not in known:
            problem = f"found run '{name}'; expected one of {listed(known)}{nearest(name, known)}"
            raise InputError(problem, file=shown(path))
    return [run for run in runs if not only or run.name in only]


@dataclass(frozen=True, eq=False)
class _Read:
    """Two releases under the codes of recipes, and which code of the old one those stand for where they differ."""

    old: FoodRelease
    new: FoodRelease
    codes: Mapping[str, str]


class _Compared:
    """What was found so far, case by case."""

    def __init__(
        self,
        old: FoodRelease,
        new: FoodRelease,
        new_factors: str,
        with_old: Sequence[FoodRelease],
        with_new: Sequence[FoodRelease],
    ) -> None:
        self.old, self.new, self.new_factors = old, new, new_factors
        self.codes = successors(old, new)
        self.stays = _stays(old, new)
        names = sorted({code.partition(":")[0] for code in self.stays.values()})
        further = [old if name == old.name else open_release(name) for name in names]
        self.with_old, self.with_new = with_old, [*with_new, *further]
        self.differences: list[Difference] = []
        self.foods: dict[str, set[str]] = {}
        self.compared: list[str] = []
        self.lost: list[str] = []
        self.left_out: list[str] = []

    def add(self, case: Case) -> None:
        """Compute a case on both releases and compare."""
        read = self._read(case)
        if read is None:
            self.left_out.append(f"{case.runs} (reads the food release {case.release})")
            return
        recipe = read_recipe(find_file(case.recipe, "recipes", ".yaml"))
        sides: list[Conclusions | SwaptableError] = []
        for release, factors in ((read.old, case.factors), (read.new, self.new_factors or case.factors)):
            try:
                found = _concluded(case, recipe, release, factors)
                self._note_foods(found.foods, read, self.new if sides else self.old)
                sides.append(found)
            except SwaptableError as error:
                sides.append(error)
        self._compare(case, *sides)

    def _compare(self, case: Case, before: Conclusions | SwaptableError, after: Conclusions | SwaptableError) -> None:
        if isinstance(before, SwaptableError):
            if isinstance(after, SwaptableError):
                raise before
            self.left_out.append(f"{case.recipe}, which can be computed only now (before: {before})")
            return
        self.compared.append(case.recipe)
        if isinstance(after, SwaptableError):
            self.lost.append(f"{case.recipe} can no longer be computed: {after}")
        else:
            self.differences.append(difference_of(before, after))

    def _read(self, case: Case) -> _Read | None:
        """Open both releases as a case reads them; None if it does not read the old one."""
        names = [name.strip() for name in case.release.split(SEPARATOR)]
        parts = [self.old if name == self.old.name else open_release(name) for name in names]
        part = next((part for part in parts if _targets(part)[0].sha256 == self.old.sha256), None)
        if part is None:
            return None
        beside = [target for each in parts for target in _targets(each) if target.sha256 != self.old.sha256]
        one, other = _joined(self.old, [*beside, *self.with_old]), _joined(self.new, [*beside, *self.with_new])
        codes, replaced = (dict(part.codes), part.replaced) if isinstance(part, RecodedRelease) else ({}, ())
        before = recoded(one, tuple(codes.items()), replaced) if codes else one
        if self.old.sha256 == self.new.sha256:
            return _Read(before, before, codes)
        now = {self.old.full_code(each): self.new.full_code(code) for each, code in self.codes.items()}
        now |= self.stays
        # what stayed with another release when the current one was chosen, stays with it still if it is at hand
        here = {each.name for each in _targets(other)}
        kept = {code: now.get(each, each) for code, each in codes.items()}
        pairs = now | {code: each for code, each in kept.items() if each.partition(":")[0] in here}
        return _Read(before, recoded(other, tuple(pairs.items()), (self.old.name, *replaced)), codes)

    def _note_foods(self, foods: Mapping[str, set[str]], read: _Read, release: FoodRelease) -> None:
        """Note the foods that a recipe uses: of the new release those that stand for none of the old one."""
        for code, recipes in foods.items():
            bare = read.codes.get(code, code).removeprefix(f"{release.name}:")
            here = release is self.old or bare not in self.old.foods.index
            if here and bare in release.foods.index:
                self.foods.setdefault(bare, set()).update(recipes)

    def changes(self, left_out: Sequence[str]) -> Changes:
        """Put everything together."""
        factors = f", retention factors {self.new_factors}" if self.new_factors else ""
        names = [_label(each) for each in (self.old, self.new)]
        return Changes(
            what="food releases",
            old=names[0],
            new=names[1] + factors,
            compared=tuple(dict.fromkeys(self.compared)),
            foods=food_changes(self.old, self.new, self.codes, self.foods, self.stays),
            **collected(self.differences),
            lost=tuple(dict.fromkeys(self.lost)),
            left_out=(*left_out, *dict.fromkeys(self.left_out)),
            sources=f"Estimates. Foods: {names[0]}; {names[1]}{factors}.",
        )


def _stays(old: FoodRelease, new: FoodRelease) -> dict[str, str]:
    """Give the foods for which people answered with a food of a third release, or to stay with the old one."""
    if old.sha256 == new.sha256:
        return {}
    known = code_map([old.name], new.name)
    return {one: other for one, other in known.items() if other.partition(":")[0] != new.name}


def _concluded(case: Case, recipe: Recipe, release: FoodRelease, factors: str) -> Conclusions:
    """Compute a case on a release and draw its conclusions."""
    release = fill_gaps(release) if case.gaps == GAPS[1] else release
    amounts = compute(build_grid(recipe, release, factors))
    people: Mapping[tuple[str, str], Audience] = {
        key: read_audience(find_file(key[0], "audiences", ".yaml")) for key in case.asked
    }
    prices = read_prices(find_file(case.prices, ".", ".csv")) if case.prices else {}
    return conclude(amounts, case.recipe, people, prices, case.runs)


def _label(release: FoodRelease) -> str:
    """Name a release so that two of one name can be told apart."""
    released = release.manifest.get("released", "undated")
    return f"{release.name} ({released}, {release.sha256[:8]})"
