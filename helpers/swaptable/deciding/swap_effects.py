"""The best foods as options of the recipe, and what each does: differences, aims, what it brings to a class."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence

import numpy as np
import pandas as pd

from swaptable.amounts.certainty import Certainty
from swaptable.amounts.nutrients import WHOLE_SHARE, Amounts, compute
from swaptable.amounts.recipes import AS_WRITTEN, RESERVED, Option, Patch, Recipe
from swaptable.amounts.variants import Line, build_grid
from swaptable.basics.units import convert
from swaptable.deciding.swap_screen import Aim, Search, progress
from swaptable.deciding.swap_words import BETTER_LESS, BETTER_MORE, SWAP, WORTH_A_WORD, plain_component
from swaptable.foods.families import parts_of, short_name
from swaptable.foods.reference import Z, vitamins_and_minerals
from swaptable.foods.release import FoodRelease
from swaptable.judging.allergens import allergen_changes
from swaptable.judging.audiences import Audience
from swaptable.judging.cautions import cautions_brought, swap_concerns
from swaptable.judging.daily_values import daily_value_for, percent_daily_value
from swaptable.judging.targets import Aims, judge_servings
from swaptable.judging.verdicts import LEVEL

# Common practice, no source. Milk, eggs and honey are no flesh.
_FLESH = frozenset({
    "bacon", "ground meat", "ham & cold cuts", "molluscs", "offal", "oily fish", "poultry", "red meat", "sausages",
    "shellfish", "white fish",
})  # fmt: skip
_PERHAPS_FLESH = frozenset({"gravies", "salt & seasonings", "solid cooking fats", "stock & broths"})
_FLESH_WORDS = re.compile(
    r"\b(beef|chicken|turkey|duck|goose|pork|ham|bacon|veal|lamb|mutton|meat|fish|clam|oyster|shrimp|crab|lobster|lard|"
    r"tallow|suet)\b"
)
ALIKE = 0.01  # of a daily value in 100 g: two foods that differ by less are one to a cook (assumed)

__all__ = [
    "SODIUM",
    "already_made",
    "brought_by_swaps",
    "cautions_of_swaps",
    "computed_options",
    "effects_of_swaps",
    "home_of",
    "scores_of_swaps",
    "verdicts_changed",
    "worsened_by_swaps",
]


def home_of(recipe: Recipe, ingredient: str) -> tuple[str, bool]:
    """Name the choice of the recipe that a swap of an ingredient belongs to, and whether the recipe has it."""
    for choice, options in recipe.choices.items():
        if any(
            option.patches.get(ingredient) and option.patches[ingredient].food is not None
            for option in options.values()
        ):
            return choice, True
    name = f"{ingredient} swap" if ingredient.lower() in RESERVED else ingredient
    return name, name in recipe.choices


def already_made(recipe: Recipe, ingredient: str, code: str, release: FoodRelease, regime: str) -> str:
    """Name the option of the recipe that makes this swap already, with this food or one just like it, or nothing."""
    for choice, options in recipe.choices.items():
        for name, option in options.items():
            own = option.patches[ingredient].food if ingredient in option.patches else None
            if own is not None and (own == code or _just_alike(own, code, release, regime)):
                return f"{choice} → {name}"
    return ""


def _just_alike(one: str, other: str, release: FoodRelease, regime: str) -> bool:
    """Tell whether two foods of a family differ in 100 g by less than 1 % of each daily value."""
    codes = [release.food(code).code for code in (one, other)]
    families = parts_of(release)["family"]
    if families[codes[0]] != families[codes[1]]:
        return False
    first, second = (release.values(code) for code in codes)
    days = daily_value_for(regime)
    for tag in days.index.intersection(first.index):
        day = convert(float(days.at[tag, "value"]), str(days.at[tag, "unit"]), str(release.components.at[tag, "unit"]))
        unknown = np.isnan(first[tag]) and np.isnan(second[tag])
        if not unknown and not abs(first[tag] - second[tag]) < ALIKE * day:
            return False
    return True


def _of_an_animal(line: Line, families: pd.Series) -> bool:
    """Tell whether a food is flesh, or made with it, by its culinary family and the words of its name."""
    family = families[line.food.code]
    words = line.food.description.lower()
    return family in _FLESH or (family in _PERHAPS_FLESH and bool(_FLESH_WORDS.search(words)))


def _option_names(descriptions: Sequence[str], codes: Sequence[str], taken: Sequence[str]) -> list[str]:
    names: list[str] = []
    for description, code in zip(descriptions, codes, strict=True):
        name = short_name(description)
        names.append(name if name not in (*names, *taken, AS_WRITTEN) else f"{name} ({code.partition(':')[2]})")
    return names


def _yaml_line(option: str, ingredient: str, fields: dict[str, str]) -> str:
    """Write an option as a recipe file does; names that YAML would misread are quoted."""

    def word(text: str) -> str:
        return text if re.fullmatch(r"[A-Za-z][\w ,.()%'/-]*", text) else json.dumps(text, ensure_ascii=False)

    inside = ", ".join(
        f"{field}: {json.dumps(text, ensure_ascii=False) if field == 'food' or not text else text}"
        for field, text in fields.items()
    )
    name = word(ingredient) if "," not in ingredient else json.dumps(ingredient, ensure_ascii=False)
    return f"{word(option)}: {{{name}: {{{inside}}}}}"


def computed_options(search: Search, recipe: Recipe, best: pd.DataFrame) -> tuple[Amounts, pd.DataFrame]:
    """Put the best foods into the recipe as options of one choice and compute them; give the options as written."""
    release, ingredient = search.amounts.grid.release, search.ingredient
    taken = [option for options in recipe.choices.values() for option in options]
    names = _option_names(list(best["description"]), list(best["food"]), taken)
    options = {AS_WRITTEN: Option.model_validate(AS_WRITTEN)}
    rows = []
    for name, code in zip(names, best["food"], strict=True):
        cooking, changes, _ = search.cook(release.food(code))
        fields = {"food": code} | ({"same": search.same} if search.same != "weight" else {}) | changes
        options[name] = Option.model_validate({ingredient: Patch.model_validate(fields)})
        adapted = [f"{field} {text or 'left to the food'}" for field, text in changes.items()]
        notes = [] if cooking is None else list(cooking.notes)
        stated = ["the yield that the recipe states is kept"] if search.stated.yield_factor is not None else []
        rows.append(
            {"yaml": _yaml_line(name, ingredient, fields), "cooking": "; ".join([*adapted, *stated, *notes])},
        )
    bare = search.amounts.recipe.model_copy(update={"choices": {SWAP: options}})
    amounts = compute(build_grid(bare, release, search.amounts.grid.factors))
    return amounts, pd.DataFrame(rows, index=names, columns=["yaml", "cooking"])


SODIUM = "NA"


def effects_of_swaps(amounts: Amounts, known: Certainty, aims: Aims, regime: str) -> pd.DataFrame:
    """Compare every swap with the recipe as written, component by component, per serving."""
    grid, serving, units = amounts.grid, amounts.per("serving"), amounts.units()
    roles = dict(aims.components())
    wanted = dict.fromkeys([SODIUM, *roles, "ENERC_KCAL", *BETTER_MORE, *BETTER_LESS, *vitamins_and_minerals()])
    components = [tag for tag in wanted if tag in units.index]
    percent = percent_daily_value(amounts, regime)
    valued = set(percent["component"].to_numpy())
    options = grid.choices[SWAP]
    parts = []
    for tag in components:
        amount, error = grid.listed(serving.sel(component=tag)), grid.listed(known.difference_error.sel(component=tag))
        whole = grid.listed(amounts.is_whole([tag])) == 1
        difference = amount - amount[0]
        half = Z[LEVEL] * np.nan_to_num(error)
        value = grid.listed(percent.sel(component=tag)) if tag in valued else np.full(len(options), np.nan)
        parts.append(
            pd.DataFrame(
                {
                    "option": options, "component": tag, "role": roles.get(tag, ""), "unit": units[tag],
                    "as_written": amount[0], "amount": amount, "difference": difference, "standard_error": error,
                    "low_90": difference - half, "high_90": difference + half, "whole": whole & whole[0],
                    "real": (np.abs(difference) > half) & whole & whole[0],
                    "percent_dv_difference": value - value[0],
                }
            )
        )  # fmt: skip
    table = pd.concat(parts, ignore_index=True)
    return table[table["option"] != AS_WRITTEN].reset_index(drop=True)


def scores_of_swaps(amounts: Amounts, known: Certainty, aims: Sequence[Aim]) -> tuple[np.ndarray, np.ndarray]:
    """Give the mean progress towards the aims of each variant [%], real differences only, and how many are unknown."""
    grid, serving = amounts.grid, amounts.per("serving")
    score, unknown = np.zeros(len(grid.labels)), np.zeros(len(grid.labels), dtype=int)
    for aim in aims:
        parts = list(aim.parts)
        after = grid.listed(serving.sel(component=parts).sum("component", skipna=False))
        error = grid.listed(known.difference_error.sel(component=parts).sum("component"))
        shares = amounts.data["valued_share"].sel(component=parts).min("component")
        whole = (grid.listed(shares) > WHOLE_SHARE) & np.isfinite(after)
        whole &= whole[0]
        real = whole & (np.abs(after - after[0]) > Z[LEVEL] * error)
        score += np.where(real, progress(float(after[0]), after, aim), 0.0) / len(aims)
        unknown += ~whole
    return score, unknown


def worsened_by_swaps(effects: pd.DataFrame) -> pd.Series:
    """Name what each swap surely raises though it is to be kept down, by 5 % of a daily value or more."""
    worse = effects["real"] & (effects["role"] == "keep down") & (effects["percent_dv_difference"] >= WORTH_A_WORD)
    names = effects["component"].map(plain_component).where(worse)
    return names.groupby(effects["option"], sort=False).agg(lambda words: ", ".join(words.dropna()))


def verdicts_changed(amounts: Amounts, targets: pd.DataFrame, share_of_day: float) -> pd.DataFrame:
    """Name the components whose aim a serving meets for a group only with the swap, or only without it."""
    judged = judge_servings(amounts, targets[targets["leads"]], share_of_day)
    met = judged[judged["word"] != ""].assign(met=lambda rows: rows["word"] == "met")
    labels = amounts.grid.labels
    wide = met.pivot_table(index="variant", columns=["component", "group"], values="met", aggfunc="first")
    wide = wide.reindex(labels).astype(bool) if len(wide.columns) else pd.DataFrame(index=labels)
    rows = []
    for label in labels:
        words = []
        for changed in (wide.loc[label] & ~wide.iloc[0], ~wide.loc[label] & wide.iloc[0]):
            named = dict.fromkeys(component for component, _ in changed.index[changed])
            words.append(", ".join(plain_component(str(component)) for component in named))
        rows.append({"aims_gained": words[0], "aims_lost": words[1]})
    return pd.DataFrame(rows, index=labels)


def cautions_of_swaps(amounts: Amounts, people: Audience) -> pd.DataFrame:
    """List what each swap brings that the class is to be told of, by option."""
    found = cautions_brought(amounts, people.concerns)
    options = dict(zip(amounts.grid.labels, amounts.grid.choices[SWAP], strict=True))
    found.insert(0, "option", found.pop("variant").map(options))
    return found[found["named"].astype(bool)].drop(columns="named").reset_index(drop=True)


def brought_by_swaps(
    amounts: Amounts, ingredient: str, people: Audience, regime: str, cautions: pd.DataFrame
) -> pd.DataFrame:
    """Say what each swap brings: concerns of the class, cautions, allergens, flesh, labels to read."""
    grid, families = amounts.grid, parts_of(amounts.grid.release)["family"]
    written = [grid.line(name, grid.as_written) for name in grid.lines]
    vegetarian = not any(_of_an_animal(line, families) for line in written if line is not None)
    swapped = [grid.line(ingredient, {**grid.as_written, SWAP: name}) for name in grid.choices[SWAP][1:]]
    changes = allergen_changes(amounts, regime).set_index("option")
    names = list(amounts.grid.choices[SWAP][1:])
    named = cautions.groupby("option")["concern"].agg(lambda words: ", ".join(dict.fromkeys(words)))
    ingredients = changes["read_the_label"].str.split(", ")
    return pd.DataFrame(
        {
            "concerns_of_class": swap_concerns(amounts, people.concerns).to_numpy()[1:],
            "cautions": [named.get(name, "") for name in names],
            "adds_allergens": changes["adds"].reindex(names).to_numpy(),
            "removes_allergens": changes["removes"].reindex(names).to_numpy(),
            "no_longer_vegetarian": [
                vegetarian and line is not None and _of_an_animal(line, families) for line in swapped
            ],
            "read_the_label": [ingredient in ingredients[name] for name in names],
        },
        index=names,
    )
