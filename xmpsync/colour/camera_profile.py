"""A camera's colour profile as data: what the DNG specification 1.7 calls the calibrations of a profile."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from xmpsync.records import Mat3, Vec2, Vec3

IDENTITY: Mat3 = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


class ProfileSource(StrEnum):
    """Where a camera's colour comes from, best first."""

    DNG_TAGS = "dng-tags"
    PROFILE_FILE = "profile-file"
    LEARNED = "learned"
    TABLE = "table"
    TABLE_PREFIX = "table-prefix"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Calibration:
    """One calibration illuminant with its matrices (DNG 1.7, ColorMatrix / ForwardMatrix / CameraCalibration)."""

    temperature_k: float
    camera_from_xyz: Mat3
    xyz_d50_from_balanced: Mat3 | None = None
    camera_calibration: Mat3 = IDENTITY
    xy: Vec2 | None = None


@dataclass(frozen=True, slots=True)
class CameraProfile:
    """One to three calibrations, sorted by rising temperature, and the analog balance. Hashable."""

    calibrations: tuple[Calibration, ...]
    analog_balance: Vec3 = (1.0, 1.0, 1.0)
    source: ProfileSource = ProfileSource.NONE
    name: str = ""
