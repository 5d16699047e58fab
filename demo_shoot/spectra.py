"""Lights, reflectances and cameras as spectra, and what a camera answers to them.

Everything is sampled at `WAVELENGTH_NM` (380..780 nm, 5 nm). Light spectra of the CIE (A, D series, FL series, LED
series), the ColorChecker's reflectances, colour matching functions and camera sensitivities come from
colour-science; a candle and a lamp are Planckian radiators, coloured stage LEDs are narrow bands.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

WAVELENGTH_NM = np.arange(380.0, 781.0, 5.0)
CAMERAS = ("Nikon 5100 (NPL)", "Sigma SDMerill (NPL)")
"""Names of measured sensitivities in colour-science (National Physical Laboratory)."""


@lru_cache(maxsize=1)
def _colour() -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # colour-science tells of optional packages at import
        import colour
    return colour


def _sampled(distribution: Any) -> np.ndarray:
    return np.interp(WAVELENGTH_NM, distribution.wavelengths, np.asarray(distribution.values, float))


def _per_luminance(spectrum: np.ndarray) -> np.ndarray:
    return spectrum / float(spectrum @ matching_functions()[:, 1])


@lru_cache(maxsize=1)
def matching_functions() -> np.ndarray:
    """(n, 3) CIE 1931 2 degree colour matching functions."""
    functions = _colour().MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    return np.stack(
        [np.interp(WAVELENGTH_NM, functions.wavelengths, functions.values[:, channel]) for channel in range(3)], axis=-1
    )


@lru_cache(maxsize=256)
def cie_light(name: str) -> np.ndarray:
    """A light of colour-science's CIE set ("A", "D65", "FL2", "LED-B3", ...), scaled to luminance 1."""
    return _per_luminance(_sampled(_colour().SDS_ILLUMINANTS[name]))


@lru_cache(maxsize=256)
def daylight(temperature_k: float) -> np.ndarray:
    """A phase of daylight (CIE 015 D series, 4000..25000 K), scaled to luminance 1."""
    colour = _colour()
    # CIE 015: the nominal temperature refers to the older value of the second radiation constant
    xy = colour.temperature.CCT_to_xy_CIE_D(temperature_k * 1.4388 / 1.4380)
    return _per_luminance(_sampled(colour.sd_CIE_illuminant_D_series(xy)))


@lru_cache(maxsize=256)
def planckian(temperature_k: float) -> np.ndarray:
    """A full radiator (candle about 1900 K, household bulb 2700 K), scaled to luminance 1."""
    metre = WAVELENGTH_NM * 1e-9
    return _per_luminance(metre**-5 / np.expm1(1.4387768775e-2 / (metre * temperature_k)))


@lru_cache(maxsize=256)
def bands(*band: tuple[float, float, float]) -> np.ndarray:
    """Narrow bands (centre nm, full width at half maximum nm, strength), as of coloured stage LEDs; luminance 1."""
    total = np.zeros_like(WAVELENGTH_NM)
    for centre, width, strength in band:
        total += strength * np.exp(-4.0 * np.log(2.0) * ((WAVELENGTH_NM - centre) / width) ** 2)
    return _per_luminance(total)


def filtered(light: np.ndarray, transmittance: np.ndarray) -> np.ndarray:
    """The light behind a filter (leaves, a gel), scaled to luminance 1."""
    return _per_luminance(light * transmittance)


def blended(*parts: tuple[float, np.ndarray]) -> np.ndarray:
    """A mix of lights by luminance; the shares need not add up to one."""
    return sum(share * light for share, light in parts) / sum(share for share, _ in parts)


@lru_cache(maxsize=1)
def chart() -> np.ndarray:
    """(24, n) reflectances of the ColorChecker (BabelColor average, colour-science)."""
    patches = _colour().SDS_COLOURCHECKERS["BabelColor Average"]
    return np.stack([_sampled(patch) for patch in patches.values()])


def step_reflectance(low: float, high: float, edge_nm: float, width_nm: float = 25.0) -> np.ndarray:
    """A smooth step from `low` (short waves) to `high`: reds, oranges, browns, wood."""
    return low + (high - low) / (1.0 + np.exp(-(WAVELENGTH_NM - edge_nm) / width_nm))


def band_reflectance(base: float, peak: float, centre_nm: float, width_nm: float) -> np.ndarray:
    """A smooth hump over a flat base: greens, blues."""
    return base + (peak - base) * np.exp(-0.5 * ((WAVELENGTH_NM - centre_nm) / width_nm) ** 2)


def flat_reflectance(value: float) -> np.ndarray:
    """The same reflectance at every wavelength."""
    return np.full_like(WAVELENGTH_NM, value)


@lru_cache(maxsize=8)
def sensitivity(camera: str = CAMERAS[0]) -> np.ndarray:
    """(n, 3) spectral sensitivities R, G, B of a camera in colour-science, scaled so that the largest is 1."""
    data = _colour().MSDS_CAMERA_SENSITIVITIES[camera]
    table = np.stack(
        [np.interp(WAVELENGTH_NM, data.wavelengths, data.values[:, channel]) for channel in range(3)], axis=-1
    )
    return np.clip(table, 0.0, None) / table.max()


def camera_response(light: np.ndarray, reflectance: np.ndarray, camera: np.ndarray) -> np.ndarray:
    """Camera values (..., 3) of reflectances (..., n) under a light; green of a perfect white is 1 under D65."""
    unit = float(cie_light("D65") @ camera[:, 1])
    return (reflectance * light) @ camera / unit


@dataclass(frozen=True)
class CameraMatrices:
    """Matrices of one calibration light: `camera_from_xyz` (ColorMatrix), `xyz_d50_from_balanced` (ForwardMatrix)."""

    camera_from_xyz: np.ndarray
    xyz_d50_from_balanced: np.ndarray


def camera_matrices(camera: np.ndarray, light: np.ndarray, reflectances: np.ndarray | None = None) -> CameraMatrices:
    """Least-squares matrices over a chart, as the DNG specification defines ColorMatrix and ForwardMatrix.

    White is exact in both: the colour matrix sends the light's XYZ to its camera neutral (largest channel 1), and the
    forward matrix sends (1, 1, 1) to the XYZ of D50.
    """
    patches = chart() if reflectances is None else reflectances
    functions = matching_functions()
    neutral = camera_response(light, flat_reflectance(1.0), camera)
    balanced = camera_response(light, patches, camera) / neutral

    def xyz(spectrum: np.ndarray, surfaces: np.ndarray) -> np.ndarray:
        return (surfaces * spectrum) @ functions / float(spectrum @ functions[:, 1])

    white = xyz(light, flat_reflectance(1.0)[None])[0]
    seen = xyz(light, patches)
    from_xyz = _with_exact_white(seen, balanced * (neutral / neutral.max()), white, neutral / neutral.max())
    white_d50 = xyz(cie_light("D50"), flat_reflectance(1.0)[None])[0]
    forward = _with_exact_white(balanced, xyz(cie_light("D50"), patches), np.ones(3), white_d50)
    return CameraMatrices(from_xyz, forward)


def _with_exact_white(
    source: np.ndarray, target: np.ndarray, source_white: np.ndarray, target_white: np.ndarray
) -> np.ndarray:
    """M minimising |source M^T - target| among all M with M source_white = target_white."""
    base = np.outer(target_white, source_white) / float(source_white @ source_white)
    # free directions: the plane orthogonal to the white
    plane = np.linalg.svd(source_white[None])[2][1:]
    rest, *_ = np.linalg.lstsq(source @ plane.T, target - source @ base.T, rcond=None)
    return base + rest.T @ plane
