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
    """One worker that waits between calls of `run_jobs` with a single job: the next one starts at once.

    Whoever makes one closes it; a worker whose caller is gone ends by itself.
    """

    def __init__(self) -> None:
        self._pool: ProcessPool | None = None

    def take(self) -> ProcessPool | None:
        """The worker's pool, if there is one and it is in order; it is the caller's from now on."""
        pool, self._pool = self._pool, None
        if pool is not None and not pool.active:
            _stop(pool)
            return None
        return pool

    def keep(self, pool: ProcessPool) -> None:
        """Let this one wait; one that waits already ends."""
        self.close()
        self._pool = pool

    def close(self) -> None:
        """End the worker."""
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
    in each new worker. `announce` is called here with each job that has to wait for a worker, in order. A single
    job goes to the worker that is `idle`, which waits there afterwards. Closing the iterator (Ctrl-C included) ends the
    workers; what was yielded before stays with the caller.

    Raises WorkersMissing where no worker starts.
    """
    if not jobs:
        return
    n_workers = min(n_workers, len(jobs))
    idle = idle if len(jobs) == 1 else None
    waiting, n_announced = deque(jobs), n_workers
    pool = idle.take() if idle is not None else None
    worked = pool is not None
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
            idle.keep(pool)
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
