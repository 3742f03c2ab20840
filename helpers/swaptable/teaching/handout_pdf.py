"""A hand-out as PDF: one page if it fits at a size that can be read, tagged for screen readers (PDF/UA-1)."""

from __future__ import annotations

import json
import re
import unicodedata
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any

import matplotlib as mpl
import typst

from swaptable.basics.errors import InputError, SwaptableError, nearest
from swaptable.basics.folders import shown
from swaptable.basics.phrases import Words, speak
from swaptable.basics.whole_files import write_whole
from swaptable.teaching.handout import Handout

__all__ = ["LARGE_SIZE", "LEAST_SIZE", "PAPERS", "check_target", "page_count", "render_handout", "write_handout"]

PAPERS = {"a4": "a4", "letter": "us-letter"}
LEAST_SIZE, LARGE_SIZE = 10.0, 18.0  # pt: no word of a hand-out is smaller
LONGEST_WORD, PIECE = 24, 6  # characters: a longer word may break after every so many
# DejaVu comes with matplotlib, Libertinus with typst: the same page everywhere, without the system's fonts.
FONTS = ("Libertinus Serif", "DejaVu Sans", "STIXGeneral", "Last Resort High-Efficiency")
_TEMPLATE = Path(__file__).with_name("handout.typ")
_LABELS = {
    "benefit": "heading.benefit", "allergens": "heading.allergens", "ingredients": "heading.ingredients",
    "method": "heading.method", "swaps": "heading.swaps", "nutrition": "heading.nutrition",
    "cautions": "heading.cautions", "amount": "table.measure", "food": "table.food", "per_serving": "swap.per_serving",
    "sure_note": "sure.note", "share_note": "table.note", "estimate": "frame.estimate", "defer": "frame.defer",
    "not_translated": "frame.not_translated",
}  # fmt: skip
_TABLE = ("table.what", "table.amount", "table.share", "table.sure")
_BIDI = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"


def _clean(value: Any) -> Any:
    """Make texts safe to set: no control or direction characters, and no word too long for a line."""
    if isinstance(value, dict):
        return {key: _clean(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_clean(part) for part in value]
    if not isinstance(value, str):
        return value
    plain = "".join(
        " " if unicodedata.category(sign) in ("Cc", "Cs", "Co", "Cn") or sign in _BIDI else sign for sign in value
    )
    pieces = re.compile(rf"\S{{{PIECE}}}(?=\S)")
    return re.sub(rf"\S{{{LONGEST_WORD + 1},}}", lambda word: pieces.sub("\\g<0>\u200b", word[0]), plain)


@dataclass(frozen=True)
class _Fit:
    """How tightly a page is set: size of the text [pt], margin [mm] and space between lines [em]."""

    size: float
    margin: float
    leading: float


FITS = (
    _Fit(11.5, 14, 0.55),
    _Fit(11.0, 14, 0.55),
    _Fit(10.5, 14, 0.55),
    _Fit(LEAST_SIZE, 14, 0.55),
    _Fit(LEAST_SIZE, 11, 0.46),
    _Fit(LEAST_SIZE, 10, 0.42),
)  # the first that takes the fewest pages
LARGE_FITS = (_Fit(LARGE_SIZE, 12, 0.5), _Fit(LARGE_SIZE, 10, 0.42))


def _content(handout: Handout, paper: str, fit: _Fit, *, large: bool) -> str:
    say = speak(handout.language).say
    labels: dict[str, Any] = {name: say(key) for name, key in _LABELS.items()}
    labels["table"] = [say(key) for key in _TABLE]
    labels["page"] = say("frame.page", title=handout.title.text, page="{page}", pages="{pages}")
    content = asdict(handout) | {
        "labels": labels,
        "audience": asdict(Words(say("frame.for", audience=handout.audience.text), handout.audience.language)),
        "ingredients": [{"amount": amount, "food": asdict(food)} for amount, food in handout.ingredients],
        "nutrition": [list(asdict(row).values()) for row in handout.nutrition],
        "paper": PAPERS[paper],
        "large": large,
        "least": LARGE_SIZE if large else LEAST_SIZE,
        **asdict(fit),
        "fonts": list(FONTS),
    }
    return json.dumps(_clean(content), ensure_ascii=False)


@cache
def _fonts() -> list[str]:
    return [str(Path(mpl.get_data_path()) / "fonts" / "ttf")]


def _compile(content: str) -> bytes:
    where: dict[str, Any] = {"font_paths": _fonts(), "ignore_system_fonts": True}
    into: dict[str, Any] = {"format": "pdf", "pdf_standards": ["ua-1"]}
    try:
        return typst.compile(_TEMPLATE.read_bytes(), sys_inputs={"content": content}, **where, **into)
    except typst.TypstError as error:
        raise SwaptableError(f"the hand-out cannot be set ({str(error).splitlines()[0]})") from error


def page_count(pdf: bytes) -> int:
    """Count the pages of a PDF that :func:`render_handout` made."""
    found = re.search(rb"<xmpTPg:NPages>(\d+)<", pdf)
    if found is None:
        raise SwaptableError("found no count of pages; expected a PDF of a hand-out")
    return int(found[1])


def render_handout(handout: Handout, *, paper: str = "a4", large: bool = False) -> bytes:
    """Set a hand-out on paper.

    Parameters
    ----------
    handout : Handout
    paper : str, optional
        ``"a4"`` or ``"letter"``.
    large : bool, optional
        Large print: 18 pt and one column, on as many pages as it takes.

    Returns
    -------
    bytes
        A PDF/UA-1, on one page if it fits at 10 pt or more.

    Raises
    ------
    SwaptableError
        If there is no such paper.
    """
    if paper not in PAPERS:
        raise SwaptableError(f"found paper '{paper}'; expected {' or '.join(PAPERS)}{nearest(paper, PAPERS)}")
    tried: list[bytes] = []
    for fit in LARGE_FITS if large else FITS:
        tried.append(_compile(_content(handout, paper, fit, large=large)))
        if page_count(tried[-1]) == 1:
            break
    return min(tried, key=page_count)


def check_target(path: str | Path, force: bool = False) -> Path:
    """Refuse a file that a hand-out cannot be written to.

    Raises
    ------
    InputError
        If it is there already, is no PDF by name, or its folder is not there.
    """
    target = Path(path)
    if target.suffix.lower() != ".pdf":
        raise InputError(f"found '{target.name}'; expected a name that ends in .pdf", file=shown(target))
    if target.is_dir() or not target.parent.is_dir():
        raise InputError("cannot be written; expected a file in a folder that is there", file=shown(target))
    if target.exists() and not force:
        raise InputError("is there already; use --force to overwrite it", file=shown(target))
    return target


def write_handout(
    handout: Handout, path: str | Path, *, paper: str = "a4", large: bool = False, force: bool = False
) -> int:
    """Write a hand-out to a file, whole or not at all.

    Parameters
    ----------
    handout : Handout
    path : str or Path
        Must end in ``.pdf``.
    paper, large : optional
        As for :func:`render_handout`.
    force : bool, optional
        Overwrite a file that is there.

    Returns
    -------
    int
        Pages.

    Raises
    ------
    InputError
        If the file is there already, is no PDF by name, or its folder is not there.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import swaptable as st
    >>> sheet = st.compose_handout("oat_pancakes", "blood_pressure")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     pages = write_handout(sheet, pathlib.Path(folder) / "pancakes.pdf")
    >>> pages
    1
    """
    target = check_target(path, force)
    pdf = render_handout(handout, paper=paper, large=large)
    write_whole(target, pdf)
    return page_count(pdf)
