"""The colour difference between the sides of one face: the sign of a second light.

Left against right by place, lit against shadow by level. Each half's colour is the mode of its own bins, so that a face
half under tungsten and half under daylight is not trimmed to one of them first. Under one light the two halves differ
by skin itself (`side_spread`), noise, and little else.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from xmpsync.colour.arrays import FloatArray
from xmpsync.skin.bins import Mask
from xmpsync.skin.covariance import estimate_mean, level_chroma_from_log, log_from_level_chroma, to_mat3
from xmpsync.skin.gather import Evidence
from xmpsync.skin.mask import colour_mode, colour_trim
from xmpsync.skin.records import Region, SideDifference
from xmpsync.skin.settings import SkinSettings
from xmpsync.skin.two_levels import LN2, split_levels

Index = npt.NDArray[np.intp]


def left_of_axis(evidence: Evidence) -> tuple[FloatArray, float]:
    """Signed distance (n,) of each bin from the face's own vertical axis, in cells, negative on the picture's left; and
    that of the cheeks' middles, 0 where not both are seen."""
    points = np.stack([evidence.x, evidence.y], axis=1)
    cheeks = []
    for wanted in (Region.LEFT_CHEEK, Region.RIGHT_CHEEK):
        rows = [r for r, name in enumerate(evidence.regions) if name is wanted]
        mask = np.isin(evidence.region, rows)
        if mask.any():
            cheeks.append(points[mask].mean(axis=0))
    middle = points.mean(axis=0)
    across, reach = np.array([1.0, 0.0]), 0.0
    if len(cheeks) == 2:
        across = cheeks[1] - cheeks[0]
        middle = (cheeks[0] + cheeks[1]) / 2
        reach = float(np.hypot(*across)) / 2
        across = across / max(2 * reach, 1e-9)
        across = across if across[0] > 0 or (across[0] == 0 and across[1] > 0) else -across
    return np.asarray((points - middle) @ across), reach


def side_difference(evidence: Evidence, skin: Mask, settings: SkinSettings) -> SideDifference | None:
    """The more telling of left against right and lit against shadow, or None where a half has too few bins."""
    usable = np.flatnonzero(evidence.usable)
    axis, reach = left_of_axis(evidence)
    axis = axis[usable]
    least = settings.side_middle * reach
    answers = [_between(evidence, usable[axis < -least], usable[axis > least], settings)]
    members = np.flatnonzero(skin)
    sides = split_levels(evidence.log_level[members], settings)
    if sides.two:
        answers.append(_between(evidence, members[sides.lit], members[~sides.lit], settings))
    found = [answer for answer in answers if answer is not None]
    return max(found, key=lambda side: side.chroma_sd) if found else None


def _between(evidence: Evidence, one: Index, other: Index, settings: SkinSettings) -> SideDifference | None:
    if min(len(one), len(other)) < settings.min_region_bins:
        return None
    (log_one, cov_one), (log_other, cov_other) = (_half(evidence, i, settings) for i in (one, other))
    ratio = log_one - log_other
    own = log_from_level_chroma @ np.diag([0.0, settings.side_spread**2, settings.side_spread**2])
    covariance = cov_one + cov_other + own @ log_from_level_chroma.T
    chroma = np.array([ratio[0] - ratio[1], ratio[2] - ratio[1]])
    of_chroma = (level_chroma_from_log @ covariance @ level_chroma_from_log.T)[1:, 1:]
    return SideDifference(
        log_ratio=(float(ratio[0]), float(ratio[1]), float(ratio[2])),
        level_ev=float(ratio[1] / LN2),
        chroma_sd=float(np.sqrt(chroma @ np.linalg.solve(of_chroma, chroma))),
        log_covariance=to_mat3(covariance),
    )


def _half(evidence: Evidence, index: Index, settings: SkinSettings) -> tuple[FloatArray, FloatArray]:
    """ln camera (3,) of one half's own skin and their covariance (3, 3)."""
    chroma, variance = evidence.chroma[index], evidence.chroma_variance[index]
    weight = 1.0 / (variance + settings.mode_end**2)
    centre = colour_mode(chroma, weight, np.median(chroma, axis=0)[None], settings)
    near, _ = colour_trim(chroma, variance, weight, centre, replace(settings, trim_sd=settings.side_trim_sd))
    kept = index[near] if near.any() else index
    estimate = estimate_mean(evidence, kept, settings)
    return np.log(np.asarray(estimate.camera)), np.asarray(estimate.log_covariance)
