"""Workers on other machines give the bytes that local ones give; what goes wrong there is told and costs nothing."""

from __future__ import annotations

import json
import os
import pickle
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from demo_shoot.event import make_shoot
from xmpsync.errors import Refused, Trouble, WrongUsage
from xmpsync.events import Silent
from xmpsync.measuring import cluster as cluster_room
from xmpsync.measuring.cluster import SchedulerGone, run_on_cluster
from xmpsync.measuring.machine import Cluster, Machine
from xmpsync.measuring.pool import Lost
from xmpsync.measuring.remote import measure_there
from xmpsync.measuring.worker import MeasureJob
from xmpsync.plan.options import Options
from xmpsync.shoot.overnight import MeasuredShoot, measure_only


@dataclass
class Local:
    """A scheduler and two worker processes of one thread each, on this machine."""

    address: str
    scheduler: subprocess.Popen[bytes]
    workers: list[subprocess.Popen[bytes]]

    def end(self) -> None:
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()


def started(folder: Path) -> Local:
    told = folder / "scheduler.json"
    dask = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": folder}
    there = os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
    scheduler = subprocess.Popen([*dask, "--no-dashboard", "--scheduler-file", str(told)], env=there, **quiet)  # type: ignore[call-overload]
    give_up = time.monotonic() + 60
    while not told.exists() and time.monotonic() < give_up:
        time.sleep(0.05)
    address = json.loads(told.read_text())["address"]
    worker = [sys.executable, "-m", "distributed.cli.dask_worker", address, "--nthreads", "1", "--no-dashboard"]
    workers = [
        subprocess.Popen([*worker, "--no-nanny", "--name", str(k)], env=there, **quiet)  # type: ignore[call-overload]
        for k in range(2)
    ]
    return Local(address, scheduler, workers)


@pytest.fixture
def local(tmp_path: Path) -> Iterator[Local]:
    folder = tmp_path / "dask"
    folder.mkdir()
    found = started(folder)
    yield found
    found.end()


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cluster") / "shoot"
    make_shoot(folder, only=(1, 2, 6, 13))
    (folder / "truth.json").unlink()
    return folder


def rows(shoot: Path) -> list[tuple[object, ...]]:
    """What the store holds of each frame, byte for byte, times aside."""
    with sqlite3.connect(shoot / ".xmpsync" / "measurements.sqlite") as database:
        query = "SELECT path, size, content, face_key, version, record, proxy, embedded FROM measurement ORDER BY path"
        return database.execute(query).fetchall()


def measured(shoot: Path, cluster: Cluster | None) -> MeasuredShoot:
    return measure_only(shoot, Options(), Machine(cluster=cluster, n_workers=2), Silent(), None)


@pytest.mark.long
def test_a_cluster_measures_what_local_workers_do_and_unreadable_frames_are_named(
    frames: Path, tmp_path: Path, local: Local
) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    shutil.copytree(frames, here)
    shutil.copytree(frames, there)
    names = sorted(path.name for path in here.glob("*.dng"))
    shared = tmp_path / "shared"
    shutil.copytree(frames, shared)
    (shared / names[0]).unlink()
    (shared / names[1]).write_bytes(b"another file")
    found = measured(there, Cluster(local.address, ((str(there), str(shared)),)))
    assert [t.frame_id for t in found.troubles] == names[:2]
    assert "cannot read" in found.troubles[0].what and str(shared) in found.troubles[0].what
    assert "is another file" in found.troubles[1].what
    assert all("--map" in trouble.next_step for trouble in found.troubles)
    assert len(rows(there)) == len(names) - 2
    # the rest is measured here, and nothing twice
    found = measured(there, None)
    assert found.measured.n_from_store == len(names) - 2 and not found.troubles
    again = tmp_path / "again"
    shutil.copytree(frames, again)
    measured(again, Cluster(local.address))
    measured(here, None)
    assert rows(here) == rows(again) == rows(there)


@pytest.mark.long
def test_a_scheduler_that_goes_away_costs_nothing_that_was_measured(
    frames: Path, tmp_path: Path, local: Local, monkeypatch: pytest.MonkeyPatch
) -> None:
    shoot = tmp_path / "shoot"
    shutil.copytree(frames, shoot)
    monkeypatch.setattr(cluster_room, "LOOK_S", 0.5)

    class Ending(Silent):
        def step(self) -> None:
            local.scheduler.send_signal(signal.SIGKILL)
            local.scheduler.wait()
            for worker in local.workers:
                worker.kill()

    machine = Machine(cluster=Cluster(local.address))
    with pytest.raises(SchedulerGone) as caught:
        measure_only(shoot, Options(), machine, Ending(), None)
    assert "went away after" in caught.value.what and "kept" in caught.value.written
    assert "--scheduler" in caught.value.next_step
    kept = len(rows(shoot))
    assert kept >= 1
    found = measure_only(shoot, Options(), replace(machine, cluster=None, n_workers=2), Silent(), None)
    assert found.measured.n_from_store == kept and not found.troubles


