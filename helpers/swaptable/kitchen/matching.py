"""A recipe in kitchen words → lines matched to foods, with every doubt as a question."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from swaptable.basics.errors import SwaptableError, listed
from swaptable.foods.release import Food, FoodRelease
from swaptable.foods.search import Hit, find_foods
from swaptable.kitchen.amounts import FoodAmount, amount_for
from swaptable.kitchen.lines import KitchenLine, read_line
from swaptable.kitchen.method import Proposal, drained_by_method, propose_cooking
from swaptable.kitchen.text import KitchenRecipe

__all__ = ["UNKNOWN", "MatchedLine", "MatchedRecipe", "match_recipe", "rematch"]

# On the list of queries that the food search is tested on, nearly all first hits of SURE or more are right, and about
# three in four of those between the two.
SURE = 0.60  # a score below is asked about
LEAST = 0.30  # a score below is no answer: nothing is chosen
NEAR = 0.05  # foods that score closer than this are as good as each other
CLOSE = 0.10  # foods that score closer than this are asked about where it matters
RUNNERS_UP = 4
UNKNOWN = "?"  # stands in a recipe file where the cook must say; reading such a file fails at that place
# Words of the preparation that say which food it is, not how it is cut.
_TELLING = re.compile(
    r"\b(?:boneless|skinless|skin[- ]on|skin removed|drained|rinsed|unpeeled|hard-boiled|soft-boiled|with skin|"
    r"no salt added|low[- ]sodium|unsalted|with(?:out)? (?:added )?(?:salt|sugar|vitamins?)(?: [ad])*|"
    r"in (?:oil|water|brine|juice|syrup)|\d+(?:\.\d+)?% (?:lean|(?:milk ?)?fat)|\d\d/\d\d)\b"
)


@dataclass(frozen=True)
class MatchedLine:
    """One ingredient line: its words, the food chosen and what is open.

    Attributes
    ----------
    name : str
        Name of the ingredient in the recipe file.
    line : KitchenLine
        What its words say.
    hit : Hit or None
        Food chosen; None where no food is sure enough.
    runners_up : tuple of Hit
        Other foods that may be meant, best first.
    confidence : float
        How sure the food is, 0 to 1. [-]
    amount : FoodAmount
    cooking : Proposal
    questions : tuple of str
        What the cook must decide or should look at.
    """

    name: str
    line: KitchenLine
    hit: Hit | None
    runners_up: tuple[Hit, ...]
    confidence: float
    amount: FoodAmount
    cooking: Proposal
    questions: tuple[str, ...]

    @property
    def words(self) -> str:
        """The line as it was written."""
        return self.line.words

    @property
    def is_open(self) -> bool:
        """Whether food or amount are unknown, so that the line cannot be computed."""
        return self.hit is None or not self.amount.text


@dataclass(frozen=True)
class MatchedRecipe:
    """A recipe in words with a food, an amount and a proposed process for each line.

    Attributes
    ----------
    recipe : KitchenRecipe
    release : FoodRelease
        Where the foods are from.
    lines : tuple of MatchedLine
    questions : tuple of str
        All questions, each with the words that it is about.
    """

    recipe: KitchenRecipe
    release: FoodRelease
    lines: tuple[MatchedLine, ...]

    @property
    def questions(self) -> tuple[str, ...]:
        """All questions, each with the words that it is about."""
        general = [] if self.recipe.servings else ["how many servings?"]
        general += list(self.recipe.notes)
        return (*general, *(f"{line.words}: {question}" for line in self.lines for question in line.questions))


def _query(line: KitchenLine) -> str:
    telling = [word for part in line.preparation if not part.startswith("or ") for word in _TELLING.findall(part)]
    state = "fresh" if line.measure in ("sprig", "bunch") and not line.state else line.state
    return " ".join(
        ["fresh" if state == "raw" and "fresh" in line.words.lower() else state, line.food, *telling]
    ).strip()


def _matters(release: FoodRelease, one: str, other: str) -> bool:
    """Tell whether taking one food for the other changes sodium or energy by more than a fifth."""
    for component, least in (("NA", 20.0), ("ENERC_KCAL", 10.0)):
        if component not in release.components.index:
            continue
        values = [float(release.values(code)[component]) for code in (one, other)]
        if not np.isfinite(values).all() or abs(values[0] - values[1]) > max(least, 0.2 * max(values)):
            return True
    return False


def _told_apart(line: KitchenLine, chosen: Hit, other: Hit) -> bool:
    """Tell whether the preparation names a word that only the chosen food has ("grated")."""
    said = {word for part in line.preparation for word in re.findall(r"[a-z]+", part)}
    words = [set(re.findall(r"[a-z]+", hit.description.lower())) for hit in (chosen, other)]
    return bool(said & (words[0] - words[1]))


def _by_code(line: KitchenLine, release: FoodRelease) -> Hit:
    food = release.food(line.code)
    return Hit(food.code, food.description, food.food_group, food.state, 1.0, (line.code,))


def _candidates(line: KitchenLine, release: FoodRelease) -> list[Hit]:
    try:
        hits = find_foods(_query(line), release, most=RUNNERS_UP + 2)
    except SwaptableError:  # no words that could name a food
        return []
    if line.state or not hits or not hits[0].state.startswith("cooked"):
        return hits
    # what goes into a recipe is raw unless it says otherwise
    return sorted(hits, key=lambda hit: (-(hit.score + NEAR * (not hit.state.startswith("cooked"))), hit.code))


def _choose(line: KitchenLine, release: FoodRelease) -> tuple[Hit | None, tuple[Hit, ...], float, tuple[str, ...]]:
    """Choose a food; nothing where none is sure enough."""
    if line.code:
        try:
            return _by_code(line, release), (), 1.0, ()
        except SwaptableError as error:
            return None, (), 0.0, (str(error),)
    hits = _candidates(line, release)
    if not hits or hits[0].score < LEAST:
        return None, tuple(hits[:RUNNERS_UP]), 0.0, (f"which food is '{line.food}'?",)
    near = [hit for hit in hits if hit.score >= hits[0].score - NEAR]
    if line.contents and "drained" not in " ".join(line.preparation):  # what a can holds, liquid and all
        near.sort(key=lambda hit: "drained" in hit.description)
    if "bone-in" in line.preparation:
        near.sort(key=lambda hit: "boneless" in hit.description)
    best = next((hit for hit in near if amount_for(line, release.food(hit.code)).text), hits[0])
    others = tuple(hit for hit in hits if hit.code != best.code)[:RUNNERS_UP]
    questions: tuple[str, ...] = ()
    close = [hit for hit in others if hit.score >= best.score - CLOSE and not _told_apart(line, best, hit)]
    rivals = [h for h in close if h.food_group == best.food_group and _matters(release, best.code, h.code)]
    if best.score < SURE:
        questions = (f"is '{line.food}' {best.description}?",)
    elif rivals:
        named = listed(f"{release.full_code(hit.code)} {hit.description}" for hit in rivals[:2])
        questions = (f"{best.description}, or {named}? it matters",)
    return best, others, best.score, questions


def _names(lines: Sequence[KitchenLine]) -> Iterator[str]:
    used: dict[str, int] = {}
    for line in lines:
        name = " ".join(re.findall(r"[^\W_][\w'%-]*", line.food))[:40].strip() or "ingredient"
        used[name] = used.get(name, 0) + 1
        yield name if used[name] == 1 else f"{name} {used[name]}"


def match_recipe(recipe: KitchenRecipe, release: FoodRelease) -> MatchedRecipe:
    """Find food, amount and a proposed process for every ingredient line.

    Parameters
    ----------
    recipe : KitchenRecipe
    release : FoodRelease

    Returns
    -------
    MatchedRecipe
        Each line keeps its words, the food chosen, how sure that is and the runners-up. What is not sure is a
        question, and where nothing is sure enough no food is chosen.
    """
    lines = [_with_draining(line, recipe.method) for text in recipe.lines for line in read_line(text)]
    if any(line.measure in ("g", "kg", "ml", "l") for line in lines):
        lines = [_with_gallon_asked(line) for line in lines]
    matched = []
    for line, name in zip(lines, _names(lines), strict=True):
        hit, others, confidence, questions = _choose(line, release)
        matched.append(_matched(line, name, release, hit, others, confidence, questions))
    return _with_cooking(MatchedRecipe(recipe, release, tuple(matched)))


def _with_gallon_asked(line: KitchenLine) -> KitchenLine:
    """Ask whose pint is meant where a recipe also uses metric units; one is a fifth larger than the other."""
    if line.measure not in ("pint", "quart", "gallon") or re.search(r"\b(?:US|imperial)\b", line.words, re.I):
        return line
    return replace(line, asks=(*line.asks, f"US or imperial {line.measure}? US was taken; imperial is a fifth larger"))


def _with_draining(line: KitchenLine, method: Sequence[str]) -> KitchenLine:
    """Add to the preparation of a canned food what only the method says."""
    if line.state != "canned" or "drained" in " ".join(line.preparation):
        return line
    done = drained_by_method(line, method)
    return replace(line, preparation=(*line.preparation, done)) if done else line


def _matched(
    line: KitchenLine,
    name: str,
    release: FoodRelease,
    hit: Hit | None,
    others: tuple[Hit, ...],
    confidence: float,
    questions: tuple[str, ...],
) -> MatchedLine:
    if hit is None:
        said = "" if line.number is None else f"{line.number:.6g} {line.measure}".strip()
        amount = FoodAmount(said, asks=line.asks)
    else:
        amount = amount_for(line, release.food(hit.code))
    if line.alternative:
        questions = (*questions, f"or {line.alternative}: could be an option of a choice")
    return MatchedLine(name, line, hit, others, confidence, amount, Proposal(), (*questions, *amount.asks))


def _with_cooking(matched: MatchedRecipe) -> MatchedRecipe:
    foods = _foods(matched)
    proposals = propose_cooking([line.line for line in matched.lines], foods, matched.recipe.method, matched.release)
    lines = []
    for line, proposal in zip(matched.lines, proposals, strict=True):
        old = {line.cooking.question} - {""}
        questions = tuple(question for question in line.questions if question not in old)
        asked = (proposal.question,) if proposal.question else ()
        lines.append(replace(line, cooking=proposal, questions=(*questions, *asked)))
    return replace(matched, lines=tuple(lines))


def _foods(matched: MatchedRecipe) -> list[Food | None]:
    return [None if line.hit is None else matched.release.food(line.hit.code) for line in matched.lines]


def rematch(matched: MatchedRecipe, number: int, *, code: str = "", words: str = "", food: str = "") -> MatchedRecipe:
    """Answer a question: take another food for a line, look it up in other words, or read the whole line anew.

    Parameters
    ----------
    matched : MatchedRecipe
    number : int
        Place of the line, from 0.
    code : str, optional
        Food to take, such as ``"sr28:11352"``.
    words : str, optional
        What the line should have said, such as ``"1/2 tsp salt"``.
    food : str, optional
        Other words for the food alone, such as ``"vegetable broth, low sodium"``; what the line says of amount and
        preparation stays, and the method knows it by the old words.

    Returns
    -------
    MatchedRecipe

    Raises
    ------
    SwaptableError
        If the release has no such food.
    """
    old = matched.lines[number]
    line = _with_draining(read_line(words)[0], matched.recipe.method) if words else old.line
    if code:
        hit = _by_code(replace(line, code=code), matched.release)
        others = tuple(other for other in (old.hit, *old.runners_up) if other is not None and other.code != hit.code)
        new = _matched(line, old.name, matched.release, hit, others, 1.0, ())
    elif food:
        said = read_line(f"1 g {food}")[0]  # so that "2% milk" is not read as two of something
        preparation = (*line.preparation, *said.preparation)
        state = said.state or line.state
        sought = replace(line, food=said.food, state=state, preparation=preparation, code=said.code, alternative="")
        new = _matched(line, old.name, matched.release, *_choose(sought, matched.release))
    elif old.hit is not None and line.food == old.line.food:
        new = _matched(line, old.name, matched.release, old.hit, old.runners_up, old.confidence, ())
    else:
        new = _matched(line, old.name, matched.release, *_choose(line, matched.release))
    lines = (*matched.lines[:number], new, *matched.lines[number + 1 :])
    return _with_cooking(replace(matched, lines=lines))
