"""Where the blocks of a survey are computed: in this process, or by Dask on this machine or on a cluster."""

from __future__ import annotations

import logging
import multiprocessing
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from swaptable.basics.errors import MissingPackageError, SwaptableError
from swaptable.survey.blocks import Block, Done, Job, write_block

if TYPE_CHECKING:
    from dask.distributed import Client

__all__ = ["blocks_done"]

_WAITING = 3  # blocks handed over for each worker, so that none is idle and memory stays bounded
_ANSWER_SECONDS = 15
_MESSAGES_KEPT = 8
_TRIES = 2  # more, if the worker of a block dies
_START = "forkserver"  # workers are copies of one process that has imported all they need; not on Windows


@contextmanager
def _client(cluster: str, workers: int) -> Iterator[Client]:
    """Connect to a scheduler, or start workers on this machine for as long as the block runs."""
    try:
        import dask.config
        from dask.distributed import Client, LocalCluster
        from distributed.utils import get_mp_context
    except ImportError:
        problem = "the workers of a survey need Dask, which is not installed; install swaptable[cluster]"
        raise MissingPackageError(f"{problem}, or say --workers 0 to compute in this process") from None
    # each side keeps its last messages for developers, a thousand of them, and ours carry whole blocks
    settings: dict[str, Any] = {"distributed.admin.low-level-log-length": _MESSAGES_KEPT}
    if _START in multiprocessing.get_all_start_methods():
        settings["distributed.worker.multiprocessing-method"] = _START
    with dask.config.set(settings):
        if cluster:
            try:
                client = Client(cluster, timeout=_ANSWER_SECONDS)
            except (OSError, ValueError, TimeoutError) as error:
                problem = f"found --cluster {cluster}, where no scheduler answers ({' '.join(str(error).split())})"
                raise SwaptableError(problem) from None
            with client:
                yield client
            return
        if _START in multiprocessing.get_all_start_methods():
            get_mp_context().set_forkserver_preload(["distributed", write_block.__module__])
        options: dict[str, Any] = {"n_workers": workers, "threads_per_worker": 1, "dashboard_address": "127.0.0.1:0"}
        # what fails comes back with its block; workers that are stopped would only tell that nobody listens any more
        with (
            LocalCluster(host="127.0.0.1", silence_logs=logging.CRITICAL, **options) as local,
            Client(local) as client,
        ):
            yield client


def _in_turn(client: Client, job: Job, blocks: Iterable[tuple[Block, Path]]) -> Iterator[Done]:
    """Keep every worker busy with a few blocks, and take them as they are done."""
    from dask.distributed import KilledWorker, as_completed

    shared = client.scatter(job, broadcast=True)
    waiting = iter(blocks)
    room = _WAITING * max(len(client.scheduler_info()["workers"]), 1)

    def handed_over(most: int) -> list[Any]:
        return [
            client.submit(write_block, shared, block, path, pure=False, retries=_TRIES)
            for block, path in islice(waiting, most)
        ]

    running = as_completed(handed_over(room))
    for future in running:
        try:
            done = future.result()
        except KilledWorker as error:
            raise SwaptableError(f"a block was given up since its workers died ({error}); too little memory?") from None
        future.release()
        for more in handed_over(1):
            running.add(more)
        yield done


def blocks_done(
    job: Job, blocks: Iterable[tuple[Block, Path]], cluster: str = "", workers: int | None = None
) -> Iterator[Done]:
    """Compute blocks and write their parts, in whatever order they are done.

    Parameters
    ----------
    job : Job
    blocks : iterable of (block, Path)
        With the file of each; read only as fast as they are done.
    cluster : str, optional
        Address of a Dask scheduler; its workers need the package and must see the files under the same path.
    workers : int, optional
        On this machine: as many as there are cores by default; 0 computes in this process, without Dask.

    Yields
    ------
    Done

    Raises
    ------
    SwaptableError
        If Dask is not installed, no scheduler answers, or workers die.
    """
    if workers == 0 and not cluster:
        for block, path in blocks:
            yield write_block(job, block, path)
        return
    with _client(cluster, workers or os.cpu_count() or 1) as client:
        yield from _in_turn(client, job, blocks)
