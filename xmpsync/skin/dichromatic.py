"""How much of a bin's light is a mirror reflection, by the dichromatic model (Shafer 1985).

A bin's camera colour is p = a b + s l: body colour b times shading a, plus surface reflection s in the colour l of the
light. Divided by the body, q = p / b = a 1 + s v with v = l / b; with u = v - mean(v) the least-squares answer is
s = q.u / u.u in units where mean(v) = 1, and a = mean(q) - s. The light's own camera colour is known only roughly (the
as-shot neutral, or a prior); an error of its direction turns a specular bin's share by that angle only.

For light skin b and l are near each other and a specular bin does little harm; for dark skin they are far apart, the
harm is large and so is its visibility here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.skin.bins import Array, Mask

LEAST_SPREAD = 1e-3
"""Spread of shares below which a perfectly even surface is not cut."""
MOST_SHARE = 0.95
LEAST_CONTRAST = 0.02
"""u.u below which body and light have the same colour, and nothing can be told apart."""


@dataclass(frozen=True, slots=True, eq=False)
class Separation:
    """`matte`, `specular` (n,): without and with a visible surface reflection; `body_log_level` (n,): ln green of the
    body alone where specular, as measured where matte."""

    matte: Mask
    specular: Mask
    body_log_level: Array
    spread: float
    log_per_share: Array
    """Spread of the shares below their centre, and change of ln camera (3,) per unit of share."""


def separate(
    camera: Array, variance: Array, log_level: Array, light: Array, sd_limit: float, passes: int
) -> Separation:
    """Bins (n, 3) of one body under one light told apart by their specular share.

    The matte bins are the lower part of the shares: what lies more than `sd_limit` times the spread below the centre
    above it is left out, and centre and spread are taken anew from what remains. Skin's own variation and noise are
    symmetric and stay; a sheen has only an upper side and goes.
    """
    n = len(camera)
    matte = np.ones(n, dtype=bool)
    share, body, spread = np.zeros(n), np.ones(3), 0.0
    for _ in range(passes):
        body = np.exp(np.median(np.log(camera[matte]), axis=0))
        share, sd = specular_share(camera, variance, body, light)
        if not np.isfinite(sd).all():
            return Separation(np.ones(n, dtype=bool), np.zeros(n, dtype=bool), log_level, 0.0, np.zeros(3))
        share = share - np.median(share[matte])
        below = share[matte & (share < 0)]
        spread = float(np.sqrt((below**2).mean())) if len(below) else 0.0
        kept = share < sd_limit * max(spread, LEAST_SPREAD)
        if (kept == matte).all():
            break
        matte = kept
    shading = (camera / body).mean(axis=-1) * (1.0 - np.clip(share, 0.0, MOST_SHARE))
    level = np.where(matte, log_level, np.log(np.maximum(shading * body[1], 1e-12)))
    v = light / body
    return Separation(matte, ~matte, level, spread, v / v.mean())


def specular_share(camera: Array, variance: Array, body: Array, light: Array) -> tuple[Array, Array]:
    """Share s / (a + s) of surface reflection per bin (n,), negative where less than in `body`, and its sd (n,).

    `camera`, `variance` (n, 3), `body`, `light` (3,) at any scale. Zero shares with infinite sd when body and light
    have the same colour.
    """
    v = light / body
    v = v / v.mean()
    u = v - v.mean()
    contrast = float(u @ u)
    q = camera / body
    level = np.maximum(q.mean(axis=-1), 1e-12)
    if contrast < LEAST_CONTRAST:
        return np.zeros(len(camera)), np.full(len(camera), np.inf)
    share = q @ u / contrast / level
    sd = np.sqrt((variance / body**2) @ u**2) / contrast / level
    return share, sd
