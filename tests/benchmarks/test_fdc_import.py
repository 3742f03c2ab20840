"""What the import of a download of FoodData Central costs beside the bare reading of its large files.

Run: ``.venv/bin/python -m pytest tests/benchmarks/test_fdc_import.py --benchmark-enable``. SWAPTABLE_FDC_VALUES says of
how many values; a whole download has about 27,000,000, in 3 GB. The content is invented; the layout is that of
FoodData Central's CSV files.
"""

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
import pytest

PER_FOOD = 14  # values of a branded food, about
FOODS = int(os.environ.get("SWAPTABLE_FDC_VALUES", 140_000)) // PER_FOOD
VALUES = FOODS * PER_FOOD
BARE_READ = f"bare read of the large CSV files of FoodData Central, {VALUES:,} values"
IMPORT = f"import of FoodData Central, {VALUES:,} values"
MEMORY = "{}: peak memory"
# Ids, names, units and numbers as in nutrient.csv: what labels print.
NUTRIENTS = [
    (1008, "Energy", "KCAL", "208", 400), (1003, "Protein", "G", "203", 10),
    (1004, "Total lipid (fat)", "G", "204", 10),
    (1005, "Carbohydrate, by difference", "G", "205", 60), (1079, "Fiber, total dietary", "G", "291", 5),
    (2000, "Sugars, total including NLEA", "G", "269", 20), (1235, "Sugars, added", "G", "539", 10),
    (1258, "Fatty acids, total saturated", "G", "606", 3), (1257, "Fatty acids, total trans", "G", "605", 0.5),
    (1253, "Cholesterol", "MG", "601", 50), (1093, "Sodium, Na", "MG", "307", 800),
    (1087, "Calcium, Ca", "MG", "301", 200),
    (1089, "Iron, Fe", "MG", "303", 4), (1092, "Potassium, K", "MG", "306", 300),
]  # fmt: skip


def _quoted(path: Path, header: list[str], blocks) -> None:
    """Write a CSV with every field in quotation marks, block by block."""
    with path.open("wb") as stream:
        stream.write((",".join(f'"{name}"' for name in header) + "\n").encode())
        for columns in blocks:
            table = pa.table([pa.array(column).cast(pa.string()) for column in columns], names=header)
            options = pacsv.WriteOptions(include_header=False, quoting_style="all_valid")
            table = pa.table([column.fill_null("") for column in table.columns], names=header)
            pacsv.write_csv(table, stream, options)


def write_download(folder: Path) -> Path:
    """Write an invented download of branded foods."""
    random = np.random.default_rng(1)
    blocks = [(start, min(start + 100_000, FOODS)) for start in range(0, FOODS, 100_000)]

    def food_rows():
        for start, end in blocks:
            ids = np.arange(start, end) + 400_000
            words = np.array(["SOUP, LENTIL", "CRACKERS, WHOLE WHEAT", "YOGURT, PLAIN", "BEANS, BLACK, LOW SODIUM"])
            names = np.char.add(words[ids % 4], np.char.add(" INVENTED KIND ", ids.astype(str)))
            blank = [""] * len(ids)
            yield ids, ["branded_food"] * len(ids), names, blank, ["2026-04-30"] * len(ids)

    _quoted(
        folder / "food.csv", ["fdc_id", "data_type", "description", "food_category_id", "publication_date"], food_rows()
    )

    def branded_rows():
        text = "WATER, LENTILS, CARROTS, ONIONS, " * 15
        for start, end in blocks:
            ids = np.arange(start, end) + 400_000
            count = len(ids)
            words = [[each] * count for each in ("An invented maker", text, "g", "1 cup", "Soups")]
            yield ids, words[0], ids + 10**11, words[1], np.full(count, 30.0), *words[2:]

    header = ["fdc_id", "brand_owner", "gtin_upc", "ingredients", "serving_size", "serving_size_unit"]
    _quoted(
        folder / "branded_food.csv", [*header, "household_serving_fulltext", "branded_food_category"], branded_rows()
    )
    amounts = np.array([most for *_, most in NUTRIENTS])

    def value_rows():
        for start, end in blocks:
            ids = np.repeat(np.arange(start, end) + 400_000, PER_FOOD)
            size = len(ids)
            nutrient = np.tile([row[0] for row in NUTRIENTS], end - start)
            amount = np.round(random.random(size) * np.tile(amounts, end - start), 2)
            blank = pa.nulls(size, pa.string())
            number = np.arange(size, dtype=np.int64) + start * PER_FOOD + 13_000_000
            derivation = np.where(random.random(size) < 0.7, 70, 75)
            yield number, ids, nutrient, amount, blank, derivation, blank, blank, blank, blank, blank, blank, blank

    header = ["id", "fdc_id", "nutrient_id", "amount", "data_points", "derivation_id", "min", "max", "median", "loq"]
    _quoted(
        folder / "food_nutrient.csv", [*header, "footnote", "min_year_acquired", "percent_daily_value"], value_rows()
    )
    rows = [f'"{key}","{name}","{unit}","{number}",""' for key, name, unit, number, _ in NUTRIENTS]
    (folder / "nutrient.csv").write_text("\n".join(['"id","name","unit_name","nutrient_nbr","rank"', *rows]), "utf-8")
    derivations = ["id,code,description,source_id", "70,LCCS,Per serving,9", "75,LCCD,From a daily value,9"]
    (folder / "food_nutrient_derivation.csv").write_text("\n".join(derivations), "utf-8")
    (folder / "food_nutrient_source.csv").write_text("id,code,description\n9,12,As the maker says", "utf-8")
    return folder


def bare_read(folder: Path) -> int:
    """Read the large files, block by block, with the library alone: the yardstick."""
    rows = 0
    for name in ("food", "branded_food", "food_nutrient"):
        for batch in pacsv.open_csv(folder / f"{name}.csv", pacsv.ReadOptions(block_size=1 << 24)):
            rows += len(batch)
    return rows


@pytest.fixture(scope="module")
def download(tmp_path_factory) -> Iterator[Path]:
    """An invented download; deleted at the end, since a whole one takes gigabytes."""
    folder = write_download(tmp_path_factory.mktemp("fdc"))
    yield folder
    shutil.rmtree(folder)


@pytest.mark.row(BARE_READ)
@pytest.mark.row(MEMORY.format(BARE_READ), unit="MB")
def test_bare_read(kept, apart, download) -> None:
    """Read the files with the library alone."""
    code = f"rows = bare_read(Path({str(download)!r}))\ntold = dict(rows=rows)"
    assert kept(lambda: apart(code, "from test_fdc_import import bare_read"))["rows"] == VALUES + 2 * FOODS


@pytest.mark.row(IMPORT, against=BARE_READ)
@pytest.mark.row(MEMORY.format(IMPORT), against=MEMORY.format(BARE_READ), unit="MB")
def test_import(kept, apart, download) -> None:
    """Import the files: checks, conversion and writing included."""
    folder = Path(tempfile.mkdtemp(dir=download))
    call = f"import_fdc(Path({str(download)!r}), Path({str(folder / 'release')!r}), types=('branded',))"
    code = f"release = {call}\ntold = dict(rows=release.manifest['tables']['values']['rows'])"
    before = "from swaptable.releases.fooddata_central import import_fdc"
    assert kept(lambda: apart(code, before))["rows"] == VALUES
