"""What part a food plays in a dish: its culinary family, the role of that family, and a short name.

A family is found by the words of the food's name (``data/reference/culinary_families.csv``). Branded foods, baby
foods, dishes and what nobody cooks with have none.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import lru_cache

import pandas as pd

from swaptable.foods.reference import culinary_families
from swaptable.foods.release import FoodRelease
from swaptable.foods.words import read_description

__all__ = ["NO_FAMILY", "food_kind", "parts_of", "short_name"]

NO_FAMILY = ""
# Baby foods, fast foods, meals, snacks, foods of one people that no shop sells, and restaurant foods.
_NOT_INGREDIENTS = frozenset({"0300", "2100", "2200", "2500", "3500", "3600"})
# How many fields of a description tell one kind from another: "Beef, chuck, arm pot roast ..."
_FIELDS_OF_A_KIND = {"0500": 3, "1000": 3, "1300": 2, "1500": 3, "1700": 3, "0100": 3}
_IDLE = re.compile(
    r"^(raw|unprepared|uncooked|mature seeds?|all types|mixed species|all varieties|year round average|spices|fish|"
    r"soup|beverages|nuts|seeds|crustaceans|mollusks|as purchased|fresh|fluid|leavening agents|alcoholic "
    r"beverage|with added vitamin.*|salad or cooking|drained solids.*|solids and liquids?.*|total can contents|generic|"
    r"(dry|moist) heat|ready[ -]to[ -]serve|without salt added|prepared with (calcium|magnesium|nigari).*)$"
)
_ASIDE = re.compile(r"\s*\([^)]*\)?")
MOST_FIELDS = 4  # of a short name


@lru_cache(maxsize=1)
def _rules() -> dict[str, list[tuple[re.Pattern[str], re.Pattern[str] | None, str, str]]]:
    """Compile the rules, sorted by the food group they are for; one for every group stands in each."""
    table = culinary_families()
    groups = {group for cell in table["food_group"] for group in cell.split("|")}
    rules: dict[str, list[tuple[re.Pattern[str], re.Pattern[str] | None, str, str]]] = {group: [] for group in groups}
    for row in table.itertuples():
        unless = re.compile(row.except_pattern) if row.except_pattern else None
        rule = (re.compile(row.pattern), unless, str(row.family), str(row.role))
        for group in groups if not row.food_group else row.food_group.split("|"):
            rules[group].append(rule)
    return rules


def _part_of(group: str, description: str) -> tuple[str, str]:
    if group in _NOT_INGREDIENTS:
        return NO_FAMILY, ""
    words = description.lower()
    for pattern, unless, family, role in _rules().get(group, _rules()[""]):
        if pattern.search(words) and not (unless and unless.search(words)):
            return (family, role) if role else (NO_FAMILY, "")
    return NO_FAMILY, ""


@lru_cache(maxsize=4)
def parts_of(release: FoodRelease) -> pd.DataFrame:
    """Find the part that every food of a release plays.

    Parameters
    ----------
    release : FoodRelease

    Returns
    -------
    DataFrame
        By food code, in the order of ``release.foods``: ``family`` and ``role``, empty where the food is no
        ingredient of a kitchen or is branded.
    """
    foods = release.foods
    makers = foods["manufacturer"].fillna("") if "manufacturer" in foods else pd.Series("", index=foods.index)

    def found() -> Iterator[tuple[str, str]]:
        for group, description, maker in zip(foods["food_group"], foods["description"], makers, strict=True):
            part = (NO_FAMILY, "") if maker else _part_of(str(group), str(description))
            yield (NO_FAMILY, "") if part[0] and read_description(str(description)).branded else part

    return pd.DataFrame(list(found()), index=foods.index, columns=["family", "role"])


def food_kind(group: str, description: str) -> str:
    """Give the words that foods of one kind share, such as two packs of one fish.

    Examples
    --------
    >>> food_kind("1500", "Fish, salmon, pink, canned, total can contents"), food_kind("1100", "Taro, raw")
    ('fish, salmon, pink', 'taro')
    """
    fields = [field.strip() for field in _ASIDE.sub("", description.lower()).split(",")]
    kept = fields[: _FIELDS_OF_A_KIND.get(group, 2)]
    return ", ".join(field for field in kept if field not in ("raw", "dry", "uncooked", "unprepared"))


def short_name(description: str) -> str:
    """Shorten a description to what a cook calls the food, to name an option by.

    Examples
    --------
    >>> short_name("Sweet potato, raw, unprepared (Includes foods for a programme)")
    'sweet potato'
    >>> short_name("Fish, salmon, pink, raw"), short_name("Spices, thyme, dried")
    ('salmon, pink', 'thyme, dried')
    """
    fields = [field.strip() for field in _ASIDE.sub("", description).split(",")]
    kept = [field for field in fields if field and not _IDLE.match(field.lower())]
    name = ", ".join((kept or fields)[:MOST_FIELDS])
    return name[:1].lower() + name[1:]
