"""A full disk, a forbidden step, a failing medium at every single step, reads included: nothing lost, nothing mixed."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.write.crashes import SHOOT, STATE, World, dng, judge, rolled_back, sidecars
from tests.write.disk import Shoot, corrected, packet
from tests.write.simfs import SimFS
from tests.write.tinydng import tiny_dng
from xmpsync.errors import DiskNeedsAttention, XmpsyncError
from xmpsync.write.outcome import RunOutcome
from xmpsync.write.recover import recover
from xmpsync.write.rollback import perform_rollback, plan_rollback

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


class ShortWrites:
    """POSIX write(2) on a disk that fills up: write `at` takes half of its bytes, every later one none (ENOSPC)."""

    def __init__(self, at: int) -> None:
        self._at, self._n, self._write = at, 0, os.write
        self.hit = False

    def __call__(self, fd: int, data: bytes) -> int:
        self._n += 1
        if self._n <= self._at:
            return self._write(fd, data)
        if self._n == self._at + 1:
            self.hit = True
            return self._write(fd, data[: max(1, len(data) // 2)])
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def _two_kinds(root: Path) -> tuple[Shoot, dict[str, bytes], dict[str, bytes]]:
    """A shoot with a sidecar and a DNG, what both hold before, and after the first run."""
    root.mkdir()
    shoot = Shoot(root)
    shoot.put("a.xmp", packet())
    shoot.put("b.dng", tiny_dng("<", packet()))
    before = shoot.everything()
    shoot.run(shoot.change("a.xmp", corrected(packet())), shoot.embedding("b.dng", corrected(packet()) + b" " * 40))
    return shoot, before, shoot.everything()


@pytest.mark.parametrize("what", ["run", "recovery", "rollback"])
def test_a_short_write_on_a_disk_that_fills_up_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    n = 0
    while True:
        shoot, before, written = _two_kinds(tmp_path / str(n))
        if what == "recovery":
            (sorted((shoot.state / "runs").iterdir())[-1] / "outcome.json").unlink()
        start = shoot.everything()
        changes = (shoot.change("a.xmp", packet(4444)), shoot.embedding("b.dng", packet(4444) + b" " * 900))
        full = ShortWrites(n)
        with monkeypatch.context() as patch:
            patch.setattr(os, "write", full)
            try:
                if what == "run":
                    shoot.run(*changes)
                elif what == "recovery":
                    recover(shoot.root, shoot.state)
                else:
                    perform_rollback(plan_rollback(shoot.root, shoot.state), shoot.root, shoot.state)
            except XmpsyncError as error:
                assert error.what and error.next_step
        if not full.hit:
            break
        report = recover(shoot.root, shoot.state)  # with room again
        assert report is None or not report.left
        ended = shoot.everything()
        assert ended.keys() == start.keys()
        for path, data in ended.items():
            known = {before[path], written[path]} | ({changes[0].after} if path == "a.xmp" else set())
            assert data in known or (what == "run" and path == "b.dng" and packet(4444) in data), (n, path)
        if what == "recovery":
            assert ended == before
        assert shoot.run(shoot.change("c.xmp", packet())).written == ("c.xmp",)
        n += 1
    assert n >= 4
