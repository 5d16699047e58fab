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
from xmpsync.colour.arrays import FloatArray, apply, from_components, inner_first, outer_last
from xmpsync.colour.cielab import delta_e00, lab_from_xyz_d50, xyz_d50_from_lab

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
_METRIC_ROOT_INVERSE: FloatArray = np.asarray(np.linalg.inv(METRIC_ROOT), np.float64)
_WHITE_OFFSET: FloatArray = np.log(np.array([XYZ_D50[0], XYZ_D50[2]]) / XYZ_D50[1])


class Coordinates(NamedTuple):
    """z (..., 3); derivatives by (mired, tint, exposure) and by ln camera value, each (..., 3, 3)."""

    z: FloatArray
    by_theta: FloatArray
    by_log_camera: FloatArray


def z_from_xyz(xyz: FloatArray) -> FloatArray:
    """z (..., 3) of XYZ D50 (..., 3)."""
    y = np.maximum(xyz[..., 1], 1e-12)
    return _z(_log_ratio(xyz[..., 0] / y)[0], _log_ratio(xyz[..., 2] / y)[0], np.log2(y))


def xyz_from_z(z: FloatArray) -> FloatArray:
    """XYZ D50 (..., 3) of z (..., 3)."""
    u = apply(_METRIC_ROOT_INVERSE, z[..., :2]) + _WHITE_OFFSET
    y = np.exp2(z[..., 2])
    return from_components(_ratio(u[..., 0]) * y, y, _ratio(u[..., 1]) * y)


def coordinates(
    matrix: FloatArray, by_mired: FloatArray, by_tint: FloatArray, camera: FloatArray, exposure_ev: FloatArray
) -> Coordinates:
    """z and its derivatives for camera values (..., 3) through matrices (..., 3, 3); exposure includes the baseline.

    All are laid out by component, and fastest where what comes in is.
    """
    xyz = apply(matrix, camera)
    y = np.maximum(xyz[..., 1], 1e-12)
    ratio_x, ratio_z = xyz[..., 0] / y, xyz[..., 2] / y
    (log_x, slope_x), (log_z, slope_z) = _log_ratio(ratio_x), _log_ratio(ratio_z)
    z = _z(log_x, log_z, np.log2(y) + exposure_ev)

    # Changes of XYZ, first by mired and tint, then by the ln of each camera value: (X, Y, Z; what; ...).
    change = np.empty((3, 5, *y.shape))
    change[:, 0] = inner_first(apply(by_mired, camera), 1)
    change[:, 1] = inner_first(apply(by_tint, camera), 1)
    np.multiply(inner_first(matrix, 2), inner_first(camera, 1), out=change[:, 2:])
    change /= y
    # d ln(ratio) = slope / Y * (dX - ratio dY), continued where the logarithm is.
    d_x = slope_x * (change[0] - ratio_x * change[1])
    d_z = slope_z * (change[2] - ratio_z * change[1])
    by_theta, by_log_camera = np.zeros((2, 3, 3, *y.shape))
    for out, part, width in ((by_theta, slice(0, 2), 2), (by_log_camera, slice(2, 5), 3)):
        for row in (0, 1):
            out[row, :width] = METRIC_ROOT[row, 0] * d_x[part] + METRIC_ROOT[row, 1] * d_z[part]
        out[2, :width] = change[1, part] / LN2
    by_theta[2, 2] = 1.0
    return Coordinates(z, outer_last(by_theta, 2), outer_last(by_log_camera, 2))


def _z(log_x: FloatArray, log_z: FloatArray, log2_y: FloatArray) -> FloatArray:
    u, v = log_x - _WHITE_OFFSET[0], log_z - _WHITE_OFFSET[1]
    return from_components(
        METRIC_ROOT[0, 0] * u + METRIC_ROOT[0, 1] * v, METRIC_ROOT[1, 0] * u + METRIC_ROOT[1, 1] * v, log2_y
    )


def _log_ratio(ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
    """ln of a ratio and its derivative; below `DARKEST_RATIO` continued along the tangent (finite everywhere)."""
    small = ratio < DARKEST_RATIO
    safe = np.where(small, DARKEST_RATIO, ratio)
    value = np.log(safe) + np.where(small, (ratio - safe) / DARKEST_RATIO, 0.0)
    return value, 1.0 / safe


def _ratio(log_ratio: FloatArray) -> FloatArray:
    edge = np.log(DARKEST_RATIO)
    return np.where(log_ratio < edge, DARKEST_RATIO * (1.0 + log_ratio - edge), np.exp(np.minimum(log_ratio, 50.0)))
