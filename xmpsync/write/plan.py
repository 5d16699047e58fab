"""A plan: what a run would write, as pure data. A dry run prints it, a real run performs the same object."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Final, Literal

JsonObject = Mapping[str, Any]
"""JSON values only: str, int, float, bool, None, list, dict."""

Command = Literal["correct", "rollback"]
CORRECT: Final = "correct"
ROLLBACK: Final = "rollback"


class ChangeKind(StrEnum):
    """Which journal rule a change follows."""

    SIDECAR = "sidecar"
    """A whole small file: replaced atomically, created, or (in a rollback) removed."""
    EMBEDDED = "embedded"
    """A DNG's own XMP packet: written in place or appended, undone by offset."""

    @property
    def suffix(self) -> str:
        """What the name of such a file ends in, whatever its case."""
        return ".dng" if self is ChangeKind.EMBEDDED else ".xmp"


@dataclass(frozen=True, slots=True)
class FileChange:
    """One file to change.

    Parameters
    ----------
    path
        Relative to SHOOT, with `/`. Undecodable bytes of a name as Python's surrogate escapes.
    before_sha256
        Hash (hex) of the file's bytes that the change was made from; None: there was no file.
    after
        SIDECAR: the new bytes; None removes the file. EMBEDDED: the new packet; None takes back `undo_of`'s spans.
    note
        JSON values kept in the manifest: the original baseline, values before and after.
    undo_of
        EMBEDDED in a rollback: the run whose spans are put back.
    basis
        The embedded packet that a new sidecar began as: a later rollback field by field goes back to its values.
    """

    path: str
    kind: ChangeKind
    before_sha256: str | None
    after: bytes | None
    note: JsonObject = field(default_factory=dict)
    undo_of: str | None = None
    basis: bytes | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """All changes of one run. `options` is what later commands remember; `undoes` names the run a rollback takes back.

    `whole` is False for a rollback of chosen frames only.
    """

    changes: tuple[FileChange, ...]
    options: JsonObject = field(default_factory=dict)
    tool_version: str = ""
    command: Command = CORRECT
    undoes: str | None = None
    whole: bool = True


def sha256(data: bytes) -> str:
    """SHA-256 of bytes, as lower-case hex."""
    return hashlib.sha256(data).hexdigest()
