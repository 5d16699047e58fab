"""Lights, a camera, and skin tones, spectrally: each becomes one matrix on linear sRGB.

A pixel's reflectance is its linear sRGB times three smooth basis spectra (Mallett & Yuksel 2019, as in colour-science).
So camera = sum over wavelength of light x reflectance x sensitivity is linear in the pixel: camera_from_linear (3, 3).
A tone multiplies skin by exp(-k m(wavelength)), m the absorption of melanin, proportional to wavelength^-3.33 (Jacques,
"Optical properties of biological tissues: a review", 2013; from memory). k is solved so that the individual typology
angle of the skin lands in the middle of its class (Chardon et al. 1991; Del Bino & Bernerd 2013).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

WAVELENGTHS = np.arange(400, 701, 10)

TONES: dict[str, float] = {
    "very light": 60.0,
    "light": 48.0,
    "intermediate": 34.0,
    "tan": 19.0,
    "brown": -10.0,
    "dark": -45.0,
}
"""ITA in degrees at the middle of each class (the outer two are open: 5 and 15 degrees past their bound)."""

LIGHTS = (
    "D50", "D55", "D65", "D75", "A", "FL2", "FL11", "LED-B1", "LED-B4", "LED-RGB1", "LED-V1", "HP1", "magenta", "green",
)  # fmt: skip
STRONG_CASTS = ("A", "HP1", "magenta", "green", "blue")


@lru_cache
def spectrum(light: str) -> np.ndarray:
    """Relative spectral power of a light on `WAVELENGTHS`: CIE illuminants, and daylight behind three coloured gels."""
    import colour

    w = WAVELENGTHS
    gels = {
        "magenta": 1 - 0.85 * np.exp(-(((w - 540) / 45) ** 2)),
        "green": 0.12 + 0.88 * np.exp(-(((w - 535) / 45) ** 2)),
        "blue": 0.1 + 0.9 * np.exp(-(((w - 450) / 50) ** 2)),
    }
    base = colour.SDS_ILLUMINANTS["D55" if light in gels else light]
    values = np.interp(w, base.wavelengths, base.values)
    return values * gels[light] if light in gels else values


@lru_cache
def _basis() -> np.ndarray:
    """Reflectance basis (3, wavelengths)."""
    from colour.recovery import MSDS_BASIS_FUNCTIONS_sRGB_MALLETT2019 as basis

    return np.stack([np.interp(WAVELENGTHS, basis.wavelengths, basis.values[:, i]) for i in range(3)])


@lru_cache
def _sensitivities(camera: str) -> np.ndarray:
    """Camera sensitivities (wavelengths, 3)."""
    import colour

    msds = colour.MSDS_CAMERA_SENSITIVITIES[camera]
    return np.stack([np.interp(WAVELENGTHS, msds.wavelengths, msds.values[:, i]) for i in range(3)], axis=-1)


CAMERA = "Nikon 5100 (NPL)"


@lru_cache
def camera_from_linear(light: str, camera: str = CAMERA) -> np.ndarray:
    """Matrix from linear sRGB reflectance to camera RGB under a light; a white object has its largest channel at 1."""
    response = _sensitivities(camera) * spectrum(light)[:, None]
    matrix = (_basis() @ response).T
    return matrix / (matrix @ np.ones(3)).max()


def neutral(light: str) -> tuple[float, float, float]:
    """Camera RGB of a neutral under a light."""
    r, g, b = camera_from_linear(light) @ np.ones(3)
    return float(r), float(g), float(b)


def _melanin() -> np.ndarray:
    return (WAVELENGTHS / 500.0) ** -3.33


SURFACE = 0.03
"""Part of the light that pigment does not reach, against the portrait's own reflectance (the skin's surface)."""


def toned_from_linear(k: float) -> np.ndarray:
    """Matrix on linear sRGB of skin for k more melanin: reflectance x exp(-k m), projected to sRGB under D65."""
    import colour

    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    xyz_bars = np.stack([np.interp(WAVELENGTHS, cmfs.wavelengths, cmfs.values[:, i]) for i in range(3)], axis=-1)
    d65 = spectrum("D65")
    norm = (d65 * xyz_bars[:, 1]).sum()
    xyz_from_linear = lambda s: ((_basis() * s) @ (d65[:, None] * xyz_bars)).T / norm  # noqa: E731
    body = SURFACE + (1 - SURFACE) * np.exp(-k * _melanin())
    return np.linalg.inv(xyz_from_linear(np.ones(len(WAVELENGTHS)))) @ xyz_from_linear(body)


def ita_deg(linear: np.ndarray) -> float:
    """Individual typology angle of a colour in linear sRGB: atan2(L* - 50, b*), degrees."""
    import colour

    xyz = colour.RGB_to_XYZ(linear, "sRGB")
    lightness, _, b = colour.XYZ_to_Lab(xyz, colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"])
    return float(np.degrees(np.arctan2(lightness - 50, b)))


@lru_cache
def tone_matrix(skin: tuple[float, float, float], tone: str) -> np.ndarray:
    """`toned_from_linear` for the k that brings `skin` (linear sRGB) to the class's angle, by bisection."""
    low, high = -1.0, 6.0
    for _ in range(40):
        k = (low + high) / 2
        shade = np.clip(toned_from_linear(k) @ np.array(skin), 1e-4, None)
        low, high = (k, high) if ita_deg(shade) > TONES[tone] else (low, k)
    return toned_from_linear((low + high) / 2)
