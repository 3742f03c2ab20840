"""Charts for a slide or a journal: sizes, captions, methods, references, and the gallery."""

import re
from dataclasses import replace
from pathlib import Path

import matplotlib.image
import pytest

import swaptable as st
from swaptable.basics.errors import InputError, SwaptableError
from swaptable.basics.folders import DATA, HOME
from swaptable.judging.study import Study
from swaptable.reporting.publish import charts_of, methods_text, publish
from swaptable.runs.gallery import PICTURES
from swaptable.runs.run_files import read_runs


@pytest.fixture(scope="module")
def study() -> Study:
    """A recipe with few variants, quick to draw."""
    return st.study_recipe("oat_pancakes", "bone_health", regime="CA")


@pytest.fixture(scope="module")
def folder(study: Study, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Everything written once."""
    target = tmp_path_factory.mktemp("out") / "charts"
    publish(study, target)
    return target


def test_every_chart_has_three_sizes(study: Study, folder: Path) -> None:
    """A page, a slide and a journal each get every chart, and the words that go with it."""
    names = {path.name for path in folder.iterdir()}
    charts = ["density", "differences", "daily_values", "contributions", "effects", "targets"]
    wanted = {f"{chart}_{end}" for chart in charts for end in ("web.svg", "slide.png", "print.pdf")}
    assert names == wanted | {"captions.md", "methods.md", "references.bib"}


def test_a_slide_is_sixteen_to_nine(folder: Path) -> None:
    """1920 by 1080 points, the chart whole on white."""
    for path in folder.glob("*_slide.png"):
        assert matplotlib.image.imread(path).shape[:2] == (1080, 1920)


def test_a_printed_chart_embeds_its_fonts_and_its_text(folder: Path) -> None:
    """A vector page of a double column's width (180 mm are 510 points), tagged."""
    pdf = (folder / "density_print.pdf").read_bytes()
    assert pdf.startswith(b"%PDF")
    assert b"FontFile" in pdf
    box = re.search(rb"/MediaBox ?\[ ?0 0 ([0-9.]+)", pdf)
    assert box is not None
    assert float(box[1]) == pytest.approx(180 / 25.4 * 72, abs=0.5)


def test_captions_and_methods_say_what_a_journal_asks(study: Study, folder: Path) -> None:
    """Method, data release and certainty; every work that is cited is in the references."""
    captions = (folder / "captions.md").read_text(encoding="utf-8")
    assert captions.count("90 % intervals of the mean") == 6
    assert captions.count("SR28 (September 2015)") >= 6
    cited = set(re.findall(r"@(\w+)", methods_text(study)))
    entries = set(re.findall(r"^@\w+\{(\w+),", (DATA / "references.bib").read_text(encoding="utf-8"), re.M))
    assert cited
    assert cited <= entries
    assert "4 servings" in methods_text(study)


def test_words_of_a_recipe_are_neither_markup_nor_citations(study: Study, tmp_path: Path) -> None:
    """A title or a note with signs of Markdown stands in the captions as it was written."""
    recipe = study.amounts.recipe.model_copy(update={"title": "Pot *for* [two](http://x) @nobody2020 <b>"})
    odd = replace(study, amounts=replace(study.amounts, grid=replace(study.amounts.grid, recipe=recipe)))
    publish(odd, tmp_path / "odd", sizes=("web",))
    captions = (tmp_path / "odd" / "captions.md").read_text(encoding="utf-8")
    assert captions.count("Pot \\*for\\* \\[two\\](http://x) \\@nobody2020 \\<b\\>") == 6


def test_wrong_size_and_taken_folder(study: Study, tmp_path: Path) -> None:
    """Nothing is drawn for a size that is none, and nothing is overwritten."""
    with pytest.raises(SwaptableError, match="found size 'poster'; expected one of web, slide, print"):
        publish(study, tmp_path / "new", ("poster",))
    with pytest.raises(InputError, match="exists already"):
        publish(study, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_charts_are_all_that_the_notebook_shows(study: Study) -> None:
    """The notebook's charts, no more and no fewer."""
    notebook = (HOME / "notebooks" / "compare_variants.ipynb").read_text(encoding="utf-8")
    assert notebook.count("st.plot_") == len(list(charts_of(st.advise(study))))


def test_the_gallery_is_what_the_readme_shows() -> None:
    """Each picture is from a run that there is, is there, and stands in the README with a text."""
    readme = (HOME / "README.md").read_text(encoding="utf-8")
    runs = {run.name for run in read_runs(DATA / "runs.yaml")}
    for name, (run, _) in PICTURES.items():
        assert run in runs
        assert (HOME / "reports" / "gallery" / f"{name}.png").is_file()
        assert re.search(rf"!\[[^\]]{{40,}}\]\(reports/gallery/{name}\.png\)", readme), name
