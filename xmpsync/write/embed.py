"""The packet in a DNG's XMP tag, written as a patch: in place when it fits, otherwise appended and repointed."""

from __future__ import annotations

import struct
from pathlib import Path

from xmpsync.disk.files import FileStat, FileSystem
from xmpsync.tiff_layout import (
    BYTE,
    ENTRY_SIZE,
    INLINE,
    MAX_LENGTH,
    Directory,
    TiffEntry,
    directory_bytes,
    entry_bytes,
)
from xmpsync.write import journal, patch
from xmpsync.write.dng_structure import XMP_TAG, EmbedRefused, check_apart, first_directory, packet_entry
from xmpsync.write.journal import BackupDamaged, Run, phrase
from xmpsync.write.manifest import Entry, Fate, Result
from xmpsync.write.patch import Condition, Patch, Spliced, from_record, outside_sha256
from xmpsync.write.plan import ChangeKind, FileChange
from xmpsync.write.target import ChangedMeanwhile, HalfWritten, Prepared, Present, Unwritable, compare

TOO_LARGE = "it is larger than the 4 GB of a classic TIFF"
OTHER_NAMES = "it has other names (hard links), which would change with it"


class EmbeddedPacket:
    """`write.target.Target` of packets inside DNG files."""

    renames = False
    no_packet = "it was changed since, and there is no packet to put our fields back into"

    def why_not(self, found: FileStat) -> str | None:
        return OTHER_NAMES if found.n_names > 1 else None

    def check_structure(self, fs: FileSystem, path: Path) -> None:
        check_structure(fs, path)

    def look(self, fs: FileSystem, path: Path) -> Present:
        found = fs.stat(path)
        if found is not None and found.size > MAX_LENGTH:
            raise Unwritable(TOO_LARGE)
        return Present(
            None if found is None else patch.file_sha256(fs, path),
            lambda: None if found is None else read_packet(fs, path),
        )

    def prepare(self, fs: FileSystem, path: Path, change: FileChange, state: Path) -> Prepared | None:
        compare(change, self.look(fs, path).sha256)
        made = _undoing(fs, change, state) if change.after is None else make_patch(fs, path, change.after)
        if made.old_bytes == made.new_bytes:
            return None
        return Prepared(made.old_bytes, made.new_bytes, patch.patched_sha256(fs, path, made), made)

    def write(self, fs: FileSystem, path: Path, prepared: Prepared, before_sha256: str | None, temporary: Path) -> bool:
        made = prepared.patch
        assert made is not None  # of every embedded change
        if patch.file_sha256(fs, path) != before_sha256:
            raise ChangedMeanwhile
        try:
            patch.apply(fs, path, made)
        except OSError as error:
            try:
                if patch.examine(fs, path, made) is not Condition.OLD:
                    patch.apply(fs, path, made.reversed())
            except OSError:
                raise HalfWritten(error.errno, phrase(error), str(path)) from error
            raise
        return True

    def take_back(self, fs: FileSystem, path: Path, run: Run, entry: Entry, temporary: Path) -> Result:
        made = kept_patch(fs, run, entry)
        found = fs.stat(path)
        if found is not None and found.n_names > 1:
            return Result(Fate.LEFT_ALONE, OTHER_NAMES)
        try:
            condition = patch.examine(fs, path, made)
        except OSError as error:
            return Result(Fate.LEFT_ALONE, f"it cannot be read: {phrase(error)}")
        if condition is Condition.OLD:
            return Result(Fate.UNTOUCHED)
        if condition is Condition.FOREIGN:
            return Result(Fate.LEFT_ALONE, "it was changed by somebody else since")
        patch.apply(fs, path, made.reversed())
        return Result(Fate.TAKEN_BACK)

    def undo(self, fs: FileSystem, run: Run, entry: Entry, now_sha256: str | None) -> FileChange | None:
        if now_sha256 is None:
            return None
        return FileChange(entry.path, ChangeKind.EMBEDDED, now_sha256, None, undo_of=run.run_id)

    def packets(self, fs: FileSystem, run: Run, entry: Entry) -> tuple[bytes | None, bytes | None]:
        made = kept_patch(fs, run, entry)
        return made.packet_before(), made.packet_after()


def _undoing(fs: FileSystem, change: FileChange, state: Path) -> Patch:
    """The patch that takes back what the run `change.undo_of` changed in the file."""
    run = journal.load(fs, state, change.undo_of or "")
    if isinstance(run, Run):
        for entry in run.manifest.files:
            if entry.path == change.path and entry.kind is change.kind:
                return kept_patch(fs, run, entry).reversed()
    raise Unwritable(f"the run {change.undo_of} does not say what it changed in this file")


