"""A run's folder on the disk: begin it (originals, written bytes, manifest), end it (outcome), read it back.

The order and its reasons are docs/crash-safety.md, steps 3 and 5.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath

from xmpsync.disk.fence import Fenced
from xmpsync.disk.files import FileSystem, make_dirs
from xmpsync.errors import DiskNeedsAttention, Refused
from xmpsync.write import layout
from xmpsync.write.manifest import (
    MAX_BYTES,
    SCHEMA,
    DocumentDamaged,
    Entry,
    Manifest,
    Outcome,
    Piece,
    Result,
    RunEnding,
    decode,
    encode,
)
from xmpsync.write.plan import sha256


@dataclass(frozen=True, slots=True)
class Run:
    """A run on the disk. `outcome` is None while it has not ended."""

    folder: Path
    manifest: Manifest
    outcome: Outcome | None
    pruned: bool = False

    @property
    def run_id(self) -> str:
        return self.manifest.run_id


@dataclass(frozen=True, slots=True)
class Abandoned:
    """A run that never began: its folder has no manifest, so no file of the shoot was touched."""

    folder: Path
    run_id: str


@dataclass(frozen=True, slots=True)
class Damaged:
    """A run whose documents cannot be used. `disk`: the disk failed, so that another try may read them."""

    folder: Path
    run_id: str
    why: str
    disk: bool = False


def phrase(error: OSError) -> str:
    """What the system says about a failed step, without numbers and paths."""
    return error.strerror or str(error)


@contextmanager
def state_readable(state: Path) -> Iterator[None]:
    """Turns trouble of the disk while the state folder is read into an error for people."""
    try:
        yield
    except OSError as error:
        raise DiskNeedsAttention(
            f"The state folder {state} cannot be read ({error.filename or state}: {phrase(error)}).",
            next_step="Make it readable, move away what does not belong there, or see to the disk, and try again.",
        ) from error


def utc_text(now: datetime) -> str:
    return now.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def begin(fs: FileSystem, state: Path, manifest: Manifest, originals: Sequence[bytes | None], written: bytes) -> Run:
    """Make the run's folder durable, the manifest's name last. Until then nothing outside it may be touched.

    `originals[i]` is the backup of `manifest.files[i]`, None where there is none.
    """
    folder = layout.run_dir(state, manifest.run_id)
    document = encode(manifest)
    if len(document) > MAX_BYTES:
        raise Refused(
            f"{len(manifest.files)} files are more than one run can take back.", next_step="Do a part: --frames GLOB."
        )
    dirty = dict.fromkeys([state, *make_dirs(fs, folder)])  # `runs` may have been made by somebody killed since
    for entry, data in zip(manifest.files, originals, strict=True):
        if entry.backup is None or data is None:
            continue
        path = folder.joinpath(*PurePosixPath(entry.backup).parts)
        dirty |= dict.fromkeys(make_dirs(fs, path.parent))
        _write_new(fs, path, data)
        dirty[path.parent] = None
    _write_new(fs, folder / layout.WRITTEN, written)
    for path in dirty | {folder: None}:
        fs.sync_dir(path)
    _write_document(fs, folder / layout.MANIFEST, document)
    fs.sync_dir(folder)
    return Run(folder, manifest, None)


class Unconfirmed(OSError):
    """The outcome stands on the disk, and the disk does not confirm that it will after a power loss."""


def end(fs: FileSystem, run: Run, ending: RunEnding, results: Sequence[Result], now: datetime) -> Run:
    """Write the outcome. Its name on the disk is the commit point.

    A rename may take effect and then report an error, so what counts is what stands there: OSError says that no outcome
    does, `Unconfirmed` that it does.
    """
    outcome = Outcome(SCHEMA, run.run_id, ending, utc_text(now), tuple(results))
    _end(fs, run.folder, outcome)
    return Run(run.folder, run.manifest, outcome, run.pruned)


def set_aside(fs: FileSystem, run: Damaged, now: datetime) -> None:
    """End a run whose manifest is invalid, so that it stops no later one. Nothing else of it is touched."""
    _end(fs, run.folder, Outcome(SCHEMA, run.run_id, RunEnding.SET_ASIDE, utc_text(now), ()))


def _end(fs: FileSystem, folder: Path, outcome: Outcome) -> None:
    path = folder / layout.OUTCOME
    document = encode(outcome)
    try:
        _write_document(fs, path, document)
    except OSError:
        if not _stands(fs, path, document):
            raise
    try:
        fs.sync_dir(folder)
    except OSError as error:
        raise Unconfirmed(error.errno, phrase(error), str(path)) from error


def _stands(fs: FileSystem, path: Path, data: bytes) -> bool:
    try:
        return fs.stat(path) is not None and fs.read(path) == data
    except OSError:
        return False


def discard(fs: FileSystem, folder: Path) -> None:
    """Remove a run's folder that never began, as far as the disk lets us."""
    try:
        remove_tree(fs, folder)
    except OSError:
        return


