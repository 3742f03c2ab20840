"""What a recipe costs, from the user's price file, on the weight as purchased."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from swaptable.amounts.variants import Grid
from swaptable.basics.errors import InputError, SwaptableError
from swaptable.basics.folders import shown
from swaptable.basics.units import measure_named, parse_amount

__all__ = ["Price", "cost_table", "read_prices"]

_PRICE = re.compile(r"[0-9]{1,12}(?:\.[0-9]{0,12})?|\.[0-9]{1,12}")
_COLUMNS = ("food", "price", "currency", "per", "date", "note")


@dataclass(frozen=True)
class Price:
    """What a food costs.

    Attributes
    ----------
    per_gram : float
        Price of one gram as purchased. [currency/g]
    currency : str
        ISO 4217 code.
    date : str
        ISO 8601 date of the price.
    """

    per_gram: float
    currency: str
    date: str


def read_prices(path: str | Path) -> dict[str, Price]:
    """Read a price file.

    Parameters
    ----------
    path : str or Path
        CSV with the columns ``food`` (code), ``price``, ``currency``, ``per`` (a mass, such as ``1 kg``),
        ``date`` and ``note``.

    Returns
    -------
    dict of Price
        By food code.

    Raises
    ------
    InputError
        With file, line, field, the value found and what is allowed.
    """
    file = shown(Path(path))
    try:
        with Path(path).open(encoding="utf-8-sig", newline="") as stream:
            reader = csv.DictReader(stream)
            missing = [column for column in _COLUMNS if column not in (reader.fieldnames or ())]
            if missing:
                raise InputError(f"has no column '{missing[0]}'; expected {', '.join(_COLUMNS)}", file=file, line=1)
            rows = [(reader.line_num, row) for row in reader]
            repeated = [column for column in _COLUMNS if (reader.fieldnames or []).count(column) > 1]
            if repeated:
                raise InputError(f"has the column '{repeated[0]}' twice", file=file, line=1)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"cannot be read as UTF-8 text ({error})", file=file) from error
    prices: dict[str, Price] = {}
    for line, row in rows:
        cells = [value for value in row.values() if isinstance(value, str)]
        if None in row or len(cells) != len(row):
            raise InputError(f"found {_cells(row)} cells; expected {len(_COLUMNS)}", file=file, line=line)
        if not re.fullmatch(r"\w+:[\w.-]+", row["food"]):
            problem = f"found '{row['food']}'; expected a food code with its release, such as sr28:11352"
            raise InputError(problem, file=file, line=line, field="food")
        if row["food"] in prices:
            raise InputError(f"'{row['food']}' is there twice; keep one price", file=file, line=line, field="food")
        prices[row["food"]] = _price(row, file, line, prices)
    return prices


def _cells(row: Mapping[str | None, object]) -> int:
    extra = row.get(None)
    return sum(isinstance(value, str) for value in row.values()) + (len(extra) if isinstance(extra, list) else 0)


def _price(row: Mapping[str, str], file: str, line: int, before: Mapping[str, Price]) -> Price:
    stated = row["price"].strip()
    if not _PRICE.fullmatch(stated):
        raise InputError(f"found '{row['price']}'; expected a number of 0 or more", file=file, line=line, field="price")
    price = float(stated)
    try:
        amount = parse_amount(row["per"])
    except SwaptableError as error:
        raise InputError(str(error), file=file, line=line, field="per") from None
    unit = measure_named(amount.measure)
    if unit is None or unit.kind != "mass" or amount.number == 0:
        raise InputError(f"found '{row['per']}'; expected a mass such as 1 kg", file=file, line=line, field="per")
    try:
        date.fromisoformat(row["date"] or "0001-01-01")
    except ValueError:
        problem = f"found '{row['date']}'; expected a date such as 2026-09-01, or nothing"
        raise InputError(problem, file=file, line=line, field="date") from None
    currency = next((other.currency for other in before.values()), "")
    if not re.fullmatch("[A-Z]{3}", row["currency"]) or row["currency"] != (currency or row["currency"]):
        problem = f"found '{row['currency']}'; expected one currency throughout, {currency or 'such as CAD'}"
        raise InputError(problem, file=file, line=line, field="currency")
    return Price(price / (amount.number * unit.size), row["currency"], row["date"])


def cost_table(grid: Grid, prices: Mapping[str, Price]) -> pd.DataFrame:
    """Cost every allowed variant.

    Parameters
    ----------
    grid : Grid
    prices : mapping of Price
        By food code.

    Returns
    -------
    DataFrame
        By the variant's label: ``cost_per_serving`` (NaN where a price is missing), ``currency`` and
        ``not_priced``, the ingredients without a price or with unknown refuse.
    """
    currency = next((price.currency for price in prices.values()), "")
    rows = {}
    for variant in grid.variants():
        cost, missing = 0.0, []
        for name in grid.lines:
            line = grid.line(name, variant)
            if line is None:
                continue
            price = prices.get(grid.release.full_code(line.food.code))
            if price is None or np.isnan(line.purchased_g):
                missing.append(name)
            else:
                cost += line.purchased_g * price.per_gram
        rows[grid.label(variant)] = {
            "cost_per_serving": np.nan if missing else cost / grid.recipe.servings,
            "currency": currency,
            "not_priced": ", ".join(missing),
        }
    return pd.DataFrame.from_dict(rows, orient="index")
