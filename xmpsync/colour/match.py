"""One colour, one frame, solved in closed form: the white and exposure that render a camera colour as a target.

With c the camera colour, X its target (XYZ D50), K = (AB . CC)^-1 and w the XYZ of the white that is looked for:

    forward matrix:  FM . diag(1/r) . K . c ~ X   =>   r ~ (K . c) / (FM^-1 . X),            w ~ CM^-1 . r
    colour matrix:   B^-1 . diag(B D50 / B w) . B . CM^-1 . K . c ~ X
                                                  =>   B w ~ (B . CM^-1 . K . c) * (B . D50) / (B . X)

(~ up to a factor, products and quotients per channel). Only the matrices depend on the white, so the white is a fixed
point as in `xmpsync.colour.fixed_point`; the exposure follows from the luminance.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from xmpsync.colour.adaptation import BRADFORD_LMS_FROM_XYZ, BRADFORD_XYZ_FROM_LMS, XYZ_D50
from xmpsync.colour.arrays import FloatArray, adjugate, apply, inverse
from xmpsync.colour.blend import Blended, stack
from xmpsync.colour.camera import chromaticity_or_nan, xyz_from_camera
from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.colour.fixed_point import self_consistent_white
from xmpsync.colour.temperature import SMALLEST_MIRED

_LMS_D50: FloatArray = BRADFORD_LMS_FROM_XYZ @ XYZ_D50


def settings_for_target(
    profile: CameraProfile, camera: npt.ArrayLike, xyz_target: npt.ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Temperature (K), tint and exposure (EV), each (...), that render camera colours (..., 3) as XYZ D50 (..., 3).

    All three are NaN where no white does it (a colour that is not positive, a target outside the reach of the
    matrices): `numpy.isfinite` of any of them is the mask. Not limited to what a sidecar can hold, but a light bluer
    than every temperature is held at 1e9 K and then only comes near the target. The exposure contains the file's
    baseline exposure, which the caller takes off.
    """
    s = stack(profile)
    camera, target = np.broadcast_arrays(np.asarray(camera, float), np.asarray(xyz_target, float))
    usable = (camera > 0).all(axis=-1) & (target > 0).all(axis=-1) & np.isfinite(camera + target).all(axis=-1)
    camera, target = (np.where(usable[..., None], a, np.nan) for a in (camera, target))
    lms_gain = _LMS_D50 / apply(BRADFORD_LMS_FROM_XYZ, target)

    def step(m: Blended) -> FloatArray:
        balanced = apply(inverse(m.calibration), camera)
        if m.forward is not None:
            r = balanced / apply(inverse(m.forward), target)
            return chromaticity_or_nan(apply(adjugate(m.colour), _positive(r)))
        lms = apply(BRADFORD_LMS_FROM_XYZ, apply(inverse(m.colour), balanced))
        return chromaticity_or_nan(apply(BRADFORD_XYZ_FROM_LMS, _positive(lms * lms_gain)))

    mired, tint = self_consistent_white(s, step, camera.shape[:-1])
    temperature_k = 1e6 / np.maximum(mired, SMALLEST_MIRED)
    luminance = apply(xyz_from_camera(profile, temperature_k, tint), camera)[..., 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        exposure_ev = np.log2(target[..., 1] / luminance)
    solved = np.isfinite(mired + tint) & np.isfinite(exposure_ev)
    return tuple(np.where(solved, a, np.nan) for a in (temperature_k, tint, exposure_ev))  # type: ignore[return-value]


def _positive(colours: FloatArray) -> FloatArray:
    return np.where((colours > 0).all(axis=-1, keepdims=True), colours, np.nan)
