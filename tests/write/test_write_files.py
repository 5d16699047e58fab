"""The file system seam on this machine, and its answers of other machines."""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path

import pytest

from tests.write.disk import AnyDisk
from tests.write.simfs import SimFS
from xmpsync.disk import system
from xmpsync.disk.fence import DiskSettings
from xmpsync.disk.files import make_dirs, make_dirs_durably

posix = pytest.mark.skipif(sys.platform == "win32", reason="of POSIX systems")


def _held(times: int, code: int = 32):  # type: ignore[no-untyped-def]
    """A `replace` of Windows while another program holds the file `times` times (32: sharing violation)."""
    real, left = os.replace, [times]

    def replace(*names: str, **folders: int) -> None:
        if left[0]:
            left[0] -= 1
            error = PermissionError(13, "held")
            error.winerror = code  # type: ignore[attr-defined]
            raise error
        real(*names, **folders)

    return replace


def test_on_windows_a_file_held_by_another_program_is_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a").write_bytes(b"new")
    monkeypatch.setattr(os, "replace", _held(3))
    fs = AnyDisk(settings=DiskSettings(sharing_pause_s=0.001), windows=True)
    fs.replace(tmp_path / "a", tmp_path / "b")
    assert (tmp_path / "b").read_bytes() == b"new"


@pytest.mark.parametrize(("windows", "code", "patience"), [(True, 32, 0.0), (True, 99, 9.0), (False, 32, 9.0)])
def test_patience_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, windows: bool, code: int, patience: float
) -> None:
    (tmp_path / "a").write_bytes(b"new")
    monkeypatch.setattr(os, "replace", _held(1, code))
    fs = AnyDisk(settings=DiskSettings(sharing_retry_s=patience, sharing_pause_s=0.001), windows=windows)
    with pytest.raises(PermissionError):
        fs.replace(tmp_path / "a", tmp_path / "b")


def test_windows_promises_nothing_about_names(tmp_path: Path) -> None:
    assert AnyDisk(windows=True).sync_dir(tmp_path) is False


@posix
@pytest.mark.parametrize("code", sorted(system.NOT_SUPPORTED))
def test_a_folder_that_cannot_be_synced_is_no_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int) -> None:
    def refuse(fd: int) -> None:
        raise OSError(code, os.strerror(code))

    assert AnyDisk(windows=False).sync_dir(tmp_path) is True
    monkeypatch.setattr(system, "full_sync", refuse)
    assert AnyDisk(windows=False).sync_dir(tmp_path) is False


@posix
def test_a_medium_that_fails_is_an_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(fd: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(system, "full_sync", fail)
    with pytest.raises(OSError, match="Input/output"):
        AnyDisk().sync_dir(tmp_path)


@posix
def test_a_folder_that_cannot_be_opened_is_not_synced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "open", refuse)
    assert AnyDisk(windows=False).sync_dir(tmp_path) is False


@posix
@pytest.mark.parametrize(("answer", "plain"), [(None, 0), (errno.ENOTSUP, 1), (errno.EIO, None)])
def test_macos_is_asked_to_empty_the_drives_cache(
    monkeypatch: pytest.MonkeyPatch, answer: int | None, plain: int | None
) -> None:
    """F_FULLFSYNC (fcntl(2) of macOS) where there is one, plain fsync where the file system does not know it."""
    import fcntl

    asked, synced = [], []

    def control(fd: int, command: int) -> None:
        asked.append(command)
        if answer is not None:
            raise OSError(answer, os.strerror(answer))

    monkeypatch.setattr(fcntl, "F_FULLFSYNC", 51, raising=False)
    monkeypatch.setattr(fcntl, "fcntl", control)
    monkeypatch.setattr(os, "fsync", synced.append)
    if plain is None:
        with pytest.raises(OSError, match="Input/output"):
            system.full_sync(7)
    else:
        system.full_sync(7)
        assert len(synced) == plain
    assert asked == [51]


def test_a_file_is_written_in_place_truncated_and_read_in_parts(tmp_path: Path) -> None:
    fs, path = AnyDisk(), tmp_path / "a"
    path.write_bytes(b"0123456789")
    with fs.open_in_place(path) as file:
        file.write_at(3, b"abc")
        file.truncate(8)
        file.sync()
        file.close()  # closing twice is harmless
    assert path.read_bytes() == b"012abc67"
    assert fs.read(path, 3, 3) == b"abc"
    assert fs.read(path, 6) == b"67"


def test_creating_never_writes_over_a_file(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"somebody's")
    with pytest.raises(FileExistsError):
        AnyDisk().create(tmp_path / "a")


def test_a_path_below_a_file_does_not_exist(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"")
    assert AnyDisk().stat(tmp_path / "a" / "b") is None


def test_folders_are_made_with_those_above_them() -> None:
    fs = SimFS()
    fs.make_folder("/disk")
    assert make_dirs(fs, Path("/disk/a/b")) == [Path("/disk"), Path("/disk/a")]
    assert make_dirs(fs, Path("/disk/a/b")) == []
    steps: list[tuple[str, str]] = []
    fs.hook = lambda kind, path: steps.append((kind, str(path)))
    make_dirs_durably(fs, Path("/disk/c/d"))
    assert steps == [
        ("sync_dir", "/"),
        ("make_dir", "/disk/c"),
        ("sync_dir", "/disk"),
        ("make_dir", "/disk/c/d"),
        ("sync_dir", "/disk/c"),
    ]


def test_a_system_that_takes_three_bytes_at_a_time_gets_every_byte(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """POSIX write(2): fewer bytes than asked for may be written; that is no error."""
    real, calls = os.write, []

    def short(fd: int, data: bytes) -> int:
        calls.append(len(data))
        return real(fd, data[:3])

    fs = AnyDisk()
    (tmp_path / "old").write_bytes(b"0123456789")
    monkeypatch.setattr(os, "write", short)
    with fs.create(tmp_path / "new") as file:
        file.write(b"every byte of it")
    with fs.open_in_place(tmp_path / "old") as file:
        file.write_at(2, b"abcdefg")
    with fs.open_lock(tmp_path / "lock") as lock:
        lock.write(b'{"pid": 4711}')
        assert lock.read() == b'{"pid": 4711}'
    assert (tmp_path / "new").read_bytes() == b"every byte of it"
    assert (tmp_path / "old").read_bytes() == b"01abcdefg9"
    assert len(calls) > 3
