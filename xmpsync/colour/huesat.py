"""ProfileHueSatMap of DNG profiles (DNG specification 1.7.1): read, applied, and its effect on skin measured.

A table over hue, saturation and value of linear ROMM RGB ("ProPhoto", the space that the specification names) shifts
hue in degrees and scales saturation and value. Under one white it moves a frame and its reference alike, so a match
made without it stays a match. With a table per calibration, blended by temperature, two frames at different whites are
moved differently: that is what leaving it out costs, and `effect_on_skin` measures it for the profile at hand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from xmpsync.colour import dng_tags as t
from xmpsync.colour.adaptation import XYZ_D50
from xmpsync.colour.arrays import FloatArray, apply
from xmpsync.colour.blend import stack, weights
from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.colour.cielab import skin_difference, xyz_d50_from_lab
from xmpsync.colour.dng import calibration_temperature_k
from xmpsync.colour.dng_tags import BadColourTags, Tags
from xmpsync.colour.temperature import xy_from_mired_tint

# ISO 22028-2 (ROMM RGB) primaries; the white is D50.
_PRIMARIES_XY = np.array([(0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001)])
_PRIMARIES: FloatArray = np.concatenate([_PRIMARIES_XY, 1.0 - _PRIMARIES_XY.sum(axis=1, keepdims=True)], axis=1).T
XYZ_FROM_ROMM: FloatArray = _PRIMARIES * np.linalg.solve(_PRIMARIES, XYZ_D50)
ROMM_FROM_XYZ: FloatArray = np.asarray(np.linalg.inv(XYZ_FROM_ROMM), np.float64)

MOST_ENTRIES = 1 << 20
SRGB_VALUES = 1
"""ProfileHueSatMapEncoding: the value axis is divided after the sRGB curve; 0 is linear."""

# CIELAB D50 of skin from very light to dark, light tan and flushed included; from memory of published ITA classes.
SKIN_LAB: FloatArray = np.array(
    [(72, 10, 14), (66, 12, 17), (62, 16, 18), (58, 13, 20), (52, 14, 21), (44, 14, 19), (36, 12, 15), (30, 9, 10)],
    float,
)
WARM_K, COOL_K = 2850.0, 6500.0


@dataclass(frozen=True, slots=True, eq=False)
class HueSatMap:
    """`entries` (k, value, hue, saturation, 3): hue shift in degrees, saturation scale, value scale, per calibration in
    the order of rising mired like `xmpsync.colour.blend.Stack`; k is 1 where one table serves all whites."""

    entries: FloatArray
    srgb_values: bool = False


def hue_sat_map_from_tags(tags: Tags) -> HueSatMap | None:
    """The hue/saturation tables of a profile, None where it has none. BadColourTags where they are invalid.

    Two tables are taken as those of the calibrations 1 and 2 in the order of the tags; the tag order is turned by the
    calibrations' temperatures as `profile_from_tags` does.
    """
    dims = t.numbers(tags, t.HUE_SAT_MAP_DIMS, "ProfileHueSatMapDims", 3)
    if dims is None or tags.get(t.HUE_SAT_MAP_DATA[0]) is None:
        return None
    hue, saturation, value = (int(d) for d in dims)
    if hue < 1 or saturation < 2 or value < 1 or hue * saturation * value > MOST_ENTRIES:
        raise BadColourTags(f"ProfileHueSatMapDims is {hue} x {saturation} x {value}")
    tables = []
    for i, tag in enumerate(t.HUE_SAT_MAP_DATA):
        data = t.numbers(tags, tag, f"ProfileHueSatMapData{i + 1}", 3 * hue * saturation * value)
        if data is not None:
            table = data.reshape(value, hue, saturation, 3)
            if (table[..., 1:] < 0).any():
                raise BadColourTags(f"ProfileHueSatMapData{i + 1} holds a negative scale")
            tables.append((calibration_temperature_k(tags, i), table))
    if len(tables) > 1:
        tables.sort(key=lambda pair: -pair[0])
    encoding = t.numbers(tags, t.HUE_SAT_MAP_ENCODING, "ProfileHueSatMapEncoding", 1)
    return HueSatMap(np.array([table for _, table in tables]), encoding is not None and int(encoding[0]) == SRGB_VALUES)


def apply_hue_sat_map(
    table: HueSatMap, profile: CameraProfile, xyz: npt.ArrayLike, temperature_k: npt.ArrayLike, tint: npt.ArrayLike
) -> FloatArray:
    """XYZ D50 (..., 3) after the table, blended for the white like the matrices. Negative ROMM values are cut at 0."""
    mired, tint = np.broadcast_arrays(1e6 / np.asarray(temperature_k, float), np.asarray(tint, float))
    s = stack(profile)
    if len(table.entries) == len(s.mired):
        blend = weights(s, mired, xy_from_mired_tint(mired, tint))
    else:
        blend = np.ones((*mired.shape, 1))
    hsv = hsv_from_rgb(np.maximum(np.asarray(xyz, float) @ ROMM_FROM_XYZ.T, 0.0))
    shift, saturation_scale, value_scale = np.moveaxis(_interpolated(table, blend, hsv), -1, 0)
    moved = np.stack(
        [
            (hsv[..., 0] + shift / 60.0) % 6.0,
            np.minimum(hsv[..., 1] * saturation_scale, 1.0),
            hsv[..., 2] * value_scale,
        ],
        axis=-1,
    )
    return apply(XYZ_FROM_ROMM, _rgb_from_hsv(moved))


def effect_on_skin(table: HueSatMap, profile: CameraProfile) -> tuple[float, float]:
    """What leaving the table out costs: median and largest dE00 (equal luminance) over skin colours.

    Equal skin before the table, one frame at 2850 K, the other at 6500 K: the difference after it. 0 where one table
    serves all whites.
    """
    skin = xyz_d50_from_lab(SKIN_LAB)
    warm, cool = (apply_hue_sat_map(table, profile, skin, np.full(len(skin), k), 0.0) for k in (WARM_K, COOL_K))
    delta, _ = skin_difference(warm, cool)
    return float(np.median(delta)), float(delta.max())


def _interpolated(table: HueSatMap, blend: FloatArray, hsv: FloatArray) -> FloatArray:
    _, n_value, n_hue, n_saturation, _ = table.entries.shape
    value = np.clip(hsv[..., 2], 0.0, 1.0)
    if table.srgb_values:
        value = np.where(value <= 0.0031308, 12.92 * value, 1.055 * np.maximum(value, 0.0031308) ** (1 / 2.4) - 0.055)
    h0, h1, fh = _cell(hsv[..., 0] / 6.0 * n_hue, n_hue, wraps=True)
    s0, s1, fs = _cell(hsv[..., 1] * (n_saturation - 1), n_saturation)
    v0, v1, fv = _cell(value * (n_value - 1), n_value)
    total = np.zeros_like(hsv)
    for v, wv in ((v0, 1 - fv), (v1, fv)):
        for h, wh in ((h0, 1 - fh), (h1, fh)):
            for s, ws in ((s0, 1 - fs), (s1, fs)):
                corner = np.einsum("...k,k...c->...c", blend, table.entries[:, v, h, s])
                total = total + (wv * wh * ws)[..., None] * corner
    return total


def _cell(
    position: FloatArray, count: int, wraps: bool = False
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], FloatArray]:
    low = np.floor(position).astype(np.intp)
    if wraps:
        return low % count, (low + 1) % count, np.asarray(position - low)
    low = np.clip(low, 0, max(count - 2, 0))
    return low, np.minimum(low + 1, count - 1), np.clip(position - low, 0.0, 1.0)


def hsv_from_rgb(rgb: FloatArray) -> FloatArray:
    """Hue 0..6, saturation 0..1, value."""
    r, g, b = rgb[..., 0], rgb[..., 1], rgb[..., 2]
    value = rgb.max(axis=-1)
    spread = value - rgb.min(axis=-1)
    safe = np.where(spread > 0, spread, 1.0)
    hue = np.where(value == r, (g - b) / safe % 6.0, np.where(value == g, 2.0 + (b - r) / safe, 4.0 + (r - g) / safe))
    return np.stack([np.where(spread > 0, hue, 0.0), spread / np.where(value > 0, value, 1.0), value], axis=-1)


def _rgb_from_hsv(hsv: FloatArray) -> FloatArray:
    hue, saturation, value = hsv[..., 0], hsv[..., 1], hsv[..., 2]
    # Channel k is value - value * saturation * clip(min(q, 4 - q), 0, 1) with q = (k + hue) mod 6, k = 5, 3, 1.
    q = (np.array([5.0, 3.0, 1.0]) + hue[..., None]) % 6.0
    return np.asarray(value[..., None] * (1.0 - saturation[..., None] * np.clip(np.minimum(q, 4.0 - q), 0.0, 1.0)))
