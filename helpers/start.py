"""Start the project with one command; the first start makes the environment it needs.

    python3 helpers/start.py report        make the report
    python3 helpers/start.py test          check everything: ruff, mypy, tests, notebooks
    python3 helpers/start.py WORD ...      any other word goes to `python -m swaptable` as it is

The start needs Python 3.11 or newer and, the first time, a package index; nothing else. The environment is
the folder `.venv` in the project's folder, filled with exactly what `helpers/requirements.lock` names, each
file checked against its hash. Its stamp is written last. An environment without a stamp, or with one that
does not fit the lock, `pyproject.toml`, the Python in use and the folder's place, is made anew, and what else
lies in it is lost. uv installs; where it cannot (say, behind a mirror that only pip's settings name), pip
does.

After a change to the dependencies in `pyproject.toml`, write the lock again from the project's folder (add
`--upgrade` for newer releases; `fewest` gives every Python the same releases, and so the same figures)::

    .venv/bin/uv pip compile --universal --fork-strategy fewest --generate-hashes --no-emit-index-url
        --no-header --extra cluster --extra dev --python-version 3.11 pyproject.toml -o helpers/requirements.lock

Standard library only, and no syntax newer than Python 3.6, so that an old Python can still say what is wrong.
"""

import hashlib
import importlib.util
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

OLDEST = (3, 11)
ROOT = Path(__file__).resolve().parent.parent
LOCK = ROOT / "helpers" / "requirements.lock"
PROJECT = ROOT / "pyproject.toml"
VENV = (ROOT / ".venv").resolve()  # it may be a link to a roomier disk
PYTHON = VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
STAMP = VENV / "stamp"
GUARD = VENV / "guard"
LOG = VENV / "install.log"

# What `test` runs, each with `python -m`; further arguments go to the last one, pytest.
CHECKS = [
    ["ruff", "check", "."],
    ["ruff", "format", "--check", "."],
    ["mypy"],
    ["pytest", "--nbval-lax", "-n", "auto", "--dist", "loadfile"],
]


class StartError(Exception):
    """What stops the start, in one sentence for the person at the keyboard."""


def main(words: "list[str]") -> int:
    """Make the environment if need be, hand over, and return the exit code."""
    if not words or words[0] in ("-h", "--help"):
        print("\n\n".join(str(__doc__).split("\n\n")[:2]))
        return 0
    try:
        require_version()
        if not is_ready():
            prepare()
        return run_checks(words[1:]) if words[0] == "test" else hand_over(["swaptable", *words])
    except StartError as error:
        say(str(error))
        return 1
    except OSError as error:
        say(f"could not make or use .venv: {error}.")
        return 1
    except KeyboardInterrupt:
        say("Stopped; start again at any time.")
        return 130


def say(sentence: str) -> None:
    """Tell the person, leaving standard output to the program that is started."""
    print(f"start: {sentence}", file=sys.stderr, flush=True)


def require_version() -> None:
    """Refuse a Python that is too old."""
    found, oldest = (".".join(map(str, version)) for version in (sys.version_info[:2], OLDEST))
    if sys.version_info < OLDEST:
        raise StartError(
            f"Python {oldest} or newer is needed, and this is Python {found}: start with a newer one"
            " (python.org has installers)."
        )


def require_venv() -> None:
    """Refuse a Python without the modules that make an environment; Debian's has none until asked."""
    if not all(importlib.util.find_spec(name) for name in ("venv", "ensurepip")):
        raise StartError(
            "this Python lacks its venv module: install it (Debian and Ubuntu: apt install python3-venv;"
            " elsewhere: an installer from python.org) and start again."
        )


def wanted_stamp() -> bytes:
    """Return the stamp of an environment that fits things as they are now.

    The folder's place counts because an environment that is moved or copied still points to the old place.
    """
    python = "{}.{}".format(*sys.version_info)
    parts = (LOCK.read_bytes(), PROJECT.read_bytes(), python.encode(), os.fsencode(VENV))
    return hashlib.sha256(b"".join(hashlib.sha256(part).digest() for part in parts)).hexdigest().encode()


def is_ready() -> bool:
    """Return whether the environment was finished, still fits, and its Python still runs."""
    if not STAMP.is_file() or STAMP.read_bytes() != wanted_stamp():
        return False
    try:
        return subprocess.call([str(PYTHON), "-I", "-S", "-c", ""], stderr=subprocess.DEVNULL) == 0
    except OSError:
        return False


