"""New food data: brought in beside the old, compared, asked about, and made current only when told to.

The public releases here are SR28's own foods under the ids of FoodData Central, changed where a test says so, and tiny
invented ones; they are served on this machine.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import json
import logging
import re
import shutil
import threading
import zipfile
from collections.abc import Callable, Iterator
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from swaptable.amounts.certainty import certainty_of
from swaptable.amounts.nutrients import Amounts, compute, lines_table
from swaptable.amounts.recipes import read_recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.errors import InputError, SwaptableError
from swaptable.changes.update import MOST_LINES, bring_update, difference_lines, switch_to
from swaptable.commands import changes as command
from swaptable.foods.current_release import Current, answers_file, code_map, map_file, read_changes, read_current
from swaptable.foods.imputation import fill_gaps
from swaptable.foods.joined import open_current
from swaptable.foods.release import FoodRelease
from swaptable.foods.release_writer import write_release
from swaptable.foods.search import find_foods
from swaptable.releases.code_changes import SAME_CODE, SAME_WORDS, SR_NUMBER, compare, match_codes, used_codes
from swaptable.releases.public_releases import public_releases, release_named

DATA = Path(__file__).parents[1] / "data"
COLUMNS = "name,version,title,layout,types,stand_ins,url,sha256,released,licence,note,source,checked"
UNITS = {"g": "G", "mg": "MG", "\u00b5g": "UG", "kcal": "KCAL", "kJ": "kJ", "IU": "IU"}
TYPE = "sr_legacy_food"
OTHERS = ["11353", "11110", "01001", "20036", "11507", "06170"]  # foods that no recipe uses


def used_foods() -> list[str]:
    """Name the foods of SR28 that the demo uses, without their release."""
    return sorted({use.code.removeprefix("sr28:") for use in used_codes(DATA)})


def cooked_entries() -> list[str]:
    """Name the cooked entries by which the published yields know the foods of the demo."""
    pairs = "|".join(pd.read_csv(DATA / "reference" / "yields.csv", dtype=str, keep_default_na=False)["pairs"]).split(
        "|"
    )
    return sorted({pair.partition(">")[2] for pair in pairs if pair.partition(">")[0] in used_foods()})


def as_csv(columns: str, rows: list[list[object]]) -> bytes:
    """Write a raw file."""
    text = io.StringIO()
    pd.DataFrame(rows, columns=columns.split(",")).to_csv(text, index=False, lineterminator="\n")
    return text.getvalue().encode()


def fooddata(release: FoodRelease, codes: list[str], words: dict[str, str] | None = None) -> bytes:
    """Pack foods of SR28 as a download of FoodData Central: ids are other numbers, SR28's stand in NDB_number."""
    foods = release.foods.loc[codes]
    ids = {code: 170_000 + int(code) for code in codes}
    values = release.table("values")
    values = values[values["code"].isin(codes)]
    components = release.components
    files = {
        "food": as_csv(
            "fdc_id,data_type,description,food_category_id,publication_date",
            [[ids[code], TYPE, (words or {}).get(code, row["description"]), row["food_group"], "2026-04-30"]
             for code, row in foods.iterrows()],
        ),
        "sr_legacy_food": as_csv("fdc_id,NDB_number", [[ids[code], code.lstrip("0")] for code in codes]),
        "food_category": as_csv(
            "id,code,description",
            foods[["food_group", "food_group", "food_group_name"]].drop_duplicates().to_numpy().tolist(),
        ),
        "nutrient": as_csv(
            "id,name,unit_name,nutrient_nbr,rank",
            [[1000 + row["nutrient_number"], row["name"], UNITS[row["unit"]], row["nutrient_number"], 1]
             for row in components.to_dict("records")],
        ),
        "food_nutrient": as_csv(
            "id,fdc_id,nutrient_id,amount,data_points,derivation_id",
            [[at, ids[str(code)], 1000 + number, repr(value), "" if pd.isna(n) else n, 1]
             for at, (code, number, value, n) in enumerate(
                 values[["code", "nutrient_number", "value", "n"]].itertuples(index=False))],
        ),
        "food_nutrient_derivation": as_csv("id,code,description,source_id", [[1, "A", "Analytical", 1]]),
        "food_nutrient_source": as_csv("id,code,description", [[1, 1, "Analytical"]]),
        "measure_unit": as_csv("id,name", [[9999, "undetermined"]]),
        "food_portion": as_csv(
            "id,fdc_id,seq_num,amount,measure_unit_id,portion_description,modifier,gram_weight,data_points",
            [[at, ids[code], at, 1, 9999, "", portion.measure, portion.grams, ""]
             for code in codes for at, portion in enumerate(release.food(code).portions)],
        ),
        "food_component": as_csv(
            "id,fdc_id,name,pct_weight,is_refuse",
            [[at, ids[code], "Refuse", row["refuse_percent"], "Y"] for at, (code, row) in enumerate(foods.iterrows())
             if row["refuse_percent"] > 0],
        ),
    }  # fmt: skip
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(f"download/{name}.csv", content)
    return packed.getvalue()


ALL = sorted({*used_foods(), *cooked_entries(), *OTHERS})


@pytest.fixture(scope="module")
def whole(sr28: FoodRelease) -> bytes:
    """All foods of the demo, their cooked entries and some others, as FoodData Central."""
    return fooddata(sr28, ALL)


