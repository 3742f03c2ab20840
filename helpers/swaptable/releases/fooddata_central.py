"""Read the releases of FoodData Central, as CSV and as JSON, into the tables of a food release.

Layout after: USDA, FoodData Central Download Field Descriptions (October 2020 and later).
"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from swaptable.foods.release import FoodRelease
from swaptable.foods.release_writer import refuse_existing, write_release
from swaptable.releases.fdc_csv import import_csv
from swaptable.releases.fdc_json import import_json
from swaptable.releases.fdc_layout import DEFAULT_TYPES
from swaptable.releases.plain_table import release_name
from swaptable.releases.raw_files import RawFiles

__all__ = ["import_fdc"]

_ABOUT = {
    "title": "USDA FoodData Central",
    "source": "U.S. Department of Agriculture, Agricultural Research Service, FoodData Central",
    "licence": "CC0 1.0 (work of the United States government; branded foods are given by their makers)",
    "basis": "per 100 g edible portion",
}


def import_fdc(
    source: Path,
    folder: Path,
    types: Sequence[str] = DEFAULT_TYPES,
    stand_ins: Mapping[str, str] | None = None,
) -> FoodRelease:
    """Build a food release from FoodData Central.

    Parameters
    ----------
    source : Path
        Folder or zip archive with the CSV files, or with JSON files, or one JSON file.
    folder : Path
        Where the release goes; must not exist. Its name stands before the codes of the foods.
    types : sequence of str, optional
        Of :data:`swaptable.releases.fdc_layout.TYPES`; all but branded and experimental foods by default.
    stand_ins : mapping of str, optional
        Component → the one to take where a food has none of it, such as ``ENERC_KCAL`` →
        ``ENERC_KCAL_ATWATER_SPECIFIC``. Every such value is marked so.

    Returns
    -------
    FoodRelease

    Raises
    ------
    InputError
        With file, line, field, the value found and what is allowed; then nothing is written.
    """
    refuse_existing(folder)
    name = release_name(folder)
    folder.parent.mkdir(parents=True, exist_ok=True)
    with (
        RawFiles(source, (".csv", ".json")) as files,
        tempfile.TemporaryDirectory(dir=folder.parent, prefix=f".{name}.") as scratch,
    ):
        values = Path(scratch) / "values.parquet"
        is_csv = "food_nutrient" in files.names() or source.suffix.lower() == ".csv" or "food" in files.names()
        read = import_csv if is_csv else import_json
        tables, found = read(files, types, stand_ins or {}, values)
        about = {"name": name, **_ABOUT, "types": list(types), "stand_ins": dict(stand_ins or {})}
        manifest = about | found | {"raw_files": files.manifest()}
        return write_release(folder, manifest, {"foods": tables.pop("foods"), "values": values, **tables})