def remove_tree(fs: FileSystem, folder: Path) -> None:
    """Remove a folder of ours with everything in it; of a link only the link."""
    for name in fs.list_dir(folder):
        path = folder / name
        found = fs.stat(path)
        if found is not None and found.is_dir:
            remove_tree(fs, path)
        else:
            fs.remove(path)
    fs.remove_dir(folder)


def load(fs: FileSystem, state: Path, run_id: str) -> Run | Abandoned | Damaged:
    """Read one run back."""
    folder = layout.run_dir(state, run_id)
    name = layout.MANIFEST
    try:
        found = fs.stat(folder)
        if found is None or not found.is_dir:
            return Damaged(folder, run_id, "it is not a folder")
        if fs.stat(folder / layout.MANIFEST) is None:
            return Abandoned(folder, run_id)
        manifest = decode(fs.read(folder / layout.MANIFEST), Manifest)
        if manifest.run_id != run_id:
            raise DocumentDamaged(f"it names the run {manifest.run_id}")
        outcome, name = None, layout.OUTCOME
        if fs.stat(folder / layout.OUTCOME) is not None:
            outcome = decode(fs.read(folder / layout.OUTCOME), Outcome)
            if (outcome.run_id, len(outcome.results)) != (run_id, len(manifest.files)):
                raise DocumentDamaged(f"it does not fit {layout.MANIFEST}")
        return Run(folder, manifest, outcome, fs.stat(folder / layout.PRUNED) is not None)
    except DocumentDamaged as error:
        return Damaged(folder, run_id, f"{name}: {error}")
    except OSError as error:
        return Damaged(folder, run_id, f"{name}: {phrase(error)}", disk=not isinstance(error, Fenced))


def unended(fs: FileSystem, state: Path) -> list[str]:
    """The runs that began and did not end, oldest first. Only names are looked at."""
    found = []
    for run_id in layout.run_ids(state, fs):
        folder = layout.run_dir(state, run_id)
        kind = fs.stat(folder)
        if kind is None or not kind.is_dir:
            continue
        if fs.stat(folder / layout.OUTCOME) is None and fs.stat(folder / layout.MANIFEST) is not None:
            found.append(run_id)
    return found


def load_all(fs: FileSystem, state: Path) -> tuple[Run | Abandoned | Damaged, ...]:
    """Every run in the state folder, oldest first."""
    with state_readable(state):
        return tuple(load(fs, state, run_id) for run_id in layout.run_ids(state, fs))


class BackupDamaged(Exception):
    """A kept original is missing or does not have the hash of the manifest."""


def original(fs: FileSystem, run: Run, entry: Entry) -> bytes | None:
    """The kept original of one file, checked against its hash; None if the file did not exist."""
    if entry.backup is None:
        return None
    path = run.folder.joinpath(*PurePosixPath(entry.backup).parts)
    return _checked(fs, path, 0, None, entry.backup_sha256)


def piece(fs: FileSystem, run: Run, kept: Piece) -> bytes:
    """Bytes that the run keeps in `written.pack`, checked against their hash."""
    return _checked(fs, run.folder / layout.WRITTEN, kept.at, kept.size, kept.sha256)


def _checked(fs: FileSystem, path: Path, offset: int, size: int | None, expected: str | None) -> bytes:
    try:
        data = fs.read(path, offset, size)
    except OSError as error:
        raise BackupDamaged(f"{path} cannot be read ({phrase(error)})") from error
    if sha256(data) != expected:
        raise BackupDamaged(f"{path} does not have the hash that the manifest states")
    return data


def _write_new(fs: FileSystem, path: Path, data: bytes) -> None:
    with fs.create(path) as file:
        file.write(data)
        file.sync()


def _write_document(fs: FileSystem, path: Path, document: bytes) -> None:
    """The document under a temporary name, durable, then renamed: its name never stands for half of it."""
    temporary = path.with_name(path.name + ".tmp")
    found = fs.stat(temporary)
    if found is not None and found.is_dir:  # not ours: leave it, and take another name
        temporary = path.with_name(f"{path.name}.{secrets.token_hex(4)}.tmp")
    elif found is not None:
        fs.remove(temporary)
    _write_new(fs, temporary, document)
    fs.replace(temporary, path)
