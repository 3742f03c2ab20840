"""One ingredient under one combination of options: an option is a patch, and what is patched is weighed and cooked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from swaptable.amounts.cooking import COOKING_WORDS, Cooking, cook_food
from swaptable.amounts.recipes import Patch, Recipe
from swaptable.amounts.weights import Weight, density_of, weigh
from swaptable.basics.errors import InputError, SwaptableError, nearest
from swaptable.basics.units import Amount, measure_named
from swaptable.foods.reference import component_named
from swaptable.foods.release import Food, FoodRelease

__all__ = ["Line", "LineBuilder", "Options", "swapped_grams"]

Options = tuple[tuple[str, str], ...]  # (choice, option) pairs, in the order of the recipe's choices


@dataclass(frozen=True, eq=False)
class Line:
    """One ingredient under one combination of its own choices.

    Attributes
    ----------
    ingredient : str
        Name in the recipe.
    food : Food
    edible_g : float
        Raw edible weight per batch. [g]
    purchased_g : float
        Weight as purchased; NaN where the refuse is not known. [g]
    weight_origin, weight_evidence : str
        Where the weight came from, and ``measured``, ``calculated`` or ``assumed``.
    refuse : float
        Inedible share as purchased; NaN if not known. [-]
    cooking : Cooking
    ways : tuple of str
        How it was measured, as in ``kitchen_errors.csv``; ``refuse`` where refuse was taken off.
    """

    ingredient: str
    food: Food
    edible_g: float
    purchased_g: float
    weight_origin: str
    weight_evidence: str
    refuse: float
    cooking: Cooking
    ways: tuple[str, ...]


@dataclass(frozen=True)
class _Fields:
    """The fields of an ingredient after patching, and which part of the file each came from."""

    values: dict[str, object]
    places: dict[str, tuple[str | int, ...]]


def _patched(recipe: Recipe, ingredient: str, options: Options) -> tuple[_Fields, tuple[str, str] | None]:
    """Apply the patches of all options; leave out a swap, which needs the weight of what it replaces."""
    values: dict[str, object] = {}
    places: dict[str, tuple[str | int, ...]] = {}
    written = recipe.ingredients.get(ingredient)
    if written is not None:
        for name in written.model_fields_set:
            values[name], places[name] = getattr(written, name), ("ingredients", ingredient, _alias(name))
    by_option: dict[str, tuple[str, str]] = {}
    swap = None
    for choice, option in options:
        patch = recipe.choices[choice][option].patches.get(ingredient)
        if patch is None:
            continue
        at: tuple[str | int, ...] = ("choices", choice, option, ingredient)
        for name in patch.model_fields_set:
            if name in by_option:
                other = " → ".join(by_option[name])
                raise recipe.source.error(
                    (*at, _alias(name)),
                    f"'{choice} → {option}' and '{other}' both set {_alias(name)} of {ingredient}; "
                    "change one of them or list the two under 'not together'",
                )
            by_option[name] = (choice, option)
        if patch.food is not None and patch.amount is None:
            swap = (choice, option)
        for name in patch.model_fields_set:
            if swap != (choice, option) or name not in ("food", "same"):
                values[name], places[name] = getattr(patch, name), (*at, _alias(name))
    return _Fields(values, places), swap


def _alias(name: str) -> str:
    return Patch.model_fields[name].alias or name


def _located(recipe: Recipe, fields: _Fields, field: str, error: SwaptableError) -> InputError:
    return recipe.source.error(fields.places.get(field, ("ingredients",)), str(error))


def _weigh(recipe: Recipe, fields: _Fields, food: Food) -> tuple[float, Weight, float]:
    """Find the edible weight of a patched ingredient, how it was weighed, and its refuse."""
    refuse = fields.values.get("refuse")
    share = food.refuse_percent / 100 if refuse is None else float(refuse)  # type: ignore[arg-type]
    try:
        weight = weigh(fields.values["amount"], food)  # type: ignore[arg-type]
    except SwaptableError as error:
        raise _located(recipe, fields, "amount", error) from None
    if fields.values.get("weighed") != "as purchased":
        return weight.grams, weight, share
    if np.isnan(share):
        problem = f"no refuse is known for '{food.description}'; state refuse, such as 10 %, or weigh the edible part"
        raise _located(recipe, fields, "weighed", SwaptableError(problem))
    origin = f"{weight.origin}, as purchased less {100 * share:.3g} % refuse"
    return weight.grams * (1 - share), replace(weight, origin=origin), share


def swapped_grams(
    release: FoodRelease, amount: Amount, weighed: str | None, old: Food, new: Food, grams: float, same: str
) -> tuple[float, str]:
    """Weigh the food that replaces another so that what the option says stays equal.

    Parameters
    ----------
    release : FoodRelease
        Where both are from.
    amount : Amount
        Of the food that is replaced, as the recipe states it.
    weighed : str or None
        Whether that is ``"edible"`` (None as well) or ``"as purchased"``.
    old, new : Food
    grams : float
        Edible weight of the old food. [g]
    same : str
        ``"weight"``, ``"volume"``, ``"energy"`` or a component.

    Returns
    -------
    grams : float
        Edible weight of the new food. [g]
    origin : str

    Raises
    ------
    SwaptableError
        If a food has no density, or nothing of what is to stay equal.
    """
    if same == "weight":
        return grams, f"same edible weight as {old.description}"
    if same == "volume":
        tokens = amount.measure.split()
        unit = measure_named(tokens[0]) if tokens else None
        if unit is not None and unit.kind == "volume" and weighed != "as purchased":
            weight = weigh(amount, new)
            return weight.grams, f"same volume as {old.description}; {weight.origin}"
        volume = grams / density_of(old)[0]
        density, origin, _ = density_of(new)
        return volume * density, f"same volume as {old.description}; {origin}"
    try:
        component = component_named(same, release.components.index)
    except SwaptableError:
        words = ("weight", "volume", "energy")
        problem = f"found '{same}'; expected {', '.join(words)} or a component such as carbohydrate or CA"
        raise SwaptableError(problem + nearest(same, words)) from None
    values = [float(release.values(food.code)[component]) for food in (old, new)]
    for food, value in zip((old, new), values, strict=True):
        if np.isnan(value) or value <= 0:
            state = "has no value" if np.isnan(value) else "has none"
            raise SwaptableError(f"found '{same}', of which '{food.description}' {state}; keep another component equal")
    return grams * values[0] / values[1], f"same {same} as {old.description}"


@dataclass(frozen=True)
class LineBuilder:
    """Builds the lines of a recipe, from one release by one set of factors."""

    recipe: Recipe
    release: FoodRelease
    factors: str

    def food(self, fields: _Fields, code: str, place: tuple[str | int, ...]) -> Food:
        """Look a food up; what is wrong is told with its place."""
        try:
            return self.release.food(code)
        except SwaptableError as error:
            raise self.recipe.source.error(place, str(error)) from None

    def line(self, ingredient: str, options: Options) -> Line | None:
        """Build one line, or None where the ingredient is not in the dish."""
        recipe = self.recipe
        fields, swap = _patched(recipe, ingredient, options)
        if not fields.values and swap is None:
            return None
        if "food" not in fields.values or "amount" not in fields.values:
            names = ", ".join(f"{choice} → {option}" for choice, option in options)
            place = ("choices", *swap, ingredient) if swap else next(iter(fields.places.values()))[:4]
            problem = f"changes '{ingredient}', which is not in the dish with {names}; give food and amount"
            raise recipe.source.error(place, f"{problem}, or exclude the combination under 'not together'")
        food = self.food(fields, str(fields.values["food"]), fields.places["food"])
        grams, weight, refuse = _weigh(recipe, fields, food)
        origin = weight.origin
        ways = (weight.way, "refuse") if fields.values.get("weighed") == "as purchased" else (weight.way,)
        if swap is not None:
            food, grams, origin, refuse = self._swap(ingredient, fields, swap, food, grams)
        if grams == 0:
            return None
        cooking = self._cook(fields, food)
        return Line(ingredient, food, grams, grams / (1 - refuse), origin, weight.evidence, refuse, cooking, ways)

    def _swap(
        self, ingredient: str, fields: _Fields, swap: tuple[str, str], old: Food, grams: float
    ) -> tuple[Food, float, str, float]:
        choice, option = swap
        patch = self.recipe.choices[choice][option].patches[ingredient]
        at = ("choices", choice, option, ingredient)
        new = self.food(fields, str(patch.food), (*at, "food"))
        try:
            amount, weighed = fields.values["amount"], fields.values.get("weighed")
            grams, origin = swapped_grams(self.release, amount, weighed, old, new, grams, patch.same or "weight")  # type: ignore[arg-type]
        except SwaptableError as error:
            place = (*at, "same") if patch.same else (*at, "food")
            raise self.recipe.source.error(place, str(error)) from None
        stated = fields.values.get("refuse")
        refuse = new.refuse_percent / 100 if stated is None else float(stated)  # type: ignore[arg-type]
        return new, grams, origin, refuse

    def _cook(self, fields: _Fields, food: Food) -> Cooking:
        stated = {name: fields.values.get(name) for name in COOKING_WORDS}
        if fields.values.get("cook") is None:
            self._refuse_idle_words(fields, stated)
        try:
            return cook_food(food, self.release, fields.values.get("cook"), factors=self.factors, **stated)  # type: ignore[arg-type]
        except SwaptableError as error:
            field = error.about if error.about in fields.places else "cook"
            raise _located(self.recipe, fields, field, error) from None

    def _refuse_idle_words(self, fields: _Fields, stated: Mapping[str, object]) -> None:
        """Refuse words about cooking where nothing is cooked, since they would change nothing."""
        for name in COOKING_WORDS:
            if name != "yield_factor" and stated[name] not in (None, ""):
                value = {1.0: "kept", 0.0: "discarded"}.get(stated[name], stated[name])  # type: ignore[call-overload]
                problem = f"found '{value}', but nothing is cooked; say cook as well, or leave {_alias(name)} out"
                raise _located(self.recipe, fields, name, SwaptableError(problem))
