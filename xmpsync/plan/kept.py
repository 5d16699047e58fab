"""What the store keeps of frames whose files a run of ours wrote: their measurements stay good."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from xmpsync.errors import SidecarMalformed
from xmpsync.measurement import FrameMeasurement, MarkedPlace
from xmpsync.measuring.frames import face_key, regions_of
from xmpsync.measuring.source import SourceFrame
from xmpsync.plan.propose import Wish
from xmpsync.read.fingerprint import fingerprint
from xmpsync.store.database import FileKey, Store
from xmpsync.write.plan import ChangeKind, FileChange
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.regions import read_regions


def rekey_written(store: Store, root: Path, changes: tuple[FileChange, ...]) -> None:
    """Tell the store that these DNG files differ from the measured ones only in their packet."""
    for change in changes:
        if change.kind is ChangeKind.EMBEDDED:
            path = root / change.path
            stat = path.stat()
            store.rekey(FileKey(change.path, stat.st_size, stat.st_mtime_ns), fingerprint(path), change.after)


def keep_measured(
    store: Store,
    wishes: Iterable[Wish],
    changes: Iterable[FileChange],
    marks: tuple[MarkedPlace, ...],
    *,
    told_apart: bool,
) -> None:
    """The measurements of frames whose regions a run of ours wrote stay good: the names are added to their faces."""
    written = {change.path: change.after for change in changes if change.kind is ChangeKind.SIDECAR}
    rows: list[tuple[FileKey, str, str, FrameMeasurement]] = []
    for wish in wishes:
        after, named = written.get(wish.row.sidecar), wish.change.names
        if after is None or named is None:
            continue
        source = wish.standing.source
        try:
            regions = read_regions(Packet.parse(after))
        except SidecarMalformed:
            continue
        raw, own = source.files.raw, tuple(m for m in marks if m.frame_id == source.frame_id)
        stat = raw.stat()
        key = FileKey(source.frame_id, stat.st_size, stat.st_mtime_ns)
        before = face_key(regions_of(source, wish.standing.measurement.embedded_xmp), own, told_apart=told_apart)
        stored = store.get(key, before, None)
        if stored is None:
            continue
        there = {region.name for region in regions.faces}
        names = {face.box: face.name for face in named.faces if face.name in there}
        faces = tuple(replace(face, name=names.get(face.box, face.name)) for face in stored.faces)
        now = SourceFrame(source.files, after, None, regions)
        rows.append(
            (
                key,
                face_key(regions_of(now, None), own, told_apart=told_apart),
                fingerprint(raw),
                replace(stored, faces=faces),
            )
        )
    if rows:
        store.put_all(rows)
