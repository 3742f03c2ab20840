"""From the words of a method to how each ingredient is cooked: a proposal, never more.

The steps are read clause by clause. What is in the pot is cooked with it; what is named is put in; "drain" lets
the liquid go. Which factors exist for a food is asked of ``cooking``, so that a proposal can be computed.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from swaptable.amounts.cooking import cook_food
from swaptable.basics.errors import SwaptableError
from swaptable.foods.cooking_factors import NO_CLASS, food_class_of, processes_for
from swaptable.foods.release import Food, FoodRelease
from swaptable.kitchen.lines import KitchenLine
from swaptable.kitchen.words import singular

__all__ = ["Proposal", "drained_by_method", "propose_cooking"]

_FATS = "0400"
_WET = {"boiled", "simmered", "stewed", "steamed", "poached", "braised", "slow-cooked", "wilted"}
_IN_LIQUID = {*_WET - {"steamed"}, "cooked", "sauteed then simmered", "browned then simmered"}
_OVEN = {"baked", "roasted"}
_SLIGHT = {"reheated", "toasted", "wilted"}  # what they do is lost beside any other process
_PAN = {"fried", "deep-fried", "sauteed", "stir-fried", "browned"}
# Word of a step → process; the order decides between words of one clause only by where they stand.
_HEAT = {
    r"stir[- ]?fry(?:ing)?|stir[- ]?fried": "stir-fried",
    r"deep[- ]?fry(?:ing)?|deep[- ]?fried": "deep-fried",
    r"saut[eé](?:e?s|ed|ing)?|soften|sweat": "sauteed",
    r"fry|fries|fried|frying": "fried",
    r"brown|sear": "browned",
    r"simmer(?:ing)?|bubble": "simmered",
    r"stew": "stewed",
    r"(?<!the )(?<!a )boil(?:ing)?(?! (?:water|stock))|blanch|parboil": "boiled",
    r"steam(?:ing)?(?! hot)": "steamed",
    r"poach": "poached",
    r"braise": "braised",
    r"slow[- ]?cook": "slow-cooked",
    r"wilt": "wilted",
    r"roast": "roasted",
    r"bake|baking(?! (?:tray|sheet|dish|tin|powder|soda))": "baked",
    r"grill|broil|barbecue|griddle": "grilled",
    r"toast(?:ing)?": "toasted",
    r"scramble": "scrambled",
    r"(?:re)?heat(?:ed)? (?:it |them )?through|warm(?:ed)? (?:it |them )?through|reheat": "reheated",
    r"cook": "cooked",
}
_HEATS = [(re.compile(rf"\b(?:{pattern})\b", re.I), process) for pattern, process in _HEAT.items()]
# Heat that no ingredient gets, and words that describe rather than tell.
_IDLE = re.compile(
    r"\b(?:pre-?)?heat (?:up )?(?:the|a|an|your) (?:\w+ ){0,2}(?:oven|grill|broiler|barbecue|pan|skillet|wok|pot)\b"
    r"|\b(?:over|on|to) (?:a )?(?:low|medium|high|gentle)[- \w]*heat\b|\bremove\w* from the heat\b"
    r"|\bheat (?=the oil|the butter|oil)"
    r"|\b(?:baking|roasting|frying) (?:tray|sheet|dish|tin|pan)\b|\bcook'?s?ing? (?:water|liquid|time)\b",
    re.I,
)
_OWN_WATER = re.compile(r"\b(?:pot|pan|saucepan|kettle)?\s*(?:of )?(?:\w+ )?(?:salted |boiling |fresh )+water\b", re.I)
_UNTIL = re.compile(r"\b(?:until|till|so that|when)\b[^,;]*", re.I)
_JOINS = re.compile(
    r"\b(?:add|stir|fold|tip|pour|return|mix|combine|toss|whisk|beat|put|place|layer|sprinkle|scatter|top|lay|rub|coat|"
    r"season|blend|grind|sift|arrange|cover|throw|drop|spread|spoon|crack)\b",
    re.I,
)
_SERVES = re.compile(r"\b(?:serve|garnish|finish|to serve|dress)\b", re.I)
_RESTS = re.compile(r"\b(?:rest|carve|set aside|keep warm|lift out|remove|transfer)\b", re.I)
_DRAINS = re.compile(
    r"(?<!un)\b(?:drain(?:ing)?|strain|pour (?:off|away)(?! [^,;]*\b(?:fat|grease)\b)|"
    r"discard(?:ing)? (?:the )?(?:cooking )?(?:water|liquid))\b",
    re.I,
)
_ALL = re.compile(
    r"\b(?:everything|all (?:of )?(?:the )?(?:other |remaining )?ingredients|remaining ingredients|"
    r"rest of the ingredients|the rest)\b",
    re.I,
)
_LIQUID = re.compile(r"\b(?:water|stock|broth|bouillon|milk|wine|juice|beer|cider|passata|cream|soup|tomatoes)\b", re.I)
_PARTS = {
    "leaf", "fillet", "breast", "thigh", "flake", "floret", "leg", "chop", "mince", "steak", "seed", "wing",
    "loin", "tenderloin", "shoulder", "shank", "rack", "joint", "side", "brisket", "belly", "neck",
}  # fmt: skip
# What a method may call a whole group of foods, by food group of USDA SR.
_KINDS = {
    "fish": {"1500"}, "meat": {"1000", "1300", "1700", "0700"}, "vegetable": {"1100"}, "bean": {"1600"},
    "pulse": {"1600"}, "spice": {"0200"}, "seasoning": {"0200"}, "herb": {"0200", "1100"}, "fruit": {"0900"},
    "berry": {"0900"}, "nut": {"1200"}, "cheese": {"0100"}, "green": {"1100"}, "pasta": {"2000"}, "grain": {"2000"},
    "tuber": {"1100"}, "fat": {"0400"},
}  # fmt: skip
_OF_KIND = {
    "green": r"kale|spinach|chard|collard|greens|cabbage|leaves",
    "herb": r"parsley|coriander|cilantro|basil|mint|dill|thyme|rosemary|sage|chives|oregano|tarragon|bay",
    "tuber": r"potato|yam|cassava|taro",
    "cheese": r"chees|parmesan|cheddar|feta|mozzarella|ricotta",
    "pasta": r"pasta|spaghetti|macaroni|noodle|penne|lasagn",
    "berry": r"berr",
}
_CLAUSE = re.compile(
    r"[.;:](?:\s|$)|,? (?:and )?then\b|,? and (?=drain\b|add\b|simmer\b|boil\b|bake\b|roast\b|serve\b|fry\b)"
)


@dataclass(frozen=True)
class Proposal:
    """How one ingredient is probably cooked.

    Attributes
    ----------
    cook, liquid : str
        Words of a recipe file; empty where nothing is proposed.
    question : str
        What the method leaves open.
    """

    cook: str = ""
    liquid: str = ""
    question: str = ""


@dataclass
class _Fate:
    """What happens to one ingredient in the course of the method."""

    processes: list[str] = field(default_factory=list)
    in_liquid: bool = False  # a liquid of the recipe was in the pot
    drained: bool = False

    def cook(self) -> str:
        """Sum the steps up as one process."""
        heats = [process for process in self.processes if process not in _SLIGHT] or self.processes[-1:]
        if not heats:
            return ""
        wet = [process for process in heats if process in _WET]
        dry = [process for process in heats if process not in _WET]
        if not wet or not dry:
            return (wet or dry)[-1]
        first_wet = heats.index(wet[0])
        if first_wet < heats.index(dry[0]) and self.drained:
            return "boiled then baked" if dry[-1] in _OVEN else "boiled then fried" if dry[-1] in _PAN else wet[-1]
        if dry[-1] in _OVEN and heats[-1] in _OVEN:
            return dry[-1]
        return "browned then simmered" if "browned" in dry else "sauteed then simmered"


def _words_of(text: str) -> list[str]:
    return [singular(word) for word in re.findall(r"[^\W\d_]+", text.lower())]


def _name_words(food: str) -> tuple[set[str], set[str]]:
    """Part the words of a food into those that a method calls it by, and those that tell it from others."""
    part, _, whole = food.partition(" of ")
    if _PARTS.intersection(_words_of(part)[-1:]):  # "leg of lamb": who roasts it says lamb
        food = f"{whole} {part}"
    words = _words_of(re.split(r"\s(?:in|with|from|of)\s", food)[0])
    words = words[:-1] if len(words) > 1 and words[-1] == "roast" else words  # a step's "roast" is a verb
    count = 2 if words[-1:] and words[-1] in _PARTS else 1
    return set(words[-count:]), set(words[:-count])


@dataclass(frozen=True)
class _Named:
    """The ingredients of a recipe as a method may name them."""

    lines: Sequence[KitchenLine]
    foods: Sequence[Food | None]

    def in_clause(self, clause: str) -> list[int]:
        """Find the ingredients that a clause names, by their own words, else by their kind."""
        words = set(_words_of(clause))
        known = [_name_words(line.food) for line in self.lines]
        found: set[int] = set()
        for number, (heads, more) in enumerate(known):
            rivals = [other for other in known if other[0] & heads & words and other[1] - more]
            if heads & words and (more & words or not any((other[1] - more) & words for other in rivals)):
                found.add(number)
        used: set[str] = set().union(*(heads | more for heads, more in (known[number] for number in found)))
        for word in words - used:
            found |= {n for n in range(len(self.lines)) if self._is_kind(n, word)}
        return sorted(found)

    def _is_kind(self, number: int, word: str) -> bool:
        if word == "liquid":
            return self.is_liquid(number)
        food = self.foods[number]
        pattern = _OF_KIND.get(word, "")
        return (
            word in _KINDS
            and food is not None
            and food.food_group in _KINDS[word]
            and bool(re.search(pattern, food.description, re.I))
        )

    def is_solid(self, number: int) -> bool:
        """Tell whether an ingredient is cooked for itself, not a fat or liquid that others cook in."""
        food = self.foods[number]
        return not self.is_liquid(number) and (food is None or food.food_group != _FATS)

    def is_liquid(self, number: int) -> bool:
        """Tell whether an ingredient is a liquid that others cook in."""
        line = self.lines[number]
        return bool(_LIQUID.search(line.food)) and line.measure not in ("tsp", "tbsp", "pinch", "dash")


def _heat_of(clause: str) -> str:
    """Give the last process that a clause tells of."""
    told = [(match.start(), process) for heat, process in _HEATS for match in heat.finditer(clause)]
    if re.search(r"\bto (?:the|a) (?:\w+ )?boil\b", clause, re.I) and not told:
        return "boiled"
    processes = [process for _, process in sorted(told)]
    return next((process for process in reversed(processes) if process not in ("cooked", "reheated")), "") or (
        processes[-1] if processes else ""
    )


@dataclass
class _Course:
    """Where the ingredients are in the course of the method, followed clause by clause."""

    named: _Named
    fates: list[_Fate]
    pot: list[int] = field(default_factory=list)  # what is cooked together
    ready: list[int] = field(default_factory=list)  # named, not yet in the pot
    own_water: bool = False

    def follow(self, clause: str) -> None:
        """Take one clause of a step."""
        told = _IDLE.sub(" ", clause)
        bare = _UNTIL.sub(" ", told)
        heat = _heat_of(bare) or ("wilted" if re.search(r"\bwilt", told) else "")
        here = self.named.in_clause(bare)
        self._look_for_water(bare, here)
        joins = bool(_JOINS.search(bare))
        if _ALL.search(bare):
            left = [n for n in range(len(self.fates)) if not self.fates[n].processes and n not in self.pot]
            here = [] if self.pot and "everything" in bare.lower() else left
        if _SERVES.search(bare) and not heat:
            return
        if _RESTS.search(bare) and here and not heat and not joins:  # done: what follows is another dish
            self.pot = [n for n in self.pot if n not in here] if set(here) <= set(self.pot) else []
            self.ready = [n for n in self.ready if n not in here]
            return
        if heat:
            self._heat(heat, here, joins)
        elif joins:
            self.pot = list(dict.fromkeys([*self.pot, *self.ready, *here]))
            self.ready = []
        else:
            self.ready = list(dict.fromkeys([*self.ready, *(n for n in here if n not in self.pot)]))
        self._drain(bare, here)

    def _look_for_water(self, clause: str, here: list[int]) -> None:
        """Tell whether the pot has water that is none of the ingredients."""
        if any(self.named.is_liquid(n) for n in here):
            self.own_water = False
        elif _OWN_WATER.search(clause) and not any(re.search(r"\bwater\b", line.food) for line in self.named.lines):
            self.own_water = True

    def _heat(self, heat: str, here: list[int], joins: bool) -> None:
        """Cook what is in the pot, with what comes to it or in its place."""
        if here and not joins and not set(here) <= set(self.pot) and any(self.named.is_solid(n) for n in here):
            self.pot = here
        else:
            self.pot = self.pot + self.ready + here
        self.ready = []
        self.pot = list(dict.fromkeys(self.pot))
        wet = any(self.named.is_liquid(n) for n in self.pot) and not self.own_water
        for number in self.pot:
            fate = self.fates[number]
            process = _cooked_how(self.named, self.pot, wet) if heat == "cooked" else heat
            fate.processes.append(process)
            fate.in_liquid = fate.in_liquid or (wet and process in _WET)

    def _drain(self, clause: str, here: list[int]) -> None:
        """Pour the liquid off what a clause drains."""
        drains = _DRAINS.search(clause)
        # who strains a sauce or soup without saying what keeps the liquid
        keeps = drains and drains[0].lower() == "strain" and any(self.named.is_liquid(n) for n in self.pot) and not here
        if drains and not keeps:
            for number in here or self.pot:
                self.fates[number].drained = True
            self.own_water = False


def _follow(named: _Named, method: Sequence[str]) -> list[_Fate]:
    """Follow every ingredient through the steps."""
    course = _Course(named, [_Fate() for _ in named.lines])
    for clause in (part for step in method for part in _CLAUSE.split(step) if part.strip()):
        course.follow(clause)
    return course.fates


def _cooked_how(named: _Named, pot: list[int], wet: bool) -> str:
    """Read a bare "cook": in a liquid, in fat, or in water of its own."""
    fat = any((food := named.foods[n]) is not None and food.food_group == _FATS for n in pot)
    if wet:
        return "simmered"
    return "sauteed" if fat else "boiled"


def _accepted(food: Food, release: FoodRelease, cook: str, liquid: float | None) -> bool:
    try:
        cook_food(food, release, cook, liquid=liquid)
    except SwaptableError:
        return False
    return True


def _fitting(food: Food, release: FoodRelease, cook: str, liquid: float | None) -> Proposal | None:
    """Find a way to write a process that can be computed for a food."""
    words = {None: "", 1.0: "kept", 0.0: "discarded"}
    tried: tuple[float | None, ...] = (liquid, None, 1.0, 0.0) if cook in _IN_LIQUID else (None, liquid, 1.0, 0.0)
    for share in dict.fromkeys(tried):
        if _accepted(food, release, cook, share):
            return Proposal(cook, words[share])
    return None


def propose_cooking(
    lines: Sequence[KitchenLine], foods: Sequence[Food | None], method: Sequence[str], release: FoodRelease
) -> list[Proposal]:
    """Propose process and fate of the liquid for each ingredient.

    Parameters
    ----------
    lines : sequence of KitchenLine
        Ingredients as read.
    foods : sequence of Food or None
        What was chosen for each; None where nothing was.
    method : sequence of str
        Steps.
    release : FoodRelease

    Returns
    -------
    list of Proposal
        In the order of the lines. Whatever is proposed is accepted by :func:`swaptable.amounts.cooking.cook_food`.
    """
    fates = _follow(_Named(lines, foods), method)
    return [_proposal(line, food, fate, release) for line, food, fate in zip(lines, foods, fates, strict=True)]


def _proposal(line: KitchenLine, food: Food | None, fate: _Fate, release: FoodRelease) -> Proposal:
    if food is None or food_class_of(food) == NO_CLASS:
        return Proposal()
    words = " ".join(line.preparation)
    if food.state == "canned" and "drained" in words and "drained" not in food.description:
        cook = "rinsed" if re.search(r"\brinsed\b", words) else "drained"
        found = _fitting(food, release, cook, None)
        if found is not None:
            return found
    cook = {"browned": "fried", "wilted": "cooked"}.get(fate.cook(), fate.cook())
    if not cook:
        return Proposal()
    if food.state in ("cooked", "canned", "ready to eat"):
        return _fitting(food, release, "reheated", None) or Proposal()
    question = ""
    liquid = 0.0 if fate.drained else 1.0
    if cook in _IN_LIQUID and not fate.drained and not fate.in_liquid:
        liquid = 0.0
        question = "is the cooking water drained off? discarded was assumed"
    elif cook not in _IN_LIQUID and not cook.startswith("boiled then"):
        question = "are the drippings or juices eaten? kept was assumed"
    for word in (cook, "heated", "cooked"):
        found = _fitting(food, release, word, liquid)
        if found is not None and word != cook:
            return replace(found, question=f"no factors for {cook}: {word} was taken")
        if found is not None:
            return replace(found, question=question if found.liquid else "")
    return Proposal(question=f"{processes_for(cook)[0]}? no factors are published that fit; leave cook out or name one")


def drained_by_method(line: KitchenLine, method: Sequence[str]) -> str:
    """Tell whether the method, not the line, pours the liquid of a canned food off.

    Parameters
    ----------
    line : KitchenLine
    method : sequence of str

    Returns
    -------
    str
        ``"drained"``, ``"drained and rinsed"`` or nothing.
    """
    heads, _ = _name_words(line.food)
    for clause in (part for step in method for part in _CLAUSE.split(step)):
        if heads & set(_words_of(clause)) and _DRAINS.search(clause) and not _heat_of(clause):
            return "drained and rinsed" if re.search(r"\brinse", " ".join(method), re.I) else "drained"
    return ""
