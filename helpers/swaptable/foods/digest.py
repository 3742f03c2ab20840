"""One hash over all that a food release says of some foods, and all that is derived from it for them."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from swaptable.basics.errors import SwaptableError
from swaptable.foods.joined import open_release
from swaptable.foods.values import value_errors

__all__ = ["digest_of"]


def digest_of(folder: str | Path, codes: Sequence[str]) -> str:
    """Hash what a release says of some foods.

    Parameters
    ----------
    folder : str or Path
        Of the release.
    codes : sequence of str

    Returns
    -------
    str
        SHA-256 over the components and their units, and of each food: its words, refuse and portions, its values, and
        how sure and on what evidence they are, which for a value of a single analysis rests on other foods of its kind,
        and the raw food that it was most likely made from.
        Empty if one of the foods is gone.
    """
    release = open_release(folder)
    digest = hashlib.sha256()
    digest.update(release.components[["unit"]].to_csv().encode())
    digest.update(f"{release.name} {release.manifest['released']}".encode())
    errors = value_errors(release)
    for code in codes:
        try:
            food = release.food(code)
        except SwaptableError:
            return ""
        row = release.foods.index.get_loc(food.code)
        digest.update(f"{food!r} {release.raw_form(food)}".encode())
        for table in (release.matrix, errors.standard_error, errors.spread):
            known = np.where(np.isnan(table[row]), np.nan, table[row] + 0.0)  # one kind of missing, one kind of zero
            digest.update(known.tobytes())
        digest.update(pd.Series(errors.evidence[row]).to_csv().encode())
    return digest.hexdigest()
