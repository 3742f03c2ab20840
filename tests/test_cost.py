"""Price files are checked line by line, and a cost is on the weight as purchased or missing.

In the price files, the second line is the first price. Codes of SR28: 11352 potatoes, raw (refuse 25 %); 02047 salt;
14411 tap water.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from swaptable.amounts.cost import cost_table, read_prices
from swaptable.amounts.nutrients import Amounts
from swaptable.basics.errors import InputError
from swaptable.basics.folders import DATA

HEADER = "food,price,currency,per,date,note\n"
POTATO, SALT, WATER = "sr28:11352", "sr28:02047", "sr28:14411"
RECIPE = """title: Pot
servings: 2
ingredients:
  tuber: {amount: 750 g, food: "sr28:11352"}
  salt: {amount: 10 g, food: "sr28:02047"}
choices:
  salt:
    salted: as written
    without: {salt: {amount: 0}}
"""


@pytest.fixture
def price_file(tmp_path: Path) -> Callable[[str], Path]:
    """Write the rows of a price file."""

    def write(text: str) -> Path:
        path = tmp_path / "prices.csv"
        path.write_bytes(text.encode())
        return path

    return write


def test_price_is_per_gram_as_purchased(price_file: Callable[[str], Path]) -> None:
    """A price per any mass becomes one per gram, and keeps its currency and date."""
    rows = f"{POTATO},2.50,CAD,1 kg,2026-09-01,bag\n{SALT},3,CAD,1 lb,2026-09-02,\n{WATER},0,CAD,1 kg,,tap\n"
    prices = read_prices(price_file(HEADER + rows))
    assert prices[POTATO].per_gram == pytest.approx(0.0025, rel=1e-15)
    assert prices[SALT].per_gram == pytest.approx(3 / 453.59237, rel=1e-15)
    assert prices[WATER].per_gram == 0
    assert (prices[POTATO].currency, prices[POTATO].date) == ("CAD", "2026-09-01")


@pytest.mark.parametrize(
    "text",
    [
        "\ufeff" + HEADER + f"{SALT},1,CAD,1 kg,,\n",
        (HEADER + f"{SALT},1,CAD,1 kg,,\n").replace("\n", "\r\n"),
        HEADER + f'{SALT},1,CAD,1 kg,,"a note, of\ntwo lines"\n',
        "note,date,per,currency,price,food\n" + f",,1 kg,CAD,1,{SALT}\n",
        HEADER + f"\n{SALT},1,CAD,1 kg,,\n\n",
    ],
    ids=["BOM", "CRLF", "quoted note", "columns in another order", "blank lines"],
)
def test_ways_of_writing_the_same_prices(price_file: Callable[[str], Path], text: str) -> None:
    """Byte-order mark, line ends, quotes, the order of columns and blank lines change nothing."""
    assert {code: price.per_gram for code, price in read_prices(price_file(text)).items()} == {SALT: 0.001}


@pytest.mark.parametrize(
    ("row", "field", "found", "allowed"),
    [
        (f'{SALT},"2,50",CAD,1 kg,,', "price", "'2,50'", "number of 0 or more"),
        (f"{SALT},-2,CAD,1 kg,,", "price", "'-2'", "number of 0 or more"),
        (f"{SALT},nan,CAD,1 kg,,", "price", "'nan'", "number of 0 or more"),
        (f"{SALT},1e999,CAD,1 kg,,", "price", "'1e999'", "number of 0 or more"),
        (f"{SALT},,CAD,1 kg,,", "price", "''", "number of 0 or more"),
        (f"{SALT},$2,CAD,1 kg,,", "price", "'$2'", "number of 0 or more"),
        (f"{SALT},2,,1 kg,,", "currency", "''", "currency"),
        (f"{SALT},2,CAD,1 l,,", "per", "'1 l'", "mass such as 1 kg"),
        (f"{SALT},2,CAD,1 medium,,", "per", "'1 medium'", "mass such as 1 kg"),
        (f"{SALT},2,CAD,0 kg,,", "per", "'0 kg'", "mass such as 1 kg"),
        (f"{SALT},2,CAD,kg,,", "per", "'kg'", "number"),
        (f"{SALT},2,CAD,,,", "per", "''", "number"),
        ("11352,2,CAD,1 kg,,", "food", "'11352'", "sr28:"),
        (",2,CAD,1 kg,,", "food", "''", "food code"),
        (f"{SALT},2,CAD,1 kg,yesterday,", "date", "'yesterday'", "2026-09-01|YYYY-MM-DD|ISO"),
    ],
    ids=[
        "decimal comma", "negative price", "nan", "infinite", "no price", "sign of a currency", "no currency", "volume",
        "piece", "no weight", "no number", "no per", "code without release", "no code", "no date",
    ],
)  # fmt: skip
def test_wrong_price(price_file: Callable[[str], Path], row: str, field: str, found: str, allowed: str) -> None:
    """A price that cannot be used is refused with file, line, field, the value found and what is allowed."""
    path = price_file(f"{HEADER}{POTATO},1,CAD,1 kg,2026-09-01,\n{row}\n")
    with pytest.raises(InputError, match=re.escape(found)) as caught:
        read_prices(path)
    assert (caught.value.file, caught.value.line, caught.value.field) == (str(path), 3, field)
    assert re.search(allowed, str(caught.value)), str(caught.value)


@pytest.mark.parametrize(
    "row", [SALT, f"{SALT},2", f"{SALT},2,CAD,1 kg,,,more"], ids=["one cell", "two cells", "a cell too many"]
)
def test_row_of_another_length_is_refused(price_file: Callable[[str], Path], row: str) -> None:
    """A row with fewer or more cells than the header is refused at its line."""
    path = price_file(f"{HEADER}{POTATO},1,CAD,1 kg,2026-09-01,\n{row}\n")
    with pytest.raises(InputError, match=r"prices\.csv:3: ") as caught:
        read_prices(path)
    assert caught.value.line == 3


def test_two_currencies_are_refused(price_file: Callable[[str], Path]) -> None:
    """Prices in two currencies cannot be added up, so the second is refused."""
    path = price_file(f"{HEADER}{POTATO},1,CAD,1 kg,,\n{SALT},1,USD,1 kg,,\n")
    with pytest.raises(
        InputError, match=r"prices\.csv:3: currency: found 'USD'; expected one currency throughout, CAD"
    ):
        read_prices(path)


def test_price_given_twice_is_refused(price_file: Callable[[str], Path]) -> None:
    """Of two prices for one food neither is picked."""
    path = price_file(f"{HEADER}{SALT},1,CAD,1 kg,,\n{SALT},2,CAD,1 kg,,\n")
    with pytest.raises(InputError, match=rf"prices\.csv:3: food: '{SALT}' is there twice"):
        read_prices(path)


def test_a_column_given_twice_is_named(price_file: Callable[[str], Path]) -> None:
    """Neither of two columns of one name is taken for the other."""
    path = price_file(f"{HEADER.strip()},price\n{SALT},2,CAD,1 kg,,,3\n")
    with pytest.raises(InputError, match=r"prices\.csv:1: has the column 'price' twice"):
        read_prices(path)


@pytest.mark.parametrize("column", HEADER.strip().split(","))
def test_missing_column_is_named(price_file: Callable[[str], Path], column: str) -> None:
    """A price file without one of its columns is refused with the column and those expected."""
    path = price_file(HEADER.replace(column, "x") + f"{SALT},1,CAD,1 kg,,\n")
    with pytest.raises(InputError, match=rf"prices\.csv:1: has no column '{column}'; expected food, price"):
        read_prices(path)


@pytest.mark.parametrize(
    ("content", "message"),
    [(b"", "no column 'food'"), (HEADER.encode() + b"caf\xe9,1,CAD,1 kg,,\n", "UTF-8.*0xe9"),
     (HEADER.replace(",", ";").encode(), "no column 'food'")],
    ids=["empty", "Latin-1", "semicolons"],
)  # fmt: skip
def test_file_that_is_no_price_file(tmp_path: Path, content: bytes, message: str) -> None:
    """A file that is empty, in another encoding or with other separators is refused by name."""
    path = tmp_path / "prices.csv"
    path.write_bytes(content)
    with pytest.raises(InputError, match=message) as caught:
        read_prices(path)
    assert caught.value.file == str(path)


def test_price_file_that_is_not_there(tmp_path: Path) -> None:
    """A missing price file is refused by name."""
    with pytest.raises(InputError, match=r"none\.csv: cannot be read"):
        read_prices(tmp_path / "none.csv")


def test_cell_of_endless_text_is_refused(price_file: Callable[[str], Path]) -> None:
    """A cell longer than the reader's limit is refused as a wrong file."""
    path = price_file(f'{HEADER}{SALT},1,CAD,1 kg,,"{"a" * 200_000}"\n')
    with pytest.raises(InputError, match=r"prices\.csv"):
        read_prices(path)


