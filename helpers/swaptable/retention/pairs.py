"""Raw and cooked entries of one food in a release, paired by their descriptions, and their values as evidence.

The rules are explicit: words for the state and the way of cooking are taken out of a description, small words of form
may differ, everything else (kind, cut, grade, trim, skin, breed, cultivar, enrichment, added solution) must be the
same. A value is evidence only if it was analysed in at least two samples both raw and cooked: most of the others
were themselves worked out from the published factors.
"""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from swaptable.foods.cooking_factors import food_class_of, processes_for, retention_components, retention_table
from swaptable.foods.release import FoodRelease, state_of

__all__ = ["FOOD_GROUPS", "SAME_ANALYSIS", "concentrations", "find_pairs", "heat_of", "pair_values"]

# Codes of SR for values that were measured: analytical, aggregated, manufacturer's analysis, literature.
ANALYTICAL = ("1", "6", "12", "13")
LEAST_ANALYSES = 2
# Raw and cooked are not of one lot if solids and protein disagree by more on how much the food was concentrated.
LARGEST_DISAGREEMENT = 1.15
# Same analysis under a second tag: evidence for the first is used for both.
SAME_ANALYSIS = {"FOLFD": "FOL", "VITA_IU": "VITA_RAE"}

# What the cook added or took away makes another food of it; fat or skin alone is no food that protein describes.
_OTHER_FOOD = re.compile(
    r"\b(?:with|and) (?:added )?salt\b|salted\b|salt added(?! in processing)|(?<!not )breaded|batter|glazed|seasoned"
    r"|with added sugar|with sugar|sauce|cheese|milk\b|au gratin|scalloped|chicken patty|patties, frozen|rotisserie"
    r"|separable fat|(?:external|seam) fat|skin only|^turkey, skin|^chicken, skin|, skin, without|o'brien|puffs|rings"
    r"|tofu|flour|all varieties|all commercial|composite|beef, cured"
)
_WITHOUT = re.compile(
    r"\b(?:without|no) (?:added )?(?:salt|sugar)(?: added)?|\(may have been previously frozen\)|\(includes [^)]*\)"
    r"|with water|\d\" steak|\bnot breaded|year round average|from (?:the )?whole(?: bird)?|all classes"
)
# (pattern, replacement): one spelling for what the release writes in several ways
_SPELLINGS = tuple(
    (re.compile(pattern), text)
    for pattern, text in (
        (r"broiler or fryers", "broilers or fryers"),
        (r"dark meat, (drumstick|thigh)", r"\1"),
        (r"(turkey.*(?:light|dark) meat), meat only", r"\1"),
        (r"boston butt", "boston"),
        (r"(potatoes.*), flesh(?: and skin)?", r"\1"),
        (r"(sweet potato.*), flesh", r"\1"),
        (r"peas, green, split", "peas, split"),
        (r"all styles|pre-sliced|stove-top", ""),
        (r"unenriched", "plain"),
        (r"oats, regular and quick, not fortified", "oats, regular and quick, plain"),
        (r"dry heat|moist heat|hard-boiled|in skin|without skin|as purchased|dry form", ""),
    )
)
_STATE_WORDS = frozenset({
    "raw", "uncooked", "unprepared", "unheated", "unroasted", "dry", "cooked", "boiled", "drained", "baked",
    "roasted", "braised", "broiled", "grilled", "fried", "pan", "stewed", "steamed", "simmered", "microwaved",
    "microwave", "sauteed", "stir", "prepared", "heated", "browned", "broil", "oven", "home",
})  # fmt: skip
_FORM_WORDS = frozenset({
    "fresh", "steak", "steaks", "roast", "roasts", "chop", "chops", "cutlet", "patty", "loaf", "crumbles", "pot",
    "petite", "filet", "medallion", "boneless", "bone", "in", "or", "and", "with", "mature", "seeds", "regular",
    "red", "ripe", "loin", "whole", "variety", "meats", "by", "products", "type", "types", "cubed", "minute",
    "minutes", "mixed", "species", "imported",
})  # fmt: skip
_GRADE_WORDS = frozenset({
    "choice", "select", "all", "grades", "prime", "trimmed", "fat", "separable", "lean", "only", "meat", "skin",
})  # fmt: skip

_ORGANS = re.compile(r"brain|chitterlings|heart|kidneys|lungs|pancreas|spleen|stomach|thymus|tongue|tripe|gizzard|feet")

