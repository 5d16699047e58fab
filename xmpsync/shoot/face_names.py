"""Which faces get their person's name written into a sidecar (`--write-regions`), and what the store keeps of it.

Only names that somebody gave: in a face region, with `people`, or with `--reference PERSON=FRAME`. Labels of the tool
stay where they are, and so does whoever is not known with probability 0.95. A face that is named in the metadata
already needs nothing; the reference frame and held ones are not touched.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

from xmpsync.errors import SidecarMalformed
from xmpsync.measurement import FrameMeasurement, MarkedPlace
from xmpsync.measuring.frames import face_key, regions_of
from xmpsync.measuring.source import SourceFrame
from xmpsync.read.fingerprint import fingerprint
from xmpsync.shoot.request import Standing
from xmpsync.solve.problem import Request
from xmpsync.solve.solution import Basis, FrameResult
from xmpsync.store.database import FileKey, Store
from xmpsync.write.plan import ChangeKind, FileChange
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.region_edit import FaceNames, NamedFace
from xmpsync.xmp.regions import read_regions

if TYPE_CHECKING:
    from xmpsync.shoot.propose import Wish

_LABEL = re.compile(r"(person|somebody) \d+")
_UNTOUCHED = (Basis.REFERENCE, Basis.HELD)


def given_names(request: Request) -> frozenset[str]:
    """The names of people in this shoot that a person gave."""
    told = {face.name for frame in request.frames for face in frame.faces if face.name}
    told |= {reference.person for reference in request.references if reference.person}
    return frozenset(name for name in told if not _LABEL.fullmatch(name))


def names_to_write(standing: Standing, result: FrameResult, given: frozenset[str]) -> FaceNames | None:
    """The faces of a frame to name; None where there are none."""
    if result.basis in _UNTOUCHED:
        return None
    person = {face.face_id: face.person for face in result.faces}
    faces = [
        NamedFace(name, face.box)
        for face in standing.measurement.faces
        if face.name is None and not face.by_hand and (name := person.get(face.face_id)) in given and name
    ]
    capture = standing.measurement.capture
    if not faces or capture.width <= 0 or capture.height <= 0:
        return None
    size = capture.width, capture.height
    return FaceNames(tuple(faces), size[::-1] if capture.orientation >= 5 else size, capture.orientation)


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
