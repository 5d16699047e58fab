"""Means of camera values with the covariance of their logarithms.

A mean's error has three parts: photon and read noise (known), skin's texture inside the region (spread over the number
of independent samples), and for a face the spread between its regions. Noise averages with the number of bins, texture
only with the number of patches that differ.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from xmpsync.colour.arrays import FloatArray
from xmpsync.records import Mat3, Vec3
from xmpsync.skin.gather import TINY, Evidence
from xmpsync.skin.settings import SkinSettings

log_from_level_chroma = np.array([[1.0, 1.0, 0.0], [1.0, 0.0, 0.0], [1.0, 0.0, 1.0]])
"""(ln R, ln G, ln B) from (ln G, ln R/G, ln B/G)."""
level_chroma_from_log = np.array([[0.0, 1.0, 0.0], [1.0, -1.0, 0.0], [0.0, -1.0, 1.0]])


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """A mean camera colour, the covariance (3, 3) of its logarithms, and the part of that which is noise."""

    camera: Vec3
    log_covariance: FloatArray
    noise: FloatArray

    @property
    def level_chroma(self) -> FloatArray:
        """(ln G, ln R/G, ln B/G)."""
        answer: FloatArray = level_chroma_from_log @ np.log(np.maximum(self.camera, TINY))
        return answer

    @property
    def chroma_noise(self) -> float:
        """Variance of ln R/G and ln B/G by noise, their mean."""
        return float(np.diag(level_chroma_from_log @ self.noise @ level_chroma_from_log.T)[1:].mean())


@dataclass(frozen=True, slots=True)
class Level:
    """ln of green, its variance, and the part of that which is noise."""

    log_green: float
    variance: float
    noise: float


def estimate_mean(evidence: Evidence, index: npt.NDArray[np.intp], settings: SkinSettings) -> Estimate:
    """Linear mean of the bins `index` (shading keeps a body's colour, so the sum has it too)."""
    camera = evidence.camera[index]
    mean = np.maximum(camera.mean(axis=0), TINY)
    noise = np.diag(evidence.variance[index].sum(axis=0) / len(index) ** 2 / mean**2)
    logs = np.log(np.maximum(evidence.smoothed[index], TINY)) @ level_chroma_from_log.T
    independent = max(1.0, len(index) / settings.texture_correlation_bins)
    spread = np.atleast_2d(np.cov(logs.T)) if len(index) > 3 else np.zeros((3, 3))
    # smoothing keeps texture and leaves little noise, which is taken off
    own = evidence.smoothed_variance[index].mean(axis=0) / mean**2
    spread = _positive(spread - level_chroma_from_log @ np.diag(own) @ level_chroma_from_log.T)
    texture = log_from_level_chroma @ (spread / independent) @ log_from_level_chroma.T
    return Estimate((float(mean[0]), float(mean[1]), float(mean[2])), noise + texture, noise)


def combine(
    estimates: list[Estimate], weights: list[float], level: Level, settings: SkinSettings
) -> tuple[Vec3, FloatArray, float]:
    """Face colour, covariance of its logarithms and its largest relative sd by noise alone.

    Chromaticity: weighted mean over the regions. Level: `level`, of the dominating side as a whole.
    """
    w = np.asarray(weights) / np.sum(weights)
    each = np.stack([e.level_chroma for e in estimates])
    chroma = w @ each[:, 1:]
    logs = log_from_level_chroma @ np.concatenate([[level.log_green], chroma])
    camera = np.exp(logs)

    parts = np.stack([level_chroma_from_log @ e.log_covariance @ level_chroma_from_log.T for e in estimates])
    noise_parts = np.stack([level_chroma_from_log @ e.noise @ level_chroma_from_log.T for e in estimates])
    covariance = np.zeros((3, 3))
    covariance[1:, 1:] = np.einsum("r,rij->ij", w**2, parts[:, 1:, 1:])
    if len(estimates) > 1:
        off = each[:, 1:] - chroma
        between = np.einsum("r,ri,rj->ij", w, off, off) * float((w**2).sum())
        covariance[1:, 1:] += settings.between_regions**2 * between
    covariance[1:, 1:] += np.eye(2) * settings.floor_chroma**2
    covariance[0, 0] = level.variance + settings.floor_level**2
    noise = np.einsum("r,rij->ij", w**2, noise_parts)
    noise_sd = float(np.sqrt(max(noise[1, 1], noise[2, 2], level.noise)))
    full: FloatArray = log_from_level_chroma @ covariance @ log_from_level_chroma.T
    return (float(camera[0]), float(camera[1]), float(camera[2])), full, noise_sd


def to_mat3(matrix: FloatArray) -> Mat3:
    """A (3, 3) array as nested tuples."""
    rows = [(float(r[0]), float(r[1]), float(r[2])) for r in matrix]
    return rows[0], rows[1], rows[2]


def _positive(matrix: FloatArray) -> FloatArray:
    values, vectors = np.linalg.eigh(matrix)
    answer: FloatArray = (vectors * np.maximum(values, 0.0)) @ vectors.T
    return answer
