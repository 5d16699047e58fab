"""The figures by which skin is judged: CIEDE2000 at equal luminance, and level in EV."""

from __future__ import annotations

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.colour.cielab import skin_difference
from xmpsync.solve.coordinate import xyz_from_z
from xmpsync.solve.tables import IntArray, Table


def skin_de00(xyz: FloatArray, xyz_reference: FloatArray) -> FloatArray:
    """CIEDE2000 (...) of XYZ D50 scaled to the luminance of the reference."""
    return skin_difference(xyz, xyz_reference)[0]


def differences(
    table: Table, theta: FloatArray, persons_z: FloatArray, face_person: IntArray
) -> tuple[FloatArray, FloatArray]:
    """CIEDE2000 at equal luminance and level in EV (N,) of every face against its person; NaN for nobody (-1)."""
    z = table.faces_at(theta).z
    known = face_person >= 0
    de00, level = np.full(table.n_faces, np.nan), np.full(table.n_faces, np.nan)
    if known.any():
        target = persons_z[face_person[known]]
        de00[known], level[known] = skin_difference(xyz_from_z(z[known]), xyz_from_z(target))
    return de00, level
