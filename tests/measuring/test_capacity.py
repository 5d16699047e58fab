"""How many workers, and files read before their turn."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import pytest

from xmpsync.cli.option_groups import machine_from
from xmpsync.events import Silent
from xmpsync.measuring.capacity import Capacity, capacity
from xmpsync.measuring.frames import measure
from xmpsync.measuring.machine import Machine
from xmpsync.measuring.pool import run_jobs
from xmpsync.measuring.source import SourceFrame
from xmpsync.read import ahead
from xmpsync.read.ahead import ReadAhead
from xmpsync.read.discover import FrameFiles
from xmpsync.store.database import Store


def test_workers_go_by_processors_and_by_memory() -> None:
    assert Capacity(8, None).n_workers == 8
    assert Capacity(8, 64 << 30).n_workers == 8 and Capacity(8, 64 << 30).remark is None
    small = Capacity(8, 2 << 30)
    assert small.n_workers == 3 and "3 of 8 processors" in (small.remark or "")
    assert Capacity(8, 0).n_workers == 1
    assert 1 <= capacity().n_workers <= capacity().cores


def test_fewer_workers_than_processors_are_told_once_when_workers_start(tmp_path: Path) -> None:
    class Heard(Silent):
        def __init__(self) -> None:
            self.told: list[str] = []

        def note(self, sentence: str) -> None:
            self.told.append(sentence)

    names = ("a.dng", "b.dng")
    for name in names:
        (tmp_path / name).write_bytes(b"no picture")
    frames = [SourceFrame(FrameFiles(tmp_path / n, None, tmp_path / f"{n}.xmp", n), None, None) for n in names]
    machine = Machine(n_workers=1, n_workers_remark=Capacity(8, 0).remark)
    heard = Heard()
    with Store(None) as store:
        found = measure(frames, (), machine, store, heard)
        assert len(found.troubles) == 2 and heard.told == [Capacity(8, 0).remark]
        measure(frames, (), replace(machine, n_workers_remark=None), store, heard)
        measure([], (), machine, store, heard)
    assert len(heard.told) == 1
    assert machine_from({"jobs": 3}).n_workers_remark is None
    assert machine_from({"jobs": "auto"}).n_workers == capacity().n_workers


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
