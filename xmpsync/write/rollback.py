"""Take a run back: decide file by file from the bytes that are there, then perform that as a run of its own."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

from xmpsync.disk.files import FileSystem, RealFileSystem
from xmpsync.errors import DiskNeedsAttention, LeftAlone, OwnCheckFailed, Refused, SidecarMalformed, WrongUsage
from xmpsync.write import journal, layout
from xmpsync.write.dng_structure import EmbedRefused
from xmpsync.write.journal import Abandoned, BackupDamaged, Damaged, Run, phrase
from xmpsync.write.manifest import Entry, RunEnding
from xmpsync.write.outcome import RunOutcome
from xmpsync.write.perform import perform
from xmpsync.write.plan import CORRECT, ROLLBACK, FileChange, Plan
from xmpsync.write.recover import Listener, unfinished
from xmpsync.write.runs import undone_paths, written_entries
from xmpsync.write.settings import DEFAULT, WriteSettings
from xmpsync.write.target import Present, Target, Unwritable
from xmpsync.write.targets import resolve, target_of
from xmpsync.xmp.edit import our_fields
from xmpsync.xmp.restore import restore_fields


class Action(StrEnum):
    """What a rollback does with one file."""

    RESTORE = "original bytes back"
    REMOVE = "remove"
    FIELDS = "our fields back, others' kept"
    NOTHING = "nothing to do"
    LEAVE = "left alone"


@dataclass(frozen=True, slots=True)
class RollbackStep:
    """One file: what would happen and why. `change` is None where nothing is written."""

    path: str
    action: Action
    why: str
    change: FileChange | None = None


@dataclass(frozen=True, slots=True)
class RollbackPlan:
    """What a rollback of `run_id` would do; pure data. `whole` is False for chosen frames."""

    run_id: str
    steps: tuple[RollbackStep, ...]
    whole: bool

    @property
    def left_alone(self) -> tuple[LeftAlone, ...]:
        return tuple(LeftAlone(step.path, step.why) for step in self.steps if step.action is Action.LEAVE)

    def as_plan(self, tool_version: str = "") -> Plan:
        """The same as a plan that `perform` takes."""
        changes = tuple(step.change for step in self.steps if step.change is not None)
        return Plan(changes, {}, tool_version, ROLLBACK, self.run_id, self.whole)


def plan_rollback(
    shoot: Path,
    state: Path,
    run_id: str | None = None,
    frames: Collection[str] | None = None,
    force: bool = False,
    *,
    fs: FileSystem | None = None,
) -> RollbackPlan:
    """What rolling a run back would do. Reads only.

    Parameters
    ----------
    run_id
        The run, in full or by its number; None: the newest correction not yet rolled back.
    frames
        Only these files: paths as in the run's summary, relative to SHOOT. None: all that the run wrote.
    force
        Also files whose own fields somebody changed since, files that a newer run wrote, files that are gone.

    Raises
    ------
    WrongUsage
        There is no such run, nothing to roll back, or a frame that the run did not write.
    Refused
        The run was interrupted and taken back already, or its originals were given up.
    DiskNeedsAttention
        A run did not end, or this run's documents cannot be read.
    """
    fs = fs or RealFileSystem.around(state, shoot)
    open_run = unfinished(state, fs=fs)
    if open_run is not None:
        raise DiskNeedsAttention(
            f"The run {open_run.run_id} did not end.", next_step="The next writing command takes it back by itself."
        )
    found = journal.load_all(fs, state)
    runs = [run for run in found if isinstance(run, Run)]
    run = _named(runs, run_id, state, fs) if run_id is not None else _newest(found)
    entries = written_entries(run)
    if frames is not None:
        unknown = sorted(set(frames) - {entry.path for entry in entries})
        if unknown:
            raise WrongUsage(
                f"The run {run.run_id} did not write {', '.join(unknown)}.", next_step="See: xmpsync runs SHOOT"
            )
        entries = tuple(entry for entry in entries if entry.path in frames)
    newer = _written_later(runs, run)
    steps = tuple(_step(fs, shoot, run, entry, newer.get(entry.path), force) for entry in entries)
    return RollbackPlan(run.run_id, steps, whole=frames is None)


def perform_rollback(
    plan: RollbackPlan,
    shoot: Path,
    state: Path,
    *,
    tool_version: str = "",
    fs: FileSystem | None = None,
    listener: Listener | None = None,
    settings: WriteSettings = DEFAULT,
) -> RunOutcome:
    """Carry a rollback out as a run with backups of its own; errors as `perform`'s."""
    outcome = perform(plan.as_plan(tool_version), shoot, state, fs=fs, listener=listener, settings=settings)
    return replace(outcome, left_alone=(*plan.left_alone, *outcome.left_alone))


