"""Which faces get their person's name written into a sidecar (`--write-regions`).

Only names that somebody gave: in a face region, with `people`, or with `--reference PERSON=FRAME`. Labels of the tool
stay where they are, and so does whoever is not known with probability 0.95. A face that is named in the metadata
already needs nothing; the reference frame and held ones are not touched.
"""

from __future__ import annotations

import re

from xmpsync.plan.standing import Standing
from xmpsync.solve.problem import Request
from xmpsync.solve.solution import Basis, FrameResult
from xmpsync.xmp.region_edit import FaceNames, NamedFace

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
