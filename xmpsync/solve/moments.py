"""Moments: bursts of frames that are one observation.

Frames of one burst share composition, exposure settings and the error of the camera's white; they are no independent
witnesses of their light, nor of a change of it. Neighbours in time of one body join where settings, white, scene and
the number of faces are the same up to noise. The faces of a moment are averaged for the colour of their light; each
frame keeps its own level.
"""

from __future__ import annotations

import numpy as np

from xmpsync.solve.settings import MomentSettings
from xmpsync.solve.tables import IntArray, Table


def moments(table: Table, s: MomentSettings) -> IntArray:
    """Moment number (F,) of every frame, rising along the table (body, then time)."""
    n = table.n_frames
    if n == 0:
        return np.zeros(0, dtype=np.intp)
    faces = np.bincount(table.face_frame, minlength=n)
    same = np.zeros(n, dtype=bool)
    step = np.abs(np.diff(table.time_s))
    white = np.abs(np.diff(table.as_shot, axis=0))
    with np.errstate(invalid="ignore"):
        still = np.abs(np.diff(table.scene, axis=0)) <= s.same_scene_ln
    same[1:] = (
        (np.diff(table.body) == 0)
        & (step <= s.longest_gap_s)
        & (np.diff(table.settings_ev) == 0)
        & (np.diff(table.flash.astype(int)) == 0)
        & (white[:, 0] <= s.same_white_mired)
        & (white[:, 1] <= s.same_white_tint)
        & still.all(axis=1)
        & (np.diff(faces) == 0)
    )
    return np.cumsum(~same) - 1
