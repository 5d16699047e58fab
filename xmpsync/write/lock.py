"""One writer at a time per state folder.

The kernel's lock on STATE/lock decides; it is freed when its process ends, however it ends. The text inside (process,
machine, start time) is for people, and decides only where the file system knows no locks. The file itself stays: a
lock file that is removed can be taken twice.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta

from xmpsync.disk import system
from xmpsync.disk.files import FileSystem, LockFile, make_dirs_durably
from xmpsync.errors import DiskNeedsAttention, Refused
from xmpsync.write.journal import phrase, state_readable
from xmpsync.write.layout import LOCK
from xmpsync.write.manifest import Word
from xmpsync.write.settings import DEFAULT, WriteSettings


class Holder(msgspec.Struct, frozen=True):
    """Who holds the lock: process number, machine, a word for the process's start, and since when."""

    pid: Annotated[int, Meta(ge=1, le=2**32)]
    host: Word
    started: Word
    since_utc: Word


def ourselves() -> Holder:
    """This process as a lock's holder."""
    pid = system.own_process()
    return Holder(pid, system.host_name(), system.process_started(pid) or "", f"{datetime.now(UTC):%Y-%m-%d %H:%M:%SZ}")


@contextmanager
def held(state: Path, fs: FileSystem, settings: WriteSettings = DEFAULT, *, make: bool = False) -> Iterator[None]:
    """Hold the state folder's lock; with `make`, the folder and its name are made durable first.

    Refused if another run is at work, or if another machine's run did not end and nobody can tell whether it lives.
    DiskNeedsAttention if the folder cannot be made or written.
    """
    path = state / LOCK
    try:
        if make:
            make_dirs_durably(fs, state)
        lock = fs.open_lock(path)
    except OSError as error:
        raise DiskNeedsAttention(
            f"The state folder {state} cannot be written ({error.filename or path}: {phrase(error)}).",
            next_step="Make it writable, move away what does not belong there, or keep state elsewhere: --state DIR.",
        ) from error
    try:
        with state_readable(state):
            _take(lock, path, fs, settings)
        try:
            yield
        finally:
            with suppress(OSError):  # the kernel's lock is freed all the same
                lock.write(b"")
    finally:
        lock.close()


def _take(lock: LockFile, path: Path, fs: FileSystem, settings: WriteSettings) -> None:
    me = ourselves()
    holder = _parse(lock.read()) if lock.owned is not False else None
    if lock.owned is False:
        raise _at_work(_parse(_peek(path, fs)), path)
    if holder is not None:
        if holder.host != me.host:
            raise Refused(
                f"A run on the machine {holder.host} (process {holder.pid}, since {holder.since_utc}) holds {path}.",
                next_step="If no run is at work there any more, delete that file and try again.",
            )
        # Where the kernel knows locks, it has just said that nobody holds this one, whatever the text says.
        if lock.owned is None and system.process_started(holder.pid) == holder.started:
            raise _at_work(holder, path)
    text = json.dumps(msgspec.to_builtins(me)).encode("ascii")
    lock.write(text)
    if lock.owned is None:
        fs.pause(settings.lock_settle_s)
        if lock.read() != text:
            raise _at_work(_parse(lock.read()), path)


def _at_work(holder: Holder | None, path: Path) -> Refused:
    who = f"process {holder.pid} on {holder.host}, since {holder.since_utc}" if holder else "its lock is taken"
    return Refused(f"Another run is at work on this shoot ({who}; {path}).", next_step="Wait for it to end.")


def _peek(path: Path, fs: FileSystem) -> bytes:
    try:
        return fs.read(path)
    except OSError:
        return b""


def _parse(data: bytes) -> Holder | None:
    """The holder named in the lock file; None if it is empty or was torn by a crash (then nobody holds it)."""
    try:
        return msgspec.json.decode(data, type=Holder) if data.strip(b"\0 \r\n") else None
    except msgspec.DecodeError:
        return None


def somebody_at_work(state: Path, fs: FileSystem) -> bool:
    """Whether the process that the lock file names runs on this machine. Reads only, so a guess: for messages."""
    holder = _parse(_peek(state / LOCK, fs))
    return (
        holder is not None
        and holder.host == system.host_name()
        and system.process_started(holder.pid) == holder.started
    )
