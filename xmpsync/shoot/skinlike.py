"""Whether a patch that was marked by hand can be skin."""

from __future__ import annotations

import numpy as np

from xmpsync.colour.camera import render
from xmpsync.colour.difference import lab_from_xyz_d50
from xmpsync.measurement import Face
from xmpsync.shoot.request import Standing
from xmpsync.skin.records import FaceSkin

SKIN_HUE_DEG = (15.0, 100.0)
SKIN_MIN_CHROMA = 5.0
"""CIELAB hue and least chroma of skin at the frame's as-shot white. Published hue angles of skin lie between about 40
and 75 degrees under daylight (from memory); the room on both sides is for an as-shot white some 50 mired off."""


def could_be_skin(face: Face, standing: Standing) -> bool:
    """Whether a patch marked by hand has a colour that skin can have at the as-shot white."""
    if not isinstance(face.skin, FaceSkin):
        return False
    white = standing.as_shot
    xyz = render(standing.profile, np.array(face.skin.camera), white.temperature_k, white.tint, 0.0)
    # lightness does not count: a dark patch has the hue of a bright one, but less chroma
    _, a, b = lab_from_xyz_d50(xyz / max(float(xyz[1]), 1e-9) * 0.3)
    hue = float(np.degrees(np.arctan2(b, a)))
    return SKIN_HUE_DEG[0] <= hue <= SKIN_HUE_DEG[1] and float(np.hypot(a, b)) >= SKIN_MIN_CHROMA
