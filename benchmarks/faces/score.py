"""What came out of one frame against its truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmarks.faces.portraits import Portrait
from benchmarks.faces.scenes import Frame, Truth
from xmpsync.faces.records import FoundFace
from xmpsync.skin.records import Region

MATCH_IOU = 0.35
"""Overlap of found and true box; the true ones end at chin and hairline, the detector's a little inside or outside."""


@dataclass(frozen=True)
class Outcome:
    """One true face. `drift`: mean distance of its fixed regions' polygons from where the portrait itself has them, in
    face heights; None where fixed regions were not given. `rough_inside`: a rough place lies inside the face."""

    row: str
    portrait: int
    tone: str
    light: str
    face_px: float
    found: bool
    reliable: bool = False
    drift: float | None = None
    rough_inside: bool | None = None
    identity: tuple[float, ...] | None = None
    identity_sd: float | None = None


def outcomes(
    row: str, made: Frame, found: tuple[FoundFace, ...], still: dict[int, FoundFace], people: tuple[Portrait, ...]
) -> tuple[list[Outcome], int]:
    """One outcome per true face, and how many found faces are none. `still`: the faces of the portraits themselves."""
    height, width = made.camera.shape[:2]
    free = list(found)
    result = []
    for truth in made.truth:
        pose = truth.pose
        known = (row, pose.portrait, pose.tone or "", made.shot.light, pose.face_px)
        best = max(free, key=lambda f: _iou(f, truth.box), default=None)
        if best is None or _iou(best, truth.box) < MATCH_IOU:
            result.append(Outcome(*known, found=False))
            continue
        free.remove(best)
        drift = (
            _drift(best, still[pose.portrait], truth, people[pose.portrait], (width, height)) if best.reliable else None
        )
        inside = None if best.reliable else _inside(best, truth)
        result.append(Outcome(*known, True, best.reliable, drift, inside, best.identity, best.identity_sd))
    return result, len(free)


def _iou(face: FoundFace, box: tuple[float, float, float, float]) -> float:
    left, top, right, bottom = box
    a = face.box
    w = min(a.left + a.width, right) - max(a.left, left)
    h = min(a.top + a.height, bottom) - max(a.top, top)
    inter = max(0.0, w) * max(0.0, h)
    return inter / (a.width * a.height + (right - left) * (bottom - top) - inter)


def _drift(face: FoundFace, still: FoundFace, truth: Truth, person: Portrait, size: tuple[int, int]) -> float:
    portrait_size = np.array([person.linear.shape[1], person.linear.shape[0]])
    places = {p.region: np.array(p.polygon) * portrait_size for p in still.places}
    moved = []
    for place in face.places:
        if place.region in places:
            matrix = truth.frame_from_portrait
            wanted = places[place.region] @ matrix[:, :2].T + matrix[:, 2]
            moved.append(np.hypot(*(np.array(place.polygon) * size - wanted).T).mean())
    return float(np.mean(moved)) / truth.pose.face_px


def _inside(face: FoundFace, truth: Truth) -> bool:
    left, top, right, bottom = truth.box
    points = np.concatenate([np.array(p.polygon) for p in face.places if p.region is Region.WHOLE])
    share = ((points > (left, top)) & (points < (right, bottom))).all(axis=1).mean()
    return bool(share > 0.9)
