"""Pages: the index lists every report, escaped, whatever the others are like."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from swaptable.runs.html_pages import notebook_page, write_index


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
    assert "seeds 1 2;" in text


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
