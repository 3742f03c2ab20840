"""Words for the state of a food (raw, canned, without salt ...), field by field, and what a wrong one costs."""

from __future__ import annotations

import re

import numpy as np

__all__ = ["CODES", "FIELDS", "LOSSES", "NOTHING", "STATE", "UNASKED", "read_state"]

# What a description or a query may say of the state, field by field; within a field the first pattern that fits at a
# place decides. Patterns see small letters without hyphens.
FIELDS: dict[str, dict[str, str]] = {
    "salt": {
        "low sodium": r"(?:(?:low|lower|reduced|less|light) )+(?:in )?(?:sodium|salt)|lightly salted|half salt",
        "without salt": r"(?:no|without|not|zero)(?: any)?(?: added)? (?:salt|sodium)(?: added)?|"
        r"salt not added(?: in processing)?|unsalted|(?:salt|sodium) free",
        "with salt": r"(?:with|and)(?: added)? salt(?: added)?|salt added(?: in processing)?|salted",
    },
    "skin": {
        "in skin": r"(?:cooked )?in (?:the |their |its )?(?:skins?|jackets?)",
        "without skin": r"(?:without|no|minus) (?:the )?(?:skins?|peel)|(?:skin|peel)s? (?:off|removed)|skinless|"
        r"skinned|meat only|flesh(?: only)?(?! and skin)",
        "peeled": r"(?<!un)peeled|pared",
        "with skin": r"with (?:the )?(?:skins?|peel)|(?:flesh |meat |fish )?and skin|skins? on|unpeeled|includes skin",
        "skin only": r"skins?(?: only)?",
    },
    "fat": {
        "low fat": r"low(?:er)? ?fat|\d\d% fat free|1%(?: (?:milk ?)?fat)?",
        "nonfat": r"non ?fat|fat free|without fat|0% fat|(?<!semi )(?<!part )skim(?:med)?",
        "reduced fat": r"reduced fat|(?:semi|part) skim(?:med)?|2%(?: (?:milk ?)?fat)?|(?<!and )half fat|less fat",
        "light": r"light(?! (?:meat|syrup|brown|whipping|red))|lite|(?:reduced|low|lower) calorie",
        "full fat": r"full (?:fat|cream)|whole fat|whole(?= milk)|3\.25%(?: (?:milk ?)?fat)?",
    },
    "fortified": {
        "not fortified": r"(?:un|not )enriched|(?:un|not )fortified|without added (?:vitamin|calcium|ascorbic)[^,]*",
        "enriched": r"enriched",
        "fortified": r"(?:(?:vitamin|calcium|protein|mineral)(?: d| and mineral)? )?fortified(?: with [^,]*)?|"
        r"with added (?:vitamin|calcium|ascorbic|iron|nutrient)[^,]*",
    },
    "sugar": {
        "unsweetened": r"unsweetened|not sweetened|(?:no|without)(?: added)? sugar(?: added)?|sugar free",
        "sweetened": r"sweetened|with(?: added)? sugar|sugared",
    },
    "packed": {
        "in heavy syrup": r"(?:in )?(?:extra )?heavy syrup(?: pack)?",
        "in light syrup": r"(?:in )?(?:extra )?light syrup(?: pack)?",
        "in syrup": r"in syrup|syrup pack",
        "in juice": r"juice pack(?:ed)?|(?:packed )?in (?:its own |own |natural |fruit |tomato )?juice",
        "in water": r"water pack(?:ed)?|(?:packed )?in (?:spring |salt )?(?:water|brine)",
        "in oil": r"(?:packed )?in (?:olive |sunflower |vegetable |soybean )?oil",
        "in tomato sauce": r"in tomato sauce",
    },
    "liquid": {
        "rinsed": r"(?:drained (?:solids? )?(?:and )?)?rinsed(?: (?:in|with) tap water)?|(?:and )?rinsed",
        "with liquid": r"solids? and liquids?|total can contents|undrained|with (?:its |the )?liquid",
        "drained": r"drained(?: solids?)?",
    },
    "kept": {
        "canned": r"canned|tinned|tins?(?: of)?|cans?(?: of)?|jarred|bottled",
        "frozen": r"(?:from )?frozen(?! concentrate)",
        "dried": r"(?:freeze |sun )?dried|dehydrated|dry(?! (?:roast|heat|mix))",
    },
    "cured": {"smoked": r"smoked", "kippered": r"kippered", "pickled": r"pickled"},
    "cooked": {
        "raw": r"raw|fresh|uncooked|unprepared|unheated|unroasted|unbaked|as purchased|as packaged|dry form|not cooked",
        "boiled": r"(?:hard |soft )?boiled|boiling",
        "steamed": r"steamed",
        "simmered": r"simmered|moist heat",
        "poached": r"poached",
        "microwaved": r"microwaved?",
        "stewed": r"stewed",
        "braised": r"(?:pot )?braised|casseroled",
        "dry roasted": r"dry roast(?:ed)?",
        "oil roasted": r"oil roast(?:ed)?",
        "roasted": r"roast(?:ed)?(?! beef)|rotisserie",
        "baked": r"baked|dry heat|oven (?:baked|heated|cooked)",
        "broiled": r"(?<!pan )broiled",
        "grilled": r"grilled|barbecued|chargrilled",
        "stir-fried": r"stir fried",
        "sauteed": r"sauteed",
        "fried": r"(?:deep |pan |shallow )?fried|pan (?:browned|broiled|broil)|browned",
        "toasted": r"toasted",
        "scrambled": r"scrambled",
        "cooked": r"cooked|heated|cook",
        "prepared": r"(?<!commercially )(?<!home )prepared(?! from)",
    },
    "lean": {
        "lean and fat": r"(?:separable )?lean and fat(?: only)?",
        "lean only": r"(?:separable )?lean(?: only)?",
    },
}
# What looks like a state and is none, or tells a cook nothing.
NOTHING = (
    r"(?:may have been |not )?previously frozen|not canned|lean meat|trimmed to [\d ]+ fat|"
    r"trimmed of(?: all)?(?: visible)? fat|year round average|"
    r"\d+ grams protein per \d+ ounce|(?:with )?ca(?:lcium)? prop(?:ionate)?|prepared with (?:calcium|nigari)[^,]*|"
    r"with(?:out)? bones?|(?:includes )?from concentrate|mature seeds?|salad or cooking|mixed species|"
    r"(?:broilers?|fryers?)(?: or (?:fryers?|roasters?))?|all (?:commercial )?(?:varieties|types|classes|areas|styles)|"
    r"(?:and )?vitamins? [a-e]\d*(?:,? (?:and |or )?(?:vitamin )?[a-e]\d*)*"
)
STATE = re.compile(
    rf"\b(?:(?P<nothing>{NOTHING})|"
    + "|".join(
        f"(?P<f{i}v{j}>{pattern})"
        for i, values in enumerate(FIELDS.values())
        for j, pattern in enumerate(values.values())
    )
    + r")(?![\w%])"
)
CODES = {field: {value: code for code, value in enumerate(values, 1)} for field, values in FIELDS.items()}
_VALUES = {
    f"f{i}v{j}": (field, value) for i, (field, values) in enumerate(FIELDS.items()) for j, value in enumerate(values)
}


