"""Perform a plan: the order of docs/crash-safety.md, with one commit point."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from xmpsync.disk.files import FileSystem, RealFileSystem
from xmpsync.errors import DiskNeedsAttention, LeftAlone
from xmpsync.write import journal, layout, lock
from xmpsync.write.journal import Run, Unconfirmed, phrase, state_readable
from xmpsync.write.manifest import SCHEMA, Entry, Fate, Manifest, Piece, Result, RunEnding, backup_of
from xmpsync.write.outcome import Progress, RecoveryReport, RunOutcome
from xmpsync.write.plan import Plan, sha256
from xmpsync.write.recover import Listener, recover_locked, take_back
from xmpsync.write.settings import DEFAULT, WriteSettings
from xmpsync.write.target import ChangedMeanwhile, HalfWritten, Unwritable
from xmpsync.write.targets import TargetJob, look, target_of

__all__ = ["RunOutcome", "perform"]

CHANGED_MEANWHILE = "another program changed it while this run was at work"


def perform(
    plan: Plan,
    shoot: Path,
    state: Path,
    *,
    fs: FileSystem | None = None,
    listener: Listener | None = None,
    settings: WriteSettings = DEFAULT,
) -> RunOutcome:
    """Write a plan to the disk as one run, with backups.

    Parameters
    ----------
    plan
        What to write. Every file is compared with the hash that the plan was made from, twice.
    shoot, state
        The shoot's folder, which the plan's paths are relative to, and the folder that keeps runs; made if missing.
    listener
        Called after each file of each stage.

    Raises
    ------
    Refused
        A file changed since the plan was made, another run is at work, or two changes mean one file. Nothing written.
    DiskNeedsAttention
        The disk failed; or an earlier, interrupted run was put right and left files for a person to look at. The
        message says what was written. A run that did not end is taken back by the next writing command.
    """
    fs = fs or RealFileSystem.around(state, shoot)
    tell = listener or _quiet
    with lock.held(state, fs, settings, make=True):
        with state_readable(state):
            recovered = recover_locked(shoot, state, fs, listener)
            run_id = layout.new_run_id(layout.run_ids(state, fs), datetime.now(UTC))
        if recovered is not None and recovered.left:
            raise DiskNeedsAttention(
                recovered.sentence,
                written="Nothing of the new plan was written.",
                next_step="Look at these files, then run the same command again.",
            )
        jobs, left, remarks = look(plan, shoot, state, fs)
        if not jobs:
            return RunOutcome(None, (), (), (), tuple(left), tuple(remarks), recovered)
        run = _begin(run_id, plan, jobs, state, fs)
        try:
            results = _write_all(run, jobs, fs, tell, remarks)
            _end(run, jobs, results, fs, remarks)
        except KeyboardInterrupt:
            take_back(shoot, run, fs)
            raise
    return _outcome(run, jobs, results, left, remarks, recovered)


def _quiet(progress: Progress) -> None:
    """Nobody listens."""


def _begin(run_id: str, plan: Plan, jobs: Sequence[TargetJob], state: Path, fs: FileSystem) -> Run:
    pack = bytearray()
    originals = [job.prepared.original for job in jobs]
    names = layout.backup_names(backup_of(job.change.path, job.change.kind) for job in jobs)
    files = tuple(_entry(job, name, pack) for job, name in zip(jobs, names, strict=True))
    manifest = Manifest(
        schema=SCHEMA,
        run_id=run_id,
        command=plan.command,
        tool_version=plan.tool_version,
        started_utc=journal.utc_text(datetime.now(UTC)),
        options=dict(plan.options),
        undoes=plan.undoes,
        whole=plan.whole,
        files=files,
    )
    try:
        return journal.begin(fs, state, manifest, originals, bytes(pack))
    except OSError as error:
        journal.discard(fs, layout.run_dir(state, run_id))
        raise DiskNeedsAttention(
            f"The originals could not be backed up to {layout.runs_dir(state)} ({phrase(error)}).",
            next_step="Make room there or make it writable, or keep the state elsewhere: --state DIR.",
        ) from error


def _entry(job: TargetJob, name: str, pack: bytearray) -> Entry:
    change, prepared = job.change, job.prepared
    original, made = prepared.original, prepared.patch
    packet = None if made is None else made.packet_after()
    return Entry(
        path=change.path,
        kind=change.kind,
        before_sha256=change.before_sha256,
        after_sha256=prepared.after_sha256,
        backup=None if original is None else name,
        backup_sha256=None if original is None else sha256(original),
        written=_keep(prepared.written, pack),
        basis=_keep(change.basis, pack),
        packet_sha256=None if packet is None else sha256(packet),
        patch=None if made is None else made.record(),
        note=dict(change.note),
    )


def _keep(data: bytes | None, pack: bytearray) -> Piece | None:
    if data is None:
        return None
    kept = Piece(len(pack), len(data), sha256(data))
    pack += data
    return kept


def _write_all(run: Run, jobs: Sequence[TargetJob], fs: FileSystem, tell: Listener, remarks: list[str]) -> list[Result]:
    results = []
    for index, job in enumerate(jobs):
        change, target = job.change, target_of(job.change.kind)
        temporary = layout.temporary_path(job.path, run.run_id, index)
        try:
            if not target.write(fs, job.path, job.prepared, change.before_sha256, temporary):
                remarks.append(f"{change.path} has another owner or mode now; the system did not let us keep them")
            results.append(Result(Fate.WRITTEN))
        except ChangedMeanwhile:
            results.append(Result(Fate.LEFT_ALONE, CHANGED_MEANWHILE))
        except HalfWritten as error:
            raise _unended(run, f"{change.path} could not be written whole ({phrase(error)})") from error
        except OSError as error:
            results.append(_after_trouble(job, error, fs))
        tell(Progress("write", index + 1, len(jobs), job.change.path))
    return results


def _after_trouble(job: TargetJob, error: OSError, fs: FileSystem) -> Result:
    """What a failed step left behind, by the bytes that are there."""
    reason = f"it could not be written: {phrase(error)}"
    try:
        written = target_of(job.change.kind).look(fs, job.path).sha256 == job.prepared.after_sha256
    except (OSError, Unwritable):
        return Result(Fate.LEFT_ALONE, reason)
    return Result(Fate.WRITTEN) if written else Result(Fate.LEFT_ALONE, reason)


def _end(run: Run, jobs: Sequence[TargetJob], results: Sequence[Result], fs: FileSystem, remarks: list[str]) -> None:
    try:
        for folder in dict.fromkeys(job.path.parent for job in jobs if target_of(job.change.kind).renames):
            if not fs.sync_dir(folder):
                remarks.append(f"{folder}: this file system cannot promise that names survive a power loss")
        journal.end(fs, run, RunEnding.COMPLETE, results, datetime.now(UTC))
    except Unconfirmed as error:
        raise DiskNeedsAttention(
            f"The run {run.run_id} is complete, but the disk does not confirm its last step ({phrase(error)}).",
            written=f"All its files hold the new values; the originals are in {run.folder}.",
            next_step="See to the disk. If the power fails before it is sound, the next writing command may take the "
            "run back.",
        ) from error
    except OSError as error:
        raise _unended(run, f"the disk failed before the run could be marked complete ({phrase(error)})") from error


def _unended(run: Run, what: str) -> DiskNeedsAttention:
    return DiskNeedsAttention(
        f"The run {run.run_id} did not end: {what}.",
        written=f"Some files hold the new values; all originals are in {run.folder}.",
        next_step="See to the disk; the next writing command takes the run back by itself.",
    )


def _outcome(
    run: Run,
    jobs: Sequence[TargetJob],
    results: Sequence[Result],
    left: Sequence[LeftAlone],
    remarks: Sequence[str],
    recovered: RecoveryReport | None,
) -> RunOutcome:
    written = [job for job, result in zip(jobs, results, strict=True) if result.fate is Fate.WRITTEN]
    late = [
        LeftAlone(job.change.path, result.reason)
        for job, result in zip(jobs, results, strict=True)
        if result.fate is Fate.LEFT_ALONE
    ]
    return RunOutcome(
        run_id=run.run_id,
        written=tuple(job.change.path for job in written if job.prepared.after_sha256 is not None),
        created=tuple(job.change.path for job in written if job.change.before_sha256 is None),
        removed=tuple(job.change.path for job in written if job.prepared.after_sha256 is None),
        left_alone=(*left, *late),
        remarks=tuple(remarks),
        recovered=recovered,
    )
