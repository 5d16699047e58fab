"""The colour of a person's lit, diffuse skin in linear camera values, and how sure it is.

Steps: bins inside the facial places (gather); skin by colour (mask); a bright rim left out (two_levels); surface
reflections left out (dichromatic); per region the mean of what remains; the face's colour as the weighted mean of its
regions' chromaticities, its level from the brighter half of all its skin; covariance.

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
    body = body_bins(evidence, settings)
    skin = skin_bins(evidence, body, settings)
    if skin.sum() < settings.min_skin * usable:
        return Unusable.NO_SKIN
    if skin.sum() < settings.min_bins:
        return Unusable.FEW_PIXELS
    light = np.asarray(neutral if neutral is not None else settings.light_prior, dtype=np.float64)
    return _assemble(evidence, skin, level_bins(evidence, body, skin, settings), light, settings)


def measure_neutral(
    cells: Cells, x: float, y: float, radius: float, settings: SkinSettings | None = None
) -> NeutralPatch | Unusable:
    """Robust mean of the unclipped cells of a patch marked as neutral; `x`, `y` fractions of the upright picture,
    `radius` of its longer side."""
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


def body_bins(evidence: Evidence, settings: SkinSettings) -> Mask:
    """Usable bins (n,) that agree on one body colour, however dark."""
    index = np.flatnonzero(evidence.usable)
    chroma, variance = evidence.chroma[index], evidence.chroma_variance[index]
    region = evidence.region[index]
    weight = 1.0 / (variance + settings.mode_end**2)
    starts = [np.median(chroma[region == r], axis=0) for r in np.unique(region)]
    centre = colour_mode(chroma, weight, np.stack(starts), settings)
    near, _ = colour_trim(chroma, variance, weight, centre, settings)
    body = np.zeros(len(evidence.usable), dtype=bool)
    body[index[near]] = True
    return body


def skin_bins(evidence: Evidence, body: Mask, settings: SkinSettings) -> Mask:
    """Those of `body` (n,) that are not far darker than the rest of it: the ones whose colour counts."""
    if not body.any():
        return body
    least = np.median(evidence.log_level[body]) - settings.dark_ev * LN2
    return np.asarray(body & (evidence.log_level > least))


def level_bins(evidence: Evidence, body: Mask, skin: Mask, settings: SkinSettings) -> Mask:
    """Bins (n,) whose ranks give the level: all of the body's colour and the clipped ones.

    The shadow half ranks too, so that the brighter part is the same half of the face however steep the shading is. Only
    where the brighter of two sides is a rim (backlight) it is left out.
    """
    members = np.flatnonzero(skin | evidence.spoiled)
    sides = split_levels(evidence.log_level[members], settings)
    if not sides.two or sides.lit_share >= settings.dominating_share:
        return np.asarray(body | evidence.spoiled)
    result = np.zeros(len(skin), dtype=bool)
    result[members[~sides.lit]] = True
    return result


def _assemble(
    evidence: Evidence, skin: Mask, ranks: Mask, light: FloatArray, settings: SkinSettings
) -> FaceSkin | Unusable:
    """Colour from the bins `skin` of both halves: in one light they have one colour, whichever is the brighter just
    now. Level from the bins `ranks`."""
    sides = side_difference(evidence, skin, settings)
    index = np.flatnonzero(skin)
    split = separate(evidence.smoothed[index], evidence.smoothed_variance[index], light, settings)
    evidence = _without_sheen(evidence, index, split.body)
    matte = np.zeros(len(skin), dtype=bool)
    matte[index[split.sheen < settings.shiny_share]] = True
    sheen = np.zeros(len(skin))
    sheen[index] = split.sheen
    body = np.median(evidence.smoothed[matte if matte.any() else skin], axis=0)
    restored = level_by_sound_channel(evidence, body, settings)
    ranked = np.where(evidence.clipped & np.isfinite(restored), restored, evidence.log_level)

    regions: list[RegionSkin] = []
    estimates: list[Estimate] = []
    weights: list[float] = []
    for r, name in enumerate(evidence.regions):
        here = evidence.region == r
        members = np.flatnonzero(here & (skin | evidence.spoiled))
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
    level = lit_level(evidence, ranks, ranked, settings)
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


def lit_level(evidence: Evidence, ranks: Mask, ranked: FloatArray, settings: SkinSettings) -> Level | None:
    """ln green of lit skin: the mean over a window of ranks; None where clipping leaves less than its lower part.

    Each bin counts by its region: cheeks shine least and lead. Clipped bins rank highest. Where they reach into the
    window, the straight line of level over rank, fitted below them, is read at the window's middle.
    """
    members = np.flatnonzero(ranks)
    members = members[np.argsort(ranked[members], kind="stable")]
    doubt = np.array([settings.region_doubt[name] for name in evidence.regions])
    weight = doubt[evidence.region[members]] ** -settings.level_lead
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
