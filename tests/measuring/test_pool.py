"""A worker that crashes or hangs costs its own job only."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from xmpsync.measuring.pool import Idle, Lost, run_jobs
from xmpsync.read import limits


def _work(job: str) -> str:
    if job == "crash":
        os._exit(11)
    if job == "hang":
        time.sleep(600)
    if job == "raise":
        raise ValueError("odd number")
    return job.upper()


def test_results_of_all_good_jobs_arrive_although_one_crashes_and_one_hangs() -> None:
    jobs = ["a", "crash", "b", "hang", "c", "d"]
    outcome = dict(run_jobs(_work, jobs, n_workers=2, timeout_s=8))
    assert outcome.keys() == set(jobs)
    assert {k: v for k, v in outcome.items() if isinstance(v, str)} == {"a": "A", "b": "B", "c": "C", "d": "D"}
    assert isinstance(outcome["crash"], Lost) and "11" in outcome["crash"].reason
    assert isinstance(outcome["hang"], Lost) and "no result after" in outcome["hang"].reason


def test_an_unexpected_error_is_told_with_its_place_and_the_worker_goes_on() -> None:
    outcome = dict(run_jobs(_work, ["raise", "a"], n_workers=1, timeout_s=60))
    assert outcome["a"] == "A"
    assert isinstance(outcome["raise"], Lost) and "ValueError: odd number" in outcome["raise"].reason
    assert "test_pool.py:" in outcome["raise"].reason


def _who(_: str) -> int:
    return os.getpid()


def test_one_worker_waits_between_calls_until_it_is_closed_or_dies() -> None:
    idle: Idle[str] = Idle()
    first, again = (dict(run_jobs(_who, ["a"], n_workers=1, timeout_s=60, idle=idle))["a"] for _ in range(2))
    assert first == again != os.getpid()
    assert isinstance(first, int)
    os.kill(first, 9)
    while _alive(first):
        time.sleep(0.02)
    third = dict(run_jobs(_who, ["a"], n_workers=2, timeout_s=60, idle=idle))["a"]
    assert isinstance(third, int) and third != first
    several = dict(run_jobs(_who, ["a", "b", "c"], n_workers=2, timeout_s=60, idle=idle))
    assert third not in several.values() and all(isinstance(who, int) for who in several.values())
    assert _alive(third) and not any(_alive(who) for who in several.values() if isinstance(who, int))
    idle.close()
    assert not _alive(third) and idle.take() is None


def _takes(n_bytes: int) -> int:
    return len(bytearray(n_bytes))


@pytest.mark.skipif(sys.platform != "linux", reason="other systems may refuse a bound on address space")
def test_each_worker_has_a_bound_on_memory_and_goes_on_after_a_frame_that_wants_more() -> None:
    bound = limits.DEFAULT.max_worker_memory_bytes
    asked = [bound + (1 << 20), 1 << 20]
    outcome = dict(run_jobs(_takes, asked, n_workers=1, timeout_s=60, prepare=limits.prepare_worker))
    too_much = outcome[asked[0]]
    assert isinstance(too_much, Lost) and too_much.alive and "MemoryError" in too_much.reason
    assert outcome[asked[1]] == 1 << 20


def _nothing() -> None:
    pass


def test_workers_started_early_get_the_jobs_and_end_when_closed() -> None:
    idle: Idle[str] = Idle()
    idle.start(1, _nothing)
    several = [dict(run_jobs(_who, ["a", "b", "c"], n_workers=1, timeout_s=60, idle=idle)) for _ in range(2)]
    (who,) = {one for found in several for one in found.values()}  # one process, all the time
    assert isinstance(who, int) and who != os.getpid() and _alive(who)
    two = dict(run_jobs(_who, ["a", "b"], n_workers=2, timeout_s=60, idle=idle))
    assert who not in two.values() and _alive(who)  # not as many as asked for: new ones, and these stay
    idle.close()
    assert not _alive(who)


def test_a_worker_whose_caller_is_killed_ends_by_itself(tmp_path: Path) -> None:
    script = tmp_path / "script.py"
    script.write_text(
        "import os\nfrom tests.measuring.test_pool import _who\nfrom xmpsync.measuring.pool import Idle, run_jobs\n"
        "if __name__ == '__main__':\n"
        "    idle = Idle()\n"
        "    print(dict(run_jobs(_who, ['a'], n_workers=1, timeout_s=60, idle=idle))['a'], flush=True)\n"
        "    os.kill(os.getpid(), 9)\n"
    )
    there = os.environ | {"PYTHONPATH": os.pathsep.join([str(Path(__file__).parents[2]), *filter(None, sys.path)])}
    told = subprocess.run([sys.executable, script], capture_output=True, text=True, check=False, timeout=120, env=there)
    worker, give_up = int(told.stdout), time.monotonic() + 60
    while _alive(worker) and time.monotonic() < give_up:
        time.sleep(0.05)
    assert not _alive(worker)


def _alive(pid: int) -> bool:
    """Whether a process of that number runs; one that ended and was not asked yet does not."""
    stat = Path(f"/proc/{pid}/stat")
    return stat.exists() and stat.read_text().rpartition(")")[2].split()[0] != "Z"


def test_a_crash_of_the_last_job_does_not_wait_for_a_new_worker() -> None:
    assert isinstance(dict(run_jobs(_work, ["crash"], n_workers=4, timeout_s=30))["crash"], Lost)


def test_stopping_early_ends_the_workers() -> None:
    results = run_jobs(_work, ["a", "b", "hang", "hang"], n_workers=2, timeout_s=600)
    next(results)
    started = time.monotonic()
    results.close()  # type: ignore[attr-defined]
    assert time.monotonic() - started < 60  # far below the 600 s of the hanging job


def test_jobs_larger_than_a_pipe_that_wait_do_not_keep_the_workers() -> None:
    large = "x" * 2_000_000
    assert list(run_jobs(len, [large] * 6, n_workers=2, timeout_s=60)) == [(large, len(large))] * 6
    results = run_jobs(_work, ["a", "hang", large, large, large, "hang"], n_workers=1, timeout_s=600)
    next(results)
    started = time.monotonic()
    results.close()  # type: ignore[attr-defined]
    assert time.monotonic() - started < 60


def test_workers_that_cannot_start_end_the_run_with_advice(tmp_path: Path) -> None:
    """A script without the guard that spawned processes need."""
    script = tmp_path / "script.py"
    script.write_text(
        "from xmpsync.measuring.pool import run_jobs\nlist(run_jobs(len, ['a'] * 50, n_workers=2, timeout_s=60))\n"
    )
    result = subprocess.run([sys.executable, script], capture_output=True, text=True, check=False, timeout=120)
    assert result.returncode == 1 and "if __name__ == '__main__':" in result.stderr.splitlines()[-1]


def test_no_jobs_start_no_workers() -> None:
    assert list(run_jobs(_work, [], n_workers=2, timeout_s=1)) == []
