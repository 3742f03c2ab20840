"""Try made-up inputs on every reader, guided by coverage, and tell what is not refused as it should be.

``python tests/fuzz/run.py --inputs 10000`` runs all harnesses one after the other (Linux; needs the extra ``fuzz``).
A reader passes if it gives a result or raises SwaptableError with a message of one line, within two seconds. What it
does not pass is kept in the folder of findings; once mended, the input goes to ``corpus/<reader>/``, which
``tests/test_fuzz_corpus.py`` replays.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.util
import json
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

HERE = Path(__file__).parent
CORPUS = HERE / "corpus"
SLOW_SECONDS = 2.0  # of processor time, the instruments of the fuzzer left out
INSTRUMENTS = 4.0  # so many times slower they make it at most; what is slower is measured again without them
STUCK_SECONDS = 60
MOST_BYTES = 4096
TOLD_EVERY = 200
KEPT_OF_ONE_KIND = 3


@dataclass(frozen=True)
class Reader:
    """One reader: its name, the ending of its files (empty: it takes a text) and what reads."""

    name: str
    ending: str
    read: Callable[..., object]
    words: tuple[str, ...]

    def take(self, data: bytes, folder: Path) -> None:
        """Let it read an input."""
        if not self.ending:
            self.read(data.decode("utf-8", "surrogateescape"))
            return
        path = folder / f"input{self.ending}"
        path.write_bytes(data)
        self.read(path)


def load(path: Path) -> ModuleType:
    """Import a harness by its file."""
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def readers_of(path: Path) -> Iterator[Reader]:
    """Give the readers of a harness."""
    module = load(path)
    for name, (ending, read) in module.READERS.items():
        yield Reader(name, ending, read, module.WORDS)


def harnesses() -> list[Path]:
    """Name the harnesses."""
    return sorted(HERE.glob("fuzz_*.py"))


def corpus_of(name: str) -> list[Path]:
    """Name the inputs that are kept for a reader."""
    return sorted(path for path in (CORPUS / name).glob("*") if path.is_file())


def problem_of(reader: Reader, data: bytes, folder: Path) -> str:
    """Say what is wrong with how an input is read: empty if it is read or refused in one line."""
    from swaptable.basics.errors import SwaptableError

    try:
        reader.take(data, folder)
    except SwaptableError as error:
        text = str(error)
        if any(not sign.isprintable() for sign in text):
            return f"message that is not one printable line: {text[:200]!a}"
        return "message of more than 2,000 letters" if len(text) > 2000 else ""
    except Exception as error:
        frames = [frame for frame in traceback.extract_tb(error.__traceback__) if "swaptable" in frame.filename]
        at = f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else "?"
        return f"{type(error).__name__} at {at}: {str(error)[:200]!a}"
    return ""


class Tally:
    """Counts of one reader, told to a file now and then: the fuzzer ends its process without a word."""

    def __init__(self, reader: Reader, findings: Path) -> None:
        self.reader, self.findings = reader, findings
        self.inputs, self.kinds, self.slow = 0, {}, 0
        self.folder = Path(tempfile.mkdtemp(prefix="fuzz-"))
        self.last = self.folder / "last"

    def take(self, data: bytes) -> None:
        """Let the reader read, and keep what is wrong."""
        self.inputs += 1
        began = time.process_time()
        problem = problem_of(self.reader, data, self.folder)
        if time.process_time() - began > SLOW_SECONDS:
            self.slow += 1
            self.keep(data, "slow")
        if problem:
            kind = problem.partition(": ")[0]
            self.kinds[kind] = self.kinds.get(kind, 0) + 1
            if self.kinds[kind] <= KEPT_OF_ONE_KIND:
                self.keep(data, "crash", problem)
        if self.inputs % TOLD_EVERY == 0 or problem:
            self.tell()

    def keep(self, data: bytes, why: str, problem: str = "") -> None:
        """Keep an input."""
        name = f"{why}_{hashlib.sha256(data).hexdigest()[:10]}"
        self.findings.mkdir(parents=True, exist_ok=True)
        (self.findings / name).write_bytes(data)
        if problem:
            (self.findings / f"{name}.problem").write_text(problem + "\n", encoding="utf-8")

    def tell(self) -> None:
        """Write the counts."""
        text = json.dumps({"inputs": self.inputs, "kinds": self.kinds, "slow": self.slow})
        (self.findings / "tally.json").write_text(text, encoding="utf-8")


def work(name: str, findings: Path, inputs: int, seconds: int) -> None:
    """Fuzz one reader in this process."""
    import atheris

    with atheris.instrument_imports(include=["swaptable"]):
        found = (reader for path in harnesses() if f'"{name}"' in path.read_text() for reader in readers_of(path))
        reader = next(reader for reader in found if reader.name == name)
    findings.mkdir(parents=True, exist_ok=True)
    tally = Tally(reader, findings)
    grown = findings / "grown"
    grown.mkdir(exist_ok=True)
    words = findings / "words.txt"
    lines = ("".join(f"\\x{byte:02x}" for byte in word.encode("utf-8", "surrogatepass")) for word in reader.words)
    words.write_text("".join(f'"{line}"\n' for line in lines), encoding="ascii")
    tally.take(b"")  # loads what is loaded once, before the clock runs
    tally.slow = 0
    options = [
        f"-runs={inputs}", f"-max_total_time={seconds}", f"-max_len={MOST_BYTES}", f"-timeout={STUCK_SECONDS}",
        "-rss_limit_mb=3072", f"-artifact_prefix={findings}/", f"-dict={words}", "-print_final_stats=0", "-verbosity=0",
    ]  # fmt: skip
    folders = [str(grown), *([str(CORPUS / name)] if corpus_of(name) else [])]
    atheris.Setup([sys.argv[0], *options, *folders], tally.take, enable_python_coverage=True)
    try:
        atheris.Fuzz()
    finally:
        tally.tell()


def really_slow(reader: Reader, findings: Path) -> int:
    """Count the slow inputs that are slow without the instruments too; the others are forgotten."""
    count = 0
    for path in [*findings.glob("slow_*"), *findings.glob("timeout-*"), *findings.glob("oom-*")]:
        command = [sys.executable, __file__, "--replay", reader.name, str(path)]
        try:
            took = float(subprocess.run(command, capture_output=True, text=True, timeout=STUCK_SECONDS).stdout)
        except (subprocess.TimeoutExpired, ValueError):
            took = float("inf")
        if took > SLOW_SECONDS:
            count += 1
        else:
            path.unlink()
    return count


def replay(name: str, path: Path) -> float:
    """Read one input without instruments; give the seconds of processor time."""
    reader = next(reader for each in harnesses() for reader in readers_of(each) if reader.name == name)
    with tempfile.TemporaryDirectory() as folder:
        problem_of(reader, (corpus_of(name) or [path])[0].read_bytes(), Path(folder))  # loads what is loaded once
        began = time.process_time()
        problem = problem_of(reader, path.read_bytes(), Path(folder))
    if problem:
        print(problem, file=sys.stderr)
    return time.process_time() - began


def fuzz(reader: Reader, findings: Path, inputs: int, seconds: int) -> tuple[str, int, float, int, int, int]:
    """Fuzz one reader in a process of its own; give a row of the table."""
    began = time.monotonic()
    command = [sys.executable, __file__, "--worker", reader.name, "--inputs", str(inputs), "--seconds", str(seconds)]
    with (findings / "log").open("wb") as log:
        subprocess.run([*command, "--findings", str(findings)], stdout=log, stderr=log)
    told = findings / "tally.json"
    tally = json.loads(told.read_text()) if told.exists() else {"inputs": 0, "kinds": {"no start": 1}}
    slow = really_slow(reader, findings)
    crashes = sum(tally["kinds"].values()) + len(list(findings.glob("crash-*")))
    return reader.name, tally["inputs"], time.monotonic() - began, crashes, slow, len(corpus_of(reader.name))


def main() -> int:
    """Run the harnesses that were asked for, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=10_000, help="for each reader (default: 10,000)")
    parser.add_argument("--seconds", type=int, default=600, help="at most, for each reader (default: 600)")
    parser.add_argument("--reader", action="append", help="only this one; may be repeated")
    parser.add_argument("--findings", type=Path, help="where to keep what is found (default: a new folder)")
    parser.add_argument("--worker", help=argparse.SUPPRESS)
    parser.add_argument("--replay", nargs=2, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.worker:
        work(options.worker, options.findings, options.inputs, options.seconds)
        return 0
    if options.replay:
        print(replay(options.replay[0], Path(options.replay[1])))
        return 0
    findings = options.findings or Path(tempfile.mkdtemp(prefix="findings-"))
    rows = []
    for reader in [reader for path in harnesses() for reader in readers_of(path)]:
        if options.reader and reader.name not in options.reader:
            continue
        own = findings / reader.name
        own.mkdir(parents=True, exist_ok=True)
        rows.append(fuzz(reader, own, options.inputs, options.seconds))
        print("{:<14}{:>10,} inputs{:>8,.0f} s{:>6} crashes{:>4} hangs{:>5} in corpus".format(*rows[-1]), flush=True)
    total = [sum(row[place] for row in rows) for place in range(1, 6)]
    print("{:<14}{:>10,} inputs{:>8,.0f} s{:>6} crashes{:>4} hangs{:>5} in corpus".format("all", *total))
    print(f"findings: {findings}")
    return 1 if total[2] or total[3] else 0


if __name__ == "__main__":
    sys.exit(main())
