"""Frozen records that several rooms share. Plain numbers and tuples, so that they hash, compare and store as JSON."""

from __future__ import annotations

from dataclasses import dataclass

Vec2 = tuple[float, float]
Vec3 = tuple[float, float, float]
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
    """What the camera wrote down about one exposure. None where the file does not say.

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
        """One camera body: make, model and serial number where known."""
        return "/".join(part for part in (self.make, self.model, self.serial or "") if part)


@dataclass(frozen=True, slots=True)
class Settings3:
    """Temperature (K), tint and exposure (EV): what a sidecar holds, or should hold."""

    temperature_k: float
    tint: float
    exposure_ev: float