@pytest.fixture(scope="module")
def little(sr28: FoodRelease, tmp_path_factory: pytest.TempPathFactory) -> FoodRelease:
    """A part of SR28 under its name, which is sooner copied and compared than all of it."""
    codes = sorted({*ALL, "20006", "01009", "09004", *sr28.foods.index[::60]})
    tables = {name: sr28.table(name) for name in ("foods", "values", "portions", "components")}
    for name in ("foods", "values", "portions"):
        table = tables[name][tables[name]["code"].isin(codes)].reset_index(drop=True)
        if name == "values":
            table["code"] = table["code"].cat.remove_unused_categories()
        tables[name] = table
    about = {name: sr28.manifest[name] for name in ("name", "title", "released", "source", "licence", "basis")}
    return write_release(tmp_path_factory.mktemp("little") / "sr28", about, tables)


@pytest.fixture
def data(tmp_path: Path, little: FoodRelease) -> Path:
    """A folder of data with the demo's recipes and a part of SR28."""
    folder = tmp_path / "data"
    for name in ("recipes", "days", "code_changes"):
        shutil.copytree(DATA / name, folder / name)
    (folder / "foods").mkdir()
    shutil.copytree(little.folder, folder / "foods" / "sr28")
    shutil.copy(DATA / "current_release.yaml", folder)
    (folder / "reference").mkdir()
    return folder


class Handler(SimpleHTTPRequestHandler):
    """Serves files and says nothing."""

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@pytest.fixture
def publish(data: Path, tmp_path: Path) -> Iterator[Callable[..., str]]:
    """Serve a file as a public release of a name."""
    served = tmp_path / "served"
    served.mkdir()
    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(Handler, directory=str(served)))
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    rows: dict[str, str] = {}

    def put(name: str, content: bytes, version: str = "2026-04-30", sha256: str = "", layout: str = "fdc") -> str:
        (served / f"{name}_{version}.zip").write_bytes(content)
        url = f"http://127.0.0.1:{server.server_address[1]}/{name}_{version}.zip"
        types = "sr_legacy" if layout == "fdc" else ""
        rows[f"{name}{version}"] = f"{name},{version},T,{layout},{types},,{url},{sha256},{version},L,,S,seen"
        (data / "reference" / "public_releases.csv").write_text("\n".join([COLUMNS, *rows.values()]) + "\n")
        return url

    yield put
    server.shutdown()
    server.server_close()
    thread.join()


def answer(data: Path, old: str, code: str) -> None:
    """Write a code into the row that waits for it."""
    path = answers_file(data)
    lines = path.read_text(encoding="utf-8").splitlines()
    release, _, bare = old.partition(":")
    for at, line in enumerate(lines):
        if line.startswith(f"{release},{bare},"):
            cells = line.split(",", 4)
            lines[at] = ",".join([*cells[:3], code, cells[4]])
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def computed(data: Path, recipe: str, release: FoodRelease | None = None) -> Amounts:
    """Compute a recipe of the folder on what is current there."""
    release = open_current(data=data) if release is None else release
    return compute(build_grid(read_recipe(data / "recipes" / f"{recipe}.yaml"), release))


