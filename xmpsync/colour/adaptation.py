"""White points and the linear Bradford adaptation (DNG specification 1.7, "Camera to XYZ (D50) Transform").

Bradford: K. M. Lam (1985), in the linear form that ICC.1:2022 annex E and the DNG specification use.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from xmpsync.colour.arrays import FloatArray, from_components

D50_XY = (0.3457, 0.3585)
"""CIE 015 D50, 2 degree observer; the DNG specification uses these four digits for its connection space."""

D65_XY = (0.3127, 0.3290)
"""CIE 015 D65, 2 degree observer, four digits."""

BRADFORD_LMS_FROM_XYZ: FloatArray = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
BRADFORD_XYZ_FROM_LMS: FloatArray = np.asarray(np.linalg.inv(BRADFORD_LMS_FROM_XYZ), np.float64)


def xyz_from_xy(xy: npt.ArrayLike) -> FloatArray:
    """XYZ (..., 3) with Y = 1 of chromaticities xy (..., 2)."""
    x, y = np.moveaxis(np.asarray(xy, float), -1, 0)
    return from_components(x / y, np.ones_like(x), (1.0 - x - y) / y)


def xy_from_xyz(xyz: npt.ArrayLike) -> FloatArray:
    """Chromaticities xy (..., 2) of XYZ (..., 3)."""
    xyz = np.asarray(xyz, float)
    return np.asarray(xyz[..., :2] / xyz.sum(axis=-1, keepdims=True))


XYZ_D50: FloatArray = xyz_from_xy(D50_XY)
XYZ_D65: FloatArray = xyz_from_xy(D65_XY)


def adapted_from_source(source_white_xyz: npt.ArrayLike, adapted_white_xyz: npt.ArrayLike) -> FloatArray:
    """Bradford matrices (..., 3, 3) that carry XYZ seen under the source white to the adapted white."""
    source = np.asarray(source_white_xyz, float) @ BRADFORD_LMS_FROM_XYZ.T
    adapted = np.asarray(adapted_white_xyz, float) @ BRADFORD_LMS_FROM_XYZ.T
    return np.asarray(BRADFORD_XYZ_FROM_LMS @ ((adapted / source)[..., :, None] * BRADFORD_LMS_FROM_XYZ))
