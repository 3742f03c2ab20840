"""The README and the guides: every command in them runs, what they show is printed, their links and names are there."""

import argparse
import ast
import doctest
import json
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

import swaptable
from swaptable import cli
from swaptable.amounts.recipes import Ingredient, Recipe, read_recipe
from swaptable.judging.audiences import Audience, DayPlan, Limit, PlannedRecipe, read_audience, read_day
from swaptable.runs.run_files import read_runs
from swaptable.survey.rules import Change, Swaps, read_swaps

ROOT = Path(__file__).parents[1]
README, GUIDES = ROOT / "README.md", sorted((ROOT / "helpers" / "guides").glob("*.md"))
DOCUMENTS = [README, ROOT / "DEVELOPERS.md", ROOT / "data" / "README.md", *GUIDES]
START = "python3 helpers/start.py "
CHECKS = ["test"]  # what helpers/start.py itself knows
NOT_RUN, ENDS_WITH = re.compile(r"<!-- not run: (.+) -->"), re.compile(r"<!-- ends with (\d+): .+ -->")
# Runs commands one after the other in one process, and tells of each how it ended and what it said.
DRIVER = """
import contextlib, io, json, sys
from swaptable import cli
for arguments in json.load(sys.stdin):
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        try:
            code = cli.main(arguments)
        except SystemExit as stopped:
            code = stopped.code
    print(json.dumps([cli.__file__, code, said.getvalue()]))
"""


@dataclass(frozen=True)
class Block:
    """A fenced block of a document: language, lines, why it is not run (empty: it is), and with what code it ends."""

    language: str
    lines: list[str]
    why_not: str
    code: int

    @property
    def commands(self) -> list[list[str]]:
        """Give the words of each command after the name of the starter."""
        return [shlex.split(line.removeprefix(START)) for line in self.lines if line.startswith(START)]


def blocks_of(text: str) -> Iterator[Block]:
    """Take the fenced blocks out of Markdown, each with the marker right above it."""
    for found in re.finditer(r"^(?:(<!-- [^\n]*-->)\n)?```(\w*)\n(.*?)^```$", text, re.M | re.S):
        why_not, code = (mark.fullmatch(found[1] or "") for mark in (NOT_RUN, ENDS_WITH))
        yield Block(found[2], found[3].splitlines(), why_not[1] if why_not else "", int(code[1]) if code else 0)


def text_of(document: Path) -> str:
    """Read a document."""
    return document.read_text(encoding="utf-8")


def run_in(document: Path) -> list[Block]:
    """Give the blocks of commands that are run, and of what they print."""
    blocks = blocks_of(text_of(document))
    return [block for block in blocks if not block.language and not block.why_not]


def all_blocks() -> list[Block]:
    """Give the blocks of the README and of all guides."""
    return [block for document in (README, *GUIDES) for block in blocks_of(text_of(document))]


def commands_there_are() -> dict[str, argparse.ArgumentParser]:
    """Give the parser of every command."""
    actions = cli._parser()._actions
    (found,) = (dict(action.choices) for action in actions if isinstance(action, argparse._SubParsersAction))
    return found


