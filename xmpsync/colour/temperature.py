"""Correlated colour temperature and tint of a chromaticity, and back.

Robertson, A. R. (1968), "Computation of correlated color temperature and distribution temperature", J. Opt. Soc. Am.
58, 1528: the plane of CIE 1960 u, v is covered by 31 isotemperature lines (Wyszecki & Stiles, Color Science, 2nd ed.,
table 1(3.11), with the corrected entry u = 0.24792 at 325 mired). Between two lines the point P on the locus and the
direction d of the line are interpolated linearly in mired; with the tint along the line,

    uv(mired, tint) = P(mired) - tint / 3000 * d(mired) / |d(mired)|                                          (1)

Robertson's own inverse interpolates by the distances from the two lines, which misses (1) by about a thousandth of
a mired far from the locus. Here (1) is inverted exactly: (uv - P(a)) x d(a) = 0 is quadratic in the interpolation
fraction a.

Outside the table (0..600 mired) the first and the last interval are continued, so that a solver may walk out and
clamp afterwards. Positive tint lies above the locus (a green light): raising tint renders more magenta. The scale of
3000 per unit of uv is common practice among readers of the field, not part of a standard.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from xmpsync.colour.arrays import FloatArray, from_components

TINT_PER_UV = 3000.0

SMALLEST_MIRED = 1e-3
"""Bluer than any temperature: reported as 1e9 K, which is the same chromaticity to 1e-8."""

# mired, u, v, slope of the isotemperature line
_TABLE: FloatArray = np.array([
    (0, 0.18006, 0.26352, -0.24341), (10, 0.18066, 0.26589, -0.25479), (20, 0.18133, 0.26846, -0.26876),
    (30, 0.18208, 0.27119, -0.28539), (40, 0.18293, 0.27407, -0.30470), (50, 0.18388, 0.27709, -0.32675),
    (60, 0.18494, 0.28021, -0.35156), (70, 0.18611, 0.28342, -0.37915), (80, 0.18740, 0.28668, -0.40955),
    (90, 0.18880, 0.28997, -0.44278), (100, 0.19032, 0.29326, -0.47888), (125, 0.19462, 0.30141, -0.58204),
    (150, 0.19962, 0.30921, -0.70471), (175, 0.20525, 0.31647, -0.84901), (200, 0.21142, 0.32312, -1.0182),
    (225, 0.21807, 0.32909, -1.2168), (250, 0.22511, 0.33439, -1.4512), (275, 0.23247, 0.33904, -1.7298),
    (300, 0.24010, 0.34308, -2.0637), (325, 0.24792, 0.34655, -2.4681), (350, 0.25591, 0.34951, -2.9641),
    (375, 0.26400, 0.35200, -3.5814), (400, 0.27218, 0.35407, -4.3633), (425, 0.28039, 0.35577, -5.3762),
    (450, 0.28863, 0.35714, -6.7262), (475, 0.29685, 0.35823, -8.5955), (500, 0.30505, 0.35907, -11.324),
    (525, 0.31320, 0.35968, -15.628), (550, 0.32129, 0.36011, -23.325), (575, 0.32931, 0.36038, -40.770),
    (600, 0.33724, 0.36051, -116.45),
])  # fmt: skip
_MIRED: FloatArray = _TABLE[:, 0].copy()
_LOCUS: FloatArray = _TABLE[:, 1:3].copy()
_LINE: FloatArray = np.stack([np.ones(len(_TABLE)), _TABLE[:, 3]], axis=-1) / np.hypot(1.0, _TABLE[:, 3])[:, None]
_D_MIRED: FloatArray = np.diff(_MIRED)
_D_LOCUS: FloatArray = np.diff(_LOCUS, axis=0)
_D_LINE: FloatArray = np.diff(_LINE, axis=0)
# Signed distance of (u, v) from line k is v * du_k - u * dv_k - _OFFSET[k].
_OFFSET: FloatArray = _LOCUS[:, 1] * _LINE[:, 0] - _LOCUS[:, 0] * _LINE[:, 1]


class XyDerivative(NamedTuple):
    """xy (..., 2) and its derivatives by mired and by tint, each (..., 2)."""

    xy: FloatArray
    by_mired: FloatArray
    by_tint: FloatArray


def temperature_tint_from_xy(xy: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Temperature in kelvin and tint, each (...), of chromaticities xy (..., 2). Not finite in, not finite out."""
    mired, tint = mired_tint_from_xy(xy)
    return 1e6 / np.maximum(mired, SMALLEST_MIRED), tint


def xy_from_temperature_tint(temperature_k: npt.ArrayLike, tint: npt.ArrayLike) -> FloatArray:
    """Chromaticities xy (..., 2) of temperatures in kelvin and tints; the two broadcast."""
    return xy_from_mired_tint(1e6 / np.asarray(temperature_k, float), tint)


