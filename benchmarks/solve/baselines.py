"""What one does without this solver, on the same simulated shoot."""

from __future__ import annotations

import numpy as np

from benchmarks.solve.wedding import Shoot
from xmpsync.colour.camera import white_from_neutral
from xmpsync.colour.match import settings_for_target
from xmpsync.records import Settings3, Vec3


def as_shot(shoot: Shoot) -> list[Settings3]:
    """The camera's own white, no exposure."""
    return [f.as_shot for f in shoot.request.frames]


def grey_world(shoot: Shoot) -> list[Settings3]:
    """The mean of the scene taken for neutral."""
    return [_white(shoot, i, t.scene_mean) for i, t in enumerate(shoot.truth)]


def shades_of_grey(shoot: Shoot) -> list[Settings3]:
    """The Minkowski mean of the scene (p = 6; Finlayson & Trezzi 2004) taken for neutral."""
    return [_white(shoot, i, t.shades) for i, t in enumerate(shoot.truth)]


def grey_card(shoot: Shoot) -> list[Settings3]:
    """A perfect grey card in every frame, with its exposure."""
    return [_white(shoot, i, t.grey_card) for i, t in enumerate(shoot.truth)]


def per_frame(shoot: Shoot) -> list[Settings3]:
    """Each frame alone: its first face brought to the reference's first face; without a face as-shot."""
    target = shoot.targets[min(shoot.reference_persons)]
    out = []
    for frame in shoot.request.frames:
        skin = next((f.skin for f in frame.faces if f.skin), None)
        if skin is None:
            out.append(frame.as_shot)
            continue
        kelvin, tint, ev = settings_for_target(frame.profile, np.array(skin.camera), target)
        out.append(Settings3(float(kelvin), float(tint), float(ev)) if np.isfinite(kelvin) else frame.as_shot)
    return out


def _white(shoot: Shoot, i: int, neutral: Vec3) -> Settings3:
    frame = shoot.request.frames[i]
    values = np.array(neutral) / max(neutral)
    kelvin, tint = white_from_neutral(frame.profile, values)
    return Settings3(float(kelvin), float(tint), 0.0) if np.isfinite(kelvin + tint) else frame.as_shot


BASELINES = {
    "as-shot": as_shot,
    "grey world": grey_world,
    "shades of grey": shades_of_grey,
    "perfect grey card": grey_card,
    "per-frame solve": per_frame,
}
