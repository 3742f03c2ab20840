"""Kernels: one notebook executed in a process of its own, within limits of time and of what it shows.

Import it late: it brings papermill and all that belongs to it.
"""
# ruff: noqa: E402 (one module is kept from being imported first)

from __future__ import annotations

import json
import os
import signal
import sys
import tempfile
import threading
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any

# jupyterlab's rfc3987_syntax builds a grammar for a second at import, only to check IRIs
sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
import nbformat
import papermill
from nbclient.exceptions import DeadKernelError
from papermill.clientwrap import PapermillNotebookClient
from papermill.engines import Engine, papermill_engines
from papermill.exceptions import PapermillExecutionError

from swaptable.basics.errors import LimitError, RunError, SwaptableError

__all__ = ["MOST_SHOWN_BYTES", "StoppedError", "all_stopped", "execute"]

MOST_SHOWN_BYTES = 20 * 2**20  # of all that a notebook prints and shows
START_SECONDS = 60.0  # for a kernel to begin
_TAIL_BYTES = 4096  # of what a process that died said last
_ENGINE = "swaptable"
_RUNNING: set[_Client] = set()
_STOP = threading.Event()


class StoppedError(SwaptableError):
    """The user wants no more of it."""

    code = "S42"
    cause = "the run was interrupted, or an earlier one could not write and nothing more was begun"
    remedy = "run again; finished reports are in place"


class _Client(PapermillNotebookClient):  # type: ignore[misc]
    """A client whose kernel ends with all its children, when the time is up or it shows too much."""

    shown_bytes, group = 0, 0

    def process_message(self, msg: dict[str, Any], *where: Any, **named: Any) -> Any:
        """Take what the kernel shows, as long as there is not too much of it."""
        if self.shown_bytes <= MOST_SHOWN_BYTES:
            self.shown_bytes += len(json.dumps(msg["content"], default=str))
            if self.shown_bytes > MOST_SHOWN_BYTES:
                where[0].outputs.clear()  # nobody wants to read what there is of it
                self.end()
        return super().process_message(msg, *where, **named) if self.shown_bytes <= MOST_SHOWN_BYTES else None

    def papermill_execute_cells(self) -> None:
        """Execute all cells; a kernel that began while all were being stopped executes none."""
        self.group = getattr(self.km.provisioner, "pgid", 0) or 0
        if not _STOP.is_set():
            super().papermill_execute_cells()

    def end(self) -> None:
        """Kill the kernel and all that it began."""
        provisioner = self.km.provisioner if self.km is not None else None
        group = self.group or getattr(provisioner, "pgid", 0)
        with suppress(OSError, AttributeError):
            if group and hasattr(os, "killpg"):
                os.killpg(group, signal.SIGKILL)
            elif provisioner is not None:
                provisioner.process.kill()


class _LimitedEngine(Engine):  # type: ignore[misc]
    """How papermill executes a notebook here."""

    @classmethod
    def execute_managed_notebook(cls, nb_man: Any, kernel_name: str, **named: Any) -> None:
        """Execute with a limit of time that no state of the kernel gets round."""
        environment, folder, limit = named["environment"], named["folder"], named["limit"]
        client = _Client(
            nb_man, kernel_name=kernel_name, startup_timeout=START_SECONDS, timeout=None,
            resources={"metadata": {"path": str(folder)}}, extra_arguments=named["extra_arguments"],
        )  # fmt: skip
        late = threading.Event()

        def end_late() -> None:
            late.set()
            client.end()

        watch = threading.Timer(limit, end_late)
        watch.daemon = True
        # cells print through messages; what the process itself prints, such as while it closes, goes beside them
        with tempfile.TemporaryFile() as beside:
            watch.start()
            _RUNNING.add(client)
            try:
                client.execute(env={**os.environ, **environment}, stderr=beside)
            except Exception as error:
                if _STOP.is_set():
                    raise StoppedError("was interrupted") from error
                named["target"].write_text(nbformat.writes(nb_man.nb), encoding="utf-8")
                raise _why(client, late.is_set(), limit, error, beside) from error
            finally:
                watch.cancel()
                _RUNNING.discard(client)
                client.end()  # children that it left
        if _STOP.is_set():
            raise StoppedError("was interrupted")


