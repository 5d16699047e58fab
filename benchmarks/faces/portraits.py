"""The two openly licensed colour portraits that packages carry, with landmarks read off by eye.

Astronaut Eileen Collins (NASA, public domain; `skimage.data.astronaut`) and Rear Admiral Grace Hopper (US Navy, public
domain, from memory; matplotlib's sample data). Both are light-skinned women, one smiling with a fringe, one with hat
and glasses: other tones are made spectrally. The points were read from an enlarged grid, to about half a pixel, and no
detector had a part in them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np


@dataclass(frozen=True)
class Portrait:
    """A portrait in linear sRGB (h, w, 3). Points and box in its pixels; `head`: centre and half axes of a cut-out."""

    name: str
    linear: np.ndarray
    points: np.ndarray
    box: tuple[float, float, float, float]
    head: tuple[float, float, float, float]

    @property
    def face_px(self) -> float:
        return self.box[3] - self.box[1]


def linear_from_srgb(picture: np.ndarray) -> np.ndarray:
    encoded = picture.astype(np.float32) / 255
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4).astype(np.float32)


@cache
def portraits() -> tuple[Portrait, ...]:
    import matplotlib.cbook
    import skimage.data
    from PIL import Image

    with matplotlib.cbook.get_sample_data("grace_hopper.jpg", asfileobj=True) as file:
        hopper = np.asarray(Image.open(file).convert("RGB"))
    return (
        Portrait(
            "collins",
            linear_from_srgb(skimage.data.astronaut()),
            np.array([[203.5, 101], [246.5, 103], [224, 127], [204, 140], [244, 141]]),
            (181, 62, 270, 178),
            (226, 108, 105, 118),
        ),
        Portrait(
            "hopper",
            linear_from_srgb(hopper),
            np.array([[221, 189], [305, 186], [269, 238], [231, 280], [308, 276]]),
            (185, 135, 345, 330),
            (262, 235, 165, 205),
        ),
    )
