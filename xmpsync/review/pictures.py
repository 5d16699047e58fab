"""Proxies and swatches rendered by the colour model, as JPEG data for a page."""

from __future__ import annotations

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.colour.camera import render
from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.colour.screen import srgb_from_xyz_d50
from xmpsync.read.picture import decode_jpeg, encode_jpeg, resize
from xmpsync.records import Develop

JPEG_QUALITY = 82
"""0..100: artefacts stay below what a page at this size shows."""


def render_proxy(
    proxy: bytes, profile: CameraProfile, settings: Develop, baseline_exposure_ev: float, long_side_px: int
) -> bytes:
    """JPEG in sRGB, tagged so, of a stored proxy at some settings.

    The proxy holds the square root of linear camera values.
    """
    camera = (resize(decode_jpeg(proxy), long_side_px).astype(np.float64) / 255.0) ** 2
    xyz = render(profile, camera, settings.temperature_k, settings.tint, settings.exposure_ev + baseline_exposure_ev)
    return encode_jpeg(srgb_from_xyz_d50(xyz), JPEG_QUALITY, srgb=True)


def css_colours(xyz: FloatArray) -> list[str]:
    """XYZ D50 (N, 3) as CSS colours."""
    return [f"#{red:02x}{green:02x}{blue:02x}" for red, green, blue in srgb_from_xyz_d50(xyz).tolist()]
