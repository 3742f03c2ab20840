"""Audience files and plans of a day: the models, and checking them so that every error names its place.

Words that the reference tables decide, such as groups and components, are checked in later modules.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from swaptable.amounts.recipes import LEAST_SERVINGS, MOST_SERVINGS, AmountField
from swaptable.basics.errors import SwaptableError, kind_of
from swaptable.basics.file_text import LONGEST_NAME
from swaptable.basics.located_yaml import Place, SourceText
from swaptable.basics.model_files import FileModel, as_text, read_model, text_of
from swaptable.basics.units import Amount, parse_amount, parse_percent

__all__ = ["Audience", "DayPlan", "Limit", "PlannedFood", "PlannedRecipe", "Supplement", "read_audience", "read_day"]

MEAL_SHARE = 1 / 3  # of the day: common practice, no source


def _share(text: Any) -> float:
    """Read a part of the day, as a fraction or in percent."""
    if isinstance(text, float):
        return text
    words = text_of(text)
    try:
        amount = parse_amount(f"{100 * parse_percent(words):.12g}") if "%" in words else parse_amount(words)
        share = amount.number / 100 if "%" in words else amount.number
        if 0 < share <= 1 and not amount.measure:
            return share
    except SwaptableError:
        pass
    raise SwaptableError(f"found '{words}'; expected a part of the day, such as 1/3 or 30 %")


def _number(text: Any) -> float:
    """Read a number above 0, also a fraction."""
    if isinstance(text, float):
        return text
    try:
        amount = parse_amount(text_of(text))
    except SwaptableError:
        raise SwaptableError(f"found {kind_of(text)}; expected a number above 0, such as 1 or 1/2") from None
    if not LEAST_SERVINGS <= amount.number <= MOST_SERVINGS or amount.measure:
        raise SwaptableError(f"found {kind_of(text)}; expected a number above 0, such as 1 or 1/2")
    return amount.number


def _dose(text: Any) -> Amount:
    """Read an amount of a component."""
    if isinstance(text, Amount):
        return text
    try:
        amount = parse_amount(text_of(text))
    except SwaptableError:
        raise SwaptableError(f"found {kind_of(text)}; expected a number and a unit, such as 2000 mg or 2.5 g") from None
    if amount.number <= 0:
        raise SwaptableError(f"found {kind_of(text)}; expected an amount above 0")
    return amount


Dose = Annotated[Amount, BeforeValidator(_dose), as_text("2000 mg")]
Sentence = Annotated[str, Field(min_length=1)]


class Limit(FileModel):
    """What somebody in charge limits for this audience; never set by the program."""

    component: str
    at_most: Dose = Field(alias="at most", description="A day's amount, such as 2000 mg.")
    source: str = Field(min_length=1, description="Who sets it, and where it is published.")

    @classmethod
    def field_names(cls) -> list[str]:
        """Name the fields as a file writes them."""
        return ["component", "at most", "source"]


class Audience(FileModel):
    """For whom the class is, as its file says.

    Attributes
    ----------
    title, about : str
        Such as "Adults who watch their blood pressure".
    groups : tuple of str
        Life-stage groups of the dietary reference intakes, such as "women 51 to 70"; each is judged.
    raise_components, limit_components, show_components : tuple of str
        Components to get more of, to keep down, and to show without a judgement of ours.
    share_of_day : float
        What part of a day's target a serving should supply. [-]
    limits : tuple of Limit
    concerns : tuple of str
        Conditions and medicines that the class is about, whose cautions come first.
    cautions : tuple of str
        What a teacher must not leave out.
    source : SourceText
    """

    title: str = Field(min_length=1, max_length=LONGEST_NAME)
    about: str = ""
    groups: tuple[str, ...] = ()
    raise_components: tuple[str, ...] = Field((), alias="raise")
    limit_components: tuple[str, ...] = Field((), alias="keep down")
    show_components: tuple[str, ...] = Field((), alias="show")
    share_of_day: Annotated[float, BeforeValidator(_share), as_text("1/3")] = Field(MEAL_SHARE, alias="share of day")
    limits: tuple[Limit, ...] = ()
    concerns: tuple[str, ...] = ()
    cautions: tuple[Sentence, ...] = Field(min_length=1)
    source: SourceText = Field(default_factory=SourceText, exclude=True)

    @classmethod
    def owner_at(cls, path: Place) -> type[FileModel]:
        """Give the model of the mapping that stands at a place of the file."""
        return Limit if path[:1] == ("limits",) else cls

    def check(self, source: SourceText) -> None:
        """Check that there is something to look at."""
        if not (self.raise_components or self.limit_components or self.show_components):
            raise source.error((), "names no component; expected a list under raise, keep down or show")


class PlannedRecipe(FileModel):
    """Servings of a recipe in a day, of the variant named by its options."""

    recipe: str
    servings: Annotated[float, BeforeValidator(_number), as_text("1 1/2")] = 1.0
    options: dict[str, str] = Field(default_factory=dict, alias="with")


class PlannedFood(FileModel):
    """A food eaten as it stands in the food release."""

    food: str
    amount: AmountField


class Supplement(FileModel):
    """What a person says she takes in a day; stated, never advised."""

    component: str
    amount: Dose


class DayPlan(FileModel):
    """What one person eats and takes in a day, as its file says.

    Attributes
    ----------
    title : str
    group : str
        Life-stage group of the person, such as "women 51 to 70".
    servings : tuple of PlannedRecipe
    foods : tuple of PlannedFood
    supplements : tuple of Supplement
    source : SourceText
    """

    title: str = Field(min_length=1, max_length=LONGEST_NAME)
    group: str
    servings: tuple[PlannedRecipe, ...] = Field(min_length=1)
    foods: tuple[PlannedFood, ...] = ()
    supplements: tuple[Supplement, ...] = ()
    source: SourceText = Field(default_factory=SourceText, exclude=True)

    @classmethod
    def owner_at(cls, path: Place) -> type[FileModel]:
        """Give the model of the mapping that stands at a place of the file."""
        parts: dict[str, type[FileModel]] = {
            "servings": PlannedRecipe,
            "foods": PlannedFood,
            "supplements": Supplement,
        }
        return parts.get(str(path[0]), cls) if path else cls


def read_audience(path: str | Path) -> Audience:
    """Read and check an audience file.

    Parameters
    ----------
    path : str or Path
        YAML file; the format is described in helpers/guides/files.md.

    Returns
    -------
    Audience

    Raises
    ------
    InputError
        With file, line, column, field, the value found and what is allowed.
    """
    return read_model(Path(path), Audience)


def read_day(path: str | Path) -> DayPlan:
    """Read and check the plan of a day.

    Parameters
    ----------
    path : str or Path
        YAML file; the format is described in helpers/guides/files.md.

    Returns
    -------
    DayPlan

    Raises
    ------
    InputError
        With file, line, column, field, the value found and what is allowed.
    """
    return read_model(Path(path), DayPlan)