def _why(client: _Client, late: bool, limit: float, error: Exception, beside: IO[bytes]) -> RunError:
    """Say in a few words why a kernel ended."""
    if client.shown_bytes > MOST_SHOWN_BYTES:
        return LimitError(f"the notebook shows more than {MOST_SHOWN_BYTES / 2**20:g} MiB; print less")
    if late:
        return LimitError(f"took longer than the limit of {limit:g} seconds for one run")
    if isinstance(error, DeadKernelError) or "Kernel died" in str(error):  # the second while it begins
        said = _last_line(beside)
        return RunError(f"its kernel died; it may have run out of memory{f'; it said last: {said}' if said else ''}")
    return RunError(f"{type(error).__name__}: {' '.join(str(error).split())}")


def _last_line(beside: IO[bytes]) -> str:
    """Give the last line of what the process of a kernel said beside its messages; empty if it said nothing."""
    beside.seek(max(0, beside.seek(0, os.SEEK_END) - _TAIL_BYTES))
    lines = beside.read().decode("utf-8", "replace").split("\n")
    return next((line.strip() for line in reversed(lines) if line.strip()), "")


papermill_engines.register(_ENGINE, _LimitedEngine)


@contextmanager
def all_stopped() -> Iterator[None]:
    """End every kernel of this process, and let none begin while the block lasts."""
    _STOP.set()
    try:
        for client in list(_RUNNING):
            client.end()
        yield
    finally:
        _STOP.clear()


def execute(
    notebook: Path,
    target: Path,
    parameters: Mapping[str, Any],
    *,
    folder: Path,
    limit: float,
    environment: Mapping[str, str] | None = None,
    first: str = "",
) -> None:
    """Execute a notebook into another; Ctrl-C ends it at once.

    Parameters
    ----------
    notebook, target : Path
        The target is written also if the notebook fails.
    parameters : mapping
    folder : Path
        Where the kernel is at home.
    limit : float
        Longest that it may take. [s]
    environment : mapping of str, optional
        Variables that the kernel finds besides those of this process.
    first : str, optional
        A line of Python that the kernel executes before all cells.

    Raises
    ------
    RunError
        If the notebook fails, with its last error; if its kernel dies, takes too long or shows too much.
    StoppedError
        If all kernels are stopped meanwhile.
    OSError
        If the target cannot be written.
    """

    def run() -> None:
        _execute(notebook, target, parameters, folder, limit, environment or {}, first)

    if threading.current_thread() is not threading.main_thread():
        run()
        return
    with ThreadPoolExecutor(1) as pool:  # in the main thread Ctrl-C would look like a dying kernel
        future = pool.submit(run)
        try:
            future.result()
        except KeyboardInterrupt:
            with all_stopped():
                future.exception()
            raise


def _execute(
    notebook: Path, target: Path, parameters: Mapping[str, Any], folder: Path, limit: float,
    environment: Mapping[str, str], first: str,
) -> None:  # fmt: skip
    if _STOP.is_set():
        raise StoppedError("was interrupted")
    arguments = ["--IPKernelApp.log_level=CRITICAL", *([f"--IPKernelApp.exec_lines={first}"] if first else [])]
    try:
        papermill.execute_notebook(
            _literal(notebook), _literal(target), parameters=dict(parameters), kernel_name="python3",
            engine_name=_ENGINE, progress_bar=False, log_output=False, autosave_cell_every=0,
            request_save_on_cell_execute=False, target=target, environment=environment, folder=folder, limit=limit,
            extra_arguments=arguments,
        )  # fmt: skip
    except PapermillExecutionError as error:
        raise RunError(f"{error.ename}: {' '.join(str(error.evalue).split())}") from error


def _literal(path: Path) -> str:
    """Give a path to papermill, which reads braces as fields to fill in."""
    return str(path).replace("{", "{{").replace("}", "}}")
