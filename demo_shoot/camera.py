"""The invented camera bodies: from linear light to a mosaic with photon noise, and a preview."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from demo_shoot.dng import DngProfile, mosaic_from_rgb
from demo_shoot.dng_model import Profile, xyz_d50_from_camera
from demo_shoot.spectra import camera_matrices, cie_light, sensitivity

BLACK_DN = 512
WHITE_DN = 15871
FULL_WELL_ISO_100 = 40000.0
READ_NOISE_E = 3.0
SRGB_FROM_XYZ_D50 = np.array(
    [[3.1338561, -1.6168667, -0.4906146], [-0.9787684, 1.9161415, 0.0334540], [0.0719453, -0.2289914, 1.4052427]]
)
"""Linear sRGB from XYZ D50, Bradford-adapted (B. Lindbloom's table)."""


@dataclass(frozen=True)
class Body:
    """One camera body: whose measured sensitivities it has, and the pattern of its filters."""

    model: str
    serial: str
    sensitivity_name: str
    cfa: str = "RGGB"
    baseline_exposure_ev: float = 0.0


def body_sensitivity(body: Body) -> np.ndarray:
    """(n, 3) spectral sensitivities of the body."""
    return sensitivity(body.sensitivity_name)


@lru_cache(maxsize=8)
def colour_profile(body: Body) -> Profile:
    """Matrices for illuminants A and D65 by least squares over the ColorChecker, rounded as the file stores them."""
    both = [camera_matrices(body_sensitivity(body), cie_light(name)) for name in ("A", "D65")]
    return Profile(
        cm=np.round(np.stack([one.camera_from_xyz for one in both]), 6),
        fm=np.round(np.stack([one.xyz_d50_from_balanced for one in both]), 6),
        baseline_exposure_ev=body.baseline_exposure_ev,
    )


def noise_profile(iso: float) -> tuple[float, float]:
    """(scale, offset) of the variance in linear camera values, as the DNG NoiseProfile tag has it."""
    electrons = FULL_WELL_ISO_100 * 100.0 / iso
    return 1.0 / electrons, (READ_NOISE_E / electrons) ** 2


def dng_profile(body: Body, as_shot_neutral: np.ndarray, iso: float) -> DngProfile:
    """The colour tags of one frame."""
    profile = colour_profile(body)
    assert profile.fm is not None
    return DngProfile(
        color_matrix_1=profile.cm[0],
        color_matrix_2=profile.cm[1],
        forward_matrix_1=profile.fm[0],
        forward_matrix_2=profile.fm[1],
        as_shot_neutral=[float(value) for value in as_shot_neutral],
        baseline_exposure_ev=body.baseline_exposure_ev,
        noise_profile=[noise_profile(iso)] * 3,
    )


def expose(linear_rgb: np.ndarray, body: Body, iso: float, rng: np.random.Generator) -> np.ndarray:
    """uint16 mosaic of a noise-free linear picture (1 = white level) with photon and read noise."""
    linear = np.clip(mosaic_from_rgb(linear_rgb, body.cfa), 0.0, None)
    scale, offset = noise_profile(iso)
    noisy = linear + np.sqrt(scale * linear + offset) * rng.standard_normal(linear.shape, dtype=np.float32)
    return np.clip(np.round(BLACK_DN + noisy * (WHITE_DN - BLACK_DN)), 0, WHITE_DN).astype(np.uint16)


def preview(linear_rgb: np.ndarray, body: Body, temperature_k: float, tint: float) -> np.ndarray:
    """uint8 sRGB of half the size, at the camera's own white, through a plain shoulder."""
    half = linear_rgb[::2, ::2].clip(0.0, 1.0)
    matrix = SRGB_FROM_XYZ_D50 @ xyz_d50_from_camera(colour_profile(body), temperature_k, tint)
    linear = np.clip(half @ matrix.T.astype(np.float32) * 2.0**body.baseline_exposure_ev, 0.0, None)
    linear = np.clip(1.6 * linear / (1.0 + 0.6 * linear), 0.0, 1.0)
    encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.round(255.0 * encoded).astype(np.uint8)
