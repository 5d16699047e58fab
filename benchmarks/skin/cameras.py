"""Cameras of the bench: spectral sensitivities, and a profile with two calibrations fitted to them."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchmarks.skin.lights import Light, lights
from benchmarks.skin.spectra import WAVELENGTH_NM, Array
from xmpsync.colour.camera_profile import Calibration, CameraProfile, ProfileSource
from xmpsync.records import Mat3


@dataclass(frozen=True, slots=True, eq=False)
class Camera:
    """Sensitivities (31, 3), scaled so that a white under D55 has its largest channel at 1, and the fitted profile."""

    name: str
    sensitivity: Array
    profile: CameraProfile

    def see(self, light: Light, reflectance: Array) -> Array:
        """Linear camera values (..., 3) of reflectances (..., 31)."""
        return np.asarray((reflectance * light.power) @ self.sensitivity)


LAYERED = "Sigma SDMerill (NPL)"
"""Three stacked layers instead of a mosaic: sensitivities overlap so much that one per cent of noise is 3 dE00."""


def cameras(extra: Path | None, layered: bool = False) -> list[Camera]:
    """colour-science's mosaic camera, its layered one if wanted, and those of an npz file if given.

    The file holds `name` (n,), `wavelength_nm` (k,) and `sensitivity_rgb` (n, k, 3).
    """
    import colour

    found = []
    for name, msds in colour.MSDS_CAMERA_SENSITIVITIES.items():
        if name == LAYERED and not layered:
            continue
        values = np.stack([np.interp(WAVELENGTH_NM, msds.wavelengths, msds.values[:, k]) for k in range(3)], axis=1)
        found.append((name, values))
    if extra is not None:
        table = np.load(extra)
        for name, values in zip(table["name"], table["sensitivity_rgb"], strict=True):
            each = [np.interp(WAVELENGTH_NM, table["wavelength_nm"], values[:, k]) for k in range(3)]
            found.append((str(name), np.stack(each, axis=1)))
    return [fitted(name, np.maximum(values, 0.0)) for name, values in found]


def fitted(name: str, sensitivity: Array) -> Camera:
    sensitivity = sensitivity / (lights()["D55"].power @ sensitivity).max()
    calibrations = tuple(_calibration(sensitivity, light, k) for light, k in (("A", 2856.0), ("D65", 6504.0)))
    return Camera(name, sensitivity, CameraProfile(calibrations, source=ProfileSource.DNG_TAGS, name=name))


def _calibration(sensitivity: Array, light_name: str, kelvin: float) -> Calibration:
    """Least-squares matrices over the 24 chart patches under one light, the neutral kept exact in the forward one."""
    light, chart, cmfs = lights()[light_name], _chart(), _cmfs()
    camera = (chart * light.power) @ sensitivity
    xyz = (chart * light.power) @ cmfs
    camera_from_xyz = np.linalg.lstsq(xyz, camera, rcond=None)[0].T
    balanced = camera / (light.power @ sensitivity)
    d50 = lights()["D50"].power
    xyz_d50 = (chart * d50) @ cmfs / (d50 @ cmfs[:, 1])
    forward = np.linalg.lstsq(balanced, xyz_d50, rcond=None)[0].T
    white = np.array([0.9642, 1.0, 0.8251])
    forward = forward * (white / forward.sum(axis=1))[:, None]
    return Calibration(kelvin, _mat3(camera_from_xyz), _mat3(forward))


@functools.cache
def _chart() -> Array:
    import colour

    sds = colour.SDS_COLOURCHECKERS["ISO 17321-1"].values()
    return np.stack([np.interp(WAVELENGTH_NM, sd.wavelengths, sd.values) for sd in sds])


@functools.cache
def _cmfs() -> Array:
    import colour

    shape = colour.SpectralShape(400, 700, 10)
    return np.asarray(colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape).values)


def _mat3(matrix: Array) -> Mat3:
    rows = [(float(r[0]), float(r[1]), float(r[2])) for r in matrix]
    return rows[0], rows[1], rows[2]
