"""The picker: look through a recipe's matches in a notebook, choose, and save the recipe file.

:class:`Picker` holds the choices and knows nothing of widgets; :class:`Panel` shows one with labelled fields that the
keyboard reaches in the order of the page.
"""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from threading import RLock

import ipywidgets as widgets
from IPython.display import HTML, Javascript, display

from swaptable.basics.errors import SwaptableError
from swaptable.basics.folders import DATA, find_file, shown
from swaptable.basics.whole_files import write_whole
from swaptable.judging.audiences import read_audience
from swaptable.judging.daily_values import checked_regime
from swaptable.kitchen.lines import read_line
from swaptable.kitchen.matched_file import recipe_yaml
from swaptable.kitchen.matching import MatchedLine, MatchedRecipe, match_recipe, rematch
from swaptable.kitchen.text import read_kitchen_text
from swaptable.reporting.kitchen_report import match_finding
from swaptable.reporting.kitchen_study import offered, serving_or_why_not

__all__ = ["Panel", "Picker", "picker_shown"]

_AMOUNT = re.compile(
    r"\s*[\d¼½¾⅓⅔⅛](?![\d.,]*\s*(?:%|per ?cent))", re.I
)  # what begins so is a whole line, "2% milk" not
_NAME = re.compile(r"\w[\w-]{0,60}")


def _name_for(title: str) -> str:
    """Make a file name out of a title."""
    return re.sub(r"\W+", "_", title.lower()).strip("_")[:60] or "my_recipe"


class Picker:
    """A matched recipe while it is looked through.

    Every method changes the choices whole or, with an error, not at all.

    Parameters
    ----------
    matched : MatchedRecipe
    audience : str or Path
        File, or the name of one in ``data/audiences/``.
    regime : str, optional
        ``"US"`` or ``"CA"``: whose daily value and words.
    name : str, optional
        File name offered for saving; made from the title if left out.
    folder : Path, optional
        Where recipe files go; ``data/recipes/`` if left out.

    Attributes
    ----------
    matched : MatchedRecipe
        As it is now.
    offered : list of tuple of Hit
        Foods to choose from for each line; they keep their places when one is chosen.

    Raises
    ------
    InputError
        If there is no such audience, or its file is wrong, with the place in it.
    SwaptableError
        If there is no such regime.

    Examples
    --------
    >>> import swaptable as st
    >>> picker = Picker(st.match_words("oat_pancakes"), "blood_pressure")
    >>> picker.search(7, "raspberries")
    >>> picker.matched.lines[7].hit.description
    'Raspberries, raw'
    >>> picker.name
    'oat_and_yogurt_pancakes'
    """

    def __init__(
        self,
        matched: MatchedRecipe,
        audience: str | Path,
        regime: str = "US",
        name: str = "",
        folder: Path = DATA / "recipes",
    ) -> None:
        self._audience, self._regime = read_audience(find_file(audience, "audiences", ".yaml")), checked_regime(regime)
        self.folder = folder
        self._take(matched, name)

    def _take(self, matched: MatchedRecipe, name: str = "") -> None:
        self.matched = matched
        self.offered = [offered(line) for line in matched.lines]
        self.name = name or _name_for(matched.recipe.title)

    def match(self, text: str) -> None:
        """Begin anew with another recipe in words."""
        self._take(match_recipe(read_kitchen_text(text, "pasted text"), self.matched.release))

    def choose(self, number: int, code: str) -> None:
        """Take one of the foods offered for a line, counted from 0."""
        self.matched = rematch(self.matched, number, code=self.matched.release.full_code(code))

    def search(self, number: int, text: str) -> None:
        """Look a line's food up in other words, or read the line anew where the words hold an amount.

        Raises
        ------
        SwaptableError
            If no food is found, or the words name several.
        """
        if len(read_line(text)) != 1:
            raise SwaptableError(f"found '{text}', which names several foods; write one")
        whole = _AMOUNT.match(text) is not None
        found = rematch(self.matched, number, **{"words" if whole else "food": text})
        line = found.lines[number]
        if not offered(line):
            raise SwaptableError(" ".join(line.questions) or f"found no food for '{text}'")
        self.matched = found
        self.offered[number] = offered(line)

    def serve(self, text: str) -> None:
        """Say how many servings the recipe makes."""
        try:
            servings = float(text)
        except ValueError:
            servings = 0.0
        if not 0 < servings < 1e6:
            raise SwaptableError(f"found '{text}' servings; expected a number above 0")
        self.matched = replace(self.matched, recipe=replace(self.matched.recipe, servings=servings))

    def serving_texts(self) -> list[str]:
        """Say what a serving holds now, and what is left out."""
        serving = serving_or_why_not(self.matched, self._audience, self._regime)
        if isinstance(serving, str):
            return [serving]
        return [text for text in (serving.sodium_text, serving.index_text, serving.left_out_text) if text]

    def save(self, name: str, overwrite: bool = False) -> Path:
        """Write the recipe file, whole or not at all.

        Parameters
        ----------
        name : str
            Without ending.
        overwrite : bool, optional
            Whether an earlier file may be replaced.

        Returns
        -------
        Path

        Raises
        ------
        SwaptableError
            If the name is no name for a file, or the file exists.
        """
        if not _NAME.fullmatch(name):
            raise SwaptableError(f"found the name '{name}'; expected letters, digits, _ and - only")
        target = self.folder / f"{name}.yaml"
        if target.exists() and not overwrite:
            raise SwaptableError(
                f"found {shown(target)}, which exists already; write another name, or tick 'Overwrite'"
            )
        write_whole(target, recipe_yaml(self.matched).encode())
        return target


