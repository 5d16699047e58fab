"""Broad gloss that one picture of a face cannot show, seen against another picture of the same person.

A sheen that covers most of a face leaves skin that looks like somebody else's: lighter, less saturated, as even as
skin is. But it never covers forehead, nose, cheeks and chin alike, and it moves colour in one direction only, that of
the light. So with y_k = (ln R/G, ln B/G) of region k, b the body, l the light, v = l / b (mean 1), and the same
person's regions in a matte picture y0_k,

    s_k = (y_k - y0_k) . Bv / |Bv|^2,      Bv = (v_R - v_G, v_B - v_G),

is the share of surface reflection that the region gained, up to a constant that all regions share with the change of
the light. The spread of s_k over the regions, noise and what regions of one person differ by from picture to picture
taken off, says how large that constant may be.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from xmpsync.colour.arrays import FloatArray
from xmpsync.skin.covariance import level_chroma_from_log, log_from_level_chroma
from xmpsync.skin.records import FaceSkin, Region
from xmpsync.skin.settings import SkinSettings

REGIONS = tuple(r for r in Region if r is not Region.WHOLE)
SAME_AGAIN = 0.025
"""sd by which a region's chroma against the face's differs between two matte pictures of a person, log units, beyond
noise and texture: its place, the way the face is turned. 0.012 with the places of the gloss bench (the middle over
matte frames), more where faces are found and lit from the side: with 0.02 one whole shoot without gloss of twelve went
from 0.13 to 0.21 dE00, and one from 0.03 to 0.06 EV."""
HIDDEN = 3.0
"""sd of the share that all regions have in common over the spread between them, after `SAME_AGAIN`. 2-3 in sheens over
15-60 % of the skin, first where faces sweat or in patches anywhere, on five kinds of faces."""
MOST_HIDDEN = 0.35
"""Largest sd of a share: beyond it light and skin are too near in colour for the spread to mean anything."""
LEVEL_GAIN = 1.3
"""How much more a sheen lifts the level than its mean share: the level is that of the brighter half, where it lies."""
LIGHT_ERROR = SkinSettings().light_error
"""sd of `light`, log units: it turns the direction."""
LEAST_NOISE = 0.03
"""sd, shares, that keeps a region with little noise from counting alone."""


@dataclass(frozen=True, slots=True, eq=False)
class Patterns:
    """Chroma of regions, one row for each face: `chroma` (N, K, 2), (ln R/G, ln B/G), 0 where not `shown` (N, K), and
    its `covariance` (N, K, 2, 2)."""

    chroma: FloatArray
    covariance: FloatArray
    shown: npt.NDArray[np.bool_]

    def of(self, rows: npt.NDArray[np.intp]) -> Patterns:
        """Those of some faces."""
        return Patterns(self.chroma[rows], self.covariance[rows], self.shown[rows])


def patterns(faces: tuple[FaceSkin, ...]) -> Patterns:
    """The regions of N faces, in the order of `REGIONS`."""
    n, k = len(faces), len(REGIONS)
    camera, covariance = np.ones((n, k, 3)), np.zeros((n, k, 3, 3))
    shown = np.zeros((n, k), dtype=bool)
    for i, face in enumerate(faces):
        for part in face.regions:
            if part.region in REGIONS and min(part.camera) > 0:
                at = REGIONS.index(part.region)
                camera[i, at], covariance[i, at], shown[i, at] = part.camera, part.log_covariance, True
    to = level_chroma_from_log[1:]
    return Patterns(np.log(camera) @ to.T, to @ covariance @ to.T, shown)


def mean_pattern(p: Patterns, rows: npt.NDArray[np.intp]) -> Patterns:
    """One row: what several pictures `rows` of one person show, each against its own mean over the regions."""
    p = p.of(rows)
    shown = p.shown
    count = np.maximum(shown.sum(axis=1), 1)[:, None]
    own = p.chroma - (p.chroma * shown[..., None]).sum(axis=1, keepdims=True) / count[..., None]
    total = np.maximum(shown.sum(axis=0), 1)
    chroma = (own * shown[..., None]).sum(axis=0) / total[:, None]
    covariance = (p.covariance * shown[..., None, None]).sum(axis=0) / (total**2)[:, None, None]
    everywhere: npt.NDArray[np.bool_] = np.asarray(shown.any(axis=0, keepdims=True))
    return Patterns(chroma[None], covariance[None], everywhere)


def hidden_gloss(p: Patterns, camera: FloatArray, light: FloatArray, matte: Patterns) -> FloatArray:
    """Covariance (N, 3, 3) of ln camera by gloss that the faces may have beyond the same persons' in `matte` (N rows,
    or one for all). `camera`, `light` (N, 3): colours of the faces and of white under their lights, at any scale.

    Zeros where fewer than two regions are shown by both.
    """
    v = light / camera
    v = v / v.mean(axis=-1, keepdims=True)
    toward = v @ level_chroma_from_log[1:].T
    size = np.maximum((toward**2).sum(axis=-1), 1e-9)[:, None]
    both = p.shown & matte.shown
    share = np.where(both, ((p.chroma - matte.chroma) * toward[:, None]).sum(axis=-1) / size, 0.0)
    along = np.einsum("nkij,ni,nj->nk", p.covariance + matte.covariance, toward, toward)
    noise = along / size**2 + SAME_AGAIN**2 / size
    weight = np.where(both, 1.0 / (noise + LEAST_NOISE**2), 0.0)
    weight /= np.maximum(weight.sum(axis=1, keepdims=True), 1e-9)
    mean = (weight * share).sum(axis=1, keepdims=True)
    counts = 1.0 - (weight**2).sum(axis=1)
    spread = (weight * (share - mean) ** 2).sum(axis=1) / np.maximum(counts, 1e-9)
    beyond = np.maximum(spread - (weight * noise).sum(axis=1), 0.0)
    sd = np.minimum(HIDDEN * np.sqrt(beyond), MOST_HIDDEN)
    change = np.concatenate([LEVEL_GAIN * v[:, 1:2], toward], axis=1) @ log_from_level_chroma.T
    direction = LIGHT_ERROR**2 * v[:, :, None] ** 2 * np.eye(3)
    answer: FloatArray = (sd**2)[:, None, None] * (change[:, :, None] * change[:, None, :] + direction)
    return answer
