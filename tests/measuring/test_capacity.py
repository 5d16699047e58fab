"""How many workers, and files read before their turn."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from xmpsync.measuring.capacity import Capacity, capacity
from xmpsync.measuring.pool import run_jobs
from xmpsync.read import ahead
from xmpsync.read.ahead import ReadAhead


def test_workers_go_by_processors_and_by_memory() -> None:
    assert Capacity(8, None).n_workers == 8
    assert Capacity(8, 64 << 30).n_workers == 8 and Capacity(8, 64 << 30).remark is None
    small = Capacity(8, 2 << 30)
    assert small.n_workers == 3 and "3 of 8 processors" in (small.remark or "")
    assert Capacity(8, 0).n_workers == 1
    assert 1 <= capacity().n_workers <= capacity().cores


def test_jobs_are_announced_before_their_turn_each_once_in_order() -> None:
    told: list[int] = []
    done = [job for job, _ in run_jobs(abs, range(9), n_workers=2, timeout_s=60, announce=told.append)]
    assert sorted(done) == list(range(9))
    assert told == sorted(set(told)) and set(told) >= set(range(2, 9))


def test_files_are_asked_for_and_missing_ones_are_nobodys_trouble(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[Path] = []

    def touch(path: Path) -> None:
        asked.append(path)
        real(path)

    real = ahead.touch
    monkeypatch.setattr(ahead, "touch", touch)
    (tmp_path / "b").write_bytes(bytes(3 << 20))
    reading = ReadAhead()
    reading.want(tmp_path / "a")
    reading.want(tmp_path / "b")
    give_up = time.monotonic() + 20
    while len(asked) < 2 and time.monotonic() < give_up:
        time.sleep(0.01)
    reading.close()
    assert asked == [tmp_path / "a", tmp_path / "b"]


def test_without_advice_a_file_is_read_to_its_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(ahead.os, "posix_fadvise", raising=False)
    (tmp_path / "b").write_bytes(bytes((3 << 20) + 5))
    ahead.touch(tmp_path / "b")
    with pytest.raises(FileNotFoundError):
        ahead.touch(tmp_path / "a")