def snapshot(folder: Path) -> dict[str, str]:
    """Hash every file of a folder."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_the_shipped_table_is_whole_and_names_public_hosts() -> None:
    """Every named release has an encrypted address at a public authority, and folders are all different."""
    releases = public_releases()
    hosts = {re.sub(r"https://([^/]+)/.*", r"\1", release.url) for release in releases}
    assert {host.rpartition(".")[2] for host in hosts} == {"gov", "ca"}
    assert {"sr28", "fdc_foundation_2026_04_30", "cnf_2026"} <= {release.folder for release in releases}
    assert release_named("cnf").version == max(each.version for each in releases if each.name == "cnf")


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("a,1,T,xls,,,https://h.gov/a.zip,,,,,,", ":2: layout: found 'xls'; expected sr28, fdc, cnf"),
        ("a,1,T,cnf,,,http://h.gov/a.zip,,,,,,", ":2: found http://h.gov/a.zip; expected an address .* https://"),
        ("a,1,T,cnf,,,https://h.gov/a.zip,beef,,,,,", ":2: sha256: found 'beef'; expected 64 digits"),
        ("a,1,T,fdc,,,https://h.gov/a.zip,,,,,,", ":2: types: found ''; expected, for fdc alone, some of foundation"),
        ("a,1,T,cnf,survey,,https://h.gov/a.zip,,,,,,", ":2: types: found 'survey'"),
        ("a,1,T,fdc,survey,NA,https://h.gov/a.zip,,,,,,", ":2: stand_ins: found 'NA'; expected TAG=TAG"),
        ("../a,1,T,cnf,,,https://h.gov/a.zip,,,,,,", ":2: name: found '___a_1'; expected small letters"),
        ("a,1,T,cnf", ":2: found 4 fields, expected 13"),
        ("a,1,T,cnf,,,https://h.gov/a,,,,,,\na,1,T,cnf,,,https://h.gov/a,,,,,,", ":3: version: found 'a_1' twice"),
    ],
)  # fmt: skip
def test_a_wrong_row_of_the_table_is_named(data: Path, row: str, message: str) -> None:
    """File, line, what was found and what is allowed."""
    (data / "reference" / "public_releases.csv").write_text(f"{COLUMNS}\n{row}\n", encoding="utf-8")
    with pytest.raises(InputError, match=message):
        public_releases(data)


def test_an_unknown_name_lists_the_known(data: Path, publish: Callable[..., str]) -> None:
    """A misspelt name is one sentence with the nearest."""
    publish("fdc", b"")
    with pytest.raises(InputError, match=r"release: found 'fcd'; expected one of fdc_2026_04_30"):
        bring_update("fcd", data)
    with pytest.raises(InputError, match="found 'current'; expected the name of a release"):
        bring_update("current", data)


def test_a_release_comes_in_beside_the_old_one(data: Path, publish: Callable[..., str], whole: bytes) -> None:
    """It is fetched, imported under its name and date, noted by its hash; SR28 stays to the byte and stays current."""
    before = snapshot(data / "foods" / "sr28")
    url = publish("fdc", whole)
    update = bring_update("fdc", data)
    assert update.new.folder == (data / "foods" / "fdc_2026_04_30").resolve()
    assert snapshot(data / "foods" / "sr28") == before
    assert read_current(data) == Current()
    row = (data / "foods" / "first_seen.csv").read_text().splitlines()[1].split(",")
    assert (row[0], row[1], row[4]) == ("fdc_2026_04_30", hashlib.sha256(whole).hexdigest(), url)
    assert list((data / "foods" / ".downloads").iterdir()) == []
    shutil.rmtree(data / "reference")  # a release that is here needs neither table nor network
    assert bring_update("fdc_2026_04_30", data).new is update.new


def test_a_file_seen_before_is_the_only_one_taken(data: Path, publish: Callable[..., str], whole: bytes) -> None:
    """Trust on first use: another file of the name is refused by both hashes, also one brought by hand."""
    publish("fdc", whole)
    bring_update("fdc", data)
    seen = (data / "foods" / "first_seen.csv").read_bytes()
    shutil.rmtree(data / "foods" / "fdc_2026_04_30")
    bring_update("fdc", data)
    assert (data / "foods" / "first_seen.csv").read_bytes() == seen
    shutil.rmtree(data / "foods" / "fdc_2026_04_30")
    publish("fdc", whole + b"another")
    first, other = (hashlib.sha256(each).hexdigest() for each in (whole, whole + b"another"))
    with pytest.raises(SwaptableError, match=f"has the SHA-256 {other}, expected {first}"):
        bring_update("fdc", data)
    by_hand = data / "by_hand.zip"
    by_hand.write_bytes(whole + b"another")
    with pytest.raises(InputError, match=f"by_hand.zip has the SHA-256 {other}, expected {first}"):
        bring_update("fdc", data, source=by_hand)
    assert not (data / "foods" / "fdc_2026_04_30").exists()


def test_a_known_hash_counts_before_anything_was_seen(data: Path, publish: Callable[..., str], whole: bytes) -> None:
    """A hash in the table is asked for the first time already."""
    publish("fdc", whole, sha256="0" * 64)
    with pytest.raises(SwaptableError, match=f"expected {'0' * 64}"):
        bring_update("fdc", data)
    publish("fdc", whole, sha256=hashlib.sha256(whole).hexdigest())
    assert len(bring_update("fdc", data).new.foods) == len(ALL)


@pytest.mark.parametrize("kind", ["file", "folder"])
def test_a_machine_without_network_takes_a_file(
    data: Path, publish: Callable[..., str], whole: bytes, tmp_path: Path, kind: str
) -> None:
    """What was brought by hand, packed or not, gives the same release as what was fetched."""
    url = publish("fdc", whole)
    source = tmp_path / "by_hand.zip"
    source.write_bytes(whole)
    if kind == "folder":
        with zipfile.ZipFile(source) as archive:
            archive.extractall(tmp_path / "by_hand")
        source = tmp_path / "by_hand"
    (tmp_path / "served" / url.rpartition("/")[2]).unlink()
    update = bring_update("fdc", data, source=source)
    assert len(update.new.foods) == len(ALL)
    assert (data / "foods" / "first_seen.csv").exists() == (kind == "file")
    shutil.rmtree(data / "foods" / "fdc_2026_04_30")
    with pytest.raises(InputError, match="nowhere: is not there"):
        bring_update("fdc", data, source=tmp_path / "nowhere")


@pytest.mark.parametrize("kind", ["file", "folder"])
def test_a_file_for_a_release_that_is_here_must_be_its_own(
    data: Path, publish: Callable[..., str], whole: bytes, sr28: FoodRelease, tmp_path: Path, kind: str
) -> None:
    """A second --from is never passed over: what is not there or is another file is refused by both hashes."""
    publish("fdc", whole)

    def brought(name: str, content: bytes) -> Path:
        source = tmp_path / f"{name}.zip"
        source.write_bytes(content)
        if kind == "folder":
            with zipfile.ZipFile(source) as archive:
                archive.extractall(tmp_path / name)
        return source if kind == "file" else tmp_path / name

    first = brought("first", whole)
    new = bring_update("fdc", data, source=first).new
    before = snapshot(data / "foods")
    assert bring_update("fdc", data, source=first).new is new
    with pytest.raises(InputError, match=r"nowhere: is not there; expected the \.zip or \.json file of fdc_2026_04_30"):
        bring_update("fdc", data, source=tmp_path / "nowhere")
    other = brought("other", fooddata(sr28, ALL, {"11352": "Potatoes of another year"}))
    differing = [source if kind == "file" else source / "download" / "food.csv" for source in (other, first)]
    found, expected = (hashlib.sha256(path.read_bytes()).hexdigest() for path in differing)
    with pytest.raises(InputError, match=f"has the SHA-256 {found}, expected {expected} .*nothing was imported"):
        bring_update("fdc", data, source=other)
    assert snapshot(data / "foods") == before


def test_a_release_that_names_no_raw_files_cannot_be_compared_with_one(
    data: Path, publish: Callable[..., str], whole: bytes, tmp_path: Path
) -> None:
    """It may be of any of them; nothing is taken for the same."""
    publish("fdc", whole)
    bring_update("fdc", data)
    (data / "foods" / "first_seen.csv").unlink()
    manifest = data / "foods" / "fdc_2026_04_30" / "manifest.json"
    about = json.loads(manifest.read_text(encoding="utf-8"))
    manifest.write_text(json.dumps(about | {"raw_files": {}}), encoding="utf-8")
    source = tmp_path / "by_hand.zip"
    source.write_bytes(whole)
    with pytest.raises(InputError, match=r"cannot be compared with fdc_2026_04_30.*names no raw files; leave --from"):
        bring_update("fdc", data, source=source)


@pytest.mark.parametrize(("layout", "missing"), [("sr28", "DATA_SRC.txt"), ("cnf", "food_name.csv")])
def test_each_layout_is_read_as_its_own(data: Path, publish: Callable[..., str], layout: str, missing: str) -> None:
    """What is missing is said by the name that it has in that layout."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("other.txt", "")
        archive.writestr("other.csv", "")
    publish("invented", packed.getvalue(), layout=layout)
    with pytest.raises(InputError, match=re.escape(f"found no {missing}")):
        bring_update("invented", data)