# While a list or a button has the focus, the notebook would take its keys for commands (arrows go to other cells,
# letters cut them). Each field of the picker asks to be left alone when it gets the focus; itself must say so.
_KEYS = """const leave = () => element.isConnected
  ? element.closest('.jp-OutputArea')?.addEventListener(
      'focusin', event => event.target.setAttribute('data-lm-suppress-shortcuts', 'true'))
  : setTimeout(leave, 50);
leave();"""


def picker_shown(picker: Picker, output: str = "") -> HTML | None:
    """Show the picker, or, where the notebook runs without a reader, say where it is.

    Parameters
    ----------
    picker : Picker
    output : str, optional
        Folder of the run, given by the runner; empty for a notebook that somebody reads.

    Returns
    -------
    HTML or None
        A sentence where there is no reader; else the fields are displayed and nothing is returned.

    Examples
    --------
    >>> import swaptable as st
    >>> picker = st.Picker(st.match_words("oat_pancakes"), "blood_pressure")
    >>> picker_shown(picker, "a folder of the runner").data
    '<p>To choose other foods, open this notebook by hand: the fields for that stand here.</p>'
    """
    if output:
        return HTML("<p>To choose other foods, open this notebook by hand: the fields for that stand here.</p>")
    display(Panel(picker).box, Javascript(_KEYS))
    return None


_WIDE = {"description_width": "16rem"}
_SHORT = {"width": "32rem"}
_STYLE = """<style>
.swaptable-picker .widget-label{white-space:normal;height:auto;line-height:1.3;text-align:left}
.swaptable-picker .widget-text,.swaptable-picker .widget-dropdown{height:auto;align-items:center;max-width:70rem}
.swaptable-picker p{margin:.1rem 0;line-height:1.4}
.swaptable-picker .swaptable-line{border-top:1px solid #bbb;padding:.4rem 0}
</style>"""


def _paragraphs(texts: Iterable[str], role: str = "") -> str:
    # a status is read out when it changes, an alert at once
    body = "".join(f"<p>{html.escape(text[:1].upper() + text[1:])}</p>" for text in texts)
    return f'<div role="{role}">{body}</div>' if role else body


def _about(line: MatchedLine) -> list[str]:
    """Say how a line was read and what it asks."""
    weight = "" if line.amount.grams is None else f"{line.amount.grams:.4g} g"
    grams = f" = {weight}" if weight not in ("", line.amount.text) else ""
    bought = ", as purchased" if line.amount.weighed != "edible" else ""
    cooking = ", liquid ".join(part for part in (line.cooking.cook, line.cooking.liquid) if part)
    read = f"amount {line.amount.text}{grams}{bought}" if line.amount.text else "amount open"
    return [f"{read}; {cooking or 'not cooked'}", *(f"question: {question}" for question in line.questions)]


@dataclass(frozen=True, eq=False)
class _Row:
    """The fields of one line."""

    food: widgets.Dropdown
    search: widgets.Text
    about: widgets.HTML
    box: widgets.VBox


def _in_plain_words(action: Callable[[], str]) -> tuple[str, str]:
    """Do something; give what there is to say, never as a traceback, and whether that is a status or an alert."""
    try:
        return action(), "status"
    except SwaptableError as error:
        return str(error), "alert"
    except OSError as error:
        return f"not done: {error.strerror or error}", "alert"
    except Exception as error:  # a mistake of ours: the reader can go on with the choices that are shown
        return f"that went wrong ({type(error).__name__}: {error})", "alert"


