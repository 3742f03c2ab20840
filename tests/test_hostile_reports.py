"""Reports of a recipe whose every text wants to be run: in a browser, in hand-outs, charts and tables, nothing is."""

from __future__ import annotations

import ast
import csv
import html
import io
import json
import re
import shutil
from collections.abc import Iterator
from contextlib import redirect_stdout
from pathlib import Path
from urllib.parse import urlsplit

import nbformat
import openpyxl
import pytest

from swaptable.amounts.nutrients import compute
from swaptable.amounts.recipes import read_recipe
from swaptable.amounts.variants import build_grid
from swaptable.basics.folders import NOTEBOOKS
from swaptable.foods.release import FoodRelease
from swaptable.formats.open_formats import convert
from swaptable.judging.study import study_recipe
from swaptable.runs.html_pages import notebook_page, write_index
from swaptable.teaching.handout import compose_handout
from swaptable.teaching.handout_pdf import render_handout

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
OUTSIDE = "http://outside.invalid"
SCRIPT = f"</title></style><script>window.ran=1;alert(1);fetch('{OUTSIDE}/f')</script>"
PICTURE = f"<img src={OUTSIDE}/p onerror=window.ran=1>"
LINK = f"\"><a href='javascript:window.ran=1' onmouseover=window.ran=1>x</a>[x](javascript:window.ran=1) {OUTSIDE}/l"
MARKUP = f'#import "x" $\\frac{{1}}{{0}}$ @x \\input{{/etc/passwd}} {{{{7*7}}}} ![x]({OUTSIDE}/m) // /* `x`'
FORMULA = "=HYPERLINK(1+1)"
EVIL = {
    "title": f"Pot {SCRIPT}", "notes": f"{PICTURE}{LINK}{MARKUP}", "step": f"Boil for 10 minutes {SCRIPT}{MARKUP}",
    "root": f"{PICTURE} root", "salt": FORMULA, "choice": f"{LINK[:90]}", "water": f"{MARKUP}", "swap": "@SUM(1+1)",
    "none": f"+{PICTURE}", "audience": f"Class {SCRIPT}", "caution": f"{PICTURE}{LINK}", "concern": f"-{SCRIPT[:80]}",
}  # fmt: skip


def quoted(key: str) -> str:
    """Write one of the texts as YAML."""
    return json.dumps(EVIL[key])


RECIPE = f"""title: {quoted("title")}
servings: 4
cooked weight: 1.2 kg
ingredients:
  {quoted("root")}: {{amount: 600 g, food: "sr28:11352", cook: boiled, liquid: kept}}
  {quoted("water")}: {{amount: 0.5 l, food: "sr28:14411"}}
  {quoted("salt")}: {{amount: 1 tsp, food: "sr28:02047"}}
choices:
  {quoted("choice")}:
    {quoted("water")}: as written
    {quoted("swap")}: {{{quoted("root")}: {{food: "sr28:11507"}}}}
  {quoted("salt")}:
    {quoted("concern")}: as written
    {quoted("none")}: {{{quoted("salt")}: {{amount: 0}}}}
method:
  - {quoted("step")}
notes: {quoted("notes")}
"""
AUDIENCE = f"""title: {quoted("audience")}
about: {quoted("notes")}
groups: [women 51 to 70]
raise: [potassium]
keep down: [sodium]
limits:
  - {{component: sodium, at most: 2000 mg, source: {quoted("caution")}}}
concerns: [warfarin]
cautions:
  - {quoted("caution")}
"""
WORDS = f"""{EVIL["title"]}

Serves 4

Ingredients
- 600 g potatoes {PICTURE}
- 1 tsp salt {SCRIPT}
- {FORMULA}

Method
1. {EVIL["step"]}
"""


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """The recipe, the audience and the recipe in words, as files."""
    folder = tmp_path_factory.mktemp("evil")
    texts = {"recipe.yaml": RECIPE, "audience.yaml": AUDIENCE, "words.txt": WORDS}
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    return {name.partition(".")[0]: str(folder / name) for name in texts}