def test_an_archive_and_its_folder_are_the_same_files(
    data: Path, publish: Callable[..., str], whole: bytes, tmp_path: Path
) -> None:
    """A release that came from an archive is known again in the unpacked folder, and the other way round."""
    publish("fdc", whole)
    packed, folder = tmp_path / "packed.zip", tmp_path / "unpacked"
    packed.write_bytes(whole)
    with zipfile.ZipFile(packed) as archive:
        archive.extractall(folder)
    for first, second in ((packed, folder), (folder, packed)):
        new = bring_update("fdc", data, source=first).new
        assert bring_update("fdc", data, source=second).new is new
        shutil.rmtree(data / "foods" / "fdc_2026_04_30")
        (data / "foods" / "first_seen.csv").unlink(missing_ok=True)  # a folder has no hash
    bring_update("fdc", data, source=folder)
    next(folder.rglob("food_portion.csv")).unlink()
    with pytest.raises(InputError, match=r"unpacked: found no food_portion\.csv"):
        bring_update("fdc", data, source=folder)


def test_a_file_of_the_wrong_kind_says_what_is_wanted(data: Path, publish: Callable[..., str], tmp_path: Path) -> None:
    """One table of a release is not the release."""
    url = publish("cnf", b"", layout="cnf")
    source = tmp_path / "x.csv"
    source.write_text("a,b\n")
    wanted = re.escape(f"expected the .zip file of cnf_2026_04_30 as published ({url}), or its unpacked folder")
    with pytest.raises(InputError, match=rf"x\.csv: found a file 'x\.csv'; {wanted}"):
        bring_update("cnf", data, source=source)


@pytest.mark.parametrize("content", [b"<html>an error page</html>", b"", b"PK\x03\x04cut off"])
def test_what_is_no_release_leaves_nothing(data: Path, publish: Callable[..., str], content: bytes) -> None:
    """A page, nothing, or half an archive in place of the release: one sentence; no folder, no hash, no switch."""
    publish("fdc", content)
    before = snapshot(data / "foods" / "sr28")
    with pytest.raises(SwaptableError) as caught:
        bring_update("fdc", data)
    assert "\n" not in str(caught.value)
    assert [path.name for path in (data / "foods").iterdir() if not path.name.startswith(".")] == ["sr28"]
    assert snapshot(data / "foods" / "sr28") == before
    assert read_current(data) == Current()


def test_all_recipes_compute_on_the_new_release(
    data: Path, publish: Callable[..., str], whole: bytes, sr28: FoodRelease
) -> None:
    """The same values under other codes give the same amounts, to the digit, though every recipe says sr28."""
    publish("fdc", whole)
    switch_to(bring_update("fdc", data))
    assert read_current(data) == Current("fdc_2026_04_30", ("sr28",))
    release = open_current(data=data)
    assert (release.name, release.manifest["released"]) == ("fdc_2026_04_30", "2026-04-30, codes of sr28")
    for recipe in ("barley_pot", "oat_pancakes", "sardine_traybake", "white_bean_bowl"):
        old, new = computed(data, recipe, sr28), computed(data, recipe, release)
        tags = ["NA", "K", "CA", "MG", "FE", "VITC", "ENERC_KCAL", "PROCNT", "FIBTG", "WATER"]
        for basis in ("serving", "100 g"):
            found, expected = (each.per(basis).sel(component=tags).to_numpy() for each in (new, old))
            assert np.allclose(found, expected, rtol=1e-12, equal_nan=True)


def test_a_yield_whose_cooked_entry_is_gone_falls_back_to_its_class(
    data: Path, publish: Callable[..., str], sr28: FoodRelease
) -> None:
    """The raw potato is there under its code, the baked one is not: the yield is that of its class, and says so."""
    publish("fdc", fooddata(sr28, used_foods()))
    switch_to(bring_update("fdc", data))
    old, new = (lines_table(computed(data, "sardine_traybake", release)) for release in (sr28, None))
    old, new = (each[each["ingredient"] == "tuber"]["yield_from"].iloc[0] for each in (old, new))
    assert old == f"{new}, this food"


