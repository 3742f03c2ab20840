"""Readers of food tables and prices.

Several files of one table stand in one input, each under a line such as ``=== FOOD NAME.csv``.
"""

import re
import shutil
from collections.abc import Callable
from pathlib import Path

from swaptable.amounts.cost import read_prices
from swaptable.releases.fooddata_central import import_fdc
from swaptable.releases.nutrient_file import read_cnf
from swaptable.releases.plain_table import read_plain
from swaptable.releases.sr28 import import_sr28


def taken_apart(path: Path) -> Path:
    """Write the files of an input into a folder."""
    folder = path.with_suffix(".files")
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    _, *parts = re.split(rb"^=== ([\w ]{1,40}\.[a-z]{1,5})\n", path.read_bytes(), flags=re.M)
    for name, content in zip(parts[::2], parts[1::2], strict=True):
        (folder / name.decode("ascii", "replace")).write_bytes(content)
    return folder


def imported(importer: Callable[[Path, Path], object]) -> Callable[[Path], None]:
    """Give a reader that imports into a folder of its own."""

    def read(path: Path) -> None:
        target = path.parent / "release"
        shutil.rmtree(target, ignore_errors=True)
        source = path if path.suffix == ".json" else taken_apart(path)
        importer(source, target)

    return read


def read_with_commas(path: Path) -> None:
    """Read a plain table with decimal commas, doubtful foods kept."""
    read_plain(path, decimal_comma=True, keep_doubtful=True)


READERS = {
    "plain": (".csv", read_plain),
    "plain_comma": (".csv", read_with_commas),
    "prices": (".csv", read_prices),
    "fdc_json": (".json", imported(import_fdc)),
    "fdc_csv": (".txt", imported(import_fdc)),
    "cnf": (".txt", lambda path: read_cnf(taken_apart(path))),
    "sr28": (".txt", imported(import_sr28)),
}
WORDS = (
    "code,description,basis,", "NA (mg)", "CA (%DV US)", "NACL_EQ (g)", "100 g", "serving", "serving_g", "portions",
    "1 cup = 30 g", "<1", "tr", "1e308", "nan", "inf", "-1", "0x10", "food,price,currency,per,date,note", "CAD",
    "1 kg", "2026-09-01", '"', "~", "^", ";", '"fdcId": ', '"foodNutrients": [', '"nutrient": {"id": 1093}',
    '"amount": ', '"foodPortions": [', '"gramWeight": ', '"dataType": "Foundation"', "=== food.csv\n",
)  # fmt: skip
