"""Frames without people: photographs that scikit-image carries (cropped, turned, cast), and invented scenes.

Left out of scikit-image's pictures: the astronaut and the cameraman (people), the multi-page test files (no pictures).
The cat is in: an animal's face is no person's.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy import ndimage

from benchmarks.faces.portraits import linear_from_srgb, portraits

FILES = (
    "brick.png", "cell.png", "chelsea.png", "clock_motion.png", "coffee.png", "coins.png", "color.png", "grass.png",
    "gravel.png", "horse.png", "hubble_deep_field.jpg", "ihc.png", "microaneurysms.png", "moon.png",
    "motorcycle_left.png",
    "motorcycle_right.png", "page.png", "retina.jpg", "rocket.jpg", "text.png", "logo.png", "chessboard_RGB.png",
)  # fmt: skip

CLOTHES = (
    ("collins", (150, 240, 420, 512)),
    ("collins", (0, 0, 120, 300)),
    ("collins", (330, 0, 512, 512)),
    ("hopper", (60, 400, 512, 600)),
    ("hopper", (0, 60, 130, 430)),
    ("hopper", (140, 20, 380, 128)),
)
"""Parts of the portraits without a face: suit, flag, model rocket, uniform, hat (left, top, right, bottom)."""


def photographs() -> Iterator[tuple[str, np.ndarray]]:
    """Name and linear sRGB (h, w, 3) of real pictures without people."""
    from pathlib import Path

    import skimage.data
    from PIL import Image

    folder = Path(skimage.data.__file__).parent
    found = 0
    for name in FILES:
        if (folder / name).exists():
            found += 1
            yield name, linear_from_srgb(np.asarray(Image.open(folder / name).convert("RGB")))
    if found < 10:
        raise RuntimeError(f"only {found} of {len(FILES)} pictures came with this scikit-image: too few")
    known = {p.name: p for p in portraits()}
    for name, (left, top, right, bottom) in CLOTHES:
        yield f"{name} at {left},{top}", known[name].linear[top:bottom, left:right]


def invented(rng: np.random.Generator, size: tuple[int, int] = (768, 512)) -> tuple[str, np.ndarray]:
    """One invented scene in linear sRGB: blurred noise, lamps out of focus, tables of plates, draped cloth, leaves."""
    width, height = size
    kind = ("noise", "lamps", "plates", "cloth", "leaves")[int(rng.integers(5))]
    base = rng.uniform(0.02, 0.5, 3) * np.ones((height, width, 3))
    ys, xs = np.mgrid[0:height, 0:width]
    if kind == "noise":
        coarse = rng.uniform(0, 1, (height // 8, width // 8, 3))
        base = np.clip(ndimage.zoom(coarse, (8, 8, 1), order=3), 0, 1) * base * 2
    elif kind in ("lamps", "plates"):
        for _ in range(int(rng.integers(8, 40))):
            radius = rng.uniform(5, 90)
            x, y = rng.uniform(0, width), rng.uniform(0, height)
            squeeze = 1.0 if kind == "lamps" else rng.uniform(1.2, 2.5)
            inside = np.hypot(xs - x, (ys - y) * squeeze)
            ring = np.clip((radius - inside) / 2, 0, 1)[..., None]
            colour = rng.uniform(0.1, 1.0, 3)
            base = base * (1 - ring) + colour * ring
            if kind == "plates":
                food = np.clip((radius * 0.6 - inside) / 2, 0, 1)[..., None]
                base = base * (1 - food) + rng.uniform(0.02, 0.6, 3) * food
    elif kind == "cloth":
        wave = sum(
            np.sin((xs * np.cos(a) + ys * np.sin(a)) * f + p)
            for a, f, p in zip(rng.uniform(0, 3, 6), rng.uniform(0.01, 0.2, 6), rng.uniform(0, 6, 6), strict=True)
        )
        base = base * (1 + 0.15 * np.asarray(wave))[..., None]
    else:
        for _ in range(300):
            x, y, a = rng.uniform(0, width), rng.uniform(0, height), rng.uniform(0, np.pi)
            long, short = rng.uniform(8, 40), rng.uniform(3, 12)
            along, across = (xs - x) * np.cos(a) + (ys - y) * np.sin(a), (ys - y) * np.cos(a) - (xs - x) * np.sin(a)
            inside = ((along / long) ** 2 + (across / short) ** 2) < 1
            base[inside] = rng.uniform(0.2, 1.0) * np.array([0.12, 0.3, 0.06])
    return kind, np.clip(base, 0, 1).astype(np.float32)


def frames(rng: np.random.Generator, count: int) -> Iterator[tuple[str, np.ndarray]]:
    """`count` scenes without people in linear sRGB, 1024 pixels on the longer side: whole pictures, then crops."""
    real = list(photographs())
    for i in range(count):
        if i < len(real):
            name, picture = real[i]
        elif i % 3 == 0:
            name, picture = invented(rng)
        else:
            name, picture = real[int(rng.integers(len(real)))]
            height, width = picture.shape[:2]
            share = rng.uniform(0.3, 0.9)
            h, w = max(32, int(height * share)), max(32, int(width * share))
            top, left = int(rng.integers(max(1, height - h + 1))), int(rng.integers(max(1, width - w + 1)))
            picture = picture[top : top + h, left : left + w]
            if rng.uniform() < 0.5:
                picture = picture[:, ::-1]
        zoom = 1024 / max(picture.shape[:2])
        big = ndimage.zoom(picture, (zoom, zoom, 1), order=1, grid_mode=True, mode="nearest")
        yield name, np.clip(big, 0, 1).astype(np.float32)