def test_the_way_back_is_one_command(data: Path, publish: Callable[..., str], whole: bytes) -> None:
    """After switching back current is SR28 itself again, and every recipe file is as it was all the time."""
    before = snapshot(data / "recipes")
    publish("fdc", whole)
    switch_to(bring_update("fdc", data))
    switch_to(bring_update("sr28", data))
    assert read_current(data) == Current("sr28")
    release = open_current(data=data)
    assert type(release) is FoodRelease
    assert release.food("11352").code == "11352"
    assert snapshot(data / "recipes") == before


def test_foods_answer_to_all_their_codes(data: Path, publish: Callable[..., str], whole: bytes) -> None:
    """A food is listed once, under the code that recipes, prices and published tables know, and found by its own."""
    publish("fdc", whole)
    switch_to(bring_update("fdc", data))
    release = open_current(data=data)
    food = release.food("sr28:11352")
    assert food == release.food("fdc_2026_04_30:181352") == release.food("181352")
    assert (food.code, release.full_code(food.code)) == ("sr28:11352", "sr28:11352")
    assert release.foods.at["sr28:11352", "published_code"] == "fdc_2026_04_30:181352"
    assert release.values("sr28:11352")["NA"] == 6
    assert release.foods.index.is_unique
    assert release.sha256 != release.target.sha256
    assert open_current(data=data) is release


def test_what_is_not_mapped_says_where_to_write(data: Path, publish: Callable[..., str], whole: bytes) -> None:
    """A recipe written later with a code that nobody mapped is told what to write, and where."""
    publish("fdc", whole)
    switch_to(bring_update("fdc", data))
    release = open_current(data=data)
    with pytest.raises(
        SwaptableError, match=r"found 'sr28:09004'; nobody has said .* row sr28,09004,fdc_2026_04_30,CODE"
    ):
        release.food("sr28:09004")
    with pytest.raises(SwaptableError, match="this run reads the food release 'fdc_2026_04_30'"):
        release.food("own:1")


def test_search_certainty_and_gaps_work_under_the_codes(data: Path, publish: Callable[..., str], whole: bytes) -> None:
    """What else looks at a release takes it as any other: hits have codes that recipes may write, errors are known."""
    publish("fdc", whole)
    switch_to(bring_update("fdc", data))
    release = open_current(data=data)
    assert find_foods("potato with skin raw", release, 1)[0].code == "sr28:11352"
    amounts = computed(data, "barley_pot", release)
    assert float(certainty_of(amounts).error.sel(component="NA").max()) > 0
    filled = fill_gaps(release)
    assert filled.food("fdc_2026_04_30:181352") == release.food("sr28:11352")
    assert np.isnan(filled.matrix).sum() <= np.isnan(release.matrix).sum()


def test_an_import_that_was_killed_is_made_anew(data: Path, publish: Callable[..., str], whole: bytes) -> None:
    """What a killed import left is not taken for a release, and does not stand in the way."""
    part = data / "foods" / "fdc_2026_04_30.part"
    part.mkdir()
    (part / "values.parquet").write_bytes(b"PAR1")
    publish("fdc", whole)
    assert len(bring_update("fdc", data).new.foods) == len(ALL)
    assert not part.exists()


@pytest.fixture
def gap(data: Path, publish: Callable[..., str], sr28: FoodRelease) -> str:
    """Publish a release that lacks the barley of the pot, but has another barley."""
    publish("fdc", fooddata(sr28, sorted({*used_foods(), *OTHERS, "20006"} - {"20005"})))
    return "fdc"


def test_a_switch_is_refused_while_a_food_in_use_has_no_answer(data: Path, gap: str) -> None:
    """It names file, line, ingredient, candidates and where to write the answer; nothing is switched or dropped."""
    update = bring_update(gap, data)
    assert [question.code for question in update.open] == ["sr28:20005"]
    with pytest.raises(SwaptableError) as caught:
        switch_to(update)
    told = str(caught.value)
    line = next(
        number for number, text in enumerate((data / "recipes/barley_pot.yaml").read_text().splitlines(), 1)
        if "barley:" in text
    )  # fmt: skip
    assert re.search(rf"recipes/barley_pot\.yaml:{line} ingredients\.barley", told)
    assert "sr28:20005 Barley, pearled, raw: which food of fdc_2026_04_30?" in told
    assert "190006 Barley, pearled, cooked" in told
    assert re.search(r"\(\d\.\d\d\)\. Write its code as new_code in ", told)
    assert told.endswith("; 1 food in use waits for an answer")
    assert str(answers_file(data)) in told
    assert "\n" not in told
    assert read_current(data) == Current()


def test_many_questions_are_asked_once_each(data: Path, publish: Callable[..., str], sr28: FoodRelease) -> None:
    """The list has one heading; the refusal counts the foods and names them, and repeats no question."""
    publish("fdc", fooddata(sr28, sorted({*used_foods(), *OTHERS} - {"20005", "11352"})))
    update = bring_update("fdc", data)
    lines = difference_lines(update)
    assert [line for line in lines if line.startswith("asked")] == ["asked of 2 foods in use:"]
    assert [line.strip() for line in lines[-2:]] == [question.sentence() for question in update.open]
    with pytest.raises(SwaptableError) as caught:
        switch_to(update)
    told = str(caught.value)
    codes = ", ".join(question.code for question in update.open)
    assert told.startswith(f"2 foods in use wait for an answer, which food of fdc_2026_04_30 each is: {codes}. Write ")
    assert "asked:" not in told
    assert not any(question.sentence() in told for question in update.open)


