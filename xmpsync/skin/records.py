"""What measuring skin yields: colours in linear camera values with the covariance of their logarithms.

Linear camera value = (DN - black) / (white - black) per channel R, G, B, before baseline exposure, lens shading
corrected where the file says how. `log_covariance` is of (ln R, ln G, ln B): relative errors.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from xmpsync.records import Box, Mat3, Vec2, Vec3


class Region(StrEnum):
    """Fixed facial regions; `whole` where only a rough place is known (small or profile face, hand-made patch)."""

    FOREHEAD = "forehead"
    LEFT_CHEEK = "left-cheek"
    RIGHT_CHEEK = "right-cheek"
    NOSE = "nose"
    CHIN = "chin"
    WHOLE = "whole"


class Unusable(StrEnum):
    """Why a face gives no colour."""

    CLIPPED = "clipped-skin"
    FEW_PIXELS = "few-pixels"
    NO_SKIN = "no-skin"
    TOO_DARK = "too-dark"
    PERHAPS_NO_FACE = "perhaps-no-face"
    """Has skin-like colour, but the detector was not sure and nobody like it was seen."""


@dataclass(frozen=True, slots=True)
class RegionSkin:
    """The lit, diffuse skin colour of one region."""

    region: Region
    camera: Vec3
    log_covariance: Mat3
    n_cells: int
    weight: float = 1.0


@dataclass(frozen=True, slots=True)
class SideDifference:
    """Lit side against shadow side of one face, or left against right: a sign of mixed light.

    `log_ratio` = ln(camera of the one) - ln(camera of the other); `level_ev` its green part in EV; `chroma_sd` how
    many standard deviations the colour difference is away from none. `log_covariance` is of `log_ratio`: noise, texture
    and how much the halves of any face differ. Whether it is mixed light the solver decides, by the tolerance.
    """

    log_ratio: Vec3
    level_ev: float
    chroma_sd: float
    log_covariance: Mat3 = ((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, 0.0))


@dataclass(frozen=True, slots=True)
class FaceSkin:
    """The skin of one face: robust whole-face colour of the dominating light, its regions, and how it was got."""

    camera: Vec3
    log_covariance: Mat3
    n_cells: int
    regions: tuple[RegionSkin, ...] = ()
    clipped_fraction: float = 0.0
    specular_fraction: float = 0.0
    sides: SideDifference | None = None


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """Variance of one photosite per channel: `scale` x value + `offset`, in linear camera values (DNG NoiseProfile)."""

    scale: Vec3
    offset: Vec3


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Linear camera colours of a rectangle, one CFA cell (2 x 2, 3 x 3 of a 6 x 6, or one linear pixel) per element.

    `camera` is float32 (h, w, 3), upright; `clipped` bool (h, w): some photosite of the cell is at or past its white
    level. `box` is exactly the area covered, in fractions of the upright picture. `n_photosites` (3,): photosites
    averaged per channel in one cell.
    """

    camera: npt.NDArray[np.float32]
    clipped: npt.NDArray[np.bool_]
    box: Box
    noise: NoiseModel
    n_photosites: Vec3 = (1.0, 2.0, 1.0)


@dataclass(frozen=True, slots=True)
class Place:
    """Where one facial region lies: a polygon in fractions of the upright picture."""

    region: Region
    polygon: tuple[Vec2, ...]


@dataclass(frozen=True, slots=True)
class NeutralPatch:
    """A patch marked as neutral: linear camera colour, covariance of its logarithms, and the cells averaged."""

    camera: Vec3
    log_covariance: Mat3
    n_cells: int
