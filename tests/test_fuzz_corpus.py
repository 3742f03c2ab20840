"""Inputs that the fuzzers found worth keeping, replayed: each is read, or refused in one line."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

FUZZ = Path(__file__).parent / "fuzz"
MOST_BYTES = 500_000  # of all inputs that are kept


def load_runner() -> ModuleType:
    """Import the runner of the fuzzers by its file."""
    spec = importlib.util.spec_from_file_location("fuzz_runner", FUZZ / "run.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # where its dataclasses look for their types
    spec.loader.exec_module(module)
    return module


RUNNER = load_runner()
READERS = {reader.name: reader for path in RUNNER.harnesses() for reader in RUNNER.readers_of(path)}
INPUTS = [(name, path) for name in READERS for path in RUNNER.corpus_of(name)]


@pytest.mark.parametrize(("name", "path"), INPUTS, ids=[f"{name} {path.name}" for name, path in INPUTS])
def test_kept_input_is_read_or_refused(tmp_path: Path, name: str, path: Path) -> None:
    """No traceback, and no message that is not one printable line."""
    assert RUNNER.problem_of(READERS[name], path.read_bytes(), tmp_path) == ""


def test_corpus_is_small_and_every_reader_has_one() -> None:
    """Only what is worth replaying is kept, and every folder belongs to a reader."""
    assert {path.name for path in (FUZZ / "corpus").iterdir()} == set(READERS)
    assert sum(path.stat().st_size for _, path in INPUTS) < MOST_BYTES
