"""The colour of a person's lit, diffuse skin in linear camera values, and how sure it is.

Steps: bins inside the facial places (gather); skin by colour (mask); lit and shadow side, the side that dominates by
area (levels); surface reflections left out (dichromatic); per region the mean of what remains; the face's colour as
the weighted mean of its regions' chromaticities, its level from the dominating side as a whole; covariance.

Chromaticity and level are kept apart because shading scales a body's colour without turning it: colour may be averaged
over any shading, level may not.
"""

from __future__ import annotations

import numpy as np

from xmpsync.records import Mat3, Vec2, Vec3
from xmpsync.skin.bins import Array, Mask
from xmpsync.skin.covariance import Estimate, combine, estimate_mean, to_mat3
from xmpsync.skin.dichromatic import specular_share
from xmpsync.skin.gather import Evidence, gather
from xmpsync.skin.levels import LN2, rank_window, split_levels
from xmpsync.skin.mask import colour_mode, colour_trim
from xmpsync.skin.records import Cells, FaceSkin, NeutralPatch, Place, Region, RegionSkin, Unusable
from xmpsync.skin.settings import SkinSettings
from xmpsync.skin.sides import side_difference

PATCH_CORNERS = 24
SPECULAR_PASSES = 3


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
    usable = evidence.usable
    if evidence.clipped.mean() > 1.0 - settings.min_unclipped:
        return Unusable.CLIPPED
    if not usable.any():
        return Unusable.TOO_DARK
    skin = skin_bins(evidence, usable, settings)
    if skin.sum() < settings.min_skin * max(int(usable.sum()), 1):
        return Unusable.NO_SKIN
    if skin.sum() < settings.min_bins:
        return Unusable.FEW_PIXELS
    light = np.asarray(neutral if neutral is not None else settings.light_prior, dtype=np.float64)
    dominating = dominating_side(evidence, skin, settings)
    matte, specular = matte_bins(evidence, dominating & ~evidence.clipped, light, settings)
    return _assemble(evidence, skin, dominating, matte, specular, settings)


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
    if evidence.clipped.mean() > 1.0 - settings.min_unclipped:
        return Unusable.CLIPPED
    usable = evidence.usable
    if not usable.any():
        return Unusable.TOO_DARK
    chroma = evidence.chroma()
    centre = np.median(chroma[usable], axis=0)
    near, _ = colour_trim(chroma[usable], evidence.chroma_variance()[usable], np.ones(usable.sum()), centre, settings)
    kept = np.flatnonzero(usable)[near]
    kept = kept[rank_window(evidence.log_level()[kept], settings.colour_window)]
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


def skin_bins(evidence: Evidence, usable: Mask, settings: SkinSettings) -> Mask:
    """Bins (n,) that agree on one body colour and are not far darker than the rest of it."""
    index = np.flatnonzero(usable)
    chroma, variance = evidence.chroma()[index], evidence.chroma_variance()[index]
    region = evidence.region[index]
    weight = 1.0 / (variance + settings.mode_end**2)
    starts = [np.median(chroma[region == r], axis=0) for r in np.unique(region)]
    centre = colour_mode(chroma, weight, np.stack([*starts, np.median(chroma, axis=0)]), settings)
    near, _ = colour_trim(chroma, variance, weight, centre, settings)
    level = evidence.log_level()[index]
    if near.any():
        near &= level > np.median(level[near]) - settings.dark_ev * LN2
    skin = np.zeros(len(usable), dtype=bool)
    skin[index[near]] = True
    return skin


def dominating_side(evidence: Evidence, skin: Mask, settings: SkinSettings) -> Mask:
    """Skin bins (n,) of the side that dominates by area; clipped bins count as the bright side's."""
    members = np.flatnonzero(skin | evidence.clipped)
    sides = split_levels(evidence.log_level()[members], settings)
    result = np.zeros(len(skin), dtype=bool)
    if not sides.two:
        result[members] = True
    else:
        result[members[sides.lit == (sides.lit_share >= settings.dominating_share)]] = True
    return result


def matte_bins(evidence: Evidence, members: Mask, light: Array, settings: SkinSettings) -> tuple[Mask, Mask]:
    """Members (n,) without and with a visible surface reflection."""
    index = np.flatnonzero(members)
    camera, variance = evidence.smoothed[index], evidence.smoothed_variance[index]
    matte = np.ones(len(index), dtype=bool)
    for _ in range(SPECULAR_PASSES):
        body = np.exp(np.median(np.log(camera[matte]), axis=0))
        share, sd = specular_share(camera, variance, body, light)
        if not np.isfinite(sd).all():
            break
        share = share - np.median(share[matte])
        below = share[matte & (share < 0)]
        spread = float(np.sqrt((below**2).mean())) if len(below) else 0.0
        matte = share < settings.specular_sd * np.hypot(spread, 1e-3)
    result, specular = np.zeros(len(members), dtype=bool), np.zeros(len(members), dtype=bool)
    result[index[matte]] = True
    specular[index[~matte]] = True
    return result, specular


def _assemble(
    evidence: Evidence, skin: Mask, dominating: Mask, matte: Mask, specular: Mask, settings: SkinSettings
) -> FaceSkin | Unusable:
    level = evidence.log_level()
    ranked = np.where(specular, np.inf, level)
    regions: list[RegionSkin] = []
    estimates: list[Estimate] = []
    weights: list[float] = []
    for r, name in enumerate(evidence.regions):
        members = np.flatnonzero(dominating & (evidence.region == r))
        if len(members) < settings.min_region_bins:
            continue
        kept = members[rank_window(ranked[members], settings.colour_window) & matte[members]]
        if len(kept) < settings.min_region_bins:
            continue
        estimate = estimate_mean(evidence, kept, settings)
        estimates.append(estimate)
        share = len(kept) / max(int((evidence.region == r).sum()), 1)
        weights.append(settings.region_weights[name] * min(1.0, 2.0 * share))
        n_cells = len(kept) * evidence.cells_per_bin
        regions.append(RegionSkin(name, estimate.camera, to_mat3(estimate.log_covariance), n_cells))
    if not estimates:
        return Unusable.FEW_PIXELS
    members = np.flatnonzero(dominating)
    inside = members[rank_window(ranked[members], settings.level_window) & matte[members]]
    if len(inside) < settings.min_region_bins:
        inside = np.flatnonzero(matte)
    camera, covariance, noise = combine(estimates, weights, estimate_mean(evidence, inside, settings), settings)
    if noise > settings.max_noise:
        return Unusable.TOO_DARK
    used = int(matte.sum())
    mat: Mat3 = to_mat3(covariance)
    return FaceSkin(
        camera=camera,
        log_covariance=mat,
        n_cells=used * evidence.cells_per_bin,
        regions=tuple(regions),
        clipped_fraction=float(evidence.clipped.mean()),
        specular_fraction=float(specular.sum() / max(used + int(specular.sum()), 1)),
        sides=side_difference(evidence, skin, settings),
    )
