"""Pages of the reports folder: an executed notebook as one self-contained page, and the index of all."""

from __future__ import annotations

import html
import json
import re
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Any
from urllib.parse import quote

from swaptable.basics.locks import LOCKS, held
from swaptable.basics.whole_files import write_whole
from swaptable.runs.run_files import notebook_parameters

__all__ = ["notebook_page", "write_index"]

_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title><style>{style}</style></head><body><main>
{body}
</main></body></html>
"""
_STYLE = """
body{font:17px/1.5 Georgia,'Times New Roman',serif;color:#1a1a1a;background:#fff;margin:0}
main{max-width:62rem;margin:0 auto;padding:1.5rem}
h1,h2,h3{font-family:Verdana,Arial,sans-serif;line-height:1.25}h1{font-size:1.7rem}h2{font-size:1.25rem;margin-top:2.2rem}
figure{margin:1rem 0}img{max-width:100%;height:auto}
table{border-collapse:collapse;font-size:.82rem;font-family:Verdana,Arial,sans-serif;display:block;overflow-x:auto}
caption{text-align:left;font-weight:bold;padding:.4rem 0}
th,td{border-bottom:1px solid #bbb;padding:.25rem .4rem;text-align:right;vertical-align:top}
th:first-child,td:first-child,tbody th,.words{text-align:left}thead th{border-bottom:2px solid #333}
tbody th{min-width:9em}td:not(.words){white-space:nowrap}
a{color:#00508a}pre{white-space:pre-wrap;overflow-wrap:anywhere}
.runs{list-style:none;padding:0}.runs li{border-top:1px solid #bbb;padding:1rem 0}.runs img{max-width:26rem}
@page{margin:14mm}
@media print{
body{font-size:11pt}main{max-width:none;padding:0}
table{display:table;overflow:visible;width:100%;font-size:7.5pt;line-height:1.3}
table:has(th:nth-child(13)){font-size:6pt}
th,td,td:not(.words){padding:.12rem .2rem;overflow-wrap:break-word;white-space:normal}
tbody th{min-width:7em}thead{display:table-header-group}figure img{max-height:230mm}
tr,figure,li,pre,table:not(:has(tr:nth-child(12))){break-inside:avoid}
h1,h2,h3,caption,thead,.text_cell p,p:has(+pre){break-after:avoid}
}
"""
_TABLE = re.compile(r"<table\b.*?</table>", re.S)
_CELL = re.compile(r"<(t[dh])\b([^>]*)>(.*?)</\1>", re.S)
# In a number's cell: markup, an interval, a gap, a unit.
_NO_WORD = re.compile(r"<[^>]*>|&\w+;|\b(?:to|not known|not asked|too few)\b|(?<=\d )(?:µg|mg|g|kcal)\b")


def _page(title: str, body: str) -> str:
    return _PAGE.format(title=html.escape(title), style=_STYLE, body=body)


def notebook_page(notebook: Path, title: str) -> str:
    """Turn an executed notebook into one self-contained page, code hidden."""
    from nbconvert import HTMLExporter

    exporter = HTMLExporter(
        template_name="basic", exclude_input=True, exclude_input_prompt=True, exclude_output_prompt=True,
        exclude_anchor_links=True, mathjax_url="", require_js_url="", mermaid_js_url="",
    )  # fmt: skip
    body, _ = exporter.from_filename(str(notebook))
    return _page(title, _TABLE.sub(lambda table: _words_to_the_left(table[0]), body))


def _words_to_the_left(table: str) -> str:
    """Mark the columns of a table that hold words: they stand to the left, numbers to the right."""
    rows = re.split(r"(?=<tr\b)", table)
    of_words = {
        place
        for row in rows
        for place, (tag, _, text) in enumerate(_CELL.findall(row))
        if tag == "td" and any(map(str.isalpha, _NO_WORD.sub("", text)))
    }

    def marked(row: str) -> str:
        places = count()
        return _CELL.sub(
            lambda cell: f'{cell[0][:3]} class="words"{cell[0][3:]}' if next(places) in of_words else cell[0], row
        )

    return "".join(map(marked, rows))


def write_index(reports: Path) -> Path:
    """Write the page that lists every run with its headline.

    Parameters
    ----------
    reports : Path

    Returns
    -------
    Path
        ``index.html``; left alone where it says the same already, so that a finished workspace may be read-only.
    """
    items, damaged = [], []
    for record in sorted(reports.glob("[!.]*/provenance.json")):
        try:
            items.append(_index_item(record.parent))
        except (OSError, ValueError, KeyError, TypeError, IndexError):
            damaged.append(f"<li><p>{html.escape(record.parent.name)}: damaged; run it again.</p></li>")
    items += damaged
    body = f'<h1>Reports</h1><ul class="runs">{"".join(items) or "<li>None yet.</li>"}</ul>'
    page, text = reports / "index.html", _page("Reports", body)
    if not page.is_file() or page.read_text(encoding="utf-8", errors="replace") != text:
        with held(reports / LOCKS / "index.lock"):
            for part in reports.glob(".index.html-*"):  # what a killed run left
                part.unlink()
            write_whole(page, text)
    return page


def _index_item(folder: Path) -> str:
    about = json.loads((folder / "provenance.json").read_text(encoding="utf-8"))

    def said(key: str, of: Any = about) -> str:
        return html.escape(str(of[key]))

    release = about["food_release"]
    chart = str(about.get("chart", "density"))
    if not re.fullmatch(r"\w+", chart):  # the name of a file here, and of none elsewhere
        raise ValueError(chart)
    alt = (folder / "figures" / f"{chart}.txt").read_text(encoding="utf-8").splitlines()[0]
    usual = {name: one.default for book in folder.glob("*.ipynb") for name, one in notebook_parameters(book).items()}
    given = {key: value for key, value in about["parameters"].items() if value not in ("", [], key, usual.get(key))}
    values = [f"{key}: {', '.join(value) if isinstance(value, list) else value}" for key, value in given.items()]
    people = f"{' ' if said('title').endswith('?') else ': '}{said('audience')}" if about["audience"] else ""
    name = quote(folder.name)
    return (
        f'<li><h2><a href="{name}/index.html">{said("title")}{people}</a></h2>'
        f"<p><strong>{said('headline')}</strong></p>"
        f'<img src="{name}/figures/{chart}.png" alt="{html.escape(alt)}" loading="lazy">'
        f"<p><small>{html.escape('; '.join(values))}{'; ' * bool(values)}food release {said('name', release)} "
        f"({said('released', release)}); {html.escape(_plain_time(about['finished']))}</small></p></li>"
    )


def _plain_time(text: str) -> str:
    """Write a time for people; what is none stays as it is."""
    try:
        when = datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError):
        return text
    return f"{when.day} {when:%B %Y, %H:%M} UTC"  # a day without a zero in front, on every system
