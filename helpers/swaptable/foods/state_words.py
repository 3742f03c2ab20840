"""Words for the state of a food (raw, canned, drained, without salt ...), field by field."""

from __future__ import annotations

import re

__all__ = ["CODES", "FIELDS", "NOTHING", "STATE", "read_state"]

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
