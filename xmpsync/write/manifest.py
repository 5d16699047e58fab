"""The two small JSON documents of a run: the manifest (what it will do) and the outcome (that it ended, and how).

Both are read back from a folder that may come from anybody, so this module is their whole schema: types, lengths and
ranges stand in the fields; `problems` adds what a type cannot say. A new field needs a type here, and a default if
documents without it must still be read.

JSON is written in ASCII: a name that is not valid Unicode keeps its bytes as `\\udc80`..`\\udcff` escapes, which read
back as the same name.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from enum import StrEnum
from typing import Annotated, Any, Final, Literal, TypeVar

import msgspec
from msgspec import Meta

from xmpsync.disk.paths import is_hidden, why_not_inside
from xmpsync.write import layout
from xmpsync.write.plan import ChangeKind, Command

SCHEMA: Final = 1
MAX_BYTES = 48 << 20
"""Largest document that is read or written. An entry takes about 1.5 kB, so some 30,000 files in one run."""
MAX_PARTS = 2_000_000
"""Objects and lists in a document, about 12 for each file: more would take memory out of proportion to its bytes."""
MAX_DEPTH = 8
"""How deep options and notes nest; ours need three."""
MAX_NUMBER = 1e15
"""Size of the numbers in options and notes: far above temperatures and times, and exact as a float."""

Sha256 = Annotated[str, Meta(pattern="^[0-9a-f]{64}\\Z")]
RunId = Annotated[str, Meta(pattern="^[0-9]{4,9}-[0-9]{8}T[0-9]{6}Z\\Z")]
UtcTime = Annotated[str, Meta(pattern="^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}Z\\Z")]
FileLength = Annotated[int, Meta(ge=0, le=0xFFFF_FFFF)]
"""Bytes of a file with a packet inside: classic TIFF ends at 4 GiB."""
KeptSize = Annotated[int, Meta(ge=0, le=64 << 20)]
"""Bytes that a run keeps of one file: sidecars end at 8 MiB, packets at 64 MiB."""
PackOffset = Annotated[int, Meta(ge=0, le=1 << 40)]
Word = Annotated[str, Meta(max_length=200)]
RelativePath = Annotated[str, Meta(min_length=1, max_length=4096)]
JsonObject = dict[str, Any]


class Span(msgspec.Struct, frozen=True):
    """Bytes of a file that an embedded change touches: at `offset`, `old_size` bytes become `new_size` bytes."""

    offset: FileLength
    old_size: KeptSize
    new_size: KeptSize


class PatchRecord(msgspec.Struct, frozen=True):
    """An embedded change without its bytes: lengths of the file, hash of everything outside the spans, the spans.

    `old_packet` and `new_packet` say where in the file the packet lies (offset, size) before and after.
    """

    old_length: FileLength
    new_length: FileLength
    outside_sha256: Sha256
    spans: Annotated[tuple[Span, ...], Meta(min_length=1, max_length=16)]
    old_packet: tuple[FileLength, KeptSize] | None
    new_packet: tuple[FileLength, KeptSize] | None


class Piece(msgspec.Struct, frozen=True):
    """Bytes kept in `written.pack`."""

    at: PackOffset
    size: KeptSize
    sha256: Sha256


class Entry(msgspec.Struct, frozen=True):
    """One file of a run. `before_sha256`, `after_sha256` are of the whole file, None where there is none.

    `backup` is a path inside the run's folder; it holds the whole original of a sidecar, the changed bytes of a RAW.
    `written` are the bytes that the run wrote (of a RAW: the changed ones), `basis` the packet that a new sidecar began
    as. `packet_sha256` is of an embedded packet as written.
    """

    path: RelativePath
    kind: ChangeKind
    before_sha256: Sha256 | None
    after_sha256: Sha256 | None
    backup: RelativePath | None
    backup_sha256: Sha256 | None
    written: Piece | None
    basis: Piece | None
    packet_sha256: Sha256 | None
    patch: PatchRecord | None
    note: JsonObject


class Manifest(msgspec.Struct, frozen=True):
    """What a run is about to do. Once this document has its name on the disk, the run has begun."""

    schema: Literal[1]
    run_id: RunId
    command: Command
    tool_version: Word
    started_utc: UtcTime
    options: JsonObject
    undoes: RunId | None
    whole: bool
    files: Annotated[tuple[Entry, ...], Meta(max_length=200_000)]


class RunEnding(StrEnum):
    """How a run ended."""

    COMPLETE = "complete"
    RECOVERED = "recovered"
    SET_ASIDE = "set aside"
    """It did not end, and its manifest is invalid: nothing was taken back, and no later command asks again."""


class Fate(StrEnum):
    """What became of one file."""

    WRITTEN = "written"
    LEFT_ALONE = "left alone"
    TAKEN_BACK = "taken back"
    UNTOUCHED = "untouched"


class Result(msgspec.Struct, frozen=True):
    """What became of one file, and why if it was not written."""

    fate: Fate
    reason: Annotated[str, Meta(max_length=10_000)] = ""


class Outcome(msgspec.Struct, frozen=True):
    """That a run ended. `results` are in the order of the manifest's files. Its name is the commit point."""

    schema: Literal[1]
    run_id: RunId
    ending: RunEnding
    ended_utc: UtcTime
    results: Annotated[tuple[Result, ...], Meta(max_length=200_000)]


D = TypeVar("D", bound=msgspec.Struct)


