"""The two small JSON documents of a run: the manifest (what it will do) and the outcome (that it ended, and how).

JSON is written in ASCII: a name that is no valid Unicode keeps its bytes as `\\udc80`..`\\udcff` escapes, which read
back as the same name.
"""

from __future__ import annotations

import json
from enum import StrEnum
from typing import Any, TypeVar

import msgspec

SCHEMA = 1


class Span(msgspec.Struct, frozen=True):
    """Bytes of a file that an embedded change touches: at `offset`, `old_size` bytes become `new_size` bytes."""

    offset: int
    old_size: int
    new_size: int


class PatchRecord(msgspec.Struct, frozen=True):
    """An embedded change without its bytes: lengths of the file, hash of everything outside the spans, the spans.

    `old_packet` and `new_packet` say where in the file the packet lies (offset, size) before and after.
    """

    old_length: int
    new_length: int
    outside_sha256: str
    spans: tuple[Span, ...]
    old_packet: tuple[int, int] | None
    new_packet: tuple[int, int] | None


class Piece(msgspec.Struct, frozen=True):
    """Bytes kept in `written.pack`."""

    at: int
    size: int
    sha256: str


class Entry(msgspec.Struct, frozen=True):
    """One file of a run. `before_sha256`, `after_sha256` are of the whole file, None where there is none.

    `backup` is a path inside the run's folder; it holds the whole original of a sidecar, the changed bytes of a RAW.
    `written` are the bytes that the run wrote (of a RAW: the changed ones), `basis` the packet that a new sidecar began
    as. `packet_sha256` is of an embedded packet as written.
    """

    path: str
    kind: str
    before_sha256: str | None
    after_sha256: str | None
    backup: str | None
    backup_sha256: str | None
    written: Piece | None
    basis: Piece | None
    packet_sha256: str | None
    patch: PatchRecord | None
    note: dict[str, Any]


class Manifest(msgspec.Struct, frozen=True):
    """What a run is about to do. Once this document has its name on the disk, the run has begun."""

    schema: int
    run_id: str
    command: str
    tool_version: str
    started_utc: str
    options: dict[str, Any]
    undoes: str | None
    whole: bool
    files: tuple[Entry, ...]


class Ending(StrEnum):
    """How a run ended."""

    COMPLETE = "complete"
    RECOVERED = "recovered"


class Fate(StrEnum):
    """What became of one file."""

    WRITTEN = "written"
    LEFT_ALONE = "left alone"
    TAKEN_BACK = "taken back"
    UNTOUCHED = "untouched"


class Result(msgspec.Struct, frozen=True):
    """What became of one file, and why if it was not written."""

    fate: Fate
    reason: str = ""


class Outcome(msgspec.Struct, frozen=True):
    """That a run ended. `results` are in the order of the manifest's files. Its name is the commit point."""

    schema: int
    run_id: str
    ending: Ending
    ended_utc: str
    results: tuple[Result, ...]


D = TypeVar("D", bound=msgspec.Struct)


class DocumentDamaged(ValueError):
    """A manifest or outcome that cannot be read: wrong JSON, wrong fields, or of a newer tool."""


def encode(document: Manifest | Outcome) -> bytes:
    """The document as indented ASCII JSON."""
    return json.dumps(msgspec.to_builtins(document), indent=1, allow_nan=False).encode("ascii") + b"\n"


def decode(data: bytes, kind: type[D]) -> D:
    """The document, checked field by field; DocumentDamaged if anything is wrong or it is of a newer schema."""
    try:
        tree = json.loads(data.decode("utf-8"))
        schema = tree.get("schema") if isinstance(tree, dict) else None
        if isinstance(schema, int) and schema > SCHEMA:
            raise DocumentDamaged(f"it is of a newer version of this tool (schema {schema})")
        return msgspec.convert(tree, kind)
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError, msgspec.ValidationError) as error:
        raise DocumentDamaged(str(error)) from error
