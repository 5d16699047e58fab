"""How much of a bin's light is a mirror reflection, by the dichromatic model (Shafer 1985).

A bin's camera colour is p = a b + s l: body colour b times shading a, plus surface reflection s in the colour l of the
light. Divided by the body, q = p / b = a 1 + s v with v = l / b; with u = v - mean(v) the least-squares answer is
s = q.u / u.u in units where mean(v) = 1, and a = mean(q) - s. The light's own camera colour is known only roughly (the
as-shot neutral, or a prior); an error of its direction turns a specular bin's share by that angle only.

For light skin b and l are near each other and a specular bin does little harm; for dark skin they are far apart, the
harm is large and so is its visibility here.
"""

from __future__ import annotations

import numpy as np

from xmpsync.skin.bins import Array

LEAST_CONTRAST = 0.02
"""u.u below which body and light have the same colour, and nothing can be told apart."""


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
