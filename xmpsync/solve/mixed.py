"""Mixed light that shows: two faces of a frame, or two sides of a face, that no single correction brings within
tolerance.

The best single correction of two colours lies half way, so they must be more than twice the tolerance apart. The
difference must also be more than what skin state and measurement do by themselves (one in a thousand by chance).
"""

from __future__ import annotations

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.solve.coordinate import Coordinates, xyz_from_z
from xmpsync.solve.figures import skin_de00
from xmpsync.solve.fit import Fit
from xmpsync.solve.tables import BoolArray, IntArray, Table

CHANCE = 13.8
"""Quantile 0.999 of chi-square with two degrees of freedom (tables; 13.816)."""
MOST_FACES_APART = 12
"""Faces of a frame, next to one another in the table, that are compared with one another."""


def faces_apart(table: Table, z: FloatArray, x: Fit, person: IntArray, tolerance_de00: float) -> BoolArray:
    """Frames (F,) of which two faces (person, -1 for none) want corrections too far apart; z (N, 3) of the faces."""
    out = np.zeros(table.n_frames, dtype=bool)
    known = np.flatnonzero(person >= 0)
    frame = table.face_frame[known]
    noise = x.variance[:, :2].mean(axis=1) + x.components.state**2
    for step in range(1, MOST_FACES_APART):
        a, b = known[:-step], known[step:]
        same = frame[:-step] == frame[step:]
        a, b = a[same], b[same]
        if not len(a):
            break
        target_a, target_b = x.persons_z[person[a]], x.persons_z[person[b]]
        shift = (z[a] - target_a) - (z[b] - target_b)
        shift[:, 2] = 0.0
        sure = (shift**2).sum(axis=1) > CHANCE * (noise[a] + noise[b])
        far = np.minimum(
            skin_de00(xyz_from_z(target_a + shift), xyz_from_z(target_a)),
            skin_de00(xyz_from_z(target_b + shift), xyz_from_z(target_b)),
        )
        out[table.face_frame[a[sure & (far > 2.0 * tolerance_de00)]]] = True
    return out


def sides_apart(table: Table, at: Coordinates, tolerance_de00: float) -> BoolArray:
    """Faces (N,) whose two sides differ too much in colour, as they would be rendered at the frame's correction."""
    out = np.zeros(table.n_faces, dtype=bool)
    for row, face in enumerate(table.faces):
        sides = face.skin.sides if face.skin else None
        if sides is None or not sides.mixed_light:
            continue
        shift = at.by_log_camera[row] @ np.array(sides.log_ratio)
        shift[2] = 0.0
        here = at.z[row]
        out[row] = skin_de00(xyz_from_z(here + shift), xyz_from_z(here)) > 2.0 * tolerance_de00
    return out
