"""Light falling on a drawn head: how much of each lamp every pixel sends back, apart from its colour."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

from demo_shoot.head import HeadMaps


@dataclass(frozen=True)
class Lamp:
    """One light on one subject.

    `direction` points from the subject to the lamp (x right, y down, z towards the camera), any length.
    `softness` 0 (a bare bulb) .. 1 (open sky): how far light wraps around. `strength` is the illuminance of a
    surface that faces the lamp, relative to the scene's key light.
    """

    direction: tuple[float, float, float]
    strength: float = 1.0
    softness: float = 0.3


def lamp_shading(maps: HeadMaps, lamp: Lamp) -> tuple[np.ndarray, np.ndarray]:
    """(h, w) diffuse and (h, w) glossy share of the lamp's light, both relative to a white surface facing it."""
    light = np.asarray(lamp.direction, float)
    light = light / np.linalg.norm(light)
    facing = maps.normals @ light
    wrap = 0.1 + 0.35 * lamp.softness
    diffuse = np.clip((facing + wrap) / (1.0 + wrap), 0.0, None)
    diffuse = diffuse * (1.0 - (1.0 - lamp.softness) * 0.85 * _cast_shadow(maps, light))
    diffuse = diffuse * maps.cavity ** (0.6 + 1.2 * lamp.softness)
    halfway = light + np.array([0.0, 0.0, 1.0])
    halfway = halfway / np.linalg.norm(halfway)
    sharpness = 60.0 * (1.0 - lamp.softness) + 8.0
    glossy = np.clip(maps.normals @ halfway, 0.0, 1.0) ** sharpness * maps.gloss * (0.10 * (1.0 - 0.8 * lamp.softness))
    return lamp.strength * diffuse, lamp.strength * glossy


def _cast_shadow(maps: HeadMaps, light: np.ndarray) -> np.ndarray:
    """0..1: how far nose, brow and head hide the lamp, by walking the height field towards it."""
    if light[2] <= 0.05:
        return np.zeros_like(maps.depth)
    height = gaussian_filter(maps.depth, 0.006 * maps.scale)
    blocked = np.zeros_like(height)
    for reach in (0.03, 0.05, 0.08, 0.11, 0.15, 0.20, 0.26, 0.33):
        dx, dy = (round(reach * axis * maps.scale) for axis in (light[0] / light[2], light[1] / light[2]))
        if not dx and not dy:
            continue
        ahead = _shifted(height, dx, dy)
        blocked = np.maximum(blocked, np.clip((ahead - height - reach) / 0.05, 0.0, 1.0))
    return gaussian_filter(blocked, 0.015 * maps.scale)


def _shifted(values: np.ndarray, dx: int, dy: int) -> np.ndarray:
    """values[y + dy, x + dx], edges repeated."""
    rows = np.clip(np.arange(values.shape[0]) + dy, 0, values.shape[0] - 1)
    columns = np.clip(np.arange(values.shape[1]) + dx, 0, values.shape[1] - 1)
    return values[rows][:, columns]
