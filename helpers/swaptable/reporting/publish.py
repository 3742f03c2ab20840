"""Charts for a slide or a journal: their sizes, captions, a methods paragraph and its references."""

from __future__ import annotations

import io
import re
import tempfile
from collections.abc import Iterator
from pathlib import Path

import matplotlib as mpl
import typst
from matplotlib.figure import Figure

from swaptable.basics.errors import InputError, SwaptableError, nearest
from swaptable.basics.folders import DATA
from swaptable.foods.cooking_factors import FACTORS
from swaptable.judging.advice import Advice, advise
from swaptable.judging.study import Study
from swaptable.judging.verdicts import LEVEL
from swaptable.reporting.figures import TEXTS, Chart
from swaptable.reporting.reports import svg_of
from swaptable.reporting.study_charts import (
    plot_contributions,
    plot_daily_values,
    plot_density,
    plot_differences,
    plot_effects,
)
from swaptable.reporting.targets_report import plot_targets

__all__ = ["SIZES", "charts_of", "methods_text", "print_page", "publish"]

SIZES = ("web", "slide", "print")
SLIDE_INCHES, SLIDE_DPI = (40 / 3, 7.5), 144  # 16:9, 1920 × 1080 points
PRINT_MM = 180  # double column; journals scale vector charts down from there
ENDINGS = {"web": ".svg", "slide": ".png", "print": ".pdf"}


def charts_of(advice: Advice) -> Iterator[Chart]:
    """Draw every chart of a study and its advice, one after the other."""
    study = advice.study
    for plot in (plot_density, plot_differences, plot_daily_values, plot_contributions, plot_effects):
        yield plot(study)
    yield plot_targets(advice)


@mpl.rc_context(TEXTS)
def _slide(figure: Figure) -> bytes:
    """Put a chart in the middle of a white 16:9 picture, as large as it fits."""
    width, height = figure.get_size_inches()
    scale = min(SLIDE_INCHES[0] / width, SLIDE_INCHES[1] / height)
    chart = io.BytesIO()
    figure.savefig(chart, format="png", dpi=SLIDE_DPI * scale)
    chart.seek(0)
    sheet = Figure(figsize=SLIDE_INCHES, dpi=SLIDE_DPI)
    share = (width * scale / SLIDE_INCHES[0], height * scale / SLIDE_INCHES[1])
    axes = sheet.add_axes(((1 - share[0]) / 2, (1 - share[1]) / 2, *share))
    axes.imshow(mpl.image.imread(chart), interpolation="lanczos")
    axes.set_axis_off()
    picture = io.BytesIO()
    sheet.savefig(picture, format="png", dpi=SLIDE_DPI)
    return picture.getvalue()


def print_page(chart: Chart) -> bytes:
    """Set a chart as a vector page of a double column's width, fonts embedded, with its text for screen readers.

    Parameters
    ----------
    chart : Chart

    Returns
    -------
    bytes
        PDF, 180 mm wide.
    """
    fonts = Path(mpl.get_data_path()) / "fonts" / "ttf"
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "chart.svg").write_bytes(svg_of(chart))
        source = Path(folder) / "chart.typ"
        source.write_text(
            f"#set page(width: {PRINT_MM}mm, height: auto, margin: 0mm)\n"
            f'#image("chart.svg", width: {PRINT_MM}mm, alt: sys.inputs.alt)\n',
            encoding="utf-8",
        )
        alt = f"{chart.title}. {chart.alt}"
        pdf: bytes = typst.compile(str(source), font_paths=[str(fonts)], sys_inputs={"alt": alt})
    return pdf


_DRAWN = {"web": svg_of, "slide": lambda chart: _slide(chart.figure), "print": print_page}


def _plain(text: str) -> str:
    """Keep signs of somebody's words from being read as Markdown or as a citation."""
    return re.sub(r"([\\`*_{}\[\]<>#|@~^])", r"\\\1", " ".join(text.split()))


def methods_text(study: Study) -> str:
    """Write the methods paragraph of a study, with citation keys of ``data/references.bib``.

    Parameters
    ----------
    study : Study

    Returns
    -------
    str
        Markdown.
    """
    amounts = study.amounts
    manifest = amounts.grid.release.manifest
    corrected = amounts.grid.factors != FACTORS[0]
    count = len(amounts.grid.labels)
    more = ", corrected by foods analysed raw and cooked" if corrected else ""
    sentences = [
        f"The {count} variants of the recipe were computed on {_plain(manifest.get('title', manifest['name']))} "
        f"(released {_plain(manifest['released'])}) [@sr28].",
        f"Amounts of raw edible foods were multiplied by the nutrient retention factors of USDA Release 6 [@retention6]"
        f"{more}; weights changed by published or weighed yields [@yields2; @greenfield2003], and the dish was divided "
        f"by {amounts.recipe.servings:g} servings.",
        f"Weight as eaten: {_plain(amounts.cooked_weight_origin)}.",
        "Standard errors are first order over independent sources: each food's value, each retention factor, each "
        "weighing; what two variants share cancels in their difference.",
        f"Intervals are {100 * LEVEL:.0f} % intervals of the mean; a difference whose interval holds 0 is called no "
        "real difference.",
        "Missing values were never taken as zero: sums with gaps are lower bounds.",
        "Nutrient density is the nutrient-rich foods index 9.3, capped sums, per 100 kcal [@fulgoni2009], total sugars "
        "standing in for added sugars.",
        "Targets are the Dietary Reference Intakes [@nasem2019; @iom2011], daily values those of the labelling regime "
        "[@cfr1019].",
    ]
    return " ".join(sentences) + "\n"


def _caption(chart: Chart, study: Study) -> str:
    return (
        f"**{_plain(chart.name)}.** {_plain(chart.title)}. {_plain(study.title)}, {len(study.variants)} variants, per "
        f"{study.basis}. Lines and brackets: {100 * LEVEL:.0f} % intervals of the mean. {_plain(study.source_line)}\n\n"
        f"Text for screen readers: {_plain(chart.alt)}\n"
    )


def publish(study: Study, folder: str | Path, sizes: tuple[str, ...] = SIZES) -> list[str]:
    """Write all charts of a study in sizes for a page, a slide or a journal, with captions, methods and references.

    Parameters
    ----------
    study : Study
    folder : str or Path
        New folder; it is there whole or not at all.
    sizes : tuple of str, optional
        Of :data:`SIZES`: ``web`` (SVG), ``slide`` (PNG, 16:9), ``print`` (PDF, vector, 180 mm wide, fonts embedded).

    Returns
    -------
    list of str
        Names of the files written.

    Raises
    ------
    SwaptableError
        If a size is not known or the folder exists.
    """
    for size in sizes:
        if size not in SIZES:
            raise SwaptableError(f"found size '{size}'; expected one of {', '.join(SIZES)}{nearest(size, SIZES)}")
    target = Path(folder)
    if target.exists():
        raise InputError("exists already; name a new folder", file=target)
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=f".{target.name}-", dir=target.parent) as work:
        part = Path(work) / target.name
        part.mkdir()
        captions = []
        for chart in charts_of(advise(study)):
            captions.append(_caption(chart, study))
            for size in sizes:
                (part / f"{chart.name}_{size}{ENDINGS[size]}").write_bytes(_DRAWN[size](chart))
        (part / "captions.md").write_text("\n".join(captions), encoding="utf-8", newline="\n")
        (part / "methods.md").write_text(methods_text(study), encoding="utf-8", newline="\n")
        (part / "references.bib").write_bytes((DATA / "references.bib").read_bytes())
        names = sorted(path.name for path in part.iterdir())
        part.rename(target)
    return names
