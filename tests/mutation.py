"""Change a module a little, many times, and tell which changes its tests do not notice.

::

    uv pip install mutmut   # makes the changes; not among the project's dependencies
    python tests/mutation.py helpers/swaptable/judging/indices.py tests/test_indices.py tests/test_outside_indices.py

A drawn sample of changes (mutants: ``<`` becomes ``<=``, ``*`` becomes ``/``, a number another one, an argument goes)
is tried one after the other against the tests named, as far as the first that fails. Each runs in a fork of this
process, so on Linux or macOS. A mutant that survives shows a missing test, needless code, or a change without effect.
Annotations, decorators, sentences and errors are left as they are.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import time
from collections.abc import Iterator
from importlib.machinery import SourceFileLoader
from pathlib import Path
from typing import Any, NamedTuple

import pytest

NOT_CHANGED = {"Annotation", "Assert", "Decorator", "Import", "ImportFrom", "Raise"}
PATIENCE = 10  # times what the tests take as the module is written


class Mutant(NamedTuple):
    """A changed module, and what was changed in which line."""

    line: int
    change: str
    code: str


def draw(path: Path, count: int, seed: int) -> Iterator[Mutant]:
    """Draw mutants of a module."""
    from libcst import CSTNode, MetadataWrapper, parse_module
    from libcst.metadata import PositionProvider
    from mutmut.mutation.mutators import mutation_operators

    wrapper = MetadataWrapper(parse_module(path.read_text(encoding="utf-8")))
    module, places = wrapper.module, wrapper.resolve(PositionProvider)

    def changes(node: CSTNode) -> Iterator[tuple[CSTNode, CSTNode]]:
        kind = type(node).__name__
        text = module.code_for_node(node) if kind in {"Arg", "Assign", "Call", "SimpleString"} else ""
        is_sentence = kind == "SimpleString" and len(text.split()) > 2
        if kind in NOT_CHANGED or is_sentence or text.startswith(("__all__", "cast(", "strict=", "encoding=")):
            return
        for wanted, operator in mutation_operators:
            if isinstance(node, wanted):
                yield from ((node, new) for new in operator(node))
        for child in node.children:
            yield from changes(child)

    found = list(changes(module))
    for old, new in random.Random(seed).sample(found, min(count, len(found))):
        before, after = (" ".join(module.code_for_node(node).split()) for node in (old, new))
        yield Mutant(places[old].start.line, f"{before} → {after}", module.deep_replace(old, new).code)


def run_tests(tests: list[str], path: Path, code: str, result: Any) -> None:
    """Run tests with other code in a module, and send whether all pass."""
    as_written = SourceFileLoader.get_code

    def get_code(loader: SourceFileLoader, name: str) -> Any:
        is_changed = Path(loader.path) == path
        return compile(code, loader.path, "exec", dont_inherit=True) if is_changed else as_written(loader, name)

    SourceFileLoader.get_code = get_code  # type: ignore[method-assign]
    for stream in (1, 2):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream)
    result.send(pytest.main(["-q", "-x", "-p", "no:cacheprovider", *tests]) == pytest.ExitCode.OK)


def survives(tests: list[str], path: Path, code: str, seconds: float | None = None) -> bool:
    """Tell whether tests pass, in that time, with other code in a module."""
    context = multiprocessing.get_context("fork")
    answer, result = context.Pipe(duplex=False)
    process = context.Process(target=run_tests, args=(tests, path, code, result))
    process.start()
    result.close()
    try:
        return bool(answer.poll(seconds) and answer.recv())
    except EOFError:  # the mutant has ended its process
        return False
    finally:
        process.kill()
        process.join()


def main() -> None:
    """Try mutants of a module and print those that survive."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("module", type=lambda name: Path(name).resolve())
    parser.add_argument("tests", nargs="+", help="as for pytest")
    parser.add_argument("--mutants", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    began = time.monotonic()
    if not survives(asked.tests, asked.module, asked.module.read_text(encoding="utf-8")):
        raise SystemExit("The tests do not pass as the module is written.")
    seconds = PATIENCE * (time.monotonic() - began)
    mutants = list(draw(asked.module, asked.mutants, asked.seed))
    killed = 0
    for one in mutants:
        if survives(asked.tests, asked.module, one.code, seconds):
            print(f"{asked.module.name}:{one.line}: {one.change}", flush=True)
        else:
            killed += 1
    print(f"{killed} of {len(mutants)} mutants killed")


if __name__ == "__main__":
    main()
