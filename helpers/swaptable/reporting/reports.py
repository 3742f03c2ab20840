"""Reports: showing charts and tables in a notebook, and writing them to a run's folder."""

from __future__ import annotations

import base64
import html
import io
import json
from collections.abc import Iterable, Sequence
from pathlib import Path

import matplotlib as mpl
import pandas as pd
from IPython.display import HTML
from matplotlib.figure import Figure

from swaptable.formats.csv_cells import harmless_table
from swaptable.judging.findings import gaps, headline
from swaptable.judging.study import Study
from swaptable.reporting.figures import TEXTS, Chart

__all__ = [
    "ESTIMATE",
    "bullets",
    "chart_shown",
    "from_memory",
    "listed_markup",
    "summary_shown",
    "svg_of",
    "table_shown",
    "write_tables",
]

ESTIMATE = (
    "All amounts are estimates from food tables and published factors. They are an aid to a registered dietitian, "
    "not medical advice, and not for packaged sale."
)
_LEFT = "\ue000"  # stands before a cell of words until the markup is written


def _bytes(figure: Figure, kind: str) -> bytes:
    stream = io.BytesIO()
    metadata = {"Date": None} if kind == "svg" else {}  # the same chart is the same file
    with mpl.rc_context(TEXTS | {"svg.hashsalt": "swaptable", "svg.fonttype": "none"}):
        figure.savefig(stream, format=kind, dpi=144, metadata=metadata)
    return stream.getvalue()


def chart_shown(chart: Chart, output: str = "") -> HTML:
    """Show a chart with its text for screen readers, and save it if the run has a folder.

    Parameters
    ----------
    chart : Chart
    output : str, optional
        Folder of the run; empty for a notebook read by hand, which writes nothing.

    Returns
    -------
    HTML
        A figure whose picture has an alternative text.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import swaptable as st
    >>> chart = st.plot_timeline(st.plan_class("oat_pancakes", people=12))
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     shown = chart_shown(chart, folder)
    ...     sorted(path.name for path in pathlib.Path(folder, "figures").iterdir())
    ['timeline.png', 'timeline.svg', 'timeline.txt']
    >>> shown.data[:48]
    '<figure><img alt="The method gives 10 minutes; 2'
    """
    png = _bytes(chart.figure, "png")
    if output:
        folder = Path(output) / "figures"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f"{chart.name}.png").write_bytes(png)
        (folder / f"{chart.name}.svg").write_bytes(svg_of(chart))
        (folder / f"{chart.name}.txt").write_text(f"{chart.title}\n\n{chart.alt}\n", encoding="utf-8")
    picture = base64.b64encode(png).decode()
    return HTML(
        f'<figure><img alt="{html.escape(chart.title)}. {html.escape(chart.alt)}" '
        f'src="data:image/png;base64,{picture}" style="max-width:100%"></figure>'
    )


def svg_of(chart: Chart) -> bytes:
    """Write a chart as SVG, title and description where screen readers look for them."""
    text = _bytes(chart.figure, "svg").decode()
    start = text.index(">", text.index("<svg")) + 1
    words = f"<title>{html.escape(chart.title)}</title><desc>{html.escape(chart.alt)}</desc>"
    return (text[: start - 1] + ' role="img">' + words + text[start:]).encode()


def table_shown(table: pd.DataFrame, caption: str, text: Sequence[str] = ()) -> HTML:
    """Show a table with a caption, numbers to three significant digits, missing values as words.

    Parameters
    ----------
    table : DataFrame
    caption : str
        What the table answers, with unit and basis.
    text : sequence of str, optional
        Columns of words, which stand to the left.

    Returns
    -------
    HTML

    Examples
    --------
    >>> import re
    >>> import pandas as pd
    >>> table = pd.DataFrame({"Sodium [mg]": [412.34, float("nan")]}, index=["soup", "stew"])  # invented
    >>> re.findall("<td>(.*?)</td>", table_shown(table, "Sodium per serving").data)
    ['412', 'not known']
    """

    def cell(value: object) -> str:
        if isinstance(value, bool):
            return "yes" if value else ""
        if isinstance(value, float):
            found = f"{value:,.3g}" if abs(value) < 1000 else f"{value:,.0f}"
            return "not known" if pd.isna(value) else found.replace("-", "−")
        return html.escape(str(value))

    plain = table.map(cell)
    for name in text:
        plain[name] = _LEFT + plain[name]
    plain = plain.rename(columns={name: _LEFT + name for name in text})
    plain.index = [html.escape(str(label)) for label in plain.index]
    plain.columns = [html.escape(str(column).replace("_", " ")) for column in plain.columns]
    body = plain.to_html(escape=False, border=0)
    for tag in ("td", "th"):
        body = body.replace(f"<{tag}>{_LEFT}", f'<{tag} style="text-align:left">')
    return HTML(body.replace(">", f"><caption>{html.escape(caption)}</caption>", 1))


def summary_shown(study: Study) -> HTML:
    """Show what the study is about, its main result and what is not known.

    Parameters
    ----------
    study : Study

    Returns
    -------
    HTML
        Heading and sentences: sodium [mg a serving], for whom, how the weight as eaten was found, gaps, notes.

    Examples
    --------
    >>> import re
    >>> import swaptable as st
    >>> shown = summary_shown(st.study_recipe("oat_pancakes", "blood_pressure"))
    >>> re.search("<p>(4 servings.*?)[.]", shown.data)[1]
    '4 servings, 12 variants'
    """
    recipe = study.amounts.recipe
    return HTML(
        f"<h1>{html.escape(study.title)}</h1><p><strong>{html.escape(headline(study))}</strong></p>"
        f"<p>For: {html.escape(study.audience.title)}. {html.escape(study.audience.about)}</p>"
        f"<p>{recipe.servings:g} servings, {len(study.variants)} variants. Weight as eaten: "
        f"{html.escape(study.amounts.cooked_weight_origin)}. {html.escape(gaps(study))}</p>"
        f"<p>{html.escape(recipe.notes)}</p>"
    )


def write_tables(tables: dict[str, pd.DataFrame], summary: dict[str, str], output: str) -> list[str]:
    """Write tables as CSV and the summary that the index of reports reads.

    Parameters
    ----------
    tables : dict of DataFrame
        By file name without ending.
    summary : dict
        ``title``, ``headline``, ``audience`` and, if it is not ``density``, the ``chart`` that stands for the run.
    output : str
        Folder of the run; empty writes nothing.

    Returns
    -------
    list of str
        Names of the files written. Numbers are not rounded; an empty cell is a missing value.
    """
    if not output:
        return []
    folder = Path(output) / "tables"
    folder.mkdir(parents=True, exist_ok=True)
    for name, table in tables.items():
        harmless_table(table).to_csv(folder / f"{name}.csv", index=False, encoding="utf-8", lineterminator="\n")
    text = json.dumps(summary, indent=2, ensure_ascii=False) + "\n"
    (Path(output) / "summary.json").write_text(text, encoding="utf-8", newline="\n")
    return sorted(f"{name}.csv" for name in tables)


def from_memory(checked: str) -> str:
    """Say behind a source that a value is from memory; empty where it was seen."""
    return " (from memory)" if checked == "from memory" else ""


def bullets(items: Iterable[str]) -> str:
    """Write plain sentences as a list of the page."""
    return listed_markup(map(html.escape, items))


def listed_markup(items: Iterable[str]) -> str:
    """Write markup as a list of the page."""
    return "<ul>" + "".join(f"<li>{item}</li>" for item in items) + "</ul>"
