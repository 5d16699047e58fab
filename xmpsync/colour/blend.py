"""The matrices of a profile for one white: calibrations blended by colour temperature (DNG 1.7, chapter 6).

One calibration: constant. Two: linear in 1/T between their temperatures, constant outside. Three: weights of inverse
squared distance in xy (the rule of DNG 1.6 and later, stated here from memory). Colour matrix, camera calibration and
forward matrix are each blended, then multiplied: the order matters, the product of blends is not the blend of products.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from xmpsync.colour.adaptation import XYZ_D50
from xmpsync.colour.arrays import FloatArray, from_components, inner_first, outer_last
from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.colour.temperature import xy_from_temperature_tint


@dataclass(frozen=True, slots=True, eq=False)
class Stack:
    """A profile as arrays over its k calibrations, sorted by rising mired (falling temperature)."""

    mired: FloatArray
    xy: FloatArray
    camera_from_xyz: FloatArray
    xyz_d50_from_balanced: FloatArray | None
    camera_calibration: FloatArray
    analog_balance: FloatArray

    @property
    def one_calibration(self) -> bool:
        """True where AB . CC is the same for every white."""
        return bool((self.camera_calibration == self.camera_calibration[0]).all())

    @property
    def uses_tint(self) -> bool:
        """True where the weights depend on xy as a whole, not on temperature alone."""
        return len(self.mired) > 2


class Blended(NamedTuple):
    """Matrices (..., 3, 3) at given weights: CM, FM (or None), AB . CC."""

    colour: FloatArray
    forward: FloatArray | None
    calibration: FloatArray


@lru_cache(maxsize=512)
def stack(profile: CameraProfile) -> Stack:
    """The arrays of a profile; forward matrices scaled by row so that FM . (1, 1, 1) is the D50 white.

    A calibration without forward matrix borrows the mean of those that have one. ValueError for an empty profile.
    """
    if not profile.calibrations:
        raise ValueError(f"the profile {profile.name!r} has no calibration")
    parts = sorted(profile.calibrations, key=lambda c: -c.temperature_k)
    forward = [None if c.xyz_d50_from_balanced is None else normalised_forward(np.array(c.xyz_d50_from_balanced, float))
               for c in parts]  # fmt: skip
    known = [f for f in forward if f is not None]
    mean = np.mean(known, axis=0) if known else None
    return Stack(
        mired=np.array([1e6 / c.temperature_k for c in parts]),
        xy=np.array([xy_from_temperature_tint(c.temperature_k, 0.0) if c.xy is None else c.xy for c in parts]),
        camera_from_xyz=np.array([c.camera_from_xyz for c in parts], float),
        xyz_d50_from_balanced=None if mean is None else np.array([mean if f is None else f for f in forward]),
        camera_calibration=np.array([c.camera_calibration for c in parts], float),
        analog_balance=np.array(profile.analog_balance, float),
    )


def normalised_forward(forward: FloatArray) -> FloatArray:
    """A forward matrix with each row scaled so that FM . (1, 1, 1) = XYZ of D50 (DNG 1.7, ForwardMatrix)."""
    return np.asarray(forward * (XYZ_D50 / forward.sum(axis=1))[:, None])


def weights(s: Stack, mired: FloatArray, xy: FloatArray) -> FloatArray:
    """Weights (..., k) of the calibrations for whites at mired (...) and xy (..., 2)."""
    if len(s.mired) == 1:
        return np.ones((*mired.shape, 1))
    if len(s.mired) == 2:
        cool, warm = s.mired
        g = np.zeros_like(mired) if warm == cool else np.clip((mired - cool) / (warm - cool), 0.0, 1.0)
        return from_components(1.0 - g, g)
    q = _products_of_others(((xy[..., None, :] - s.xy) ** 2).sum(axis=-1))
    return np.asarray(q / q.sum(axis=-1, keepdims=True))


def weights_change(
    s: Stack, mired: FloatArray, xy: FloatArray, xy_by_mired: FloatArray, xy_by_tint: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Derivatives of the weights (..., k) by mired and by tint."""
    zero = np.zeros((*mired.shape, len(s.mired)))
    if len(s.mired) == 1:
        return zero, zero
    if len(s.mired) == 2:
        cool, warm = s.mired
        inside = (mired > cool) & (mired < warm)
        slope = np.where(inside, 1.0 / (warm - cool) if warm != cool else 0.0, 0.0)
        return from_components(-slope, slope), zero
    difference = xy[..., None, :] - s.xy
    d2 = (difference**2).sum(axis=-1)
    q = _products_of_others(d2)
    total = q.sum(axis=-1, keepdims=True)

    def change(d_xy: FloatArray) -> FloatArray:
        d_d2 = 2.0 * (difference * d_xy[..., None, :]).sum(axis=-1)
        d_q = np.stack(
            [d_d2[..., (i + 1) % 3] * d2[..., (i + 2) % 3] + d2[..., (i + 1) % 3] * d_d2[..., (i + 2) % 3]
             for i in range(3)], axis=-1)  # fmt: skip
        return np.asarray(d_q / total - q * d_q.sum(axis=-1, keepdims=True) / total**2)

    return change(xy_by_mired), change(xy_by_tint)


def blended(s: Stack, w: FloatArray) -> Blended:
    """The matrices of the profile at weights (..., k); their change for a change of the weights, blending is linear."""
    return Blended(
        colour=_mix(w, s.camera_from_xyz),
        forward=None if s.xyz_d50_from_balanced is None else _mix(w, s.xyz_d50_from_balanced),
        calibration=s.analog_balance[:, None] * _mix(w, s.camera_calibration),
    )


def _mix(w: FloatArray, matrices: FloatArray) -> FloatArray:
    """Sum of k matrices by weights (..., k), laid out by component."""
    k = len(matrices)
    mixed = matrices.reshape(k, 9).T @ inner_first(w, 1).reshape(k, -1)
    return outer_last(mixed.reshape(3, 3, *w.shape[:-1]), 2)


def _products_of_others(d2: FloatArray) -> FloatArray:
    # 1 / d_i^2 times the product of all: the same weights, finite at a calibration itself.
    return np.stack([d2[..., (i + 1) % 3] * d2[..., (i + 2) % 3] for i in range(3)], axis=-1)
