"""Closed-form answers: what each face asks for by itself."""

from __future__ import annotations

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.colour.match import settings_for_target
from xmpsync.records import TINT_RANGE
from xmpsync.solve.coordinate import xyz_from_z
from xmpsync.solve.settings import MIRED_RANGE, SolveSettings
from xmpsync.solve.tables import BoolArray, Table


def wanted(table: Table, target_z: FloatArray) -> FloatArray:
    """(N, 3): mired, tint, EV that bring each face exactly to its target (N, 3) or (3,); NaN where nothing does."""
    out = np.full((table.n_faces, 3), np.nan)
    xyz = np.broadcast_to(xyz_from_z(target_z), (table.n_faces, 3))
    for profile, view in zip(table.profiles, table.views, strict=True):
        faces = view.faces
        if len(faces):
            kelvin, tint, ev = settings_for_target(profile, table.face_camera[faces], xyz[faces])
            out[faces] = np.stack([1e6 / kelvin, tint, ev - table.baseline_exposure[table.face_frame[faces]]], axis=1)
    return out


def beyond(table: Table, asked: FloatArray, target_z: FloatArray, s: SolveSettings) -> BoolArray:
    """Faces (N,) that no white balance in the fields' ranges brings near skin: near-monochrome stage light.

    A face that asks for more than the range is tried at the end of it (and where nothing answers, at both ends).
    """
    low, high = np.array([MIRED_RANGE[0], TINT_RANGE[0]]), np.array([MIRED_RANGE[1], TINT_RANGE[1]])
    solved: BoolArray = np.asarray(np.isfinite(asked).all(axis=1))
    inside: BoolArray = solved & ((asked[:, :2] >= low) & (asked[:, :2] <= high)).all(axis=1)
    doubtful = np.flatnonzero(~inside)
    out = np.zeros(table.n_faces, dtype=bool)
    if not len(doubtful):
        return out
    best = np.full(len(doubtful), np.inf)
    corners = [(m, t) for m in MIRED_RANGE for t in (TINT_RANGE[0], 0.0, TINT_RANGE[1])]
    limited = np.clip(np.where(solved[:, None], asked[:, :2], np.nan), low, high)
    for corner in [None, *corners]:
        theta = table.baseline.copy()
        for row in doubtful:
            if corner is not None:
                theta[table.face_frame[row], :2] = corner
            elif solved[row]:
                theta[table.face_frame[row], :2] = limited[row]
        off = table.faces_at_rows(theta, doubtful).z - target_z
        best = np.minimum(best, np.hypot(off[:, 0], off[:, 1]))
    out[doubtful] = best > s.beyond_z
    return out


def frame_means(table: Table, asked: FloatArray) -> FloatArray:
    """(F, 3): mean of what a frame's faces ask for, NaN without one."""
    good = np.isfinite(asked).all(axis=1)
    sums, counts = np.zeros((table.n_frames, 3)), np.zeros(table.n_frames)
    np.add.at(sums, table.face_frame[good], asked[good])
    np.add.at(counts, table.face_frame[good], 1.0)
    return np.where(counts[:, None] > 0, sums / np.maximum(counts, 1.0)[:, None], np.nan)


def inside(whites: FloatArray) -> FloatArray:
    """Whites (..., 2) kept inside the ranges of the fields."""
    low, high = (MIRED_RANGE[0], TINT_RANGE[0]), (MIRED_RANGE[1], TINT_RANGE[1])
    return np.clip(whites, low, high)
