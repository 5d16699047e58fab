"""How much of a bin's light is a mirror reflection, by the dichromatic model (Shafer 1985).

A bin's camera colour is p = a b + s l: body colour b times shading a, plus surface reflection s in the colour l of the
light. Divided by the body, q = p / b = a 1 + s v with v = l / b; with u = v - mean(v) the least-squares answer is
s = q.u / u.u in units where mean(v) = 1, and a = mean(q) - s. The light's own camera colour is known only roughly (the
as-shot neutral, or a prior) and its error counts
where much is taken off.

Skin's own colour spreads about a centre to both sides, a sheen to one side only. Whether there is a sheen, how much of
the face it covers and where the matte centre lies are not decided but weighed: all combinations of a few values are
judged by their likelihood, and centre, correction and uncertainty are means over them. Where skin and light are near
each other in colour, or the shares look like skin's own, hardly anything is corrected; nothing jumps in between.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from xmpsync.colour.arrays import FloatArray
from xmpsync.skin.settings import SkinSettings

MOST_SHARE = 0.95
LEAST_CONTRAST = 0.02
"""u.u below which body and light have the same colour, and nothing can be told apart."""
CENTRES, CLASSES = 16, 32
"""Places of the centre that are tried, and classes of the histogram of shares."""
COVERED = np.array([0.0, 0.1, 0.25, 0.4, 0.55, 0.7])
"""Parts of the bins under a sheen that are tried; none has as much prior weight as all others together."""
REACH = np.array([0.1, 0.2, 0.35, 0.6])
"""Largest shares of a sheen that are tried; below it all shares are alike in number."""


@dataclass(frozen=True, slots=True, eq=False)
class Separation:
    """`sheen` (n,): expected share of surface reflection per bin. `body` (n, 3): factor to the bin's camera values that
    leaves the body. `error` (3, 3): covariance of ln camera of the mean body: of its centre and of the light's colour.
    """

    sheen: FloatArray
    body: FloatArray
    error: FloatArray


def separate(camera: FloatArray, variance: FloatArray, light: FloatArray, settings: SkinSettings) -> Separation:
    """Bins (n, 3) of one body under one light, their surface reflection taken off. `light` (3,) at any scale."""
    n = len(camera)
    sheen, factor, error = np.zeros(n), np.ones((n, 3)), np.zeros((3, 3))
    body = np.exp(np.median(np.log(camera), axis=0))
    for _ in range(settings.specular_passes):
        share, sd = specular_share(camera, variance, body, light)
        if not np.isfinite(sd).all():
            break
        v = light / body
        v = v / v.mean()
        per_share = float(np.hypot(v[0] - v[1], v[2] - v[1]))
        noise = float(np.median(sd))
        _, spread, sheen = weigh(share, noise, per_share, settings)
        q = camera / body
        factor = np.maximum(q - (sheen * q.mean(axis=1))[:, None] * v, (1.0 - MOST_SHARE) * q) / q
        doubt = float(sheen.mean()) * settings.light_error
        unlike = max(0.0, float(share.var()) - noise**2 - (settings.most_own_chroma / per_share) ** 2)
        error = (spread**2 + unlike) * np.outer(v, v) + doubt**2 * np.diag(v**2)
        body = np.exp(np.mean(np.log(camera * factor), axis=0))
    return Separation(sheen, factor, error)


def weigh(
    share: FloatArray, noise: float, chroma_per_share: float, settings: SkinSettings
) -> tuple[float, float, FloatArray]:
    """The matte centre of the shares, its sd, and the expected share of sheen (n,) per bin.

    `noise`: sd of a share by noise. `chroma_per_share`: change of (ln R/G, ln B/G) for a share of one.
    """
    low, high = (float(v) for v in np.quantile(share, (0.005, 0.995)))
    high = max(high, low + 1e-3)
    count, edges = np.histogram(np.clip(share, low, high), CLASSES, (low, high))
    at = 0.5 * (edges[1:] + edges[:-1])
    centres = np.unique(np.quantile(share, np.linspace(0.04, 0.75, CENTRES)))
    own = np.asarray(settings.own_chroma) / chroma_per_share
    prior_own = np.asarray(settings.own_chroma_weight)
    sd = np.sqrt(own**2 + noise**2 + (at[1] - at[0]) ** 2 / 12)
    # axes: centre, own spread, reach, class of the histogram
    d = (at - centres[:, None, None, None]) / sd[:, None, None]
    matte = np.exp(-0.5 * d**2) / (np.sqrt(2 * np.pi) * sd[:, None, None])
    reach = REACH[:, None] / sd[:, None, None]
    below, past = ndtr(d), ndtr(d - reach)
    shiny = (below - past) / REACH[:, None]
    covered = COVERED[:, None, None, None, None]
    density = (1 - covered) * matte + covered * shiny
    weight = np.where(COVERED == 0, 0.5, 0.5 / (len(COVERED) - 1))
    independent = min(settings.own_patches, len(share) / settings.texture_correlation_bins)
    score = np.log(np.maximum(density, 1e-12)) @ (count / count.sum() * independent)
    score += np.log(weight)[:, None, None, None] + np.log(prior_own)[:, None]
    p = np.exp(score - score.max())
    p /= p.sum()
    centre = float(np.einsum("fcsr,c->", p, centres))
    spread = float(np.sqrt(np.einsum("fcsr,c->", p, (centres - centre) ** 2)))
    # expected sheen of a class: the part of the shiny density times a normal's mean cut off at none and at the reach
    z = np.maximum(below - past, 1e-12)
    pdf = np.exp(-0.5 * d**2) / np.sqrt(2 * np.pi), np.exp(-0.5 * (d - reach) ** 2) / np.sqrt(2 * np.pi)
    mean = np.clip(np.clip(d + (pdf[0] - pdf[1]) / z, 0.0, 1e3) * sd[:, None, None], 0.0, REACH[:, None])
    expected = np.einsum("fcsr,fcsrk,csrk->k", p, covered * shiny / np.maximum(density, 1e-12), mean)
    return centre, spread, np.interp(share, at, expected)


def specular_share(
    camera: FloatArray, variance: FloatArray, body: FloatArray, light: FloatArray
) -> tuple[FloatArray, FloatArray]:
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