# Cook's word by what the description says, the first that fits; the water or the drippings are poured away.
_COOKS_WORDS = tuple(
    (re.compile(pattern), word)
    for pattern, word in (
        (r"hard-boiled", "hard-boiled"),
        (r"(?:crustaceans|shrimp|crab|lobster|crayfish).*moist heat", "boiled"),
        (r"(?:mussel|clam|oyster).*moist heat", "steamed"),
        (r"crustaceans, shrimp, cooked", "boiled"),
        (r"^fish.*cooked", "baked"),
        (r"dry heat", "baked"),
        (r"moist heat", "simmered"),
        (r"french fried.*oven.heated|hash brown.*fried", "fried"),
        (r"braised", "braised"),
        (r"stewed", "stewed"),
        (r"simmered", "simmered"),
        (r"boiled", "boiled"),
        (r"steamed", "steamed"),
        (r"stir-fried", "stir-fried"),
        (r"saute", "sauteed"),
        (r"pan-?\s?broil|pan-browned|crumbles", "fried"),
        (r"fried", "fried"),
        (r"broiled|grilled", "broiled"),
        (r"roasted", "roasted"),
        (r"baked|potatoes, microwaved", "baked"),
        (r"(?:prepared|cooked) \(?(?:with|microwaved or boiling) ?water", "cooked"),
        (r"microwave|prepared", ""),
        (r"^(?:beef|veal|lamb|pork|game meat|bison|ostrich|ground turkey|chicken|turkey)\b", ""),
        (r"cooked", "boiled"),
    )
)
# Detail of the published row by what the description says.
_DETAILS = (
    ("from frozen, french-fried", r"french fried"),
    ("from frozen, hash-browned", r"hash brown"),
    ("from frozen", r"\bfrozen\b(?<!previously frozen)"),
    ("in shell", r"mussel|clam|moist heat"),
    ("ground", r"\bground\b"),
    ("in skin", r"in skin|and skin"),
    ("instant", r"\binstant\b"),
    ("roast", r"\broasts?\b"),
    ("uncoated", r"fried"),
)

# Group that results are reported by, and kind that classes borrow from one another in.
FOOD_GROUPS = {
    "beef": ("beef", "muscle meat"),
    "veal": ("lamb and veal", "muscle meat"),
    "lamb": ("lamb and veal", "muscle meat"),
    "pork": ("pork", "muscle meat"),
    "cured pork": ("pork", "muscle meat"),
    "bacon": ("pork", "muscle meat"),
    "sausage": ("pork", "muscle meat"),
    "chicken": ("poultry", "muscle meat"),
    "turkey": ("poultry", "muscle meat"),
    "liver": ("organ meats", "organ meat"),
    "organ meat": ("organ meats", "organ meat"),
    "lean fish": ("fish and shellfish", "fish"),
    "oily fish": ("fish and shellfish", "fish"),
    "shellfish": ("fish and shellfish", "shellfish"),
    "other seafood": ("fish and shellfish", "shellfish"),
    "egg": ("eggs", "eggs"),
    "legume": ("legumes", "legumes"),
    "rice": ("grains", "grains"),
    "pasta": ("grains", "grains"),
    "oatmeal": ("grains", "grains"),
    "breakfast cereal": ("grains", "grains"),
    "potato": ("vegetables", "potatoes"),
    "sweet potato": ("vegetables", "potatoes"),
    "leafy vegetable": ("vegetables", "vegetables"),
    "other vegetable": ("vegetables", "vegetables"),
    "root vegetable": ("vegetables", "vegetables"),
    "tomato": ("vegetables", "vegetables"),
    "fruit": ("fruit and nuts", "fruit"),
    "dried fruit": ("fruit and nuts", "fruit"),
    "nut": ("fruit and nuts", "nuts"),
}
_DRY = (
    "baked", "roasted", "broiled", "fried", "sauteed", "stir-fried", "broiled or fried", "fried or broiled",
)  # fmt: skip
_MOIST = (
    "boiled", "simmered", "stewed", "braised", "steamed", "poached", "cooked", "hard-boiled", "boiled or baked",
    "browned then simmered", "sauteed then simmered",
)  # fmt: skip
ANIMAL_KINDS = ("muscle meat", "organ meat", "fish", "shellfish", "eggs")


def _words(description: str) -> frozenset[str]:
    text = _WITHOUT.sub(" ", description.lower())
    for pattern, replacement in _SPELLINGS:
        text = pattern.sub(replacement, text)
    return frozenset(re.findall(r"[a-z]+|\d[\d/.]*%?", text)) - _STATE_WORDS


def _best_raw(words: frozenset[str], candidates: dict[str, frozenset[str]]) -> str | None:
    """Name the raw entry whose words differ from the cooked one's in words of form only, and in fewest of them."""
    best = None
    for code, other in candidates.items():
        differ = words ^ other
        if differ - _FORM_WORDS or {"boneless", "bone"} <= differ:
            continue
        if best is None or len(differ) < best[0]:
            best = (len(differ), code)
    return None if best is None else best[1]


