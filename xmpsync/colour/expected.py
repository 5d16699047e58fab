"""What a camera's second calibration probably is, when only its daylight matrix is known.

Over many camera bodies the colour matrix for standard light A follows from the one for D65 by nearly the same change
of XYZ, CM_A = CM_D65 . R, and the forward matrices from the colour matrices by nearly the same change of balanced
camera values, FM = (the adapted inverse of CM) . G with G . (1, 1, 1) = (1, 1, 1). Means and covariance are in
`xmpsync.colour.expected_table`, which `python -m benchmarks.scale.prior` makes from measured sensitivities.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from xmpsync.colour.adaptation import XYZ_D50, adapted_from_source, xyz_from_xy
from xmpsync.colour.arrays import FloatArray
from xmpsync.colour.camera_profile import Calibration, CameraProfile, ProfileSource
from xmpsync.colour.expected_table import FORWARD_COOL, FORWARD_WARM, R_COVARIANCE_1E6, R_MEAN
from xmpsync.colour.temperature import xy_from_temperature_tint
from xmpsync.records import Mat3

WARM_K, WARM_TINT = 2850.0, 0.0
COOL_K, COOL_TINT = 6500.0, 9.8
"""Standard light A and D65, the two calibrations that nearly every profile has."""

SINGLE_SOURCES = frozenset({ProfileSource.TABLE, ProfileSource.TABLE_PREFIX})
"""Profiles of one daylight matrix that stands in for more: there the expectation is better than the matrix alone."""


@dataclass(frozen=True, slots=True)
class Expectation:
    """What cameras have on average: R with the covariance of its nine numbers (row by row), G warm and cool."""

    r_mean: Mat3 = R_MEAN
    r_covariance_1e6: tuple[tuple[float, ...], ...] = R_COVARIANCE_1E6
    forward_warm: Mat3 = FORWARD_WARM
    forward_cool: Mat3 = FORWARD_COOL


MANY_CAMERAS = Expectation()


def expected_profile(base: CameraProfile, expectation: Expectation = MANY_CAMERAS) -> CameraProfile:
    """A profile with two calibrations and forward matrices from a table's single daylight matrix.

    Any other profile comes back unchanged: a file that holds one calibration means one. The source stays the base's.
    """
    if base.source not in SINGLE_SOURCES or len(base.calibrations) != 1:
        return base
    cool = np.array(base.calibrations[0].camera_from_xyz)
    warm = cool @ np.array(expectation.r_mean)
    return replace(base, calibrations=(
        Calibration(WARM_K, mat3(warm), expected_forward(warm, WARM_K, expectation)),
        Calibration(COOL_K, mat3(cool), expected_forward(cool, COOL_K, expectation)),
    ))  # fmt: skip


def expected_forward(
    camera_from_xyz: FloatArray, temperature_k: float, expectation: Expectation = MANY_CAMERAS
) -> Mat3:
    """The forward matrix that a calibration probably has: G between warm and cool, linear in mired."""
    g = np.clip((1e6 / temperature_k - 1e6 / COOL_K) / (1e6 / WARM_K - 1e6 / COOL_K), 0.0, 1.0)
    change = g * np.array(expectation.forward_warm) + (1.0 - g) * np.array(expectation.forward_cool)
    return mat3(adapted_inverse(camera_from_xyz, temperature_k) @ change)


def adapted_inverse(camera_from_xyz: FloatArray, temperature_k: float) -> FloatArray:
    """XYZ D50 from balanced camera values (3, 3) by the colour matrix and Bradford alone, at a usual white."""
    tint = COOL_TINT if temperature_k >= DAYLIGHT_FROM_K else WARM_TINT
    white = xyz_from_xy(xy_from_temperature_tint(temperature_k, tint))
    adapted = adapted_from_source(white, XYZ_D50) @ np.linalg.inv(camera_from_xyz)
    return np.asarray(adapted * (camera_from_xyz @ white))


DAYLIGHT_FROM_K = 4000.0
"""CIE 015 defines daylight from 4000 K on; below, lamps are Planckian."""


def mat3(matrix: FloatArray) -> Mat3:
    """An array (3, 3) as plain numbers."""
    a, b, c = ((float(r[0]), float(r[1]), float(r[2])) for r in matrix)
    return a, b, c
