"""The invented members of the village choir: shape, skin, hair, eyes and clothes. Nobody of them exists."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from demo_shoot.head import N_MATERIALS, Build, Material
from demo_shoot.skin_model import skin_reflectance
from demo_shoot.spectra import WAVELENGTH_NM, band_reflectance, flat_reflectance, step_reflectance


@dataclass(frozen=True)
class Member:
    """One singer. `melanin` and `blood` as in `demo_shoot.skin_model`; the others choose a reflectance below."""

    name: str
    build: Build
    melanin: float
    blood: float
    hair: str
    iris: str
    cloth: str
    collar: str = "white"


_SURFACES = {
    "red hair": step_reflectance(0.022, 0.13, 595.0, 28.0),
    "blond hair": step_reflectance(0.12, 0.40, 530.0, 45.0),
    "brown hair": step_reflectance(0.025, 0.085, 590.0, 35.0),
    "black hair": step_reflectance(0.015, 0.022, 600.0, 40.0),
    "grey hair": flat_reflectance(0.30),
    "blue": band_reflectance(0.06, 0.17, 470.0, 55.0),
    "green": band_reflectance(0.06, 0.13, 540.0, 60.0),
    "brown": step_reflectance(0.018, 0.085, 600.0, 30.0),
    "navy": band_reflectance(0.03, 0.13, 450.0, 40.0),
    "brick": step_reflectance(0.06, 0.45, 595.0, 15.0),
    "mustard": step_reflectance(0.07, 0.62, 530.0, 18.0),
    "forest": band_reflectance(0.04, 0.20, 535.0, 35.0),
    "white": step_reflectance(0.72, 0.82, 430.0, 15.0),
    "charcoal": flat_reflectance(0.055),
    "lilac": step_reflectance(0.30, 0.45, 600.0, 25.0) + band_reflectance(0.0, 0.18, 440.0, 35.0),
    "eye white": step_reflectance(0.50, 0.64, 500.0, 30.0),
    "dark": flat_reflectance(0.012),
}

CHOIR = (
    Member("Ida", Build(hair="long", lip_fullness=1.1, flush=0.6, width=0.97, jaw=0.93, eye_size=1.08),
           0.013, 0.013, "red hair", "blue", "navy"),
    Member("Tomas", Build(hair="short", width=1.02, jaw=1.10, beard=0.25, brow_weight=1.3, nose_length=1.05),
           0.021, 0.014, "brown hair", "green", "charcoal"),
    Member("Selma", Build(hair="bun", lip_fullness=1.15, smile=0.6, eye_size=1.05, width=0.98),
           0.033, 0.012, "blond hair", "brown", "forest"),
    Member("Jun", Build(hair="short", width=1.04, nose_width=1.08, brow_weight=0.9, hairline=-0.72, eye_spacing=1.03),
           0.052, 0.012, "black hair", "brown", "brick"),
    Member("Ravi", Build(hair="bald", jaw=1.06, nose_width=1.1, smile=0.8, brow_weight=1.1),
           0.082, 0.011, "grey hair", "brown", "mustard"),
    Member("Amara", Build(hair="bun", lip_fullness=1.45, nose_width=1.22, flush=0.4, eye_size=1.06),
           0.130, 0.011, "black hair", "brown", "lilac"),
)  # fmt: skip
BY_NAME = {member.name: member for member in CHOIR}


def surface(name: str) -> np.ndarray:
    """Reflectance of a named surface."""
    return _SURFACES[name]


@lru_cache(maxsize=32)
def reflectances(member: Member) -> np.ndarray:
    """(N_MATERIALS, n wavelengths) what the member's head, hair and clothes are made of."""
    table = np.empty((N_MATERIALS, WAVELENGTH_NM.size))
    melanin, blood = member.melanin, member.blood
    table[Material.SKIN] = skin_reflectance(WAVELENGTH_NM, melanin, blood)
    table[Material.FLUSHED] = skin_reflectance(WAVELENGTH_NM, melanin, 2.4 * blood)
    table[Material.DARKER] = skin_reflectance(WAVELENGTH_NM, 1.22 * melanin, 1.15 * blood)
    table[Material.LIP] = skin_reflectance(WAVELENGTH_NM, 1.2 * melanin + 0.012, 6.0 * blood)
    table[Material.EYE_WHITE] = surface("eye white")
    table[Material.IRIS] = surface(member.iris)
    table[Material.DARK] = surface("dark")
    table[Material.HAIR] = surface(member.hair)
    table[Material.CLOTH] = surface(member.cloth)
    table[Material.COLLAR] = surface(member.collar)
    return table
