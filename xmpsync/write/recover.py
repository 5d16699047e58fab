"""Put right a run that did not end: file by file, and nobody's work is lost.

What is exactly the run's is taken back; what is exactly the old is left; anything else is somebody's and stays, named,
with the original kept. The rule looks only at the bytes that are there, so a recovery that is interrupted itself is
simply done again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath

from xmpsync.errors import DiskNeedsAttention
from xmpsync.write import embed, journal, layout, lock, patch
from xmpsync.write.files import FileSystem, RealFileSystem
from xmpsync.write.journal import BackupDamaged, Damaged, Run, state_readable
from xmpsync.write.manifest import Ending, Entry, Fate, Result
from xmpsync.write.outcome import LeftAlone, Progress, RecoveryReport
from xmpsync.write.plan import ChangeKind
from xmpsync.write.replace import ChangedMeanwhile, clear, current_sha256, put
from xmpsync.write.settings import DEFAULT, Settings

Listener = Callable[[Progress], None]
HELP = "docs/crash-safety.md, 'By hand', tells how."


@dataclass(frozen=True, slots=True)
class Unfinished:
    """A run that began and did not end. `at_work`: its process still runs, so it is not interrupted at all."""

    run_id: str
    at_work: bool


def unfinished(state: Path, *, fs: FileSystem | None = None) -> Unfinished | None:
    """The newest run that began and did not end, or None. Reads only."""
    fs = fs or RealFileSystem()
    with state_readable(state):
        ids = _unfinished_ids(state, fs)
    return Unfinished(ids[-1], lock.somebody_at_work(state, fs)) if ids else None


def recover(
    shoot: Path,
    state: Path,
    *,
    fs: FileSystem | None = None,
    listener: Listener | None = None,
    settings: Settings = DEFAULT,
) -> RecoveryReport | None:
    """Take back every run that did not end; None if there is none (then nothing is written, no lock is taken).

    Raises
    ------
    Refused
        Another run is at work.
    DiskNeedsAttention
        A run's documents cannot be read, or the disk fails; the run stays to be put right.
    """
    fs = fs or RealFileSystem()
    with state_readable(state):
        if not _unfinished_ids(state, fs):
            return None
    with lock.held(state, fs, settings), state_readable(state):
        return recover_locked(shoot, state, fs, listener)


def recover_locked(shoot: Path, state: Path, fs: FileSystem, listener: Listener | None = None) -> RecoveryReport | None:
    """The same, for a caller that holds the lock."""
    ids = _unfinished_ids(state, fs)
    results: list[tuple[Run, list[Result]]] = []
    for run_id in reversed(ids):
        run = journal.load(fs, state, run_id)
        if not isinstance(run, Run):
            why = run.why if isinstance(run, Damaged) else "it is gone"
            raise DiskNeedsAttention(
                f"The run {run_id} did not end, and its manifest cannot be read ({why}).",
                written="Nothing was written now; the run may have written some files.",
                next_step=f"Compare the files with the originals in {run.folder}, then move that folder away. {HELP}",
            )
        results.append((run, take_back(shoot, run, fs, listener)))
    return _report(results) if results else None


def take_back(shoot: Path, run: Run, fs: FileSystem, listener: Listener | None = None) -> list[Result]:
    """Take one run back and end it as recovered; DiskNeedsAttention if the disk does not let us."""
    results: list[Result] = []
    folders: dict[Path, None] = {}
    entries = run.manifest.files
    try:
        for index, entry in enumerate(entries):
            target = fs.real_path(layout.target_path(shoot, entry.path))
            folders[target.parent] = None
            clear(fs, layout.temporary_path(target, run.run_id, index))
            results.append(_take_back_one(fs, run, index, entry, target))
            if listener is not None:
                listener(Progress("put right", index + 1, len(entries), entry.path))
        for folder in folders:
            if fs.stat(folder) is not None:
                fs.sync_dir(folder)
        journal.end(fs, run, Ending.RECOVERED, results, datetime.now(UTC))
    except OSError as error:
        raise DiskNeedsAttention(
            f"The interrupted run {run.run_id} could not be taken back to its end ({error}).",
            written=f"Files may hold the run's values or their old ones; all originals are in {run.folder}.",
            next_step="Make the disk writable and try again: every writing command goes on from there.",
        ) from error
    return results


def _take_back_one(fs: FileSystem, run: Run, index: int, entry: Entry, target: Path) -> Result:
    try:
        if entry.kind == ChangeKind.EMBEDDED:
            return _take_back_embedded(fs, run, entry, target)
        return _take_back_sidecar(fs, run, index, entry, target)
    except BackupDamaged as error:
        return Result(Fate.LEFT_ALONE, f"the original cannot be put back: {error}")
    except ChangedMeanwhile:
        return Result(Fate.LEFT_ALONE, "it is being changed right now")


def _take_back_sidecar(fs: FileSystem, run: Run, index: int, entry: Entry, target: Path) -> Result:
    try:
        current = current_sha256(fs, target)
    except OSError as error:
        return Result(Fate.LEFT_ALONE, f"it cannot be read: {error.strerror}")
    if current == entry.before_sha256:
        return Result(Fate.UNTOUCHED)
    if current != entry.after_sha256:
        return Result(
            Fate.LEFT_ALONE, "it is gone" if current is None else "it holds neither the old nor the new bytes"
        )
    put(fs, target, layout.temporary_path(target, run.run_id, index), journal.original(fs, run, entry), current)
    return Result(Fate.TAKEN_BACK)


def _take_back_embedded(fs: FileSystem, run: Run, entry: Entry, target: Path) -> Result:
    made = embed.kept_patch(fs, run, entry)
    try:
        condition = patch.examine(fs, target, made)
    except OSError as error:
        return Result(Fate.LEFT_ALONE, f"it cannot be read: {error.strerror}")
    if condition is patch.Condition.OLD:
        return Result(Fate.UNTOUCHED)
    if condition is patch.Condition.FOREIGN:
        return Result(Fate.LEFT_ALONE, "it was changed by somebody else since")
    patch.apply(fs, target, made.reversed())
    return Result(Fate.TAKEN_BACK)


def _unfinished_ids(state: Path, fs: FileSystem) -> list[str]:
    found = []
    for run_id in layout.run_ids(state, fs):
        folder = layout.run_dir(state, run_id)
        if fs.stat(folder / layout.OUTCOME) is None and fs.stat(folder / layout.MANIFEST) is not None:
            found.append(run_id)
    return found


def _report(results: list[tuple[Run, list[Result]]]) -> RecoveryReport:
    by_fate: dict[Fate, list[str]] = {fate: [] for fate in Fate}
    left, backups = [], []
    for run, ends in results:
        for entry, end in zip(run.manifest.files, ends, strict=True):
            by_fate[end.fate].append(entry.path)
            if end.fate is Fate.LEFT_ALONE:
                left.append(LeftAlone(entry.path, end.reason))
                backups.append(str(run.folder / PurePosixPath(layout.ORIGINALS)))
    return RecoveryReport(
        run_ids=tuple(run.run_id for run, _ in results),
        taken_back=tuple(by_fate[Fate.TAKEN_BACK]),
        untouched=tuple(by_fate[Fate.UNTOUCHED]),
        left=tuple(left),
        backups=tuple(dict.fromkeys(backups)),
    )
