"""The log: quiet by default, the story on request, one JSON object a line for machines; every error has a code."""

import json
import logging
import re
from pathlib import Path

import pytest

import swaptable
from swaptable import cli
from swaptable.basics import downloads
from swaptable.basics.errors import InputError, SwaptableError, every_error
from swaptable.basics.logs import logger, set_up, tell_error
from swaptable.runs import kernels

README = Path(__file__).parents[1] / "README.md"
WRONG = ["table", "no_such_recipe"]


@pytest.fixture(autouse=True)
def _as_it_was():
    """Leave the log as it was before the test."""
    before = logger.handlers[:], logger.level, logger.propagate
    yield
    logger.handlers[:], logger.level, logger.propagate = before


def test_quiet_by_default(capsys):
    """What went wrong is one line, with its code at the end; nothing else is said."""
    assert cli.main(WRONG) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert re.fullmatch(r"found 'no_such_recipe'; expected a file or one of .* \[S11\]\n", said.err)


@pytest.mark.parametrize("arguments", [["-v", *WRONG], [*WRONG, "-v"], [*WRONG, "--verbose"]])
def test_the_story_on_request(capsys, arguments):
    """``-v`` stands before or after the command, and adds cause and remedy."""
    assert cli.main(arguments) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 2
    assert lines[1].endswith(f"S11: {InputError.cause}; {InputError.remedy}")


def test_machines_get_one_object_a_line(capsys):
    """``--log json`` gives every message as a JSON object with code, cause and remedy."""
    assert cli.main(["-v", "--log", "json", *WRONG]) == 2
    (told,) = (json.loads(line) for line in capsys.readouterr().err.splitlines())
    assert (told["level"], told["code"], told["remedy"]) == ("error", "S11", InputError.remedy)
    assert told["time"].endswith("+00:00")


def test_machines_are_told_of_wrong_usage_too(capsys):
    """What the parser refuses is an object like all others."""
    assert cli.main(["--log=json", "report", "--limit", "long"]) == 2
    told = json.loads(capsys.readouterr().err)
    assert (told["code"], told["level"]) == ("S10", "error")


def test_the_place_of_an_error_is_told_in_fields(capsys):
    """File, line, column and field of an error are fields of their own, and so is what is added."""
    set_up(0, "json")
    tell_error(InputError("found 'x'; expected y", file="a.yaml", line=3, column=5, field="servings"), run="pot")
    about = json.loads(capsys.readouterr().err)
    assert {name: about[name] for name in ("file", "line", "column", "field", "run")} == {
        **{"file": "a.yaml", "line": 3, "column": 5, "field": "servings"},
        "run": "pot",
    }


@pytest.mark.parametrize(("verbose", "level"), [(0, "WARNING"), (1, "INFO"), (2, "DEBUG"), (5, "DEBUG")])
def test_levels(verbose, level):
    """Each ``v`` tells more, and there is no more than all."""
    set_up(verbose)
    assert logger.level == getattr(logging, level)


def test_every_error_has_its_own_code_cause_and_remedy():
    """No two kinds of error share a code, and each says why it happens and what to do."""
    kinds = every_error()
    assert {downloads.DownloadError, kernels.StoppedError} < set(kinds)
    codes = [kind.code for kind in kinds]
    assert len(set(codes)) == len(codes)
    assert all(re.fullmatch(r"S\d\d", code) for code in codes)
    for kind in kinds:
        assert kind is SwaptableError or "cause" in vars(kind), kind
        assert kind.cause
        assert kind.remedy


def test_every_kind_of_error_is_raised():
    """No code is explained that nobody can meet."""
    source = "".join(path.read_text(encoding="utf-8") for path in Path(swaptable.__file__).parent.rglob("*.py"))
    assert [kind for kind in every_error() if not re.search(rf"(?<!class )\b{kind.__name__}\(", source)] == []


def test_the_readme_lists_every_code():
    """The table of codes in the README is that of the package."""
    rows = re.findall(r"^\| (S\d\d) \| (.+?) \| (.+?) \|$", README.read_text(encoding="utf-8"), re.M)
    assert sorted(rows) == sorted((kind.code, kind.cause, kind.remedy) for kind in every_error())
