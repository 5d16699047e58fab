"""A second opinion on rendered skin, by colour-science: the figures that a plan shows are worked out twice.

Nothing here calls the package's own colour mathematics. White point by `CCT_to_uv_Robertson1968`, adaptation by
`matrix_chromatic_adaptation_VonKries` (Bradford), CIELAB by `XYZ_to_Lab`, difference by `delta_E_CIE2000`, all of
colour-science; between them the formulas of the DNG specification 1.7, "Mapping Camera Color Space to CIE XYZ Space",
written out plainly for many whites at once.

colour-science costs more than a second to import, so it is imported by the first call and never before.
"""

from __future__ import annotations

import warnings
from functools import lru_cache
from typing import Any

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.colour.camera_profile import CameraProfile

TINT_PER_DUV = 3000.0
"""Tint per unit of distance from the Planckian locus in CIE 1960 uv: common practice, not part of the standard."""
D50_XY: FloatArray = np.array([0.3457, 0.3585])
"""Chromaticity of D50 as the DNG specification rounds it."""


@lru_cache(maxsize=1)
def colour_science() -> Any:
    """The library, imported on the first call (it warns about optional packages that nothing here needs)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour


def rendered(
    profile: CameraProfile, camera: FloatArray, temperature_k: FloatArray, tint: FloatArray, gain_ev: FloatArray
) -> FloatArray:
    """XYZ D50 (N, 3), white at Y = 1, of linear camera values (N, 3) at whites (N,) and gains (N,) in EV."""
    colour = colour_science()
    u, v = np.moveaxis(
        colour.temperature.CCT_to_uv_Robertson1968(np.stack([temperature_k, tint / TINT_PER_DUV], axis=-1)), -1, 0
    )
    xy = np.stack([3 * u, 2 * v], axis=-1) / (2 * u - 8 * v + 4)[:, None]
    white = colour.xy_to_XYZ(xy)
    d50 = colour.xy_to_XYZ(D50_XY)
    cm, cc, fm = _at(profile, temperature_k, xy, d50)
    individual = np.diag(profile.analog_balance) @ cc
    neutral = np.einsum("nij,nj->ni", individual @ cm, white)
    level = neutral.max(axis=1)
    if fm is None:
        adaptation = colour.adaptation.matrix_chromatic_adaptation_VonKries(white, d50, transform="Bradford")
        matrix = level[:, None, None] * adaptation @ np.linalg.inv(individual @ cm)
    else:
        reference = np.linalg.inv(individual)
        balance = np.einsum("nij,nj->ni", reference, neutral / level[:, None])
        matrix = fm @ (reference / balance[:, :, None])
    return np.asarray(np.exp2(gain_ev)[:, None] * np.einsum("nij,nj->ni", matrix, camera))


def skin_difference(xyz: FloatArray, lab_reference: FloatArray) -> tuple[FloatArray, FloatArray]:
    """CIEDE2000 (N,) of XYZ D50 (N, 3) scaled to the luminance of CIELAB D50 references (N, 3), and the level in EV
    (N,) before that scaling; NaN where a luminance is not positive."""
    colour = colour_science()
    y_reference = colour.Lab_to_XYZ(lab_reference, D50_XY)[:, 1]
    ratio = np.where((xyz[:, 1] > 0) & (y_reference > 0), xyz[:, 1] / y_reference, np.nan)
    lab = colour.XYZ_to_Lab(xyz / ratio[:, None], D50_XY)
    return np.asarray(colour.delta_E(lab, lab_reference, method="CIE 2000")), np.log2(ratio)


def _at(
    profile: CameraProfile, temperature_k: FloatArray, xy: FloatArray, d50: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """CM, CC, FM (None without) at each white, (N, 3, 3)."""
    parts = profile.calibrations
    weights = _weights(profile, temperature_k, xy)
    cm = np.einsum("nk,kij->nij", weights, np.array([p.camera_from_xyz for p in parts], float))
    cc = np.einsum("nk,kij->nij", weights, np.array([p.camera_calibration for p in parts], float))
    given = [None if p.xyz_d50_from_balanced is None else np.array(p.xyz_d50_from_balanced, float) for p in parts]
    known = [np.diag(d50 / f.sum(axis=1)) @ f for f in given if f is not None]
    if not known:
        return cm, cc, None
    forward = iter(known)
    full = [np.mean(known, axis=0) if f is None else next(forward) for f in given]
    return cm, cc, np.einsum("nk,kij->nij", weights, np.array(full))


def _weights(profile: CameraProfile, temperature_k: FloatArray, xy: FloatArray) -> FloatArray:
    """Weights (N, k) of the calibrations: linear in 1/T between two; by inverse squared distance in xy for three."""
    parts = profile.calibrations
    if len(parts) == 1:
        return np.ones((len(temperature_k), 1))
    if len(parts) == 2:
        t1, t2 = (p.temperature_k for p in parts)
        g = np.zeros(len(temperature_k)) if t1 == t2 else (1 / temperature_k - 1 / t2) / (1 / t1 - 1 / t2)
        g = np.clip(g, 0.0, 1.0)
        return np.stack([g, 1 - g], axis=1)
    colour = colour_science()
    at = []
    for p in parts:
        if p.xy is None:
            u, v = colour.temperature.CCT_to_uv_Robertson1968(np.array([p.temperature_k, 0.0]))
            at.append([3 * u / (2 * u - 8 * v + 4), 2 * v / (2 * u - 8 * v + 4)])
        else:
            at.append(list(p.xy))
    distance = ((xy[:, None, :] - np.array(at)) ** 2).sum(axis=-1)
    inverse = 1 / np.maximum(distance, 1e-18)
    return np.asarray(inverse / inverse.sum(axis=1, keepdims=True))
