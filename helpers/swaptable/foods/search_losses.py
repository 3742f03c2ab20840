"""What the score of a food loses where a query and a description say different things of its state (logarithms)."""

from __future__ import annotations

import numpy as np

from swaptable.foods.state_words import FIELDS

__all__ = ["LOSSES", "UNASKED"]

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
    "low sodium": {"": 0.6, "without salt": 0.12},
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
