"""The two openly licensed portraits that packages carry, taken apart into shading, skin and everything else.

`skimage.data.astronaut()` (NASA, public domain) and Grace Hopper's portrait in matplotlib's sample data (US Navy).
The pictures stay in their packages. Each serves as several people: skin pixels get another person's reflectance
spectrum and keep their shading, all other pixels get a reflectance spectrum after Mallett and Yuksel (2019), the
sRGB basis functions of colour-science.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from PIL import Image
from scipy.ndimage import gaussian_filter

from demo_shoot.spectra import WAVELENGTH_NM


@dataclass(frozen=True)
class _Source:
    """Where things are in one picture, in pixels: crop, head ellipse (x, y, half axes), places that are no skin."""

    crop: tuple[int, int, int, int]
    head: tuple[float, float, float, float]
    face: tuple[float, float, float, float]
    cheek: tuple[int, int, int, int]
    not_skin: tuple[tuple[float, float, float, float], ...]
    face_box: tuple[float, float, float, float]


_SOURCES = {
    "first": _Source(
        crop=(110, 0, 350, 300), head=(226, 124, 50, 68), face=(226, 124, 40, 55), cheek=(196, 118, 212, 134),
        not_skin=((207, 102, 19, 12), (247, 102, 19, 12), (226, 146, 26, 12)), face_box=(182, 58, 270, 180),
    ),
    "second": _Source(
        crop=(120, 0, 420, 380), head=(264, 230, 122, 128), face=(262, 235, 84, 92), cheek=(196, 240, 216, 262),
        not_skin=((218, 190, 50, 26), (314, 190, 50, 26), (262, 278, 40, 15), (262, 150, 100, 14)),
        face_box=(176, 122, 348, 338),
    ),
}  # fmt: skip
NAMES = tuple(_SOURCES)


@dataclass(frozen=True, eq=False)
class Portrait:
    """(h, w) arrays of one cropped portrait.

    `shading` light on the skin relative to the cheek; `skin` 0..1 share of skin; `flush` 0..1 share of redder skin
    within it; `other` (h, w, 3) linear sRGB of what is no skin; `judged` bool, bare facial skin; `alpha` 0..1 soft
    border; `face_box` left, top, right, bottom as fractions of the crop.
    """

    shading: np.ndarray
    skin: np.ndarray
    flush: np.ndarray
    other: np.ndarray
    judged: np.ndarray
    alpha: np.ndarray
    face_box: tuple[float, float, float, float]


@lru_cache(maxsize=1)
def srgb_basis() -> np.ndarray:
    """(3, n) reflectance spectra of the sRGB primaries (Mallett and Yuksel 2019)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    basis = colour.recovery.MSDS_BASIS_FUNCTIONS_sRGB_MALLETT2019
    return np.stack([np.interp(WAVELENGTH_NM, basis.wavelengths, basis.values[:, i]) for i in range(3)])


@lru_cache(maxsize=64)
def portrait(name: str, face_height: int, mirrored: bool = False, stretch: float = 1.0) -> Portrait:
    """One of `NAMES`, its face `face_height` pixels high, width stretched by `stretch`."""
    source = _SOURCES[name]
    left, top, right, bottom = source.crop
    picture = _linear(_picture(name))
    factor = face_height / (source.face_box[3] - source.face_box[1])
    skin, judged, flush, shading = _skin(picture, source)
    planes = np.concatenate([picture, np.stack([skin, judged, flush, shading], axis=-1)], axis=-1)[
        top:bottom, left:right
    ]
    size = (round((right - left) * factor * stretch), round((bottom - top) * factor))
    scaled = np.stack(
        [
            np.asarray(Image.fromarray(planes[..., i].astype(np.float32), "F").resize(size, Image.Resampling.BICUBIC))
            for i in range(7)
        ],
        axis=-1,
    ).clip(0.0, None)
    x0, y0, x1, y1 = source.face_box
    width, height = right - left, bottom - top
    box = ((x0 - left) / width, (y0 - top) / height, (x1 - left) / width, (y1 - top) / height)
    if mirrored:
        scaled, box = scaled[:, ::-1], (1 - box[2], box[1], 1 - box[0], box[3])
    return Portrait(
        shading=scaled[..., 6],
        skin=scaled[..., 3].clip(0, 1),
        flush=scaled[..., 5].clip(0, 1),
        other=scaled[..., :3].clip(0, 1),
        judged=scaled[..., 4] > 0.95,
        alpha=_border(scaled.shape[0], scaled.shape[1]),
        face_box=box,
    )


def _picture(name: str) -> np.ndarray:
    if name == "first":
        import skimage.data

        return np.asarray(skimage.data.astronaut())
    import matplotlib

    return np.asarray(Image.open(Path(matplotlib.get_data_path()) / "sample_data" / "grace_hopper.jpg").convert("RGB"))


def _linear(picture: np.ndarray) -> np.ndarray:
    value = picture / 255.0
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def _ellipse(shape: tuple[int, int], x: float, y: float, a: float, b: float, soft: float) -> np.ndarray:
    rows, columns = np.mgrid[0 : shape[0], 0 : shape[1]]
    inside = 1.0 - np.hypot((columns - x) / a, (rows - y) / b)
    return np.clip(inside * min(a, b) / soft + 0.5, 0.0, 1.0)


def _skin(picture: np.ndarray, source: _Source) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Share of skin, judged skin (0 or 1), share of flush, and shading relative to the cheek."""
    shape = picture.shape[:2]
    x0, y0, x1, y1 = source.cheek
    cheek = np.median(picture[y0:y1, x0:x1].reshape(-1, 3), axis=0)
    luminance = picture @ np.array([0.2126, 0.7152, 0.0722])
    level = float(cheek @ np.array([0.2126, 0.7152, 0.0722]))
    logs = np.log(picture.clip(1e-3, None))
    ratio = np.stack([logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1]], axis=-1)
    own = np.log(cheek)
    away = ratio - np.array([own[0] - own[1], own[2] - own[1]])
    # lips, wrinkles and shadows are redder than the cheek, and skin all the same
    alike = np.exp(-0.5 * (away[..., 0] / 0.6) ** 2 - 0.5 * (away[..., 1] / 0.9) ** 2)
    skin = np.clip((alike - 0.2) / 0.3, 0, 1) * np.clip((luminance / level - 0.04) / 0.08, 0, 1)
    bare = _ellipse(shape, *source.face, soft=4.0)
    for part in source.not_skin:
        bare = bare * (1.0 - _ellipse(shape, *part, soft=4.0))
    # pushed towards 1, so that bare skin holds none of the picture's own light skin
    skin = np.maximum(np.clip(1.3 * gaussian_filter(skin, 0.7), 0, 1) * _ellipse(shape, *source.head, soft=6.0), bare)
    judged = ((bare > 0.995) & (luminance < 0.95)).astype(float)
    flush = np.clip(gaussian_filter(away[..., 0], 1.5) / 0.6, 0.0, 1.0)
    return skin, judged, flush, luminance / level


def _border(height: int, width: int) -> np.ndarray:
    """Soft left, right and top edges; the bottom goes on."""
    edge = 0.06 * width
    x, y = np.arange(width) + 0.5, np.arange(height) + 0.5
    across = np.clip(np.minimum(x, width - x) / edge, 0, 1)
    down = np.clip(y / edge, 0, 1)
    return down[:, None] * across[None, :]