def _published_row(food_class: str, description: str) -> pd.Series | None:
    word = next((word for pattern, word in _COOKS_WORDS if pattern.search(description)), "")
    if not word or food_class not in FOOD_GROUPS:
        return None
    table = retention_table()
    table = table[table["food_class"] == food_class]
    process = next((tried for tried in processes_for(word) if (table["process"] == tried).any()), None)
    if process is None or process in ("reheated", "heated"):
        return None
    rows = table[table["process"] == process]
    # rice is boiled in the water it takes up; else what is poured off is not eaten
    for liquid in ("kept", "discarded", "") if food_class == "rice" else ("discarded", "", "kept"):
        if (rows["liquid"] == liquid).any():
            rows = rows[rows["liquid"] == liquid]
            break
    for detail, pattern in _DETAILS:
        if re.search(pattern, description) and (rows["detail"] == detail).any():
            return rows[rows["detail"] == detail].iloc[0]
    return rows[rows["default"] == "yes"].iloc[0] if (rows["default"] == "yes").any() else rows.iloc[0]


def _family(food_class: str, description: str) -> str:
    """Name what is held out together: one animal (organs apart), one species of fish, one vegetable."""
    parts = [part.strip() for part in re.sub(r"\(.*?\)", "", description.lower()).split(",")]
    if parts[0] in ("fish", "crustaceans", "mollusks", "game meat", "cereals", "squash"):
        name = parts[1].split()[0] if parts[0] != "cereals" else re.sub(r".*(oat|corn|rice).*", r"\1", parts[1])
        name = "wheat" if parts[0] == "cereals" and name not in ("oat", "corn", "rice") else name
    else:
        name = parts[0]
        if FOOD_GROUPS[food_class][1] in ("muscle meat", "organ meat"):
            name = next((animal for animal in ("turkey", "chicken", "bacon") if animal in name), name.split()[0])
    organ = _ORGANS.search(description.lower()) if food_class == "organ meat" else None
    return f"{food_class}: {name}" + (f" {organ[0]}" if organ else "")


def heat_of(process: str, liquid: str) -> str:
    """Say by which of three ways the cooking takes from the food: evidence is only lent within one of them.

    Parameters
    ----------
    process, liquid : str
        As in ``retention.csv``.

    Returns
    -------
    str
        ``"dry"``, ``"moist, kept"`` (the water is eaten or taken up), ``"moist, drained"`` or ``"other"``.
    """
    if process in _DRY:
        return "dry"
    if process not in _MOIST:
        return "other"
    return "moist, kept" if liquid == "kept" or process in ("cooked", "stewed") else "moist, drained"


def find_pairs(release: FoodRelease) -> pd.DataFrame:
    """Find the raw and cooked entries of one food.

    Parameters
    ----------
    release : FoodRelease

    Returns
    -------
    DataFrame
        One row per pair, in order of the cooked code: ``raw``, ``cooked`` (codes), ``food_class``, ``group`` and
        ``kind`` (see ``FOOD_GROUPS``), ``row`` (of the published factors), ``process``, ``liquid``, ``detail``,
        ``heat``, ``family`` (one animal, one species, one vegetable) and ``food`` (one cut or cultivar, whatever its
        grade).
    """
    release.note_all_used()
    text = release.foods["description"]
    salted_both = text.str.contains("salt added in processing")
    text = text[~text.str.lower().str.contains(_OTHER_FOOD) | salted_both]
    states = text.map(state_of)
    class_of = {code: food_class_of(release.food(code)) for code in text.index[states.isin(["raw", "cooked"])]}
    raw_words: dict[tuple[str, str], dict[str, frozenset[str]]] = {}
    for code in text.index[states == "raw"]:
        key = (release.foods.at[code, "food_group"], class_of[code])
        raw_words.setdefault(key, {})[code] = _words(text[code])
    found = []
    for code in text.index[states == "cooked"]:
        raw = _best_raw(_words(text[code]), raw_words.get((release.foods.at[code, "food_group"], class_of[code]), {}))
        row = None if raw is None else _published_row(class_of[code], text[code].lower())
        if row is not None:
            found.append({"raw": raw, "cooked": code, **_labels(class_of[code], row, text[code])})
    return pd.DataFrame(found)


def _labels(food_class: str, row: pd.Series, description: str) -> dict[str, str]:
    cut = _words(description) - _GRADE_WORDS - _FORM_WORDS
    group, kind = FOOD_GROUPS[food_class]
    return {
        "food_class": food_class,
        "group": group,
        "kind": kind,
        **row[["row", "process", "liquid", "detail"]].to_dict(),
        "heat": heat_of(row["process"], row["liquid"]),
        "family": _family(food_class, description),
        "food": " ".join(sorted(word for word in cut if not word[0].isdigit())),
    }


