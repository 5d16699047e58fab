"""Things before a face: a hand, a veil, glasses, a microphone; painted on the portrait, lit with it.

All are in the face's own coordinates: origin between the eyes, x along the eye line in eye distances, y down.
Reflectances are of linear sRGB; values are common for the material (white tulle 0.8, dark frame 0.03) and from memory.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import ndimage

from benchmarks.faces.portraits import Portrait

Layer = tuple[np.ndarray, np.ndarray]
"""Colours (h, w, 3) or (3,), and how much they cover (h, w), 0..1."""


def _coordinates(person: Portrait) -> tuple[np.ndarray, np.ndarray, float]:
    """x and y (h, w) of the face, and pixels to the unit."""
    right, left = person.points[0], person.points[1]
    unit = float(np.hypot(*(left - right)))
    unit = max(unit, 0.35 * person.face_px)
    ys, xs = np.mgrid[0 : person.linear.shape[0], 0 : person.linear.shape[1]] + 0.5
    along = (left - right) / max(float(np.hypot(*(left - right))), 1e-6)
    offset_x, offset_y = xs - (right[0] + left[0]) / 2, ys - (right[1] + left[1]) / 2
    return (
        (offset_x * along[0] + offset_y * along[1]) / unit,
        (-offset_x * along[1] + offset_y * along[0]) / unit,
        unit,
    )


def _laid(person: Portrait, colour: np.ndarray, cover: np.ndarray) -> Portrait:
    mixed = person.linear * (1 - cover[..., None]) + colour * cover[..., None]
    return replace(person, linear=np.asarray(mixed, dtype=np.float32))


def _soft(inside: np.ndarray, unit: float) -> np.ndarray:
    return np.asarray(ndimage.gaussian_filter(inside.astype(np.float32), max(0.6, 0.012 * unit)))


def hand(person: Portrait, skin: np.ndarray, rng: np.random.Generator) -> Portrait:
    """Fingers and palm before chin, cheek, mouth or brow; a fifth to two fifths of the face. `skin`: linear sRGB."""
    x, y, unit = _coordinates(person)
    side = float(rng.choice([-1, 1]))
    places = {"chin": (0.25 * side, 1.55, -90), "cheek": (0.75 * side, 0.85, -90), "mouth": (0.1 * side, 1.2, -60)}
    at_x, at_y, heading = places[str(rng.choice(list(places)))]
    heading = np.radians(heading + side * rng.uniform(-25, 25))
    cos, sin = np.cos(heading), np.sin(heading)
    u, v = (x - at_x) * cos + (y - at_y) * sin, -(x - at_x) * sin + (y - at_y) * cos
    height = np.full(x.shape, -1.0)  # of the surface, 1 at the middle of a finger; below 0 no hand
    for n in range(4):
        width, length = 0.115, (0.5, 0.62, 0.58, 0.45)[n] + rng.uniform(-0.05, 0.05)
        off = (n - 1.5) * 0.225 + rng.uniform(-0.015, 0.015)
        far = np.clip(u, -0.2, length)
        height = np.maximum(height, 1 - (np.hypot(u - far, v - off) / width) ** 2)
    palm = 1 - (np.hypot(np.clip(np.abs(u + 0.45) - 0.3, 0, None), np.clip(np.abs(v) - 0.25, 0, None)) / 0.18) ** 2
    height = np.maximum(height, palm)
    shade = 0.55 + 0.45 * np.sqrt(np.clip(height, 0, 1))
    texture = 1 + 0.04 * ndimage.gaussian_filter(rng.normal(size=x.shape), 0.02 * unit) * 0.02 * unit
    cover = _soft(height > 0, unit)
    shadow = 1 - 0.35 * ndimage.gaussian_filter(cover, 0.06 * unit)[..., None]
    return _laid(replace(person, linear=person.linear * shadow), skin * (shade * texture)[..., None], cover)


def veil(person: Portrait, rng: np.random.Generator) -> Portrait:
    """Tulle before the whole head: a fine net, folds that cover more, at times a lace border; one in five is black."""
    x, y, unit = _coordinates(person)
    base = rng.uniform(0.15, 0.45)
    pitch = rng.uniform(0.03, 0.06)
    net = (np.abs(np.sin(np.pi * (x + 0.3 * y) / pitch)) > 0.85) | (
        np.abs(np.sin(np.pi * (y - 0.3 * x) / pitch)) > 0.85
    )
    cover = base * (0.75 + 0.5 * ndimage.gaussian_filter(net.astype(float), 0.5))
    for _ in range(int(rng.integers(2, 5))):
        where, slant, width = rng.uniform(-1.3, 1.3), rng.normal(0, 0.2), rng.uniform(0.04, 0.15)
        cover += rng.uniform(0.1, 0.3) * np.exp(-(((x - where - slant * y) / width) ** 2))
    if rng.uniform() < 0.4:
        edge = rng.uniform(0.4, 1.4)
        lace = (np.sin(x * 22) * np.sin(y * 22) > 0.2) & (np.abs(y - edge - 0.05 * np.sin(9 * x)) < 0.18)
        cover += 0.5 * _soft(lace, unit)
    colour = np.array([0.03, 0.03, 0.035]) if rng.uniform() < 0.2 else np.array([0.78, 0.77, 0.75])
    return _laid(person, colour * (1 + 0.1 * np.sin(3 * x))[..., None], np.clip(cover, 0, 0.75))


def glasses(person: Portrait, rng: np.random.Generator) -> Portrait:
    """Frames; lenses clear, tinted, or (one in three) sunglasses; glints in most."""
    x, y, unit = _coordinates(person)
    half_w, half_h, corner = rng.uniform(0.36, 0.46), rng.uniform(0.22, 0.34), rng.uniform(0.08, 0.2)
    rim = rng.uniform(0.015, 0.06)
    dark = rng.uniform() < 0.33
    frame_colour = np.array([(0.03, 0.03, 0.03), (0.25, 0.12, 0.05), (0.6, 0.5, 0.3)][int(rng.integers(3))])
    lens_colour = np.array([0.02, 0.02, 0.025]) if dark else np.array([0.4, 0.4, 0.42])
    lens_cover = rng.uniform(0.75, 0.95) if dark else rng.uniform(0.0, 0.15)
    out = person
    for side in (-1, 1):
        a, b = x - side * 0.5, y - 0.05
        reach = np.hypot(np.clip(np.abs(a) - half_w + corner, 0, None), np.clip(np.abs(b) - half_h + corner, 0, None))
        out = _laid(out, lens_colour, lens_cover * _soft(reach < corner, unit))
        out = _laid(out, frame_colour, _soft(np.abs(reach - corner) < rim, unit))
        if rng.uniform() < 0.7:
            where, slant = rng.uniform(-0.2, 0.2), rng.uniform(-0.5, 0.5)
            streak = (np.abs(a - where - slant * b) < rng.uniform(0.03, 0.12)) & (reach < corner)
            out = _laid(out, np.array([0.9, 0.92, 0.95]), rng.uniform(0.3, 0.8) * _soft(streak, unit))
    bridge = (np.abs(x) < 0.5 - half_w + rim) & (np.abs(y - 0.0) < rim)
    return _laid(out, frame_colour, _soft(bridge, unit))


def thing(person: Portrait, rng: np.random.Generator) -> Portrait:
    """A microphone, a glass, a flower: one roundish thing over mouth or chin, a tenth to a quarter of the face."""
    x, y, unit = _coordinates(person)
    at_x, at_y, radius = rng.uniform(-0.5, 0.5), rng.uniform(1.1, 1.6), rng.uniform(0.25, 0.42)
    inside = np.hypot(x - at_x, y - at_y) / radius
    stick = (np.abs(x - at_x - 0.15 * (y - at_y)) < 0.3 * radius) & (y > at_y)
    cover = _soft((inside < 1) | stick, unit)
    colour = np.clip(rng.uniform(0.02, 0.7, 3), 0.02, 0.8)
    shade = 0.6 + 0.4 * np.sqrt(np.clip(1 - inside**2, 0, 1))
    return _laid(person, colour * shade[..., None], cover)
