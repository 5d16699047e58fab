"""Skin spectra and camera bodies of the bench, ready to use.

The measured spectra come as a workbook that takes some 20 seconds to read, so a draw of them is kept in the build
folder of the project.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from benchmarks.skin.cameras import Camera, cameras, fitted
from benchmarks.skin.spectra import WAVELENGTH_NM, SkinSpectrum, measured_spectra, model_spectra

PER_CLASS = 40
KEPT = Path(__file__).resolve().parents[2] / "scratch" / "bench" / f"skin_spectra_{PER_CLASS}.npz"


def skin_spectra(model: bool = False) -> list[SkinSpectrum]:
    """40 measured spectra of each tone class; those of the melanin model where asked for or nothing else is there."""
    rng = np.random.default_rng(1)
    if model:
        return model_spectra(PER_CLASS, rng)
    if KEPT.exists():
        with np.load(KEPT) as kept:
            rows = zip(kept["reflectance"], kept["tone"], kept["source"], strict=True)
            return [SkinSpectrum(r, str(tone), str(source)) for r, tone, source in rows]
    found = measured_spectra(PER_CLASS, rng)
    if found is None:
        return model_spectra(PER_CLASS, rng)
    KEPT.parent.mkdir(parents=True, exist_ok=True)
    np.savez(
        KEPT,
        reflectance=np.array([s.reflectance for s in found]),
        tone=np.array([s.tone for s in found]),
        source=np.array([s.source for s in found]),
    )
    return found


def bodies(extra: Path | None = None) -> list[Camera]:
    """colour-science's mosaic body with five like it, or with those of an npz file of measured ones."""
    found = cameras(extra)
    return found if extra is not None else found + like(found[0], 5, np.random.default_rng(2))


def like(camera: Camera, count: int, rng: np.random.Generator) -> list[Camera]:
    """Bodies like one: filters shifted by some nanometres and leaking a little, profiles fitted anew."""
    out = []
    for number in range(count):
        shifted = [
            np.interp(WAVELENGTH_NM - rng.normal(0.0, 4.0), WAVELENGTH_NM, camera.sensitivity[:, k]) for k in range(3)
        ]
        leak = np.eye(3) + 0.05 * rng.random((3, 3)) * (1.0 - np.eye(3))
        out.append(fitted(f"{camera.name} {number}", np.stack(shifted, axis=1) @ leak.T))
    return out