def prepare() -> None:
    """Make the environment from nothing, unless another start has just done so."""
    require_venv()
    VENV.mkdir(exist_ok=True)
    with alone():
        if is_ready():
            return
        say("making the environment in .venv; only the first start takes this long.")
        stamp = wanted_stamp()  # taken first: what changes meanwhile must not pass for installed
        clear()
        # Started by the Python in .venv, which clear() has just removed, take the one behind it.
        python = getattr(sys, "_base_executable", sys.executable)
        if not run([python, "-I", "-m", "venv", str(VENV)]):
            raise StartError(f"could not make the environment; {LOG} tells why.")
        install()
        STAMP.write_bytes(stamp)


@contextmanager
def alone() -> "Iterator[None]":
    """Keep other starts out; the system lifts this lock however the process ends."""
    with GUARD.open("a") as guard:
        os.set_inheritable(guard.fileno(), True)
        if not try_lock(guard):
            say("another start is making the environment; waiting for it.")
            while not try_lock(guard):
                time.sleep(0.2)
        yield


def try_lock(file: "IO[str]") -> bool:
    """Return whether the file is ours now; where files cannot be locked (some network folders) it is."""
    try:
        if sys.platform == "win32":
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return not isinstance(error, (BlockingIOError, PermissionError))
    return True


def clear() -> None:
    """Empty the environment's folder, but for the guard; the stamp goes first."""
    STAMP.unlink(missing_ok=True)
    try:
        for path in VENV.iterdir():
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path)
            elif path != GUARD:
                path.unlink()
    except OSError as error:
        raise StartError(f"could not empty .venv (does a program still run from it?): {error}.") from error


def install() -> None:
    """Install what the lock names, then the project itself, with uv, or with pip where uv cannot."""
    uv_part, other_part = split_lock(LOCK.read_text(encoding="utf-8"))
    uv_list, other_list = VENV / "uv.txt", VENV / "packages.txt"
    uv_list.write_text(uv_part, encoding="utf-8")
    other_list.write_text(other_part, encoding="utf-8")
    project = ["--no-deps", "--no-build-isolation", "-e", str(ROOT)]

    def install_with(installer: "list[str]") -> bool:
        locked = [*installer, "--require-hashes", "-r", str(other_list)]
        return run(locked) and run([*installer, *project])

    # -I: neither PYTHONPATH nor a user's own packages may pass for what the lock names.
    pip = [str(PYTHON), "-I", "-m", "pip", "install", "--no-input", "--disable-pip-version-check"]
    uv = [str(PYTHON), "-I", "-m", "uv", "pip", "install", "--compile-bytecode", "--python", str(PYTHON)]
    if run([*pip, "--retries", "2", "--require-hashes", "-r", str(uv_list)]) and install_with(uv):
        return
    say("uv could not install the packages; pip tries, and takes longer.")
    if not install_with(pip):
        raise StartError(
            f"could not install the packages (no network?); {LOG} tells why; the next start begins afresh."
        )


def split_lock(text: str) -> "tuple[str, str]":
    """Return the lock's entry for uv, which has to be there first, and all other entries."""
    uv_part = "".join(re.findall(r"^uv==.*\n(?:[ \t].*\n)*", text, flags=re.MULTILINE))
    return uv_part, text.replace(uv_part, "")


def run(command: "list[str]") -> bool:
    """Run one step of the installation, its output to the log, and return whether it worked.

    The step inherits the guard: if this start is killed, others wait until the step has ended too.
    """
    environ = dict(os.environ, PIP_USER="0")  # a setting for --user would lead out of the environment
    if "PIP_INDEX_URL" in environ:  # a mirror named for pip is meant for uv as well
        environ.setdefault("UV_INDEX_URL", environ["PIP_INDEX_URL"])
    with LOG.open("ab") as log:
        log.write(f"\n$ {' '.join(command)}\n".encode())
        log.flush()
        code = subprocess.call(
            command,
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=subprocess.STDOUT,
            env=environ,
            cwd=ROOT,
            close_fds=False,
        )
    return code == 0


def hand_over(words: "list[str]", folder: "Path | None" = None) -> int:
    """Run a module of the environment and return its exit code."""
    with subprocess.Popen([str(PYTHON), "-m", *words], cwd=folder) as child:
        signal.signal(signal.SIGTERM, lambda *_: child.terminate())
        while True:
            try:
                code = child.wait()
            except KeyboardInterrupt:
                continue  # the child got it too, and ends in its own way
            return code if code >= 0 else 128 - code  # as a shell tells the signal that ended it


def run_checks(words: "list[str]") -> int:
    """Run all checks, in the project's folder, and return the first exit code that is not zero."""
    first = 0
    for check in CHECKS:
        code = hand_over([*check, *words] if check is CHECKS[-1] else check, ROOT)
        first = first or code
        if code > 128:  # ended from outside: so should the rest
            break
    return first


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