def costs(amounts: Amounts, prices: Path) -> pd.DataFrame:
    """Cost the variants of the recipe."""
    return cost_table(amounts.grid, read_prices(prices))


def test_cost_is_on_the_weight_as_purchased(
    computed: Callable[[str], Amounts], price_file: Callable[[str], Path]
) -> None:
    """750 g of edible potato with 25 % refuse are 1 kg bought; two servings share the cost."""
    table = costs(computed(RECIPE), price_file(f"{HEADER}{POTATO},3,CAD,1 kg,,\n{SALT},2,CAD,1 kg,,\n"))
    assert table.loc["as written", "cost_per_serving"] == pytest.approx((3 + 0.02) / 2, rel=1e-12)
    assert table.loc["without", "cost_per_serving"] == pytest.approx(3 / 2, rel=1e-12)
    assert table["currency"].tolist() == ["CAD", "CAD"]
    assert table["not_priced"].tolist() == ["", ""]


def test_missing_price_is_never_zero(computed: Callable[[str], Amounts], price_file: Callable[[str], Path]) -> None:
    """A variant with an ingredient without a price has no cost, and the ingredient is named."""
    table = costs(computed(RECIPE), price_file(f"{HEADER}{POTATO},3,CAD,1 kg,,\n"))
    assert math.isnan(table.loc["as written", "cost_per_serving"])
    assert table.loc["as written", "not_priced"] == "salt"
    assert table.loc["without", "cost_per_serving"] == pytest.approx(1.5, rel=1e-12)


def test_price_of_zero_is_a_price(computed: Callable[[str], Amounts], price_file: Callable[[str], Path]) -> None:
    """What is free, such as tap water, costs nothing and counts as priced."""
    table = costs(computed(RECIPE), price_file(f"{HEADER}{POTATO},3,CAD,1 kg,,\n{SALT},0,CAD,1 kg,,\n"))
    assert table.loc["as written", "cost_per_serving"] == pytest.approx(1.5, rel=1e-12)
    assert table.loc["as written", "not_priced"] == ""


def test_price_file_without_prices_costs_nothing_at_all(
    computed: Callable[[str], Amounts], price_file: Callable[[str], Path]
) -> None:
    """With no price at all every cost is missing."""
    table = costs(computed(RECIPE), price_file(HEADER))
    assert table["cost_per_serving"].isna().all()
    assert table["not_priced"].tolist() == ["tuber, salt", "tuber"]


def test_demo_prices_are_read() -> None:
    """The demo's price file is read, in one currency."""
    prices = read_prices(DATA / "prices.csv")
    assert len({price.currency for price in prices.values()}) == 1
    assert all(price.per_gram >= 0 for price in prices.values())
