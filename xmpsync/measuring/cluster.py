"""Measure frames on other machines: the same jobs as in local workers, through a dask scheduler (extra `cluster`).

The main process alone reads sidecars and writes the store; workers read frames on shared storage. Few jobs are under
way at a time, so that neither the scheduler nor this process holds many results.
"""

from __future__ import annotations

import contextlib
import logging
import pickle
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from xmpsync.errors import Refused, Trouble, WrongUsage, XmpsyncError
from xmpsync.measurement import FrameMeasurement
from xmpsync.measuring.machine import Cluster
from xmpsync.measuring.pool import Lost
from xmpsync.measuring.remote import measure_there, version
from xmpsync.measuring.worker import MeasureJob

CONNECT_S = 15.0
WORKERS_S = 60.0
"""How long to wait for the scheduler and for its first worker."""
LOOK_S = 5.0
"""How often the scheduler is asked whether it is still there while no result comes."""
UNDER_WAY = 2
"""Chunks for each thread of the workers: one at work, one on its way."""
CHUNK = 8
"""Frames handed over at once: dask's handling of a task, some 20 ms of CPU, is shared by them."""


class SchedulerGone(XmpsyncError):
    """The scheduler went away before all frames were measured (exit 1)."""


def run_on_cluster(
    jobs: Sequence[MeasureJob], sizes: Mapping[str, int], cluster: Cluster, *, timeout_s: float
) -> Iterator[tuple[MeasureJob, FrameMeasurement | Trouble | Lost]]:
    """Yield (job, outcome) for every job as they get ready; `sizes`: bytes of each frame.

    Raises WrongUsage where the extra, the scheduler or workers are missing, Refused where a worker runs another
    version, SchedulerGone where the scheduler goes away.
    """
    client = _connected(cluster)
    under_way: dict[Any, tuple[MeasureJob, ...]] = {}
    n_done = 0
    try:
        threads = _threads(client, cluster)
        waiting = deque(_chunks(jobs, threads))
        while waiting or under_way:
            while len(under_way) < UNDER_WAY * threads and waiting:
                chunk = waiting.popleft()
                files = [(cluster.there(job.raw), sizes[job.frame_id]) for job in chunk]
                under_way[client.submit(measure_there, pickle.dumps(chunk), files, pure=False, retries=0)] = chunk
            finished = _finished(client, list(under_way), timeout_s * max(map(len, under_way.values())))
            if finished is None:
                for future, chunk in under_way.items():
                    future.cancel()
                    for job in chunk:
                        yield job, Lost(f"no worker answered for {timeout_s:.0f} s")
                under_way.clear()
                continue
            for future in finished:
                chunk = under_way.pop(future)
                outcomes = _taken(client, future)
                if isinstance(outcomes, Lost) and len(chunk) > 1:  # one of them is to blame: each by itself
                    waiting.extendleft((job,) for job in reversed(chunk))
                    continue
                each = [outcomes] * len(chunk) if isinstance(outcomes, Lost) else outcomes
                for job, outcome in zip(chunk, each, strict=True):
                    n_done += 1
                    yield job, outcome
    except _Gone as error:
        raise SchedulerGone(
            f"The scheduler {cluster.scheduler} went away after {n_done} of {len(jobs)} frames.",
            written="What was measured is kept.",
            next_step="Run the same command again, or without --scheduler to measure the rest here.",
        ) from error
    finally:
        with contextlib.suppress(Exception):
            client.cancel(list(under_way), force=True)
        with contextlib.suppress(Exception):
            client.close(timeout=2)


def _chunks(jobs: Sequence[MeasureJob], threads: int) -> Iterator[tuple[MeasureJob, ...]]:
    """Jobs to hand over together, in order: fewer towards the end, so that no worker is left with many."""
    at = 0
    while at < len(jobs):
        size = max(1, min(CHUNK, (len(jobs) - at) // (2 * UNDER_WAY * threads)))
        yield tuple(jobs[at : at + size])
        at += size


class _Gone(Exception):
    pass


def _connected(cluster: Cluster) -> Any:
    try:
        from distributed import Client
    except ImportError as error:
        raise WrongUsage(
            "--scheduler needs the extra `cluster`.", next_step="Install it: pip install 'xmpsync[cluster]'"
        ) from error
    for name in ("distributed", "distributed.client", "distributed.core", "tornado"):
        logging.getLogger(name).setLevel(logging.CRITICAL)  # progress owns the terminal
    try:
        return Client(cluster.scheduler, timeout=CONNECT_S)
    except (OSError, ValueError, TimeoutError) as error:
        raise WrongUsage(
            f"No scheduler answers at {cluster.scheduler} ({type(error).__name__}).",
            next_step="Start one with `dask scheduler` and give its address: tcp://HOST:8786. Without --scheduler "
            "everything is measured here.",
        ) from error


def _threads(client: Any, cluster: Cluster) -> int:
    try:
        client.wait_for_workers(1, timeout=WORKERS_S)
    except TimeoutError as error:
        raise WrongUsage(
            f"The scheduler {cluster.scheduler} has no worker.",
            next_step="Start some: dask worker ADDRESS --nthreads 1 --nworkers N",
        ) from error
    return max(1, sum(int(n) for n in client.nthreads().values()))


def _finished(client: Any, futures: list[Any], timeout_s: float) -> list[Any] | None:
    """Futures that ended, None where none did in `timeout_s`. Raises `_Gone`."""
    from distributed import wait

    waited = 0.0
    while waited < timeout_s:
        try:
            done = wait(futures, timeout=LOOK_S, return_when="FIRST_COMPLETED").done
            return list(done)
        except TimeoutError:
            waited += LOOK_S
            if client.status != "running":
                raise _Gone from None
        except Exception as error:  # cancelled futures, closed connections: dask has several kinds
            raise _Gone from error
    return None


def _taken(client: Any, future: Any) -> Sequence[FrameMeasurement | Trouble] | Lost:
    """The outcomes of a chunk. Raises `_Gone` and Refused."""
    if future.status in ("cancelled", "lost"):
        raise _Gone
    error = future.exception()
    if error is not None:
        if client.status != "running":
            raise _Gone from error
        if type(error).__name__ == "KilledWorker":
            return Lost("the worker processes that tried it ended unexpectedly")
        if isinstance(error, ModuleNotFoundError) and error.name == "xmpsync":
            raise Refused(
                "A worker of the cluster does not have xmpsync.",
                written="What was measured is kept.",
                next_step="Install the same version on every machine.",
            )
        return Lost(f"an error on the worker ({type(error).__name__}: {error})", alive=True)
    their_version, host, packed = future.result()
    if their_version != version():
        raise Refused(
            f"The worker on {host} runs another version of xmpsync ({their_version}; here {version()}): its results "
            "would differ.",
            written="What was measured is kept.",
            next_step="Install the same version on every machine.",
        )
    outcomes: list[FrameMeasurement | Trouble] = pickle.loads(packed)
    return outcomes
