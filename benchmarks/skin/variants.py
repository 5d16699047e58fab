"""Other faces made from the two portraits, since an estimator could learn two patterns of skin by heart.

Geometry, outline and fine texture stay the portrait's; what is changed is where its skin is darker, redder or shiny.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy import ndimage

from benchmarks.skin.portraits import NATURAL_SPREAD, Portrait, cloud, redness
from benchmarks.skin.spectra import Array

PLACES = ((151, 0.22), (4, 0.08), (117, 0.13), (346, 0.13), (205, 0.12), (425, 0.12), (199, 0.12))
"""Mesh points and reach, face widths, of what differs between people: forehead, nose, cheekbones, cheeks, chin."""
CHEEKBONES = ((117, 0.12), (346, 0.12))
SPREADS = (0.03, NATURAL_SPREAD)
"""sd of ln R/G over the clean skin of other people: nearly even, and the most that the portraits have."""
FOUNDATION, ROUGE = 0.35, 0.15
"""What foundation leaves of skin's own unevenness, and the step of blood that rouge adds at its middle."""


def own(portrait: Portrait, rng: np.random.Generator) -> Portrait:
    """The portrait as it was taken, with the gloss that the photographer's light left in it."""
    return portrait


def clean(portrait: Portrait, rng: np.random.Generator) -> Portrait:
    """Without the gloss of the photograph: no bumps of light, and melanin and blood that do not follow them.

    A mirror reflection in the picture looks like a bright spot with less melanin and less blood.
    """
    logs = np.log(portrait.shading)
    size = portrait.face_width
    broad = ndimage.gaussian_filter(logs, 0.08 * size)
    bump = np.maximum(ndimage.gaussian_filter(logs, 0.016 * size) - broad, 0.0)
    even = [values - _slope(bump, values, portrait) * bump for values in (portrait.melanin, portrait.blood)]
    return replace(portrait, shading=np.exp(logs - bump), melanin=even[0], blood=even[1])


def other(portrait: Portrait, rng: np.random.Generator) -> Portrait:
    """Another person's unevenness: places lighter, darker, redder at random, and the clean portrait's fine texture."""
    base = clean(portrait, rng)
    size, shape = base.face_width, base.truth.shape
    fine = [values - ndimage.gaussian_filter(values, 0.04 * size) for values in (base.melanin, base.blood)]
    broad = [_places(base, PLACES, rng.normal(size=len(PLACES))) + 0.5 * cloud(shape, 0.12 * size, rng) for _ in fine]
    wanted = float(rng.uniform(*SPREADS))
    melanin, blood = (f + b * wanted for f, b in zip(fine, broad, strict=True))
    scale = wanted / float(redness(melanin, blood)[base.truth].std())
    middle = [float(np.median(values[base.truth])) for values in (melanin, blood)]
    melanin, blood = (np.clip(scale * (v - m), -0.5, 0.8) for v, m in zip((melanin, blood), middle, strict=True))
    return replace(base, name=f"{base.name} other", melanin=melanin, blood=blood)


def made_up(portrait: Portrait, rng: np.random.Generator) -> Portrait:
    """Foundation over another person's skin, rouge on the cheekbones."""
    base = other(portrait, rng)
    rouge = ROUGE * _places(base, CHEEKBONES, np.ones(len(CHEEKBONES)))
    return replace(base, melanin=FOUNDATION * base.melanin, blood=FOUNDATION * base.blood + rouge)


FACES: dict[str, Callable[[Portrait, np.random.Generator], Portrait]] = {
    "own": own, "clean": clean, "other": other, "made-up": made_up,
}  # fmt: skip


def _places(portrait: Portrait, places: tuple[tuple[int, float], ...], amounts: Array) -> Array:
    h, w = portrait.truth.shape
    yy, xx = np.mgrid[0:h, 0:w]
    field = np.zeros((h, w))
    for (point, reach), amount in zip(places, amounts, strict=True):
        x, y = portrait.mesh[point]
        field += amount * np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / (2 * (reach * portrait.face_width) ** 2))
    return field


def _slope(bump: Array, values: Array, portrait: Portrait) -> float:
    """By how much `values` fall with the bump inside the clean skin; 0 where they rise."""
    return min(0.0, float(np.polyfit(bump[portrait.truth], values[portrait.truth], 1)[0]))
