"""A full disk, a forbidden step, a failing medium at every single step, reads included: nothing lost, nothing mixed."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.write.crashes import SHOOT, STATE, World, dng, judge, rolled_back, sidecars
from tests.write.simfs import SimFS
from xmpsync.errors import DiskNeedsAttention, XmpsyncError
from xmpsync.write.outcome import RunOutcome
from xmpsync.write.recover import recover

WORLDS: dict[str, Callable[[], World]] = {
    "sidecars": lambda: sidecars(2),
    "packet appended": lambda: dng("<", "append"),
    "packet in place": lambda: dng(">", "in place"),
    "rollback": lambda: rolled_back(sidecars(2), "day0/f0.xmp"),
    "rollback of an appended packet": lambda: rolled_back(dng("<", "append")),
}
FAULTS = {"disk full": errno.ENOSPC, "forbidden": errno.EACCES, "medium fails": errno.EIO}


class Faulty(SimFS):
    """Raises at step `at`, counting reads too; with `lasting`, at every step from there on."""

    def __init__(self, at: int, code: int, lasting: bool) -> None:
        super().__init__(lambda kind, path: self._count())
        self._at, self._code, self._lasting, self._n = at, code, lasting, 0
        self.hit = False

    def _count(self) -> None:
        here = self._n
        self._n += 1
        if here == self._at or (self._lasting and here > self._at):
            self.hit = True
            raise OSError(self._code, os.strerror(self._code))

    def stat(self, path: Path):  # type: ignore[no-untyped-def]
        self._count()
        return super().stat(path)

    def read(self, path: Path, offset: int = 0, size: int | None = None) -> bytes:
        self._count()
        return super().read(path, offset, size)

    def list_dir(self, path: Path) -> tuple[str, ...]:
        self._count()
        return super().list_dir(path)


def _healthy(fs: SimFS) -> SimFS:
    fresh = fs.after_kill()
    assert not isinstance(fresh, Faulty)
    return fresh


def _with_faults(world: World, code: int, lasting: bool, start: SimFS | None = None, act: object = None) -> int:
    n = 0
    while True:
        fs = Faulty(n, code, lasting)
        fs.root = (start or world.start).after_kill().root
        ended = False
        try:
            outcome = (act or world.act)(fs)  # type: ignore[operator]
            ended = isinstance(outcome, RunOutcome) and outcome.run_id is not None
        except XmpsyncError as error:
            assert error.what
            assert error.written
            assert error.next_step, error
        if not fs.hit:
            return n
        after = _healthy(fs)
        recover(SHOOT, STATE, fs=after)
        judge(world, after, ended=ended)
        for lost in fs.after_power_loss(3):
            recover(SHOOT, STATE, fs=lost)
            judge(world, lost, ended=ended)
        n += 1


@pytest.mark.parametrize("name", WORLDS)
@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_at_any_step_of_a_run(name: str, fault: str) -> None:
    assert _with_faults(WORLDS[name](), FAULTS[fault], lasting=False) > 60


@pytest.mark.parametrize("name", WORLDS)
@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_that_lasts_from_any_step_on(name: str, fault: str) -> None:
    assert _with_faults(WORLDS[name](), FAULTS[fault], lasting=True) > 50


def _half_done(world: World) -> SimFS:
    from tests.write.crashes import crashes

    states = [seen for _, seen, ended in crashes(world) if not ended]
    half = [seen for seen in states if any(world.holds(seen, p) == world.after[p] for p in world.before)]
    return half[len(half) // 2].after_kill()


@pytest.mark.parametrize("name", WORLDS)
@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("lasting", [False, True])
def test_a_fault_at_any_step_of_a_recovery_leaves_it_to_the_next(name: str, fault: str, lasting: bool) -> None:
    world = WORLDS[name]()
    start = _half_done(world)
    n = 0
    while True:
        fs = Faulty(n, FAULTS[fault], lasting)
        fs.root = start.after_kill().root
        report = None
        try:
            report = recover(SHOOT, STATE, fs=fs)
        except DiskNeedsAttention as error:
            assert error.next_step
        if not fs.hit:
            break
        after = _healthy(fs)
        second = recover(SHOOT, STATE, fs=after)
        left = [item for one in (report, second) if one is not None for item in one.left]
        if left:  # a file that could not be read was left to a person, and named
            assert all("cannot be" in item.reason for item in left)
        else:
            judge(world, after, ended=False)
        n += 1
    assert n > 30
