"""Blocks worked out by this computer: in this process, or in several that it starts."""

from __future__ import annotations

import multiprocessing
import multiprocessing.connection
import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass

from dialbench.errors import UserError
from dialbench.tolerance.study import Block, Floats, Question, worked_out

_AHEAD = 2  # blocks in work or waiting, for each worker
_DEATHS = 3  # of workers one after the other, without a block between them
_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


class WorkersError(UserError):
    """Whoever should work out the blocks cannot; one sentence."""


class ThisProcess:
    """One block after the other."""

    def results(
        self, question: Question, blocks: Iterator[Block]
    ) -> Iterator[tuple[Block, Floats]]:
        for block in blocks:
            yield block, worked_out(question, block)


@dataclass(frozen=True)
class Pool:
    """Processes of this computer. One that is killed is replaced, and its block done again."""

    workers: int

    def results(
        self, question: Question, blocks: Iterator[Block]
    ) -> Iterator[tuple[Block, Floats]]:
        left: list[Block] = []  # that dead workers had
        deaths = 0
        while deaths < _DEATHS:
            waiting: dict[Future[Floats], Block] = {}
            with one_thread_each(), _pool(self.workers) as pool:
                try:
                    while True:
                        while len(waiting) < _AHEAD * self.workers:
                            block = left.pop() if left else next(blocks, None)
                            if block is None:
                                break
                            try:
                                waiting[pool.submit(worked_out, question, block)] = block
                            except BrokenProcessPool:
                                left.append(block)
                                raise
                        if not waiting:
                            return
                        done, _ = wait(waiting, return_when=FIRST_COMPLETED)
                        for future in done:
                            figures = future.result()
                            deaths = 0
                            yield waiting.pop(future), figures
                except BrokenProcessPool:
                    deaths += 1
                    left += waiting.values()
        raise WorkersError(
            f"workers die one after the other ({_DEATHS} of them): is there memory for"
            f" {self.workers}? What is kept is kept; ask for fewer with --workers"
        )


@contextmanager
def _pool(workers: int) -> Iterator[ProcessPoolExecutor]:
    """At its end nothing is waited for but the blocks in work."""
    # Started anew and not forked: threads of the parent, such as its progress bar's, are not
    # copied in the middle of what they do.
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(workers, mp_context=context, initializer=_begin)
    try:
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)


def _begin() -> None:
    """In a new worker: an interrupt is the parent's to answer, and without a parent is no work."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    multiprocessing.connection.wait([sentinel])
    os._exit(1)


@contextmanager
def one_thread_each() -> Iterator[None]:
    """Processes started in here calculate on one thread each: there are as many as cores."""
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
