"""Faces that may be none: a weak detection that is like nobody moves no frame.

A flower or a cow in the picture can pass every look for faces, and its colour is not far from skin. Taken for a guest
it would set level and white balance of its frame alone. So a face that the looks were not sure of gives no colour,
unless something else vouches for it: a name, a region, a mark, a reference, or a face of another frame that was surely
seen and is likely the same person. Such a face is listed with `perhaps-no-face`; its frame follows its light, or its
other faces.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np

from xmpsync.measurement import Face
from xmpsync.skin.records import Unusable
from xmpsync.solve.likeness import log_likelihood_ratio, usual_sd
from xmpsync.solve.problem import Frame

SURE = 0.6
"""Score from which a face is one. Of 966 false candidates in composed frames the surest had 0.44, of three animals and
machines in photographs 0.54; of faces that are no more than candidates at first nearly nine in ten have more."""
BY_DETECTOR = "detector"
"""Origin of a face that no region and no hand vouches for."""


def without_doubtful(frames: Sequence[Frame], references: Collection[str]) -> tuple[Frame, ...]:
    """The frames, doubtful faces without skin. `references`: frames whose faces stay as they are."""
    found = [
        (f.frame_id, face) for f in frames if f.frame_id not in references for face in f.faces if is_doubtful(face)
    ]
    if not found:
        return tuple(frames)
    sure = [(f.frame_id, face) for f in frames for face in f.faces if face.identity is not None and is_sure(face)]
    aside = {(frame_id, face.face_id) for frame_id, face in found if not _has_partner(frame_id, face, sure)}
    return tuple(_without(frame, aside) for frame in frames)


def is_sure(face: Face) -> bool:
    """Whether the detector was sure, or somebody vouches for the face."""
    return face.score >= SURE or face.origin != BY_DETECTOR or face.name is not None


def is_doubtful(face: Face) -> bool:
    """Whether the face would count although it may be none."""
    return face.skin is not None and not is_sure(face)


def _has_partner(frame_id: str, face: Face, sure: Sequence[tuple[str, Face]]) -> bool:
    """Whether a sure face of another frame is likelier the same person than somebody else."""
    others = [other for other_id, other in sure if other_id != frame_id]
    if face.identity is None or not others:
        return False
    distance = np.linalg.norm(np.array([o.identity for o in others]) - np.array(face.identity), axis=1)
    good = usual_sd()
    n_seen = np.array([(good / (o.identity_sd or good)) ** 2 for o in others])
    return bool((log_likelihood_ratio(distance, face.identity_sd or good, n_seen) > 0.0).any())


def _without(frame: Frame, aside: Collection[tuple[str, str]]) -> Frame:
    if not any((frame.frame_id, face.face_id) in aside for face in frame.faces):
        return frame
    faces = (
        replace(face, skin=None, unusable=Unusable.PERHAPS_NO_FACE) if (frame.frame_id, face.face_id) in aside else face
        for face in frame.faces
    )
    return replace(frame, faces=tuple(faces))
