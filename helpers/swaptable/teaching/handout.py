"""What a hand-out says: one recipe variant for one audience, in short sentences, as plain text in one language."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from swaptable.amounts.certainty import certainty_of
from swaptable.amounts.chosen import (
    chosen_variant,
    is_named_in,
    kitchen_amount,
    kitchen_number,
    parse_options,
    stated_grams,
)
from swaptable.amounts.nutrients import WHOLE_SHARE
from swaptable.amounts.variants import Line
from swaptable.basics.folders import find_file
from swaptable.basics.phrases import Phrases, Words, speak
from swaptable.basics.units import measure_named
from swaptable.foods.cooking_factors import FACTORS
from swaptable.foods.reference import Z
from swaptable.judging.allergens import allergens_of
from swaptable.judging.audiences import read_audience
from swaptable.judging.cautions import SAID_IN_FULL
from swaptable.judging.daily_values import checked_regime
from swaptable.judging.findings import plain_name
from swaptable.judging.study import GAPS, compute_recipe
from swaptable.judging.targets import find_aims
from swaptable.teaching.plain_words import Sheet, allergens_named, benefit, changes, other_concerns, sentence_of

__all__ = ["Handout", "NutritionRow", "Swap", "compose_handout"]

METRIC_VOLUMES = ("litre", "decilitre", "centilitre", "millilitre")
FOOD_SAFETY = "food safety"
TRACE_PERCENT = 0.5  # of a day
# Half-width of the 90 % interval over the amount → its word.
_SURE = {0.12: "sure.tenth", 0.30: "sure.quarter", 0.60: "sure.half", np.inf: "sure.rough"}
_OF_FOODS = ("food", "uncooked food", "allergen")
_WHY = re.compile(r"(?P<name>[^:(]+?)(?: \((?P<options>[^)]*)\))?:")


@dataclass(frozen=True)
class Swap:
    """One option that may be chosen instead, and what it changes."""

    title: Words
    changes: str


@dataclass(frozen=True)
class NutritionRow:
    """What a serving holds of one component, in words."""

    name: str
    amount: str
    share: str
    sure: str


@dataclass(frozen=True)
class Handout:
    """Everything that a hand-out prints.

    Attributes
    ----------
    language : str
    title, audience : Words
    serves : str
        How much it makes.
    version : Words
        Options on the sheet.
    benefit : str
        What the dish does, in one sentence.
    allergens : tuple of Words
    ingredients : tuple of (str, Words)
        Amount and name.
    swaps : tuple of Swap
    method : tuple of Words
        Steps.
    notes : tuple of Words
        None or one.
    nutrition : tuple of NutritionRow
    cautions : tuple of Words
    source : str
    translated : bool
        Whether every word of the recipe and the audience is in the language of the hand-out.
    """

    language: str
    title: Words
    audience: Words
    serves: str
    version: Words
    benefit: str
    allergens: tuple[Words, ...]
    ingredients: tuple[tuple[str, Words], ...]
    swaps: tuple[Swap, ...]
    method: tuple[Words, ...]
    notes: tuple[Words, ...]
    nutrition: tuple[NutritionRow, ...]
    cautions: tuple[Words, ...]
    source: str
    translated: bool


def _spoken(phrases: Phrases, text: str, *parts: Words) -> Words:
    """Mark a phrase that holds words of a file with the language that most of it is in: the words', if foreign."""
    foreign = next((part.language for part in parts if part.language != phrases.language), phrases.language)
    return Words(text, foreign)


def _weight_text(phrases: Phrases, grams: float) -> str:
    """Print a weight as a kitchen scale is read."""
    if grams >= 1000:
        return phrases.say("unit.kg", number=phrases.number(f"{grams / 1000:.2f}".rstrip("0").rstrip(".")))
    digits = f"{5 * round(grams / 5)}" if grams >= 100 else f"{grams:.0f}" if grams >= 2 else f"{grams:.1f}"
    return phrases.say("unit.g", number=phrases.number(digits.removesuffix(".0")))


