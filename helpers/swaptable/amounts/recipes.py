"""Recipe files: the model, and checking it so that every error names its place.

A recipe is data only; what its words weigh and what its foods hold is found out in later modules.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from swaptable.basics.errors import SwaptableError, kind_of, listed, nearest
from swaptable.basics.file_text import LONGEST_NAME, wrong_name
from swaptable.basics.located_yaml import Place, SourceText
from swaptable.basics.model_files import FileModel, as_text, read_model, text_of, weight_of
from swaptable.basics.units import Amount, parse_amount, parse_percent

__all__ = [
    "AS_WRITTEN",
    "AmountField",
    "Ingredient",
    "Option",
    "Patch",
    "Recipe",
    "read_recipe",
    "recipe_schema",
]

AS_WRITTEN = "as written"
MOST_SALT = 360.0  # what a litre of water can dissolve, from memory
LEAST_SERVINGS, MOST_SERVINGS = 0.01, 100_000
LEAST_YIELD = 0.001  # what is left of anything boiled down; below it is a slip
MOST_YIELD = 10.0  # dried foods swell to a few times their weight; beyond this it is a slip
# The grid names its own dimensions and columns with these; a choice of the same name would hide them.
RESERVED = {
    "allowed", "amount", "amount_standard_error", "basis", "batch", "changes", "choice", "component",
    "concerns_of_class", "cooked weight", "cooked_g", "cooked_g_per_serving", "cooked_sd_g", "cost_per_serving",
    "currency", "difference", "edible_g", "effect", "energy_kcal_per_serving", "high_90", "ingredient", "known share",
    "known_share", "low_90", "mean_percent_dv_per_100kcal", "measure", "name", "not_priced",
    "nrf93_2009_per_100kcal", "nrf93_2009_real", "nrf93_2009_standard_error", "nrf93_2016_per_100kcal",
    "on_frontier", "option", "per_batch", "plate_sd", "real", "sodium_mg_per_serving", "sodium_percent_dv_ca",
    "sodium_percent_dv_us", "sodium_real", "sodium_standard_error", "sodium_whole", "sodium_word_ca",
    "sodium_word_us", "standard_error", "status", "unit", "valued_share", "variant",
}  # fmt: skip


def _amount(text: Any) -> Amount:
    return text if isinstance(text, Amount) else parse_amount(text_of(text))


def _refuse(text: Any) -> float:
    share = text if isinstance(text, float) else parse_percent(text_of(text))
    if share >= 1:
        raise SwaptableError(f"found '{text}'; expected less than 100 %")
    return share


def _yield(text: Any) -> float:
    share = text if isinstance(text, float) else parse_percent(text_of(text))
    if not LEAST_YIELD <= share <= MOST_YIELD:
        allowed = f"at least {100 * LEAST_YIELD:g} % and at most {100 * MOST_YIELD:.0f} %"
        raise SwaptableError(f"found '{text}'; expected {allowed}")
    return share


def _liquid(text: Any) -> float:
    """Read the fate of the cooking liquid as the share of it that stays in the dish."""
    if isinstance(text, float):
        return text
    words = {"kept": 1.0, "discarded": 0.0}
    text = text_of(text)
    if text in words:
        return words[text]
    allowed = "expected kept, discarded or the share kept, such as 50 %"
    try:
        share = parse_percent(text)
    except SwaptableError:
        raise SwaptableError(f"found '{text}'; {allowed}{nearest(text, words)}") from None
    if share > 1:
        raise SwaptableError(f"found '{text}'; {allowed}")
    return share


def _servings(text: Any) -> float:
    """Read how many portions there are."""
    try:
        amount = text if isinstance(text, float) else parse_amount(text_of(text))
        number = amount if isinstance(amount, float) else 0.0 if amount.measure else amount.number
    except SwaptableError:
        number = 0.0
    if not LEAST_SERVINGS <= number <= MOST_SERVINGS:
        allowed = f"a number above 0, at least {LEAST_SERVINGS:g} and at most {MOST_SERVINGS:,}"
        raise SwaptableError(f"found {kind_of(text)}; expected {allowed}")
    return number


AmountField = Annotated[Amount, BeforeValidator(_amount), as_text("1 1/2 cup chopped")]
WeightField = Annotated[float, BeforeValidator(weight_of), as_text("2.35 kg")]


def _concentration(text: Any) -> float:
    """Read the salt in the cooking water [g/l]."""
    if isinstance(text, float):
        return text
    found = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?) ?g ?/ ?l", text_of(text).strip(), re.I)
    if found is None or float(found[1]) > MOST_SALT:
        raise SwaptableError(f"found '{text}'; expected grams of salt in a litre, such as 7 g/l, at most {MOST_SALT:g}")
    return parse_amount(found[1]).number


class Patch(FileModel):
    """Fields of an ingredient that an option changes; absent fields stay as they were."""

    amount: AmountField | None = Field(
        None, description="A number and a mass, volume, household measure or piece; 0 removes."
    )
    food: str | None = Field(None, description="Food code with the release in front, such as sr28:11352.")
    weighed: Literal["edible", "as purchased"] | None = Field(
        None,
        description="Whether the amount is the edible portion (the default) or as purchased, with refuse.",
    )
    refuse: Annotated[float, BeforeValidator(_refuse), as_text("10 %")] | None = Field(
        None, description="Inedible share as purchased; without it, the food release's."
    )
    cook: str | None = Field(None, description="Cooking process, such as boiled or baked; 'not cooked' is the default.")
    liquid: Annotated[float, BeforeValidator(_liquid), as_text("kept")] | None = Field(
        None, description="Fate of the cooking liquid or drippings: kept, discarded or the share kept (50 %)."
    )
    drippings: Literal["kept", "discarded"] | None = Field(
        None,
        description="Of meat and poultry: discarded takes the published loss of fat off; kept is the default.",
    )
    salted_water: Annotated[float, BeforeValidator(_concentration), as_text("7 g/l")] | None = Field(
        None, alias="salted water", description="Salt in the cooking water of pasta, of which a published part stays."
    )
    detail: str | None = Field(None, description="Detail of the published retention row, such as 'in skin'.")
    food_class: str | None = Field(
        None, alias="food class", description="Class of retention factors, where the rule picks another."
    )
    yield_factor: Annotated[float, BeforeValidator(_yield), as_text("88 %")] | None = Field(
        None, alias="yield", description="Cooked weight over raw edible weight, if known."
    )
    same: str | None = Field(
        None,
        description="Beside a food that replaces another: what stays equal: weight (edible; the default), volume, "
        "energy or a component such as carbohydrate.",
    )


class Ingredient(Patch):
    """One ingredient of the recipe as written: an amount of a food, and what is done to it."""

    amount: AmountField
    food: str

    @classmethod
    def field_names(cls) -> list[str]:
        """Name the fields as a file writes them."""
        return [name for name in super().field_names() if name != "same"]


class Option(FileModel):
    """One way to do one choice: what it changes in which ingredient."""

    as_written: bool = False
    cooked_weight: WeightField | None = Field(None, alias="cooked weight")
    patches: dict[str, Patch] = Field(default_factory=dict)

    @model_validator(mode="before")
    @classmethod
    def _from_file(cls, found: Any) -> Any:
        if found == AS_WRITTEN:
            return {"as_written": True}
        if not isinstance(found, Mapping):
            raise SwaptableError(
                f"found {kind_of(found)}; expected 'as written' or changes as ingredient: {{field: value}}"
            )
        patches = {name: patch for name, patch in found.items() if name != "cooked weight"}
        return {"patches": patches} | {name: found[name] for name in found if name == "cooked weight"}


class Recipe(FileModel):
    """A recipe with its choices, as its file says.

    Attributes
    ----------
    title : str
    servings : float
        Portions the recipe makes, > 0. [-]
    cooked_weight : float or None
        Weighed weight of the whole dish as eaten; None if it was not weighed. [g]
    ingredients : dict of Ingredient
        By the name the recipe gives them.
    choices : dict of dict of Option
        Choice → option → what it changes. The first option is the recipe as written.
    not_together : tuple of dict
        Combinations (choice → option) that make no sense.
    method : tuple of str
        Steps.
    notes : str
        Anything else that a reader should know.
    reference_amount : float or None
        Amount of such a food that the rules for claims refer to, as eaten. [g]
    judged_as : str
        ``food``, ``main dish`` or ``meal``: whose rules for claims apply.
    source : SourceText
        Where each field stands in the file.
    """

    title: str = Field(min_length=1, max_length=LONGEST_NAME)
    servings: Annotated[float, BeforeValidator(_servings), as_text("4")]
    cooked_weight: WeightField | None = Field(None, alias="cooked weight")
    ingredients: dict[str, Ingredient] = Field(min_length=1)
    choices: dict[str, dict[str, Option]] = Field(default_factory=dict)
    not_together: tuple[dict[str, str], ...] = Field((), alias="not together")
    method: tuple[str, ...] = ()
    notes: str = ""
    reference_amount: WeightField | None = Field(
        None, alias="reference amount", description="Weight that the rules for claims refer to for such a food."
    )
    judged_as: Literal["food", "main dish", "meal"] = Field(
        "food", alias="judged as", description="Whose rules for claims apply: a food's, a main dish's or a meal's."
    )
    source: SourceText = Field(default_factory=SourceText, exclude=True)

    @classmethod
    def owner_at(cls, path: Place) -> type[FileModel]:
        """Give the model of the mapping that stands at a place of the file."""
        return {"ingredients": Ingredient, "choices": Patch}.get(str(path[0]), cls) if path else cls

    @classmethod
    def place_of(cls, location: Place) -> Place:
        """Leave out the field in which an option keeps its changes and that the file does not have."""
        inside = location[:1] == ("choices",) and location[3:4] == ("patches",)
        return location[:3] + location[4:] if inside else location

    def check(self, source: SourceText) -> None:
        """Check what takes more than one field; raise an error with its place."""
        _check_names(self, source)
        for name, ingredient in self.ingredients.items():
            if ingredient.same is not None:
                raise source.error(
                    ("ingredients", name, "same"),
                    "'same' belongs in an option that changes the food",
                    at_key=True,
                )
        for choice, options in self.choices.items():
            at = ("choices", choice)
            if choice.strip().lower() in RESERVED:
                raise source.error(at, f"'{choice}' is a word of the tables; give the choice another name", at_key=True)
            if len(options) < 2:
                raise source.error(at, "expected at least two options, the first of them 'as written'", at_key=True)
            for number, (option, changes) in enumerate(options.items()):
                if changes.as_written != (number == 0):
                    problem = "expected the first option, and no other, to be 'as written'"
                    raise source.error((*at, option), problem, at_key=True)
                if option == AS_WRITTEN and number:
                    raise source.error((*at, option), f"'{AS_WRITTEN}' names the whole recipe; rename it", at_key=True)
                if not changes.as_written and not changes.patches and changes.cooked_weight is None:
                    raise source.error((*at, option), "changes nothing; expected at least one ingredient", at_key=True)
                for name, patch in changes.patches.items():
                    _check_patch(self, (*at, option, name), patch, source)
        for number, pair in enumerate(self.not_together):
            for choice, option in pair.items():
                place: Place = ("not together", number, choice)
                if choice not in self.choices:
                    raise source.error(place, _not_among(choice, "a choice", self.choices), at_key=True)
                if option not in self.choices[choice]:
                    raise source.error(place, _not_among(option, f"an option of {choice}", self.choices[choice]))
            if len(pair) < 2:
                raise source.error(("not together", number), "expected the options of at least two choices")


def _check_names(recipe: Recipe, source: SourceText) -> None:
    """Refuse names that cannot be told apart; a sheet may hold them too."""
    ingredients: dict[str, str] = {}
    _check_group(("ingredients",), recipe.ingredients, ingredients, source)
    _check_group(("choices",), recipe.choices, {}, source)
    for choice, options in recipe.choices.items():
        _check_group(("choices", choice), options, {}, source)
        for option, changes in options.items():
            added = [name for name in changes.patches if name not in recipe.ingredients]
            if added:
                _check_group(("choices", choice, option), added, dict(ingredients), source)


def _check_group(place: Place, names: Iterable[str], looks: dict[str, str], source: SourceText) -> None:
    for name in names:
        problem = wrong_name(name, looks)
        if problem:
            raise source.error((*place, name), problem, at_key=True)


def _not_among(found: str, what: str, allowed: Iterable[str]) -> str:
    names = list(allowed)
    return f"found '{found}'; expected {what}: {listed(names, 20)}{nearest(found, names)}"


def _check_patch(recipe: Recipe, at: Place, patch: Patch, source: SourceText) -> None:
    name = str(at[-1])
    if name not in recipe.ingredients and name not in _added(recipe):
        problem = _not_among(name, "an ingredient, or food and amount for a new one", recipe.ingredients)
        raise source.error(at, problem, at_key=True)
    if patch.same is not None and (patch.food is None or patch.amount is not None):
        raise source.error((*at, "same"), "'same' needs a food and no amount beside it", at_key=True)
    if not patch.model_fields_set:
        raise source.error(at, "changes nothing; expected at least one field", at_key=True)


def _added(recipe: Recipe) -> Iterator[str]:
    for options in recipe.choices.values():
        for option in options.values():
            yield from (n for n, patch in option.patches.items() if patch.food is not None and patch.amount is not None)


def read_recipe(path: str | Path) -> Recipe:
    """Read and check a recipe file.

    Parameters
    ----------
    path : str or Path
        YAML file; the format is described in helpers/guides/files.md.

    Returns
    -------
    Recipe

    Raises
    ------
    InputError
        With file, line, column, field, the value found and what is allowed. Foods and measures are checked
        against the food release later, when the grid is built.
    """
    return read_model(Path(path), Recipe)


def recipe_schema() -> dict[str, Any]:
    """Give the JSON Schema of a recipe file, for editors that check while one types."""
    schema = Recipe.model_json_schema(by_alias=True)
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    definitions = schema["$defs"]
    definitions["Option"] = {
        "description": "as written, or what changes: ingredient: {field: value}",
        "anyOf": [
            {"const": AS_WRITTEN},
            {
                "type": "object",
                "properties": {"cooked weight": {"type": "string", "examples": ["2.35 kg"]}},
                "additionalProperties": {"$ref": "#/$defs/Patch"},
            },
        ],
    }
    definitions.pop("SourceText", None)
    schema["properties"].pop("source", None)
    definitions["Ingredient"]["properties"].pop("same")
    return schema
