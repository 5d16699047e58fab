"""Real processes, really killed, on the real disk."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.write.disk import Shoot, corrected, packet
from xmpsync.errors import Refused
from xmpsync.write.perform import perform
from xmpsync.write.plan import Plan
from xmpsync.write.recover import recover, unfinished
from xmpsync.write.runs import list_runs, verify_runs

HERE = Path(__file__).resolve().parents[2]

needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="this system has no fork")


def _killer(folder: Path, *more: str) -> int:
    done = subprocess.run(
        [sys.executable, "-m", "tests.write.killer", str(folder), *more],
        cwd=HERE,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return int(done.stdout)


@needs_fork
def test_children_killed_at_every_step_leave_every_file_old_or_new(tmp_path: Path) -> None:
    assert _killer(tmp_path / "shoot") >= 60


@pytest.mark.long
@needs_fork
def test_children_killed_at_every_step_and_again_while_they_recover(tmp_path: Path) -> None:
    assert _killer(tmp_path / "shoot", "--recovery") >= 300


CHILD = """
import sys
from pathlib import Path
from tests.write.disk import Shoot, corrected, packet
from xmpsync.write.perform import perform
from xmpsync.write.plan import Plan

shoot = Shoot(Path(sys.argv[1]))
plan = Plan(tuple(shoot.change(f"{k}.xmp", corrected(packet())) for k in range(int(sys.argv[2]))))
print("go", flush=True)
perform(plan, shoot.root, shoot.state, listener=lambda p: print(p.done, flush=True))
"""


def _start(shoot: Shoot, n: int) -> subprocess.Popen[str]:
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(shoot.root), str(n)], cwd=HERE, stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    assert child.stdout.readline() == "go\n"
    return child


@pytest.mark.long
def test_a_process_killed_from_outside_at_any_moment(tmp_path: Path) -> None:
    n, recovered = 40, 0
    for trial in range(40):
        shoot = Shoot(tmp_path / f"{trial}")
        shoot.root.mkdir()
        for k in range(n):
            shoot.put(f"{k}.xmp", packet())
        child = _start(shoot, n)
        assert child.stdout is not None
        for _ in range(trial):
            child.stdout.readline()
        time.sleep(0.0007 * (trial % 7))  # somewhere inside the next file's steps
        child.kill()
        child.communicate()
        recovered += recover(shoot.root, shoot.state) is not None
        assert unfinished(shoot.state) is None
        assert verify_runs(shoot.state) == ()
        complete = any(run.state == "complete" for run in list_runs(shoot.state))
        wanted = corrected(packet()) if complete else packet()
        assert shoot.everything() == {f"{k}.xmp": wanted for k in range(n)}
    assert recovered > 0


@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="a process cannot be held up on this system")
def test_a_second_run_is_refused_while_the_first_is_at_work_and_told_who_it_is(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path)
    for k in range(300):
        shoot.put(f"{k}.xmp", packet())
    child = _start(shoot, 300)
    assert child.stdout is not None
    child.stdout.readline()
    child.send_signal(signal.SIGSTOP)
    try:
        found = unfinished(shoot.state)
        assert found is not None
        assert found.at_work
        plan = Plan((shoot.change("other.xmp", packet()),))
        with pytest.raises(Refused, match=f"process {child.pid} on") as caught:
            perform(plan, shoot.root, shoot.state)
        assert caught.value.exit_code == 3
        with pytest.raises(Refused, match=f"process {child.pid} on"):
            recover(shoot.root, shoot.state)
    finally:
        child.kill()
        child.send_signal(signal.SIGCONT)
        child.communicate()
    found = unfinished(shoot.state)
    assert found is not None
    assert not found.at_work
    report = perform(plan, shoot.root, shoot.state).recovered  # the killed one's lock is free again
    assert report is not None
    assert len(report.taken_back) >= 1
    assert shoot.read("0.xmp") == packet()
