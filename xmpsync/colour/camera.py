"""From linear camera values to XYZ (D50) and back, as the DNG specification 1.7 describes, chapter "Mapping Camera
Color Space to CIE XYZ Space".

For a white with chromaticity xy, CM, CC, FM blended for it (`xmpsync.colour.blend`), w = XYZ(xy) with Y = 1:

    n = AB . CC . CM . w                                 unscaled neutral, N = n / max(n) the camera neutral
    A = FM . diag(1/r) . (AB . CC)^-1,  r = (AB . CC)^-1 . N                              with forward matrix   (1)
    A = max(n) . Bradford(w -> D50) . (AB . CC . CM)^-1                                   without              (2)

Both send the neutral whose largest channel is 1 to the D50 white with Y = 1. Since (AB . CC)^-1 . n = CM . w, (1) is
max(n) . FM . diag(1 / (CM . w)) . (AB . CC)^-1: both forms are max(n) . L . K with K = (AB . CC)^-1.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from xmpsync.colour.adaptation import (
    BRADFORD_LMS_FROM_XYZ,
    BRADFORD_XYZ_FROM_LMS,
    XYZ_D50,
    xy_from_xyz,
    xyz_from_xy,
)
from xmpsync.colour.arrays import FloatArray, adjugate, apply, from_components, inverse, product
from xmpsync.colour.blend import Blended, blended, stack, weights, weights_change
from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.colour.fixed_point import self_consistent_white
from xmpsync.colour.temperature import SMALLEST_MIRED, xy_derivative, xy_from_mired_tint

__all__ = [
    "MatrixDerivative",
    "apply",
    "mired_tint_from_neutral",
    "neutral_from_white",
    "render",
    "white_from_neutral",
    "xyz_from_camera",
    "xyz_from_camera_jacobian",
]

_LMS_D50: FloatArray = BRADFORD_LMS_FROM_XYZ @ XYZ_D50


class MatrixDerivative(NamedTuple):
    """xyz_from_camera (..., 3, 3) and its derivatives by mired and by tint, each (..., 3, 3)."""

    xyz_from_camera: FloatArray
    by_mired: FloatArray
    by_tint: FloatArray


def neutral_from_white(profile: CameraProfile, temperature_k: npt.ArrayLike, tint: npt.ArrayLike) -> FloatArray:
    """Camera values (..., 3), largest 1, of a neutral surface lit by the white of temperature (K) and tint."""
    s = stack(profile)
    mired, tint = _mired(temperature_k, tint)
    xy = xy_from_mired_tint(mired, tint)
    m = blended(s, weights(s, mired, xy))
    neutral = apply(m.calibration, apply(m.colour, xyz_from_xy(xy)))
    return np.asarray(neutral / neutral.max(axis=-1, keepdims=True))


def white_from_neutral(profile: CameraProfile, neutral: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Temperature (K) and tint, each (...), of the white whose camera neutral is given (..., 3), at any scale.

    NaN where the profile has no such white: a channel is not positive, or the matrices lead out of the colours.
    Round trip with `neutral_from_white`: far below 0.01 mired and 0.01 tint.
    """
    mired, tint = mired_tint_from_neutral(profile, neutral)
    return 1e6 / np.maximum(mired, SMALLEST_MIRED), tint