def test_an_answer_by_hand_lets_the_switch_go_on(data: Path, gap: str) -> None:
    """The row waits in the file; with a code in it the recipe computes on that food."""
    bring_update(gap, data)
    answer(data, "sr28:20005", "190036")  # brown rice, for the sake of the test
    switch_to(bring_update(gap, data))
    release = open_current(data=data)
    assert release.food("sr28:20005").description == release.food("190036").description
    lines = {line for line, change in read_changes(answers_file(data)) if change.new_code}
    assert len(lines) == 1


def test_an_answer_may_stay_with_the_old_food(data: Path, gap: str, sr28: FoodRelease) -> None:
    """With its release in front, the old food goes on beside the new ones; no other of that release does."""
    bring_update(gap, data)
    answer(data, "sr28:20005", "sr28:20005")
    switch_to(bring_update(gap, data))
    assert read_current(data) == Current("fdc_2026_04_30+sr28", ("sr28",))
    release = open_current(data=data)
    assert release.values("sr28:20005")["NA"] == sr28.values("20005")["NA"]
    assert release.foods.at["sr28:20005", "published_code"] == "sr28:20005"
    assert release.foods.at["sr28:11352", "published_code"] == "fdc_2026_04_30:181352"
    with pytest.raises(SwaptableError, match="found 'sr28:01009'; nobody has said"):
        release.food("sr28:01009")
    assert float(computed(data, "barley_pot").per("serving").sel(component="NA").max()) > 0
    switch_to(bring_update("sr28", data))
    assert read_current(data) == Current("sr28")


def test_a_question_of_a_food_that_is_used_no_more_stops_nothing(data: Path, gap: str) -> None:
    """The row that waits for an answer stays as it is, and stands for no food."""
    update = bring_update(gap, data)
    assert difference_lines(update)[-1] == f"asked: {update.open[0].sentence()}"
    for recipe in (data / "recipes").glob("*.yaml"):
        recipe.write_text(recipe.read_text(encoding="utf-8").replace("sr28:20005", "sr28:20006"), encoding="utf-8")
    waiting = answers_file(data).read_bytes()
    switch_to(bring_update(gap, data))
    assert answers_file(data).read_bytes() == waiting
    with pytest.raises(SwaptableError, match="found 'sr28:20005'; nobody has said what stands for it"):
        open_current(data=data).food("sr28:20005")


def test_a_wrong_answer_is_named_with_its_line(data: Path, gap: str) -> None:
    """An answer that names no food, and a food answered twice, stop the switch at the line."""
    bring_update(gap, data)
    answer(data, "sr28:20005", "999")
    with pytest.raises(
        InputError, match=r"answers\.csv:2: new_code: found '999'; expected a food code of fdc_2026_04_30"
    ):
        switch_to(bring_update(gap, data))
    answer(data, "sr28:20005", "190036")
    with answers_file(data).open("a", encoding="utf-8") as stream:
        stream.write("sr28,20005,fdc_2026_04_30,190006,by hand,,\n")
    with pytest.raises(
        InputError, match=r"answers\.csv:3: old_code: found sr28:20005 again, first in line 2; keep one"
    ):
        bring_update(gap, data)
    assert read_current(data) == Current()


def test_questions_are_asked_once(data: Path, gap: str) -> None:
    """A second look adds no second row."""
    bring_update(gap, data)
    first = answers_file(data).read_bytes()
    bring_update(gap, data)
    assert answers_file(data).read_bytes() == first


