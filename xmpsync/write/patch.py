"""A change inside a large file, undone by offset: the spans, their old and new bytes, and what lies outside them.

In place is not atomic: a crash may leave any part of a span new and the rest old. That mixture is recognised (every
byte is the old or the new one, and everything outside the spans is unchanged) and taken back from the kept old bytes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from xmpsync.disk.files import FileSystem
from xmpsync.write.manifest import PatchRecord, Span
from xmpsync.write.settings import DEFAULT


@dataclass(frozen=True, slots=True)
class Spliced:
    """At `offset`, the bytes `old` become `new`. Only a span at the end of the file may change length."""

    offset: int
    old: bytes
    new: bytes


@dataclass(frozen=True, slots=True)
class Patch:
    """All spans of one file, by rising offset, the file's length before and after, the hash of what lies outside.

    `old_packet` and `new_packet`: offset and size of the XMP packet before and after; each lies inside one span.
    """

    old_length: int
    new_length: int
    outside_sha256: str
    spans: tuple[Spliced, ...]
    old_packet: tuple[int, int] | None = None
    new_packet: tuple[int, int] | None = None

    def reversed(self) -> Patch:
        """The patch that takes this one back."""
        spans = tuple(Spliced(span.offset, span.new, span.old) for span in self.spans)
        return Patch(self.new_length, self.old_length, self.outside_sha256, spans, self.new_packet, self.old_packet)

    def record(self) -> PatchRecord:
        """The patch without its bytes."""
        spans = tuple(Span(span.offset, len(span.old), len(span.new)) for span in self.spans)
        return PatchRecord(
            self.old_length, self.new_length, self.outside_sha256, spans, self.old_packet, self.new_packet
        )

    def packet_before(self) -> bytes | None:
        """The XMP packet as it was; None if there was none."""
        return _inside(self.old_packet, [(span.offset, span.old) for span in self.spans])

    def packet_after(self) -> bytes | None:
        """The XMP packet that the patch writes; None if it takes the tag away again."""
        return _inside(self.new_packet, [(span.offset, span.new) for span in self.spans])

    @property
    def old_bytes(self) -> bytes:
        return b"".join(span.old for span in self.spans)

    @property
    def new_bytes(self) -> bytes:
        return b"".join(span.new for span in self.spans)


def from_record(record: PatchRecord, old_bytes: bytes, new_bytes: bytes) -> Patch:
    """The patch again, from its record and the bytes that the run keeps."""
    spans, old_at, new_at = [], 0, 0
    for span in record.spans:
        old, new = old_bytes[old_at : old_at + span.old_size], new_bytes[new_at : new_at + span.new_size]
        spans.append(Spliced(span.offset, old, new))
        old_at, new_at = old_at + span.old_size, new_at + span.new_size
    return Patch(
        record.old_length, record.new_length, record.outside_sha256, tuple(spans), record.old_packet, record.new_packet
    )


def _inside(place: tuple[int, int] | None, spans: Iterable[tuple[int, bytes]]) -> bytes | None:
    if place is None:
        return None
    at, size = place
    for offset, data in spans:
        if offset <= at and at + size <= offset + len(data):
            return data[at - offset : at - offset + size]
    raise ValueError("the packet lies outside the spans")


class Condition(Enum):
    """How a file stands to a patch."""

    OLD = "old"
    NEW = "new"
    MIXED = "mixed"
    FOREIGN = "foreign"


def _chunks(fs: FileSystem, path: Path, start: int, stop: int) -> Iterator[bytes]:
    while start < stop:
        data = fs.read(path, start, min(DEFAULT.chunk_bytes, stop - start))
        if not data:
            return
        yield data
        start += len(data)


def file_sha256(fs: FileSystem, path: Path) -> str:
    """SHA-256 (hex) of a file of any size, read in pieces."""
    found = fs.stat(path)
    digest = hashlib.sha256()
    for data in _chunks(fs, path, 0, found.size if found else 0):
        digest.update(data)
    return digest.hexdigest()


def outside_sha256(fs: FileSystem, path: Path, length: int, spans: Iterable[tuple[int, int]]) -> str:
    """SHA-256 (hex) of the first `length` bytes without the spans `(offset, size)`, which come by rising offset."""
    digest, at = hashlib.sha256(), 0
    for offset, size in [*spans, (length, 0)]:
        for data in _chunks(fs, path, at, min(offset, length)):
            digest.update(data)
        at = offset + size
    return digest.hexdigest()


def patched_sha256(fs: FileSystem, path: Path, patch: Patch) -> str:
    """SHA-256 (hex) that the file will have once the patch is applied."""
    digest, at = hashlib.sha256(), 0
    for span in patch.spans:
        for data in _chunks(fs, path, at, span.offset):
            digest.update(data)
        digest.update(span.new)
        at = span.offset + len(span.old)
    for data in _chunks(fs, path, at, patch.old_length):
        digest.update(data)
    return digest.hexdigest()


def examine(fs: FileSystem, path: Path, patch: Patch) -> Condition:
    """Whether the file is old, new, a mixture that only our own crash explains, or somebody else's."""
    found = fs.stat(path)
    shortest, longest = sorted((patch.old_length, patch.new_length))
    if found is None or not shortest <= found.size <= longest:
        return Condition.FOREIGN
    covered = [(span.offset, max(len(span.old), len(span.new))) for span in patch.spans]
    if outside_sha256(fs, path, shortest, covered) != patch.outside_sha256:
        return Condition.FOREIGN
    is_old, is_new = found.size == patch.old_length, found.size == patch.new_length
    for span in patch.spans:
        here = fs.read(path, span.offset, max(len(span.old), len(span.new)))
        is_old, is_new = is_old and here == span.old, is_new and here == span.new
        if not _is_mixture(here, span):
            return Condition.FOREIGN
    return Condition.OLD if is_old else Condition.NEW if is_new else Condition.MIXED


def _is_mixture(here: bytes, span: Spliced) -> bool:
    """Every byte the old or the new one; where one of them has ended, a zero (grown, not yet written) counts too."""
    common = min(len(span.old), len(span.new))
    longer = max(span.old, span.new, key=len)
    return all(byte in (span.old[at], span.new[at]) for at, byte in enumerate(here[:common])) and all(
        byte in (longer[common + at], 0) for at, byte in enumerate(here[common:])
    )


def apply(fs: FileSystem, path: Path, patch: Patch) -> None:
    """Write the new bytes, whatever mixture of old and new is there.

    What nothing points at yet comes first, pointers after it, and the file shrinks last; each part is synced before the
    next, so that a reader in between, or after a crash between parts, follows pointers to whole structures.
    """
    changed = [span for span in patch.spans if span.old != span.new]
    tail = [span for span in changed if span.offset >= patch.old_length]
    with fs.open_in_place(path) as file:
        if tail:
            for span in tail:
                file.write_at(span.offset, span.new)
            file.sync()
        for span in changed:
            if span.offset < min(patch.old_length, patch.new_length):
                file.write_at(span.offset, span.new)
        file.sync()
        if patch.new_length < patch.old_length:
            file.truncate(patch.new_length)
            file.sync()