@pytest.mark.parametrize("document", [each for each in (README, *GUIDES) if run_in(each)], ids=lambda path: path.stem)
def test_every_command_runs_and_prints_what_is_shown(document, tmp_path, copied):
    """Each command ends as it should in a copy of the project, in the order of the page; what is shown, it printed."""
    blocks = run_in(document)
    commands = [command for block in blocks for command in block.commands]
    codes = [block.code for block in blocks for _ in block.commands]
    project = copied(tmp_path / "project")
    shutil.copytree(ROOT / "notebooks", project.folder / "notebooks", dirs_exist_ok=True)
    done = subprocess.run(
        [sys.executable, "-c", DRIVER], input=json.dumps(commands), capture_output=True, text=True, encoding="utf-8",
        cwd=project.folder, env=project.environment(PYTHONIOENCODING="utf-8"), timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    told = [json.loads(line) for line in done.stdout.splitlines()]
    assert {Path(file).resolve().is_relative_to(project.folder.resolve()) for file, _, _ in told} == {True}
    ended = zip(commands, codes, told, strict=True)
    assert [(command, code, said[-500:]) for command, wanted, (_, code, said) in ended if code != wanted] == []
    said = "".join(text for _, _, text in told)
    shown = [line for block in blocks if not block.commands for line in block.lines]
    pieces = [piece.strip() for line in shown for piece in line.split("…")]
    assert [piece for piece in pieces if piece not in said] == []


def test_a_command_that_is_not_run_says_why():
    """A marker gives a reason, stands above a block, and the tests that it names are there."""
    texts = [text_of(document) for document in (README, *GUIDES)]
    marks = [mark for text in texts for mark in re.findall(r"<!-- not run.*", text)]
    reasons = [block.why_not for block in all_blocks() if block.why_not]
    assert len(marks) == len(reasons)
    for reason in reasons:
        assert len(reason.split()) >= 3
        assert [name for name in re.findall(r"tests/\w+\.py", reason) if not (ROOT / name).is_file()] == []


def test_every_command_is_understood():
    """Also commands that are not run have words and options that there are, and none stands outside a block."""
    parser = cli._parser()
    for command in (command for block in all_blocks() for command in block.commands):
        if command != CHECKS:
            parser.parse_args(command)
    lines = [line for document in (README, *GUIDES) for line in text_of(document).splitlines()]
    assert sum(line.startswith(START) for line in lines) == sum(len(block.commands) for block in all_blocks())


def test_the_readme_lists_every_command():
    """The table of commands in the README is that of the command line, each once."""
    section = text_of(README).partition("## All commands")[2].partition("\n## ")[0]
    listed = re.findall(r"^\| `([a-z]+)` \|", section, re.M)
    assert sorted(listed) == sorted(commands_there_are())


def test_the_readme_is_short_and_leads_to_every_guide():
    """A newcomer reads it in a few minutes and finds the rest."""
    text = text_of(README)
    assert len(text.splitlines()) < 150
    for guide in GUIDES:
        assert f"({guide.relative_to(ROOT).as_posix()})" in text


def test_the_public_names_are_on_one_screen():
    """The table for those who write Python names each public name once, in few rows."""
    guide = text_of(ROOT / "helpers" / "guides" / "researchers.md")
    rows = re.findall(r"^\| [a-z].*\|$", section_of(guide, "From Python"), re.M)
    assert len(rows) <= 16
    assert sorted(re.findall(r"`(\w+)`", "".join(rows))) == swaptable.__all__


def slug(heading: str) -> str:
    """Give the anchor that a heading gets."""
    plain = re.sub(r"[^\w\- ]", "", heading.strip().lower())
    return plain.replace(" ", "-")


def unfenced(text: str) -> str:
    """Leave fenced blocks out of Markdown."""
    return re.sub(r"^```.*?^```$", "", text, flags=re.M | re.S)


def anchors_of(document: Path) -> set[str]:
    """Give the anchors of a document's headings."""
    return {slug(heading) for heading in re.findall(r"^#+ (.+)$", unfenced(text_of(document)), re.M)}


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_links_resolve(document):
    """Every link leads to a file of the project, and to a heading that it has; nothing leads out."""
    for target in re.findall(r"\]\(([^)\s]+)\)", re.sub(r"`[^`\n]*`", "", unfenced(text_of(document)))):
        path, _, anchor = target.partition("#")
        assert "://" not in target, target
        file = (document.parent / path).resolve() if path else document
        assert file.exists(), target
        assert not anchor or anchor in anchors_of(file), target


@pytest.mark.parametrize("guide", GUIDES, ids=lambda path: path.stem)
def test_a_table_of_contents_is_whole(guide):
    """A guide that begins with a list of its sections names all of them, in order."""
    text = text_of(guide)
    listed = re.findall(r"^(?:\d+\.|-) \[[^]]+\]\(#([\w-]+)\)$", text, re.M)
    sections = [slug(heading) for heading in re.findall(r"^## (.+)$", text, re.M)]
    assert listed == sections


def test_one_amount_is_followed_from_file_to_chart() -> None:
    """The walk that DEVELOPERS.md shows a newcomer is what happens."""
    failed, tried = doctest.testfile(str(ROOT / "DEVELOPERS.md"), module_relative=False, encoding="utf-8")
    assert (failed, tried > 15) == (0, True)


def test_the_method_names_functions_that_there_are():
    """Each row of its last table names a module and functions defined in it; public names are public."""
    table = text_of(ROOT / "helpers" / "guides" / "method.md").partition("## Where in the code")[2]
    rows = re.findall(r"^\| [^|`]+ \| (.+?) \| `([\w.]+)` \|$", table, re.M)
    assert len(rows) > 20
    for functions, module in rows:
        file = (ROOT / "helpers" / "swaptable").joinpath(*module.split(".")).with_suffix(".py")
        tree = ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        defined = {node.name for node in tree if isinstance(node, ast.FunctionDef | ast.ClassDef)}
        for name in re.findall(r"`([\w.]+)`", functions):
            assert name.removeprefix("swaptable.") in defined, name
            assert "." not in name or name.removeprefix("swaptable.") in swaptable.__all__, name


def test_the_method_cites_entries_of_the_bibliography():
    """Every key in its references is in the BibTeX file, and every entry there that a method needs is cited."""
    references = text_of(ROOT / "helpers" / "guides" / "method.md").partition("## References")[2]
    cited = set(re.findall(r"`([a-z]+\d+)`$", references.partition("\n## ")[0], re.M))
    entries = set(re.findall(r"^@\w+\{(\w+),", text_of(ROOT / "data" / "references.bib"), re.M))
    assert entries - {"okabe2008"} == cited


def section_of(text: str, heading: str) -> str:
    """Give a section of Markdown without those below its level."""
    level = re.search(rf"^(#+) {re.escape(heading)}$", text, re.M)
    assert level, heading
    return re.split(rf"^#{{1,{len(level[1])}}} ", text[level.end() :], maxsplit=1, flags=re.M)[0]


@pytest.mark.parametrize(
    ("heading", "model"),
    [
        ("Recipe", Recipe), ("Ingredient", Ingredient), ("Audience", Audience), ("Audience", Limit), ("Day", DayPlan),
        ("Day", PlannedRecipe), ("Swap rules of a survey", Swaps), ("Swap rules of a survey", Change),
    ],
)  # fmt: skip
def test_every_field_is_described(heading, model):
    """Each field that a file may have stands in the section on it."""
    section = section_of(text_of(ROOT / "helpers" / "guides" / "files.md"), heading)
    named = " ".join(re.findall(r"`([^`]+)`", unfenced(section)))
    assert [name for name in model.field_names() if name not in named] == []


@pytest.mark.parametrize(
    ("heading", "reader"),
    [
        ("Recipe", read_recipe), ("Audience", read_audience), ("Day", read_day), ("Runs", read_runs),
        ("Swap rules of a survey", read_swaps),
    ],
)  # fmt: skip
def test_the_examples_of_files_are_right(heading, reader, tmp_path):
    """What a newcomer copies is read without an error."""
    section = section_of(text_of(ROOT / "helpers" / "guides" / "files.md"), heading)
    (example,) = (block for block in blocks_of(section) if block.language == "yaml")
    path = tmp_path / "example.yaml"
    path.write_text("\n".join(example.lines) + "\n", encoding="utf-8")
    reader(path)
