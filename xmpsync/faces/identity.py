"""Whose face it is: 128 numbers per face, and how far they may lie from the person's own.

The network is dlib's residual network (King, "dlib_face_recognition_resnet_model_v1", released as CC0), run as ONNX. It
was trained on chips of 150 pixels in which five points of the face lie where they lie on the mean face; so each face is
cut out that way, with the mesh's points unrounded. Whether two vectors are one person is decided by the solver
(`xmpsync.solve.likeness`): distances of one person and of different people overlap, the more so the smaller, the more
blurred and the noisier the faces are. What that does to a vector is estimated here (`identity_sd`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from xmpsync.faces import runtime
from xmpsync.faces.pixels import warped
from xmpsync.faces.quality import identity_sd
from xmpsync.faces.records import MeshFit, Picture

CHIP_PX = 150

# Left eye's outer and inner corner, right eye's outer and inner corner, base of the nose (left is the person's own).
CHIP_POINTS = (263, 362, 33, 133, 2)
# Where they lie on the mean face, in parts of its box (dlib, get_face_chip_details); checked against dlib's chips.
MEAN_FACE = np.array(
    [
        [0.8595674595992, 0.2134981538014],
        [0.6460604764104, 0.2289674387677],
        [0.1205750620789, 0.2137274526848],
        [0.3340850613712, 0.2290642403242],
        [0.4901123135679, 0.6277975316475],
    ]
)
PADDING = 0.25
"""Room around that box on each side, in parts of it: what the network was trained with (same source)."""

Vector = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Known:
    """The identity of one face: 128 numbers, and the expected distance (no unit) to the person's own."""

    vector: Vector
    sd: float


class Identity:
    """The identity model, loaded at the first face. One per process; `threads` for onnxruntime."""

    def __init__(self, threads: int = 1) -> None:
        self._threads = threads
        self._session: Any = None

    def known(self, picture: Picture, fits: Sequence[MeshFit]) -> tuple[Known, ...]:
        """One `Known` per fit, all faces of an upright picture (h, w, 3) in one call of the network."""
        if not fits:
            return ()
        chips = [chip(picture, fit) for fit in fits]
        vectors = self.vectors(chips)
        return tuple(
            Known(tuple(float(v) for v in vector), identity_sd(one, fit.face_px))
            for vector, one, fit in zip(vectors, chips, fits, strict=True)
        )

    def vectors(self, chips: Sequence[Picture]) -> npt.NDArray[np.float32]:
        """(n, 128) of chips (150, 150, 3); not normalised, compare with `distance`."""
        if self._session is None:
            self._session = runtime.session(runtime.IDENTITY_MODEL, self._threads)
        rgb = np.stack(chips).transpose(0, 3, 1, 2).astype(np.float32)
        (numbers,) = self._session.run(None, {"rgb": np.ascontiguousarray(rgb)})
        return np.asarray(numbers, dtype=np.float32)


def chip(picture: Picture, fit: MeshFit) -> Picture:
    """The face as the network wants it: 150 pixels, the five points on the mean face's; outside the picture black."""
    height, width = picture.shape[:2]
    points = fit.points[list(CHIP_POINTS)] * (width, height)
    on_chip = (PADDING + MEAN_FACE) / (2 * PADDING + 1) * CHIP_PX
    return warped(picture, similarity(on_chip, points), CHIP_PX)


def similarity(source: npt.NDArray[np.float64], target: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """(2, 3): the turn, scale and shift that bring points `source` (n, 2) nearest to `target` (least squares)."""
    a, b = source - source.mean(axis=0), target - target.mean(axis=0)
    power = float((a**2).sum())
    cos = float((a * b).sum()) / power
    sin = float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()) / power
    turn = np.array([[cos, -sin], [sin, cos]])
    return np.column_stack([turn, target.mean(axis=0) - turn @ source.mean(axis=0)])


def distance(a: Sequence[float], b: Sequence[float]) -> float:
    """Euclidean distance of two identity vectors."""
    return float(np.linalg.norm(np.asarray(a) - np.asarray(b)))
