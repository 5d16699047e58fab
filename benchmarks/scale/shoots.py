"""Simulated shoots: pairs that an editor saved, and how far skin is off after our numbers are written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchmarks.scale import consumer, world
from xmpsync.colour.camera import render, white_from_neutral
from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.colour.cielab import skin_difference
from xmpsync.colour.match import settings_for_target
from xmpsync.colour.scale import ScalePair

AWB_SD = 0.03
"""Spread of ln of an as-shot neutral about the true one: automatic white balance wanders by some 5 mired, 8 tint."""

SKINS_PER_SHOOT = 4


@dataclass(frozen=True)
class Errors:
    """Skin of frames against the reference as the editor renders them: equal-luminance dE00, |EV|, kind of light."""

    delta_e00: np.ndarray
    level_ev: np.ndarray
    kind: np.ndarray


def neutral(light: np.ndarray, sensitivity: np.ndarray, rng: np.random.Generator | None = None) -> np.ndarray:
    """The camera neutral under a light, largest 1; with `rng` as an automatic white balance finds it."""
    found = consumer.seen(light, np.ones((1, len(light))), sensitivity)[0]
    if rng is not None:
        found = found * np.exp(rng.normal(0.0, AWB_SD, 3))
    return np.asarray(found / found.max())


def pairs(
    editor: CameraProfile,
    sensitivity: np.ndarray,
    kinds: Sequence[str],
    count: int,
    rng: np.random.Generator,
    *,
    step_k: float = 1.0,
    stray_every: int = 0,
) -> list[ScalePair]:
    """`count` pairs over the kinds of light in turn; the editor saves whole tints and multiples of `step_k`, with every
    so many a stray that is a whole kelvin."""
    found: list[ScalePair] = []
    while len(found) < count:
        lights = world.lights()[kinds[len(found) % len(kinds)]]
        n = neutral(lights[rng.integers(len(lights))], sensitivity, rng)
        temperature_k, tint = white_from_neutral(editor, n)
        if np.isfinite(temperature_k):
            stray = stray_every and len(found) % stray_every == stray_every - 1
            step = 1.0 if stray else step_k
            found.append(ScalePair((float(n[0]), float(n[1]), float(n[2])), float(step * np.rint(temperature_k / step)),
                                   float(np.rint(tint))))  # fmt: skip
    return found


def errors(
    editor: CameraProfile,
    ours: CameraProfile,
    sensitivity: np.ndarray,
    rng: np.random.Generator,
    reference: tuple[CameraProfile, CameraProfile, np.ndarray] | None = None,
) -> Errors:
    """Solve every light's skin on a daylight reference with our profile, write, let the editor render.

    `reference`: (editor's profile, our profile, sensitivity) of the body that took the reference; default the same.
    """
    ref_editor, ref_ours, ref_sensitivity = reference or (editor, ours, sensitivity)
    spectra = world.skin()[1]
    skin = spectra[rng.integers(len(spectra), size=SKINS_PER_SHOOT)]
    daylight = world.daylight(5400.0)
    seen = consumer.seen(daylight, skin, ref_sensitivity)
    n = neutral(daylight, ref_sensitivity, rng)
    # The reference stands at its as-shot white: each side reads the neutral, the editor shows its own numbers.
    believed = render(ref_ours, seen, *white_from_neutral(ref_ours, n), 0.0)
    shown = render(ref_editor, seen, *white_from_neutral(ref_editor, n), 0.0)
    delta, level, kinds = [], [], []
    for kind, lights in world.lights().items():
        for light in lights:
            camera = consumer.seen(light, skin, sensitivity)
            temperature_k, tint, ev = settings_for_target(ours, camera, believed)
            temperature_k = np.rint(np.clip(temperature_k, 2000.0, 50000.0))
            tint = np.rint(np.clip(tint, -150.0, 150.0))
            d, e = skin_difference(render(editor, camera, temperature_k, tint, np.round(ev, 2)), shown)
            delta.append(d)
            level.append(np.abs(e))
            kinds.append(np.full(len(d), kind))
    return Errors(np.concatenate(delta), np.concatenate(level), np.concatenate(kinds))
