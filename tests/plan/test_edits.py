"""Edits made by worker processes are the edits made here."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from typing import Any

import pytest

from tests.xmp.samples import attributes
from xmpsync.errors import FrameError, OwnCheckFailed, SidecarMalformed
from xmpsync.measuring import pool
from xmpsync.measuring.pool import Idle, Lost, WorkersMissing
from xmpsync.plan import edits
from xmpsync.plan.edits import SidecarEdit, edit_all, start_early
from xmpsync.xmp.edit import Change, apply_change

CHANGE = Change(temperature_k=5200, tint=4, exposure_ev=0.25, in_force=True)
GOOD = attributes('crs:Temperature="4000" crs:Tint="+1"')


def some(n: int) -> list[SidecarEdit]:
    return [
        SidecarEdit(b"<broken" if k % 7 == 3 else GOOD.replace(b"4000", b"%d" % (4000 + k)), None, CHANGE)
        for k in range(n)
    ]


def check(asked: list[SidecarEdit], found: list[bytes | FrameError]) -> None:
    for edit, after in zip(asked, found, strict=True):
        if edit.sidecar == b"<broken":
            assert isinstance(after, SidecarMalformed) and "line 1" in after.what
        else:
            assert edit.sidecar is not None and after == apply_change(edit.sidecar, CHANGE)


def test_workers_edit_as_this_process_does(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(edits, "MANY", 20)
    asked = some(120)
    started = edits.run_jobs
    jobs: list[int] = []
    monkeypatch.setattr(edits, "run_jobs", lambda f, j, **k: (jobs.append(len(j)), started(f, j, **k))[1])
    found = edit_all(asked, 2)
    assert jobs == [3]
    check(asked, found)


def test_workers_that_were_started_early_edit_and_no_others_start(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(edits, "MANY", 20)
    started: list[int] = []
    new = pool._new
    monkeypatch.setattr(pool, "_new", lambda n, prepare: (started.append(n), new(n, prepare))[1])
    asked = some(120)
    with closing(Idle[Any]()) as idle:
        start_early(19, 2, idle)
        start_early(120, 1, idle)
        assert started == []  # too few packets, or this process alone
        start_early(120, 2, idle)
        check(asked, edit_all(asked, 2, idle))
    assert started == [2]


@pytest.mark.parametrize("how", ["lost", "missing"])
def test_a_worker_that_dies_costs_no_edit(how: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def dying(function: Any, jobs: list[Any], **_: Any) -> Iterator[Any]:
        yield jobs[0], function(jobs[0])
        if how == "missing":
            raise WorkersMissing("no")
        for job in jobs[1:]:
            yield job, Lost("gone")

    monkeypatch.setattr(edits, "MANY", 20)
    monkeypatch.setattr(edits, "run_jobs", dying)
    asked = some(120)
    check(asked, edit_all(asked, 2))


def test_a_failed_check_of_ours_in_a_worker_ends_the_command(monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(_: Any) -> bytes:
        raise OwnCheckFailed("An edit would have changed the wrong thing")

    def here(function: Any, jobs: list[Any], **_: Any) -> Iterator[Any]:
        for job in jobs:
            yield job, function(job)

    monkeypatch.setattr(edits, "MANY", 20)
    monkeypatch.setattr(edits, "_one", failing)
    monkeypatch.setattr(edits, "run_jobs", here)
    with pytest.raises(OwnCheckFailed, match="wrong thing"):
        edit_all(some(120), 2)