class Panel:
    """The widgets of a picker.

    Attributes
    ----------
    words, match : Textarea, Button
        To paste a recipe and match it.
    servings : Text
    rows : list
        For each line ``food`` (Dropdown), ``search`` (Text) and ``about`` (HTML).
    live : HTML
        What a serving holds.
    name, overwrite, save : Text, Checkbox, Button
    heard, said : HTML
        What came of matching and of saving, in plain words.
    box : VBox
        All of them, in the order of the keyboard.
    """

    def __init__(self, picker: Picker) -> None:
        self.picker, self._busy, self._one_at_a_time = picker, False, RLock()
        whole = {"width": "100%"}
        self.words = widgets.Textarea(
            description="Paste a recipe: title, servings, ingredients, method", rows=8, style=_WIDE,
            layout={"width": "100%", "max_width": "70rem"}, continuous_update=False,
        )  # fmt: skip
        self.match = widgets.Button(description="Match")
        self.servings = widgets.Text(description="Servings", style=_WIDE, layout=_SHORT, continuous_update=False)
        self.rows: list[_Row] = []
        self._lines = widgets.VBox()
        self.live = widgets.HTML()
        self.name = widgets.Text(description="Name of the recipe file", style=_WIDE, layout=_SHORT)
        self.overwrite = widgets.Checkbox(description="Overwrite a file of that name", indent=False)
        self.save = widgets.Button(description="Save recipe")
        self.heard, self.said = widgets.HTML(), widgets.HTML()
        self.match.on_click(lambda _: self._do(self._match, self.heard))
        self.save.on_click(lambda _: self._do(self._save, self.said))
        self.servings.observe(lambda change: self._do(lambda: self._serve(change["new"]), self.heard), "value")
        parts = (
            self.words, self.match, self.servings, self.heard, self._lines, self.live, self.name, self.overwrite,
            self.save, self.said,
        )  # fmt: skip
        self.box = widgets.VBox([widgets.HTML(_STYLE), *parts], layout=whole)
        self.box.add_class("swaptable-picker")
        self._build()

    def _do(self, action: Callable[[], str], place: widgets.HTML) -> None:
        """Do what was asked, show the choices as they are then, and say at a place what came of it."""
        with self._one_at_a_time:  # the kernel may call from a thread for each field
            if self._busy:  # a field that is set from here reports it as if the reader had
                return
            self._busy = True
            self._be_heard_alike()
            said, shown_again = _in_plain_words(action), _in_plain_words(self._refresh)
            self._busy = False
            text, role = said if said[0] else shown_again
            if text:
                place.value = _paragraphs([text], role) + place.value

    def _be_heard_alike(self) -> None:
        """See that what the reader does first is done first.

        A kernel may hear each field in the thread that last wrote to it; so all are written to from here. Else a choice
        could come after the click that saves it.
        """
        fields = [self.words, self.match, self.servings, self.name, self.overwrite, self.save]
        for field in (*fields, *(field for row in self.rows for field in (row.food, row.search))):
            field.send_state("disabled")

    def _match(self) -> str:
        self.picker.match(self.words.value)
        self._build()
        return match_finding(self.picker.matched)[0]

    def _choose(self, number: int, code: str) -> str:
        if code:
            self.picker.choose(number, code)
        return ""

    def _search(self, number: int, text: str) -> str:
        if text.strip():
            self.picker.search(number, text)
            self.rows[number].food.options = self._options(number)
        return ""

    def _serve(self, text: str) -> str:
        self.picker.serve(text)
        return ""

    def _save(self) -> str:
        path = self.picker.save(self.name.value.strip(), self.overwrite.value)
        self.overwrite.value = False
        is_open = sum(line.is_open for line in self.picker.matched.lines) + (not self.picker.matched.recipe.servings)
        left = f"; at {is_open} places it says '?' until you write what is open" if is_open else ""
        return f"saved as {shown(path)}{left}"

    def _servings_text(self) -> str:
        servings = self.picker.matched.recipe.servings
        return f"{servings:g}" if servings else ""

    def _code(self, number: int) -> str:
        hit = self.picker.matched.lines[number].hit
        return hit.code if hit else ""

    def _options(self, number: int) -> list[tuple[str, str]]:
        foods = [(f"{hit.description} ({hit.score:.2f})", hit.code) for hit in self.picker.offered[number]]
        return foods if self._code(number) else [("no food chosen", ""), *foods]

    def _build(self) -> None:
        """Make the fields anew for a recipe."""
        self.rows = [self._row(number, line) for number, line in enumerate(self.picker.matched.lines)]
        self._lines.children = [row.box for row in self.rows]
        self.name.value = self.picker.name
        self._refresh()

    def _row(self, number: int, line: MatchedLine) -> _Row:
        wide = {"width": "100%"}
        food = widgets.Dropdown(
            options=self._options(number), description=line.words, style=_WIDE, layout=wide, value=self._code(number)
        )
        search = widgets.Text(
            description="other words for it", placeholder="another food, or the line anew: 15 g butter",
            style=_WIDE, layout=wide, continuous_update=False,
        )  # fmt: skip
        about = widgets.HTML()
        food.observe(lambda change: self._do(lambda: self._choose(number, change["new"]), about), "value")
        search.observe(lambda change: self._do(lambda: self._search(number, change["new"]), about), "value")
        box = widgets.VBox([food, search, about])
        box.add_class("swaptable-line")
        return _Row(food, search, about, box)

    def _refresh(self) -> str:
        """Show the choices as they are."""
        self.heard.value = self.said.value = ""
        for number, (row, line) in enumerate(zip(self.rows, self.picker.matched.lines, strict=True)):
            row.about.value = _paragraphs(_about(line))
            row.food.description = line.words
            row.food.value = self._code(number)
        self.servings.value = self._servings_text()
        self.live.value = _paragraphs(self.picker.serving_texts(), "status")
        return ""