def mired_tint_from_xy(xy: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Mired and tint, each (...), of chromaticities xy (..., 2): the exact inverse of `xy_from_mired_tint`."""
    uv = uv_from_xy(xy)
    u, v = uv[..., 0], uv[..., 1]
    # NaN compares false everywhere: it then falls into the first interval and stays NaN.
    beyond = np.multiply.outer(v, _LINE[1:-1, 0]) - np.multiply.outer(u, _LINE[1:-1, 1]) <= _OFFSET[1:-1]
    k = np.where(beyond.any(axis=-1), beyond.argmax(axis=-1), len(_D_MIRED) - 1)
    q, line, d_locus, d_line = uv - _rows(_LOCUS, k), _rows(_LINE, k), _rows(_D_LOCUS, k), _rows(_D_LINE, k)
    c0 = _cross(q, line)
    c1 = _cross(q, d_line) - _cross(d_locus, line)
    c2 = -_cross(d_locus, d_line)
    discriminant = np.maximum(c1 * c1 - 4.0 * c0 * c2, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        fraction = 2.0 * c0 / (np.sqrt(discriminant) - c1)
    direction = line + fraction[..., None] * d_line
    along = np.einsum("...i,...i->...", q - fraction[..., None] * d_locus, direction)
    along = along / np.hypot(direction[..., 0], direction[..., 1])
    return np.asarray(_MIRED[k] + fraction * _D_MIRED[k]), np.asarray(-TINT_PER_UV * along)


def xy_from_mired_tint(mired: npt.ArrayLike, tint: npt.ArrayLike) -> FloatArray:
    """Chromaticities xy (..., 2) of mired and tint; the two broadcast. Any real mired is allowed."""
    mired, tint = np.broadcast_arrays(np.asarray(mired, float), np.asarray(tint, float))
    k, fraction = _interval(mired)
    direction = _rows(_LINE, k) + fraction * _rows(_D_LINE, k)
    direction = direction / np.hypot(direction[..., 0], direction[..., 1])[..., None]
    locus = _rows(_LOCUS, k) + fraction * _rows(_D_LOCUS, k)
    return xy_from_uv(locus - (tint / TINT_PER_UV)[..., None] * direction)


def xy_derivative(mired: npt.ArrayLike, tint: npt.ArrayLike) -> XyDerivative:
    """xy of mired and tint with its analytic derivatives (one-sided at a line of the table)."""
    mired, tint = np.broadcast_arrays(np.asarray(mired, float), np.asarray(tint, float))
    k, fraction = _interval(mired)
    per_mired = (1.0 / _D_MIRED)[k][..., None]
    d_line, d_locus = _rows(_D_LINE, k), _rows(_D_LOCUS, k)
    raw = _rows(_LINE, k) + fraction * d_line
    length = np.hypot(raw[..., 0], raw[..., 1])[..., None]
    direction = raw / length
    d_raw = d_line * per_mired
    along = (direction[..., 0] * d_raw[..., 0] + direction[..., 1] * d_raw[..., 1])[..., None]
    d_direction = (d_raw - direction * along) / length
    distance = (tint / TINT_PER_UV)[..., None]
    uv = _rows(_LOCUS, k) + fraction * d_locus - distance * direction
    uv_by_mired = d_locus * per_mired - distance * d_direction
    uv_by_tint = -direction / TINT_PER_UV
    return XyDerivative(xy_from_uv(uv), _xy_change(uv, uv_by_mired), _xy_change(uv, uv_by_tint))


def uv_from_xy(xy: npt.ArrayLike) -> FloatArray:
    """CIE 1960 u, v (..., 2) of chromaticities xy (..., 2)."""
    xy = np.asarray(xy, float)
    x, y = xy[..., 0], xy[..., 1]
    return np.asarray(from_components(2.0 * x, 3.0 * y) / (1.5 - x + 6.0 * y)[..., None])


def xy_from_uv(uv: npt.ArrayLike) -> FloatArray:
    """Chromaticities xy (..., 2) of CIE 1960 u, v (..., 2)."""
    uv = np.asarray(uv, float)
    u, v = uv[..., 0], uv[..., 1]
    return np.asarray(from_components(1.5 * u, v) / (u - 4.0 * v + 2.0)[..., None])


def _interval(mired: FloatArray) -> tuple[npt.NDArray[np.intp], FloatArray]:
    k = np.clip(np.searchsorted(_MIRED, mired, side="right") - 1, 0, len(_D_MIRED) - 1)
    return k, ((mired - _MIRED[k]) / _D_MIRED[k])[..., None]


def _rows(table: FloatArray, k: npt.NDArray[np.intp]) -> FloatArray:
    """Rows (..., 2) of a table (n, 2), laid out by component."""
    return from_components(table[:, 0][k], table[:, 1][k])


def _cross(p: FloatArray, direction: FloatArray) -> FloatArray:
    return np.asarray(p[..., 1] * direction[..., 0] - p[..., 0] * direction[..., 1])


def _xy_change(uv: FloatArray, d_uv: FloatArray) -> FloatArray:
    u, v = uv[..., 0], uv[..., 1]
    denominator = u - 4.0 * v + 2.0
    d_denominator = (d_uv[..., 0] - 4.0 * d_uv[..., 1]) / denominator
    return from_components(
        1.5 * (d_uv[..., 0] - u * d_denominator) / denominator, (d_uv[..., 1] - v * d_denominator) / denominator
    )
