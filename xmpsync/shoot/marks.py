"""Places marked by hand as skin: whether their colour can be."""

from __future__ import annotations

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.colour.camera import render
from xmpsync.colour.cielab import lab_from_xyz_d50
from xmpsync.measurement import Face
from xmpsync.plan.standing import Standing
from xmpsync.skin.records import FaceSkin

LOCUS_AB = ((6.4, 8.0), (31.4, 37.0))
LOCUS_RADIUS = 14.0
"""Where skin lies in CIELAB a, b at Y = 0.3: around the segment between these points, from little to much pigment.

Fitted to the two-layer skin model of `benchmarks.skin.spectra` under A, D55, D65, D75. 99 % of 180
measured skins (Lu et al. 2025) pass at the right white and 94 % at whites up to 40 mired and 15 of tint off; of other
measured materials 13 % of the 190 patches and 17 % of the 99 samples of CIE 224:2017 in colour-science. Wood, sand and
brick are among them: three channels cannot tell these from skin, so every mark is named in the output.
"""
LEAST_CHROMA = 5.0
"""Greys lie within the radius of the palest skin, whose own chroma is 8 and more."""
LUMINANCE = 0.3
"""Lightness does not count: a dark patch has the hue of a bright one, but less chroma."""


def could_be_skin(face: Face, standing: Standing) -> bool:
    """Whether a patch marked by hand has a colour that skin can have at the as-shot white."""
    if not isinstance(face.skin, FaceSkin):
        return False
    white = standing.as_shot
    return skin_like(render(standing.profile, np.array(face.skin.camera), white.temperature_k, white.tint, 0.0))


def skin_like(xyz_d50: FloatArray) -> bool:
    """Whether a colour (3,), XYZ with the D50 white at any level, lies where skin does."""
    a, b = lab_from_xyz_d50(xyz_d50 / max(float(xyz_d50[1]), 1e-9) * LUMINANCE)[1:]
    start, end = np.array(LOCUS_AB)
    along, place = end - start, np.array([a, b])
    nearest = start + np.clip((place - start) @ along / (along @ along), 0.0, 1.0) * along
    return bool(np.hypot(a, b) >= LEAST_CHROMA and np.hypot(*(place - nearest)) <= LOCUS_RADIUS)