def read_state(text: str) -> tuple[str, dict[str, str]]:
    """Take the words for the state out of a text; a value named later replaces a vaguer one."""
    fields: dict[str, str] = {}

    def note(match: re.Match[str]) -> str:
        if match.lastgroup == "nothing":
            return " "
        field, value = _VALUES[str(match.lastgroup)]
        known = fields.get(field)
        if field == "cooked" and known not in (None, "raw") and value != "raw":
            value = known if known != "cooked" else value
        elif (field == "liquid" and known == "rinsed") or (
            field == "skin"
            and known in ("without skin", "in skin")
            and value in ("without skin", "skin only", "peeled")
        ):
            value = known
        fields[field] = value
        return " | "

    return STATE.sub(note, text), fields


_KINDS = [
    {"boiled", "steamed", "simmered", "poached", "microwaved"},
    {"roasted", "dry roasted", "oil roasted", "toasted"},
    {"roasted", "baked", "broiled", "grilled", "toasted"},
    {"fried", "sauteed", "stir-fried"},
    {"braised", "stewed", "simmered"},
]


# What the score loses (logarithm) if the query says the first and the description the second; "" is nothing said.
def _losses() -> dict[str, np.ndarray]:
    tables = {}
    for field, values in FIELDS.items():
        names = ["", *values]
        tables[field] = np.array([[_loss(field, a, b) for b in names] for a in names], dtype=np.float32)
    return tables


