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

from xmpsync.disk.fence import Fenced
from xmpsync.disk.files import FileSystem, RealFileSystem
from xmpsync.errors import DiskNeedsAttention, LeftAlone
from xmpsync.write import journal, layout, lock
from xmpsync.write.journal import BackupDamaged, Damaged, Run, Unconfirmed, phrase, state_readable
from xmpsync.write.manifest import Entry, Fate, Result, RunEnding
from xmpsync.write.outcome import Progress, RecoveryReport
from xmpsync.write.settings import DEFAULT, WriteSettings
from xmpsync.write.sidecar import clear
from xmpsync.write.target import ChangedMeanwhile
from xmpsync.write.targets import resolve, target_of

Listener = Callable[[Progress], None]
HELP = "docs/crash-safety.md, 'By hand', tells how."


@dataclass(frozen=True, slots=True)
class Unfinished:
    """A run that began and did not end. `at_work`: its process still runs, so it is not interrupted at all."""

    run_id: str
    at_work: bool


def unfinished(state: Path, *, fs: FileSystem | None = None) -> Unfinished | None:
    """The newest run that began and did not end, or None. Reads only."""
    fs = fs or RealFileSystem.around(state)
    with state_readable(state):
        ids = journal.unended(fs, state)
    return Unfinished(ids[-1], lock.somebody_at_work(state, fs)) if ids else None


def recover(
    shoot: Path,
    state: Path,
    *,
    fs: FileSystem | None = None,
    listener: Listener | None = None,
    settings: WriteSettings = DEFAULT,
) -> RecoveryReport | None:
    """Take back every run that did not end; None if there is none (then nothing is written, no lock is taken).

    Raises
    ------
    Refused
        Another run is at work.
    DiskNeedsAttention
        The disk fails; the run stays to be put right.
    """
    fs = fs or RealFileSystem.around(state, shoot)
    with state_readable(state):
        if not journal.unended(fs, state):
            return None
    with lock.held(state, fs, settings), state_readable(state):
        return recover_locked(shoot, state, fs, listener)


def recover_locked(shoot: Path, state: Path, fs: FileSystem, listener: Listener | None = None) -> RecoveryReport | None:
    """The same, for a caller that holds the lock."""
    results: list[tuple[Run, list[Result]]] = []
    aside: list[LeftAlone] = []
    for run_id in reversed(journal.unended(fs, state)):
        run = journal.load(fs, state, run_id)
        if isinstance(run, Run):
            results.append((run, take_back(shoot, run, fs, listener)))
        elif isinstance(run, Damaged) and not run.disk:
            _set_aside(fs, run)
            aside.append(LeftAlone(run_id, run.why))
        else:
            why = run.why if isinstance(run, Damaged) else "it is gone"
            raise DiskNeedsAttention(
                f"The run {run_id} did not end, and its manifest cannot be read ({why}).",
                written="Nothing was written now; the run may have written some files.",
                next_step=f"See to the disk and try again, or compare the files with the originals in {run.folder} and "
                f"move that folder away. {HELP}",
            )
    return _report(results, aside) if results or aside else None


def _set_aside(fs: FileSystem, run: Damaged) -> None:
    try:
        journal.set_aside(fs, run, datetime.now(UTC))
    except OSError as error:
        raise DiskNeedsAttention(
            f"The run {run.run_id} did not end, its documents cannot be used ({run.why}), and that cannot be noted "
            f"down ({phrase(error)}).",
            next_step=f"Make the disk writable, or move {run.folder} away.",
        ) from error


def take_back(shoot: Path, run: Run, fs: FileSystem, listener: Listener | None = None) -> list[Result]:
    """Take one run back and end it as recovered; DiskNeedsAttention if the disk does not let us."""
    results: list[Result] = []
    folders: dict[Path, None] = {}
    entries = run.manifest.files
    try:
        for index, entry in enumerate(entries):
            results.append(_take_back_one(fs, run, index, entry, shoot, folders))
            if listener is not None:
                listener(Progress("put right", index + 1, len(entries), entry.path))
        for folder in folders:
            if fs.stat(folder) is not None:
                fs.sync_dir(folder)
        journal.end(fs, run, RunEnding.RECOVERED, results, datetime.now(UTC))
    except Unconfirmed as error:
        raise DiskNeedsAttention(
            f"The interrupted run {run.run_id} was taken back, but the disk does not confirm the last step "
            f"({phrase(error)}).",
            written=f"Its files are as they were before; all originals are in {run.folder}.",
            next_step="See to the disk, then run the same command again.",
        ) from error
    except OSError as error:
        raise DiskNeedsAttention(
            f"The interrupted run {run.run_id} could not be taken back to its end ({phrase(error)}).",
            written=f"Files may hold the run's values or their old ones; all originals are in {run.folder}.",
            next_step="Make the disk writable and try again: every writing command goes on from there.",
        ) from error
    return results


def _take_back_one(
    fs: FileSystem, run: Run, index: int, entry: Entry, shoot: Path, folders: dict[Path, None]
) -> Result:
    """Take one file back; its folder is noted in `folders`, to be synced."""
    try:
        path = resolve(fs, shoot, entry.path, entry.kind)
    except (FileNotFoundError, NotADirectoryError):
        if entry.before_sha256 is None:
            return Result(Fate.UNTOUCHED)
        return Result(Fate.LEFT_ALONE, "it is gone, with its folder")
    except OSError as error:
        return Result(Fate.LEFT_ALONE, f"it cannot be written: {phrase(error)}")
    folders[path.parent] = None
    temporary = layout.temporary_path(path, run.run_id, index)
    clear(fs, temporary)
    try:
        return target_of(entry.kind).take_back(fs, path, run, entry, temporary)
    except BackupDamaged as error:
        return Result(Fate.LEFT_ALONE, f"the original cannot be put back: {error}")
    except ChangedMeanwhile:
        return Result(Fate.LEFT_ALONE, "it is being changed right now")
    except (Fenced, FileExistsError, IsADirectoryError) as error:
        return Result(Fate.LEFT_ALONE, f"it cannot be written: {phrase(error)}")


def _report(results: list[tuple[Run, list[Result]]], aside: list[LeftAlone]) -> RecoveryReport:
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
        set_aside=tuple(aside),
    )
