"""A cluster of machines that measure: Dask's scheduler and workers as an executor."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from unhurried.app.errors import CommandError
from unhurried.app.ingest import Workers

ANSWER_S: Final = 10.0
"""How long the scheduler may take to answer: on a network of one's own it does within a second."""

RETRIES: Final = 2
"""How often a recording is given to another worker, where one is lost or fails, before that is
said. A worker that dies may take what it had in hand with it; dying three times of the same
recording isn't chance."""


@contextlib.contextmanager
def cluster_of(
    address: str, *, root: Path | None = None, root_there: str | None = None
) -> Iterator[Workers]:
    """Give a cluster's workers.

    Parameters
    ----------
    address : str
        Of the scheduler, as ``tcp://10.0.0.5:8786``; ``tls://`` for one that asks who is there.
    root : Path, optional
        The folder that workers see as `root_there`. Left out: they see the same files under the
        same names.
    root_there : str, optional

    Raises
    ------
    CommandError
        Dask isn't installed, or no scheduler answers.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise CommandError(
            "a cluster is reached through Dask, which isn't installed: pip install "
            "'unhurried[cluster]', here and at the workers"
        ) from error
    try:
        make: Any = Client
        client = make(address, timeout=ANSWER_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise CommandError(
            f"{address}: no Dask scheduler answers there: start one with 'dask scheduler' and give "
            "the address that it prints"
        ) from error
    with client:
        if not client.scheduler_info()["workers"]:
            raise CommandError(
                f"{address}: has no workers: start some with 'dask worker {address}'"
            )
        yield Workers(
            # A recording may have been changed since it was measured last, so no result is kept.
            executor=client.get_executor(pure=False, retries=RETRIES),
            root=root,
            root_there=root_there,
        )