def test_a_recipe_that_would_not_compute_stops_the_switch(
    data: Path, publish: Callable[..., str], sr28: FoodRelease, tmp_path: Path
) -> None:
    """If the new release lacks a portion that a recipe weighs by, the place is named and nothing is switched."""
    packed = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(fooddata(sr28, used_foods()))) as old, zipfile.ZipFile(packed, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            new.writestr(name, content.splitlines(keepends=True)[0] if "portion" in name else content)
    publish("fdc", packed.getvalue())
    with pytest.raises(SwaptableError, match=r"barley_pot\.yaml:\d+:\d+: .*nothing was switched to fdc_2026_04_30"):
        switch_to(bring_update("fdc", data))
    assert read_current(data) == Current()


def test_drafts_and_foods_of_other_releases_do_not_stop_a_switch(
    data: Path, publish: Callable[..., str], whole: bytes
) -> None:
    """What does not compute today, a draft or a recipe of one's own products, is not the new release's fault."""
    text = 'title: D\nservings: 1\ningredients:\n  a: {{amount: {}, food: "{}"}}\n'
    (data / "recipes" / "a_draft.yaml").write_text(text.format('"?"', "sr28:11352"))
    (data / "recipes" / "an_own.yaml").write_text(text.format("1 g", "own:oat"))
    publish("fdc", whole)
    assert switch_to(bring_update("fdc", data)).release == "fdc_2026_04_30"


def test_from_one_edition_to_the_next(data: Path, publish: Callable[..., str], whole: bytes, sr28: FoodRelease) -> None:
    """A second switch leads codes of SR28 and of the edition before to the newest."""
    publish("fdc", whole)
    switch_to(bring_update("fdc", data))
    text = 'title: D\nservings: 1\ningredients:\n  a: {amount: 1 g, food: "fdc_2026_04_30:181352"}\n'
    (data / "recipes" / "new.yaml").write_text(text)
    publish("fdc", fooddata(sr28, used_foods()), version="2026-10-31")
    update = bring_update("fdc", data)
    assert list(update.olds) == ["fdc_2026_04_30", "sr28"]
    chosen = switch_to(update)
    assert chosen == Current("fdc_2026_10_31", ("fdc_2026_04_30", "sr28"))
    release = open_current(data=data)
    assert release.food("sr28:11352") == release.food("fdc_2026_04_30:181352")
    assert computed(data, "new").per("serving").sel(component="NA").item() == pytest.approx(0.06)


def small(
    folder: Path, rows: list[tuple[str, str, float, float]], title: str = "T", **columns: list[str]
) -> FoodRelease:
    """Write a release of foods with sodium and refuse: code, description, sodium [mg], refuse [%]."""
    table = pd.DataFrame(rows, columns=["code", "description", "sodium", "refuse_percent"])
    foods = table[["code", "description", "refuse_percent"]].assign(food_group="", refuse_description="", **columns)
    values = pd.DataFrame(
        {"code": table["code"].astype("category"), "nutrient_number": 307, "value": table["sodium"].to_numpy()}
    )
    components = pd.DataFrame({"component": ["NA"], "nutrient_number": [307], "unit": ["mg"], "name": ["Sodium"]})
    portions = pd.DataFrame({"code": [], "sequence": [], "amount": [], "measure": [], "grams": []})
    about = {"name": folder.name, "title": title, "released": "2026"}
    tables = {"foods": foods, "values": values, "components": components, "portions": portions}
    return write_release(folder, about, tables)


OLD_FOODS = [
    ("1", "Leeks, raw", 20, 56), ("2", "Oats, dry", 2, 0), ("3", "Barley, raw", 9, 0), ("4", "Kale, raw", 38, 28),
    ("5", "Lard", 0, 0), ("6", "Rye", 1, 0), ("7", "Rye", 2, 0), ("8", "Beans, canned", 300, 0),
]  # fmt: skip
NEW_FOODS = [
    ("1", "Leeks (raw)", 20, 56), ("2", "Cheese, hard, grated", 900, 0), ("30", "Barley, raw", 12, 0),
    ("4", "Kale, raw", 38, 30), ("60", "Rye", 1, 0), ("80", "Beans, canned, drained", 200, 0),
    ("9", "Okra, raw", 7, 14),
]  # fmt: skip


def test_foods_are_known_again_only_for_sure(tmp_path: Path) -> None:
    """By the same code with like words, else by the same words; a code given to another food and twins are not."""
    old, new = small(tmp_path / "old", OLD_FOODS), small(tmp_path / "new", NEW_FOODS)
    found = {change.old_code: (change.new_code, change.how) for change in match_codes(old, new)}
    assert found == {"1": ("1", SAME_CODE), "4": ("4", SAME_CODE), "3": ("30", SAME_WORDS)}


def test_the_number_of_sr28_is_read_where_it_is_printed(tmp_path: Path) -> None:
    """FoodData Central prints it; of two foods with one number the words decide; other tables' codes are no proof."""
    title = "USDA National Nutrient Database for Standard Reference, Release 0"
    old = small(tmp_path / "old", [("00001", "Leeks, raw", 1, 0), ("00002", "Rye, dry", 1, 0)], title)
    rows = [("71", "Leek", 1, 0), ("72", "Rye, dry", 1, 0), ("73", "Rye, dry, whole", 1, 0)]
    numbers = ["1", "2", "2"]
    new = small(tmp_path / "new", rows, data_type=["sr_legacy_food"] * 3, other_code=numbers)
    found = {change.old_code: (change.new_code, change.how) for change in match_codes(old, new)}
    assert found == {"00001": ("71", SR_NUMBER), "00002": ("72", SR_NUMBER)}
    elsewhere = small(tmp_path / "elsewhere", rows, other_code=numbers)  # the food that one was derived from
    assert {change.how for change in match_codes(old, elsewhere)} == {SAME_WORDS}


def test_differences_are_counted(tmp_path: Path) -> None:
    """By hand: 1 differs in punctuation alone, 3 has a new number and 12 for 9 mg, 4 has 30 for 28 % refuse."""
    old, new = small(tmp_path / "old", OLD_FOODS), small(tmp_path / "new", NEW_FOODS)
    pairs = [(change.old_code, change.new_code, change.how) for change in match_codes(old, new)]
    difference = compare(old, new, pairs)
    kinds = {kind: int(rows.sum()) for kind, rows in difference.kinds().items()}
    assert kinds == {"new": 4, "vanished": 5, "renumbered": 1, "changed": 2}
    table = difference.table.set_index("old")
    assert table.loc["3", ["new", "values", "words", "refuse"]].tolist() == ["30", 1, False, False]
    assert table.loc["4", ["new", "values", "words", "refuse"]].tolist() == ["4", 0, False, True]
    same = compare(old, old, [(code, code, SAME_CODE) for code in old.foods.index])
    assert not any(rows.any() for rows in same.kinds().values())


def test_the_foods_of_the_recipes_are_told_by_place(
    data: Path, publish: Callable[..., str], sr28: FoodRelease, little: FoodRelease
) -> None:
    """A food whose words changed is told with the recipe, its line and the ingredient."""
    publish("fdc", fooddata(sr28, ALL, {"11352": "Potatoes, flesh and skin, raw, new crop"}))
    lines = difference_lines(bring_update("fdc", data))
    size, vanished = len(little.foods), len(little.foods) - len(ALL)
    counts = f"new 0, vanished {vanished}, renumbered {len(ALL)}, changed 1"
    assert lines[0] == f"fdc_2026_04_30 ({len(ALL)} foods) against sr28 ({size}): {counts}"
    assert lines[1].endswith(f"recipes and days use: vanished 0, renumbered {len(used_foods())}, changed 1")
    assert re.search(
        r"changed: 11352 is 181352 Potatoes.*new crop: words \(.*barley_pot\.yaml:\d+ ingr.*tuber", lines[2]
    )


def test_of_many_changed_foods_the_first_are_told_and_the_rest_counted(
    data: Path, publish: Callable[..., str], sr28: FoodRelease
) -> None:
    """Nobody reads more than a screen of them."""
    changed = used_foods()[: MOST_LINES + 2]
    publish("fdc", fooddata(sr28, ALL, {code: f"{sr28.food(code).description}, new crop" for code in changed}))
    lines = difference_lines(bring_update("fdc", data))
    assert sum(line.startswith("  changed: ") for line in lines) == MOST_LINES
    assert lines[MOST_LINES + 2] == "  and 2 more that changed"


@pytest.fixture
def shell(data: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., int]:
    """Call the command on the folder of the test."""
    monkeypatch.setattr(command, "DATA", data)

    def call(*words: str) -> int:
        parser = argparse.ArgumentParser()
        command.add_to(parser.add_subparsers())
        options = parser.parse_args(["update", *words])
        try:
            return int(options.command(options))
        except SwaptableError as error:
            print(error)
            return 2

    return call


def test_the_command_lists_brings_and_switches(
    data: Path, publish: Callable[..., str], whole: bytes, shell: Callable[..., int], capsys: pytest.CaptureFixture[str]
) -> None:
    """Without a name it lists; with one it brings; only with --switch does it switch, and it says the way back."""
    publish("fdc", whole)
    assert shell() == 0
    assert "fdc_2026_04_30  T  [not here]" in capsys.readouterr().out
    assert shell("fdc") == 0
    assert "against sr28" in capsys.readouterr().out
    assert read_current(data) == Current()
    assert shell("fdc", "--switch") == 0
    assert "current is fdc_2026_04_30 now; back: update sr28 --switch" in capsys.readouterr().out
    assert shell("sr28", "--switch") == 0
    assert read_current(data) == Current("sr28")
    told = capsys.readouterr().out
    assert "current is sr28 now" in told
    own = f"{len(used_foods())} foods of sr28 they name by its own code"
    assert f"  recipes and days name no food of fdc_2026_04_30; {own}\n" in told
    before = snapshot(data)
    assert shell("sr28", "--switch") == 0
    assert capsys.readouterr().out.splitlines()[1:] == ["current was sr28 already"]
    assert snapshot(data) == before
    assert shell("--switch") == 2


def test_a_failed_download_is_no_wrong_input(
    publish: Callable[..., str],
    shell: Callable[..., int],
    caplog: pytest.LogCaptureFixture,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Exit code 1, for the job may try again tomorrow; a wrong name is 2."""
    monkeypatch.setattr(logging.getLogger("swaptable"), "propagate", True)  # which the command line switches off
    publish("fdc", b"")
    (tmp_path / "served" / "fdc_2026-04-30.zip").unlink()
    assert shell("fdc") == 1
    assert "answers 404" in caplog.text
    assert shell("nothing") == 2


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("relase: sr28\n", "expected release: NAME"),
        ("release: sr28\ncodes: sr28\n", "codes: expected a list"),
        ("release: current\n", "release: found 'current'"),
        ("release: gone\n", "found '.*gone'; expected one of"),
    ],
)
def test_a_broken_file_of_what_is_current_is_named(data: Path, text: str, message: str) -> None:
    """One sentence, whoever broke it."""
    (data / "current_release.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=message):
        open_current(data=data)


def test_without_a_word_the_embedded_release_is_current(data: Path) -> None:
    """A project that never chose one has no such file."""
    (data / "current_release.yaml").unlink()
    assert read_current(data) == Current("sr28")


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"\xff", "cannot be read as UTF-8 text"),
        (b"old,new\n", ":1: found old, new; expected old_release, old_code, "),
        (b"\n{header}\n ,,\nsr28,1,fdc,2\n", ":4: found 4 fields, expected 7"),
    ],
)
def test_a_broken_file_of_answers_is_named_with_its_line(data: Path, gap: str, content: bytes, told: str) -> None:
    """Empty lines are passed over, and count."""
    bring_update(gap, data)
    header = answers_file(data).read_bytes().splitlines()[0]
    answers_file(data).write_bytes(content.replace(b"{header}", header))
    with pytest.raises(InputError, match=re.escape(told)):
        read_changes(answers_file(data))


def test_a_map_may_be_read_and_is_made_anew_if_lost(data: Path, publish: Callable[..., str], whole: bytes) -> None:
    """The map names for every code how it was known; lost, it comes back the same."""
    publish("fdc", whole)
    bring_update("fdc", data)
    path = map_file("sr28", "fdc_2026_04_30", data)
    first = path.read_bytes()
    assert b"sr28,11352,fdc_2026_04_30,181352,SR number,certain," in first
    path.unlink()
    bring_update("fdc", data)
    assert path.read_bytes() == first
    path.write_text("a,b\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"sr28_to_fdc_2026_04_30\.csv:1: found a, b; expected old_release"):
        code_map(["sr28"], "fdc_2026_04_30", data)