def _amount_text(sheet: Sheet, ingredient: str, line: Line) -> str:
    """Print an amount in kitchen measures with its weight, or the weight alone where the recipe weighs."""
    phrases = sheet.phrases
    amount, grams = kitchen_amount(sheet.amounts.grid, ingredient, sheet.variant), stated_grams(line)
    weight, bought = _weight_text(phrases, grams), "refuse" in line.ways
    unit = measure_named(amount.measure.split()[0]) if amount is not None and amount.measure else None
    if amount is None or (unit is not None and unit.kind == "mass"):
        return phrases.say("amount.bought.alone", weight=weight) if bought else weight
    key = f"measure.{amount.measure}"
    many = f"{key}.many" if amount.number > 1 else key
    measure = phrases.say(many) if phrases.has(key) else sheet.own(amount.measure).text
    metric = unit is not None and unit.name in METRIC_VOLUMES
    number = f"{amount.number:g}" if metric else kitchen_number(amount.number)
    told = phrases.say("amount.measure", number=phrases.number(number), measure=measure).strip()
    return f"{told} {phrases.say('amount.bought' if bought else 'amount.weight', weight=weight)}"


def _food_name(sheet: Sheet, ingredient: str, line: Line) -> Words:
    """Name a food as the catalogue does, else by the recipe's own word."""
    key = f"food.{sheet.amounts.grid.release.full_code(line.food.code)}"
    return Words(sheet.phrases.say(key), sheet.phrases.language) if sheet.phrases.has(key) else sheet.own(ingredient)


def _as_the_method_says(sheet: Sheet, ingredient: str, food: Words) -> Words:
    """Put the word that the method uses for a food in front of its name, where that does not hold it."""
    called = sheet.own(ingredient)
    if is_named_in(called.text, food.text):
        return food
    return _spoken(sheet.phrases, sheet.phrases.say("ingredient.called", called=called.text, food=food.text), called)


def _swaps(sheet: Sheet) -> tuple[Swap, ...]:
    grid, say = sheet.amounts.grid, sheet.phrases.say
    swaps = []
    for choice, options in grid.choices.items():
        chosen = sheet.own(sheet.variant[choice])
        for option in options:
            if option == sheet.variant[choice]:
                continue
            variant, other = {**sheet.variant, choice: option}, sheet.own(option)
            instead = say("swap.line", title=say("swap.instead", option=other.text, chosen=chosen.text))
            title = _spoken(sheet.phrases, instead, other, chosen)
            allowed = bool(grid.allowed.sel(variant))
            swaps.append(Swap(title, changes(sheet, variant) if allowed else say("swap.not_together")))
    return tuple(swaps)


def _rounded(value: float) -> str:
    """Print two significant digits, as much as anybody can weigh out."""
    digits = 1 - int(np.floor(np.log10(value))) if value > 0 else 0
    return f"{round(value, digits):,.{max(0, digits)}f}"


def _part_of_day(sheet: Sheet, tag: str) -> str:
    """Say how much of a day's aim or limit a serving is, over the groups of the audience."""
    say = sheet.phrases.say
    rows = sheet.targets[sheet.targets["leads"] & (sheet.targets["component"] == tag)]
    if rows.empty:
        return say("table.no_share")
    role, shares = rows["role"].iloc[0], rows["percent_of_day"].dropna()
    if role == "show":  # without a concern nobody has set anything
        return say("table.care_team" if sheet.audience.concerns else "table.no_share")
    if shares.empty:
        return say("table.unpublished")
    low, high = (f"{end:.0f}" for end in (shares.min(), shares.max()))
    percent = say("table.percent", number=low) if low == high else say("table.range", low=low, high=high)
    return say("table.goal" if role == "raise" else "table.limit", percent=percent)


def _is_trace(sheet: Sheet, tag: str) -> bool:
    """Tell whether a serving holds so little that it rounds to no percent of anybody's day."""
    shares = sheet.targets.loc[sheet.targets["component"] == tag, "percent_of_day"].dropna()
    return len(shares) > 0 and float(shares.max()) < TRACE_PERCENT


def _nutrition(sheet: Sheet) -> tuple[NutritionRow, ...]:
    known, units, say = certainty_of(sheet.alone), sheet.alone.units(), sheet.phrases.say
    shares = sheet.alone.data["valued_share"]
    rows = []
    for tag in sheet.components:
        amount, error, share = (
            float(values.sel(component=tag).squeeze()) for values in (known.amount, known.error, shares)
        )
        name = say(f"row.{tag}") if sheet.phrases.has(f"row.{tag}") else sheet.name(tag)
        name, none = f"{name[:1].upper()}{name[1:]}", say("table.no_share")
        if np.isnan(amount):
            rows.append(NutritionRow(name, say("table.not_known"), none, none))
            continue
        text = say(f"unit.{units[tag]}", number=sheet.phrases.number(_rounded(amount)))
        sure = none
        if share <= WHOLE_SHARE:
            text, sure = say("table.at_least", amount=text), say("sure.gaps")
        elif amount > 0 and _is_trace(sheet, tag):
            text = say("table.trace")
        elif amount > 0:
            half = Z[0.90] * error / amount
            sure = say(next(key for most, key in _SURE.items() if half <= most))
        rows.append(NutritionRow(name, text, _part_of_day(sheet, tag), sure))
    return tuple(rows)


