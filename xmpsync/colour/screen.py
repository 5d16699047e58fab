"""Linear colours as bytes of a screen picture, for proxies and swatches only: nothing is measured from them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from xmpsync.colour.adaptation import XYZ_D50, XYZ_D65, adapted_from_source
from xmpsync.colour.arrays import FloatArray

# IEC 61966-2-1: chromaticities of the primaries are those of ITU-R BT.709.
_PRIMARIES_XY = np.array([(0.64, 0.33), (0.30, 0.60), (0.15, 0.06)])


def _rgb_from_xyz_d65() -> FloatArray:
    primaries = np.concatenate([_PRIMARIES_XY, 1.0 - _PRIMARIES_XY.sum(axis=1, keepdims=True)], axis=1).T
    return np.linalg.inv(primaries * np.linalg.solve(primaries, XYZ_D65))


RGB_FROM_XYZ_D50: FloatArray = _rgb_from_xyz_d65() @ adapted_from_source(XYZ_D50, XYZ_D65)
"""Linear sRGB from XYZ D50, Bradford-adapted."""

SHOULDER = 0.8
"""Linear value up to which the picture is exact. Lit skin lies below 0.6; above, values are compressed into what is
left so that a highlight keeps a drawing instead of a flat patch."""


def srgb_from_xyz_d50(xyz: npt.ArrayLike) -> npt.NDArray[np.uint8]:
    """sRGB bytes (..., 3) of XYZ D50 (..., 3), white at Y = 1.

    Negative channels are cut at 0. Above the shoulder s a colour is scaled as a whole by its largest channel m, which
    becomes s + (1 - s) . (1 - exp(-(m - s) / (1 - s))): smooth at s, 1 in the limit, hue kept.
    """
    rgb = np.maximum(np.asarray(xyz, float) @ RGB_FROM_XYZ_D50.T, 0.0)
    rgb = np.nan_to_num(rgb, nan=0.0, posinf=1e6)
    largest = rgb.max(axis=-1, keepdims=True)
    room = 1.0 - SHOULDER
    rolled = SHOULDER + room * -np.expm1(-np.maximum(largest - SHOULDER, 0.0) / room)
    rgb = rgb * np.where(largest > SHOULDER, rolled / np.maximum(largest, SHOULDER), 1.0)
    coded = np.where(rgb <= 0.0031308, 12.92 * rgb, 1.055 * np.maximum(rgb, 0.0031308) ** (1.0 / 2.4) - 0.055)
    return np.asarray(np.rint(255.0 * np.clip(coded, 0.0, 1.0)), np.uint8)
