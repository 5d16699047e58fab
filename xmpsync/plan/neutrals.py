"""What cast is left on patches that were marked as neutral, before and after."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from xmpsync.colour.camera import render
from xmpsync.colour.cielab import delta_e00, lab_from_xyz_d50
from xmpsync.records import Develop, Vec2, Vec3
from xmpsync.solve.problem import Frame


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
