"""Blocks worked out by a Dask cluster: one that runs already, or one of this computer alone.

Needs the extra `cluster`. A worker that is lost is the scheduler's to replace: it gives the
worker's blocks to others.
"""

from __future__ import annotations

import importlib
import tempfile
from collections import deque
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from typing import Any

from dialbench.errors import UserError, inert
from dialbench.tolerance.here import WorkersError, one_thread_each
from dialbench.tolerance.study import VERSION, Block, Floats, Question, worked_out

LOCAL = "local"
_AHEAD = 3  # blocks given out, for each worker
_CONNECT_S = 10


@dataclass(frozen=True)
class Cluster:
    """address: of a scheduler, such as tcp://host:8786; or LOCAL, for `workers` processes here."""

    address: str
    workers: int

    def results(
        self, question: Question, blocks: Iterator[Block]
    ) -> Iterator[tuple[Block, Floats]]:
        with ExitStack() as held:
            client = self._client(held)
            _same_version(client)
            # Sent once to each worker; blocks then name it only.
            everywhere = client.scatter(question, broadcast=True, hash=False)
            waiting: deque[tuple[Block, Any]] = deque()
            try:
                while True:
                    most = _AHEAD * max(1, len(client.scheduler_info(n_workers=-1)["workers"]))
                    while len(waiting) < most and (block := next(blocks, None)) is not None:
                        waiting.append(
                            (block, client.submit(worked_out, everywhere, block, pure=False))
                        )
                    if not waiting:
                        return
                    block, future = waiting.popleft()
                    yield block, future.result()
            except (OSError, RuntimeError) as wrong:
                reason = inert(str(wrong).strip().split("\n")[0])
                raise WorkersError(
                    f"--cluster {self.address}: the cluster failed ({reason}): what is kept is"
                    " kept; run it again when the cluster is sound"
                ) from wrong
            finally:
                with suppress(Exception):
                    client.cancel([future for _, future in waiting])

    def _client(self, held: ExitStack) -> Any:
        try:
            dask, distributed = (importlib.import_module(name) for name in ("dask", "distributed"))
        except ImportError:
            raise UserError(
                "--cluster: needs Dask: pip install -c host/constraints.txt -e '.[cluster]'"
            ) from None
        held.enter_context(dask.config.set({"distributed.admin.log-length": 0}))
        where: Any = self.address
        if self.address == LOCAL:
            held.enter_context(one_thread_each())
            folder = held.enter_context(tempfile.TemporaryDirectory())
            where = held.enter_context(
                distributed.LocalCluster(
                    n_workers=self.workers,
                    threads_per_worker=1,
                    dashboard_address=None,
                    local_directory=folder,
                    silence_logs=50,
                )
            )
        try:
            return held.enter_context(
                distributed.Client(where, timeout=_CONNECT_S, set_as_default=False)
            )
        except (OSError, ValueError, TypeError) as wrong:
            raise WorkersError(
                f"--cluster {self.address}: no scheduler answers there: name an address such as"
                f" tcp://host:8786, or {LOCAL}"
            ) from wrong


def _same_version(client: Any) -> None:
    """All workers must come to the same figures. Raises WorkersError."""
    try:
        told = set(client.run(_version).values())
    except Exception as wrong:  # whatever a worker without Dialbench raises
        raise WorkersError(
            "--cluster: a worker there cannot load Dialbench: install the same version on all"
        ) from wrong
    if told - {VERSION}:
        other = ", ".join(sorted(inert(str(one)) for one in told - {VERSION}))
        raise WorkersError(
            f"--cluster: workers there have {other}, here is {VERSION}: install the same on all"
        )


def _version() -> str:
    return VERSION
