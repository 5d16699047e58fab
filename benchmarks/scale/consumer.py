"""A simulated editor: its camera profile with two colour matrices and two forward matrices, made from spectra.

Profiles are made in several ways, as makers of profiles differ: `plain` fits colour matrices by least squares on linear
values and forward matrices towards the chart under D50; `relative` weights every patch by its inverse level, keeps
white exact and aims the forward matrices at the Bradford-adapted XYZ of the calibration light; `inverse` fits XYZ from
camera values, weighted as CIELAB would, on another chart, and inverts. The first two made the table of
`xmpsync.colour.expected`, the third never did. Our side is told the D65 matrix alone, as LibRaw's table would.
"""

from __future__ import annotations

import numpy as np

from benchmarks.scale import world
from xmpsync.colour.adaptation import XYZ_D50, adapted_from_source
from xmpsync.colour.camera_profile import Calibration, CameraProfile, ProfileSource
from xmpsync.records import Mat3

CALIBRATIONS = ((2850.0, "A"), (6500.0, "D65"))
WAYS = ("plain", "relative")
HELD_OUT_WAY = "inverse"


def seen(light: np.ndarray, reflectances: np.ndarray, response: np.ndarray) -> np.ndarray:
    """(n, 3) responses (observer or camera) to reflectances (n, w) under a light (w,)."""
    return np.asarray((reflectances * light) @ response)


def profile(sensitivity: np.ndarray, way: str = "plain") -> CameraProfile:
    """The editor's profile of a camera (w, 3)."""
    calibrations = []
    chart = "ISO 17321-1" if way == HELD_OUT_WAY else "BabelColor Average"
    for temperature_k, name in CALIBRATIONS:
        light = world.light(name)
        patches = np.concatenate([np.ones((1, len(light))), world.chart(chart)])
        xyz, camera = seen(light, patches, world.observer()), seen(light, patches, sensitivity)
        # One common level: green of white under D65 is 1.
        camera = camera / seen(world.light("D65"), patches[:1], sensitivity)[0, 1]
        if way in ("plain", HELD_OUT_WAY):
            colour = _least_squares(xyz[1:], camera[1:])
            level = np.ones(len(patches) - 1)
            if way == HELD_OUT_WAY:
                level = xyz[1:, 1] ** (-2.0 / 3.0)
                colour = np.linalg.inv(_least_squares(camera[1:] * level[:, None], xyz[1:] * level[:, None]))
            target = seen(world.light("D50"), patches, world.observer())
            target = target / target[0] * XYZ_D50
        else:
            level = 1.0 / xyz[1:, 1]
            colour = _keeping_white(xyz, camera, level)
            target = xyz @ adapted_from_source(xyz[0], XYZ_D50).T
        forward = _keeping_white(camera / camera[0], target, level)
        calibrations.append(Calibration(temperature_k, _mat3(colour), _mat3(forward)))
    return CameraProfile(tuple(calibrations), source=ProfileSource.DNG_TAGS, name="simulated")


def _least_squares(source: np.ndarray, target: np.ndarray) -> np.ndarray:
    return np.linalg.lstsq(source, target, rcond=None)[0].T


def _keeping_white(source: np.ndarray, target: np.ndarray, level: np.ndarray) -> np.ndarray:
    """The matrix that sends row 0 exactly and the others in the least squares sense: a rank-one start plus a free
    part on what is left of each row after taking its white out."""
    white = source[0] / (source[0] @ source[0])
    exact = np.outer(target[0], white)
    rest = source[1:] - np.outer(source[1:] @ white, source[0])
    wanted = target[1:] - source[1:] @ exact.T
    basis = np.linalg.svd(source[:1])[2][1:]
    part = np.linalg.lstsq((rest @ basis.T) * level[:, None], wanted * level[:, None], rcond=None)[0]
    return np.asarray(exact + part.T @ basis)


def _mat3(matrix: np.ndarray) -> Mat3:
    a, b, c = ((float(r[0]), float(r[1]), float(r[2])) for r in matrix)
    return a, b, c