def mired_tint_from_neutral(profile: CameraProfile, neutral: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Mired and tint, each (...), of a camera neutral (..., 3); `white_from_neutral` without its limit at 0 mired."""
    s = stack(profile)
    neutral = np.asarray(neutral, float)
    neutral = np.where((neutral > 0).all(axis=-1, keepdims=True) & np.isfinite(neutral), neutral, np.nan)

    def step(m: Blended) -> FloatArray:
        # The adjugate is the inverse up to scale and sign; a chromaticity depends on neither.
        return chromaticity_or_nan(apply(adjugate(product(m.calibration, m.colour)), neutral))

    return self_consistent_white(s, step, neutral.shape[:-1])


def xyz_from_camera(profile: CameraProfile, temperature_k: npt.ArrayLike, tint: npt.ArrayLike) -> FloatArray:
    """Matrices (..., 3, 3) from linear camera values to XYZ D50 for a chosen white; the neutral of largest value 1 has
    Y = 1. No exposure in it."""
    s = stack(profile)
    mired, tint = _mired(temperature_k, tint)
    xy = xy_from_mired_tint(mired, tint)
    white = xyz_from_xy(xy)
    m = blended(s, weights(s, mired, xy))
    level = apply(m.calibration, apply(m.colour, white)).max(axis=-1)[..., None, None]
    return np.asarray(level * product(_left(m, white), inverse(m.calibration)))


def xyz_from_camera_jacobian(
    profile: CameraProfile, temperature_k: npt.ArrayLike, tint: npt.ArrayLike
) -> MatrixDerivative:
    """`xyz_from_camera` with its analytic derivatives by mired (not kelvin) and tint: d XYZ = (dA/dtheta) . camera.

    One-sided at the kinks of the model: a line of Robertson's table, a calibration temperature, a change of the
    largest neutral channel.
    """
    s = stack(profile)
    mired, tint = _mired(temperature_k, tint)
    xy = xy_derivative(mired, tint)
    white = xyz_from_xy(xy.xy)
    m = blended(s, weights(s, mired, xy.xy))
    seen = apply(m.colour, white)
    neutral = apply(m.calibration, seen)
    largest = neutral.argmax(axis=-1)[..., None]
    level = np.take_along_axis(neutral, largest, axis=-1)[..., None]
    k = inverse(m.calibration)
    left = _left(m, white)
    matrix = level * product(left, k)

    def change(d_w: FloatArray | None, d_xy: FloatArray) -> FloatArray:
        """For a change of the weights (None: they stay) and of the chromaticity."""
        d_m = None if d_w is None else blended(s, d_w)
        d_white = _white_change(xy.xy, d_xy)
        d_seen = apply(m.colour, d_white)
        if d_m is not None:
            d_seen = d_seen + apply(d_m.colour, white)
        d_neutral = apply(m.calibration, d_seen)
        if d_m is not None and not s.one_calibration:
            d_neutral = d_neutral + apply(d_m.calibration, seen)
        d_level = np.take_along_axis(d_neutral, largest, axis=-1)[..., None]
        d_left = level * _left_change(m, d_m, white, d_white, seen, d_seen) + d_level * left
        if d_m is not None and not s.one_calibration:
            d_left = d_left - level * product(left, product(k, d_m.calibration))
        return product(d_left, k)

    d_by_mired, d_by_tint = weights_change(s, mired, xy.xy, xy.by_mired, xy.by_tint)
    by_tint = change(d_by_tint if s.uses_tint else None, xy.by_tint)
    return MatrixDerivative(matrix, change(d_by_mired, xy.by_mired), by_tint)


def render(
    profile: CameraProfile,
    camera: npt.ArrayLike,
    temperature_k: npt.ArrayLike,
    tint: npt.ArrayLike,
    exposure_ev: npt.ArrayLike,
) -> FloatArray:
    """XYZ D50 (..., 3) of linear camera values (..., 3) at a temperature (K), tint and exposure (EV).

    Linear and scene-referred: white is Y = 1 at exposure 0. The file's baseline exposure is the caller's to add.
    """
    gain = np.exp2(np.asarray(exposure_ev, float))[..., None]
    return np.asarray(gain * apply(xyz_from_camera(profile, temperature_k, tint), camera))


def chromaticity_or_nan(xyz: FloatArray) -> FloatArray:
    """xy (..., 2) of XYZ up to any factor, also negative; NaN where no light has it, even in a wide sense.

    X and Z may be negative: at 2000 K a tint of 150 lies beyond the spectral colours and is still a setting.
    """
    light = xyz[..., 1] * xyz.sum(axis=-1) > 0
    return xy_from_xyz(np.where(light[..., None], xyz, np.nan))


def _mired(temperature_k: npt.ArrayLike, tint: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    mired, tint = np.broadcast_arrays(1e6 / np.asarray(temperature_k, float), np.asarray(tint, float))
    return mired, tint


def _left(m: Blended, white: FloatArray) -> FloatArray:
    """L of the module's derivation: XYZ D50 from camera values after (AB . CC)^-1, up to the level."""
    if m.forward is not None:
        return np.asarray(m.forward / apply(m.colour, white)[..., None, :])
    gain = np.asarray(_LMS_D50 / apply(BRADFORD_LMS_FROM_XYZ, white))
    return product(_between(gain), inverse(m.colour))


def _left_change(
    m: Blended, d_m: Blended | None, white: FloatArray, d_white: FloatArray, seen: FloatArray, d_seen: FloatArray
) -> FloatArray:
    if m.forward is not None:
        d_forward = 0.0 if d_m is None or d_m.forward is None else d_m.forward
        return np.asarray((d_forward - m.forward * (d_seen / seen)[..., None, :]) / seen[..., None, :])
    lms, d_lms = apply(BRADFORD_LMS_FROM_XYZ, white), apply(BRADFORD_LMS_FROM_XYZ, d_white)
    gain = _LMS_D50 / lms
    xyz_from_seen = inverse(m.colour)
    changed = _between(-gain * d_lms / lms)
    if d_m is not None:
        changed = changed - product(product(_between(gain), xyz_from_seen), d_m.colour)
    return product(changed, xyz_from_seen)


def _between(gain: FloatArray) -> FloatArray:
    """Matrices (..., 3, 3) from XYZ to XYZ that multiply the Bradford channels by gains (..., 3)."""
    return product(BRADFORD_XYZ_FROM_LMS * gain[..., None, :], BRADFORD_LMS_FROM_XYZ)


def _white_change(xy: FloatArray, d_xy: FloatArray) -> FloatArray:
    """Change of XYZ(xy) with Y = 1."""
    x, y, dx, dy = xy[..., 0], xy[..., 1], d_xy[..., 0], d_xy[..., 1]
    d_x = (dx - x / y * dy) / y
    return from_components(d_x, np.zeros_like(x), -(dx + dy) / y - (1.0 - x - y) / y**2 * dy)