def read_packet(fs: FileSystem, path: Path) -> bytes | None:
    """The bytes of the file's XMP tag; None if its first directory has none. EmbedRefused for odd structures."""
    length = _length(fs, path)
    xmp = packet_entry(first_directory(lambda at, size: fs.read(path, at, size), length, path.name))
    return None if xmp is None else _value(fs, path, xmp)


def check_structure(fs: FileSystem, path: Path) -> Directory:
    """The first directory of a file whose packet can be written safely; EmbedRefused otherwise."""
    length = _length(fs, path)
    if length > MAX_LENGTH:
        raise EmbedRefused(f"{path.name}: {TOO_LARGE}")
    directory = first_directory(lambda at, size: fs.read(path, at, size), length, path.name)
    check_apart(lambda at, size: fs.read(path, at, size), directory, length, path.name)
    return directory


def make_patch(fs: FileSystem, path: Path, packet: bytes) -> Patch:
    """The patch that makes `packet` the file's XMP tag. Nothing is written.

    As long as the old packet or shorter: in place (a shorter one also lowers the tag's count). Longer: appended at
    the end of the file, the tag repointed. No tag yet: a copy of the first directory with the tag is appended too, and
    the header repointed. Old structures stay where they are, so every other tag and all image data keep their bytes.
    EmbedRefused if the structure is odd or the file would outgrow 4 GB.
    """
    length = _length(fs, path)
    directory = check_structure(fs, path)
    order, xmp = directory.order, packet_entry(directory)
    spans: list[Spliced] = []
    if len(packet) <= INLINE:
        raise EmbedRefused(f"{path.name}: a packet of {len(packet)} bytes is no packet")
    old_packet = None
    if xmp is not None:
        old_packet = (xmp.value_at, xmp.size)
    if xmp is not None and INLINE < xmp.size >= len(packet):
        old = _value(fs, path, xmp)
        spans.append(Spliced(xmp.value, old, packet + old[len(packet) :]))
        packet_at = xmp.value
        if xmp.count != len(packet):
            spans.append(_field(fs, path, xmp.at + 4, struct.pack(order + "I", len(packet))))
        new_length = length
    else:
        tail = bytes(length % 2) + packet  # values begin on an even byte (TIFF 6.0, section 2)
        packet_at = length + length % 2
        if xmp is not None:
            spans.append(_field(fs, path, xmp.at + 4, struct.pack(order + "II", len(packet), packet_at)))
            if xmp.size > INLINE:  # kept as it is, and in the journal, for a rollback field by field
                old = _value(fs, path, xmp)
                spans.append(Spliced(xmp.value, old, old))
        else:
            tail += bytes(len(packet) % 2)
            directory_at = length + len(tail)
            # as they stand in the file: values in the entry itself are not always one number
            entries = {one.tag: fs.read(path, one.at, ENTRY_SIZE) for one in directory.entries}
            entries[XMP_TAG] = entry_bytes(order, XMP_TAG, BYTE, len(packet), packet_at)
            tail += directory_bytes(order, (entries[tag] for tag in sorted(entries)), directory.next_at)
            spans.append(_field(fs, path, 4, struct.pack(order + "I", directory_at)))
        spans.append(Spliced(length, b"", tail))
        new_length = length + len(tail)
        if new_length > MAX_LENGTH:
            raise EmbedRefused(f"{path.name}: the file would outgrow the 4 GB of a classic TIFF")
    spans.sort(key=lambda span: span.offset)
    outside = outside_sha256(fs, path, length, [(span.offset, len(span.old)) for span in spans])
    return Patch(length, new_length, outside, tuple(spans), old_packet, (packet_at, len(packet)))


def _length(fs: FileSystem, path: Path) -> int:
    found = fs.stat(path)
    if found is None or not found.is_regular:
        raise EmbedRefused(f"{path.name}: there is no such file")
    return found.size


def _value(fs: FileSystem, path: Path, entry: TiffEntry) -> bytes:
    return fs.read(path, entry.value_at, entry.size)


def _field(fs: FileSystem, path: Path, at: int, new: bytes) -> Spliced:
    return Spliced(at, fs.read(path, at, len(new)), new)


def kept_patch(fs: FileSystem, run: Run, entry: Entry) -> Patch:
    """The patch that a run made, from its record and the bytes that the run keeps; BackupDamaged if they are lost."""
    old = journal.original(fs, run, entry)
    if entry.patch is None or entry.written is None or old is None:
        raise BackupDamaged(f"the manifest of {run.run_id} does not say what changed in {entry.path}")
    return from_record(entry.patch, old, journal.piece(fs, run, entry.written))