class DocumentDamaged(ValueError):
    """A manifest or outcome that cannot be used: wrong JSON, wrong fields, or of a newer tool. The text is a phrase."""


def encode(document: Manifest | Outcome) -> bytes:
    """The document as indented ASCII JSON."""
    return json.dumps(msgspec.to_builtins(document), indent=1, allow_nan=False).encode("ascii") + b"\n"


def decode(data: bytes, kind: type[D]) -> D:
    """The document, checked field by field; DocumentDamaged if anything is wrong or it is of a newer schema."""
    if len(data) > MAX_BYTES or data.count(b"{") + data.count(b"[") > MAX_PARTS:
        raise DocumentDamaged("it is larger than any run of ours makes it")
    try:
        tree = json.loads(data.decode("utf-8"), parse_constant=_not_a_number)
        schema = tree.get("schema") if isinstance(tree, dict) else None
        if isinstance(schema, int) and schema > SCHEMA:
            raise DocumentDamaged(f"it is of a newer version of this tool (schema {schema:.6g})")
        document = msgspec.convert(tree, kind)
    except (ValueError, OverflowError, RecursionError, msgspec.ValidationError) as error:
        raise DocumentDamaged(str(error)[:500]) from error
    if isinstance(document, Manifest):
        for problem in problems(document):
            raise DocumentDamaged(problem)
    return document


def _not_a_number(word: str) -> float:
    raise ValueError(f"{word} is not a number of JSON")


def problems(manifest: Manifest) -> Iterator[str]:
    """What is wrong with a manifest beyond the types of its fields, a phrase each."""
    if manifest.undoes is not None and layout.run_number(manifest.undoes) >= layout.run_number(manifest.run_id):
        yield f"it undoes the later run {manifest.undoes}"
    yield from _odd_values(manifest.options, "the options", MAX_DEPTH)
    names = layout.backup_names(backup_of(entry.path, entry.kind) for entry in manifest.files)
    seen: set[str] = set()
    for entry, name in zip(manifest.files, names, strict=True):
        for what in _entry_problems(entry, name):
            yield f"the entry {entry.path!r} {what}"
        if entry.path in seen:
            yield f"the entry {entry.path!r} stands there twice"
        seen.add(entry.path)


def backup_of(path: str, kind: ChangeKind) -> str:
    """The name of a file's backup: the whole sidecar, or what changes inside a DNG."""
    return path + (layout.CHANGED_BYTES if kind is ChangeKind.EMBEDDED else "")


def why_no_target(path: str, kind: ChangeKind) -> str | None:
    """Why no run of ours writes to `path` (relative to SHOOT); None if one may. A phrase that follows the path."""
    why = why_not_inside(path)
    if why is not None:
        return why
    if is_hidden(path):
        return "is hidden, or lies in a hidden folder"
    return None if path.casefold().endswith(kind.suffix) else f"does not end in {kind.suffix}"


def _entry_problems(entry: Entry, backup: str) -> Iterator[str]:
    why = why_no_target(entry.path, entry.kind)
    if why is not None:
        yield why
    if entry.backup not in (None, backup):
        yield f"has its original in another place ({entry.backup!r})"
    if (entry.backup is None) != (entry.backup_sha256 is None):
        yield "has an original without its hash"
    if entry.kind is ChangeKind.EMBEDDED:
        if entry.patch is None or entry.backup is None or entry.written is None:
            yield "lacks what changed inside the file"
        else:
            yield from _patch_problems(entry.patch)
    elif entry.patch is not None or (entry.before_sha256 is None) != (entry.backup is None):
        yield "does not fit its kind"
    elif entry.before_sha256 != entry.backup_sha256:
        yield "has an original of other bytes than it states"
    yield from _odd_values(entry.note, "has a note that", MAX_DEPTH)


def _patch_problems(patch: PatchRecord) -> Iterator[str]:
    at, grown = 0, patch.new_length - patch.old_length
    for nth, span in enumerate(patch.spans):
        last = nth == len(patch.spans) - 1
        if span.offset < at or span.offset + span.old_size > patch.old_length:
            yield "has spans that overlap or lie outside the file"
        if span.new_size - span.old_size != (grown if last else 0):
            yield "has spans that do not fit its lengths"
        at = span.offset + span.old_size
    if grown and at != patch.old_length:
        yield "changes its length in the middle"
    for packet, size in ((patch.old_packet, "old_size"), (patch.new_packet, "new_size")):
        if packet is not None and not any(
            span.offset <= packet[0] and sum(packet) <= span.offset + getattr(span, size) for span in patch.spans
        ):
            yield "has a packet outside its spans"


def _odd_values(value: object, where: str, depth: int) -> Iterator[str]:
    """Values that no document of ours holds: too deep, too long, or numbers that no calculation takes."""
    if depth == 0:
        yield f"{where} nests too deep"
    elif isinstance(value, dict):
        for key, child in value.items():
            yield from _odd_values(key, where, 1)
            yield from _odd_values(child, where, depth - 1)
    elif isinstance(value, list):
        for child in value:
            yield from _odd_values(child, where, depth - 1)
    elif isinstance(value, str) and len(value) > 10_000:
        yield f"{where} holds a text of {len(value)} letters"
    elif isinstance(value, int | float) and not abs(value) < MAX_NUMBER:
        yield f"{where} holds a number beyond {MAX_NUMBER:.0e}"
