"""Like with like: a face measured on the forehead alone against a reference measured on the cheeks.

One person's cheek and forehead differ by some 3.5 CIEDE2000 (cheeks redder, forehead browner), and not every region can
be measured in every frame. In ln camera values a region's colour is nearly the person's plus a constant of the region,

    ln c_ik = a_i + O_k,      chromaticity only (each minus its green part; level is the business of the lit side),

whatever the light. O_k comes from all faces of the shoot that show several regions, by medians in turn; it is
shrunk towards none where few faces tell. A face's colour, a weighted mean over the regions it shows, is then
carried to what it would be over all regions.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from xmpsync.colour.arrays import FloatArray
from xmpsync.skin.records import FaceSkin, Region
from xmpsync.solve.problem import Frame

BoolArray = npt.NDArray[np.bool_]
REGIONS = tuple(r for r in Region if r is not Region.WHOLE)
PRIOR_FACES = 6.0
"""Faces' worth of belief that a region is like the whole face."""
PASSES = 4


def corrections(faces: tuple[FaceSkin, ...]) -> FloatArray:
    """What to add to ln camera values (N, 3) of faces so that all stand for the same regions; green stays as it is."""
    n = len(faces)
    chroma = np.full((n, len(REGIONS), 3), np.nan)
    weight = np.zeros((n, len(REGIONS)))
    place = {region: k for k, region in enumerate(REGIONS)}
    parts = [
        (i, place[part.region], part.weight, part.camera)
        for i, face in enumerate(faces)
        for part in face.regions
        if part.region in place and min(part.camera) > 0
    ]
    if parts:
        row, region, weights, camera = zip(*parts, strict=True)
        log = np.log(np.array(camera))
        chroma[row, region] = log - log[:, 1:2]
        weight[row, region] = weights
    shown: npt.NDArray[np.bool_] = np.greater(weight, 0.0)
    several: BoolArray = np.asarray(np.count_nonzero(shown, axis=1) > 1)
    if not several.any():
        return np.zeros((n, 3))
    offset = np.zeros((len(REGIONS), 3))
    for _ in range(PASSES):
        w = np.where(several[:, None], weight, 0.0)
        a = np.nansum(w[..., None] * (chroma - offset), axis=1) / np.maximum(w.sum(axis=1), 1e-9)[:, None]
        for k in range(len(REGIONS)):
            rows = several & shown[:, k]
            if rows.any():
                count = float(rows.sum())
                offset[k] = np.median(chroma[rows, k] - a[rows], axis=0) * count / (count + PRIOR_FACES)
    total = weight.sum(axis=0)
    everywhere = (total[:, None] * offset).sum(axis=0) / total.sum()
    own = (weight[..., None] * offset).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)[:, None]
    return np.where(weight.sum(axis=1)[:, None] > 0.0, everywhere - own, 0.0)


def judged_camera(frames: tuple[Frame, ...]) -> dict[tuple[str, str], FloatArray]:
    """Linear camera values (3,) by (frame, face) as every printed figure judges them: carried to all regions."""
    faces = [
        (frame.frame_id, face.face_id, face.skin)
        for frame in frames
        for face in frame.faces
        if face.skin is not None and min(face.skin.camera) > 0
    ]
    if not faces:
        return {}
    camera = np.array([skin.camera for _, _, skin in faces]) * np.exp(corrections(tuple(skin for *_, skin in faces)))
    return {(frame, face): row for (frame, face, _), row in zip(faces, camera, strict=True)}
