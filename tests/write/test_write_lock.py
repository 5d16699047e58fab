"""One writer at a time; stale locks are recognised."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.write.disk import AnyDisk, Shoot, packet
from xmpsync.disk import system
from xmpsync.errors import Refused
from xmpsync.write import lock
from xmpsync.write.settings import WriteSettings

QUICK = WriteSettings(lock_settle_s=0.0)
needs_flock = pytest.mark.skipif(sys.platform == "win32", reason="flock is of POSIX systems")


def _holder(**fields: object) -> bytes:
    pid = os.getpid()
    known = {"pid": pid, "host": system.host_name(), "started": system.process_started(pid), "since_utc": "then"}
    return json.dumps({**known, **fields}).encode()


def _state(shoot: Shoot, text: bytes) -> Path:
    shoot.state.mkdir(exist_ok=True)
    (shoot.state / "lock").write_bytes(text)
    return shoot.state


def test_the_lock_names_its_holder_while_held_and_nobody_after(shoot: Shoot) -> None:
    with lock.held(shoot.state, AnyDisk(), make=True):
        text = json.loads((shoot.state / "lock").read_bytes())
        assert (text["pid"], text["host"]) == (os.getpid(), system.host_name())
        assert lock.somebody_at_work(shoot.state, AnyDisk())
        with pytest.raises(Refused, match=f"process {os.getpid()} on"), lock.held(shoot.state, AnyDisk()):
            raise AssertionError("held twice")
    assert (shoot.state / "lock").read_bytes() == b""
    assert not lock.somebody_at_work(shoot.state, AnyDisk())


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"\0" * 64,
        b'{"pid": 12',
        b"[]",
        _holder(started="another process with that number"),
        _holder(pid=2**22 + 1, started="1"),  # above Linux's largest process number
        _holder(),  # we ourselves, before a crash of this very process
    ],
    ids=["empty", "zeros", "cut", "list", "another-start", "no-such-process", "ourselves"],
)
def test_a_stale_lock_is_taken_over(shoot: Shoot, text: bytes) -> None:
    with lock.held(_state(shoot, text), AnyDisk()):
        pass


def test_a_lock_of_another_machine_is_refused_with_the_way_out(shoot: Shoot) -> None:
    state = _state(shoot, _holder(host="elsewhere", pid=1))
    with pytest.raises(Refused, match=r"machine elsewhere.*delete that file"), lock.held(state, AnyDisk()):
        raise AssertionError


class Lockless(AnyDisk):
    """A file system that knows no locks; `rival` writes its own text right after ours."""

    rival = b""

    def open_lock(self, path: Path):  # type: ignore[no-untyped-def]
        made = super().open_lock(path)
        made.owned = None
        return made

    def pause(self, seconds: float) -> None:
        if self.rival:
            self._path.write_bytes(self.rival)
        super().pause(0)

    def __init__(self, path: Path, rival: bytes = b"") -> None:
        super().__init__()
        self._path, self.rival = path / "lock", rival


def test_without_kernel_locks_the_text_decides(shoot: Shoot) -> None:
    state = _state(shoot, _holder(started="gone"))
    with lock.held(state, Lockless(state), QUICK):
        pass
    _state(shoot, _holder())
    with pytest.raises(Refused, match="Another run is at work"), lock.held(state, Lockless(state), QUICK):
        raise AssertionError


def test_without_kernel_locks_of_two_that_write_at_once_one_gives_way(shoot: Shoot) -> None:
    state = _state(shoot, b"")
    fs = Lockless(state, _holder(pid=4711))
    with pytest.raises(Refused, match="process 4711"), lock.held(state, fs, QUICK):
        raise AssertionError


def test_a_lock_that_cannot_be_read_still_says_that_somebody_is_at_work(shoot: Shoot) -> None:
    class Blind(AnyDisk):
        def read(self, path: Path, offset: int = 0, size: int | None = None) -> bytes:
            raise PermissionError(13, "held")

    with (
        lock.held(shoot.state, AnyDisk(), make=True),
        pytest.raises(Refused, match="its lock is taken"),
        lock.held(shoot.state, Blind()),
    ):
        raise AssertionError


@needs_flock
def test_what_the_kernel_answers(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    import fcntl

    def answering(code: int) -> None:
        def flock(*_: object) -> None:
            raise OSError(code, os.strerror(code))

        monkeypatch.setattr(fcntl, "flock", flock)

    fd = os.open(tmp_path / "x", os.O_RDWR | os.O_CREAT)
    try:
        assert system.try_lock(fd) is True
        answering(errno.EAGAIN)
        assert system.try_lock(fd) is False
        answering(errno.ENOLCK)
        assert system.try_lock(fd) is None
        answering(errno.EIO)
        with pytest.raises(OSError, match="Input/output"):
            system.try_lock(fd)
        with pytest.raises(OSError, match="Input/output"):
            AnyDisk().open_lock(tmp_path / "x")
    finally:
        os.close(fd)


def test_a_lock_text_that_cannot_be_cleared_does_not_hide_what_happened(shoot: Shoot) -> None:
    class Full(AnyDisk):
        def open_lock(self, path: Path):  # type: ignore[no-untyped-def]
            made = super().open_lock(path)
            write = made.write
            made.write = lambda data: write(data) if data else (_ for _ in ()).throw(OSError(28, "full"))  # type: ignore[method-assign]
            return made

    with lock.held(shoot.state, Full(), make=True):
        pass
    shoot.run(shoot.change("a.xmp", packet()))  # stale text of our own process: taken over


def test_processes_are_told_apart_by_their_start() -> None:
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as child:
        first = system.process_started(child.pid)
        assert first
        assert first == system.process_started(child.pid)
        assert first != system.process_started(os.getpid())
        child.communicate(b"\n")
    assert system.process_started(child.pid) is None


@pytest.mark.skipif(sys.platform == "win32", reason="ps is of POSIX systems")
def test_systems_without_proc_ask_ps(monkeypatch: pytest.MonkeyPatch) -> None:
    """macOS has no /proc; what `ps -o lstart=` prints is POSIX's format keyword of BSD and Linux."""
    exists = Path.exists
    monkeypatch.setattr(Path, "exists", lambda path: False if str(path).startswith("/proc") else exists(path))
    answers = []
    monkeypatch.setattr(
        subprocess,
        "run",
        lambda command, **_: (
            answers.append(command) or subprocess.CompletedProcess(command, 0, "S+   Mon Jan  1 \n", "")
        ),
    )
    assert system.process_started(42) == "Mon Jan  1"
    assert answers == [["ps", "-o", "stat=,lstart=", "-p", "42"]]
    monkeypatch.setattr(subprocess, "run", lambda command, **_: subprocess.CompletedProcess(command, 1, "", ""))
    assert system.process_started(42) is None