def _newest(found: Sequence[Run | Abandoned | Damaged]) -> Run:
    """The newest correction not yet rolled back; DiskNeedsAttention if a newer run cannot be read."""
    undone = undone_paths(run for run in found if isinstance(run, Run))
    for run in reversed(found):
        if isinstance(run, Damaged):
            raise DiskNeedsAttention(
                f"The newest run, {run.run_id}, cannot be used ({run.why}).",
                next_step=f"Its originals, if any, are in {run.folder}. To take an older run back, name it: "
                "xmpsync rollback SHOOT RUN",
            )
        if isinstance(run, Run) and run.manifest.command == CORRECT:
            paths = {entry.path for entry in written_entries(run)}
            if paths - undone.get(run.run_id, frozenset()):
                return _usable(run)
    raise WrongUsage("There is no run to roll back.", next_step="See: xmpsync runs SHOOT")


def _named(runs: list[Run], wanted: str, state: Path, fs: FileSystem) -> Run:
    run_id = layout.find_run(layout.run_ids(state, fs), wanted)
    for run in runs:
        if run.run_id == run_id:
            return _usable(run)
    found = journal.load(fs, state, run_id)
    if isinstance(found, Damaged):
        raise DiskNeedsAttention(
            f"The manifest of the run {run_id} cannot be read ({found.why}).",
            next_step=f"Its originals are in {found.folder}.",
        )
    raise Refused(f"The run {run_id} was interrupted before it began.", next_step="There is nothing to roll back.")


def _usable(run: Run) -> Run:
    if run.outcome is not None and run.outcome.ending is RunEnding.RECOVERED:
        raise Refused(
            f"The run {run.run_id} was interrupted, and was taken back.", next_step="There is nothing to roll back."
        )
    if run.pruned:
        raise Refused(f"The originals of the run {run.run_id} were given up.", next_step="See: xmpsync runs SHOOT")
    return run


def _written_later(runs: list[Run], run: Run) -> Mapping[str, str]:
    """For each path, the newest later run that wrote it and was not rolled back. Rollbacks themselves do not count."""
    undone = undone_paths(runs)
    later: dict[str, str] = {}
    for other in runs:
        if layout.run_number(other.run_id) <= layout.run_number(run.run_id) or other.manifest.command != CORRECT:
            continue
        for entry in written_entries(other):
            if entry.path not in undone.get(other.run_id, frozenset()):
                later[entry.path] = other.run_id
    return later


def _step(fs: FileSystem, shoot: Path, run: Run, entry: Entry, newer: str | None, force: bool) -> RollbackStep:
    target = target_of(entry.kind)
    try:
        path = resolve(fs, shoot, entry.path, entry.kind)
        now = target.look(fs, path)
        if now.sha256 == entry.before_sha256:
            return RollbackStep(entry.path, Action.NOTHING, "it is as it was before the run")
        if newer is not None and not force:
            return _leave(entry, f"the run {newer} wrote it later; roll that one back first")
        ours = now.sha256 == entry.after_sha256
        undone = target.undo(fs, run, entry, now.sha256) if ours or (now.sha256 is None and force) else None
        if undone is not None:
            return _whole_step(undone, ours)
        if now.sha256 is None:
            return _leave(entry, "it is gone")
        return _fields_step(fs, target, now, run, entry, force)
    except (BackupDamaged, EmbedRefused, SidecarMalformed, OwnCheckFailed, Unwritable) as error:
        return _leave(entry, str(error))
    except (FileNotFoundError, NotADirectoryError):
        return _leave(entry, "it is gone, with its folder")
    except OSError as error:
        return _leave(entry, f"it cannot be read: {phrase(error)}")


def _leave(entry: Entry, why: str) -> RollbackStep:
    return RollbackStep(entry.path, Action.LEAVE, why)


def _whole_step(change: FileChange, ours: bool) -> RollbackStep:
    """The original bytes back; `ours`: the file holds what the run wrote."""
    if change.after is None and change.undo_of is None:
        return RollbackStep(change.path, Action.REMOVE, "created by the run, unchanged since", change)
    return RollbackStep(change.path, Action.RESTORE, "unchanged since" if ours else "it is gone", change)


def _fields_step(fs: FileSystem, target: Target, now: Present, run: Run, entry: Entry, force: bool) -> RollbackStep:
    """Our four fields back in a packet that somebody changed since."""
    before, written = target.packets(fs, run, entry)
    packet = now.packet()
    if written is None or packet is None:
        return _leave(entry, target.no_packet)
    if not force and our_fields(packet) != our_fields(written):
        return _leave(entry, "our own fields were changed since")
    restored = restore_fields(packet, before, written)
    if restored == packet:
        return RollbackStep(entry.path, Action.NOTHING, "our fields are as they were before the run")
    change = FileChange(entry.path, entry.kind, now.sha256, restored)
    return RollbackStep(entry.path, Action.FIELDS, "other fields were changed since", change)
