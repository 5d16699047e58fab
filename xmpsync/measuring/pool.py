"""Worker processes that may die: a crash or a hang costs the job at hand, not the run. The home of pebble.

Spawned, not forked (the decoder may be built with OpenMP). A worker that dies or overruns its time is replaced, and
its job comes back as a `Lost`. Results arrive in the order they are ready.
"""

from __future__ import annotations

import multiprocessing
import os
import time
import traceback
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from pebble import ProcessExpired, ProcessPool

from xmpsync.errors import XmpsyncError

START_TIMEOUT_S = 120.0
"""A slow disk and a virus scanner may take their time over the first import."""
LOOK_S = 1.0
"""How long to wait at a time: a wait without end is deaf to Ctrl-C on some systems."""
QUEUED = 2
"""Jobs handed over for each worker: one at work, one that waits for it."""

J = TypeVar("J")
R = TypeVar("R")


class WorkersMissing(XmpsyncError):
    """The worker processes cannot be started."""


@dataclass(frozen=True, slots=True)
class Lost:
    """A job whose worker died or took too long, or (`alive`) met an error that nobody expected."""

    reason: str
    alive: bool = False


class Idle(Generic[J]):
    """Workers that wait for the next call of `run_jobs`: one between calls with a single job, or some started early.

    Whoever makes one closes it; a worker whose caller is gone ends by itself.
    """

    def __init__(self) -> None:
        self._pool: ProcessPool | None = None
        self._n_workers = 0

    def start(self, n_workers: int, first: Callable[[], None]) -> None:
        """Start workers before there is a job, beside other work of this process.

        `first`, a module-level function, is called in each; what its module imports is there when jobs come.
        """
        pool = _new(n_workers, _nothing)
        for _ in range(n_workers):
            pool.schedule(first)
        self.keep(pool, n_workers)

    def take(self, n_workers: int = 1) -> ProcessPool | None:
        """The pool, if one of that many workers waits and is in order; it is the caller's from now on."""
        if n_workers != self._n_workers:
            return None
        pool, self._pool, self._n_workers = self._pool, None, 0
        if pool is not None and not pool.active:
            _stop(pool)
            return None
        return pool

    def keep(self, pool: ProcessPool, n_workers: int = 1) -> None:
        """Let this one wait; one that waits already ends."""
        self.close()
        self._pool, self._n_workers = pool, n_workers

    def close(self) -> None:
        """End the workers."""
        self._n_workers = 0
        if self._pool is not None:
            _stop(self._pool)
            self._pool = None


def _nothing() -> None:
    """No preparation."""


def _ignored(_: object) -> None:
    """No announcement."""


def run_jobs(
    function: Callable[[J], R],
    jobs: Sequence[J],
    *,
    n_workers: int,
    timeout_s: float,
    prepare: Callable[[], None] = _nothing,
    announce: Callable[[J], None] = _ignored,
    idle: Idle[J] | None = None,
) -> Iterator[tuple[J, R | Lost]]:
    """Yield (job, result or `Lost`) for every job, as they get ready.

    `function` is a module-level function; it returns expected trouble as a value. `prepare`, one too, is called once
    in each new worker. `announce` is called here with each job that has to wait for a worker, in order. Where as many
    workers are `idle` as would be started, jobs go to these; they wait there afterwards, as does a new one for a single
    job. Closing the iterator (Ctrl-C included) ends the workers; what was yielded before stays with the caller.

    Raises WorkersMissing where no worker starts.
    """
    if not jobs:
        return
    n_workers = min(n_workers, len(jobs))
    waiting, n_announced = deque(jobs), n_workers
    pool = idle.take(n_workers) if idle is not None else None
    worked = pool is not None
    idle = idle if worked or len(jobs) == 1 else None
    under_way: dict[Future[Any], J] = {}
    started_by_s = time.monotonic() + START_TIMEOUT_S
    try:
        while waiting or under_way:
            if pool is None:
                pool, worked = _new(n_workers, prepare), False
                started_by_s = time.monotonic() + START_TIMEOUT_S
            try:
                while waiting and len(under_way) < QUEUED * n_workers:
                    handed = pool.schedule(_guarded, args=(function, waiting[0]), timeout=timeout_s)
                    under_way[handed] = waiting.popleft()
                    n_given = len(jobs) - len(waiting)
                    if n_given > n_announced:
                        announce(under_way[handed])
                        n_announced = n_given
                finished = wait(under_way, timeout=LOOK_S, return_when=FIRST_COMPLETED).done
                worked = worked or any(future.running() for future in under_way)
                if not worked and not finished and time.monotonic() > started_by_s:
                    raise BrokenProcessPool
                for future in finished:
                    outcome = _outcome(future, timeout_s)
                    worked = True
                    yield under_way.pop(future), outcome
            except (BrokenProcessPool, CancelledError, RuntimeError) as error:
                # a worker died without a job: what was handed over goes to new ones, unless these never worked
                if not worked:
                    raise _missing() from error
                waiting.extendleft(reversed(under_way.values()))
                under_way.clear()
                _stop(pool)
                pool = None
        if idle is not None and pool is not None:
            idle.keep(pool, n_workers)
            pool = None
    finally:
        if pool is not None:
            _stop(pool)


def _new(n_workers: int, prepare: Callable[[], None]) -> ProcessPool:
    spawn = multiprocessing.get_context("spawn")
    return ProcessPool(n_workers, initializer=_prepared, initargs=(prepare,), context=spawn)


def _outcome(future: Future[Any], timeout_s: float) -> Any:
    """What came of a job. Raises BrokenProcessPool and CancelledError where the pool is no more."""
    try:
        return future.result()
    except TimeoutError:
        return Lost(f"no result after {timeout_s:.0f} s")
    except ProcessExpired as error:
        return Lost(f"the worker process ended unexpectedly (exit code {error.exitcode})")
    except (BrokenProcessPool, CancelledError):
        raise
    except Exception as error:  # a result that cannot be sent
        return Lost(f"an internal error ({type(error).__name__}: {error})", alive=True)


def _missing() -> WorkersMissing:
    """A worker that cannot even start would be replaced for ever: stop with the reason instead."""
    return WorkersMissing(
        "The worker processes that decode frames cannot be started.",
        next_step="A script of your own must call xmpsync below `if __name__ == '__main__':`: workers import it.",
    )


def _prepared(prepare: Callable[[], None]) -> None:
    """In a new worker, before any decoder is loaded: one thread, since the frames are the parallel part."""
    os.environ["OMP_NUM_THREADS"] = "1"
    prepare()


def _guarded(function: Callable[[J], R], job: J) -> R | Lost:
    try:
        return function(job)
    except Exception as error:
        return Lost(f"an internal error ({type(error).__name__}: {error}) at {_place(error)}", alive=True)


def _place(error: Exception) -> str:
    last = traceback.extract_tb(error.__traceback__)[-1]
    return f"{os.path.basename(last.filename)}:{last.lineno}"  # noqa: PTH119


def _stop(pool: ProcessPool) -> None:
    pool.stop()  # type: ignore[no-untyped-call]
    with suppress(RuntimeError):  # a worker that outlives being killed: the system ends it
        pool.join()
