"""Kill real processes at every step of a run and of a recovery: `python -m tests.write.killer FOLDER [--recovery]`.

This process forks one child for each step; the child sends itself SIGKILL right before that step on the real disk, the
kernel drops its lock, and this process recovers and judges. Prints how many children were killed.
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
from collections.abc import Callable
from pathlib import Path

from tests.write.disk import AnyDisk, Shoot, corrected, packet
from tests.write.tinydng import tiny_dng
from xmpsync.write.perform import perform
from xmpsync.write.plan import Plan
from xmpsync.write.recover import recover, unfinished
from xmpsync.write.runs import RunState, list_runs, verify_runs

STEPS = (
    "read",
    "list_dir",
    "real_path",
    "make_dir",
    "create",
    "open_in_place",
    "copy_attributes",
    "replace",
    "remove",
    "sync_dir",
    "open_lock",
    "stat",
)


class Deadly(AnyDisk):
    """Kills its own process right before step number `at`."""

    def __init__(self, at: int) -> None:
        super().__init__()
        self._left = at

    def __getattribute__(self, name: str) -> object:
        if name in STEPS:
            if self._left == 0:
                os.kill(os.getpid(), signal.SIGKILL)
            self._left -= 1
        return super().__getattribute__(name)


def killed(act: Callable[[], object]) -> bool:
    """Do it in a child; True if the child was killed, False if it came to its end."""
    child = os.fork()
    if child == 0:
        try:
            act()
        except BaseException:
            os._exit(3)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return os.WTERMSIG(status) == signal.SIGKILL
    assert os.WEXITSTATUS(status) == 0, "the child failed"
    return False


def fresh(folder: Path) -> tuple[Shoot, Plan, dict[str, bytes], dict[str, bytes]]:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    shoot = Shoot(folder)
    shoot.put("a.xmp", packet())
    shoot.put("b.dng", tiny_dng("<", packet()))
    before = shoot.everything()
    plan = Plan(
        (
            shoot.change("a.xmp", corrected(packet())),
            shoot.embedding("b.dng", corrected(packet()) + b" " * 50),
            shoot.change("c.xmp", packet(5000)),
        )
    )
    return shoot, plan, before, {"a.xmp": corrected(packet()), "c.xmp": packet(5000)}


def judge(shoot: Shoot, before: dict[str, bytes], after: dict[str, bytes]) -> None:
    assert unfinished(shoot.state) is None
    assert verify_runs(shoot.state) == ()
    complete = any(run.state is RunState.COMPLETE for run in list_runs(shoot.state))
    now = shoot.everything()
    if not complete:
        assert now == before, sorted(now)
    else:
        assert {path: now[path] for path in after} == after
        assert now["b.dng"] != before["b.dng"]
        assert set(now) == {"a.xmp", "b.dng", "c.xmp"}


def main(folder: Path, with_recovery: bool) -> int:
    n_killed, at, more = 0, 0, True
    while more:
        shoot, plan, before, after = fresh(folder)
        more = killed(lambda s=shoot, p=plan, k=at: perform(p, s.root, s.state, fs=Deadly(k)))  # type: ignore[misc]
        n_killed += more
        if with_recovery and more:
            again, step = True, 0
            while again:
                again = killed(lambda s=shoot, k=step: recover(s.root, s.state, fs=Deadly(k)))  # type: ignore[misc]
                n_killed += again
                step += 3  # every third step is enough of a lot: each recovery begins where the last one died
        recover(shoot.root, shoot.state)
        judge(shoot, before, after)
        at += 1
    return n_killed


if __name__ == "__main__":
    print(main(Path(sys.argv[1]), "--recovery" in sys.argv))
