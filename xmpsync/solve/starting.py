"""Closed-form answers: what each face asks for by itself, and from that one white per light group to start from."""

from __future__ import annotations

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.colour.match import settings_for_target
from xmpsync.solve.coordinate import xyz_from_z
from xmpsync.solve.settings import EV_RANGE, MIRED_RANGE, TINT_RANGE, SolveSettings
from xmpsync.solve.tables import BoolArray, IntArray, Table, members


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


def group_whites(table: Table, group: IntArray, skin_theta: FloatArray, own: FloatArray) -> FloatArray:
    """(F, 3): one white per light group (median of what its faces ask for), level by the exposure settings.

    `own` (F, 3): what a frame's body adds everywhere. A group with a fixed frame starts from that frame; one without
    faces from as-shot.
    """
    out = table.as_shot.copy()
    out[:, 2] = 0.0
    for rows in members(group, int(group.max(initial=-1)) + 1):
        ev = table.settings_ev[rows]
        coupled = bool(np.isfinite(ev).all()) and not table.flash[rows].any()
        shift = ev if coupled else np.zeros(len(rows))
        fixed = table.fixed[rows]
        known = rows[fixed] if fixed.any() else rows
        source = (table.baseline if fixed.any() else skin_theta)[known] - own[known]
        level = source[:, 2] + (shift[fixed] if fixed.any() else shift)
        good = np.isfinite(source).all(axis=1)
        if not good.any():
            continue
        out[rows, :2] = np.median(source[good, :2], axis=0) + own[rows, :2]
        out[rows, 2] = np.median(level[good]) - shift + own[rows, 2]
    out[:, 0] = np.clip(out[:, 0], *MIRED_RANGE)
    out[:, 1] = np.clip(out[:, 1], *TINT_RANGE)
    out[:, 2] = np.clip(out[:, 2], 2.0 * EV_RANGE[0], 2.0 * EV_RANGE[1])
    return np.where(table.fixed[:, None], table.baseline, out)
