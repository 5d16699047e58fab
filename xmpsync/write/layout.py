"""Where things lie in the state folder, and how runs are named.

    STATE/lock
    STATE/runs/0007-20261125T110049Z/manifest.json    what the run does: its name on the disk begins the run
                                     outcome.json     how it ended: its name on the disk is the commit point
                                     originals/...    every file as it was, under its own path
                                     written.pack     the bytes that the run wrote, one after the other
                                     pruned           originals and written.pack were given up on request

The number orders runs whatever the clock does; the time is for people.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

from xmpsync.disk.files import FileSystem
from xmpsync.disk.paths import why_not_inside
from xmpsync.errors import Refused, WrongUsage

LOCK = "lock"
RUNS = "runs"
MANIFEST = "manifest.json"
OUTCOME = "outcome.json"
ORIGINALS = "originals"
WRITTEN = "written.pack"
PRUNED = "pruned"
CHANGED_BYTES = ".changed-bytes"
"""Suffix of a backup that holds only the changed bytes of a RAW file, not the whole file."""

_RUN_ID = re.compile(r"[0-9]{4,9}-[0-9]{8}T[0-9]{6}Z")
MAX_NUMBER = 999_999_999


def runs_dir(state: Path) -> Path:
    return state / RUNS


def run_dir(state: Path, run_id: str) -> Path:
    return state / RUNS / run_id


def run_ids(state: Path, fs: FileSystem) -> tuple[str, ...]:
    """All runs, oldest first; other names in the folder are ignored."""
    folder = runs_dir(state)
    if fs.stat(folder) is None:
        return ()
    return tuple(sorted((name for name in fs.list_dir(folder) if _RUN_ID.fullmatch(name)), key=run_number))


def run_number(run_id: str) -> int:
    """The number that orders runs."""
    return int(run_id.partition("-")[0])


def new_run_id(existing: Iterable[str], now: datetime) -> str:
    """The next run's name: one number above all others, so that a clock set back changes no order.

    Refused where no number is left, which only a made-up folder brings about.
    """
    number = 1 + max((run_number(run_id) for run_id in existing), default=0)
    if number > MAX_NUMBER:
        raise Refused(
            f"A run has the number {MAX_NUMBER}, and none is left for the next one.",
            next_step=f"Move that run's folder out of {RUNS} in the state folder, or give --state DIR.",
        )
    return f"{number:04d}-{now:%Y%m%dT%H%M%SZ}"


def find_run(existing: Iterable[str], wanted: str) -> str:
    """The run named in full, or by its number with or without leading zeros; WrongUsage with the names there are."""
    existing = tuple(existing)
    for run_id in existing:
        if wanted == run_id or (wanted.isdecimal() and int(wanted) == run_number(run_id)):
            return run_id
    raise WrongUsage(
        f"There is no run {wanted!r}.",
        next_step="Runs here: " + (", ".join(existing) if existing else "none") + ".",
    )


def target_path(shoot: Path, path: str) -> Path:
    """The path of a plan's relative one; ValueError if it would leave the shoot."""
    why = why_not_inside(path)
    if why is not None:
        raise ValueError(f"the path {path!r} {why}")
    return shoot.joinpath(*path.split("/"))


def temporary_path(target: Path, run_id: str, index: int) -> Path:
    """The temporary file beside `target`: hidden, no sidecar by its name, and known to whoever recovers the run."""
    return target.parent / f".xmpsync-{run_id}-{index}.tmp"


def folded(path: str) -> str:
    """Equal for two paths that are one file on a disk that ignores case or composes accents."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", path).casefold())


def backup_names(paths: Iterable[str]) -> list[str]:
    """Where each original is kept, relative to the run's folder: its own path, apart where two would clash.

    The state may lie on a disk that ignores case while the shoot's does not.
    """
    taken: dict[str, int] = {}
    names = []
    for path in paths:
        nth = taken.get(folded(path), 0)
        taken[folded(path)] = nth + 1
        names.append(f"{ORIGINALS}/{path}" if nth == 0 else f"{ORIGINALS}-{nth + 1}/{path}")
    return names