UNASKED = {
    "low sodium": 0.45, "with salt": 0.08, "without salt": 0.02,
    "skin only": 1.5, "without skin": 0.05, "peeled": 0.05,
    "low fat": 0.3, "reduced fat": 0.3, "nonfat": 0.35, "light": 0.12, "lean only": 0.08,
    "not fortified": 0.15, "fortified": 0.06, "sweetened": 0.1,
    "in heavy syrup": 0.2, "in light syrup": 0.15, "in syrup": 0.15, "in oil": 0.06, "in tomato sauce": 0.15,
    "rinsed": 0.3, "with liquid": 0.03,
    "canned": 0.35, "frozen": 0.35, "dried": 0.3, "smoked": 0.5, "pickled": 0.5, "kippered": 0.5,
}  # fmt: skip
_NEAR = {
    "low sodium": {"": 0.9, "without salt": 0.12},
    "without salt": {"": 0.35, "low sodium": 0.2},
    "with salt": {"": 0.45, "low sodium": 0.7},
    "peeled": {"": 0.05, "without skin": 0.0, "in skin": 0.25, "with skin": 0.3},
    "without skin": {"": 0.2, "peeled": 0.0, "in skin": 0.35},
    "in skin": {"": 0.3, "with skin": 0.15},
    "with skin": {"": 0.15, "in skin": 0.5},
    "skin only": {"": 0.6},
    "full fat": {"": 0.15},
    "reduced fat": {"": 0.55, "low fat": 0.15, "light": 0.15, "nonfat": 0.45},
    "low fat": {"": 0.55, "reduced fat": 0.12, "light": 0.2, "nonfat": 0.4},
    "light": {"": 0.5, "low fat": 0.15, "reduced fat": 0.15},
    "nonfat": {"": 0.55, "low fat": 0.5},
    "lean only": {"": 0.1},
    "lean and fat": {"": 0.0},
    "enriched": {"": 0.2, "fortified": 0.1},
    "fortified": {"": 0.7, "enriched": 0.1},
    "not fortified": {"": 0.1},
    "unsweetened": {"": 0.35},
    "sweetened": {"": 0.4},
    "in syrup": {"in heavy syrup": 0.05, "in light syrup": 0.05},
    "in heavy syrup": {"in syrup": 0.1},
    "in light syrup": {"in syrup": 0.1},
    "rinsed": {"drained": 0.15},
    "drained": {"": 0.2, "rinsed": 0.25, "with liquid": 0.4},
    "with liquid": {"": 0.1},
    "canned": {"": 1.0},
    "frozen": {"": 1.0},
    "dried": {"": 0.35},
    "smoked": {"": 1.5, "kippered": 0.2},
    "kippered": {"": 1.5, "smoked": 0.3},
    "pickled": {"": 1.0},
}
_AGAINST = {"salt": 1.2, "skin": 0.9, "fat": 0.8, "fortified": 0.5, "sugar": 0.7, "packed": 0.6, "liquid": 0.7,
            "kept": 1.4, "cured": 1.4, "lean": 0.5}  # fmt: skip


def _loss(field: str, asked: str, said: str) -> float:
    """Tell what a disagreement of one field costs."""
    if asked == said:
        return 0.0
    if field == "cooked":
        return _cooking_loss(asked, said)
    if not asked:
        return UNASKED.get(said, 0.0)
    return _NEAR.get(asked, {}).get(said, _AGAINST[field] if said else 0.3)


def _cooking_loss(asked: str, said: str) -> float:
    if not asked:
        return {
            "raw": 0.0,
            "": 0.0,
            "prepared": 0.15,
            "fried": 0.5,
            "stir-fried": 0.5,
            "toasted": 0.5,
            "roasted": 0.38,
            "dry roasted": 0.38,
            "oil roasted": 0.39,
        }.get(said, 0.4)
    if not said:
        return 0.15 if asked == "raw" else 0.8
    if "raw" in (asked, said):
        return 2.0
    if asked in ("cooked", "prepared"):
        return {"boiled": 0.02, "fried": 0.3}.get(said, 0.12)
    if said in ("cooked", "prepared"):
        return 0.1
    return 0.15 if any({asked, said} <= kind for kind in _KINDS) else 0.6


LOSSES = _losses()
