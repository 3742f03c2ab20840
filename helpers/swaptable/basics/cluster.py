"""The same work on many machines: a Dask cluster by its address."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from swaptable.basics.errors import MissingPackageError, SwaptableError

__all__ = ["connected"]

CONNECT_SECONDS = 15


@contextmanager
def connected(address: str) -> Iterator[Any]:
    """Connect to a Dask scheduler, and give what calls can be submitted to; None without an address.

    Its workers need this package and see the same folders.

    Parameters
    ----------
    address : str
        Such as ``tcp://scheduler:8786``.

    Raises
    ------
    SwaptableError
        If Dask is not installed or nobody answers.
    """
    if not address:
        yield None
        return
    try:
        from distributed import Client
    except ImportError:
        raise MissingPackageError(
            "--cluster needs Dask; install the extra 'cluster': pip install 'swaptable[cluster]'"
        ) from None
    try:
        client = Client(address, timeout=CONNECT_SECONDS)
    except (OSError, ValueError, TimeoutError) as error:
        raise SwaptableError(f"found --cluster {address}; no Dask scheduler answers there ({error})") from None
    try:
        yield client.get_executor(pure=False)
    finally:
        client.close()
