"""The face mesh (468 points) inside a detection, and whether it can be trusted.

The model (Kartynnik et al., "Real-time Facial Surface Geometry from Monocular Video on Mobile GPUs", 2019) wants a
square crop of 1.5 face boxes with the eyes level. As its authors do from video frame to frame, the fit runs twice: the
second crop follows the first mesh rather than the detector's box, whose size wanders with the light.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from xmpsync.faces import runtime
from xmpsync.faces.pixels import warped
from xmpsync.faces.records import Detection, MeshFit, Picture

CROP_PX = 192
N_POINTS = 468

RIGHT_EYE = (33, 133)
"""Outer and inner corner of the person's right eye (picture left)."""
LEFT_EYE = (263, 362)
NOSE_TIP = 4
MOUTH_CORNERS = (61, 291)
OVAL_SIDES = (234, 454)
"""The face oval beside the person's right and left ear."""
OVAL_TOP_BOTTOM = (10, 152)


@dataclass(frozen=True, slots=True)
class MeshSettings:
    """When a mesh counts as reliable."""

    crop_per_box: float = 1.5
    """Side of the crop over the longer side of the face's box; what the model was trained with."""
    passes: int = 2
    """The first crop comes from the detector's box, the others from the mesh before."""
    score: float = 0.5
    """The model's belief (0..1) that a face is in the crop."""
    yaw_deg: float = 48.0
    """Beyond it the far cheek is hidden, and the mesh is wrong with a high score."""
    consistency: float = 0.12
    """Mean distance of the mesh from the detector's five points, in face heights; good fits are near 0.03."""
    face_px: float = 24.0
    """Height of the face below which fixed regions are guesswork. At 31 px (24 wide) they still give the colour to
    0.4 dE00 against a reference; the one rough place, other skin than the reference's regions, gives it to 1.8."""


class Mesh:
    """The mesh model, loaded at the first face. One per process."""

    def __init__(self, threads: int = 1, settings: MeshSettings | None = None) -> None:
        self._threads = threads
        self.settings = settings or MeshSettings()
        self._session: Any = None

    def fit(self, picture: Picture, detection: Detection) -> MeshFit:
        """The mesh of one detected face of an upright picture (h, w, 3)."""
        s = self.settings
        height, width = picture.shape[:2]
        size = np.array([width, height], dtype=np.float64)
        five = np.array(detection.points) * size
        box = detection.box
        centre = np.array(box.centre) * size
        side = s.crop_per_box * max(box.width * width, box.height * height)
        axis = five[1] - five[0]
        if np.hypot(*axis) < 0.05 * side:  # both eyes on one spot: a profile, its eye line says nothing
            axis = np.array([1.0, 0.0])
        points = np.zeros((N_POINTS, 3))
        score = 0.0
        for _ in range(s.passes):
            points, score = self._run(picture, centre, side, axis)
            flat = points[:, :2]
            axis = flat[list(LEFT_EYE)].mean(axis=0) - flat[list(RIGHT_EYE)].mean(axis=0)
            if np.hypot(*axis) < 1e-6 or score < s.score:
                break
            along = axis / np.hypot(*axis)
            in_face = np.stack([flat @ along, flat @ np.array([-along[1], along[0]])], axis=-1)
            low, high = in_face.min(axis=0), in_face.max(axis=0)
            middle = (low + high) / 2
            centre = middle[0] * along + middle[1] * np.array([-along[1], along[0]])
            side = s.crop_per_box * float((high - low).max())
        return self._judged(points, score, five, size)

    def _run(
        self, picture: Picture, centre: npt.NDArray[np.float64], side: float, axis: npt.NDArray[np.float64]
    ) -> tuple[npt.NDArray[np.float64], float]:
        """Mesh points (468, 3) in picture pixels (z on the same scale, smaller is nearer), and the model's belief."""
        step = max(side, 1.0) / CROP_PX
        cos, sin = axis / np.hypot(*axis) * step
        turn = np.array([[cos, -sin], [sin, cos]])
        picture_from_crop = np.column_stack([turn, centre - turn @ np.full(2, CROP_PX / 2)])
        crop = warped(picture, picture_from_crop, CROP_PX)
        if self._session is None:
            self._session = runtime.session(runtime.MESH_MODEL, self._threads)
        tensor = crop.transpose(2, 0, 1)[None].astype(np.float32) / 255.0
        raw, logit = self._session.run(None, {self._session.get_inputs()[0].name: tensor})
        in_crop = np.asarray(raw, dtype=np.float64).reshape(N_POINTS, 3)
        flat = in_crop[:, :2] @ turn.T + picture_from_crop[:, 2]
        belief = 1.0 / (1.0 + float(np.exp(-np.clip(np.asarray(logit).ravel()[0], -50, 50))))
        return np.column_stack([flat, in_crop[:, 2] * step]), belief

    def _judged(
        self,
        points: npt.NDArray[np.float64],
        score: float,
        five: npt.NDArray[np.float64],
        size: npt.NDArray[np.float64],
    ) -> MeshFit:
        s = self.settings
        flat = points[:, :2]
        face_px = max(float(np.hypot(*(flat[OVAL_TOP_BOTTOM[1]] - flat[OVAL_TOP_BOTTOM[0]]))), 1e-6)
        consistency = float(np.hypot(*(five_of(flat) - five).T).mean()) / face_px
        yaw = yaw_deg(points)
        reliable = score >= s.score and abs(yaw) <= s.yaw_deg and consistency <= s.consistency and face_px >= s.face_px
        return MeshFit(flat / size, score, yaw, consistency, face_px, reliable)


def five_of(points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """The detector's five points (5, 2) as the mesh (468, 2) sees them."""
    return np.stack(
        [
            points[list(RIGHT_EYE)].mean(axis=0),
            points[list(LEFT_EYE)].mean(axis=0),
            points[NOSE_TIP],
            points[MOUTH_CORNERS[0]],
            points[MOUTH_CORNERS[1]],
        ]
    )


def yaw_deg(points: npt.NDArray[np.float64]) -> float:
    """Turn of the head about its own vertical, degrees, from mesh points (468, 3); positive towards picture right."""
    right, left = points[OVAL_SIDES[0]], points[OVAL_SIDES[1]]
    across = left - right
    return float(np.degrees(np.arctan2(across[2], np.hypot(across[0], across[1]))))
