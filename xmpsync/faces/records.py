"""Frozen records of this room: detections, mesh fits, and the faces that come out.

All coordinates are fractions (0..1) of the upright picture, origin top left, x to the right, y down; a value may lie
a little outside for a face cut by the frame. "Left" and "right" of a face are the person's own.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

import numpy as np
import numpy.typing as npt

from xmpsync.records import Box, Vec2
from xmpsync.skin.records import Place

Picture = npt.NDArray[np.uint8]
"""uint8 (h, w, 3), RGB, upright."""

FivePoints = tuple[Vec2, Vec2, Vec2, Vec2, Vec2]
"""Eye, eye, nose tip, mouth corner, mouth corner; of each pair the person's right one (picture left) first."""


@dataclass(frozen=True, slots=True)
class Detection:
    """One face that the detector sees. `score` 0..1; `turn` says by how many quarter turns (anticlockwise) the picture
    had to be turned for the face to stand upright."""

    box: Box
    score: float
    points: FivePoints
    turn: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class MeshFit:
    """The face mesh of one face.

    `points` float64 (468, 2), fractions. `score` 0..1: the model's own belief that a face is there. `yaw_deg`: turn of
    the head, positive when the person looks towards the right edge of the picture. `consistency`: mean distance between
    the mesh and the detector's five points over the face's height. `face_px`: height of the face in pixels of the
    picture the mesh saw. `reliable`: near enough to frontal, consistent, and large enough for fixed facial regions.
    """

    points: npt.NDArray[np.float64]
    score: float
    yaw_deg: float
    consistency: float
    face_px: float
    reliable: bool


class NamedRegion(Protocol):
    """A face region from metadata: a name, or None, and its box in fractions of the upright picture."""

    @property
    def name(self) -> str | None: ...

    @property
    def box(self) -> Box: ...


@dataclass(frozen=True, slots=True)
class NamedBox:
    """A plain `NamedRegion`."""

    name: str | None
    box: Box


@dataclass(frozen=True, slots=True)
class Mark:
    """A point (and perhaps a box) that a person gave by hand: picks the face there, or marks a patch of skin."""

    x: float
    y: float
    name: str | None = None
    box: Box | None = None


class Origin(StrEnum):
    """Where a face comes from."""

    DETECTOR = "detector"
    REGION_AND_DETECTOR = "region-and-detector"
    REGION = "region"
    HAND = "hand"


@dataclass(frozen=True, slots=True)
class FoundFace:
    """One face of a frame, ready to be measured.

    `face_id` is stable under a re-run ("f1", "f2", ... from left to right; hand-made patches "h1", ...). `name` is from
    the region or the mark. `yaw_deg` is None where no mesh was fitted. `identity`: 128 numbers, or None where they are
    not wanted or the face is too small or turned for it; `identity_sd`: expected distance to the person's own. `box` is
    the detector's where it saw the face. `score` 0..1: what the looks found in sum; a low one may be no face
    (`xmpsync.solve.doubtful`).
    """

    face_id: str
    name: str | None
    box: Box
    origin: Origin
    score: float
    yaw_deg: float | None
    places: tuple[Place, ...]
    identity: tuple[float, ...] | None = None
    identity_sd: float | None = None
    reliable: bool = False
    marked: bool = False


@dataclass(frozen=True, slots=True)
class Search:
    """What `FaceFinder.search` has to say: the faces, and the regions it did not believe (with the reason)."""

    faces: tuple[FoundFace, ...]
    notes: tuple[str, ...] = ()
