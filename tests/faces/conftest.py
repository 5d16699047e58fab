"""Two openly licensed portraits with points read by eye, and the models, loaded once.

Astronaut Eileen Collins: NASA, public domain, `skimage.data.astronaut`. Rear Admiral Grace Hopper: US Navy, public
domain (from memory), matplotlib's sample data.
"""

from __future__ import annotations

from dataclasses import dataclass

import matplotlib.cbook
import numpy as np
import pytest
import skimage.data
from PIL import Image

from xmpsync.faces.detector import Detector
from xmpsync.faces.mesh import Mesh


@dataclass(frozen=True)
class Portrait:
    """uint8 picture, the five points (eyes, nose tip, mouth corners; picture left first) in pixels, face height."""

    picture: np.ndarray
    points: np.ndarray
    face_px: float

    @property
    def linear(self) -> np.ndarray:
        return ((self.picture / 255.0 + 0.055) / 1.055) ** 2.4

    def mirrored(self) -> Portrait:
        points = self.points[[1, 0, 2, 4, 3]].copy()
        points[:, 0] = self.picture.shape[1] - points[:, 0]
        return Portrait(self.picture[:, ::-1].copy(), points, self.face_px)


# Read from an enlarged grid, to about half a pixel; no detector had a part in them.
COLLINS = np.array([[203.5, 101], [246.5, 103], [224, 127], [204, 140], [244, 141]])
HOPPER = np.array([[221, 189], [305, 186], [269, 238], [231, 280], [308, 276]])


@pytest.fixture(scope="session")
def collins() -> Portrait:
    return Portrait(skimage.data.astronaut(), COLLINS, 116.0)


@pytest.fixture(scope="session")
def hopper() -> Portrait:
    with matplotlib.cbook.get_sample_data("grace_hopper.jpg", asfileobj=True) as file:
        picture = np.asarray(Image.open(file).convert("RGB"))
    return Portrait(picture, HOPPER, 195.0)


@pytest.fixture(scope="session")
def detector() -> Detector:
    return Detector()


@pytest.fixture(scope="session")
def mesh() -> Mesh:
    return Mesh()
