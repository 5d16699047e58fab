"""Places marked by hand: whether a skin mark can be skin, and the cast left on a neutral one, before and after."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.colour.camera import render
from xmpsync.colour.cielab import delta_e00, lab_from_xyz_d50
from xmpsync.measurement import Face
from xmpsync.records import Develop, Vec2, Vec3
from xmpsync.shoot.request import Standing
from xmpsync.skin.records import FaceSkin
from xmpsync.solve.problem import Frame

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


@dataclass(frozen=True, slots=True)
class NeutralCast:
    """One marked patch: CIEDE2000 to the grey of its own lightness, and CIELAB a and b, before and after."""

    frame_id: str
    place: Vec2
    delta_e00_before: float
    delta_e00_after: float
    ab_before: Vec2
    ab_after: Vec2

    @property
    def sentence(self) -> str:
        """For a person."""
        a, b = self.ab_after
        x, y = self.place
        return (
            f"Neutral in {self.frame_id} at {x:g},{y:g}: cast {self.delta_e00_before:.1f} dE00 before, "
            f"{self.delta_e00_after:.1f} after (a {a:+.1f}, b {b:+.1f})."
        )


def neutral_casts(frames: tuple[Frame, ...], after: Mapping[str, Develop | None]) -> tuple[NeutralCast, ...]:
    """The cast of every marked neutral at the frame's baseline and at what will be written (None: unchanged)."""
    found = []
    for frame in frames:
        settings = after.get(frame.frame_id) or frame.baseline
        for patch in frame.neutrals:
            before_de00, before_ab = _cast(frame, patch.camera, frame.baseline)
            after_de00, after_ab = _cast(frame, patch.camera, settings)
            place = (patch.x, patch.y)
            found.append(NeutralCast(frame.frame_id, place, before_de00, after_de00, before_ab, after_ab))
    return tuple(found)


def _cast(frame: Frame, camera: Vec3, settings: Develop) -> tuple[float, Vec2]:
    exposure_ev = settings.exposure_ev + frame.baseline_exposure_ev
    xyz = render(frame.profile, np.array(camera), settings.temperature_k, settings.tint, exposure_ev)
    lightness, a, b = lab_from_xyz_d50(xyz)
    grey = np.array([lightness, 0.0, 0.0])
    return float(delta_e00(np.array([lightness, a, b]), grey)), (float(a), float(b))
