"""Pages: the index lists every report, escaped, whatever the others are like."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import nbformat
import pandas as pd
import pytest

from swaptable.reporting.reports import table_shown
from swaptable.runs.html_pages import notebook_page, write_index
from swaptable.runs.run_files import notebook_parameters

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)


def add_report(reports: Path, name: str, headline: str) -> None:
    """Put a finished report in place without running it."""
    folder = reports / name
    (folder / "figures").mkdir(parents=True)
    (folder / "figures" / "density.txt").write_text("What the chart shows\n", encoding="utf-8")
    about = {
        **{"title": f"Title of {name}", "headline": headline, "audience": "Everyone"},
        "parameters": {"recipe": name, "prices": ""},
        "food_release": {"name": "sr28", "released": "2016-05"},
        "finished": "2026-09-01T10:00:00+00:00",
    }
    (folder / "provenance.json").write_text(json.dumps(about), encoding="utf-8")


def test_index_lists_every_run(reports: Path) -> None:
    """The index links every finished report with its headline, escaped, and leaves failures out."""
    add_report(reports, "b_pot", "Less & <less> sodium")
    add_report(reports, "a_pot", "More potassium")
    (reports / "failed" / "c_pot").mkdir(parents=True)
    (reports / ".d_pot-x").mkdir()
    text = write_index(reports).read_text(encoding="utf-8")
    assert re.findall(r'href="([^"]+)"', text) == ["a_pot/index.html", "b_pot/index.html"]
    assert "Less &amp; &lt;less&gt; sodium" in text
    assert "sr28 (2016-05)" in text
    assert "prices" not in text, "an empty parameter says nothing"
    assert ">Title of a_pot: Everyone</a>" in text, "two audiences of one recipe are told apart by their links"
    assert "1 September 2026, 10:00 UTC" in text
    assert sorted(path.name for path in reports.glob(".*")) == [".d_pot-x", ".locks"]


def test_index_shows_the_chart_that_the_summary_names(reports: Path) -> None:
    """A notebook without a density chart names another, and lists read as words."""
    add_report(reports, "a_pot", "Good")
    folder = reports / "a_pot"
    (folder / "figures" / "density.txt").rename(folder / "figures" / "error.txt")
    about = json.loads((folder / "provenance.json").read_text(encoding="utf-8"))
    about |= {"chart": "error", "parameters": {"seeds": ["1", "2"]}}
    (folder / "provenance.json").write_text(json.dumps(about), encoding="utf-8")
    text = write_index(reports).read_text(encoding="utf-8")
    assert '<img src="a_pot/figures/error.png" alt="What the chart shows"' in text
    assert "seeds: 1, 2;" in text


def test_index_leaves_out_what_is_as_usual(reports: Path, tiny: Path) -> None:
    """A parameter at the default of its notebook says nothing about a report."""
    add_report(reports, "a_pot", "Good")
    shutil.copy(tiny, reports / "a_pot")
    record = reports / "a_pot" / "provenance.json"
    usual = {name: parameter.default for name, parameter in notebook_parameters(tiny).items()}
    about = json.loads(record.read_text(encoding="utf-8"))
    record.write_text(json.dumps(about | {"parameters": usual}), encoding="utf-8")
    assert "<small>food release sr28" in write_index(reports).read_text(encoding="utf-8")
    record.write_text(json.dumps(about | {"parameters": usual | {"word": "other"}}), encoding="utf-8")
    assert "<small>word: other; food release sr28" in write_index(reports).read_text(encoding="utf-8")


def test_index_of_nothing(reports: Path) -> None:
    """Without reports the index says so."""
    reports.mkdir()
    assert "None yet" in write_index(reports).read_text(encoding="utf-8")


@pytest.mark.parametrize("damaged", ["figures/density.txt", "provenance.json"])
def test_damaged_report_does_not_hide_the_others(reports: Path, damaged: str) -> None:
    """A report that lost a file, or whose record is cut short, does not keep the others off the index."""
    add_report(reports, "a_pot", "Damaged")
    add_report(reports, "b_pot", "Whole")
    (reports / "a_pot" / damaged).write_text("", encoding="utf-8")
    assert 'href="b_pot/index.html"' in write_index(reports).read_text(encoding="utf-8")


def test_index_that_says_the_same_is_left_alone(reports: Path) -> None:
    """Nothing is written where nothing changed, so that a finished workspace may be read-only."""
    add_report(reports, "a_pot", "Good")
    before = write_index(reports).stat()
    (reports / ".index.html-killed").touch()
    assert write_index(reports).stat().st_mtime_ns == before.st_mtime_ns
    add_report(reports, "b_pot", "New")
    write_index(reports)
    assert list(reports.glob(".index*")) == [], "what a killed run left is gone"


def test_page_hides_code_and_escapes_its_title(tiny: Path) -> None:
    """A page is one file, its title text and not markup, without the code of the notebook."""
    page = notebook_page(tiny, "A <b> & c")
    assert page.startswith("<!doctype html>")
    assert "<title>A &lt;b&gt; &amp; c</title>" in page
    assert "time.sleep" not in page


def page_of(markup: str, folder: Path) -> str:
    """Make the page of a notebook that showed some markup, under a heading."""
    shown = nbformat.v4.new_output("execute_result", {"text/html": markup}, execution_count=1)
    cells = [nbformat.v4.new_markdown_cell("## Heading"), nbformat.v4.new_code_cell("1", outputs=[shown])]
    nbformat.write(nbformat.v4.new_notebook(cells=cells), folder / "shown.ipynb")
    return notebook_page(folder / "shown.ipynb", "Shown")


def test_words_stand_to_the_left_and_numbers_to_the_right(tmp_path: Path) -> None:
    """A column that holds a word anywhere is one of words; intervals, brackets, gaps and units go with numbers."""
    table = pd.DataFrame(
        {
            "Why": ["less salt", "5"], "Sodium [mg]": [1.5, float("nan")], "90 % interval": ["(1 to 2)", "≈0"],
            "Amount": ["1,200 mg", "3 g"],
        },
        index=["a", "b"],
    )  # fmt: skip
    page = page_of(table_shown(table, "Told").data, tmp_path)
    assert re.findall(r'<t[hd] class="words">(.*?)</t[hd]>', page) == ["Why", "less salt", "5"]


@pytest.mark.browser
@pytest.mark.skipif(CHROMIUM is None, reason="needs an installed Chromium (program 'chromium' on the path)")
def test_a_wide_table_is_printed_whole(tmp_path: Path) -> None:
    """On paper no column of a table of sixteen is lost, and a long one has its head on every page."""
    playwright = pytest.importorskip("playwright.sync_api", reason="needs playwright, of the extra 'dev'")
    wide = pd.DataFrame({f"Sodium {n} [mg per 100 g]": [1234.5] * 60 for n in range(16)})
    (tmp_path / "page.html").write_text(page_of(table_shown(wide, "Wide").data, tmp_path), encoding="utf-8")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM)
        page = browser.new_page(viewport={"width": 688, "height": 1000})  # a sheet of 210 mm without its margins
        page.emulate_media(media="print")
        page.goto((tmp_path / "page.html").as_uri())
        ends = page.evaluate("[...document.querySelectorAll('th,td')].map(e => e.getBoundingClientRect().right)")
        head = page.evaluate("getComputedStyle(document.querySelector('thead')).display")
        browser.close()
    assert max(ends) <= 688
    assert head == "table-header-group"
