"""How noisy one photosite is: the file's NoiseProfile, or a plain model by ISO.

DNG 1.7, tag NoiseProfile: variance of a photosite = scale x value + offset, values 0..1 between black and white,
one pair per colour plane or one for all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from xmpsync.records import Vec3
from xmpsync.skin.records import NoiseModel


@dataclass(frozen=True, slots=True)
class NoiseSettings:
    """The sensor assumed where a file says nothing: a full-frame body of the last decade, from memory of published
    sensor measurements; halved or doubled it changes weights between faces a little, never a colour."""

    full_well_electrons: float = 60_000.0
    """Electrons at white level at `base_iso`."""
    read_noise_electrons: float = 3.0
    base_iso: float = 100.0
    smallest_iso: float = 25.0
    """Below: a damaged or missing number, taken as `base_iso`."""
    largest_iso: float = 4_000_000.0


SETTINGS = NoiseSettings()


def noise_model(
    noise_profile: tuple[float, ...] | None, iso: float | None, settings: NoiseSettings = SETTINGS
) -> NoiseModel:
    """The file's own noise model if it has a usable one, else the plain model."""
    stated = _from_profile(noise_profile)
    return stated if stated is not None else _from_iso(iso, settings)


def _from_profile(noise_profile: tuple[float, ...] | None) -> NoiseModel | None:
    if noise_profile is None or len(noise_profile) not in (2, 6):
        return None
    pairs = noise_profile * 3 if len(noise_profile) == 2 else noise_profile
    scale, offset = pairs[0::2], pairs[1::2]
    if not all(math.isfinite(v) and v >= 0 for v in pairs) or not all(v > 0 for v in scale):
        return None
    return NoiseModel((scale[0], scale[1], scale[2]), (offset[0], offset[1], offset[2]))


def _from_iso(iso: float | None, settings: NoiseSettings) -> NoiseModel:
    usable = iso is not None and settings.smallest_iso <= iso <= settings.largest_iso
    electrons = settings.full_well_electrons * settings.base_iso / (iso if usable and iso else settings.base_iso)
    scale, offset = 1 / electrons, (settings.read_noise_electrons / electrons) ** 2
    return NoiseModel((scale,) * 3, (offset,) * 3)


def after_gain(noise: NoiseModel, gain: Vec3) -> NoiseModel:
    """The model of values multiplied by `gain` per channel."""
    r, g, b = (s * k for s, k in zip(noise.scale, gain, strict=True))
    ro, go, bo = (o * k * k for o, k in zip(noise.offset, gain, strict=True))
    return NoiseModel((r, g, b), (ro, go, bo))