@pytest.mark.long
def test_a_worker_that_dies_leaves_its_frames_to_the_others(frames: Path, tmp_path: Path, local: Local) -> None:
    shoot = tmp_path / "shoot"
    shutil.copytree(frames, shoot)

    class Killing(Silent):
        def step(self) -> None:
            local.workers[0].kill()

    found = measure_only(shoot, Options(), Machine(cluster=Cluster(local.address)), Killing(), None)
    assert not found.troubles and len(rows(shoot)) == 4


@pytest.mark.long
def test_other_versions_are_refused(
    frames: Path, tmp_path: Path, local: Local, monkeypatch: pytest.MonkeyPatch
) -> None:
    shoot = tmp_path / "shoot"
    shutil.copytree(frames, shoot)
    monkeypatch.setattr(cluster_room, "version", lambda: "0.9, measurements 1, faces 1")
    with pytest.raises(Refused, match="another version"):
        measured(shoot, Cluster(local.address))


class _Answer:
    """A finished task with what a worker gave back."""

    status = "finished"

    def __init__(self, given: object) -> None:
        self.given = given

    def exception(self) -> None:
        return None

    def result(self) -> object:
        return self.given


@pytest.mark.parametrize(
    "stage",
    ["xmpsync.skin.settings.SKIN_VERSION", "xmpsync.faces.version.FACES_VERSION", "xmpsync.measurement.VERSION"],
)
def test_a_worker_with_another_version_of_any_stage_is_refused(stage: str, monkeypatch: pytest.MonkeyPatch) -> None:
    same = measure_there(pickle.dumps(()), [])
    assert cluster_room._taken(None, _Answer(same)) == []
    with monkeypatch.context() as there:
        there.setattr(stage, 10**6)
        other = measure_there(pickle.dumps(()), [])
    with pytest.raises(Refused, match="another version"):
        cluster_room._taken(None, _Answer(other))


def test_a_scheduler_that_is_not_there_is_told(frames: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster_room, "CONNECT_S", 0.5)
    with pytest.raises(WrongUsage, match=r"No scheduler answers at tcp://127\.0\.0\.1:9"):
        measured(frames, Cluster("tcp://127.0.0.1:9"))


def test_frames_are_handed_over_together_and_one_by_one_at_the_end() -> None:
    jobs = [MeasureJob(str(k), f"{k}.dng", None, (), False) for k in range(100)]
    chunks = list(cluster_room._chunks(jobs, 2))
    assert [job for chunk in chunks for job in chunk] == jobs
    sizes = [len(chunk) for chunk in chunks]
    assert sizes[0] == cluster_room.CHUNK and sizes[-8:] == [1] * 8 and sizes == sorted(sizes, reverse=True)
    assert [len(chunk) for chunk in cluster_room._chunks(jobs[:4], 2)] == [1] * 4


@pytest.mark.long
def test_a_frame_that_kills_its_workers_costs_none_of_those_handed_over_with_it(
    tmp_path: Path, local: Local, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`Lost` comes for the frame alone: its chunk is handed over again one by one."""
    jobs = [MeasureJob(str(k), str(tmp_path / f"{k}.dng"), None, (), False) for k in range(32)]
    really, lost = cluster_room._taken, []

    def taken(client: object, future: object) -> object:
        outcomes = really(client, future)
        assert not isinstance(outcomes, Lost)
        if any(outcome.frame_id == "5" for outcome in outcomes if isinstance(outcome, Trouble)):
            lost.append(len(outcomes))
            return Lost("the worker processes that tried it ended unexpectedly")
        return outcomes

    monkeypatch.setattr(cluster_room, "_taken", taken)
    found = dict(run_on_cluster(jobs, dict.fromkeys(map(str, range(32)), 1), Cluster(local.address), timeout_s=60))
    assert lost[0] > 1 and lost[-1] == 1 and len(found) == 32
    assert [job.frame_id for job, outcome in found.items() if isinstance(outcome, Lost)] == ["5"]


def test_folders_are_called_as_the_workers_call_them() -> None:
    folders = (("/photos", "/mnt/nas"), ("/photos/2026", "D:\\year"), ("C:\\in", "/in"))
    cluster = Cluster("tcp://x:1", folders)
    assert cluster.there("/photos/a/b.dng") == "/mnt/nas/a/b.dng"
    assert cluster.there("/photos/2026/a/b.dng") == "D:\\year\\a\\b.dng"
    assert cluster.there("C:\\in\\a.nef") == "/in/a.nef"
    assert cluster.there("/photosets/a.dng") == "/photosets/a.dng"
    assert Cluster.parse("tcp://x:1", ("/photos=/mnt",)).folders == (("/photos", "/mnt"),)
    with pytest.raises(WrongUsage, match="LOCAL=REMOTE"):
        Cluster.parse("tcp://x:1", ("/photos",))
