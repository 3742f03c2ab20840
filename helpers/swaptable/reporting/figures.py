"""What every chart is made of: style, empty figure, table of cells, and the finish.

Every chart states its finding in the title, names unit and basis on the axes, carries a source line, and can
be read at slide size, in greyscale and by colour-blind people: shape, hatch or text stands beside colour
(palette: Okabe & Ito 2008).
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from swaptable.foods.reference import Z

__all__ = ["BLUE", "GREY", "ORANGE", "STYLE", "Z90", "Chart", "draw_cells", "finished", "new_figure", "wrapped"]


BLUE, ORANGE, GREY = "#0072B2", "#D55E00", "#6b6b6b"
WIDTH = 10.0
MOST_UPRIGHT = 8  # labels over the columns of a table of cells, before they lean
Z90 = Z[0.90]
TEXTS: dict[Any, Any] = {  # holds while a chart is saved too, since labels of ticks are made only then
    "font.family": "DejaVu Sans",  # comes with matplotlib: whatever a machine has or lacks, charts are the same
    "axes.formatter.use_locale": False,
    "text.parse_math": False,  # names may hold signs of money
}
STYLE: dict[Any, Any] = TEXTS | {
    "font.size": 12,
    "axes.titlesize": 15,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "figure.constrained_layout.use": True,
    "hatch.linewidth": 1.0,
}


@dataclass(frozen=True, eq=False)
class Chart:
    """A drawn chart with the words that go with it.

    Attributes
    ----------
    name : str
        File name without ending.
    figure : Figure
    title : str
        The finding.
    alt : str
        What a screen reader says instead of the picture.
    """

    name: str
    figure: Figure
    title: str
    alt: str


def new_figure(height: float, columns: int = 1, **options: Any) -> tuple[Figure, np.ndarray]:
    """Begin a chart of the usual width with a row of axes."""
    figure = Figure(figsize=(WIDTH, height))
    axes = figure.subplots(1, columns, squeeze=False, **options)
    return figure, axes[0]


def _balanced(text: str, width: int) -> str:
    """Break a text into as few lines as fit, none of them left nearly empty."""
    lines = textwrap.wrap(text, width)
    while len(lines) > 1 and len(textwrap.wrap(text, width - 1)) == len(lines):
        width -= 1
    return "\n".join(textwrap.wrap(text, width))


def finished(figure: Figure, source_line: str, name: str, words: tuple[str, str], note: str = "") -> Chart:
    """Put the finding above a chart and the note and the source below it."""
    title, alt = words
    figure.suptitle(_balanced(title, 76), x=0.01, ha="left", fontsize=15, fontweight="bold")
    foot = " ".join(f"{note} {source_line}".split())
    figure.supxlabel("\n".join(textwrap.wrap(foot, 130)), x=0.01, ha="left", fontsize=9, color=GREY)
    return Chart(name, figure, title, alt)


def wrapped(label: str, width: int = 34) -> str:
    """Break a label into lines."""
    return "\n".join(textwrap.wrap(label, width))


def draw_cells(axes: Axes, texts: np.ndarray, shades: np.ndarray, rows: list[str], columns: list[str]) -> None:
    """Draw a table whose cells are shaded and say what they hold.

    Parameters
    ----------
    axes : Axes
    texts, shades : ndarray
        Rows × columns: words, and darkness from 0 to 1 (NaN: none).
    rows, columns : list of str
        Labels; those of columns stand on top.
    """
    shades = np.nan_to_num(shades)
    axes.imshow(shades, cmap="Greys", vmin=0, vmax=1, aspect="auto")
    for row, column in np.ndindex(shades.shape):
        colour = "white" if shades[row, column] > 0.55 else "black"
        axes.text(column, row, str(texts[row, column]), ha="center", va="center", fontsize=10, color=colour)
    if len(columns) > MOST_UPRIGHT:
        flat = [" ".join(label.split()) for label in columns]
        axes.set_xticks(range(len(columns)), flat, fontsize=10, rotation=38, ha="left", rotation_mode="anchor")
    else:
        axes.set_xticks(range(len(columns)), columns, fontsize=10)
    axes.xaxis.tick_top()
    axes.set_yticks(range(len(rows)), [wrapped(label, 44) for label in rows], fontsize=9.5)
    axes.tick_params(length=0)
    axes.spines[:].set_visible(False)
    axes.set_xticks(np.arange(-0.5, len(columns)), minor=True)
    axes.set_yticks(np.arange(-0.5, len(rows)), minor=True)
    axes.grid(which="minor", color="white", lw=2)
    axes.tick_params(which="minor", length=0)