def _with_reason(sheet: Sheet, food: Words, reason: str) -> str:
    """Say what a food may hold; a reason that only names its kind says nothing to a cook."""
    why = reason.split("; ")[-1]
    if " may " not in why:
        return food.text
    return sheet.phrases.say("allergen.why", food=food.text, why=sheet.own(why).text)


def _allergen_lines(sheet: Sheet, foods: Mapping[str, Words]) -> tuple[Words, ...]:
    phrases = sheet.phrases
    lines = []
    for name, ingredients in allergens_named(sheet.alone, sheet.regime).items():
        named = [foods[ingredient] for ingredient in dict.fromkeys(ingredients)]
        told = phrases.listed([words.text for words in named])
        text = phrases.say("allergen.line", allergen=phrases.say(f"allergen.{name}"), foods=told)
        lines.append(_spoken(phrases, sentence_of(text), *named))
    lines = lines or [Words(phrases.say("allergen.none"), phrases.language)]
    table = allergens_of(sheet.alone, sheet.regime).set_index("ingredient")["read_the_label"]
    unread = {str(name): str(reason) for name, reason in table.items() if reason}
    if unread:
        told = phrases.listed([_with_reason(sheet, foods[name], reason) for name, reason in unread.items()])
        named = [foods[name] for name in unread]
        lines.append(_spoken(phrases, phrases.say("allergen.unsure", foods=told), *named))
    return (*lines, Words(phrases.say("allergen.label"), phrases.language))


def _named_in_why(why: str) -> list[re.Match[str]]:
    return [named for part in why.split("; ") if (named := _WHY.match(part))]


def _about(sheet: Sheet, rows: pd.DataFrame) -> dict[str, str]:
    """Say what a concern's cautions are about, as the files name it → as the sheet does."""
    about = {plain_name(str(tag)): sheet.name(str(tag)) for tag in rows["component"] if tag}
    for why in rows.loc[rows["trigger"].isin(_OF_FOODS), "why"]:
        words = [named["options"] or named["name"] for named in _named_in_why(str(why))]
        about |= {word: sheet.own(word).text for word in words}
    return about


def _names_all(text: str, things: Iterable[str]) -> bool:
    """Tell whether a text has the stem of every word: "medicines that raise" has that of "raising medicines"."""
    said = re.findall(r"[^\W_]+", text.lower())
    stems = [re.sub(r"(?<=\w{3})(?:ing|es|s)$", "", word) for word in re.findall(r"[^\W_]+", " ".join(things).lower())]
    return all(any(word.startswith(stem) for word in said) for stem in stems)


def _in_full(sheet: Sheet, foods: Mapping[str, Words]) -> list[Words]:
    """Give the cautions that are of use only whole, each with the foods that it is about."""
    rows = sheet.cautions_here[sheet.cautions_here["caution"].isin(SAID_IN_FULL)]
    lines = []
    for row in rows.itertuples():
        named, message = [foods[part["name"]] for part in _named_in_why(str(row.why))], sheet.own(str(row.message))
        told = sheet.phrases.listed([words.text for words in named])
        text = sheet.phrases.say("caution.full", foods=f"{told[:1].upper()}{told[1:]}", message=message.text)
        lines.append(_spoken(sheet.phrases, text, message, *named))
    return lines


