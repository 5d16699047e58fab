"""The colour of a person's lit, diffuse skin in linear camera values, and how sure it is.

Steps: bins inside the facial places (gather); skin by colour (mask); lit and shadow side, the side that dominates by
area (levels); surface reflections left out (dichromatic); per region the mean of what remains; the face's colour as
the weighted mean of its regions' chromaticities, its level from the dominating side as a whole; covariance.

Chromaticity and level are kept apart because shading scales a body's colour without turning it: colour may be averaged
over any shading, level may not.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from xmpsync.colour.arrays import FloatArray
from xmpsync.records import Vec2, Vec3
from xmpsync.skin.bins import Mask
from xmpsync.skin.covariance import Estimate, Level, combine, estimate_mean, log_from_level_chroma, to_mat3
from xmpsync.skin.dichromatic import separate
from xmpsync.skin.gather import TINY, Evidence, gather
from xmpsync.skin.mask import colour_mode, colour_trim
from xmpsync.skin.records import Cells, FaceSkin, NeutralPatch, Place, Region, RegionSkin, Unusable
from xmpsync.skin.settings import SkinSettings
from xmpsync.skin.sides import side_difference
from xmpsync.skin.two_levels import LN2, rank_window, split_levels

PATCH_CORNERS = 24


def measure_face(
    cells: Cells,
    places: tuple[Place, ...],
    settings: SkinSettings | None = None,
    *,
    neutral: Vec3 | None = None,
) -> FaceSkin | Unusable:
    """Lit, diffuse skin of the face whose regions are `places`, or why there is none.

    `cells` covers at least the places. `neutral`: camera colour of white under the frame's light as far as known (the
    as-shot neutral), at any scale; it steers only which bins count as surface reflections.
    """
    settings = settings or SkinSettings()
    evidence = gather(cells, places, settings)
    if isinstance(evidence, Unusable):
        return evidence
    usable = int(evidence.usable.sum())
    if evidence.spoiled.mean() > 1.0 - settings.min_unclipped:
        return Unusable.CLIPPED
    if usable == 0:
        return Unusable.TOO_DARK
    skin = skin_bins(evidence, settings)
    if skin.sum() < settings.min_skin * usable:
        return Unusable.NO_SKIN
    if skin.sum() < settings.min_bins:
        return Unusable.FEW_PIXELS
    light = np.asarray(neutral if neutral is not None else settings.light_prior, dtype=np.float64)
    return _assemble(evidence, skin, dominating_side(evidence, skin, settings), light, settings)


def measure_patch(
    cells: Cells,
    x: float,
    y: float,
    radius: float,
    settings: SkinSettings | None = None,
    *,
    neutral: Vec3 | None = None,
) -> FaceSkin | Unusable:
    """Skin of a round patch marked by hand: `x`, `y` fractions of the upright picture, `radius` of its longer side."""
    return measure_face(cells, (patch_place(cells, x, y, radius),), settings, neutral=neutral)


def measure_neutral(
    cells: Cells, x: float, y: float, radius: float, settings: SkinSettings | None = None
) -> NeutralPatch | Unusable:
    """Robust mean of the unclipped cells of a patch marked as neutral; geometry as in `measure_patch`."""
    settings = settings or SkinSettings()
    evidence = gather(cells, (patch_place(cells, x, y, radius),), settings)
    if isinstance(evidence, Unusable):
        return evidence
    if evidence.spoiled.mean() > 1.0 - settings.min_unclipped:
        return Unusable.CLIPPED
    kept = np.flatnonzero(evidence.usable)
    if len(kept) == 0:
        return Unusable.TOO_DARK
    chroma = evidence.chroma[kept]
    centre = np.median(chroma, axis=0)
    near, _ = colour_trim(chroma, evidence.chroma_variance[kept], np.ones(len(kept)), centre, settings)
    kept = kept[near]
    kept = kept[rank_window(evidence.log_level[kept], settings.colour_window)]
    if len(kept) < settings.min_region_bins:
        return Unusable.FEW_PIXELS
    estimate = estimate_mean(evidence, kept, settings)
    return NeutralPatch(estimate.camera, to_mat3(estimate.log_covariance), len(kept) * evidence.cells_per_bin)


def patch_place(cells: Cells, x: float, y: float, radius: float) -> Place:
    """A round place of `radius` (fraction of the picture's longer side) about a point, as a polygon."""
    h, w = cells.clipped.shape
    width, height = w / cells.box.width, h / cells.box.height
    longer = max(width, height)
    angle = 2 * np.pi * np.arange(PATCH_CORNERS) / PATCH_CORNERS
    dx, dy = radius * longer / width * np.cos(angle), radius * longer / height * np.sin(angle)
    corners: tuple[Vec2, ...] = tuple((float(x + a), float(y + b)) for a, b in zip(dx, dy, strict=True))
    return Place(Region.WHOLE, corners)


def skin_bins(evidence: Evidence, settings: SkinSettings) -> Mask:
    """Usable bins (n,) that agree on one body colour and are not far darker than the rest of it."""
    index = np.flatnonzero(evidence.usable)
    chroma, variance = evidence.chroma[index], evidence.chroma_variance[index]
    region = evidence.region[index]
    weight = 1.0 / (variance + settings.mode_end**2)
    starts = [np.median(chroma[region == r], axis=0) for r in np.unique(region)]
    centre = colour_mode(chroma, weight, np.stack(starts), settings)
    near, _ = colour_trim(chroma, variance, weight, centre, settings)
    level = evidence.log_level[index]
    if near.any():
        near &= level > np.median(level[near]) - settings.dark_ev * LN2
    skin = np.zeros(len(evidence.usable), dtype=bool)
    skin[index[near]] = True
    return skin


def dominating_side(evidence: Evidence, skin: Mask, settings: SkinSettings) -> Mask:
    """Bins (n,) of the side that dominates by area: skin, and clipped bins where the bright side dominates."""
    members = np.flatnonzero(skin | evidence.spoiled)
    sides = split_levels(evidence.log_level[members], settings)
    result = np.zeros(len(skin), dtype=bool)
    if not sides.two:
        result[members] = True
    else:
        result[members[sides.lit == (sides.lit_share >= settings.dominating_share)]] = True
    return result


def _assemble(
    evidence: Evidence, skin: Mask, side: Mask, light: FloatArray, settings: SkinSettings
) -> FaceSkin | Unusable:
    # a shadow half in the same light has the same colour: both halves count, whichever is the brighter one just now
    sides = side_difference(evidence, skin, settings)
    area = side if sides is None or sides.mixed_light else side | skin
    index = np.flatnonzero(area & skin)
    if len(index) < settings.min_region_bins:
        return Unusable.CLIPPED if evidence.spoiled.any() else Unusable.FEW_PIXELS
    split = separate(evidence.smoothed[index], evidence.smoothed_variance[index], light, settings)
    evidence = _without_sheen(evidence, index, split.body)
    matte = np.zeros(len(side), dtype=bool)
    matte[index[split.sheen < settings.shiny_share]] = True
    sheen = np.zeros(len(side))
    sheen[index] = split.sheen
    body = np.median(evidence.smoothed[matte if matte.any() else area & skin], axis=0)
    restored = level_by_sound_channel(evidence, body, settings)
    ranked = np.where(evidence.clipped & np.isfinite(restored), restored, evidence.log_level)

    regions: list[RegionSkin] = []
    estimates: list[Estimate] = []
    weights: list[float] = []
    for r, name in enumerate(evidence.regions):
        here = evidence.region == r
        members = np.flatnonzero(here & area)
        if len(members) < settings.min_region_bins:
            continue
        kept = members[rank_window(ranked[members], settings.colour_window) & matte[members]]
        if len(kept) < settings.min_region_bins:
            continue
        estimate = estimate_mean(evidence, kept, settings)
        estimates.append(estimate)
        seen = min(1.0, 2.0 * len(kept) / int(here.sum()))
        left = float(sheen[kept].mean())  # what is still expected in the bins that count as matte
        weights.append(seen / (settings.region_doubt[name] ** 2 + estimate.chroma_noise + left**2))
        n_cells = len(kept) * evidence.cells_per_bin
        regions.append(RegionSkin(name, estimate.camera, to_mat3(estimate.log_covariance), n_cells, weights[-1]))
    if not estimates:
        return Unusable.FEW_PIXELS
    level = lit_level(evidence, side, ranked, settings)
    if level is None:
        return Unusable.CLIPPED
    camera, covariance, noise = combine(estimates, weights, level, settings)
    lost = float(evidence.spoiled.mean())
    clipping = np.diag(lost * np.array([settings.restored_level, settings.clipped_chroma, settings.clipped_chroma]))
    clipping = log_from_level_chroma @ clipping**2 @ log_from_level_chroma.T
    covariance = covariance + split.error + clipping
    if noise > settings.max_noise:
        return Unusable.TOO_DARK
    return FaceSkin(
        camera=camera,
        log_covariance=to_mat3(covariance),
        n_cells=int(matte.sum()) * evidence.cells_per_bin,
        regions=tuple(regions),
        clipped_fraction=float(evidence.clipped.mean()),
        specular_fraction=float((split.sheen >= settings.shiny_share).mean()),
        sides=sides,
    )


def _without_sheen(evidence: Evidence, index: npt.NDArray[np.intp], body: FloatArray) -> Evidence:
    """The same bins, their level that of the body alone: times `body` (n, 3) at `index` (n,)."""
    level = evidence.log_level.copy()
    level[index] += np.log(body[:, 1])
    return replace(evidence, log_level=level)


def level_by_sound_channel(evidence: Evidence, body: FloatArray, settings: SkinSettings) -> FloatArray:
    """ln green (n,) that each bin would have without clipping, by its lowest channel and the body's colour (3,).

    inf where even that channel is near the white level. Colour is never taken from such bins, only their level.
    """
    lowest = evidence.camera.argmin(axis=1)
    value = evidence.camera[np.arange(len(lowest)), lowest]
    level = np.log(np.maximum(value, TINY) / body[lowest] * body[1])
    return np.where(value < settings.sound_channel, level, np.inf)


def lit_level(evidence: Evidence, side: Mask, ranked: FloatArray, settings: SkinSettings) -> Level | None:
    """ln green of lit skin: the mean over a window of ranks; None where clipping leaves less than its lower part.

    Each bin counts by its region: cheeks shine least and lead. Clipped bins rank highest. Where they reach into the
    window, the straight line of level over rank, fitted below them, is read at the window's middle.
    """
    members = np.flatnonzero(side)
    members = members[np.argsort(ranked[members], kind="stable")]
    doubt = np.array([settings.region_doubt[name] for name in evidence.regions])
    weight = 1.0 / doubt[evidence.region[members]]
    weight /= weight.sum()
    order, rank = ranked[members], np.cumsum(weight) - 0.5 * weight
    low, high = settings.level_window
    finite = np.isfinite(order)
    known = float(weight[finite].sum())
    if known < low + 0.1:
        return None
    window = (rank >= low) & (rank <= high) & finite
    below = (rank >= low / 2) & (rank <= known - 0.02)
    if known >= high and window.any():
        w = weight[window] / weight[window].sum()
        value = float(np.log(w @ np.exp(order[window])))
        spread = float(np.sqrt(w @ (order[window] - w @ order[window]) ** 2))
    elif below.sum() >= 2:
        slope, start = np.polyfit(rank[below], order[below], 1, w=np.sqrt(weight[below]))
        value = float(start + slope * (low + high) / 2)
        spread = float(order[below].std())
    else:
        return None
    # noise that survives the averaging, and texture counted by patches
    relative = evidence.variance[members, 1] / np.maximum(evidence.smoothed[members, 1], 1e-9) ** 2
    n_window = max(1.0, (high - low) / float((weight**2).sum()))
    noise = float(np.median(relative)) / n_window
    texture = spread**2 / max(1.0, n_window / settings.texture_correlation_bins)
    guessed = (settings.censored_ev * LN2 * max(0.0, high - known) / (high - low)) ** 2
    return Level(value, noise + texture + guessed, noise)
