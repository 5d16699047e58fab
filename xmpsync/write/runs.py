"""What the state folder remembers: the runs, the newest options, which bytes are ours, whether backups are sound."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

from xmpsync.disk.files import FileSystem, RealFileSystem
from xmpsync.errors import WrongUsage
from xmpsync.write import journal, layout, lock
from xmpsync.write.journal import Abandoned, BackupDamaged, Damaged, Run
from xmpsync.write.manifest import Entry, Fate, RunEnding
from xmpsync.write.plan import CORRECT, ROLLBACK, JsonObject
from xmpsync.write.settings import DEFAULT, WriteSettings


class RunState(StrEnum):
    """Where a run stands now."""

    COMPLETE = "complete"
    ROLLED_BACK = "rolled back"
    PARTLY_ROLLED_BACK = "partly rolled back"
    UNFINISHED = "unfinished"
    RECOVERED = "recovered"
    """It was interrupted, and taken back."""
    ABANDONED = "abandoned"
    """It was interrupted before it began: no file of the shoot was touched."""
    DAMAGED = "damaged"
    """Its documents cannot be read."""


@dataclass(frozen=True, slots=True)
class RunSummary:
    """One run as a list shows it. `time` is UTC, ISO 8601, empty if unknown; `paths` are the files it wrote."""

    run_id: str
    time: str
    command: str
    tool_version: str
    state: RunState
    paths: tuple[str, ...] = ()
    left_alone: tuple[str, ...] = ()
    undoes: str | None = None
    options: JsonObject = field(default_factory=dict)
    has_backups: bool = True


@dataclass(frozen=True, slots=True)
class Damage:
    """Something kept in a run that is missing or not what the manifest states."""

    run_id: str
    path: str
    what: str


def list_runs(state: Path, *, fs: FileSystem | None = None) -> tuple[RunSummary, ...]:
    """Every run in the state folder, oldest first. Reads only."""
    runs = journal.load_all(fs or RealFileSystem.around(state), state)
    undone = undone_paths(run for run in runs if isinstance(run, Run))
    return tuple(_summary(run, undone) for run in runs)


def _summary(run: Run | Abandoned | Damaged, undone: Mapping[str, frozenset[str]]) -> RunSummary:
    if not isinstance(run, Run):
        state = RunState.ABANDONED if isinstance(run, Abandoned) else RunState.DAMAGED
        return RunSummary(run.run_id, "", "", "", state, has_backups=False)
    manifest = run.manifest
    paths = tuple(entry.path for entry in written_entries(run))
    return RunSummary(
        run_id=run.run_id,
        time=manifest.started_utc,
        command=manifest.command,
        tool_version=manifest.tool_version,
        state=_state(run, paths, undone.get(run.run_id, frozenset())),
        paths=paths,
        left_alone=tuple(_left_alone(run)),
        undoes=manifest.undoes,
        options=manifest.options,
        has_backups=not run.pruned,
    )


def _state(run: Run, paths: Sequence[str], undone: frozenset[str]) -> RunState:
    if run.outcome is None:
        return RunState.UNFINISHED
    if run.outcome.ending is RunEnding.RECOVERED:
        return RunState.RECOVERED
    if not undone or not paths:
        return RunState.COMPLETE
    return RunState.ROLLED_BACK if undone.issuperset(paths) else RunState.PARTLY_ROLLED_BACK


def _left_alone(run: Run) -> Iterable[str]:
    if run.outcome is not None:
        for entry, result in zip(run.manifest.files, run.outcome.results, strict=True):
            if result.fate is Fate.LEFT_ALONE:
                yield entry.path


def written_entries(run: Run) -> tuple[Entry, ...]:
    """The files that a complete run wrote; none for a run that did not end or was taken back."""
    if run.outcome is None or run.outcome.ending is not RunEnding.COMPLETE:
        return ()
    return tuple(
        entry
        for entry, result in zip(run.manifest.files, run.outcome.results, strict=True)
        if result.fate is Fate.WRITTEN
    )


def undone_paths(runs: Iterable[Run]) -> dict[str, frozenset[str]]:
    """For each run, the files whose writing was rolled back. A rollback that was itself rolled back does not count.

    A rollback of a whole run counts for all its files, also for those it had to leave alone: it is over with.
    """
    runs = sorted(runs, key=lambda run: layout.run_number(run.run_id))
    written = {run.run_id: frozenset(entry.path for entry in written_entries(run)) for run in runs}
    undone: dict[str, frozenset[str]] = {}
    for run in reversed(runs):
        of = run.manifest.undoes
        if of is None or not written[run.run_id]:
            continue
        gone = undone.get(run.run_id, frozenset())
        back = written[run.run_id] - gone
        if run.manifest.whole and not gone:
            back |= written.get(of, frozenset())
        undone[of] = undone.get(of, frozenset()) | back
    return undone


def remembered(state: Path, *, fs: FileSystem | None = None) -> RunSummary | None:
    """The newest complete run that corrected and was not rolled back: its options count again; None without one."""
    stands = (RunState.COMPLETE, RunState.PARTLY_ROLLED_BACK)
    with journal.state_readable(state):
        runs = [run for run in list_runs(state, fs=fs) if run.command == CORRECT and run.paths and run.state in stands]
    return runs[-1] if runs else None


def written_by_us(state: Path, *, fs: FileSystem | None = None) -> Mapping[str, Mapping[str, dict[str, Any]]]:
    """For each path, the hash of bytes that runs of ours wrote -> the note with the original baseline.

    The note is that of the first run in the chain: where a run wrote over bytes of an earlier run of ours, the earlier
    one's note stays. Of a RAW file both the whole file's hash and its packet's are listed. Bytes that a rollback made
    field by field lead to the same note as the bytes of the run that it went back to.
    """
    origins: dict[str, dict[str, dict[str, Any]]] = {}
    before_of: dict[tuple[str, str], str | None] = {}
    for run in journal.load_all(fs or RealFileSystem.around(state), state):
        if not isinstance(run, Run):
            continue
        for entry in written_entries(run):
            known = origins.setdefault(entry.path, {})
            before_of[run.run_id, entry.path] = entry.before_sha256
            if run.manifest.command == ROLLBACK:
                note = known.get(before_of.get((run.manifest.undoes or "", entry.path)) or "")
                if note is None:
                    continue
            else:
                note = known.get(entry.before_sha256 or "", entry.note)
            for digest in (entry.after_sha256, entry.packet_sha256):
                if digest is not None:
                    known.setdefault(digest, note)
    return origins


def verify_runs(state: Path, *, fs: FileSystem | None = None) -> tuple[Damage, ...]:
    """Every kept original and every kept written byte against its hash; empty if all is sound. Reads only."""
    fs = fs or RealFileSystem.around(state)
    found: list[Damage] = []
    for run in journal.load_all(fs, state):
        if isinstance(run, Damaged):
            found.append(Damage(run.run_id, layout.MANIFEST, run.why))
        elif isinstance(run, Run) and not run.pruned:
            for entry in run.manifest.files:
                found += _damage(fs, run, entry)
    return tuple(found)


def _damage(fs: FileSystem, run: Run, entry: Entry) -> Iterable[Damage]:
    try:
        journal.original(fs, run, entry)
    except BackupDamaged as error:
        yield Damage(run.run_id, entry.path, str(error))
    for kept in (entry.written, entry.basis):
        try:
            if kept is not None:
                journal.piece(fs, run, kept)
        except BackupDamaged as error:
            yield Damage(run.run_id, entry.path, str(error))


def prune(
    state: Path, keep: int, *, fs: FileSystem | None = None, settings: WriteSettings = DEFAULT
) -> tuple[str, ...]:
    """Give up the originals and written bytes of all but the newest `keep` runs; the ids of those given up.

    Nothing is ever given up without being asked for. Manifests and outcomes stay: they are small, and hold the options
    and the original baselines. A run that did not end keeps everything. Such a run can no longer be rolled back.
    """
    if keep < 1:
        raise WrongUsage("At least one run must be kept.", next_step="Give a number from 1 up.")
    fs = fs or RealFileSystem.around(state)
    given_up: list[str] = []
    with journal.state_readable(state):
        if fs.stat(layout.runs_dir(state)) is None:
            return ()
    with lock.held(state, fs, settings):
        for run in _old(journal.load_all(fs, state), keep):
            if isinstance(run, Abandoned):
                journal.remove_tree(fs, run.folder)
            else:
                _give_up(fs, run)
            given_up.append(run.run_id)
    return tuple(given_up)


def _old(runs: Sequence[Run | Abandoned | Damaged], keep: int) -> Iterable[Run | Abandoned]:
    """All but the newest `keep` runs that can be read, without those that must keep everything or have nothing left."""
    known = [run for run in runs if not isinstance(run, Damaged)]
    for run in known[:-keep]:
        if isinstance(run, Abandoned) or (run.outcome is not None and not run.pruned):
            yield run


def _given_up_names(fs: FileSystem, run: Run | Abandoned) -> list[str]:
    kept = {layout.MANIFEST, layout.OUTCOME, layout.PRUNED}
    return [name for name in fs.list_dir(run.folder) if name not in kept]


def _give_up(fs: FileSystem, run: Run) -> None:
    """The mark first, durable: a crash in between leaves a run that is known to be incomplete."""
    with fs.create(run.folder / layout.PRUNED) as file:
        file.sync()
    fs.sync_dir(run.folder)
    for name in _given_up_names(fs, run):
        path = run.folder / name
        found = fs.stat(path)
        if found is None:
            continue
        if found.is_dir:
            journal.remove_tree(fs, path)
        else:
            fs.remove(path)
