"""Public food releases by name: where each is, what its file must be, and how it becomes a release beside the others.

The names stand in ``data/reference/public_releases.csv``. A file whose hash nobody has printed is trusted the first
time and noted in ``data/foods/first_seen.csv``; from then on any other file is refused.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
import shutil
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from urllib.parse import urlsplit

from swaptable.basics.downloads import check_url, fetch, other_file
from swaptable.basics.errors import InputError, SwaptableError, listed, nearest
from swaptable.basics.folders import DATA, shown
from swaptable.basics.whole_files import sha256_of, write_whole
from swaptable.foods.release import FoodRelease, open_release
from swaptable.foods.release_writer import refuse_existing
from swaptable.releases.fdc_layout import TYPES
from swaptable.releases.fooddata_central import import_fdc
from swaptable.releases.nutrient_file import import_cnf
from swaptable.releases.raw_files import RawFile, RawFiles, name_of
from swaptable.releases.raw_tables import read_rows
from swaptable.releases.sr28 import import_sr28

__all__ = ["PublicRelease", "bring_in", "public_releases", "release_named"]

LAYOUTS = ("sr28", "fdc", "cnf")
DOWNLOADS = ".downloads"  # in data/foods
_TABLE, _SEEN = "reference/public_releases.csv", "foods/first_seen.csv"
_COLUMNS = (
    "name", "version", "title", "layout", "types", "stand_ins", "url", "sha256", "released", "licence", "note",
    "source", "checked",
)  # fmt: skip
_SEEN_COLUMNS = ("release", "sha256", "bytes", "first_seen", "from")


@dataclass(frozen=True)
class PublicRelease:
    """A release that a public authority puts out.

    Attributes
    ----------
    name, version, title : str
        The name is that of the series; the newest version is meant where none is said.
    layout : str
        ``sr28``, ``fdc`` or ``cnf``: which importer reads it.
    types : tuple of str
        Kinds of foods to take, for the layout ``fdc``.
    stand_ins : tuple of (str, str)
        As for :func:`swaptable.releases.fooddata_central.import_fdc`.
    url : str
        ``https``.
    sha256 : str
        Of the file; empty if nobody has printed it.
    """

    name: str
    version: str
    title: str
    layout: str
    types: tuple[str, ...]
    stand_ins: tuple[tuple[str, str], ...]
    url: str
    sha256: str = ""

    @property
    def folder(self) -> str:
        """Name of its folder in ``data/foods/``, which stands before the codes of its foods.

        Examples
        --------
        >>> release_named("fdc_sr_legacy").folder
        'fdc_sr_legacy_2018_04'
        """
        return re.sub(r"\W", "_", f"{self.name}_{self.version}".rstrip("_"))

    @property
    def file_name(self) -> str:
        """Name of the file behind the address."""
        return re.sub(r"[^\w.-]", "_", urlsplit(self.url).path.rpartition("/")[2]) or "download"


def public_releases(data: Path = DATA) -> list[PublicRelease]:
    """Read the public releases that have a name here.

    Parameters
    ----------
    data : Path, optional
        Folder of the project's data.

    Returns
    -------
    list of PublicRelease
        In the order of the table.

    Raises
    ------
    InputError
        With file and line.
    """
    raw = _raw(data / _TABLE)
    table = read_rows(raw, dict.fromkeys(_COLUMNS, True))
    found: dict[str, PublicRelease] = {}
    for line, row in zip(table.index, table.to_dict("records"), strict=True):
        try:
            release = _release(row)
        except SwaptableError as error:
            raise InputError(str(error), file=raw.place, line=int(line)) from error
        if release.folder in found:
            problem = f"found '{release.folder}' twice; give one another version"
            raise InputError(problem, file=raw.place, line=int(line), field="version")
        found[release.folder] = release
    return list(found.values())


def _raw(path: Path) -> RawFile:
    return RawFile(shown(path), lambda: path.open("rb"))


def _release(row: dict[str, str]) -> PublicRelease:
    if row["layout"] not in LAYOUTS:
        raise SwaptableError(f"layout: found '{row['layout']}'; expected {', '.join(LAYOUTS)}")
    if row["sha256"] and not re.fullmatch(r"[0-9a-f]{64}", row["sha256"]):
        raise SwaptableError(f"sha256: found '{row['sha256']}'; expected 64 digits 0-9 and a-f, or nothing")
    types = tuple(row["types"].split())
    wrong = [word for word in types if word not in TYPES]
    if wrong or (row["layout"] == "fdc") != bool(types):
        raise SwaptableError(f"types: found '{row['types']}'; expected, for fdc alone, some of {', '.join(TYPES)}")
    pairs = [tuple(pair.split("=")) for pair in row["stand_ins"].split()]
    if not all(len(pair) == 2 for pair in pairs):
        raise SwaptableError(f"stand_ins: found '{row['stand_ins']}'; expected TAG=TAG")
    check_url(row["url"])
    release = PublicRelease(
        row["name"], row["version"], row["title"], row["layout"], types, tuple((a, b) for a, b in pairs), row["url"],
        row["sha256"],
    )  # fmt: skip
    if not re.fullmatch(r"[a-z]\w*", release.folder):
        raise SwaptableError(f"name: found '{release.folder}'; expected small letters, digits and _")
    return release


def release_named(name: str, data: Path = DATA) -> PublicRelease:
    """Find a public release by its name, the newest of its series, or by its name with the version.

    Parameters
    ----------
    name : str
        Such as ``"cnf"`` or ``"cnf_2015"``.
    data : Path, optional

    Returns
    -------
    PublicRelease

    Raises
    ------
    InputError
        If there is none; names those there are.

    Examples
    --------
    >>> release_named("cnf").version, release_named("cnf_2015").version
    ('2026', '2015')
    """
    known = public_releases(data)
    exact = [release for release in known if release.folder == name]
    series = sorted((release for release in known if release.name == name), key=lambda release: release.version)
    if not exact and not series:
        names = [release.folder for release in known]
        raise InputError(f"found '{name}'; expected one of {listed(names, 20)}{nearest(name, names)}", field="release")
    return exact[0] if exact else series[-1]


def bring_in(release: PublicRelease, data: Path = DATA, *, source: Path | None = None) -> FoodRelease:
    """Fetch a release unless it is here, check it, and import it beside the others.

    Parameters
    ----------
    release : PublicRelease
    data : Path, optional
    source : Path, optional
        File or folder that was brought by hand; nothing is fetched then.

    Returns
    -------
    FoodRelease

    Raises
    ------
    DownloadError
        If it cannot be fetched, or what the server has is another file than the one known or seen first.
    InputError
        If what was brought by hand is no such release, or another file than the one known, seen first or imported:
        names both hashes. Then nothing is written.
    """
    folder = data / "foods" / release.folder
    expected = release.sha256 or _seen(release, data)
    stated = shown(data / (_TABLE if release.sha256 else _SEEN))
    if source is not None:
        _check_kind(release, source)
        found = "" if source.is_dir() else sha256_of(source)
        if found and expected and found != expected:
            raise InputError(f"{other_file(shown(source), found, expected, stated)}; nothing was imported")
    if (folder / "manifest.json").is_file():
        here = open_release(folder)
        if source is not None and not (found and expected):
            _check_same_files(here, source)
        return here
    refuse_existing(folder)
    downloads = data / "foods" / DOWNLOADS / release.folder
    file = source
    if file is None:
        file = fetch(release.url, downloads, release.file_name, sha256=expected, stated=stated)
        found = sha256_of(file)
    imported = _imported(release, file, folder)
    if found:
        _note(release, found, file.stat().st_size, str(file) if source else release.url, data)
    shutil.rmtree(downloads, ignore_errors=True)
    return imported


def _check_kind(release: PublicRelease, source: Path) -> None:
    """Refuse what was brought by hand if it is not even of the kind that holds a release."""
    kinds = (".zip", ".json") if release.layout == "fdc" else (".zip",)
    wanted = f"the {' or '.join(kinds)} file of {release.folder} as published ({release.url}), or its unpacked folder"
    if not source.exists():
        raise InputError(f"is not there; expected {wanted}", file=shown(source))
    if not source.is_dir() and source.suffix.lower() not in kinds:
        raise InputError(f"found a file '{source.name}'; expected {wanted}", file=shown(source))


def _check_same_files(here: FoodRelease, source: Path) -> None:
    """Refuse files other than those that a release which is here was made of."""
    recorded = here.manifest.get("raw_files") or {}
    manifest = shown(here.folder / "manifest.json")
    if not recorded:
        problem = f"cannot be compared with {here.name}, which is here: {manifest} names no raw files; leave --from out"
        raise InputError(problem, file=shown(source))
    with RawFiles(source, tuple({PurePosixPath(place).suffix.lower() for place in recorded})) as files:
        for place, about in recorded.items():
            raw = files.need(name_of(place))
            with raw.reading() as stream:
                found = hashlib.file_digest(stream, "sha256").hexdigest()  # type: ignore[arg-type]
            if found != about["sha256"]:
                raise InputError(f"{other_file(raw.place, found, about['sha256'], manifest)}; nothing was imported")


def _imported(release: PublicRelease, source: Path, folder: Path) -> FoodRelease:
    if release.layout == "sr28":
        return import_sr28(source, folder)
    if release.layout == "fdc":
        return import_fdc(source, folder, release.types, dict(release.stand_ins))
    return import_cnf(source, folder)


def _seen_rows(data: Path) -> list[dict[str, str]]:
    path = data / _SEEN
    if not path.exists():
        return []
    return read_rows(_raw(path), dict.fromkeys(_SEEN_COLUMNS, True)).to_dict("records")


def _seen(release: PublicRelease, data: Path) -> str:
    """Give the hash of the file that was seen first; empty if none was."""
    return next((row["sha256"] for row in _seen_rows(data) if row["release"] == release.folder), "")


def _note(release: PublicRelease, sha256: str, size: int, place: str, data: Path) -> None:
    """Note the hash of a file that turned out to be the release; the first stays for good."""
    rows = _seen_rows(data)
    if any(row["release"] == release.folder for row in rows):
        return
    new = (release.folder, sha256, str(size), datetime.now(UTC).date().isoformat(), place)
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerows([_SEEN_COLUMNS, *([row[name] for name in _SEEN_COLUMNS] for row in rows), new])
    write_whole(data / _SEEN, text.getvalue())
