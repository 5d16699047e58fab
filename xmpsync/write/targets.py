"""Look at every file of a plan right before a run: is it still what the plan was made from, can it be written?"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from xmpsync.disk.fence import Fenced
from xmpsync.disk.files import FileStat, FileSystem
from xmpsync.errors import FrameError, LeftAlone, Refused
from xmpsync.write import layout
from xmpsync.write.embed import EmbeddedPacket
from xmpsync.write.journal import BackupDamaged, phrase
from xmpsync.write.manifest import why_no_target
from xmpsync.write.plan import ChangeKind, FileChange, Plan
from xmpsync.write.sidecar import Sidecar
from xmpsync.write.target import ChangedSince, Prepared, Target, Unwritable

NAMES_SHOWN = 10
"""How many changed files an error names before it only counts."""


WRITE_PROTECTED = "it is write-protected"
_TARGETS: Mapping[ChangeKind, Target] = {ChangeKind.SIDECAR: Sidecar(), ChangeKind.EMBEDDED: EmbeddedPacket()}


def target_of(kind: ChangeKind) -> Target:
    """How the bytes of this kind of change are read, written and taken back."""
    return _TARGETS[kind]


@dataclass(frozen=True, slots=True)
class TargetJob:
    """One file that will be written: where it really lies, and what was made ready for it."""

    change: FileChange
    path: Path
    prepared: Prepared


def look(plan: Plan, shoot: Path, state: Path, fs: FileSystem) -> tuple[list[TargetJob], list[LeftAlone], list[str]]:
    """Jobs, files left alone with reasons, and remarks. Reads only.

    Raises Refused, naming the files, if any target changed since the plan was made or two changes mean one file.
    """
    jobs: list[TargetJob] = []
    left: list[LeftAlone] = []
    remarks: list[str] = []
    changed: list[str] = []
    for change in plan.changes:
        try:
            job = _look_at(change, shoot, state, fs, remarks)
        except ChangedSince as error:
            changed.append(f"{change.path} ({error})")
        except (Unwritable, FrameError, BackupDamaged) as error:
            left.append(LeftAlone(change.path, error.what if isinstance(error, FrameError) else str(error)))
        except Fenced as error:
            left.append(LeftAlone(change.path, phrase(error)))
        except OSError as error:
            left.append(LeftAlone(change.path, f"it cannot be read: {phrase(error)}"))
        else:
            if job is not None:
                jobs.append(job)
    if changed:
        raise Refused(
            f"{len(changed)} of {len(plan.changes)} files changed since the plan was made: {_listed(changed)}.",
            next_step="Another program may be at work on this shoot. Run the same command again for a fresh plan.",
        )
    _refuse_clashes(jobs, fs)
    return jobs, left, remarks


def _listed(names: list[str]) -> str:
    rest = len(names) - NAMES_SHOWN
    return ", ".join(names[:NAMES_SHOWN]) + (f" and {rest} more" if rest > 0 else "")


def resolve(fs: FileSystem, shoot: Path, path: str, kind: ChangeKind) -> Path:
    """Where a file that may be written really lies: below the shoot, through real folders, under a name of its kind.

    A link to such a file in the shoot is followed. `Fenced` for anything else; FileNotFoundError or NotADirectoryError
    where its folder is gone.
    """
    why = why_no_target(path, kind)
    if why is not None:
        raise Fenced(f"its path {why}", path)
    named = layout.target_path(shoot, path)
    target = fs.follow(named)
    if target.name != named.name:
        why = why_no_target(target.relative_to(fs.real_path(shoot)).as_posix(), kind)
        if why is not None:
            raise Fenced(f"it is a link to a file that {why}", path)
    return target


def why_unwritable(path: str, kind: ChangeKind, shoot: Path, fs: FileSystem) -> str | None:
    """Why a run will leave a file alone, as far as names, kinds and a RAW file's structure tell; None if nothing does.

    For a plan's reader, before anything is written. A run looks again.
    """
    try:
        target, found = _admitted(path, kind, shoot, fs)
        target_of(kind).check_structure(fs, target)
    except (FileNotFoundError, NotADirectoryError):
        return None  # the run says that it changed
    except (Unwritable, FrameError) as error:
        return error.what if isinstance(error, FrameError) else str(error)
    except Fenced as error:
        return phrase(error)
    except OSError as error:
        return f"it cannot be read: {phrase(error)}"
    return WRITE_PROTECTED if found is not None and found.read_only else None


def _admitted(path: str, kind: ChangeKind, shoot: Path, fs: FileSystem) -> tuple[Path, FileStat | None]:
    """Where the file lies and what stands there now; Unwritable or Fenced where nothing may be written."""
    target = resolve(fs, shoot, path, kind)
    found = fs.stat(target)
    if found is not None and not found.is_regular:
        raise Unwritable("it is not a plain file")
    why = None if found is None else target_of(kind).why_not(found)
    if why is not None:
        raise Unwritable(why)
    return target, found


def _look_at(change: FileChange, shoot: Path, state: Path, fs: FileSystem, remarks: list[str]) -> TargetJob | None:
    layout.target_path(shoot, change.path)  # a path of our own that leaves the shoot is a bug, not trouble
    try:
        path, found = _admitted(change.path, change.kind, shoot, fs)
    except (FileNotFoundError, NotADirectoryError) as error:
        raise ChangedSince("gone" if change.before_sha256 else "its folder is gone") from error
    if found is not None and found.read_only and change.before_sha256 is not None:
        raise Unwritable(WRITE_PROTECTED)
    if found is not None and found.n_names > 1:
        remarks.append(f"{change.path} has {found.n_names} names (hard links); the others keep the old bytes")
    prepared = target_of(change.kind).prepare(fs, path, change, state)
    return None if prepared is None else TargetJob(change, path, prepared)


def _refuse_clashes(jobs: list[TargetJob], fs: FileSystem) -> None:
    """Two changes of one file: through links, or because the disk ignores case."""
    by_target: dict[str, list[TargetJob]] = {}
    for job in jobs:
        by_target.setdefault(layout.folded(str(job.path)), []).append(job)
    for same in by_target.values():
        if len(same) > 1 and not _really_apart(same, fs):
            names = " and ".join(job.change.path for job in same)
            raise Refused(
                f"{names} are one file, or would be on a disk that ignores case.",
                next_step="Rename one of the frames, or leave it out with --frames.",
            )


def _really_apart(jobs: Iterable[TargetJob], fs: FileSystem) -> bool:
    """Whether all of them exist, each under its own name in its folder's list."""
    targets = [job.path for job in jobs]
    return len(set(targets)) == len(targets) and all(
        fs.stat(target) is not None and target.name in fs.list_dir(target.parent) for target in targets
    )
