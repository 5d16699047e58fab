"""Writing into the packet inside a DNG (`--embed-dng`): what changes, and keeping the measurement that stays good."""

from __future__ import annotations

import hashlib
from pathlib import Path

from xmpsync.read.fingerprint import fingerprint
from xmpsync.shoot.request import Standing
from xmpsync.store.database import FileKey, Store
from xmpsync.tiff_layout import MAX_LENGTH
from xmpsync.write.dng_structure import EmbedRefused
from xmpsync.write.plan import ChangeKind, FileChange
from xmpsync.xmp.edit import Change, from_embedded, new_sidecar, replace_in_place

DNG = ".dng"


def is_dng(raw: Path) -> bool:
    """Whether a packet can be written into this RAW, by its name."""
    return raw.suffix.lower() == DNG


def embedded_change(standing: Standing, change: Change, root: Path) -> tuple[FileChange, bytes] | None:
    """The change of the packet inside a DNG frame with the packet as it is now; None for other formats.

    EmbedRefused for a file larger than classic TIFF allows: it would be read to its end.
    """
    raw = standing.source.files.raw
    if not is_dng(raw):
        return None
    old = standing.measurement.embedded_xmp
    if old is None:
        new = new_sidecar(change)
    else:
        new = replace_in_place(old, change, len(old)) or from_embedded(old, change)
    if raw.stat().st_size > MAX_LENGTH:
        raise EmbedRefused(f"{raw.name} is larger than the 4 GB of a classic TIFF")
    with raw.open("rb") as file:
        before_sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    path = raw.relative_to(root).as_posix()
    return FileChange(path, ChangeKind.EMBEDDED, before_sha256, new), old or b""


def rekey_written(store: Store, root: Path, changes: tuple[FileChange, ...]) -> None:
    """Tell the store that these DNG files differ from the measured ones only in their packet."""
    for change in changes:
        if change.kind is ChangeKind.EMBEDDED:
            path = root / change.path
            stat = path.stat()
            store.rekey(FileKey(change.path, stat.st_size, stat.st_mtime_ns), fingerprint(path), change.after)
