"""Frozen records that several rooms share. Plain numbers and tuples, so that they hash, compare and store as JSON."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

Vec2 = tuple[float, float]
Vec3 = tuple[float, float, float]
UNKNOWN_CAMERA = "unknown camera"
Mat3 = tuple[Vec3, Vec3, Vec3]
"""Row-major 3 x 3 matrix."""


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle in fractions (0..1) of the upright picture, origin top left; may reach past the border."""

    left: float
    top: float
    width: float
    height: float

    @property
    def centre(self) -> Vec2:
        return self.left + self.width / 2, self.top + self.height / 2

    def contains(self, x: float, y: float) -> bool:
        return self.left <= x <= self.left + self.width and self.top <= y <= self.top + self.height

    def iou(self, other: Box) -> float:
        """Intersection over union, 0..1."""
        right = min(self.left + self.width, other.left + other.width)
        bottom = min(self.top + self.height, other.top + other.height)
        inter = max(0.0, right - max(self.left, other.left)) * max(0.0, bottom - max(self.top, other.top))
        union = self.width * self.height + other.width * other.height - inter
        return inter / union if union > 0 else 0.0


@dataclass(frozen=True, slots=True)
class Capture:
    """What the camera recorded about one exposure. None where the file does not hold it.

    `time_s` is seconds since 1970-01-01 of the camera's own clock read as if it were UTC, with sub-seconds (an
    offset, if the file has one, stays in `utc_offset_s` and is not applied). `orientation` is Exif 1..8.
    `width` and `height` are of the upright picture in pixels.
    """

    make: str = ""
    model: str = ""
    serial: str | None = None
    lens: str | None = None
    time_s: float | None = None
    utc_offset_s: float | None = None
    exposure_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    focal_mm: float | None = None
    flash_fired: bool | None = None
    orientation: int = 1
    width: int = 0
    height: int = 0

    @property
    def body(self) -> str:
        """One camera body: make, model and serial number where known; `unknown camera` where nothing names it."""
        camera = "/".join(part for part in (self.make, self.model) if part) or UNKNOWN_CAMERA
        return f"{camera}/{self.serial}" if self.serial else camera


TEMPERATURE_RANGE_K = (2000.0, 50000.0)
TINT_RANGE = (-150.0, 150.0)
EXPOSURE_RANGE_EV = (-4.0, 4.0)
"""What the three fields hold (XMP part 2, 3.3, Camera raw schema: Temperature, Tint, Exposure)."""


@dataclass(frozen=True, slots=True)
class Develop:
    """Temperature (K), tint and exposure (EV) that a frame is rendered with, in the scale of its profile.

    `as_shot`: the sidecar holds no numbers for the white; temperature and tint are those of the camera's own.
    """

    temperature_k: float
    tint: float
    exposure_ev: float
    as_shot: bool = field(default=False, compare=False)

    def rounded(self) -> Develop:
        """What a sidecar can hold of it; see `rounded`."""
        temperature_k, tint, exposure_ev = rounded([self.temperature_k, self.tint, self.exposure_ev]).tolist()
        return Develop(temperature_k, tint, exposure_ev)

    def as_json(self) -> dict[str, float | None]:
        """As JSON values, units in the keys; temperature and tint null where the white is as shot."""
        temperature_k, tint = (None, None) if self.as_shot else (self.temperature_k, self.tint)
        return {"temperature_k": temperature_k, "tint": tint, "exposure_ev": self.exposure_ev}


def rounded(numbers: ArrayLike) -> NDArray[np.float64]:
    """Temperature (K), tint and exposure (EV) (..., 3) as the fields hold them: in range, whole, whole, 2 decimals."""
    low, high = np.array([TEMPERATURE_RANGE_K, TINT_RANGE, EXPOSURE_RANGE_EV]).T
    inside = np.clip(np.asarray(numbers, dtype=np.float64), low, high)
    whole, decimals = np.round(inside[..., :2]), np.round(inside[..., 2:], 2)
    return np.concatenate([whole, decimals], axis=-1) + 0.0  # no negative zero
