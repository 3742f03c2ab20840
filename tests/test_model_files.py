"""Models read from files: the one error they raise, and their place in the file."""

from pathlib import Path

import pytest
from pydantic import Field

from swaptable.basics.errors import InputError, SwaptableError
from swaptable.basics.located_yaml import SourceText
from swaptable.basics.model_files import FileModel, kind_of, read_model, text_of, weight_of


class _Note(FileModel):
    title: str
    size: int = Field(1, alias="how big")
    source: SourceText = Field(default_factory=SourceText, exclude=True)

    def check(self, source: SourceText) -> None:
        """Refuse one title, as a model may refuse what takes more than one field."""
        if self.title == "no":
            raise source.error(("title",), "found 'no'; expected another title")


def read(folder: Path, text: str) -> _Note:
    """Write a file and read it."""
    path = folder / "note.yaml"
    path.write_text(text, encoding="utf-8")
    return read_model(path, _Note)


def test_fields_go_by_their_names_in_the_file(tmp_path: Path) -> None:
    """An alias is what a file writes; the place of every field is kept."""
    note = read(tmp_path, "title: x\nhow big: 3\n")
    assert (note.title, note.size) == ("x", 3)
    assert note.source.places[("how big",)] == (2, 10)
    assert _Note.field_names() == ["title", "how big"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("- a\n", "1:1: found a list; expected fields such as title: ..."),
        ("source: x\n", "1:1: source: found 'source'; expected one of title, how big"),
        (
            "title: x\nhow bg: 3\n",
            "2:1: how bg: found 'how bg'; expected one of title, how big; did you mean 'how big'?",
        ),
        ("how big: 3\n", "'title' is missing"),
        ("title: no\n", "1:8: title: found 'no'; expected another title"),
        ("title: {a: b}\n", "1:8: title: found a mapping; expected a text"),
    ],
    ids=["list", "source", "misspelt", "missing", "check", "mapping"],
)
def test_one_error_with_its_place(tmp_path: Path, text: str, message: str) -> None:
    """File, line, column, field, what was found and what is allowed."""
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    assert message in str(caught.value)
    assert str(caught.value).startswith(str(tmp_path / "note.yaml"))


def test_scalars_are_taken_as_text() -> None:
    """A list is no text; a number is."""
    assert text_of(3) == "3"
    assert [kind_of({}), kind_of([]), kind_of("x")] == ["a mapping", "a list", "'x'"]
    with pytest.raises(SwaptableError, match="found a list; expected a text"):
        text_of([1])


def test_weights_are_masses_above_zero() -> None:
    """In grams; a volume or nothing at all is refused."""
    assert weight_of("2.35 kg") == pytest.approx(2350)
    for wrong in ("1 cup", "0 g", "heavy"):
        with pytest.raises(SwaptableError, match=f"found '{wrong}'"):
            weight_of(wrong)
