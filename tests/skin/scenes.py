"""Small invented scenes in camera space for this room's tests: bodies, shading, highlights, noise."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from xmpsync.records import Box, Vec2
from xmpsync.skin.records import Cells, NoiseModel, Place, Region, SideDifference

Array = npt.NDArray[np.float64]
BODY = np.array([0.22, 0.20, 0.08])
LIGHT = np.array([0.5, 1.0, 0.6])
HAIR = np.array([0.02, 0.03, 0.015])
SIZE = 120


def noise_model(iso: float = 100.0) -> NoiseModel:
    electron = iso / 100.0 / 50000.0
    return NoiseModel((electron,) * 3, ((3 * electron) ** 2,) * 3)


def disc(x: float, y: float, radius: float) -> tuple[Vec2, ...]:
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    return tuple((float(x + radius * np.cos(a)), float(y + radius * np.sin(a))) for a in angle)


def face_places() -> tuple[Place, ...]:
    """Five regions; the person's left cheek lies on the right of the picture."""
    return (
        Place(Region.FOREHEAD, disc(0.5, 0.25, 0.15)),
        Place(Region.RIGHT_CHEEK, disc(0.28, 0.55, 0.13)),
        Place(Region.LEFT_CHEEK, disc(0.72, 0.55, 0.13)),
        Place(Region.NOSE, disc(0.5, 0.5, 0.06)),
        Place(Region.CHIN, disc(0.5, 0.82, 0.08)),
    )


def grid(size: int = SIZE) -> tuple[Array, Array]:
    """x and y of the cells' centres, 0..1."""
    middle = (np.arange(size) + 0.5) / size
    x, y = np.meshgrid(middle, middle)
    return x, y


def textured(body: Array, size: int, rng: np.random.Generator, amount: float = 0.03) -> Array:
    """A body's colour with a fine texture of its own (relative, independent per channel)."""
    return np.asarray(body * np.exp(amount * rng.normal(size=(size, size, 3))))


def cells(scene: Array, rng: np.random.Generator, iso: float = 100.0, box: Box = Box(0.0, 0.0, 1.0, 1.0)) -> Cells:  # noqa: B008
    """The scene as photosites R, G, G, B with noise and a white level at 1, averaged per cell."""
    model = noise_model(iso)
    sites = scene[..., (0, 1, 1, 2)]
    variance = model.scale[0] * np.maximum(sites, 0) + model.offset[0]
    seen = np.minimum(sites + rng.normal(size=sites.shape) * np.sqrt(variance), 1.0)
    camera = np.stack([seen[..., 0], seen[..., 1:3].mean(axis=-1), seen[..., 3]], axis=-1)
    return Cells(camera.astype(np.float32), np.asarray((seen >= 1.0).any(axis=-1)), box, model)


def chroma_error(measured: tuple[float, float, float], truth: Array) -> float:
    """Largest error of ln R/G and ln B/G."""
    off = np.log(np.asarray(measured) / truth)
    return float(max(abs(off[0] - off[1]), abs(off[2] - off[1])))


def shows(sides: SideDifference) -> bool:
    """Whether two halves differ by more than 0.11 log units of chromaticity beyond noise: about 4 CIEDE2000.

    The solver's rule, on a scene without a camera profile: measuring itself does not judge.
    """
    chroma = np.array([[1.0, -1.0, 0.0], [0.0, -1.0, 1.0]])
    d, v = chroma @ sides.log_ratio, chroma @ np.asarray(sides.log_covariance) @ chroma.T
    return bool(d @ d - np.trace(v) > 0.11**2)