def output_of(value: object) -> nbformat.NotebookNode:
    """Give what a notebook would show of a value."""
    data = {"text/plain": repr(value)}
    if hasattr(value, "_repr_html_"):
        data["text/html"] = value._repr_html_()
    return nbformat.v4.new_output("display_data", data)


def report_of(notebook: str, output: Path, **parameters: object) -> Path:
    """Run the cells of a notebook here, without a kernel, and make its page."""
    output.mkdir(parents=True)
    book = nbformat.read(NOTEBOOKS / f"{notebook}.ipynb", as_version=4)
    shown: list[object] = []
    names: dict[str, object] = {"display": lambda *values: shown.extend(values)}
    for cell in book.cells:
        if cell.cell_type != "code":
            continue
        tree = ast.parse(cell.source)
        last = tree.body.pop() if tree.body and isinstance(tree.body[-1], ast.Expr) else None
        with redirect_stdout(io.StringIO()):
            exec(compile(tree, notebook, "exec"), names)
            if last is not None:
                shown.append(eval(compile(ast.Expression(last.value), notebook, "eval"), names))
        if "parameters" in cell.metadata.get("tags", []):
            names |= {**parameters, "output": str(output)}
        quiet = cell.source.rstrip().endswith(";")
        cell.outputs = [] if quiet else [output_of(value) for value in shown if value is not None]
        shown.clear()
    path = output / f"{notebook}.ipynb"
    nbformat.write(book, path)
    summary = json.loads((output / "summary.json").read_text(encoding="utf-8"))
    (output / "index.html").write_text(notebook_page(path, summary["title"]), encoding="utf-8")
    release = {"name": SCRIPT, "released": PICTURE}
    record = {**summary, "parameters": parameters | {"x": SCRIPT}, "food_release": release, "finished": SCRIPT}
    (output / "provenance.json").write_text(json.dumps(record), encoding="utf-8")
    return output / "index.html"