def _caution_lines(sheet: Sheet, foods: Mapping[str, Words]) -> tuple[Words, ...]:
    """Give what is said in full, the audience's own, each other concern in one line, then food safety in full.

    A line of the audience that names a concern and all that it is about needs no second one; the line on labels stands
    with the allergens.
    """
    phrases, found = sheet.phrases, sheet.cautions[sheet.cautions["named"]]
    own = [sheet.own(text) for text in sheet.audience.cautions]
    label = phrases.say("allergen.label")
    lines = [*_in_full(sheet, foods), *(words for words in own if words.text != label)]
    safety, whole = (
        found["kind"] == FOOD_SAFETY,
        found["caution"].isin(SAID_IN_FULL.intersection(sheet.cautions_here["caution"])),
    )
    for (concern, who), rows in found[~safety & ~whole].groupby(["concern", "defer_to"], sort=False):
        name, asked, about = sheet.own(str(concern)), sheet.own(str(who)), _about(sheet, rows)
        if any(_names_all(text, [str(concern), *about]) for text in sheet.audience.cautions):
            continue
        key = "caution.ask.about" if about else "caution.ask"
        text = phrases.say(key, concern=name.text, who=asked.text, about=phrases.listed(list(about.values())))
        lines.append(_spoken(phrases, text, name, asked))
    others = [sheet.own(word) for word in other_concerns(sheet)]
    if others:
        text = phrases.say("caution.others", names=phrases.listed([words.text for words in others]))
        lines.append(_spoken(phrases, text, *others))
    return (*lines, *(sheet.own(str(message)) for message in found.loc[safety, "message"]))


def _source(sheet: Sheet) -> str:
    manifest = sheet.amounts.grid.release.manifest
    corrected = "" if sheet.amounts.grid.factors == FACTORS[0] else sheet.phrases.say("frame.corrected")
    date = sheet.own(str(manifest["released"])).text
    return sheet.phrases.say("frame.source", release=str(manifest["name"]).upper(), date=date, corrected=corrected)


def compose_handout(
    recipe: str | Path,
    audience: str | Path,
    *,
    options: Mapping[str, str] | Sequence[str] = (),
    language: str = "en",
    regime: str = "US",
    release: str | Path = "current",
    factors: str = FACTORS[0],
    gaps: str = GAPS[0],
) -> Handout:
    """Write the text of a hand-out.

    Parameters
    ----------
    recipe, audience : str or Path
        Files, or names of files in ``data/recipes/`` and ``data/audiences/``.
    options : mapping or sequence of str, optional
        Choice → option, or ``choice=option``, of the variant on the sheet; else the recipe as written.
    language : str, optional
        ``"en"`` or ``"fr"``. Words of the files are translated where the catalogue has them.
    regime : str, optional
        ``"US"`` or ``"CA"``: whose allergens and daily values.
    release, factors, gaps : optional
        As for :func:`swaptable.judging.study.compute_recipe`.

    Returns
    -------
    Handout

    Raises
    ------
    InputError, SwaptableError
        If a file or parameter cannot be used.

    Examples
    --------
    >>> sheet = compose_handout("oat_pancakes", "blood_pressure", language="fr")
    >>> sheet.title.text, sheet.serves
    ('Crêpes d’avoine au yogourt', 'Donne 4 portions')
    """
    checked_regime(regime)
    phrases = speak(language)
    amounts = compute_recipe(recipe, release, factors, gaps)
    people = read_audience(find_file(audience, "audiences", ".yaml"))
    aims = find_aims(people, amounts.units())
    variant = chosen_variant(amounts.grid, parse_options(options))
    sheet = Sheet(amounts, variant, people, aims, regime, phrases)
    grid, servings, notes = amounts.grid, amounts.recipe.servings, amounts.recipe.notes
    lines = {name: line for name in grid.lines if (line := grid.line(name, variant)) is not None}
    foods = {name: _food_name(sheet, name, line) for name, line in lines.items()}
    chosen = [sheet.own(option) for option in variant.values()]
    say = phrases.say
    version = say("frame.version", options=say("list.parts").join(words.text for words in chosen))
    title, method = sheet.own(amounts.recipe.title), tuple(map(sheet.own, amounts.recipe.method))
    serves = "frame.serves.one" if servings == 1 else "frame.serves"
    swaps, cautions = _swaps(sheet), _caution_lines(sheet, foods)
    noted = (sheet.own(notes),) if notes else ()
    told = (title, *method, *noted, *foods.values(), *cautions, *(swap.title for swap in swaps))
    return Handout(
        language=language,
        title=title,
        audience=sheet.own(people.title),
        serves=phrases.say(serves, number=phrases.number(f"{servings:g}")),
        version=_spoken(phrases, version if chosen else "", *chosen),
        benefit=benefit(sheet),
        allergens=_allergen_lines(sheet, foods),
        ingredients=tuple(
            (_amount_text(sheet, name, line), _as_the_method_says(sheet, name, foods[name]))
            for name, line in lines.items()
        ),
        swaps=swaps,
        method=method,
        notes=noted,
        nutrition=_nutrition(sheet),
        cautions=cautions,
        source=_source(sheet),
        translated=all(words.language == language for words in told),
    )