def concentrations(raw: pd.DataFrame, cooked: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Say in two ways how much raw food 100 g of the cooked food stand for, from what cooking leaves in the food.

    Parameters
    ----------
    raw, cooked : DataFrame
        ``WATER``, ``FAT`` and ``PROCNT`` of the entries [g/100 g], same index.

    Returns
    -------
    solids, protein : Series
        Raw weight over cooked weight [-], by the ratio of non-fat solids (fat drips out, or is fried in) and by the
        ratio of protein.
    """
    solids = (100 - cooked["WATER"] - cooked["FAT"]) / (100 - raw["WATER"] - raw["FAT"])
    return solids, cooked["PROCNT"] / raw["PROCNT"]


def _of_one_study(release: FoodRelease, table: pd.DataFrame) -> pd.Series:
    """Say whether raw and cooked values share a data source, or do not both name one."""
    links = release.table("data_source_links").merge(
        release.components.reset_index()[["nutrient_number", "component"]], on="nutrient_number"
    )
    sources = links.astype({"code": str}).groupby(["code", "component"])["data_source"].agg(frozenset).to_dict()
    shared = [
        not (raw and cooked) or bool(raw & cooked)
        for raw, cooked in (
            [sources.get((code, component), frozenset()) for code in (raw, cooked)]
            for raw, cooked, component in zip(table["raw"], table["cooked"], table["component"], strict=True)
        )
    ]
    return pd.Series(shared, index=table.index)


def _measured(release: FoodRelease) -> pd.DataFrame:
    """Give the values that were analysed, with the variance of their logarithm from sampling and rounding."""
    parts = release.components.reset_index()[["nutrient_number", "component", "decimals"]]
    values = release.table("values").merge(parts, on="nutrient_number").astype({"code": str, "n": float})
    values = values[
        values["component"].isin(set(retention_components()) - set(SAME_ANALYSIS))
        & (values["n"] >= LEAST_ANALYSES)
        & values["source_code"].astype(str).isin(ANALYTICAL)
        & (values["value"] > 0)
    ]
    spread = values["standard_error"] * np.sqrt(values["n"]) / values["value"]
    usual = spread[values["n"] >= 3].groupby(values["component"]).median()
    sampling = values["component"].map(usual).fillna(usual.median()) ** 2 / values["n"]
    rounding = (0.5 / 10.0 ** values["decimals"].astype(float) / values["value"]) ** 2 / 3
    return values.assign(noise=sampling + rounding)[["code", "component", "value", "noise"]]


def pair_values(release: FoodRelease, pairs: pd.DataFrame) -> pd.DataFrame:
    """Give the values of the pairs that count as evidence.

    Parameters
    ----------
    release : FoodRelease
    pairs : DataFrame
        From :func:`find_pairs`.

    Returns
    -------
    DataFrame
        One row per pair and component that was analysed in at least two samples on both sides and has a published
        factor, if the entries can be of one lot (solids and protein agree on the concentration, and the studies,
        where both sides name theirs, overlap): the columns of the pair, ``component``, ``raw_value``,
        ``cooked_value`` [per 100 g], ``concentration`` (of non-fat solids; for animal foods the geometric mean of
        that and of protein), ``solids`` (plain solids instead), ``published`` [-], ``log_ratio`` (logarithm of
        measured over published true retention) and ``noise`` (its variance from sampling and rounding).
    """
    values = _measured(release)
    sides = [
        values.rename(columns={"code": side, "value": f"{side}_value", "noise": f"{side}_noise"})
        for side in ("raw", "cooked")
    ]
    table = pairs.merge(sides[0], on="raw").merge(sides[1], on=["cooked", "component"])
    whole = pd.DataFrame(release.matrix, index=release.foods.index, columns=release.components.index)
    raw, cooked = (whole.loc[table[side]].reset_index(drop=True) for side in ("raw", "cooked"))
    solids, protein = concentrations(raw, cooked)
    table["concentration"] = np.sqrt(solids * protein).where(table["kind"].isin(ANIMAL_KINDS), solids)
    table["solids"] = (100 - cooked["WATER"]) / (100 - raw["WATER"])
    factors = retention_table()
    table["published"] = [factors.at[row, tag] for row, tag in zip(table["row"], table["component"], strict=True)]
    kept = table["cooked_value"] / (table["raw_value"] * table["concentration"])
    table["log_ratio"] = np.log(kept / table["published"].where(table["published"] > 0))
    table["noise"] = table.pop("raw_noise") + table.pop("cooked_noise")
    agree = np.log(protein / solids).abs() <= np.log(LARGEST_DISAGREEMENT)
    table = table[agree & _of_one_study(release, table)].dropna(subset=["log_ratio"])
    # some analyses are printed under several entries
    return table.drop_duplicates(["family", "component", "raw_value", "cooked_value"]).reset_index(drop=True)
