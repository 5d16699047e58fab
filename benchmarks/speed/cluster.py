"""``python -m benchmarks.speed.cluster [--frames 100]``: what handing a frame to a cluster costs more than to a worker.

A scheduler and two worker processes run on this machine. The jobs are frames that do not exist, which both ways answer
at once, so that only the way there and back is counted: CPU of all processes together, the main one included. Each way
runs with N and with 3 N jobs, and the slope is the cost of one: what starts once (imports) drops out. A result with a
proxy of some 30 kB comes on top; that results are equal byte for byte is a test (`tests/measuring/test_cluster.py`).
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psutil

from xmpsync.errors import Trouble
from xmpsync.measuring.cluster import run_on_cluster
from xmpsync.measuring.machine import Cluster
from xmpsync.measuring.pool import run_jobs
from xmpsync.measuring.worker import MeasureJob, measure_frame


@contextmanager
def local_cluster(folder: Path, n_workers: int = 2) -> Iterator[tuple[str, list[psutil.Process]]]:
    """The address of a scheduler with workers of one thread each, and all their processes."""
    told = folder / "scheduler.json"
    there = os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p), "OMP_NUM_THREADS": "1"}
    run = [sys.executable, "-m"]
    scheduler = [*run, "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard"]
    processes = [_started([*scheduler, "--scheduler-file", str(told)], there, folder)]
    while not told.exists():
        time.sleep(0.05)
    address = json.loads(told.read_text(encoding="utf-8"))["address"]
    worker = [*run, "distributed.cli.dask_worker", address, "--nthreads", "1", "--no-dashboard", "--no-nanny"]
    processes += [_started([*worker, "--name", str(k)], there, folder) for k in range(n_workers)]
    try:
        yield address, [psutil.Process(p.pid) for p in processes]
    finally:
        for process in reversed(processes):
            process.kill()
            process.wait()


def _started(command: list[str], environment: dict[str, str], folder: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(command, env=environment, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def _cpu(others: list[psutil.Process]) -> float:
    ended = resource.getrusage(resource.RUSAGE_CHILDREN)
    running = [p.cpu_times() for p in others]
    return time.process_time() + ended.ru_utime + ended.ru_stime + sum(t.user + t.system for t in running)


def overhead(n_jobs: int) -> dict[str, float]:
    """CPU milliseconds of a job: `local`, `cluster` and their difference, `overhead`."""
    cost = {}
    with tempfile.TemporaryDirectory(prefix="xmpsync-speed-") as name, local_cluster(Path(name)) as (address, others):
        jobs = [MeasureJob(f"f{k}", f"{name}/missing_{k}.dng", None, (), True) for k in range(3 * n_jobs)]
        sizes = {job.frame_id: 1 for job in jobs}
        cluster = Cluster(address)

        def there(n: int) -> None:
            assert all(isinstance(o, Trouble) for _, o in run_on_cluster(jobs[:n], sizes, cluster, timeout_s=120))

        def here(n: int) -> None:
            assert all(isinstance(o, Trouble) for _, o in run_jobs(measure_frame, jobs[:n], n_workers=2, timeout_s=120))

        there(8)  # imports
        for way, run, processes in (("local", here, []), ("cluster", there, others)):
            spent = []
            for n in (n_jobs, 3 * n_jobs):
                before = _cpu(processes)
                run(n)
                spent.append(_cpu(processes) - before)
            cost[way] = (spent[1] - spent[0]) / (2 * n_jobs) * 1e3
    return cost | {"overhead": cost["cluster"] - cost["local"]}


def main() -> None:
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.speed.cluster", description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("--frames", type=int, default=100)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    found = overhead(options.frames)
    print("| ms of CPU a job | local | cluster | overhead |\n|---|---|---|---|")
    print(f"| there and back | {found['local']:.2f} | {found['cluster']:.2f} | {found['overhead']:.2f} |")
    if options.json:
        options.json.write_text(json.dumps({"schema": 1, "cpu_ms": found}, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