@pytest.fixture(scope="module")
def reports(files: dict[str, str], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Reports of every notebook that shows words of a user, and the index."""
    folder = tmp_path_factory.mktemp("reports")
    both = {"recipe": files["recipe"], "audience": files["audience"]}
    report_of("compare_variants", folder / "compared", **both)
    report_of("decide", folder / "decided", **both, constraints=["sodium <= 600 mg"], prices="", draws=200)
    report_of("plan_class", folder / "planned", **both, prices="")
    report_of("match_ingredients", folder / "matched", words=files["words"], audience=files["audience"])
    programme = {"recipes": [files["recipe"]], "audiences": [files["audience"]], "days": []}
    report_of("programme", folder / "programme", **programme)
    report_of("find_swap", folder / "swapped", **both, ingredient=EVIL["root"])
    write_index(folder)
    return folder


@pytest.mark.browser
@pytest.mark.skipif(CHROMIUM is None, reason="needs an installed Chromium (program 'chromium' on the path)")
def test_no_page_runs_or_fetches_anything(reports: Path) -> None:
    """Nothing runs, no box opens, nothing is asked of the network, and the words stand there to read."""
    playwright = pytest.importorskip("playwright.sync_api", reason="needs playwright, of the extra 'dev'")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM)
        page = browser.new_page()
        asked, boxes, wrong = [], [], []
        page.on("request", lambda request: asked.append(request.url))
        page.on("dialog", lambda dialog: (boxes.append(dialog.message), dialog.dismiss()))
        for path in sorted(reports.rglob("*.html")):
            page.goto(path.as_uri())
            page.evaluate("document.querySelectorAll('*').forEach(e => e.dispatchEvent(new MouseEvent('mouseover')))")
            page.wait_for_timeout(200)
            loaded = page.evaluate(
                "[window.ran, document.scripts.length, document.querySelectorAll('[onerror],[onmouseover]').length, "
                "[...document.links].filter(l => !/^file:/.test(l.href) || /javascript/.test(l.href)).length]"
            )
            if loaded[0] is not None or any(loaded[1:]):
                wrong.append((path.parent.name, loaded))
            if "matched" not in path.parts and "programme" not in path.parts:
                assert "<script>" in page.inner_text("body"), path
        browser.close()
    assert wrong == []
    assert boxes == []
    assert [url for url in asked if urlsplit(url).scheme not in ("file", "data")] == []


def test_every_output_of_a_notebook_is_escaped(reports: Path) -> None:
    """What notebooks keep of their outputs holds no tag of a user's."""
    for path in sorted(reports.rglob("*.ipynb")):
        shown = [
            out.data.get("text/html", "")
            for cell in nbformat.read(path, as_version=4).cells
            for out in cell.get("outputs", [])
        ]
        assert shown
        tags = re.findall(r"<(/?\w+)[^>]*?(\bon\w+\s*=|javascript:)?[^>]*>", "".join(shown))
        assert not {tag.lower() for tag, _ in tags} & {"script", "/style", "/title", "a"}, path


def texts_of(reports: Path) -> Iterator[tuple[Path, str]]:
    """Give every cell of every table."""
    for path in sorted(reports.rglob("*.csv")):
        with path.open(encoding="utf-8", newline="") as stream:
            yield from ((path, cell) for row in csv.reader(stream) for cell in row)


def test_no_table_of_a_report_holds_a_formula(reports: Path) -> None:
    """No cell begins as a formula does, unless it is a number."""
    numbers = 0
    for path, cell in texts_of(reports):
        if cell.startswith(("=", "+", "-", "@", "\t", "\r")):
            float(cell)
            numbers += 1
        assert cell[:1] not in ("=", "@"), (path, cell)
    assert numbers, "differences below 0 stay numbers"


def test_charts_say_what_names_say(reports: Path, files: dict[str, str]) -> None:
    """Names with signs of formulas are drawn as they are; SVG and alternative texts are escaped."""
    svgs = sorted(reports.rglob("*.svg"))
    assert svgs
    for path in svgs:
        text = path.read_text(encoding="utf-8")
        assert "<script" not in text.lower()
        assert "<img" not in text.lower()
    assert any("\\frac{1}{0}" in html.unescape(path.read_text(encoding="utf-8")) for path in svgs)
    assert study_recipe(files["recipe"], files["audience"]).title


def test_hand_out_reads_no_markup(files: dict[str, str], sr28: FoodRelease) -> None:
    """A hand-out says the words, and neither imports, computes nor includes anything."""
    handout = compose_handout(files["recipe"], files["audience"])
    assert handout.title.text == EVIL["title"]
    for large in (False, True):
        pdf = render_handout(handout, large=large)
        assert pdf.startswith(b"%PDF")
        assert b"/JavaScript" not in pdf
        assert OUTSIDE.encode() not in pdf


@pytest.mark.parametrize("ending", ["xlsx", "csv", "json"])
def test_files_for_other_programs_run_nothing(
    files: dict[str, str], tmp_path: Path, sr28: FoodRelease, ending: str
) -> None:
    """Cells stay texts, a pasted JSON does not end a script, and reading gives the same recipe."""
    target = tmp_path / f"pot.{ending}"
    convert(files["recipe"], target, release=sr28)
    if ending == "xlsx":
        book = openpyxl.load_workbook(target)
        formulas = [c.value for sheet in book for row in sheet.iter_rows() for c in row if c.data_type == "f"]
        assert not [text for text in formulas if "HYPERLINK" in text or "SUM(1+1)" in text]
    elif ending == "csv":
        with target.open(encoding="utf-8", newline="") as stream:
            assert not [c for row in csv.reader(stream) for c in row if c.startswith(("=", "+", "-", "@"))]
    else:
        assert "</script" not in target.read_text(encoding="utf-8").lower()
    again = tmp_path / "again.yaml"
    convert(target, again, release=sr28)
    read, before = read_recipe(again), read_recipe(files["recipe"])
    assert read.model_dump() == before.model_dump()
    assert compute(build_grid(read, sr28)).grid.labels == compute(build_grid(before, sr28)).grid.labels
