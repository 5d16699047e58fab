"""The two shoots that every try starts from, each with a folder beside it that belongs to somebody else."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from demo_shoot.event import make_shoot
from tests.store.test_database import KEY, MEASUREMENT
from tests.write.disk import Shoot, corrected, packet
from tests.write.tinydng import tiny_dng
from xmpsync.cli.main import run
from xmpsync.measuring import frames, pool
from xmpsync.store.database import Store

SHOTS = (1, 2, 8, 13)
"""The reference with everybody, regions, other edits, an embedded packet."""
REFERENCE = "jubilee_0002"


def small(root: Path) -> None:
    """Three runs, one of them not ended; links that lead out; no frame that can be measured. For the acts."""
    victim = _victim(root)
    (root / "shoot").mkdir()
    shoot = Shoot(root / "shoot")
    shoot.put("a.xmp", packet())
    shoot.put("b.dng", tiny_dng("<", packet()))
    shoot.put("K1.nef", b"raw")
    shoot.run(shoot.change("a.xmp", corrected(packet())))
    shoot.run(shoot.embedding("b.dng", corrected(packet()) + b" " * 60), shoot.change("a.xmp", packet(4100)))
    shoot.run(shoot.change("a.xmp", packet(4300)), shoot.change("c.xmp", packet(4400)))
    (sorted((shoot.state / "runs").iterdir())[-1] / "outcome.json").unlink()
    with Store(shoot.state / "measurements.sqlite") as store:
        store.put(KEY, "k", "c", MEASUREMENT)
    (shoot.root / "day").symlink_to(victim, target_is_directory=True)
    (shoot.root / "link.xmp").symlink_to(victim / "a.xmp")
    (shoot.root / "dangling.xmp").symlink_to(victim / "made.xmp")


def measured(root: Path) -> None:
    """Four real frames, measured; two runs, one with packets inside the frames; a person named. For the commands."""
    _victim(root)
    shoot = root / "shoot"
    make_shoot(shoot, only=SHOTS)
    (shoot / "truth.json").unlink()
    for arguments in (
        ("measure",),
        ("correct", "--reference", REFERENCE, "--yes"),
        ("correct", "--reference", REFERENCE, "--strength", "0.8", "--embed-dng", "--yes"),
        ("people", "--name", "jubilee_0014.dng@0.553,0.437=Ada"),
    ):
        code = command(arguments[0], shoot, *arguments[1:])
        assert code == 0, (arguments, code)


def command(name: str, shoot: Path, *arguments: str) -> int:
    """One command line in this process; its exit code."""
    sys.argv = ["xmpsync", name, str(shoot), *arguments]
    try:
        run()
    except SystemExit as leaving:
        return int(leaving.code or 0)
    raise AssertionError("a command ends by leaving")


def without_workers() -> None:
    """From now on this process measures every frame once; later it gets the same answer again.

    A mutant without a store would start processes that load a decoder, and measuring is not what is attacked here.
    """
    known: dict[str, Any] = {}
    really = pool.run_jobs

    def run_jobs(act: Any, jobs: list[Any], **keywords: Any) -> Iterator[tuple[Any, Any]]:
        for job, outcome in really(act, [job for job in jobs if job.frame_id not in known], **keywords):
            known[job.frame_id] = outcome
        for job in jobs:
            yield job, known[job.frame_id]

    setattr(frames, "run_jobs", run_jobs)  # noqa: B010


def _victim(root: Path) -> Path:
    victim = root / "victim"
    (victim / "deep").mkdir(parents=True)
    (victim / "a.xmp").write_bytes(packet())
    (victim / "deep" / "b.dng").write_bytes(tiny_dng())
    os.mkfifo(victim / "pipe")
    with Store(victim / "other.sqlite") as other:
        other.put(KEY, "k", "c", MEASUREMENT)
    return victim
