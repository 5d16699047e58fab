"""The colour coordinate in which the solver measures: about one CIEDE2000 unit per unit, level in EV apart.

Rendered colour X = 2^(e + b) A(m, t) c: c linear camera value, A the camera model at mired m and tint t, e exposure and
b the file's baseline exposure. The coordinate is

    z1, z2 = R (ln(X/Y) - ln(Xn/Yn), ln(Z/Y) - ln(Zn/Yn)),      z3 = log2 Y.

Why logarithms: a change of white is nearly a product per channel, so in logarithms it is nearly a shift, the same for
all colours and linear in mired (Wien): Gauss-Newton then meets an almost linear problem. At equal luminance z1, z2
depend on chromaticity alone, as the figure does by which skin is judged. R is the root of the metric of CIEDE2000
(without its lightness part) at a middle skin colour; over all skin |R du| is within some 30 % of the true difference.
The exact difference is used where a figure is printed (`figures`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from xmpsync.colour.adaptation import XYZ_D50
from xmpsync.colour.arrays import FloatArray, apply
from xmpsync.colour.difference import delta_e00, lab_from_xyz_d50, xyz_d50_from_lab

SKIN_LAB = (60.0, 13.0, 18.0)
"""CIELAB D50 of a middle skin colour: the mean of published class means (light to brown) lies within 5 units of it."""

DARKEST_RATIO = 0.03
"""X/Y and Z/Y below this are continued smoothly: extreme lights drive Z through zero, a logarithm must survive it."""

LN2 = float(np.log(2.0))


def _metric_root() -> FloatArray:
    """R (2, 2), upper triangular with R^T R = metric of CIEDE2000 in (ln X/Y, ln Z/Y) at `SKIN_LAB`."""
    xyz = xyz_d50_from_lab(SKIN_LAB)
    step = 1e-3

    def squared(dx: float, dz: float) -> float:
        moved = xyz * np.exp([dx * step, 0.0, dz * step])
        return float(delta_e00(lab_from_xyz_d50(moved), lab_from_xyz_d50(xyz)) ** 2) / step**2

    xx, zz, both = squared(1, 0), squared(0, 1), squared(1, 1)
    xz = 0.5 * (both - xx - zz)
    return np.asarray(np.linalg.cholesky(np.array([[xx, xz], [xz, zz]])).T)


METRIC_ROOT: FloatArray = _metric_root()
_WHITE_OFFSET: FloatArray = np.log(np.array([XYZ_D50[0], XYZ_D50[2]]) / XYZ_D50[1])

Z_BY_LOG_XYZ: FloatArray = np.vstack(
    [METRIC_ROOT @ np.array([[1.0, -1.0, 0.0], [0.0, -1.0, 1.0]]), [[0.0, 1.0 / LN2, 0.0]]]
)
"""dz / d ln(X, Y, Z), constant (3, 3)."""


class Coordinates(NamedTuple):
    """z (..., 3); derivatives by (mired, tint, exposure) and by ln camera value, each (..., 3, 3)."""

    z: FloatArray
    by_theta: FloatArray
    by_log_camera: FloatArray


def z_from_xyz(xyz: FloatArray) -> FloatArray:
    """z (..., 3) of XYZ D50 (..., 3)."""
    y = np.maximum(xyz[..., 1], 1e-12)
    log_x, _ = _log_ratio(xyz[..., 0] / y)
    log_z, _ = _log_ratio(xyz[..., 2] / y)
    u = np.stack([log_x, log_z], axis=-1) - _WHITE_OFFSET
    return np.concatenate([apply(METRIC_ROOT, u), np.log2(y)[..., None]], axis=-1)


def xyz_from_z(z: FloatArray) -> FloatArray:
    """XYZ D50 (..., 3) of z (..., 3)."""
    u = apply(np.linalg.inv(METRIC_ROOT), z[..., :2]) + _WHITE_OFFSET
    y = np.exp2(z[..., 2])
    return np.stack([_ratio(u[..., 0]) * y, y, _ratio(u[..., 1]) * y], axis=-1)


def coordinates(
    matrix: FloatArray, by_mired: FloatArray, by_tint: FloatArray, camera: FloatArray, exposure_ev: FloatArray
) -> Coordinates:
    """z and its derivatives for camera values (..., 3) through matrices (..., 3, 3); exposure includes the baseline."""
    xyz = apply(matrix, camera)
    y = np.maximum(xyz[..., 1], 1e-12)
    log_x, slope_x = _log_ratio(xyz[..., 0] / y)
    log_z, slope_z = _log_ratio(xyz[..., 2] / y)
    u = np.stack([log_x, log_z], axis=-1) - _WHITE_OFFSET
    z = np.concatenate([apply(METRIC_ROOT, u), (np.log2(y) + exposure_ev)[..., None]], axis=-1)

    # d ln(ratio) = slope / Y * (dX - ratio dY); rows of dz/dXYZ follow.
    inverse_y = 1.0 / y
    d_u = np.zeros((*xyz.shape[:-1], 2, 3))
    d_u[..., 0, 0] = slope_x * inverse_y
    d_u[..., 0, 1] = -slope_x * inverse_y * (xyz[..., 0] * inverse_y)
    d_u[..., 1, 2] = slope_z * inverse_y
    d_u[..., 1, 1] = -slope_z * inverse_y * (xyz[..., 2] * inverse_y)
    z_by_xyz = np.zeros((*xyz.shape[:-1], 3, 3))
    z_by_xyz[..., :2, :] = METRIC_ROOT @ d_u
    z_by_xyz[..., 2, 1] = inverse_y / LN2

    d_xyz = np.stack([apply(by_mired, camera), apply(by_tint, camera)], axis=-1)
    by_theta = np.zeros((*xyz.shape[:-1], 3, 3))
    by_theta[..., :2] = z_by_xyz @ d_xyz
    by_theta[..., 2, 2] = 1.0
    return Coordinates(z, by_theta, z_by_xyz @ (matrix * camera[..., None, :]))


def _log_ratio(ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
    """ln of a ratio and its derivative; below `DARKEST_RATIO` continued along the tangent (finite everywhere)."""
    small = ratio < DARKEST_RATIO
    safe = np.where(small, DARKEST_RATIO, ratio)
    value = np.log(safe) + np.where(small, (ratio - safe) / DARKEST_RATIO, 0.0)
    return value, 1.0 / safe


def _ratio(log_ratio: FloatArray) -> FloatArray:
    edge = np.log(DARKEST_RATIO)
    return np.where(log_ratio < edge, DARKEST_RATIO * (1.0 + log_ratio - edge), np.exp(np.minimum(log_ratio, 50.0)))
